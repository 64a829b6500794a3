"""Evidence of the drift report: charts, signals, trends."""

from __future__ import annotations

from typing import Any

import pandas as pd

from accstudy.figures.drift import chart_panels, trend_chart
from accstudy.figures.style import rows_of
from accstudy.reports.content import ReportContent
from accstudy.reports.document import Document, Heading, Text
from accstudy.reports.drift_cautions import cautions
from accstudy.reports.select import groups, slug
from accstudy.reports.sessions import (
    CHARTS,
    events_of,
    named_device,
    rows_of_device,
    said_once,
    short_name,
    signed,
    slope_phrase,
)
from accstudy.reports.wording import (
    NONE,
    count,
    day,
    missing,
    number,
    p_value,
    unit_name,
)

__all__ = ["charts", "signals_section", "trends"]

_MONTH = pd.Timedelta(days=30.436875)


def charts(document: Document, content: ReportContent, main: str) -> None:
    """Charts of every device: the main measurand by four charts, the others by EWMA."""
    points = content.table("drift_points")
    if not len(points):
        return
    document.heading("Charts")
    document.lead(
        "How to read them",
        "Hollow points are the baseline from which centre and limits come. A square is a signal. "
        "Means show a jump at once, moving ranges a level that has become restless, EWMA and CUSUM "
        "a small lasting shift sooner; the charts of the spread show a change of precision in the "
        "same ways. Limits are wider than usual where the baseline is short, so that false signals "
        "stay as rare as stated. EWMA: mean of all sessions so far in which the last weigh most. "
        "CUSUM: sum of what lies beyond a small allowance, upwards and downwards. Score: how rare "
        "a standard deviation is, as a normal deviate (2 is as rare as 2 sigma), which makes "
        "sessions of any number of scans alike. Scale: size of the whole arrangement against the "
        "reference. Axis splay: how far the implant axes lean apart.",
    )
    cautions(document, content)
    for (device, model), mine in groups(points, ["device", "model"])[:6]:
        name = named_device(content, device, model)
        events = events_of(content, mine.head(1).assign(name=name))
        own = mine[mine["measurand"] == main]
        if len(own):
            document.figure(
                slug("charts", device, model),
                chart_panels(_panels(own), events, panel_mm=17),
                caption=f"{name}: charts of the {main}; left the level, right the spread within "
                "sessions. Grey solid: centre; grey dashed: limits, wider in a session with fewer "
                "scans; dotted limits: of single sessions, where precision itself varies between "
                "sessions; dotted upright: events.",
                alt=_alt(name, own),
            )
        rest = mine[mine["measurand"] != main]
        if not rest["signal"].fillna(False).astype(bool).any():
            continue
        document.figure(
            slug("ewma", device, model),
            chart_panels(_others(rest), events, panel_mm=16),
            caption=f"{name}: the other measurands, left EWMA of the session means, right EWMA of "
            "the spread. Mean deviation of the distances in a class of spans; scale of the whole "
            "arrangement; splay of the axes.",
            alt=_alt(name, rest),
        )


_Panel = tuple[str, str, pd.DataFrame]

_LEVEL = (
    ("session means", ("mean", "individuals")),
    ("moving range of the means", ("moving-range",)),
    ("EWMA of the means", ("ewma",)),
    ("CUSUM of the means", ("cusum-high", "cusum-low")),
)
_SPREAD = (
    ("spread within sessions", ("sd", "individuals-sd")),
    ("moving range of the spread", ("moving-range-sd",)),
    ("EWMA of the spread", ("ewma-sd",)),
    ("CUSUM of the spread", ("cusum-sd-high", "cusum-sd-low")),
)


def _panels(points: pd.DataFrame) -> list[list[_Panel]]:
    """Charts of one measurand: those of the level, and those of the spread if there are any."""
    found = []
    for wanted in (_LEVEL, _SPREAD):
        column = [
            (name, _unit(rows), rows)
            for name, charts in wanted
            if len(rows := points[points["chart"].isin(charts)])
        ]
        if column:
            found.append(column)
    return found


def _others(points: pd.DataFrame) -> list[list[_Panel]]:
    """EWMA of every measurand: of the level, and of the spread if there are any."""
    found = []
    for chart in ("ewma", "ewma-sd"):
        mine = points[points["chart"] == chart]
        column = [
            (short_name(measurand), _unit(rows), rows)
            for (measurand,), rows in groups(mine, ["measurand"])
        ]
        if column:
            found.append(column)
    return found


def _unit(rows: pd.DataFrame) -> str:
    """Unit of a panel's axis."""
    chart = str(rows["chart"].iloc[0])
    scored = chart.endswith("-sd") or chart.startswith("cusum-sd")
    return "score" if scored and chart != "individuals-sd" else unit_name(str(rows["unit"].iloc[0]))


def _alt(name: str, points: pd.DataFrame) -> str:
    parts = []
    for (measurand, chart), rows in groups(points, ["measurand", "chart"]):
        signals = int(rows["signal"].fillna(False).astype(bool).sum())
        if signals:
            parts.append(f"{measurand}, {CHARTS.get(chart, chart)}: {count(signals, 'signal')}")
    said = "; ".join(parts[:12]) or "no signal"
    sessions = points["session"].nunique()
    return f"Control charts of {name} over {count(sessions, 'session')}. {said}."


def signals_section(document: Document, content: ReportContent) -> None:
    """Change points in words, and the first session of every run of signals."""
    table = content.table("drift_signals")
    if not len(table):
        if content.has("drift_points"):
            document.heading("Signals")
            document.lead("", "No chart signals, and no change point is seen.")
        return
    document.heading("Signals")
    changes = table[table["kind"] == "change-point"]
    if len(changes):
        document.lead(
            "Change points",
            "When the level most likely began to change, estimated afterwards from all sessions "
            "together; charts signal later, see the table. Which event lies near, in days from "
            "the estimated date. Near in time is not the cause. A drift's rate is that of a line "
            "bent once, fitted to the session means; the slopes further on are by another method.",
        )
        document.items([signed(str(r.device), str(r.what)) for r in rows_of(changes)])
    signals = table[table["kind"] == "signal"]
    if len(signals):
        document.table(
            "First session of every run of signals. Size: against the baseline. Event near: near "
            "the estimated beginning, in days from the date of the row.",
            [
                Heading("device", "left", 0.85),
                Heading("measurand", "left", 2.35),
                Heading("chart", "left", 1.85),
                Heading("date", "left", 1.05),
                Heading("session", "left", 0.75),
                Heading("size", width=0.9),
                Heading("event near", "left", 4.15),
            ],
            said_once(
                [
                    [
                        str(r.device),
                        short_name(str(r.measurand)),
                        CHARTS.get(r.chart, str(r.chart)),
                        day(r.at),
                        str(r.session),
                        f"{number(r.size, r.unit, signed=True)} {unit_name(r.unit)}",
                        str(r.event) or NONE,
                    ]
                    for r in rows_of(signals.head(60))
                ]
            ),
        )


def trends(document: Document, content: ReportContent, main: str) -> None:
    """Trend of every device with its projection, and the slopes of all measurands."""
    table = content.table("drift_trends")
    points = content.table("drift_points")
    if not len(table) or not len(points):
        return
    document.heading("Trend, and where it leads")
    document.lead(
        "How to read it",
        "Slope by a mixed model with random sessions, since the last change of level; beside it "
        "the median of all slopes between sessions (Theil and Sen), which a few odd sessions do "
        "not move. Its p is too small where the beginning was chosen from the same sessions. A "
        f"projected date holds only if nothing changes; {_looked_ahead(content)}.",
    )
    own = table[table["measurand"] == main].drop_duplicates(["device", "model"], keep="last")
    lines, seen = _trend_lines(content, own, points)
    if len(lines):
        unit = unit_name(str(own["unit"].iloc[0]))
        document.figure(
            "trend",
            trend_chart(seen, lines, label=f"{main} / {unit}"),
            caption=f"Session means of the {main} with trend and interval of the slope, drawn "
            "through the centre of the sessions. Dotted: last session. Dashed: day on which the "
            "bound meets the limit, if there is one. Black lines: the limit. Bar at the last "
            "session: the tolerance bound of future scans, on the side of the trend.",
            alt="Trends. " + " ".join(f"{r.device}: {slope_phrase(r)}" for r in rows_of(own)),
        )
    document.table(
        "Slopes a month with their intervals, and the day on which the bound for future scans "
        "meets the limit. p: of no slope, by the mixed model, not adjusted for the "
        "number of measurands.",
        [
            Heading("device", "left", 1),
            Heading("measurand", "left", 1.75),
            Heading("since", "left", 0.85),
            Heading("slope", width=1.85),
            Heading([{"t": "p", "s": "i"}], width=0.6),
            Heading("Theil–Sen", width=1.85),
            Heading("bound meets limit", "left", 1.6),
        ],
        said_once([_trend_cells(r) for r in rows_of(table)]),
    )


def _looked_ahead(content: ReportContent) -> str:
    asked = content.settings.get("drift", {}).get("horizon_months")
    if asked:
        return f"trends were projected {asked:g} months ahead, as set"
    return "a trend is projected as far ahead as its sessions reach back"


def limit_met(row: Any) -> str:
    """Say when the bound meets the limit, or how far was looked ahead.

    Parameters
    ----------
    row : row of table ``drift_trends``

    Returns
    -------
    str
    """
    if missing(row.limit):
        return "no limit set"
    if row.reached_at is pd.NaT or missing(row.reached_at):
        return f"not by {day(row.horizon)}" if pd.notna(row.horizon) else "not in sight"
    return "exceeded already" if row.reached_at <= row.until else day(row.reached_at)


def _trend_cells(row: Any) -> list[Text]:
    def slope(middle: float, low: float, high: float) -> str:
        a, b, c = (number(v, row.unit, signed=True) for v in (middle, low, high))
        return f"{a} ({b} to {c}) {unit_name(row.unit)}"

    return [
        str(row.device),
        short_name(str(row.measurand)),
        day(row.since),
        slope(row.slope_per_month, row.slope_low_per_month, row.slope_high_per_month),
        p_value(row.p),
        slope(row.theil_sen_per_month, row.theil_sen_low_per_month, row.theil_sen_high_per_month),
        limit_met(row),
    ]


def _trend_lines(
    content: ReportContent, trends: pd.DataFrame, points: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Lines through the centre of the sessions that a trend is about, and their means."""
    rows, seen = [], []
    for r in rows_of(trends)[:4]:
        mine = rows_of_device(points, r.device, r.model)
        mine = mine[
            (mine["measurand"] == r.measurand) & mine["chart"].isin(["mean", "individuals"])
        ]
        about = mine[(mine["at"] >= r.since) & (mine["at"] <= r.until)]
        if len(about) < 2:
            continue
        name = named_device(content, r.device, r.model)
        middle = about["at"].min() + (about["at"] - about["at"].min()).mean()
        until = r.until + 3 * _MONTH
        if r.reached_at is not pd.NaT and not missing(r.reached_at):
            until = min(max(until, r.reached_at), r.until + 24 * _MONTH)
        near = pd.notna(r.reached_at) and r.reached_at <= until
        rows.append(
            [name, r.since, middle, float(about["value"].mean()), r.slope_per_month,
             r.slope_low_per_month, r.slope_high_per_month, until, r.limit,
             r.reached_at if near else pd.NaT, r.bound]
        )  # fmt: skip
        seen.append(mine.assign(name=name))
    columns = ["name", "since", "middle", "middle_value", "slope", "slope_low", "slope_high",
               "until", "limit", "reached_at", "bound"]  # fmt: skip
    frame = pd.DataFrame(rows, columns=columns)
    return frame, pd.concat(seen, ignore_index=True) if seen else pd.DataFrame()
