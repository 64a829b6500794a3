"""A chapter a device: what was found, its charts, its limit, its years."""

from __future__ import annotations

from typing import Any

import pandas as pd

from accstudy.accuracy.judge import ALL_PAIRS, VERIFIED
from accstudy.figures.drift import chart_panels, limit_chart
from accstudy.figures.style import rows_of
from accstudy.reports.content import ReportContent
from accstudy.reports.document import Document, Heading, Text
from accstudy.reports.drift_cautions import device_cautions
from accstudy.reports.drift_lookback import reassess
from accstudy.reports.report_rows import groups, slug
from accstudy.reports.sessions import (
    CHARTS,
    between,
    device_events,
    named_device,
    rows_of_device,
    short_name,
    signed,
)
from accstudy.words.numbers import NONE, count, day, missing, number, p_value, sure, unit_name

__all__ = ["CHART_GROUPS", "chapter", "chart_unit", "how_to_read", "main_chart"]


def how_to_read(document: Document, content: ReportContent) -> None:
    """What the charts show."""
    against = "against the reference" if content.referenced else "against the mean of the scans"
    every = (
        "Every pair is therefore compared with the limit in every session, taking the uncertainty "
        "of the session mean and of the reference into account."
        if content.referenced
        else "The centre line does not show whether a device is correct, because there is no "
        "reference; the charts show changes."
    )
    document.heading("How to read the charts")
    document.lead(
        "Charts",
        "Hollow points: baseline, from which centre line and control limits are computed; squares: "
        "signals. Charts of means show a sudden shift, moving ranges an unstable level; EWMA "
        "(exponentially weighted moving average) and CUSUM (cumulative sum of deviations beyond an "
        "allowance) detect a small sustained shift earlier. Charts of the spread show changes of "
        "precision in the same way. Limits are wider for a short baseline, so that false signals "
        "remain as rare as stated. Score: a standard deviation transformed to a normal deviate. "
        f"Scale: size of the whole arrangement {against}. Axis splay: how far the implant axes "
        "diverge.",
        f"Charts show means over pairs, in which opposite errors cancel. {every}",
    )


def main_chart(points: pd.DataFrame, chart: str) -> tuple[str, pd.DataFrame]:
    """Rows of a chart, of both sides of a CUSUM; session means where none is named."""
    side = chart.removesuffix("-high").removesuffix("-low")
    shown = points[points["chart"].isin([chart, f"{side}-high", f"{side}-low"])]
    if chart and len(shown):
        return side, shown
    for one in ("mean", "individuals"):
        if len(shown := points[points["chart"] == one]):
            return one, shown
    return chart, points.head(0)


def chapter(document: Document, content: ReportContent, row: Any, main: str) -> None:
    """Everything about one device.

    Parameters
    ----------
    document : Document
        Where it goes.
    content : ReportContent
        Finished tables.
    row : row of table ``drift_status``
        Whose.
    main : str
        Measurand that is charted in full where nothing else is told.
    """
    name = named_device(content, row.device, row.model)
    name = name[0].upper() + name[1:]
    document.heading(name)
    points = rows_of_device(content.table("drift_points"), row.device, row.model)
    signals = rows_of_device(content.table("drift_signals"), row.device, row.model)
    said = [
        signed("", str(text))
        for text in (row.what, row.limit_what, row.duty_what, row.advice)
        if text
    ]
    document.lead("State", *said)
    found = _bear_in_mind(content, row, points, signals)
    if found:
        text = "; ".join(found)
        document.lead("Remarks", f"{text[0].upper()}{text[1:]}.")
    if not len(points):
        return
    events = device_events(content, row.device)
    told = str(row.measurand) if row.stands else main
    own = points[points["measurand"] == told]
    if len(own):
        document.figure(
            slug("charts", row.device, row.model),
            chart_panels(_panels(own), events, panel_mm=16),
            caption=(
                f"{name}, {short_name(told)}: left, level; right, spread within sessions. Solid "
                "grey: centre line; dashed grey: control limits, wider for sessions with fewer "
                "scans; dotted: limits for single sessions, where precision varies between "
                "sessions; vertical dotted lines: events."
            ),
            alt=_alt(name, own),
        )
    rest = points[points["measurand"] != told]
    if len(rest):
        document.figure(
            slug("ewma", row.device, row.model),
            chart_panels(_others(rest), events, panel_mm=14),
            caption=(
                f"{name}, other measurands: left, EWMA of the session means; right, EWMA of the "
                "spread."
            ),
            alt=_alt(name, rest),
        )
    _limit_figure(document, content, row, name, events)
    _possible(document, signals)
    _signal_table(document, signals)
    _trend_table(document, content, row)
    reassess(document, content, row)
    _years(document, content, row, main)


def _bear_in_mind(
    content: ReportContent, row: Any, points: pd.DataFrame, signals: pd.DataFrame
) -> list[str]:
    scans, events = content.table("scans"), content.table("events")
    mine = events[events["device"].fillna("").isin(["", row.device])] if len(events) else events
    return device_cautions(
        points,
        mine,
        rows_of_device(content.table("drift_trends"), row.device, row.model),
        signals,
        rows_of_device(scans, row.device, row.model) if "device" in scans else scans,
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


CHART_GROUPS = (*_LEVEL, *_SPREAD)
"""Charts that are drawn together: name and their words in table ``drift_points``."""


def _panels(points: pd.DataFrame) -> list[list[_Panel]]:
    """Charts of one measurand: those of the level, and those of the spread if there are any."""
    found = []
    for wanted in (_LEVEL, _SPREAD):
        column = [
            (name, chart_unit(rows), rows)
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
            (short_name(measurand), chart_unit(rows), rows)
            for (measurand,), rows in groups(mine, ["measurand"])
        ]
        if column:
            found.append(column)
    return found


def chart_unit(rows: pd.DataFrame) -> str:
    """Unit of the axis of a chart, rows of table ``drift_points``."""
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


def _limit_figure(
    document: Document, content: ReportContent, row: Any, name: str, events: pd.DataFrame
) -> None:
    held = rows_of_device(content.table("drift_limits"), row.device, row.model)
    held = held[held["scope"] == ALL_PAIRS] if len(held) else held
    if not len(held):
        return
    open_ones = int((held["verdict"] != VERIFIED).sum())
    document.figure(
        slug("limit", row.device, row.model),
        limit_chart(held, events, verified=VERIFIED),
        caption=f"{name}, pair with the largest bound in every session: from its mean deviation to "
        "its "
        f"bound (session mean, one-sided {sure(held['confidence'].iloc[0])}). Line: "
        "the limit. Squares: sessions in which at least one pair is not verified.",
        alt=f"Bounds of {name} against the limit of {held['limit_um'].iloc[0]:g} µm: "
        f"{count(open_ones, 'session')} of {len(held)} not verified.",
    )


def _possible(document: Document, signals: pd.DataFrame) -> None:
    changes = signals[signals["kind"] == "change-point"] if len(signals) else signals
    if not len(changes):
        return
    document.lead(
        "Estimated changes",
        "Most likely start of each change of level or spread, estimated retrospectively from all "
        "sessions. A change is established only if a chart of the same measurand signals; others "
        "are possible changes. An event close in time is not necessarily the cause.",
    )
    document.items([signed("", str(r.what)) for r in rows_of(changes)])


def _signal_table(document: Document, signals: pd.DataFrame) -> None:
    mine = signals[signals["kind"] == "signal"] if len(signals) else signals
    if not len(mine):
        document.lead("Signals", "No chart signals.")
        return
    document.table(
        "First session of every series of signals. Size: relative to the baseline. Persists: the "
        "chart still signals at the last session.",
        [
            Heading("measurand", "left", 1.9),
            Heading("chart", "left", 1.6),
            Heading("date", "left", 0.9),
            Heading("session", "left", 0.8),
            Heading("size", width=0.9),
            Heading("persists", "left", 0.7),
            Heading("preceding event", "left", 2.3),
        ],
        _once(
            [
                [
                    short_name(str(r.measurand)),
                    CHARTS.get(r.chart, str(r.chart)),
                    day(r.at),
                    str(r.session),
                    f"{number(r.size, r.unit, signed=True)} {unit_name(r.unit)}",
                    "yes" if r.stands else "no",
                    signed("", str(r.event)) if r.event else NONE,
                ]
                for r in rows_of(mine.head(40))
            ]
        ),
    )


def _once(rows: list[list[Text]]) -> list[list[Text]]:
    return [
        ["" if k and row[0] == rows[k - 1][0] else row[0], *row[1:]] for k, row in enumerate(rows)
    ]


def _trend_table(document: Document, content: ReportContent, row: Any) -> None:
    table = rows_of_device(content.table("drift_trends"), row.device, row.model)
    pairs = rows_of_device(content.table("drift_pairs"), row.device, row.model)
    if len(table):
        document.table(
            "Slope at the last session, averaged over possible start dates and preceding steps, "
            "with its two-sided interval; for comparison, the median of all slopes between the "
            "same sessions (Theil–Sen), which interprets a step as a slope. Autocorrelation: "
            "correlation of neighbouring sessions.",
            [
                Heading("measurand", "left", 1.7),
                Heading("sessions since", "left", 0.9),
                Heading("slope per month", width=2),
                Heading([{"t": "p", "s": "i"}], width=0.6),
                Heading("Theil–Sen", width=2),
                Heading("auto-correlation", width=0.7),
            ],
            [_trend_cells(r) for r in rows_of(table)],
        )
    if len(pairs):
        document.table(
            "Every pair: present slope, and upper tolerance limit of future single scans, which "
            "is not the bound of the session mean. Earliest: first date not excluded "
            f"({sure(pairs['confidence'].iloc[0])}, one-sided) at which too many scans exceed the "
            "limit if the slope continues; it allows for the steepest slope within the interval "
            "and is therefore earlier than slope and bound suggest. Last column: two-sided "
            "interval of the date. Without a shown trend, nothing is projected.",
            [
                Heading("pair", "left", 0.8),
                Heading("slope per month", width=2),
                Heading([{"t": "p", "s": "i"}], width=0.6),
                Heading("tolerance bound", width=0.9),
                Heading("limit", width=0.7),
                Heading("limit reached, earliest", "left", 1.5),
                Heading("interval of the date", "left", 2.2),
            ],
            [_pair_cells(r) for r in rows_of(pairs)],
        )


def _interval(middle: float, low: float, high: float, unit: str) -> str:
    a, b, c = (number(v, unit, signed=True) for v in (middle, low, high))
    return f"{a} ({b} to {c}) {unit_name(unit)}"


def _trend_cells(r: Any) -> list[Text]:
    return [
        short_name(str(r.measurand)),
        day(r.since),
        _interval(r.slope_per_month, r.slope_low_per_month, r.slope_high_per_month, r.unit),
        p_value(r.p),
        _interval(
            r.theil_sen_per_month, r.theil_sen_low_per_month, r.theil_sen_high_per_month, r.unit
        ),
        NONE if missing(r.autocorrelation) else number(r.autocorrelation, "", decimals=1),
    ]


def _pair_cells(r: Any) -> list[Text]:
    return [
        f"{r.implant_a}-{r.implant_b}",
        _interval(r.slope_um_per_month, r.slope_low_um, r.slope_high_um, "um"),
        p_value(r.p),
        f"{number(r.bound_um, 'um')} µm",
        f"{r.limit_um:g} µm",
        limit_met(r),
        _days_met(r),
    ]


def limit_met(row: Any) -> str:
    """Say when the limit is met at the earliest, or how far was looked ahead.

    Parameters
    ----------
    row : row of table ``drift_pairs``

    Returns
    -------
    str
    """
    if row.reached_at is pd.NaT or missing(row.reached_at):
        return f"not by {day(row.horizon)}" if pd.notna(row.horizon) else "no trend shown"
    at_once = row.reached_at <= pd.Timestamp(row.until).normalize()
    return "already exceeded" if at_once else day(row.reached_at)


def _days_met(row: Any) -> str:
    """Interval of the day; open where its end lies after the horizon."""
    if pd.isna(row.horizon) or pd.isna(row.reached_low):
        return NONE
    if pd.isna(row.reached_high):
        return f"{day(row.reached_low)} to after {day(row.horizon)}"
    return f"{day(row.reached_low)} to {day(row.reached_high)}"


def _years(document: Document, content: ReportContent, row: Any, main: str) -> None:
    table = rows_of_device(content.table("drift_periods"), row.device, row.model)
    table = table[table["measurand"] == main] if len(table) else table
    if not len(table):
        return
    years = table[table["kind"] == "year"]
    months = table[table["kind"] == "month"].tail(12)
    unit = unit_name(str(table["unit"].iloc[0]))
    document.table(
        f"Mean of the session means by year, and for the last twelve months, of the {main} / "
        f"{unit}, "
        "with its interval.",
        [
            Heading("period", "left", 0.9),
            Heading("sessions", width=0.8),
            Heading("mean", width=0.8),
            Heading("interval", width=1.6),
            Heading("with signals", width=0.9),
            Heading("events", width=0.8),
        ],
        [
            [
                str(r.period),
                str(int(r.n_sessions)),
                number(r.mean, r.unit, signed=True),
                between(r.low, r.high, r.unit),
                str(int(r.n_signals)),
                str(int(r.n_events)),
            ]
            for part in (years, months)
            for r in rows_of(part)
        ],
        wide=False,
    )
