"""Trend tests against another library and least squares; published ones are in the selftest."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from accstudy.drift.trend import DAYS_PER_MONTH, mann_kendall, theil_sen, trend_of


def sessions_of(means, days, *, n=3):
    at = pd.Timestamp("2025-01-06") + pd.to_timedelta(np.asarray(days), unit="D")
    return pd.DataFrame({"at": at, "n_scans": n, "mean": means, "sd": 2.0})


@pytest.mark.parametrize("seed", range(4))
def test_ties_in_both_agree_with_another_library(seed):
    rng = np.random.default_rng(seed)
    x, t = rng.integers(0, 6, 25).astype(float), np.sort(rng.integers(0, 12, 25)).astype(float)
    found = mann_kendall(x, t)
    other = stats.kendalltau(t, x, method="asymptotic")
    assert found.tau == pytest.approx(other.statistic, rel=1e-12)
    # scipy applies no continuity correction: undo ours
    assert 2 * stats.norm.sf(abs(found.S) / np.sqrt(found.var_S)) == pytest.approx(
        other.pvalue, rel=1e-9
    )
    sen = theil_sen(x, t)
    assert sen.slope == pytest.approx(stats.theilslopes(x, t).slope, abs=1e-12)


def test_alike_values_have_no_trend():
    found = mann_kendall([2.0, 2.0, 2.0, 2.0])
    assert found.S == 0
    assert np.isnan(found.p)
    assert np.isnan(theil_sen([1.0, 2.0], [3.0, 3.0]).slope)


def test_a_short_series_has_no_bounded_interval():
    found = theil_sen([1.0, 2.0, 2.5], [0.0, 1.0, 2.0])
    assert (found.low, found.high) == (-np.inf, np.inf)


def line_of(days, values):
    found = stats.linregress(days / DAYS_PER_MONTH, values)
    half = stats.t.ppf(0.975, len(values) - 2) * found.stderr
    return found.slope, found.slope - half, found.slope + half, found.pvalue


def test_steady_sessions_have_a_wider_interval_than_a_straight_line():
    days, rng = 14 * np.arange(30), np.random.default_rng(5)
    wider = []
    for _ in range(20):
        means = rng.normal(0, 4, 30)
        found = trend_of(sessions_of(means, days))
        _, low, high, _ = line_of(days, means)
        wider.append((found.high - found.low) / (high - low))
    assert 1.0 <= np.median(wider) < 2.5  # what neighbours and late beginnings leave open


def test_weak_growth_from_the_middle_is_not_taken_for_a_line_through_all_sessions():
    # one line would hold the slope in 3 of 10, see tests/simulations/sim_trend.py
    days, rng = 14 * np.arange(36), np.random.default_rng(8)
    growth, line, found = 0.9 / DAYS_PER_MONTH, 0, 0
    for _ in range(60):
        means = growth * np.maximum(0, days - days[18]) + rng.normal(0, 5, 36)
        trend = trend_of(sessions_of(means, days))
        found += trend.low < 0.9 < trend.high
        _, low, high, _ = line_of(days, means)
        line += low < 0.9 < high
    assert found >= 54
    assert line < 30


def test_growth_from_the_first_session_is_that_of_a_straight_line():
    days = 14 * np.arange(36)
    means = 0.1 * days + np.random.default_rng(6).normal(0, 4, 36)
    found = trend_of(sessions_of(means, days))
    slope, _, _, p = line_of(days, means)
    assert found.low < slope < found.high
    assert found.low < 0.1 * DAYS_PER_MONTH < found.high
    assert found.p < 0.001
    assert p < 0.001
    assert found.begins_low == 0


def test_a_beginning_that_was_picked_widens_the_interval():
    days = 14 * np.arange(36)
    rng = np.random.default_rng(7)
    covered, picked = 0, 0
    for _ in range(60):
        means = 0.06 * np.maximum(0, days - days[18]) + rng.normal(0, 5, 36)
        found = trend_of(sessions_of(means, days))
        covered += found.low < 0.06 * DAYS_PER_MONTH < found.high
        best = min(  # the line since the session that fits best, as if it had been known
            (np.sum((means[:k] - means[:k].mean()) ** 2) + residual(days[k:], means[k:]), k)
            for k in range(4, 30)
        )[1]
        _, low, high, _ = line_of(days[best:], means[best:])
        picked += low < 0.06 * DAYS_PER_MONTH < high
    assert covered >= 52  # 57 expected; below 52 about once in 100
    assert picked < covered


def residual(days, values):
    return np.sum((values - np.polyval(np.polyfit(days, values, 1), days)) ** 2)


def test_scans_of_a_session_are_no_further_evidence():
    means, days = np.random.default_rng(8).normal(0, 10, 12), 30 * np.arange(12)
    few, many = (trend_of(sessions_of(means, days, n=n)) for n in (2, 40))
    assert (few.low, few.high) == pytest.approx((many.low, many.high), rel=1e-9)


def test_a_trend_moves_with_its_unit_and_its_origin():
    means, days = np.random.default_rng(9).normal(0, 10, 20), 30 * np.arange(20)
    one, other = trend_of(sessions_of(means, days)), trend_of(sessions_of(7 - 3 * means, days))
    assert other.estimate == pytest.approx(-3 * one.estimate, rel=1e-6, abs=1e-6)
    assert other.low == pytest.approx(-3 * one.high, rel=1e-6)
    assert other.p == pytest.approx(one.p, rel=1e-6)


def test_too_few_sessions_have_no_trend():
    assert trend_of(sessions_of(np.arange(5.0), 30 * np.arange(5))) is None
    assert trend_of(sessions_of(np.full(8, 2.0), 30 * np.arange(8))) is None
