"""Poses and surfaces against the reference valid on the day of the scan, at its temperature."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from accstudy.compare.deviations import (
    CommonError,
    common_body_errors,
    implant_deviations,
    pair_deviations,
)
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
from accstudy.geometry.rigid import frame_from_axis, rotation_vector
from accstudy.mesh.read import study_mesh
from accstudy.stages.references import references_with_scans
from accstudy.study.load import Study, scan_temperatures
from accstudy.study.settings import ScanBodySettings
from accstudy.tables import shape
from accstudy.words.catalogue import say


def by_reference(study: Study, poses: pd.DataFrame) -> Iterator[tuple[pd.DataFrame, pd.DataFrame]]:
    """Part poses by model and by the reference (rows of table ``implants``) that held on their
    days.
    """
    for reference, scans in references_with_scans(study):
        mine = poses[poses["scan"].isin(scans)]
        if len(mine):
            yield mine, reference


def deviations(study: Study, poses: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Compare every scan with the reference valid on its day.

    Parameters
    ----------
    study : Study
        The study.
    poses : DataFrame
        Table ``poses``, at the reference's temperature.

    Returns
    -------
    pairs, singles : DataFrame
        Tables ``pair_deviations`` and ``implant_deviations`` with the scans'
        factor columns, in the order of the scan list.
    """
    datum = study.settings.analysis.datum
    pairs, singles = [], []
    for mine, reference in by_reference(study, poses):
        pairs.append(pair_deviations(mine, reference))
        singles.append(implant_deviations(mine, reference, datum=datum))
    return (
        with_factors("pair_deviations", pairs, study),
        with_factors("implant_deviations", singles, study),
    )


def suspected_setup(study: Study, poses: pd.DataFrame) -> list[Finding]:
    """Warn of an origin or flat of a scan body that explains the bias of all implants.

    A warning for each scan body and kind of error, with what to change. Nothing is changed by the
    program.
    """
    found: dict[tuple[str, str], Finding] = {}
    for mine, reference in by_reference(study, poses):
        bodies = reference["scan_body"].fillna("").unique()
        if len(bodies) != 1:
            continue
        meshes = study.scans.loc[study.scans["scan"].isin(mine["scan"]), "file"] != ""
        name = str(bodies[0]) or "default"
        if name not in study.bodies and len(study.bodies) == 1:
            name = next(iter(study.bodies))
        body = study.bodies.get(name) if meshes.all() else None
        for error in common_body_errors(mine, reference):
            key = (name, error.kind)
            found.setdefault(key, _setup_finding(error, name, body, study))
    return list(found.values())


def _setup_finding(
    error: CommonError, name: str, body: ScanBodySettings | None, study: Study
) -> Finding:
    key = "flat" if error.kind == "rotation" else "origin_mm"
    where = (
        place("study.toml", column=f"scan_body.{name}.{key}")
        if body
        else study.settings.scans.poses or study.settings.scans.list
    )
    if error.kind == "rotation":
        what = say("findings.all_implants_appear_rotated", rotation_deg=error.rotation_deg)
    else:
        x, y, z = error.offset_mm
        size = (
            f"{z:+.2f} mm along its axis"
            if error.kind == "axial"
            else f"({x:+.2f}, {y:+.2f}, {z:+.2f}) mm in its own frame"
        )
        what = say(
            "findings.an_error_of_in", size=size, before_um=error.before_um, after_um=error.after_um
        )
    return Finding(Severity.WARNING, "scan-body-origin", what, where, _setup_hint(error, body))


def _setup_hint(error: CommonError, body: ScanBodySettings | None) -> str:
    """What to write, and how to make sure that it is right."""
    sure = "if the CAD geometry confirms it"
    if body is None or (error.kind == "offset" and body.flat is None):
        return f"check which point of the implant the positions refer to; correct them {sure}"
    frame = frame_from_axis(body.axis, body.flat)
    if error.kind == "rotation":
        flat = rotation_vector(-np.radians(error.rotation_deg) * frame[:, 2]) @ frame[:, 0]
        return f"write flat = [{', '.join(f'{v:.4f}' for v in flat)}] {sure}"
    origin = np.asarray(body.origin_mm) - frame @ error.offset_mm
    return f"write origin_mm = [{', '.join(f'{v:.3f}' for v in origin)}] {sure}"


def temperature_factors(study: Study) -> pd.Series:
    """Factors that bring lengths of scans to the temperature of the reference; 1 where not known.

    Column ``temperature_c`` of the scan list counts before ``scans.temperature_c``.
    """
    at = scan_temperatures(study.scans, everywhere=study.settings.scans.temperature_c)
    warmer = (at - study.settings.reference.temperature_c).fillna(0.0)
    return 1.0 / (1.0 + (study.settings.scans.expansion_per_k or 0.0) * warmer)


def at_reference_temperature(study: Study, poses: pd.DataFrame) -> pd.DataFrame:
    """Bring the lengths of the scans to the reference temperature (`temperature_factors`)."""
    if not study.settings.scans.expansion_per_k:
        return poses
    factor = poses["scan"].map(temperature_factors(study)).to_numpy(float)
    out = poses.copy()
    out[["x_mm", "y_mm", "z_mm"]] = poses[["x_mm", "y_mm", "z_mm"]].mul(factor, axis=0)
    return out


def with_factors(name: str, frames: list[pd.DataFrame], study: Study) -> pd.DataFrame:
    """Join tables of several models, add the scans' factors, in the order of the scan list."""
    frame = pd.concat(frames, ignore_index=True) if frames else shape(name, pd.DataFrame())
    columns = ["scan", "condition", "cell", *study.factors]
    rank = {scan: i for i, scan in enumerate(study.scans["scan"])}
    merged = frame.drop(columns=["condition", "cell"]).merge(
        study.scans[columns], on="scan", how="left", validate="many_to_one"
    )
    order = np.argsort(merged["scan"].map(rank).to_numpy(), kind="stable")
    return shape(name, merged.iloc[order], factors=study.factors)


def surface_tables(
    study: Study, poses: pd.DataFrame
) -> tuple[dict[str, pd.DataFrame], tuple[Finding, ...]]:
    """Compare every scanned surface with the reference surface; nothing without one.

    Tables ``surface`` (a row a condition), ``surface_scans`` (a row a scan), ``surface_vertices``
    (a row a condition and vertex). Findings: scans that could not be compared; a study of several
    models, which one surface cannot serve.
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
