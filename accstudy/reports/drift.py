"""The drift report: is the device still what it was, since when not, and what to do?"""

from __future__ import annotations

from typing import Any

import pandas as pd

from accstudy.figures.drift import state_chart
from accstudy.figures.style import rows_of
from accstudy.reports.common import holds_for, left_out, limits_of_use, methods_section
from accstudy.reports.device import chapter, chart_unit, how_to_read, main_chart
from accstudy.reports.document import (
    Document,
    ReportContent,
    Text,
    bold,
    marked,
    strong_accent,
)
from accstudy.reports.fleet import (
    baselines,
    comparisons,
    device_events,
    main_measurand,
    named_device,
    plainly,
    rows_of_device,
    run_lengths,
    short_name,
    side_by_side,
)
from accstudy.reports.model_names import is_true
from accstudy.reports.record import record_section, reference_section
from accstudy.reports.verdicts import VERDICT_MARKS
from accstudy.words.catalogue import say, words
from accstudy.words.numbers import NONE, day, joined, missing, number, unit_name

__all__ = ["answer", "drift_report"]

_PANELS = 4


def drift_report(content: ReportContent) -> tuple[list[Text], Document, Document]:
    """Build the drift report."""
    first, rest = Document(), Document()
    main = main_measurand(content.table("drift_points"))
    _state_table(first, content)
    _state_figure(first, content)
    holds_for(first, content)
    rest.new_page()
    status = content.table("drift_status")
    if len(status):
        how_to_read(rest, content)
    for row in rows_of(status):
        chapter(rest, content, row, main)
    comparisons(rest, content)
    reference_section(rest, content)
    side_by_side(rest, content, main)
    baselines(rest, content)
    run_lengths(rest, content, main)
    left_out(rest, content)
    methods_section(rest, content)
    limits_of_use(rest, content)
    record_section(rest, content)
    return answer(content), first, rest


def answer(content: ReportContent) -> list[Text]:
    """Sentences of page 1: the state of every device at its last session, and what to do."""
    status = content.table("drift_status")
    unsaid = [] if content.referenced else [say("cautions.not_stated")]
    if not len(status):
        return [*unsaid, say("drift.no_result_on_drift")]
    rows = rows_of(status)
    said = [_in_short(content, rows)]
    for row in rows:
        if not row.stands and not row.duty_what and len(rows) > 1:
            continue  # its row of the table says it all
        name = named_device(content, row.device, row.model)
        text: list[Any] = [f"{name[0].upper()}{name[1:]}: {_change(row)}"]
        if row.duty_what:
            text += [" ", bold(plainly(row.duty_what))]
        said.append(text)
    table = content.table("reference_changes")
    apart = table[table["verdict"] == "differs"] if len(table) else table
    for (model, since), mine in apart.groupby(["model", "valid_from"]) if len(apart) else ():
        worst = float(mine["e_n"].abs().max())
        said.append(say("drift.the_reference_of_model", model=model, since=since, worst=worst))
    return [*said, *unsaid]


def _change(row: Any) -> str:
    """What changed on a device, by how much and since when; the chapter says the rest."""
    if not row.stands or row.change not in words("drift.verbs"):
        return plainly(row.what)
    unit = unit_name(row.unit)
    size, low, high = (
        number(v, row.unit, signed=True) for v in (row.size, row.size_low, row.size_high)
    )
    spread = "" if missing(row.size_low) else say("drift.to_low_high", low=low, high=high)
    month = say("drift.per_month") if row.change == "ramp" else ""
    began = "" if missing(row.begins_at) else say("drift.estimated_start", row)
    within = say("drift.or_within_the_baseline") if is_true(row.in_baseline) else ""
    since = "" if missing(row.signalled_at) else say("drift.charts_signal_since", row)
    return say(
        "drift.change",
        measurand=row.measurand,
        verb=words("drift.verbs")[row.change],
        size=size,
        spread=spread,
        unit=unit,
        month=month,
        began=began,
        within=within,
        since=since,
    )


def _in_short(content: ReportContent, rows: list[Any]) -> Text:
    """Which devices stand changed, in one sentence."""
    standing = [named_device(content, r.device, r.model) for r in rows if r.stands]
    rest = [named_device(content, r.device, r.model) for r in rows if not r.stands]
    if not standing:
        return [
            strong_accent(say("drift.no_signal_persists")),
            say("drift.on_rest", rest=joined(rest)),
        ]
    text: list[Any] = [strong_accent(say("drift.changed_standing", standing=joined(standing)))]
    return [*text, say("drift.no_signal_persists_on", rest=joined(rest)) if rest else "."]


def _state_table(document: Document, content: ReportContent) -> None:
    """State, limit and duty of every device."""
    status = content.table("drift_status")
    if not len(status):
        return
    limited = bool(status["limit_um"].notna().any())
    cells: list[list[Text]] = [
        [
            named_device(content, r.device, r.model),
            _state_cell(r),
            _verdict_cell(r) if limited else "",
            str(int(r.n_not_verified)) if limited else "",
            [bold(str(r.action))],
            "now" if r.due_at <= pd.Timestamp(r.last_at) else day(r.due_at),
        ]
        for r in rows_of(status)
    ]
    document.listed(
        "drift.state_table",
        cells,
        shown=["limited"] if limited else [],
        limit=say("drift.limit_of_the_mean") if limited else "",
    )


def _state_cell(r: Any) -> Text:
    if r.state == "no charts":
        return say("drift.too_few_sessions")
    if not r.stands:
        said = (
            say("drift.no_sign_of_a") if r.state == "no sign" else say("drift.no_signal_persists_2")
        )
        return [marked(said, say("drift.steady"), style="")]
    month = say("drift.per_month") if r.change == "ramp" else ""
    what = (
        say("drift.spread_changed_by") if r.change == "spread" else words("drift.verbs")[r.change]
    )
    said = f"{what} {number(r.size, r.unit, signed=True)} {unit_name(r.unit)}{month}"
    return [marked(said, say("drift.signal"), style="")]


def _verdict_cell(r: Any) -> Text:
    if not r.limit_verdict:
        return NONE
    bound = "" if missing(r.worst_bound_um) else say("drift.up_to_m", r)
    return [marked(r.limit_verdict, VERDICT_MARKS.get(r.limit_verdict, ""), style=""), bound]


def _state_figure(document: Document, content: ReportContent) -> None:
    """The chart and measurand of every signal that page 1 names."""
    status, points = content.table("drift_status"), content.table("drift_points")
    panels, said = [], []
    for row in rows_of(status)[:_PANELS]:
        mine = rows_of_device(points, row.device, row.model)
        mine = mine[mine["measurand"] == row.measurand]
        chart, shown = main_chart(mine, str(row.chart or ""))
        if not len(shown):
            continue
        name = named_device(content, row.device, row.model)
        title = (
            f"{name}: {short_name(str(row.measurand))}, {words('drift.charts').get(chart, chart)}"
        )
        panels.append((title, chart_unit(shown), shown, device_events(content, row.device)))
        signals = shown.loc[shown["signal"].fillna(False).astype(bool), "session"].nunique()
        said.append(say("drift.sessions_with_a_signal", title=title, signals=signals))
    if not panels:
        return
    document.figure(
        "state",
        state_chart(panels),
        caption=say("drift.the_chart_that_signalled"),
        alt=say("drift.control_charts_by_device", said="; ".join(said)),
    )
