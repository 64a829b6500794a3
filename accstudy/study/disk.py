"""Reading and writing that wait for nobody, follow no link and leave files whole."""

from __future__ import annotations

import contextlib
import ctypes
import errno
import functools
import hashlib
import io
import os
import re
import shutil
import stat
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path

from accstudy.errors import AccstudyError, InputError, NotOursError, OutputError

LARGEST = 500_000_000
"""Largest file of the program's own that is read back, bytes."""

_NEW, _OLD = "new", "old"
_COMPLETE = ".accstudy-complete"
_PATIENCE_S = (0.05, 0.2, 0.5)
_HERE = -100  # AT_FDCWD: paths are relative to the working folder
_LINUX_EXCHANGE, _DARWIN_SWAP = 2, 2


class MissingFileError(InputError):
    """A file that is not there."""

    code = "no-file"


def digest(data: bytes) -> str:
    """SHA-256 of bytes, as hexadecimal text."""
    return hashlib.sha256(data).hexdigest()


def file_digest(path: Path) -> str:
    """SHA-256 of a regular file, as hexadecimal text."""
    with _opened(path) as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


@contextlib.contextmanager
def _opened(path: Path, *, follow: bool = True) -> Iterator[io.BufferedReader]:
    """Open a regular file; `OSError` for a folder, a pipe or a device, and where asked a link."""
    flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
    if not follow:
        flags |= getattr(os, "O_NOFOLLOW", 0)
        if os.path.islink(path):
            raise OSError(errno.ELOOP, "a link, which is not followed")
    handle = os.open(path, flags)
    try:
        if not stat.S_ISREG(os.fstat(handle).st_mode):
            raise OSError(errno.EINVAL, "a folder or a pipe, not a file")
        with open(handle, "rb", closefd=False) as stream:
            yield stream
    finally:
        os.close(handle)


def read_own(path: Path) -> bytes:
    """Read a file of the program's own.

    `OSError` if it is not there, a link, no file, cannot be read, or is larger than any that the
    program writes.
    """
    with _opened(path, follow=False) as stream:
        if os.fstat(stream.fileno()).st_size > LARGEST:
            raise OSError(errno.EFBIG, f"larger than {LARGEST / 1e6:g} MB")
        return stream.read()


def read_bytes(
    path: Path, *, file: str, max_bytes: int, fault: type[AccstudyError] = InputError
) -> bytes:
    """Read a regular file, never more than a bound, without waiting for anybody.

    `file` is how messages call it. Raised is `fault` (`MissingFileError` for a file that is not
    there if that is `InputError`) if it is a folder or a pipe, too large, or cannot be read.
    """
    try:
        with _opened(path) as stream:
            data = stream.read(min(os.fstat(stream.fileno()).st_size, max_bytes) + 1)
    except FileNotFoundError:
        missing = MissingFileError if fault is InputError else fault
        raise missing(f'there is no file "{file}"', where=file) from None
    except OSError as error:
        raise fault(f"cannot be read: {error.strerror}", where=file) from None
    if len(data) > max_bytes:
        raise fault(f"larger than {max_bytes / 1e6:g} MB", where=file)
    return data


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
        _put_in_place(new, folder, old)
        _sync(folder.parent)
        with contextlib.suppress(OSError):  # somebody reads it: the next command deletes it
            (folder / _COMPLETE).unlink()
        shutil.rmtree(old, ignore_errors=True)
    except OSError as error:
        raise OutputError(
            f'"{folder.name}" cannot be written: {error.strerror}',
            where=str(folder),
            hint=f"{_hint(error)}; the earlier results are unchanged",
        ) from error
    finally:
        if folder.exists():
            shutil.rmtree(new, ignore_errors=True)


def _put_in_place(new: Path, folder: Path, old: Path) -> None:
    """Let the new folder take the place of the former one, which is set aside."""
    if not folder.exists():
        _move(new, folder)
    elif not exchange(new, folder):
        _move(folder, old)
        try:
            _move(new, folder)
        except OSError:
            _move(old, folder)
            raise


def _move(one: Path, other: Path) -> None:
    """Rename; where others have a file of it open for a moment, as virus scanners do, wait."""
    for delay in _PATIENCE_S:
        try:
            os.replace(one, other)
        except PermissionError:
            time.sleep(delay)
        else:
            return
    os.replace(one, other)


def _hint(error: OSError) -> str:
    if isinstance(error, PermissionError):
        return "close the programs that show a file of it, or change the folder's permissions"
    return "free space on the disk, or name another folder"


def write_files(folder: Path, files: Mapping[str, bytes], *, lasting: bool = True) -> list[Path]:
    """Write files (name to content) into a folder, each whole or not at all; others in it stay.

    With `lasting` it waits until the disk has them; without, a power cut may lose them.
    `OutputError` if the folder cannot be written (full, read-only).
    """
    written = []
    for name, data in files.items():
        target = folder / name
        aside = folder / f".{name}.{os.getpid()}"  # as `begun_as` knows it
        try:
            folder.mkdir(parents=True, exist_ok=True)
            with aside.open("xb") as stream:  # which follows no link
                stream.write(data)
            if lasting:
                _sync(aside)
            _move(aside, target)
        except OSError as error:
            with contextlib.suppress(OSError):
                aside.unlink()
            what = f'"{name}" cannot be written: {error.strerror}'
            raise OutputError(what, where=str(folder), hint=_hint(error)) from error
        written.append(target)
    return written


def begun_as(name: str) -> str:
    """Return the file that `write_files` was writing when it was killed; else the name itself.

    Examples
    --------
    >>> begun_as(".digests.json.4711"), begun_as("digests.json")
    ('digests.json', 'digests.json')
    """
    found = re.fullmatch(r"\.(.+)\.\d+", name)
    return found[1] if found else name


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
        path = folder / name
        above = [p for p in path.parents if folder in p.parents and os.path.lexists(p)]
        odd = [p for p in above if p.is_symlink() or not p.is_dir()]
        if os.path.lexists(path) and (not own(name) or (path.is_dir() and not path.is_symlink())):
            odd.append(path)
        if odd:
            raise NotOursError(
                f'"{odd[0].relative_to(folder).as_posix()}" was not written by this program',
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
            if os.path.lexists(target):  # under another case, where that is the same name
                raise NotOursError(
                    f'"{inside.as_posix()}" was not written by this program',
                    where=str(old),
                    hint="the program writes a file of this name: move yours elsewhere",
                )
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(here / name, target, follow_symlinks=False)


def _sync(path: Path) -> None:
    """Make the system put a file or a folder on the disk."""
    folder = path.is_dir()
    if os.name == "nt" and folder:
        return
    try:
        handle = os.open(path, os.O_RDONLY if folder else os.O_RDWR)  # Windows asks for writing
    except PermissionError:
        return  # a copy of a file that the user may only read
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def exchange(one: Path, other: Path) -> bool:
    """Let two entries of one file system change places, atomically; False, nothing changed, if it
    cannot.

    Linux: renameat2(2), RENAME_EXCHANGE, since 3.15; macOS: renamex_np(2), RENAME_SWAP.
    """
    call = _system_call()
    return call is not None and call(os.fsencode(one), os.fsencode(other)) == 0


@functools.cache
def _system_call() -> Callable[[bytes, bytes], int] | None:
    if not sys.platform.startswith(("linux", "darwin")):
        return None
    library = ctypes.CDLL(None)
    if sys.platform == "darwin":
        swap = getattr(library, "renamex_np", None)
        return swap and (lambda one, other: int(swap(one, other, _DARWIN_SWAP)))
    rename = getattr(library, "renameat2", None)
    return rename and (lambda a, b: int(rename(_HERE, a, _HERE, b, _LINUX_EXCHANGE)))
