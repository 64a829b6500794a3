"""A table as it was exported to the table that is needed: header, rows, names, one row each."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from accstudy.errors import Finding, InputError, Severity, StudyError, fault, nearest, place
from accstudy.study.disk import read_bytes
from accstudy.study.header import Layout, headed, missing_columns
from accstudy.study.propose import proposed_lines
from accstudy.study.sheet import MAX_BYTES, Cells, Sheet, TableFile
from accstudy.study.unfold import unfolded
from accstudy.tables import TABLES
from accstudy.words.catalogue import say

__all__ = ["Said", "arranged", "named_sheet"]

_NAME_SHEET = "name the intended one in study.toml: sheet = ..."
_MOST_SHOWN = 30
_IDENTIFIER = re.compile(r"[A-Za-z_]\w*")


@dataclass(frozen=True, slots=True)
class Said:
    """Where study.toml speaks of a table.

    Parameters
    ----------
    section : str
        Such as ``reference``.
    there : bool
        Whether the file has that section.
    """

    section: str
    there: bool = True


def named_sheet(path: Path, table: str, layout: Layout, *, file: str, said: Said) -> Sheet:
    """Rows of a table file by their names here, whether it is complete or not; arguments as of
    `arranged`.
    """
    source = TableFile(read_bytes(path, file=file, max_bytes=MAX_BYTES), file)
    _, named, faults = _named(source, table, layout, said)
    if faults:
        raise StudyError(faults)
    return _with_model(named, table, layout, None)


def arranged(
    data: bytes,
    table: str,
    layout: Layout,
    *,
    file: str,
    said: Said,
    models: Mapping[str, str] | None = None,
) -> Sheet:
    """Read a table file and give its columns the names that they have here.

    Parameters
    ----------
    data : bytes
        The file.
    table : str
        What it is here, in `accstudy.tables.TABLES`.
    layout : Layout
        What study.toml says about it.
    file : str
        How messages call it.
    said : Said
        Where study.toml says it.
    models : mapping of str to str, optional
        Model of every scan, for a table that names scans and no model.

    Returns
    -------
    Sheet
        With the names of the table. Where names are given, other columns are left out
        and named in a note; a table with factors keeps those that may be factors.

    Raises
    ------
    StudyError
        With every fault: names that are not there, on either side, rows that no
        column selects, required columns without a name, and the lines to write.
    InputError
        If it is no table, or has no such sheet or header.
    """
    source = TableFile(data, file)
    try:
        sheet, named, faults = _named(source, table, layout, said)
    except InputError as error:
        hint = _lines(source, table, layout, said)
        if not hint:
            raise
        what = error.message
        if "header_row" in hint:
            what = f"the first row does not name the columns ({what})"
        raise StudyError([fault("missing-column", what, error.where, hint)]) from None
    named = _with_model(named, table, layout, models)
    missing = [c.name for c in TABLES[table].columns if c.required and c.name not in named.header]
    if missing and not faults:
        faults.append(_missing(missing, sheet, source, table, layout, said))
    if faults:
        raise StudyError(faults)
    return named


def _named(
    source: TableFile, table: str, layout: Layout, said: Said
) -> tuple[Sheet, Sheet, list[Finding]]:
    """The table by its own names, by those of here, and what is wrong with it."""
    sheet = headed(_cells(source, layout), layout)
    patterns = any("{" in name for name in layout.columns.values())
    named, found = (unfolded if patterns else _renamed)(sheet, table, layout, said.section)
    if layout.label and not patterns:
        found.append(
            fault(
                "label-unused",
                f"{said.section}.label is given, but no name contains {{implant}}",
                place("study.toml", column=f"{said.section}.label"),
                f'write names such as x_mm = "{{implant}} | X" below [{said.section}.columns]',
            )
        )
    found = [*sheet.notes, *_unknown_names(table, layout, said.section), *found]
    sheets = () if layout.sheet else source.sheets
    if len(sheets) > 1:
        others = ", ".join(f'"{name}"' for name in sheets[1:])
        what = say("findings.sheet_is_read_there", sheets=sheets[0], others=others)
        found.append(Finding(Severity.NOTE, "several-sheets", what, source.file, _NAME_SHEET))
    faults = [f for f in found if f.severity is Severity.ERROR]
    notes = tuple(f for f in found if f.severity is not Severity.ERROR)
    return sheet, replace(named, notes=notes), faults


def _cells(source: TableFile, layout: Layout) -> Cells:
    head = layout.header_row[-1] if layout.header_row else None
    return source.cells(layout.sheet, head=head or None)


def _unknown_names(table: str, layout: Layout, section: str) -> list[Finding]:
    spec = TABLES[table]
    return [
        fault(
            "unknown-column",
            f'"{own}" is not a column of the table {table}',
            place("study.toml", column=f"{section}.columns.{own}"),
            nearest(own, spec.names),
        )
        for own in layout.columns
        if own not in spec.names and not (spec.factors and _IDENTIFIER.fullmatch(own))
    ]


def _renamed(sheet: Sheet, table: str, layout: Layout, section: str) -> tuple[Sheet, list[Finding]]:
    """Give each column its name here; leave out what is neither named nor known."""
    columns = layout.columns
    spec = TABLES[table]
    found = missing_columns(columns, sheet, section)
    here: dict[str, str] = {}
    for own, user in columns.items():
        if user in here:
            what = say("findings.column_is_assigned_to", user=user, here=here[user], own=own)
            at = place("study.toml", column=f"{section}.columns.{own}")
            found.append(fault("column-twice", what, at, "name each column of the file once"))
        here[user] = own
    header = [here.get(name, name) for name in sheet.header]
    kept = [
        k
        for k, (name, user) in enumerate(zip(header, sheet.header, strict=True))
        if not columns
        or user in here
        or (name not in columns and (name in spec.names or _may_be_factor(name, spec.factors)))
    ]
    left = [f'"{sheet.header[k]}"' for k in range(len(header)) if k not in kept]
    if left:
        what = say("findings.not_used", left=", ".join(left))
        found.append(Finding(Severity.NOTE, "columns-not-used", what, sheet.file))
    names = tuple(header[k] for k in kept)
    rows = tuple(tuple(row[k] for k in kept) for row in sheet.rows)
    called = {own: user for user, own in here.items()}
    return replace(sheet, header=names, rows=rows, called=called), found


def _may_be_factor(name: str, factors: bool) -> bool:
    return factors and _IDENTIFIER.fullmatch(name) is not None


def _with_model(
    sheet: Sheet, table: str, layout: Layout, models: Mapping[str, str] | None
) -> Sheet:
    """Fill in the model where the table has no column for it."""
    if "model" in sheet.header or "model" not in TABLES[table].names:
        return sheet
    if layout.model:
        values = [layout.model] * len(sheet.rows)
    elif models and "scan" in sheet.header:
        at = sheet.header.index("scan")
        usual = next(iter(models.values()))  # a scan of no list has a fault of its own
        values = [models.get(row[at], usual) for row in sheet.rows]
    else:
        return sheet
    rows = tuple((value, *row) for value, row in zip(values, sheet.rows, strict=True))
    return replace(sheet, header=("model", *sheet.header), rows=rows)


def _missing(
    missing: list[str], sheet: Sheet, source: TableFile, table: str, layout: Layout, said: Said
) -> Finding:
    """One finding for all columns that are missing, with the lines to write into study.toml."""
    there = ", ".join(f'"{name}"' for name in sheet.header[:_MOST_SHOWN])
    rest = len(sheet.header) - _MOST_SHOWN
    more = f" and {rest} more" if rest > 0 else ""
    hint = _lines(source, table, layout, said)
    only = sheet.header[0] if len(sheet.header) == 1 else ""
    if not hint and (sign := next((s for s in "|: " if only.count(s) >= 3), "")):
        sign = "spaces" if sign == " " else f'"{sign}"'
        hint = f"its cells seem to be separated by {sign}: use commas, semicolons or tabs"
    elif not hint and missing == ["model"]:
        hint = (
            f'add {said.section}.model = "model 1" to study.toml, if all rows belong to one model'
        )
    elif not hint:
        name = next(name for name in missing if name != "model")
        hint = (
            f"name them in study.toml: [{said.section}.columns], then one line for each, "
            f'such as {name} = "{sheet.header[0]}"'
        )
    return fault(
        "missing-column",
        f"no column {', '.join(missing)}; the table has {there}{more}",
        place(sheet.file, sheet.head, missing[0]),
        hint,
    )


def _lines(source: TableFile, table: str, layout: Layout, said: Said) -> str:
    """The lines that would make the table readable, and where they go; nothing if not known."""
    lines = proposed_lines(source, table, layout)
    if not lines:
        return ""
    if said.there:
        lines = [f"check the names, and write below [{said.section}] in study.toml:", *lines]
    else:
        lines = ["check the names, and add to study.toml:", f"[{said.section}]", *lines]
    return "\n".join(lines)
