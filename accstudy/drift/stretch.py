"""Sessions between two new baselines with their limits, and the points of their charts."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from accstudy.drift.changes import find_changes, noticed
from accstudy.drift.charts import Cusum, constants, cusum, ewma, individuals, rule_signals
from accstudy.drift.control_limits import (
    MeanLimits,
    ScoreBaseline,
    SpreadLimits,
    best_mean_limits,
    individuals_factor,
    range_factor,
    score_baseline,
    sd_factors,
    spread_limits,
)
from accstudy.drift.measurands import MIN_SESSIONS, Baseline, baseline_of
from accstudy.drift.runlength import sd_of_score, sd_score
from accstudy.drift.trend import months

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

_NUMERIC_ZERO = 1e-9
_LEAST_CORRELATED = 12  # sessions that tell a correlation of neighbours
_MOST_CORRELATED = 0.8


@dataclass(frozen=True, slots=True)
class Spread:
    """Baseline and limits of the standard deviations within sessions, of n scans as a rule.

    ``ratio`` is the growth of the standard deviation for which the limits are tuned.
    """

    n: int
    scores: ScoreBaseline
    limits: SpreadLimits
    ratio: float


@dataclass(frozen=True, slots=True)
class Stretch:
    """Sessions of one device, model and measurand between two new baselines, with limits.

    ``rows`` of the session table; ``in_baseline`` says which are the baseline ``number`` (from 1),
    which ``begins_with`` an event or, the first, with none. ``baseline`` and ``limits`` (of means)
    are None where the sessions are too few or identical, ``spread`` where too few of them have
    several scans. ``run_length`` is wanted of each chart, ``shift`` (unit of the measurand) to be
    found; ``note`` says what cannot be said.
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
    spread: Spread | None
    run_length: float
    shift: float
    note: str

    @property
    def rhythm_days(self) -> float:
        """Median time between sessions; NaN with a single one."""
        gaps = self.rows["at"].diff().dt.total_seconds().dropna() / 86_400
        return float(gaps.median()) if len(gaps) else np.nan

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
    def n_scans(self) -> NDArray[np.int64]:
        """Scans of every session."""
        return self.rows["n_scans"].to_numpy(np.int64)

    @property
    def single(self) -> bool:
        """Every session has one scan."""
        return bool((self.n_scans == 1).all())

    @property
    def several(self) -> Flags:
        """Sessions that have more than one scan, and so a standard deviation."""
        return self.n_scans > 1

    @property
    def sd_of_means(self) -> Floats:
        """Standard deviation of each session mean, from the baseline."""
        assert self.baseline is not None
        return self.baseline.sd_of_mean(self.n_scans)

    @property
    def scores(self) -> Floats:
        """Standard deviations as scores about their centre, in their scale; NaN for one scan."""
        assert self.baseline is not None
        assert self.spread is not None
        sd = np.where(self.several, self.rows["sd"].to_numpy(float), np.nan)
        found = sd_score(sd, np.maximum(self.n_scans, 2), self.baseline.sd_within)
        return (found - self.spread.scores.centre) / self.spread.scores.scale

    def watched(self, *, of_sd: bool = False) -> Flags:
        """Sessions after the baseline, of several scans for the standard deviations."""
        return ~self.in_baseline & self.several if of_sd else ~self.in_baseline

    def cusum(self, *, of_sd: bool = False) -> Cusum:
        """CUSUM of the watched sessions: of their means, or of their scores."""
        use = self.watched(of_sd=of_sd)
        if of_sd:
            assert self.spread is not None
            limits = self.spread.limits
            return cusum(self.scores[use], target=0.0, sigma=1.0, k=limits.k, h=limits.h)
        assert self.baseline is not None
        assert self.limits is not None
        return cusum(
            self.means[use],
            target=self.baseline.centre,
            sigma=self.sd_of_means[use],
            k=self.limits.k,
            h=self.limits.h,
        )


def chart_stretch(
    names: dict[str, Any],
    rows: pd.DataFrame,
    in_baseline: Flags,
    *,
    begins_with: str,
    run_length: float,
    shift: float | None,
    sd_ratio: float = 2.0,
) -> Stretch:
    """Estimate the baseline of a stretch and design its charts.

    `names` holds ``device, model, measurand, unit, number``. How much EWMA and CUSUM remember
    follows from `shift` (unit of the measurand; by default one standard deviation of a session
    mean) and `sd_ratio`, the growth of the standard deviation within sessions to be found.
    """
    base = rows[in_baseline]
    note, baseline, limits, spread = "", None, None, None
    wanted = float("nan") if shift is None else shift
    if len(base) < MIN_SESSIONS:
        note = f"a baseline needs {MIN_SESSIONS} sessions; there are {len(base)}"
    else:
        baseline = baseline_of(base)
        if baseline.sd_of_means <= _NUMERIC_ZERO * max(1.0, abs(baseline.centre)):
            note, baseline = (
                "all sessions of the baseline are identical, so limits cannot be set",
                None,
            )
    if baseline is not None:
        if shift is None:
            wanted = baseline.sd_of_means
        in_sigma = round(float(np.clip(wanted / baseline.sd_of_means, 0.5, 3.0)), 1)
        limits = best_mean_limits(baseline.m, run_length, in_sigma, _correlation(rows, baseline))
        spread = _spread(base[base["n_scans"] > 1], baseline, run_length, sd_ratio)
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
        spread=spread,
        run_length=run_length,
        shift=wanted,
        note=note,
    )


def _correlation(rows: pd.DataFrame, baseline: Baseline) -> float:
    """Correlation of neighbouring sessions that limits allow for, in steps of 0.1.

    Beyond what changed: a device that moved away and came back has none.
    """
    if len(rows) < _LEAST_CORRELATED:
        return 0.0
    weights = 1 / baseline.sd_of_mean(rows["n_scans"].to_numpy(np.int64)) ** 2
    found = find_changes(rows["mean"], months(rows["at"]), weights=weights)
    return min(round(noticed(found.rho, found.rho_p), 1), _MOST_CORRELATED)


def _spread(
    base: pd.DataFrame, baseline: Baseline, run_length: float, ratio: float
) -> Spread | None:
    """Charts of the standard deviations of the baseline's sessions of several scans."""
    if len(base) < MIN_SESSIONS or not baseline.sd_within > 0:
        return None
    n = base["n_scans"].to_numpy(np.int64)
    usual = int(np.median(n))
    scores = sd_score(base["sd"].to_numpy(float), n, baseline.sd_within)
    return Spread(
        n=usual,
        scores=score_baseline(scores),
        limits=spread_limits(len(base), usual, run_length, ratio),
        ratio=ratio,
    )


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
    n = len(stretch.rows)
    outside = (value > upper) | (value < lower)
    rule = np.where(outside, OUTSIDE, "").astype(object)
    for name, hits in (rules or {}).items():
        rule = np.where(hits, np.where(rule == "", name, rule + ", " + name), rule)
    rule[stretch.in_baseline] = ""
    columns = {name: stretch.rows[name].array for name in ("session", "at", "n_scans")} | {
        "chart": np.full(n, chart, object),
        "value": value,
        "centre": np.broadcast_to(centre, n),
        "lower": np.broadcast_to(lower, n),
        "upper": np.broadcast_to(upper, n),
        "baseline": stretch.in_baseline,
        "rule": rule,
        "signal": rule != "",
    }
    if use is not None:
        columns = {name: column[use] for name, column in columns.items()}
    return pd.DataFrame(columns)


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
    factor = individuals_factor(baseline.m, stretch.run_length, limits.rho)
    own = individuals(x[stretch.in_baseline], L=factor)
    rules = rule_signals(x, own.centre) if run_rules else None
    ranges, known = _ranges(x)
    top = range_factor(baseline.m, stretch.run_length, limits.rho) * own.mean_range
    return [
        _points(stretch, "individuals", x, own.centre, own.lower, own.upper, rules=rules),
        _points(stretch, "moving-range", ranges, own.mean_range, 0.0, top, use=known),
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
