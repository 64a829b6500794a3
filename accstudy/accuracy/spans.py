"""How precision depends on span and arch length, and the longest of either within a limit."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import optimize

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
from accstudy.errors import ComputationError
from accstudy.tables import empty, shape

__all__ = [
    "AXES",
    "RELATIONS",
    "Relation",
    "curve_rows",
    "fit_relation",
    "precision_curve",
    "precision_vs_span",
    "span_rows",
    "supported",
]

Floats = npt.NDArray[np.float64]

RELATIONS = ("s = b m", "s = a + b m", "lg s = c + d lg m", "s = sqrt(a L + b L^3)")
"""Proportional, straight, power (all against the span); random walk (against the path)."""


@dataclass(frozen=True)
class Relation:
    """A fitted relation (one of `RELATIONS`) of a standard deviation and a length.

    ``intercept`` and ``slope`` are a or c, and b or d; of the random walk a in um^2/mm
    (translation) and b in um^2/mm^3 (rotation). ``criterion`` is the corrected Akaike criterion of
    the residuals of ln s (NaN for too few points; smaller is better).
    """

    relation: str
    intercept: float
    slope: float
    criterion: float
    n_points: int

    def predict(self, length: npt.ArrayLike) -> Floats:
        """Standard deviation at a length, in the unit of the points."""
        return _PREDICT[self.relation](np.asarray(length, dtype=float), self.intercept, self.slope)


_PREDICT: dict[str, Callable[[Floats, float, float], Floats]] = {
    RELATIONS[0]: lambda m, a, b: np.asarray(b * m),
    RELATIONS[1]: lambda m, a, b: np.asarray(a + b * m),
    RELATIONS[2]: lambda m, a, b: np.asarray(10**a * m**b),
    RELATIONS[3]: lambda m, a, b: np.asarray(np.sqrt(a * m + b * m**3)),
}


def fit_relation(length: npt.ArrayLike, sd: npt.ArrayLike, relation: str) -> Relation:
    """Fit one relation of standard deviation and length.

    Parameters
    ----------
    length : array_like
        Span or path, mm.
    sd : array_like
        Standard deviations, any unit; those that are missing or zero are left out.
    relation : str
        One of `RELATIONS`.

    Raises
    ------
    ComputationError
        If there are fewer points than coefficients.

    Notes
    -----
    Standard deviations are the less certain the larger they are, so residuals are
    weighted by 1 / s^2 with the fitted s, again and again until the coefficients
    stay. The proportional line then is the mean of the ratios s / m; the power law
    is an unweighted line in the logarithms, as the standard has it. Variances are
    fitted for the random walk, with both coefficients at least zero. A straight
    line that turns negative within the data has no criterion.

    References
    ----------
    ISO 5725-2:1994, 7.5 (relations I, II, III and their weighting). Random walk:
    independent steps of translation and rotation along the arch give a variance
    that grows with L and L^3.

    Examples
    --------
    >>> found = fit_relation([10, 20, 40], [1.0, 2.0, 4.0], "s = b m")
    >>> round(found.slope, 6)
    0.1
    """
    m, s = np.asarray(length, dtype=float), np.asarray(sd, dtype=float)
    usable = np.isfinite(m) & np.isfinite(s) & (s > 0) & (m > 0)
    m, s = m[usable], s[usable]
    count = 1 if relation == RELATIONS[0] else 2
    if len(m) < count or np.unique(m).size < count:
        raise ComputationError(f'too few different lengths for "{relation}"')
    a, b = {
        RELATIONS[0]: lambda: (0.0, float((s / m).mean())),
        RELATIONS[1]: lambda: _weighted_line(m, s),
        RELATIONS[2]: lambda: _line(np.log10(m), np.log10(s), np.ones(len(m))),
        RELATIONS[3]: lambda: _walk(m, s),
    }[relation]()
    fitted = _PREDICT[relation](m, a, b)
    return Relation(relation, a, b, _criterion(s, fitted, count), len(m))


def _line(x: Floats, y: Floats, w: Floats) -> tuple[float, float]:
    mx, my = np.average(x, weights=w), np.average(y, weights=w)
    b = float((w * (x - mx) * (y - my)).sum() / (w * (x - mx) ** 2).sum())
    return float(my - b * mx), b


def _weighted_line(m: Floats, s: Floats) -> tuple[float, float]:
    fitted = s
    a = b = math.nan
    for _ in range(100):
        before = (a, b)
        a, b = _line(m, s, 1 / fitted**2)
        # where the line dips to zero the weight stays finite
        fitted = np.maximum(a + b * m, 0.01 * s.mean())
        if np.allclose((a, b), before, rtol=1e-10, atol=0):
            break
    return a, b


def _walk(m: Floats, s: Floats) -> tuple[float, float]:
    columns = np.column_stack([m, m**3])
    scale = columns.max(axis=0)
    fitted2 = s**2
    coefficients = np.full(2, math.nan)
    for _ in range(100):
        before = coefficients
        w = 1 / fitted2
        solved, _ = optimize.nnls(columns / scale * w[:, None], s**2 * w)
        coefficients = solved / scale
        fitted2 = np.maximum(columns @ coefficients, 1e-4 * (s**2).mean())
        if np.allclose(coefficients, before, rtol=1e-10, atol=0):
            break
    return float(coefficients[0]), float(coefficients[1])


def _criterion(s: Floats, fitted: Floats, count: int) -> float:
    n, k = len(s), count + 1  # the residual spread is a parameter as well
    if n - k - 1 <= 0 or (fitted <= 0).any():
        return math.nan
    rss = float((np.log(s / fitted) ** 2).sum())
    return n * math.log(max(rss, 1e-30) / n) + 2 * k + 2 * k * (k + 1) / (n - k - 1)


def precision_vs_span(accuracy: pd.DataFrame) -> pd.DataFrame:
    """Dependence of s_r and s_I of pairs on span and path, relation by relation.

    Parameters
    ----------
    accuracy : DataFrame
        Table ``accuracy``; the rows of pairs are used.

    Returns
    -------
    DataFrame
        Table ``precision_vs_span``: the three relations of ISO 5725-2 against the
        span and the random walk against the path, the one with the smallest
        criterion marked as best. Relations that the points do not determine are
        absent.

    Notes
    -----
    The criterion compares residuals of ln s, all relations on the same points. The
    pairs of a scan are not independent, so it ranks but does not test.
    """
    pairs = accuracy[accuracy["span_mm"].notna()]
    rows = []
    for (condition, measurand), own in pairs.groupby(["condition", "measurand"], sort=True):
        for which in ("s_r", "s_I"):
            fits = []
            for relation in RELATIONS:
                against = "path_mm" if relation == RELATIONS[3] else "span_mm"
                try:
                    found = fit_relation(own[against], own[which], relation)
                except ComputationError:
                    continue
                fits.append((against, found))
            known = [f.criterion for _, f in fits if math.isfinite(f.criterion)]
            for against, found in fits:
                rows.append(
                    {
                        "condition": condition,
                        "measurand": measurand,
                        "which": which,
                        "against": against,
                        "relation": found.relation,
                        "intercept": found.intercept,
                        "slope": found.slope,
                        "criterion": found.criterion,
                        "best": bool(known) and found.criterion == min(known),
                        "n_points": found.n_points,
                    }
                )
    return shape("precision_vs_span", pd.DataFrame(rows)) if rows else empty("precision_vs_span")


_POINTS = 25


def precision_curve(relations: pd.DataFrame, accuracy: pd.DataFrame) -> pd.DataFrame:
    """Values of the best relation of every condition, from the shortest to the longest pair.

    Parameters
    ----------
    relations : DataFrame
        Table ``precision_vs_span``.
    accuracy : DataFrame
        Table ``accuracy`` or ``precision``.

    Returns
    -------
    DataFrame
        Table ``precision_curve``. All conditions of a measurand stand against the length
        against which most of them have their best relation; others are left out.
    """
    best = relations[relations["best"].fillna(False).astype(bool)]
    pairs, parts = accuracy[accuracy["span_mm"].notna()], []
    for (measurand, _), mine in best.groupby(["measurand", "which"], sort=False):
        against = str(mine["against"].mode().iloc[0])
        for row in mine[mine["against"] == against].to_dict("records"):
            own = pairs[
                pairs["condition"].eq(row["condition"]) & pairs["measurand"].eq(str(measurand))
            ]
            at = np.linspace(own[against].min(), own[against].max(), _POINTS)
            found = Relation(row["relation"], row["intercept"], row["slope"], math.nan, 0)
            head = {name: row[name] for name in ("condition", "measurand", "which", "against")}
            head["unit"] = own["unit"].iloc[0]
            parts.append(pd.DataFrame({**head, "at_mm": at, "value": found.predict(at)}))
    whole = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()
    return shape("precision_curve", whole) if parts else empty("precision_curve")


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
