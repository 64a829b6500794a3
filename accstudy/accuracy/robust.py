"""Robust means and standard deviations: Algorithms A and S, median-based estimates."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from accstudy.errors import InputError

__all__ = ["Robust", "RobustSpread", "algorithm_a", "algorithm_s", "made", "niqr"]

MAD_FACTOR = 1.483
"""Factor from median absolute deviation to standard deviation, as ISO 13528 rounds it."""


def _values(values: npt.ArrayLike) -> npt.NDArray[np.float64]:
    x = np.asarray(values, dtype=float).ravel()
    known: npt.NDArray[np.float64] = np.compress(~np.isnan(x), x)
    if known.size == 0:
        raise InputError("there are no results")
    return known


@dataclass(frozen=True, slots=True)
class Robust:
    """Outcome of Algorithm A.

    Parameters
    ----------
    mean, sd : float
        Robust mean and standard deviation, unit of the results.
    u_mean : float
        Standard uncertainty of the mean, 1.25 sd / sqrt(n) (ISO 13528:2022, 7.7.3).
    iterations : int
        Passes until neither changed by more than 1e-12 of the spread.
    converged : bool
        Whether it settled within the passes allowed.
    """

    mean: float
    sd: float
    u_mean: float
    iterations: int
    converged: bool


def algorithm_a(values: npt.ArrayLike, *, at_most: int = 1000) -> Robust:
    """Robust mean and standard deviation by winsorising until nothing changes.

    Parameters
    ----------
    values : array_like
        Results; NaN is left out.
    at_most : int, optional
        Passes allowed.

    Returns
    -------
    Robust
        Where at least half of the results are equal, the spread is zero and the
        mean is their value.

    Notes
    -----
    Old printed examples stop after a few passes; this goes on to convergence and
    counts them. Factors 1.483, 1.5 and 1.134 as the standards round them.

    References
    ----------
    ISO 5725-5:1998, 6.2; ISO 13528:2022, Annex C.3.

    Examples
    --------
    >>> found = algorithm_a([10.0, 11.0, 12.0, 13.0, 14.0, 90.0])
    >>> 12 < found.mean < 13, found.converged
    (True, True)
    """
    x = _values(values)
    mean = float(np.median(x))
    sd = MAD_FACTOR * float(np.median(np.abs(x - mean)))
    count, converged = 0, sd == 0.0
    while not converged and count < at_most:
        count += 1
        cut = np.clip(x, mean - 1.5 * sd, mean + 1.5 * sd)
        new_mean, new_sd = float(cut.mean()), 1.134 * float(cut.std(ddof=1))
        converged = abs(new_mean - mean) + abs(new_sd - sd) <= 1e-12 * max(sd, abs(mean) * 1e-3)
        mean, sd = new_mean, new_sd
    return Robust(mean, sd, 1.25 * sd / math.sqrt(x.size), count, converged)


@dataclass(frozen=True, slots=True)
class RobustSpread:
    """Outcome of Algorithm S.

    Parameters
    ----------
    sd : float
        Robust pooled standard deviation.
    iterations : int
        Passes.
    converged : bool
        Whether it settled.
    """

    sd: float
    iterations: int
    converged: bool


def algorithm_s(sds: npt.ArrayLike, *, df: int, at_most: int = 1000) -> RobustSpread:
    """Robust pooled value of the standard deviations of cells.

    Parameters
    ----------
    sds : array_like
        Standard deviation of every cell (or ranges of two: then ``df=1`` and divide
        by sqrt(2) beforehand).
    df : int
        Degrees of freedom of each.
    at_most : int, optional
        Passes allowed.

    Returns
    -------
    RobustSpread

    Notes
    -----
    The limit factor cuts the largest tenth of the standard deviations of a normal
    variable; the adjustment factor makes the result unbiased for its square. Both
    are worked out, not read from the table.

    References
    ----------
    ISO 5725-5:1998, 6.3; ISO 13528:2022, Annex C.4.

    Examples
    --------
    >>> round(algorithm_s([1.0, 1.1, 0.9, 1.0, 6.0], df=3).sd, 2)
    1.26
    """
    w = _values(sds)
    limit, adjust = _factors_of_s(df)
    sd = float(np.median(w))
    count, converged = 0, sd == 0.0
    while not converged and count < at_most:
        count += 1
        new = adjust * math.sqrt(float((np.minimum(w, limit * sd) ** 2).mean()))
        converged = abs(new - sd) <= 1e-12 * sd
        sd = new
    return RobustSpread(sd, count, converged)


def _factors_of_s(df: int) -> tuple[float, float]:
    if df < 1:
        raise InputError("Algorithm S needs cells of two results or more")
    limit2 = float(special.chdtri(df, 0.1)) / df
    inside = float(special.chdtr(df + 2, df * limit2))
    return math.sqrt(limit2), 1 / math.sqrt(inside + 0.1 * limit2)


def made(values: npt.ArrayLike) -> float:
    """Median absolute deviation from the median, scaled to a standard deviation.

    References
    ----------
    ISO 13528:2022, Annex C.2.2.

    Examples
    --------
    >>> round(made([1.0, 2.0, 3.0, 4.0, 100.0]), 3)
    1.483
    """
    x = _values(values)
    return MAD_FACTOR * float(np.median(np.abs(x - np.median(x))))


def niqr(values: npt.ArrayLike) -> float:
    """Interquartile range scaled to a standard deviation; quartiles by linear interpolation.

    References
    ----------
    ISO 13528:2022, Annex C.2.3 (factor 0.7413).

    Examples
    --------
    >>> round(niqr([1.0, 2.0, 3.0, 4.0, 100.0]), 4)
    1.4826
    """
    low, high = np.percentile(_values(values), [25, 75])
    return 0.7413 * float(high - low)
