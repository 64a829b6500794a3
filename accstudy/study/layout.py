"""How a table lies in its file: where it begins, what its columns are called, which rows count.

Where a name holds more than what is measured, one row an implant is put together.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Any

from pydantic import BeforeValidator, Field, model_validator

from accstudy.errors import Finding, InputError, fault, nearest, place, remark
from accstudy.study.cells import Section, Whole
from accstudy.study.files import read_bytes
from accstudy.study.sheet import MAX_BYTES, Cells, Sheet, TableFile
from accstudy.tables import TABLES
from accstudy.words.catalogue import say


def one_or_several(value: Any) -> Any:
    """One value as a list of one."""
    return value if isinstance(value, list | tuple) else (value,)


def _texts(value: Any) -> Any:
    """Cells are compared as text: 3 is "3"."""
    if isinstance(value, bool):
        return str(value).lower()
    return str(value) if isinstance(value, int | float) else value


Text = Annotated[str, BeforeValidator(_texts), Field(min_length=1)]


class Layout(Section):
    """Position of a table in its file, and the names of its columns there."""

    sheet: str = ""
    """Sheet of the workbook; the first sheet by default. Example: "Results" """
    header_row: Annotated[
        tuple[Annotated[Whole, Field(ge=0)], ...], BeforeValidator(one_or_several)
    ] = ()
    """Row with the column names, counted as in a spreadsheet; several rows if the names span
    several; 0 if there are none. By default the first row that is not empty.
    Example: 4"""
    rows: dict[str, Annotated[tuple[Text, ...], BeforeValidator(one_or_several)]] = Field(
        default_factory=dict
    )
    """Rows to use: a column of the file and the value or values that it must have.
    Example: { Type = "Cylinder" }"""
    label: Annotated[tuple[Text, ...], BeforeValidator(one_or_several)] = ()
    """Columns of the file that identify the values in a row, if an implant has several rows.
    Example: ["Feature", "Characteristic"]"""
    columns: dict[str, Text] = Field(default_factory=dict)
    """For each column of the table, its name in the file; with `{implant}`, or another column of
    the table, as a placeholder where a name contains more than the measured quantity.
    Example: { x_mm = "X", implant = "Feature" }"""
    model: str = ""
    """Name of the model, if the table has no column for it. Example: "model 1" """

    @model_validator(mode="after")
    def _no_header_stands_alone(self) -> Layout:
        if 0 in self.header_row and len(self.header_row) > 1:
            raise ValueError("header_row = 0 must be the only value: the file has no column names")
        return self


_MAX_COLUMNS, _MAX_MERGED = 500, 1_000_000


@dataclass(frozen=True, slots=True)
class _Head:
    names: list[str]
    row: int
    strict: bool


def read_sheet(path: Path, *, file: str, layout: Layout | None = None) -> Sheet:
    """Read a table file without interpreting its cells.

    Parameters
    ----------
    path : Path
        ``.csv``, ``.tsv``, ``.txt`` or ``.xlsx``, at most 100 MB. CSV may be UTF-8 (with
        or without byte order mark), UTF-16 or Windows-1252, with ``,``, ``;`` or tab
        between cells. Of a formula in a workbook the value that stands in the file is
        read; none is run.
    file : str
        How messages call it.
    layout : Layout, optional
        Where the table lies; by default in the first sheet, from the first row that is
        not empty.

    Returns
    -------
    Sheet
        By the names that the columns have there.

    Raises
    ------
    InputError
        If it is no table, too large, or has no such sheet or header.
    """
    layout = layout or Layout()
    data = read_bytes(path, file=file, max_bytes=MAX_BYTES)
    head = layout.header_row[-1] if layout.header_row else None
    return headed(TableFile(data, file).cells(layout.sheet, head=head), layout)


def headed(cells: Cells, layout: Layout) -> Sheet:
    """Rows under the header that a layout names.

    Parameters
    ----------
    cells : Cells
        All that lies in the file.
    layout : Layout
        ``header_row``, ``rows`` and ``label`` count here.

    Returns
    -------
    Sheet
        By the names of the file; a name that is there several times, or none, is
        completed by the column's letter where names are given in the layout. Faults of
        ``rows`` and ``label`` stand in its notes.

    Raises
    ------
    InputError
        If there is no header, a column without a name or one twice, or a row with more
        cells than the header.
    """
    head = _head(cells, layout)
    faults: list[Finding] = []
    kept: list[tuple[int, list[str]]] = []
    width = len(head.names)
    spread = _spread(cells)
    above = dict.fromkeys((head.names.index(n) for n in layout.label if n in head.names), "")
    index = _selecting(head, layout, cells.file, faults)
    for number, row in enumerate(cells.rows[head.row :], start=head.row + 1):
        row = [*row, *[""] * (width - len(row))]
        for column in spread.get(number, {}):
            row[column] = row[column] or spread[number][column]
        if not any(row):
            continue
        for column, last in above.items():  # a label stands once for the rows below it
            row[column] = above[column] = row[column] or last
        if any(row[k] not in wanted for k, wanted in index):
            continue
        if any(row[width:]):
            raise InputError(
                f"a row has {len(row)} cells, the header {width}",
                where=place(cells.file, number),
                hint="a decimal comma in a comma-separated table splits one cell into two",
            )
        kept.append((number, row[:width]))
    if index and not kept and not faults:
        faults.append(_none_selected(cells, head, index))
    return Sheet(
        cells.file,
        tuple(head.names),
        tuple(tuple(row) for _, row in kept),
        tuple(number for number, _ in kept),
        cells.comma_decimals,
        head=max(head.row, 1),
        notes=(*cells.notes, *faults),
    )


def _head(cells: Cells, layout: Layout) -> _Head:
    """Names of the columns, out of one row or several."""
    rows = cells.rows
    given = layout.header_row
    strict = not layout.columns
    if given == (0,):
        width = max((len(row) for row in rows), default=0)
        return _Head([f"column {_letters(k)}" for k in range(width)], 0, strict)
    first = next((i for i, row in enumerate(rows, start=1) if any(row)), None)
    if first is None:
        raise InputError(
            "the table is empty", where=cells.file, hint="its first row names the columns"
        )
    at = given or (first,)
    beyond = [k for k in at if k > len(rows) or not any(rows[k - 1])]
    if beyond:
        raise InputError(
            f"row {beyond[0]} is empty and cannot hold the column names",
            where=place(cells.file, beyond[0]),
            hint=f"correct header_row in study.toml; the first row that is not empty is {first}",
        )
    width = max(len(rows[k - 1]) for k in at)
    lines = [_header_line(cells, k, width, last=k == at[-1]) for k in sorted(at)]
    bottom = lines[-1]
    names = []
    for k in range(width):
        parts = [
            line[k] for line in lines[:-1] if line[k] and (bottom[k] or _own_name(cells, at, k))
        ]
        parts = list(dict.fromkeys([*parts, bottom[k]]))
        names.append(" ".join(" ".join(parts).split()))
    while names and not names[-1]:
        names.pop()
    if len(names) > _MAX_COLUMNS:
        raise InputError(f"more than {_MAX_COLUMNS} columns", where=place(cells.file, at[-1]))
    return _Head(_told_apart(names, cells.file, at[-1], strict=strict), max(at), strict)


def _own_name(cells: Cells, at: Sequence[int], column: int) -> bool:
    """Whether a header cell of this column is filled in the file itself, not from its left."""
    return any(column < len(cells.rows[k - 1]) and cells.rows[k - 1][column] for k in at[:-1])


def _header_line(cells: Cells, number: int, width: int, *, last: bool) -> list[str]:
    """One row of the header, merged cells filled: in text, all to the right of a name."""
    line = [*cells.rows[number - 1], *[""] * width][:width]
    for top, left, bottom, right in cells.merged:
        if top <= number - 1 <= bottom and left < width:
            row = cells.rows[top] if top < len(cells.rows) else []
            name = row[left] if left < len(row) else ""
            for k in range(left, min(right + 1, width)):
                line[k] = line[k] or name
    if cells.is_text and not last:
        for k in range(1, width):
            line[k] = line[k] or line[k - 1]
    return line


def _told_apart(names: list[str], file: str, row: int, *, strict: bool) -> list[str]:
    """Names that are there once; others with their letter, or refused."""
    out = []
    for k, name in enumerate(names):
        letter = f"column {_letters(k)}"
        if strict and not name:
            raise InputError(
                "a column has no name", where=place(file, row),
                hint=f"name it, or refer to it by its letter under columns in study.toml: {letter}",
            )  # fmt: skip
        if strict and names.count(name) > 1:
            raise InputError(
                f'column "{name}" occurs twice', where=place(file, row),
                hint=f'rename one, or state which one to use in study.toml: "{name} ({letter})"',
            )  # fmt: skip
        if not name:
            out.append(letter)
        else:
            out.append(f"{name} ({letter})" if names.count(name) > 1 else name)
    return out


def _letters(k: int) -> str:
    """Letters of a column as a spreadsheet counts: 0 is A, 26 is AA."""
    out = ""
    k += 1
    while k:
        k, rest = divmod(k - 1, 26)
        out = chr(ord("A") + rest) + out
    return out


def _spread(cells: Cells) -> dict[int, dict[int, str]]:
    """Values of cells merged downwards, by row number and column."""
    out: dict[int, dict[int, str]] = {}
    filled = 0
    for top, left, bottom, _ in cells.merged:
        if top >= len(cells.rows) or left >= len(cells.rows[top]):
            continue
        below = range(top + 2, min(bottom + 1, len(cells.rows)) + 1)
        filled += len(below)
        if filled > _MAX_MERGED:
            what = f"merged cells cover more than {_MAX_MERGED} cells"
            raise InputError(what, where=cells.file, hint="save the table as CSV UTF-8")
        for number in below:
            out.setdefault(number, {})[left] = cells.rows[top][left]
    return out


def _selecting(
    head: _Head, layout: Layout, file: str, faults: list[Finding]
) -> list[tuple[int, tuple[str, ...]]]:
    """Columns that select rows, and the values that count."""
    out = []
    for key, names in (("rows", list(layout.rows)), ("label", list(layout.label))):
        for name in names:
            if name not in head.names:
                what = f'there is no column "{name}" that {key} in study.toml names'
                faults.append(
                    fault("missing-column", what, place(file, head.row), nearest(name, head.names))
                )
            elif key == "rows":
                out.append((head.names.index(name), layout.rows[name]))
    return out


def _none_selected(cells: Cells, head: _Head, index: list[tuple[int, tuple[str, ...]]]) -> Finding:
    column, wanted = index[0]
    there = dict.fromkeys(
        row[column] for row in cells.rows[head.row :] if column < len(row) and row[column]
    )
    shown = ", ".join(f'"{value}"' for value in list(there)[:6]) or "nothing"
    name = head.names[column]
    what = f'no row has {" or ".join(wanted)} in column "{name}"; it has {shown}'
    hint = f'write rows = {{ "{name}" = ... }} in study.toml with a value that occurs'
    return fault("no-rows", what, place(cells.file, column=name), hint)


def missing_columns(columns: Mapping[str, str], sheet: Sheet, section: str) -> list[Finding]:
    """Columns that study.toml names, by their names here, and the table does not have."""
    return [
        fault(
            "missing-column",
            f'there is no column "{user}"',
            place(sheet.file, sheet.head),
            f"{section}.columns.{own} in study.toml names it; {_nearest_name(user, sheet.header)}",
        )
        for own, user in columns.items()
        if user not in sheet.header
    ]


def _nearest_name(user: str, header: Sequence[str]) -> str:
    several = [name for name in header if name.startswith(f"{user} (column ")]
    if several:
        return "there are several: write " + " or ".join(f'"{name}"' for name in several)
    return nearest(user, header)


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
        found.append(remark("columns-not-used", what, sheet.file))
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
