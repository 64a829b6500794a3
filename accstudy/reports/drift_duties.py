"""What follows from a drift: scans to reassess, baselines, run lengths, the next session."""

from __future__ import annotations

import re
from collections.abc import Sequence

import pandas as pd

from accstudy.figures.drift import run_length_chart
from accstudy.figures.style import rows_of
from accstudy.reports.content import ReportContent
from accstudy.reports.document import Document, Heading, Text
from accstudy.reports.select import groups
from accstudy.reports.sessions import (
    CHARTS,
    device_names,
    named_device,
    proven_good_on,
    rows_of_device,
    said_once,
    short_name,
    signed,
    since_good,
)
from accstudy.reports.wording import (
    NONE,
    date,
    day,
    joined,
    number,
    quantity,
    unit_name,
)

__all__ = ["lookback", "comparisons", "baselines", "run_lengths"]


def lookback(document: Document, content: ReportContent) -> None:
    """Time whose work is to be reassessed, and the check scans of it, device by device."""
    table = content.table("drift_lookback")
    if not content.has("drift_points"):
        return
    document.heading("Work to reassess")
    if not len(table):
        document.lead("", "None: no signal stands at the last session of any device.")
        return
    scans = content.table("scans")
    document.lead(
        "Why",
        "When a device is found changed, all work scanned with it since the last session proven "
        "good is to be assessed again, and the assessment recorded. The study does not know that "
        "work; it holds the check scans, listed below by session to show the time in doubt. "
        "A session is proven good if, for every measurand, it lies before everything that the "
        "standing signs and the date intervals of the changes cover, and its mean with its 95 % "
        "uncertainty lies within the limit, where one is set.",
    )
    for (device, model), mine in groups(table, ["device", "model"]):
        usable = scans[scans["status"] != "failed"] if "status" in scans else scans
        total = int((usable["device"] == device).sum()) if "device" in usable else 0
        share = f" of {total} usable" if total else ""
        sessions = [
            (str(session), part["at"].min(), [str(s) for s in part["scan"]], part["doubt"].iloc[0])
            for (session,), part in groups(mine, ["session"])
        ]
        document.lead(
            named_device(content, device, model),
            f"All work scanned with it {since_good(mine)} is to be reassessed. "
            f"{why_not_later(mine)} Check scans of that time: {len(mine)}{share}. Signs: "
            f"{_because(mine['because'].iloc[0])}.",
        )
        document.table(
            f"{named_device(content, device, model)}: check scans since the last session proven "
            "good, and why their sessions are not; a doubt is said once for the sessions it holds "
            "for.",
            [
                Heading("session", "left", 0.55),
                Heading("date", "left", 0.75),
                Heading("check scans", "left", 1.25),
                Heading("not proven good, because", "left", 4.4),
            ],
            _said_until_it_changes(
                [
                    [session, day(at), id_range(scans_of), _doubt(doubt)]
                    for session, at, scans_of, doubt in sessions
                ]
            ),
        )


def why_not_later(look: pd.DataFrame) -> str:
    """Say which session is the last proven good and why the next one is not.

    Parameters
    ----------
    look : DataFrame
        Rows of table ``drift_lookback`` of one device and model, in order of time.

    Returns
    -------
    str
    """
    good, first = look["proven_good"].iloc[0], look.iloc[0]
    doubt = _doubt(first["doubt"])
    next_one = f"session {first['session']} of {date(first['at'])}"
    if good:
        return (
            f"Last proven good: session {good}, {proven_good_on(look)}. "
            f"The next, {next_one}, is not: {doubt}."
        )
    return f"No session is proven good, not even the first, {next_one}: {doubt}."


def _doubt(text: object) -> Text:
    return signed("", str(text).replace("distance of pairs", "pairs"))


def _said_until_it_changes(rows: list[list[Text]]) -> list[list[Text]]:
    """Rows whose last cell is a mark where it repeats the one above."""
    return [
        [*row[:-1], row[-1] if k == 0 or row[-1] != rows[k - 1][-1] else "as above"]
        for k, row in enumerate(rows)
    ]


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
            return f"{ids[0]} to {ids[-1]}"
    return ", ".join(ids)


def _because(text: str) -> str:
    """Reasons without their repetitions, measurand by measurand."""
    found: dict[str, list[str]] = {}
    for part in str(text).split("; "):
        measurand, _, what = part.rpartition(": ")
        kind, _, chart = what.partition(" ")
        said = CHARTS.get(chart, chart)
        if kind == "change-point":
            said = "change of the spread" if chart == "sd" else "change of the level"
        found.setdefault(short_name(measurand), []).append(said)
    return "; ".join(f"{m} ({joined(list(dict.fromkeys(w)))})" for m, w in found.items())


def comparisons(document: Document, content: ReportContent) -> None:
    """What changed with a new baseline."""
    table = content.table("drift_comparisons")
    if not len(table):
        return
    document.heading("Before and after a new baseline")
    document.items([signed(str(r.device), str(r.what)) for r in rows_of(table)])


def baselines(document: Document, content: ReportContent) -> None:
    """How the baselines were set, and what they are."""
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
            Heading("measurand", "left", 1.95),
            Heading("begun by", "left", 0.9),
            Heading("until", "left", 0.95),
            Heading("sessions", width=0.8),
            Heading("centre", width=0.8),
            Heading("s.d. of means", width=0.9),
            Heading("within", width=0.8),
            Heading("between", width=0.8),
            Heading("unit", "left", 0.5),
        ],
        said_once(
            [
                [
                    str(r.device),
                    short_name(str(r.measurand)),
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


def run_lengths(document: Document, content: ReportContent, main: str) -> None:
    """How soon a shift is found, and when the next session is due."""
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
        f"Charts are set so that a device gives at most one false signal in about {every:g} "
        f"sessions, all its charts together; they are tuned to a shift of {quantity(shift)}. The "
        "curves say how many sessions go by on average until each chart signals a shift that comes "
        "after a long quiet time.",
        *(
            found_after(mine, content.table("drift_advice"), device, model, shift, main)
            for (device, model), _ in groups(mine, ["device", "model"])
        ),
    )
    shown = mine.assign(
        name=device_names(content, mine),
        chart_name=mine["chart"].map(CHARTS),
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
    _run_length_table(document, content, table[table["measurand"] == main], shift)
    _advice(document, content, main)


def _run_length_table(
    document: Document, content: ReportContent, lengths: pd.DataFrame, shift: float
) -> None:
    """Zero-state and steady-state run length of every chart, a column a device."""
    ratio = float(content.settings.get("drift", {}).get("sd_ratio", 2.0))
    used = lengths[lengths["limits"] == "used"]
    of_mean = (used["shift"] - shift).abs() < 1e-6
    used = used[of_mean | ((used["sd_ratio"] - ratio).abs() < 1e-9)]
    if not len(used):
        return
    used = used.assign(name=device_names(content, used))
    names = list(dict.fromkeys(used["name"]))[:5]
    cells: list[list[Text]] = []
    for (chart,), rows in groups(used, ["chart"]):
        change = f"spread × {ratio:g}" if pd.isna(rows["shift"].iloc[0]) else quantity(shift)
        at = rows.set_index("name")
        pairs = (at.loc[n] if n in at.index else None for n in names)
        cells.append(
            [
                CHARTS.get(chart, str(chart)),
                change,
                *(NONE if r is None else _lengths(r.zero_state, r.steady_state) for r in pairs),
            ]
        )
    document.table(
        "Mean number of sessions until a signal, with the limits as used: change there from the "
        "start / after a long quiet time. A moving range never sees a lasting shift itself, only "
        "its first jump.",
        [
            Heading("chart", "left", 1.5),
            Heading("change", "left", 0.8),
            *(Heading(n, width=1) for n in names),
        ],
        cells,
    )


def _lengths(zero: float, steady: float) -> str:
    if not min(zero, steady) < 1e4:
        return "over 10 000"
    return " / ".join(
        "over 10 000" if not v < 1e4 else number(v, "", decimals=1 if v < 1000 else 0)
        for v in (zero, steady)
    )


def found_after(
    lengths: pd.DataFrame,
    advice: pd.DataFrame,
    device: str,
    model: str,
    shift: float,
    measurand: str,
) -> str:
    """Say after how many sessions, and days, the EWMA in use finds the wanted shift.

    Parameters
    ----------
    lengths, advice : DataFrame
        Tables ``drift_run_lengths`` (limits as used) and ``drift_advice`` of the measurand.
    device, model : str
        Whose.
    shift : float
        The shift, in the unit of the measurand.
    measurand : str
        Its name.

    Returns
    -------
    str
    """
    own = rows_of_device(lengths, device, model)
    own = own[(own["chart"] == "ewma") & ((own["shift"] - shift).abs() < 1e-6)]
    if not len(own):
        return f"{device}: the time until such a shift is found is not known."
    sessions, unit = float(own["steady_state"].iloc[0]), str(own["unit"].iloc[0])
    text = (
        f"{device}: with the limits in use the EWMA finds a shift of {quantity(shift, unit)} in "
        f"the {measurand} after {number(sessions, '', decimals=1)} sessions on average"
    )
    mine = rows_of_device(advice, device, model)
    mine = mine[mine["delay_days"].notna()] if len(mine) else mine
    if len(mine):
        rhythm = float(mine["delay_days"].iloc[0]) / float(mine["delay_sessions"].iloc[0])
        days = number(sessions * rhythm, "", decimals=0)
        text += f", that is {days} days at the present rhythm of {rhythm:.0f} days"
    return text + "."


def _advice(document: Document, content: ReportContent, main: str) -> None:
    checks, advice = content.table("drift_next_checks"), content.table("drift_advice")
    if len(checks):
        document.lead(
            "Next session",
            *(signed(str(r.device), str(r.why).removeprefix("Advice: ")) for r in rows_of(checks)),
        )
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
        f"Sessions until a shift of {quantity(mine['shift'].iloc[0], str(mine['unit'].iloc[0]))} "
        f"in the {main} is found, by scans in a session, with the limits of a long baseline: what "
        "a new, longer baseline would reach. The limits in use are wider.",
        [Heading("device", "left", 1), *(Heading(str(n)) for n in sizes)],
        cells,
        wide=False,
    )
