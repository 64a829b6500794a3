"""Charts of one stretch of sessions: points, limits and where they signal."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from accstudy.drift.charts import Cusum, constants, cusum, ewma
from accstudy.drift.estimated import (
    MeanLimits,
    best_mean_limits,
    individuals_factor,
    range_factor,
    sd_factors,
    sd_score,
    sd_score_limit,
)
from accstudy.drift.rules import rule_signals
from accstudy.drift.sessions import MIN_SESSIONS, Baseline, baseline_of

__all__ = ["OUTSIDE", "Stretch", "chart_points", "chart_stretch"]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

OUTSIDE = "outside-limits"
"""Rule of every chart; further ones are in `accstudy.drift.rules`."""

_NUMERIC_ZERO = 1e-9


@dataclass(frozen=True, slots=True)
class Stretch:
    """Sessions of one device, model and measurand between two new baselines, with limits.

    Parameters
    ----------
    device, model, measurand, unit : str
        Whose and what.
    number : int
        Number of the baseline, from 1.
    begins_with : str
        Why charts began anew; empty for the first.
    rows : DataFrame
        Rows of the session table, in order of time.
    in_baseline : (s,) ndarray of bool
        Which of them are the baseline.
    baseline : Baseline or None
        None where the sessions are too few, or all alike to the last digit.
    limits : MeanLimits or None
        Of the charts of means; None where `baseline` is.
    shift : float
        Shift to be found, in the unit of the measurand.
    note : str
        What cannot be said, and why.
    """

    device: str
    model: str
    measurand: str
    unit: str
    number: int
    begins_with: str
    rows: pd.DataFrame
    in_baseline: Flags
    baseline: Baseline | None
    limits: MeanLimits | None
    run_length: float
    shift: float
    note: str

    @property
    def names(self) -> dict[str, Any]:
        """Columns that every row about this stretch carries."""
        return {
            "device": self.device,
            "model": self.model,
            "measurand": self.measurand,
            "unit": self.unit,
            "baseline_no": self.number,
        }

    @property
    def means(self) -> Floats:
        """Session means."""
        return self.rows["mean"].to_numpy(float)

    @property
    def sd_of_means(self) -> Floats:
        """Standard deviation of each session mean, from the baseline."""
        assert self.baseline is not None
        return self.baseline.sd_of_mean(self.rows["n_scans"].to_numpy(np.int64))


def chart_stretch(
    names: dict[str, Any],
    rows: pd.DataFrame,
    in_baseline: Flags,
    *,
    begins_with: str,
    run_length: float,
    shift: float | None,
) -> Stretch:
    """Estimate the baseline of a stretch and design its charts.

    Parameters
    ----------
    names : dict
        ``device, model, measurand, unit, number``.
    rows : DataFrame
        Rows of the session table, in order of time.
    in_baseline : (s,) ndarray of bool
        Which are the baseline.
    begins_with : str
        Why charts began anew.
    run_length : float
        Wanted in-control run length of each chart.
    shift : float, optional
        Shift to be found, in the unit of the measurand; one standard deviation
        of a session mean by default. It decides how much the EWMA and the CUSUM
        remember.

    Returns
    -------
    Stretch
    """
    base = rows[in_baseline]
    note, baseline, limits = "", None, None
    wanted = float("nan") if shift is None else shift
    if len(base) < MIN_SESSIONS:
        note = f"a baseline needs {MIN_SESSIONS} sessions, here are {len(base)}"
    else:
        baseline = baseline_of(base)
        if baseline.sd_of_means <= _NUMERIC_ZERO * max(1.0, abs(baseline.centre)):
            note, baseline = "the baseline's sessions are all alike, so limits cannot be set", None
    if baseline is not None:
        if shift is None:
            wanted = baseline.sd_of_means
        in_sigma = round(float(np.clip(wanted / baseline.sd_of_means, 0.5, 3.0)), 1)
        limits = best_mean_limits(baseline.m, run_length, in_sigma)
    return Stretch(
        device=names["device"],
        model=names["model"],
        measurand=names["measurand"],
        unit=names["unit"],
        number=names["number"],
        begins_with=begins_with,
        rows=rows.reset_index(drop=True),
        in_baseline=in_baseline,
        baseline=baseline,
        limits=limits,
        run_length=run_length,
        shift=wanted,
        note=note,
    )


def chart_points(stretch: Stretch, *, run_rules: bool = False) -> pd.DataFrame:
    """Points of every chart of a stretch.

    Parameters
    ----------
    stretch : Stretch
        Sessions and limits.
    run_rules : bool
        Also look for runs on one side, trends and alternation in the chart of
        single session means.

    Returns
    -------
    DataFrame
        Rows of table ``drift_points``. Sessions of one scan give an
        individuals and a moving-range chart, others a chart of means and one of
        standard deviations; EWMA and CUSUM run on session means, ``ewma-sd`` on
        the standard deviations as normal scores. EWMA and CUSUM start anew at
        the centre after the baseline. Sessions of the baseline never signal.
    """
    if stretch.baseline is None or stretch.limits is None:
        return pd.DataFrame()
    single = bool((stretch.rows["n_scans"] == 1).all())
    parts = [
        *(_individuals(stretch, run_rules) if single else _means(stretch, run_rules)),
        _ewma(stretch),
        *_cusum(stretch),
    ]
    frame = pd.concat([p for p in parts if len(p)], ignore_index=True)
    for name, value in stretch.names.items():
        frame[name] = value
    return frame


def _points(
    stretch: Stretch,
    chart: str,
    value: Floats,
    centre: float | Floats,
    lower: float | Floats,
    upper: float | Floats,
    *,
    use: Flags | None = None,
    rules: dict[str, Flags] | None = None,
) -> pd.DataFrame:
    frame = stretch.rows[["session", "at", "n_scans"]].copy()
    frame["chart"], frame["value"], frame["centre"] = chart, value, centre
    frame["lower"], frame["upper"] = lower, upper
    frame["baseline"] = stretch.in_baseline
    outside = (frame["value"] > frame["upper"]) | (frame["value"] < frame["lower"])
    frame["rule"] = np.where(outside, OUTSIDE, "")
    for rule, hits in (rules or {}).items():
        both = np.where(frame["rule"] == "", rule, frame["rule"] + ", " + rule)
        frame["rule"] = np.where(hits, both, frame["rule"])
    frame.loc[stretch.in_baseline, "rule"] = ""
    frame["signal"] = frame["rule"] != ""
    return frame if use is None else frame[use]


def _means(stretch: Stretch, run_rules: bool) -> list[pd.DataFrame]:
    baseline, limits = stretch.baseline, stretch.limits
    assert baseline is not None
    assert limits is not None
    half = limits.shewhart * stretch.sd_of_means
    rules = rule_signals(stretch.means, baseline.centre) if run_rules else None
    out = [
        _points(
            stretch,
            "mean",
            stretch.means,
            baseline.centre,
            baseline.centre - half,
            baseline.centre + half,
            rules=rules,
        )
    ]
    if baseline.df_within < 2 or not baseline.sd_within > 0:
        return out
    n = stretch.rows["n_scans"].to_numpy(np.int64)
    several = n > 1
    sd = stretch.rows["sd"].to_numpy(float)
    size = np.maximum(n, 2)
    low, high = sd_factors(size, baseline.df_within, stretch.run_length)
    centre = baseline.sd_within * np.array([constants(int(k)).c4 for k in size])
    s = baseline.sd_within
    out.append(_points(stretch, "sd", sd, centre, s * low, s * high, use=several))
    out.append(_sd_scores(stretch, sd, size, several))
    return out


def _sd_scores(stretch: Stretch, sd: Floats, n: NDArray[np.int64], several: Flags) -> pd.DataFrame:
    baseline, limits = stretch.baseline, stretch.limits
    assert baseline is not None
    assert limits is not None
    watched = several & ~stretch.in_baseline
    scores = sd_score(np.where(several, sd, np.nan), n, baseline.sd_within, baseline.df_within)
    value, lower, upper = (np.full(len(sd), np.nan) for _ in range(3))
    if watched.any():
        typical = int(np.median(n[watched]))
        L = sd_score_limit(typical, baseline.df_within, stretch.run_length, limits.lambda_)
        found = ewma(scores[watched], start=0.0, sigma=1.0, lambda_=limits.lambda_, L=L)
        value[watched], lower[watched], upper[watched] = found.average, found.lower, found.upper
    return _points(stretch, "ewma-sd", value, 0.0, lower, upper, use=watched)


def _individuals(stretch: Stretch, run_rules: bool) -> list[pd.DataFrame]:
    baseline = stretch.baseline
    assert baseline is not None
    x = stretch.means
    mean_range = float(np.abs(np.diff(x[stretch.in_baseline])).mean())
    half = individuals_factor(baseline.m, stretch.run_length) * mean_range / constants(2).d2
    centre = baseline.centre
    rules = rule_signals(x, centre) if run_rules else None
    ranges = np.concatenate([[np.nan], np.abs(np.diff(x))])
    top = range_factor(baseline.m, stretch.run_length) * mean_range
    known = np.isfinite(ranges)
    return [
        _points(stretch, "individuals", x, centre, centre - half, centre + half, rules=rules),
        _points(stretch, "moving-range", ranges, mean_range, 0.0, top, use=known),
    ]


def _ewma(stretch: Stretch) -> pd.DataFrame:
    baseline, limits = stretch.baseline, stretch.limits
    assert baseline is not None
    assert limits is not None
    value, lower, upper = (np.full(len(stretch.means), np.nan) for _ in range(3))
    for part in (stretch.in_baseline, ~stretch.in_baseline):
        found = ewma(
            stretch.means[part],
            start=baseline.centre,
            sigma=stretch.sd_of_means[part],
            lambda_=limits.lambda_,
            L=limits.L,
        )
        value[part], lower[part], upper[part] = found.average, found.lower, found.upper
    return _points(stretch, "ewma", value, baseline.centre, lower, upper)


def watched_cusum(stretch: Stretch) -> Cusum:
    """CUSUM of the sessions after the baseline."""
    baseline, limits = stretch.baseline, stretch.limits
    assert baseline is not None
    assert limits is not None
    after = ~stretch.in_baseline
    return cusum(
        stretch.means[after],
        target=baseline.centre,
        sigma=stretch.sd_of_means[after],
        k=limits.k,
        h=limits.h,
    )


def _cusum(stretch: Stretch) -> list[pd.DataFrame]:
    """Sums in the unit of the measurand, the lower one drawn downwards."""
    limits = stretch.limits
    assert limits is not None
    after = ~stretch.in_baseline
    if not after.any():
        return []
    found = watched_cusum(stretch)
    sd = stretch.sd_of_means[after]
    out = []
    for chart, sums, sign in (("cusum-high", found.high, 1.0), ("cusum-low", found.low, -1.0)):
        value, lower, upper = (np.full(len(after), np.nan) for _ in range(3))
        value[after] = sign * sums * sd
        lower[after] = 0.0 if sign > 0 else -limits.h * sd
        upper[after] = limits.h * sd if sign > 0 else 0.0
        out.append(_points(stretch, chart, value, 0.0, lower, upper, use=after))
    return out
