"""A study folder, read whole and checked whole, before anything is computed."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import TypeVar

import pandas as pd

from accstudy.errors import Finding, InputError, Severity, StudyError, nearest, place
from accstudy.geometry.units import UNIT_MM
from accstudy.study.checks import add_groups, against_reference, conditions_of_scanning, dates
from accstudy.study.reference import check_reference, reference_from_touches
from accstudy.study.settings import Settings
from accstudy.study.sheet import read_sheet
from accstudy.study.toml import read_settings
from accstudy.study.typed import fault, records, typed
from accstudy.tables import TABLES

__all__ = ["Study", "load_study", "reference_versions", "resolve"]

T = TypeVar("T")

_BEGINNING = pd.Timestamp("1900-01-01")


@dataclass(frozen=True, slots=True)
class Study:
    """Everything that a study folder says, checked.

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
        Table ``implants``, axes of length 1, ``angulation_deg`` filled.
    given_poses : DataFrame
        Table ``poses`` as brought by the user; empty where scans are meshes.
    landmarks, events : DataFrame
        Tables of the same names; empty where there are none.
    findings : tuple of Finding
        Notes and warnings; errors have been raised.
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

    @property
    def measurable(self) -> pd.DataFrame:
        """Rows of `scans` that are not failed; scans left out by the user are among them."""
        return self.scans[self.scans["status"] != "failed"]

    @property
    def usable(self) -> pd.DataFrame:
        """Rows of `scans` that are neither failed nor excluded."""
        return self.scans[(self.scans["status"] != "failed") & (self.scans["excluded"] == "")]


def resolve(root: Path, file: str, *, allow_outside: bool = False) -> Path:
    r"""Find a file that a study names, inside the study folder only.

    Parameters
    ----------
    root : Path
        Study folder.
    file : str
        Relative path as the user wrote it, with ``/`` or ``\\``.
    allow_outside : bool
        Whether it may lie elsewhere.

    Returns
    -------
    Path

    Raises
    ------
    InputError
        If the path is absolute, climbs out, or a link leads out.
    """
    pure = PurePosixPath(file.replace("\\", "/"))
    full = root / pure
    if allow_outside:
        return full
    windows_drive = len(file) > 1 and file[1] == ":"
    inside = not pure.is_absolute() and ".." not in pure.parts and not windows_drive
    if inside:
        inside = full.resolve().is_relative_to(root.resolve())
    if not inside:
        raise InputError(
            f'"{file}" lies outside the study folder',
            hint="copy it into the study, or call with --allow-outside",
        )
    return full


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

    Returns
    -------
    Study

    Raises
    ------
    StudyError
        With every fault of every file at once.
    """
    settings = read_settings(path / "study.toml")
    reader = _Reader(path, settings, allow_outside=allow_outside)
    implants = reader.implants()
    scans, factors = reader.scans()
    poses = reader.table("poses", settings.scans.poses)
    landmarks = reader.table("landmarks", settings.scans.landmarks)
    events = reader.table("events", settings.drift.events)
    if scans is not None:
        scans = reader.without_planned(scans, poses)
        scans, found = add_groups(scans, settings, factors)
        reader.findings += found
        if implants is not None and len(implants):
            reader.findings += against_reference(scans, implants, poses, settings)
        reader.check_files(scans, poses)
        reader.findings += dates(scans, settings, today or dt.date.today())
    certified = implants if implants is not None and len(implants) else None
    reader.findings += conditions_of_scanning(settings, certified)
    errors = [f for f in reader.findings if f.severity is Severity.ERROR]
    if errors or scans is None or implants is None:
        raise StudyError(errors)
    notes = tuple(reader.findings)
    return Study(path, settings, scans, factors, implants, poses, landmarks, events, notes)


class _Reader:
    """Reads the files of one study and collects what is wrong with them."""

    def __init__(self, path: Path, settings: Settings, *, allow_outside: bool) -> None:
        self.path = path
        self.settings = settings
        self.allow_outside = allow_outside
        self.findings: list[Finding] = []

    def _attempt(self, job: Callable[[], T]) -> T | None:
        try:
            return job()
        except StudyError as error:
            self.findings += error.findings
        except InputError as error:
            self.findings += error.findings
        return None

    def sheet(
        self, table: str, file: str, *, rename: dict[str, str] | None = None
    ) -> pd.DataFrame | None:
        """Read one table file; None when it cannot be used."""

        def job() -> pd.DataFrame:
            full = resolve(self.path, file, allow_outside=self.allow_outside)
            frame, faults = typed(read_sheet(full, file=file), table, rename=rename)
            self.findings += faults
            missing = [f for f in faults if f.code == "missing-column"]
            if missing:
                raise _UnusableError
            return frame

        try:
            return self._attempt(job)
        except _UnusableError:
            return None

    def table(self, table: str, file: str) -> pd.DataFrame:
        """Read an optional table; empty when none is named or it is unusable."""
        frame = self.sheet(table, file) if file else None
        if frame is None:
            names = [*TABLES[table].names, "row"]
            return pd.DataFrame({name: pd.Series(dtype=object) for name in names})
        return frame

    def implants(self) -> pd.DataFrame | None:
        settings = self.settings.reference
        scale = UNIT_MM[settings.length_unit]
        if settings.touch_points:
            touches = self.sheet("touch_points", settings.touch_points, rename=settings.columns)
            if touches is None:
                return None
            file = settings.touch_points
            touches[["x_mm", "y_mm", "z_mm"]] *= scale
            frame = self._attempt(lambda: reference_from_touches(touches, settings, file=file))
        else:
            file = settings.implants
            frame = self.sheet("implants", file, rename=settings.columns)
            if frame is not None:
                frame[["x_mm", "y_mm", "z_mm"]] *= scale
        if frame is None:
            return None
        checked, found = check_reference(frame, file=file)
        bodies = self.settings.scan_body
        for row in records(checked):
            if row["scan_body"] and bodies and row["scan_body"] not in bodies:
                found.append(
                    fault(
                        "unknown-scan-body",
                        f'scan body "{row["scan_body"]}" is not in study.toml',
                        place(file, row["row"], "scan_body"),
                        nearest(row["scan_body"], list(bodies)),
                    )
                )
        self.findings += found
        return checked

    def scans(self) -> tuple[pd.DataFrame | None, tuple[str, ...]]:
        file = self.settings.scans.list
        frame = self.sheet("scans", file)
        if frame is None:
            return None, ()
        if frame.empty:
            self.findings.append(
                fault("no-scans", "the scan list has no rows", file, "add one row a scan")
            )
        own = {*TABLES["scans"].names, "row"}
        factors = tuple(name for name in frame.columns if name not in own)
        reserved = {"condition", "cell", "excluded"}
        for table in ("implant_deviations", "pair_deviations", "seating"):
            reserved |= set(TABLES[table].names)
        for name in factors:
            if name in reserved:
                self.findings.append(
                    fault(
                        "reserved-column",
                        f'"{name}" is the name of a result column',
                        place(file, 1, name),
                        "give the factor another name",
                    )
                )
        seen: dict[str, int] = {}
        for name, row in zip(frame["scan"], frame["row"], strict=True):
            if name and name in seen:
                self.findings.append(
                    fault(
                        "duplicate-scan",
                        f'scan "{name}" stands there already in row {seen[name]}',
                        place(file, row, "scan"),
                        "give every scan a name of its own",
                    )
                )
            seen.setdefault(name, row)
        for status, row in zip(frame["status"], frame["row"], strict=True):
            if status not in ("", "ok", "failed", "planned"):
                self.findings.append(
                    fault(
                        "unknown-status",
                        f'status "{status}"',
                        place(file, row, "status"),
                        "leave it empty, or write ok, failed or planned",
                    )
                )
        frame["status"] = frame["status"].replace("", "ok")
        return frame, factors

    def without_planned(self, scans: pd.DataFrame, poses: pd.DataFrame) -> pd.DataFrame:
        """Leave out planned scans that are not made yet; say which."""
        planned = scans["status"] == "planned"
        coming = planned & (scans["file"] == "") & ~scans["scan"].isin(poses["scan"])
        names = scans.loc[coming, "scan"].tolist()
        file = self.settings.scans.list
        mend = "write each file's name into column file once the scan is made"
        if names and len(names) == len(scans):
            what = f"all {len(names)} scans are planned; none is made yet"
            self.findings.append(fault("no-scans-yet", what, file, mend))
        elif names:
            what = f"{len(names)} of {len(scans)} scans are planned and not made yet: {_few(names)}"
            drift = self.settings.study.kind == "drift"  # there, the list is never complete
            severity = Severity.NOTE if drift else Severity.WARNING
            self.findings.append(Finding(severity, "scans-planned", what, file, mend))
        made = scans[~coming].reset_index(drop=True)
        made["status"] = made["status"].replace("planned", "ok")
        return made

    def check_files(self, scans: pd.DataFrame, poses: pd.DataFrame) -> None:
        """See that every scan has either a mesh file or positions, and that files exist."""
        with_poses = set(poses["scan"])
        seen: dict[Path, str] = {}
        for row in records(scans):
            scan, file = row["scan"], row["file"]
            where = place(self.settings.scans.list, row["row"], "file")
            if row["status"] == "failed":
                continue
            if not file:
                if scan not in with_poses:
                    hint = "name its mesh file, or bring its positions (scans.poses)"
                    what = f'scan "{scan}" has neither a file nor positions'
                    self.findings.append(fault("no-data", what, where, hint))
                continue
            if scan in with_poses:
                what = f'scan "{scan}" has both a file and positions'
                self.findings.append(fault("two-sources", what, where, "keep one of the two"))
            try:
                full = resolve(self.path, file, allow_outside=self.allow_outside)
            except InputError as error:
                self.findings.append(fault("outside", error.message, where, error.hint))
                continue
            if not full.is_file():
                folder = full.parent
                names = sorted(p.name for p in folder.iterdir()) if folder.is_dir() else []
                hint = nearest(full.name, names) if 0 < len(names) < 2000 else "check the name"
                if not hint.startswith("did"):
                    hint = "check the name; it is relative to the study folder"
                what = f'there is no file "{file}"'
                self.findings.append(fault("no-file", what, where, hint))
            elif full in seen:
                what = f'"{file}" is the file of scan "{seen[full]}", too'
                self.findings.append(fault("file-twice", what, where, "a file is one scan"))
            seen.setdefault(full, scan)
        needs_body = any(
            f and s != "failed" for f, s in zip(scans["file"], scans["status"], strict=True)
        )
        if needs_body and not self.settings.scan_body:
            what = "scans are meshes, but no scan body is described"
            hint = "add [scan_body.default] with mesh = ... or cylinder = {...}"
            self.findings.append(fault("no-scan-body", what, "study.toml", hint))
        for name, body in self.settings.scan_body.items():
            self._check_named(body.mesh, f"scan_body.{name}.mesh")
        self._check_named(self.settings.reference.surface, "reference.surface")

    def _check_named(self, file: str, key: str) -> None:
        if not file:
            return
        where = place("study.toml", column=key)
        try:
            full = resolve(self.path, file, allow_outside=self.allow_outside)
        except InputError as error:
            self.findings.append(fault("outside", error.message, where, error.hint))
            return
        if not full.is_file():
            self.findings.append(fault("no-file", f'there is no file "{file}"', where))


def _few(names: list[str]) -> str:
    return ", ".join(names) if len(names) <= 4 else f"{names[0]}, {names[1]}, ... {names[-1]}"


class _UnusableError(Exception):
    """A table whose required columns are missing; the faults are listed already."""


def reference_versions(
    implants: pd.DataFrame, model: str
) -> list[tuple[pd.Timestamp, pd.DataFrame]]:
    """Reference rows of a model by the day from which they hold.

    Parameters
    ----------
    implants : DataFrame
        Table ``implants``.
    model : str
        Name of the model.

    Returns
    -------
    list of (Timestamp, DataFrame)
        Oldest first; rows without ``valid_from`` hold from the beginning.
    """
    rows = implants[implants["model"] == model]
    since = pd.to_datetime(rows["valid_from"]).fillna(_BEGINNING)
    return [(at, rows[since == at].reset_index(drop=True)) for at in sorted(since.unique())]
