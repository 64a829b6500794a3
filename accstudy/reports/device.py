"""A chapter a device: what was found, its charts, its limit, work to reassess, its years."""

from __future__ import annotations

from typing import Any

import pandas as pd

from accstudy.accuracy.judge import ALL_PAIRS, VERIFIED
from accstudy.figures.drift import chart_panels, limit_chart
from accstudy.figures.style import rows_of
from accstudy.reports.common import flagged, groups, slug
from accstudy.reports.document import Document, ReportContent, extended
from accstudy.words.catalogue import choose, say, words
from accstudy.words.names import capital, unit_name
from accstudy.words.numbers import day, sure


def named_device(content: ReportContent, device: str, model: str) -> str:
    """Device, and model where there are several."""
    points, name = content.table("drift_points"), device or say("drift.the_device")
    if not len(points) or points["model"].nunique() < 2:
        return name
    return say("drift.model_name_model", name=name, model=model)


def device_names(content: ReportContent, rows: pd.DataFrame) -> list[str]:
    """Name of the device of every row."""
    whose = list(zip(rows["device"], rows["model"], strict=True))
    known = {pair: named_device(content, *pair) for pair in set(whose)}
    return [known[pair] for pair in whose]


def rows_of_device(table: pd.DataFrame, device: str, model: str) -> pd.DataFrame:
    """Rows of one device and model."""
    if not len(table):
        return table
    return table[(table["device"] == device) & (table["model"] == model)]


def device_events(content: ReportContent, device: str) -> pd.DataFrame:
    """Events of a device, those of all devices included."""
    events = content.table("events")
    if not len(events):
        return pd.DataFrame(columns=["at", "kind"])
    mine = events[events["device"].fillna("").isin(["", device])]
    return pd.DataFrame({"at": pd.to_datetime(mine["at"]), "kind": mine["kind"]})


def how_to_read(document: Document, content: ReportContent) -> None:
    """What the charts show."""
    against = (
        say("device.against_the_reference")
        if content.referenced
        else say("device.against_the_mean_of")
    )
    every = (
        say("device.every_pair_is_therefore")
        if content.referenced
        else say("device.the_centre_line_does")
    )
    document.heading(say("device.how_to_read_the"))
    document.lead(
        say("device.charts"),
        say(
            "device.hollow_points_baseline_from",
            against=against,
            every=content.setting("drift", "false_alarm_every"),
        ),
        say("device.charts_show_means_over", every=every),
    )


def chapter(document: Document, content: ReportContent, row: Any, main: str) -> None:
    """Everything about one device."""
    name = capital(named_device(content, row.device, row.model))
    document.heading(name)
    points = rows_of_device(content.table("drift_points"), row.device, row.model)
    signals = rows_of_device(content.table("drift_signals"), row.device, row.model)
    said = [text for text in (row.what, row.limit_what, row.duty_what, row.advice) if text]
    document.lead(say("device.state"), *map(str, said))
    remarks = rows_of_device(content.table("drift_remarks"), row.device, row.model)
    found = [remark(r) for r in rows_of(remarks)]
    if found:
        document.lead(say("device.to_bear_in_mind"), " ".join(found))
    if not len(points):
        return
    events = device_events(content, row.device)
    _limit_figure(document, content, row, name, events)
    told = str(row.measurand) if row.stands else main
    own = points[points["measurand"] == told]
    if len(own):
        document.figure(
            slug("charts", row.device, row.model),
            chart_panels(_panels(own), events, panel_mm=22),
            caption=say("device.left_level_right_spread", name=name, measurand=told),
            alt=_alt(name, own),
        )
    rest = points[points["measurand"] != told]
    if len(rest):
        document.figure(
            slug("ewma", row.device, row.model),
            chart_panels(_others(rest), events, panel_mm=20),
            caption=say("device.other_measurands_left_ewma", name=name),
            alt=_alt(name, rest),
        )
    _possible(document, signals)
    _signal_table(document, signals)
    _trend_table(document, content, row)
    reassess(document, content, row)
    _years(document, content, row, main)


def remark(row: Any) -> str:
    """Sentence of a row of table ``drift_remarks``."""
    dated = row.kind == "software" and pd.notna(row.event_at)
    return choose("device.remarks", "software-event" if dated else row.kind, row)


_Panel = tuple[str, str, pd.DataFrame]


_LEVEL = (
    ("means", ("mean", "individuals")),
    ("moving_range", ("moving-range",)),
    ("ewma", ("ewma",)),
    ("cusum", ("cusum-high", "cusum-low")),
)

_SPREAD = (
    ("sd", ("sd", "individuals-sd")),
    ("moving_range_sd", ("moving-range-sd",)),
    ("ewma_sd", ("ewma-sd",)),
    ("cusum_sd", ("cusum-sd-high", "cusum-sd-low")),
)


CHART_GROUPS = (*_LEVEL, *_SPREAD)
"""Charts that are drawn together: key of their name, and their words in ``drift_points``."""


def _panels(points: pd.DataFrame) -> list[list[_Panel]]:
    """Charts of one measurand: those of the level, and those of the spread if there are any."""
    found = []
    for wanted in (_LEVEL, _SPREAD):
        column = [
            (words("drift.chart_groups")[name], chart_unit(rows), rows)
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
            (measurand, chart_unit(rows), rows)
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
    found = groups(flagged(points, "signal"), ["measurand", "chart"])
    said = [say("device.signals_of_chart", rows.iloc[0], n=len(rows)) for _, rows in found[:12]]
    sessions = points["session"].nunique()
    text = "; ".join(said) or say("device.no_signal")
    return say("device.control_charts_of_over", name=name, sessions=sessions, said=text)


def _limit_figure(
    document: Document, content: ReportContent, row: Any, name: str, events: pd.DataFrame
) -> None:
    held = rows_of_device(content.table("drift_limits"), row.device, row.model)
    held = held[held["scope"] == ALL_PAIRS] if len(held) else held
    if not len(held):
        return
    last = rows_of(held)[-1]
    document.figure(
        slug("limit", row.device, row.model),
        limit_chart(held, events, verified=VERIFIED),
        caption=say("device.pair_with_the_largest", last, name=name),
        alt=say(
            "device.bounds_of_against_the",
            last,
            name=name,
            open_ones=row.n_not_verified,
            held=len(held),
        ),
    )


def _possible(document: Document, signals: pd.DataFrame) -> None:
    changes = signals[signals["kind"] == "change-point"] if len(signals) else signals
    if not len(changes):
        return
    document.lead(say("device.estimated_changes"), say("device.most_likely_start_of"))
    document.items(list(map(str, changes["what"])))


def _signal_table(document: Document, signals: pd.DataFrame) -> None:
    mine = signals[signals["kind"] == "signal"] if len(signals) else signals
    if not len(mine):
        document.lead(say("device.signals"), say("device.no_chart_signals"))
        return
    document.listed("device.signals_table", mine.head(40), once=1)


def _trend_table(document: Document, content: ReportContent, row: Any) -> None:
    table = rows_of_device(content.table("drift_trends"), row.device, row.model)
    pairs = rows_of_device(content.table("drift_pairs"), row.device, row.model)
    if len(table):
        document.listed("device.trends_table", table, confidence=sure(table["confidence"].iloc[0]))
    if len(pairs):
        document.listed(
            "device.pairs_table",
            extended(pairs, met=map(limit_met, rows_of(pairs))),
            confidence=sure(pairs["confidence"].iloc[0]),
            coverage=sure(pairs["coverage"].iloc[0]),
            beyond=sure(round(1 - pairs["coverage"].iloc[0], 6)),
        )


def limit_met(row: Any) -> str:
    """Say when the limit is met at the earliest, or how far was looked ahead."""
    if pd.isna(row.reached_at):
        return choose("device.met", "no trend" if pd.isna(row.horizon) else "later", row)
    return choose("device.met", "exceeded" if row.exceeded else "day", row)


def _years(document: Document, content: ReportContent, row: Any, main: str) -> None:
    table = rows_of_device(content.table("drift_periods"), row.device, row.model)
    table = table[table["measurand"] == main] if len(table) else table
    if not len(table):
        return
    years = table[table["kind"] == "year"]
    months = table[table["kind"] == "month"].tail(12)
    unit = unit_name(str(table["unit"].iloc[0]))
    document.listed(
        "device.periods_table",
        pd.concat([years, months]),
        wide=False,
        main=main,
        unit=unit,
        confidence=sure(table["confidence"].iloc[0]),
    )


def reassess(document: Document, content: ReportContent, row: Any) -> None:
    """Check scans of the sessions of a device that are not verified."""
    mine = rows_of_device(content.table("drift_lookback"), row.device, row.model)
    held = "limit" if row.limit_verdict else "signal"
    if not len(mine):
        why = choose("device.no_doubt", held)
        document.lead(say("device.work_to_reassess"), say("device.none_why", why=why))
        return
    what = choose("device.doubt", held)
    document.lead(
        say("device.work_to_reassess"),
        say(
            "device.this_work_is_not", work_in_doubt=work_in_doubt(mine), mine=len(mine), what=what
        ),
    )
    document.listed(
        "device.reassess_table",
        [
            [session, day(part["at"].iloc[0]), ", ".join(part["scan"]), str(part["doubt"].iloc[0])]
            for (session,), part in groups(mine, ["session"])
        ],
        wide=False,
        what=what,
    )


def work_in_doubt(look: pd.DataFrame) -> str:
    """Say which work is to be reassessed: that between verified sessions.

    Parameters
    ----------
    look : DataFrame
        Rows of table ``drift_lookback`` of one device and model, in order of time.

    Returns
    -------
    str
    """
    spans = [
        choose("device.after", "good" if r.proven_good else "none", r)
        + (say("device.and_before", r) if r.next_good else "")
        for r in rows_of(look.drop_duplicates(["proven_good", "next_good"]))
    ]
    return say("device.reassess_the_work_scanned", spans="; ".join(spans))
