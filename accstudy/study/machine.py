"""A coordinate measuring machine's table, whose columns have names of their own."""

from __future__ import annotations

from dataclasses import replace

from accstudy.errors import Finding, Severity, StudyError, nearest, place
from accstudy.study.settings import Reference
from accstudy.study.sheet import Sheet
from accstudy.study.typed import fault
from accstudy.tables import TABLES

__all__ = ["named_as_here"]


def named_as_here(sheet: Sheet, table: str, settings: Reference) -> tuple[Sheet, list[Finding]]:
    """Give the columns of a machine's table the names that they have here.

    Parameters
    ----------
    sheet : Sheet
        The table as it is.
    table : str
        What it is here: ``implants`` or ``touch_points``.
    settings : Reference
        With ``columns``, the user's column name for a column of the table, and
        ``model``, the name of the model where the table has no column for it.

    Returns
    -------
    sheet : Sheet
        With the names of the table. Where ``columns`` are given, the machine's
        other columns are left out.
    notes : list of Finding
        Which were left out.

    Raises
    ------
    StudyError
        If a named column is not there, or a required one is missing.
    """
    columns = settings.columns
    known = TABLES[table].names
    faults = [
        fault(
            "unknown-column",
            f'"{own}" is no column of the table {table}',
            place("study.toml", column=f"reference.columns.{own}"),
            nearest(own, known),
        )
        for own in columns
        if own not in known
    ]
    faults += [
        fault(
            "missing-column",
            f'there is no column "{user}"',
            place(sheet.file, 1),
            f"reference.columns.{own} in study.toml names it; {nearest(user, sheet.header)}",
        )
        for own, user in columns.items()
        if user not in sheet.header
    ]
    if faults:
        raise StudyError(faults)
    here = {user: own for own, user in columns.items()}
    header = [here.get(name, name) for name in sheet.header]
    kept = [
        k
        for k, (name, user) in enumerate(zip(header, sheet.header, strict=True))
        if not columns or user in here or (name in known and name not in columns)
    ]
    names = tuple(header[k] for k in kept)
    rows = tuple(tuple(row[k] for k in kept) for row in sheet.rows)
    if settings.model and "model" not in names:
        names, rows = ("model", *names), tuple((settings.model, *row) for row in rows)
    missing = [c.name for c in TABLES[table].columns if c.required and c.name not in names]
    if missing:
        raise StudyError([_missing(missing, sheet)])
    left = [f'"{sheet.header[k]}"' for k in range(len(header)) if k not in kept]
    notes = (
        [Finding(Severity.NOTE, "columns-not-used", f"not used: {', '.join(left)}", sheet.file)]
        if left
        else []
    )
    return replace(sheet, header=names, rows=rows), notes


def _missing(missing: list[str], sheet: Sheet) -> Finding:
    """One finding for all columns that are missing, with what to write into study.toml."""
    there = ", ".join(f'"{name}"' for name in sheet.header)
    hints = []
    if "model" in missing:
        hints.append('add reference.model = "model 1" to study.toml, if all rows are of one model')
    others = [name for name in missing if name != "model"]
    if others:
        hints.append(
            "if they are there by other names, say so in study.toml: [reference.columns], then a "
            f'line for each, such as {others[0]} = "{sheet.header[0]}"'
        )
    return fault(
        "missing-column",
        f"no column {', '.join(missing)}; the table has {there}",
        place(sheet.file, 1, missing[0]),
        "; ".join(hints),
    )
