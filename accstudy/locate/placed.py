"""A file that holds only scan bodies already placed: rigid copies of their CAD geometry.

Such a file shows no scanned surface at all, so there is nothing to fit: each
piece is a drawing, moved, and corresponding vertices give its pose to the
precision of the file.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from accstudy.geometry.rigid import Rigid, fit_rigid
from accstudy.locate.surface import clean_mesh
from accstudy.mesh.model import Mesh

if TYPE_CHECKING:
    from scipy.spatial import cKDTree

__all__ = ["PlacedBody", "find_placed"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_SIDES_MM = 2e-4
_LOOKED_AT = 300
_TRIED = 250
_MATCHED = 0.98
_NEAR_MM = 0.02


@dataclass(frozen=True, slots=True)
class PlacedBody:
    """A rigid copy of a drawing.

    Parameters
    ----------
    piece : int
        Which piece of the file.
    kind : int
        Which drawing.
    scan_from_body : Rigid
        Where it lies.
    rms_mm : float
        Root mean square distance of corresponding vertices.
    """

    piece: int
    kind: int
    scan_from_body: Rigid
    rms_mm: float


def find_placed(mesh: Mesh, drawings: Sequence[Mesh]) -> list[PlacedBody] | None:
    """Recognise a file of placed drawings.

    Parameters
    ----------
    mesh : Mesh
        The file's content.
    drawings : sequence of Mesh
        Drawings in their implant frames, without degenerate triangles.

    Returns
    -------
    list of PlacedBody, or None
        None if the triangles of the file are not those of the drawings, or a
        piece of it is no rigid copy. A drawing that looks the same upside down
        gives two poses for a piece.

    Notes
    -----
    The triangles' side lengths tell: in a scan none recurs. For a piece that
    consists of them, a triangle without equal sides and its counterpart in the
    drawing give a pose; that in which the vertices meet is the right one.
    """
    tables = [_sides(d) for d in drawings]
    if not _made_of(mesh, tables):
        return None
    whole = clean_mesh(mesh)
    found: list[PlacedBody] = []
    for number, (vertices, faces) in enumerate(_pieces(whole)):
        piece = Mesh(vertices, faces)
        placed = [
            PlacedBody(number, k, pose, rms)
            for k, (drawing, table) in enumerate(zip(drawings, tables, strict=True))
            for pose, rms in _place(piece, drawing, table)
        ]
        if not placed:
            return None
        least = min(p.rms_mm for p in placed)
        found += [
            p
            for p in placed
            if p.rms_mm < 2 * least + _SIDES_MM and not any(_same(p, other) for other in found)
        ]
    return found


def _sides(mesh: Mesh) -> Floats:
    """Side lengths of every triangle, ascending, (m, 3)."""
    p = mesh.vertices_mm[mesh.faces]
    return np.sort(np.linalg.norm(p - np.roll(p, 1, axis=1), axis=2), axis=1)


def _made_of(mesh: Mesh, tables: Sequence[Floats]) -> bool:
    """Whether nearly all triangles have the sides of one in a drawing."""
    from scipy.spatial import cKDTree

    few = mesh.faces[:: max(1, len(mesh.faces) // _LOOKED_AT)]
    mine = _sides(Mesh(mesh.vertices_mm, few))
    tree = cKDTree(np.concatenate(tables))
    away, _ = tree.query(mine, distance_upper_bound=_tolerance(mesh))
    return bool(np.mean(np.isfinite(away)) > _MATCHED)


def _tolerance(mesh: Mesh) -> float:
    """Allowance for coordinates stored in single precision, mm."""
    return max(_SIDES_MM, 8 * float(np.spacing(np.float32(np.abs(mesh.vertices_mm).max()))))


def _pieces(mesh: Mesh) -> list[tuple[Floats, NDArray[np.int32]]]:
    """Connected pieces of a mesh, largest first."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    a, b = mesh.faces[:, [0, 1]].ravel(), mesh.faces[:, [1, 2]].ravel()
    n = len(mesh.vertices_mm)
    joined = coo_matrix((np.ones(len(a), np.int8), (a, b)), shape=(n, n))
    count, label = connected_components(joined, directed=False)
    of_face = label[mesh.faces[:, 0]]
    out = []
    for k in range(count):
        faces = mesh.faces[of_face == k]
        if len(faces):
            used, index = np.unique(faces, return_inverse=True)
            out.append((mesh.vertices_mm[used], index.reshape(-1, 3).astype(np.int32)))
    return sorted(out, key=lambda piece: -len(piece[1]))


def _place(piece: Mesh, drawing: Mesh, table: Floats) -> list[tuple[Rigid, float]]:
    """Poses of a drawing that bring its vertices onto a piece's, and how well."""
    from scipy.spatial import cKDTree

    tolerance = _tolerance(piece)
    tree = cKDTree(drawing.vertices_mm)
    start, alike = _rare_triangle(_sides(piece), table, tolerance)
    probe = piece.vertices_mm[:: max(1, len(piece.vertices_mm) // 40)]
    tries: list[tuple[float, Rigid]] = []
    for other in alike[:: max(1, len(alike) // _TRIED)].tolist():
        pose = _from_triangle(drawing, other, piece, start)
        away, _ = tree.query(pose.inverse().points(probe))
        if np.median(away) < _NEAR_MM:
            tries.append((float(np.median(away)), pose))
    out: list[tuple[Rigid, float]] = []
    for _, pose in sorted(tries, key=lambda t: t[0]):
        if any(_alike(pose, known) for known, _ in out):
            continue
        exact = _onto_vertices(piece, drawing.vertices_mm, tree, pose)
        if exact is not None and exact[1] < 5 * tolerance:
            out.append(exact)
    return out


def _onto_vertices(
    piece: Mesh, vertices: Floats, tree: cKDTree, pose: Rigid
) -> tuple[Rigid, float] | None:
    """Least squares over corresponding vertices."""
    for _ in range(3):
        found = tree.query(pose.inverse().points(piece.vertices_mm))
        away, index = np.asarray(found[0], float), np.asarray(found[1], np.int64)
        near = away < _NEAR_MM
        if np.mean(near) < _MATCHED:
            return None
        pose = fit_rigid(vertices[index[near]], piece.vertices_mm[near])
    left = pose.points(vertices[index[near]]) - piece.vertices_mm[near]
    return pose, float(np.sqrt(np.mean(np.sum(left**2, axis=1))))


def _alike(a: Rigid, b: Rigid) -> bool:
    """Whether two poses differ by no more than a turn about the axis."""
    shift = np.linalg.norm(a.translation_mm - b.translation_mm)
    return bool(shift < 0.05 and a.rotation[:, 2] @ b.rotation[:, 2] > 0.999)


def _rare_triangle(mine: Floats, table: Floats, tolerance: float) -> tuple[int, Ints]:
    """A triangle of unequal sides with few counterparts, and those."""
    gaps = np.minimum(mine[:, 1] - mine[:, 0], mine[:, 2] - mine[:, 1])
    uneven = np.argsort(-gaps, kind="stable")
    best: tuple[int, Ints] = (0, np.zeros(0, np.int64))
    for t in uneven[:: max(1, len(uneven) // 2 // 60)][:60].tolist():
        alike = np.flatnonzero(np.abs(table - mine[t]).max(axis=1) < tolerance)
        if len(alike) and (not len(best[1]) or len(alike) < len(best[1])):
            best = (t, alike)
    return best


def _from_triangle(drawing: Mesh, a: int, piece: Mesh, b: int) -> Rigid:
    """Motion of one triangle onto another with the same sides."""
    p, q = drawing.vertices_mm[drawing.faces[a]], piece.vertices_mm[piece.faces[b]]
    # a corner is known by the side that faces it
    order = np.argsort(np.linalg.norm(np.roll(p, -1, axis=0) - np.roll(p, 1, axis=0), axis=1))
    other = np.argsort(np.linalg.norm(np.roll(q, -1, axis=0) - np.roll(q, 1, axis=0), axis=1))
    return fit_rigid(p[order], q[other])


def _same(a: PlacedBody, b: PlacedBody) -> bool:
    """Whether two pieces are parts of one body."""
    return a.kind == b.kind and _alike(a.scan_from_body, b.scan_from_body)
