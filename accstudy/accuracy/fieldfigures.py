"""The figures that the field calls trueness and precision, and what they equal.

They are offered beside the figures of ISO 5725, never in their place.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

__all__ = ["HALF_NORMAL", "expected_figures", "field_figures"]

HALF_NORMAL = math.sqrt(2 / math.pi)
"""Mean of the absolute value of a standard normal variable, 0.798."""


def field_figures(
    values: npt.ArrayLike, groups: npt.ArrayLike
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Mean absolute deviation and mean pairwise difference of each group.

    Parameters
    ----------
    values : array_like, shape (N,)
        Deviations, any unit.
    groups : array_like of int, shape (N,)
        Group of each, 0 to G - 1.

    Returns
    -------
    mean_abs : ndarray, shape (G,)
        Mean of the absolute deviations ("trueness" in the field). It grows with
        the spread even where there is no bias.
    mean_pairwise : ndarray, shape (G,)
        Mean absolute difference over all pairs of repeats ("precision" in the
        field); NaN where there is one result. n (n - 1) / 2 pairs carry no more
        than n - 1 degrees of freedom.

    Notes
    -----
    The pairwise mean comes from the sorted results, x_(1) <= ... <= x_(n):
    2 / (n (n - 1)) times the sum of (2 k - n - 1) x_(k).

    Examples
    --------
    >>> field_figures([1.0, -1.0, 3.0], [0, 0, 0])
    (array([1.66666667]), array([2.66666667]))
    """
    y, group = np.asarray(values, dtype=float), np.asarray(groups, dtype=np.int64)
    n = np.bincount(group)
    order = np.lexsort((y, group))
    sorted_group = group[order]
    start = np.concatenate([[0], np.cumsum(n)[:-1]])
    rank = np.arange(y.size) - start[sorted_group] + 1
    weights = 2.0 * rank - n[sorted_group] - 1
    sums = np.asarray(np.bincount(sorted_group, weights=weights * y[order]), dtype=float)
    pairs = n * (n - 1) / 2
    pairwise = np.full(n.shape, np.nan)
    np.divide(sums, pairs, out=pairwise, where=pairs > 0)
    return np.bincount(group, weights=np.abs(y)) / n, pairwise


def expected_figures(sd: float) -> dict[str, float]:
    """What the field's figures come to for an unbiased normal device.

    Parameters
    ----------
    sd : float
        Standard deviation along each axis, the same for all three and independent.

    Returns
    -------
    dict
        ``mean_abs_1d``, ``mean_distance_3d``, ``mean_pairwise_1d`` and
        ``mean_pairwise_3d``, in the unit of `sd`.

    Examples
    --------
    >>> {k: round(v, 1) for k, v in expected_figures(30.0).items()}["mean_distance_3d"]
    47.9
    """
    one = HALF_NORMAL * sd
    return {
        "mean_abs_1d": one,
        "mean_distance_3d": 2 * one,
        "mean_pairwise_1d": math.sqrt(2) * one,
        "mean_pairwise_3d": math.sqrt(2) * 2 * one,
    }
