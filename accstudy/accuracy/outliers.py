"""Table ``outliers``: Cochran, Grubbs and Mandel tests on the cells of every layout.

The tests look; they never remove. A straggler (5 %) is flagged and kept, an
outlier (1 %) is examined, and a scan is left out only for a reason that the
user gives.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt
import pandas as pd
import scipy  # scipy.stats loads when it is first used
from scipy import special

from accstudy.accuracy.anova import Layouts, layouts
from accstudy.accuracy.measurands import Results
from accstudy.accuracy.summary import study_results
from accstudy.tables import empty, on_grid, shape

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Labels = npt.NDArray[np.object_]
LEVELS = (0.05, 0.01)


@dataclass(frozen=True)
class Extremes:
    """Grubbs' statistics of G samples, (G,).

    `n` values; distance of the largest and smallest value (`high`, `low`) from the mean, in
    standard deviations, NaN below 3 values or without spread, and where these values stand in the
    input. `double_high`, `double_low`: sum of squares without the two largest (smallest) over the
    sum with them, NaN below 4 values, small is extreme; with the place of the second one, -1 where
    there is none.
    """

    n: Ints
    high: Floats
    low: Floats
    high_at: Ints
    low_at: Ints
    double_high: Floats
    double_low: Floats
    second_high_at: Ints
    second_low_at: Ints


def extremes(values: npt.ArrayLike, groups: npt.ArrayLike) -> Extremes:
    """Grubbs' statistics of the extremes of many samples at once (ISO 5725-2:1994, 7.3.4).

    `values` and the sample of each, 0 to G - 1, none empty, (N,).
    """
    y, group = np.asarray(values, dtype=float), np.asarray(groups, dtype=np.int64)
    order = np.lexsort((y, group))
    n = np.bincount(group)
    stop = np.cumsum(n)
    start = stop - n
    x = y[order]
    x = x - np.repeat(np.add.reduceat(x, start) / n, n)
    last, second_last = stop - 1, np.maximum(stop - 2, start)
    second = np.minimum(start + 1, stop - 1)
    ss = np.add.reduceat(x**2, start)

    def without(a: Ints, b: Ints) -> Floats:
        left = ss - x[a] ** 2 - x[b] ** 2 - (x[a] + x[b]) ** 2 / np.maximum(n - 2, 1)
        return _ratio(np.maximum(left, 0.0), ss, n >= 4)

    spread = np.sqrt(ss / np.maximum(n - 1, 1))
    # equal values differ by rounding only
    flat = spread <= 1e-12 * np.maximum(1.0, np.abs(np.maximum.reduceat(np.abs(y[order]), start)))
    enough = (n >= 3) & ~flat
    ss = np.where(flat, 0.0, ss)
    return Extremes(
        n=n,
        high=_ratio(x[last], spread, enough),
        low=_ratio(-x[start], spread, enough),
        high_at=order[last],
        low_at=order[start],
        double_high=without(last, second_last),
        double_low=without(start, second),
        second_high_at=np.where(n >= 2, order[second_last], -1),
        second_low_at=np.where(n >= 2, order[second], -1),
    )


def _ratio(top: npt.ArrayLike, bottom: npt.ArrayLike, where: npt.NDArray[np.bool_]) -> Floats:
    a, b = np.asarray(top, dtype=float), np.asarray(bottom, dtype=float)
    out = np.full(a.shape, np.nan)
    np.divide(a, b, out=out, where=where & (b > 0))
    return out


@dataclass(frozen=True)
class CellTests:
    """Statistics on the C cells of G layouts.

    ``cochran``, (G,): largest cell variance over the sum of them, among cells of two results or
    more; at cell ``cochran_at`` (-1: none), of ``cochran_cells`` cells whose commonest size (the
    larger of two) is ``cochran_n``. ``h`` and ``k``, (C,): Mandel's, about the plain mean of the
    cell means and over the root mean square of the standard deviations (NaN for cells of one
    result). ``means``: Grubbs' statistics of the cell means.
    """

    cochran: Floats
    cochran_at: Ints
    cochran_cells: Ints
    cochran_n: Ints
    h: Floats
    k: Floats
    means: Extremes


def cell_tests(found: Layouts) -> CellTests:
    """Cochran's, Mandel's and Grubbs' statistics on the cells of many layouts (ISO 5725-2:1994,
    7.3).
    """
    layout, total = found.cell_layout, len(found.n)
    spread = found.cell_n >= 2
    variance = np.where(spread, found.cell_ss / np.maximum(found.cell_n - 1, 1), 0.0)
    took_part = np.bincount(layout, weights=spread, minlength=total).astype(np.int64)
    sum_variance = np.bincount(layout, weights=variance, minlength=total)
    # commonest cell size of each layout: count (layout, size), then take the largest count
    sizes = int(found.cell_n.max()) + 1
    count = np.bincount(
        layout[spread] * sizes + found.cell_n[spread], minlength=total * sizes
    ).reshape(total, sizes)
    commonest = sizes - 1 - np.argmax(count[:, ::-1], axis=1)
    order = np.lexsort((variance, layout))
    at = order[np.searchsorted(layout[order], np.arange(total), side="right") - 1]
    mean_variance = _ratio(sum_variance, took_part.astype(float), took_part > 0)
    s_of_means = np.sqrt(_ratio(found.ss_cell_means, found.cells - 1.0, found.cells >= 3))
    means = extremes(found.cell_mean, layout)
    enough = np.isfinite(means.high)[layout]
    return CellTests(
        cochran=_ratio(variance[at], sum_variance, took_part >= 2),
        cochran_at=np.where(took_part >= 2, at, -1),
        cochran_cells=took_part,
        cochran_n=np.where(took_part > 0, commonest, 0),
        h=_ratio(found.cell_mean - found.mean_of_cells[layout], s_of_means[layout], enough),
        k=np.where(
            spread & (took_part >= 2)[layout],
            np.sqrt(_ratio(variance, mean_variance[layout], spread)),
            np.nan,
        ),
        means=means,
    )


def outlier_table(
    pair_deviations: pd.DataFrame,
    implant_deviations: pd.DataFrame | None = None,
    *,
    alignment: str = "all-implants",
) -> pd.DataFrame:
    """Tests on the cells of every pair and implant, and on single scans of one cell.

    Parameters
    ----------
    pair_deviations : DataFrame
        Table ``pair_deviations``.
    implant_deviations : DataFrame, optional
        Table ``implant_deviations``.
    alignment : str, optional
        Alignment of the implants' deviations.

    Returns
    -------
    DataFrame
        Table ``outliers``. Cochran and Grubbs give the most extreme cell of each
        layout, Mandel's h and k every cell. Where a layout has one cell, or one
        scan in each, Grubbs looks at single scans; so it does within a cell that
        Cochran's test singles out. The test on two extremes is made where the
        test on one finds nothing, as ISO 5725-2 has it.

    Notes
    -----
    Every test holds its level for itself. Among 100 layouts about five
    stragglers are to be expected by chance.
    """
    found = study_results(pair_deviations, implant_deviations, alignment=alignment)
    if found is None:
        return empty("outliers")
    sums = layouts(found.value, found.group, found.cell)
    tests = cell_tests(sums)
    parts = [
        *_cochran_and_mandel(found, sums, tests),
        *_grubbs_of_cells(found, sums, tests),
        *_grubbs_of_scans(found, sums, tests),
    ]
    parts = [p for p in parts if len(p)]
    if not parts:
        return empty("outliers")
    rows = pd.concat(parts, ignore_index=True).sort_values(
        ["layout", "rank", "order"], kind="stable"
    )
    lines = rows["test"].str.startswith("mandel")  # indicator lines, not tests: other words
    rows.loc[lines, "verdict"] = rows.loc[lines, "verdict"].replace(BEYOND)
    keys = found.keys[["condition", "model", "measurand", "subject"]]
    table = pd.concat(
        [keys.iloc[rows["layout"]].reset_index(drop=True), rows.reset_index(drop=True)], axis=1
    )
    return shape("outliers", table.assign(place=_places(table)))


def _places(table: pd.DataFrame) -> pd.Series:
    """How extreme every result is among those of its test beyond a critical value, from 1."""
    seen = table[table["verdict"] != "nothing"]
    ratio = seen["statistic"].abs() / seen["critical_1"].abs()
    # Grubbs' test of two is a ratio of sums of squares: the smaller, the farther out
    ratio = ratio.where(seen["test"] != "grubbs-double", 1 / ratio.clip(lower=1e-12))
    on = pd.Series(on_grid(ratio.to_numpy(float)), seen.index)
    return on.groupby(seen["test"]).rank(ascending=False, method="first")


BEYOND = {"straggler": "beyond 5 %", "outlier": "beyond 1 %"}
"""What Mandel's h and k are said to be where Cochran's and Grubbs' tests find as much."""


def _rows(
    rank: int,
    test: str,
    layout: Ints,
    statistic: Floats,
    critical: Callable[[float], Floats],
    *,
    cell: npt.ArrayLike,
    scan: npt.ArrayLike = "",
    small_is_extreme: bool = False,
) -> pd.DataFrame:
    five, one = (critical(alpha) for alpha in LEVELS)
    size = np.abs(statistic)
    verdict = np.where(size > five, np.where(size > one, "outlier", "straggler"), "nothing")
    if small_is_extreme:
        verdict = np.where(size < five, np.where(size < one, "outlier", "straggler"), "nothing")
    table = pd.DataFrame(
        {
            "layout": layout,
            "rank": rank,
            "order": np.arange(len(layout)),
            "test": test,
            "cell": cell,
            "scan": scan,
            "statistic": statistic,
            "critical_5": five,
            "critical_1": one,
            "verdict": verdict,
        }
    )
    return table[np.isfinite(statistic) & np.isfinite(five)]


def _cochran_and_mandel(found: Results, sums: Layouts, tests: CellTests) -> list[pd.DataFrame]:
    every = np.arange(len(sums.n))
    names = found.cell_names[sums.cell_label]
    cells, n, layout = tests.cochran_cells, tests.cochran_n, sums.cell_layout
    return [
        _rows(
            0, "cochran", every, tests.cochran, lambda alpha: cochran_critical(alpha, cells, n),
            cell=names[tests.cochran_at],
        ),
        _rows(
            3, "mandel-h", layout, tests.h,
            lambda alpha: mandel_h_critical(alpha, sums.cells)[layout], cell=names,
        ),
        _rows(
            4, "mandel-k", layout, tests.k,
            lambda alpha: mandel_k_critical(alpha, cells, n)[layout], cell=names,
        ),
    ]  # fmt: skip


def _pick(e: Extremes) -> tuple[Floats, Ints, Floats, Ints, Ints]:
    """The more extreme end: single statistic and place, double ratio and its two places."""
    high = np.nan_to_num(e.high) >= np.nan_to_num(e.low)
    both = np.where(np.isnan(e.double_high), 1.0, e.double_high) <= np.where(
        np.isnan(e.double_low), 1.0, e.double_low
    )
    return (
        np.where(high, e.high, e.low),
        np.where(high, e.high_at, e.low_at),
        np.where(both, e.double_high, e.double_low),
        np.where(both, e.high_at, e.low_at),
        np.where(both, e.second_high_at, e.second_low_at),
    )


def _double_critical(alpha: float, n: Ints) -> Floats:
    values = {int(k): grubbs_double_critical(alpha, int(k)) for k in np.unique(n)}
    return np.array([values[int(k)] for k in n])


def _grubbs(
    e: Extremes, layout: Ints, cell: Labels, scan: Labels | None = None
) -> list[pd.DataFrame]:
    """Rows of both tests; `cell` and `scan` name every place."""
    single, at, double, first, second = _pick(e)
    one = _rows(
        1, "grubbs", layout, single, lambda alpha: grubbs_critical(alpha, e.n),
        cell=cell[at], scan="" if scan is None else scan[at],
    )  # fmt: skip
    straggles = np.nan_to_num(single) > grubbs_critical(LEVELS[0], e.n)
    quiet = np.flatnonzero(~straggles & (e.n >= 4))
    if not quiet.size:
        return [one]
    places = first[quiet], second[quiet]
    two = _rows(
        2, "grubbs-double", layout[quiet], double[quiet],
        lambda alpha: _double_critical(alpha, e.n[quiet]), cell=_both(cell, *places),
        scan="" if scan is None else _both(scan, *places), small_is_extreme=True,
    )  # fmt: skip
    return [one, two]


def _both(labels: Labels, first: Ints, second: Ints) -> Labels:
    names = zip(labels[first], labels[second], strict=True)
    return np.array([a if a == b else f"{a} and {b}" for a, b in names], dtype=object)


def _grubbs_of_cells(found: Results, sums: Layouts, tests: CellTests) -> list[pd.DataFrame]:
    names = found.cell_names[sums.cell_label]
    alone = sums.n == sums.cells  # one scan a cell: the scans are named as well
    rows = _grubbs(tests.means, np.arange(len(sums.n)), names)
    return [r[~alone[r["layout"]]] for r in rows]


def _grubbs_of_scans(found: Results, sums: Layouts, tests: CellTests) -> list[pd.DataFrame]:
    single = (sums.cells == 1) | (sums.n == sums.cells)
    critical = cochran_critical(LEVELS[0], tests.cochran_cells, tests.cochran_n)
    wild = (np.nan_to_num(tests.cochran) > critical) & ~single
    suspect = np.full(len(sums.n), -1)
    suspect[wild] = sums.cell_label[tests.cochran_at[wild]]
    chosen = single[found.group] | (found.cell == suspect[found.group])
    if not chosen.any():
        return []
    layout, sample = np.unique(found.group[chosen], return_inverse=True)
    cells = found.cell_names[found.cell[chosen]]
    scans = found.scan_names[found.scan[chosen]]
    e = extremes(found.value[chosen], sample)
    return _grubbs(e, layout, cells, scans)


_GRID = 8000  # intervals over the quarter circle: 1e-6 in the critical values up to 20 cells


def _nan_unless(valid: npt.ArrayLike, value: npt.ArrayLike) -> Floats:
    return np.where(valid, value, np.nan)


def cochran_critical(alpha: float, p: npt.ArrayLike, n: npt.ArrayLike) -> Floats:
    """Critical value of Cochran's one-sided test on the largest of p cell variances, n results
    each.

    NaN with fewer than two cells or results a cell.

    References
    ----------
    ISO 5725-2:1994, 7.3.3 and Table 4 (tables rest on this F quantile).

    Examples
    --------
    >>> round(float(cochran_critical(0.05, 8, 3)), 3)
    0.516
    """
    p_, n_ = np.asarray(p, dtype=float), np.asarray(n, dtype=float)
    valid = (p_ >= 2) & (n_ >= 2)
    p_, n_ = np.where(valid, p_, 2.0), np.where(valid, n_, 2.0)
    F = special.fdtri(n_ - 1, (p_ - 1) * (n_ - 1), 1 - alpha / p_)
    return _nan_unless(valid, F / (F + p_ - 1))


def grubbs_critical(alpha: float, p: npt.ArrayLike, *, sides: int = 2) -> Floats:
    """Critical value of Grubbs' test on one extreme of p (three or more) values; else NaN.

    `sides` is 2 when either end may be extreme, as in ISO 5725-2; 1 when one end alone is looked
    at, as in many textbooks.

    References
    ----------
    ISO 5725-2:1994, 7.3.4 and Table 5; Grubbs, Technometrics 11 (1969) 1-21.

    Examples
    --------
    >>> [round(float(grubbs_critical(0.05, 8, sides=sides)), 3) for sides in (2, 1)]
    [2.127, 2.032]
    """
    p_ = np.asarray(p, dtype=float)
    valid = p_ >= 3
    p_ = np.where(valid, p_, 3.0)
    t2 = special.stdtrit(p_ - 2, 1 - alpha / (sides * p_)) ** 2
    return _nan_unless(valid, (p_ - 1) / np.sqrt(p_) * np.sqrt(t2 / (p_ - 2 + t2)))


def mandel_h_critical(alpha: float, p: npt.ArrayLike) -> Floats:
    """Critical value of Mandel's h (two-sided, one of p cells looked at); NaN below three cells.

    References
    ----------
    ISO 5725-2:1994, 7.3.1 and Tables 6 and 7.

    Examples
    --------
    >>> round(float(mandel_h_critical(0.05, 8)), 2)
    1.75
    """
    p_ = np.asarray(p, dtype=float)
    valid = p_ >= 3
    p_ = np.where(valid, p_, 3.0)
    t = special.stdtrit(p_ - 2, 1 - alpha / 2)
    return _nan_unless(valid, (p_ - 1) * t / np.sqrt(p_ * (t**2 + p_ - 2)))


def mandel_k_critical(alpha: float, p: npt.ArrayLike, n: npt.ArrayLike) -> Floats:
    """Critical value of Mandel's k (one-sided, one of p cells looked at, n results each).

    NaN with fewer than two cells or results a cell.

    References
    ----------
    ISO 5725-2:1994, 7.3.1 and Tables 6 and 7.

    Examples
    --------
    >>> round(float(mandel_k_critical(0.05, 8, 3)), 3)
    1.669
    """
    p_, n_ = np.asarray(p, dtype=float), np.asarray(n, dtype=float)
    valid = (p_ >= 2) & (n_ >= 2)
    p_, n_ = np.where(valid, p_, 2.0), np.where(valid, n_, 2.0)
    F = special.fdtri(n_ - 1, (p_ - 1) * (n_ - 1), 1 - alpha)
    return _nan_unless(valid, np.sqrt(p_ * F / (F + p_ - 1)))


@cache
def _angles() -> Floats:
    return np.linspace(0.0, math.pi / 2, _GRID + 1)


def _density(k: int) -> Floats:
    """K times the density of the angle a on the grid."""
    log_c = special.gammaln((k - 1) / 2) - special.gammaln((k - 2) / 2) - 0.5 * math.log(math.pi)
    return np.asarray(k * math.exp(log_c) * np.cos(_angles()) ** (k - 3), dtype=np.float64)


def _bound(k: int) -> Floats:
    """Largest angle b that the others may show, on the grid."""
    with np.errstate(over="ignore"):
        tangent = np.tan(_angles()) * math.sqrt(k / (k - 2))
    return np.asarray(np.arcsin(np.minimum(1.0, tangent)), dtype=np.float64)


def _integrals(values: Floats) -> Floats:
    """Running trapezoidal integral over the grid."""
    step = _angles()[1]
    return np.concatenate([[0.0], np.cumsum((values[1:] + values[:-1]) / 2 * step)])


@cache
def _largest(k: int) -> Floats:
    """Distribution of the angle of the largest of k values, on the grid."""
    if k == 3:
        # the density is constant above 30 degrees, where the third value is the largest
        return np.asarray(np.maximum(0.0, 3 / math.pi * (_angles() - math.pi / 6)))
    rest = np.interp(_bound(k), _angles(), _largest(k - 1))
    total = _integrals(_density(k) * rest)
    return np.asarray(total / total[-1], dtype=np.float64)


def grubbs_double_probability(ratio: float, p: int) -> float:
    """Probability that two extremes at one end leave a smaller ratio of sums of squares.

    `ratio` is the sum of squares without the two over that with them, of `p` (at least 4) normal
    values; for both ends: twice that.

    Examples
    --------
    >>> round(grubbs_double_probability(0.1101, 8), 3)
    0.025
    """
    angles, bound = _angles(), _bound(p)
    cosine = np.cos(angles)
    inside = np.minimum(1.0, math.sqrt(ratio) / np.maximum(cosine, 1e-300))
    start = np.minimum(np.arccos(inside), bound)
    others = _largest(p - 1)
    share = np.interp(bound, angles, others) - np.interp(start, angles, others)
    return float(_integrals(_density(p) * share)[-1])


@cache
def grubbs_double_critical(alpha: float, p: int) -> float:
    """Critical value of Grubbs' test on two extremes at the same end of p (four or more) values.

    Smaller ratios are extreme. Found by integration of the exact distribution, not read from the
    table, for both ends together.

    References
    ----------
    ISO 5725-2:1994, 7.3.4 and Table 5.

    Examples
    --------
    >>> round(grubbs_double_critical(0.05, 8), 3)
    0.11
    """
    if p < 4:
        return math.nan
    root = scipy.optimize.brentq(  # either end may be extreme
        lambda r: grubbs_double_probability(r, p) - alpha / 2, 1e-12, 1.0, xtol=1e-9
    )
    return float(root)


FAR = ("outlier", BEYOND["outlier"])
"""Verdicts beyond the critical value of 1 %."""


def outlier_counts(outliers: pd.DataFrame) -> pd.DataFrame:
    """Table ``outlier_counts``: statistics beyond their critical values, by condition and model;
    the last row, without condition and model, is of all.
    """
    if not len(outliers):
        return empty("outlier_counts")
    parts = [(key, mine) for key, mine in outliers.groupby(["condition", "model"], sort=False)]
    rows = []
    for (condition, model), mine in [*parts, (("", ""), outliers)]:
        beyond = int((mine["verdict"] != "nothing").sum())
        far = int(mine["verdict"].isin(FAR).sum())
        rows.append(
            {
                "condition": condition,
                "model": model,
                "n_statistics": len(mine),
                "n_beyond_5": beyond,
                "share_beyond_5": beyond / len(mine),
                "n_beyond_1": far,
                "share_beyond_1": far / len(mine),
            }
        )
    return shape("outlier_counts", pd.DataFrame(rows))
