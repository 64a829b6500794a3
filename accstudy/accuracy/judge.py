"""Compare the deviations of one model with a limit: each pair, and all pairs of a scan together.

The numeric core of the verdict: arrays in, arrays out, no tables. What a study would
conclude can be simulated by calling `judge` on simulated deviations.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy import special

from accstudy.accuracy.bounds import Grouping, Kind, normal_bounds
from accstudy.accuracy.critical import combined_p, normality_p
from accstudy.accuracy.ranks import lower_bounds, upper_ranks

__all__ = [
    "ALL_PAIRS",
    "EACH_PAIR",
    "NOT_VERIFIED",
    "REFUTED",
    "TEST_LEVEL",
    "VERIFIED",
    "Bounds",
    "Judgement",
    "Rule",
    "few_cells",
    "guard",
    "independent_scans",
    "judge",
    "shared_bounds",
    "single_bounds",
    "verdict",
    "worst_bounds",
    "worst_of_scan",
]

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

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
    """Bounds of the absolute deviation of a single future scan, a column each.

    Parameters
    ----------
    bound : ndarray, shape (m,)
        Upper bound, never below the largest seen unless the distribution-free bound
        holds; NaN for fewer than two scans.
    bound_low : ndarray, shape (m,)
        Value that more than 1 - coverage of scans exceed; NaN where none can be told.
    estimate : ndarray, shape (m,)
        The quantile without any confidence.
    largest : ndarray, shape (m,)
        Largest seen.
    distribution_free : bool
        Whether the independent scans suffice for a bound without a distribution.
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
    lower bound of one pair of many; NaN where it is not stated, and ``pair_verdicts`` empty.
    ``p_normal`` is pooled over the pairs (NaN for too few scans); ``contradicted`` if normality is
    needed, and rejected.
    """

    pairs: Bounds
    together: Bounds
    guard: Floats
    guard_low: Floats
    pair_verdicts: npt.NDArray[np.object_]
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
    """Bounds of every column separately.

    Parameters
    ----------
    values : ndarray, shape (n, m)
        Signed deviations, a scan a row; NaN where one was not seen.
    grouping : Grouping
        Of the scans.
    rule : Rule, optional
        What is asked.

    Returns
    -------
    Bounds
        `bound_low` shares the confidence among the columns (Bonferroni).

    Notes
    -----
    The upper bound is the larger of the normal-theory bound (`normal_bounds`) and of
    the order statistic that needs no distribution; with too few independent scans for
    that, of the largest seen. The lower bound rests on counts alone.
    """
    rule = rule or Rule()
    normal, estimate = _normal(values, grouping, rule)
    return _bounds(np.abs(values), normal, estimate, grouping, rule, values.shape[1])


def worst_bounds(values: Floats, grouping: Grouping, rule: Rule | None = None) -> Bounds:
    """Bounds of the largest absolute value of a scan.

    Parameters
    ----------
    values : ndarray, shape (n, m)
        Values of zero or more, such as `worst_of_scan` gives; a column each.
    grouping : Grouping
        Of the scans.
    rule : Rule, optional
        What is asked.

    Notes
    -----
    The largest of several absolute values is no normal variable. Its logarithm comes
    near one from the side of its long lower tail, so that upper bounds of the logarithm
    are on the safe side, and lower ones are not: those rest on counts alone.
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
    """Judge a limit on the pairs of a model.

    Parameters
    ----------
    values : ndarray, shape (n, m)
        Signed deviations of m pairs in n scans; NaN where one was not seen.
    grouping : Grouping
        Of the scans.
    limit : float
        Of the absolute deviation, unit of the values.
    u : array_like, optional
        Standard uncertainty that all scans share, a pair each; NaN: not stated.
    rule : Rule, optional
        What is asked.
    p_normal : float, optional
        Of the test of normality, where it was made on more than these scans.
    doubted : bool, optional
        Whether something else speaks against the assumptions: then nothing is
        verified to conform.

    Notes
    -----
    Each pair by itself conforms where every pair does, which needs no correction for
    their number (intersection-union test); it does not where one pair does not, for
    which level and guard are shared among them (Bonferroni). All pairs together
    conform only where each pair does, and their bound is at least that of a pair.
    They do not where the counts of scans with a pair beyond say so, or where a pair by
    itself does not. Nothing conforms where more than 1 - coverage of the scans lay
    beyond the limit, or where normality is needed and rejected at 5 %.
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

    by_pair = said(pairs, np.abs(values), g, g_low)
    each = _of_all(by_pair)
    if m == 1:
        whole = each
    else:
        most, most_low = np.max(g, keepdims=True), np.max(g_low, keepdims=True)
        whole = str(said(together, worst, most, most_low)[0])
        rank = ["", VERIFIED, NOT_VERIFIED, REFUTED]
        if whole and each:
            whole = rank[max(rank.index(whole), rank.index(each))]
    return Judgement(pairs, together, g, g_low, by_pair, each, whole, p, contradicted)


def _of_all(verdicts: npt.NDArray[np.object_]) -> str:
    """Verdict on all of several together, each by itself."""
    found = set(verdicts)
    if "" in found:
        return ""
    if REFUTED in found:
        return REFUTED
    return VERIFIED if found == {VERIFIED} else NOT_VERIFIED
