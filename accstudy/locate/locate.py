"""A scan to the poses of its implants."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from accstudy.errors import ComputationError, Finding, InputError, nearest
from accstudy.geometry.rigid import Rigid, rotation_vector
from accstudy.locate.arrangement import Lines, match_arrangement
from accstudy.locate.body import ScanBody
from accstudy.locate.cloud import oriented_cloud
from accstudy.locate.detect import detect_bodies
from accstudy.locate.fit import Fit, fit_body
from accstudy.locate.prepared import PreparedBody, prepare_body
from accstudy.locate.refine import Refined, refine_fits
from accstudy.locate.rotation import search_turn
from accstudy.locate.segment import cut_patch
from accstudy.mesh.model import Mesh
from accstudy.tables import shape

__all__ = ["LocatedScan", "locate_scan"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class LocatedScan:
    """What a scan says about the implants of its model.

    Parameters
    ----------
    poses : DataFrame
        Table ``poses``, a row for every implant of the reference, in its order.
    findings : tuple of Finding
        What the user should know.
    scan_from_model : Rigid
        The model as one rigid body, placed in the scan.
    """

    poses: pd.DataFrame
    findings: tuple[Finding, ...]
    scan_from_model: Rigid


def locate_scan(
    mesh: Mesh,
    *,
    reference: pd.DataFrame,
    bodies: Mapping[str, ScanBody],
    scan: str = "",
    landmarks: pd.DataFrame | None = None,
) -> LocatedScan:
    """Find every implant of a model in a scan of it."""
    prepared = [_body_of(row, bodies) for row in reference["scan_body"]]
    kinds = list(dict.fromkeys(p.body.name for p in prepared))
    by_kind = {p.body.name: p for p in prepared}
    kind = np.array([kinds.index(p.body.name) for p in prepared])
    lines = Lines(_columns(reference, "xyz", "{}_mm"), _columns(reference, "xyz", "axis_{}"), kind)
    middle = np.median(mesh.vertices_mm, axis=0)
    mesh = Mesh(mesh.vertices_mm - middle, mesh.faces)
    cloud = oriented_cloud(mesh)
    rotations, points, found_kinds = [], [], []
    for number, name in enumerate(kinds):
        candidates = detect_bodies(cloud, by_kind[name])
        rotations.append(candidates.rotations)
        points.append(candidates.origins_mm)
        found_kinds.append(np.full(len(candidates.scores), number))
    rotation = np.concatenate(rotations)
    found = Lines(np.concatenate(points), rotation[:, :, 2], np.concatenate(found_kinds))
    ways = match_arrangement(lines, found)
    if not ways:
        raise ComputationError("the arrangement of the implants was not found in the scan")
    best = ways[0]
    fits = []
    for i, body in enumerate(prepared):
        c = best.candidate[i]
        if c >= 0:
            start = Rigid(rotation[c], found.points_mm[c])
        else:
            start = best.scan_from_model.after(Rigid(np.eye(3), lines.points_mm[i]))
        fits.append(_fit_one(mesh, body, start))
    final, _ = refine_fits([fit for fit in fits if fit is not None])
    refined = iter(final)
    rows = [
        _row(reference.iloc[i], scan, body, None if fit is None else next(refined), middle)
        for i, (body, fit) in enumerate(zip(prepared, fits, strict=True))
    ]
    return LocatedScan(shape("poses", pd.DataFrame(rows)), (), best.scan_from_model)


def _fit_one(mesh: Mesh, prepared: PreparedBody, start: Rigid) -> Fit | None:
    patch = cut_patch(mesh, prepared, start)
    first = fit_body(prepared, patch, start, turn=False, rounds=0 if prepared.body.has_flat else 4)
    if first is None or not prepared.body.has_flat:
        return first
    profile = search_turn(prepared, patch, first.scan_from_body, offset_mm=first.offset_mm)
    angle = profile.minima()[0]
    turned = first.scan_from_body.after(
        Rigid(rotation_vector([0.0, 0.0, np.radians(angle)]), np.zeros(3))
    )
    return fit_body(
        prepared,
        patch,
        turned,
        offset_mm=first.offset_mm,
        turn=True,
        gates_mm=(0.5, 0.3, 0.15),
        rounds=4,
    )


def _row(
    implant: pd.Series, scan: str, prepared: PreparedBody, found: Refined | None, middle: Floats
) -> dict[str, object]:
    row: dict[str, object] = {
        "scan": scan,
        "model": implant["model"],
        "implant": implant["implant"],
        "status": "missing" if found is None else "ok",
    }
    if found is None:
        return row
    fit, pose = found.fit, found.scan_from_body
    position = pose.translation_mm + middle
    for i, c in enumerate("xyz"):
        row[f"{c}_mm"] = position[i]
        row[f"axis_{c}"] = pose.rotation[i, 2]
        row[f"u_{c}_um"] = 1e3 * found.u_position_mm[i]
        if prepared.body.has_flat:
            row[f"flat_{c}"] = pose.rotation[i, 0]
    row["u_axis_deg"] = found.u_axis_deg
    row["offset_um"] = 1e3 * found.offset_mm
    row["fit_rms_um"] = 1e3 * float(
        np.sqrt(np.average(fit.residual_mm**2, weights=np.maximum(fit.weight, 1e-12)))
    )
    return row


def _body_of(key: str, bodies: Mapping[str, ScanBody]) -> PreparedBody:
    name = key or "default"
    if name not in bodies:
        raise InputError(
            f'the reference names scan body "{name}", which is not described',
            hint=nearest(name, list(bodies)),
        )
    return prepare_body(bodies[name])


def _columns(frame: pd.DataFrame, letters: str, pattern: str) -> Floats:
    return np.column_stack([frame[pattern.format(c)].to_numpy(float) for c in letters])
