"""All errors of a study, found before anything is computed; and what is missing.

One scan of every model is located on trial, before hours at the bench or at the machine. Where
implants are not found, the usual errors of reference and drawing are tried in their place. The one
with which all implants are found is named; nothing is changed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from accstudy.errors import (
    AccstudyError,
    Finding,
    Severity,
    StudyError,
    fault,
    gravest_first,
    place,
    warning,
)
from accstudy.stages.measure import Job, job_of, locate_one, read_one, started
from accstudy.stages.model_checks import model_faults
from accstudy.stages.references import references_with_scans, suspected_setup
from accstudy.stages.workers import each
from accstudy.study.files import Files
from accstudy.study.load import Study, Surveyed, survey_study
from accstudy.study.settings import Settings
from accstudy.tables import csv_bytes
from accstudy.words.catalogue import choose, say

if TYPE_CHECKING:
    from accstudy.locate.scan_body import ScanBody
    from accstudy.mesh.model import Mesh

_LATIN = 0x180
"""All characters below are in the typeface, so that it need not be opened."""

_NOT_PRINTED = ("file", "excluded", "condition", "cell")


def unprintable_texts(study: Study) -> tuple[Finding, ...]:
    """Warn, once a setting or column, of characters that reports show as question marks."""
    settings = study.settings
    tables = (
        (settings.scans.list, study.scans),
        (settings.reference.implants, study.implants[["model", "implant"]]),
        (settings.drift.events, study.events),
    )
    found = []
    for where, texts in _texts(settings, tables):
        odd = [t for t in texts if any(ord(c) >= _LATIN for c in t)]
        first = next(((t, missing) for t in odd if (missing := _lacking(t))), None)
        if first is not None:
            what = say("findings.cannot_be_printed", text=first[0], missing=" ".join(first[1]))
            found.append(warning("not-printable", what, where, say("findings.use_other_letters")))
    return tuple(found)


def _lacking(text: str) -> str:
    from accstudy.figures.style import lacking  # loads matplotlib

    return lacking(text)


def _texts(
    settings: Settings, tables: Iterable[tuple[str, pd.DataFrame]]
) -> Iterator[tuple[str, list[str]]]:
    """Texts of a study, with their place."""
    for key, value in settings.study:
        yield place("study.toml", column=f"study.{key}"), [value] if isinstance(value, str) else []
    for key, limit in settings.limits:
        source = getattr(limit, "source", "")
        yield place("study.toml", column=f"limits.{key}"), [source]
    for file, rows in tables:
        for name in rows.columns:
            values = rows[name].dropna().unique() if name not in _NOT_PRINTED else ()
            yield place(file, column=str(name)), [v for v in values if isinstance(v, str)]


def split_missing(
    findings: Sequence[Finding],
) -> tuple[tuple[tuple[str, str], ...], tuple[Finding, ...]]:
    """Part what is not there yet from what is wrong.

    The first are steps still to be done, and the place of the first finding that says so, in the
    order in which to do them: reference, scan body, room, scan list, scans, their columns; empty
    when nothing is missing without which the study cannot be computed. The second are the findings
    that the steps do not speak of.
    """
    steps: list[tuple[str, str]] = []
    told: set[Finding] = set()
    needed = False
    for step in _STEPS:
        found = [f for f in findings if _step(f) == step]
        apart: dict[str, list[Finding]] = {}
        for f in found:
            apart.setdefault(_own_line(step, f), []).append(f)
        for own in apart.values():
            what, where = own[0].what, own[0].where
            said = choose(
                "missing.steps", step, file=where.split(":")[0], column=_column(own[0]),
                rows=_rows(own), what=what, named=what.partition('"')[2].partition('"')[0],
            )  # fmt: skip
            steps.append((said, found[0].where))
        told.update(found)
        needed = needed or any(f.severity is Severity.ERROR for f in found)
    if not needed:
        return (), tuple(findings)
    return tuple(steps), tuple(f for f in findings if f not in told)


_STEPS = (
    "no-implants", "no-reference-uncertainty", "named-file", "no-scan-body", "no-temperature",
    "no-scans", "no-scans-yet", "scans-planned", "no-data", "scan-file", "empty-factor",
)  # fmt: skip
"""Codes of findings, files apart by who names them, in the order in which to take the steps."""


def _step(finding: Finding) -> str:
    if finding.code != "no-file":
        return finding.code
    if finding.where.split(":")[0] == "study.toml":
        return "named-file"
    return "scan-file" if _column(finding) == "file" else ""


def _own_line(step: str, finding: Finding) -> str:
    """What a step has a line of its own for."""
    if step == "named-file":
        return finding.what
    return _column(finding) if step == "empty-factor" else ""


def _column(finding: Finding) -> str:
    return finding.where.rsplit(":", 1)[-1]


def _rows(findings: Sequence[Finding]) -> str:
    rows = [f.where.split(":")[1] for f in findings if ":" in f.where]
    if len(rows) < 2:
        return "".join(f"row {row}" for row in rows)
    return f"{len(rows)} rows, from row {rows[0]} on"


_AXIS = ["axis_x", "axis_y", "axis_z"]
_POSITION = ["x_mm", "y_mm", "z_mm"]


Show = Callable[[str, int, int], None]


def check_study(
    path: Path,
    *,
    jobs: int = 1,
    scheduler: str = "",
    allow_outside: bool = False,
    show: Show | None = None,
) -> tuple[Finding, ...]:
    """Read a whole study, its meshes included, and list every finding.

    Parameters
    ----------
    path : Path
        Study folder.
    jobs : int
        Processes for reading the meshes.
    scheduler : str
        Address of a Dask scheduler whose workers read them instead.
    allow_outside : bool
        Whether files may lie outside the study folder.
    show : callable, optional
        Gets a scan, the number done and the number to do.

    Returns
    -------
    tuple of Finding
        The gravest first; nothing is changed.
    """
    try:
        found = survey_study(path, allow_outside=allow_outside)
    except StudyError as error:
        return error.findings
    whole = [
        *found.findings,
        *_drawings(found.files, found.settings),
        *_meshes(found, jobs=jobs, scheduler=scheduler, show=show),
    ]
    faulty = any(f.severity is Severity.ERROR for f in whole)
    if found.study is not None:
        whole += unprintable_texts(found.study)
    if found.study is not None and not (faulty and not found.study.referenced):
        whole += _tried(found.study)
    return gravest_first(dict.fromkeys(whole))


def _tried(study: Study) -> list[Finding]:
    """What models, and one scan of every model on trial, show."""
    try:
        study = started(study)
    except StudyError as error:
        return list(error.findings)
    found = [*study.findings, *model_faults(study)]
    return found + try_scans(study) if study.referenced else found


def findings_csv(findings: tuple[Finding, ...]) -> bytes:
    """Write findings as the rows of findings.csv."""
    return csv_bytes("findings", pd.DataFrame([finding.to_dict() for finding in findings]))


def _meshes(surveyed: Surveyed, *, jobs: int, scheduler: str, show: Show | None) -> list[Finding]:
    """Read every mesh; find faults and the same triangles under two names."""
    if surveyed.scans is None:
        return []
    rows = surveyed.scans[surveyed.scans["status"] != "failed"]
    ours = surveyed.files
    there = np.array([ours.is_there(f) for f in rows["file"]], dtype=bool)
    rows = rows[there].drop_duplicates("file")
    files = rows["file"].tolist()
    unit = surveyed.settings.scans.length_unit
    found: list[Finding] = []
    first: dict[str, str] = {}
    todo = [(ours.only([f]), f, unit) for f in files]
    results = each(_read_one, todo, jobs=jobs, scheduler=scheduler, folder=ours.root)
    for done, (scan, file, row, (findings, digest)) in enumerate(
        zip(rows["scan"], files, rows["row"], results, strict=True), start=1
    ):
        found += findings
        if digest and digest in first:
            found.append(
                fault(
                    "same-scan-twice",
                    say("findings.holds_the_same_triangles", file=file, first=first[digest]),
                    place(surveyed.settings.scans.list, row, "file"),
                    say("findings.a_repeat_must_be"),
                )
            )
        if digest:
            first.setdefault(digest, file)
        if show:
            show(scan, done, len(files))
    return found


def _drawings(files: Files, settings: Settings) -> list[Finding]:
    """Read every scan body, and see that it stands on its platform."""
    from accstudy.locate.scan_body import scan_body_from_settings

    found: list[Finding] = []
    for name, body in settings.scan_body.items():
        where = place("study.toml", column=f"scan_body.{name}")
        if body.mesh and not files.is_there(body.mesh):
            continue
        try:
            read = scan_body_from_settings(name, body, files)
        except AccstudyError as error:
            found += [replace(f, where=f.where or where) for f in error.findings]
            continue
        found += [replace(f, where=f.where or body.mesh) for f in read.mesh.findings]
        above = read.mesh.vertices_mm[:, 2]
        if above.max() < -above.min():
            what = say("findings.most_of_the_scan", above=above.min())
            mend = say("findings.the_axis_must_point")
            found.append(fault("inward-axis", what, where + ".axis", mend))
    return found


def _read_one(given: tuple[Files, str, str]) -> tuple[tuple[Finding, ...], str]:
    """Findings of one mesh and the digest of its triangles; empty when it cannot be read."""
    from accstudy.mesh.read import study_mesh, triangle_digest

    files, file, unit = given
    try:
        mesh = study_mesh(files, file, length_unit=unit)
    except AccstudyError as error:
        return tuple(replace(f, where=f.where or file) for f in error.findings), ""
    return tuple(replace(f, where=f.where or file) for f in mesh.findings), triangle_digest(mesh)


def try_scans(study: Study) -> list[Finding]:
    """Locate the first usable scan of every model; findings state why it fails.

    Errors of reference or drawing that explain why implants are not found, or why all of them lie
    off in the same way; a warning where nothing tried explains it. Empty where the trial succeeds.
    """
    found: list[Finding] = []
    for reference, names in references_with_scans(study):
        mine = study.usable[study.usable["scan"].isin(names) & (study.usable["file"] != "")]
        if mine.empty:
            continue
        job = job_of(study, mine.to_dict("records")[0], reference)
        try:
            mesh, bodies = read_one(job)
        except AccstudyError:
            continue  # said where files are checked
        poses = _located(job, mesh, bodies)
        if len(poses) == len(reference):
            found += suspected_setup(study, poses)
            continue
        finding = _explained(job, mesh, bodies, study.settings.reference.implants, len(poses))
        found.append(finding or _unexplained(job, poses))
    return list(dict.fromkeys(found))


def _unexplained(job: Job, poses: pd.DataFrame) -> Finding:
    """A warning that names the implants that were not found."""
    names = job.reference["implant"].astype(str).tolist()
    seen = set(poses["implant"].astype(str)) if len(poses) else set()
    what = say(
        "findings.the_trial_scan_shows",
        file=job.file,
        before=len(poses),
        n=len(names),
        model=str(job.reference["model"].iloc[0]),
        missing=", ".join(name for name in names if name not in seen),
    )
    mend = say("findings.check_their_reference")
    return Finding(Severity.WARNING, "implants-not-found", what, job.file, mend)


def _located(job: Job, mesh: Mesh, bodies: Mapping[str, ScanBody]) -> pd.DataFrame:
    """Poses of the implants that were found; none where the scan is refused."""
    try:
        poses = locate_one(job, mesh, bodies).poses
    except AccstudyError:
        return pd.DataFrame()
    return poses[(poses["status"] == "ok") & poses[_POSITION].notna().all(axis=1)]


@dataclass(frozen=True, slots=True)
class _Hypothesis:
    """Reference and drawings as they may be meant, and how to say so."""

    code: str
    clause: str
    hint: str
    where: str
    reference: pd.DataFrame
    bodies: Mapping[str, ScanBody]


def _explained(
    job: Job, mesh: Mesh, bodies: Mapping[str, ScanBody], file: str, before: int
) -> Finding | None:
    model, n = str(job.reference["model"].iloc[0]), len(job.reference)
    for guess in _hypotheses(job.reference, bodies, file):
        if len(_located(replace(job, reference=guess.reference), mesh, guess.bodies)) == n:
            what = say(
                "findings.shows_of_the_implants",
                file=job.file,
                before=before,
                n=n,
                model=model,
                clause=guess.clause,
            )
            return fault(guess.code, what, guess.where, guess.hint)
    return None


def _hypotheses(
    reference: pd.DataFrame, bodies: Mapping[str, ScanBody], file: str
) -> Iterator[_Hypothesis]:
    """The usual errors, the most frequent first."""
    reversed_axes = reference.assign(**{c: -reference[c] for c in _AXIS})
    heights = {k: float(b.mesh.vertices_mm[:, 2].max()) for k, b in bodies.items()}
    tallest = max(heights.values(), default=0.0)
    height = reference["scan_body"].map(heights).fillna(tallest).to_numpy(float)[:, None]

    def lowered(rows: pd.DataFrame) -> pd.DataFrame:
        lower = rows[_POSITION].to_numpy(float) - height * rows[_AXIS].to_numpy(float)
        return rows.assign(**dict(zip(_POSITION, lower.T, strict=True)))

    inward = "axes must point out of the bone: change the sign of all axes"
    tops = (
        f"write height_mm = {tallest:.2f} below [reference] in study.toml (in addition to a height "
        "given there), or give the platform centres, that much lower along the axes"
    )
    at_axis, at_point = place(file, column="axis_x"), place(file, column="x_mm")
    yield _Hypothesis(
        "inward-axis", "if the axes are reversed", inward, at_axis, reversed_axes, bodies
    )
    clause = "if the reference gives the tops of the scan bodies"
    code = "tops-as-platforms"
    yield _Hypothesis(code, clause, tops, at_point, lowered(reference), bodies)
    yield _Hypothesis(
        code,
        f"{clause} and reversed axes",
        f"{tops}; {inward}",
        at_point,
        lowered(reversed_axes),
        bodies,
    )
    turned = {
        name: replace(body, mesh=replace(body.mesh, vertices_mm=_upside_down(body)))
        for name, body in bodies.items()
    }
    yield _Hypothesis(
        "inward-axis",
        "if the CAD geometry is upside down",
        "change the sign of axis, and give the platform at the other end as origin_mm",
        place("study.toml", column="scan_body"),
        reference,
        turned,
    )


def _upside_down(body: ScanBody) -> np.ndarray:
    """Turn a drawing about its x axis so that its top becomes its platform."""
    top = float(body.mesh.vertices_mm[:, 2].max())
    turned: np.ndarray = body.mesh.vertices_mm * [1.0, -1.0, -1.0] + [0.0, 0.0, top]
    return turned
