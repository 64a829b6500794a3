"""Tolerance limits that respect cells: where a share of future scans will lie.

A bound (coverage, confidence) holds, with the confidence, for at least the share
of single future scans, made by operators and in sessions like those studied.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import numpy.typing as npt
import pandas as pd
import scipy  # scipy.stats loads when it is first used
from scipy import special

from accstudy.accuracy.levels import Kind, future_quantile
from accstudy.accuracy.oneway import Layouts

__all__ = ["Kind", "tolerance_bounds"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

_LOG2_DRAWS = 13


@cache
def _uniform() -> Floats:
    """Evenly spread points of the unit cube, the same in every run, shape (3, D)."""
    points = scipy.stats.qmc.Sobol(
        3, scramble=True, rng=np.random.default_rng(20_230_117)
    ).random_base2(_LOG2_DRAWS)
    return np.clip(points.T, 1e-12, 1 - 1e-12)


@cache
def _chi2(column: int, df: int) -> Floats:
    return np.asarray(special.chdtri(df, _uniform()[column]), dtype=np.float64)


def _pivots(found: Layouts, g: int) -> tuple[Floats, Floats]:
    """Draws of the generalised pivotal quantities of mean and total standard deviation."""
    z = special.ndtri(_uniform()[0])
    n, p = int(found.n[g]), int(found.cells[g])
    nu_b, nu_w = p - 1, n - p
    if nu_b == 0:
        variance = found.ss_within[g] / _chi2(2, nu_w)
        sd = np.sqrt(variance)
        return found.mean[g] - z * sd / np.sqrt(n), sd
    of_cell_means = found.ss_cell_means[g] / _chi2(1, nu_b)
    mean = found.mean_of_cells[g] - z * np.sqrt(of_cell_means / p)
    if nu_w == 0:
        sd = np.sqrt(of_cell_means)
        return mean, sd
    within = found.ss_within[g] / _chi2(2, nu_w)
    between = of_cell_means - within / found.harmonic_n[g]
    return mean, np.sqrt(np.maximum(0.0, between) + within)


def tolerance_bounds(
    found: Layouts,
    *,
    coverage: float = 0.95,
    confidence: float = 0.95,
    kind: Kind = "absolute",
) -> pd.DataFrame:
    """Tolerance bound of each of many layouts, for a single future result.

    Parameters
    ----------
    found : Layouts
        Signed deviations, any unit.
    coverage, confidence : float, optional
        With this confidence at least this share of future results stays within.
    kind : {"absolute", "upper"}, optional
        "absolute": for the absolute deviation, so that a biased device is held to
        account on the side of its bias and on the other. "upper": for the
        deviation itself.

    Returns
    -------
    DataFrame
        One row a layout: ``bound``, and the ``estimate`` of the quantile of future
        results without any confidence. NaN for one result.

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
    for g in range(len(found.n)):
        if found.n[g] < 2:
            rows.append((np.nan, np.nan))
            continue
        mean, sd = _pivots(found, g)
        high = np.quantile(future_quantile(mean, sd, coverage, kind), confidence)
        rows.append((high, _estimate(found, g, coverage, kind)))
    return pd.DataFrame(rows, columns=["bound", "estimate"], dtype=float)


def _estimate(found: Layouts, g: int, coverage: float, kind: Kind) -> float:
    variance = found.var_total[g] if found.cells[g] > 1 else found.var_within[g]
    one = np.array([found.mean[g]]), np.sqrt(np.array([variance]))
    return float(future_quantile(*one, coverage, kind)[0])
