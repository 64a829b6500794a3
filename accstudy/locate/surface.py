"""The surface of CAD geometry: cleaned and sampled; its sharp edges and their rounding."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from accstudy.mesh.model import Mesh

if TYPE_CHECKING:
    from scipy.spatial import cKDTree

__all__ = [
    "PairTable",
    "Rounding",
    "clean_mesh",
    "face_normals",
    "outwards",
    "pair_features",
    "pair_frames",
    "pair_table",
    "rounding_of",
    "sharp_edges",
    "spread_points",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Faces = NDArray[np.int32]


FILTER_MM = 0.15
FILLET_MM = 0.015
"""Move by that filter from which surface is strongly bent: a fillet, an edge of 0.75 mm radius."""
_NEAR_MM, _FAR_MM, _STEP_MM = 1.2, 6.0, 0.4
_ANGLES = 9  # steps of the cosine from -1 to 1
_ROUNDED_POINTS, _AROUND_POINTS, _NEIGHBOURS = 6000, 12_000, 80
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


def spread_points(mesh: Mesh, faces: NDArray[np.int32], count: int) -> tuple[Floats, Floats]:
    """Spread points evenly over some of a mesh's triangles.

    Parameters
    ----------
    mesh : Mesh
        The mesh.
    faces : (m, 3) ndarray
        The triangles to use.
    count : int
        How many points.

    Returns
    -------
    points_mm, normals : (count, 3) ndarray
        The same for the same input: an additive recurrence takes the place of
        random numbers.
    """
    a, b, c = (mesh.vertices_mm[faces[:, k]] for k in range(3))
    across = np.cross(b - a, c - a)
    area = np.linalg.norm(across, axis=1)
    upto = np.cumsum(area)
    n = np.arange(count)
    face = np.searchsorted(upto, (n + 0.5) / count * upto[-1])
    # plastic-number recurrence in the unit square, folded onto the triangle
    u, v = (0.5 + n * 0.7548776662466927) % 1.0, (0.5 + n * 0.5698402909980532) % 1.0
    fold = u + v > 1
    u, v = np.where(fold, 1 - u, u), np.where(fold, 1 - v, v)
    points = a[face] + u[:, None] * (b - a)[face] + v[:, None] * (c - a)[face]
    return points, across[face] / area[face][:, None]


def pair_features(p: Floats, n: Floats, q: Floats, m: Floats) -> tuple[Ints, NDArray[np.bool_]]:
    """Say how two oriented points lie to each other, as one number.

    Parameters
    ----------
    p, n : (k, 3) ndarray
        First points and normals.
    q, m : (k, 3) ndarray
        Second points and normals.

    Returns
    -------
    key : (k,) ndarray of int64
        Distance and three angles in steps; equal for pairs that a rigid motion
        brings onto each other, up to the steps' width.
    useful : (k,) ndarray of bool
        Whether the pair is neither too short, too long nor in one plane, so
        that it fixes a pose.
    """
    d = q - p
    length = np.sqrt(np.einsum("ij,ij->i", d, d))
    safe = np.maximum(length, 1e-9)
    first = np.einsum("ij,ij->i", n, d) / safe
    second = np.einsum("ij,ij->i", m, d) / safe
    between = np.einsum("ij,ij->i", n, m)
    useful = (
        (length > _NEAR_MM) & (length < _FAR_MM) & (np.abs(between) < 0.92) & (np.abs(first) < 0.95)
    )
    key = (length / _STEP_MM).astype(np.int64)
    for cosine in (first, second, between):
        step = np.clip(((cosine + 1) * (0.5 * _ANGLES)).astype(np.int64), 0, _ANGLES - 1)
        key = key * _ANGLES + step
    return key, useful


def pair_frames(p: Floats, n: Floats, q: Floats) -> Floats:
    """Frame of a pair: x from first to second, y across it on the normal's side.

    Parameters
    ----------
    p, n, q : (k, 3) ndarray
        First points, their normals, second points.

    Returns
    -------
    (k, 3, 3) ndarray
        Columns are the axes.
    """
    x = q - p
    x = x / np.linalg.norm(x, axis=1, keepdims=True)
    y = n - np.einsum("ij,ij->i", n, x)[:, None] * x
    y = y / np.linalg.norm(y, axis=1, keepdims=True)
    return np.stack([x, y, np.cross(x, y)], axis=2)


@dataclass(frozen=True, slots=True)
class PairTable:
    """All useful pairs of a drawing's points, sorted by their feature.

    Parameters
    ----------
    keys : (k,) ndarray
        Features in ascending order.
    frames : (k, 3, 3) ndarray
        Frames of the pairs.
    middles_mm : (k, 3) ndarray
        Points halfway between the two.
    """

    keys: Ints
    frames: Floats
    middles_mm: Floats


def pair_table(points_mm: Floats, normals: Floats) -> PairTable:
    """Tabulate the pairs of a drawing's points.

    Parameters
    ----------
    points_mm, normals : (n, 3) ndarray
        Points spread over the drawing.

    Returns
    -------
    PairTable
    """
    i, j = (k.ravel() for k in np.indices((len(points_mm), len(points_mm))))
    p, n, q, m = points_mm[i], normals[i], points_mm[j], normals[j]
    key, useful = pair_features(p, n, q, m)
    p, n, q, key = p[useful], n[useful], q[useful], key[useful]
    order = np.argsort(key, kind="stable")
    return PairTable(key[order], pair_frames(p, n, q)[order], (0.5 * (p + q))[order])
