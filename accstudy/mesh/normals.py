"""Normals, areas and borders of a triangle mesh."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from accstudy.mesh.model import Mesh

__all__ = [
    "area_vectors",
    "border_sides",
    "cross_and_spread",
    "vertex_areas",
    "vertex_normals",
]

Floats = NDArray[np.float64]


def area_vectors(mesh: Mesh) -> Floats:
    """Normals of the triangles, (m, 3), as long as their areas in mm2."""
    return cross_and_spread(mesh.vertices_mm, mesh.faces)[0]


def cross_and_spread(vertices: Floats, faces: NDArray[np.integer]) -> tuple[Floats, Floats]:
    """Area vectors of triangles and how long their sides are.

    Parameters
    ----------
    vertices : (n, 3) ndarray
        Corners.
    faces : (m, 3) ndarray of int
        Triangles.

    Returns
    -------
    area_vectors : (m, 3) ndarray
        Normals as long as the areas; each column lies in one piece.
    spread : (m,) ndarray
        Sum of the squares of the two sides at the first corner.
    """
    corner = [np.ascontiguousarray(faces[:, k]) for k in range(3)]
    u, v = np.empty((2, 3, len(faces)))
    for k in range(3):
        column = np.ascontiguousarray(vertices[:, k])
        first = column.take(corner[0])
        np.subtract(column.take(corner[1]), first, out=u[k])
        np.subtract(column.take(corner[2]), first, out=v[k])
    out = np.empty((3, len(faces)))
    for k in range(3):
        i, j = (k + 1) % 3, (k + 2) % 3
        np.multiply(u[i], v[j], out=out[k])
        out[k] -= u[j] * v[i]
    out *= 0.5
    u *= u
    v *= v
    return out.T, u.sum(axis=0) + v.sum(axis=0)


def vertex_normals(faces: NDArray[np.int32], vectors: Floats, n_vertices: int) -> Floats:
    """Unit normals of vertices: the mean of their triangles' normals, weighted by area.

    Parameters
    ----------
    faces : (m, 3) ndarray of int
        Triangles.
    vectors : (m, 3) ndarray
        Their normals, as long as their areas; see `area_vectors`.
    n_vertices : int
        Vertices of the mesh.

    Returns
    -------
    (n, 3) ndarray
        Zero where a vertex has no triangle with an area.
    """
    index = faces.T.ravel()
    sums = [np.bincount(index, np.tile(vectors[:, k], 3), minlength=n_vertices) for k in range(3)]
    total = np.column_stack(sums).astype(np.float64)  # counts of nothing are whole numbers
    total /= np.maximum(np.linalg.norm(total, axis=1, keepdims=True), 1e-300)
    return total


def vertex_areas(faces: NDArray[np.int32], vectors: Floats, n_vertices: int) -> Floats:
    """A third of the area around each vertex, (n,), mm2; parameters as `vertex_normals`."""
    third = np.tile(np.linalg.norm(vectors, axis=1) / 3, 3)
    return np.asarray(np.bincount(faces.T.ravel(), third, minlength=n_vertices), np.float64)


def border_sides(mesh: Mesh) -> NDArray[np.bool_]:
    """Which sides of the triangles lie on an open border of the surface.

    Parameters
    ----------
    mesh : Mesh
        The surface.

    Returns
    -------
    (m, 3) ndarray of bool
        Side k is the one opposite corner k; True where no other triangle has it.
    """
    n = np.int64(len(mesh.vertices_mm))
    a, b, c = mesh.faces.T.astype(np.int64)
    keys = np.stack([np.minimum(p, q) * n + np.maximum(p, q) for p, q in ((b, c), (c, a), (a, b))])
    flat = keys.ravel()
    order = np.argsort(flat, kind="stable")
    ranked = flat[order]
    same = ranked[1:] == ranked[:-1]
    single = np.ones(len(flat), bool)
    single[1:] &= ~same
    single[:-1] &= ~same
    out = np.empty(len(flat), bool)
    out[order] = single
    return out.reshape(3, -1).T
