"""Settings of the drift analysis, and the rows of its tables as they are found."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from accstudy.tables import shape

__all__ = ["ALPHA", "CHARTS_COUNT", "DriftOptions", "Rows"]

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
