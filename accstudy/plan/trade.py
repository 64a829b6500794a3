"""False alarms against time to detect a shift, by size of baseline and sessions."""

from __future__ import annotations

import math

import pandas as pd

from accstudy.drift.charts import best_mean_limits
from accstudy.drift.designs import CHARTS_COUNT
from accstudy.drift.runlength import cusum_run_length, ewma_run_length
from accstudy.errors import InputError
from accstudy.tables import shape

__all__ = ["drift_trade"]


def drift_trade(
    s_scan: float,
    s_session: float,
    *,
    shift: float,
    sessions_per_year: float = 12.0,
    baselines: tuple[int, ...] = (6, 10, 20),
    per_session: tuple[int, ...] = (1, 3, 5),
    every: tuple[float, ...] = (60.0, 100.0),
    measurands: int = 3,
) -> pd.DataFrame:
    """Say how soon a shift is found, by baseline, scans a session and false alarms.

    Parameters
    ----------
    s_scan, s_session : float
        Standard deviation of repeats within a session, and between sessions, um.
    shift : float
        Shift that matters, um.
    sessions_per_year : float
        Sessions held in a year.
    baselines : tuple of int
        Sessions of the baseline, 3 or more.
    per_session : tuple of int
        Scans a session.
    every : tuple of float
        Sessions between false alarms of a device, all charts together.
    measurands : int
        Independent measurands that the charted ones amount to.

    Returns
    -------
    DataFrame
        Table ``plan_drift``. The delay is that of the quicker of EWMA and CUSUM for a
        shift after a long quiet time, with limits widened for the baseline.

    Raises
    ------
    InputError
        If a number cannot be used.
    """
    if not s_scan > 0 or s_session < 0 or not shift > 0 or not sessions_per_year > 0:
        raise InputError("spread of repeats, shift and sessions per year must be above zero")
    if min(baselines) < 3:
        raise InputError("a baseline needs at least 3 sessions")
    rows = []
    for n in per_session:
        sd = math.sqrt(s_session**2 + s_scan**2 / n)
        in_sigma = round(min(max(shift / sd, 0.5), 3.0), 1)
        for m in baselines:
            for length in every:
                limits = best_mean_limits(m, length * CHARTS_COUNT * measurands, in_sigma)
                size = round(min(shift / sd, 6.0), 3)
                delay = min(
                    ewma_run_length(limits.lambda_, limits.L, size, state="steady"),
                    cusum_run_length(limits.k, limits.h, size, state="steady"),
                )
                rows.append(
                    {
                        "n_scans": n,
                        "n_baseline": m,
                        "false_alarm_every": length,
                        "false_alarms_per_year": sessions_per_year / length,
                        "scans_per_year": n * sessions_per_year,
                        "sd_of_mean_um": sd,
                        "shift_um": shift,
                        "delay_sessions": delay,
                        "delay_months": 12 * delay / sessions_per_year,
                        "method": "quicker of EWMA and CUSUM, steady state",
                    }
                )
    return shape("plan_drift", pd.DataFrame(rows))
