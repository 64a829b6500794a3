"""Faults that show only when the files of a study are compared with each other."""

from __future__ import annotations

import datetime as dt
import itertools
import re
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from accstudy.errors import Finding, Nearest, Severity, fault, nearest, place, remark, warning
from accstudy.geometry.rigid import DESIGNED, angle_between_deg, occlusal_direction
from accstudy.study.settings import Settings
from accstudy.study.typed_rows import records
from accstudy.words.catalogue import say

_CAST = "cast"
"""Column of the scan list that names the cast of a conventional impression."""
_AXIS = ["axis_x", "axis_y", "axis_z"]
_POSITION = ["x_mm", "y_mm", "z_mm"]
_FAR_DEG, _FAR_K = 10.0, 10.0
"""Common practice without a source: what lies farther apart is asked about."""


def grouped_by(
    settings: Settings, factors: tuple[str, ...]
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Factors that define conditions and cells: the user's, or the default ones."""
    usual = ("device",) if settings.study.kind == "drift" else ("device", "software", "technique")
    chosen, cell = settings.analysis.condition, settings.analysis.cell
    if chosen is None:
        chosen = tuple(f for f in usual if f in factors)
    if cell is None:
        cell = tuple(f for f in ("operator", "session") if f in factors)
    return chosen, cell


def add_groups(
    scans: pd.DataFrame, settings: Settings, factors: tuple[str, ...]
) -> tuple[pd.DataFrame, list[Finding]]:
    """Add ``condition``, ``cell`` and ``excluded`` to the scan list."""
    findings: list[Finding] = []
    condition, cell = grouped_by(settings, factors)
    out = scans.copy()
    for column, names in {"condition": condition, "cell": cell}.items():
        findings += [
            fault(
                "unknown-factor",
                f'analysis.{column} names "{name}", which is not a column of the scan list',
                place("study.toml", column=f"analysis.{column}"),
                f"{nearest(name, factors)}; or, if a column has another name, write "
                f'columns.{name} = "..." below [scans] in study.toml, or remove it here'
                if factors
                else "add the column",
            )
            for name in names
            if name not in factors
        ]
        present = [name for name in names if name in factors]
        if column == "cell" and settings.analysis.laboratory not in ("", *names):
            findings.append(
                fault(
                    "unknown-factor",
                    f'analysis.laboratory names "{settings.analysis.laboratory}", which is not '
                    "among the columns of a cell",
                    place("study.toml", column="analysis.laboratory"),
                    nearest(settings.analysis.laboratory, names) if names else "name analysis.cell",
                )
            )
        labels = [out[name].map(_label) for name in present]
        joined = [" / ".join(parts) for parts in zip(*labels, strict=True)] if labels else None
        out[column] = joined if joined is not None else "all"
        if column == "cell" and settings.analysis.cell is None and _CAST in factors:
            findings += _casts_as_cells(out)
        for name in present:
            empty = out[name].map(_label) == ""
            what = f"{name} is empty, but scans are grouped by it"
            findings += [
                fault("empty-factor", what, place(settings.scans.list, row, name), "fill it in")
                for row in out.loc[empty & (out["status"] != "failed"), "row"]
            ]
    reasons = {e.scan: e.reason for e in settings.exclusions}
    there = set(out["scan"])
    hint = Nearest(out["scan"])
    findings += [
        fault(
            "unknown-scan",
            f'exclusions name scan "{name}", which is not in the scan list',
            place("study.toml", column="exclusions"),
            hint(name),
        )
        for name in reasons
        if name not in there
    ]
    out["excluded"] = [reasons.get(name, "") for name in out["scan"]]
    return out, findings + _pooled(out, settings)


def _pooled(scans: pd.DataFrame, settings: Settings) -> list[Finding]:
    """Devices, techniques or versions within one cell, which the results do not distinguish."""
    used = scans[(scans["status"] != "failed") & (scans["excluded"] == "")]
    found = []
    for name in ("device", "software", "technique"):
        if name not in used:
            continue
        stated = used.assign(level=used[name].map(_label)).query("level != ''")
        if stated.groupby(["condition", "cell"])["level"].nunique().gt(1).any():
            levels = ", ".join(stated["level"].unique())
            what = say("findings.scans_of_one_cell_mix", name=name, levels=levels)
            mend = say("findings.add_it_to_condition", name=name)
            where = place("study.toml", column="analysis.condition")
            found.append(Finding(Severity.WARNING, "pooled-levels", what, where, mend))
    return found


def _casts_as_cells(scans: pd.DataFrame) -> list[Finding]:
    """Let a cast that was measured several times be a cell: its repeats are not new casts."""
    cast = scans[_CAST].map(_label)
    there = (cast != "") & (scans["status"] != "failed")
    name = scans["model"].astype(str) + " / " + cast
    counts = name[there].value_counts()
    again = there & name.map(counts).gt(1)
    if not again.any():
        return []  # one measurement a cast: every scan is a cast of its own
    scans.loc[there, "cell"] = "cast " + cast[there]
    said = f"{int(there.sum())} scans show {len(counts)} casts"
    what = say("findings.the_casts_are_the", said=said)
    mend = say("findings.name_analysis_cell_if")
    return [remark("casts-as-cells", what, place("scans", column=_CAST), mend)]


def _label(value: object) -> str:
    if value is None or value is pd.NaT or (isinstance(value, float) and np.isnan(value)):
        return ""
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    if isinstance(value, pd.Timestamp):
        return value.strftime("%Y-%m-%d")
    return str(value)


def against_reference(
    scans: pd.DataFrame, implants: pd.DataFrame, settings: Settings
) -> list[Finding]:
    """See that models and datum implants that are named are in the reference."""
    known = {str(m): set(g["implant"]) for m, g in implants.groupby("model")}
    hint = Nearest(known)
    models = [
        fault(
            "unknown-model",
            f'model "{row["model"]}" is not in the reference',
            place(settings.scans.list, row["row"], "model"),
            hint(row["model"]),
        )
        for row in records(scans[["model", "row"]])
        if row["model"] and row["model"] not in known
    ]
    return models + [
        fault(
            "unknown-implant",
            f'datum implant "{implant}" is not in model "{name}"',
            place("study.toml", column="analysis.datum"),
            nearest(implant, sorted(names)),
        )
        for implant in dict.fromkeys(settings.analysis.datum)
        for name, names in known.items()
        if implant not in names
    ]


def check_events(events: pd.DataFrame, scans: pd.DataFrame, settings: Settings) -> list[Finding]:
    """Find events that are doubled (errors) or concern a device that no scan names (warnings)."""
    file = settings.drift.events
    devices = [str(d) for d in dict.fromkeys(scans["device"])] if "device" in scans else []
    findings: list[Finding] = []
    hint, named = Nearest(devices), set(devices)
    seen: dict[tuple[str, ...], int] = {}
    for row in records(events):
        key = (str(row["at"]), row["device"], row["kind"], row["note"])
        if key in seen:
            what = say("findings.the_event_is_already", kind=row["kind"], seen=seen[key])
            where = place(file, row["row"], "at")
            findings.append(fault("duplicate-event", what, where, "remove one of the two rows"))
        seen.setdefault(key, row["row"])
        if row["device"] and devices and row["device"] not in named:
            what = say("findings.the_event_concerns_device", device=row["device"])
            mend = say("findings.without_scans_here_leave", hint=hint(row["device"]))
            where = place(file, row["row"], "device")
            findings.append(warning("unknown-device", what, where, mend))
    return findings


def conditions_of_scanning(
    settings: Settings, implants: pd.DataFrame | None, scans: pd.DataFrame | None
) -> list[Finding]:
    """Warn of contributions that the uncertainty budget cannot include."""
    findings: list[Finding] = []
    certified = (
        implants is not None
        # residuals of touches do not know the machine
        and (not settings.reference.touch_points or settings.reference.certified is not None)
        and bool(implants["u_position_um"].notna().all())
    )

    def warn(code: str, what: str, key: str, mend: str) -> None:
        where = place("study.toml", column=key)
        findings.append(Finding(Severity.WARNING, code, what, where, mend))

    by_scan = scans is not None and "temperature_c" in scans
    everywhere = settings.scans.temperature_c
    if settings.scans.expansion_per_k is None or (everywhere is None and not by_scan):
        warn(
            "no-temperature",
            "temperature or thermal expansion of the model during the scans is not given, so "
            "lengths are not corrected; 5 K on 50 mm of resin is about 19 µm",
            "scans.temperature_c",
            "give scans.temperature_c and scans.expansion_per_k",
        )
    elif scans is not None and by_scan:
        findings += _blank_temperatures(scans, settings)
    if settings.reference.kind == "none":
        return findings + _limits_not_used(settings)
    if settings.reference.kind == "scan":
        warn(
            "reference-is-scan",
            "the reference is itself a scan: results are agreement with it, not trueness",
            "reference.kind",
            "measure the model on a coordinate measuring machine for trueness",
        )
    elif settings.reference.mpe_um is None and not certified:
        warn(
            "no-reference-uncertainty",
            "the uncertainty of the coordinate measuring machine is not given; u(bias) does not "
            "include it",
            "reference.mpe_um",
            "give reference.mpe_um or reference.certified from its certificate, or u_position_um "
            "for each implant",
        )
    if settings.reference.probed == "scan body" and not settings.uncertainty.scan_body_seating_um:
        warn(
            "no-seating-uncertainty",
            "the reference was probed on scan bodies, but the uncertainty of their seating is not "
            "given; no reference position includes it",
            "uncertainty.scan_body_seating_um",
            "give it, from your own repeats with the scan bodies reseated",
        )
    return findings


def _limits_not_used(settings: Settings) -> list[Finding]:
    """Say that limits wait for a reference."""
    names = ("distance_um", "angle_deg", "seat_gap_um")
    given = [name for name in names if getattr(settings.limits, name)]
    if not given:
        return []
    what = say("findings.without_a_reference_no", given=", ".join(given))
    where = place("study.toml", column=f"limits.{given[0]}")
    return [remark("limits-not-used", what, where, say("findings.have_the_model_measured"))]


def _blank_temperatures(scans: pd.DataFrame, settings: Settings) -> list[Finding]:
    """Scans without a temperature in a list that gives temperatures."""
    everywhere = settings.scans.temperature_c
    instead = (
        "its lengths are not corrected"
        if everywhere is None
        else f"the {everywhere:g} °C of study.toml are used"
    )
    made = scans[~scans["status"].isin(["failed", "planned"])]
    far = made["temperature_c"].max() - made["temperature_c"].min()
    found = []
    if far > _FAR_K:
        top = records(made.nlargest(1, "temperature_c"))[0]
        what = say(
            "findings.the_scans_were_made",
            far=far,
            scan=top["scan"],
            temperature_c=top["temperature_c"],
        )
        where = place(settings.scans.list, int(top["row"]), "temperature_c")
        mend = say("findings.check_the_value_room")
        found.append(warning("temperatures-apart", what, where, mend))
    return found + [
        warning(
            "no-temperature",
            say("findings.scan_has_no_temperature", scan=row["scan"], instead=instead),
            place(settings.scans.list, row["row"], "temperature_c"),
            say("findings.fill_it_in"),
        )
        for row in records(made[made["temperature_c"].isna()])
    ]


def angulation_doubts(settings: Settings, implants: pd.DataFrame, *, file: str) -> list[Finding]:
    """Find designed tilts far from the measured ones, and an occlusal direction upside down."""
    stated = settings.reference.occlusal
    found = []
    for model, group in implants.groupby("model", sort=False):
        axes, places = group[_AXIS].to_numpy(float), group[_POSITION].to_numpy(float)
        if not (np.isfinite(axes).all() and np.isfinite(places).all()):
            continue
        upright, _ = occlusal_direction(places, axes, stated=stated)
        if upright is None:
            continue
        if stated is not None and upright @ axes.sum(axis=0) < 0:
            what = say("findings.the_occlusal_direction_is", model=model)
            where = place("study.toml", column="reference.occlusal")
            found.append(
                fault("inward-axis", what, where, "it must point out of the bone: reverse it")
            )
            continue
        measured = angle_between_deg(axes, upright)
        designed = group["angulation_deg"].to_numpy(float)
        off: NDArray[np.float64] = np.abs(measured - designed)
        far = (group["angulation_by"] == DESIGNED).to_numpy() & (off > _FAR_DEG)
        for i in np.flatnonzero(far):
            what = say(
                "findings.implant_is_tilted_by",
                implant=group["implant"].iloc[i],
                measured=measured[i],
                designed=designed[i],
            )
            where = place(file, int(group["row"].iloc[i]), "angulation_deg")
            radians = abs(np.degrees(designed[i]) - measured[i]) < _FAR_DEG
            mend = (
                say("findings.write_degrees_not_radians")
                if radians
                else say("findings.check_the_tilt_in")
            )
            found.append(warning("angulation-differs", what, where, mend))
    return found


def angulation_known(settings: Settings, implants: pd.DataFrame) -> list[Finding]:
    """Warn of models whose angulation nothing shows, where a mixed model needs it."""
    needed = [f"model.{m.name}" for m in settings.model if "angulation_deg" in m.fixed]
    if not needed and (settings.study.kind != "comparison" or settings.model):
        return []
    unknown = implants[implants["angulation_deg"].isna()].drop_duplicates("model")
    return [
        warning("angulation-unknown",
            say('findings.the_platforms_of_model', model=row['model']),
            place(settings.reference.touch_points or settings.reference.implants, row["row"],
                  "angulation_deg"),
            say('findings.give_the_designed_angulation'),
        )
        for row in records(unknown)
    ]  # fmt: skip


_EARLIEST = dt.date(2000, 1, 1)
"""Before it, a year is a slip: nobody scanned implants digitally."""


def check_times(
    scans: pd.DataFrame,
    implants: pd.DataFrame | None,
    events: pd.DataFrame,
    settings: Settings,
    today: dt.date,
) -> list[Finding]:
    """Warn of days in the future or long past, and of what comes in the wrong order.

    `scans` with ``condition``, ``cell`` and ``row``, `implants` None where it cannot be used.
    Errors where a drift study lacks a date.
    """
    file = settings.scans.list
    found = _reference_days(settings, today)
    if "at" in events:
        found += _days(events["at"], events["row"], settings.drift.events, "at", today)
    if implants is not None:
        rows = implants[implants["valid_from"].notna()]
        name = settings.reference.implants
        found += _days(rows["valid_from"], rows["row"], name, "valid_from", today)
    if settings.study.kind == "drift":
        found += _undated(scans, file)
    if "measured_at" not in scans:
        return found
    found += _days(scans["measured_at"], scans["row"], file, "measured_at", today)
    dated = scans[scans["measured_at"].notna()]
    if "repeat" in dated:
        found += _repeats(dated, file)
    if "session" in dated:
        found += _sessions(dated, file)
    if implants is not None:
        found += _without_reference(dated, implants, file)
    return found


def _undated(scans: pd.DataFrame, file: str) -> list[Finding]:
    """Scans that no chart can show, because nobody knows when they were made."""
    if "measured_at" not in scans:
        what, mend = "a drift study needs the date of every scan", "add a column measured_at"
        return [fault("missing-column", what, place(file, 1, "measured_at"), mend)]
    lacking = (
        scans["measured_at"].isna() & (scans["status"] != "failed") & (scans["excluded"] == "")
    )
    what, mend = say("findings.measured_at_is_empty"), say("findings.fill_it_in_or")
    return [
        fault("empty-factor", what, place(file, row, "measured_at"), mend)
        for row in scans.loc[lacking, "row"]
    ]


def _day(at: pd.Timestamp) -> str:
    return at.isoformat(timespec="minutes") if at.time() != dt.time() else at.date().isoformat()


def _days(
    days: pd.Series, rows: pd.Series, file: str, column: str, today: dt.date
) -> list[Finding]:
    found = []
    date = pd.to_datetime(days)
    odd = (date >= pd.Timestamp(today) + pd.Timedelta(days=1)) | (date < pd.Timestamp(_EARLIEST))
    for at, row in zip(days[odd], rows[odd], strict=True):
        where = place(file, row, column)
        if at.date() > today:
            what = f"{column} {at.date().isoformat()} lies in the future"
            found.append(warning("future-date", what, where, "check the year"))
        else:
            what = f"{column} {at.date().isoformat()} lies before {_EARLIEST.year}"
            found.append(warning("early-date", what, where, "check the year"))
    return found


def _reference_days(settings: Settings, today: dt.date) -> list[Finding]:
    measured, due = settings.reference.measured_on, settings.reference.due_on
    found = []
    if measured is not None and measured > today:
        where = place("study.toml", column="reference.measured_on")
        what = f"the reference was measured on {measured.isoformat()}, in the future"
        found.append(warning("future-date", what, where, "check the year"))
    if measured is not None and due is not None and due < measured:
        where = place("study.toml", column="reference.due_on")
        what = f"due_on {due.isoformat()} lies before measured_on {measured.isoformat()}"
        found.append(warning("date-order", what, where, "check both dates"))
    return found


def _repeats(scans: pd.DataFrame, file: str) -> list[Finding]:
    """Repeats of a cell whose numbers do not follow the time."""
    repeat = pd.to_numeric(scans["repeat"], errors="coerce")
    by = [c for c in ("model", "condition", "cell", "session") if c in scans]
    numbered = scans.assign(repeat=repeat).dropna(subset="repeat")
    group = numbered.groupby(by, sort=False).ngroup().rename("group")
    columns = ["measured_at", "row", "repeat", "group"]
    ordered = numbered.assign(group=group).sort_values(["group", "repeat"], kind="stable")
    found = []
    for before, after in itertools.pairwise(records(ordered[columns])):
        if after["group"] == before["group"] and after["repeat"] > before["repeat"]:
            names = f"repeat {after['repeat']:g}", f"repeat {before['repeat']:g}"
            found += _in_order(before, after, names, file)
    return found


def _sessions(scans: pd.DataFrame, file: str) -> list[Finding]:
    """Numbered sessions of a device and operator whose numbers do not follow the time."""
    number = scans["session"].map(_number_of)
    numbered = scans.assign(number=number).dropna(subset="number")
    by = [c for c in ("site", "device", "operator") if c in scans]
    groups = [g for _, g in numbered.groupby(by, sort=False)] if by else [numbered]
    found = []
    for group in groups:
        group = group[["measured_at", "row", "session", "number"]]
        earliest = group.sort_values("measured_at", kind="stable").drop_duplicates("number")
        for before, after in itertools.pairwise(records(earliest.sort_values("number"))):
            names = f'session "{after["session"]}"', f'session "{before["session"]}"'
            found += _in_order(before, after, names, file)
    return found


def _in_order(
    before: dict[str, Any], after: dict[str, Any], names: tuple[str, str], file: str
) -> list[Finding]:
    """A warning if what has the higher number was measured first."""
    if after["measured_at"] >= before["measured_at"]:
        return []
    what = (
        f"{names[0]} is dated {_day(after['measured_at'])}, before {names[1]} "
        f"(row {before['row']}, {_day(before['measured_at'])})"
    )
    where = place(file, int(after["row"]), "measured_at")
    hint = "check measured_at, and the numbers of repeats and sessions"
    return [warning("date-order", what, where, hint)]


def _number_of(session: object) -> float | None:
    """The number of a session named by one, such as 3 or "session 3"; None for other names."""
    text = re.fullmatch(r"\D*?(\d{1,6})", str(session))
    return float(text[1]) if text else None


def _without_reference(scans: pd.DataFrame, implants: pd.DataFrame, file: str) -> list[Finding]:
    """Scans that are older than the first reference of their model."""
    first: dict[str, pd.Timestamp] = {}
    for model, rows in implants.groupby("model"):
        if rows["valid_from"].notna().all():
            first[str(model)] = rows["valid_from"].min()
    found = []
    for row in records(scans[["model", "measured_at", "row"]]) if first else ():
        since = first.get(row["model"])
        if since is not None and row["measured_at"] < since:
            what = (
                f'the reference of model "{row["model"]}" is valid from {_day(since)}, but the '
                f"scan is dated {_day(row['measured_at'])}"
            )
            where = place(file, int(row["row"]), "measured_at")
            mend = "leave valid_from empty in the oldest rows if they are valid from the start"
            found.append(warning("before-reference", what, where, mend))
    return found
