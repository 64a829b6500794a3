"""How many scans and cells: the verdicts of studies of a given size, by simulation."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special

from accstudy.accuracy.anova import Layouts, one_way_table
from accstudy.accuracy.bounds import Grouping, nonparametric_n
from accstudy.accuracy.judge import (
    ALL_PAIRS,
    EACH_PAIR,
    TEST_LEVEL,
    Rule,
    combined_p,
    few_cells,
    guard,
    independent_scans,
    normality_p,
    single_bounds,
    worst_bounds,
)
from accstudy.errors import InputError
from accstudy.plan.components import Components, Design, Kind, draw_studies
from accstudy.tables import shape
from accstudy.words.catalogue import say


def planned_layouts(
    cells: npt.ArrayLike,
    per_cell: npt.ArrayLike,
    *,
    bias: npt.ArrayLike = 0.0,
    var_within: npt.ArrayLike,
    var_between: npt.ArrayLike = 0.0,
) -> Layouts:
    """Layouts of equal cells that show exactly the bias and variances assumed.

    `cells` and `per_cell` at least 1; a mean cell size may be a fraction. Without single cells:
    sums only. Whatever is worked out from it is what a study of that size is to be expected to
    show, about half of the time better.
    """
    p, m, mean, w, b = (
        np.atleast_1d(a)
        for a in np.broadcast_arrays(
            np.asarray(cells, dtype=np.int64),
            np.asarray(per_cell, dtype=float),
            np.asarray(bias, dtype=float),
            np.asarray(var_within, dtype=float),
            np.asarray(var_between, dtype=float),
        )
    )
    if (p < 1).any() or (m < 1).any() or (w < 0).any() or (b < 0).any():
        raise InputError("a plan needs cells and scans, and variances of zero or more")
    n = np.maximum(p, np.rint(p * m)).astype(np.int64)
    of_means = b + w / m
    none = np.zeros(0)
    return Layouts(
        n=n,
        cells=p,
        mean=mean.astype(float),
        mean_of_cells=mean.astype(float),
        ss_within=w * (n - p),
        ss_between=(p - 1) * m * of_means,
        ss_cell_means=(p - 1) * of_means,
        sum_n2=n.astype(float) ** 2 / p,
        harmonic_n=m.astype(float),
        cell_layout=none.astype(np.int64),
        cell_label=none.astype(np.int64),
        cell_n=none.astype(np.int64),
        cell_mean=none,
        cell_ss=none,
    )


Floats = npt.NDArray[np.float64]

ASSURANCE = 0.8
"""Probability of the verdict that a named size aims at."""

_STUDIES = 100
_OWN_SCATTER = 1.5
"""Variance of z over that of its bootstrap: taking a bias off adds scatter of its own."""
_MOST_CELLS = 60
_MOST_SCANS = 300


@dataclass(frozen=True, slots=True)
class Cost:
    """Time at the bench.

    Parameters
    ----------
    minutes_per_scan : float
        Scanning, saving, reseating the bodies.
    minutes_per_session : float, optional
        Setting up, warming up, calibrating; once a cell.
    """

    minutes_per_scan: float
    minutes_per_session: float = 0.0

    def minutes(self, scans: int, cells: int) -> float:
        """Minutes for a number of scans in a number of cells."""
        return scans * self.minutes_per_scan + cells * self.minutes_per_session


@dataclass(frozen=True, slots=True)
class Assurance:
    """Probability that a study of a size verifies conformity.

    ``value`` for the device as the pilot shows it, the pilot's own error taken off on average;
    ``low`` and ``high`` from what the pilot leaves open; ``expected`` averaged over it. Sizes are
    named by the last: a size chosen because `value` is high is chosen by luck as often as by merit.
    """

    value: float
    low: float
    high: float
    expected: float


def assurance(
    found: Components,
    design: Design,
    asked: Asked,
    *,
    studies: int = _STUDIES,
    confidence: float = 0.95,
    seed: int = 1,
) -> dict[str, Assurance]:
    """Probability that a study will verify a limit, by simulating its verdict.

    Parameters
    ----------
    found : Components
        What a pilot tells, or what is assumed.
    design : Design
        Size of the study.
    asked : Asked
        Limit, uncertainty of the reference, rule.
    studies : int, optional
        Pairs of simulated studies with the truth as estimated, and as many with other truths.
    confidence : float, optional
        Of the interval, two-sided.
    seed : int, optional
        Of the draws; the same in every run.

    Returns
    -------
    dict
        ``each pair`` and ``all pairs``.

    Notes
    -----
    Simulated studies are judged as the study will be (`judge_many`), once with the truth as
    estimated and once with truths from the sampling distribution of the estimates
    (parametric bootstrap, the same draws otherwise). The logarithm of limit over bound is
    close to normal: its mean over its standard deviation, z, gives the probability that it
    is above zero with far fewer studies than counting would need. What the bootstrap adds to
    mean and standard deviation is taken off as the bias of the estimates (components that
    are cut at zero, pairs whose dependence is seen in few scans only).

    The pilot's own error makes z scatter, with a variance v that the bootstrap tells, and
    the probability read from z falls towards one half by that: a true 0.80 reads 0.70 on
    average. This is taken off twice, as an iterated bootstrap would:
    3 F(z) - 3 F(z / sqrt(1 + v)) + F(z / sqrt(1 + 2 v)). Studies whose verdict normality
    forbids are counted out.

    References
    ----------
    Efron and Tibshirani, An Introduction to the Bootstrap, 1993, chapter 10 (bias). Hall,
    The Bootstrap and Edgeworth Expansion, 1992, section 1.4 (iteration). O'Hagan, Stevens,
    Campbell, Pharm Stat 4 (2005) 187-201 (assurance as expected power).
    """
    same = asked.rule.these_operators
    seeds = (seed,)
    kinds: tuple[Kind, Kind] = ("estimate", "resampled")
    one, two = (
        judge_many(
            draw_studies(
                found, design, kind=kind, studies=studies, repeats=2, seed=seeds,
                same_operators=same,
            ),
            found, design, asked,
        )
        for kind in kinds
    )  # fmt: skip
    free = 1 - float(one.barred.mean())
    return {
        EACH_PAIR: _promise(one.each, two.each, free, confidence),
        ALL_PAIRS: _promise(one.together, two.together, free, confidence),
    }


def _promise(margin: Floats, other: Floats, free: float, confidence: float) -> Assurance:
    """From margins with the truth as estimated, and with other truths, two studies each."""
    least = 1e-6
    plain = max(least, float(margin.std(ddof=1)))
    twins = np.cov(other.reshape(-1, 2).T)
    between = max(0.0, float(twins[0, 1]))
    within = max(least, float(np.trace(twins)) / 2 - between)
    centre = 2 * float(margin.mean()) - float(other.mean())
    z = centre / max(plain**2 / np.sqrt(within), plain / 2)
    v = _OWN_SCATTER * between / within
    parts = [float(special.ndtr(z / np.sqrt(1 + k * v))) for k in range(3)]
    value = free * float(np.clip(3 * parts[0] - 3 * parts[1] + parts[2], 0.0, 1.0))
    half = special.ndtri(0.5 + confidence / 2) * np.sqrt(v + (1 + z**2 / 2) / len(margin))
    low, high = (free * float(special.ndtr(z + sign * half)) for sign in (-1, 1))
    return Assurance(value, min(value, low), max(value, high), free * parts[1])


def wanted(
    found: Components, asked: Asked, scopes: Sequence[str]
) -> dict[str, tuple[Design | None, float]]:
    """Smallest study expected to verify a limit.

    Parameters
    ----------
    found : Components
        What a study tells.
    asked : Asked
        The question.
    scopes : sequence of str
        Each pair by itself, all pairs together, or both.

    Returns
    -------
    dict
        Of each scope the design and its assurance, averaged over what the study leaves
        open. The design is larger than that of `found`: more operators where operators
        return and others are judged, else more cells, in a study of one cell more scans. It
        is None where not even 60 cells or 300 scans would do; then the probability is that
        of the largest size tried.
    """
    sizes = _growing(found, asked)
    known: dict[int, dict[str, Assurance]] = {}

    def expected(k: int, scope: str) -> float:
        if k not in known:
            known[k] = assurance(found, sizes[k], asked)
        return known[k][scope].expected

    return {scope: _smallest(sizes, expected, scope) for scope in scopes}


def _smallest(
    sizes: Sequence[Design], expected: Callable[[int, str], float], scope: str
) -> tuple[Design | None, float]:
    low, high, last = 0, 0, len(sizes) - 1
    while expected(high, scope) < ASSURANCE:
        if high == last:
            return None, expected(last, scope)
        low, high = high + 1, min(2 * high + 1, last)
    while low < high:
        middle = (low + high) // 2
        enough = expected(middle, scope) >= ASSURANCE
        low, high = (low, middle) if enough else (middle + 1, high)
    return sizes[high], expected(high, scope)


def size_words(n_scans: int, *, operators: int, cells: int, per_cell: int, n_now: int = 0) -> str:
    """A study of a size, as what to do next.

    Parameters
    ----------
    n_scans : int
        Scans in all, of all models.
    operators, cells, per_cell : int
        Its operators (1 where cells are no parts of operators), cells, and scans of each
        model in a cell.
    n_now : int, optional
        Scans that there are already.

    Examples
    --------
    >>> size_words(27, operators=1, cells=9, per_cell=3, n_now=12)
    '15 more scans, for a total of 9 cells of 3 scans'
    >>> size_words(36, operators=6, cells=12, per_cell=3, n_now=18)
    '18 more scans, for a total of 6 operators, 2 sessions each, 3 scans per session'
    >>> size_words(30, operators=1, cells=1, per_cell=30, n_now=12)
    '18 more scans, for a total of 30 scans in that cell'
    """
    models = n_scans // (cells * per_cell)
    each = (
        say("plan.scans_of_each_model", per_cell=per_cell)
        if models > 1
        else say("plan.scans_per_cell", per_cell=per_cell)
    )
    if cells == 1:
        size = say("plan.in_that_cell", each=each)
    elif operators > 1:
        sessions = cells // operators
        of_each = say("plan.session_each", sessions=sessions)
        size = say("plan.operators_per_session", operators=operators, of_each=of_each, each=each)
    else:
        size = say("plan.cells_of", cells=cells, each=each)
    more = n_scans - n_now
    if not n_now:
        return say("plan.scans_n_scans_size", n_scans=n_scans, size=size)
    return say("plan.more_scan_for_a", more=more, size=size)


def _growing(found: Components, asked: Asked) -> list[Design]:
    """Sizes above that of a study, in the direction in which its verdict speaks of others."""
    now, models = found.design, len(found.scans)
    if not found.n_scans:
        return [Design(1, p, now.per_cell) for p in range(2, _MOST_CELLS + 1)]
    if now.cells == 1:
        sizes = [replace(now, per_cell=n) for n in range(now.per_cell + 1, _MOST_SCANS + 1)]
    elif found.operators and not asked.rule.these_operators:
        most = max(now.operators + 1, _MOST_CELLS // now.sessions)
        sizes = [replace(now, operators=o) for o in range(now.operators + 1, most + 1)]
    else:
        most = max(now.sessions + 1, _MOST_CELLS // now.operators)
        sizes = [replace(now, sessions=s) for s in range(now.sessions + 1, most + 1)]
    more = [size for size in sizes if size.scans * models > found.n_scans]
    return more or sizes[-1:]


def size_table(
    found: Components,
    designs: Sequence[Design],
    *,
    asked: Asked | None = None,
    unit: str = "um",
    confidence: float = 0.95,
    cost: Cost | None = None,
    studies: int = _STUDIES,
    seed: int = 1,
    step: Callable[[int], None] | None = None,
) -> pd.DataFrame:
    """What studies of several sizes are to be expected to show.

    Parameters
    ----------
    found : Components
        From a pilot, or assumed.
    designs : sequence of Design
        Sizes to try.
    asked : Asked, optional
        The question; without one there is no assurance.
    unit : str, optional
        Of the deviations.
    confidence : float, optional
        Of the intervals.
    cost : Cost, optional
        Time at the bench.
    studies, seed : int, optional
        As for `assurance`.
    step : callable, optional
        Called with 1 after each size.

    Returns
    -------
    DataFrame
        Table ``plan_sizes``. Intervals are those of the pair that scatters most. With one
        cell the interval of the bias leaves out what differs from cell to cell, and s_I is
        empty.
    """
    within, between, bias = _typical(found)
    rows = []
    for design in designs:
        planned = planned_layouts(
            design.cells, design.per_cell, bias=bias, var_within=within, var_between=between
        )
        figures = one_way_table(planned, confidence=confidence).iloc[0]
        row: dict[str, object] = {
            "operators": design.operators,
            "n_cells": design.cells,
            "per_cell": design.per_cell,
            "n_scans": design.scans * len(found.scans),
            "half_width": figures["bias_high"] - figures["bias"],
            **{k: figures[k] for k in ("s_r_low", "s_r_high", "s_I_low", "s_I_high")},
            "unit": unit,
            "confidence": confidence,
        }
        if asked is not None:
            found_in = assurance(
                found, design, asked, studies=studies, confidence=confidence, seed=seed
            )
            row["limit"] = asked.limit
            for scope, end in ((ALL_PAIRS, ""), (EACH_PAIR, "_each")):
                one = found_in[scope]
                row |= {
                    f"assurance{end}": one.value,
                    f"assurance{end}_low": one.low,
                    f"assurance{end}_high": one.high,
                    f"assurance{end}_expected": one.expected,
                }
        if cost is not None:
            row["chair_minutes"] = cost.minutes(design.scans * len(found.scans), design.cells)
        rows.append(row)
        if step is not None:
            step(1)
    return shape("plan_sizes", pd.DataFrame(rows))


def _typical(found: Components) -> tuple[float, float, float]:
    """Variances within and between cells, and bias, of the pair with the largest total."""
    k = len(found.mean)
    within, cell = np.zeros(k), np.zeros(k)
    for level in found.scans:
        within[level.columns] = (level.rows**2).sum(axis=0) / max(level.df, 1)
    for level in found.cells:
        cell[level.columns] = (level.rows**2).sum(axis=0) / level.df
    between = np.maximum(0.0, cell - within / found.within) if found.cells else np.zeros(k)
    for level in found.operators:
        top = (level.rows**2).sum(axis=0) / level.df
        between[level.columns] += np.maximum(0.0, top - cell[level.columns] / found.sessions)
    at = int(np.argmax(within + between))
    return float(within[at]), float(between[at]), float(found.mean[at])


Bools = npt.NDArray[np.bool_]

_LOOKED_AT = 2
_LOG2_DRAWS = 9


@dataclass(frozen=True)
class Asked:
    """The question that a verdict answers.

    Parameters
    ----------
    limit : float
        Of the absolute deviation.
    u : ndarray, shape (K,)
        Standard uncertainty that all scans share, a pair each; NaN: not stated.
    rule : Rule
        Coverage, confidence, and which operators are judged.
    """

    limit: float
    u: Floats
    rule: Rule


@dataclass(frozen=True)
class Outcome:
    """What simulated studies concluded.

    Parameters
    ----------
    each, together : ndarray, shape (S,)
        Limit over guarded bound, as a logarithm: above zero the bound stays within. Of the
        worst pair by itself, and of all pairs of a scan together.
    barred : ndarray of bool, shape (S,)
        Whether something else forbids "verified": normality is needed, and rejected.
    """

    each: Floats
    together: Floats
    barred: Bools


def judge_many(y: Floats, found: Components, design: Design, asked: Asked) -> Outcome:
    """Judge S simulated studies, (S, scans, K), as `accstudy.accuracy.judge.judge` judges a study.

    Of every model the two pairs with the largest mean plus 2.5 standard deviations, or largest
    deviation seen, are worked out: the largest bound is that of one of them. The bounds rest on 512
    draws of the pivotal quantities where a study's own rest on 4096.
    """
    grouping = design.grouping
    columns = [level.columns for level in found.scans]
    parts = [_one_model(y[:, :, c], asked.u[c], grouping, asked) for c in columns]
    each, together = (np.min([part[k] for part in parts], axis=0) for k in (0, 1))
    barred = np.zeros(len(y), dtype=bool)
    free = independent_scans(grouping, these_operators=asked.rule.these_operators)
    if free < nonparametric_n(asked.rule.coverage, asked.rule.confidence):
        p = normality_p(_columns(y), grouping).reshape(len(y), -1)
        barred = np.array([combined_p(row) < TEST_LEVEL for row in p])
    return Outcome(each, together, barred)


def _one_model(y: Floats, u: Floats, grouping: Grouping, asked: Asked) -> tuple[Floats, Floats]:
    studies, _, k = y.shape
    rule = replace(asked.rule, lower=False, log2_draws=_LOG2_DRAWS)
    g = np.nan_to_num(guard(u, rule.confidence))
    looked = min(_LOOKED_AT, k)
    seen = np.abs(y).max(axis=1)
    size = np.maximum(np.abs(y.mean(axis=1)) + 2.5 * y.std(axis=1), seen) + g
    chosen = np.argsort(-size, axis=1)[:, :looked]
    few = _columns(np.take_along_axis(y, chosen[:, None, :], axis=2))
    pairs = single_bounds(few, grouping, rule).bound.reshape(studies, looked)
    largest = (pairs + g[chosen]).max(axis=1)
    whole = largest
    if k > 1:
        if few_cells(grouping, rule):
            each = replace(rule, coverage=1 - (1 - rule.coverage) / k)
            worst = single_bounds(few, grouping, each).bound.reshape(studies, looked).max(axis=1)
        else:
            sizes = np.abs(y).max(axis=2, keepdims=True)
            worst = worst_bounds(_columns(sizes), grouping, rule).bound
        whole = np.maximum(worst + g.max(), largest)
    with np.errstate(divide="ignore"):
        return np.log(asked.limit / largest), np.log(asked.limit / whole)


def _columns(y: Floats) -> Floats:
    """Every study's pairs as columns, shape (scans, S * k)."""
    return np.moveaxis(y, 1, 0).reshape(y.shape[1], -1)
