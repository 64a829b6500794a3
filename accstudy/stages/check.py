"""Everything that can be wrong with a study, found before anything is computed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from accstudy.errors import AccstudyError, Finding, Severity, StudyError, gravest_first, place
from accstudy.stages.model_checks import model_faults
from accstudy.stages.start import started
from accstudy.stages.trial import try_scans
from accstudy.stages.workers import each
from accstudy.study.files import Files
from accstudy.study.load import Study, Surveyed, survey_study
from accstudy.study.settings import Settings
from accstudy.tables import csv_bytes
from accstudy.words.catalogue import say

__all__ = ["check_study", "findings_csv"]

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
                Finding(
                    Severity.ERROR,
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
    from accstudy.locate.drawing import scan_body_from_settings

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
            found.append(Finding(Severity.ERROR, "inward-axis", what, where + ".axis", mend))
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
