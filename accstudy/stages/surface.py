"""Scanned surfaces against the reference surface, where a study brings one."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from accstudy.compare.surface import (
    ReferenceSurface,
    reference_from_scans,
    reference_surface,
    surface_deviation,
    surface_fields,
    surface_scans_table,
    surface_table,
)
from accstudy.errors import Finding, MeshError, Severity, place
from accstudy.mesh.read import study_mesh
from accstudy.stages.compare import by_reference, temperature_factors
from accstudy.study.load import Study
from accstudy.tables import shape
from accstudy.words.catalogue import say

__all__ = ["surface_tables"]


def surface_tables(
    study: Study, poses: pd.DataFrame
) -> tuple[dict[str, pd.DataFrame], tuple[Finding, ...]]:
    """Compare every scanned surface with the reference surface.

    Parameters
    ----------
    study : Study
        The study; without ``reference.surface`` there is nothing to do.
    poses : DataFrame
        Table ``poses`` at the reference's temperature, usable scans only.

    Returns
    -------
    tables : dict
        ``surface`` (a row a condition), ``surface_scans`` (a row a scan) and
        ``surface_vertices`` (a row a condition and vertex).
    findings : tuple of Finding
        Scans that could not be compared; a study of several models, which one
        surface cannot serve.
    """
    file = study.settings.reference.surface
    meshes = study.usable[study.usable["file"] != ""]
    if not file or meshes.empty:
        return {}, ()
    models = meshes["model"].unique()
    if len(models) > 1:
        what = say("findings.one_reference_surface_cannot", models=len(models))
        where = place("study.toml", column="reference.surface")
        return {}, (Finding(Severity.WARNING, "surface-models", what, where),)
    unit = study.settings.reference.length_unit
    surface = reference_surface(study_mesh(study.files, file, length_unit=unit))
    findings: list[Finding] = []
    scans: list[pd.DataFrame] = []

    def noted() -> Iterator[tuple[str, str, NDArray[np.float64]]]:
        """Make a row of every scan as it passes, so that no scan's array is kept."""
        for one in _deviations(study, poses, surface, findings):
            scans.append(surface_scans_table([one], surface, model=str(models[0])))
            yield one

    fields = surface_fields(noted())
    if not fields:
        return {}, tuple(findings)
    vertices = [_vertices(surface, f.condition, f.n, f.mean_um, f.sd_um) for f in fields]
    tables = {
        "surface": surface_table(fields, surface, model=str(models[0])),
        "surface_scans": pd.concat(scans, ignore_index=True),
        "surface_vertices": shape("surface_vertices", pd.concat(vertices, ignore_index=True)),
    }
    return tables, tuple(findings)


def _deviations(
    study: Study,
    poses: pd.DataFrame,
    surface: ReferenceSurface,
    findings: list[Finding],
) -> Iterator[tuple[str, str, NDArray[np.float64]]]:
    analysis = study.settings.analysis
    factor = temperature_factors(study)
    rows = study.usable.set_index("scan")
    for mine, reference in by_reference(study, poses):
        motions = reference_from_scans(
            mine, reference, alignment=analysis.alignment, datum=analysis.datum
        )
        for scan in dict.fromkeys(mine["scan"]):
            file = str(rows.loc[scan, "file"])
            if not file:
                continue
            if scan not in motions:
                what = say("findings.scan_cannot_be_aligned", scan=scan)
                findings.append(Finding(Severity.WARNING, "surface-not-aligned", what, file))
                continue
            motion = motions[scan]
            try:
                mesh = study_mesh(study.files, file, length_unit=study.settings.scans.length_unit)
            except MeshError as error:
                findings += error.findings
                continue
            deviation = surface_deviation(mesh, motion, surface, scale=float(factor[scan]))
            yield str(rows.loc[scan, "condition"]), scan, deviation


def _vertices(
    surface: ReferenceSurface,
    condition: str,
    n: NDArray[np.int32],
    mean_um: NDArray[np.float64],
    sd_um: NDArray[np.float64],
) -> pd.DataFrame:
    x, y, z = surface.mesh.vertices_mm.T
    return pd.DataFrame(
        {
            "condition": condition,
            "vertex": np.arange(len(x)),
            "x_mm": x,
            "y_mm": y,
            "z_mm": z,
            "n_scans": n,
            "mean_um": mean_um,
            "sd_um": sd_um,
        }
    )
