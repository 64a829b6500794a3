"""Tolerance bounds that respect cells: where will a share of future scans lie?

A bound (coverage, confidence) holds, with the confidence, for at least the share
of single future scans, made by operators and in sessions like those studied.
"""

from __future__ import annotations

from functools import cache
from typing import Literal

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special
from scipy.stats import qmc

from accstudy.accuracy.factors import (
    absolute_quantile,
    nonparametric_n,
    nonparametric_order,
)
from accstudy.accuracy.oneway import Layouts
from accstudy.accuracy.planned import planned_layouts

__all__ = ["Kind", "needed_scans", "nonparametric_bound", "tolerance_bounds"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Kind = Literal["absolute", "upper"]

_LOG2_DRAWS = 13
_SHIFTS = np.linspace(0.0, 8.0, 1601)


@cache
def _uniform() -> Floats:
    """Evenly spread points of the unit cube, the same in every run, shape (3, D)."""
    points = qmc.Sobol(3, scramble=True, rng=np.random.default_rng(20_230_117)).random_base2(
        _LOG2_DRAWS
    )
    return np.clip(points.T, 1e-12, 1 - 1e-12)


@cache
def _chi2(column: int, df: int) -> Floats:
    return np.asarray(special.chdtri(df, _uniform()[column]), dtype=np.float64)


@cache
def _standard_quantiles(coverage: float) -> Floats:
    return absolute_quantile(_SHIFTS, coverage)


def _quantile_of_future(mean: Floats, sd: Floats, coverage: float, kind: Kind) -> Floats:
    """Quantile of a future result, or of its absolute value, for every draw."""
    z = float(special.ndtri(coverage))
    if kind == "upper":
        return np.asarray(mean + z * sd, dtype=np.float64)
    away = np.abs(mean)
    shift = np.divide(away, sd, out=np.full(sd.shape, np.inf), where=sd > 0)
    near = np.interp(shift, _SHIFTS, _standard_quantiles(coverage))
    return np.where(shift < _SHIFTS[-1], near * sd, away + z * sd)


def _pivots(found: Layouts, g: int) -> tuple[Floats, Floats, Floats]:
    """Draws of the generalised pivotal quantities of mean and total standard deviation.

    The last are standard deviations in which a variance between cells below zero is
    not cut: cutting is on the safe side for an upper bound only.
    """
    z = special.ndtri(_uniform()[0])
    n, p = int(found.n[g]), int(found.cells[g])
    nu_b, nu_w = p - 1, n - p
    if nu_b == 0:
        variance = found.ss_within[g] / _chi2(2, nu_w)
        sd = np.sqrt(variance)
        return found.mean[g] - z * sd / np.sqrt(n), sd, sd
    of_cell_means = found.ss_cell_means[g] / _chi2(1, nu_b)
    mean = found.mean_of_cells[g] - z * np.sqrt(of_cell_means / p)
    if nu_w == 0:
        sd = np.sqrt(of_cell_means)
        return mean, sd, sd
    within = found.ss_within[g] / _chi2(2, nu_w)
    between = of_cell_means - within / found.harmonic_n[g]
    return mean, np.sqrt(np.maximum(0.0, between) + within), np.sqrt(between + within)


def tolerance_bounds(
    found: Layouts,
    *,
    coverage: float = 0.95,
    confidence: float = 0.95,
    confidence_low: float | None = None,
    kind: Kind = "absolute",
) -> pd.DataFrame:
    """Tolerance bound of each of many layouts, for a single future result.

    Parameters
    ----------
    found : Layouts
        Signed deviations, any unit.
    coverage, confidence : float, optional
        With this confidence at least this share of future results stays within.
    confidence_low : float, optional
        Of the lower bound; `confidence` for want of it.
    kind : {"absolute", "upper"}, optional
        "absolute": for the absolute deviation, so that a biased device is held to
        account on the side of its bias and on the other. "upper": for the
        deviation itself.

    Returns
    -------
    DataFrame
        One row a layout: ``bound``; ``bound_low``, which the quantile of future
        results exceeds with the confidence; ``estimate`` of that quantile without
        any confidence. NaN for one result.

    Notes
    -----
    Generalised pivotal quantities: the mean and the two variances are drawn given
    the data, the quantile of a future result (of its absolute value, both tails
    counted) is worked out for each draw, and the bound is the quantile of these.
    For cells of unequal size the sums of squares of the plain cell means are used.
    The draws are 8192 evenly spread points that never change, so that results
    repeat. With one cell the bound holds for that cell's conditions only.

    References
    ----------
    Weerahandi, J Am Stat Assoc 88 (1993) 899-905; Krishnamoorthy and Mathew,
    Technometrics 46 (2004) 44-52, for the one-way layout.
    """
    rows = []
    low_level = 1 - (confidence if confidence_low is None else confidence_low)
    for g in range(len(found.n)):
        if found.n[g] < 2:
            rows.append((np.nan, np.nan, np.nan))
            continue
        mean, sd, sd_low = _pivots(found, g)
        high = np.quantile(_quantile_of_future(mean, sd, coverage, kind), confidence)
        low = _low(mean, sd_low, float(found.mean[g]), coverage, low_level, kind)
        rows.append((high, low, _estimate(found, g, coverage, kind)))
    return pd.DataFrame(rows, columns=["bound", "bound_low", "estimate"], dtype=float)


def _low(
    mean: Floats, sd: Floats, centre: float, coverage: float, level: float, kind: Kind
) -> float:
    """Lower confidence bound of the quantile of future results.

    That of an absolute value is at least that of an unbiased device, and at least
    the one-sided quantile on either side. The larger of these bounds is taken, the
    level shared among them: draws of the absolute value itself would see a bias
    where there is none.
    """
    if kind == "upper":
        return float(np.quantile(_quantile_of_future(mean, sd, coverage, kind), level))
    spread = special.ndtri((1 + coverage) / 2) * np.quantile(sd, level / 2)
    towards = np.sign(centre) * mean + special.ndtri(coverage) * sd
    return float(max(spread, np.quantile(towards, level / 4)))


def _estimate(found: Layouts, g: int, coverage: float, kind: Kind) -> float:
    variance = found.var_total[g] if found.cells[g] > 1 else found.var_within[g]
    one = np.array([found.mean[g]]), np.sqrt(np.array([variance]))
    return float(_quantile_of_future(*one, coverage, kind)[0])


def needed_scans(
    found: Layouts,
    limit: npt.ArrayLike,
    *,
    coverage: float = 0.95,
    confidence: float = 0.95,
    kind: Kind = "absolute",
    at_most: int = 300,
) -> npt.NDArray[np.float64]:
    """Scans that would bring the bound within the limit if the estimates hold.

    Parameters
    ----------
    found : Layouts
        As for `tolerance_bounds`.
    limit : array_like
        Limit of each layout, or one for all.
    coverage, confidence, kind
        As for `tolerance_bounds`.
    at_most : int, optional
        Cells (with one cell: scans) beyond which the search stops.

    Returns
    -------
    ndarray
        Scans in all, in more cells of the same mean size (with one cell: in that
        cell); the number there is where it does already. NaN where none would do:
        the estimate itself is beyond the limit, or a spread is unknown.
    """
    limits = np.broadcast_to(np.asarray(limit, dtype=float), found.n.shape)
    out = np.full(found.n.shape, np.nan)
    for g in range(len(found.n)):
        if found.n[g] < 2 or not _estimate(found, g, coverage, kind) < limits[g]:
            continue

        def enough(size: int, g: int = g) -> bool:
            planned = _planned(found, g, size)
            mean, sd, _ = _pivots(planned, 0)
            future = _quantile_of_future(mean, sd, coverage, kind)
            return bool(np.quantile(future, confidence) <= limits[g])

        one_cell = found.cells[g] == 1
        low = 2
        if not enough(at_most):
            continue
        high = at_most
        while low < high:
            middle = (low + high) // 2
            low, high = (low, middle) if enough(middle) else (middle + 1, high)
        cell = 1.0 if one_cell else found.n[g] / found.cells[g]
        out[g] = np.ceil(low * cell)
    return out


def nonparametric_bound(
    values: npt.ArrayLike, *, coverage: float = 0.95, confidence: float = 0.95
) -> tuple[float, int]:
    """Upper tolerance bound of absolute deviations whatever their distribution.

    Parameters
    ----------
    values : array_like
        Deviations of independent scans: of one cell, or one scan a cell. Scans that
        share cells are not independent, and the bound does not hold.
    coverage, confidence : float, optional
        Of the bound.

    Returns
    -------
    bound, n_needed : float, int
        The order statistic, NaN where the scans are too few; and the number of
        scans from which on there is one.

    References
    ----------
    Wilks, Ann Math Stat 12 (1941) 91-96; ISO 16269-6:2014.

    Examples
    --------
    >>> nonparametric_bound([3.0, -5.0, 1.0])
    (nan, 59)
    """
    x = np.sort(np.abs(np.asarray(values, dtype=float)))
    rank = nonparametric_order(len(x), coverage, confidence)
    bound = float(x[rank - 1]) if rank else float("nan")
    return bound, nonparametric_n(coverage, confidence)


def _planned(found: Layouts, g: int, size: int) -> Layouts:
    """A layout of more scans that shows the same mean and variances."""
    one_cell = found.cells[g] == 1
    var_between = 0.0 if one_cell else max(0.0, float(np.nan_to_num(found.var_between[g])))
    if found.df_within[g] == 0:
        var_between = float(found.ms_between[g])
    return planned_layouts(
        1 if one_cell else size,
        size if one_cell else found.n[g] / found.cells[g],
        bias=found.mean[g],
        var_within=float(np.nan_to_num(found.var_within[g])),
        var_between=var_between,
    )
