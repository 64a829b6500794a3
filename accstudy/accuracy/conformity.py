"""Table ``conformity``: verdicts on limits, from the data and their uncertainty.

The words are those of ISO 14253-1:2017: conformity verified, conformity not verified,
nonconformity verified. Nothing is ever said to have passed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from accstudy.accuracy.bounds import nonparametric_n
from accstudy.accuracy.judge import (
    ALL_PAIRS,
    EACH_PAIR,
    NOT_VERIFIED,
    REFUTED,
    TEST,
    TEST_LEVEL,
    VERIFIED,
    Bounds,
    Judgement,
    Rule,
    combined_p,
    few_cells,
    independent_scans,
    judge,
    normality_p,
    shared_bounds,
    worst_bounds,
    worst_of_scan,
)
from accstudy.accuracy.measurands import (
    OCCASION,
    Sample,
    factors_left_out,
    left_out_p,
    samples,
)
from accstudy.accuracy.reference_uncertainty import shared_u
from accstudy.tables import empty, shape

Floats = npt.NDArray[np.float64]

_TELLING = 10.0  # a bound beyond so many times what any scan deviated by tells of few cells only
_RANK = ["", VERIFIED, NOT_VERIFIED, REFUTED]


@dataclass(frozen=True, slots=True)
class LimitOf:
    """A limit that the user set.

    Parameters
    ----------
    measurand : str
        Column of table ``pair_deviations``: ``distance_um`` or ``angle_deg``.
    value : float
        The limit of the absolute value, in the unit of the measurand.
    source : str
        Where it comes from, in the user's words.
    """

    measurand: str
    value: float
    source: str


@dataclass(frozen=True)
class Conformity:
    """Limits compared with the data: the tables of these names."""

    conformity: pd.DataFrame
    supported_spans: pd.DataFrame
    span_curve: pd.DataFrame


@dataclass(frozen=True)
class Case:
    """One condition's samples of a measurand, one a model, and what is known of them all.

    Parameters
    ----------
    samples : list of Sample
        One a model.
    u : list of ndarray
        Standard uncertainty that all scans share, a pair each.
    rule : Rule
        What is asked of a bound.
    holds_for : str
        For whom the verdict holds.
    beside : bool
        Whether that is other operators, beside those of the study.
    p_normal : float
        Of the test of normality, over all models.
    left_out, p_left_out : str, float
        Known factor that the cells leave out, and its p value.
    """

    samples: list[Sample]
    u: list[Floats]
    rule: Rule
    holds_for: str
    beside: bool
    p_normal: float
    left_out: str
    p_left_out: float

    @property
    def doubted(self) -> bool:
        """Whether scans of one cell differ by a factor that the cells leave out."""
        return self.p_left_out < TEST_LEVEL

    def judged(self, limit: float) -> list[Judgement]:
        """A limit judged, model by model."""
        return [
            judge(
                s.matrix,
                s.grouping,
                limit=limit,
                u=u,
                rule=self.rule,
                p_normal=self.p_normal,
                doubted=self.doubted,
            )
            for s, u in zip(self.samples, self.u, strict=True)
        ]


def conformity_tables(
    pair_deviations: pd.DataFrame,
    *,
    limits: Sequence[LimitOf],
    spans_at_um: Sequence[float] = (50.0, 100.0, 150.0, 200.0),
    coverage: float = 0.95,
    confidence: float = 0.95,
    reference_u: pd.DataFrame | Mapping[str, float] | None = None,
    cell_columns: Sequence[str] = (),
    condition_columns: Sequence[str] = (),
) -> Conformity:
    """Compare every condition with the limits, and find the supported span.

    Parameters
    ----------
    pair_deviations : DataFrame
        Table ``pair_deviations`` with the factor columns of its scans.
    limits : sequence of LimitOf
        The user's limits.
    spans_at_um : sequence of float, optional
        Levels of the distance for which the supported span is said; the user's limit
        of the distance is among them.
    coverage, confidence : float, optional
        Of the bounds.
    reference_u : DataFrame or mapping, optional
        As for `accstudy.accuracy.summary.accuracy_table`. Where it is not stated,
        there are bounds and no verdict.
    cell_columns, condition_columns : sequence of str, optional
        Factors that tell cells and conditions apart. Other factors of the scans are
        tested: where scans of one cell differ by one of them, nothing is verified to
        conform.

    See Also
    --------
    accstudy.accuracy.judge.judge : the rule of decision.
    """
    if not len(pair_deviations):
        return Conformity(*(empty(n) for n in ("conformity", "supported_spans", "span_curve")))
    rule = Rule(coverage, confidence)
    unused = factors_left_out(pair_deviations, cell_columns, condition_columns)
    rows: list[dict[str, Any]] = []
    levels = {float(v) for v in spans_at_um}
    levels |= {limit.value for limit in limits if limit.measurand == "distance_um"}
    for limit in limits:
        if limit.measurand in pair_deviations:
            for case in cases(
                pair_deviations, limit.measurand, reference_u, rule, cell_columns, unused
            ):
                rows += _rows(case, limit)
    supported, curves = [], []
    if "distance_um" in pair_deviations:
        for case in cases(pair_deviations, "distance_um", reference_u, rule, cell_columns, unused):
            one, spans = _spans(case, sorted(levels))
            supported.append(spans)
            if not case.beside:
                curves.append(one)
    given = {"coverage": coverage, "confidence": confidence}
    table = pd.DataFrame(rows).assign(**given) if rows else pd.DataFrame()
    if len(table):
        order = table["condition"].rank(method="dense")
        table = table.assign(_order=order).sort_values("_order", kind="stable")
    return Conformity(
        shape("conformity", table) if len(table) else empty("conformity"),
        shape("supported_spans", pd.concat(supported, ignore_index=True).assign(**given))
        if supported
        else empty("supported_spans"),
        shape("span_curve", pd.concat(curves, ignore_index=True).assign(**given))
        if curves
        else empty("span_curve"),
    )


def cases(
    pair_deviations: pd.DataFrame,
    measurand: str,
    reference_u: pd.DataFrame | Mapping[str, float] | None,
    rule: Rule,
    cell_columns: Sequence[str],
    unused: Sequence[str] = (),
) -> list[Case]:
    """What is judged: every condition, where operators return for these and for others.

    Sessions that operators share make one statement, for new ones.

    `unused` are factors that cells leave out, to be tested.
    """
    every = samples(pair_deviations, measurand, cell_columns=cell_columns)
    doubts = left_out_p(pair_deviations, unused, measurand)
    out = []
    for condition in dict.fromkeys(s.condition for s in every):
        own = [s for s in every if s.condition == condition]
        u = [
            shared_u(
                s.pairs.assign(condition=condition, model=s.model, measurand=measurand), reference_u
            )
            for s in own
        ]
        p = combined_p(np.concatenate([normality_p(s.matrix, s.grouping) for s in own]))
        left, p_left = doubts.get(condition, ("", float("nan")))
        returning = next((s.returning for s in own if s.returning), "")
        cells = max(len(np.unique(s.grouping.cell)) for s in own)
        both = returning not in ("", OCCASION)
        if both:
            these = replace(rule, these_operators=True)
            out.append(Case(own, u, these, f"these {returning}s", False, p, left, p_left))
        alone = cells == 1 and not returning
        holds_for = "this cell" if alone else f"new {returning or 'cell'}s"
        out.append(Case(own, u, rule, holds_for, both, p, left, p_left))
    return out


def _rows(case: Case, limit: LimitOf) -> list[dict[str, Any]]:
    judged = case.judged(limit.value)
    return [
        _row(case, limit, judged, EACH_PAIR, [j.pairs for j in judged], [j.each for j in judged]),
        _row(case, limit, judged, ALL_PAIRS, [j.together for j in judged], [j.all for j in judged]),
    ]


def _row(
    case: Case,
    limit: LimitOf,
    judged: list[Judgement],
    scope: str,
    bounds: list[Bounds],
    verdicts: list[str],
) -> dict[str, Any]:
    """One statement, decided by the model, or pair, with the largest guarded bound."""
    single = scope == EACH_PAIR
    k, i, width, low = _deciding(judged, bounds, single)
    sample, b = case.samples[k], bounds[k]
    u = case.u[k][i] if single else float(np.max(case.u[k]))
    said = "" if "" in verdicts else _RANK[max(_RANK.index(v) for v in verdicts)]
    sizes = [np.abs(s.matrix) for s in case.samples]
    beyond, seen = _count(sizes, limit.value, single)
    lows = np.concatenate([x.bound_low for x in bounds])
    largest = np.concatenate([x.largest for x in bounds])
    grouping = sample.grouping
    n_scans = sum(len(s.matrix) for s in case.samples)
    n_free = nonparametric_n(case.rule.coverage, case.rule.confidence)
    free = all(x.distribution_free for x in bounds)
    enough = len(sample.matrix) >= n_free
    contradicted = any(j.contradicted for j in judged)
    furthest = np.nanmax(largest) if np.isfinite(largest).any() else np.nan
    return {
        "condition": sample.condition,
        "measurand": limit.measurand,
        "scope": scope,
        "holds_for": case.holds_for,
        "beside": case.beside,
        "limit": limit.value,
        "unit": limit.measurand.rsplit("_", 1)[1],
        "source": limit.source,
        "model": sample.model,
        "subject": sample.pairs["subject"].iloc[i] if single else "",
        "span_mm": max(float(s.pairs["span_mm"].max()) for s in case.samples),
        "n_pairs": max(s.matrix.shape[1] for s in case.samples),
        "tolerance_bound": b.bound[i],
        "bound_low": np.nanmax(lows) if np.isfinite(lows).any() else np.nan,
        "largest_seen": furthest,
        "informative": not b.bound[i] > _TELLING * furthest,
        "n_beyond": beyond,
        "share_beyond": beyond / seen if seen else np.nan,
        "u": u,
        "guard": width,
        "guard_low": low,
        "bound_with_guard": b.bound[i] + width,
        "method": _method(
            scope if sample.matrix.shape[1] > 1 else EACH_PAIR, free, few_cells(grouping, case.rule)
        ),
        "assumption": _assumption(free, enough),
        "normality_test": "" if np.isnan(case.p_normal) else TEST,
        "p_normal": case.p_normal,
        "not_normal": case.p_normal < TEST_LEVEL,
        "left_out": case.left_out,
        "p_left_out": case.p_left_out,
        "left_out_shown": case.doubted,
        "verdict": said if np.isfinite(b.bound[i]) or not said else NOT_VERIFIED,
        "n_scans": n_scans,
        "n_cells": _cells(case),
        "n_independent": min(
            independent_scans(s.grouping, these_operators=case.rule.these_operators)
            for s in case.samples
        ),
        "n_without_assumption": n_free,
        "note": "; ".join(_notes(case, sample, u, grouping, contradicted)),
    }


def _deciding(
    judged: list[Judgement], bounds: list[Bounds], single: bool
) -> tuple[int, int, float, float]:
    """Model and pair with the largest guarded bound, the first of equals; its guards."""
    candidates = []
    for k, (b, j) in enumerate(zip(bounds, judged, strict=True)):
        width = j.guard if single else np.max(j.guard, keepdims=True)
        low = j.guard_low if single else np.max(j.guard_low, keepdims=True)
        for i in range(len(b.bound)):
            top = b.bound[i] + np.nan_to_num(width[i])
            candidates.append((top if np.isfinite(top) else np.inf, -k, -i, width[i], low[i]))
    _, k, i, width_at, low_at = max(candidates, key=lambda c: c[:3])
    return -k, -i, width_at, low_at


def _cells(case: Case) -> int:
    return sum(len(np.unique(s.grouping.cell)) for s in case.samples)


def _count(sizes: list[Floats], limit: float, single: bool) -> tuple[int, int]:
    """Scans beyond the limit: of the pair with most of them, or with any pair beyond."""
    worst = (-1.0, 0, 0)
    for size in sizes:
        over = np.nan_to_num(size, nan=0.0) > limit
        seen = np.isfinite(size)
        found = (
            (over.sum(axis=0), seen.sum(axis=0))
            if single
            else (np.array([over.any(axis=1).sum()]), np.array([seen.any(axis=1).sum()]))
        )
        for b, n in zip(*found, strict=True):
            worst = max(worst, (float(b) / max(1, int(n)), int(b), int(n)))
    return worst[1], worst[2]


def _method(scope: str, free: bool, few: bool) -> str:
    first = "normal theory"
    if scope == ALL_PAIRS:
        first += ", share beyond divided among pairs" if few else " of the logarithm"
    return f"{first} and order statistic" if free else f"{first}, not below the largest observed"


def _assumption(free: bool, enough: bool) -> str:
    if free:
        return "none"
    return "cells differ normally" if enough else "normal scatter"


def _notes(case: Case, sample: Sample, u: float, grouping: Any, contradicted: bool) -> list[str]:
    notes = []
    if np.isnan(u):
        notes.append("no statement of conformity: the uncertainty of the reference is not stated")
    if contradicted:
        notes.append(
            "the scatter is not normal, and there are too few scans for a distribution-free bound"
        )
    if case.doubted:
        notes.append(
            f"scans of one cell differ by {case.left_out}, which analysis.cell does not include"
        )
    if len(grouping.cell) < 2:
        notes.append("one scan: no bound")
    elif np.isfinite(sample.matrix).sum(axis=0).min() < 2:
        notes.append("a pair occurs in only one scan: it has no bound")
    elif case.holds_for == "this cell":
        notes.append("one cell: valid only for its operator and session")
    scatter = np.nanstd(sample.matrix, axis=0)
    lowest = sample.pairs["lowest"].to_numpy(dtype=float)
    if (np.nanmean(sample.matrix, axis=0) - 2 * scatter < lowest).any():
        notes.append(
            "axes nearly parallel in the reference: their deviation is not normally distributed"
        )
    return notes


def _spans(case: Case, levels: Sequence[float]) -> tuple[pd.DataFrame, pd.DataFrame]:
    judged = case.judged(np.inf)
    parts = [
        curve_rows(s, j, u, case.rule) for s, j, u in zip(case.samples, judged, case.u, strict=True)
    ]
    stated = not (
        case.doubted
        or any(j.contradicted for j in judged)
        or any(np.isnan(u).any() for u in case.u)
    )
    curve, supported = span_rows(
        pd.concat(parts, ignore_index=True), levels_um=levels, stated=stated
    )
    notes = [
        note
        for s, j, u in zip(case.samples, judged, case.u, strict=True)
        for note in _notes(case, s, float(np.max(u)), s.grouping, j.contradicted)
    ]
    enough = min(len(s.matrix) for s in case.samples) >= nonparametric_n(
        case.rule.coverage, case.rule.confidence
    )
    free = {
        EACH_PAIR: all(j.pairs.distribution_free for j in judged),
        ALL_PAIRS: all(j.together.distribution_free for j in judged),
    }
    named: dict[str, Any] = {
        "condition": case.samples[0].condition,
        "holds_for": case.holds_for,
        "beside": case.beside,
        "normality_test": "" if np.isnan(case.p_normal) else TEST,
        "p_normal": case.p_normal,
        "assumption": [_assumption(free[scope], enough) for scope in supported["scope"]],
        "note": "; ".join(dict.fromkeys(notes)),
    }
    return curve.assign(holds_for=case.holds_for), supported.assign(**named)


AXES = ("span_mm", "path_mm")


def curve_rows(sample: Sample, judged: Judgement, u: Floats, rule: Rule) -> pd.DataFrame:
    """Bound of every pair's distance against span and against path, of one model.

    Columns of table ``span_curve`` but for ``reach_each_um`` and ``reach_all_um``, which
    `span_rows` completes over models; ``_all_um`` is the guarded bound of all pairs of this model
    up to the length. `u` is the standard uncertainty that all scans share; NaN: not stated.
    """
    guarded = np.nan_to_num(judged.guard)
    one = pd.DataFrame(
        {
            "condition": sample.condition,
            "model": sample.model,
            "subject": sample.pairs["subject"],
            "bound_um": judged.pairs.bound,
            "bound_low_um": judged.pairs.bound_low,
            "estimate_um": judged.pairs.estimate,
            "bias_um": np.nanmean(sample.matrix, axis=0),
            "largest_um": judged.pairs.largest,
            "u_shared_um": u,
            "guard_um": judged.guard,
            "n_scans": np.isfinite(sample.matrix).sum(axis=0),
            "n_cells": len(np.unique(sample.grouping.cell)),
        }
    )
    whole = float(judged.together.bound[0]) + float(np.max(guarded))
    parts = []
    for axis in AXES:
        length = sample.pairs[axis].to_numpy(dtype=float)
        part = one.assign(against=axis, length_mm=length)
        part["_all_um"] = _up_to(sample, judged.pairs.bound, guarded, length, rule, whole)
        parts.append(part)
    return pd.concat(parts, ignore_index=True)


def _up_to(
    sample: Sample, single: Floats, guarded: Floats, length: Floats, rule: Rule, whole: float
) -> Floats:
    """Guarded bound of all pairs together that are no longer than each.

    The shortest pairs' bound never falls with more pairs, and never exceeds that of all
    pairs: what holds for all of them holds for some.
    """
    ends = np.unique(length)
    worst = np.column_stack([worst_of_scan(sample.matrix[:, length <= end])[:, 0] for end in ends])
    bound = worst_bounds(worst, sample.grouping, rule).bound
    if few_cells(sample.grouping, rule):
        own = shared_bounds(sample.matrix, sample.grouping, rule)
        bound = np.array([np.max(own[length <= end]) for end in ends])
    for k, end in enumerate(ends):
        chosen = length <= end
        largest = float(np.max(_or_inf(single[chosen])))
        alone = chosen.sum() == 1
        bound[k] = largest if alone else max(float(bound[k]), largest)
        bound[k] += float(guarded[chosen].max())
    rising = np.maximum.accumulate(_or_inf(bound))
    rising = np.minimum(rising, _or_inf(whole))
    found = rising[np.searchsorted(ends, length)]
    return np.where(np.isfinite(found), found, np.nan)


def span_rows(
    curve: pd.DataFrame, *, levels_um: Sequence[float], stated: bool
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Complete the curve of one condition, and find the supported length for each limit
    `levels_um`.

    `stated` says whether any conformity can be stated: the shared uncertainty is, and no assumption
    of the bounds is contradicted; else no length is supported. Rows of tables ``span_curve`` and
    ``supported_spans``.
    """
    parts = []
    for axis in AXES:
        part = curve[curve["against"] == axis].sort_values(
            ["length_mm", "model", "subject"], kind="stable"
        )
        guarded = part["bound_um"] + part["guard_um"].fillna(0.0)
        reach = {"reach_each_um": _rising(guarded), "reach_all_um": _rising(part["_all_um"])}
        parts.append(part.assign(**reach))
    whole = pd.concat(parts, ignore_index=True)
    rows: list[dict[str, object]] = []
    for level in levels_um:
        for scope, reach_of in ((EACH_PAIR, "reach_each_um"), (ALL_PAIRS, "reach_all_um")):
            row: dict[str, object] = {"scope": scope, "level_um": float(level)}
            for axis in AXES:
                own = whole[whole["against"] == axis]
                row[f"supported_{axis}"] = supported(own, level, reach_of) if stated else np.nan
                row[f"longest_{axis}"] = float(own["length_mm"].max())
                name = axis.removesuffix("_mm")
                row[f"whole_{name}"] = row[f"supported_{axis}"] == row[f"longest_{axis}"]
                row[f"n_pairs_{name}"] = int((own["length_mm"] <= row[f"supported_{axis}"]).sum())
            rows.append(row)
    return whole.drop(columns="_all_um"), pd.DataFrame(rows)


def _or_inf(values: npt.ArrayLike) -> Floats:
    """Infinity where there is no bound."""
    found = np.asarray(values, dtype=float)
    return np.where(np.isnan(found), np.inf, found)


def _rising(values: pd.Series) -> pd.Series:
    reach = values.fillna(np.inf).cummax()
    return reach.where(np.isfinite(reach))


def supported(curve: pd.DataFrame, level_um: float, reach: str = "reach_each_um") -> float:
    """Longest length, mm, up to which the bound of one condition and axis stays within a level.

    NaN where not even the shortest pair stays within; never more than the longest pair studied.
    Lengths are tried from the shortest on until one fails, so no correction for their number is
    needed.
    """
    beyond = curve.loc[~(curve[reach] <= level_um), "length_mm"]
    shorter = curve["length_mm"] < (beyond.min() if len(beyond) else np.inf)
    return float(curve.loc[shorter, "length_mm"].max()) if shorter.any() else float("nan")
