"""What the page to explore shows: every scan's numbers, and thinned surfaces."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd

from accstudy.compare.arch import arch_of
from accstudy.compare.surface import reference_from_scans
from accstudy.errors import MeshError
from accstudy.mesh.model import Mesh
from accstudy.mesh.read import study_mesh
from accstudy.mesh.scene import thin
from accstudy.page.build import PageContent, build_page
from accstudy.reports.cautions import CAUTIONS, UNREFERENCED_CAUTIONS
from accstudy.stages.compare import at_reference_temperature, by_reference
from accstudy.study.load import Study
from accstudy.tables import UNREFERENCED

__all__ = ["make_page"]

_TRIANGLES = 240_000
"""Triangles of all scans together; they share them."""


def make_page(study: Study, tables: dict[str, pd.DataFrame], answer: str) -> bytes:
    """Make the page of a study.

    Parameters
    ----------
    study : Study
        The study.
    tables : dict
        Result tables.
    answer : str
        The report's answer in plain words.

    Returns
    -------
    bytes
        One HTML file.
    """
    alignment = study.settings.analysis.alignment
    pairs, singles = (
        tables[name if name in tables else UNREFERENCED[name]]
        for name in ("pair_deviations", "implant_deviations")
    )
    poses = at_reference_temperature(study, tables["poses"])
    implants: dict[str, pd.DataFrame] = {}
    meshes: dict[str, Mesh] = {}
    for mine, reference in by_reference(study, poses):
        order = arch_of(reference).implants
        implants[str(reference["model"].iloc[0])] = (
            reference.set_index("implant").loc[list(order)].reset_index()
        )
        meshes |= _meshes(study, mine, reference)
    return build_page(
        PageContent(
            title=study.settings.study.title,
            answer=answer,
            cautions=CAUTIONS if study.referenced else UNREFERENCED_CAUTIONS,
            alignment=alignment,
            scans=study.scans,
            pairs=pairs,
            singles=singles[singles["alignment"] == alignment],
            implants=implants,
            meshes=meshes,
            against="the reference" if study.referenced else "the mean of the scans",
            word="deviation" if study.referenced else "difference",
        )
    )


def _meshes(study: Study, poses: pd.DataFrame, reference: pd.DataFrame) -> dict[str, Mesh]:
    analysis = study.settings.analysis
    motions = reference_from_scans(
        poses, reference, alignment=analysis.alignment, datum=analysis.datum
    )
    files = study.usable.set_index("scan")["file"]
    shown = [scan for scan in motions if files.get(scan, "")]
    out = {}
    for scan in shown:
        try:
            mesh = study_mesh(
                study.files, str(files[scan]), length_unit=study.settings.scans.length_unit
            )
        except MeshError:
            continue  # the report names it; the page shows its numbers alone
        small = thin(mesh, min(30_000, _TRIANGLES // len(shown)))
        out[scan] = replace(small, vertices_mm=motions[scan].points(small.vertices_mm))
    return out
