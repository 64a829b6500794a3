"""The bound of every pair against its span and path, and the longest that stays within a limit."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd

from accstudy.accuracy.judge import (
    ALL_PAIRS,
    EACH_PAIR,
    Judgement,
    Rule,
    few_cells,
    shared_bounds,
    worst_bounds,
    worst_of_scan,
)
from accstudy.accuracy.samples import Sample

__all__ = ["AXES", "curve_rows", "span_rows", "supported"]

Floats = npt.NDArray[np.float64]

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
    """Longest length up to which the bound stays within a level.

    Parameters
    ----------
    curve : DataFrame
        Table ``span_curve`` of one condition and axis.
    level_um : float
        The level.
    reach : {"reach_each_um", "reach_all_um"}, optional
        Each pair by itself, or all pairs up to there together.

    Returns
    -------
    float
        mm; NaN where not even the shortest pair stays within. Never more than the
        longest pair studied.

    Notes
    -----
    Lengths are tried from the shortest on until one fails, so no correction for their
    number is needed.
    """
    beyond = curve.loc[~(curve[reach] <= level_um), "length_mm"]
    shorter = curve["length_mm"] < (beyond.min() if len(beyond) else np.inf)
    return float(curve.loc[shorter, "length_mm"].max()) if shorter.any() else float("nan")
