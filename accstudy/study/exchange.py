"""Two folders that change places in one step, where the system can do that."""

from __future__ import annotations

import ctypes
import functools
import os
import sys
from collections.abc import Callable
from pathlib import Path

__all__ = ["exchange"]

_HERE = -100  # AT_FDCWD: paths are relative to the working folder
_LINUX_EXCHANGE, _DARWIN_SWAP = 2, 2


def exchange(one: Path, other: Path) -> bool:
    """Let two entries of one file system change places, atomically.

    Parameters
    ----------
    one, other : Path
        Both exist.

    Returns
    -------
    bool
        False, with nothing changed, if the system or the file system cannot.

    References
    ----------
    Linux: renameat2(2), RENAME_EXCHANGE, since 3.15; macOS: renamex_np(2),
    RENAME_SWAP.
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
