"""A whole study, read: settings, tables, days and temperature of every scan, with all findings."""

from __future__ import annotations

import datetime as dt
import math
import os
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path, PurePosixPath
from typing import TypeVar

import pandas as pd

from accstudy.errors import (
    Finding,
    InputError,
    Nearest,
    Severity,
    StudyError,
    fault,
    gravest_first,
    place,
    remark,
)
from accstudy.quantities import UNIT_MM
from accstudy.study.checks import (
    add_groups,
    against_reference,
    angulation_doubts,
    angulation_known,
    check_events,
    check_times,
    conditions_of_scanning,
)
from accstudy.study.exported import Said, arranged
from accstudy.study.files import Files
from accstudy.study.implants import (
    as_certified,
    at_platforms,
    check_reference,
    check_sketch,
    provisional_arrangement,
    reference_from_touches,
    with_angulation,
)
from accstudy.study.layout import headed
from accstudy.study.positions import check_landmarks, check_positions
from accstudy.study.reference_runs import Runs, listed, mean_of_runs, note_on_runs, reference_files
from accstudy.study.settings import Reference, ScanBodySettings, Settings
from accstudy.study.sheet import MAX_BYTES, TableFile
from accstudy.study.toml import read_settings
from accstudy.study.typed_rows import MORE, alike, first_faults, records, typed
from accstudy.tables import TABLES, empty, valid_since
from accstudy.words.catalogue import say

T = TypeVar("T")

_SECTIONS = {"implants": "reference", "touch_points": "reference", "sketch": "reference"}
"""Section of study.toml that says how a table lies, where it is not called as the table."""


class Reader:
    """Reads the files of one study and collects what is wrong with them.

    Parameters
    ----------
    files : Files
        Of the study.
    settings : Settings
        Its study.toml.
    """

    def __init__(self, files: Files, settings: Settings) -> None:
        self.files = files
        self.settings = settings
        self.findings: list[Finding] = []
        self.unusable: set[str] = set()
        self.called: dict[str, str] = {}
        self.runs = Runs()
        self.models: dict[str, str] = {}

    def _attempt(self, job: Callable[[], T]) -> T | None:
        try:
            return job()
        except (StudyError, InputError) as error:
            self.findings += error.findings
        return None

    def sheet(self, table: str, file: str, key: str) -> pd.DataFrame | None:
        """Read the table file that a key of study.toml names; None when it cannot be used."""
        section = _SECTIONS.get(table, table)
        layout = getattr(self.settings, section)
        said = Said(section, section in self.settings.model_fields_set)

        def job() -> pd.DataFrame:
            self._resolved(file, place("study.toml", column=key))
            data = self.files.read(file, max_bytes=MAX_BYTES)
            models = self.models if table == "poses" else None
            sheet = arranged(data, table, layout, file=file, said=said, models=models)
            self.called[table] = sheet.file
            self.findings += sheet.notes
            frame, faults = typed(sheet, table)
            if any(f.code == MORE for f in faults):  # what follows from them would be endless
                raise StudyError(faults)
            self.findings += faults
            return frame

        found = self._attempt(job)
        if found is None:
            self.unusable.add(table)
        return found

    def _resolved(self, file: str, where: str) -> str:
        """Find a file inside the study; the place that names it is part of the fault."""
        try:
            return self.files.place(file)
        except InputError as error:
            raise StudyError([fault("outside", error.message, where, error.hint)]) from None

    def table(self, table: str, file: str, key: str) -> pd.DataFrame:
        """Read an optional table; empty when none is named or it is unusable."""
        frame = self.sheet(table, file, key) if file else None
        if frame is None:
            names = [*TABLES[table].names, "row"]
            return pd.DataFrame({name: pd.Series(dtype=object) for name in names})
        return frame

    def implants(self) -> pd.DataFrame | None:
        """Read the reference, from its rows or from touch points; None if it is unusable."""
        settings = self.settings.reference
        frames = self._measured(settings)
        if not frames:
            return None
        checked, files = [], {}
        for run, (frame, file) in frames.items():
            one, found = check_reference(frame, file=file)
            one = as_certified(one, settings)
            checked.append(at_platforms(one, settings.height_mm).assign(run=run))
            files[run] = file
            self.findings += [*found, *self._unknown_bodies(one, file)]
        rows = pd.concat(checked, ignore_index=True) if len(checked) > 1 else checked[0]
        if len(frames) > 1:
            rows, self.runs, found = mean_of_runs(rows, files)
            self.findings += [*found, *note_on_runs(self.runs.pairs)]
        return with_angulation(self._with_learned(rows), settings.occlusal)

    def _with_learned(self, implants: pd.DataFrame) -> pd.DataFrame:
        """Add what is not known of scan bodies that were learned, and say so."""
        bodies = self.settings.scan_body
        only = next(iter(bodies)) if len(bodies) == 1 else "default"
        out = implants
        for name, body in bodies.items():
            if body.learned is None:
                continue
            mine = implants["scan_body"].replace("", only) == name
            known = body.learned
            around = math.sqrt((2 * known.u_aside_um**2 + known.u_height_um**2) / 3)
            out = out.assign(
                u_body_um=out["u_body_um"].mask(mine, around),
                u_body_deg=out["u_body_deg"].mask(mine, known.u_axis_deg),
            )
            what = say(
                "findings.scan_body_is_not",
                name=name,
                copies=known.copies,
                scan=known.scan,
                u_height_um=known.u_height_um,
                u_aside_um=known.u_aside_um,
                u_axis_deg=known.u_axis_deg,
            )
            where = place("study.toml", column=f"scan_body.{name}.learned")
            self.findings.append(
                remark("learned-body", what, where, say("findings.use_the_cad_geometry"))
            )
        return out

    def _measured(self, settings: Reference) -> dict[str, tuple[pd.DataFrame, str]] | None:
        """Rows of every run of the reference measurement, in mm, with the name of their file."""
        scale = UNIT_MM[settings.length_unit]
        key = "implants"
        if settings.runs or settings.touch_points:
            key = "runs" if settings.runs else "touch_points"
        try:
            files = reference_files(self.files, settings)
        except InputError as error:
            at = place("study.toml", column="reference.runs")
            self.findings.append(fault("no-file", error.message, at, error.hint))
            return None
        out: dict[str, tuple[pd.DataFrame, str]] = {}
        touched = bool(settings.touch_points) or self._are_touches(files[0])
        table = "touch_points" if touched else "implants"
        for file in files:
            frame = self.sheet(table, file, f"reference.{key}")
            if frame is None:
                return None
            called = self.called[table]
            frame[["x_mm", "y_mm", "z_mm"]] *= scale
            named = frame["run"] != ""
            for row in frame.loc[~named, "row"] if named.any() else ():
                what, at = "run is empty, but other rows name one", place(called, row, "run")
                self.findings.append(fault("empty-cell", what, at, "fill it in"))
            stem = PurePosixPath(file).stem if settings.runs else ""
            for run, part in frame.groupby(frame["run"].replace("", stem), sort=False):
                if run in out:
                    what = f'run "{run}" occurs in several files'
                    self.findings.append(fault("same-run-twice", what, called, "rename one"))
                if touched:
                    several = len(files) > 1 or bool(named.any())
                    job = partial(
                        reference_from_touches, part, settings, file=called, repeated=several
                    )
                    made = self._attempt(job)
                    if made is None:
                        return None
                    part = made
                out[str(run)] = (part.reset_index(drop=True), called)
            if frame.empty and len(files) == 1:  # a table that waits for its rows
                out[""] = (frame, called)
        return out

    def _are_touches(self, file: str) -> bool:
        """Whether the rows of a run are probed points, which belong to features."""
        layout = self.settings.reference
        if "feature" in layout.columns or not layout.runs:
            return "feature" in layout.columns and bool(layout.runs)
        try:
            source = TableFile(self.files.read(file, max_bytes=MAX_BYTES), file)
            header = headed(source.cells(layout.sheet), layout).header
        except (StudyError, InputError):
            return False  # told when it is read as what it should be
        return "feature" in header and "axis_x" not in header

    def _unknown_bodies(self, implants: pd.DataFrame, file: str) -> list[Finding]:
        bodies = self.settings.scan_body
        hint = Nearest(bodies)
        return [
            fault(
                "unknown-scan-body",
                f'scan body "{row["scan_body"]}" is not in study.toml',
                place(file, row["row"], "scan_body"),
                hint(row["scan_body"]),
            )
            for row in records(implants[["scan_body", "row"]])
            if row["scan_body"] and bodies and row["scan_body"] not in bodies
        ]

    def sketch(self) -> pd.DataFrame:
        """Read the user's sketch of the implants; empty when there is none."""
        settings = self.settings.reference
        frame = self.table("sketch", settings.sketch, "reference.sketch")
        if len(frame):
            frame[["x_mm", "y_mm", "z_mm"]] *= UNIT_MM[settings.length_unit]
            frame["z_mm"] = frame["z_mm"].astype(float).fillna(0.0)
            self.findings += check_sketch(frame, file=settings.sketch)
        return frame

    def provisional(
        self, scans: pd.DataFrame, poses: pd.DataFrame, sketch: pd.DataFrame
    ) -> pd.DataFrame:
        """Without a reference: what the given positions of a model are held against."""
        counts = scans[scans["status"] != "failed"]
        models = dict(zip(counts["scan"].astype(str), counts["model"].astype(str), strict=True))
        file = self.settings.scans.poses
        found, faults = provisional_arrangement(poses, sketch, models, file=file)
        for model, n in counts.groupby("model", sort=False)["scan"].nunique().items():
            if n < 2:
                row = int(counts.loc[counts["model"] == model, "row"].iloc[0])
                what = (
                    f'model "{model}" was scanned only once: without a reference a single scan '
                    "gives no result"
                )
                at, mend = (
                    place(self.settings.scans.list, row),
                    "repeat the scan, or remove the row",
                )
                faults.append(fault("scanned-once", what, at, mend))
        self.findings += faults
        return with_angulation(found, None)

    def scans(self) -> tuple[pd.DataFrame | None, tuple[str, ...]]:
        """Read the scan list and name its factor columns; None if it is unusable."""
        file = self.settings.scans.list
        frame = self.sheet("scans", file, "scans.list")
        if frame is None:
            return None, ()
        file = self.called["scans"]
        self.models = dict(zip(frame["scan"], frame["model"], strict=True))
        if frame.empty:
            self.findings.append(
                fault("no-scans", "the scan list has no rows", file, "add one row per scan")
            )
        own = {*TABLES["scans"].names, "row"}
        factors = tuple(name for name in frame.columns if name not in own)
        reserved = {"condition", "cell", "excluded"}
        for table in ("implant_deviations", "pair_deviations", "seating"):
            reserved |= set(TABLES[table].names)
        self.findings += [
            fault(
                "reserved-column",
                f'"{name}" is the name of a result column',
                place(file, 1, name),
                "give the factor another name",
            )
            for name in factors
            if name in reserved
        ]
        seen: dict[str, int] = {}
        twice = []
        for name, row in zip(frame["scan"], frame["row"], strict=True):
            if name and name in seen:
                what = f'scan "{name}" is already listed in row {seen[name]}'
                at, mend = place(file, row, "scan"), "give every scan a unique name"
                twice.append(fault("duplicate-scan", what, at, mend))
            seen.setdefault(name, row)
        self.findings += first_faults(twice, place(file, column="scan"))
        self.findings += [
            fault(
                "unknown-status",
                f'status "{status}"',
                place(file, row, "status"),
                "leave it empty, or write ok, failed or planned",
            )
            for status, row in zip(frame["status"], frame["row"], strict=True)
            if status not in ("", "ok", "failed", "planned")
        ]
        frame["status"] = frame["status"].replace("", "ok")
        frame["file"] = self._in_scans_folder(frame, file)
        once = frame.drop_duplicates("scan")
        self.findings += alike(
            once["scan"].tolist(), once["row"].tolist(), file=file, column="scan"
        )
        return frame, factors

    def _in_scans_folder(self, frame: pd.DataFrame, file: str) -> pd.Series:
        """Files that a list names without the folder scans/, in which they are."""
        found, moved = [], []
        for name in frame["file"]:
            bare = bool(name) and "/" not in name and "\\" not in name
            inside = bare and not self.files.is_there(name) and self.files.is_there(f"scans/{name}")
            found.append(f"scans/{name}" if inside else name)
            moved += [name] * inside
        if moved:
            what = say("findings.files_of_the_list", moved=len(moved), few=_few(moved))
            self.findings.append(remark("files-in-scans", what, place(file, column="file")))
        return pd.Series(found, index=frame.index, dtype=object)

    def check_against_each_other(
        self,
        scans: pd.DataFrame,
        implants: pd.DataFrame | None,
        poses: pd.DataFrame,
        landmarks: pd.DataFrame,
    ) -> None:
        """Hold scans, positions and landmarks against the reference, or against each other."""
        if implants is None or implants.empty:
            return
        ours = self.settings.scans
        if self.settings.reference.kind == "none":
            given = scans[scans["scan"].isin(poses["scan"])]
            found = check_positions(poses, scans, implants, file=ours.poses, reference=ours.poses)
            found += against_reference(given, implants, self.settings)
            self.findings += [
                replace(f, what=f.what.replace("the reference", "the other scans"),
                        mend=f.mend.replace("the reference", "the other scans"))
                for f in found
            ]  # fmt: skip
            return
        self.findings += against_reference(scans, implants, self.settings)
        self.findings += check_positions(
            poses,
            scans,
            implants,
            file=self.called.get("poses", ours.poses),
            reference=self.called.get("implants", self.settings.reference.implants),
        )
        self.findings += check_landmarks(
            landmarks, scans, implants, file=self.called.get("landmarks", ours.landmarks)
        )

    def without_planned(self, scans: pd.DataFrame, poses: pd.DataFrame) -> pd.DataFrame:
        """Leave out planned scans that are not made yet; say which."""
        planned = scans["status"] == "planned"
        coming = planned & (scans["file"] == "") & ~scans["scan"].isin(poses["scan"])
        scans, coming = _without_made(scans, coming)
        names = scans.loc[coming, "scan"].tolist()
        file = self.settings.scans.list
        mend = say("findings.write_each_files_name")
        if names and len(names) == len(scans):
            what = say("findings.all_scans_are_planned", names=len(names))
            self.findings.append(fault("no-scans-yet", what, file, mend))
        elif names:
            what = say(
                "findings.of_scans_are_planned", names=len(names), scans=len(scans), few=_few(names)
            )
            drift = self.settings.study.kind == "drift"  # there, the list is never complete
            severity = Severity.NOTE if drift else Severity.WARNING
            self.findings.append(Finding(severity, "scans-planned", what, file, mend))
        made = scans[~coming].reset_index(drop=True)
        made["status"] = made["status"].replace("planned", "ok")
        return made

    def check_files(self, scans: pd.DataFrame, poses: pd.DataFrame) -> None:
        """See that every scan has either a mesh file or positions, and that files exist."""
        with_poses = set(poses["scan"])
        seen: dict[tuple[int, int], str] = {}
        names: dict[str, Nearest] = {}
        for row in records(scans[["scan", "file", "status", "row"]]):
            scan, file = row["scan"], row["file"]
            where = place(self.settings.scans.list, row["row"], "file")
            if row["status"] == "failed":
                continue
            if not file:
                if scan not in with_poses and "poses" not in self.unusable:
                    hint = "name its mesh file, or supply its positions (scans.poses)"
                    what = f'scan "{scan}" has neither a file nor positions'
                    self.findings.append(fault("no-data", what, where, hint))
                continue
            if scan in with_poses:
                what = f'scan "{scan}" has both a file and positions'
                self.findings.append(fault("two-sources", what, where, "keep one of the two"))
            one = self.files.identity(file)
            if one is None:
                full = self._attempt(lambda: self._resolved(file, where))  # noqa: B023
                if full is None:
                    continue
                folder, name = os.path.split(full)
                if folder not in names:
                    names[folder] = Nearest(listed(Path(folder)))
                hint = names[folder](name) if names[folder].known else ""
                if not hint.startswith("did"):
                    hint = "check the name; it is relative to the study folder"
                what = f'there is no file "{file}"'
                self.findings.append(fault("no-file", what, where, hint))
                continue
            if one in seen:
                what = f'"{file}" is also the file of scan "{seen[one]}"'
                self.findings.append(
                    fault("file-twice", what, where, "give every scan a file of its own")
                )
            seen.setdefault(one, scan)
        needs_body = any(
            f and s != "failed" for f, s in zip(scans["file"], scans["status"], strict=True)
        )
        if needs_body and not self.settings.scan_body:
            what = "scans are meshes, but no scan body is described"
            hint = "add [scan_body.default] with mesh = ... or cylinder = {...}"
            self.findings.append(fault("no-scan-body", what, "study.toml", hint))
        if needs_body or scans.empty:  # positions alone need none
            for name, body in self.settings.scan_body.items():
                self._check_named(body.mesh, f"scan_body.{name}.mesh")
        self._check_named(self.settings.reference.surface, "reference.surface")

    def _check_named(self, file: str, key: str) -> None:
        if not file:
            return
        where = place("study.toml", column=key)
        full = self._attempt(lambda: self._resolved(file, where))
        if full is not None and not self.files.is_there(file):
            mend = "check the name; it is relative to the study folder"
            self.findings.append(fault("no-file", f'there is no file "{file}"', where, mend))


def _few(names: list[str]) -> str:
    return ", ".join(names) if len(names) <= 4 else f"{names[0]}, {names[1]}, ... {names[-1]}"


_PLACE = ("model", "device", "technique", "operator", "session", "repeat")


def _without_made(scans: pd.DataFrame, coming: pd.Series) -> tuple[pd.DataFrame, pd.Series]:
    """Drop planned rows whose scan stands in another row: rows are added, never rewritten."""
    columns = [c for c in _PLACE if c in scans]
    if "session" not in columns or "repeat" not in columns or not coming.any():
        return scans, coming
    key = scans[columns].astype(str).agg("\x1f".join, axis=1)
    done = coming & key.isin(set(key[~coming]))
    return scans[~done].reset_index(drop=True), coming[~done].reset_index(drop=True)


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
