"""One run at a time on a study: a lock that names its holder and goes away with it."""

from __future__ import annotations

import contextlib
import datetime as dt
import os
import platform
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import IO

from accstudy.errors import AccstudyError, NotOursError, OutputError
from accstudy.study.disk import refuse_link

__all__ = ["StudyInUseError", "study_lock"]


class StudyInUseError(AccstudyError):
    """Another process is working on the study."""

    code = "in-use"


@contextlib.contextmanager
def study_lock(study: Path) -> Iterator[None]:
    """Hold a study for this process.

    Parameters
    ----------
    study : Path
        Study folder.

    Raises
    ------
    StudyInUseError
        If another process holds it; the message says which.
    OutputError
        If the folder cannot be written.
    NotOursError
        If a link has a place in ``.accstudy``.

    Notes
    -----
    The lock is the operating system's on ``.accstudy/lock``; it is released
    when the process ends, however it ends. The file's text only says who holds
    it.
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
