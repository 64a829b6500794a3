"""Folders that the user opened, and files brought to them; nothing outside is read or written."""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import json
import os
import re
import secrets
import tomllib
import unicodedata
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from pathlib import Path

from accstudy.errors import InputError, OutputError
from accstudy.study.files import file_digest, read_own, resolve, write_files

_OPENED = ".accstudy-desk.json"
_MOST_LISTED = 500
_RESERVED = re.compile(r"(con|prn|aux|nul|(com|lpt)[\d¹²³]) *(\..*)?$", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Opened:
    """A study on the shelf: its name in addresses, and its folder."""

    key: str
    path: Path

    @property
    def has_results(self) -> bool:
        """Whether it was run."""
        return (self.path / "results" / "record.json").is_file()

    @property
    def title(self) -> str:
        """Title that its settings give it; the folder's name where they cannot be read."""
        try:
            said = tomllib.loads(read_own(self.path / "study.toml").decode("utf-8-sig"))
            return str(said["study"]["title"] or self.path.name)
        except (OSError, ValueError, KeyError, TypeError):
            return self.path.name


def safe_name(name: str, *, folder: bool = False) -> str:
    """A file's name that every system takes, made of what the user's program called it.

    Examples
    --------
    >>> safe_name("../Scan 01 (Kopie) – Müller.STL")
    'Scan 01 (Kopie) – Müller.STL'
    """
    bare = re.split(r"[/\\]", unicodedata.normalize("NFC", name))[-1]
    kept = "".join("_" if c in '<>:"|?*' or not c.isprintable() else c for c in bare)
    kept = kept.strip(" .") if folder else kept.rstrip(" .").lstrip(" .~=+-@")
    if not kept or _RESERVED.match(kept) or len(kept.encode()) > 200:
        raise InputError(f'"{name[:80]}" cannot be the name of a file', hint="rename it")
    return kept


@dataclass
class Shelf:
    """The studies that are open: those in the desk's folder, and those opened elsewhere."""

    home: Path
    _elsewhere: list[Path] = field(default_factory=list)

    def __post_init__(self) -> None:
        try:
            found = json.loads(read_own(self.home / _OPENED))
            self._elsewhere = [Path(p) for p in found if isinstance(p, str)]
        except (OSError, ValueError, TypeError):
            self._elsewhere = []

    def studies(self) -> list[Opened]:
        """Every open study, those of the desk's folder first."""
        here = sorted(p for p in self.home.iterdir() if (p / "study.toml").is_file())
        if (self.home / "study.toml").is_file():
            here = [self.home, *here]
        there = [p for p in self._elsewhere if (p / "study.toml").is_file() and p not in here]
        return [Opened(_key(p), p) for p in (*here[:_MOST_LISTED], *there)]

    def find(self, key: str) -> Opened:
        """The study of an address; `InputError` where none is open under it."""
        for study in self.studies():
            if study.key == key:
                return study
        raise InputError("this study is not open", hint="open it on the first screen")

    def place(self, name: str) -> Path:
        """Folder of a new study."""
        return self.home / safe_name(name, folder=True)

    def open(self, folder: Path) -> Opened:
        """Open a study that lies elsewhere, and remember it."""
        if not (folder / "study.toml").is_file():
            raise InputError("there is no study.toml in this folder")
        if folder.parent != self.home and folder not in self._elsewhere:
            self._elsewhere.append(folder)
            names = json.dumps([str(p) for p in self._elsewhere], indent=1)
            write_files(self.home, {_OPENED: names.encode()})
        return Opened(_key(folder), folder)


def _key(path: Path) -> str:
    return hashlib.sha256(str(path).encode("utf-8", "surrogateescape")).hexdigest()[:12]


_MESHES = (".stl", ".ply", ".obj", ".stl.gz", ".ply.gz", ".obj.gz")
_TABLES = (".csv", ".tsv", ".txt", ".xlsx")
_FOREIGN = {
    b"%PDF": "a PDF", b"MZ": "a program", b"\x7fELF": "a program", b"\x89PNG": "a picture",
    b"\xff\xd8\xff": "a picture", b"Rar!": "an archive", b"7z\xbc\xaf": "an archive",
    b"<!DO": "a web page", b"<htm": "a web page",
}  # fmt: skip
_ZIP = b"PK\x03\x04"


@dataclass(frozen=True, slots=True)
class Place:
    """Where files of one sort go: folder in the study, endings, and the limit of their reader.

    A second file of a name gets a number (`kept_apart`), or is refused.
    """

    folder: str
    endings: tuple[str, ...]
    max_bytes: int
    kept_apart: bool = True


PLACES = {
    "reference": Place("reference", _TABLES, 100_000_000),
    "list": Place("", _TABLES, 100_000_000),
    "body": Place("scan_bodies", _MESHES, 200_000_000),
    "learn": Place("reference", _MESHES, 1_000_000_000),
    "scans": Place("scans", _MESHES, 1_000_000_000, kept_apart=False),
}


def largest(where: str) -> int:
    """Largest file that is taken somewhere, bytes."""
    return PLACES["scans" if where == "session" else where].max_bytes


def _checked(name: str, place: Place, size: int | None) -> str:
    kept = safe_name(name)
    if not kept.lower().endswith(place.endings):
        mend = f"bring one of: {', '.join(place.endings)}"
        if kept.lower().endswith((".zip", ".rar", ".7z")):
            mend = "unpack the archive, and bring the files that are in it"
        raise InputError(f'"{kept}" is not a file that is read here', hint=mend)
    if size is not None and size > place.max_bytes:
        raise InputError(
            f'"{kept}" has {size / 1e6:.0f} MB; files of up to {place.max_bytes / 1e6:g} MB are '
            "read", hint="export it with fewer triangles, or without colour",
        )  # fmt: skip
    return kept


def _sniffed(start: bytes, name: str) -> None:
    """Refuse what is plainly something else than its name says."""
    what = next((w for sign, w in _FOREIGN.items() if start.startswith(sign)), "")
    if start.startswith(_ZIP) and not name.lower().endswith(".xlsx"):
        what = "an archive"
    if what:
        raise InputError(f'"{name}" is {what}, despite its name', hint="export it again")


async def receive(
    study: Path,
    place: Place,
    name: str,
    stream: AsyncIterator[bytes],
    *,
    size: int | None = None,
    changed: float | None = None,
) -> tuple[str, bool]:
    """Write a file that comes in into the study, whole or not at all.

    What comes counts, whatever `size` was announced. Gives its path relative to the study, and
    whether it is new: the same bytes may be there already. `InputError` says why a file is not
    taken, `OutputError` why the disk does not take it.
    """
    kept = _checked(name, place, size)
    folder = resolve(study, place.folder or ".")
    aside = folder / f".{secrets.token_hex(8)}.part"
    try:
        folder.mkdir(exist_ok=True)
        digest, count = hashlib.sha256(), 0
        with aside.open("xb") as file:
            async for piece in stream:
                if count == 0:
                    _sniffed(piece[:64], kept)
                count += len(piece)
                _checked(kept, place, count)
                digest.update(piece)
                file.write(piece)
        if count == 0:
            raise InputError(f'"{kept}" is empty', hint="export it again")
        if changed is not None and 0 < changed < 4e9:
            os.utime(aside, (changed, changed))
        to = await _free(folder, kept, digest.hexdigest(), count, place)
        new = not to.exists()
        if new:
            os.replace(aside, to)
    except OSError as error:
        raise OutputError(
            f'"{kept}" cannot be written: {error.strerror}', hint="free space on the disk"
        ) from error
    finally:
        with contextlib.suppress(OSError):
            aside.unlink(missing_ok=True)
    return to.relative_to(study).as_posix(), new


async def _free(folder: Path, name: str, digest: str, size: int, place: Place) -> Path:
    """Path that is free, or holds the same bytes."""
    stem, dot, ending = name.partition(".") if name.count(".") == 1 else name.rpartition(".")
    for k in range(1, 1000):
        to = folder / (name if k == 1 else f"{stem} {k}{dot}{ending}")
        if not os.path.lexists(to):
            return to
        alike = to.is_file() and to.stat().st_size == size
        if alike and await asyncio.to_thread(file_digest, to) == digest:
            return to
        if not place.kept_apart:
            raise InputError(
                f'another file named "{name}" is in the study already', hint="rename the new one"
            )
    raise InputError(f'there are too many files named "{name}"', hint="rename it")
