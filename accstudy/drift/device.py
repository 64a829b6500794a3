"""Drift of one device on one model."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd

from accstudy.drift.comparisons import compare_baselines
from accstudy.drift.designs import baseline_row, effective_number, run_length_rows
from accstudy.drift.measurands import CROSS_ARCH, SCALE
from accstudy.drift.options import ALPHA, CHARTS_COUNT, DriftOptions, Rows
from accstudy.drift.points import chart_points
from accstudy.drift.projection import next_check, project, sample_advice
from accstudy.drift.sentences import device_sentence, run_length_sentence, trend_sentence
from accstudy.drift.sessions import MIN_SESSIONS, session_table, starts
from accstudy.drift.signals import (
    Found,
    change_signals,
    chart_signals,
    precision_changes,
    series_changes,
)
from accstudy.drift.stretch import Stretch, chart_stretch
from accstudy.drift.trend import DAYS_PER_MONTH, mann_kendall, mixed_trend, theil_sen
from accstudy.errors import Finding, Severity

__all__ = ["Device", "limits_of"]


def limits_of(settings: DriftOptions, values: pd.DataFrame) -> dict[str, float]:
    """Limit of each measurand that is a length."""
    if settings.limit_um is None:
        return {}
    lengths = values.loc[values["unit"] == "um", "measurand"].unique()
    return {str(name): settings.limit_um for name in lengths}


def _urgency(check: dict[str, Any]) -> tuple[pd.Timestamp, bool, bool]:
    """Order of advice: the earliest day, the gravest reason, the cross-arch distance."""
    return check["day"], "out of use" not in check["why"], check["measurand"] != CROSS_ARCH


class Device:
    """Analysis of one device on one model."""

    def __init__(
        self,
        device: str,
        model: str,
        values: pd.DataFrame,
        events: pd.DataFrame,
        implants: pd.DataFrame,
        pairs: pd.DataFrame,
        settings: DriftOptions,
    ) -> None:
        self.device, self.model = device, model
        self.values, self.events, self.settings = values, events, settings
        self.sessions = session_table(values)
        self.starts = starts(device, model, events, implants)
        self.limits = limits_of(settings, values)
        self.measurands = list(dict.fromkeys(self.sessions["measurand"]))
        self.effective = effective_number(self._first_baseline())
        spans = pairs.loc[pairs["model"] == model, "span_mm"]
        self.span_mm = float(spans.max()) if len(spans) else np.nan
        self.findings: list[Finding] = []
        self.sentences: list[str] = []

    def _first_baseline(self) -> pd.DataFrame:
        """Scans of the first baseline: what is designed from them stays as it is."""
        order = self.sessions.sort_values("at", kind="stable").drop_duplicates("session")
        until = self.settings.baseline_until
        chosen = order.head(self.settings.baseline_sessions)
        if until is not None:
            chosen = order[order["at"].dt.normalize() <= pd.Timestamp(until)]
        return self.values[self.values["session"].isin(chosen["session"])]

    def fill(self, rows: Rows) -> list[tuple[Stretch, list[Found]]]:
        """Add this device's rows to all tables; return its present stretches with what stands."""
        charted: list[tuple[Stretch, list[Found]]] = []
        told: list[Found] = []
        checks: list[dict[str, Any]] = []
        compared: list[dict[str, Any]] = []
        trends: list[dict[str, Any]] = []
        for measurand in self.measurands:
            stretches = list(self._stretches(measurand))
            compared += [compare_baselines(a, b) for a, b in pairwise(stretches)]
            for stretch in stretches:
                last = stretch is stretches[-1]
                found, trend, check = self._stretch(stretch, rows, last=last)
                told += found
                trends += trend
                if last:
                    checks += check
                    charted.append((stretch, [one for one in found if one.stands]))
        rows.add("drift_comparisons", compared)
        rows.add("drift_trends", trends)
        if checks:
            rows.add("drift_next_checks", [min(checks, key=_urgency)])
        self._speak(told, charted, compared, trends, checks)
        return charted

    def _stretches(self, measurand: str) -> Iterator[Stretch]:
        mine = self.sessions[self.sessions["measurand"] == measurand]
        unit = str(mine["unit"].iloc[0])
        days = np.array([day for day, _ in self.starts], dtype="datetime64[ns]")
        number = np.searchsorted(days, mine["at"].to_numpy("datetime64[ns]"), side="right")
        for count, k in enumerate(np.unique(number), start=1):
            rows = mine[number == k].reset_index(drop=True)
            in_baseline = np.arange(len(rows)) < self.settings.baseline_sessions
            until = self.settings.baseline_until
            if count == 1 and until is not None:
                in_baseline = (rows["at"].dt.normalize() <= pd.Timestamp(until)).to_numpy()
            yield chart_stretch(
                {
                    "device": self.device,
                    "model": self.model,
                    "measurand": measurand,
                    "unit": unit,
                    "number": count,
                },
                rows,
                in_baseline,
                begins_with=self.starts[k - 1][1] if k else "",
                run_length=self.settings.false_alarm_every * CHARTS_COUNT * self.effective,
                shift=self._shift(measurand, unit),
                sd_ratio=self.settings.sd_ratio,
            )

    def _shift(self, measurand: str, unit: str) -> float | None:
        """Shift to be found, in the unit; None: one standard deviation of a session mean."""
        if unit == "um":
            return self.settings.shift_um
        if measurand == SCALE and self.span_mm > 0:
            return 1000 * self.settings.shift_um / self.span_mm
        return None

    def _stretch(
        self, stretch: Stretch, rows: Rows, *, last: bool
    ) -> tuple[list[Found], list[dict[str, Any]], list[dict[str, Any]]]:
        points = chart_points(stretch, run_rules=self.settings.run_rules)
        rows.add("drift_points", points)
        rows.add("drift_baselines", [baseline_row(stretch)])
        if stretch.baseline is None and stretch.measurand == self.measurands[0]:
            self.findings.append(
                Finding(
                    Severity.WARNING,
                    "no-baseline",
                    f'device "{stretch.device}" on model "{stretch.model}" has no charts from '
                    f"{stretch.rows['at'].iloc[0]:%Y-%m-%d} on: {stretch.note}",
                    mend=f"hold {MIN_SESSIONS} sessions or more before judging",
                )
            )
        alpha = ALPHA / (2 * len(self.measurands))  # level and spread of each
        series = series_changes(stretch, alpha=alpha)
        found = list(chart_signals(stretch, points, self.events))
        found += change_signals(stretch, series, stretch.rows, self.events, of_sd=False)
        spread, spread_rows = precision_changes(stretch, alpha=alpha)
        if spread is not None:
            found += change_signals(stretch, spread, spread_rows, self.events, of_sd=True)
        since = series.changes[-1].index if series.changes else 0
        trend, check = self._trend(stretch, since, [f for f in found if f.stands])
        rows.add("drift_signals", [f.row for f in found])
        if last:
            rows.add("drift_run_lengths", run_length_rows(stretch))
            rows.add("drift_advice", sample_advice(stretch))
        return found, trend, check

    def _trend(
        self, stretch: Stretch, since: int, standing: list[Found]
    ) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
        regime = stretch.rows.iloc[since:]
        limit = self.limits.get(stretch.measurand)
        scans = self.values[
            (self.values["measurand"] == stretch.measurand)
            & self.values["session"].isin(regime["session"])
        ]
        trend = mixed_trend(scans, confidence=self.settings.confidence)
        projection = None
        last = pd.Timestamp(regime["at"].iloc[-1])
        rows: list[dict[str, Any]] = []
        if trend is not None:
            days = (regime["at"] - regime["at"].iloc[0]).dt.total_seconds() / 86_400
            times = days.to_numpy(float) / DAYS_PER_MONTH
            robust = theil_sen(regime["mean"], times, confidence=self.settings.confidence)
            kendall = mann_kendall(regime["mean"].to_numpy(float), times)
            if limit is not None:
                projection = project(
                    trend,
                    last,
                    limit,
                    horizon_months=self.settings.horizon_months or max(float(times[-1]), 0.25),
                    coverage=self.settings.coverage,
                    confidence=self.settings.confidence,
                )
            grows = trend.p < 1 - self.settings.confidence
            row = {
                **stretch.names,
                "since": regime["at"].iloc[0],
                "until": last,
                "n_sessions": trend.sessions,
                "n_scans": trend.scans,
                "slope_per_month": trend.slope,
                "slope_low_per_month": trend.low,
                "slope_high_per_month": trend.high,
                "p": trend.p,
                "theil_sen_per_month": robust.slope,
                "theil_sen_low_per_month": robust.low,
                "theil_sen_high_per_month": robust.high,
                "mann_kendall_s": kendall.S,
                "mann_kendall_p": kendall.p,
                "limit": limit,
            }
            if projection is not None:
                row["bound"], row["horizon"] = projection.bound, projection.horizon
            if projection is not None and (grows or projection.reached):
                row["reached_at"] = last if projection.reached else projection.at
                row["reached_low"], row["reached_high"] = projection.low, projection.high
            row["what"] = trend_sentence(stretch, trend, projection, limit, grows=grows)
            rows.append(row)
        day, why = next_check(stretch, trend, projection, limit, stands=bool(standing))
        check = {
            "device": self.device,
            "model": self.model,
            "measurand": stretch.measurand,
            "day": day,
            "why": why,
        }
        return rows, [check]

    def _speak(
        self,
        told: list[Found],
        charted: list[tuple[Stretch, list[Found]]],
        compared: list[dict[str, Any]],
        trends: list[dict[str, Any]],
        checks: list[dict[str, Any]],
    ) -> None:
        sessions = self.sessions.drop_duplicates("session")
        stands = any(found for _, found in charted)
        self.sentences.append(device_sentence(self.device, self.model, sessions, told, stands))
        self.sentences += [f.row["what"] for f in told if f.row["kind"] == "change-point"]
        self.sentences += [row["what"] for row in compared]
        told_trends = [row for row in trends if row["measurand"] == CROSS_ARCH] or trends[:1]
        self.sentences += [row["what"] for row in told_trends[-1:]]
        spoken = [s for s, _ in charted if s.measurand == CROSS_ARCH and s.limits is not None]
        for stretch in spoken[:1]:
            self.sentences.append(run_length_sentence(stretch, self.settings.false_alarm_every))
        if checks:
            self.sentences.append(str(min(checks, key=_urgency)["why"]))
