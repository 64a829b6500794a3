"""Table ``outliers``: Cochran, Grubbs and Mandel tests on the cells of every layout.

The tests look; they never remove. A straggler (5 %) is flagged and kept, an
outlier (1 %) is examined, and a scan is left out only for a reason that the
user gives.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from accstudy.accuracy.critical import (
    cochran_critical,
    grubbs_critical,
    grubbs_double_critical,
    mandel_h_critical,
    mandel_k_critical,
)
from accstudy.accuracy.measurands import Results
from accstudy.accuracy.oneway import Layouts, layouts
from accstudy.accuracy.summary import study_results
from accstudy.tables import empty, shape

__all__ = ["BEYOND", "CellTests", "Extremes", "cell_tests", "extremes", "outlier_table"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Labels = npt.NDArray[np.object_]
LEVELS = (0.05, 0.01)


@dataclass(frozen=True)
class Extremes:
    """Grubbs' statistics of many samples.

    Parameters
    ----------
    n : ndarray of int, shape (G,)
        Values of each sample.
    high, low : ndarray, shape (G,)
        Distance of the largest and smallest value from the mean, in standard
        deviations; NaN below 3 values or without spread.
    high_at, low_at : ndarray of int, shape (G,)
        Where these values stand in the input.
    double_high, double_low : ndarray, shape (G,)
        Sum of squares without the two largest (smallest) over the sum with them;
        NaN below 4 values. Small is extreme.
    second_high_at, second_low_at : ndarray of int, shape (G,)
        Where the second largest and smallest stand; -1 where there is none.
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
    """Grubbs' statistics of the extremes of many samples at once.

    Parameters
    ----------
    values : array_like, shape (N,)
        Values, any unit.
    groups : array_like of int, shape (N,)
        Sample of each, 0 to G - 1, none empty.

    References
    ----------
    ISO 5725-2:1994, 7.3.4.
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
    """Cochran's, Mandel's and Grubbs' statistics on the cells of many layouts.

    Parameters
    ----------
    found : Layouts
        From `accstudy.accuracy.oneway.layouts`.

    References
    ----------
    ISO 5725-2:1994, 7.3.1 (h and k), 7.3.3 (Cochran), 7.3.4 (Grubbs).
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
    return shape("outliers", table)


BEYOND = {"straggler": "beyond 5 %", "outlier": "beyond 1 %"}
"""What Mandel's h and k are said to be where Cochran's and Grubbs' tests find as much."""


def _rows(
    rank: int,
    test: str,
    layout: Ints,
    statistic: Floats,
    critical: tuple[Floats, Floats],
    *,
    cell: npt.ArrayLike,
    scan: npt.ArrayLike = "",
    small_is_extreme: bool = False,
) -> pd.DataFrame:
    five, one = critical
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
    p, n, layout = sums.cells, tests.cochran_n, sums.cell_layout
    five, one = LEVELS
    return [
        _rows(
            0,
            "cochran",
            every,
            tests.cochran,
            (
                cochran_critical(five, tests.cochran_cells, n),
                cochran_critical(one, tests.cochran_cells, n),
            ),
            cell=names[tests.cochran_at],
        ),
        _rows(
            3,
            "mandel-h",
            layout,
            tests.h,
            (mandel_h_critical(five, p)[layout], mandel_h_critical(one, p)[layout]),
            cell=names,
        ),
        _rows(
            4,
            "mandel-k",
            layout,
            tests.k,
            (
                mandel_k_critical(five, tests.cochran_cells, n)[layout],
                mandel_k_critical(one, tests.cochran_cells, n)[layout],
            ),
            cell=names,
        ),
    ]


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
    five, one = (grubbs_critical(a, e.n) for a in LEVELS)
    rows = [
        _rows(
            1,
            "grubbs",
            layout,
            single,
            (five, one),
            cell=cell[at],
            scan="" if scan is None else scan[at],
        )
    ]
    quiet = np.flatnonzero(~(np.nan_to_num(single) > five) & (e.n >= 4))
    if quiet.size:
        places = first[quiet], second[quiet]
        rows.append(
            _rows(
                2,
                "grubbs-double",
                layout[quiet],
                double[quiet],
                (_double_critical(LEVELS[0], e.n[quiet]), _double_critical(LEVELS[1], e.n[quiet])),
                cell=_both(cell, *places),
                scan="" if scan is None else _both(scan, *places),
                small_is_extreme=True,
            )
        )
    return rows


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
