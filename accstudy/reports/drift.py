"""The drift report: is the device still what it was, since when not, and what to do?"""

from __future__ import annotations

from typing import Any

from accstudy.drift.measurands import main_measurand
from accstudy.drift.status import NEXT, NO_CHARTS, NO_SIGN, PASSED
from accstudy.figures.drift import run_length_chart, state_chart
from accstudy.figures.style import rows_of
from accstudy.reports.common import flagged, groups, holds_for, is_true, left_out, limits_of_use
from accstudy.reports.device import (
    chapter,
    chart_unit,
    device_events,
    device_names,
    how_to_read,
    named_device,
    rows_of_device,
)
from accstudy.reports.document import (
    Document,
    ReportContent,
    Text,
    bold,
    extended,
    marked,
    strong_accent,
)
from accstudy.reports.methods import methods_section
from accstudy.reports.record import record_section, reference_section
from accstudy.reports.verdicts import VERDICT_MARKS
from accstudy.words.catalogue import choose, say, words
from accstudy.words.names import capital, unit_name
from accstudy.words.numbers import NONE, day, joined, missing, quantity, sure, wait

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
        text: list[Any] = [f"{capital(name)}: {_change(row)}"]
        if row.duty_what:
            text += [" ", bold(str(row.duty_what))]
        said.append(text)
    said += _software(content)
    said += [
        say("drift.the_reference_of_model", r, worst=abs(r.e_n))
        for r in rows_of(flagged(content.table("reference_changes"), "largest"))
        if r.verdict == "differs"
    ]
    return [*said, *unsaid]


def _change(row: Any) -> str:
    """What changed on a device, by how much and since when; the chapter says the rest."""
    if not row.stands or row.change not in words("drift.verbs"):
        return f"{row.what[:1].lower()}{row.what[1:]}"  # behind the name and a colon
    said = say("drift.change", row)
    said += choose("drift.per", row.change)
    said += "" if missing(row.size_low) else say("drift.to_low_high", row)
    said += "" if missing(row.begins_at) else say("drift.estimated_start", row)
    if is_true(row.starts_in_baseline):
        said += say("drift.within_the_baseline")
    elif is_true(row.in_baseline):
        said += say("drift.possibly_within_the_baseline")
    return said + (
        "." if missing(row.signalled_at) else say("drift.charts_have_signalled_since", row)
    )


def _software(content: ReportContent) -> list[str]:
    """Devices whose software changed without a new baseline."""
    remarks = content.table("drift_remarks")
    return [
        say(
            "drift.software_changed",
            r,
            name=capital(named_device(content, r.device, r.model)),
            since="" if missing(r.event_at) else say("drift.since_day", r),
        )
        for r in rows_of(remarks[remarks["kind"] == "software"] if len(remarks) else remarks)
    ]


def _in_short(content: ReportContent, rows: list[Any]) -> Text:
    """Which devices stand changed, in one sentence."""
    by_state: dict[str, list[str]] = {}
    for row in rows:
        state = "stands" if row.stands else str(row.state)
        by_state.setdefault(state, []).append(named_device(content, row.device, row.model))
    standing, passed, steady, uncharted = (
        joined(by_state.get(s, [])) for s in ("stands", PASSED, NO_SIGN, NO_CHARTS)
    )
    parts = [say("drift.changed_standing", standing=standing)] if standing else []
    parts += [say("drift.no_signal_persists_on", devices=passed)] if passed else []
    parts += [say("drift.no_change_on", devices=steady)] if steady else []
    parts += [say("drift.without_charts", uncharted=uncharted)] if uncharted else []
    first, *rest = parts
    return [strong_accent(capital(first)), *(f"; {part}" for part in rest), "."]


def _state_table(document: Document, content: ReportContent) -> None:
    """State, limit and duty of every device."""
    status = content.table("drift_status")
    if not len(status):
        return
    limited = bool(status["limit_um"].notna().any())
    level = status["confidence"].iloc[0]
    cells: list[list[Text]] = [
        [
            named_device(content, r.device, r.model),
            _state_cell(r),
            _verdict_cell(r) if limited else "",
            str(int(r.n_not_verified)) if limited else "",
            [bold(words("drift.actions")[r.action])],
            day(r.due_at) if r.action == NEXT else "now",
        ]
        for r in rows_of(status)
    ]
    document.listed(
        "drift.state_table",
        cells,
        shown=["limited"] if limited else [],
        limit=say("drift.limit_of_the_mean", confidence=level) if limited else "",
        confidence=level,
    )


def _state_cell(r: Any) -> Text:
    if r.stands:
        said, mark = choose("drift.moved", r.change, r), say("drift.signal")
        return [marked(said, mark, style="")]
    said = words("drift.states").get(r.state, r.state)
    return said if r.state == NO_CHARTS else [marked(said, say("drift.steady"), style="")]


def _verdict_cell(r: Any) -> Text:
    if not r.limit_verdict:
        return NONE
    bound = "" if missing(r.worst_bound_um) else say("drift.mean_and_bound", r)
    return [marked(r.limit_verdict, VERDICT_MARKS.get(r.limit_verdict, ""), style=""), bound]


def _state_figure(document: Document, content: ReportContent) -> None:
    """Session means of the measurands that page 1 names, marked where any chart signals."""
    status, points = content.table("drift_status"), content.table("drift_points")
    panels, said = [], []
    for row in rows_of(status)[:_PANELS]:
        mine = rows_of_device(points, row.device, row.model)
        mine = mine[mine["measurand"] == row.measurand]
        means = mine[mine["chart"].isin(["mean", "individuals"])]
        if not len(means):
            continue
        title = f"{named_device(content, row.device, row.model)}: {row.measurand}"
        signalled = flagged(mine, "signal")["session"]
        shown = means.assign(signal=means["session"].isin(signalled))
        panels.append((title, chart_unit(shown), shown, device_events(content, row.device)))
        said.append(say("drift.sessions_with_a_signal", title=title, signals=signalled.nunique()))
    if not panels:
        return
    document.figure(
        "state",
        state_chart(panels),
        caption=say("drift.session_means_of_every"),
        alt=say("drift.session_means_by_device", said="; ".join(said)),
    )


def comparisons(document: Document, content: ReportContent) -> None:
    """What changed with a new baseline."""
    table = content.table("drift_comparisons")
    if not len(table):
        return
    document.heading(say("fleet.before_and_after_a"))
    document.items([f"{r.device}: {r.what}" if r.device else str(r.what) for r in rows_of(table)])


def side_by_side(document: Document, content: ReportContent, main: str) -> None:
    """Devices compared with each other, year by year."""
    table = content.table("drift_devices")
    mine = table[table["measurand"] == main] if len(table) else table
    if not len(mine):
        return
    document.heading(say("fleet.devices_side_by_side"))
    sure_of = sure(mine["confidence"].iloc[0])
    document.listed("fleet.devices_table", mine, main=main, confidence=sure_of)


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
    )
    document.listed("fleet.constants_table", table[table["lambda_"].notna()], once=1)


def run_lengths(document: Document, content: ReportContent, main: str) -> None:
    """How soon a shift is found, and when the next session is due."""
    table = content.table("drift_run_lengths")
    if not len(table):
        return
    used = table[(table["measurand"] == main) & (table["limits"] == "used")]
    mine = used[used["chart"].isin(["mean", "individuals", "ewma", "cusum"])]
    if not len(mine):
        return
    wanted = extended(flagged(used, "wanted"), name=device_names(content, flagged(used, "wanted")))
    document.heading(say("fleet.delay_of_detection"))
    document.lead(
        say("fleet.run_lengths"),
        say(
            "fleet.charts_are_set_so",
            every=content.setting("drift", "false_alarm_every"),
            shift=content.setting("drift", "shift_um"),
        ),
        *([say("fleet.insensitive_charts")] if len(flagged(wanted, "insensitive")) else []),
        say("fleet.computed_as_if_the"),
    )
    shown = mine.assign(
        name=device_names(content, mine), chart_name=mine["chart"].map(words("drift.charts"))
    )
    document.figure(
        "run-lengths",
        run_length_chart(shown, unit=unit_name(str(mine["unit"].iloc[0]))),
        caption=say("fleet.mean_number_of_sessions", main=main),
        alt=say(
            "fleet.falling_curves",
            said="; ".join(say("fleet.sessions_at", r, name=r.name) for r in rows_of(wanted)),
        ),
    )
    notes = [say("fleet.insensitive") if is_true(v) else "" for v in wanted["insensitive"]]
    document.listed(
        "fleet.run_lengths_table", extended(wanted, note=notes), once=1, wide=False, main=main
    )
    _advice(document, content, main)


def _advice(document: Document, content: ReportContent, main: str) -> None:
    advice = content.table("drift_advice")
    mine = advice[advice["measurand"] == main] if len(advice) else advice
    if not len(mine):
        return
    document.listed(
        "fleet.advice_table",
        [
            [
                named_device(content, device, model),
                *map(wait, rows.sort_values("n_scans")["delay_sessions"]),
            ]
            for (device, model), rows in groups(mine, ["device", "model"])
        ],
        shift=quantity(mine["shift"].iloc[0], str(mine["unit"].iloc[0])),
        main=main,
    )
