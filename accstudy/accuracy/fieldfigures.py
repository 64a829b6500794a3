"""The figures that the field calls trueness and precision, and what they equal.

They are offered beside the figures of ISO 5725, never in their place.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pandas as pd

from accstudy.accuracy.measurands import Results
from accstudy.tables import shape

__all__ = ["field_figures", "field_table"]


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


def field_table(found: Results, accuracy: pd.DataFrame) -> pd.DataFrame:
    """Trueness and precision as the field prints them, mean and SD, beside the ISO figures.

    Parameters
    ----------
    found : Results
        Results of all layouts.
    accuracy : DataFrame
        Table ``accuracy`` of the same.

    Returns
    -------
    DataFrame
        Table ``field_figures``, a row a condition, model and measurand of pairs.

    Notes
    -----
    "Trueness" is the mean of the absolute deviations of all pairs in all scans,
    "precision" that of the absolute differences between any two scans of a condition, pair by
    pair; each with the standard deviation of the values that are averaged. Neither the pairs of a
    scan nor the differences of scans are independent: no test and no interval follows from these
    standard deviations.

    In squares, with n scans and their deviations x, the differences sum to n sum x^2 - (sum x)^2.
    """
    keys, group, value = found.keys, found.group, found.value
    n = np.bincount(group, minlength=len(keys)).astype(float)
    mean_abs, pairwise = field_figures(value, group)
    squares = np.bincount(group, value**2)
    pairs = n * (n - 1) / 2
    sums = pd.DataFrame(
        {
            "n": n,
            "abs": mean_abs * n,
            "squares": squares,
            "pairs": pairs,
            "apart": np.where(pairs > 0, pairwise, 0.0) * pairs,
            "apart2": n * squares - np.bincount(group, value) ** 2,
        }
    )
    iso = accuracy[["condition", "model", "measurand", "subject", "bias", "s_r", "s_I"]]
    each = keys.merge(iso, on=["condition", "model", "measurand", "subject"], how="left")
    each = pd.concat([each, sums], axis=1)
    rows = []
    on = ["condition", "model", "measurand"]
    for (condition, model, measurand), mine in each[each["span_mm"].notna()].groupby(
        on, sort=False
    ):
        total = mine[["n", "abs", "squares", "pairs", "apart", "apart2"]].sum()
        trueness, trueness_sd = _mean_and_sd(total["n"], total["abs"], total["squares"])
        precision, precision_sd = _mean_and_sd(total["pairs"], total["apart"], total["apart2"])
        rows.append(
            {
                "condition": condition, "model": model, "measurand": measurand,
                "unit": mine["unit"].iloc[0], "n_scans": mine["n"].max(), "n_pairs": len(mine),
                "n_values": total["n"], "trueness_mean": trueness, "trueness_sd": trueness_sd,
                "rms": math.sqrt(total["squares"] / total["n"]), "n_differences": total["pairs"],
                "precision_mean": precision, "precision_sd": precision_sd,
                **{f"{c}_rms": float((mine[c] ** 2).mean()) ** 0.5 for c in ("bias", "s_r", "s_I")},
            }
        )  # fmt: skip
    return shape("field_figures", pd.DataFrame(rows))


def _mean_and_sd(n: float, total: float, squares: float) -> tuple[float, float]:
    """Of values by their number, sum and sum of squares; NaN where there are too few."""
    if n < 1:
        return math.nan, math.nan
    left = max(squares - total**2 / n, 0.0)
    return total / n, math.sqrt(left / (n - 1)) if n > 1 else math.nan
