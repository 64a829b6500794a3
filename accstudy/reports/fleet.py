"""What holds for all devices: their names, remarks, baselines, comparisons, run lengths."""

from __future__ import annotations

import re

import pandas as pd

from accstudy.figures.drift import gaps_after, run_length_chart
from accstudy.figures.style import rows_of
from accstudy.reports.document import Document, Heading, ReportContent, Text, heads
from accstudy.reports.rows import groups
from accstudy.words.catalogue import say, words
from accstudy.words.numbers import NONE, date, joined, missing, number, quantity, unit_name

__all__ = [
    "baselines",
    "comparisons",
    "device_cautions",
    "device_events",
    "device_names",
    "main_measurand",
    "named_device",
    "rows_of_device",
    "run_lengths",
    "plainly",
    "short_name",
    "side_by_side",
    "signed",
]

_NEVER = 1e4  # sessions; longer waits are not told apart


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
