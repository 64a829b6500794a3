"""CAD geometry of a scan body prepared for fitting, once for all scans."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from accstudy.errors import InputError
from accstudy.locate.curved import refine_curved
from accstudy.locate.drawing import ScanBody
from accstudy.locate.rotation import RadialMap, radial_map
from accstudy.locate.surface import (
    FILLET_MM,
    PairTable,
    Rounding,
    clean_mesh,
    face_normals,
    outwards,
    pair_table,
    rounding_of,
    sharp_edges,
    spread_points,
)
from accstudy.mesh.model import Mesh

if TYPE_CHECKING:
    from scipy.spatial import cKDTree

    from accstudy.mesh.scene import Scene

__all__ = ["Closest", "Growth", "PreparedBody", "RoughDistance", "prepare_body"]

Floats = NDArray[np.float64]

_SPREAD, _PAIRED = 600, 220
_NODES_MM, _AROUND_MM = 0.2, 0.9
_KEPT = 16
_SLIDES_MM = 2.4  # at least
_RIM_MM = 0.06
_cache: dict[bytes, PreparedBody] = {}


@dataclass(frozen=True, slots=True)
class PreparedBody:
    """Everything about a scan body that does not depend on the scan.

    Parameters
    ----------
    body : ScanBody
        As the study gives it.
    drawing : Mesh
        Its drawing without degenerate triangles.
    surface : Mesh
        Its surface without degenerate triangles, finer where it is curved.
    scene : Scene
        Closest points on that surface.
    face_normals : (m, 3) ndarray
        Unit normals of its triangles.
    face_offsets_mm : (m,) ndarray
        Distances of their planes from the origin.
    rough : RoughDistance
        Closest points, quickly and to some hundredths of a millimetre.
    points_mm, normals : (n, 3) ndarray
        Spread over the usable, visible part.
    pairs : PairTable
        Pairs of some of them.
    edges, rim : cKDTree or None
        Points along sharp edges and ends, and along the ends of an open surface alone.
    area_mm2 : float
        Area of the usable, visible part.
    radial : RadialMap
        Its outside around the axis.
    twins_deg : tuple of float
        Turns after which it lies nearly on itself.
    reach_mm : float
        Largest distance of the surface from the platform centre.
    rounding : Rounding
        How a low-pass filter would move its surface.
    growth : Growth
        How a drawing of the wrong size would show.
    """

    body: ScanBody
    drawing: Mesh
    surface: Mesh
    scene: Scene
    face_normals: Floats
    face_offsets_mm: Floats
    rough: RoughDistance
    points_mm: Floats
    normals: Floats
    pairs: PairTable
    edges: cKDTree | None
    rim: cKDTree | None
    area_mm2: float
    radial: RadialMap
    twins_deg: tuple[float, ...]
    reach_mm: float
    rounding: Rounding
    growth: Growth

    @property
    def slide_mm(self) -> float:
        """How far along its axis a body may first be taken for another part of itself."""
        usable = float(self.points_mm[:, 2].max()) - self.body.use_above_mm
        return max(_SLIDES_MM, 0.5 * usable)

    @property
    def slenderness(self) -> float:
        """Height of the top over the smallest radius of the sides, 1 at least."""
        radius = self.radial.radius_mm
        least = float(np.nanmin(radius)) if np.isfinite(radius).any() else self.reach_mm
        return max(1.0, float(self.points_mm[:, 2].max()) / max(least, 0.1))

    def closest(self, points_mm: Floats) -> Closest:
        """Find the nearest surface of the drawing for points of a scan.

        Parameters
        ----------
        points_mm : (n, 3) ndarray
            In the implant frame.

        Returns
        -------
        Closest
        """
        return _nearest(self.scene, self.face_normals, self.face_offsets_mm, self.rim, points_mm)


@dataclass(frozen=True, slots=True)
class Closest:
    """Where a drawing is nearest to points of a scan.

    Parameters
    ----------
    distance_mm : (n,) ndarray
        Positive outside.
    direction : (n, 3) ndarray
        Unit gradient of the distance.
    normal : (n, 3) ndarray
        Normal of the drawing there.
    height_mm : (n,) ndarray
        Height over the platform of the nearest place.
    missed : (n,) ndarray of bool
        Whether the nearest place is where an open surface ends: what the point belongs to is
        not drawn.
    """

    distance_mm: Floats
    direction: Floats
    normal: Floats
    height_mm: Floats
    missed: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class RoughDistance:
    """Distances to a drawing from the nodes of a cubic grid around it, continued linearly.

    Parameters
    ----------
    low_mm : (3,) ndarray
        First node.
    count : (3,) ndarray of int
        Nodes along each axis.
    table : (n, 10) ndarray
        By node: distance continued to the origin, its gradient, normal and height of the nearest
        place, distance to the nearest sharp edge, and whether a drawn place is missed.
    """

    low_mm: Floats
    count: NDArray[np.int64]
    table: NDArray[np.float32]

    def closest(self, points_mm: Floats) -> Closest:
        """As `PreparedBody.closest`, within 0.02 mm or so; far outside the grid infinitely far."""
        single, inside = self._rows(points_mm)
        row = single.astype(float)
        direction = row[:, 1:4]
        distance = row[:, 0] + np.einsum("ij,ij->i", direction, points_mm)
        distance[~inside] = np.inf
        return Closest(distance, direction, row[:, 4:7], row[:, 7], row[:, 9] > 0)

    def beside_edges(self, points_mm: Floats, within_mm: float) -> NDArray[np.int64]:
        """Which points may lie so near a sharp edge; the others do not."""
        row, _ = self._rows(points_mm)
        return np.flatnonzero(row[:, 8] < within_mm + np.sqrt(0.75) * _NODES_MM)

    def _rows(self, points_mm: Floats) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
        """Rows of the nearest nodes, and whether points lie within the grid."""
        number: NDArray[np.int64] | int = 0
        inside: NDArray[np.bool_] | bool = True
        for k, count in enumerate(self.count.tolist()):
            scaled = (points_mm[:, k] - self.low_mm[k]) * (1.0 / _NODES_MM) + 0.5
            inside &= (scaled >= 0.0) & (scaled < count)
            number = number * count + np.clip(scaled, 0.0, count - 1).astype(np.int64)
        return self.table.take(number, axis=0), np.asarray(inside)


def _nearest(
    scene: Scene, normals: Floats, offsets_mm: Floats, rim: cKDTree | None, points_mm: Floats
) -> Closest:
    distance, face, foot = scene.closest(points_mm)
    flat = normals.take(face, axis=0)
    # Over a triangle its plane gives the distance in double precision;
    # beyond an edge of it the distance is to the edge.
    plane = np.einsum("ij,ij->i", points_mm, flat) - offsets_mm.take(face)
    size = np.abs(distance)
    beyond = np.flatnonzero(size - np.abs(plane) > 1e-5 + 1e-3 * size)
    direction, missed = flat, np.zeros(len(points_mm), bool)
    if len(beyond):
        direction = flat.copy()
        direction[beyond] = (points_mm[beyond] - foot[beyond]) / distance[beyond, None]
        plane[beyond] = distance[beyond]
        if rim is not None:
            away, _ = rim.query(foot[beyond], distance_upper_bound=_RIM_MM)
            missed[beyond] = np.isfinite(away)
    return Closest(plane, direction, flat, foot[:, 2], missed)


def _rough_distance(
    surface: Mesh, nearest: Callable[[Floats], Closest], edges: cKDTree | None
) -> RoughDistance:
    low = surface.vertices_mm.min(axis=0) - _AROUND_MM
    high = surface.vertices_mm.max(axis=0) + _AROUND_MM
    count = np.ceil((high - low) / _NODES_MM).astype(np.int64) + 1
    nodes = low + _NODES_MM * np.indices(tuple(count)).reshape(3, -1).T
    near = nearest(nodes)
    constant = near.distance_mm - np.einsum("ij,ij->i", near.direction, nodes)
    edge = np.full(len(nodes), np.inf) if edges is None else edges.query(nodes)[0]
    columns = [constant, near.direction, near.normal, near.height_mm, edge, near.missed]
    return RoughDistance(low, count, np.column_stack(columns).astype(np.float32))


@dataclass(frozen=True, slots=True)
class Growth:
    """What becomes of a scan body that is larger than its drawing, per share of growth.

    By surface that is not strongly bent: fillets tell of chords and rounding rather.

    Parameters
    ----------
    shown_mm : float
        Root mean square distance that is left between surface and drawing after the best fit.
    height_mm : float
        How much higher the fitted platform lies.
    """

    shown_mm: float
    height_mm: float


def _growth_of(points_mm: Floats, normals: Floats) -> Growth:
    """Least squares of a growing surface over pose and offset."""
    columns = [normals, np.cross(points_mm, normals), -np.ones((len(points_mm), 1))]
    jacobian = np.concatenate(columns, axis=1)
    grown = np.sum(points_mm * normals, axis=1)
    change, *_ = np.linalg.lstsq(jacobian, -grown, rcond=1e-6)
    shown = float(np.sqrt(np.mean((grown + jacobian @ change) ** 2)))
    return Growth(shown, float(-change[2]))


def prepare_body(body: ScanBody) -> PreparedBody:
    """Make a scan body's drawing ready for fitting.

    Parameters
    ----------
    body : ScanBody
        The drawing in the implant frame.

    Returns
    -------
    PreparedBody
        The last few are kept, by content, so that it costs nothing to ask again.

    Raises
    ------
    InputError
        If no surface of the drawing lies above ``use_above_mm``.
    """
    key = _digest(body)
    if key not in _cache:
        while len(_cache) >= _KEPT:
            _cache.pop(next(iter(_cache)))
        _cache[key] = _prepare(body)
    return _cache[key]


def _digest(body: ScanBody) -> bytes:
    text = hashlib.sha256(
        repr((body.name, body.has_flat, body.use_above_mm, body.learned)).encode()
    )
    text.update(np.ascontiguousarray(body.mesh.vertices_mm).tobytes())
    text.update(np.ascontiguousarray(body.mesh.faces).tobytes())
    return text.digest()


def _prepare(body: ScanBody) -> PreparedBody:
    from scipy.spatial import cKDTree

    from accstudy.mesh.scene import Scene

    plain = outwards(clean_mesh(body.mesh))
    surface = clean_mesh(refine_curved(plain, scanned=body.learned))
    scene = Scene(surface)
    normals, areas = face_normals(surface)
    corners = surface.vertices_mm[surface.faces]
    usable = corners[:, :, 2].max(axis=1) > body.use_above_mm
    if not usable.any():
        raise InputError(
            f'scan body "{body.name}" has no surface above use_above_mm = {body.use_above_mm:g}',
            hint="check origin_mm, axis and length_unit of the scan body",
        )
    points, point_normals = spread_points(surface, surface.faces[usable], _SPREAD)
    seen = (points[:, 2] > body.use_above_mm) & ~scene.hits(
        points + 0.01 * point_normals, point_normals
    )
    area = float(areas[usable].sum() * seen.mean())
    points, point_normals = points[seen], point_normals[seen]
    top = float(surface.vertices_mm[:, 2].max())
    reach = float(np.linalg.norm(surface.vertices_mm, axis=1).max())
    few = slice(None, None, max(1, len(points) // _PAIRED))
    bent, ends = (e[e[:, 2] > body.use_above_mm - 0.5] for e in sharp_edges(plain))
    edges = np.concatenate([bent, ends])
    edge_tree = cKDTree(edges) if len(edges) else None
    rim = cKDTree(ends) if len(ends) else None
    offsets = np.einsum("ij,ij->i", corners[:, 0], normals)
    rounding = rounding_of(surface, surface.faces[usable])
    gently = np.abs(rounding.at(points)) < FILLET_MM  # bent, if at all
    radial = radial_map(scene, low_mm=body.use_above_mm, high_mm=top, reach_mm=reach + 1.0)
    return PreparedBody(
        body=body,
        drawing=plain,
        surface=surface,
        scene=scene,
        face_normals=normals,
        face_offsets_mm=offsets,
        rough=_rough_distance(surface, partial(_nearest, scene, normals, offsets, rim), edge_tree),
        points_mm=points,
        normals=point_normals,
        pairs=pair_table(points[few], point_normals[few]),
        edges=edge_tree,
        rim=rim,
        area_mm2=area,
        radial=radial,
        twins_deg=tuple(radial.twins_deg()),
        reach_mm=reach,
        rounding=rounding,
        growth=_growth_of(points[gently], point_normals[gently]),
    )
