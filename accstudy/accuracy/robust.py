"""Robust means and standard deviations: Algorithms A and S, median-based estimates."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special

from accstudy.accuracy.anova import Layouts
from accstudy.errors import Finding, InputError, remark
from accstudy.words.catalogue import say

MAD_FACTOR = 1.483
"""Factor from median absolute deviation to standard deviation, as ISO 13528 rounds it."""

_LEAST = 3  # cells, or results of one, from which a median can pass one over
_WIDER, _AWAY, _SHARE = 1.5, 0.5, 0.1
_PASSES = 1000


def _values(values: npt.ArrayLike) -> Floats:
    x = np.atleast_1d(np.asarray(values, dtype=float))
    if not x.shape[-1] or np.isnan(x).all(axis=-1).any():
        raise InputError("there are no results")
    return x


def _sd(x: Floats) -> Floats:
    """Standard deviation along the last axis, NaN left out; 0 for one result."""
    n = (~np.isnan(x)).sum(axis=-1)
    off = x - np.nanmean(x, axis=-1, keepdims=True)
    return np.asarray(np.sqrt(np.nansum(off**2, axis=-1) / np.maximum(n - 1, 1)))


@dataclass(frozen=True, slots=True)
class Robust:
    """Outcome of Algorithm A: mean, standard deviation and standard uncertainty of the mean, 1.25
    sd / sqrt(n) (ISO 13528:2022, 7.7.3).
    """

    mean: Any
    sd: Any
    u_mean: Any


def algorithm_a(values: npt.ArrayLike) -> Robust:
    """Robust mean and standard deviation by iterated winsorising.

    Parameters
    ----------
    values : array_like, shape (..., n)
        Results; NaN is left out.

    Returns
    -------
    Robust
        Of shape (...). Where at least half of the results are equal, the spread is zero and
        the mean is their value.

    Notes
    -----
    Old printed examples stop after a few passes; this goes on until neither changes by more than
    1e-12 of the spread. Factors 1.483, 1.5 and 1.134 as the standards round them.

    References
    ----------
    ISO 5725-5:1998, 6.2; ISO 13528:2022, Annex C.3.

    Examples
    --------
    >>> found = algorithm_a([10.0, 11.0, 12.0, 13.0, 14.0, 90.0])
    >>> bool(12 < found.mean < 13)
    True
    """
    x = _values(values)
    mean = np.nanmedian(x, axis=-1)
    sd = made(x)
    moving = sd > 0
    for _ in range(_PASSES):
        if not moving.any():
            break
        at, reach = mean[..., None], 1.5 * sd[..., None]
        cut = np.clip(x, at - reach, at + reach)
        new_mean, new_sd = np.nanmean(cut, axis=-1), 1.134 * _sd(cut)
        change = np.abs(new_mean - mean) + np.abs(new_sd - sd)
        settled = change <= 1e-12 * np.maximum(sd, np.abs(mean) * 1e-3)
        mean, sd = np.where(moving, new_mean, mean), np.where(moving, new_sd, sd)
        moving = moving & ~settled
    n = (~np.isnan(x)).sum(axis=-1)
    return Robust(mean[()], sd[()], (1.25 * sd / np.sqrt(n))[()])


def algorithm_s(sds: npt.ArrayLike, df: npt.ArrayLike) -> Any:
    """Robust pooled value of the standard deviations of cells, (..., p).

    The limit factor cuts the largest tenth of the standard deviations of a normal variable; the
    adjustment factor makes the result unbiased for its square. Both are worked out, not read from
    the table. The standard has cells of one size; here every cell has the factors of its own
    degrees of freedom and their weight. NaN is left out.

    References
    ----------
    ISO 5725-5:1998, 6.3; ISO 13528:2022, Annex C.4.

    Examples
    --------
    >>> round(float(algorithm_s([1.0, 1.1, 0.9, 1.0, 6.0], 3)), 2)
    1.26
    """
    w = _values(sds)
    nu = np.where(np.isnan(w), 1.0, df)  # of what is left out any will do
    limit2 = special.chdtri(nu, 0.1) / nu
    adjust2 = 1 / (special.chdtr(nu + 2, nu * limit2) + 0.1 * limit2)
    weight = np.where(np.isnan(w), 0.0, nu)
    weight = weight / weight.sum(axis=-1, keepdims=True)
    sd = np.nanmedian(w, axis=-1)
    for _ in range(_PASSES):
        cut2 = np.minimum(w**2, limit2 * sd[..., None] ** 2)
        new = np.sqrt(np.nansum(weight * adjust2 * cut2, axis=-1))
        settled = np.abs(new - sd) <= 1e-12 * sd
        sd = new
        if settled.all():
            break
    return sd[()]


def robust_figures(found: Layouts, values: npt.ArrayLike, groups: npt.ArrayLike) -> pd.DataFrame:
    """Robust bias and repeatability of many one-way layouts: ``bias_robust, s_r_robust``, a row
    each.

    With three cells and more Algorithm A on the cell means, and Algorithm S on the cells' standard
    deviations; with one cell Algorithm A on its results; NaN with two cells, or where no cell holds
    two results. `values` and `groups` as for `accstudy.accuracy.anova.layouts`.
    """
    bias, s_r = np.full((2, len(found.n)), np.nan)
    nu = found.cell_n - 1.0
    sds = np.sqrt(np.divide(found.cell_ss, nu, out=np.full(len(nu), np.nan), where=nu > 0))
    means, sds, nu = (
        _side_by_side(found.cell_layout, np.asarray(v, float)) for v in (found.cell_mean, sds, nu)
    )
    several = found.cells >= _LEAST
    if several.any():
        bias[several] = algorithm_a(means[several]).mean
    enough = (~np.isnan(sds)).sum(axis=1) >= _LEAST
    if enough.any():
        s_r[enough] = algorithm_s(sds[enough], nu[enough])
    one = (found.cells == 1) & (found.n >= _LEAST)
    if one.any():
        results = _side_by_side(np.asarray(groups, np.int64), np.asarray(values, float))
        alone = algorithm_a(results[one])
        bias[one], s_r[one] = alone.mean, alone.sd
    return pd.DataFrame({"bias_robust": bias, "s_r_robust": s_r})


def _side_by_side(row: npt.NDArray[np.int64], values: Floats) -> Floats:
    """Values of each row of a table side by side, filled up with NaN."""
    order = np.argsort(row, kind="stable")
    counts = np.bincount(row)
    out = np.full((len(counts), counts.max()), np.nan)
    place = np.arange(len(row)) - np.repeat(np.cumsum(counts) - counts, counts)
    out[row[order], place] = values[order]
    return out


def robust_findings(accuracy: pd.DataFrame) -> list[Finding]:
    """Tell conditions in which the robust figures of distances differ from the classical ones.

    Parameters
    ----------
    accuracy : DataFrame
        Table ``accuracy``, or ``precision``.

    Notes
    -----
    Of normal results at most 3 % have a ratio beyond 1.5, with 5 cells of 2 scans (0.1 to 1.5 %
    with more), and 1 % a bias that is more than half of its standard uncertainty away; so a
    condition is told where a tenth of its distances has either.
    """
    out, mend = [], say("findings.look_at_outliers")
    rows = accuracy[accuracy["measurand"] == "distance_um"]
    for condition, own in rows.groupby("condition", sort=False):
        known = own[own["s_r_robust"] > 0]
        ratio = known["s_r"] / known["s_r_robust"]
        wide = known[ratio > _WIDER]
        if len(known) and len(wide) >= _SHARE * len(known):
            worst = known.iloc[int(np.argmax(ratio))]
            what = say(
                "findings.robust_s_r", count=len(wide), of=len(known), times=_WIDER,
                subject=worst["subject"], classical=worst["s_r"], robust=worst["s_r_robust"],
            )  # fmt: skip
            out.append(remark("robust-differs", what, str(condition), mend))
        if "bias_robust" not in own:
            continue
        known = own[own["bias_robust"].notna() & (own["u_bias"] > 0)]
        away = (known["bias"] - known["bias_robust"]).abs()
        off = known[away > _AWAY * known["u_bias"]]
        if len(known) and len(off) >= _SHARE * len(known):
            worst = known.iloc[int(np.argmax(away))]
            what = say(
                "findings.robust_bias", count=len(off), of=len(known), subject=worst["subject"],
                classical=worst["bias"], robust=worst["bias_robust"],
            )  # fmt: skip
            out.append(remark("robust-differs", what, str(condition), mend))
    return out


def made(values: npt.ArrayLike) -> Any:
    """Median absolute deviation from the median, scaled to a standard deviation.

    References
    ----------
    ISO 13528:2022, Annex C.2.2.

    Examples
    --------
    >>> round(float(made([1.0, 2.0, 3.0, 4.0, 100.0])), 3)
    1.483
    """
    x = _values(values)
    off = np.abs(x - np.nanmedian(x, axis=-1, keepdims=True))
    return MAD_FACTOR * np.nanmedian(off, axis=-1)
