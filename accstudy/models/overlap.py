"""Where every condition has data: no mean is stated outside of the common range."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from accstudy.errors import Finding, Severity
from accstudy.models.grouping import SITES
from accstudy.words.catalogue import say

if TYPE_CHECKING:
    from accstudy.models.design import Design
    from accstudy.models.mixed import MixedFit

__all__ = [
    "blank_outside", "common_range", "held_values", "level_ranges", "outside", "overlap_findings",
]  # fmt: skip


def level_ranges(design: Design, column: str) -> pd.DataFrame:
    """Smallest and largest value of a covariate at every level of what is compared.

    Parameters
    ----------
    design : Design
        The fixed part.
    column : str
        A numeric column of its data.

    Returns
    -------
    DataFrame
        ``factor, level, low, high``; a single row without factor where nothing is
        compared. A pair or an implant has one value and is no condition.
    """
    rows = [
        (factor, level, *ranges[level])
        for factor, levels in design.levels.items()
        if factor in design.data and len(levels) > 1 and factor not in SITES
        for ranges in [design.ranges(factor, column)]
        for level in levels
        if level in ranges
    ]
    values = design.data[column].astype(float)
    rows = rows or [("", "", values.min(), values.max())]
    return pd.DataFrame(rows, columns=["factor", "level", "low", "high"])


def common_range(fit: MixedFit, column: str) -> tuple[float, float]:
    """Range of a covariate that every level of what is compared has.

    Returns
    -------
    low, high : float
        ``low`` above ``high`` where the levels have no value in common.
    """
    ranges = level_ranges(fit.design, column)
    return float(ranges["low"].max()), float(ranges["high"].min())


def held_values(design: Design) -> dict[str, float]:
    """Value at which every covariate column is held.

    Returns
    -------
    dict
        The mean of the data; where a level of what is compared never reaches that, the
        mean of the rows within the range that all levels have.
    """
    held = {}
    for column in design.centres:
        if column not in design.data:
            continue
        values = design.data[column].astype(float).to_numpy()
        ranges = level_ranges(design, column)
        low, high = float(ranges["low"].max()), float(ranges["high"].min())
        held[column] = float(values.mean())
        if low <= high and not low <= held[column] <= high:
            inside = (values >= low) & (values <= high)
            held[column] = float(values[inside].mean()) if inside.any() else (low + high) / 2
    return held


def overlap_findings(design: Design, held: dict[str, float], *, where: str) -> list[Finding]:
    """Warn of covariates that are held where a level of what is compared has no data."""
    out = []
    for column, value in held.items():
        if column not in design.data:
            continue
        ranges = level_ranges(design, column)
        slack = 1e-9 * max(1.0, abs(value))
        beyond = ranges[(ranges["low"] > value + slack) | (ranges["high"] < value - slack)]
        if not len(beyond):
            continue
        said = "; ".join(
            f"{level} has {low:.4g} to {high:.4g}"
            for level, low, high in zip(beyond["level"], beyond["low"], beyond["high"], strict=True)
        )
        out.append(
            Finding(
                Severity.WARNING,
                "no-overlap",
                say("findings.is_held_at_where", column=column, value=value, said=said),
                where,
                say("findings.add_scans_so_that", column=column),
            )
        )
    return out


def outside(design: Design, factor: str, level: str, held: dict[str, float]) -> bool:
    """Whether a level of a factor has no data where a covariate is held."""
    for column, value in held.items():
        if column not in design.data or factor not in design.data:
            continue
        low, high = design.ranges(factor, column).get(level, (value, value))
        slack = 1e-9 * max(1.0, abs(value))
        if not low - slack <= value <= high + slack:
            return True
    return False


def blank_outside(
    design: Design, table: pd.DataFrame, held: dict[str, float], columns: tuple[str, ...]
) -> pd.DataFrame:
    """Take the numbers out of rows about levels without data where covariates are held.

    Parameters
    ----------
    design : Design
        The fixed part.
    table : DataFrame
        With ``factor`` and the columns that name levels.
    held : dict
        Value of every covariate column.
    columns : tuple of str
        Columns that hold levels (those of several factors joined by ":").
    """
    beyond = np.zeros(len(table), bool)
    for k, factor in enumerate(table["factor"]):
        for column in columns:
            level = str(table[column].iloc[k])
            parts = zip(str(factor).split(":"), level.split(":"), strict=False)
            beyond[k] |= any(outside(design, f, one, held) for f, one in parts)
    if not beyond.any():
        return table
    numbers = [c for c in table.columns if pd.api.types.is_float_dtype(table[c])]
    out = table.copy()
    out.loc[beyond, [c for c in numbers if c != "margin"]] = np.nan
    return out
