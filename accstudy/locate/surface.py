"""Triangles of CAD geometry: cleaned, refined where they stand for a curved face, sampled."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from accstudy.mesh.model import Mesh

if TYPE_CHECKING:
    from scipy.spatial import cKDTree

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Faces = NDArray[np.int32]


FILTER_MM = 0.15
FILLET_MM = 0.015
"""Move by that filter from which surface is strongly bent: a fillet, an edge of 0.75 mm radius."""
_SPACING_MM = 0.08  # of points along edges
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
    """Weld equal vertices and drop triangles without a normal: of a height under 1e-6 mm."""
    vertices, index = np.unique(np.round(mesh.vertices_mm, 7), axis=0, return_inverse=True)
    faces = index.reshape(-1)[mesh.faces].astype(np.int32)
    corners = vertices[faces]
    longest = np.max(np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2), axis=1)
    _, area = face_normals(Mesh(vertices, faces))
    keep = 2 * area > 1e-6 * np.maximum(longest, 1e-6)
    return Mesh(vertices, faces[keep])


def connected(faces: Faces, count: int) -> Ints:
    """Number of the connected piece that each of `count` corners belongs to."""
    return _linked(faces[:, [0, 1]].T.ravel(), faces[:, [1, 2]].T.ravel(), count)


def _linked(one: NDArray[Any], other: NDArray[Any], count: int) -> Ints:
    """Number of the group that each of `count` things belongs to, linked pair by pair."""
    graph = sparse.coo_array((np.ones(len(one), bool), (one, other)), shape=(count, count))
    return np.asarray(sparse.csgraph.connected_components(graph, directed=False)[1], np.int64)


def outwards(mesh: Mesh) -> Mesh:
    """Turn a closed mesh that encloses a negative volume the right way round."""
    a, b, c = (mesh.vertices_mm[mesh.faces[:, k]] for k in range(3))
    volume = float(np.einsum("ij,ij->", a, np.cross(b, c)))
    return mesh if volume >= 0 else Mesh(mesh.vertices_mm, mesh.faces[:, ::-1], mesh.findings)


def sharp_edges(mesh: Mesh) -> tuple[Floats, Floats]:
    """Points, (n, 3), mm, along the edges at which a clean mesh bends sharply, and ends."""
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
    return _along(mesh, bent), _along(mesh, edges[alone])


def _along(mesh: Mesh, edges: NDArray[np.int64]) -> Floats:
    """Points along some edges."""
    if not len(edges):
        return np.zeros((0, 3))
    a, b = mesh.vertices_mm[edges[:, 0]], mesh.vertices_mm[edges[:, 1]]
    parts = np.maximum(1, np.ceil(np.linalg.norm(b - a, axis=1) / _SPACING_MM)).astype(int)
    which = np.repeat(np.arange(len(edges)), parts)
    step = np.arange(parts.sum()) - np.repeat(np.cumsum(parts) - parts, parts)
    t = (step + 0.5) / parts[which]
    return np.asarray(a[which] + t[:, None] * (b - a)[which])


@dataclass(frozen=True, slots=True)
class Rounding:
    """How a low-pass filter of 0.15 mm would move a body's surface."""

    tree: cKDTree  # points on the surface
    shift_mm: Floats  # (n,): how far each moves along the outward normal: convex surface sinks

    def at(self, points_mm: Floats) -> Floats:
        """Shift of the surface nearest to each point, mm."""
        _, index = self.tree.query(points_mm)
        return np.asarray(self.shift_mm[index])


def rounding_of(mesh: Mesh, usable: Faces) -> Rounding:
    """Filter a clean surface and see how it moves, over the triangles `usable`.

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
    """Spread points evenly over some of a mesh's triangles; also their normals, both (count, 3).

    The same for the same input: an additive recurrence takes the place of random numbers.
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


_TOLERANCE_MM = 0.0005
_MOST_FACES = 120_000
_FLAT_RAD, _STRAIGHT_RAD = 1e-3, np.radians(170)
_PRIOR, _LEAST_PRIOR, _PROVEN = 0.3, 1e-3, 30.0
_STRAIGHT, _DIAGONAL = 0.3, 0.1
_SHY = 0.7  # of what the widths of irregular facets justify
_BENT_RAD, _UNEQUAL, _ODD_SHARE = 0.01, 0.3, 0.02
_LEAST_CREASE_RAD, _AGAIN, _MORE, _WIDE = np.radians(4.0), 0.4, 1.5, 3.0


@dataclass(frozen=True, slots=True)
class _Edges:
    """The three sides of every triangle; side k runs from corner k to corner k + 1."""

    length_mm: Floats  # (m, 3)
    along: Floats  # (m, 3, 3): unit directions
    twin: Ints  # (m, 3): number (3 f + k) of the same side in the neighbour; -1 without one
    turn: Floats  # (m, 3): angle between the two faces' normals, rad; pi without a neighbour


def refine_curved(mesh: Mesh, *, scanned: bool = False) -> Mesh:
    """Replace triangles that stand for a bent surface by smaller ones on that surface.

    Flat parts and creases are unchanged; elsewhere the surface passes through the same vertices,
    and every edge is bent to an arc. A `scanned` mesh has triangles alike in size and shape, with
    noise that the bulges even out.

    An arc leaves its chord at both ends by the same angle. The normals at the vertices are those
    that come nearest to that for all edges together; where the facets around a vertex are alike,
    the mean normal that is exact for a sphere and a cylinder counts as well. So a fillet tells the
    normal at which it ends, and the face that it runs into stays flat. What is left of inequality
    makes an edge bend by the smaller of its two angles, and faces whose bending does not explain
    the angle between them meet in a crease. Where triangles are irregular, no edge bulges by more
    than the narrower facets beside it justify.

    Max: Weights for computing vertex normals from facet normals, Journal of Graphics Tools 4 (1999)
    1-6. Vlachos, Peters, Boyd, Mitchell: Curved PN triangles, Proc. Symposium on Interactive 3D
    Graphics (2001) 159-166: the cubic triangle used here.
    """
    edges = _edges_of(mesh)
    facet = _facets(edges)
    flat = _flat_faces(mesh, edges, facet)
    other = flat[np.maximum(edges.twin, 0) // 3]
    between = flat[:, None] & other & (edges.turn >= _FLAT_RAD)
    smooth = (edges.turn < np.radians(SHARP_DEG)) & ~between
    turn = np.where(smooth & (edges.turn >= _FLAT_RAD), edges.turn, 0.0).ravel()
    again, width = _across_facets(mesh, edges, facet, flat, turn)
    smooth &= ~_lone_turns(edges, turn, again, width)
    normal, side = _bent_edges(mesh, edges, flat, smooth, width)
    most_mm = _justified(edges, facet, smooth, width)
    most_mm[... if scanned else _regular(mesh, edges, smooth, side)] = np.inf
    return _subdivided(mesh, edges, normal, side, most_mm)


def _regular(mesh: Mesh, edges: _Edges, smooth: NDArray[np.bool_], side: Floats) -> Ints:
    """Triangles of patches whose sides are arcs, as in strips and grids of one surface.

    None where the drawing as a whole is not made of such patches. Where triangles are cut at
    random, by simplifying a mesh, say, many sides leave their chords at unequal angles, and none
    tells how far the surface bulges.
    """
    n = len(mesh.faces)
    face, turn = np.repeat(np.arange(n), 3).reshape(n, 3), np.abs(side)
    joined = smooth & (edges.twin >= 0)
    patch = _linked(face[joined], edges.twin[joined] // 3, n)
    count = int(patch.max()) + 1
    bent = (edges.twin >= 0) & (turn.max(axis=2) > _BENT_RAD)
    odd = np.abs(side[:, :, 0] - side[:, :, 1]) > _UNEQUAL * turn.sum(axis=2)
    area = face_normals(mesh)[1]

    sides = [np.bincount(patch, area * k.sum(axis=1), minlength=count) for k in (bent & odd, bent)]
    if sides[0].sum() > _ODD_SHARE * sides[1].sum():
        return np.zeros(0, np.int64)
    return np.flatnonzero((sides[0] <= _ODD_SHARE * sides[1])[patch])


def _justified(edges: _Edges, facet: Ints, smooth: NDArray[np.bool_], width: Floats) -> Floats:
    """How far each side may be lifted off its chord, (m, 3), mm.

    A chord c that turns by an angle a against the next one is off its arc by a c / 8. Of two
    facets that meet, the narrower tells over which length the surface turns: a wide one beside
    a narrow one may be flat.
    """
    across = width.reshape(edges.turn.shape)
    twin = np.maximum(edges.twin, 0)
    narrow = np.minimum(across, width[twin])
    joined = smooth & (edges.twin >= 0)
    turns = joined & (edges.turn >= _FLAT_RAD) & np.isfinite(narrow)
    sag = np.where(turns, edges.turn * np.where(turns, narrow, 0.0) / 8, 0.0).max(axis=1)
    most = np.zeros(int(facet.max()) + 1)
    np.maximum.at(most, facet, sag)
    own = most[facet]
    beyond = np.where(joined, own[twin // 3], np.inf)
    return np.asarray(_SHY * np.minimum(own[:, None], beyond))


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
    mesh: Mesh, edges: _Edges, flat: NDArray[np.bool_], smooth: NDArray[np.bool_], width: Floats
) -> tuple[Floats, Floats]:
    """Normals at the corners, (m, 3, 3), and how sides leave their chords at both ends."""
    group = _groups(edges, smooth)
    normal = _vertex_normals(mesh, edges, flat, smooth, group, width)[group]
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
    return _linked(rows, columns, count).reshape(-1, 3)


def _vertex_normals(
    mesh: Mesh,
    edges: _Edges,
    flat: NDArray[np.bool_],
    smooth: NDArray[np.bool_],
    group: Ints,
    width: Floats,
) -> Floats:
    """Unit normals of the fans, from the arcs that their edges should be."""
    start, weight, straight = _first_normals(mesh, edges, flat, group, width)
    frame = frames(start)
    use = (edges.twin < 0) | ~smooth | (edges.twin > np.arange(smooth.size).reshape(-1, 3))
    # a facet's diagonal is no arc where the bending changes along it, as on a cone
    inner = np.where(straight & np.roll(straight, -1, axis=1), _STRAIGHT, _DIAGONAL)
    trust = np.where(smooth & (edges.turn < _FLAT_RAD), inner, 1.0)[use]
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
    mesh: Mesh, edges: _Edges, flat: NDArray[np.bool_], group: Ints, width: Floats
) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Mean normals of the fans, how far they can be trusted, 0 to 1, and what `_shares` tells.

    The weights, sin(angle) / (product of the two sides), are exact on a sphere
    and on a cylinder however uneven the triangles, but not where a wide face
    runs into a narrow one that bends more: there the widest face counts.
    """
    face_normal, _ = face_normals(mesh)
    facet = _groups(edges, edges.turn < _FLAT_RAD)
    facet_group = np.zeros(int(facet.max()) + 1, np.int64)
    facet_group[facet.ravel()] = group.ravel()
    count = int(group.max()) + 1
    facet_share, straight = _shares(edges, facet, width)
    size = 1.0 / np.maximum(facet_share, 1e-300)
    facet_unit = np.zeros((len(size), 3))
    facet_unit[facet.ravel()] = np.repeat(face_normal, 3, axis=0)
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
    return start, weight, straight[facet]


def _shares(edges: _Edges, facet: Ints, width: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """Weights of the facets at their vertices, however cut, and whether their border is straight.

    The sine of the facet's angle over the product of its two sides; where a vertex lies within
    its border or inside, the sum for the parts into which it is cut straight across.
    """
    before = np.roll(edges.along, 1, axis=1)
    sine = np.linalg.norm(np.cross(edges.along, before), axis=2)
    angle = np.arctan2(sine, -np.sum(edges.along * before, axis=2))
    border = (edges.turn >= _FLAT_RAD) & np.isfinite(width.reshape(edges.turn.shape))
    index = facet.ravel()

    def at_vertex(values: Floats) -> Floats:
        return np.asarray(np.bincount(index, values.ravel()), float)

    next_mm = at_vertex(np.where(border, edges.length_mm, 0.0))
    past = np.roll(border, 1, axis=1)
    past_mm = at_vertex(np.where(past, np.roll(edges.length_mm, 1, axis=1), 0.0))
    across_mm = at_vertex(np.where(border, width.reshape(border.shape), 0.0))
    whole = at_vertex(angle)
    known = (next_mm > 0) & (past_mm > 0)
    next_mm, past_mm = np.where(known, next_mm, 1.0), np.where(known, past_mm, 1.0)
    corner = np.sin(whole) / (next_mm * past_mm)
    straight = (1 / next_mm + 1 / past_mm) / np.maximum(across_mm, 1e-300)
    plain = sine / np.maximum(edges.length_mm * np.roll(edges.length_mm, 1, axis=1), 1e-300)
    share = np.where(whole < _STRAIGHT_RAD, corner, straight)
    return np.where(known, share, at_vertex(plain)), known & (whole >= _STRAIGHT_RAD)


def _facets(edges: _Edges) -> Ints:
    """Number of the flat facet that each triangle is a part of."""
    side = np.flatnonzero(((edges.twin >= 0) & (edges.turn < _FLAT_RAD)).ravel())
    return _linked(side // 3, edges.twin.ravel()[side] // 3, len(edges.twin))


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


def frames(normal: Floats) -> Floats:
    """Two unit directions at right angles to each normal, (n, 2, 3)."""
    least = np.eye(3)[np.argmin(np.abs(normal), axis=1)]
    first = _unit(np.cross(normal, least))
    return np.stack([first, np.cross(normal, first)], axis=1)


def _slopes(edges: _Edges, side: Floats) -> tuple[Floats, Floats]:
    """How much each side bends, rad, and what its ends leave unexplained, (m, 3, 2)."""
    least = np.where(side[:, :, 0] * side[:, :, 1] > 0, np.min(np.abs(side), axis=2), 0.0)
    bend = np.sign(side[:, :, 0]) * least
    return bend, side - bend[:, :, None]


def _across_facets(
    mesh: Mesh, edges: _Edges, facet: Ints, flat: NDArray[np.bool_], turn: Floats
) -> tuple[Floats, Floats]:
    """What lies across the facet from each of its sides, (3 m,).

    Returns how much the surface turns at the facet's far side, rad, 0 where it does not and for
    faces that are flat; and how wide the facet is there, mm, infinite for those faces. The sides
    between triangles of one facet do not count.
    """
    normals, _ = face_normals(mesh)
    out = np.cross(edges.along, normals[:, None]).reshape(-1, 3)
    start = mesh.vertices_mm[mesh.faces].reshape(-1, 3)
    again, width = np.zeros(turn.size), np.full(turn.size, np.inf)
    rim = np.flatnonzero((~flat[:, None] & (edges.turn >= _FLAT_RAD)).ravel())
    rim = rim[np.argsort(facet[rim // 3], kind="stable")]
    _, first, count = np.unique(facet[rim // 3], return_index=True, return_counts=True)
    for k in np.unique(count):
        side = rim[first[count == k][:, None] + np.arange(k)]  # facets, sides
        facing = np.einsum("fid,fjd->fij", out[side], out[side]) < -0.5
        again[side] = np.max(np.where(facing, turn[side][:, None, :], 0.0), axis=2)
        reach = np.einsum("fid,fid->fi", start[side], out[side])[:, :, None]
        width[side] = np.max(reach - np.einsum("fjd,fid->fij", start[side], out[side]), axis=2)
    return again, width


def _lone_turns(edges: _Edges, turn: Floats, again: Floats, width: Floats) -> NDArray[np.bool_]:
    """Edges across which the surface turns once and on neither side again: creases.

    A bent surface turns again at the far side of the next facet. A much wider facet that turns
    alike there says nothing: so does a flat face between two chamfers. Where a fillet begins it
    turns by half.
    """
    beyond = np.maximum(edges.twin.ravel(), 0)
    again = np.where((width > _WIDE * width[beyond]) & (again < _MORE * turn), 0.0, again)
    most = np.maximum(again, again[beyond])
    lone = (turn > _LEAST_CREASE_RAD) & (most < _AGAIN * turn)
    return np.asarray(lone.reshape(edges.turn.shape))


def _turned(side: Ints, step: int) -> Ints:
    """The side of the same triangle that comes `step` later."""
    return side - side % 3 + (side + step) % 3


def _subdivided(mesh: Mesh, edges: _Edges, normal: Floats, side: Floats, most_mm: Floats) -> Mesh:
    """Cut triangles into as many parts as their bending asks for."""
    bend, _ = _slopes(edges, side)
    height = edges.length_mm * np.tan(np.arcsin(np.clip(bend, -0.9, 0.9)) / 2) / 2
    height = np.clip(height, -most_mm, most_mm)
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
