"""One-way and nested layouts: sums of squares, precision, variance components.

A one-way layout is what ISO 5725-2 calls a level: results of one measurand under one
condition, in cells of results obtained under repeatability conditions, of unequal size. All
one-way layouts of a study are worked out together on arrays; nothing loops over them. A nested
layout holds scans in sessions in operators in devices.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special

from accstudy.errors import InputError

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

LIMIT_FACTOR = 2.8
"""Factor of the repeatability and reproducibility limits (ISO 5725-6:1994, 4.1.4)."""


@dataclass(frozen=True)
class Layouts:
    """Sums of G one-way layouts, sufficient for all statistics.

    `n` results and `cells` of each; `mean` weighted by the cells' sizes, `mean_of_cells` plain;
    sums of squares within cells, of cell means about the general mean weighted by the cells' sizes
    (`ss_between`), and about their plain mean (`ss_cell_means`); sum of the squared cell sizes, and
    their harmonic mean. Every cell, (C,): its layout, label, size, mean and sum of squares about
    its mean.
    """

    n: Ints
    cells: Ints
    mean: Floats
    mean_of_cells: Floats
    ss_within: Floats
    ss_between: Floats
    ss_cell_means: Floats
    sum_n2: Floats
    harmonic_n: Floats
    cell_layout: Ints
    cell_label: Ints
    cell_n: Ints
    cell_mean: Floats
    cell_ss: Floats

    @property
    def df_within(self) -> Ints:
        """Degrees of freedom within cells."""
        return self.n - self.cells

    @property
    def df_between(self) -> Ints:
        """Degrees of freedom between cells."""
        return self.cells - 1

    @property
    def n_bar(self) -> Floats:
        """Mean cell size of ISO 5725-2:1994, 7.4.5.2; NaN for one cell."""
        return _divide(self.n - _divide(self.sum_n2, self.n), self.df_between)

    @property
    def var_within(self) -> Floats:
        """Repeatability variance; NaN where no cell holds two results."""
        return _divide(self.ss_within, self.df_within)

    @property
    def ms_between(self) -> Floats:
        """Mean square between cells; NaN for one cell."""
        return _divide(self.ss_between, self.df_between)

    @property
    def var_between(self) -> Floats:
        """Variance between cells as estimated, negative values kept."""
        return _divide(self.ms_between - self.var_within, self.n_bar)

    @property
    def var_total(self) -> Floats:
        """Variance of one result of any cell; NaN for one cell.

        Where every cell holds one result, it is the variance of the results.
        """
        both = self.var_within + np.maximum(self.var_between, 0.0)
        return np.where(self.df_within == 0, self.ms_between, both)


@dataclass(frozen=True)
class Witnesses:
    """What the bias of each layout rests on: results that stand for themselves (``who``: cells,
    operators).

    ``shared`` is the variance of the general mean from sessions that the operators share, which
    their means cannot show, with its degrees of freedom; 0 and 1 where there are none.
    """

    layouts: Layouts
    shared: Floats
    shared_df: Floats
    who: str = "cells"


def _divide(a: npt.ArrayLike, b: npt.ArrayLike) -> Floats:
    top, bottom = np.asarray(a, dtype=float), np.asarray(b, dtype=float)
    out = np.full(top.shape, np.nan)
    np.divide(top, bottom, out=out, where=bottom > 0)
    return out


def _sums(index: Ints, weights: Floats, length: int) -> Floats:
    return np.asarray(np.bincount(index, weights=weights, minlength=length), dtype=np.float64)


def layouts(values: npt.ArrayLike, groups: npt.ArrayLike, cells: npt.ArrayLike) -> Layouts:
    """Sum up one-way layouts.

    `values`, `groups` and `cells`, (N,): finite results, the layout of each, 0 to G - 1, none of
    them empty, and its cell; the same number in two layouts means two cells. Each layout is shifted
    by its first result before anything is squared, so a large common offset costs no digits.
    """
    y = np.asarray(values, dtype=float)
    group, cell = np.asarray(groups, dtype=np.int64), np.asarray(cells, dtype=np.int64)
    if not (y.shape == group.shape == cell.shape) or y.ndim != 1:
        raise InputError("values, groups and cells differ in length")
    if not np.isfinite(y).all():
        raise InputError("a result is not a finite number", hint="remove it beforehand")
    if y.size == 0:
        raise InputError("there are no results")
    wide = int(cell.max()) + 1
    keys, index = np.unique(group * wide + cell, return_inverse=True)
    cell_layout, cell_label = keys // wide, keys % wide
    total = int(group.max()) + 1
    first = np.full(total, -1)
    first[group[::-1]] = np.arange(y.size)[::-1]
    if (first < 0).any():
        raise InputError("a layout has no results")
    offset = y[first]
    x = y - offset[group]
    cell_n = np.bincount(index)
    cell_mean = _sums(index, x, len(keys)) / cell_n
    cell_ss = _sums(index, (x - cell_mean[index]) ** 2, len(keys))

    def over_cells(weights: Floats) -> Floats:
        return _sums(cell_layout, weights, total)

    p = np.bincount(cell_layout, minlength=total)
    n = np.bincount(group, minlength=total)
    mean = over_cells(cell_n * cell_mean) / n
    plain = over_cells(cell_mean) / p
    return Layouts(
        n=n,
        cells=p,
        mean=mean + offset,
        mean_of_cells=plain + offset,
        ss_within=over_cells(cell_ss),
        ss_between=over_cells(cell_n * (cell_mean - mean[cell_layout]) ** 2),
        ss_cell_means=over_cells((cell_mean - plain[cell_layout]) ** 2),
        sum_n2=over_cells(cell_n.astype(float) ** 2),
        harmonic_n=p / over_cells(1.0 / cell_n),
        cell_layout=cell_layout,
        cell_label=cell_label,
        cell_n=cell_n,
        cell_mean=cell_mean + offset[cell_layout],
        cell_ss=cell_ss,
    )


def one_way_table(
    found: Layouts,
    *,
    confidence: float = 0.95,
    u_reference: npt.ArrayLike = 0.0,
    witnesses: Witnesses | None = None,
) -> pd.DataFrame:
    """Bias, precision, intervals and limits of many one-way layouts.

    Parameters
    ----------
    found : Layouts
        Layouts of deviations, measured minus reference.
    confidence : float, optional
        Of every interval.
    u_reference : array_like, optional
        Standard uncertainty that all results of a layout share (reference,
        temperature), unit of the results; one for all or one a layout.
    witnesses : Witnesses, optional
        What the bias rests on where cells are no independent witnesses of it:
        operators who made several cells each, sessions that operators share.

    Returns
    -------
    DataFrame
        One row a layout: ``n``, ``cells``, ``bias``, ``u_bias``, ``bias_df``,
        ``bias_low``, ``bias_high``, ``s_r``, ``s_r_low``, ``s_r_high``,
        ``s_cell``, ``s_cell2_raw``, ``s_I``, ``s_I_low``, ``s_I_high``,
        ``r_limit``, ``I_limit``: I for what cells add, which is R where cells are laboratories.
        NaN where the layout cannot say.

    Notes
    -----
    Variances follow ISO 5725-2:1994, 7.4.5. The variance of the bias rests on the
    scatter of the cell means, with as many degrees of freedom as cells less one:
    results of one cell are no independent witnesses of a bias. The interval is
    exact for cells of equal size; for unequal ones it is on the safe side, the more
    so the less the cells differ in their means. With one cell it rests on the
    scatter within, and then holds for that cell's conditions only. What all results
    share is added by `half_width`.

    The interval of s_R is the modified large-sample interval of Graybill and Wang
    on the mean square of cell means and the one within (Burdick and Graybill,
    Confidence Intervals on Variance Components, 1992, chapters 3 and 4). It is
    widened to hold the estimate where that was cut at zero.
    """
    alpha = 1.0 - confidence
    u_ref = np.broadcast_to(np.asarray(u_reference, dtype=float), found.mean.shape)
    variance, df = variance_of_mean(witnesses.layouts if witnesses else found)
    half = half_width(np.sqrt(variance), df, u_ref, confidence)
    if witnesses:
        # each source of scatter with its own factor, in squares
        shared = half_width(np.sqrt(witnesses.shared), witnesses.shared_df, 0.0, confidence)
        half = np.hypot(half, shared)
        df = np.where(witnesses.shared > 0, np.minimum(df, witnesses.shared_df), df)
        variance = variance + witnesses.shared
    u_bias = np.sqrt(variance + u_ref**2)
    var_r, var_R = found.var_within, found.var_total
    r_low, r_high = _chi2_interval(var_r, found.df_within, alpha)
    R_low, R_high = _total_interval(found, alpha)
    s_r, s_R = np.sqrt(var_r), np.sqrt(var_R)
    return pd.DataFrame(
        {
            "n": found.n,
            "cells": found.cells,
            "bias": found.mean,
            "u_bias": u_bias,
            "bias_df": np.where(np.isnan(variance), np.nan, df),
            "bias_low": found.mean - half,
            "bias_high": found.mean + half,
            "s_r": s_r,
            "s_r_low": np.sqrt(r_low),
            "s_r_high": np.sqrt(r_high),
            "s_cell": np.sqrt(np.maximum(found.var_between, 0.0)),
            "s_cell2_raw": found.var_between,
            "s_I": s_R,
            "s_I_low": np.minimum(np.sqrt(R_low), s_R),
            "s_I_high": np.maximum(np.sqrt(R_high), s_R),
            "r_limit": LIMIT_FACTOR * s_r,
            "I_limit": LIMIT_FACTOR * s_R,
        }
    )


def variance_of_mean(found: Layouts) -> tuple[Floats, Floats]:
    """Variance of the general mean and its degrees of freedom."""
    weight2 = _divide(found.sum_n2, found.n.astype(float) ** 2)
    several = weight2 * _divide(found.ss_cell_means, found.df_between)
    one = _divide(found.var_within, found.n)
    variance = np.where(found.cells > 1, several, one)
    df = np.where(found.cells > 1, found.df_between, found.df_within).astype(float)
    return variance, df


def half_width(
    s: npt.ArrayLike, df: npt.ArrayLike, u: npt.ArrayLike, confidence: float = 0.95
) -> Floats:
    """Half-width of the interval of a mean, sqrt((t s)^2 + (z u)^2): scatter and what all results
    share.

    `s` is the standard uncertainty from scatter with `df` degrees of freedom, `u` one known from
    elsewhere (NaN counts as 0). Each part keeps its own factor: effective degrees of freedom (Welch
    and Satterthwaite) make much of a small u that is well known, and cover 0.87 instead of 0.95
    with two cells.

    References
    ----------
    The parts are combined as in the modified large-sample method: Graybill and Wang,
    J Am Stat Assoc 75 (1980) 869-873. Coverage: docs/validation.md.

    Examples
    --------
    >>> half_width(1.0, 2, 0.0).round(3), half_width(0.0, 2, 1.0).round(3)
    (np.float64(4.303), np.float64(1.96))
    """
    level = (1 + confidence) / 2
    df = np.asarray(df, dtype=float)
    t = _t_quantile(level, np.atleast_1d(df)).reshape(df.shape)
    s = np.asarray(s, dtype=float)
    scatter = np.where(s == 0, 0.0, t * s)
    known = special.ndtri(level) * np.nan_to_num(np.asarray(u, dtype=float))
    return np.asarray(np.sqrt(scatter**2 + known**2), dtype=np.float64)


def _t_quantile(level: float, df: Floats) -> Floats:
    out = np.full(df.shape, np.nan)
    finite = np.isfinite(df) & (df > 0)
    out[finite] = special.stdtrit(df[finite], level)
    out[np.isposinf(df)] = special.ndtri(level)
    return out


def _chi2_interval(variance: Floats, df: Ints, alpha: float) -> tuple[Floats, Floats]:
    nu = np.where(df > 0, df, np.nan).astype(float)
    low = nu * variance / special.chdtri(nu, alpha / 2)
    high = nu * variance / special.chdtri(nu, 1 - alpha / 2)
    return low, high


def _total_interval(found: Layouts, alpha: float) -> tuple[Floats, Floats]:
    """Interval of the variance between plus within."""
    nu_b, nu_w = found.df_between, found.df_within
    ms_means = _divide(found.ss_cell_means, nu_b)
    within = (1 - 1 / found.harmonic_n) * np.where(nu_w > 0, found.var_within, 0.0)
    centre = ms_means + within

    def part(df: Ints, level: float) -> Floats:
        nu = np.where(df > 0, df, np.nan).astype(float)
        return np.asarray(np.nan_to_num(nu / special.chdtri(nu, level), nan=1.0), dtype=float)

    g_b, g_w = 1 - part(nu_b, alpha / 2), 1 - part(nu_w, alpha / 2)
    h_b, h_w = part(nu_b, 1 - alpha / 2) - 1, part(nu_w, 1 - alpha / 2) - 1
    low = centre - np.sqrt((g_b * ms_means) ** 2 + (g_w * within) ** 2)
    high = centre + np.sqrt((h_b * ms_means) ** 2 + (h_w * within) ** 2)
    return np.maximum(low, 0.0), high


@dataclass(frozen=True)
class Nested:
    """Analysis of variance of a fully nested layout.

    ``table`` has a row a level, outermost first, the residual last: ``source``, ``units`` (groups
    of that level), ``df``, ``ss``, ``ms``, ``F`` and ``p`` against the level below,
    ``variance_raw`` (may be negative), ``variance`` (cut at zero), ``sd``, ``share`` of the total.
    ``expected`` are the coefficients of the variances (columns) in the expected mean squares
    (rows); ``total`` sums the cut variances: of one result under wholly new conditions.
    """

    table: pd.DataFrame
    expected: Floats
    total: float
    sd_total: float
    sd_total_low: float
    sd_total_high: float
    mean: float


def nested_anova(
    data: pd.DataFrame, value: str, levels: Sequence[str], *, confidence: float = 0.95
) -> Nested:
    """Variance components of a fully nested layout by expected mean squares.

    `levels` are factor columns, outermost first; each is nested in those before it, so the same
    label under two parents means two groups. What is left is the residual. A level that cannot be
    distinguished from the one below (as many groups as groups within them) has no degrees of
    freedom there, and empty figures. InputError if there is no result, or a column is missing.

    Sums of squares are sequential; the coefficients of the expected mean squares follow from the
    group sizes, so unequal groups are allowed. F divides by the mean square of the level below,
    which for unequal groups is an approximation. The interval of the total is the modified
    large-sample interval of the linear combination of mean squares that estimates it, taken before
    anything is cut at zero, and widened to hold the estimate. With few outer groups it is wide, as
    it must be.

    ISO 5725-3:1994, clause 8 and Annex B; Searle, Casella and McCulloch, Variance Components, 1992,
    chapter 5 and Appendix F; Burdick and Graybill, Confidence Intervals on Variance Components,
    1992, chapter 5.
    """
    missing = [c for c in (value, *levels) if c not in data]
    if missing:
        raise InputError(f'there is no column "{missing[0]}"')
    frame = data.dropna(subset=[value])
    if not len(frame):
        raise InputError("there are no results")
    y = frame[value].to_numpy(dtype=float)
    y = y - y[0]
    # codes of the groups of every level; level 0 is everything, the last is every result
    codes = [np.zeros(len(y), dtype=np.int64), *nested_codes(frame, levels)]
    codes.append(np.arange(len(y)))
    sizes = [np.bincount(c).astype(float) for c in codes]
    sums = [np.bincount(c, weights=y) for c in codes]
    fitted = [(s / n)[c] for s, n, c in zip(sums, sizes, codes, strict=True)]
    k = len(codes) - 1
    df = np.array([len(sizes[i + 1]) - len(sizes[i]) for i in range(k)])
    ss = np.array([float(((fitted[i + 1] - fitted[i]) ** 2).sum()) for i in range(k)])
    # share[i, j]: sum over groups of level i of (sum of squared sizes of level j in it) / size
    share = np.zeros((k + 1, k + 1))
    for i in range(k + 1):
        for j in range(i, k + 1):
            parent = np.zeros(len(sizes[j]), dtype=np.int64)
            parent[codes[j]] = codes[i]
            inner = np.bincount(parent, weights=sizes[j] ** 2, minlength=len(sizes[i]))
            share[i, j] = (inner / sizes[i]).sum()
    # a component above both levels of a difference falls out
    for i in range(k + 1):
        share[i, :i] = len(y)
    raw_expected = share[1:, 1:] - share[:-1, 1:]
    known = df > 0
    expected = np.full((k, k), np.nan)
    expected[known] = raw_expected[known] / df[known, None]
    ms = np.divide(ss, df, out=np.full(k, np.nan), where=known)
    variance = np.full(k, np.nan)
    keep = np.flatnonzero(known)
    if keep.size:
        solved = np.linalg.solve(expected[np.ix_(keep, keep)], ms[keep])
        variance[keep] = solved
    cut = np.maximum(variance, 0.0)
    total = float(np.nansum(cut))
    table = pd.DataFrame(
        {
            "source": [*levels, "residual"],
            "units": [len(s) for s in sizes[1:]],
            "df": df,
            "ss": ss,
            "ms": ms,
            "variance_raw": variance,
            "variance": cut,
            "sd": np.sqrt(cut),
            "share": cut / total if total > 0 else np.nan,
        }
    )
    below = np.append(ms[1:], np.nan)
    table.insert(5, "F", np.divide(ms, below, out=np.full(k, np.nan), where=below > 0))
    df_below = np.append(df[1:], 0)
    p = special.fdtrc(np.maximum(df, 1), np.maximum(df_below, 1), np.nan_to_num(table["F"]))
    table.insert(6, "p", np.where(table["F"].notna(), p, np.nan))
    low, high = _interval_of_total(expected, ms, df, keep, total, 1 - confidence)
    return Nested(
        table=table,
        expected=expected,
        total=total,
        sd_total=float(np.sqrt(total)),
        sd_total_low=low,
        sd_total_high=high,
        mean=float(frame[value].to_numpy(dtype=float)[0] + y.mean()),
    )


def nested_codes(frame: pd.DataFrame, levels: Sequence[str]) -> list[npt.NDArray[np.int64]]:
    """Group of each row at each level; the same label under two parents means two groups."""
    out, parent = [], np.zeros(len(frame), np.int64)
    for level in levels:
        label, labels = pd.factorize(frame[level], use_na_sentinel=False)
        parent = np.unique(parent * len(labels) + label, return_inverse=True)[1].astype(np.int64)
        out.append(parent)
    return out


def _interval_of_total(
    expected: Floats,
    ms: Floats,
    df: npt.NDArray[np.int64],
    keep: npt.NDArray[np.int64],
    total: float,
    alpha: float,
) -> tuple[float, float]:
    if not keep.size or total <= 0:
        return float(np.sqrt(total)), float(np.sqrt(total))
    # the sum of all components as a combination of mean squares
    weights = np.linalg.solve(expected[np.ix_(keep, keep)].T, np.ones(keep.size))
    parts = weights * ms[keep]
    combined = float(parts.sum())
    if combined <= 0:
        return 0.0, float("nan")
    nu = df[keep].astype(float)
    below = 1 - nu / special.chdtri(nu, alpha / 2)
    above = nu / special.chdtri(nu, 1 - alpha / 2) - 1
    # a mean square that is taken off pulls the other way
    down, up = np.where(parts > 0, (below, above), (above, below))
    low = max(0.0, combined - math.sqrt(float(((down * parts) ** 2).sum())))
    high = combined + math.sqrt(float(((up * parts) ** 2).sum()))
    return min(math.sqrt(low), math.sqrt(total)), max(math.sqrt(high), math.sqrt(total))
