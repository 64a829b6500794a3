"""Run lengths against each other and short simulations; published ones are in the selftest."""

from __future__ import annotations

import numpy as np
import pytest

from accstudy.drift.charts import RULES, cusum, ewma, rule_run_lengths, rule_signals
from accstudy.drift.runlength import (
    best_lambda,
    cusum_limit,
    cusum_run_length,
    ewma_limit,
    ewma_run_length,
    shewhart_limit,
    shewhart_run_length,
)


@pytest.mark.parametrize("run_length", [100.0, 370.0, 5000.0])
def test_limits_give_the_run_length_they_were_designed_for(run_length):
    assert shewhart_run_length(shewhart_limit(run_length)) == pytest.approx(run_length, rel=1e-9)
    for lambda_ in (0.05, 0.2, 0.5):
        L = ewma_limit(lambda_, run_length)
        assert ewma_run_length(lambda_, L) == pytest.approx(run_length, rel=1e-3)
    for k in (0.25, 0.5, 1.5):
        assert cusum_run_length(k, cusum_limit(k, run_length)) == pytest.approx(
            run_length, rel=1e-3
        )


def test_an_ewma_that_forgets_everything_is_a_chart_of_single_values():
    assert ewma_run_length(0.999999, 3.0, 1.0) == pytest.approx(
        shewhart_run_length(3.0, 1.0), rel=1e-3
    )


def test_larger_shifts_want_a_shorter_memory():
    assert best_lambda(0.5, 370.0) < best_lambda(1.0, 370.0) < best_lambda(2.5, 370.0)


def _steady_delays(rng, signals_of, shift, *, quiet=60, repeats=4000):
    """Delays of charts that had a long quiet time before the shift."""
    delays = []
    while len(delays) < repeats:
        x = rng.standard_normal(quiet + 300)
        x[quiet:] += shift
        flags = signals_of(x)
        first = int(np.argmax(flags))
        if flags.any() and first >= quiet:
            delays.append(first - quiet + 1)
    return np.array(delays)


@pytest.mark.parametrize("shift", [0.75, 1.5])
def test_steady_state_run_lengths_agree_with_simulation(shift):
    rng = np.random.default_rng(11)

    def ewma_flags(x):
        return ewma(x, start=0.0, sigma=1.0, lambda_=0.2, L=2.6).signals

    def cusum_flags(x):
        return cusum(x, target=0.0, sigma=1.0, k=0.5, h=4.0).signals

    for flags, expected in (
        (ewma_flags, ewma_run_length(0.2, 2.6, shift, state="steady")),
        (cusum_flags, cusum_run_length(0.5, 4.0, shift, state="steady")),
    ):
        delays = _steady_delays(rng, flags, shift, repeats=500)
        error = delays.std() / np.sqrt(len(delays))
        assert abs(delays.mean() - expected) < 4 * error


def test_false_alarms_come_as_often_as_computed():
    rng = np.random.default_rng(12)
    L = ewma_limit(0.2, 50.0)
    lengths, x = [], rng.standard_normal(40_000)
    at = 0
    while at < len(x) - 1000:
        flags = ewma(x[at : at + 1000], start=0.0, sigma=1.0, lambda_=0.2, L=L).signals
        lengths.append(int(np.argmax(flags)) + 1)
        at += lengths[-1]
    error = np.std(lengths) / np.sqrt(len(lengths))
    assert abs(np.mean(lengths) - 50.0) < 4 * error


@pytest.mark.parametrize("rule", ["trend-run", "alternation"])
def test_the_simulated_price_is_that_of_the_rule_itself(rule):
    rng = np.random.default_rng(13)
    x = rng.standard_normal(40_000)
    lengths, at = [], 0
    while at < len(x) - 3000:
        part = x[at : at + 3000]
        flags = rule_signals(part, 0.0)[rule] | (np.abs(part) > 3.0)
        lengths.append(int(np.argmax(flags)) + 1)
        at += lengths[-1]
    error = np.std(lengths) / np.sqrt(len(lengths))
    prices = rule_run_lengths(3.0)
    assert abs(np.mean(lengths) - prices[rule]) < 4.5 * error
    assert all(prices[each] < prices["none"] for each in RULES)


def test_rules_see_what_they_are_named_for():
    rising = rule_signals([0.0, 1, 2, 3, 4, 5, 4], 10.0)
    assert rising["trend-run"].tolist() == [False] * 5 + [True, False]
    zigzag = rule_signals([1.0, -1.0] * 7, 0.0)
    assert zigzag["alternation"].tolist() == [False] * 13 + [True]
    assert not zigzag["one-side-run"].any()
    side = rule_signals([1.0, 2, 1, 2, 1, 2, 1, 2, -1], 0.0)
    assert side["one-side-run"].tolist() == [False] * 7 + [True, False]
