"""Names that are meant to be the same but are not written the same."""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Sequence

from accstudy.errors import Finding, Severity, place
from accstudy.words.catalogue import say

__all__ = ["alike", "perhaps_misspelt", "unusual_characters"]

_SEPARATORS = re.compile(r"(?<!\d)[\s_\-‐-―.]+|[\s_\-‐-―.]+(?!\d)")
_LEADING_ZEROS = re.compile(r"(?<![\d.,])0+(?=\d)")
_SHORTEST = 5
"""Letters a word must have for one of them to count as a slip."""
_LONGEST, _SLIPS_TRIED = 100, 20
"""Longer names are not looked at; names that one slip makes alike are rarely so many."""

# Letters of other scripts that look like Latin ones (a part of the confusables of
# Unicode Technical Standard 39, from memory).
_LOOKS_LATIN = str.maketrans(
    "АВЕЅІЈКМНОРСТУХаеоѕіјрсухΑΒΕΖΗΙΚΜΝΟΡΤΥΧο",
    "ABESIJKMHOPCTYXaeosijpcyxABEZHIKMNOPTYXo",
)
_INVISIBLE = frozenset({"Cf", "Co", "Cn", "Cs"})


def unusual_characters(text: str, where: str) -> list[Finding]:
    """Find invisible characters in a name, and those that look like others.

    Errors: an invisible character; full-width letters or digits; a word that mixes Latin letters
    with look-alikes of another script.
    """
    if text.isascii():
        return []
    hidden = [c for c in text if unicodedata.category(c) in _INVISIBLE]
    if hidden:
        names = ", ".join(dict.fromkeys(unicodedata.name(c, f"U+{ord(c):04X}") for c in hidden))
        what = f'the name "{text}" contains an invisible character ({names.lower()})'
        return [_error("invisible-character", what, where, "type the name again")]
    wide = [c for c in text if unicodedata.east_asian_width(c) == "F"]
    if wide:
        plain = unicodedata.normalize("NFKC", text)
        what = f'the name "{text}" is written with full-width characters'
        return [_error("full-width", what, where, f'write "{plain}"')]
    for word in text.split():
        latin = any(c.isascii() and c.isalpha() for c in word)
        strange = [c for c in word if ord(c) in _LOOKS_LATIN]
        if latin and strange:
            what = f'"{word}" mixes Latin letters with look-alikes of another script: ' + ", ".join(
                unicodedata.name(c).lower() for c in dict.fromkeys(strange)
            )
            mend = f'write "{word.translate(_LOOKS_LATIN)}" if Latin letters are intended'
            return [_error("mixed-scripts", what, where, mend)]
    return []


def _error(code: str, what: str, where: str, mend: str) -> Finding:
    return Finding(Severity.ERROR, code, what, where, mend)


def _key(text: str) -> str:
    """What is left of a name without case, blanks, separators and leading zeros.

    Separators between two digits stay: 1-1 is not 11, and 4.01 is not 4.1. Letters of
    other scripts count as the Latin ones that they look like.
    """
    plain = text if text.isascii() else text.translate(_LOOKS_LATIN)
    folded = unicodedata.normalize("NFKC", plain).casefold()
    return _LEADING_ZEROS.sub("", _SEPARATORS.sub("", " ".join(folded.split())))


def alike(names: Sequence[str], rows: Sequence[int], *, file: str, column: str) -> list[Finding]:
    """Find names that differ by case, blanks, separators or leading zeros only.

    `rows` are those of the names in the file. An error for every spelling but the first, at its
    first row; empty names are left out.
    """
    groups: dict[str, dict[str, int]] = {}
    for name, row in _firsts(names, rows).items():
        groups.setdefault(_key(name), {})[name] = row
    found = []
    for spellings in groups.values():
        (first, at), *others = spellings.items()
        for other, row in others:
            found.append(
                Finding(
                    Severity.ERROR,
                    "level-spelling",
                    say("findings.and_row_differ_only", other=other, first=first, at=at),
                    place(file, row, column),
                    say("findings.write_everywhere_if_they", first=first),
                )
            )
    return found


def perhaps_misspelt(
    names: Sequence[str], rows: Sequence[int], *, file: str, column: str
) -> list[Finding]:
    """Find a level that occurs once and is one letter away from a frequent one; arguments as of
    `alike`.

    Warnings. Only a slip within a word of letters counts: "device A" and "device B" are two
    devices.
    """
    counts = Counter(name for name in names if name)
    usual: dict[str, list[int]] = {}
    often = [name for name, count in counts.items() if count > 2]
    for k, name in enumerate(often):
        for key in _slips(name):
            usual.setdefault(key, []).append(k)
    found = []
    firsts = _firsts(names, rows)
    for name in [name for name, count in counts.items() if count == 1] if usual else ():
        candidates = sorted({k for key in _slips(name) for k in usual.get(key, ())[:_SLIPS_TRIED]})
        near = next((often[k] for k in candidates if _one_slip(name, often[k])), None)
        if near is not None:
            row = firsts[name]
            found.append(
                Finding(
                    Severity.WARNING,
                    "level-misspelt",
                    say("findings.occurs_once_and_is", name=name, near=near),
                    place(file, row, column),
                    say("findings.write_if_that_is", near=near),
                )
            )
    return found


def _firsts(names: Sequence[str], rows: Sequence[int]) -> dict[str, int]:
    """Every name with its first row."""
    found: dict[str, int] = {}
    for name, row in zip(names, rows, strict=True):
        if name:
            found.setdefault(name, row)
    return found


def _slips(name: str) -> set[str]:
    """What is left of a name without one of its letters, and the name itself."""
    if len(name) > _LONGEST:
        return set()
    return {name, *(name[:k] + name[k + 1 :] for k in range(len(name)))}


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
