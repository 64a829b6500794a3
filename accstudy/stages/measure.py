"""Scans to poses: read, locate, in parallel, and only what changed."""

from __future__ import annotations

import traceback
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from accstudy.errors import AccstudyError, Finding, Severity
from accstudy.stages.references import references_with_scans
from accstudy.stages.steps import Cache, ScanResult, entry_key
from accstudy.stages.workers import each
from accstudy.study.disk import digest
from accstudy.study.files import ChangedFileError, Files
from accstudy.study.load import Study
from accstudy.study.record import json_bytes, program_digest
from accstudy.study.settings import ScanBodySettings
from accstudy.tables import TABLES, csv_bytes, empty, shape
from accstudy.words.catalogue import say

if TYPE_CHECKING:
    from accstudy.locate.drawing import ScanBody
    from accstudy.locate.locate import LocatedScan
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
    from accstudy.locate.drawing import scan_body_from_settings
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
    return Finding(
        Severity.ERROR,
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
