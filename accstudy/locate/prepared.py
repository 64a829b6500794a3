"""CAD geometry of a scan body prepared for all fits: distances, radii, pairs of points."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from accstudy.errors import InputError
from accstudy.geometry.rigid import Rigid
from accstudy.locate.scan_body import ScanBody
from accstudy.locate.surface import (
    FILLET_MM,
    Rounding,
    clean_mesh,
    face_normals,
    outwards,
    refine_curved,
    rounding_of,
    sharp_edges,
    spread_points,
)
from accstudy.mesh.model import Mesh
from accstudy.mesh.scene import Scene

if TYPE_CHECKING:
    from scipy.spatial import cKDTree

    from accstudy.mesh.scene import Scene

Floats = NDArray[np.float64]

_STEP_DEG, _STEP_MM = 2.0, 0.1
_CAP_MM = 0.2
_GAP_STEPS = 15
_TWIN_MM = 0.12
_SHARE, _VALLEYS, _POINTS = 0.3, 8, 500  # valleys down to this share of the range of the cost
_SEEN = 0.6  # of the angles around a drawing that is open beside its edges


@dataclass(frozen=True, slots=True)
class RadialMap:
    """How far a drawing's outside is from its axis, around and along."""

    # (a, b): by angle (steps of 2 deg) and height (steps of 0.1 mm); NaN where a ray outwards from
    # the axis leaves the drawing at no side
    radius_mm: Floats
    low_mm: float  # height of the first row
    # whether gaps were filled: beside edges that an open drawing lacks, the radius is a guess
    bridged: bool = False

    @property
    def unround_mm(self) -> float:
        """Largest range of the radius around any height."""
        known = np.isfinite(self.radius_mm).all(axis=0)
        if not known.any():
            return 0.0
        return float(np.max(np.ptp(self.radius_mm[:, known], axis=0)))

    def twins_deg(self) -> list[float]:
        """Turns after which the drawing lies nearly on itself, perhaps moved sideways, deg."""
        known = np.isfinite(self.radius_mm).all(axis=0)
        if not known.any() or self.unround_mm < _CAP_MM / 4:
            return []
        radius = self.radius_mm[:, known]
        angle = np.radians(_STEP_DEG) * np.arange(len(radius))
        shift = np.column_stack([np.cos(angle), np.sin(angle)])
        found = []
        for k in range(len(radius)):
            off = np.roll(radius, k, axis=0) - radius
            use = np.arange(len(off))
            for _ in range(1 + self.bridged):
                sideways, *_ = np.linalg.lstsq(shift[use], off[use].mean(axis=1), rcond=None)
                left = off - (shift @ sideways)[:, None]
                around = np.mean(left**2, axis=1)
                if self.bridged:  # without the gaps, and what they are turned onto
                    use = np.argsort(around, kind="stable")[: int(_SEEN * len(off))]
            found.append(float(np.sqrt(np.mean(around[use]))))
        rms = np.array(found)
        low = (rms < _TWIN_MM) & (rms <= np.roll(rms, 1)) & (rms < np.roll(rms, -1))
        low[0] = False
        return [float(k * _STEP_DEG) for k in np.flatnonzero(low)[:8]]


def _radial_map(scene: Scene, *, low_mm: float, high_mm: float, reach_mm: float) -> RadialMap:
    """Measure a drawing by rays towards its axis, which start `reach_mm` from it."""
    angle = np.radians(np.arange(0.0, 360.0, _STEP_DEG))
    height = np.arange(low_mm + 0.5 * _STEP_MM, high_mm, _STEP_MM)
    a, z = np.meshgrid(angle, height, indexing="ij")
    out = np.stack([np.cos(a), np.sin(a), np.zeros_like(a)], axis=-1).reshape(-1, 3)
    start = out * reach_mm + np.stack([0 * z, 0 * z, z], axis=-1).reshape(-1, 3)
    along, _ = scene.cast(start, -out)
    radius = np.where(along < reach_mm, reach_mm - along, np.nan)
    radius = radius.reshape(a.shape)
    filled = _bridged(radius)
    return RadialMap(filled, low_mm, bool((np.isfinite(filled) & ~np.isfinite(radius)).any()))


def _bridged(radius_mm: Floats) -> Floats:
    """Fill short gaps around the axis: strips that an open drawing lacks beside its edges."""
    out = radius_mm.copy()
    steps = np.arange(len(out))
    for column in out.T:
        known = np.flatnonzero(np.isfinite(column))
        if not 0 < len(known) < len(column):
            continue
        around = np.concatenate([known - len(column), known, known + len(column)])
        last = np.searchsorted(around, steps, side="right") - 1
        gap = around[last + 1 - np.isin(steps, known)] - around[last]
        fill = np.isnan(column) & (gap <= _GAP_STEPS)
        column[fill] = np.interp(steps[fill], around, np.tile(column[known], 3))
    return out


@dataclass(frozen=True, slots=True)
class _TurnProfile:
    """How well the drawing fits at every rotation about its axis."""

    angles_deg: Floats  # (k,): rotations, equally spaced over the circle
    cost_mm2: Floats  # (k,): mean squared radial distance, each distance capped

    def minima(self) -> list[float]:
        """Rotations, deg, that only a closer look can tell from the best; best first.

        The lowest point of every valley that reaches down to a share of the range of the cost.
        """
        c = self.cost_mm2
        low = (c <= np.roll(c, 1)) & (c < np.roll(c, -1))
        low &= c <= c.min() + _SHARE * (c.max() - c.min())
        found = np.flatnonzero(low)
        order = found[np.argsort(c[found], kind="stable")]
        return [float(self.angles_deg[i]) for i in order[:_VALLEYS]]


def search_turn(
    drawing: RadialMap, points_mm: Floats, normals: Floats, *, offset_mm: float
) -> _TurnProfile:
    """Compare a scan body's sides with the drawing at every rotation about the axis.

    Points and normals, (n, 3), are in the implant frame but for that rotation.
    """
    count, rows = drawing.radius_mm.shape
    row = np.floor((points_mm[:, 2] - drawing.low_mm) / _STEP_MM).astype(np.int64)
    radius = np.hypot(points_mm[:, 0], points_mm[:, 1])
    use = (row >= 0) & (row < rows) & (np.abs(normals[:, 2]) < 0.5)
    use &= radius < np.nanmax(drawing.radius_mm) + 2 * _CAP_MM
    use = np.flatnonzero(use)
    use = use[:: max(1, len(use) // _POINTS)]
    angle = np.arctan2(points_mm[use, 1], points_mm[use, 0])
    column = np.floor(np.degrees(angle) / _STEP_DEG + 0.5).astype(np.int64)
    turn = np.arange(count)
    expected = drawing.radius_mm[(column[None] - turn[:, None]) % count, row[use][None]]
    away = np.minimum(np.abs(radius[use][None] - offset_mm - expected), _CAP_MM)
    away = np.where(np.isfinite(away), away, _CAP_MM)
    cost = np.asarray(np.sum(away**2, axis=1) / max(len(use), 1), float)
    return _TurnProfile(np.asarray(turn * _STEP_DEG, float), cost)


def turned(pose: Rigid, angle_deg: float) -> Rigid:
    """Turn a body about its own axis."""
    a = np.radians(angle_deg)
    c, s = np.cos(a), np.sin(a)
    return pose.after(Rigid(np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]]), np.zeros(3)))


Ints = NDArray[np.int64]

_SPREAD, _PAIRED = 600, 220
_NODES_MM, _AROUND_MM = 0.2, 0.9
_KEPT = 16
_SLIDES_MM = 2.4  # at least
_RIM_MM = 0.06
_NEAR_MM, _FAR_MM, _PAIR_STEP_MM = 1.2, 6.0, 0.4
_ANGLES = 9  # steps of the cosine from -1 to 1
_cache: dict[bytes, PreparedBody] = {}


@dataclass(frozen=True, slots=True)
class PreparedBody:
    """Everything about a scan body that does not depend on the scan."""

    body: ScanBody  # as the study gives it
    drawing: Mesh  # its drawing without degenerate triangles
    surface: Mesh  # its surface without degenerate triangles, finer where it is curved
    scene: Scene  # closest points on that surface
    face_normals: Floats  # (m, 3): unit normals of its triangles
    face_offsets_mm: Floats  # (m,): distances of their planes from the origin
    rough: _RoughDistance  # closest points, quickly and to some hundredths of a millimetre
    points_mm: Floats  # (n, 3): spread over the usable, visible part
    normals: Floats  # (n, 3)
    pairs: PairTable  # pairs of some of them
    # points along sharp edges and ends, and along the ends of an open surface alone
    edges: cKDTree | None
    rim: cKDTree | None
    area_mm2: float  # area of the usable, visible part
    radial: RadialMap  # its outside around the axis
    twins_deg: tuple[float, ...]  # turns after which it lies nearly on itself
    reach_mm: float  # largest distance of the surface from the platform centre
    rounding: Rounding  # how a low-pass filter would move its surface
    growth: _Growth  # how a drawing of the wrong size would show

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

    def closest(self, points_mm: Floats) -> _Closest:
        """Nearest surface of the drawing for points of a scan, (n, 3), in the implant frame."""
        return _nearest(self.scene, self.face_normals, self.face_offsets_mm, self.rim, points_mm)


@dataclass(frozen=True, slots=True)
class _Closest:
    """Where a drawing is nearest to points of a scan."""

    distance_mm: Floats  # (n,): positive outside
    direction: Floats  # (n, 3): unit gradient of the distance
    normal: Floats  # (n, 3): normal of the drawing there
    height_mm: Floats  # (n,): height over the platform of the nearest place
    # (n,): whether the nearest place is where an open surface ends: what the point belongs to is
    # not drawn
    missed: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class _RoughDistance:
    """Distances to a drawing from the nodes of a cubic grid around it, continued linearly."""

    low_mm: Floats  # (3,): first node
    count: NDArray[np.int64]  # (3,): nodes along each axis
    # (n, 10): by node: distance continued to the origin, its gradient, normal and height of the
    # nearest place, distance to the nearest sharp edge, and whether a drawn place is missed
    table: NDArray[np.float32]

    def closest(self, points_mm: Floats) -> _Closest:
        """As `PreparedBody.closest`, within 0.02 mm or so; far outside the grid infinitely far."""
        single, inside = self._rows(points_mm)
        row = single.astype(float)
        direction = row[:, 1:4]
        distance = row[:, 0] + np.einsum("ij,ij->i", direction, points_mm)
        distance[~inside] = np.inf
        return _Closest(distance, direction, row[:, 4:7], row[:, 7], row[:, 9] > 0)

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
) -> _Closest:
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
    return _Closest(plane, direction, flat, foot[:, 2], missed)


def _rough_distance(
    surface: Mesh, nearest: Callable[[Floats], _Closest], edges: cKDTree | None
) -> _RoughDistance:
    low = surface.vertices_mm.min(axis=0) - _AROUND_MM
    high = surface.vertices_mm.max(axis=0) + _AROUND_MM
    count = np.ceil((high - low) / _NODES_MM).astype(np.int64) + 1
    nodes = low + _NODES_MM * np.indices(tuple(count)).reshape(3, -1).T
    near = nearest(nodes)
    constant = near.distance_mm - np.einsum("ij,ij->i", near.direction, nodes)
    edge = np.full(len(nodes), np.inf) if edges is None else edges.query(nodes)[0]
    columns = [constant, near.direction, near.normal, near.height_mm, edge, near.missed]
    return _RoughDistance(low, count, np.column_stack(columns).astype(np.float32))


@dataclass(frozen=True, slots=True)
class _Growth:
    """What becomes of a scan body that is larger than its drawing, per share of growth.

    By surface that is not strongly bent: fillets tell of chords and rounding rather.
    """

    # root mean square distance that is left between surface and drawing after the best fit
    shown_mm: float
    height_mm: float  # how much higher the fitted platform lies


def _growth_of(points_mm: Floats, normals: Floats) -> _Growth:
    """Least squares of a growing surface over pose and offset."""
    columns = [normals, np.cross(points_mm, normals), -np.ones((len(points_mm), 1))]
    jacobian = np.concatenate(columns, axis=1)
    grown = np.sum(points_mm * normals, axis=1)
    change, *_ = np.linalg.lstsq(jacobian, -grown, rcond=1e-6)
    shown = float(np.sqrt(np.mean((grown + jacobian @ change) ** 2)))
    return _Growth(shown, float(-change[2]))


def prepare_body(body: ScanBody) -> PreparedBody:
    """Make a scan body's drawing ready for fitting.

    The last few are kept, by content, so that it costs nothing to ask again.
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
    radial = _radial_map(scene, low_mm=body.use_above_mm, high_mm=top, reach_mm=reach + 1.0)
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


def pair_features(p: Floats, n: Floats, q: Floats, m: Floats) -> tuple[Ints, NDArray[np.bool_]]:
    """Say how oriented points p, n and q, m, (k, 3) each, lie to each other, as one number.

    Distance and three angles in steps; equal for pairs that a rigid motion brings onto each other,
    up to the steps' width. Also whether the pair is neither too short, too long nor in one plane,
    so that it fixes a pose.
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
    key = (length / _PAIR_STEP_MM).astype(np.int64)
    for cosine in (first, second, between):
        step = np.clip(((cosine + 1) * (0.5 * _ANGLES)).astype(np.int64), 0, _ANGLES - 1)
        key = key * _ANGLES + step
    return key, useful


def pair_frames(p: Floats, n: Floats, q: Floats) -> Floats:
    """Frames of pairs, (k, 3, 3), in columns: x from first to second, y on the normal's side."""
    x = q - p
    x = x / np.linalg.norm(x, axis=1, keepdims=True)
    y = n - np.einsum("ij,ij->i", n, x)[:, None] * x
    y = y / np.linalg.norm(y, axis=1, keepdims=True)
    return np.stack([x, y, np.cross(x, y)], axis=2)


@dataclass(frozen=True, slots=True)
class PairTable:
    """All useful pairs of a drawing's points, sorted by their feature."""

    keys: Ints  # (k,): features in ascending order
    frames: Floats  # (k, 3, 3): frames of the pairs
    middles_mm: Floats  # (k, 3): points halfway between the two


def pair_table(points_mm: Floats, normals: Floats) -> PairTable:
    """Tabulate the pairs of points spread over a drawing."""
    i, j = (k.ravel() for k in np.indices((len(points_mm), len(points_mm))))
    p, n, q, m = points_mm[i], normals[i], points_mm[j], normals[j]
    key, useful = pair_features(p, n, q, m)
    p, n, q, key = p[useful], n[useful], q[useful], key[useful]
    order = np.argsort(key, kind="stable")
    return PairTable(key[order], pair_frames(p, n, q)[order], (0.5 * (p + q))[order])
