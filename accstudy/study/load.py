"""A whole study, read: settings, tables, days and temperature of every scan, with all findings."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from accstudy.errors import Finding, Severity, StudyError, gravest_first
from accstudy.study.checks import (
    add_groups,
    angulation_doubts,
    angulation_known,
    check_events,
    check_times,
    conditions_of_scanning,
)
from accstudy.study.files import Files
from accstudy.study.reader import Reader
from accstudy.study.reference_runs import Runs
from accstudy.study.settings import ScanBodySettings, Settings
from accstudy.study.toml import read_settings
from accstudy.tables import empty, valid_since


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
