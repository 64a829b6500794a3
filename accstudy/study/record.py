"""The record of a run, and writing that leaves the old results or the new ones, whole."""

from __future__ import annotations

import contextlib
import functools
import hashlib
import importlib.metadata
import json
import math
import os
import platform
import shutil
from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, NotRequired

from pydantic import ConfigDict, TypeAdapter, ValidationError
from typing_extensions import TypedDict

from accstudy.errors import Finding, NotOursError, OutputError
from accstudy.study.exchange import exchange

if TYPE_CHECKING:
    from accstudy.study.files import Files

__all__ = [
    "LARGEST",
    "RECORD",
    "Record",
    "digest",
    "drawn_orders",
    "file_digest",
    "json_bytes",
    "program_digest",
    "read_record",
    "recover",
    "refuse_link",
    "refuse_strangers",
    "replace_folder",
    "versions",
    "write_files",
]

RECORD = "record.json"
"""Name of the record in the results folder."""

LARGEST = 500_000_000
"""Largest file of the program's own that is read back, bytes."""

_NEW, _OLD = "new", "old"
_COMPLETE = ".accstudy-complete"
_PLAN = "plan"


class ReportRecord(TypedDict):
    """What a report was made from, and SHA-256 of its files."""

    made_from: str
    figures: str
    page: bool
    who: str
    issued: str
    dpi: NotRequired[int]  # records of before it could be chosen lack it
    files: dict[str, str]


class Record(TypedDict, total=False):
    """Content of record.json; every digest is a SHA-256 as hexadecimal text."""

    __pydantic_config__ = ConfigDict(extra="forbid")  # type: ignore[misc]

    accstudy: str
    settings: dict[str, Any]
    program: str
    versions: dict[str, str]
    computer: dict[str, str]
    stages: dict[str, str]
    scans: dict[str, dict[str, str]]
    findings: dict[str, list[dict[str, str]]]
    inputs: dict[str, str]
    sessions: dict[str, str]
    outputs: dict[str, str]
    report: ReportRecord


_RECORDS = TypeAdapter(Record)


def digest(data: bytes) -> str:
    """SHA-256 of bytes, as hexadecimal text."""
    return hashlib.sha256(data).hexdigest()


def file_digest(path: Path) -> str:
    """SHA-256 of a file, as hexadecimal text."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


_PROGRAM = (".py", ".typ", ".html", ".js", ".ttf")


@functools.cache
def program_digest(*rooms: str) -> str:
    """SHA-256 over the program itself, so that a changed program keeps nothing stale.

    Parameters
    ----------
    *rooms : str
        Rooms of the package, such as ``"locate"``; the whole package by default.
    """
    package = Path(__file__).parent.parent
    folders = [package / room for room in rooms] or [package]
    hasher = hashlib.sha256()
    for folder in folders:
        for path in sorted(p for p in folder.rglob("*") if p.suffix in _PROGRAM):
            hasher.update(path.relative_to(package).as_posix().encode() + b"\0")
            hasher.update(path.read_bytes())
    return hasher.hexdigest()


def versions() -> dict[str, str]:
    """Versions of what computes."""
    names = (
        "numpy",
        "scipy",
        "pandas",
        "statsmodels",
        "trimesh",
        "matplotlib",
        "typst",
    )
    found = {"python": platform.python_version()}
    for name in (*names, "open3d", "open3d-cpu"):
        try:
            found[name] = importlib.metadata.version(name)
        except importlib.metadata.PackageNotFoundError:
            continue
    return found


def json_bytes(value: object) -> bytes:
    """Write JSON with sorted keys; numbers that are not finite become null."""
    return (json.dumps(_plain(value), indent=1, sort_keys=True, ensure_ascii=False) + "\n").encode()


def _plain(value: object) -> object:
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    return value


def read_record(results: Path) -> Record:
    """Read record.json of a results folder; empty when there is none that can be read."""
    try:
        with (results / RECORD).open("rb") as stream:
            found = json.loads(stream.read(LARGEST))
        record = _RECORDS.validate_python(found, strict=True)
        for rows in record.get("findings", {}).values():
            for row in rows:
                Finding.from_dict(row)
    except (OSError, ValueError, RecursionError, TypeError, KeyError, ValidationError):
        return {}
    return record


def _aside(folder: Path, which: str) -> Path:
    """Name beside a folder that nobody else would use."""
    return folder.with_name(f".{folder.name}.accstudy-{which}")


def refuse_link(folder: Path) -> None:
    """Raise `NotOursError` for a link or a file in the place of a folder of the tool's."""
    if folder.is_symlink() or (folder.exists() and not folder.is_dir()):
        what = "a link" if folder.is_symlink() else "a file"
        raise NotOursError(
            f'"{folder.name}" is {what}, not a folder; nothing is written through it',
            where=str(folder),
            hint="move it away",
        )


def recover(folder: Path) -> None:
    """Finish or undo a replacement that was interrupted.

    Parameters
    ----------
    folder : Path
        The results folder; afterwards it is the old one or the new one, whole.

    Raises
    ------
    NotOursError
        If a link or a file has its name, or that of one of its copies.
    """
    new, old = _aside(folder, _NEW), _aside(folder, _OLD)
    for one in (folder, new, old):
        refuse_link(one)
    if not folder.exists():
        if (new / _COMPLETE).exists():
            os.replace(new, folder)
        elif old.exists():
            os.replace(old, folder)
    with contextlib.suppress(OSError):
        (folder / _COMPLETE).unlink()
    for leftover in (new, old):
        shutil.rmtree(leftover, ignore_errors=True)  # it follows no link


@contextlib.contextmanager
def replace_folder(
    folder: Path, *, own: Callable[[str], bool] = lambda name: True
) -> Iterator[Path]:
    """Write a folder anew beside the old one and put it in its place at the end.

    Parameters
    ----------
    folder : Path
        Folder to replace.
    own : callable, optional
        Whether a file, by its path within the folder, is the tool's; others are
        the user's and stay. By default all are the tool's.

    Yields
    ------
    Path
        An empty folder to write into. When the block ends without an error it
        replaces `folder`; otherwise `folder` stays as it was.

    Raises
    ------
    OutputError
        If the folder cannot be written (full, read-only).
    NotOursError
        If it is a link or a file, or if a file of the user's has the name of one
        to be written.

    Notes
    -----
    Where the system can, old and new change places in one step. Elsewhere the
    old one is set aside first; a process that is killed right then leaves no
    folder, but the whole new one beside it, which `recover` puts in place at the
    next command.
    """
    recover(folder)
    new, old = _aside(folder, _NEW), _aside(folder, _OLD)
    try:
        new.mkdir(parents=True)
        yield new
        written = [p.relative_to(new).as_posix() for p in new.rglob("*") if not p.is_dir()]
        refuse_strangers(folder, written, own=own)
        _carry_over(folder, new, own)
        for path in sorted(new.rglob("*")):
            if path.is_file():
                _sync(path)
        (new / _COMPLETE).touch()
        _sync(new)
        if not folder.exists():
            os.replace(new, folder)
        elif not exchange(new, folder):
            os.replace(folder, old)
            os.replace(new, folder)
        _sync(folder.parent)
        (folder / _COMPLETE).unlink()
        shutil.rmtree(old, ignore_errors=True)
    except OSError as error:
        raise OutputError(
            f'"{folder.name}" cannot be written: {error.strerror}',
            where=str(folder),
            hint=(
                "free space on the disk or change the permissions of the folder; the earlier "
                "results are unchanged"
            ),
        ) from error
    finally:
        if folder.exists():
            shutil.rmtree(new, ignore_errors=True)


def write_files(folder: Path, files: Mapping[str, bytes]) -> list[Path]:
    """Write files into a folder, each whole or not at all; others in it stay.

    Parameters
    ----------
    folder : Path
        Made when it is not there.
    files : mapping
        File name to content.

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    OutputError
        If the folder cannot be written (full, read-only).
    """
    written = []
    for name, data in files.items():
        target = folder / name
        aside = folder / f".{name}.{os.getpid()}"
        try:
            folder.mkdir(parents=True, exist_ok=True)
            with aside.open("xb") as stream:  # which follows no link
                stream.write(data)
            _sync(aside)
            os.replace(aside, target)
        except OSError as error:
            with contextlib.suppress(OSError):
                aside.unlink()
            raise OutputError(
                f'"{name}" cannot be written: {error.strerror}',
                where=str(folder),
                hint=(
                    "free space on the disk, change the permissions of the folder or name another "
                    "folder"
                ),
            ) from error
        written.append(target)
    return written


def refuse_strangers(
    folder: Path, names: Iterable[str], *, own: Callable[[str], bool] = lambda name: True
) -> None:
    """Raise `NotOursError` for a file of the user's that has the name of one to be written.

    Parameters
    ----------
    folder : Path
        Folder to be replaced.
    names : iterable of str
        Files to be written, by their paths within the folder.
    own : callable, optional
        As of `replace_folder`.
    """
    for name in names:
        if not own(name) and os.path.lexists(folder / name):
            raise NotOursError(
                f'"{name}" was not written by this program',
                where=str(folder),
                hint="the program writes a file of this name: move yours elsewhere",
            )


def _carry_over(old: Path, new: Path, own: Callable[[str], bool]) -> None:
    """Copy what the user put into a folder of the tool's; links stay links."""
    for top, folders, files in os.walk(old):
        here = Path(top)
        linked = [name for name in folders if (here / name).is_symlink()]
        for name in [*files, *linked]:
            inside = (here / name).relative_to(old)
            if own(inside.as_posix()):
                continue
            target = new / inside
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(here / name, target, follow_symlinks=False)


def _sync(path: Path) -> None:
    """Make the system put a file or a folder on the disk."""
    if os.name == "nt" and path.is_dir():
        return
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def drawn_orders(files: Files) -> dict[str, dict[str, object]]:
    """Orders that were drawn for a study, by the names of their files; empty without any."""
    folder = files.root / _PLAN
    names = sorted(p.name for p in folder.glob("order*.json")) if folder.is_dir() else []
    out: dict[str, dict[str, object]] = {}
    for name in names:
        try:
            found = json.loads(files.read(f"{_PLAN}/{name}", max_bytes=1_000_000))
        except ValueError:
            continue  # a file of the user's own
        if isinstance(found, dict) and {"seed", "order"} <= set(found):
            out[f"{_PLAN}/{name}"] = found
    return out
