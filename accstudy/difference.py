"""Where two versions of a result table differ, numbers compared on their grid."""

from __future__ import annotations

import io
from dataclasses import dataclass

import numpy as np
import pandas as pd

from accstudy.grid import DECIMALS, step_of
from accstudy.tables import TABLES

__all__ = ["Difference", "table_difference"]

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
