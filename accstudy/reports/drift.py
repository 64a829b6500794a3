"""The drift report: is the device still what it was, and since when not?"""

from __future__ import annotations

from typing import Any

import pandas as pd

from accstudy.figures.drift import limit_in_view, state_chart
from accstudy.figures.style import rows_of
from accstudy.reports.content import ReportContent
from accstudy.reports.document import Document, Text, strong_accent
from accstudy.reports.drift_charts import charts, signals_section, trends
from accstudy.reports.drift_duties import baselines, comparisons, lookback, run_lengths
from accstudy.reports.recorded import record_section
from accstudy.reports.select import groups, limit_of
from accstudy.reports.sessions import (
    device_names,
    events_of,
    main_measurand,
    named_device,
    rows_of_device,
    since_good,
    slope_phrase,
    when_changed,
)
from accstudy.reports.shared import (
    holds_for,
    left_out,
    limits_of_use,
    methods_section,
)
from accstudy.reports.wording import (
    count,
    date,
    joined,
    quantity,
    unit_name,
)

__all__ = ["drift_report"]


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
    charts(rest, content, main)
    signals_section(rest, content)
    trends(rest, content, main)
    lookback(rest, content)
    comparisons(rest, content)
    baselines(rest, content)
    run_lengths(rest, content, main)
    left_out(rest, content)
    methods_section(rest, content)
    limits_of_use(rest, content)
    record_section(rest, content)
    return answer(content, main), first, rest


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
    whose = groups(points, ["device", "model"])
    said = [_state(content, device, model, mine, main) for (device, model), mine in whose]
    names = {(device, model): named_device(content, device, model) for (device, model), _ in whose}
    return [_in_short(content, names), *said] if len(said) > 1 else said


def _in_short(content: ReportContent, names: dict[tuple[str, str], str]) -> Text:
    """Which devices stand changed, in one sentence."""
    look = content.table("drift_lookback")
    changed = set(zip(look["device"], look["model"], strict=True)) if len(look) else set()
    standing = [name for key, name in names.items() if key in changed]
    rest = [name for key, name in names.items() if key not in changed]
    if not standing:
        return [strong_accent("No signal stands"), f" on {joined(rest)}."]
    text: list[Any] = [strong_accent(f"Changed: {joined(standing)}")]
    return [*text, f"; no signal stands on {joined(rest)}." if rest else "."]


def _state(
    content: ReportContent, device: str, model: str, points: pd.DataFrame, main: str
) -> Text:
    name = named_device(content, device, model)
    last = date(points["at"].max())
    look = content.table("drift_lookback")
    if len(look):
        look = look[(look["device"] == device) & (look["model"] == model)]
    signals = rows_of_device(content.table("drift_signals"), device, model)
    found = signals[signals["kind"].isin(["signal", "change-point"])] if len(signals) else signals
    text: list[Any]
    if len(look):
        changed, charted = found["measurand"].nunique(), points["measurand"].nunique()
        text = [
            f"{name[0].upper()}{name[1:]}: on {last} ",
            strong_accent("a signal stands"),
            f" ({changed} of {charted} measurands); {when_changed(look, signals)}. ",
            strong_accent(f"All work scanned with it {since_good(look)} must be reassessed"),
            f" ({count(len(look), 'check scan')} of that time in the study).",
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
    trend = rows_of_device(content.table("drift_trends"), device, model)
    trend = trend[trend["measurand"] == main] if len(trend) else trend
    if len(trend):
        text.append(" " + slope_phrase(rows_of(trend.tail(1))[0]))
    return text


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
        name=device_names(content, means),
        any_signal=flag["any_signal"].fillna(False).astype(bool).to_numpy(),
    )
    names = list(dict.fromkeys(shown["name"]))[:4]
    shown = shown[shown["name"].isin(names)]
    unit = str(shown["unit"].iloc[0])
    events = events_of(content, shown)
    said = "; ".join(
        f"{name}: from {quantity(part['value'].min(), unit, signed=True)} to "
        f"{quantity(part['value'].max(), unit, signed=True)}, "
        f"{count(int(part['any_signal'].sum()), 'session')} with a signal"
        for (name,), part in groups(shown, ["name"])
    )
    limit = limit_of(content, "distance_um") if unit == "um" else None
    limit = limit if limit is not None and limit_in_view(shown, limit) else None
    document.figure(
        "state",
        state_chart(shown, events, label=f"{main} / {unit_name(unit)}", limit=limit),
        caption=f"Mean {main} of every session, measured minus reference. Hollow: baseline. "
        "Squares: a chart of this measurand signals. Grey solid: centre; grey dashed: limits "
        "of the chart of means; dotted: events"
        + (f"; black: the limit of {quantity(limit)}." if limit is not None else "."),
        alt=f"Charts of the session means of {main} by device. {said}.",
    )
