"""Folders that the user opened; nothing outside them is read or written."""

from __future__ import annotations

import hashlib
import json
import re
import tomllib
import unicodedata
from dataclasses import dataclass, field
from pathlib import Path

from accstudy.errors import InputError
from accstudy.study.disk import read_own, write_files

__all__ = ["Opened", "Shelf", "safe_name"]

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
