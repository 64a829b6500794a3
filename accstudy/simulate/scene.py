"""What a scanner looks at: ridge, scan bodies, soft tissue as one surface; and what it misses."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from accstudy.geometry.rigid import Rigid, rotation_vector, unit
from accstudy.simulate.arch import Ridge
from accstudy.simulate.bodies import Shape
from accstudy.simulate.surface import Solid, net, random_field, triangulate

__all__ = ["BLOB", "HOLE_SIDES", "RIDGE", "Blob", "Scene", "cut_hole", "random_pose"]

Floats = NDArray[np.float64]
Labels = NDArray[np.int32]

RIDGE, BLOB = -1, -2

_ROUGH_STEP_MM = 0.8


@dataclass(frozen=True, slots=True)
class Blob:
    """A lump of soft tissue in the scan: a bumpy ball, model frame."""

    centre_mm: tuple[float, float, float]
    radius_mm: float


def random_pose(rng: np.random.Generator, *, shift_mm: float = 40.0) -> Rigid:
    """Draw a rigid motion: any rotation, and a shift within `shift_mm` per axis."""
    w, *xyz = unit(rng.normal(size=4))
    angle = 2 * np.arctan2(np.linalg.norm(xyz), w)
    return Rigid(rotation_vector(angle * unit(xyz)), rng.uniform(-shift_mm, shift_mm, 3))


@dataclass(slots=True)
class Scene:
    """The union of solids in the model frame, each with a label and a ball that holds it.

    Parameters
    ----------
    solids : list of callable
        Distance functions.
    labels : list of int
        Row of the implant, `RIDGE`, `BLOB`, or less for extra bodies.
    balls : list of (centre, radius)
        Outside its ball a solid is not looked at, mm.
    """

    solids: list[Solid] = field(default_factory=list)
    labels: list[int] = field(default_factory=list)
    balls: list[tuple[Floats, float]] = field(default_factory=list)

    def add_ridge(self, seed: int) -> None:
        """Add the ridge with bumps of its own."""
        self._add(Ridge.invent(seed).distance, RIDGE, np.zeros(3), np.inf)

    def add_body(
        self,
        body: Shape,
        place: Rigid,
        label: int,
        *,
        offset_mm: float = 0.0,
        edge_rounding_mm: float = 0.0,
    ) -> None:
        """Add a scan body, its surface moved outwards by `offset_mm`."""
        back = place.inverse()

        def solid(points: Floats) -> tuple[Floats, Floats]:
            value, gradient = body.distance(back.points(points), edge_rounding_mm=edge_rounding_mm)
            return value - offset_mm, place.vectors(gradient)

        half = body.height_mm / 2
        radius = float(np.hypot(half, body.radius_mm)) + 2.0
        self._add(solid, label, place.points([0.0, 0.0, half]), radius)

    def add_blob(self, blob: Blob, rng: np.random.Generator) -> None:
        """Add a lump of soft tissue."""
        waves = unit(rng.normal(size=(6, 3))) * 2 * np.pi / rng.uniform(3.0, 8.0, (6, 1))
        phases = rng.uniform(0, 2 * np.pi, 6)
        centre = np.asarray(blob.centre_mm, float)

        def solid(points: Floats) -> tuple[Floats, Floats]:
            offset = points - centre
            r = np.maximum(np.linalg.norm(offset, axis=1), 1e-9)
            turn = points @ waves.T + phases
            value = r - blob.radius_mm + 0.15 * np.sin(turn).sum(axis=1)
            return value, offset / r[:, None] + 0.15 * np.cos(turn) @ waves

        self._add(solid, BLOB, centre, blob.radius_mm + 3.0)

    def _add(self, solid: Solid, label: int, centre: Floats, radius: float) -> None:
        self.solids.append(solid)
        self.labels.append(label)
        self.balls.append((centre, radius))

    def __call__(self, points_mm: Floats) -> tuple[Floats, Floats]:
        """Distance to the union and its gradient."""
        value, gradient, _ = self.nearest(points_mm)
        return value, gradient

    def nearest(self, points_mm: Floats) -> tuple[Floats, Floats, Labels]:
        """Distance to the union, its gradient, and whose surface it is.

        Where two surfaces meet, which of them a point is on hangs on its last
        bits, which depend on the processor: bring points of the surface to a
        `coarse` grid first where the gradient matters.
        """
        value = np.full(len(points_mm), 50.0)
        gradient = np.tile([0.0, 0.0, 1.0], (len(points_mm), 1))
        label = np.full(len(points_mm), RIDGE, np.int32)
        pieces = zip(self.solids, self.labels, self.balls, strict=True)
        for solid, name, (centre, radius) in pieces:
            if np.isinf(radius):
                value, gradient = solid(points_mm)
                continue
            offset = points_mm - centre
            near = np.flatnonzero(np.einsum("ij,ij->i", offset, offset) < radius**2)
            if not len(near):
                continue
            found, slope = solid(points_mm[near])
            wins = found < value[near]
            value[near[wins]] = found[wins]
            gradient[near[wins]] = slope[wins]
            label[near[wins]] = name
        return value, gradient, label

    def triangles(
        self,
        n_triangles: int,
        rng: np.random.Generator,
        *,
        scanned: Callable[[Floats], NDArray[np.bool_]] | None = None,
    ) -> tuple[Floats, Labels]:
        """Triangulate the open surface on a lattice turned at random.

        Parameters
        ----------
        n_triangles : int
            How many triangles, within a tenth.
        rng : Generator
            Source of chance.
        scanned : callable, optional
            Which points of the model frame the scanner passed over.

        Returns
        -------
        vertices_mm : (n, 3) ndarray
            In the model frame, on the surface; some may belong to no triangle.
        faces : (m, 3) ndarray of int32
        """
        turn = random_pose(rng, shift_mm=1.0)
        back = turn.inverse()
        low, high = self._box(turn)

        def turned(points: Floats) -> tuple[Floats, Floats]:
            value, gradient = self(back.points(points))
            return value, turn.vectors(gradient)

        def wanted(points: Floats) -> NDArray[np.bool_]:
            return self._seen(back.points(points), slack_mm=3.0)

        def shown(vertices: Floats, faces: Labels) -> Labels:
            seen = self._seen(vertices)
            if scanned is not None:
                seen &= scanned(vertices)
            return faces[seen[faces].all(axis=1)]

        cells, quads = net(turned, low, high, step_mm=_ROUGH_STEP_MM, wanted=wanted)
        rough = 2 * max(len(shown(back.points(cells), quads)), 1)
        step = _ROUGH_STEP_MM * float(np.sqrt(rough / n_triangles))
        found, faces = triangulate(turned, low, high, step_mm=step, wanted=wanted)
        vertices = back.points(found)
        return vertices, shown(vertices, faces)

    def _box(self, turn: Rigid) -> tuple[Floats, Floats]:
        """Box of the turned frame that holds all solids."""
        corners = [
            turn.points(centre) + np.array([[-radius], [radius]])
            for centre, radius in self.balls
            if np.isfinite(radius)
        ]
        if RIDGE in self.labels:
            sides = ([-32.0, 32.0], [-10.0, 40.0], [-9.0, 2.0])
            grid = np.array(np.meshgrid(*sides, indexing="ij")).reshape(3, -1).T
            corners.append(turn.points(grid))
        box = np.concatenate(corners)
        return box.min(axis=0), box.max(axis=0)

    def _seen(self, points: Floats, *, slack_mm: float = 0.0) -> NDArray[np.bool_]:
        """What the scanner sees: the ridge down to a ragged edge on its sides."""
        if RIDGE not in self.labels:
            return np.ones(len(points), bool)
        x, y, z = points.T
        ragged = 0.5 * np.sin(1.3 * x) + 0.4 * np.sin(1.7 * y + 1.0)
        return np.asarray(z > Ridge.centre_z_mm + ragged - slack_mm)


HOLE_SIDES = ("hidden", "interproximal", "undercut", "one")


def cut_hole(
    vertices_mm: Floats,
    faces: Labels,
    on_body: NDArray[np.bool_],
    body: Shape,
    place: Rigid,
    *,
    share: float,
    side: str,
    others: Sequence[Floats],
    rng: np.random.Generator,
) -> tuple[Labels, float]:
    """Take a share of a body's usable surface out of the scan: the faces left, and the body's
    coverage.

    `on_body` marks the body's vertices, `place` moves the implant's into the model frame, `side` is
    as of `simulate_scan`, `others` are the platforms of the other implants; chance is used equally
    whatever the options. The coverage is the share, 0 to 1, of the surface above ``use_above_mm``
    that the scan shows, found at the places of a fine drawing: the nearest triangle is near and not
    taken away.
    """
    kind = str(rng.choice(HOLE_SIDES[1:])) if side == "hidden" else side
    chance, ragged_seed = rng.uniform(0, 2 * np.pi), rng.integers(1 << 30)
    mine = np.flatnonzero(on_body[faces].all(axis=1))
    if not len(mine):
        return faces, 0.0
    corners = place.inverse().points(vertices_mm[faces[mine]])
    middle, area = corners.mean(axis=1), _area(corners)
    usable = middle[:, 2] > body.use_above_mm
    kept = np.ones(len(mine), bool)
    if share > 0:
        score = _hidden(middle, body, place, others, kind, chance)
        ragged = np.random.default_rng(ragged_seed)
        score += 0.15 * random_field(middle, ragged, correlation_mm=1.5, n_waves=60)
        order = np.flatnonzero(usable)[np.argsort(-score[usable], kind="stable")]
        gone = order[np.cumsum(area[order]) <= share * area[usable].sum()]
        if len(gone):
            kept[gone] = False
            kept[~usable & (score >= score[gone].min())] = False
    rest = np.ones(len(faces), bool)
    rest[mine[~kept]] = False
    edge = np.median(np.linalg.norm(corners[:, 1] - corners[:, 0], axis=1))
    places, weight = _usable_places(body)
    gap, nearest = cKDTree(middle).query(places)
    shown = (gap < 0.9 * edge) & kept[nearest]
    return faces[rest], round(float(weight[shown].sum() / weight.sum()), 4)


def _hidden(
    points: Floats,
    body: Shape,
    place: Rigid,
    others: Sequence[Floats],
    kind: str,
    chance: float,
) -> Floats:
    """How hidden points of the implant frame are: sideways first, low first, the top last."""
    across = unit(points[:, :2] + [1e-12, 0.0])
    ways = [np.array([np.cos(chance), np.sin(chance)])]
    if kind == "interproximal" and others:
        order = np.argsort([np.linalg.norm(o - place.translation_mm) for o in others])
        ways = [place.inverse().points(others[i])[:2] for i in order[:2]]
    elif kind == "undercut" and np.hypot(*place.rotation[2, :2]) > 0.02:
        ways = [-place.rotation[2, :2]]
    facing = np.max([across @ unit(way) for way in ways], axis=0)
    on_top = points[:, 2] > body.height_mm - 0.1
    return np.asarray(facing - 0.08 * points[:, 2] - 0.8 * on_top)


@cache
def _usable_places(body: Shape) -> tuple[Floats, Floats]:
    mesh = body.drawing(segment_mm=0.2).mesh
    corners = mesh.vertices_mm[mesh.faces]
    usable = corners.mean(axis=1)[:, 2] > body.use_above_mm
    return corners[usable].mean(axis=1), _area(corners[usable])


def _area(corners: Floats) -> Floats:
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    return np.asarray(0.5 * np.linalg.norm(cross, axis=1))
