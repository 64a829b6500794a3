"""The data dictionary of a results folder, and reading the folder back."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import pandas as pd

from accstudy.tables import LABEL_FACTORS, TABLES, Kind, read_csv

__all__ = ["FILE", "data_package", "read_results"]

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
