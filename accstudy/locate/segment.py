"""The part of a scan that may show one scan body."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from accstudy.geometry.rigid import Rigid
from accstudy.locate.prepared import PreparedBody
from accstudy.mesh.model import Mesh

__all__ = ["Patch", "cut_patch"]

Floats = NDArray[np.float64]

_MARGIN_MM = 1.0


@dataclass(frozen=True, slots=True)
class Patch:
    """Vertices of a scan near an expected scan body.

    Parameters
    ----------
    index : (n,) ndarray
        Numbers of the vertices in the scan.
    points_mm : (n, 3) ndarray
        In the scan frame.
    normals : (n, 3) ndarray
        Of the surface around each vertex, outwards; zero where there is none.
    area_mm2 : (n,) ndarray
        Surface that each vertex stands for.
    """

    index: NDArray[np.int64]
    points_mm: Floats
    normals: Floats
    area_mm2: Floats


def cut_patch(mesh: Mesh, prepared: PreparedBody, scan_from_body: Rigid) -> Patch:
    """Cut out the surroundings of an expected scan body.

    Parameters
    ----------
    mesh : Mesh
        The scan.
    prepared : PreparedBody
        The scan body.
    scan_from_body : Rigid
        Where it is expected, to within a millimetre or so.

    Returns
    -------
    Patch
        What lies in the body's bounding box, with a margin.
    """
    low = prepared.points_mm.min(axis=0) - _MARGIN_MM
    high = prepared.points_mm.max(axis=0) + _MARGIN_MM
    middle = scan_from_body.points(0.5 * (low + high))
    radius = 0.5 * float(np.linalg.norm(high - low))
    v = mesh.vertices_mm
    close = np.abs(v[:, 0] - middle[0]) < radius
    close &= np.abs(v[:, 1] - middle[1]) < radius
    close &= np.abs(v[:, 2] - middle[2]) < radius
    index = np.flatnonzero(close)
    inside = scan_from_body.inverse().points(v[index])
    index = index[np.all((inside > low) & (inside < high), axis=1)]
    number = np.full(len(v), -1, np.int32)
    number[index] = np.arange(len(index), dtype=np.int32)
    faces = number[mesh.faces]
    faces = faces[(faces >= 0).any(axis=1)]
    mine = mesh.faces[(number[mesh.faces] >= 0).any(axis=1)]
    corners = v[mine]
    across = 0.5 * np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    size = np.linalg.norm(across, axis=1)
    at = faces.ravel()
    known = at >= 0
    n = len(index)
    values = np.repeat(np.column_stack([across, size / 3]), 3, axis=0)[known]
    sums = np.column_stack([np.bincount(at[known], values[:, k], n) for k in range(4)])
    length = np.linalg.norm(sums[:, :3], axis=1)
    normals = sums[:, :3] / np.maximum(length, 1e-300)[:, None]
    return Patch(index, v[index], normals, sums[:, 3])
