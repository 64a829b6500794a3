"""Limits of short baselines keep the risk of a false alarm."""

from __future__ import annotations

import numpy as np
import pytest

from accstudy.drift.chart_limits import (
    HORIZON,
    best_mean_limits,
    individuals_factor,
    mean_factor,
    mean_limits,
    range_factor,
)
from accstudy.drift.charts import cusum, ewma

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
