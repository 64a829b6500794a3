"""False alarms a year against months to find a shift: arithmetic, order, and simulated delays."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from accstudy.cli import main
from accstudy.drift.control_limits import best_mean_limits
from accstudy.drift.designs import CHARTS_COUNT, drift_trade
from accstudy.errors import InputError
from accstudy.tables import read_csv


def trade(**more):
    return drift_trade(12.0, 4.0, **({"shift": 20.0} | more))


def test_a_row_is_what_the_numbers_say():
    row = trade(sessions_per_year=26.0, baselines=(10,), per_session=(4,), every=(65.0,)).iloc[0]
    assert row["sd_of_mean_um"] == pytest.approx(np.sqrt(4.0**2 + 12.0**2 / 4))
    assert row["false_alarms_per_year"] == pytest.approx(26 / 65)
    assert row["scans_per_year"] == 104
    assert row["delay_months"] == pytest.approx(row["delay_sessions"] * 12 / 26)


def test_more_scans_longer_baselines_and_more_false_alarms_find_a_shift_sooner():
    table, design = trade(), ["n_scans", "n_baseline", "false_alarm_every"]
    for column, sign in zip(design, (-1, -1, 1), strict=True):
        others = [c for c in design if c != column]
        steps = table.sort_values(column).groupby(others)["delay_sessions"].diff().dropna()
        assert len(steps)
        assert (sign * steps > 0).all()


def first_alarms(x, *, lambda_, L, k, h):
    """Session in which EWMA and CUSUM of every row alarm first, (2, n); NaN for never."""
    average, high, low = (np.zeros(len(x)) for _ in range(3))
    edge = L * np.sqrt(lambda_ / (2 - lambda_))
    first = np.full((2, len(x)), np.nan)
    for i, column in enumerate(x.T, start=1):
        average = (1 - lambda_) * average + lambda_ * column
        high, low = np.maximum(0, high + column - k), np.maximum(0, low - column - k)
        alarms = np.stack([np.abs(average) > edge, np.maximum(high, low) > h])
        first[np.isnan(first) & alarms] = i
    return first


def test_the_delay_is_that_of_simulated_charts_with_a_long_baseline():
    found = trade(baselines=(500,), per_session=(3,), every=(80.0,)).iloc[0]
    sd = np.sqrt(4.0**2 + 12.0**2 / 3)
    limits = best_mean_limits(500, 80.0 * CHARTS_COUNT * 3, round(20 / sd, 1))
    rng = np.random.default_rng(4)
    quiet = 40
    x = rng.standard_normal((6000, quiet + 60)) + np.where(
        np.arange(quiet + 60) < quiet, 0, 20 / sd
    )
    design = {"lambda_": limits.lambda_, "L": limits.L, "k": limits.k, "h": limits.h}
    first = first_alarms(x, **design)
    lengths = [row[(row > quiet) | np.isnan(row)] - quiet for row in first]
    assert all(np.isfinite(row).all() for row in lengths)
    means = [row.mean() for row in lengths]
    error = max(row.std() / np.sqrt(len(row)) for row in lengths)
    assert found["delay_sessions"] == pytest.approx(min(means), abs=4 * error)
    # what the false alarms are set to: each chart alone once in 80 x 15 sessions
    alarms = [np.mean(row <= quiet) for row in first]
    assert max(alarms) < 1.4 * quiet / (80 * CHARTS_COUNT * 3)


def test_numbers_that_cannot_be_used_are_refused():
    for wrong in ({"shift": 0.0}, {"sessions_per_year": 0.0}, {"baselines": (2,)}):
        with pytest.raises(InputError):
            trade(**wrong)


def test_plan_prints_and_writes_the_trade_of_a_drift_study(tmp_path):
    study = tmp_path / "study"
    call = CliRunner()
    made = call.invoke(main, ["new", str(study), "--protocol", "monthly_drift"])
    assert made.exit_code == 0, made.output
    words = ["plan", str(study), "--s-r", "12", "--s-cell", "4", "--shift", "20", "--sizes-only",
             "--sessions-a-year", "26", "--per-cell", "3,5"]  # fmt: skip
    done = call.invoke(main, words, catch_exceptions=False)
    assert done.exit_code == 0, done.output
    assert "n_baseline sets drift.baseline_sessions" in done.output
    table = read_csv("plan_drift", study / "plan" / "plan_drift.csv")
    again = trade(sessions_per_year=26.0, per_session=(3, 5))
    columns = ["false_alarms_per_year", "delay_months", "n_scans", "n_baseline"]
    pd.testing.assert_frame_equal(table[columns], again[columns], atol=1e-6)
    for value in table["delay_months"]:
        assert f"{value:.4g}" in done.output
