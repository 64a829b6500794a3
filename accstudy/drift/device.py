"""Charts, changes and trends of one device on one model."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
import scipy  # scipy.stats loads when it is first used

from accstudy.drift.changes import Changes
from accstudy.drift.conformity import sample_advice
from accstudy.drift.designs import (
    ALPHA,
    CHARTS_COUNT,
    DriftOptions,
    Rows,
    baseline_row,
    effective_number,
    run_length_rows,
)
from accstudy.drift.measurands import MIN_SESSIONS, SCALE, session_table, starts
from accstudy.drift.signals import (
    Found,
    change_signals,
    chart_signals,
    precision_changes,
    series_changes,
    unit_text,
    with_standing,
)
from accstudy.drift.stretch import Stretch, chart_points, chart_stretch
from accstudy.drift.trend import (
    MIN_TREND,
    SLOPE_METHOD,
    Trend,
    mann_kendall,
    months,
    theil_sen,
    trend_of,
)
from accstudy.errors import Finding, Severity
from accstudy.words.catalogue import say

__all__ = ["Charted", "Device"]


@dataclass(frozen=True, slots=True)
class Charted:
    """One measurand since the present baseline: signals, what its means did, their slope today."""

    stretch: Stretch
    found: tuple[Found, ...]
    series: Changes
    trend: Trend | None

    @property
    def standing(self) -> list[Found]:
        """What stands at the last session."""
        return [one for one in self.found if one.stands]


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
        self.measurands = list(dict.fromkeys(self.sessions["measurand"]))
        self.effective = effective_number(self._first_baseline())
        spans = pairs.loc[pairs["model"] == model, "span_mm"]
        self.span_mm = float(spans.max()) if len(spans) else np.nan
        self.findings: list[Finding] = []
        self.charted: list[Charted] = []
        self.earlier: list[Found] = []
        self.compared: list[dict[str, Any]] = []

    def _first_baseline(self) -> pd.DataFrame:
        """Scans of the first baseline: what is designed from them stays as it is."""
        order = self.sessions.sort_values("at", kind="stable").drop_duplicates("session")
        until = self.settings.baseline_until
        chosen = order.head(self.settings.baseline_sessions)
        if until is not None:
            chosen = order[order["at"].dt.normalize() <= pd.Timestamp(until)]
        return self.values[self.values["session"].isin(chosen["session"])]

    def fill(self, rows: Rows) -> None:
        """Chart every measurand and add this device's rows to the tables."""
        for measurand in self.measurands:
            stretches, sure = list(self._stretches(measurand)), self.settings.confidence
            self.compared += [
                _compare_baselines(a, b, confidence=sure) for a, b in pairwise(stretches)
            ]
            for stretch in stretches:
                last = stretch is stretches[-1]
                one = self._chart(stretch, rows, last=last)
                if last:
                    self.charted.append(one)
                else:
                    self.earlier += one.found
        rows.add("drift_comparisons", self.compared)

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

    def _chart(self, stretch: Stretch, rows: Rows, *, last: bool) -> Charted:
        points = chart_points(stretch, run_rules=self.settings.run_rules)
        rows.add("drift_points", points)
        rows.add("drift_baselines", [baseline_row(stretch)])
        if stretch.baseline is None and stretch.measurand == self.measurands[0]:
            self.findings.append(
                Finding(
                    Severity.WARNING,
                    "no-baseline",
                    say(
                        "findings.device_on_model_has",
                        device=stretch.device,
                        model=stretch.model,
                        at=stretch.rows["at"].iloc[0],
                        note=stretch.note,
                    ),
                    mend=say("findings.run_at_least_sessions", MIN_SESSIONS=MIN_SESSIONS),
                )
            )
        alpha = ALPHA / (2 * len(self.measurands))  # level and spread of each
        sure = self.settings.confidence
        series = series_changes(stretch, alpha=alpha, confidence=sure)
        trend = self._trend(stretch, series)
        found = list(chart_signals(stretch, points, self.events, confidence=sure))
        found += change_signals(
            stretch, series, stretch.rows, self.events, of_sd=False, confidence=sure, trend=trend
        )
        spread, spread_rows = precision_changes(stretch, alpha=alpha, confidence=sure)
        if spread is not None:
            found += change_signals(
                stretch, spread, spread_rows, self.events, of_sd=True, confidence=sure
            )
        found = with_standing(found)
        if not last:  # a new baseline has begun since
            found = [one.standing(False) for one in found]
        rows.add("drift_signals", [f.row for f in found])
        if trend is not None:
            rows.add("drift_trends", [self._trend_row(stretch, series, trend)])
        if last:
            rows.add("drift_run_lengths", run_length_rows(stretch))
            rows.add("drift_advice", sample_advice(stretch))
        return Charted(stretch, tuple(found), series, trend)

    def _trend(self, stretch: Stretch, series: Changes) -> Trend | None:
        """Slope of the sessions since the last step but one."""
        since = _since(series, len(stretch.rows))
        weights = None if stretch.baseline is None else 1 / stretch.sd_of_means[since:] ** 2
        trend = trend_of(
            stretch.rows.iloc[since:], weights=weights, confidence=self.settings.confidence
        )
        return None if trend is None else trend.after(since)

    def _trend_row(self, stretch: Stretch, series: Changes, trend: Trend) -> dict[str, Any]:
        since = _since(series, len(stretch.rows))
        regime = stretch.rows.iloc[since:]
        times = months(regime["at"])
        confidence = self.settings.confidence
        shown = bool(trend.p < 1 - confidence)
        robust = theil_sen(regime["mean"], times, confidence=confidence)
        kendall = mann_kendall(regime["mean"].to_numpy(float), times)
        at = stretch.rows["at"]
        return {
            **stretch.names,
            "since": regime["at"].iloc[0],
            "until": regime["at"].iloc[-1],
            "n_sessions": trend.sessions,
            "n_scans": trend.scans,
            "slope_per_month": trend.estimate,
            "slope_low_per_month": trend.low,
            "slope_high_per_month": trend.high,
            "p": trend.p,
            "shown": shown,
            "begins_at": at.iloc[trend.begins],
            "begins_low": at.iloc[trend.begins_low],
            "begins_high": at.iloc[trend.begins_high],
            "theil_sen_per_month": robust.slope,
            "theil_sen_low_per_month": robust.low,
            "theil_sen_high_per_month": robust.high,
            "mann_kendall_s": kendall.S,
            "mann_kendall_p": kendall.p,
            "autocorrelation": series.rho,
            "autocorrelation_p": series.rho_p,
            "confidence": confidence,
            "method": SLOPE_METHOD,
            "what": _trend_sentence(stretch, trend, grows=shown),
        }


def _since(series: Changes, count: int) -> int:
    """First session that the trend of today is about: that of the last step but one."""
    if len(series.changes) < 2:
        return 0
    since = series.changes[-2].index
    return since if count - since >= MIN_TREND else 0


def _compare_baselines(before: Stretch, after: Stretch, *, confidence: float) -> dict[str, Any]:
    """Compare two neighbouring stretches of one device and measurand.

    Gives a row of table ``drift_comparisons``.

    Notes
    -----
    Means: Welch's t on session means. Standard deviations within sessions:
    ratio with its F interval. Either needs two sessions on both sides.
    """
    row: dict[str, Any] = {
        **after.names,
        "begins_with": after.begins_with,
        "at": after.rows["at"].iloc[0],
        "n_before": len(before.rows),
        "n_after": len(after.rows),
        "confidence": confidence,
        "method": "Welch's t on session means; F on the standard deviations within sessions",
    }
    difference = float(after.means.mean() - before.means.mean())
    row["difference"] = difference
    unit = unit_text(after.unit)
    told = f"{after.measurand}: {difference:+.3g} {unit} after {after.begins_with}"
    if min(len(before.rows), len(after.rows)) >= 2:
        found = scipy.stats.ttest_ind(after.means, before.means, equal_var=False)
        interval = found.confidence_interval(confidence)
        row.update(low=float(interval.low), high=float(interval.high), p=float(found.pvalue))
        told += f" ({interval.low:+.3g} to {interval.high:+.3g})"
    row["what"] = told + "."
    (sd_a, df_a), (sd_b, df_b) = (_pooled(s) for s in (after, before))
    if df_a > 0 and df_b > 0 and sd_b > 0:
        ratio = sd_a / sd_b
        tail = (1 - confidence) / 2
        row["sd_ratio"] = ratio
        row["sd_ratio_low"] = ratio / np.sqrt(scipy.stats.f.ppf(1 - tail, df_a, df_b))
        row["sd_ratio_high"] = ratio / np.sqrt(scipy.stats.f.ppf(tail, df_a, df_b))
    return row


def _pooled(stretch: Stretch) -> tuple[float, int]:
    n = stretch.rows["n_scans"].to_numpy(float)
    sd = stretch.rows["sd"].fillna(0.0).to_numpy(float)
    df = float(np.sum(n - 1))
    return (float(np.sqrt(np.sum((n - 1) * sd**2) / df)) if df else np.nan), int(df)


def _trend_sentence(stretch: Stretch, trend: Trend, *, grows: bool) -> str:
    """Slope with its interval."""
    unit = unit_text(stretch.unit)
    start = stretch.measurand[0].upper() + stretch.measurand[1:]
    slope = f"{trend.estimate:+.2g} {unit} per month ({trend.low:+.2g} to {trend.high:+.2g})"
    return f"{start} {'changes by' if grows else 'shows no trend:'} {slope}."
