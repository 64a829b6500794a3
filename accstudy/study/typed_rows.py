"""Rows of a table with the types of their columns, and names that are not written alike."""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from accstudy.errors import Finding, InputError, fault, nearest, place, remark, warning
from accstudy.quantities import COLUMNS, QUANTITIES, implausible
from accstudy.study.cells import (
    COMMA_NUMBER,
    GROUPED,
    POINT_NUMBER,
    Stored,
    is_iso,
    parse_number,
    read_dates,
    read_flag,
)
from accstudy.study.sheet import Sheet
from accstudy.tables import LABEL_FACTORS, TABLES, Column
from accstudy.words.catalogue import say

FLAG_FACTORS = frozenset({"reseated"})
"""Factor columns that say true or false."""

UNIT_ENDINGS = ("_mm", "_um", "_deg", "_min", "_days", "_percent", "_ncm", "_lux")
"""A column whose name ends with a unit holds numbers."""

FREE_TEXT = frozenset({"reason", "note"})
"""Columns of sentences, in which a line break is a blank."""

MORE = "more-faults"
"""Code of the finding that says how many errors of a column are not listed."""

_MOST_FAULTS = 1000
_NUMBER_SIGNS = dict.fromkeys(map(ord, "0123456789+-.eE\n"))
_CONTROL = re.compile(r"[\x00-\x1f]")
_BEYOND = 1e50  # what is told anyway is not reckoned with: its square would overflow
_FORMULA_START = ("=", "+", "-", "@")


def records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows of a frame as dictionaries."""
    names = [str(name) for name in frame.columns]
    columns = [frame.iloc[:, k].tolist() for k in range(len(names))]
    return [dict(zip(names, row, strict=True)) for row in zip(*columns, strict=True)]


def typed(sheet: Sheet, table: str) -> tuple[pd.DataFrame, list[Finding]]:
    """Check a sheet against a table of `accstudy.tables.TABLES` and convert its cells.

    Faulty cells are empty, each with a finding; column ``row`` holds the row number in the file.
    Columns that the table does not have are an error; a table with factor columns keeps them.
    """
    spec = TABLES[table]
    faults: list[Finding] = []
    header = sheet.header
    known = {c.name: c for c in spec.columns}
    for column in spec.columns:
        if column.required and column.name not in header:
            close = nearest(column.name, [h for h in header if h not in known] or ["-"])
            hint = close if close.startswith("did") else f"add a column {column.name}"
            mend = hint.replace("did you mean", "rename, if it is meant, the column").rstrip("?")
            what = f'column "{column.name}" ({column.meaning}) is missing'
            where = place(sheet.file, sheet.head, column.name)
            faults.append(fault("missing-column", what, where, mend))
    sheet, found = _with_decimals(sheet, known, spec.factors)
    faults += found
    out: dict[str, object] = {}
    for index, name in enumerate(header):
        cells = [row[index] for row in sheet.rows]
        if name not in known and not spec.factors:
            what, where = f'unknown column "{name}"', place(sheet.file, sheet.head, name)
            faults.append(fault("unknown-column", what, where, nearest(name, list(known))))
            continue
        if name in known:
            out[name], found = _convert(cells, known[name], sheet)
        else:
            out[name], found = _factor(cells, name, sheet)
        faults += first_faults(found, place(sheet.file, column=name))
    frame = pd.DataFrame(out, index=range(len(sheet.rows)))
    for column in spec.columns:
        if column.name not in frame:
            blank = _convert([""] * len(frame), replace(column, required=False), sheet)[0]
            frame[column.name] = blank
    frame["row"] = list(sheet.numbers)
    return frame, faults


def first_faults(faults: list[Finding], where: str) -> list[Finding]:
    """As many faults of a column as anybody reads, and how many more there are."""
    told = [f for f in faults if f.code == MORE]
    more = len(faults) - len(told) - _MOST_FAULTS
    if more <= 0:
        return faults
    first = [f for f in faults if f.code != MORE][:_MOST_FAULTS]
    return [*first, *(told or [_more(more, where)])]


def _more(count: int, where: str) -> Finding:
    mend = "correct the first errors and run the check again"
    return fault(MORE, f"{count} more errors", where, mend)


def _placed(
    cells: Sequence[str], odd: Mapping[str, Sequence[_Told]], name: str, sheet: Sheet
) -> list[Finding]:
    """Faults of the cells that are odd, at their places; of thousands the first."""
    at = [k for k, cell in enumerate(cells) if cell in odd] if odd else []
    found = [
        fault(code, what, sheet.where(k, name), hint)
        for k in at[:_MOST_FAULTS]
        for code, what, hint in odd[cells[k]]
    ]
    more = len(at) - _MOST_FAULTS
    return found if more <= 0 else [*found, _more(more, place(sheet.file, column=name))]


def _with_decimals(
    sheet: Sheet, known: Mapping[str, Column], factors: bool
) -> tuple[Sheet, list[Finding]]:
    """Tell whether the table has decimal commas, and refuse it where points occur, too.

    A comma in a table that is not parted by semicolons or tabs is a decimal one where no
    number of the user's has a point, and one at least cannot part thousands (12,5).
    """
    commas: list[tuple[str, str]] = []
    point = ("", "")
    for index, name in enumerate(sheet.header):
        sure = name in COLUMNS or (factors and name.endswith(UNIT_ENDINGS))
        if name in known:
            sure = known[name].kind in ("number", "integer")
        elif factors and (name in LABEL_FACTORS or name in FREE_TEXT):
            continue
        if name in known and not sure:
            continue
        cells = [row[index] for row in sheet.rows]
        joined = "\n".join(cells)
        if "," in joined:
            commas += [
                (c, sheet.where(k, name)) for k, c in enumerate(cells) if COMMA_NUMBER.fullmatch(c)
            ]
        if sure and not point[0] and "." in joined:
            point = next(
                ((c, sheet.where(k, name)) for k, c in enumerate(cells)
                 if "." in c and not isinstance(c, Stored) and POINT_NUMBER.fullmatch(c)),
                point,
            )  # fmt: skip
    if not commas:
        return sheet, []
    if point[0] and sheet.comma_decimals:
        what = f'"{point[0]}" has a point, "{commas[0][0]}" ({commas[0][1]}) a comma'
        mend = "write all numbers with the same decimal separator and no thousands separator"
        return sheet, [fault("mixed-decimals", what, point[1], mend)]
    plain = not point[0] and not all(GROUPED.fullmatch(cell) for cell, _ in commas)
    return replace(sheet, comma_decimals=sheet.comma_decimals or plain), []


_Told = tuple[str, str, str]
"""Code, sentence and hint of a fault, whose place is still to be named."""


def _convert(cells: Sequence[str], column: Column, sheet: Sheet) -> tuple[pd.Series, list[Finding]]:
    """Values of a column; what is the same cell is read once."""
    if column.kind in ("number", "integer"):
        plain = _plain_numbers(cells, column)
        if plain is not None:
            return plain, []
    notes: list[Finding] = []
    if column.kind == "date":
        read, notes = _dates(cells, column, sheet)
    else:
        read = {cell: _value(cell, column, sheet) for cell in dict.fromkeys(cells)}
    values = [read[cell][0] for cell in cells]
    odd = {cell: told for cell, (_, told) in read.items() if told}
    faults = _placed(cells, odd, column.name, sheet)
    if column.kind == "text":
        return pd.Series(["" if v is None else v for v in values], dtype=object), faults
    if column.kind in ("number", "integer"):
        return pd.Series(values, dtype=float), faults
    if column.kind == "date":
        return pd.Series(values, dtype="datetime64[us]"), [*faults, *notes]
    return pd.Series(values, dtype=object), faults


def _plain_numbers(cells: Sequence[str], column: Column) -> pd.Series | None:
    """Numbers of a column in which nothing is odd; None where every cell must be looked at."""
    if "\n".join(cells).translate(_NUMBER_SIGNS):
        return None
    try:
        values = np.array([float(cell) if cell else np.nan for cell in cells])
    except ValueError:
        return None
    there = values[~np.isnan(values)]
    if (column.required and len(there) < len(values)) or np.isinf(there).any():
        return None
    if len(there) and column.name in COLUMNS:
        holds = QUANTITIES[COLUMNS[column.name]].holds
        if not (holds(float(there.min())) and holds(float(there.max()))):
            return None
    return pd.Series(values)


def _value(cell: str, column: Column, sheet: Sheet) -> tuple[object, list[_Told]]:
    """Value of one cell, and what is wrong with it."""
    if not cell:
        return None, [("empty-cell", f"{column.name} is empty", "fill it in")] * column.required
    if column.kind in ("number", "integer"):
        try:
            number = parse_number(cell, comma_decimals=sheet.comma_decimals)
        except InputError as error:
            return None, [("not-a-number", error.message, error.hint)]
        doubt = implausible(COLUMNS[column.name], number) if column.name in COLUMNS else None
        told = [("implausible-value", f"{column.name}: {doubt[0]}", doubt[1])] if doubt else []
        return None if told and abs(number) > _BEYOND else number, told
    if column.kind == "flag":
        flag = read_flag(cell)
        wrong = [("not-a-flag", f'"{cell}" is neither true nor false', "write true or false")]
        return flag, wrong if flag is None else []
    value = " ".join(cell.split()) if column.name in FREE_TEXT else cell
    told = []
    if column.name in ("scan", "implant", "model") and cell.startswith(_FORMULA_START):
        what = f'the name "{cell}" begins with {cell[0]}; a spreadsheet would run it as a formula'
        told.append(("unsafe-name", what, "begin it with a letter or a digit"))
    return value, told + _odd_signs(value, free=column.name in FREE_TEXT)


def _odd_signs(text: str, *, free: bool = False) -> list[_Told]:
    """Characters that a name must not hold; free text may hold all that can be seen."""
    if text.isascii() and text.isprintable():
        return []
    if _CONTROL.search(text):
        mend = "remove the line break or the invisible character"
        return [("control-character", "a name contains a control character", mend)]
    found = [] if free else unusual_characters(text)
    return [(f.code, f.what, f.mend) for f in found]


def _dates(
    cells: Sequence[str], column: Column, sheet: Sheet
) -> tuple[dict[str, tuple[object, list[_Told]]], list[Finding]]:
    """Dates by cell with what is wrong with them, and how those not written as ISO were read."""
    empty = [("empty-cell", f"{column.name} is empty", "fill it in")] * column.required
    values, told = read_dates(c for c in cells if c)
    read: dict[str, tuple[object, list[_Told]]] = {"": (None, empty)}
    read |= {cell: (stamp, []) for cell, stamp in values.items()}
    read |= {cell: (None, [("not-a-date", *said)]) for cell, said in told.items()}
    odd = [k for k, cell in enumerate(cells) if cell in values and not is_iso(cell)]
    if not odd:
        return read, []
    cell, where = cells[odd[0]], sheet.where(odd[0], column.name)
    iso = values[cell].date().isoformat()
    days = [[values[c].day for c in values if is_iso(c) is other] for other in (True, False)]
    if days[0] and max(days[0]) <= 12 < min(days[1]):
        what = say("findings.dates_such_as_stand", cell=cell)
        mend = say("findings.check_the_iso_dates", iso=iso)
        return read, [warning("day-and-month", what, where, mend)]
    what = say("findings.is_read_as_and", cell=cell, iso=iso, name=column.name)
    mend = say("findings.no_action_needed_if")
    return read, [remark("date-read", what, where, mend)]


def _factor(cells: Sequence[str], name: str, sheet: Sheet) -> tuple[pd.Series, list[Finding]]:
    """Type a factor column: dates by name, numbers where all are, else labels."""
    faults: list[Finding] = []
    if not re.fullmatch(r"[A-Za-z_]\w*", name):
        what = f'column "{name}" is not a valid identifier'
        mend = "use only letters, digits and _, so that models can refer to it"
        faults.append(fault("column-name", what, place(sheet.file, sheet.head, name), mend))
    if name.endswith(("_at", "_on")):
        return _convert(cells, Column(name, "date", "", required=False), sheet)
    if name in COLUMNS or name.endswith(UNIT_ENDINGS):
        values, found = _convert(cells, Column(name, "number", "", required=False), sheet)
        return values, faults + found
    if name in FLAG_FACTORS:
        values, found = _convert(cells, Column(name, "flag", "", required=False), sheet)
        words = ["" if flag is None else str(flag).lower() for flag in values]
        return pd.Series(words, dtype=object), faults + found
    filled = [c for c in cells if c]
    if name not in LABEL_FACTORS and filled:
        try:
            comma = sheet.comma_decimals
            read = {c: parse_number(c, comma_decimals=comma) for c in dict.fromkeys(filled)}
            numbers = [read.get(c) for c in cells]
            whole = all(n is not None and n.is_integer() and abs(n) < 2**53 for n in numbers)
            return pd.Series(numbers, dtype="int64" if whole else float), faults
        except InputError:
            faults += _nearly_numbers(cells, name, sheet)
    odd = {cell: told for cell in dict.fromkeys(cells) if (told := _odd_signs(cell))}
    faults += _placed(cells, odd, name, sheet)
    faults += alike(cells, sheet.numbers, file=sheet.file, column=name)
    faults += perhaps_misspelt(cells, sheet.numbers, file=sheet.file, column=name)
    return pd.Series(list(cells), dtype=object), faults


def _nearly_numbers(cells: Sequence[str], name: str, sheet: Sheet) -> list[Finding]:
    """Tell of a column that would hold numbers but for its decimal commas, or for a few cells."""
    comma = [k for k, c in enumerate(cells) if COMMA_NUMBER.fullmatch(c)]
    if comma and all(COMMA_NUMBER.fullmatch(c) or POINT_NUMBER.fullmatch(c) for c in cells if c):
        k = comma[0]
        try:
            parse_number(cells[k], comma_decimals=sheet.comma_decimals)
        except InputError as error:
            return [fault("not-a-number", error.message, sheet.where(k, name), error.hint)]
    filled = sum(bool(c) for c in cells)
    read = {c: _value(c, Column(name, "number", ""), sheet)[0] for c in dict.fromkeys(cells) if c}
    other = [(c, k) for k, c in enumerate(cells) if c and read[c] is None]
    if not filled or len(other) > 0.2 * filled:
        return []
    (cell, at), count = other[0], len(other)
    where = sheet.where(at, name)
    what = say(
        "findings.cells_of_are_numbers",
        filled=filled - count,
        name=name,
        count=count,
        value="is" if count == 1 else "are",
        cell=cell,
    )
    mend = say("findings.write_a_number_or")
    return [warning("nearly-a-number", what, where, mend)]


_SEPARATORS = re.compile(r"(?<!\d)[\s_\-‐-―.]+|[\s_\-‐-―.]+(?!\d)")
_LEADING_ZEROS = re.compile(r"(?<![\d.,])0+(?=\d)")
_SHORTEST = 5
"""Letters a word must have for one of them to count as a slip."""
_LONGEST, _SLIPS_TRIED = 100, 20
"""Longer names are not looked at; names that one slip makes alike are rarely so many."""

# Letters of other scripts that look like Latin ones (a part of the confusables of
# Unicode Technical Standard 39, from memory).
_LOOKS_LATIN = str.maketrans(
    "АВЕЅІЈКМНОРСТУХаеоѕіјрсухΑΒΕΖΗΙΚΜΝΟΡΤΥΧο", "ABESIJKMHOPCTYXaeosijpcyxABEZHIKMNOPTYXo"
)
_INVISIBLE = frozenset({"Cf", "Co", "Cn", "Cs"})


def unusual_characters(text: str) -> list[Finding]:
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
        return [fault("invisible-character", what, mend="type the name again")]
    wide = [c for c in text if unicodedata.east_asian_width(c) == "F"]
    if wide:
        plain = unicodedata.normalize("NFKC", text)
        what = f'the name "{text}" is written with full-width characters'
        return [fault("full-width", what, mend=f'write "{plain}"')]
    for word in text.split():
        latin = any(c.isascii() and c.isalpha() for c in word)
        strange = [c for c in word if ord(c) in _LOOKS_LATIN]
        if latin and strange:
            what = f'"{word}" mixes Latin letters with look-alikes of another script: ' + ", ".join(
                unicodedata.name(c).lower() for c in dict.fromkeys(strange)
            )
            mend = f'write "{word.translate(_LOOKS_LATIN)}" if Latin letters are intended'
            return [fault("mixed-scripts", what, mend=mend)]
    return []


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
        mend = say("findings.write_everywhere_if_they", first=first)
        for other, row in others:
            what = say("findings.and_row_differ_only", other=other, first=first, at=at)
            found.append(fault("level-spelling", what, place(file, row, column), mend))
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
            what = say("findings.occurs_once_and_is", name=name, near=near)
            mend = say("findings.write_if_that_is", near=near)
            found.append(warning("level-misspelt", what, place(file, firsts[name], column), mend))
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
