"""The parts of a scan that may show its scan bodies."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from accstudy.geometry.rigid import Rigid
from accstudy.locate.prepared import PreparedBody
from accstudy.mesh.model import Mesh, area_vectors, vertex_areas, vertex_normals

__all__ = ["MARGIN_MM", "Patch", "cut_patches"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MARGIN_MM = 0.8


@dataclass(frozen=True, slots=True)
class Patch:
    """Vertices of a scan near an expected scan body.

    Parameters
    ----------
    points_mm : (n, 3) ndarray
        In the scan frame.
    normals : (n, 3) ndarray
        Of the surface around each vertex, outwards; zero where there is none.
    area_mm2 : (n,) ndarray
        Surface that each vertex stands for.
    index : (n,) ndarray
        Numbers of the vertices in the scan.
    """

    points_mm: Floats
    normals: Floats
    area_mm2: Floats
    index: Ints


def cut_patches(mesh: Mesh, expected: Sequence[tuple[PreparedBody, Rigid]]) -> list[Patch]:
    """Cut out the surroundings of expected scan bodies.

    Parameters
    ----------
    mesh : Mesh
        The scan.
    expected : sequence of (PreparedBody, Rigid)
        The bodies and where they are expected (scan from body), to within half
        a millimetre or so.

    Returns
    -------
    list of Patch
        For each what lies in the body's bounding box, with a margin, and as far above it as the
        body may slide.
    """
    v, faces = mesh.vertices_mm, mesh.faces
    columns = np.ascontiguousarray(v.T)
    chosen = [_inside(v, columns, body, pose) for body, pose in expected]
    near = np.zeros(len(v), bool)
    for index in chosen:
        near[index] = True
    touched = near[faces[:, 0]]
    touched |= near[faces[:, 1]]
    touched |= near[faces[:, 2]]
    mine = faces[touched]
    number = np.zeros(len(v), np.int32)
    number[near] = np.arange(1, int(near.sum()) + 1)
    count = int(near.sum()) + 1
    across, numbered = area_vectors(Mesh(v, mine)), number[mine]
    normals = vertex_normals(numbered, across, count)
    areas = vertex_areas(numbered, across, count)
    out = []
    for index in chosen:
        at = number[index]
        out.append(Patch(v[index], normals[at], areas[at], index))
    return out


def _inside(v: Floats, columns: Floats, body: PreparedBody, pose: Rigid) -> Ints:
    """Vertices in the body's box, in their order."""
    low = body.points_mm.min(axis=0) - MARGIN_MM
    high = body.points_mm.max(axis=0) + np.array([MARGIN_MM, MARGIN_MM, body.slide_mm])
    middle = pose.points(0.5 * (low + high))
    reach = np.abs(pose.rotation) @ (0.5 * (high - low))
    index = np.flatnonzero(np.abs(columns[0] - middle[0]) < reach[0])
    for k in (1, 2):
        index = index[np.abs(columns[k][index] - middle[k]) < reach[k]]
    local = pose.inverse().points(v[index])
    return np.asarray(index[np.all((local > low) & (local < high), axis=1)])
