"""Tables whose names hold more than what is measured: one row an implant put together."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import replace

from accstudy.errors import Finding, Severity, fault, nearest, place
from accstudy.study.header import Layout, missing_columns
from accstudy.study.sheet import Sheet
from accstudy.tables import TABLES
from accstudy.words.catalogue import say

__all__ = ["BETWEEN", "cell_names", "unfolded"]

BETWEEN = " | "
"""What stands between labels and the name of the column in the name of a cell."""

_PLACEHOLDER = re.compile(r"\{(\w*)\}")
_MOST_SHOWN, _LONGEST_NAME = 4, 300


def cell_names(sheet: Sheet, label: Sequence[str]) -> Iterator[tuple[int, int, str]]:
    """Name every cell (row and column from 0): the labels of its row, and the name of its column.

    Such as ``16 cylinder | X``.
    """
    at = [sheet.header.index(name) for name in label if name in sheet.header]
    others = [k for k in range(len(sheet.header)) if k not in at]
    for i, row in enumerate(sheet.rows):
        labels = [" ".join(row[k].split()) for k in at]
        for k in others:
            yield i, k, BETWEEN.join([*labels, sheet.header[k]])


def unfolded(sheet: Sheet, table: str, layout: Layout, section: str) -> tuple[Sheet, list[Finding]]:
    """Put rows together out of cells that are named by patterns.

    The ``columns`` of `layout` hold patterns such as ``{implant} cylinder | X``: what stands in the
    place of ``{implant}`` is the value of that column. A name without braces is a column whose
    value holds for all cells of its row. The sheet gets a row for each combination of what stands
    in the braces; found are patterns that nothing fits, values that are there twice, and what was
    not used.
    """
    spec = {c.name: c for c in TABLES[table].columns}
    patterns = {own: user for own, user in layout.columns.items() if "{" in user}
    plain = {own: user for own, user in layout.columns.items() if "{" not in user}
    found = _faulty_patterns(patterns, table, section)
    found += missing_columns(plain, sheet, section)
    if found:
        return sheet, found
    at = {own: sheet.header.index(user) for own, user in plain.items()}
    shared = [own for own in plain if own not in spec or spec[own].kind == "text"]
    rules = {own: _rule(user) for own, user in patterns.items()}
    gathered: dict[tuple[tuple[str, str], ...], dict[str, tuple[str, int, str]]] = {}
    fitted: set[str] = set()
    unused: dict[str, None] = {}
    for i, k, name in cell_names(sheet, layout.label):
        value = sheet.rows[i][k]
        for own, rule in rules.items():
            if len(name) > _LONGEST_NAME or not (fit := rule.fullmatch(name)):
                continue
            fitted.add(own)
            key = (*((o, sheet.rows[i][at[o]]) for o in shared), *fit.groupdict().items())
            row = gathered.setdefault(tuple(sorted(key)), {})
            number = sheet.numbers[i]
            if own in row and value and row[own][0] and row[own][0] != value:
                what = say(
                    "findings.is_there_twice_in",
                    name=name,
                    row=row[own][0],
                    row_2=row[own][1],
                    value=value,
                )
                hint = say("findings.select_rows_with_rows")
                at_cell = place(sheet.file, number, sheet.header[k])
                found.append(fault("value-twice", what, at_cell, hint))
            if value or own not in row:
                row[own] = (value, number, sheet.header[k])
            for o, column in at.items():
                if o not in shared:
                    row.setdefault(o, (sheet.rows[i][column], number, plain[o]))
            break
        else:
            if value and k not in at.values():
                unused.setdefault(name, None)
    names = [name for _, _, name in cell_names(sheet, layout.label)]
    for own in rules:
        if own not in fitted:
            found.append(_nothing_fits(own, patterns[own], names, sheet, section))
    if unused and fitted:
        shown = ", ".join(f'"{name}"' for name in list(unused)[:_MOST_SHOWN])
        more = f" and {len(unused) - _MOST_SHOWN} more" if len(unused) > _MOST_SHOWN else ""
        what = say("findings.not_used_2", shown=shown, more=more)
        found.append(Finding(Severity.NOTE, "columns-not-used", what, sheet.file))
    # a table with a column for every implant of any model: what has no value is not there
    there = {k: row for k, row in gathered.items() if any(row.get(o, ("",))[0] for o in rules)}
    return _put_together(sheet, there or gathered, layout), found


def _put_together(
    sheet: Sheet,
    gathered: dict[tuple[tuple[str, str], ...], dict[str, tuple[str, int, str]]],
    layout: Layout,
) -> Sheet:
    keys = list(dict.fromkeys(own for key in gathered for own, _ in key))
    values = [own for own in layout.columns if own not in keys]
    first = [min(number for _, number, _ in row.values()) for row in gathered.values()]
    rows: list[tuple[str, ...]] = []
    cells: dict[str, list[tuple[int, str]]] = {own: [] for own in values}
    for (key, row), number in zip(gathered.items(), first, strict=True):
        rows.append((*(dict(key)[own] for own in keys), *(row.get(o, ("",))[0] for o in values)))
        for own in values:
            _, at, column = row.get(own, ("", number, layout.columns[own]))
            cells[own].append((at, column))
    return replace(
        sheet, header=(*keys, *values), rows=tuple(rows), numbers=tuple(first), cells=cells
    )


def _rule(pattern: str) -> re.Pattern[str]:
    """Pattern of the user's as a regular expression; a part in braces stays within one label."""
    parts = _PLACEHOLDER.split(" ".join(pattern.split()))
    out, seen = "", set()
    for k, part in enumerate(parts):
        if k % 2 == 0:
            out += re.escape(part)
        else:
            out += f"(?P={part})" if part in seen else rf"(?P<{part}>[^|]*?[^|\s])"
            seen.add(part)
    return re.compile(out)


def _faulty_patterns(patterns: dict[str, str], table: str, section: str) -> list[Finding]:
    """Braces that hold no column of text, or not the same ones in every pattern."""
    texts = [c.name for c in TABLES[table].columns if c.kind == "text"]
    found = []
    used = {own: tuple(sorted(set(_PLACEHOLDER.findall(p)))) for own, p in patterns.items()}
    for own, pattern in patterns.items():
        where = place("study.toml", column=f"{section}.columns.{own}")
        wrong = [name for name in used[own] if name not in texts]
        if wrong or pattern.count("{") != len(_PLACEHOLDER.findall(pattern)):
            shown = "{" + wrong[0] + "}" if wrong else pattern
            what = f'"{shown}" is not a column that can be used in braces'
            hint = nearest(wrong[0], texts) if wrong else f"write one of {', '.join(texts)}"
            found.append(fault("unknown-column", what, where, hint))
    if not found and len(set(used.values())) > 1:
        own = next(o for o in used if used[o] != next(iter(used.values())))
        what = f'"{patterns[own]}" has different braces from "{next(iter(patterns.values()))}"'
        where = place("study.toml", column=f"{section}.columns.{own}")
        hint = "all patterns of a table must distinguish the same rows"
        found.append(fault("patterns-differ", what, where, hint))
    return found


def _nothing_fits(
    own: str, pattern: str, names: Sequence[str], sheet: Sheet, section: str
) -> Finding:
    shown = list(dict.fromkeys(names))
    close = nearest(_PLACEHOLDER.sub("", pattern), shown)
    named = ", ".join(f'"{name}"' for name in shown[:_MOST_SHOWN])
    return fault(
        "nothing-fits",
        f'no cell is named "{pattern}"; the names are {named}, ...',
        place(sheet.file, sheet.head),
        f"{section}.columns.{own} in study.toml names it" + (f"; {close}" if close else ""),
    )
