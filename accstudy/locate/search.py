"""From a scan to candidates for scan bodies, and to readings of the arrangement."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from accstudy.geometry.rigid import Rigid, angle_between_deg
from accstudy.locate.arrangement import (
    Arrangement,
    Lines,
    ReferenceModel,
    fit_lines,
    match_arrangement,
    place_of,
)
from accstudy.locate.one_body import MARGIN_MM, Found, cut_patches, find_body, with_rivals
from accstudy.locate.prepared import PreparedBody, pair_features, pair_frames
from accstudy.mesh.model import Mesh, area_vectors

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


_MOST, _APART_MM = 40, 2.0
_CELL_MM, _MOST_FACES = 0.6, 60_000
_BLOCK, _REACH_MM = 8, 160.0
_STARTS, _STARTS_APART_MM = 70, 0.7
_NORMALS_AGREE = 0.8
_ACROSS, _ALMOST = 0.5, 0.8  # cosine of the angle between axes, share of the better score


@dataclass(frozen=True, slots=True)
class _Detections:
    """Possible poses of one kind of scan body, best first."""

    rotations: Floats  # (k, 3, 3): body to scan; the turn about the axis means nothing yet
    origins_mm: Floats  # (k, 3): platform centres, scan frame
    scores: Floats  # (k,): share of the body's surface that the scan shows there


def _detect_bodies(cloud: _OrientedCloud, prepared: PreparedBody, *, tries: int) -> _Detections:
    """Find what looks like a scan body.

    Two points of the scan with their normals, if they belong to a scan body, recur on its drawing;
    bringing the pairs together gives a pose, and the share of the drawing's surface that the scan
    then confirms tells whether it was right. `tries` pairs of places are looked at; most are empty.
    Deterministic: they come from a generator with a fixed seed.

    Drost, Ulrich, Navab, Ilic: Model globally, match locally, CVPR (2010) 998-1005 for the features
    of pairs; Papazov, Burschka: An efficient RANSAC for 3D object recognition in noisy and occluded
    scenes, ACCV (2010) 135-148 for sampling pairs instead of voting with all.
    """
    if not len(cloud.points_mm):
        return _Detections(np.zeros((0, 3, 3)), np.zeros((0, 3)), np.zeros(0))
    rotation, origin = _hypotheses(cloud, prepared, tries)
    if not len(rotation):
        return _Detections(rotation, origin, np.zeros(0))
    for count, keep in ((16, 0.12), (64, 0.25)):
        score = _scores(cloud, prepared, rotation, origin, count=count, within_mm=0.3)
        limit = (
            max(0.3, np.sort(score)[-max(50, int(keep * len(score)))]) if len(score) > 50 else 0.3
        )
        chosen = score >= limit
        rotation, origin, score = rotation[chosen], origin[chosen], score[chosen]
    centre = prepared.points_mm.mean(axis=0)
    rotation, origin, score = _best_apart(
        rotation, origin, score, centre, most=_STARTS, apart_mm=_STARTS_APART_MM
    )
    for within in (0.6, 0.4, 0.3, 0.3):
        rotation, origin = _refined_poses(cloud, prepared, rotation, origin, within_mm=within)
    score = _scores(cloud, prepared, rotation, origin, count=300, within_mm=0.15)
    chosen = score > 0.3
    best = _best_apart(
        rotation[chosen], origin[chosen], score[chosen], centre, most=_MOST, apart_mm=_APART_MM
    )
    return _Detections(*best)


def _hypotheses(cloud: _OrientedCloud, prepared: PreparedBody, tries: int) -> tuple[Floats, Floats]:
    """Poses from pairs of scan points that recur on the drawing."""
    rng = np.random.default_rng(20)
    n = len(cloud.points_mm)
    first = rng.integers(0, n, tries)
    step = rng.normal(size=(tries, 3))
    step *= (rng.uniform(1.3, 5.5, tries) / np.linalg.norm(step, axis=1))[:, None]
    second = cloud.nearest(cloud.points_mm[first] + step)
    found = second >= 0
    first, second = first[found], second[found].astype(np.int64)
    p, a, q, b = (
        cloud.points_mm[first],
        cloud.normals[first],
        cloud.points_mm[second],
        cloud.normals[second],
    )
    key, useful = pair_features(p, a, q, b)
    table = prepared.pairs
    low = np.searchsorted(table.keys, key, side="left")
    high = np.searchsorted(table.keys, key, side="right")
    useful &= high > low
    p, a, q, low, high = p[useful], a[useful], q[useful], low[useful], high[useful]
    draws = np.repeat(np.arange(len(p)), np.minimum(high - low, 4))
    pick = low[draws] + (rng.random(len(draws)) * (high - low)[draws]).astype(np.int64)
    scene = pair_frames(p, a, q)[draws]
    rotation = scene @ np.transpose(table.frames[pick], (0, 2, 1))
    middle = 0.5 * (p + q)[draws]
    origin = middle - np.einsum("kij,kj->ki", rotation, table.middles_mm[pick])
    return rotation, origin


def _scores(
    cloud: _OrientedCloud,
    prepared: PreparedBody,
    rotation: Floats,
    origin: Floats,
    *,
    count: int,
    within_mm: float,
) -> Floats:
    """Share of the drawing's points that the scan confirms at each pose."""
    step = max(1, len(prepared.points_mm) // count)
    points, normals = prepared.points_mm[::step], prepared.normals[::step]
    placed = np.matmul(points, np.transpose(rotation, (0, 2, 1))) + origin[:, None]
    turned = np.matmul(normals, np.transpose(rotation, (0, 2, 1)))
    index = cloud.nearest(placed)
    away = np.einsum("knj,knj->kn", placed - cloud.points_mm[index], turned)
    agree = np.einsum("knj,knj->kn", cloud.normals[index], turned)
    hit = (index >= 0) & (np.abs(away) < within_mm) & (agree > _NORMALS_AGREE)
    return np.asarray(np.mean(hit, axis=1), float)


def _best_apart(
    rotation: Floats,
    origin: Floats,
    score: Floats,
    centre: Floats,
    *,
    most: int,
    apart_mm: float,
) -> tuple[Floats, Floats, Floats]:
    """Of poses that are nearly one, keep the best, and what lies across it and fits almost as well.

    A body about as wide as high looks much the same on its side.
    """
    order = np.argsort(-score, kind="stable")
    middle, axis = rotation @ centre + origin, rotation[:, :, 2]
    kept: list[int] = []
    left = np.ones(len(order), bool)
    for i in order:
        if left[i]:
            kept.append(int(i))
            if len(kept) == most:
                break
            across = np.abs(axis @ axis[i]) < _ACROSS
            left &= (np.linalg.norm(middle - middle[i], axis=1) > apart_mm) | (
                across & (score > _ALMOST * score[i])
            )
    return rotation[kept], origin[kept], score[kept]


def _refined_poses(
    cloud: _OrientedCloud,
    prepared: PreparedBody,
    rotation: Floats,
    origin: Floats,
    *,
    within_mm: float,
) -> tuple[Floats, Floats]:
    """One step of point-to-plane least squares for all poses at once."""
    step = max(1, len(prepared.points_mm) // 300)
    points, normals = prepared.points_mm[::step], prepared.normals[::step]
    centre = points.mean(axis=0)
    placed = np.matmul(points, np.transpose(rotation, (0, 2, 1))) + origin[:, None]
    turned = np.matmul(normals, np.transpose(rotation, (0, 2, 1)))
    index = cloud.nearest(placed)
    plane = cloud.normals[index]
    away = np.einsum("knj,knj->kn", cloud.points_mm[index] - placed, plane)
    agree = np.einsum("knj,knj->kn", plane, turned)
    weight = (index >= 0) & (np.abs(away) < within_mm) & (agree > _NORMALS_AGREE)
    middle = rotation @ centre + origin
    lever = np.cross(placed - middle[:, None], plane)
    jacobian = np.concatenate([plane, lever], axis=2) * weight[:, :, None]
    transposed = np.ascontiguousarray(np.transpose(jacobian, (0, 2, 1)))
    normal = transposed @ jacobian
    right = (transposed @ (away * weight)[:, :, None])[:, :, 0]
    damped = normal + np.eye(6) * (1.0 + 0.02 * len(points))  # the turn about the axis stays put
    move = np.linalg.solve(damped, right[:, :, None])[:, :, 0]
    from scipy.spatial.transform import Rotation

    turn = Rotation.from_rotvec(move[:, 3:]).as_matrix()
    new = turn @ rotation
    return new, middle + move[:, :3] - new @ centre


@dataclass(frozen=True, slots=True)
class _OrientedCloud:
    """Points with outward normals, about one for every cell of a cubic grid."""

    points_mm: Floats  # (n, 3): mean of the surface in each cell
    normals: Floats  # (n, 3): unit normals
    low_mm: Floats  # (3,): corner of the grid
    # (a, b, c): row of `table` for every block of 8 x 8 x 8 cells; row 0 is empty
    blocks: NDArray[np.int32]
    # (k, 512): index of the point that stands for a cell; -1 where none is near
    table: NDArray[np.int32]

    def nearest(self, points_mm: Floats) -> NDArray[np.int32]:
        """Index of a scan point within about 1.5 cells of points (..., 3); -1 without one."""
        row: Ints | int = 0
        place: Ints | int = 0
        inside: NDArray[np.bool_] | bool = True
        for k, blocks in enumerate(self.blocks.shape):  # columns: three times quicker than rows
            scaled = (points_mm[..., k] - self.low_mm[k]) * (1.0 / _CELL_MM)
            cell = np.clip(scaled, 0.0, blocks * _BLOCK - 1).astype(np.int64)
            inside &= (scaled >= 0.0) & (scaled < blocks * _BLOCK)
            row = row * blocks + (cell >> 3)
            place = (place << 3) | (cell & 7)
        found = self.table[self.blocks.reshape(-1)[row], place]
        return np.where(inside, found, np.int32(-1))


def oriented_cloud(mesh: Mesh) -> _OrientedCloud:
    """Thin a scan to points with normals; cells that turn too much for one normal are left out."""
    step = max(1, len(mesh.faces) // _MOST_FACES)
    faces = mesh.faces[::step]
    area = area_vectors(Mesh(mesh.vertices_mm, faces))
    first, second, third = (mesh.vertices_mm.take(faces[:, k], axis=0) for k in range(3))
    centre = (first + second + third) / 3.0
    middle = np.median(centre[:: max(1, len(centre) // 5000)], axis=0)
    near = np.all(np.abs(centre - middle) < _REACH_MM, axis=1)
    if not near.all():
        centre, area = centre[near], area[near]
    low = centre.min(axis=0) - 2 * _CELL_MM
    cell = np.floor((centre - low) / _CELL_MM).astype(np.int64)
    size = cell.max(axis=0) + 3
    key = (cell[:, 0] * size[1] + cell[:, 1]) * size[2] + cell[:, 2]
    order = np.argsort(key, kind="stable")
    ordered = key[order]
    start = np.flatnonzero(np.concatenate([[True], ordered[1:] != ordered[:-1]]))
    weight = np.linalg.norm(area, axis=1)
    sums = np.add.reduceat(
        np.column_stack([centre * weight[:, None], area, weight])[order], start, axis=0
    )
    total = np.maximum(sums[:, 6], 1e-300)
    points = sums[:, :3] / total[:, None]
    length = np.linalg.norm(sums[:, 3:6], axis=1)
    normals = sums[:, 3:6] / np.maximum(length, 1e-300)[:, None]
    clean = length > 0.85 * total
    points, normals = points[clean], normals[clean]
    occupied = cell[order[start]][clean]
    blocks, table = _grid(points, occupied, size)
    return _OrientedCloud(points, normals, low, blocks, table)


def _grid(
    points: Floats, occupied: Ints, size: Ints
) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """Give every cell, and the cells around, the point nearest to its centre."""
    shape = tuple(int(s) // _BLOCK + 1 for s in size)
    blocks = np.zeros(shape, np.int32)
    shifts = np.array(np.meshgrid(*[[-1, 0, 1]] * 3, indexing="ij")).reshape(3, -1).T
    # a cell's own point is written last and stays; before it those beside, before them the corners
    shifts = shifts[np.argsort(-np.sum(shifts**2, axis=1), kind="stable")]
    cells = (occupied[None] + shifts[:, None]).reshape(-1, 3)
    owner = np.tile(np.arange(len(points), dtype=np.int32), len(shifts))
    block = cells >> 3
    flat = (block[:, 0] * shape[1] + block[:, 1]) * shape[2] + block[:, 2]
    used = np.zeros(blocks.size, bool)
    used[flat] = True
    blocks.reshape(-1)[used] = np.arange(1, int(used.sum()) + 1, dtype=np.int32)
    table = np.full((int(used.sum()) + 1, _BLOCK**3), -1, np.int32)
    place = ((cells[:, 0] & 7) << 6) | ((cells[:, 1] & 7) << 3) | (cells[:, 2] & 7)
    slot = blocks.reshape(-1)[flat].astype(np.int64) * _BLOCK**3 + place
    table.reshape(-1)[slot] = owner
    return blocks, table


_TRIES = (9_000, 60_000)
_LEAST_COVERAGE = 0.15
_POOR, _BETTER, _ALIKE, _OFF_MM, _ENOUGH = 1.5, 0.9, 1.25, 0.1, 3
_SAME_MM, _OVERLAP_MM = 0.5, 3.0
_ASTRAY_MM, _ASTRAY_DEG = 0.9, 5.0
_SPARE_SCORE, _SPARE_COVERAGE, _SPARE_SCALE_MM, _SPARES = 0.45, 0.45, 0.04, 5


@dataclass(frozen=True, slots=True)
class Candidates:
    """Possible scan bodies in a scan."""

    rotations: Floats  # (k, 3, 3): rough poses, scan from body
    lines: Lines  # rough platforms and axes, and the kind of scan body
    scores: Floats  # (k,): share of the body's surface confirmed
    # fits by candidate, filled as needed; None for what turned out to be none
    fits: dict[int, Found | None] = field(default_factory=dict)


def search(mesh: Mesh, model: ReferenceModel) -> tuple[Candidates, list[Arrangement]]:
    """Look in a scan near the origin for scan bodies and ways to read the reference into them."""
    cloud = oriented_cloud(mesh)
    for tries in _TRIES:
        candidates = detected(cloud, model, tries)
        ways = match_arrangement(model.lines, candidates.lines)
        if ways and ways[0].matched == len(model.implants):
            break
    return candidates, ways


def detected(cloud: _OrientedCloud, model: ReferenceModel, tries: int) -> Candidates:
    """Look for scan bodies of all kinds of a model, wherever they are."""
    parts = [_detect_bodies(cloud, kind, tries=tries) for kind in model.kinds]
    rotations = np.concatenate([p.rotations for p in parts])
    kinds = np.repeat(np.arange(len(parts)), [len(p.scores) for p in parts])
    lines = Lines(np.concatenate([p.origins_mm for p in parts]), rotations[:, :, 2], kinds)
    return Candidates(rotations, lines, np.concatenate([p.scores for p in parts]))


def fit_candidates(
    mesh: Mesh, model: ReferenceModel, candidates: Candidates, wanted: Iterable[int]
) -> None:
    """Fit candidates that were not fitted yet; the fits go into `candidates`."""
    new = sorted(set(wanted) - set(candidates.fits))
    places = [
        (
            model.kinds[candidates.lines.kinds[c]],
            Rigid(candidates.rotations[c], candidates.lines.points_mm[c]),
        )
        for c in new
    ]
    for c, found in zip(new, _fit_places(mesh, places), strict=True):
        candidates.fits[c] = found


def fitted_lines(candidates: Candidates) -> tuple[Lines, Floats]:
    """Platforms and axes of all candidates, fitted where they were; flats, NaN where unknown."""
    points, axes = candidates.lines.points_mm.copy(), candidates.lines.axes.copy()
    flats = np.full(points.shape, np.nan)
    for c, found in candidates.fits.items():
        if found is not None:
            pose = found.fit.scan_from_body
            points[c], axes[c] = pose.translation_mm, pose.rotation[:, 2]
            if len(found.turns_deg) == 1 and not found.rivals:
                flats[c] = pose.rotation[:, 0]
    return Lines(points, axes, candidates.lines.kinds), flats


def same_bodies(model: ReferenceModel, candidates: Candidates) -> dict[int, int]:
    """Every candidate that holds, to the best one that came to rest in the same pose.

    Left out: what is no scan body, and what overlaps with a better one, such as a body set upside
    down.
    """
    fitted = [(c, found) for c, found in candidates.fits.items() if found is not None]
    kept: list[tuple[int, int, Rigid]] = []
    out: dict[int, int] = {}
    for c, found in sorted(fitted, key=lambda one: (_cost(one[1]), one[0])):
        kind = int(candidates.lines.kinds[c])
        pose = found.fit.scan_from_body
        middle = pose.points(model.kinds[kind].points_mm.mean(axis=0))
        overlapping = [one for one in kept if lies_in(middle, one[2], model.kinds[one[1]])]
        if not overlapping:
            kept.append((c, kind, pose))
            out[c] = c
            continue
        first, its_kind, its_pose = overlapping[0]
        shift = np.linalg.norm(pose.translation_mm - its_pose.translation_mm)
        if kind == its_kind and shift < _SAME_MM:
            out[c] = first
    return out


def lies_in(point_mm: Floats, pose: Rigid, body: PreparedBody) -> bool:
    """Whether a point lies so near a body's axis that no other body can be there."""
    local = pose.inverse().points(point_mm)
    top = float(body.points_mm[:, 2].max())
    beyond = max(0.0, -float(local[2]), float(local[2]) - top)
    return bool(np.hypot(np.hypot(local[0], local[1]), beyond) < _OVERLAP_MM)


def _cost(found: Found) -> float:
    """Small for a fit with much surface and little residual."""
    return found.fit.scale_mm / max(found.coverage, 0.01)


def spare_bodies(
    mesh: Mesh,
    model: ReferenceModel,
    candidates: Candidates,
    taken: Sequence[int],
    *,
    most: int = _SPARES,
) -> list[int]:
    """Candidates that really look like scan bodies but are not `taken` by an implant."""
    kinds = [model.kinds[k] for k in candidates.lines.kinds]
    poses = [
        Rigid(rotation, point)
        for rotation, point in zip(candidates.rotations, candidates.lines.points_mm, strict=True)
    ]
    occupied = [c for c in taken if c >= 0]
    spare: list[int] = []
    for c in np.argsort(-candidates.scores, kind="stable").tolist():
        if candidates.scores[c] < _SPARE_SCORE or len(spare) == most:
            break
        middle = poses[c].points(kinds[c].points_mm.mean(axis=0))
        if not any(lies_in(middle, poses[d], kinds[d]) for d in occupied):
            spare.append(c)
            occupied.append(c)
    fit_candidates(mesh, model, candidates, spare)
    real = []
    for c in spare:
        found = candidates.fits[c]
        if found and found.coverage > _SPARE_COVERAGE and found.fit.scale_mm < _SPARE_SCALE_MM:
            real.append(c)
    return real


def recover(
    mesh: Mesh, model: ReferenceModel, way: Arrangement, found: Sequence[Found | None]
) -> list[Found | None]:
    """Look again where the others say that implants must be.

    Adds those that were missing, if their surface is there, and a better fit of those that fit far
    worse than the others, if there is one.
    """
    scales = [f.fit.scale_mm for f in found if f is not None]
    usual = float(np.median(scales)) if scales else np.inf
    ways = [_without(i, way, model, found) for i in range(len(found))]
    again = [
        i
        for i, f in enumerate(found)
        if f is None
        or f.fit.scale_mm > _POOR * usual
        or np.linalg.norm(f.fit.scan_from_body.translation_mm - _expected(ways[i], model, i))
        > _OFF_MM
    ]
    places = [(model.bodies[i], place_of(ways[i], model.lines, i)) for i in again]
    out = list(found)
    fits = _fit_places(mesh, places, settled=True)
    for i, (_, expected), new in zip(again, places, fits, strict=True):
        if new is None:
            continue
        old, pose = out[i], new.fit.scan_from_body
        shift = float(np.linalg.norm(pose.translation_mm - expected.translation_mm))
        tilt = float(angle_between_deg(pose.rotation[:, 2], expected.rotation[:, 2]))
        fair = shift < _ASTRAY_MM and tilt < _ASTRAY_DEG and new.fit.scale_mm < _SPARE_SCALE_MM
        # where several places fit, all of them go on to be judged by the flats or the others
        limit = _ALIKE if new.rivals else _BETTER
        if fair and (old is None or _cost(new) < limit * _cost(old)):
            out[i] = new
    return out


def settle_places(
    way: Arrangement, model: ReferenceModel, found: Sequence[Found | None]
) -> tuple[list[Found | None], dict[int, float]]:
    """Of places that fit a body alike take the one that goes with the flats or the others.

    Also, by number of the implant, how far away the nearest rival lies, mm, where no flat of the
    reference settles it.
    """
    out = list(found)
    unsettled: dict[int, float] = {}
    motion = way.scan_from_model
    several = [i for i, f in enumerate(found) if f is not None and f.rivals]
    for _ in range(2 if several else 0):
        for i in several:
            one = out[i]
            assert one is not None
            fits = [one.fit, *one.rivals]
            flat = motion.vectors(model.flats[i])
            if np.isfinite(flat).all():
                off = [
                    float(angle_between_deg(f.scan_from_body.rotation[:, 0], flat)) for f in fits
                ]
            else:
                place = motion.points(model.lines.points_mm[i])
                away = [np.linalg.norm(f.scan_from_body.translation_mm - place) for f in fits]
                off = [float(a) for a in away]
            best = fits.pop(int(np.argmin(off)))
            out[i] = replace(one, fit=best, rivals=tuple(fits))
            at = best.scan_from_body.translation_mm
            if not np.isfinite(flat).all():
                apart = [np.linalg.norm(f.scan_from_body.translation_mm - at) for f in fits]
                unsettled[i] = float(min(apart))
        shown = [i for i, f in enumerate(out) if f is not None]
        lines = _lines_of(model, out, shown)
        motion = fit_lines(model.lines, lines, np.array(shown), np.arange(len(shown)))
    return out, unsettled


def _without(
    implant: int, way: Arrangement, model: ReferenceModel, found: Sequence[Found | None]
) -> Arrangement:
    """The reading as the fits of the other implants place it, where there are enough."""
    others = [i for i, f in enumerate(found) if f is not None and i != implant]
    if len(others) < _ENOUGH:
        return way
    rows = np.array(others)
    motion = fit_lines(model.lines, _lines_of(model, found, others), rows, np.arange(len(rows)))
    return replace(way, scan_from_model=motion)


def _lines_of(model: ReferenceModel, found: Sequence[Found | None], shown: list[int]) -> Lines:
    poses = [f.fit.scan_from_body for f in (found[i] for i in shown) if f is not None]
    return Lines(
        np.array([p.translation_mm for p in poses]),
        np.array([p.rotation[:, 2] for p in poses]),
        model.lines.kinds[shown],
    )


def _expected(way: Arrangement, model: ReferenceModel, implant: int) -> Floats:
    return way.scan_from_model.points(model.lines.points_mm[implant])


def _fit_places(
    mesh: Mesh, places: list[tuple[PreparedBody, Rigid]], *, settled: bool = False
) -> list[Found | None]:
    """Fit a body at each place; at settled places also without a first fit, the better counts."""
    if not places:
        return []
    fits = []
    for (body, start), patch in zip(places, cut_patches(mesh, places), strict=True):
        tries = [find_body(body, patch, start)]
        if settled:
            tries.append(find_body(body, patch, start, settled=True))
        real = [f for f in tries if f is not None and f.coverage > _LEAST_COVERAGE]
        best = min(real, key=_cost, default=None)
        if best is not None and len(real) > 1:
            best = with_rivals(body, patch, best, [f for f in real if f is not best])
        fits.append(best)
    return _cut_again(mesh, places, fits)


def _cut_again(
    mesh: Mesh, places: list[tuple[PreparedBody, Rigid]], fits: list[Found | None]
) -> list[Found | None]:
    """Fit those once more that slid so far along their axes that some of them was not cut out."""
    slid = [
        i
        for i, ((_, start), one) in enumerate(zip(places, fits, strict=True))
        if one is not None
        and np.linalg.norm(one.fit.scan_from_body.translation_mm - start.translation_mm) > MARGIN_MM
    ]
    out = list(fits)
    again = [(places[i][0], one.fit.scan_from_body) for i in slid if (one := fits[i]) is not None]
    for i, (body, pose), patch in zip(slid, again, cut_patches(mesh, again), strict=True):
        out[i] = find_body(body, patch, pose, settled=True) or out[i]
    return out
