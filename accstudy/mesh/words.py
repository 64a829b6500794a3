"""Words of a text that is read in blocks: found, counted by line, and read as numbers at once."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from accstudy.errors import MeshError
from accstudy.mesh.source import Source

__all__ = ["LONGEST_LINE", "Words", "blocks", "numbers", "too_long"]

LONGEST_LINE = 100_000
"""Characters of a line of text."""

_BLOCK = 1 << 20
_SPACE = np.zeros(256, bool)
_SPACE[list(b" \t\n\v\f\r")] = True
_WHOLE = b"0123456789- \t\n\v\f\r"
_PLAIN = b"0123456789+-.eE \t\n\v\f\r"


class Words:
    """Where the words of a block of text begin.

    Parameters
    ----------
    text : bytes
        Whole lines.

    Attributes
    ----------
    starts : (n,) ndarray of int
        First byte of every word.
    lines : (m + 1,) ndarray of int
        First byte of every line, and the end of the text.
    first, count : (m,) ndarray of int
        First word of every line, and how many it has.
    """

    def __init__(self, text: bytes) -> None:
        self.text = text
        self.bytes = np.frombuffer(text, np.uint8)
        space = _SPACE[self.bytes]
        begins = ~space
        begins[1:] &= space[:-1]
        self.starts = np.flatnonzero(begins)
        ends = np.flatnonzero(self.bytes == ord("\n")) + 1
        whole = len(ends) > 0 and int(ends[-1]) == len(text)
        self.lines = np.array([0, *([] if whole else [len(text)])], np.int64)
        self.lines = np.insert(self.lines, 1, ends)
        at = np.searchsorted(self.starts, self.lines)
        self.first, self.count = at[:-1], np.diff(at)


def blocks(source: Source, at: int = 0, *, joined: bool = False) -> Iterator[tuple[int, int]]:
    """Part a text into blocks of whole lines.

    Parameters
    ----------
    source : Source
        The file.
    at : int
        Where the first line begins.
    joined : bool
        Whether a line that ends in a backslash goes on in the next.

    Yields
    ------
    tuple of int
        First byte and end of a block.

    Raises
    ------
    MeshError
        At a line that is longer than `LONGEST_LINE`.
    """
    data = source.data
    while at < len(data):
        least = end = at + _BLOCK - 1
        while end == least or (joined and data[end - 3 : end].rstrip(b"\r\n")[-1:] == b"\\"):
            end = data.find(b"\n", end) + 1 or len(data)
            if end - least > LONGEST_LINE + 2:
                raise too_long(source, data.rfind(b"\n", at, least) + 1 or at)
            if end == len(data):
                break
        yield at, end
        at = end


def too_long(source: Source, byte: int) -> MeshError:
    """Make the error for a line without end."""
    what = f"a line has more than {LONGEST_LINE} characters"
    return source.fault(what, line=source.data.count(b"\n", 0, byte) + 1)


def numbers(text: bytes, count: int, *, whole: bool = False) -> NDArray[Any] | None:
    """Read words as numbers.

    Parameters
    ----------
    text : bytes
        Words parted by spaces or ends of lines.
    count : int
        How many they are.
    whole : bool
        Whether all must be whole numbers.

    Returns
    -------
    (count,) ndarray of float64, or of int64 if `whole`
        None if one of the words is no number.
    """
    if not count:
        return np.empty(0, np.int64 if whole else np.float64)
    if not text.translate(None, _WHOLE if whole else _PLAIN):
        with warnings.catch_warnings():
            warnings.simplefilter("error")  # what cannot be read to its end is only warned of
            try:
                found = np.fromstring(text, np.int64 if whole else np.float64, sep=" ")
            except (DeprecationWarning, ValueError):
                return None
        return found if len(found) == count else None  # "1-2" would be two numbers
    if whole or b"_" in text:
        return None
    try:
        return np.array(list(map(float, text.split())))  # infinite, or none
    except ValueError:
        return None
