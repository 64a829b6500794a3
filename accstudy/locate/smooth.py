"""Undo the facets of a drawing: a surface through its vertices that bends as they do.

A drawing replaces a curved side by chords, which lie inside it: an edge of
0.5 mm on a radius of 2.5 mm by up to 12 um. Left alone, that would go into
the surface offset of the sides but not of the top, and from there into the
height.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from accstudy.mesh.model import Mesh

__all__ = ["clean_mesh", "face_normals", "outwards", "refine_curved", "sharp_edges"]

Floats = NDArray[np.float64]
Faces = NDArray[np.int32]

SHARP_DEG = 30.0
"""Faces that meet at more than this are two faces of the body, not one bent face."""

_TOLERANCE_MM = 0.0005
_MOST_FACES = 120_000


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


def sharp_edges(mesh: Mesh, *, spacing_mm: float = 0.08) -> Floats:
    """Points along the edges at which a mesh bends sharply or ends.

    Parameters
    ----------
    mesh : Mesh
        A clean mesh.
    spacing_mm : float
        Distance between points.

    Returns
    -------
    (n, 3) ndarray
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
    chosen = np.concatenate(
        [edges[first[bend < np.cos(np.radians(SHARP_DEG))]], edges[np.flatnonzero(alone)]]
    )
    if not len(chosen):
        return np.zeros((0, 3))
    a, b = mesh.vertices_mm[chosen[:, 0]], mesh.vertices_mm[chosen[:, 1]]
    parts = np.maximum(1, np.ceil(np.linalg.norm(b - a, axis=1) / spacing_mm)).astype(int)
    which = np.repeat(np.arange(len(chosen)), parts)
    step = np.arange(parts.sum()) - np.repeat(np.cumsum(parts) - parts, parts)
    t = (step + 0.5) / parts[which]
    return np.asarray(a[which] + t[:, None] * (b - a)[which])


def refine_curved(mesh: Mesh) -> Mesh:
    """Replace triangles that stand for a bent surface by smaller ones on that surface.

    Parameters
    ----------
    mesh : Mesh
        A clean mesh.

    Returns
    -------
    Mesh
        Flat parts and sharp edges are unchanged; elsewhere the surface passes
        through the same vertices with the normals of the faces around them.

    References
    ----------
    Vlachos, Peters, Boyd, Mitchell: Curved PN triangles, Proc. Symposium on
    Interactive 3D Graphics (2001) 159-166: the cubic triangle used here.
    """
    normals = _corner_normals(mesh)
    corners = mesh.vertices_mm[mesh.faces]
    edge = np.roll(corners, -1, axis=1) - corners
    turn = np.linalg.norm(np.roll(normals, -1, axis=1) - normals, axis=2)
    sag = np.max(np.linalg.norm(edge, axis=2) * turn, axis=1) / 8
    parts = np.clip(np.ceil(np.sqrt(sag / _TOLERANCE_MM)), 1, 12).astype(int)
    if np.sum(parts**2) > _MOST_FACES:
        scale = np.sqrt(_MOST_FACES / np.sum(parts**2))
        parts = np.maximum(1, (parts * scale).astype(int))
    vertices, faces, count = [], [], 0
    for k in np.unique(parts):
        chosen = parts == k
        made = corners[chosen] if k == 1 else _bent(corners[chosen], normals[chosen], int(k))
        pattern = np.array([[0, 1, 2]]) if k == 1 else _pattern(int(k))
        per = made.shape[1]
        start = count + per * np.arange(len(made))
        vertices.append(made.reshape(-1, 3))
        faces.append((start[:, None, None] + pattern).reshape(-1, 3))
        count += made.shape[0] * per
    return Mesh(np.concatenate(vertices), np.concatenate(faces).astype(np.int32))


def _edges(faces: Faces) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Edges with sorted ends, and the face of each."""
    edges = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]).astype(np.int64)
    return np.sort(edges, axis=1), np.tile(np.arange(len(faces)), 3)


def _corner_normals(mesh: Mesh) -> Floats:
    """Normals at the corners of each face, (m, 3, 3), averaged over the bent face around.

    The weights, sin(angle) / (product of the two sides), are exact for vertices
    on a sphere and on a cylinder however uneven the triangles (Max, Journal of
    Graphics Tools 4 (1999) 1-6).
    """
    normals, _ = face_normals(mesh)
    m = len(mesh.faces)
    corners = mesh.vertices_mm[mesh.faces]
    after = np.roll(corners, -1, axis=1) - corners
    before = np.roll(corners, 1, axis=1) - corners
    square = np.sum(after**2, axis=2) * np.sum(before**2, axis=2)
    share = np.linalg.norm(np.cross(after, before), axis=2) / np.maximum(square, 1e-300)
    corner = np.arange(3 * m)
    at = sparse.csr_matrix(
        (np.ones(3 * m), (corner, mesh.faces.ravel())), shape=(3 * m, len(mesh.vertices_mm))
    )
    pairs = (at @ at.T).tocoo()
    mine, other = pairs.row // 3, pairs.col // 3
    close = np.sum(normals[mine] * normals[other], axis=1) > np.cos(np.radians(SHARP_DEG))
    weight = share.ravel()[pairs.col[close]]
    mix = sparse.csr_matrix((weight, (pairs.row[close], other[close])), shape=(3 * m, m))
    total = mix @ normals
    return np.asarray(total / np.linalg.norm(total, axis=1, keepdims=True)).reshape(m, 3, 3)


def _pattern(k: int) -> NDArray[np.int64]:
    """Triangles of a triangle cut into k parts along each side."""
    number = {(i, j): n for n, (i, j) in enumerate(_lattice(k))}
    found = []
    for i in range(k):
        for j in range(k - i):
            found.append([number[i, j], number[i + 1, j], number[i, j + 1]])
            if i + j < k - 1:
                found.append([number[i + 1, j], number[i + 1, j + 1], number[i, j + 1]])
    return np.array(found)


def _lattice(k: int) -> list[tuple[int, int]]:
    return [(i, j) for i in range(k + 1) for j in range(k + 1 - i)]


def _bent(corners: Floats, normals: Floats, k: int) -> Floats:
    """Points of the cubic triangles, (m, (k + 1)(k + 2) / 2, 3)."""
    lattice = np.array(_lattice(k)) / k
    u, v = lattice[:, 0], lattice[:, 1]
    w = 1 - u - v
    weights = (w, u, v)  # of corners 0, 1, 2
    out = sum(corners[:, None, i] * (weights[i] ** 3)[None, :, None] for i in range(3))
    inner = np.zeros_like(corners[:, 0])
    for i in range(3):
        for j in range(3):
            if i == j:
                continue
            d = corners[:, j] - corners[:, i]
            height = np.sum(d * normals[:, i], axis=1, keepdims=True)
            control = corners[:, i] + (d - height * normals[:, i]) / 3
            inner += control / 6
            out = out + 3 * control[:, None] * (weights[i] ** 2 * weights[j])[None, :, None]
    centre = inner + (inner - corners.mean(axis=1)) / 2
    return np.asarray(out + 6 * centre[:, None] * (u * v * w)[None, :, None])
