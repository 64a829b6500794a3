"""Undo the facets of a drawing: a surface through its vertices that bends as they do.

A drawing replaces a curved side by chords, which lie inside it: an edge of
0.5 mm on a radius of 2.5 mm by up to 12 um. Left alone, that would go into
the surface offset of the sides but not of the top, and from there into the
height. Faces that are flat must stay flat, though, right up to the fillet
beside them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from accstudy.locate.smooth import SHARP_DEG, face_normals
from accstudy.mesh.model import Mesh

__all__ = ["refine_curved"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_TOLERANCE_MM = 0.0005
_MOST_FACES = 120_000
_FLAT_RAD = 1e-3
_PRIOR, _LEAST_PRIOR, _PROVEN, _DIAGONAL = 0.3, 1e-3, 30.0, 0.3
_LEAST_CREASE_RAD, _AGAIN, _MORE, _WIDE = np.radians(4.0), 0.4, 1.5, 3.0


@dataclass(frozen=True, slots=True)
class _Edges:
    """The three sides of every triangle; side k runs from corner k to corner k + 1.

    Parameters
    ----------
    length_mm : (m, 3) ndarray
    along : (m, 3, 3) ndarray
        Unit directions.
    twin : (m, 3) ndarray
        Number (3 f + k) of the same side in the neighbour; -1 without one.
    turn : (m, 3) ndarray
        Angle between the two faces' normals, rad; pi without a neighbour.
    """

    length_mm: Floats
    along: Floats
    twin: Ints
    turn: Floats


def refine_curved(mesh: Mesh) -> Mesh:
    """Replace triangles that stand for a bent surface by smaller ones on that surface.

    Parameters
    ----------
    mesh : Mesh
        A clean mesh.

    Returns
    -------
    Mesh
        Flat parts and creases are unchanged; elsewhere the surface passes
        through the same vertices, and every edge is bent to an arc.

    Notes
    -----
    An arc leaves its chord at both ends by the same angle. The normals at the
    vertices are those that come nearest to that for all edges together; where
    the facets around a vertex are alike, the mean normal that is exact for a
    sphere and a cylinder counts as well. So a fillet tells the normal at which
    it ends, and the face that it runs into stays flat. What is left of
    inequality makes an edge bend by the smaller of its two angles, and faces
    whose bending does not explain the angle between them meet in a crease.

    References
    ----------
    Max: Weights for computing vertex normals from facet normals, Journal of
    Graphics Tools 4 (1999) 1-6. Vlachos, Peters, Boyd, Mitchell: Curved PN
    triangles, Proc. Symposium on Interactive 3D Graphics (2001) 159-166: the
    cubic triangle used here.
    """
    edges = _edges_of(mesh)
    facet = _facets(edges)
    flat = _flat_faces(mesh, edges, facet)
    other = flat[np.maximum(edges.twin, 0) // 3]
    between = flat[:, None] & other & (edges.turn >= _FLAT_RAD)
    smooth = (edges.turn < np.radians(SHARP_DEG)) & ~between
    smooth &= ~_lone_turns(mesh, edges, smooth)
    normal, side = _bent_edges(mesh, edges, flat, smooth)
    return _subdivided(mesh, edges, normal, side)


def _edges_of(mesh: Mesh) -> _Edges:
    corners = mesh.vertices_mm[mesh.faces]
    d = np.roll(corners, -1, axis=1) - corners
    length = np.linalg.norm(d, axis=2)
    ends = np.stack([mesh.faces, np.roll(mesh.faces, -1, axis=1)], axis=2).reshape(-1, 2)
    ends = np.sort(ends.astype(np.int64), axis=1)
    order = np.lexsort((ends[:, 1], ends[:, 0]))
    same = np.all(ends[order][1:] == ends[order][:-1], axis=1)
    # an edge of exactly two faces; at one of three or more the body has no single surface
    only = same & ~np.append(same[1:], False) & ~np.append(False, same[:-1])
    twin = np.full(len(ends), -1)
    one, other = order[:-1][only], order[1:][only]
    twin[one], twin[other] = other, one
    normals, _ = face_normals(mesh)
    turn = np.full(len(ends), np.pi)
    f, g = normals[one // 3], normals[other // 3]
    angle = np.arctan2(np.linalg.norm(np.cross(f, g), axis=1), np.sum(f * g, axis=1))
    turn[one], turn[other] = angle, angle
    shape = (len(mesh.faces), 3)
    along = d / np.maximum(length, 1e-300)[:, :, None]
    return _Edges(length, along, twin.reshape(shape), turn.reshape(shape))


def _bent_edges(
    mesh: Mesh, edges: _Edges, flat: NDArray[np.bool_], smooth: NDArray[np.bool_]
) -> tuple[Floats, Floats]:
    """Normals at the corners, (m, 3, 3), and how sides leave their chords at both ends."""
    group = _groups(edges, smooth)
    normal = _vertex_normals(mesh, edges, flat, smooth, group)[group]
    ahead = -np.sum(normal * edges.along, axis=2)
    back = np.sum(np.roll(normal, -1, axis=1) * edges.along, axis=2)
    return normal, np.stack([ahead, back], axis=2)


def _groups(edges: _Edges, smooth: NDArray[np.bool_]) -> Ints:
    """Number of the smooth fan around its vertex that each corner belongs to, (m, 3)."""
    count = edges.twin.size
    side = np.flatnonzero((smooth & (edges.twin >= 0)).ravel())
    other = edges.twin.ravel()[side]
    # a side runs the other way in the neighbour
    rows = np.concatenate([side, _turned(side, 1)])
    columns = np.concatenate([_turned(other, 1), other])
    graph = sparse.coo_matrix((np.ones(len(rows), bool), (rows, columns)), shape=(count, count))
    _, group = sparse.csgraph.connected_components(graph, directed=False)
    return np.asarray(group, np.int64).reshape(-1, 3)


def _vertex_normals(
    mesh: Mesh, edges: _Edges, flat: NDArray[np.bool_], smooth: NDArray[np.bool_], group: Ints
) -> Floats:
    """Unit normals of the fans, from the arcs that their edges should be."""
    start, weight = _first_normals(mesh, edges, flat, group)
    frame = _frames(start)
    use = (edges.twin < 0) | ~smooth | (edges.twin > np.arange(smooth.size).reshape(-1, 3))
    # the diagonal of a facet is no arc where the bending changes along it, as on a cone
    trust = np.where(smooth & (edges.turn < _FLAT_RAD), _DIAGONAL, 1.0)[use]
    a, b = group[use], np.roll(group, -1, axis=1)[use]
    along = edges.along[use] * trust[:, None]
    rows = np.repeat(np.arange(len(a)), 4)
    columns = np.column_stack([2 * a, 2 * a + 1, 2 * b, 2 * b + 1]).ravel()
    values = np.concatenate(
        [np.einsum("ik,ijk->ij", along, frame[a]), np.einsum("ik,ijk->ij", along, frame[b])], axis=1
    ).ravel()
    arcs = sparse.csr_matrix((values, (rows, columns)), shape=(len(a), 2 * len(start)))
    left = np.sum((start[a] + start[b]) * along, axis=1)
    prior = np.repeat(np.sqrt(_PRIOR * weight), 2)
    change = _least_squares(arcs, left, prior)
    normal = start + np.einsum("ij,ijk->ik", change.reshape(-1, 2), frame)
    return np.asarray(normal / np.linalg.norm(normal, axis=1, keepdims=True))


def _least_squares(arcs: sparse.csr_matrix, left: Floats, prior: Floats) -> Floats:
    from scipy.sparse.linalg import spsolve

    matrix = (arcs.T @ arcs + sparse.diags(prior**2)).tocsc()
    return np.asarray(-spsolve(matrix, arcs.T @ left), float)


def _first_normals(
    mesh: Mesh, edges: _Edges, flat: NDArray[np.bool_], group: Ints
) -> tuple[Floats, Floats]:
    """Mean normals of the fans and how far they can be trusted, 0 to 1.

    The weights, sin(angle) / (product of the two sides), are exact on a sphere
    and on a cylinder however uneven the triangles, but not where a wide face
    runs into a narrow one that bends more: there the widest face counts.
    """
    face_normal, _ = face_normals(mesh)
    before = np.roll(edges.along, 1, axis=1)
    sine = np.linalg.norm(np.cross(edges.along, before), axis=2)
    share = sine / np.maximum(edges.length_mm * np.roll(edges.length_mm, 1, axis=1), 1e-300)
    facet = _groups(edges, edges.turn < _FLAT_RAD)
    facet_group = np.zeros(int(facet.max()) + 1, np.int64)
    facet_group[facet.ravel()] = group.ravel()
    count = int(group.max()) + 1
    facet_share: Floats = np.asarray(np.bincount(facet.ravel(), share.ravel()), float)
    facet_normal = _summed(facet.ravel(), share.ravel(), np.repeat(face_normal, 3, axis=0))
    size = 1.0 / np.maximum(facet_share, 1e-300)
    facet_unit = facet_normal * size[:, None]
    largest, smallest = np.zeros(count), np.full(count, np.inf)
    np.maximum.at(largest, facet_group, size)
    np.minimum.at(smallest, facet_group, size)
    alike = smallest / largest
    alone = np.bincount(facet_group, minlength=count) == 1
    even = _unit(_summed(facet_group, facet_share, facet_unit))
    wide = _unit(_summed(facet_group, (size / largest[facet_group]) ** 2, facet_unit))
    start = _unit(alike[:, None] * even + (1 - alike)[:, None] * wide)
    weight = np.where(alone, 10 * _LEAST_PRIOR, np.maximum(alike**4, _LEAST_PRIOR))
    level = np.zeros(count, bool)
    on_flat = np.zeros(len(size), bool)
    on_flat[facet[flat].ravel()] = True
    level[facet_group[on_flat]] = True
    proven = _unit(_summed(facet_group, on_flat.astype(float) * size, facet_unit))
    start[level], weight[level] = proven[level], _PROVEN
    return start, weight


def _facets(edges: _Edges) -> Ints:
    """Number of the flat facet that each triangle is a part of."""
    side = np.flatnonzero(((edges.twin >= 0) & (edges.turn < _FLAT_RAD)).ravel())
    n = len(edges.twin)
    graph = sparse.coo_matrix(
        (np.ones(len(side), bool), (side // 3, edges.twin.ravel()[side] // 3)), shape=(n, n)
    )
    return np.asarray(sparse.csgraph.connected_components(graph, directed=False)[1], np.int64)


def _flat_faces(mesh: Mesh, edges: _Edges, facet: Ints) -> NDArray[np.bool_]:
    """Triangles of facets that are certainly flat: those with a vertex inside.

    The strips and quadrangles of a bent surface have none.
    """
    level = (edges.twin >= 0) & (edges.turn < _FLAT_RAD)
    inside = np.ones(len(mesh.vertices_mm), bool)
    for k in range(3):
        np.logical_and.at(inside, mesh.faces[:, k], level[:, k] & level[:, k - 1])
    flat = np.zeros(int(facet.max()) + 1, bool)
    flat[facet[inside[mesh.faces].any(axis=1)]] = True
    return np.asarray(flat[facet])


def _summed(index: Ints, weight: Floats, rows: Floats) -> Floats:
    return np.column_stack([np.bincount(index, weight * rows[:, k]) for k in range(3)])


def _unit(rows: Floats) -> Floats:
    return np.asarray(rows / np.maximum(np.linalg.norm(rows, axis=1, keepdims=True), 1e-300))


def _frames(normal: Floats) -> Floats:
    """Two unit directions at right angles to each normal, (n, 2, 3)."""
    least = np.eye(3)[np.argmin(np.abs(normal), axis=1)]
    first = _unit(np.cross(normal, least))
    return np.stack([first, np.cross(normal, first)], axis=1)


def _slopes(edges: _Edges, side: Floats) -> tuple[Floats, Floats]:
    """How much each side bends, rad, and what its ends leave unexplained, (m, 3, 2)."""
    least = np.where(side[:, :, 0] * side[:, :, 1] > 0, np.min(np.abs(side), axis=2), 0.0)
    bend = np.sign(side[:, :, 0]) * least
    return bend, side - bend[:, :, None]


def _lone_turns(mesh: Mesh, edges: _Edges, smooth: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Edges across which the surface turns once and on neither side again: creases.

    A bent surface turns again at the far side of the next facet. A much wider facet that turns
    alike there says nothing: so does a flat face between two chamfers. Where a fillet begins it
    turns by half.
    """
    normals, area = face_normals(mesh)
    out = np.cross(edges.along, normals[:, None]).reshape(-1, 3)
    width = 2 * area[:, None] / np.maximum(edges.length_mm, 1e-300)
    turn = np.where(smooth & (edges.turn >= _FLAT_RAD), edges.turn, 0.0).ravel()
    side = np.arange(turn.size)
    twin = edges.twin.ravel()
    within = (twin >= 0) & (edges.turn.ravel() < _FLAT_RAD)  # between triangles of one facet
    again = np.zeros(turn.size)

    def look(other: Ints) -> None:
        facing = np.einsum("ij,ij->i", out, out[other]) < -0.5
        np.maximum(again, np.where(facing, turn[other], 0.0), out=again)

    for step in (1, 2):
        near = _turned(side, step)
        look(near)
        across = np.where(within[near], twin[near], side)
        look(_turned(across, 1))
        look(_turned(across, 2))
    beyond = np.maximum(twin, 0)
    again[(width.ravel() > _WIDE * width.ravel()[beyond]) & (again < _MORE * turn)] = 0.0
    most = np.maximum(again, again[beyond])
    lone = (turn > _LEAST_CREASE_RAD) & (most < _AGAIN * turn)
    return np.asarray(lone.reshape(smooth.shape))


def _turned(side: Ints, step: int) -> Ints:
    """The side of the same triangle that comes `step` later."""
    return side - side % 3 + (side + step) % 3


def _subdivided(mesh: Mesh, edges: _Edges, normal: Floats, side: Floats) -> Mesh:
    """Cut triangles into as many parts as their bending asks for."""
    bend, _ = _slopes(edges, side)
    height = edges.length_mm * np.tan(np.arcsin(np.clip(bend, -0.9, 0.9)) / 2) / 2
    sag = np.max(np.abs(height), axis=1)
    parts = np.clip(np.ceil(np.sqrt(sag / _TOLERANCE_MM)), 1, 12).astype(int)
    if np.sum(parts**2) > _MOST_FACES:
        scale = np.sqrt(_MOST_FACES / np.sum(parts**2))
        parts = np.maximum(1, (parts * scale).astype(int))
    corners = mesh.vertices_mm[mesh.faces]
    way = normal + np.roll(normal, -1, axis=1)
    way = way - np.sum(way * edges.along, axis=2, keepdims=True) * edges.along
    way = way / np.maximum(np.linalg.norm(way, axis=2, keepdims=True), 1e-300)
    lift = height[:, :, None] * way
    vertices, faces, count = [], [], 0
    for k in np.unique(parts):
        chosen = parts == k
        made = corners[chosen] if k == 1 else _bent(corners[chosen], lift[chosen], int(k))
        pattern = np.array([[0, 1, 2]]) if k == 1 else _pattern(int(k))
        per = made.shape[1]
        start = count + per * np.arange(len(made))
        vertices.append(made.reshape(-1, 3))
        faces.append((start[:, None, None] + pattern).reshape(-1, 3))
        count += made.shape[0] * per
    return Mesh(np.concatenate(vertices), np.concatenate(faces).astype(np.int32))


def _pattern(k: int) -> Ints:
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


def _bent(corners: Floats, lift: Floats, k: int) -> Floats:
    """Points of the triangles whose sides are lifted in the middle, (m, (k + 1)(k + 2) / 2, 3).

    A lifted side is the parabola through its ends and its middle; the surface
    between is the one of second degree.
    """
    lattice = np.array(_lattice(k)) / k
    u, v = lattice[:, 0], lattice[:, 1]
    w = 1 - u - v
    weights = (w, u, v)  # of corners 0, 1, 2
    out = sum(corners[:, None, i] * weights[i][None, :, None] for i in range(3))
    for i in range(3):
        product = 4 * weights[i] * weights[(i + 1) % 3]
        out = out + lift[:, None, i] * product[None, :, None]
    return np.asarray(out)
