"""Files that a study names, found inside its folder and read by their bytes; the lock on it."""

from __future__ import annotations

import contextlib
import datetime as dt
import os
import platform
import stat
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path, PurePosixPath
from typing import IO

from accstudy.errors import AccstudyError, InputError, NotOursError, OutputError
from accstudy.study.disk import digest, file_digest, read_bytes, refuse_link


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
