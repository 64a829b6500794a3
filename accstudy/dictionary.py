"""The data dictionary of a results folder; reading it back; where two versions of it differ."""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from accstudy.tables import DECIMALS, LABEL_FACTORS, TABLES, Kind, read_csv, step_of

FILE = "datapackage.json"
"""Name of the data dictionary in the results folder."""

_TYPES: dict[Kind, str] = {
    "text": "string",
    "number": "number",
    "integer": "integer",
    "flag": "boolean",
    "date": "datetime",
}


def data_package(tables: Mapping[str, pd.DataFrame]) -> dict[str, object]:
    """Describe result tables as a Data Package with Table Schemas.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        Tables by name.

    Returns
    -------
    dict
        JSON values: for every table its file, what a row is, and every
        column's type, unit and meaning.

    References
    ----------
    Frictionless Standards: Data Package and Table Schema, version 1.
    """
    return {
        "profile": "tabular-data-package",
        "name": "accstudy-results",
        "resources": [_resource(name, frame) for name, frame in sorted(tables.items())],
    }


def _resource(name: str, frame: pd.DataFrame) -> dict[str, object]:
    table = TABLES[name]
    fields: list[dict[str, object]] = []
    for column in table.columns:
        field: dict[str, object] = {
            "name": column.name,
            "type": _TYPES[column.kind],
            "description": column.meaning,
        }
        if column.kind == "date":
            field["format"] = "any"
        if column.unit:
            field["unit"] = column.unit
        fields.append(field)
    fields += [
        {"name": str(factor), "type": "string", "description": "factor column of the scan list"}
        for factor in frame.columns
        if factor not in table.names
    ]
    return {
        "profile": "tabular-data-resource",
        "name": name.replace("_", "-").lower(),
        "path": f"{name}.csv",
        "description": f"One row per {table.row}.",
        "schema": {"fields": fields, "missingValues": [""]},
    }


def read_results(path: str | Path) -> dict[str, pd.DataFrame]:
    """Read every result table of a study, with its types.

    Parameters
    ----------
    path : str or Path
        A study folder, or its results folder.

    Returns
    -------
    dict of str to DataFrame
        Tables by name, such as ``pair_deviations``; columns as
        `accstudy.tables.TABLES` and datapackage.json describe them. Columns of the scan list
        are numbers where every cell is one, as in the analysis itself; ``operator``,
        ``session`` and the like are labels even then.

    Raises
    ------
    FileNotFoundError
        If there are no results.
    """
    folder = Path(path)
    if (folder / "results").is_dir():
        folder = folder / "results"
    found = {
        name: _with_numbers(name, read_csv(name, folder / f"{name}.csv"))
        for name in TABLES
        if (folder / f"{name}.csv").is_file()
    }
    if not found:
        raise FileNotFoundError(f"{folder} contains no result tables; run `accstudy run` first")
    return found


def _with_numbers(name: str, frame: pd.DataFrame) -> pd.DataFrame:
    """Turn further columns that hold nothing but numbers into numbers."""
    known = {*TABLES[name].names, *LABEL_FACTORS}
    for column in [c for c in frame.columns if c not in known]:
        filled = frame[column].notna() & (frame[column].astype(str) != "")
        numbers = pd.to_numeric(frame[column].where(filled), errors="coerce")
        if filled.any() and numbers[filled].notna().all():
            frame[column] = numbers.astype(float)
    return frame


_SLACK = 1.001  # steps; one, and what the subtraction of two doubles adds


@dataclass(frozen=True, slots=True)
class Difference:
    """What differs between two versions of a table.

    Parameters
    ----------
    cells : int
        Cells that differ: texts at all, numbers by more than one step of their
        grid. 1 where rows or columns differ.
    first : str
        The first of them, in words; empty when there is none.
    row : int
        Its line in the file, 0 where that says nothing.
    column : str
        Its column.
    rounding : int
        Numbers that differ by one step, which is how far another processor may
        round apart.
    """

    cells: int = 0
    first: str = ""
    row: int = 0
    column: str = ""
    rounding: int = 0


def table_difference(name: str, then: bytes, now: bytes) -> Difference:
    r"""Compare two versions of a table.

    Parameters
    ----------
    name : str
        Name of the table.
    then, now : bytes
        CSV as `accstudy.tables.csv_bytes` writes it.

    Examples
    --------
    >>> head = b"severity,code,where,what,mend\n"
    >>> table_difference("findings", head + b"note,a,,b,\n", head + b"note,a,,c,\n").first
    '"b" then, "c" now'
    """
    if then == now:
        return Difference()
    try:
        old, new = (
            pd.read_csv(io.BytesIO(d), dtype=str, keep_default_na=False) for d in (then, now)
        )
    except ValueError:  # neither UTF-8 nor CSV, or nothing at all
        return Difference(1, "not a readable table")
    if list(old.columns) != list(new.columns):
        return Difference(1, "different columns", 1)
    if len(old) != len(new):
        return Difference(1, f"{len(old)} rows then, {len(new)} now")
    numbers = {c.name: c.decimals for c in TABLES[name].columns if c.kind == "number"}
    known = {c.name for c in TABLES[name].columns}
    rounding = 0
    wrong: list[tuple[int, str]] = []
    for column in old.columns:
        a, b = old[column].to_numpy(str), new[column].to_numpy(str)
        unlike = np.flatnonzero(a != b)
        if column in numbers or column not in known:  # factor columns may hold numbers, too
            apart = _apart(a[unlike], b[unlike], numbers.get(column, DECIMALS))
            rounding += int((~apart).sum())
            unlike = unlike[apart]
        wrong += [(int(row), column) for row in unlike]
    if not wrong:
        return Difference(rounding=rounding)
    row, column = min(wrong, key=lambda cell: cell[0])
    first = f'"{old[column].iloc[row]}" then, "{new[column].iloc[row]}" now'
    return Difference(len(wrong), first, row + 2, column, rounding)


def _apart(a: np.ndarray, b: np.ndarray, decimals: int | None) -> np.ndarray:
    """Which of two columns of cells differ by more than a step."""
    x, y = (pd.to_numeric(pd.Series(cells), errors="coerce").to_numpy(float) for cells in (a, b))
    larger = np.where(np.abs(x) > np.abs(y), x, y)
    near = np.abs(x - y) <= _SLACK * step_of(larger, decimals)
    return np.asarray(~near)  # cells that are no number compare as different
