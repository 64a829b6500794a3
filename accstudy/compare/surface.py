"""Scanned surfaces against the reference surface: trueness and precision at every vertex.

The implants' alignment, not a best fit of the surfaces, brings a scan into the
reference frame; a best fit would make the mean deviation vanish by itself.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from accstudy.compare.align import align, pose_arrays
from accstudy.compare.arch import arch_of
from accstudy.geometry.rigid import Rigid
from accstudy.mesh.model import Mesh, area_vectors, border_sides, vertex_areas, vertex_normals
from accstudy.mesh.scene import Scene
from accstudy.tables import shape

Floats = NDArray[np.float64]

REACH_MM = 1.0
"""Farther away than this a scan does not show the place at all."""

_AGREE_COSINE = 0.5
_ON_BORDER = 1e-3


@dataclass(frozen=True, slots=True)
class ReferenceSurface:
    """The reference surface with what comparing needs.

    Parameters
    ----------
    mesh : Mesh
        n vertices, in the frame of table ``implants``.
    normals : (n, 3) ndarray
        Unit normals of the vertices, outside.
    areas_mm2 : (n,) ndarray
        Area for which each vertex stands.
    """

    mesh: Mesh
    normals: Floats
    areas_mm2: Floats


@dataclass(frozen=True, slots=True)
class SurfaceField:
    """Repeated scans of one condition at the n vertices of the reference surface.

    ``mean_um`` is along the normal, outside positive: trueness; ``sd_um`` over the scans:
    precision, under whatever varied within the condition. NaN where no scan, or fewer than two,
    show the vertex.
    """

    condition: str
    scans: tuple[str, ...]
    n: NDArray[np.int32]
    mean_um: Floats
    sd_um: Floats


def reference_surface(mesh: Mesh) -> ReferenceSurface:
    """Prepare a reference surface.

    Parameters
    ----------
    mesh : Mesh
        In the frame of table ``implants``; normals outwards.
    """
    vectors = area_vectors(mesh)
    n = len(mesh.vertices_mm)
    return ReferenceSurface(
        mesh, vertex_normals(mesh.faces, vectors, n), vertex_areas(mesh.faces, vectors, n)
    )


def reference_from_scans(
    poses: pd.DataFrame,
    reference: pd.DataFrame,
    *,
    alignment: str = "all-implants",
    datum: tuple[str, ...] = (),
) -> dict[str, Rigid]:
    """Motions (``reference_from_scan``) that bring scans of one model into the reference frame.

    `alignment` says what of their implants is made to coincide, see `accstudy.compare.align`; scans
    that cannot be aligned are left out.
    """
    arch = arch_of(reference)
    arrays = pose_arrays(poses, arch, list(dict.fromkeys(poses["scan"])))
    placed = align(arrays, arch, alignment, datum=datum)
    parts = zip(arrays.scans, placed.rotation, placed.translation_mm, strict=True)
    return {
        scan: Rigid(rotation, translation)
        for scan, rotation, translation in parts
        if np.isfinite(rotation).all()
    }


def surface_deviation(
    scan: Mesh,
    reference_from_scan: Rigid,
    reference: ReferenceSurface,
    *,
    scale: float = 1.0,
) -> Floats:
    """Signed distance of a scanned surface from the reference surface, at its vertices.

    Parameters
    ----------
    scan : Mesh
        As scanned.
    reference_from_scan : Rigid
        From the poses of its implants; see `reference_from_scans`.
    reference : ReferenceSurface
        n vertices.
    scale : float
        Factor on the scan's coordinates before it is moved: brings its lengths
        to the temperature of the reference.

    Returns
    -------
    (n,) ndarray
        Distance from the reference vertex to the closest point of the scan, um;
        positive where the scan lies outside the reference. NaN where the scan
        does not show the place: nothing within reach, the closest point lies on
        the scan's open border, or the surfaces there face different ways.

    Notes
    -----
    The sign comes from the reference's normals, so that a scan turned inside
    out is compared all the same. Distances are of single precision about the
    centre of the scan: 0.01 um for a jaw.
    """
    moved = Mesh(reference_from_scan.points(scale * scan.vertices_mm), scan.faces)
    scene = Scene(moved)
    low, high = moved.vertices_mm.min(axis=0), moved.vertices_mm.max(axis=0)
    at = reference.mesh.vertices_mm
    inside = ((at >= low - REACH_MM) & (at <= high + REACH_MM)).all(axis=1)
    near = np.flatnonzero(inside & (reference.areas_mm2 > 0))
    out = np.full(len(at), np.nan)
    if not len(near):
        return out
    distance, triangle, nearest = scene.closest(at[near])
    facing = scene.normals[np.searchsorted(scene.kept, triangle)]
    normals = reference.normals[near]
    agree = np.einsum("ij,ij->i", facing, normals)
    shown = np.abs(distance) <= REACH_MM
    if shown.any() and np.median(agree[shown]) < 0:
        agree = -agree
    shown &= agree >= _AGREE_COSINE
    shown &= ~_on_border(moved, triangle, nearest)
    along = np.einsum("ij,ij->i", nearest - at[near], normals)
    signed = np.copysign(1000 * np.abs(distance), along)
    out[near[shown]] = signed[shown]
    return out


def _on_border(mesh: Mesh, triangle: NDArray[np.int64], points: Floats) -> NDArray[np.bool_]:
    """Whether points of triangles lie on the surface's open border: on a side or at a corner."""
    sides = border_sides(mesh)
    at_border = np.zeros(len(mesh.vertices_mm), bool)
    for k in range(3):
        at_border[mesh.faces[sides[:, k]][:, [(k + 1) % 3, (k + 2) % 3]]] = True
    corner = at_border[mesh.faces[triangle]]
    some = np.flatnonzero(corner.any(axis=1))
    p = mesh.vertices_mm[mesh.faces[triangle[some]]]
    longest = np.max(np.linalg.norm(p - np.roll(p, 1, axis=1), axis=2), axis=1)
    near = _ON_BORDER * longest + 1e-5  # single precision
    found = np.zeros(len(some), bool)
    for k in range(3):
        start, end = p[:, (k + 1) % 3], p[:, (k + 2) % 3]
        length = np.linalg.norm(end - start, axis=1)
        away = np.linalg.norm(np.cross(end - start, points[some] - start), axis=1)
        found |= sides[triangle[some], k] & (away < near * length)
        found |= corner[some, k] & (np.linalg.norm(points[some] - p[:, k], axis=1) < near)
    out = np.zeros(len(triangle), bool)
    out[some] = found
    return out


def surface_fields(
    deviations: Iterable[tuple[str, str, Floats]],
) -> list[SurfaceField]:
    """Mean and standard deviation at every vertex, condition by condition.

    `deviations` are (condition, scan, deviation in um) in the order of the scan list; each scan's
    array is used once and may be thrown away, so that memory does not grow with the scans.
    """
    sums: dict[str, tuple[list[str], NDArray[np.int32], Floats, Floats]] = {}
    for condition, scan, deviation in deviations:
        if condition not in sums:
            zeros = np.zeros(len(deviation))
            sums[condition] = [], zeros.astype(np.int32), zeros.copy(), zeros.copy()
        scans, n, mean, square = sums[condition]
        scans.append(scan)
        shown = np.isfinite(deviation)
        n[shown] += 1
        step = deviation[shown] - mean[shown]
        mean[shown] += step / n[shown]  # Welford's running mean and sum of squares
        square[shown] += step * (deviation[shown] - mean[shown])
    fields = []
    for condition, (scans, n, mean, square) in sums.items():
        with np.errstate(invalid="ignore", divide="ignore"):
            sd = np.sqrt(np.where(n > 1, square / (n - 1), np.nan))
        fields.append(SurfaceField(condition, tuple(scans), n, np.where(n > 0, mean, np.nan), sd))
    return fields


def surface_table(
    fields: Iterable[SurfaceField], reference: ReferenceSurface, *, model: str
) -> pd.DataFrame:
    """Table ``surface``: trueness and precision, one row per condition.

    Every vertex counts with its area, so that the net of the reference does not matter.
    """
    rows = []
    for field in fields:
        trueness = _summary(field.mean_um, reference.areas_mm2)
        precision = _summary(field.sd_um, reference.areas_mm2)
        rows.append(
            {
                "condition": field.condition,
                "model": model,
                "n_scans": len(field.scans),
                "coverage": trueness["coverage"],
                "mean_um": trueness["mean"],
                "rms_um": trueness["rms"],
                "p05_um": trueness["p05"],
                "median_um": trueness["median"],
                "p95_um": trueness["p95"],
                "coverage_twice": precision["coverage"],
                "sd_rms_um": precision["rms"],
                "sd_median_um": precision["median"],
                "sd_p95_um": precision["p95"],
            }
        )
    return shape("surface", pd.DataFrame(rows))


def surface_scans_table(
    deviations: Iterable[tuple[str, str, Floats]], reference: ReferenceSurface, *, model: str
) -> pd.DataFrame:
    """Table ``surface_scans``: deviation of single scans, every vertex counted with its area.

    `deviations` are (condition, scan, `surface_deviation` in um).
    """
    rows = []
    for condition, scan, deviation in deviations:
        found = _summary(deviation, reference.areas_mm2)
        row: dict[str, object] = {"scan": scan, "model": model, "condition": condition}
        row |= {k if k == "coverage" else f"{k}_um": v for k, v in found.items()}
        rows.append(row)
    return shape("surface_scans", pd.DataFrame(rows))


def _summary(values: Floats, areas: Floats) -> dict[str, float]:
    """Share of the area with a value; mean, rms and quantiles weighted by area."""
    there = np.isfinite(values) & (areas > 0)
    out = {"coverage": float(areas[there].sum() / areas.sum())}
    if not there.any():
        return out | dict.fromkeys(("mean", "rms", "p05", "median", "p95"), np.nan)
    v, w = values[there], areas[there] / areas[there].sum()
    order = np.argsort(v, kind="stable")
    middle = np.cumsum(w[order]) - w[order] / 2
    p05, median, p95 = np.interp([0.05, 0.5, 0.95], middle, v[order])
    return out | {
        "mean": float(w @ v),
        "rms": float(np.sqrt(w @ v**2)),
        "p05": float(p05),
        "median": float(median),
        "p95": float(p95),
    }
