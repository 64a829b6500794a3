"""Compare the deviations of one model with a limit: each pair, and all pairs of a scan together.

The numeric core of the verdict: arrays in, arrays out, no tables. What a study would
conclude can be simulated by calling `judge` on simulated deviations.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache, lru_cache

import numpy as np
import numpy.typing as npt
from scipy import special

from accstudy.accuracy.bounds import (
    Grouping,
    Kind,
    lower_bounds,
    normal_bounds,
    patterns,
    upper_ranks,
)

Floats = npt.NDArray[np.float64]

VERIFIED = "conformity verified"
NOT_VERIFIED = "conformity not verified"
REFUTED = "nonconformity verified"

EACH_PAIR, ALL_PAIRS = "each pair", "all pairs"

TEST_LEVEL = 0.05
"""Of the tests for normality and for levels left out of the cells."""

_SMALLEST = 1e-3
_FEW = 4


@dataclass(frozen=True)
class Rule:
    """What is asked of a bound.

    Parameters
    ----------
    coverage : float, optional
        Share of future scans.
    confidence : float, optional
        Of bound and guard, one-sided.
    these_operators : bool, optional
        Where operators return: judge these operators only, in sessions to come.
    log2_draws : int, optional
        Draws behind the normal-theory bound, as a power of two; 10 are enough where
        thousands of studies are simulated.
    lower : bool, optional
        Whether lower bounds are worked out where nothing can be refuted, that is, where
        every deviation seen is within the limit.
    """

    coverage: float = 0.95
    confidence: float = 0.95
    these_operators: bool = False
    log2_draws: int = 12
    lower: bool = True


@dataclass(frozen=True)
class Bounds:
    """Bounds of the absolute deviation of a single future scan, a column each, (m,).

    `bound` is never below the `largest` seen unless the distribution-free bound holds; NaN for
    fewer than two scans. More than 1 - coverage of scans exceed `bound_low`; NaN where none can be
    told. `estimate` is the quantile without any confidence; `distribution_free` says whether the
    independent scans suffice for a bound without a distribution.
    """

    bound: Floats
    bound_low: Floats
    estimate: Floats
    largest: Floats
    distribution_free: bool


@dataclass(frozen=True)
class Judgement:
    """Verdict on a limit for each of m pairs separately and for all pairs of a scan together.

    ``guard`` is what the shared uncertainty adds to a bound, ``guard_low`` what it takes from a
    lower bound of one pair of many; NaN where it is not stated.
    ``p_normal`` is pooled over the pairs (NaN for too few scans); ``contradicted`` if normality is
    needed, and rejected.
    """

    pairs: Bounds
    together: Bounds
    guard: Floats
    guard_low: Floats
    each: str
    all: str
    p_normal: float
    contradicted: bool


def guard(u: npt.ArrayLike, confidence: float) -> Floats:
    """Guard band for the uncertainty common to all scans.

    Parameters
    ----------
    u : array_like
        Standard uncertainty, unit of the limit.
    confidence : float
        One-sided.

    Returns
    -------
    ndarray

    References
    ----------
    ISO 14253-1:2017: conformity is verified within the limits drawn in by the
    uncertainty, one-sided because only one limit is near.

    Examples
    --------
    >>> guard(2.0, 0.95).round(2)
    np.float64(3.29)
    """
    return np.asarray(u, dtype=float) * special.ndtri(confidence)


def verdict(
    bound: float, bound_low: float, limit: float, guard: float = 0.0, guard_low: float | None = None
) -> str:
    """Judge a limit by its bounds.

    Parameters
    ----------
    bound : float
        Upper bound; NaN where there is none.
    bound_low : float
        Lower confidence bound of the quantile that `bound` bounds from above.
    limit : float
        The limit.
    guard, guard_low : float, optional
        For the shared uncertainty, above and below; the same by default. NaN: not
        stated, and then nothing is.

    Returns
    -------
    str
        One of three statements; empty where there can be none.

    References
    ----------
    ISO 14253-1:2017, decision rules for verifying conformity or nonconformity.

    Examples
    --------
    >>> verdict(80.0, 40.0, 100.0, 5.0)
    'conformity verified'
    >>> verdict(120.0, 60.0, 100.0, 5.0)
    'conformity not verified'
    >>> verdict(250.0, 130.0, 100.0, 5.0)
    'nonconformity verified'
    """
    low = guard if guard_low is None else guard_low
    if np.isnan(guard) or np.isnan(low):
        return ""
    if bound + guard <= limit:
        return VERIFIED
    return REFUTED if bound_low - low > limit else NOT_VERIFIED


def worst_of_scan(values: Floats) -> Floats:
    """Largest absolute deviation of every scan, shape (n, 1); NaN where none was seen."""
    sizes = np.abs(values)
    worst = np.max(np.nan_to_num(sizes, nan=-1.0), axis=1, keepdims=True)
    return np.where(worst < 0, np.nan, worst)


def independent_scans(grouping: Grouping, *, these_operators: bool = False) -> int:
    """Number of independent scans.

    All where there is one cell (then they speak for it alone); else the cells, and
    where operators return and others are judged, the operators.
    """
    n, cells = len(grouping.cell), len(np.unique(grouping.cell))
    if cells == 1:
        return n
    if grouping.operator is None or these_operators:
        return cells
    return len(np.unique(grouping.operator))


def _groups(grouping: Grouping, rule: Rule) -> npt.NDArray[np.int64]:
    """Independent groups of scans."""
    if len(np.unique(grouping.cell)) == 1:
        return np.arange(len(grouping.cell))
    if grouping.operator is None or rule.these_operators:
        return grouping.cell
    return grouping.operator


def _bounds(
    sizes: Floats, normal: Floats, estimate: Floats, grouping: Grouping, rule: Rule, shared: int
) -> Bounds:
    independent = independent_scans(grouping, these_operators=rule.these_operators)
    ranked, free = upper_ranks(
        sizes, independent, coverage=rule.coverage, confidence=rule.confidence
    )
    low = np.full(sizes.shape[1], np.nan)
    if rule.lower:
        level = (1 - rule.confidence) / shared
        groups = _groups(grouping, rule)
        low = lower_bounds(sizes, groups, coverage=rule.coverage, level=level)
    seen = np.isfinite(sizes)
    largest = np.where(seen.any(axis=0), np.max(np.nan_to_num(sizes, nan=0.0), axis=0), np.nan)
    return Bounds(np.maximum(normal, ranked), low, estimate, largest, free)


def _normal(
    values: Floats, grouping: Grouping, rule: Rule, *, kind: Kind = "absolute"
) -> tuple[Floats, Floats]:
    return normal_bounds(
        values,
        grouping,
        coverage=rule.coverage,
        confidence=rule.confidence,
        kind=kind,
        these_operators=rule.these_operators,
        log2_draws=rule.log2_draws,
    )


def single_bounds(values: Floats, grouping: Grouping, rule: Rule | None = None) -> Bounds:
    """Bounds of every column of signed deviations, (n, m), separately.

    The upper bound is the larger of the normal-theory bound (`normal_bounds`) and of the order
    statistic that needs no distribution; with too few independent scans for that, of the largest
    seen. The lower bound rests on counts alone, and shares the confidence among the columns
    (Bonferroni).
    """
    rule = rule or Rule()
    normal, estimate = _normal(values, grouping, rule)
    return _bounds(np.abs(values), normal, estimate, grouping, rule, values.shape[1])


def worst_bounds(values: Floats, grouping: Grouping, rule: Rule | None = None) -> Bounds:
    """Bounds of the largest absolute value of a scan, (n, m), as `worst_of_scan` gives it.

    The largest of several absolute values is no normal variable. Its logarithm comes near one from
    the side of its long lower tail, so that upper bounds of the logarithm are on the safe side, and
    lower ones are not: those rest on counts alone.
    """
    rule = rule or Rule()
    positive = values[values > 0]
    floor = max(_SMALLEST, float(positive.min()) / 2) if positive.size else _SMALLEST
    logs, estimate = _normal(np.log(np.maximum(values, floor)), grouping, rule, kind="upper")
    return _bounds(values, np.exp(logs), np.exp(estimate), grouping, rule, 1)


def few_cells(grouping: Grouping, rule: Rule) -> bool:
    """Whether there are too few cells, or operators, for bounds on the logarithmic scale."""
    cells = len(np.unique(grouping.cell))
    if cells == 1:
        return False
    operators = 1 if grouping.operator is None else len(np.unique(grouping.operator))
    if grouping.operator is None or rule.these_operators:
        return cells - operators < _FEW
    return operators - 1 < _FEW


def shared_bounds(values: Floats, grouping: Grouping, rule: Rule) -> Floats:
    """Simultaneous normal-theory bounds for all pairs of a scan.

    The share of scans beyond is shared among the pairs (Bonferroni): each may exceed
    its bound in (1 - coverage) / m of future scans, so any of them in 1 - coverage.
    """
    asked = replace(rule, coverage=1 - (1 - rule.coverage) / values.shape[1])
    return _normal(values, grouping, asked)[0]


def _together(values: Floats, worst: Floats, grouping: Grouping, rule: Rule) -> Bounds:
    """Bounds of the largest of a scan; from few cells by the pairs' own normal theory."""
    found = worst_bounds(worst, grouping, rule)
    if not few_cells(grouping, rule):
        return found
    normal = np.max(shared_bounds(values, grouping, rule), keepdims=True)
    return replace(found, bound=np.maximum(normal, found.largest))


def judge(
    values: Floats,
    grouping: Grouping,
    *,
    limit: float,
    u: npt.ArrayLike = 0.0,
    rule: Rule | None = None,
    p_normal: float | None = None,
    doubted: bool = False,
) -> Judgement:
    """Judge a limit of the absolute deviation on the m pairs of a model.

    `values`, (n, m), are signed deviations, NaN where one was not seen; `u` is the standard
    uncertainty that all scans share, a pair each, NaN where not stated; `p_normal` that of the test
    of normality, where it was made on more than these scans. Where something else speaks against
    the assumptions (`doubted`), nothing is verified to conform.

    Each pair by itself conforms where every pair does, which needs no correction for their number
    (intersection-union test); it does not where one pair does not, for which level and guard are
    shared among them (Bonferroni). All pairs together conform only where each pair does, and their
    bound is at least that of a pair. They do not where the counts of scans with a pair beyond say
    so, or where a pair by itself does not. Nothing conforms where more than 1 - coverage of the
    scans lay beyond the limit, or where normality is needed and rejected at 5 %.
    """
    rule = rule or Rule()
    m = values.shape[1]
    worst = worst_of_scan(values)
    if not rule.lower and np.nanmax(worst, initial=0.0) > limit:
        rule = replace(rule, lower=True)
    shared = np.broadcast_to(np.asarray(u, dtype=float), (m,))
    g = guard(shared, rule.confidence)
    g_low = guard(shared, 1 - (1 - rule.confidence) / m)
    p = combined_p(normality_p(values, grouping)) if p_normal is None else p_normal
    pairs = single_bounds(values, grouping, rule)
    together = pairs if m == 1 else _together(values, worst, grouping, rule)
    if m > 1:
        # never better than a pair
        together = replace(
            together,
            bound=np.maximum(together.bound, np.max(pairs.bound)),
            estimate=np.maximum(together.estimate, np.nanmax(pairs.estimate, initial=0.0)),
        )
    contradicted = not together.distribution_free and p < TEST_LEVEL
    barred = contradicted or doubted

    def said(b: Bounds, sizes: Floats, w: Floats, w_low: Floats) -> npt.NDArray[np.object_]:
        seen = np.isfinite(sizes).sum(axis=0)
        beyond = np.nan_to_num(sizes, nan=0.0) > limit
        share = beyond.sum(axis=0) / np.maximum(1, seen)
        rows = zip(b.bound, b.bound_low, w, w_low, strict=True)
        words = [verdict(high, low, limit, g, g_low) for high, low, g, g_low in rows]
        return np.array(
            [
                NOT_VERIFIED if word == VERIFIED and (barred or s > 1 - rule.coverage) else word
                for word, s in zip(words, share, strict=True)
            ],
            dtype=object,
        )

    each = _of_all(said(pairs, np.abs(values), g, g_low))
    if m == 1:
        whole = each
    else:
        most, most_low = np.max(g, keepdims=True), np.max(g_low, keepdims=True)
        whole = str(said(together, worst, most, most_low)[0])
        rank = ["", VERIFIED, NOT_VERIFIED, REFUTED]
        if whole and each:
            whole = rank[max(rank.index(whole), rank.index(each))]
    return Judgement(pairs, together, g, g_low, each, whole, p, contradicted)


def _of_all(verdicts: npt.NDArray[np.object_]) -> str:
    """Verdict on all of several together, each by itself."""
    found = set(verdicts)
    if "" in found:
        return ""
    if REFUTED in found:
        return REFUTED
    return VERIFIED if found == {VERIFIED} else NOT_VERIFIED


# Two extremes have no closed form. Take x_k out of k normal values: with S^2 the sum of
# squares, its distance from the mean of the others is S sin(a) up to a factor, and a has the
# density of one coordinate of a random direction in k - 1 dimensions, independent of what the
# others look like among themselves. x_k is the largest if the largest of the others has
# sin(b) <= sqrt(k / (k - 2)) tan(a). So the distribution of the largest follows from that of
# one value less, and the ratio of the sums of squares without and with both is
# (cos(a) cos(b))^2.


TEST = "Shapiro-Wilk"
_LEAST = 4
_DRAWS = 2000
_ALIKE = 0.99


@cache
def _weights(n: int) -> Floats:
    m = special.ndtri((np.arange(1, n + 1) - 0.375) / (n + 0.25))
    square = float(m @ m)
    c, u = m / np.sqrt(square), 1 / np.sqrt(n)
    a = np.zeros(n)
    last = np.polyval([-2.706056, 4.434685, -2.071190, -0.147981, 0.221157, c[-1]], u)
    if n > 5:
        next_ = np.polyval([-3.582633, 5.682633, -1.752461, -0.293762, 0.042981, c[-2]], u)
        left = (square - 2 * m[-1] ** 2 - 2 * m[-2] ** 2) / (1 - 2 * last**2 - 2 * next_**2)
        a[2:-2] = m[2:-2] / np.sqrt(left)
        a[-2], a[1] = next_, -next_
    else:
        left = (square - 2 * m[-1] ** 2) / (1 - 2 * last**2)
        a[1:-1] = m[1:-1] / np.sqrt(left)
    a[-1], a[0] = last, -last
    return a


def shapiro_wilk_z(values: Floats) -> Floats:
    """Statistic of Shapiro and Wilk as a standard normal score, a column a sample of four or more.

    Large: not normal; -inf for a column of equal values. Shapiro and Wilk, Biometrika 52 (1965)
    591-611, by the approximations of Royston, Appl Stat 44 (1995) 547-551 (algorithm AS R94).
    """
    n = len(values)
    x = np.sort(values, axis=0)
    squares = ((x - x.mean(axis=0)) ** 2).sum(axis=0)
    flat = squares <= 1e-20 * np.maximum(1e-300, (x**2).sum(axis=0))
    with np.errstate(divide="ignore", invalid="ignore"):
        missing = np.maximum(1e-15, 1 - (_weights(n) @ x) ** 2 / squares)
    log = np.log(n)
    if n > 11:
        mean = np.polyval([0.0038915, -0.083751, -0.31082, -1.5861], log)
        sd = np.exp(np.polyval([0.0030302, -0.082676, -0.4803], log))
        score = np.log(missing)
    else:
        gamma = -2.273 + 0.459 * n
        mean = np.polyval([-0.0006714, 0.025054, -0.39978, 0.5440], n)
        sd = np.exp(np.polyval([-0.0020322, 0.062767, -0.77857, 1.3822], n))
        room = np.maximum(1e-15, gamma - np.log(missing))
        score = -np.log(room)
    return np.where(flat, -np.inf, (score - mean) / sd)


def _residuals(values: Floats, cell: npt.NDArray[np.int64]) -> Floats:
    """Residuals of cells of two scans or more, brought to one variance."""
    size = np.bincount(cell)
    member = np.zeros((len(size), len(cell)))
    member[cell, np.arange(len(cell))] = 1.0
    mean = (member @ values) / size[:, None]
    kept = size[cell] > 1
    scale = np.sqrt(size[cell] / np.maximum(1, size[cell] - 1))
    return np.asarray(((values - mean[cell]) * scale[:, None])[kept])


@lru_cache(maxsize=256)
def _null(sizes: tuple[int, ...]) -> Floats:
    """Scores of residuals of normal scans in such cells, ordered."""
    cell = np.repeat(np.arange(len(sizes)), sizes)
    drawn = np.random.default_rng(19_650_601).normal(size=(len(cell), _DRAWS))
    return np.sort(shapiro_wilk_z(_residuals(drawn, cell)))


def normality_p(values: Floats, grouping: Grouping) -> Floats:
    """P value of Shapiro and Wilk's test on the residuals within cells, a column each, (m,).

    Of signed deviations, (n, m); NaN for fewer than four residuals. Where every cell holds one
    scan, the scans themselves are tested. Residuals of small cells are alike even where scans are
    not; so with several cells the level of the test is that of 2000 simulated studies of normal
    scans in cells of these sizes, which never change.
    """
    out = np.full(values.shape[1], np.nan)
    for rows, columns in patterns(values):
        cell = grouping.only(rows).cell if rows.any() else np.zeros(0, dtype=np.int64)
        own = values[np.ix_(rows, columns)]
        if len(cell) < _LEAST:
            continue
        size = np.bincount(cell)
        if size.max() == 1:
            cell, size = np.zeros_like(cell), np.array([len(cell)])
        residuals = _residuals(own, cell)
        if len(residuals) < _LEAST:
            continue
        score = shapiro_wilk_z(residuals)
        if len(size) == 1:
            out[columns] = special.ndtr(-score)
        else:
            null = _null(tuple(sorted(int(s) for s in size)))
            above = len(null) - np.searchsorted(null, score, side="left")
            out[columns] = (above + 1) / (len(null) + 1)
    return out


def combined_p(p: npt.ArrayLike) -> float:
    """One p value from several, however they depend on each other.

    Parameters
    ----------
    p : array_like
        p values; NaN are left out.

    Returns
    -------
    float
        NaN without any. p values above 0.99 count as 0.99, so that a single one cannot
        outweigh all others.

    References
    ----------
    Liu and Xie, J Am Stat Assoc 115 (2020) 393-402: Cauchy combination test.

    Examples
    --------
    >>> round(combined_p([0.03, 0.03]), 3), round(combined_p([0.001, 0.9]), 4)
    (0.03, 0.002)
    """
    known = np.asarray(p, dtype=float)
    known = np.clip(known[np.isfinite(known)], 1e-15, _ALIKE)
    if not known.size:
        return float("nan")
    return float(0.5 - np.arctan(np.tan((0.5 - known) * np.pi).mean()) / np.pi)
