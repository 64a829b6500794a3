"""Places in a scan that look like a scan body, without knowing where the implants are."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from accstudy.locate.prepared import PreparedBody
from accstudy.locate.surface import pair_features, pair_frames
from accstudy.mesh.model import Mesh, area_vectors

__all__ = ["Candidates", "OrientedCloud", "detect_bodies", "oriented_cloud"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


_APART_MM = 2.0
_BLOCK, _REACH_MM = 8, 160.0
_STARTS, _STARTS_APART_MM = 70, 0.7
_NORMALS_AGREE = 0.8
_ACROSS, _ALMOST = 0.5, 0.8  # cosine of the angle between axes, share of the better score


@dataclass(frozen=True, slots=True)
class Candidates:
    """Possible poses of one kind of scan body, best first.

    Parameters
    ----------
    rotations : (k, 3, 3) ndarray
        Body to scan; the turn about the axis means nothing yet.
    origins_mm : (k, 3) ndarray
        Platform centres, scan frame.
    scores : (k,) ndarray
        Share of the body's surface that the scan shows there.
    """

    rotations: Floats
    origins_mm: Floats
    scores: Floats


def detect_bodies(
    cloud: OrientedCloud, prepared: PreparedBody, *, tries: int = 40_000, most: int = 40
) -> Candidates:
    """Find what looks like a scan body.

    Two points of the scan with their normals, if they belong to a scan body,
    recur on its drawing; bringing the pairs together gives a pose, and the
    share of the drawing's surface that the scan then confirms tells whether
    it was right.

    Parameters
    ----------
    cloud : OrientedCloud
        The scan, thinned.
    prepared : PreparedBody
        The scan body.
    tries : int
        How many pairs of places to look at; most of them are empty.
    most : int
        Most candidates to return.

    Returns
    -------
    Candidates
        Deterministic: the pairs come from a generator with a fixed seed.

    References
    ----------
    Drost, Ulrich, Navab, Ilic: Model globally, match locally, CVPR (2010)
    998-1005 for the features of pairs; Papazov, Burschka: An efficient RANSAC
    for 3D object recognition in noisy and occluded scenes, ACCV (2010) 135-148
    for sampling pairs instead of voting with all.
    """
    if not len(cloud.points_mm):
        return Candidates(np.zeros((0, 3, 3)), np.zeros((0, 3)), np.zeros(0))
    rotation, origin = _hypotheses(cloud, prepared, tries)
    if not len(rotation):
        return Candidates(rotation, origin, np.zeros(0))
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
        rotation, origin = _refine(cloud, prepared, rotation, origin, within_mm=within)
    score = _scores(cloud, prepared, rotation, origin, count=300, within_mm=0.15)
    chosen = score > 0.3
    best = _best_apart(
        rotation[chosen], origin[chosen], score[chosen], centre, most=most, apart_mm=_APART_MM
    )
    return Candidates(*best)


def _hypotheses(cloud: OrientedCloud, prepared: PreparedBody, tries: int) -> tuple[Floats, Floats]:
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
    cloud: OrientedCloud,
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


def _refine(
    cloud: OrientedCloud,
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
class OrientedCloud:
    """Points with outward normals, about one for every cell of a cubic grid.

    Parameters
    ----------
    points_mm : (n, 3) ndarray
        Mean of the surface in each cell.
    normals : (n, 3) ndarray
        Unit normals.
    cell_mm : float
        Edge of a cell.
    low_mm : (3,) ndarray
        Corner of the grid.
    blocks : (a, b, c) ndarray
        Row of `table` for every block of 8 x 8 x 8 cells; row 0 is empty.
    table : (k, 512) ndarray
        Index of the point that stands for a cell; -1 where none is near.
    """

    points_mm: Floats
    normals: Floats
    cell_mm: float
    low_mm: Floats
    blocks: NDArray[np.int32]
    table: NDArray[np.int32]

    def nearest(self, points_mm: Floats) -> NDArray[np.int32]:
        """Index of a scan point within about a cell and a half; -1 without one.

        Parameters
        ----------
        points_mm : (..., 3) ndarray
            Where to look.

        Returns
        -------
        (...) ndarray of int32
        """
        row: Ints | int = 0
        place: Ints | int = 0
        inside: NDArray[np.bool_] | bool = True
        for k, blocks in enumerate(self.blocks.shape):  # columns: three times quicker than rows
            scaled = (points_mm[..., k] - self.low_mm[k]) * (1.0 / self.cell_mm)
            cell = np.clip(scaled, 0.0, blocks * _BLOCK - 1).astype(np.int64)
            inside &= (scaled >= 0.0) & (scaled < blocks * _BLOCK)
            row = row * blocks + (cell >> 3)
            place = (place << 3) | (cell & 7)
        found = self.table[self.blocks.reshape(-1)[row], place]
        return np.where(inside, found, np.int32(-1))


def oriented_cloud(mesh: Mesh, *, cell_mm: float = 0.6, max_faces: int = 60_000) -> OrientedCloud:
    """Thin a scan to points with normals.

    Parameters
    ----------
    mesh : Mesh
        The scan.
    cell_mm : float
        Edge of the cells over which the surface is averaged.
    max_faces : int
        A scan of twice as many or more is thinned towards this number first.

    Returns
    -------
    OrientedCloud
        Cells in which the surface turns too much for one normal are left out.
    """
    step = max(1, len(mesh.faces) // max_faces)
    faces = mesh.faces[::step]
    area = area_vectors(Mesh(mesh.vertices_mm, faces))
    first, second, third = (mesh.vertices_mm.take(faces[:, k], axis=0) for k in range(3))
    centre = (first + second + third) / 3.0
    middle = np.median(centre[:: max(1, len(centre) // 5000)], axis=0)
    near = np.all(np.abs(centre - middle) < _REACH_MM, axis=1)
    if not near.all():
        centre, area = centre[near], area[near]
    low = centre.min(axis=0) - 2 * cell_mm
    cell = np.floor((centre - low) / cell_mm).astype(np.int64)
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
    blocks, table = _grid(points, occupied, low, size, cell_mm)
    return OrientedCloud(points, normals, cell_mm, low, blocks, table)


def _grid(
    points: Floats, occupied: Ints, low: Floats, size: Ints, cell_mm: float
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
