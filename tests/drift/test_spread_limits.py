"""Charts of the spread within sessions: scores, their limits and run lengths."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from accstudy.drift.chart_limits import (
    score_baseline,
    sd_factors,
    sd_run_length,
    spread_limits,
)
from accstudy.drift.runlength import (
    ScoreStep,
    cusum_run_length,
    ewma_run_length,
    range_limit,
    range_run_length,
    sd_of_score,
    sd_score,
    shewhart_run_length,
)
from accstudy.drift.signals import chart_signals
from accstudy.drift.stretch import OF_SD, chart_points, chart_stretch
from accstudy.tables import empty

RUN_LENGTH = 100.0
NAMES = {"device": "A", "model": "M", "measurand": "x", "unit": "um", "number": 1}


def sds(rng, n, shape, ratio=1.0):
    return ratio * np.sqrt(rng.chisquare(n - 1, shape) / (n - 1))


@pytest.mark.parametrize("n", [2, 3, 10])
def test_scores_are_normal_and_logarithms_are_not(n):
    s = sds(np.random.default_rng(n), n, 20_000)
    scores = sd_score(s, n, 1.0)
    assert stats.kstest(scores, "norm").pvalue > 0.01
    assert sd_of_score(scores, n, 1.0) == pytest.approx(s, rel=1e-9)
    if n == 3:  # skewness of the logarithm of an exponential: -2 zeta(3) / zeta(2)^1.5
        assert stats.skew(np.log(s)) == pytest.approx(-1.1395, abs=0.1)


def test_scores_stay_finite():
    assert np.isfinite(sd_score([0.0, 1e9], [3, 3], 1.0)).all()


def test_limits_of_one_precision_keep_their_risk():
    rng = np.random.default_rng(4)
    n, df, repeats = 4, 15, 80_000
    pooled = np.sqrt(rng.chisquare(df, repeats) / df)
    sd = sds(rng, n, repeats)
    low, high = sd_factors([n], df, RUN_LENGTH)
    risk = np.mean((sd > high * pooled) | (sd < low * pooled))
    assert risk == pytest.approx(1 / RUN_LENGTH, abs=4 * np.sqrt(0.01 / repeats))
    low, high = (float(side) for side in sd_factors(n, np.inf, RUN_LENGTH))
    assert sd_run_length(n, low, high) == pytest.approx(RUN_LENGTH)
    assert sd_run_length(n, low, high, 1.5) == pytest.approx(
        1 / np.mean(sds(rng, n, 400_000, 1.5) > high), rel=0.03
    )


@pytest.mark.parametrize(("m", "n"), [(6, 3), (12, 5)])
def test_scores_seen_from_a_short_baseline_keep_their_risk(m, n):
    rng = np.random.default_rng(6)
    repeats = 60_000
    s = sds(rng, n, (repeats, m + 2))
    pooled = np.sqrt(np.mean(s[:, :m] ** 2, axis=1))
    scores = sd_score(s, n, pooled[:, None])
    sigma = np.maximum(np.abs(np.diff(scores[:, :m], axis=1)).mean(axis=1) / 1.128379167, 1.0)
    limits = spread_limits(m, n, RUN_LENGTH, 2.0)
    u = (scores[:, m:] - scores[:, :m].mean(axis=1, keepdims=True)) / sigma[:, None]
    error = np.sqrt(0.01 / repeats)
    assert np.mean(np.abs(u[:, 0]) > limits.single) == pytest.approx(0.01, abs=6 * error)
    known = 2 * stats.norm.sf(range_limit(RUN_LENGTH) / np.sqrt(2))
    jumps = np.mean(np.abs(u[:, 1] - u[:, 0]) > limits.jump)
    assert jumps == pytest.approx(known, abs=6 * error)
    if m == 6:  # limits of a long baseline would alarm far more often
        assert np.mean(np.abs(u[:, 0]) > limits.single_known) > 1.3 / RUN_LENGTH


def test_a_short_baseline_has_wider_limits_than_a_long_one():
    short, long = (spread_limits(m, 4, 370.0, 2.0) for m in (6, 120))
    for name in ("single", "h"):
        assert getattr(short, name) > 1.1 * getattr(long, name)
        assert getattr(long, name) == pytest.approx(getattr(long, f"{name}_known"), rel=0.12)


def test_precision_that_varies_between_sessions_widens_the_limits():
    rng = np.random.default_rng(8)
    steady = score_baseline(rng.standard_normal(4000))
    varying = score_baseline(2 * rng.standard_normal(4000))
    assert steady.scale == pytest.approx(1.0, abs=0.05)
    assert varying.scale == pytest.approx(2.0, abs=0.1)
    assert score_baseline([0.0, 0.0, 0.0]).scale == 1.0  # no less than the scans alone make it


def test_run_lengths_of_scores_agree_with_those_of_means_in_control():
    step = ScoreStep(2)
    assert ewma_run_length(0.2, 2.6, step) == pytest.approx(ewma_run_length(0.2, 2.6), rel=1e-5)
    assert cusum_run_length(0.5, 4.0, step) == pytest.approx(cusum_run_length(0.5, 4.0), rel=1e-5)
    assert shewhart_run_length(3.0, step) == pytest.approx(370.398, rel=1e-5)
    assert range_run_length(4.0, step) == pytest.approx(range_run_length(4.0), rel=1e-5)


@pytest.mark.parametrize(("df", "ratio", "scale"), [(1, 1.5, 1.0), (2, 2.0, 1.4), (9, 0.7, 1.0)])
def test_the_distribution_of_scores_after_a_change(df, ratio, scale):
    rng = np.random.default_rng(9)
    step = ScoreStep(df, ratio, scale)
    s = sd_of_score(scale * rng.standard_normal(40_000), df + 1, 1.0)
    u = sd_score(ratio * s, df + 1, 1.0) / scale
    assert stats.kstest(u, step.below).pvalue > 0.01
    assert stats.kstest(-u, step.mirrored().below).pvalue > 0.01
    y = np.linspace(-9.0, 20.0, 20_001)
    below = np.concatenate([[0.0], np.cumsum(step.density(y)[:-1]) * (y[1] - y[0])])
    assert np.abs(below - step.below(y)).max() < 1e-3


def rows_of(sd, n=4):
    rng = np.random.default_rng(10)
    count = len(sd)
    return pd.DataFrame(
        {
            "session": [f"S{i}" for i in range(count)],
            "at": pd.Timestamp("2025-01-06") + pd.to_timedelta(30 * np.arange(count), unit="D"),
            "n_scans": n,
            "mean": rng.standard_normal(count),
            "sd": sd,
        }
    )


def stretch_of(rows, baseline=12, **more):
    use = np.arange(len(rows)) < baseline
    options = {"run_length": 370.0, "shift": 2.0, "sd_ratio": 2.0} | more
    return chart_stretch(NAMES, rows, use, begins_with="", **options)


def test_every_chart_of_the_spread_sees_precision_that_gets_much_worse():
    rng = np.random.default_rng(11)
    sd = np.r_[sds(rng, 4, 20), sds(rng, 4, 12, 4.0)]
    stretch = stretch_of(rows_of(sd))
    points = chart_points(stretch)
    seen = points[points["signal"]].groupby("chart")["at"].min()
    for chart in ("sd", "individuals-sd", "ewma-sd", "cusum-sd-high"):
        assert seen[chart] >= stretch.rows["at"].iloc[20]
    assert not set(seen.index) & {"mean", "ewma", "cusum-high", "cusum-low"}
    found = list(chart_signals(stretch, points, empty("events"), confidence=0.95))
    first = next(one for one in found if one.row["chart"] == "cusum-sd-high")
    assert first.row["size"] > 1.5
    assert first.stands
    assert first.last_good <= 20


def test_individual_limits_are_those_of_the_scores_in_the_unit():
    rng = np.random.default_rng(12)
    rows = rows_of(5 * sds(rng, 4, 20))
    stretch = stretch_of(rows)
    one = chart_points(stretch).query("chart == 'individuals-sd'")
    assert one["value"].to_numpy() == pytest.approx(rows["sd"].to_numpy())
    for side, sign in (("lower", -1.0), ("upper", 1.0)):
        score = sd_score(one[side], 4, stretch.baseline.sd_within)
        own = (score - stretch.spread.scores.centre) / stretch.spread.scores.scale
        assert own == pytest.approx(np.full(20, sign * stretch.spread.limits.single), rel=1e-6)


def test_run_rules_of_the_spread_are_off_unless_asked_for():
    rng = np.random.default_rng(13)
    sd = np.r_[sds(rng, 4, 12), np.linspace(1.2, 1.5, 10)]  # above the centre, and rising
    stretch = stretch_of(rows_of(sd))
    plain = chart_points(stretch)
    asked = chart_points(stretch, run_rules=True)
    assert not plain["rule"].str.contains("run").any()
    told = asked.loc[asked["chart"] == "individuals-sd", "rule"]
    assert told.str.contains("one-side-run").any()
    assert told.str.contains("trend-run").any()


def test_sessions_of_one_scan_leave_the_charts_of_the_spread():
    rng = np.random.default_rng(14)
    rows = rows_of(sds(rng, 4, 16))
    rows.loc[[3, 13], ["n_scans", "sd"]] = [1, np.nan]
    points = chart_points(stretch_of(rows))
    mine = points[points["chart"].isin(OF_SD)]
    assert not mine["session"].isin(["S3", "S13"]).any()
    assert mine["value"].notna().all()
    assert points.loc[points["chart"] == "mean", "session"].nunique() == 16
