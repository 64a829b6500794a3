"""Trend tests against published examples, another library, and least squares."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from accstudy.drift.trend import DAYS_PER_MONTH, mann_kendall, mixed_trend, theil_sen
from accstudy.selftest.published import case


def scans_of(values, per_session, days):
    n = len(values)
    at = pd.Timestamp("2025-01-06") + pd.to_timedelta(np.repeat(days, per_session), unit="D")
    session = np.repeat([f"S{i}" for i in range(n // per_session)], per_session)
    return pd.DataFrame({"session": session, "at": at, "value": values})


def test_mann_kendall_and_theil_sen_of_the_great_lakes():
    example = case("iso5725", "trend_precipgl")
    frame = example.frame
    found = mann_kendall(frame["inches"])
    for name, value in (
        ("S", found.S),
        ("var_S", found.var_S),
        ("z", found.z),
        ("p", found.p),
        ("tau", found.tau),
    ):
        assert value == pytest.approx(example.published[name], abs=example.tolerance[name])
    slope = theil_sen(frame["inches"], frame["year"])
    assert slope.slope == pytest.approx(example.published["slope"], abs=0.005)
    assert [slope.low, slope.high] == pytest.approx(example.published["slope_ci95"], abs=5e-9)


def test_kendall_of_the_tuna():
    example = case("iso5725", "kendall_tuna")
    found = mann_kendall(example.params["y"], example.params["x"])
    assert found.tau == pytest.approx(example.published["tau"], abs=5e-5)
    n = len(example.params["x"])
    assert (found.S + n * (n - 1) / 2) / 2 == example.published["concordant"]


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


def test_balanced_sessions_give_the_line_through_session_means():
    rng = np.random.default_rng(5)
    days = 30 * np.arange(10) + rng.integers(0, 9, 10)
    values = np.repeat(0.1 * days + rng.normal(0, 4, 10), 4) + rng.normal(0, 3, 40)
    found = mixed_trend(scans_of(values, 4, days))
    line = stats.linregress(days / DAYS_PER_MONTH, values.reshape(10, 4).mean(axis=1))
    assert found.slope == pytest.approx(line.slope, rel=1e-6)
    assert found.p == pytest.approx(line.pvalue, rel=1e-3)
    half = stats.t.ppf(0.975, 8) * line.stderr
    assert [found.low, found.high] == pytest.approx(
        [line.slope - half, line.slope + half], rel=1e-3
    )
    assert (found.sessions, found.scans) == (10, 40)


def test_scans_of_a_session_are_no_further_evidence():
    rng = np.random.default_rng(6)
    hits = 0
    for _ in range(40):
        values = np.repeat(rng.normal(0, 10, 8), 10) + rng.normal(0, 1, 80)
        hits += mixed_trend(scans_of(values, 10, 30 * np.arange(8))).p < 0.05
    assert hits <= 7  # 5 % of 40 is 2; pretending 80 independent scans would give about 20


def test_single_scans_make_a_straight_line():
    days = 30 * np.arange(12)
    values = np.random.default_rng(7).normal(0, 2, 12)
    found = mixed_trend(scans_of(values, 1, days))
    line = stats.linregress(days / DAYS_PER_MONTH, values)
    assert [found.slope, found.p] == pytest.approx([line.slope, line.pvalue], rel=1e-6)


def test_too_few_sessions_have_no_trend():
    assert mixed_trend(scans_of(np.arange(6.0), 2, np.array([0, 30, 60]))) is None
    assert mixed_trend(scans_of(np.full(8, 2.0), 2, 30 * np.arange(4))) is None
