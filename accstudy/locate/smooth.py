"""A drawing made clean: equal vertices welded, faces outwards, sharp edges found."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from accstudy.locate.samples import spread_points
from accstudy.mesh.model import Mesh

if TYPE_CHECKING:
    from scipy.spatial import cKDTree

__all__ = ["Rounding", "clean_mesh", "face_normals", "outwards", "rounding_of", "sharp_edges"]

Floats = NDArray[np.float64]
Faces = NDArray[np.int32]

FILTER_MM = 0.15
_ROUNDED_POINTS, _AROUND_POINTS, _NEIGHBOURS = 6000, 40_000, 160
SHARP_DEG = 33.0
"""Faces that meet at more than this are two faces of the body, not one bent face: a circle of
twelve sides is round, a prism of ten is a prism."""


def face_normals(mesh: Mesh) -> tuple[Floats, Floats]:
    """Unit normals, (m, 3), and areas in mm2, (m,), of a mesh's triangles."""
    a, b, c = (mesh.vertices_mm[mesh.faces[:, k]] for k in range(3))
    across = np.cross(b - a, c - a)
    length = np.linalg.norm(across, axis=1)
    return across / np.maximum(length, 1e-300)[:, None], 0.5 * length


def clean_mesh(mesh: Mesh) -> Mesh:
    """Weld equal vertices and drop triangles without a normal.

    Parameters
    ----------
    mesh : Mesh
        Any mesh.

    Returns
    -------
    Mesh
        Triangles whose smallest height is under 1e-6 mm are gone.
    """
    vertices, index = np.unique(np.round(mesh.vertices_mm, 7), axis=0, return_inverse=True)
    faces = index.reshape(-1)[mesh.faces].astype(np.int32)
    corners = vertices[faces]
    longest = np.max(np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2), axis=1)
    _, area = face_normals(Mesh(vertices, faces))
    keep = 2 * area > 1e-6 * np.maximum(longest, 1e-6)
    return Mesh(vertices, faces[keep])


def outwards(mesh: Mesh) -> Mesh:
    """Turn a closed mesh that encloses a negative volume the right way round."""
    a, b, c = (mesh.vertices_mm[mesh.faces[:, k]] for k in range(3))
    volume = float(np.einsum("ij,ij->", a, np.cross(b, c)))
    return mesh if volume >= 0 else Mesh(mesh.vertices_mm, mesh.faces[:, ::-1], mesh.findings)


def sharp_edges(mesh: Mesh, *, spacing_mm: float = 0.08) -> tuple[Floats, Floats]:
    """Points along the edges at which a mesh bends sharply, and at which it ends.

    Parameters
    ----------
    mesh : Mesh
        A clean mesh.
    spacing_mm : float
        Distance between points.

    Returns
    -------
    bent, ends : (n, 3) ndarray
        In mm; empty for a mesh without such edges.
    """
    normals, _ = face_normals(mesh)
    edges, owners = _edges(mesh.faces)
    order = np.lexsort((edges[:, 1], edges[:, 0]))
    edges, owners = edges[order], owners[order]
    twin = np.zeros(len(edges), bool)
    twin[:-1] = np.all(edges[1:] == edges[:-1], axis=1)
    first = np.flatnonzero(twin)
    bend = np.sum(normals[owners[first]] * normals[owners[first + 1]], axis=1)
    alone = ~twin
    alone[1:] &= ~twin[:-1]
    bent = edges[first[bend < np.cos(np.radians(SHARP_DEG))]]
    return _along(mesh, bent, spacing_mm), _along(mesh, edges[alone], spacing_mm)


def _along(mesh: Mesh, edges: NDArray[np.int64], spacing_mm: float) -> Floats:
    """Points along some edges."""
    if not len(edges):
        return np.zeros((0, 3))
    a, b = mesh.vertices_mm[edges[:, 0]], mesh.vertices_mm[edges[:, 1]]
    parts = np.maximum(1, np.ceil(np.linalg.norm(b - a, axis=1) / spacing_mm)).astype(int)
    which = np.repeat(np.arange(len(edges)), parts)
    step = np.arange(parts.sum()) - np.repeat(np.cumsum(parts) - parts, parts)
    t = (step + 0.5) / parts[which]
    return np.asarray(a[which] + t[:, None] * (b - a)[which])


@dataclass(frozen=True, slots=True)
class Rounding:
    """How a low-pass filter of 0.15 mm would move a body's surface.

    Parameters
    ----------
    tree : cKDTree
        Points on the surface.
    shift_mm : (n,) ndarray
        How far each moves along the outward normal: convex surface sinks.
    """

    tree: cKDTree
    shift_mm: Floats

    def at(self, points_mm: Floats) -> Floats:
        """Shift of the surface nearest to each point, mm."""
        _, index = self.tree.query(points_mm)
        return np.asarray(self.shift_mm[index])


def rounding_of(mesh: Mesh, usable: Faces) -> Rounding:
    """Filter a surface and see how it moves.

    Parameters
    ----------
    mesh : Mesh
        A clean mesh.
    usable : (m, 3) ndarray
        The triangles of interest.

    Notes
    -----
    Each point goes to the mean of the surface around it, with Gaussian weights.
    """
    from scipy.spatial import cKDTree

    points, normals = spread_points(mesh, usable, _ROUNDED_POINTS)
    around, _ = spread_points(mesh, mesh.faces, _AROUND_POINTS)
    away, index = cKDTree(around).query(points, k=_NEIGHBOURS, distance_upper_bound=3 * FILTER_MM)
    weight = np.exp(-0.5 * (away / FILTER_MM) ** 2)  # 0 beyond the bound
    index = np.minimum(index, len(around) - 1)
    offset = np.einsum("ijk,ik->ij", around[index] - points[:, None], normals)
    shift = np.sum(weight * offset, axis=1) / np.maximum(weight.sum(axis=1), 1e-9)
    return Rounding(cKDTree(points), shift)


def _edges(faces: Faces) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Edges with sorted ends, and the face of each."""
    edges = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]).astype(np.int64)
    return np.sort(edges, axis=1), np.tile(np.arange(len(faces)), 3)
