"""The drift report: is a device what it was, since when not, what to do? Device by device."""

from __future__ import annotations

from typing import Any

import pandas as pd

from accstudy.accuracy.judge import ALL_PAIRS, VERIFIED
from accstudy.drift.measurands import main_measurand
from accstudy.drift.status import NEXT, NO_CHARTS, NO_SIGN, PASSED
from accstudy.figures.drift import chart_panels, limit_chart, run_length_chart, state_chart
from accstudy.figures.style import rows_of
from accstudy.reports.common import (
    flagged,
    groups,
    holds_for,
    is_true,
    left_out,
    limits_of_use,
    slug,
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

    From the rows of table ``drift_lookback`` of one device and model, in order of time.
    """
    spans = [
        choose("device.after", "good" if r.proven_good else "none", r)
        + (say("device.and_before", r) if r.next_good else "")
        for r in rows_of(look.drop_duplicates(["proven_good", "next_good"]))
    ]
    return say("device.reassess_the_work_scanned", spans="; ".join(spans))
