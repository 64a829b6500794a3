"""Days that cannot be, or come in another order than the study says."""

from __future__ import annotations

import datetime as dt
import itertools
import re
from typing import Any

import pandas as pd

from accstudy.errors import Finding, Severity, place
from accstudy.study.settings import Settings
from accstudy.study.typed import records
from accstudy.words.catalogue import say

__all__ = ["check_times"]

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
        return [
            Finding(Severity.ERROR, "missing-column", what, place(file, 1, "measured_at"), mend)
        ]
    lacking = (
        scans["measured_at"].isna() & (scans["status"] != "failed") & (scans["excluded"] == "")
    )
    return [
        Finding(
            Severity.ERROR,
            "empty-factor",
            say("findings.measured_at_is_empty"),
            place(file, row, "measured_at"),
            say("findings.fill_it_in_or"),
        )
        for row in scans.loc[lacking, "row"]
    ]


def _warn(code: str, what: str, where: str, mend: str) -> Finding:
    return Finding(Severity.WARNING, code, what, where, mend)


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
            found.append(_warn("future-date", what, where, "check the year"))
        elif at.date() < _EARLIEST:
            what = f"{column} {at.date().isoformat()} lies before {_EARLIEST.year}"
            found.append(_warn("early-date", what, where, "check the year"))
    return found


def _reference_days(settings: Settings, today: dt.date) -> list[Finding]:
    measured, due = settings.reference.measured_on, settings.reference.due_on
    found = []
    if measured is not None and measured > today:
        where = place("study.toml", column="reference.measured_on")
        what = f"the reference was measured on {measured.isoformat()}, in the future"
        found.append(_warn("future-date", what, where, "check the year"))
    if measured is not None and due is not None and due < measured:
        where = place("study.toml", column="reference.due_on")
        what = f"due_on {due.isoformat()} lies before measured_on {measured.isoformat()}"
        found.append(_warn("date-order", what, where, "check both dates"))
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
        f"{names[0]} is of {_day(after['measured_at'])}, before {names[1]} "
        f"(row {before['row']}, {_day(before['measured_at'])})"
    )
    where = place(file, int(after["row"]), "measured_at")
    return [_warn("date-order", what, where, "check the dates and the numbers")]


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
            found.append(_warn("before-reference", what, where, mend))
    return found
