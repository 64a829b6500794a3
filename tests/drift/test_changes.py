"""Change points: exact, rarely wrong, dated with an honest interval."""

from __future__ import annotations

from itertools import combinations, pairwise

import numpy as np
import pytest

from accstudy.drift.changes import autocorrelation, critical_gain, find_changes, segment
from accstudy.drift.trend import slope_of
from accstudy.errors import InputError

MONTHS = np.arange(18.0)


def test_segmentation_is_exact():
    rng = np.random.default_rng(1)
    for _ in range(20):
        n = 11
        x, w = rng.standard_normal(n), rng.uniform(0.5, 2.0, n)
        for steps in (1, 2, 3):
            best = np.inf
            for starts in combinations(range(1, n), steps):
                edges = [0, *starts, n]
                if min(np.diff(edges)) < 2:
                    continue
                rss = 0.0
                for a, b in pairwise(edges):
                    mean = np.average(x[a:b], weights=w[a:b])
                    rss += np.sum(w[a:b] * (x[a:b] - mean) ** 2)
                if rss < best:
                    best, best_starts = rss, list(starts)
            found, rss = segment(x, w, steps)
            assert rss == pytest.approx(best, abs=1e-10)
            assert found == best_starts


def test_no_room_for_that_many_steps():
    assert segment(np.arange(5.0), np.ones(5), 3) == ([], np.inf)


@pytest.mark.parametrize("n", [8, 18, 40])
def test_a_steady_series_shows_a_change_as_rarely_as_stated(n):
    rng = np.random.default_rng(2)
    seen = sum(
        find_changes(rng.standard_normal(n), np.arange(n), alpha=0.05).kind != "steady"
        for _ in range(600)
    )
    assert seen / 600 == pytest.approx(0.05, abs=0.03)


def test_times_unevenly_spaced_keep_the_risk():
    rng = np.random.default_rng(3)
    times = np.cumsum(rng.exponential(1.0, 20))
    seen = sum(
        find_changes(rng.standard_normal(20), times, alpha=0.05).kind != "steady"
        for _ in range(600)
    )
    assert seen / 600 == pytest.approx(0.05, abs=0.03)


def test_a_step_is_dated():
    rng = np.random.default_rng(4)
    hits, covered, sizes = 0, 0, 0
    for _ in range(200):
        x = rng.standard_normal(18) + 4.0 * (MONTHS >= 10)
        found = find_changes(x, MONTHS)
        if found.kind != "steps" or len(found.changes) != 1:
            continue
        change = found.changes[0]
        hits += change.index == 10
        covered += change.low <= 10 <= change.high
        sizes += change.size_low <= 4.0 <= change.size_high
        assert change.p < 0.01
    assert hits > 165  # less than without the allowance for correlated neighbours: 185
    assert covered > 0.95 * hits
    assert sizes > 0.9 * hits


def test_the_interval_of_a_blurred_step_covers_it():
    rng = np.random.default_rng(5)
    seen, covered = 0, 0
    for _ in range(400):
        x = rng.standard_normal(30) + 1.5 * (np.arange(30) >= 17)
        found = find_changes(x, np.arange(30.0), alpha=0.05)
        if found.kind == "steps" and len(found.changes) == 1:
            seen += 1
            covered += found.changes[0].low <= 17 <= found.changes[0].high
    assert seen > 150
    assert covered / seen > 0.9


def test_a_slow_beginning_is_no_step():
    rng = np.random.default_rng(6)
    ramps, covered, slopes = 0, 0, 0
    for _ in range(60):
        x = rng.standard_normal(24) + 0.6 * np.maximum(0.0, np.arange(24) - 8)
        found = find_changes(x, np.arange(24.0))
        if found.kind == "ramp":
            ramps += 1
            slope = slope_of(x, np.arange(24.0))
            covered += slope.began(0.025) <= 8 <= slope.began(0.975)
            now = slope.mixture
            slopes += now.quantile(0.025) <= 0.6 <= now.quantile(0.975)
    assert ramps > 50
    assert covered / ramps > 0.9
    assert slopes / ramps > 0.88


def correlated(rng, n, rho):
    noise = rng.standard_normal(n)
    for i in range(1, n):
        noise[i] = rho * noise[i - 1] + np.sqrt(1 - rho**2) * noise[i]
    return noise


@pytest.mark.parametrize(("rho", "most"), [(0.3, 0.08), (0.6, 0.2)])
def test_sessions_that_resemble_their_neighbours_are_no_change(rho, most):
    # without allowance 0.08 and 0.30 of such series would show a change at 1 %
    rng = np.random.default_rng(8)
    seen = sum(
        find_changes(correlated(rng, 30, rho), np.arange(30.0)).kind != "steady" for _ in range(300)
    )
    assert seen / 300 < most


def test_the_correlation_of_neighbours_is_estimated():
    rng = np.random.default_rng(9)
    for rho, low, high in ((0.0, 0.0, 0.15), (0.3, 0.15, 0.4), (0.6, 0.4, 0.7)):
        found = [autocorrelation(correlated(rng, 36, rho), np.arange(36.0)) for _ in range(200)]
        assert low <= np.mean([r for r, _ in found]) < high
        if not rho:
            assert np.mean([p < 0.05 for _, p in found]) == pytest.approx(0.05, abs=0.04)


def test_up_and_back_again():
    rng = np.random.default_rng(7)
    x = rng.standard_normal(30) + 6.0 * ((np.arange(30) >= 10) & (np.arange(30) < 20))
    found = find_changes(x, np.arange(30.0))
    assert [c.index for c in found.changes] == [10, 20]
    assert found.changes[0].size > 4 > -4 > found.changes[1].size


def test_a_change_without_noise_is_found():
    found = find_changes(np.r_[np.zeros(6), np.ones(6)], np.arange(12.0))
    assert [(c.index, c.size) for c in found.changes] == [(6, 1.0)]


def test_few_or_equal_sessions_show_nothing():
    assert find_changes([1.0, 9.0, 1.0, 9.0, 9.0], np.arange(5.0)).kind == "steady"
    assert find_changes(np.full(12, 3.0), np.arange(12.0)).kind == "steady"


def test_the_penalty_grows_as_the_risk_shrinks():
    assert critical_gain(18, 0.001) > critical_gain(18, 0.01) > critical_gain(18, 0.05)


def test_sessions_out_of_order_are_refused():
    with pytest.raises(InputError, match="order"):
        find_changes([1.0, 2.0, 3.0], [0.0, 2.0, 1.0])
