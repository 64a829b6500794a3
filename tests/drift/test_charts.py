"""Charts of sessions of different size; the printed examples are those of the selftest."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from accstudy.drift.charts import cusum, ewma
from accstudy.drift.control_limits import (
    HORIZON,
    best_mean_limits,
    individuals_factor,
    mean_factor,
    mean_limits,
    range_factor,
    score_baseline,
    sd_factors,
    sd_run_length,
    spread_limits,
)
from accstudy.drift.device import chart_signals
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
from accstudy.drift.stretch import OF_SD, chart_points, chart_stretch
from accstudy.tables import empty


def test_unequal_spread_reaches_the_limits_of_equal_spread():
    x = np.zeros(40)
    equal = ewma(x, start=0.0, sigma=2.0, lambda_=0.2, L=3.0)
    mixed = ewma(x, start=0.0, sigma=np.r_[np.full(5, 4.0), np.full(35, 2.0)], lambda_=0.2, L=3.0)
    assert equal.upper == pytest.approx(6.0 / 3.0)
    assert mixed.upper[4] == pytest.approx(4.0)
    assert mixed.upper[-1] == pytest.approx(2.0, rel=1e-3)


RUN_LENGTH = 100.0


def test_single_means_keep_their_risk_whatever_the_baseline():
    rng = np.random.default_rng(1)
    for m in (4, 10):
        base = rng.standard_normal((60_000, m))
        future = rng.standard_normal(60_000)
        limit = mean_factor(m, RUN_LENGTH) * base.std(axis=1, ddof=1)
        risk = np.mean(np.abs(future - base.mean(axis=1)) > limit)
        assert risk == pytest.approx(1 / RUN_LENGTH, abs=4 * np.sqrt(0.01 / 60_000))
    # known limits would alarm five times as often after four sessions
    naive = np.mean(np.abs(future - base.mean(axis=1)) > 2.576 * base.std(axis=1, ddof=1))
    assert naive > 2 / RUN_LENGTH


def test_individuals_and_ranges_keep_their_risk():
    rng = np.random.default_rng(2)
    m = 6
    x = rng.standard_normal((80_000, m + 2))
    mean_range = np.abs(np.diff(x[:, :m], axis=1)).mean(axis=1)
    half = individuals_factor(m, RUN_LENGTH) * mean_range / 1.128379167
    error = 4 * np.sqrt(0.01 / 80_000)
    risk = np.mean(np.abs(x[:, m] - x[:, :m].mean(axis=1)) > half)
    assert risk == pytest.approx(1 / RUN_LENGTH, abs=2 * error)
    ranges = np.abs(x[:, m + 1] - x[:, m])
    risk = np.mean(ranges > range_factor(m, RUN_LENGTH) * mean_range)
    assert risk == pytest.approx(1 / RUN_LENGTH, abs=2 * error)


def test_jumps_between_sessions_keep_the_risk_of_known_limits():
    rng = np.random.default_rng(5)
    m = 5
    x = rng.standard_normal((80_000, m + 2))
    limits = mean_limits(m, RUN_LENGTH, 0.2, 0.5)
    jump = np.abs(x[:, m + 1] - x[:, m]) / x[:, :m].std(axis=1, ddof=1)
    known = np.mean(np.abs(x[:, m + 1] - x[:, m]) > limits.jump_known)
    assert np.mean(jump > limits.jump) == pytest.approx(known, abs=8 * np.sqrt(0.01 / 80_000))
    assert limits.jump > limits.jump_known


def test_a_long_baseline_has_the_limits_of_known_parameters():
    found = mean_limits(4000, 370.0, 0.2, 0.5)
    assert found.shewhart == pytest.approx(found.shewhart_known, rel=0.01)
    assert found.L / found.L_known == pytest.approx(1.0, rel=0.02)
    assert found.h == pytest.approx(found.h_known, rel=0.03)


def test_a_shorter_baseline_has_wider_limits():
    found = [mean_limits(m, 370.0, 0.2, 0.5) for m in (4, 6, 12, 50)]
    for name in ("shewhart", "jump", "L", "h"):
        values = [getattr(one, name) for one in found]
        assert values == sorted(values, reverse=True)


def test_ewma_and_cusum_keep_their_risk_over_the_next_sessions():
    # the risk of the chart with known parameters, by another seed and through the charts
    rng = np.random.default_rng(3)
    m, repeats = 8, 2500
    limits = mean_limits(m, 60.0, 0.2, 0.5)
    alarms = {"ewma": 0, "cusum": 0}
    for _ in range(repeats):
        x = rng.standard_normal(m + HORIZON) * 5 + 40
        centre, sd = x[:m].mean(), x[:m].std(ddof=1)
        average = ewma(x[m:], start=centre, sigma=sd, lambda_=0.2, L=limits.L)
        sums = cusum(x[m:], target=centre, sigma=sd, k=0.5, h=limits.h)
        alarms["ewma"] += bool(average.signals.any())
        alarms["cusum"] += bool(sums.signals.any())
    known = 0
    for _ in range(repeats):
        x = rng.standard_normal(HORIZON)
        known += bool(ewma(x, start=0, sigma=1, lambda_=0.2, L=limits.L_known).signals.any())
    for found in alarms.values():
        assert found / repeats == pytest.approx(known / repeats, abs=0.045)


def test_charts_of_correlated_sessions_keep_the_risk_of_independent_ones():
    # first-order autoregressive sessions by another generator, through the charts
    rng = np.random.default_rng(8)
    m, repeats, rho = 10, 1500, 0.6
    limits, plain = (mean_limits(m, 200.0, 0.2, 0.5, r) for r in (rho, 0.0))
    x = np.empty((repeats, m + HORIZON))
    x[:, 0] = rng.standard_normal(repeats)
    for i in range(1, x.shape[1]):
        x[:, i] = rho * x[:, i - 1] + 0.8 * rng.standard_normal(repeats)
    alarms = dict.fromkeys(("ewma", "cusum", "mean", "jump", "plain"), 0.0)
    for row in x:
        centre, sd = row[:m].mean(), row[:m].std(ddof=1)
        later = {"start": centre, "sigma": sd, "lambda_": 0.2}
        alarms["ewma"] += ewma(row[m:], L=limits.L, **later).signals.any() / repeats
        alarms["plain"] += ewma(row[m:], L=plain.L, **later).signals.any() / repeats
        sums = cusum(row[m:], target=centre, sigma=sd, k=0.5, h=limits.h)
        alarms["cusum"] += sums.signals.any() / repeats
        alarms["mean"] += np.mean(np.abs(row[m:] - centre) > limits.shewhart * sd) / repeats
        alarms["jump"] += np.mean(np.abs(np.diff(row[m:])) > limits.jump * sd) / repeats
    within = 1 - (1 - 1 / 200) ** HORIZON  # of independent sessions, for a chart without memory
    assert alarms["plain"] > 3 * within
    assert alarms["ewma"] < 1.3 * within
    assert alarms["cusum"] < 1.3 * within
    assert alarms["mean"] == pytest.approx(1 / 200, abs=0.003)
    assert alarms["jump"] < 1.5 / 200  # differences of neighbours are smaller, if anything


def test_limits_of_correlated_sessions_are_never_narrower():
    found = [mean_limits(8, 200.0, 0.2, 0.5, rho) for rho in (0.0, 0.2, 0.5, 0.8)]
    for name in ("shewhart", "jump", "L", "h"):
        values = [getattr(one, name) for one in found]
        assert min(values) == values[0]
    for limit in (individuals_factor, range_factor):
        assert limit(8, 200.0, 0.6) >= limit(8, 200.0)


def test_a_short_baseline_wants_a_longer_memory():
    assert best_mean_limits(6, 370.0, 1.5).lambda_ < best_mean_limits(200, 370.0, 1.5).lambda_


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
