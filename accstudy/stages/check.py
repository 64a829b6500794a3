"""Everything that can be wrong with a study, found before anything is computed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pandas as pd

from accstudy.errors import AccstudyError, Finding, Severity, StudyError, gravest_first, place
from accstudy.stages.workers import each
from accstudy.study.checks import conditions_of_scanning
from accstudy.study.load import Study, load_study, resolve
from accstudy.study.toml import read_settings
from accstudy.tables import csv_bytes

__all__ = ["check_study", "findings_csv"]

Show = Callable[[str, int, int], None]


def check_study(
    path: Path, *, jobs: int = 1, allow_outside: bool = False, show: Show | None = None
) -> tuple[Finding, ...]:
    """Read a whole study, its meshes included, and list every finding.

    Parameters
    ----------
    path : Path
        Study folder.
    jobs : int
        Processes for reading the meshes.
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
        study = load_study(path, allow_outside=allow_outside)
    except StudyError as error:
        return (*error.findings, *_not_given(path))
    return gravest_first([*study.findings, *_meshes(study, jobs, allow_outside, show)])


def _not_given(path: Path) -> list[Finding]:
    """Warnings of a study that is at fault elsewhere."""
    try:
        return conditions_of_scanning(read_settings(path / "study.toml"))
    except StudyError:
        return []


def findings_csv(findings: tuple[Finding, ...]) -> bytes:
    """Write findings as the rows of findings.csv."""
    return csv_bytes("findings", pd.DataFrame([finding.to_dict() for finding in findings]))


def _meshes(study: Study, jobs: int, allow_outside: bool, show: Show | None) -> list[Finding]:
    """Read every mesh; find faults and the same triangles under two names."""
    rows = study.scans[(study.scans["file"] != "") & (study.scans["status"] != "failed")]
    files = rows["file"].tolist()
    unit = study.settings.scans.length_unit
    paths = [resolve(study.path, file, allow_outside=allow_outside) for file in files]
    found: list[Finding] = []
    first: dict[str, str] = {}
    results = each(_read_one, [(p, f, unit) for p, f in zip(paths, files, strict=True)], jobs)
    for done, (scan, file, row, (findings, digest)) in enumerate(
        zip(rows["scan"], files, rows["row"], results, strict=True), start=1
    ):
        found += findings
        if digest and digest in first:
            found.append(
                Finding(
                    Severity.ERROR,
                    "same-scan-twice",
                    f'"{file}" holds the same triangles as "{first[digest]}"',
                    place(study.settings.scans.list, row, "file"),
                    "a repeat is a new scan; remove one of the two rows",
                )
            )
        if digest:
            first.setdefault(digest, file)
        if show:
            show(scan, done, len(files))
    return found


def _read_one(given: tuple[Path, str, str]) -> tuple[tuple[Finding, ...], str]:
    """Findings of one mesh and the digest of its triangles; empty when it cannot be read."""
    from accstudy.mesh.read import read_mesh, triangle_digest

    path, file, unit = given
    try:
        mesh = read_mesh(path, length_unit=unit, name=file)
    except AccstudyError as error:
        return tuple(replace(f, where=f.where or file) for f in error.findings), ""
    return tuple(replace(f, where=f.where or file) for f in mesh.findings), triangle_digest(mesh)
