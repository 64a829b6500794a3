"""One scan body from an approximate position to its pose: robust point-to-surface least squares."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from accstudy.geometry.rigid import Rigid, rotation_about_deg, rotation_vector
from accstudy.locate.prepared import PreparedBody, search_turn, turned
from accstudy.mesh.model import Mesh, area_vectors, vertex_areas, vertex_normals

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MARGIN_MM = 0.8


@dataclass(frozen=True, slots=True)
class Patch:
    """Vertices of a scan near an expected scan body."""

    points_mm: Floats  # (n, 3): in the scan frame
    normals: Floats  # (n, 3): of the surface around each vertex, outwards; zero where there is none
    area_mm2: Floats  # (n,): surface that each vertex stands for
    index: Ints  # (n,): numbers of the vertices in the scan


def cut_patches(mesh: Mesh, expected: Sequence[tuple[PreparedBody, Rigid]]) -> list[Patch]:
    """Cut out the surroundings of bodies expected (scan from body) to within half a mm or so.

    Each patch is what lies in the body's bounding box, with a margin, and as far above it as the
    body may slide.
    """
    v, faces = mesh.vertices_mm, mesh.faces
    columns = np.ascontiguousarray(v.T)
    chosen = [_inside(v, columns, body, pose) for body, pose in expected]
    near = np.zeros(len(v), bool)
    for index in chosen:
        near[index] = True
    touched = near[faces[:, 0]]
    touched |= near[faces[:, 1]]
    touched |= near[faces[:, 2]]
    mine = faces[touched]
    number = np.zeros(len(v), np.int32)
    number[near] = np.arange(1, int(near.sum()) + 1)
    count = int(near.sum()) + 1
    across, numbered = area_vectors(Mesh(v, mine)), number[mine]
    normals = vertex_normals(numbered, across, count)
    areas = vertex_areas(numbered, across, count)
    out = []
    for index in chosen:
        at = number[index]
        out.append(Patch(v[index], normals[at], areas[at], index))
    return out


def _inside(v: Floats, columns: Floats, body: PreparedBody, pose: Rigid) -> Ints:
    """Vertices in the body's box, in their order."""
    low = body.points_mm.min(axis=0) - MARGIN_MM
    high = body.points_mm.max(axis=0) + np.array([MARGIN_MM, MARGIN_MM, body.slide_mm])
    middle = pose.points(0.5 * (low + high))
    reach = np.abs(pose.rotation) @ (0.5 * (high - low))
    index = np.flatnonzero(np.abs(columns[0] - middle[0]) < reach[0])
    for k in (1, 2):
        index = index[np.abs(columns[k][index] - middle[k]) < reach[k]]
    local = pose.inverse().points(v[index])
    return np.asarray(index[np.all((local > low) & (local < high), axis=1)])


TURN, OFFSET = 5, 6  # after x, y, z, tilt x, tilt y

_NORMALS_AGREE = 0.5
_SCALE_FLOOR_MM = 1e-7
_EDGE_FROM_MM, _EDGE_TO_MM = 0.05, 0.15
_OUTLIER = 7.0  # standard deviations
_ROUNDS, _FIRST_ROWS, _THIN_TO = 4, 1000, 300
_SLIDE_MM = 0.4
_CAP_MM, _FAR_BETTER, _FINE_CAP_MM = 0.4, 0.7, 0.1
_RESTS_MM = 0.02  # on a wall of 2 mm radius the second order of such a move is 0.1 um


@dataclass(frozen=True, slots=True)
class Fit:
    """A scan body's pose and the surface that gave it."""

    scan_from_body: Rigid  # the pose
    offset_mm: float  # how far the scanned surface lies outside the drawing
    used: NDArray[np.int64]  # (n,): rows of the patch that took part
    points_mm: Floats  # (n, 3): those points in the implant frame
    residual_mm: Floats  # (n,): distance to the drawing less the offset
    # (n, 7): change of the residual with x, y, z (mm), rotation about x, y, z (rad) of the point in
    # the implant frame, and with the offset (mm)
    jacobian: Floats
    weight: Floats  # (n,): 0 to 1
    scale_mm: float  # robust standard deviation of the residuals
    free: tuple[int, ...]  # parameters that were free


@dataclass(frozen=True, slots=True)
class _Linear:
    rows: NDArray[np.int64]
    points: Floats
    distance: Floats
    jacobian: Floats
    weight: Floats


def linearise(
    prepared: PreparedBody,
    patch: Patch,
    pose: Rigid,
    rows: NDArray[np.int64],
    gate_mm: float,
    *,
    heed_edges: bool = True,
    rough: bool = False,
) -> _Linear:
    """Distances of some of a patch's points, `rows`, to the drawing and how they change.

    Points farther than `gate_mm` are left out; `heed_edges` gives those beside sharp edges less
    weight; `rough` is for distances good to some hundredths of a millimetre.
    """
    inverse = pose.inverse()
    points = inverse.points(patch.points_mm[rows])
    near = prepared.rough.closest(points) if rough else prepared.closest(points)
    agree = np.einsum("ij,ij->i", inverse.vectors(patch.normals[rows]), near.normal)
    good = (np.abs(near.distance_mm) < gate_mm) & (agree > _NORMALS_AGREE) & ~near.missed
    good &= near.height_mm > prepared.body.use_above_mm
    points, direction = points[good], near.direction[good]
    jacobian = np.empty((len(points), 7))
    jacobian[:, :3] = direction
    for k in range(3):  # points x direction
        i, j = (k + 1) % 3, (k + 2) % 3
        jacobian[:, 3 + k] = points[:, i] * direction[:, j] - points[:, j] * direction[:, i]
    jacobian[:, 6] = -1.0
    weight = _edge_weight(prepared, points) if heed_edges else np.ones(len(points))
    return _Linear(rows[good], points, near.distance_mm[good], jacobian, weight)


def coarse_fit(
    prepared: PreparedBody,
    patch: Patch,
    start: Rigid,
    *,
    offset_mm: float,
    turn: bool,
    gates_mm: tuple[float, ...] = (0.8, 0.5, 0.3),
) -> tuple[Rigid, float, float] | None:
    """Bring a scan body near, with a part of the points, from a start within about the first gate.

    Each step leaves out points farther off than its gate. Returns pose, offset (mm) and the robust
    cost before the last step (mm2: mean square, capped at the last gate, points without a partner
    counted as capped); None if too little of the body is there.
    """
    free = tuple(k for k in range(7) if k != TURN or turn)
    thin = usable_rows(prepared, patch, start, slack_mm=gates_mm[0])
    thin = thin[:: max(1, len(thin) // _THIN_TO)]
    pose, cost = start, np.inf
    for gate in gates_mm:
        limit = gate + abs(offset_mm)
        linear = linearise(prepared, patch, pose, thin, limit, heed_edges=False, rough=True)
        if len(linear.rows) < 25:
            return None
        lost = len(thin) - len(linear.rows)
        square = np.minimum((linear.distance - offset_mm) ** 2, gate**2)
        cost = float((square.sum() + lost * gate**2) / len(thin))
        # walls alone would call a top that is still off an outlier: trim by the gate only
        pose, offset_mm, _, _, _ = _step(linear, pose, offset_mm, free, least_mm=gate / 3)
    return pose, offset_mm, cost


def _settle_height(prepared: PreparedBody, patch: Patch, start: Rigid) -> Rigid:
    """Slide a scan body along its axis to where the surface fits far better, if anywhere.

    The sides of a prism look alike at every height, so that a start may be off by up to half of
    them, and one that is off by more than the first gate of `coarse_fit` would never see the top.
    """
    local = start.inverse().points(patch.points_mm)
    outer = prepared.points_mm
    widest = float(np.max(np.hypot(outer[:, 0], outer[:, 1]))) + _CAP_MM
    rows = np.flatnonzero(
        (local[:, 0] ** 2 + local[:, 1] ** 2 < widest**2)
        & (local[:, 2] > prepared.body.use_above_mm - prepared.slide_mm)
    )
    rows = rows[:: max(1, len(rows) // 200)]
    if len(rows) < 25:
        return start
    points, normals = local[rows], start.inverse().vectors(patch.normals[rows])
    steps = int(np.ceil(prepared.slide_mm / _SLIDE_MM))
    along = _SLIDE_MM * np.arange(-steps, steps + 1)
    slides = along[:, None, None] * [0.0, 0.0, 1.0]
    near = prepared.rough.closest((points - slides).reshape(-1, 3))
    agree = np.einsum("sij,ij->si", near.normal.reshape(len(slides), -1, 3), normals)
    square = np.minimum(near.distance_mm**2, _CAP_MM**2).reshape(agree.shape)
    square[agree <= _NORMALS_AGREE] = _CAP_MM**2
    counts = near.height_mm.reshape(agree.shape) > prepared.body.use_above_mm
    number = np.count_nonzero(counts, axis=1)
    cost = np.where(number >= 25, np.sum(square * counts, axis=1) / np.maximum(number, 1), np.inf)
    best = int(np.argmin(cost))
    if not cost[best] < _FAR_BETTER * cost[steps]:
        return start
    return start.after(Rigid(np.eye(3), np.array([0.0, 0.0, along[best]])))


def fine_fit(
    prepared: PreparedBody,
    patch: Patch,
    start: Rigid,
    *,
    offset_mm: float,
    turn: bool,
) -> Fit | None:
    """Fit a scan body with all points, from some hundredths of a mm; None if too little is there.

    Gauss-Newton steps on the distances to the drawing with Tukey's biweight, until the pose rests;
    the limit is generous (7 standard deviations), so that it costs no efficiency with normal noise.
    """
    free = tuple(k for k in range(7) if k != TURN or turn)
    every = usable_rows(prepared, patch, start, slack_mm=0.15)
    pose, gate = start, 0.2
    for number in range(_ROUNDS):
        first = number == 0  # a part of the points brings it within micrometres
        rows = every[:: max(3, len(every) // _FIRST_ROWS)] if first else every
        linear = linearise(prepared, patch, pose, rows, gate + abs(offset_mm), heed_edges=not first)
        if len(linear.rows) < (15 if first else 40):
            return None
        residual = linear.distance - offset_mm
        least = 0.015 if first else _SCALE_FLOOR_MM
        new, new_offset, weight, scale, move = _step(linear, pose, offset_mm, free, least_mm=least)
        if number == _ROUNDS - 1 or (not first and move < _RESTS_MM):
            # the rest of the way is linear: weights anew and final residuals without another look
            change = weighted_change(linear.jacobian, residual, weight, free)
            residual = residual + linear.jacobian @ change
            weight, scale = _weights(linear, residual, _SCALE_FLOOR_MM)
            change = weighted_change(linear.jacobian, residual, weight, free)
            return Fit(
                moved(new, change), new_offset + change[OFFSET], linear.rows, linear.points,
                residual + linear.jacobian @ change, linear.jacobian, weight, scale, free,
            )  # fmt: skip
        pose, offset_mm = new, new_offset
        gate = max(8 * scale, 0.03)
    return None


def capped_cost(prepared: PreparedBody, patch: Patch, fit: Fit) -> float:
    """Mean squared residual over everything near a fitted body, each residual capped, mm2."""
    rows = usable_rows(prepared, patch, fit.scan_from_body, slack_mm=0.3)
    rows = rows[:: max(1, len(rows) // 2000)]
    gate = _FINE_CAP_MM + abs(fit.offset_mm)
    linear = linearise(prepared, patch, fit.scan_from_body, rows, gate, heed_edges=False)
    lost = len(rows) - len(linear.rows)
    square = np.minimum((linear.distance - fit.offset_mm) ** 2, _FINE_CAP_MM**2)
    return float((square.sum() + lost * _FINE_CAP_MM**2) / max(len(rows), 1))


def usable_rows(
    prepared: PreparedBody, patch: Patch, pose: Rigid, *, slack_mm: float
) -> NDArray[np.int64]:
    """Points of a patch in the cylinder around the usable part of a body."""
    local = pose.inverse().points(patch.points_mm)
    outer = prepared.points_mm
    widest = float(np.max(np.hypot(outer[:, 0], outer[:, 1]))) + slack_mm
    keep = local[:, 0] ** 2 + local[:, 1] ** 2 < widest**2
    keep &= local[:, 2] > prepared.body.use_above_mm - min(slack_mm, 0.2)
    keep &= local[:, 2] < float(outer[:, 2].max()) + slack_mm
    return np.flatnonzero(keep)


def _step(
    linear: _Linear,
    pose: Rigid,
    offset_mm: float,
    free: tuple[int, ...],
    *,
    least_mm: float = _SCALE_FLOOR_MM,
) -> tuple[Rigid, float, Floats, float, float]:
    """One Gauss-Newton step; also the weights, the scale and how far it went."""
    residual = linear.distance - offset_mm
    weight, scale = _weights(linear, residual, least_mm)
    change = weighted_change(linear.jacobian, residual, weight, free)
    size = float(np.linalg.norm(change[:3]) + 8 * np.linalg.norm(change[3:6]) + abs(change[OFFSET]))
    return moved(pose, change), offset_mm + change[OFFSET], weight, scale, size


def _weights(linear: _Linear, residual: Floats, least_mm: float) -> tuple[Floats, float]:
    """Robust weights, and the robust standard deviation they rest on."""
    centred = residual - _median(residual)
    scale = max(1.4826 * _median(np.abs(centred)), least_mm)
    return linear.weight * _biweight(centred / scale), scale


def _median(values: Floats) -> float:
    """The upper of the two middle values of an even number: quick, and as good here."""
    middle = len(values) // 2
    return float(np.partition(values, middle)[middle])


def moved(pose: Rigid, change: Floats) -> Rigid:
    """Pose after a change of the seven parameters, scan from body."""
    return pose.after(Rigid(rotation_vector(change[3:6]), change[:3]).inverse())


def weighted_change(
    jacobian: Floats, residual: Floats, weight: Floats, free: tuple[int, ...]
) -> Floats:
    """Weighted least squares with a touch of damping for what the data leave free."""
    chosen = jacobian[:, free]
    weighted = chosen * weight[:, None]
    normal = weighted.T @ chosen
    damping = 1e-6 * np.trace(normal) / len(normal)
    out = np.zeros(7)
    out[list(free)] = -np.linalg.solve(
        normal + damping * np.eye(len(normal)), weighted.T @ residual
    )
    return out


def _biweight(ratio: Floats) -> Floats:
    """Tukey's biweight, (1 - (r / limit)^2)^2 inside the limit, 0 outside."""
    inside = np.clip(1 - (ratio / _OUTLIER) ** 2, 0.0, None)
    return inside * inside


def _edge_weight(prepared: PreparedBody, points: Floats) -> Floats:
    """Less weight beside sharp edges, which scanners round."""
    weight = np.ones(len(points))
    if prepared.edges is not None:
        near = prepared.rough.beside_edges(points, _EDGE_TO_MM)
        away, _ = prepared.edges.query(points[near], distance_upper_bound=_EDGE_TO_MM)
        ramp = (np.minimum(away, _EDGE_TO_MM) - _EDGE_FROM_MM) / (_EDGE_TO_MM - _EDGE_FROM_MM)
        weight[near] = np.clip(ramp, 0.0, 1.0)
    return weight


_SAME_COST, _SAME_TURN_DEG = 1.5, 5.0
_SEARCHES, _GOOD_COST_MM2 = 3, 1.5e-3
_UNROUND_MM = 0.03
_ELSEWHERE_MM, _WORTH_A_LOOK = 0.06, 6.0
_SAME_FINE_COST, _RIVAL_MM = 1.25, 0.02


@dataclass(frozen=True, slots=True)
class Found:
    """A scan body fitted to a scan."""

    fit: Fit  # the robust fit
    # rotations about the axis, added to the fit's, that the scan cannot tell apart: (0,) where one
    # is right, more for a body that looks the same after a part of a turn, none where nothing
    # speaks of the rotation
    turns_deg: tuple[float, ...]
    coverage: float  # share of the body's usable surface that the scan shows
    # area of the scan's surface over that of the body it covers: 1, or 2 where the surface is
    # doubled
    layers: float
    # fits in other places that the scan cannot tell from this one: a rectangle off its axis fits
    # again after half a turn, but elsewhere
    rivals: tuple[Fit, ...] = ()


def find_body(
    prepared: PreparedBody, patch: Patch, start: Rigid, *, settled: bool = False
) -> Found | None:
    """Fit a scan body to a patch of a scan; None if too little of it is there.

    Five degrees of freedom come first, as the rotation about the axis is unknown; then the
    rotation, searched over the whole circle; then all six. The uniform offset of the surface goes
    with them throughout. The start is right to within half a millimetre and a few degrees, but for
    the rotation; `settled` starts are right to some hundredths of a millimetre: a body that is far
    from round can be led astray by a first fit with a wrong rotation.
    """
    pose, offset = start, 0.0
    if not settled:
        start = _settle_height(prepared, patch, start)
        coarse = coarse_fit(prepared, patch, start, offset_mm=0.0, turn=False)
        if coarse is None:
            return None
        pose, offset, _ = coarse
    turns: tuple[float, ...] = ()
    elsewhere: list[Rigid] = []
    if prepared.radial.unround_mm > _UNROUND_MM:
        for _ in range(_SEARCHES):
            pose, offset, turns, elsewhere, cost = _turn(prepared, patch, pose, offset)
            if cost < _GOOD_COST_MM2:
                break
    fit = fine_fit(prepared, patch, pose, offset_mm=offset, turn=bool(turns))
    rivals = []
    for other in elsewhere:
        rival = fine_fit(prepared, patch, other, offset_mm=offset, turn=True)
        if rival is not None:
            rivals.append(rival)
    if fit is None:
        return None
    if rivals:
        fit, rivals = _best_first(prepared, patch, [fit, *rivals])
    coverage, layers = _coverage(prepared, patch, fit)
    return Found(fit, turns, coverage, layers, tuple(rivals))


def _turn(
    prepared: PreparedBody, patch: Patch, pose: Rigid, offset: float
) -> tuple[Rigid, float, tuple[float, ...], list[Rigid], float]:
    """Search the rotation, then mend what a wrong rotation did to the pose.

    Returns the best pose, its offset, turns that fit alike in the same place, poses in other
    places that may fit as well, and the cost.
    """
    inverse = pose.inverse()
    profile = search_turn(
        prepared.radial,
        inverse.points(patch.points_mm),
        inverse.vectors(patch.normals),
        offset_mm=offset,
    )
    tries = []
    angles = profile.minima()
    for twin in prepared.twins_deg if angles else ():
        if (
            min(abs((angles[0] + twin - a + 180.0) % 360.0 - 180.0) for a in angles)
            > _SAME_TURN_DEG
        ):
            angles.append(angles[0] + twin)
    for angle in angles:
        start = turned(pose, angle)
        near = coarse_fit(
            prepared, patch, start, offset_mm=offset, turn=True, gates_mm=(0.4, 0.25, 0.2)
        )
        if near is not None:
            tries.append((near[2], near))
    if not tries:
        return pose, offset, (), [], np.inf
    tries.sort(key=lambda t: t[0])
    cost, (best, new_offset, _) = tries[0]
    alike, elsewhere = [0.0], []
    for other_cost, (other, _, _) in tries[1:]:
        turn = float(
            rotation_about_deg(best.rotation[:, 2], best.rotation[:, 0], other.rotation[:, 0])
        )
        apart = min(abs((turn - known + 180.0) % 360.0 - 180.0) for known in alike)
        if apart <= _SAME_TURN_DEG:
            continue
        if np.linalg.norm(other.translation_mm - best.translation_mm) > _ELSEWHERE_MM:
            if other_cost < _WORTH_A_LOOK * cost:
                elsewhere.append(other)
        elif other_cost < _SAME_COST * cost:
            alike.append(turn)
    return best, new_offset, tuple(alike), elsewhere, cost


def _best_first(prepared: PreparedBody, patch: Patch, fits: list[Fit]) -> tuple[Fit, list[Fit]]:
    """Of fits in different places the best, and those that all points cannot tell from it."""
    cost = [capped_cost(prepared, patch, fit) for fit in fits]
    order = np.argsort(cost, kind="stable").tolist()
    best = fits[order[0]]
    at = best.scan_from_body.translation_mm
    rivals = [
        fits[k]
        for k in order[1:]
        if cost[k] < _SAME_FINE_COST * cost[order[0]]
        and np.linalg.norm(fits[k].scan_from_body.translation_mm - at) > _RIVAL_MM
    ]
    return best, rivals


def with_rivals(prepared: PreparedBody, patch: Patch, best: Found, others: list[Found]) -> Found:
    """Add to a body the fits in other places, found from other starts, that fit as well."""
    cost = capped_cost(prepared, patch, best.fit)
    kept = [best.fit, *best.rivals]
    for fit in (f for other in others for f in (other.fit, *other.rivals)):
        at = fit.scan_from_body.translation_mm
        apart = min(np.linalg.norm(at - k.scan_from_body.translation_mm) for k in kept)
        if apart > _RIVAL_MM and capped_cost(prepared, patch, fit) < _SAME_FINE_COST * cost:
            kept.append(fit)
    return replace(best, rivals=tuple(kept[1:]))


def _coverage(prepared: PreparedBody, patch: Patch, fit: Fit) -> tuple[float, float]:
    """Share of the usable surface with scan near it; layers of scan on it."""
    from scipy.spatial import cKDTree

    area = float(patch.area_mm2[fit.used].sum())
    spacing = np.sqrt(area / len(fit.used))
    tree = cKDTree(fit.points_mm, balanced_tree=False, compact_nodes=False)
    away, _ = tree.query(prepared.points_mm, distance_upper_bound=max(0.8 * spacing, 0.05))
    coverage = float(np.mean(np.isfinite(away)))
    return coverage, area / max(coverage * prepared.area_mm2, 1e-9)
