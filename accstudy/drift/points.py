"""Points of every chart of a stretch, with limits and where they signal."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from accstudy.drift.charts import Cusum, constants, ewma, rule_signals
from accstudy.drift.estimated import individuals_factor, range_factor
from accstudy.drift.precision import sd_factors
from accstudy.drift.steps import sd_of_score
from accstudy.drift.stretch import Stretch

__all__ = ["OF_SD", "OUTSIDE", "chart_points"]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

OUTSIDE = "outside-limits"
"""Rule of every chart; further ones are in `accstudy.drift.charts`."""

OF_SD = (
    "sd",
    "individuals-sd",
    "moving-range-sd",
    "ewma-sd",
    "cusum-sd-high",
    "cusum-sd-low",
)
"""Charts of the standard deviation within sessions."""


def chart_points(stretch: Stretch, *, run_rules: bool = False) -> pd.DataFrame:
    """Rows of table ``drift_points``: a session is one value in every chart of a stretch.

    So what varies between sessions is part of the limits:

    - the level: ``mean`` (limits from the spread of the baseline's session means; ``individuals``,
      with limits from its moving ranges, where every session is one scan), ``moving-range``,
      ``ewma`` and ``cusum-high`` / ``cusum-low`` of the session means;
    - the spread within sessions: ``sd``, as if precision were the same in all sessions, and, with
      what precision itself varies between sessions, ``individuals-sd`` (in the unit of the
      measurand), ``moving-range-sd``, ``ewma-sd``, ``cusum-sd-high`` / ``cusum-sd-low`` (as
      scores).

    EWMA and CUSUM start anew at the centre after the baseline, whose sessions never signal.
    `run_rules` adds runs on one side, trends and alternation to the charts of single values.
    """
    if stretch.baseline is None or stretch.limits is None:
        return pd.DataFrame()
    parts = [
        *(_individuals(stretch, run_rules) if stretch.single else _means(stretch, run_rules)),
        _ewma(stretch),
        *_cusum(stretch),
    ]
    if stretch.spread is not None:
        parts += [
            _sd(stretch),
            *_single_scores(stretch, run_rules),
            _ewma_of_scores(stretch),
            *_cusum_of_scores(stretch),
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
    sd, centre = stretch.sd_of_means, baseline.centre
    half = limits.shewhart * sd
    rules = rule_signals(stretch.means, centre) if run_rules else None
    ranges, known = _ranges(stretch.means)
    pair = np.sqrt(0.5 * (sd**2 + np.concatenate([sd[:1], sd[:-1]]) ** 2))
    return [
        _points(stretch, "mean", stretch.means, centre, centre - half, centre + half, rules=rules),
        _points(
            stretch,
            "moving-range",
            ranges,
            constants(2).d2 * pair,
            0.0,
            limits.jump * pair,
            use=known,
        ),
    ]


def _individuals(stretch: Stretch, run_rules: bool) -> list[pd.DataFrame]:
    baseline, limits = stretch.baseline, stretch.limits
    assert baseline is not None
    assert limits is not None
    x = stretch.means
    mean_range = float(np.abs(np.diff(x[stretch.in_baseline])).mean())
    half = (
        individuals_factor(baseline.m, stretch.run_length, limits.rho)
        * mean_range
        / constants(2).d2
    )
    centre = baseline.centre
    rules = rule_signals(x, centre) if run_rules else None
    ranges, known = _ranges(x)
    top = range_factor(baseline.m, stretch.run_length, limits.rho) * mean_range
    return [
        _points(stretch, "individuals", x, centre, centre - half, centre + half, rules=rules),
        _points(stretch, "moving-range", ranges, mean_range, 0.0, top, use=known),
    ]


def _ranges(values: Floats) -> tuple[Floats, Flags]:
    """Difference to the value before, NaN for the first, and where it is known."""
    ranges = np.concatenate([[np.nan], np.abs(np.diff(values))])
    return ranges, np.isfinite(ranges)


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


def _cusum(stretch: Stretch) -> Iterator[pd.DataFrame]:
    """Sums in the unit of the measurand, the lower one drawn downwards."""
    assert stretch.limits is not None
    use = stretch.watched()
    if use.any():
        yield from _sums(stretch, "cusum", stretch.cusum(), use, stretch.sd_of_means[use])


def _sums(
    stretch: Stretch, chart: str, found: Cusum, use: Flags, unit: float | Floats
) -> Iterator[pd.DataFrame]:
    for side, sums, sign in (("high", found.high, 1.0), ("low", found.low, -1.0)):
        value, lower, upper = (np.full(len(use), np.nan) for _ in range(3))
        value[use] = sign * sums * unit
        lower[use] = 0.0 if sign > 0 else -found.h * unit
        upper[use] = found.h * unit if sign > 0 else 0.0
        yield _points(stretch, f"{chart}-{side}", value, 0.0, lower, upper, use=use)


def _sd(stretch: Stretch) -> pd.DataFrame:
    """Standard deviations with the exact limits of one precision in all sessions."""
    baseline = stretch.baseline
    assert baseline is not None
    size = np.maximum(stretch.n_scans, 2)
    low, high = sd_factors(size, baseline.df_within, stretch.run_length)
    s = baseline.sd_within
    centre = s * np.array([constants(int(k)).c4 for k in size])
    sd = stretch.rows["sd"].to_numpy(float)
    return _points(stretch, "sd", sd, centre, s * low, s * high, use=stretch.several)


def _single_scores(stretch: Stretch, run_rules: bool) -> Iterator[pd.DataFrame]:
    """Scores one by one, drawn as the standard deviations that they are, and their ranges."""
    baseline, spread = stretch.baseline, stretch.spread
    assert baseline is not None
    assert spread is not None
    use, scores = stretch.several, stretch.scores
    size, limits = np.maximum(stretch.n_scans, 2), spread.limits

    def drawn(score: float) -> Floats:
        own = spread.scores.centre + score * spread.scores.scale
        return sd_of_score(own, size, baseline.sd_within)

    rules = None
    if run_rules:
        rules = {name: np.zeros(len(use), bool) for name in rule_signals([0.0], 0.0)}
        for name, hits in rule_signals(scores[use], 0.0).items():
            rules[name][use] = hits
    sd = stretch.rows["sd"].to_numpy(float)
    yield _points(
        stretch,
        "individuals-sd",
        sd,
        drawn(0.0),
        drawn(-limits.single),
        drawn(limits.single),
        use=use,
        rules=rules,
    )
    ranges = np.full(len(use), np.nan)
    ranges[use], _ = _ranges(scores[use])
    yield _points(
        stretch,
        "moving-range-sd",
        ranges,
        constants(2).d2,
        0.0,
        limits.jump,
        use=np.isfinite(ranges),
    )


def _ewma_of_scores(stretch: Stretch) -> pd.DataFrame:
    assert stretch.spread is not None
    limits, use = stretch.spread.limits, stretch.watched(of_sd=True)
    value, lower, upper = (np.full(len(use), np.nan) for _ in range(3))
    found = ewma(stretch.scores[use], start=0.0, sigma=1.0, lambda_=limits.lambda_, L=limits.L)
    value[use], lower[use], upper[use] = found.average, found.lower, found.upper
    return _points(stretch, "ewma-sd", value, 0.0, lower, upper, use=use)


def _cusum_of_scores(stretch: Stretch) -> Iterator[pd.DataFrame]:
    use = stretch.watched(of_sd=True)
    if use.any():
        yield from _sums(stretch, "cusum-sd", stretch.cusum(of_sd=True), use, 1.0)
