"""A chapter a device: what was found, its charts, its limit, work to reassess, its years."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

import pandas as pd

from accstudy.accuracy.judge import ALL_PAIRS, VERIFIED
from accstudy.figures.drift import chart_panels, gaps_after, limit_chart
from accstudy.figures.style import rows_of
from accstudy.reports.common import groups, slug
from accstudy.reports.document import Document, ReportContent, Text, extended
from accstudy.words.catalogue import say, words
from accstudy.words.numbers import NONE, date, day, joined, missing, sure, unit_name

__all__ = [
    "CHART_GROUPS",
    "chapter",
    "chart_unit",
    "device_cautions",
    "device_events",
    "device_names",
    "how_to_read",
    "id_range",
    "main_chart",
    "main_measurand",
    "named_device",
    "plainly",
    "reassess",
    "rows_of_device",
    "short_name",
    "signed",
    "work_in_doubt",
]


def main_measurand(points: pd.DataFrame) -> str:
    """The measurand of page 1: the cross-arch distance, or the first there is."""
    names = list(dict.fromkeys(points["measurand"])) if len(points) else []
    return "cross-arch distance" if "cross-arch distance" in names else (names or [""])[0]


def named_device(content: ReportContent, device: str, model: str) -> str:
    """Device, and model where there are several."""
    points = content.table("drift_points")
    several = "model" in points and len(points["model"].unique()) > 1
    name = device or say("drift.the_device")
    return say("drift.model_name_model", name=name, model=model) if several else name


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


def short_name(measurand: str) -> str:
    """Measurand without what its neighbours share.

    Examples
    --------
    >>> short_name("distance of pairs over 30 mm apart"), short_name("scale")
    ('pairs over 30 mm apart', 'scale')
    """
    return measurand.removeprefix("distance of ")


def plainly(text: object) -> str:
    """As `signed`, for a text without a device that stays a string."""
    said = signed("", str(text))
    assert isinstance(said, str)
    return said


def device_events(content: ReportContent, device: str) -> pd.DataFrame:
    """Events of a device, those of all devices included."""
    events = content.table("events")
    if not len(events):
        return pd.DataFrame(columns=["at", "kind"])
    mine = events[events["device"].fillna("").isin(["", device])]
    return pd.DataFrame({"at": pd.to_datetime(mine["at"]), "kind": mine["kind"]})


def signed(device: str, what: str) -> Text:
    """Sentence of a device with typographic minus signs and dates in words.

    Examples
    --------
    >>> signed("device A", "Scale stepped by -3.0 ppm on 2024-05-06.")
    'device A: scale stepped by −3.0 ppm on 6 May 2024.'
    """
    said = re.sub(r"(?<=[ (])-(?=\d)", "−", what)
    said = re.sub(r"\b\d{4}-\d{2}-\d{2}\b", lambda found: date(found[0]), said)
    return f"{device}: {said[0].lower()}{said[1:]}" if device else said


def device_cautions(
    points: pd.DataFrame,
    events: pd.DataFrame,
    trends: pd.DataFrame,
    signals: pd.DataFrame,
    scans: pd.DataFrame,
) -> list[str]:
    """Say what the charts of one device do not show by themselves.

    Parameters
    ----------
    points, trends, signals : DataFrame
        Rows of tables ``drift_points``, ``drift_trends``, ``drift_signals`` of the device.
    events, scans : DataFrame
        Tables ``events`` and ``scans`` of the device; events of all devices included.

    Returns
    -------
    list of str
        Sentences: gaps between sessions, events within a baseline, small p values of a
        trend in a measurand without signs, scan bodies that grew old with the device, a
        change of software within the charts.
    """
    said = []
    at = points.drop_duplicates("session").sort_values("at")["at"].reset_index(drop=True)
    for k in gaps_after(at):
        said.append(say("device.no_session_between_and", at=at[k], at_2=at[k + 1]))
    first = points[points["baseline"].fillna(False).astype(bool)]
    for no, base in first.groupby("baseline_no", sort=True):
        when = pd.to_datetime(events["at"]) if len(events) else pd.Series([], dtype=object)
        inside = events[(when > base["at"].min()) & (when < base["at"].max())]
        which = "" if no == 1 else f" {no}"
        for row in rows_of(inside):
            said.append(
                say(
                    "device.its_baseline_spans_an",
                    which=which,
                    kind=row.kind,
                    Timestamp=pd.Timestamp(row.at),
                )
            )
    said += _software(points, scans)
    signed = set(signals["measurand"]) if len(signals) else set()
    for row in rows_of(trends):
        if row.shown and row.measurand not in signed:
            said.append(
                say("device.has_a_trend_with", short_name=short_name(row.measurand), p=row.p)
            )
    uses = scans["body_uses"].dropna() if "body_uses" in scans else pd.Series([], dtype=float)
    if len(uses) and uses.max() > uses.min():
        said.append(say("device.its_scan_bodies_were", uses=uses.min(), uses_2=uses.max()))
    return said


def _software(points: pd.DataFrame, scans: pd.DataFrame) -> list[str]:
    """Versions of the software that the charts of the present baseline mix."""
    if not {"software", "measured_at"} <= set(scans.columns) or not len(points):
        return []
    since = points.loc[points["baseline_no"] == points["baseline_no"].max(), "at"].min()
    mine = scans.assign(at=pd.to_datetime(scans["measured_at"])).sort_values("at", kind="stable")
    mine = mine[(mine["at"] >= since) & (mine["software"].fillna("") != "")]
    first = mine.drop_duplicates("software")
    if len(first) < 2:
        return []
    known = [say("device.from_software_at", r) for r in rows_of(first)]
    return [
        say(
            "device.its_software_changed_without",
            known=joined(known),
            software=first["software"].iloc[0],
        )
    ]


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
        say("device.hollow_points_baseline_from", against=against),
        say("device.charts_show_means_over", every=every),
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
    """Everything about one device."""
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
    document.lead(say("device.state"), *said)
    found = _bear_in_mind(content, row, points, signals)
    if found:
        document.lead(say("device.remarks"), " ".join(f"{t[0].upper()}{t[1:]}." for t in found))
    if not len(points):
        return
    events = device_events(content, row.device)
    told = str(row.measurand) if row.stands else main
    own = points[points["measurand"] == told]
    if len(own):
        document.figure(
            slug("charts", row.device, row.model),
            chart_panels(_panels(own), events, panel_mm=16),
            caption=(say("device.left_level_right_spread", name=name, short_name=short_name(told))),
            alt=_alt(name, own),
        )
    rest = points[points["measurand"] != told]
    if len(rest):
        document.figure(
            slug("ewma", row.device, row.model),
            chart_panels(_others(rest), events, panel_mm=14),
            caption=(say("device.other_measurands_left_ewma", name=name)),
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
            parts.append(
                say(
                    "device.signals_of_chart",
                    measurand=measurand,
                    chart=words("drift.charts").get(chart, chart),
                    n=signals,
                )
            )
    said = "; ".join(parts[:12]) or say("device.no_signal")
    sessions = points["session"].nunique()
    return say("device.control_charts_of_over", name=name, sessions=sessions, said=said)


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
        caption=say(
            "device.pair_with_the_largest", name=name, confidence=held["confidence"].iloc[0]
        ),
        alt=say(
            "device.bounds_of_against_the",
            name=name,
            limit_um=held["limit_um"].iloc[0],
            open_ones=open_ones,
            held=len(held),
        ),
    )


def _possible(document: Document, signals: pd.DataFrame) -> None:
    changes = signals[signals["kind"] == "change-point"] if len(signals) else signals
    if not len(changes):
        return
    document.lead(say("device.estimated_changes"), say("device.most_likely_start_of"))
    document.items([signed("", str(r.what)) for r in rows_of(changes)])


def _signal_table(document: Document, signals: pd.DataFrame) -> None:
    mine = signals[signals["kind"] == "signal"] if len(signals) else signals
    if not len(mine):
        document.lead(say("device.signals"), say("device.no_chart_signals"))
        return
    document.listed(
        "device.signals_table",
        mine.head(40),
        once=1,
        named={"short": short_name, "yes": _yes, "undated": _undated},
    )


def _undated(event: Any) -> str:
    """Event before a signal without its day, which stands elsewhere."""
    return re.sub(r" on \d{4}-\d\d-\d\d", "", str(event))


def _yes(stands: Any) -> str:
    return "yes" if stands else "no"


def _trend_table(document: Document, content: ReportContent, row: Any) -> None:
    table = rows_of_device(content.table("drift_trends"), row.device, row.model)
    pairs = rows_of_device(content.table("drift_pairs"), row.device, row.model)
    if len(table):
        document.listed("device.trends_table", table, named={"short": short_name})
    if len(pairs):
        document.listed(
            "device.pairs_table",
            extended(pairs, **{k: list(map(f, rows_of(pairs))) for k, f in _MET.items()}),
            confidence=sure(pairs["confidence"].iloc[0]),
        )


def limit_met(row: Any) -> str:
    """Say when the limit is met at the earliest, or how far was looked ahead."""
    if row.reached_at is pd.NaT or missing(row.reached_at):
        return say("device.not_by", row) if pd.notna(row.horizon) else say("device.no_trend_shown")
    at_once = row.reached_at <= pd.Timestamp(row.until).normalize()
    return say("device.already_exceeded") if at_once else day(row.reached_at)


def _days_met(row: Any) -> str:
    """Interval of the day; open where its end lies after the horizon."""
    if pd.isna(row.horizon) or pd.isna(row.reached_low):
        return NONE
    if pd.isna(row.reached_high):
        return say("device.to_after", row)
    return say("device.to_reached_low_reached_high", row)


_MET = {"met": limit_met, "days": _days_met}


def _years(document: Document, content: ReportContent, row: Any, main: str) -> None:
    table = rows_of_device(content.table("drift_periods"), row.device, row.model)
    table = table[table["measurand"] == main] if len(table) else table
    if not len(table):
        return
    years = table[table["kind"] == "year"]
    months = table[table["kind"] == "month"].tail(12)
    unit = unit_name(str(table["unit"].iloc[0]))
    document.listed(
        "device.periods_table", pd.concat([years, months]), wide=False, main=main, unit=unit
    )


def reassess(document: Document, content: ReportContent, row: Any) -> None:
    """Check scans of the sessions of a device that are not verified."""
    mine = rows_of_device(content.table("drift_lookback"), row.device, row.model)
    if not len(mine):
        why = (
            say("device.every_session_is_within")
            if row.limit_verdict
            else say("device.no_signal_persists")
        )
        document.lead(say("device.work_to_reassess"), say("device.none_why", why=why))
        return
    scans = content.table("scans")
    usable = scans[scans["status"] != "failed"] if "status" in scans else scans
    own = usable[usable["device"] == row.device] if "device" in usable else usable
    what = (
        say("device.that_are_not_verified")
        if row.limit_verdict
        else say("device.to_which_a_signal")
    )
    document.lead(
        say("device.work_to_reassess"),
        say(
            "device.this_work_is_not",
            work_in_doubt=work_in_doubt(mine),
            mine=len(mine),
            total=max(len(own), len(mine)),
            what=what,
        ),
    )
    document.listed(
        "device.reassess_table",
        [
            [
                str(session),
                day(part["at"].min()),
                id_range([str(s) for s in part["scan"]]),
                signed("", str(part["doubt"].iloc[0]).replace("distance of pairs", "pairs")),
            ]
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
    spans = []
    for (good, after), part in look.groupby(["proven_good", "next_good"], sort=False):
        start = (
            say("device.after_proven_good_at", proven_good_at=part["proven_good_at"].iloc[0])
            if good
            else say("device.so_far")
        )
        end = say("device.and_before", next_good_at=part["next_good_at"].iloc[0]) if after else ""
        spans.append(start + end)
    return say("device.reassess_the_work_scanned", spans="; ".join(spans))


def id_range(ids: Sequence[str]) -> str:
    """Write identifiers that differ in a last running number as a range.

    Examples
    --------
    >>> id_range(["A_1_r1", "A_1_r2", "A_1_r3"]), id_range(["a1", "a3"]), id_range(["x", "y"])
    ('A_1_r1 to A_1_r3', 'a1, a3', 'x, y')
    """
    parts = [re.fullmatch(r"(.*?)([0-9]+)", one) for one in ids]
    if len(ids) > 2 and all(parts) and len({m[1] for m in parts if m}) == 1:
        numbers = [int(m[2]) for m in parts if m]
        if numbers == list(range(numbers[0], numbers[0] + len(ids))):
            return say("device.to_ids_ids_2", ids=ids[0], ids_2=ids[-1])
    return ", ".join(ids)
