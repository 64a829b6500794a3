"""Chart signals and change points as rows, with the nearest events."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import stdtrit

from accstudy.drift.changes import Change, Changes, find_changes
from accstudy.drift.runlength import sd_score
from accstudy.drift.stretch import OF_SD, Stretch
from accstudy.drift.trend import Trend, months
from accstudy.words.catalogue import say

__all__ = [
    "Found",
    "change_signals",
    "chart_signals",
    "event_near",
    "precision_changes",
    "series_changes",
    "unit_text",
    "with_standing",
]

Floats = NDArray[np.float64]

_RAMP_DAYS = 31


def unit_text(unit: str) -> str:
    """Unit as it is printed."""
    return {"um": "µm"}.get(unit, unit)


@dataclass(frozen=True, slots=True)
class Found:
    """One finding of the drift analysis.

    Parameters
    ----------
    row : dict
        Row of table ``drift_signals``.
    last_good : int
        Index, in its stretch, of the last session that it leaves unaffected; -1
        for none.
    stands : bool
        A chart still signals at the last session, and not for the better (smaller
        standard deviations are told, but nothing needs to be reassessed). A change
        point stands where such a chart of the same measurand does: by itself it is
        a possible change.
    gain : float
        Of a change point: how clear it is, twice the log-likelihood.
    """

    row: dict[str, Any]
    last_good: int
    stands: bool
    gain: float = 0.0

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


def with_standing(found: Sequence[Found]) -> list[Found]:
    """Signals of one stretch; change points persist if charts signal.

    Parameters
    ----------
    found : sequence of Found
        Of one device, model, measurand and baseline.
    """
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
                            size=size,
                            unit_text=unit_text(stretch.unit),
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


def series_changes(stretch: Stretch, *, alpha: float, confidence: float) -> Changes:
    """Steps or the beginning of a slope in the session means of a stretch."""
    weights = None
    if stretch.baseline is not None:
        weights = 1 / stretch.sd_of_means**2
    at = months(stretch.rows["at"])
    return find_changes(stretch.means, at, weights=weights, alpha=alpha, confidence=confidence)


def precision_changes(
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


def change_signals(
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
    unit = unit_text(stretch.unit)
    what = (
        say("drift_results.repeatability_of", measurand=stretch.measurand)
        if of_sd
        else stretch.measurand
    )
    low, high, day = dates
    places = {"um": 1, "ppm": 0}.get(stretch.unit, 3)
    interval = (
        ""
        if np.isnan(size[1])
        else say(
            "drift_results.to_size_size_2",
            size=f"{size[1]:+.{places}f}",
            size_2=f"{size[2]:+.{places}f}",
        )
    )
    amount = f"{size[0]:+.{places}f}{interval} {unit}"
    chance = "p < 0.001" if change.p < 0.001 else f"p = {change.p:.3f}"
    between = say("drift_results.between_and", low=low, high=high)
    if found.kind == "ramp" and of_sd:
        text = say("drift_results.a_slow_change_of", amount=amount, day=day, between=between)
    elif found.kind == "ramp":
        text = say("drift_results.a_drift_of_per", amount=amount, day=day, between=between)
    else:
        text = say("drift_results.a_step_of_with", amount=amount, day=day, between=between)
    text = say(
        "drift_results.possibly_what_what_2",
        what=what[0].upper(),
        what_2=what[1:],
        text=text,
        chance=chance,
    )
    base = stretch.rows["at"][stretch.in_baseline]
    if len(base) and low <= base.iloc[-1]:
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
