"""A whole study, read: settings, tables, days and temperature of every scan, with all findings."""

from __future__ import annotations

import datetime as dt
import itertools
import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd

from accstudy.errors import Finding, Severity, StudyError, gravest_first, place
from accstudy.study.checks import (
    add_groups,
    angulation_doubts,
    angulation_known,
    check_events,
    conditions_of_scanning,
)
from accstudy.study.files import Files
from accstudy.study.reader import Reader
from accstudy.study.reference_runs import Runs
from accstudy.study.settings import ScanBodySettings, Settings
from accstudy.study.toml import read_settings
from accstudy.study.typed_rows import records
from accstudy.tables import empty, valid_since
from accstudy.words.catalogue import say

__all__ = [
    "Study",
    "Surveyed",
    "check_times",
    "load_study",
    "reference_versions",
    "scan_temperatures",
    "survey_study",
]

_EARLIEST = dt.date(2000, 1, 1)
"""Before it, a year is a slip: nobody scanned implants digitally."""


@dataclass(frozen=True, slots=True)
class Study:
    """Everything that a study folder contains, checked.

    Parameters
    ----------
    path : Path
        The folder.
    settings : Settings
        study.toml with defaults.
    scans : DataFrame
        Table ``scans`` with its factor columns, and ``condition``, ``cell``,
        ``excluded`` (reason, or empty) and ``row``.
    factors : tuple of str
        Factor columns of the scan list.
    implants : DataFrame
        Table ``implants``, axes of length 1, ``angulation_deg`` filled. Without a reference
        the arrangement that the scans themselves show, as far as it is known yet.
    given_poses : DataFrame
        Table ``poses`` as brought by the user; empty where scans are meshes.
    landmarks, events : DataFrame
        Tables of the same names; empty where there are none.
    findings : tuple of Finding
        Notes and warnings; errors have been raised.
    files : Files
        Its files, with the digests of what was read.
    runs : Runs
        Repeated measurements of the models; empty where each was measured once.
    sketch : DataFrame
        Table ``sketch``; empty where there is none.
    """

    path: Path
    settings: Settings
    scans: pd.DataFrame
    factors: tuple[str, ...]
    implants: pd.DataFrame
    given_poses: pd.DataFrame
    landmarks: pd.DataFrame
    events: pd.DataFrame
    findings: tuple[Finding, ...]
    files: Files
    runs: Runs = field(default_factory=Runs)
    sketch: pd.DataFrame = field(default_factory=lambda: empty("sketch"))

    @property
    def referenced(self) -> bool:
        """Whether there is a reference, so that trueness can be spoken of."""
        return self.settings.reference.kind != "none"

    @property
    def measurable(self) -> pd.DataFrame:
        """Rows of `scans` that are not failed; scans excluded by the user are among them."""
        return self.scans[self.scans["status"] != "failed"]

    @property
    def bodies(self) -> dict[str, ScanBodySettings]:
        """Scan bodies by name; none where all scans are given as positions."""
        meshes = self.measurable["file"] != ""
        return self.settings.scan_body if meshes.any() else {}

    @property
    def usable(self) -> pd.DataFrame:
        """Rows of `scans` that are neither failed nor excluded."""
        return self.scans[(self.scans["status"] != "failed") & (self.scans["excluded"] == "")]


@dataclass(frozen=True, slots=True)
class Surveyed:
    """What could be read of a study folder that may be at fault: ``study`` is None if anything is.

    ``scans`` has ``row``, and is None if it cannot be used; findings, the gravest first.
    """

    study: Study | None
    settings: Settings
    scans: pd.DataFrame | None
    findings: tuple[Finding, ...]
    files: Files


def load_study(path: Path, *, allow_outside: bool = False, today: dt.date | None = None) -> Study:
    """Read and check a study folder.

    Parameters
    ----------
    path : Path
        The folder with study.toml.
    allow_outside : bool
        Whether files may lie outside the folder.
    today : date, optional
        What counts as the future; the system's date by default.

    Raises
    ------
    StudyError
        With every fault of every file at once, warnings after them.
    """
    found = survey_study(path, allow_outside=allow_outside, today=today)
    if found.study is None:
        raise StudyError(found.findings)
    return found.study


def survey_study(
    path: Path, *, allow_outside: bool = False, today: dt.date | None = None
) -> Surveyed:
    """Read and check a study folder as far as that goes.

    Parameters
    ----------
    path, allow_outside, today
        As of `load_study`.

    Raises
    ------
    StudyError
        If study.toml cannot be used.
    """
    files = Files(path, allow_outside=allow_outside)
    settings = read_settings(path / "study.toml", files=files)
    reader = Reader(files, settings)
    unreferenced = settings.reference.kind == "none"
    implants = None if unreferenced else reader.implants()
    sketch = reader.sketch()
    scans, factors = reader.scans()
    poses = reader.table("poses", settings.scans.poses, "scans.poses")
    landmarks = reader.table("landmarks", settings.scans.landmarks, "scans.landmarks")
    events = reader.table("events", settings.drift.events, "drift.events")
    if scans is not None:
        scans = reader.without_planned(scans, poses)
        scans, found = add_groups(scans, settings, factors)
        reader.findings += found
        if unreferenced:
            implants = reader.provisional(scans, poses, sketch)
        reader.check_against_each_other(scans, implants, poses, landmarks)
        reader.findings += check_events(events, scans, settings)
        reader.check_files(scans, poses)
        reader.findings += check_times(scans, implants, events, settings, today or dt.date.today())
    known = implants is not None and len(implants) > 0 and not unreferenced
    certified = implants if known else None
    reader.findings += conditions_of_scanning(settings, certified, scans)
    if certified is not None:
        reader.findings += angulation_known(settings, certified)
        named = reader.called.get("implants", reader.called.get("touch_points", ""))
        reader.findings += angulation_doubts(settings, certified, file=named)
    findings = gravest_first(_without_consequences(reader.findings))
    faulty = any(f.severity is Severity.ERROR for f in findings)
    study = None
    if scans is not None and implants is not None and not faulty:
        study = Study(
            path, settings, scans, factors, implants, poses, landmarks, events, findings, files,
            runs=reader.runs,
            sketch=sketch,
        )  # fmt: skip
    return Surveyed(study, settings, scans, findings, files)


_OF_A_CELL = {"not-a-number", "implausible-value", "unknown-implant", "empty-cell"}


def _without_consequences(findings: list[Finding]) -> list[Finding]:
    """Leave out what only follows from an error in its cell, and warnings from one in its table."""
    errors = [f for f in findings if f.severity is Severity.ERROR]
    places = {f.where for f in errors}
    unread = {f.where for f in errors if f.code == "not-a-date"}
    tables = {f.where.partition(":")[0] for f in errors if f.code in _OF_A_CELL}

    def follows(f: Finding) -> bool:
        if f.severity is Severity.WARNING:
            of_table = f.code == "missing-implant" and f.where.partition(":")[0] in tables
            return f.where in places or of_table
        return f.code == "empty-factor" and f.where in unread

    return [f for f in findings if not follows(f)]


def reference_versions(
    implants: pd.DataFrame, model: str
) -> list[tuple[pd.Timestamp, pd.DataFrame]]:
    """Reference rows of a model by the day from which they are valid, oldest first.

    Rows without ``valid_from`` hold from the beginning.
    """
    rows = implants[implants["model"] == model]
    since = valid_since(rows)
    return [(at, rows[since == at].reset_index(drop=True)) for at in sorted(since.unique())]


def scan_temperatures(scans: pd.DataFrame, *, everywhere: float | None) -> pd.Series:
    """Temperature of every scan, °C; NaN if unknown.

    The column ``temperature_c`` counts before `everywhere` (``scans.temperature_c`` of study.toml),
    if it holds numbers.
    """
    at = pd.Series(float("nan") if everywhere is None else everywhere, scans["scan"], dtype=float)
    if "temperature_c" in scans and pd.api.types.is_numeric_dtype(scans["temperature_c"]):
        own = pd.Series(scans["temperature_c"].to_numpy(float), at.index)
        return own.fillna(at)
    return at


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
        f"{names[0]} is dated {_day(after['measured_at'])}, before {names[1]} "
        f"(row {before['row']}, {_day(before['measured_at'])})"
    )
    where = place(file, int(after["row"]), "measured_at")
    hint = "check measured_at, and the numbers of repeats and sessions"
    return [_warn("date-order", what, where, hint)]


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
