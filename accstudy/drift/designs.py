"""Settings of the drift analysis; what was designed from a baseline, as rows; and, before the first
session, false alarms against time to detect a shift.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from accstudy.drift.charts import RULES, rule_run_lengths
from accstudy.drift.control_limits import (
    MeanLimits,
    best_mean_limits,
    sd_factors,
    sd_run_length,
)
from accstudy.drift.runlength import (
    ScoreStep,
    Step,
    cusum_run_length,
    ewma_run_length,
    range_run_length,
    shewhart_run_length,
)
from accstudy.drift.stretch import Spread, Stretch
from accstudy.errors import InputError
from accstudy.tables import shape

ALPHA = 0.01
"""Risk, a device and model, that change points are seen where there are none."""

CHARTS_COUNT = 5
"""Independent charts that the nine of one measurand amount to (mean, moving range, EWMA
and CUSUM of the level; five of the spread). By simulation of steady sessions, see
``tests/simulations/sim_drift.py``: 3.7 after a baseline of six sessions, 4.6 after ten,
5.2 after twenty."""

TABLE_NAMES = (
    "drift_points",
    "drift_signals",
    "drift_baselines",
    "drift_run_lengths",
    "drift_trends",
    "drift_pairs",
    "drift_limits",
    "drift_status",
    "drift_comparisons",
    "drift_lookback",
    "drift_periods",
    "drift_devices",
    "drift_advice",
    "drift_remarks",
)


@dataclass(frozen=True, slots=True)
class DriftOptions:
    """Settings of the analysis.

    Parameters
    ----------
    baseline_sessions : int
        Number of sessions in every baseline.
    baseline_until : date, optional
        Last day of the first baseline, instead of the number.
    false_alarm_every : float
        Mean number of sessions between false alarms of a device, all its charts together.
    shift_um : float
        Shift that should be found soon.
    sd_ratio : float
        Growth of the standard deviation within sessions that should be found soon.
    horizon_months : float, optional
        How far a trend is projected ahead; by default as far as its sessions
        reach back.
    run_rules : bool
        Look for runs, trends and alternation, too.
    limit_um : float, optional
        Limit of the distance of every pair.
    span_edges_mm : tuple of float
        Borders of the span classes.
    coverage, confidence : float
        Of tolerance bounds and intervals.
    """

    baseline_sessions: int = 10
    baseline_until: dt.date | None = None
    false_alarm_every: float = 80.0
    shift_um: float = 20.0
    sd_ratio: float = 2.0
    horizon_months: float | None = None
    run_rules: bool = False
    limit_um: float | None = None
    span_edges_mm: tuple[float, ...] = (15.0, 30.0)
    coverage: float = 0.95
    confidence: float = 0.95


@dataclass
class Rows:
    """Rows of all tables as they are found."""

    frames: dict[str, list[pd.DataFrame]] = field(
        default_factory=lambda: {name: [] for name in TABLE_NAMES}
    )

    def add(self, name: str, frame: pd.DataFrame | Sequence[dict[str, Any]]) -> None:
        """Add rows to a table."""
        rows = frame if isinstance(frame, pd.DataFrame) else pd.DataFrame(list(frame))
        if len(rows):
            self.frames[name].append(rows)

    def so_far(self, name: str) -> pd.DataFrame:
        """Rows of a table that were found so far."""
        found = self.frames[name]
        return shape(name, pd.concat(found, ignore_index=True) if found else pd.DataFrame())

    def tables(self) -> dict[str, pd.DataFrame]:
        """Every table, with or without rows."""
        return {name: self.so_far(name) for name in self.frames}


def effective_number(values: pd.DataFrame) -> int:
    """Number of independent measurands that the correlated ones amount to, rounded up.

    From the correlation of scans within their sessions, which no drift between sessions touches;
    `values` has ``scan, session, measurand, value`` of one device and model.

    References
    ----------
    Galwey, Genetic Epidemiology 33 (2009) 559-568: the squared sum of the roots
    of the eigenvalues over the sum of the eigenvalues.
    """
    count = max(values["measurand"].nunique(), 1)
    wide = values.set_index(["scan", "measurand"])["value"].unstack().dropna()  # noqa: PD010
    session = values.drop_duplicates("scan").set_index("scan")["session"].loc[wide.index]
    within = wide - wide.groupby(session).transform("mean")
    if len(wide) - session.nunique() < 2 * count or (within.std() <= 0).any():
        return count
    eigen = np.maximum(np.linalg.eigvalsh(within.corr().to_numpy()), 0.0)
    return int(np.ceil(np.sum(np.sqrt(eigen)) ** 2 / np.sum(eigen) - 1e-9))


def baseline_row(stretch: Stretch) -> dict[str, Any]:
    """Row of table ``drift_baselines``."""
    base = stretch.rows[stretch.in_baseline]
    row: dict[str, Any] = {
        **stretch.names,
        "begins_with": stretch.begins_with,
        "n_sessions": len(base),
        "n_scans": int(base["n_scans"].sum()),
        "run_length": stretch.run_length,
        "note": stretch.note,
    }
    if len(base):
        row.update(
            first_session=base["session"].iloc[0],
            last_session=base["session"].iloc[-1],
            until=base["at"].iloc[-1],
        )
    baseline, limits = stretch.baseline, stretch.limits
    if baseline is not None and limits is not None:
        between = max(baseline.var_between, 0.0)  # NaN for single scans stays NaN
        row.update(
            centre=baseline.centre,
            sd_of_means=baseline.sd_of_means,
            sd_within=baseline.sd_within,
            sd_between=np.nan if np.isnan(baseline.var_between) else np.sqrt(between),
            shewhart_limit=limits.shewhart,
            lambda_=limits.lambda_,
            ewma_limit=limits.L,
            k=limits.k,
            h=limits.h,
            widened=limits.L / limits.L_known,
            autocorrelation=limits.rho,
        )
    if stretch.spread is not None:
        scores, charts = stretch.spread.scores, stretch.spread.limits
        row.update(
            score_centre=scores.centre,
            score_scale=scores.scale,
            score_limit=charts.single,
            lambda_sd=charts.lambda_,
            ewma_sd_limit=charts.L,
            k_sd=charts.k,
            h_sd=charts.h,
        )
    return row


def run_length_rows(stretch: Stretch, *, every: float) -> list[dict[str, Any]]:
    """In-control and out-of-control run lengths of the charts as designed and as used.

    `every` is the mean number of sessions between false alarms of the device: a chart of session
    means that needs longer for the shift is insensitive to it.
    """
    baseline, limits = stretch.baseline, stretch.limits
    if baseline is None or limits is None:
        return []
    rows = []
    rhythm_days = stretch.rhythm_days
    shifts = [0.0, *(f * baseline.sd_of_means for f in (0.5, 1.0, 2.0, 3.0)), stretch.shift]
    for shift in sorted(set(shifts)):
        s = round(shift / baseline.sd_of_means, 4)
        for which, chart, zero, steady in _of_means(limits, s, single=stretch.single):
            rows.append(
                {
                    "chart": chart,
                    "shift": shift,
                    "shift_sigma": s,
                    "zero_state": zero,
                    "steady_state": steady,
                    "steady_state_days": steady * rhythm_days,
                    "limits": which,
                    "wanted": shift == stretch.shift,
                    "insensitive": chart in ("mean", "individuals")
                    and shift == stretch.shift
                    and steady > every,
                }
            )
    if stretch.spread is not None:
        for ratio in sorted({1.0, 1.25, 1.5, 2.0, 3.0, stretch.spread.ratio}):
            for which, chart, zero, steady in _of_spread(stretch, stretch.spread, ratio):
                rows.append(
                    {
                        "chart": chart,
                        "sd_ratio": ratio,
                        "zero_state": zero,
                        "steady_state": steady,
                        "limits": which,
                        "wanted": ratio == stretch.spread.ratio,
                    }
                )
    prices = rule_run_lengths(limits.shewhart_known)
    rows += [
        {
            "chart": rule,
            "shift": 0.0,
            "shift_sigma": 0.0,
            "zero_state": _told(prices[rule]),
            "limits": "known",
            "wanted": False,
        }
        for rule in RULES
    ]
    return [stretch.names | row for row in rows]


_Length = tuple[str, str, float, float]  # limits, chart, zero state, steady state


def _of_means(limits: MeanLimits, s: float, *, single: bool) -> Iterator[_Length]:
    known = (limits.shewhart_known, limits.jump_known, limits.L_known, limits.h_known)
    used = (limits.shewhart, limits.jump, limits.L, limits.h)
    for which, (one, jump, L, h) in (("known", known), ("used", used)):
        length = _told(shewhart_run_length(one, s))
        yield which, "individuals" if single else "mean", length, length
        yield which, "moving-range", *_both(range_run_length, jump, s)
        yield which, "ewma", *_both(ewma_run_length, limits.lambda_, L, s)
        yield which, "cusum", *_both(cusum_run_length, limits.k, h, s)


def _of_spread(stretch: Stretch, spread: Spread, ratio: float) -> Iterator[_Length]:
    assert stretch.baseline is not None
    limits = spread.limits
    step = ScoreStep(spread.n - 1, ratio, spread.scores.scale)
    known = (np.inf, limits.single_known, limits.jump_known, limits.L_known, limits.h_known)
    used = (float(stretch.baseline.df_within), limits.single, limits.jump, limits.L, limits.h)
    for which, (df, one, jump, L, h) in (("known", known), ("used", used)):
        low, high = (float(side) for side in sd_factors(spread.n, df, stretch.run_length))
        length = _told(sd_run_length(spread.n, low, high, ratio))
        yield which, "sd", length, length
        length = _told(shewhart_run_length(one, step))
        yield which, "individuals-sd", length, length
        yield which, "moving-range-sd", *_both(range_run_length, jump, step)
        yield which, "ewma-sd", *_both(ewma_run_length, limits.lambda_, L, step)
        yield which, "cusum-sd", *_both(cusum_run_length, limits.k, h, step)


_UNTOLD = 1e6  # run lengths beyond lose digits in the equations, and are of no interest
_DIGITS = 5  # so that the last bits of a linear solver do not show


def _both(run_length: Callable[..., float], *design: float | Step) -> tuple[float, float]:
    """Zero-state and steady-state run length; infinite beyond what can be computed."""
    zero, steady = (run_length(*design, state=state) for state in ("zero", "steady"))
    return _told(zero), _told(steady)


def _told(length: float) -> float:
    return float(f"{length:.{_DIGITS}g}") if 0 < length < _UNTOLD else np.inf


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
