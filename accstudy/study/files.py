"""Files of a study: found inside its folder, read by their bytes, written whole; the lock on it."""

from __future__ import annotations

import contextlib
import ctypes
import datetime as dt
import errno
import functools
import hashlib
import io
import os
import platform
import re
import shutil
import stat
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path, PurePosixPath
from typing import IO

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


class StudyInUseError(AccstudyError):
    """Another process is working on the study."""

    code = "in-use"


@contextlib.contextmanager
def study_lock(study: Path) -> Iterator[None]:
    """Hold a study for this process.

    The lock is the operating system's on ``.accstudy/lock``; it is released when the process ends,
    however it ends. The file's text only says who holds it.

    Raises
    ------
    StudyInUseError
        If another process holds it; the message says which.
    OutputError
        If the folder cannot be written.
    NotOursError
        If a link has a place in ``.accstudy``.
    """
    file = study / ".accstudy" / "lock"
    try:
        refuse_link(file.parent)
        file.parent.mkdir(exist_ok=True)
        refuse_link(file.parent / "measured")  # of a study from elsewhere
        if file.is_symlink() or (file.exists() and not file.is_file()):
            raise NotOursError(
                '".accstudy/lock" is a link, a folder or a device; nothing is written through it',
                where=str(study),
                hint="delete it; the program makes it anew",
            )
        handle = os.open(file, os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0), 0o644)
        stream = os.fdopen(handle, "r+", encoding="utf-8")
    except OSError as error:
        raise OutputError(
            f"the study folder cannot be written: {error.strerror}",
            where=str(study),
            hint="change its permissions, or copy the study elsewhere",
        ) from None
    with stream:
        if not _take(stream):
            stream.seek(0)
            holder = stream.read(200).strip() or "another process"
            raise StudyInUseError(
                f"{holder} is working on this study",
                where=str(study),
                hint="wait until it has finished",
            )
        stream.truncate(0)
        now = dt.datetime.now().isoformat(sep=" ", timespec="seconds")
        stream.write(f"process {os.getpid()} on {platform.node()} since {now}\n")
        stream.flush()
        yield


if sys.platform == "win32":
    import msvcrt

    def _take(stream: IO[str]) -> bool:
        try:
            stream.seek(1000)  # beyond the text, which others may read
            msvcrt.locking(stream.fileno(), msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        stream.seek(0)
        return True

else:
    import fcntl

    def _take(stream: IO[str]) -> bool:
        try:
            fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            return False
        return True


_LONGEST_PATH, _LONGEST_NAME = 1000, 200


class ChangedFileError(InputError):
    """A file that is no longer what was read of it before."""

    code = "file-changed"


class Files:
    """The files of one study.

    Parameters
    ----------
    root : Path
        Study folder.
    allow_outside : bool
        Whether files may lie outside the folder.
    digests : mapping of str to str, optional
        SHA-256 that files must have, by name.

    Attributes
    ----------
    hasher : callable
        Gives the SHA-256 of a path; may know it from before.

    Notes
    -----
    The digest of a file is that of the bytes that were used. A file that is read
    again must have the same bytes: what is recorded is what was analysed.
    """

    def __init__(
        self, root: Path, *, allow_outside: bool = False, digests: Mapping[str, str] | None = None
    ) -> None:
        self.root = root
        self._root = os.fspath(root)
        self.allow_outside = allow_outside
        self.digests = dict(digests or {})
        self.hasher: Callable[[Path], str] = file_digest
        self._inside: dict[str, bool] = {}

    def path(self, file: str) -> Path:
        """Find a file by the name that the study gives it, as `resolve` does."""
        return Path(self.place(file))

    def place(self, file: str) -> str:
        """Path of a file as text, which is quicker: a scan list may have 100,000 names."""
        plain, found = self._look(file)
        if not plain or (found and stat.S_ISLNK(found.st_mode)):
            return str(resolve(self.root, file, allow_outside=self.allow_outside))
        return plain

    def _look(self, file: str) -> tuple[str, os.stat_result | None]:
        """Path of a file whose name and folder promise nothing odd, else nothing; what is there."""
        folder, _, name = file.replace("\\", "/").rpartition("/")
        odd = self.allow_outside or name in ("", ".", "..") or ":" in file or "\0" in file
        if odd or len(file) >= _LONGEST_NAME or not self._holds(folder):
            return "", None
        plain = os.path.join(self._root, folder, name)
        try:
            return plain, os.lstat(plain)
        except OSError:
            return plain, None

    def _holds(self, folder: str) -> bool:
        """Whether a folder lies inside the study; looked up once for all its files."""
        if folder not in self._inside:
            try:
                resolve(self.root, folder or ".")
                self._inside[folder] = True
            except InputError:
                self._inside[folder] = False
        return self._inside[folder]

    def is_there(self, file: str) -> bool:
        """Whether there is a regular file of this name, which the study may read."""
        return self.identity(file) is not None

    def identity(self, file: str) -> tuple[int, int] | None:
        """Device and number of a regular file that the study may read; None for anything else.

        Two names of one file have the same: by a link, or by case where that does not count.
        """
        try:
            plain, found = self._look(file) if file else ("", None)
            if file and (not plain or (found and stat.S_ISLNK(found.st_mode))):
                found = os.stat(self.path(file))
        except (InputError, OSError):
            return None
        if found is None or not stat.S_ISREG(found.st_mode):
            return None
        return found.st_dev, found.st_ino

    def read(self, file: str, *, max_bytes: int, fault: type[AccstudyError] = InputError) -> bytes:
        """Read a file and keep its digest; errors as of `read_bytes`, or `ChangedFileError`."""
        data = read_bytes(self.path(file), file=file, max_bytes=max_bytes, fault=fault)
        self._saw(file, digest(data))
        return data

    def digest(self, file: str) -> str:
        """SHA-256 of a file, which is read unless it was before."""
        if file not in self.digests:
            try:
                self._saw(file, self.hasher(self.path(file)))
            except OSError as error:
                raise InputError(f"cannot be read: {error.strerror}", where=file) from None
        return self.digests[file]

    def only(self, files: Iterable[str]) -> Files:
        """Return the same for a few files, as a worker needs it."""
        known = {f: self.digests[f] for f in files if f in self.digests}
        return Files(self.root.absolute(), allow_outside=self.allow_outside, digests=known)

    def _saw(self, file: str, found: str) -> None:
        if self.digests.setdefault(file, found) != found:
            raise ChangedFileError(
                f'"{file}" is no longer the file that was read before',
                where=file,
                hint="do not change the files of the study during a run; call `accstudy run` again",
            )


def resolve(root: Path, file: str, *, allow_outside: bool = False) -> Path:
    r"""Find a file that a study names (with ``/`` or ``\\``), inside the study folder only.

    `InputError` if the path is absolute, climbs out, or a link leads out or in a circle, unless
    `allow_outside`.
    """
    pure = PurePosixPath(file.replace("\\", "/"))
    if "\0" in file or len(file) > _LONGEST_PATH or any(len(p) > _LONGEST_NAME for p in pure.parts):
        shown = file.replace("\0", "\\0")[:40]
        raise InputError(
            f'"{shown}..." is not a usable file name', hint="give the file a short name"
        )
    full = root / pure
    if allow_outside:
        return full
    windows_drive = len(file) > 1 and file[1] == ":"
    inside = not pure.is_absolute() and ".." not in pure.parts and not windows_drive
    if inside:
        try:
            inside = full.resolve().is_relative_to(root.resolve())
        except (OSError, RuntimeError):  # which of them depends on the version of Python
            raise InputError(
                f'"{file}" is a link to a file that does not exist',
                hint="put the file itself there",
            ) from None
    if not inside:
        raise InputError(
            f'"{file}" lies outside the study folder',
            hint="copy it into the study, or call with --allow-outside",
        )
    return full
