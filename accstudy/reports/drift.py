"""The drift report: is the device still what it was, since when not, and what to do?"""

from __future__ import annotations

from typing import Any

import pandas as pd

from accstudy.figures.drift import run_length_chart, state_chart
from accstudy.figures.style import rows_of
from accstudy.reports.common import groups, holds_for, left_out, limits_of_use
from accstudy.reports.device import (
    chapter,
    chart_unit,
    device_events,
    device_names,
    how_to_read,
    main_chart,
    main_measurand,
    named_device,
    plainly,
    rows_of_device,
    short_name,
    signed,
)
from accstudy.reports.document import (
    Document,
    Heading,
    ReportContent,
    Text,
    bold,
    heads,
    marked,
    strong_accent,
)
from accstudy.reports.methods import methods_section
from accstudy.reports.models import is_true
from accstudy.reports.record import record_section, reference_section
from accstudy.reports.verdicts import VERDICT_MARKS
from accstudy.words.catalogue import say, words
from accstudy.words.numbers import NONE, day, joined, missing, number, quantity, unit_name

__all__ = ["answer", "baselines", "comparisons", "drift_report", "run_lengths", "side_by_side"]


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
        if not (row.stands or row.duty_what) and (len(rows) > 1 or row.state == "no charts"):
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
    by_state: dict[str, list[str]] = {}
    for row in rows:
        state = "stands" if row.stands else "no charts" if row.state == "no charts" else "quiet"
        by_state.setdefault(state, []).append(named_device(content, row.device, row.model))
    standing, rest, uncharted = (
        joined(by_state.get(s, [])) for s in ("stands", "quiet", "no charts")
    )
    parts: list[Any] = []
    if standing:
        parts.append(strong_accent(say("drift.changed_standing", standing=standing)))
    if rest and standing:
        parts.append(say("drift.no_signal_persists_on", rest=rest))
    elif rest:
        parts += [strong_accent(say("drift.no_signal_persists")), say("drift.on_rest", rest=rest)]
    if uncharted:
        without = say("drift.without_charts", uncharted=uncharted)
        parts.append(f"; {without}" if parts else strong_accent(without[0].upper() + without[1:]))
    return [*parts, "."]


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


_NEVER = 1e4  # sessions; longer waits are not told apart


def comparisons(document: Document, content: ReportContent) -> None:
    """What changed with a new baseline."""
    table = content.table("drift_comparisons")
    if not len(table):
        return
    document.heading(say("fleet.before_and_after_a"))
    document.items([signed(str(r.device), str(r.what)) for r in rows_of(table)])


def side_by_side(document: Document, content: ReportContent, main: str) -> None:
    """Devices compared with each other, year by year."""
    table = content.table("drift_devices")
    mine = table[table["measurand"] == main] if len(table) else table
    if not len(mine):
        return
    document.heading(say("fleet.devices_side_by_side"))
    document.listed("fleet.devices_table", mine, wide=False, main=main)


def baselines(document: Document, content: ReportContent) -> None:
    """How the baselines were set, and what they are."""
    table = content.table("drift_baselines")
    if not len(table):
        return
    s = content.settings.get("drift", {})
    how = (
        say("fleet.all_sessions_until", baseline_until=s["baseline_until"])
        if s.get("baseline_until")
        else say("fleet.the_first_sessions", baseline_sessions=s.get("baseline_sessions", ""))
    )
    begins = say("fleet.a_new_reference_and")
    if not content.referenced:
        begins = say("fleet.an_event_marked_so")
    document.heading(say("fleet.baselines"))
    document.lead(
        say("fleet.how_they_were_set"), say("fleet.a_baseline_is_of", how=how, begins=begins)
    )
    document.listed(
        "fleet.baselines_table",
        table,
        once=2,
        named={"short": short_name, "start": lambda begun: str(begun) or "start"},
    )


def run_lengths(document: Document, content: ReportContent, main: str) -> None:
    """How soon a shift is found, and when the next session is due."""
    table = content.table("drift_run_lengths")
    if not len(table):
        return
    mine = table[(table["measurand"] == main) & (table["limits"] == "used")]
    mine = mine[mine["chart"].isin(["mean", "individuals", "ewma", "cusum"])]
    if not len(mine):
        return
    document.heading(say("fleet.delay_of_detection"))
    shift = float(content.setting("drift", "shift_um"))
    every = float(content.setting("drift", "false_alarm_every"))
    document.lead(
        say("fleet.run_lengths"),
        say("fleet.charts_are_set_so", every=every, shift=shift),
        *(
            found_after(mine, device, model, shift, main)
            for (device, model), _ in groups(mine, ["device", "model"])
        ),
    )
    shown = mine.assign(
        name=device_names(content, mine), chart_name=mine["chart"].map(words("drift.charts"))
    )
    unit = unit_name(str(mine["unit"].iloc[0]))
    said = "; ".join(
        say(
            "fleet.sessions_at",
            name=name,
            chart=chart,
            steady_state=part["steady_state"].min(),
            shift=part["shift"].max(),
            unit=unit,
        )
        for (name, chart), part in groups(shown, ["name", "chart_name"])
    )
    document.figure(
        "run-lengths",
        run_length_chart(shown, unit=unit),
        caption=say("fleet.mean_number_of_sessions", main=main),
        alt=say("fleet.falling_curves", said=said),
    )
    _run_length_table(document, content, table[table["measurand"] == main], shift)
    _advice(document, content, main)


def _run_length_table(
    document: Document, content: ReportContent, lengths: pd.DataFrame, shift: float
) -> None:
    """Zero-state and steady-state run length of every chart, a column a device."""
    ratio = float(content.setting("drift", "sd_ratio"))
    used = lengths[lengths["limits"] == "used"]
    of_mean = (used["shift"] - shift).abs() < 1e-6
    used = used[of_mean | ((used["sd_ratio"] - ratio).abs() < 1e-9)]
    if not len(used):
        return
    used = used.assign(name=device_names(content, used))
    names = list(dict.fromkeys(used["name"]))[:5]
    cells: list[list[Text]] = []
    for (chart,), rows in groups(used, ["chart"]):
        change = (
            say("fleet.spread_ratio", ratio=ratio)
            if pd.isna(rows["shift"].iloc[0])
            else quantity(shift)
        )
        at = rows.set_index("name")
        pairs = (at.loc[n] if n in at.index else None for n in names)
        cells.append(
            [
                words("drift.charts").get(chart, str(chart)),
                change,
                *(NONE if r is None else _lengths(r.zero_state, r.steady_state) for r in pairs),
            ]
        )
    document.table(
        say("fleet.mean_number_of_sessions_2"),
        [*heads("fleet.columns_chart_change"), *(Heading(n, width=1) for n in names)],
        cells,
    )


def _lengths(zero: float, steady: float) -> str:
    if not min(zero, steady) < _NEVER:
        return say("fleet.over_10_000")
    return " / ".join(
        say("fleet.over_10_000") if not v < _NEVER else number(v, "", decimals=1 if v < 1000 else 0)
        for v in (zero, steady)
    )


def found_after(
    lengths: pd.DataFrame, device: str, model: str, shift: float, measurand: str
) -> str:
    """Say after how many sessions, and days, the EWMA in use finds the wanted shift.

    `lengths` are rows of table ``drift_run_lengths`` of the measurand, limits as used.
    """
    own, name = rows_of_device(lengths, device, model), f"{device[:1].upper()}{device[1:]}"
    own = own[(own["chart"] == "ewma") & ((own["shift"] - shift).abs() < 1e-6)]
    if not len(own):
        return say("fleet.the_time_until_such", name=name)
    row = rows_of(own)[0]
    wanted = quantity(shift, row.unit)
    soon = bool(row.steady_state < _NEVER)
    sessions = number(row.steady_state, "", decimals=1) if soon else say("fleet.more_than_10_000")
    text = say(
        "fleet.with_the_limits_in", name=name, wanted=wanted, measurand=measurand, sessions=sessions
    )
    if soon and not missing(row.steady_state_days):
        text += say("fleet.that_is_days_at", row)
    return text + "."


def _advice(document: Document, content: ReportContent, main: str) -> None:
    advice = content.table("drift_advice")
    mine = advice[advice["measurand"] == main] if len(advice) else advice
    if not len(mine):
        return
    sizes = sorted({int(n) for n in mine["n_scans"]})[:10]
    cells: list[list[Text]] = []
    for (device, model), rows in groups(mine, ["device", "model"]):
        at = rows.set_index("n_scans")["delay_sessions"]
        cells.append(
            [
                named_device(content, device, model),
                *(number(at.get(n), "", decimals=1) for n in sizes),
            ]
        )
    document.table(
        say(
            "fleet.sessions_until_a_shift",
            shift=quantity(mine["shift"].iloc[0], str(mine["unit"].iloc[0])),
            main=main,
        ),
        [*heads("fleet.columns_device"), *(Heading(str(n), width=0.4) for n in sizes)],
        cells,
    )
