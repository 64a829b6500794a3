"""The drift report: is the device still what it was, and since when not?"""

from __future__ import annotations

import re
from typing import Any

import pandas as pd

from accstudy.figures.drift import chart_panels, run_length_chart, state_chart, trend_chart
from accstudy.figures.style import rows_of
from accstudy.reports.content import ReportContent
from accstudy.reports.document import Document, Heading, Text, strong_accent
from accstudy.reports.select import groups, limit_of, slug
from accstudy.reports.shared import (
    holds_for,
    left_out,
    limits_of_use,
    methods_section,
    record_section,
)
from accstudy.reports.wording import (
    NONE,
    count,
    date,
    day,
    joined,
    missing,
    number,
    p_value,
    quantity,
    unit_name,
)

__all__ = ["drift_report"]

_MONTH = pd.Timedelta(days=30.436875)
_CHARTS = {
    "individuals": "single sessions",
    "moving-range": "moving range",
    "mean": "session means",
    "sd": "spread within sessions",
    "ewma": "EWMA of the means",
    "cusum": "CUSUM",
    "cusum-high": "CUSUM upwards",
    "cusum-low": "CUSUM downwards",
    "ewma-sd": "EWMA of the spread",
}
_RULES = {"outside-limits": "beyond the limits"}


def drift_report(content: ReportContent) -> tuple[list[Text], Document, Document]:
    """Build the drift report.

    Parameters
    ----------
    content : ReportContent
        Finished tables; those that are absent leave their section out.

    Returns
    -------
    answer : list of Text
        The state today, a sentence a device.
    first : Document
        Rest of page 1.
    rest : Document
        Charts, signals, trends, look-back list, baselines, methods, limits, record.
    """
    first, rest = Document(), Document()
    main = main_measurand(content.table("drift_points"))
    _state_figure(first, content, main)
    holds_for(first, content)
    rest.new_page()
    _charts(rest, content, main)
    _signals(rest, content)
    _trends(rest, content, main)
    _lookback(rest, content)
    _comparisons(rest, content)
    _baselines(rest, content)
    _run_lengths(rest, content, main)
    left_out(rest, content)
    methods_section(rest, content)
    limits_of_use(rest)
    record_section(rest, content)
    return answer(content, main), first, rest


def main_measurand(points: pd.DataFrame) -> str:
    """The measurand of page 1: the cross-arch distance, or the first there is."""
    names = list(dict.fromkeys(points["measurand"])) if len(points) else []
    return "cross-arch distance" if "cross-arch distance" in names else (names or [""])[0]


def _named(content: ReportContent, device: str, model: str) -> str:
    """Device, and model where there are several."""
    models = set(content.table("drift_points").get("model", ()))
    name = device or "the device"
    return f"{name}, model {model}" if len(models) > 1 else name


def _names(content: ReportContent, rows: pd.DataFrame) -> list[str]:
    """Name of the device of every row."""
    whose = list(zip(rows["device"], rows["model"], strict=True))
    known = {pair: _named(content, *pair) for pair in set(whose)}
    return [known[pair] for pair in whose]


def answer(content: ReportContent, main: str) -> list[Text]:
    """Sentences of page 1: the state of every device at its last session.

    Parameters
    ----------
    content : ReportContent
        Tables ``drift_points``, ``drift_signals``, ``drift_trends``, ``drift_lookback``.
    main : str
        The measurand whose trend is said.

    Returns
    -------
    list of Text
    """
    points = content.table("drift_points")
    if not len(points):
        return ["Nothing can be said about drift: there are too few sessions to chart."]
    said: list[Text] = []
    for (device, model), mine in groups(points, ["device", "model"]):
        said.append(_state(content, device, model, mine, main))
    return said


def _state(
    content: ReportContent, device: str, model: str, points: pd.DataFrame, main: str
) -> Text:
    name = _named(content, device, model)
    last = date(points["at"].max())
    look = content.table("drift_lookback")
    if len(look):
        look = look[(look["device"] == device) & (look["model"] == model)]
    signals = _of(content.table("drift_signals"), device, model)
    found = signals[signals["kind"].isin(["signal", "change-point"])] if len(signals) else signals
    text: list[Any]
    if len(look):
        changed, charted = found["measurand"].nunique(), points["measurand"].nunique()
        text = [
            f"{name[0].upper()}{name[1:]}: on {last} ",
            strong_accent("a signal stands"),
            f" ({changed} of {charted} measurands, first on {date(look['signal_at'].iloc[0])}); ",
            strong_accent(count(len(look), "scan")),
            f" since {_since(look)} must be reassessed.",
        ]
    elif len(found):
        text = [
            f"{name[0].upper()}{name[1:]}: on {last} ",
            strong_accent("no signal stands"),
            f"; {count(len(found), 'sign')} of a change before, the first on "
            f"{date(found['at'].min())}.",
        ]
    else:
        sessions = points["session"].nunique()
        text = [
            f"{name[0].upper()}{name[1:]}: ",
            strong_accent("no sign of a change"),
            f" in {count(sessions, 'session')} until {last}.",
        ]
    trend = _of(content.table("drift_trends"), device, model)
    trend = trend[trend["measurand"] == main] if len(trend) else trend
    if len(trend):
        text.append(" " + _slope(rows_of(trend.tail(1))[0]))
    return text


def _of(table: pd.DataFrame, device: str, model: str) -> pd.DataFrame:
    if not len(table):
        return table
    return table[(table["device"] == device) & (table["model"] == model)]


def _since(look: pd.DataFrame) -> str:
    good = look["proven_good_at"].iloc[0]
    return "the first session" if missing(good) or good is pd.NaT else date(good)


def _slope(row: Any) -> str:
    name = str(row.measurand)
    values = [
        number(v, row.unit, signed=True)
        for v in (row.slope_per_month, row.slope_low_per_month, row.slope_high_per_month)
    ]
    shown = not missing(row.p) and float(row.p) < 0.05
    start = f"{name[0].upper()}{name[1:]}, {'trend' if shown else 'no trend shown'}: "
    text = f"{start}{values[0]} {unit_name(row.unit)} a month ({values[1]} to {values[2]})"
    if pd.notna(row.reached_at):
        if row.reached_at <= row.until:
            text += "; the bound for future scans lies beyond the limit already"
        else:
            text += f"; if it goes on, the bound meets the limit about {date(row.reached_at)}"
    return text + "."


def _state_figure(document: Document, content: ReportContent, main: str) -> None:
    points = content.table("drift_points")
    if not len(points):
        return
    mine = points[points["measurand"] == main]
    means = mine[mine["chart"].isin(["mean", "individuals"])]
    if not len(means):
        return
    keys = ["device", "model", "session"]
    signals = mine[mine["signal"].fillna(False).astype(bool)][keys].drop_duplicates()
    flag = means[keys].merge(signals.assign(any_signal=True), on=keys, how="left")
    shown = means.assign(
        name=_names(content, means),
        any_signal=flag["any_signal"].fillna(False).astype(bool).to_numpy(),
    )
    names = list(dict.fromkeys(shown["name"]))[:4]
    shown = shown[shown["name"].isin(names)]
    unit = str(shown["unit"].iloc[0])
    events = _events_of(content, shown)
    said = "; ".join(
        f"{name}: from {quantity(part['value'].min(), unit, signed=True)} to "
        f"{quantity(part['value'].max(), unit, signed=True)}, "
        f"{count(int(part['any_signal'].sum()), 'session')} with a signal"
        for (name,), part in groups(shown, ["name"])
    )
    limit = limit_of(content, "distance_um") if unit == "um" else None
    document.figure(
        "state",
        state_chart(shown, events, label=f"{main} / {unit_name(unit)}", limit=limit),
        caption=f"Mean {main} of every session, measured minus reference. Hollow: baseline. "
        "Squares: a chart of this measurand signals. Dashed: limits of the chart of means; "
        "dotted: events.",
        alt=f"Charts of the session means of {main} by device. {said}.",
    )


def _events_of(content: ReportContent, shown: pd.DataFrame) -> pd.DataFrame:
    """Events with the name of the panel they belong to."""
    events = content.table("events")
    columns = ["at", "kind", "name"]
    if not len(events):
        return pd.DataFrame(columns=columns)
    rows = []
    for r in rows_of(shown.drop_duplicates("name")):
        for e in rows_of(events):
            if not e.device or e.device == r.device:
                rows.append([pd.Timestamp(e.at), e.kind, r.name])
    return pd.DataFrame(rows, columns=columns)


def _charts(document: Document, content: ReportContent, main: str) -> None:
    points = content.table("drift_points")
    if not len(points):
        return
    document.heading("Charts")
    document.lead(
        "How to read them",
        "Hollow points are the baseline from which centre and limits come. A square is a signal. "
        "Means show a jump at once, EWMA and CUSUM a small lasting shift sooner, the spread a "
        "change of precision. Limits are wider than usual where the baseline is short, so that "
        "false signals stay as rare as stated.",
    )
    for (device, model), mine in groups(points, ["device", "model"])[:6]:
        name = _named(content, device, model)
        events = _events_of(content, mine.head(1).assign(name=name))
        own = mine[mine["measurand"] == main]
        unit = unit_name(str(own["unit"].iloc[0])) if len(own) else ""
        panels = _panels(own, unit)
        if panels:
            document.figure(
                slug("charts", device, model),
                chart_panels(panels, events),
                caption=f"{name}: charts of the {main}, with events (dotted).",
                alt=_alt(name, own),
            )
        rest = mine[(mine["measurand"] != main) & (mine["chart"] == "ewma")]
        if not rest["signal"].fillna(False).astype(bool).any():
            continue
        others = [
            (_short(measurand), unit_name(str(part["unit"].iloc[0])), part)
            for (measurand,), part in groups(rest, ["measurand"])
        ]
        if others:
            document.figure(
                slug("ewma", device, model),
                chart_panels(others, events, panel_mm=17),
                caption=f"{name}: EWMA of the other measurands. Mean deviation of the distances "
                "in a class of spans; scale of the whole arrangement; splay of the axes.",
                alt=_alt(name, mine[mine["measurand"] != main]),
            )


def _panels(points: pd.DataFrame, unit: str) -> list[tuple[str, str, pd.DataFrame]]:
    wanted = (
        ("session means", ["mean", "individuals"]),
        ("EWMA of the means", ["ewma"]),
        ("CUSUM", ["cusum-high", "cusum-low"]),
        ("spread within sessions", ["sd", "moving-range"]),
    )
    found = [(name, unit, points[points["chart"].isin(charts)]) for name, charts in wanted]
    return [(name, label, rows) for name, label, rows in found if len(rows)]


def _short(measurand: str) -> str:
    """Measurand without what its neighbours share."""
    return measurand.removeprefix("distance, ")


def _alt(name: str, points: pd.DataFrame) -> str:
    parts = []
    for (measurand, chart), rows in groups(points, ["measurand", "chart"]):
        signals = int(rows["signal"].fillna(False).astype(bool).sum())
        if signals:
            parts.append(f"{measurand}, {_CHARTS.get(chart, chart)}: {count(signals, 'signal')}")
    said = "; ".join(parts[:12]) or "no signal"
    sessions = points["session"].nunique()
    return f"Control charts of {name} over {count(sessions, 'session')}. {said}."


def _signals(document: Document, content: ReportContent) -> None:
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
            "When the level most likely changed, from all sessions together, and which event lies "
            "near. Near in time is not the cause.",
        )
        document.items([_signed(str(r.device), str(r.what)) for r in rows_of(changes)])
    signals = table[table["kind"] == "signal"]
    if len(signals):
        document.table(
            "First session of every run of signals. Size: against the baseline.",
            [
                Heading("device", "left", 1),
                Heading("measurand", "left", 1.9),
                Heading("chart", "left", 1.5),
                Heading("date", "left", 1),
                Heading("session", "left", 0.7),
                Heading("size", width=0.9),
                Heading("event near", "left", 2.6),
            ],
            _once(
                [
                    [
                        str(r.device),
                        _short(str(r.measurand)),
                        _CHARTS.get(r.chart, str(r.chart)),
                        day(r.at),
                        str(r.session),
                        f"{number(r.size, r.unit, signed=True)} {unit_name(r.unit)}",
                        str(r.event) or NONE,
                    ]
                    for r in rows_of(signals.head(60))
                ]
            ),
        )


def _once(rows: list[list[Text]]) -> list[list[Text]]:
    """Rows whose first cells are empty where they repeat those above."""
    out: list[list[Text]] = []
    for k, row in enumerate(rows):
        same = k > 0 and row[0] == rows[k - 1][0]
        both = same and row[1] == rows[k - 1][1]
        out.append(["" if same else row[0], "" if both else row[1], *row[2:]])
    return out


def _signed(device: str, what: str) -> Text:
    said = re.sub(r"(?<=[ (])-(?=\d)", "−", what)
    return f"{device}: {said[0].lower()}{said[1:]}" if device else said


def _trends(document: Document, content: ReportContent, main: str) -> None:
    table = content.table("drift_trends")
    points = content.table("drift_points")
    if not len(table) or not len(points):
        return
    document.heading("Trend, and where it leads")
    document.lead(
        "How to read it",
        "Slope by a mixed model with random sessions, since the last change of level; beside it "
        "the median of all slopes between sessions (Theil and Sen), which a few odd sessions do "
        "not move. A projected date holds only if nothing changes.",
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
            "bound meets the limit, if there is one.",
            alt="Trends. " + " ".join(f"{r.device}: {_slope(r)}" for r in rows_of(own)),
        )
    document.table(
        "Slopes a month with their intervals, and the day on which the bound for future scans "
        "meets the limit.",
        [
            Heading("device", "left", 1),
            Heading("measurand", "left", 1.4),
            Heading("since", "left", 0.9),
            Heading("slope", width=1.9),
            Heading([{"t": "p", "s": "i"}], width=0.6),
            Heading("Theil–Sen", width=1.9),
            Heading("limit met", "left", 0.9),
        ],
        _once([_trend_cells(r) for r in rows_of(table)]),
    )


def _trend_cells(row: Any) -> list[Text]:
    def slope(middle: float, low: float, high: float) -> str:
        a, b, c = (number(v, row.unit, signed=True) for v in (middle, low, high))
        return f"{a} ({b} to {c}) {unit_name(row.unit)}"

    reached = NONE if row.reached_at is pd.NaT or missing(row.reached_at) else day(row.reached_at)
    return [
        str(row.device),
        _short(str(row.measurand)),
        day(row.since),
        slope(row.slope_per_month, row.slope_low_per_month, row.slope_high_per_month),
        p_value(row.p),
        slope(row.theil_sen_per_month, row.theil_sen_low_per_month, row.theil_sen_high_per_month),
        reached,
    ]


def _trend_lines(
    content: ReportContent, trends: pd.DataFrame, points: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Lines through the centre of the sessions that a trend is about, and their means."""
    rows, seen = [], []
    for r in rows_of(trends)[:4]:
        mine = _of(points, r.device, r.model)
        mine = mine[
            (mine["measurand"] == r.measurand) & mine["chart"].isin(["mean", "individuals"])
        ]
        about = mine[(mine["at"] >= r.since) & (mine["at"] <= r.until)]
        if len(about) < 2:
            continue
        name = _named(content, r.device, r.model)
        middle = about["at"].min() + (about["at"] - about["at"].min()).mean()
        until = r.until + 3 * _MONTH
        if r.reached_at is not pd.NaT and not missing(r.reached_at):
            until = min(max(until, r.reached_at), r.until + 24 * _MONTH)
        near = pd.notna(r.reached_at) and r.reached_at <= until
        rows.append(
            [name, r.since, middle, float(about["value"].mean()), r.slope_per_month,
             r.slope_low_per_month, r.slope_high_per_month, until, r.limit,
             r.reached_at if near else pd.NaT]
        )  # fmt: skip
        seen.append(mine.assign(name=name))
    columns = ["name", "since", "middle", "middle_value", "slope", "slope_low", "slope_high",
               "until", "limit", "reached_at"]  # fmt: skip
    frame = pd.DataFrame(rows, columns=columns)
    return frame, pd.concat(seen, ignore_index=True) if seen else pd.DataFrame()


def _lookback(document: Document, content: ReportContent) -> None:
    table = content.table("drift_lookback")
    if not content.has("drift_points"):
        return
    document.heading("Scans to reassess")
    if not len(table):
        document.lead("", "None: no signal stands at the last session of any device.")
        return
    scans = content.table("scans")
    document.lead(
        "Why",
        "When a device is found changed, what was scanned since the last session proven good is "
        "to be assessed again, and the assessment recorded. Proven good means that no sign was "
        "standing and the bound for future scans kept the limit.",
    )
    for (device, model), mine in groups(table, ["device", "model"]):
        total = int((scans["device"] == device).sum()) if "device" in scans else 0
        share = f" of {total}" if total else ""
        good = mine["proven_good"].iloc[0]
        since = f"session {good}, {_since(mine)}" if good else "no session is proven good"
        document.lead(
            _named(content, device, model),
            f"{len(mine)}{share} scans. Last proven good: {since}. Signs: "
            f"{_because(mine['because'].iloc[0])}.",
        )
        document.table(
            f"{_named(content, device, model)}: scans since the last session proven good.",
            [Heading("session", "left"), Heading("date", "left"), Heading("scans", "left", 1)],
            [
                [session, day(part["at"].min()), ", ".join(str(s) for s in part["scan"])]
                for (session,), part in groups(mine, ["session"])
            ],
            wide=False,
        )


def _because(text: str) -> str:
    """Reasons without their repetitions, measurand by measurand."""
    found: dict[str, list[str]] = {}
    for part in str(text).split("; "):
        measurand, _, what = part.rpartition(": ")
        kind, _, chart = what.partition(" ")
        said = _CHARTS.get(chart, chart)
        if kind == "change-point":
            said = "change of the spread" if chart == "sd" else "change of the level"
        found.setdefault(_short(measurand), []).append(said)
    return "; ".join(f"{m} ({joined(list(dict.fromkeys(w)))})" for m, w in found.items())


def _comparisons(document: Document, content: ReportContent) -> None:
    table = content.table("drift_comparisons")
    if not len(table):
        return
    document.heading("Before and after a new baseline")
    document.items([_signed(str(r.device), str(r.what)) for r in rows_of(table)])


def _baselines(document: Document, content: ReportContent) -> None:
    table = content.table("drift_baselines")
    if not len(table):
        return
    s = content.settings.get("drift", {})
    how = (
        f"all sessions until {date(s['baseline_until'])}"
        if s.get("baseline_until")
        else f"the first {s.get('baseline_sessions', '')} sessions"
    )
    document.heading("Baselines")
    document.lead(
        "How they were set",
        f"A baseline is {how} of a device; a new reference and an event marked so begin a new "
        "one. A short baseline knows its own centre and spread poorly; the limits allow for that.",
    )
    document.table(
        "Centre and spread of every baseline, and the standard deviations behind it.",
        [
            Heading("device", "left", 1),
            Heading("measurand", "left", 1.5),
            Heading("begun by", "left", 1),
            Heading("until", "left", 1),
            Heading("sessions", width=0.8),
            Heading("centre", width=0.8),
            Heading("s.d. of means", width=0.9),
            Heading("within", width=0.8),
            Heading("between", width=0.8),
            Heading("unit", "left", 0.5),
        ],
        _once(
            [
                [
                    str(r.device),
                    _short(str(r.measurand)),
                    str(r.begins_with) or "start",
                    day(r.until),
                    str(int(r.n_sessions)),
                    *(
                        number(v, r.unit)
                        for v in (r.centre, r.sd_of_means, r.sd_within, r.sd_between)
                    ),
                    unit_name(r.unit),
                ]
                for r in rows_of(table)
            ]
        ),
    )


def _run_lengths(document: Document, content: ReportContent, main: str) -> None:
    table = content.table("drift_run_lengths")
    if not len(table):
        return
    mine = table[(table["measurand"] == main) & (table["limits"] == "used")]
    mine = mine[mine["chart"].isin(["mean", "individuals", "ewma", "cusum"])]
    if not len(mine):
        return
    document.heading("How soon a shift is found")
    shift = float(content.settings.get("drift", {}).get("shift_um", 20.0))
    every = float(content.settings.get("drift", {}).get("false_alarm_every", 370.0))
    document.lead(
        "Run lengths",
        f"Charts are set so that a device gives a false signal in about {every:g} sessions at "
        f"most, all its charts together, and finds a shift of {quantity(shift)} soon. The curves "
        "say how many sessions go by on average until each chart signals a shift that comes after "
        "a long quiet time.",
    )
    shown = mine.assign(
        name=_names(content, mine),
        chart_name=mine["chart"].map(_CHARTS),
    )
    unit = unit_name(str(mine["unit"].iloc[0]))
    said = "; ".join(
        f"{name}, {chart}: {number(part['steady_state'].min(), '', decimals=1)} sessions at "
        f"{number(part['shift'].max(), '', decimals=0)} {unit}"
        for (name, chart), part in groups(shown, ["name", "chart_name"])
    )
    document.figure(
        "run-lengths",
        run_length_chart(shown, unit=unit),
        caption=f"Mean number of sessions until a signal, {main}, with the limits as used; "
        "more than 10 000 are not shown.",
        alt=f"Falling curves. {said}.",
    )
    _advice(document, content, main)


def _advice(document: Document, content: ReportContent, main: str) -> None:
    checks, advice = content.table("drift_next_checks"), content.table("drift_advice")
    if len(checks):
        document.lead(
            "Next session",
            *(_signed(str(r.device), str(r.why).removeprefix("Advice: ")) for r in rows_of(checks)),
        )
    mine = advice[advice["measurand"] == main] if len(advice) else advice
    if not len(mine):
        return
    sizes = sorted({int(n) for n in mine["n_scans"]})[:10]
    cells: list[list[Text]] = []
    for (device, model), rows in groups(mine, ["device", "model"]):
        at = rows.set_index("n_scans")["delay_sessions"]
        cells.append(
            [_named(content, device, model), *(number(at.get(n), "", decimals=1) for n in sizes)]
        )
    document.table(
        f"Sessions until a shift of {quantity(mine['shift'].iloc[0], str(mine['unit'].iloc[0]))} "
        f"in the {main} is found (EWMA, long baseline), by scans in a session.",
        [Heading("device", "left", 1), *(Heading(str(n)) for n in sizes)],
        cells,
        wide=False,
    )
