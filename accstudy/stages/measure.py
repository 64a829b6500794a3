"""Scans to poses, in parallel, and only what changed; bodies of studies without a reference."""

from __future__ import annotations

import io
import traceback
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from accstudy.compare.arch import arch_of
from accstudy.errors import AccstudyError, Finding, Severity, StudyError, fault, place
from accstudy.stages.references import references_with_scans
from accstudy.stages.steps import Cache, ScanResult, entry_key
from accstudy.stages.workers import each
from accstudy.study.checks import against_reference
from accstudy.study.files import ChangedFileError, Files, digest
from accstudy.study.implants import SKETCHED, with_angulation
from accstudy.study.load import Study
from accstudy.study.record import json_bytes, program_digest
from accstudy.study.settings import ScanBodySettings
from accstudy.tables import TABLES, csv_bytes, empty, read_csv, shape
from accstudy.words.catalogue import say

if TYPE_CHECKING:
    from accstudy.locate.locate import FoundBodies, LocatedScan
    from accstudy.locate.scan_body import ScanBody
    from accstudy.mesh.model import Mesh

ROOMS = ("geometry", "mesh", "locate", "words")
"""Rooms that poses, and what is said of them, depend on."""

_FAILED = "locating-failed"

Show = Callable[[str, int, int], None]

_UNCERTAINTY = ("u_position_um", "u_axis_deg", "U_position_um", "k")


@dataclass(frozen=True, slots=True)
class Measured:
    """Table ``poses``, scans in the order of the list, and what became of the scans.

    ``parts`` are the digests of what the poses of every mesh scan depend on; ``measured`` are the
    scans of this run (the others were up to date), ``left_out`` those that could not be used.
    """

    poses: pd.DataFrame
    parts: dict[str, dict[str, str]]
    measured: tuple[str, ...]
    left_out: tuple[str, ...]
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True)
class Job:
    """One scan to measure; small enough to be sent to a worker process.

    ``reference`` are the rows of table ``implants`` of its model, ``bodies`` scan bodies as
    study.toml describes them, ``files`` the digests of the scan and of the drawings.
    """

    scan: str
    file: str
    length_unit: str
    reference: pd.DataFrame
    bodies: Mapping[str, ScanBodySettings]
    files: Files
    landmarks: pd.DataFrame | None


def scan_parts(study: Study) -> dict[str, dict[str, str]]:
    """Digests of everything that the poses of each mesh scan depend on.

    Its file, the scan bodies with their settings, the reference rows of its model, its landmarks,
    the length unit, and the program that locates.
    """
    body_digest = digest(json_bytes(body_parts(study)))
    names = [n for n in TABLES["implants"].names if n not in _UNCERTAINTY]
    reference_digest: dict[str, str] = {}
    for reference, scans in references_with_scans(study):
        text = digest(csv_bytes("implants", reference[names]))
        reference_digest |= dict.fromkeys(scans, text)
    parts = {}
    for row in _mesh_scans(study):
        landmarks = _landmarks_for(study, row["scan"])
        parts[row["scan"]] = {
            "program": program_digest(*ROOMS),
            "file": study.files.digest(row["file"]),
            "scan body": body_digest,
            "reference": reference_digest[row["scan"]],
            "length unit": study.settings.scans.length_unit,
            "landmarks": "" if landmarks is None else digest(csv_bytes("landmarks", landmarks)),
        }
    return parts


def body_parts(study: Study) -> dict[str, Any]:
    """The scan bodies with their settings and the digests of their CAD geometry."""
    bodies: dict[str, Any] = {}
    for name, body in study.bodies.items():
        bodies[name] = body.model_dump(mode="json")
        if body.mesh:
            bodies[name]["digest"] = study.files.digest(body.mesh)
    return bodies


def measure_scans(
    study: Study,
    *,
    cache: Cache | None = None,
    known: Mapping[str, ScanResult] | None = None,
    jobs: int = 1,
    scheduler: str = "",
    show: Show | None = None,
) -> Measured:
    """Find every implant in every scan that is not in the cache, scan by scan.

    New results are added to the cache one by one, so that an interrupted run goes on where it
    stopped; scans of `known` are not measured, whatever has changed. The result depends neither on
    `jobs`, the number of processes, nor on `scheduler`, the address of a Dask cluster that measures
    instead. `show` is called with a scan, the number done and the number to do; an error if a file
    changed while it was used.
    """
    parts = scan_parts(study)
    keys = {scan: entry_key(scan, found) for scan, found in parts.items()}
    reference = {scan: rows for rows, scans in references_with_scans(study) for scan in scans}
    results = dict(known or {})
    asked = [row for row in _mesh_scans(study) if row["scan"] not in results]
    results |= cache.get({row["scan"]: keys[row["scan"]] for row in asked}) if cache else {}
    todo = [
        job_of(study, row, reference[row["scan"]]) for row in asked if row["scan"] not in results
    ]
    work = each(_measure_one, todo, jobs=jobs, scheduler=scheduler, folder=study.path)
    for done, (job, result) in enumerate(zip(todo, work, strict=True), start=1):
        results[job.scan] = result
        if cache and not any(f.code == _FAILED for f in result.findings):
            cache.put(keys[job.scan], result)
        if show:
            show(job.scan, done, len(todo))
    return assembled(study, results, parts=parts, measured=tuple(job.scan for job in todo))


def assembled(
    study: Study,
    results: Mapping[str, ScanResult],
    *,
    parts: dict[str, dict[str, str]],
    measured: tuple[str, ...] = (),
) -> Measured:
    """Put results of mesh scans and positions that are given together.

    `parts` is what they depend on (`scan_parts`); `measured` the scans that were measured just now.
    """
    rows = {scan: result.poses for scan, result in results.items()}
    for name, group in study.given_poses.groupby("scan"):
        rows[str(name)] = group.assign(status=group["status"].replace("", "ok"))
    frames = [rows[s] for s in study.measurable["scan"] if s in rows and len(rows[s])]
    poses = shape("poses", pd.concat(frames, ignore_index=True) if frames else pd.DataFrame())
    seen = set(poses.loc[poses["x_mm"].notna(), "scan"])
    told = (f for s in study.scans["scan"] if s in results for f in results[s].findings)
    return Measured(
        poses=poses,
        parts=parts,
        measured=measured,
        left_out=tuple(s for s in study.measurable["scan"] if s not in seen),
        findings=tuple(dict.fromkeys(told)),  # what is said of a drawing is said once
    )


def _mesh_scans(study: Study) -> list[dict[str, Any]]:
    rows = study.measurable[study.measurable["file"] != ""]
    return [{str(k): v for k, v in row.items()} for row in rows.to_dict("records")]


def _landmarks_for(study: Study, scan: str) -> pd.DataFrame | None:
    rows = study.landmarks[study.landmarks["scan"] == scan]
    return rows.reset_index(drop=True) if len(rows) else None


def job_of(study: Study, row: Mapping[Any, Any], reference: pd.DataFrame) -> Job:
    """Describe one scan to measure, a row of the scan list."""
    drawings = [body.mesh for body in study.settings.scan_body.values() if body.mesh]
    return Job(
        scan=row["scan"],
        file=row["file"],
        length_unit=study.settings.scans.length_unit,
        reference=reference,
        bodies=study.settings.scan_body,
        files=study.files.only([row["file"], *drawings]),
        landmarks=_landmarks_for(study, row["scan"]),
    )


def read_one(job: Job) -> tuple[Mesh, dict[str, ScanBody]]:
    """Read one scan and the CAD geometry of the scan bodies."""
    from accstudy.locate.scan_body import scan_body_from_settings
    from accstudy.mesh.read import study_mesh

    bodies = {n: scan_body_from_settings(n, body, job.files) for n, body in job.bodies.items()}
    return study_mesh(job.files, job.file, length_unit=job.length_unit), bodies


def locate_one(job: Job, mesh: Mesh, bodies: Mapping[str, ScanBody]) -> LocatedScan:
    """Find the implants of one scan; errors as of `locate_scan`."""
    from accstudy.locate.locate import locate_scan

    return locate_scan(
        mesh, reference=job.reference, bodies=bodies, scan=job.scan, landmarks=job.landmarks
    )


def _measure_one(job: Job) -> ScanResult:
    """Read and locate one scan; a scan that cannot be used gives findings, no rows."""
    try:
        mesh, bodies = read_one(job)
        located = locate_one(job, mesh, bodies)
    except ChangedFileError:
        raise  # what would be recorded is not what was read
    except AccstudyError as error:
        findings = (replace(f, severity=Severity.ERROR) for f in error.findings)
        return ScanResult(empty("poses"), tuple(_placed(f, job) for f in findings))
    except MemoryError:
        raise  # of the machine, not of the scan
    except Exception as error:  # whatever one scan does must not cost the others
        return ScanResult(empty("poses"), (_placed(_failure(error), job),))
    told = {finding.code for finding in located.findings}
    found = (*(f for f in mesh.findings if f.code not in told), *located.findings)
    return ScanResult(located.poses, tuple(_placed(f, job) for f in found))


def _failure(error: Exception) -> Finding:
    """What is said of a scan that the program could not cope with."""
    place = traceback.extract_tb(error.__traceback__)[-1]
    return fault(
        _FAILED,
        say(
            "findings.locating_failed_line",
            name=type(error).__name__,
            error=error,
            name_2=Path(place.filename).name,
            lineno=place.lineno,
        ),
        mend=say("findings.this_is_a_bug"),
    )


def _placed(finding: Finding, job: Job) -> Finding:
    return finding if finding.where else replace(finding, where=job.file)


_LOOKED_AT = 4
_AT_MOST = 12


def started(study: Study, *, cache: Cache | None = None) -> Study:
    """Find out what every model looks like whose scans are meshes, unless there is a reference.

    `Study.implants` is completed by rows of one scan a model, in its own frame. They serve to find
    the implants in the other scans, and are no result. An error for every model in none of whose
    scans two bodies are found that another scan shows, too, or whose sketch does not fit them, and
    for datum implants that no model has.
    """
    if study.referenced:
        return study
    todo = list(_models(study))
    faults: list[Finding] = []
    parts, notes = [study.implants], list(study.findings)
    for model, rows in todo:
        key = _key(study, model, rows)
        known = cache.get({model: key}) if cache else {}
        try:
            result = known.get(model) or _first_good(study, model, rows)
        except StudyError as error:
            faults += error.findings
            continue
        if cache and model not in known:
            cache.put(key, result)
        parts.append(_implants(study, model, result.poses))
        notes += result.findings
    implants = pd.concat(parts, ignore_index=True) if todo else study.implants
    if todo and not faults:  # names of datum implants could not be held against anything so far
        faults += against_reference(study.scans, implants, study.settings)
    if faults:
        raise StudyError(faults)
    return replace(study, implants=implants, findings=tuple(notes))


def start_keys(study: Study) -> list[str]:
    """Names under which a cache keeps what `started` has still to find."""
    return [] if study.referenced else [_key(study, m, rows) for m, rows in _models(study)]


def _models(study: Study) -> Iterator[tuple[str, pd.DataFrame]]:
    """Models whose arrangement no positions show, with their usable mesh scans."""
    known = set(study.implants.loc[study.implants["x_mm"].notna(), "model"])
    meshes = study.usable[study.usable["file"] != ""]
    for model in dict.fromkeys(meshes["model"].astype(str)):
        if model not in known:
            yield model, meshes[meshes["model"] == model].head(_AT_MOST)


def _key(study: Study, model: str, rows: pd.DataFrame) -> str:
    sketch = study.sketch[study.sketch["model"] == model]
    return digest(
        json_bytes(
            {
                "program": program_digest(*ROOMS, "compare"),
                "files": [study.files.digest(f) for f in rows["file"]],
                "bodies": body_parts(study),
                "sketch": csv_bytes("sketch", sketch).decode(),
                "length unit": study.settings.scans.length_unit,
                "start": 1,
            }
        )
    )


def _first_good(study: Study, model: str, rows: pd.DataFrame) -> ScanResult:
    """Bodies of the first scan that shows as many as any other one looked at."""
    from accstudy.locate.locate import find_bodies, seen_again
    from accstudy.locate.scan_body import scan_body_from_settings
    from accstudy.mesh.read import study_mesh

    bodies = {n: scan_body_from_settings(n, b, study.files) for n, b in study.bodies.items()}
    unit = study.settings.scans.length_unit
    sketch = study.sketch[study.sketch["model"] == model].reset_index(drop=True)
    looked: list[tuple[str, FoundBodies]] = []
    for row in rows.to_dict("records"):
        try:
            mesh = study_mesh(study.files, str(row["file"]), length_unit=unit)
            found = find_bodies(mesh, bodies)
        except AccstudyError:
            continue  # measuring will name the scan's own fault
        if len(found.kinds) < 2:
            continue
        looked.append((str(row["scan"]), found))
        kept = [seen_again(f, [g for _, g in looked if g is not f]) for _, f in looked]
        whole = [len(k) for k, (_, f) in zip(kept, looked, strict=True)]
        agree = len(looked) > 1 and min(whole) == max(len(f.kinds) for _, f in looked)
        if agree or len(looked) == _LOOKED_AT:
            break
    if len(looked) < 2 or max(whole) < 2:
        raise StudyError([_nothing(model, rows, len(looked))])
    best = int(np.argmax(whole))  # the first of those that show most
    scan, found = looked[best]
    mine = found.of(kept[best])
    order, names, notes = _named(model, scan, mine, sketch, study)
    # a cache finds its tables by their scan: here a model takes its place
    named = csv_bytes("poses", _poses(model, model, mine.of(order), names))
    # as a file gives it back, so that nothing depends on whether it was kept
    return ScanResult(read_csv("poses", io.BytesIO(named)), tuple(notes))


def _nothing(model: str, rows: pd.DataFrame, n: int) -> Finding:
    looked = f"{n} of the first {len(rows)} scans show at least two scan bodies"
    return fault(
        "no-arrangement",
        say("findings.the_arrangement_of_implants", model=model, looked=looked),
        place("study.toml", column="scan_body"),
        say("findings.check_the_cad_geometry"),
    )


def _named(
    model: str, scan: str, found: FoundBodies, sketch: pd.DataFrame, study: Study
) -> tuple[list[int], list[str], list[Finding]]:
    """Order and names of the bodies: those of the sketch, or numbers along the arch."""
    from accstudy.locate.locate import match_sketch

    n = len(found.kinds)
    said = f'model "{model}": {n} scan bodies were found in scan "{scan}" and in another scan'
    if len(sketch):
        match = match_sketch(found, sketch)
        where = place(study.settings.reference.sketch, int(sketch["row"].iloc[0]))
        if match.mirrored or not match.fits:
            raise StudyError([_misfit(model, scan, n, sketch, match.off_mm, match.mirrored, where)])
        names = [str(name) for name in sketch["implant"]]
        notes = [_learned(f"{said}, named by the sketch ({match.off_mm:.1f} mm off at most)")]
        if match.rival:
            notes.append(
                Finding(
                    Severity.WARNING,
                    "sketch-ambiguous",
                    say("findings.the_sketch_of_model", model=model),
                    where,
                    say("findings.give_the_positions_of"),
                )
            )
        return list(match.bodies), names, notes
    start = _poses(scan, model, found, [str(k) for k in range(n)])
    rows = shape("implants", start)
    arch = arch_of(rows.assign(angulation_deg=np.nan))
    order = [int(name) for name in arch.implants]
    if arch.outward_known and _clockwise(arch.positions_mm, arch.common_axis):
        order = order[::-1]
    names = [f"I{k + 1}" for k in range(n)]
    how = "numbered along the arch, counter-clockwise seen from above"
    if not arch.outward_known:
        how = "numbered along their row, from either end"
    return order, names, [_learned(f"{said}, {how}: {', '.join(names)}")]


def _clockwise(points: np.ndarray, up: np.ndarray) -> bool:
    """Whether the way along the arch turns clockwise for who looks down at the axes."""
    chord = points[-1] - points[0]
    bulge = (points[1:-1] - points[0]).sum(axis=0)
    return bool(np.cross(chord, bulge) @ up > 0)


def _learned(what: str) -> Finding:
    mend = say("findings.to_choose_the_names")
    return Finding(Severity.NOTE, "arrangement-learned", what, "", mend)


def _misfit(
    model: str, scan: str, n: int, sketch: pd.DataFrame, off_mm: float, mirrored: bool, where: str
) -> Finding:
    if mirrored:
        what = say("findings.the_sketch_of_model_2", model=model, scan=scan)
        return fault("sketch-mirrored", what, where,
            say('findings.the_sketch_must_show'),
        )  # fmt: skip
    if n < len(sketch):
        what = say(
            "findings.the_sketch_of_model_3", model=model, sketch=len(sketch), n=n, scan=scan
        )
        mend = say("findings.remove_implants_without_a")
    else:
        what = say("findings.the_sketch_of_model_4", model=model, off_mm=off_mm, scan=scan)
        mend = say("findings.correct_the_positions_an")
    return fault("sketch-differs", what, where, mend)


def _poses(scan: str, model: str, found: FoundBodies, names: list[str]) -> pd.DataFrame:
    """Named bodies as rows of table ``poses``; ``note`` is the kind of scan body."""
    frame = pd.DataFrame({"scan": scan, "model": model, "implant": names, "note": found.kinds})
    for pattern, values in (
        ("{}_mm", found.points_mm), ("axis_{}", found.axes), ("flat_{}", found.flats),
    ):  # fmt: skip
        for k, c in enumerate("xyz"):
            frame[pattern.format(c)] = values[:, k]
    return shape("poses", frame.assign(status="ok"))


def _implants(study: Study, model: str, poses: pd.DataFrame) -> pd.DataFrame:
    """The named bodies in the shape of table ``implants``."""
    rows = shape("implants", poses.assign(scan_body=poses["note"]))
    known = study.sketch[study.sketch["model"] == model].set_index("implant")
    for column in SKETCHED:
        if column in known and column != "scan_body":
            rows[column] = rows["implant"].map(known[column])
    rows = shape("implants", rows).assign(row=range(2, len(rows) + 2))
    return with_angulation(rows, None)
