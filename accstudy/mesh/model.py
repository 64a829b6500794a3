"""A mesh as it is read and as it is used: its normals, areas and borders."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from accstudy.errors import Finding, Severity
from accstudy.mesh.source import Source
from accstudy.words.catalogue import say

MAX_TRIANGLES = 20_000_000
"""Largest mesh; sixty times a dense scan of a jaw, some gigabytes of memory."""

MAX_CORNERS = 10_000
"""Corners of a polygon."""

_EACH, _SPARE = 4, 10_000
"""Triangles a corner; a closed surface has two, and four if each is listed twice."""


@dataclass(frozen=True, slots=True)
class RawMesh:
    """What a format's reader hands on: finite corners in the file's unit, as precise as the file
    has them.

    ``faces`` are corner indices; None when every three corners are a triangle. ``findings``: what
    is legal but odd.
    """

    corners: NDArray[np.floating[Any]]
    faces: NDArray[np.int64] | None
    findings: tuple[Finding, ...] = ()


def note(code: str, what: str, mend: str = "", *, warning: bool = False) -> Finding:
    """Make a note or a warning about a mesh; the file is named later."""
    return Finding(Severity.WARNING if warning else Severity.NOTE, code, what, "", mend)


def comment_note(kind: str) -> Finding:
    """Note that a file contains text that could name a person; the text itself is not kept."""
    return note(
        "comment",
        say("mesh.holds_text", kind=kind),
        say("mesh.names_no_patient"),
    )


def triangles_of(
    source: Source, indices: NDArray[np.int64], counts: NDArray[np.int64], corners: int
) -> NDArray[np.int64]:
    """Part polygons into triangles, each from its first corner.

    `indices` are the corners of all polygons, one after another, `counts` how many each has (three
    or more). `MeshError` if there are none, far more than a surface on these corners has, or a
    polygon names a corner that there is not.
    """
    made = int(counts.sum()) - 2 * len(counts)
    if not made:
        raise source.fault("it holds corners but no faces: a point cloud is not read")
    if made > MAX_TRIANGLES:
        raise source.fault(
            f"it has {made} triangles, more than {MAX_TRIANGLES // 1_000_000} million"
        )
    if made > _EACH * corners + _SPARE:
        raise source.fault(f"it has {made} triangles on {corners} corners, which no surface has")
    if made == len(counts):
        faces = indices.reshape(-1, 3)
    else:
        each = counts - 2
        start = np.repeat(np.cumsum(counts) - counts, each)
        later = start + np.arange(made) - np.repeat(np.cumsum(each) - each, each) + 1
        faces = np.stack([indices[start], indices[later], indices[later + 1]], axis=1)
    bad = (faces < 0) | (faces >= corners)
    if bad.any():
        row = int(np.argmax(bad.any(axis=1)))
        raise source.fault(f"triangle {row + 1} names a corner that there is not")
    return faces


def widened(values: NDArray[Any]) -> NDArray[np.float64]:
    """Convert to double precision; whatever is no number stays none, without a warning."""
    with np.errstate(invalid="ignore"):  # a signalling NaN becomes a quiet one
        return values.astype(np.float64)


@dataclass(frozen=True, slots=True)
class Mesh:
    """Triangles in double precision, in mm.

    Parameters
    ----------
    vertices_mm : (n, 3) ndarray of float64
        Corners, each once.
    faces : (m, 3) ndarray of int32
        Corner indices; counter-clockwise seen from outside.
    findings : tuple of Finding
        What the reader saw that the user should know.
    """

    vertices_mm: NDArray[np.float64]
    faces: NDArray[np.int32]
    findings: tuple[Finding, ...] = ()

    def part(self, faces: NDArray[np.int32]) -> Mesh:
        """Only these triangles and the corners that they use."""
        used, index = np.unique(faces, return_inverse=True)
        return Mesh(self.vertices_mm[used], index.reshape(-1, 3).astype(np.int32))


Floats = NDArray[np.float64]


def area_vectors(mesh: Mesh) -> Floats:
    """Normals of the triangles, (m, 3), as long as their areas in mm2."""
    return cross_and_spread(mesh.vertices_mm, mesh.faces)[0]


def cross_and_spread(vertices: Floats, faces: NDArray[np.integer]) -> tuple[Floats, Floats]:
    """Area vectors of triangles, (m, 3), and the sum of squares of two sides, (m,).

    Each column of the vectors lies in one piece of memory.
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
    """Unit normals of vertices, (n, 3): the mean of their triangles' normals, weighted by area.

    `vectors` are as long as the areas (`area_vectors`). Zero where a vertex has no triangle with an
    area.
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
    """Which sides of the triangles are on an open border of the surface.

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
