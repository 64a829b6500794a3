"""The mean of surfaces that lie on each other, smooth where they are and open beside edges."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from accstudy.locate.surface import clean_mesh
from accstudy.mesh.model import Mesh, area_vectors, vertex_normals

if TYPE_CHECKING:
    from scipy.spatial import cKDTree

__all__ = ["area_mm2", "mean_surface"]

Floats = NDArray[np.float64]

_REACHES, _REACH_RANGE_MM, _NEIGHBOURS, _LEAST_NEIGHBOURS = 1.4, (0.1, 0.3), 48, 12
_BENT, _SMOOTH_SHARE = 2.0, 0.2
_GAP_MM = 0.3


def area_mm2(mesh: Mesh) -> float:
    """Area of a surface."""
    return float(np.linalg.norm(area_vectors(mesh), axis=1).sum())


def mean_surface(placed: Sequence[Mesh], first: int) -> tuple[Mesh, float]:
    """Average copies of a surface that lie on each other.

    Parameters
    ----------
    placed : sequence of Mesh
        The copies, mm.
    first : int
        The one whose triangles are kept; the others fill what it lacks.

    Returns
    -------
    mean : Mesh
        Every vertex on a quadric through the points of all copies around it; open where no
        quadric describes these within their noise.
    scatter_mm : float
        Root mean square distance of the points from it.
    """
    from scipy.spatial import cKDTree

    whole = _united([placed[first], *(one for k, one in enumerate(placed) if k != first)])
    points = np.concatenate([one.vertices_mm for one in placed])
    spacing = np.sqrt(area_mm2(whole) / len(points))
    reach = float(np.clip(_REACHES * spacing, *_REACH_RANGE_MM))
    whole = _finer(whole, reach)
    at = whole.vertices_mm
    n = vertex_normals(whole.faces, area_vectors(whole), len(at))
    normals = [vertex_normals(o.faces, area_vectors(o), len(o.vertices_mm)) for o in placed]
    pool = _Pool(points, np.concatenate(normals), cKDTree(points), reach)
    found = _quadrics(at, n, pool)
    limit = _BENT * float(np.quantile(found.off_mm, _SMOOTH_SHARE))
    smooth = found.off_mm < limit
    shift = found.shift_mm[:, None] * n
    # beside an edge: the face that is smooth farther off may reach up to here
    bent = np.flatnonzero(~smooth)
    near = cKDTree(at[smooth]).query(at[bent], distance_upper_bound=2.5 * reach)
    away, nearest = (np.asarray(part) for part in near)
    bent, nearest = bent[np.isfinite(away)], np.flatnonzero(smooth)[nearest[np.isfinite(away)]]
    start = (at[nearest], found.terms[nearest])
    side = _quadrics(at[bent], n[nearest], pool, start=start, near_mm=3 * limit)
    reached = (side.off_mm < limit) & (np.abs(side.shift_mm) < 3 * limit)
    shift[bent[reached]] = side.shift_mm[reached, None] * n[nearest[reached]]
    smooth[bent[reached]] = True
    faces = whole.faces[smooth[whole.faces].all(axis=1)]
    used, index = np.unique(faces, return_inverse=True)
    scatter = float(np.sqrt(np.mean(found.off_mm[found.off_mm < limit] ** 2)))
    return Mesh((at + shift)[used], index.reshape(-1, 3).astype(np.int32)), scatter


def _united(copies: Sequence[Mesh]) -> Mesh:
    """The first copy, and of the others what lies where none of the former has a surface."""
    from accstudy.mesh.scene import Scene

    whole = copies[0]
    for one in copies[1:]:
        away, _, _ = Scene(whole).closest(one.vertices_mm[one.faces].mean(axis=1))
        lacking = one.faces[np.abs(away) > _GAP_MM]
        whole = Mesh(
            np.concatenate([whole.vertices_mm, one.vertices_mm]),
            np.concatenate([whole.faces, lacking + np.int32(len(whole.vertices_mm))]),
        )
    used, index = np.unique(whole.faces, return_inverse=True)
    return Mesh(whole.vertices_mm[used], index.reshape(-1, 3).astype(np.int32))


def _finer(mesh: Mesh, longest_mm: float) -> Mesh:
    """The same surface with edges no longer than that."""
    import trimesh

    body = trimesh.Trimesh(mesh.vertices_mm, mesh.faces, process=False)
    finer = trimesh.remesh.subdivide_to_size
    vertices, faces = finer(body.vertices, body.faces, longest_mm)  # type: ignore[no-untyped-call]
    return clean_mesh(Mesh(np.asarray(vertices, float), np.asarray(faces, np.int32)))


@dataclass(frozen=True, slots=True)
class _Pool:
    """Points of all copies, with their normals and how far around a quadric looks."""

    points_mm: Floats
    normals: Floats
    tree: cKDTree
    reach_mm: float


@dataclass(frozen=True, slots=True)
class _Quadrics:
    """Quadrics through the points around vertices.

    Parameters
    ----------
    shift_mm : (n,) ndarray
        From each vertex along its normal to its quadric.
    off_mm : (n,) ndarray
        Root mean square distance of the points around from it; infinite with too few of them.
    terms : (n, 6) ndarray
        Its coefficients, across in units of the reach.
    """

    shift_mm: Floats
    off_mm: Floats
    terms: Floats


def _quadrics(
    at: Floats,
    normal: Floats,
    pool: _Pool,
    *,
    start: tuple[Floats, Floats] | None = None,
    near_mm: float = 0.0,
) -> _Quadrics:
    """Fit quadrics, if told so to points near others only, given by place and terms."""
    away, index = pool.tree.query(at, k=_NEIGHBOURS, distance_upper_bound=2.5 * pool.reach_mm)
    there = np.isfinite(away)
    index = np.where(there, index, 0)
    there &= np.einsum("ijk,ik->ij", pool.normals[index], normal) > 0.0  # a wall has two sides
    across = np.stack([_square(normal), np.cross(normal, _square(normal))], axis=1)

    def seen_from(origin: Floats) -> tuple[Floats, Floats]:
        local = pool.points_mm[index] - origin[:, None]
        u, v = np.einsum("ijk,ilk->lij", local, across) / pool.reach_mm
        terms = np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=2)
        return terms, np.einsum("ijk,ik->ij", local, normal)

    if start is not None:
        terms, height = seen_from(start[0])
        there &= np.abs(height - np.einsum("ijk,ik->ij", terms, start[1])) < near_mm
    terms, height = seen_from(at)
    weight = np.where(there, np.exp(-0.5 * (away / pool.reach_mm) ** 2), 0.0)
    squared = np.einsum("ijk,ij,ijl->ikl", terms, weight, terms)
    right = np.einsum("ijk,ij,ij->ik", terms, weight, height)
    found = np.linalg.solve(squared + 1e-6 * np.eye(6), right[..., None])[..., 0]
    square = (height - np.einsum("ijk,ik->ij", terms, found)) ** 2
    off = np.sqrt(np.sum(weight * square, axis=1) / np.maximum(weight.sum(axis=1), 1e-9))
    enough = there.sum(axis=1) >= _LEAST_NEIGHBOURS
    return _Quadrics(found[:, 0], np.where(enough, off, np.inf), found)


def _square(normal: Floats) -> Floats:
    """A unit vector square to each normal."""
    least = np.eye(3)[np.argmin(np.abs(normal), axis=1)]
    across = np.cross(normal, least)
    return np.asarray(across / np.linalg.norm(across, axis=1, keepdims=True))
