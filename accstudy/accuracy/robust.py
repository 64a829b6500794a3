"""Robust means and standard deviations: Algorithms A and S, median-based estimates."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from accstudy.errors import InputError

__all__ = ["Robust", "algorithm_a", "made", "niqr"]

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
