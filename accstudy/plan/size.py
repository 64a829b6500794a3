"""How many scans and cells: precision of bias and spread, and assurance of a bound."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from accstudy.accuracy.oneway import layouts, one_way_table
from accstudy.accuracy.planned import planned_layouts
from accstudy.accuracy.tolerance import tolerance_bounds
from accstudy.errors import InputError
from accstudy.tables import shape

__all__ = ["Cost", "Spread", "assurance", "from_pilot", "scans_for_bound", "size_table"]


@dataclass(frozen=True, slots=True)
class Spread:
    """What is assumed of a device before it is studied.

    Parameters
    ----------
    s_r : float
        Repeatability standard deviation.
    s_cell : float, optional
        Standard deviation between cells (operators, sessions).
    bias : float, optional
        Bias; its sign does not matter.
    unit : str, optional
        Unit of all three.
    source : str, optional
        Pilot study, literature or guess.
    """

    s_r: float
    s_cell: float = 0.0
    bias: float = 0.0
    unit: str = "um"
    source: str = "assumed"

    def __post_init__(self) -> None:
        if self.s_r < 0 or self.s_cell < 0:
            raise InputError("standard deviations cannot be negative")


@dataclass(frozen=True, slots=True)
class Cost:
    """Time at the bench.

    Parameters
    ----------
    minutes_per_scan : float
        Scanning, saving, reseating the bodies.
    minutes_per_session : float, optional
        Setting up, warming up, calibrating; once a cell.
    """

    minutes_per_scan: float
    minutes_per_session: float = 0.0

    def minutes(self, scans: int, cells: int) -> float:
        """Minutes for a number of scans in a number of cells."""
        return scans * self.minutes_per_scan + cells * self.minutes_per_session


def from_pilot(accuracy: pd.DataFrame, *, condition: str, measurand: str = "distance_um") -> Spread:
    """Assumptions from a pilot study: the worst of its subjects counts.

    Parameters
    ----------
    accuracy : DataFrame
        Table ``accuracy`` of the pilot.
    condition : str
        Condition to take.
    measurand : str, optional
        Column of the deviation tables.

    Returns
    -------
    Spread
        Root mean square of s_r and of s_cell over pairs or implants, and the bias
        that is largest. A pilot with one cell tells nothing of s_cell: 0, and the
        source says so.

    Raises
    ------
    InputError
        If the pilot has no spread for that condition and measurand.
    """
    own = accuracy[(accuracy["condition"] == condition) & (accuracy["measurand"] == measurand)]
    spread = own["s_r"].fillna(own["s_R"]).dropna()
    if not len(spread):
        raise InputError(
            f'the pilot tells no spread of {measurand} under "{condition}"',
            hint="it needs two scans or more of that condition",
        )
    between = own["s_cell2_raw"].dropna()
    s_cell = math.sqrt(max(0.0, float(between.mean()))) if len(between) else 0.0
    source = f"pilot study, {int(own['n_scans'].max())} scans in {int(own['n_cells'].max())} cells"
    if not len(between):
        source += "; the spread between cells is not known from it and taken as zero"
    return Spread(
        s_r=math.sqrt(float((spread**2).mean())),
        s_cell=s_cell,
        bias=float(own["bias"].abs().max()),
        unit=measurand.rsplit("_", 1)[1],
        source=source,
    )


def size_table(
    spread: Spread,
    *,
    cells: Sequence[int] = (1, 2, 3, 4, 6),
    per_cell: Sequence[int] = (3, 5, 10),
    limit: float | None = None,
    coverage: float = 0.95,
    confidence: float = 0.95,
    cost: Cost | None = None,
    simulations: int = 400,
    seed: int = 1,
) -> pd.DataFrame:
    """What studies of several sizes are to be expected to show.

    Parameters
    ----------
    spread : Spread
        Assumptions.
    cells, per_cell : sequence of int, optional
        Sizes to try, all combinations.
    limit : float, optional
        Limit of the absolute deviation that the tolerance bound is to keep.
    coverage, confidence : float, optional
        Of bound and intervals.
    cost : Cost, optional
        Time at the bench.
    simulations, seed : int, optional
        For the assurance, where there is a limit.

    Returns
    -------
    DataFrame
        Table ``plan_sizes``. With one cell the interval of the bias leaves out what
        differs from cell to cell, and s_R is empty.

    Examples
    --------
    >>> size_table(Spread(30.0), cells=[1], per_cell=[10])["half_width"].round(1).tolist()
    [21.5]
    """
    grid = [(p, m) for p in cells for m in per_cell if p * m >= 2]
    if not grid:
        raise InputError("a study needs two scans or more")
    p, m = (np.array(column) for column in zip(*grid, strict=True))
    planned = planned_layouts(
        p, m, bias=spread.bias, var_within=spread.s_r**2, var_between=spread.s_cell**2
    )
    figures = one_way_table(planned, confidence=confidence)
    table = pd.DataFrame(
        {
            "n_cells": p,
            "per_cell": m,
            "n_scans": planned.n,
            "half_width": figures["bias_high"] - figures["bias"],
            "s_r_low": figures["s_r_low"],
            "s_r_high": figures["s_r_high"],
            "s_R_low": figures["s_R_low"],
            "s_R_high": figures["s_R_high"],
            "bound": tolerance_bounds(planned, coverage=coverage, confidence=confidence)["bound"],
            "limit": np.nan if limit is None else limit,
            "unit": spread.unit,
        }
    )
    if limit is not None:
        table["assurance"] = [
            assurance(
                spread,
                int(a),
                int(b),
                limit=limit,
                coverage=coverage,
                confidence=confidence,
                simulations=simulations,
                seed=seed,
            )
            for a, b in grid
        ]
    if cost is not None:
        table["chair_minutes"] = [cost.minutes(a * b, a) for a, b in grid]
    return shape("plan_sizes", table)


def assurance(
    spread: Spread,
    cells: int,
    per_cell: int,
    *,
    limit: float,
    coverage: float = 0.95,
    confidence: float = 0.95,
    simulations: int = 400,
    seed: int = 1,
) -> float:
    """Probability that a study of this size will prove the limit, by simulation.

    Parameters
    ----------
    spread : Spread
        Assumptions, taken as the truth.
    cells, per_cell : int
        Size.
    limit, coverage, confidence
        As for `size_table`.
    simulations, seed : int, optional
        Simulated studies.

    Returns
    -------
    float
        Standard error at most 0.5 / sqrt(simulations). With one cell it is the
        probability for that cell's conditions.
    """
    rng = np.random.default_rng(seed)
    n = cells * per_cell
    y = spread.bias + rng.normal(0, spread.s_r, (simulations, cells, per_cell))
    if cells > 1:
        y += rng.normal(0, spread.s_cell, (simulations, cells, 1))
    found = layouts(
        y.ravel(),
        np.repeat(np.arange(simulations), n),
        np.tile(np.repeat(np.arange(cells), per_cell), simulations),
    )
    bounds = tolerance_bounds(found, coverage=coverage, confidence=confidence)["bound"]
    return float((bounds <= limit).mean())


def scans_for_bound(
    spread: Spread,
    *,
    limit: float,
    per_cell: int = 5,
    target: float = 0.8,
    coverage: float = 0.95,
    confidence: float = 0.95,
    at_most: int = 60,
    simulations: int = 400,
    seed: int = 1,
) -> int | None:
    """Smallest number of cells that proves a limit with a given assurance.

    Parameters
    ----------
    spread : Spread
        Assumptions, taken as the truth.
    limit : float
        Limit of the absolute deviation.
    per_cell : int, optional
        Scans a cell.
    target : float, optional
        Assurance wanted.
    coverage, confidence : float, optional
        Of the bound.
    at_most : int, optional
        Cells at which the search stops.
    simulations, seed : int, optional
        For the assurance.

    Returns
    -------
    int or None
        Cells, from 2 on; None where not even `at_most` would do.
    """

    def enough(cells: int) -> bool:
        found = assurance(
            spread,
            cells,
            per_cell,
            limit=limit,
            coverage=coverage,
            confidence=confidence,
            simulations=simulations,
            seed=seed,
        )
        return found >= target

    low, high = 2, 2
    while not enough(high):
        if high >= at_most:
            return None
        low, high = high + 1, min(2 * high, at_most)
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle + 1, high)
    return high
