"""One device on one model: its charts, what they and its series of sessions signal, its trends."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
import scipy  # scipy.stats loads when it is first used
from numpy.typing import NDArray
from scipy.special import stdtrit

from accstudy.drift.changes import Change, Changes, find_changes
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
from accstudy.drift.runlength import sd_score
from accstudy.drift.stretch import OF_SD, Stretch, chart_points, chart_stretch
from accstudy.drift.trend import (
    MIN_TREND,
    SLOPE_METHOD,
    Trend,
    mann_kendall,
    months,
    theil_sen,
    trend_of,
    within_sessions,
)
from accstudy.errors import Finding, Severity
from accstudy.words.catalogue import say
from accstudy.words.names import capital
from accstudy.words.numbers import number, sized

Floats = NDArray[np.float64]

_RAMP_DAYS = 31


@dataclass(frozen=True, slots=True)
class Found:
    """One finding of the drift analysis."""

    row: dict[str, Any]  # row of table ``drift_signals``
    # index, in its stretch, of the last session that it leaves unaffected; -1 for none
    last_good: int
    # a chart still signals at the last session, and not for the better (smaller standard deviations
    # are told, but nothing needs to be reassessed). A change point stands where such a chart of the
    # same measurand does: by itself it is a possible change.
    stands: bool
    gain: float = 0.0  # of a change point: how clear it is, twice the log-likelihood

    @property
    def of_sd(self) -> bool:
        """It is about the spread within sessions."""
        return self.row["chart"] in OF_SD

    def standing(self, stands: bool) -> Found:
        """The same, known to stand or not; a change that charts signal is no mere possibility."""
        row = {**self.row, "stands": stands}
        if stands:
            row["what"] = str(row["what"]).replace(": possibly a ", ": a ")
        return replace(self, stands=stands, row=row)


def _with_standing(found: Sequence[Found]) -> list[Found]:
    """Signals of one stretch; change points persist if charts signal."""
    charts = {one.of_sd for one in found if one.row["kind"] == "signal" and one.stands}
    return [
        one.standing(one.stands and (one.row["kind"] == "signal" or one.of_sd in charts))
        for one in found
    ]


def event_near(
    events: pd.DataFrame,
    device: str,
    low: pd.Timestamp,
    high: pd.Timestamp,
    at: pd.Timestamp,
    *,
    slack_days: int = 7,
    counted_from: pd.Timestamp | None = None,
) -> str:
    """Event of the device (or of all) from `low` to `high`, nearest to `at`: kind, date, days
    between.

    `slack_days` beyond the interval still count; days are counted from `counted_from`, `at` by
    default. Empty for none. An event at that time need not be the cause.
    """
    if events.empty:
        return ""
    mine = events[events["device"].fillna("").isin(["", device])]
    when = pd.to_datetime(mine["at"])
    slack = pd.Timedelta(days=slack_days)
    near = mine[(when >= low.normalize() - slack) & (when <= high + slack)]
    if near.empty:
        return ""
    # an preceding event the change explains it; one after it cannot
    days = (at - pd.to_datetime(near["at"])).dt.total_seconds() / 86_400
    first = int(np.argmin(np.where(days >= 0, days, 1000 - days)))
    row, gap = near.iloc[first], float(days.iloc[first])
    if counted_from is not None:
        gap += (counted_from - at).total_seconds() / 86_400
    kind, day = row["kind"], pd.Timestamp(row["at"])
    side = "before" if gap >= 0 else "after"
    return say("drift_results.on_days", kind=kind, day=day, gap=abs(gap), side=side)


def chart_signals(
    stretch: Stretch, points: pd.DataFrame, events: pd.DataFrame, *, confidence: float
) -> Iterator[Found]:
    """First session of every run of signals of each chart."""
    if points.empty or stretch.baseline is None:
        return
    order = {session: i for i, session in enumerate(stretch.rows["session"])}
    for chart, rows in points.groupby("chart", sort=False):
        flags = rows["signal"].to_numpy(bool)
        begin = flags & ~np.concatenate([[False], flags[:-1]])
        for i in np.flatnonzero(begin):
            row = rows.iloc[i]
            index = order[row["session"]]
            size, half, since = _size(stretch, str(chart), index, row, confidence)
            end = i
            while end + 1 < len(flags) and flags[end + 1]:
                end += 1
            lasts = end == len(flags) - 1
            where = say(
                "drift_results.the_chart_of", chart=repr(chart), measurand=stretch.measurand
            ).replace("'", '"')
            yield Found(
                {
                    **stretch.names,
                    "kind": "signal",
                    "chart": chart,
                    "rule": row["rule"],
                    "session": row["session"],
                    "at": row["at"],
                    "low": stretch.rows["at"].iloc[max(since - 1, 0)],
                    "high": row["at"],
                    "size": size,
                    "size_low": size - half,
                    "size_high": size + half,
                    "confidence": confidence,
                    "event": event_near(
                        events,
                        stretch.device,
                        stretch.rows["at"].iloc[max(since - 1, 0)],
                        row["at"],
                        stretch.rows["at"].iloc[since],
                        counted_from=row["at"],
                    ),
                    "what": (
                        say(
                            "drift_results.on_signals_against_the",
                            at=row["at"],
                            where=where,
                            rule=row["rule"],
                            size=sized(size, stretch.unit, signed=True),
                        )
                        + (say("drift_results.and_persists_to_the") if lasts else ".")
                    ),
                },
                last_good=since - 1,
                stands=lasts and not (chart in OF_SD and size < 0),
            )


def _size(
    stretch: Stretch, chart: str, index: int, point: pd.Series, confidence: float
) -> tuple[float, float, int]:
    """Estimated size, half width of its interval, first session that it rests on."""
    baseline = stretch.baseline
    assert baseline is not None
    of_sd = chart in OF_SD
    since = _begin(stretch, chart, index, upwards=point["value"] > point["centre"])
    span = slice(since, index + 1)
    if chart.startswith("moving-range"):
        column = "sd" if of_sd else "mean"
        values = stretch.rows[column].to_numpy(float)[: index + 1]
        before, now = values[np.isfinite(values)][-2:]
        return float(now - before), float("nan"), since
    if of_sd:
        n = stretch.n_scans.astype(float)[span]
        sd = stretch.rows["sd"].to_numpy(float)[span]
        pooled = np.sqrt(np.nansum((n - 1) * sd**2) / max(np.sum((n - 1)[np.isfinite(sd)]), 1))
        return float(pooled - baseline.sd_within), float("nan"), since
    size = float(stretch.means[span].mean() - baseline.centre)
    variance = float(np.mean(stretch.sd_of_means[span] ** 2)) / (index - since + 1)
    variance += baseline.sd_of_means**2 / baseline.m
    return size, float(stdtrit(baseline.m - 1, 0.5 + confidence / 2) * np.sqrt(variance)), since


def _begin(stretch: Stretch, chart: str, index: int, *, upwards: bool) -> int:
    """First session of a signal: that since which the CUSUM of its side has not been zero."""
    kind, _, side = chart.rpartition("-") if chart.startswith("cusum") else (chart, "", "")
    if kind not in ("ewma", "cusum", "ewma-sd", "cusum-sd"):
        return index
    of_sd = kind.endswith("-sd")
    sums = stretch.cusum(of_sd=of_sd)
    watched = np.flatnonzero(stretch.watched(of_sd=of_sd))
    place = int(np.searchsorted(watched, index))
    counts = sums.since_high if (side == "high" if side else upwards) else sums.since_low
    return int(watched[place - max(int(counts[place]), 1) + 1])


def _series_changes(stretch: Stretch, *, alpha: float, confidence: float) -> Changes:
    """Steps or the beginning of a slope in the session means of a stretch."""
    weights = None
    if stretch.baseline is not None:
        weights = 1 / stretch.sd_of_means**2
    at = months(stretch.rows["at"])
    return find_changes(stretch.means, at, weights=weights, alpha=alpha, confidence=confidence)


def _precision_changes(
    stretch: Stretch, *, alpha: float, confidence: float
) -> tuple[Changes | None, pd.DataFrame]:
    """Steps or slopes in the standard deviations within sessions, as normal scores."""
    rows = stretch.rows[stretch.rows["n_scans"] > 1].reset_index(drop=True)
    if len(rows) < 6:
        return None, rows
    n, sd = rows["n_scans"].to_numpy(float), rows["sd"].to_numpy(float)
    pooled = float(np.sqrt(np.sum((n - 1) * sd**2) / np.sum(n - 1)))
    if not pooled > 0:
        return None, rows
    scores = sd_score(sd, n, pooled)
    at = months(rows["at"])
    return find_changes(scores, at, alpha=alpha, confidence=confidence), rows


def _change_signals(
    stretch: Stretch,
    found: Changes,
    rows: pd.DataFrame,
    events: pd.DataFrame,
    *,
    of_sd: bool,
    confidence: float,
    trend: Trend | None = None,
) -> Iterator[Found]:
    """Change points as rows of table ``drift_signals``.

    `rows` are the session rows that `found` is about. With `trend`, a slope of the level has its
    size, its beginning and their intervals from it, so that one story is told.
    """
    at = rows["at"]
    position = {session: i for i, session in enumerate(stretch.rows["session"])}
    back = _returned(found)
    for i, change in enumerate(found.changes):
        ramp = found.kind == "ramp"
        if ramp and trend is not None and not of_sd:
            change = replace(
                change,
                index=trend.begins,
                low=trend.begins_low,
                high=trend.begins_high,
                size=trend.estimate,
                size_low=trend.low,
                size_high=trend.high,
            )
        before = max(change.low - (0 if ramp else 1), 0)
        after = min(change.high, len(rows) - 1)
        low, high, day = at.iloc[before], at.iloc[after], at.iloc[change.index]
        size = _change_size(stretch, found, change, i, rows) if of_sd else (
            change.size, change.size_low, change.size_high,
        )  # fmt: skip
        # the beginning of a slope is blurred: an event far from it explains nothing
        near = pd.Timedelta(days=_RAMP_DAYS if ramp else 10_000)
        event = event_near(
            events, stretch.device, max(low, day - near), min(high, day + near), day, slack_days=7
        )
        yield Found(
            {
                **stretch.names,
                "kind": "change-point",
                "chart": "sd" if of_sd else "mean",
                "rule": "ramp" if ramp else "step",
                "session": rows["session"].iloc[change.index],
                "at": day,
                "low": low,
                "high": high,
                "size": size[0],
                "size_low": size[1],
                "size_high": size[2],
                "confidence": confidence,
                "p": change.p,
                "event": event,
                "what": _sentence(stretch, found, change, size, (low, high, day), event, of_sd),
            },
            last_good=position[rows["session"].iloc[before]]
            - (1 if before == 0 and change.low == 0 else 0),
            stands=not back and not (of_sd and size[0] < 0),
            gain=change.gain,
        )


def _returned(found: Changes) -> bool:
    """Whether the last level is about the first one again."""
    if found.kind != "steps":
        return False
    largest = max(abs(c.size) for c in found.changes)
    return bool(abs(found.fitted[-1] - found.fitted[0]) < 0.5 * largest)


def _change_size(
    stretch: Stretch, found: Changes, change: Change, i: int, rows: pd.DataFrame
) -> tuple[float, float, float]:
    """Change of the standard deviation itself, unit of the measurand."""
    edges = [0, *(c.index for c in found.changes), len(rows)]
    n, sd = rows["n_scans"].to_numpy(float), rows["sd"].to_numpy(float)

    def pooled(a: int, b: int) -> float:
        return float(np.sqrt(np.sum((n - 1)[a:b] * sd[a:b] ** 2) / np.sum((n - 1)[a:b])))

    middle = max(edges[i + 1], 1)
    return pooled(middle, edges[i + 2]) - pooled(edges[i], middle), np.nan, np.nan


def _sentence(
    stretch: Stretch,
    found: Changes,
    change: Change,
    size: tuple[float, float, float],
    dates: tuple[pd.Timestamp, pd.Timestamp, pd.Timestamp],
    event: str,
    of_sd: bool,
) -> str:
    """A possible change: charts say what is a fact."""
    what = (
        say("drift_results.repeatability_of", measurand=stretch.measurand)
        if of_sd
        else stretch.measurand
    )
    low, high, day = dates
    interval = (
        ""
        if np.isnan(size[1])
        else say(
            "drift_results.to_size_size_2",
            size=number(size[1], stretch.unit, signed=True),
            size_2=number(size[2], stretch.unit, signed=True),
        )
    )
    amount = sized(size[0], stretch.unit, signed=True) + interval
    chance = "p < 0.001" if change.p < 0.001 else f"p = {change.p:.3f}"
    between = say("drift_results.between_and", low=low, high=high)
    if found.kind == "ramp" and of_sd:
        text = say("drift_results.a_slow_change_of", amount=amount, day=day, between=between)
    elif found.kind == "ramp":
        text = say("drift_results.a_drift_of_per", amount=amount, day=day, between=between)
    else:
        text = say("drift_results.a_step_of_with", amount=amount, day=day, between=between)
    text = say(
        "drift_results.possibly_what",
        what=capital(what),
        text=text,
        chance=chance,
    )
    base = stretch.rows["at"][stretch.in_baseline]
    if len(base) and day <= base.iloc[-1]:
        text += say("drift_results.it_started")
    elif len(base) and low <= base.iloc[-1]:
        text += say("drift_results.it_may_have_started")
    if event:
        text += say("drift_results.close_in_time_that", event=event)
    if found.close:
        other = (
            say("drift_results.a_step")
            if found.kind == "ramp"
            else say("drift_results.a_slow_change")
        )
        text += say("drift_results.the_sessions_do_not", other=other)
    return text


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
        # by measurand: when its level changed, from and to
        self.changing: dict[str, list[tuple[pd.Timestamp, pd.Timestamp]]] = {}

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
                self.changing.setdefault(measurand, []).extend(_changes_of_level(one))
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
        series = _series_changes(stretch, alpha=alpha, confidence=sure)
        trend = self._trend(stretch, series)
        found = list(chart_signals(stretch, points, self.events, confidence=sure))
        found += _change_signals(
            stretch, series, stretch.rows, self.events, of_sd=False, confidence=sure, trend=trend
        )
        spread, spread_rows = _precision_changes(stretch, alpha=alpha, confidence=sure)
        if spread is not None:
            found += _change_signals(
                stretch, spread, spread_rows, self.events, of_sd=True, confidence=sure
            )
        found = _with_standing(found)
        if not last:  # a new baseline has begun since
            found = [one.standing(False) for one in found]
        rows.add("drift_signals", [f.row for f in found])
        if trend is not None:
            rows.add("drift_trends", [self._trend_row(stretch, series, trend)])
        if last:
            every = self.settings.false_alarm_every
            rows.add("drift_run_lengths", run_length_rows(stretch, every=every))
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


def _changes_of_level(one: Charted) -> list[tuple[pd.Timestamp, pd.Timestamp]]:
    """When the level changed, from and to: a step on one day, a drift up to the last session."""
    last = pd.Timestamp(one.stretch.rows["at"].iloc[-1])
    changes = [f.row for f in one.found if f.row["kind"] == "change-point" and not f.of_sd]
    return [(row["at"], last if row["rule"] == "ramp" else row["at"]) for row in changes]


def _since(series: Changes, count: int) -> int:
    """First session that the trend of today is about: that of the last step but one."""
    if len(series.changes) < 2:
        return 0
    since = series.changes[-2].index
    return since if count - since >= MIN_TREND else 0


def welch(x: Floats, y: Floats, confidence: float) -> dict[str, float]:
    """Welch's t for the mean of `y` less that of `x`: interval and p; nothing without scatter."""
    if min(len(x), len(y)) < 2 or not x.var() + y.var() > 0:
        return {}
    found = scipy.stats.ttest_ind(y, x, equal_var=False)
    interval = found.confidence_interval(confidence)
    return {"low": float(interval.low), "high": float(interval.high), "p": float(found.pvalue)}


def _compare_baselines(before: Stretch, after: Stretch, *, confidence: float) -> dict[str, Any]:
    """Compare two neighbouring stretches of one device: a row of table ``drift_comparisons``.

    Welch's t on session means; the ratio of the standard deviations within sessions with its F
    interval. Either needs two sessions on both sides.
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
    said = partial(number, unit=after.unit, signed=True)
    ends = ""
    if found := welch(before.means, after.means, confidence):
        row.update(found)
        ends = say("drift_results.to_low_high", low=said(found["low"]), high=said(found["high"]))
    row["what"] = say(
        "drift_results.differs_after",
        measurand=after.measurand,
        size=sized(difference, after.unit, signed=True) + ends,
        begins_with=after.begins_with,
    )
    (sd_a, df_a), (sd_b, df_b) = (within_sessions(s.rows) for s in (after, before))
    if df_a > 0 and df_b > 0 and sd_b > 0:
        ratio = sd_a / sd_b
        tail = (1 - confidence) / 2
        row["sd_ratio"] = ratio
        row["sd_ratio_low"] = ratio / np.sqrt(scipy.stats.f.ppf(1 - tail, df_a, df_b))
        row["sd_ratio_high"] = ratio / np.sqrt(scipy.stats.f.ppf(tail, df_a, df_b))
    return row


def _trend_sentence(stretch: Stretch, trend: Trend, *, grows: bool) -> str:
    """Slope with its interval."""
    start = capital(stretch.measurand)
    low, high = (number(v, stretch.unit, signed=True) for v in (trend.low, trend.high))
    slope = f"{sized(trend.estimate, stretch.unit, signed=True)} per month ({low} to {high})"
    return f"{start} {'changes by' if grows else 'shows no trend:'} {slope}."
