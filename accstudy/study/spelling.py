"""Names that are meant to be the same but are not written the same."""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Sequence

from accstudy.errors import Finding, Severity, place

__all__ = ["alike", "perhaps_misspelt"]

_SEPARATORS = re.compile(r"(?<!\d)[\s_\-‐-―.]+|[\s_\-‐-―.]+(?!\d)")
_LEADING_ZEROS = re.compile(r"(?<![\d.,])0+(?=\d)")
_SHORTEST = 5
"""Letters a word must have for one of them to count as a slip."""


def _key(text: str) -> str:
    """What is left of a name without case, blanks, separators and leading zeros.

    Separators between two digits stay: 1-1 is not 11, and 4.01 is not 4.1.
    """
    folded = unicodedata.normalize("NFKC", text).casefold()
    return _LEADING_ZEROS.sub("", _SEPARATORS.sub("", " ".join(folded.split())))


def alike(names: Sequence[str], rows: Sequence[int], *, file: str, column: str) -> list[Finding]:
    """Find names that differ by case, blanks, separators or leading zeros only.

    Parameters
    ----------
    names : sequence of str
        Cells of one column; empty ones are left out.
    rows : sequence of int
        Their rows in the file.
    file, column : str
        How messages call them.

    Returns
    -------
    list of Finding
        An error for every spelling but the first, at its first row.
    """
    groups: dict[str, dict[str, int]] = {}
    for name, row in zip(names, rows, strict=True):
        if name:
            groups.setdefault(_key(name), {}).setdefault(name, row)
    found = []
    for spellings in groups.values():
        (first, at), *others = spellings.items()
        for other, row in others:
            found.append(
                Finding(
                    Severity.ERROR,
                    "level-spelling",
                    f'"{other}" and "{first}" (row {at}) differ by case, blanks or separators only',
                    place(file, row, column),
                    f'write "{first}" everywhere if they are the same, or tell them apart clearly',
                )
            )
    return found


def perhaps_misspelt(
    names: Sequence[str], rows: Sequence[int], *, file: str, column: str
) -> list[Finding]:
    """Find a level that occurs once and is one letter away from a frequent one.

    Parameters
    ----------
    names, rows, file, column
        As of `alike`.

    Returns
    -------
    list of Finding
        Warnings. Only a slip within a word of letters counts: "device A" and
        "device B" are two devices.
    """
    counts = Counter(name for name in names if name)
    found = []
    for name, count in counts.items():
        if count > 1:
            continue
        near = next((o for o, n in counts.items() if n > 2 and _one_slip(name, o)), None)
        if near is not None:
            row = rows[list(names).index(name)]
            found.append(
                Finding(
                    Severity.WARNING,
                    "level-misspelt",
                    f'"{name}" stands there once and is one letter away from "{near}"',
                    place(file, row, column),
                    f'write "{near}" if that is meant',
                )
            )
    return found


def _one_slip(a: str, b: str) -> bool:
    """Whether two names differ by one letter left out, put in or changed, in one long word."""
    mine, other = a.split(), b.split()
    if len(mine) != len(other):
        return False
    pairs = [(x, y) for x, y in zip(mine, other, strict=True) if x != y]
    if len(pairs) != 1:
        return False
    short, long = sorted(pairs[0], key=len)
    if not (short.isalpha() and long.isalpha() and len(short) >= _SHORTEST):
        return False
    if len(long) - len(short) > 1:
        return False
    start = next((i for i, (x, y) in enumerate(zip(short, long, strict=False)) if x != y), None)
    if start is None:
        return True
    rest = start + 1 if len(short) == len(long) else start
    return short[rest:] == long[start + 1 :]
