"""Simulated scans of a model: what a scanner sees and misses, its mesh, and the exact truth."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import sparse
from scipy.spatial import cKDTree

from accstudy.errors import InputError
from accstudy.geometry.rigid import Rigid, rotation_vector, unit
from accstudy.mesh.model import Mesh
from accstudy.simulate.arch import Ridge, Solid, coarse, frames, net, random_field, triangulate
from accstudy.simulate.bodies import Shape, body_shape
from accstudy.tables import shape

Floats = NDArray[np.float64]
Labels = NDArray[np.int32]

_RIDGE, _BLOB = -1, -2

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
        Row of the implant, `_RIDGE`, `_BLOB`, or less for extra bodies.
    balls : list of (centre, radius)
        Outside its ball a solid is not looked at, mm.
    """

    solids: list[Solid] = field(default_factory=list)
    labels: list[int] = field(default_factory=list)
    balls: list[tuple[Floats, float]] = field(default_factory=list)

    def add_ridge(self, seed: int) -> None:
        """Add the ridge with bumps of its own."""
        self._add(Ridge.invent(seed).distance, _RIDGE, np.zeros(3), np.inf)

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

        self._add(solid, _BLOB, centre, blob.radius_mm + 3.0)

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
        label = np.full(len(points_mm), _RIDGE, np.int32)
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
        """Triangulate the open surface on a lattice turned at random: vertices, mm, and faces.

        There are `n_triangles` within a tenth. Vertices are in the model frame, on the surface;
        some may belong to no triangle. `scanned` tells which points of the model frame the scanner
        passed over.
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
        if _RIDGE in self.labels:
            sides = ([-32.0, 32.0], [-10.0, 40.0], [-9.0, 2.0])
            grid = np.array(np.meshgrid(*sides, indexing="ij")).reshape(3, -1).T
            corners.append(turn.points(grid))
        box = np.concatenate(corners)
        return box.min(axis=0), box.max(axis=0)

    def _seen(self, points: Floats, *, slack_mm: float = 0.0) -> NDArray[np.bool_]:
        """What the scanner sees: the ridge down to a ragged edge on its sides."""
        if _RIDGE not in self.labels:
            return np.ones(len(points), bool)
        x, y, z = points.T
        ragged = 0.5 * np.sin(1.3 * x) + 0.4 * np.sin(1.7 * y + 1.0)
        return np.asarray(z > Ridge.centre_z_mm + ragged - slack_mm)


_HOLE_SIDES = ("hidden", "interproximal", "undercut", "one")


def _cut_hole(
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
    kind = str(rng.choice(_HOLE_SIDES[1:])) if side == "hidden" else side
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


@dataclass(frozen=True, slots=True)
class Noise:
    """Random displacement of the surface along its normal.

    A correlated part, smooth or rough, whose correlation has fallen to 1/e at ``correlation_mm``
    (0: white), and a white part besides.
    """

    rms_um: float = 8.0
    correlation_mm: float = 0.5
    white_um: float = 0.0
    kernel: str = "gaussian"
    n_waves: int = 400


@dataclass(frozen=True, slots=True)
class SimulatedScan:
    """A scan in its own frame and what is true of it.

    ``truth`` is table ``poses`` of the implants that the scan shows (empty flats where the body
    fixes no rotation; ``coverage`` is the share of the body's surface above ``use_above_mm`` that
    is there). ``part`` has for every vertex the row of its implant in the given table, -1 ridge, -2
    blob, -3 - i the i-th extra body.
    """

    mesh: Mesh
    truth: pd.DataFrame
    scan_from_model: Rigid
    part: NDArray[np.int32]


def simulate_scan(
    implants: pd.DataFrame,
    bodies: Mapping[str, Shape] | Shape | str = "cylinder-flat",
    *,
    n_triangles: int = 60_000,
    noise_um: float = 8.0,
    correlation_mm: float = 0.5,
    noise: Noise | None = None,
    offset_um: float = 0.0,
    edge_rounding_mm: float = 0.0,
    holes: float = 0.0,
    hole_side: str = "hidden",
    displaced: Mapping[str, Rigid] | None = None,
    missing: Sequence[str] = (),
    extra: Sequence[tuple[Shape | str, Rigid]] = (),
    blobs: Sequence[Blob] = (),
    keep: tuple[Sequence[float], float] | None = None,
    doubled_mm: float = 0.0,
    mirrored: bool = False,
    unit_mm: float = 1.0,
    pose: Rigid | None = None,
    ridge: bool = True,
    scan: str = "S1",
    seed: int | Sequence[int] = 0,
) -> SimulatedScan:
    """Scan a model as an intraoral or desktop scanner would, with known truth.

    The surface is the union of the ridge and the scan bodies, triangulated anew
    (no vertex of a drawing is reused) and open below, as scanners deliver it.

    Parameters
    ----------
    implants : DataFrame
        Table ``implants`` of one model: positions, axes, flats, ``scan_body``.
    bodies : mapping, shape or str
        Shape for each key in ``scan_body``, or one for all.
    n_triangles : int
        Triangles of the whole scan before holes, held within a tenth.
    noise_um, correlation_mm : float
        Rms and correlation length (1/e, Gaussian correlation; 0 is white) of
        the noise along the normals.
    noise : Noise, optional
        More choice; takes the place of the two above.
    offset_um : float
        Uniform distance of the bodies' scanned surface from the true one,
        outside positive.
    edge_rounding_mm : float
        Radius of the scanned bodies' convex edges.
    holes : float
        Share, 0 to 0.5, of each body's surface above ``use_above_mm`` that the
        scan lacks.
    hole_side : {"hidden", "interproximal", "undercut", "one"}
        Where the holes are: low on the sides towards the neighbours, the
        side that faces down, or one side of chance; ``hidden`` draws one of
        the three for each body.
    displaced : mapping, optional
        For some implants a small motion in the implant's own frame: the scanned
        body really is there (stitching error, a loose body), and so is the truth.
    missing : sequence of str
        Implants without a body in the scan.
    extra : sequence of (shape, Rigid)
        Further bodies, placed by the motion from the body's into the model frame.
    blobs : sequence of Blob
        Lumps of tongue or cheek; over a body they hide it.
    keep : (direction, level), optional
        Only what lies at ``direction . x >= level`` (model frame, mm) is scanned.
    doubled_mm : float
        If not 0, half of the triangles appear a second time, moved by this much
        along a direction of chance, as after bad stitching. The truth is the
        first layer.
    mirrored : bool
        Reflect the finished scan (x to -x); the truth is then reflected, too,
        and no rigid motion leads to it.
    unit_mm : float
        Unit of the coordinates delivered: 1000 for m, 25.4 for inch. The truth
        stays in mm.
    pose : Rigid, optional
        ``scan_from_model``; random by default.
    ridge : bool
        Whether the ridge is there; without it the bodies are closed at the platform.
        Its bumps belong to the model: every scan of the same implants shows them.
    scan : str
        Name of the scan in the truth.
    seed : int or sequence of int
        The same seed gives the same scan.

    Raises
    ------
    InputError
        If a name or a share is impossible.
    """
    noise = noise or Noise(noise_um, correlation_mm)
    if not 0 <= holes <= 0.5:
        raise InputError(f"holes must be a share of 0 to 0.5, not {holes:g}")
    if hole_side not in _HOLE_SIDES:
        raise InputError(f'no hole_side "{hole_side}"')
    names = implants["implant"].tolist()
    for name in [*missing, *(displaced or {})]:
        if name not in names:
            raise InputError(f'no implant "{name}" in the model')
    chance = np.random.SeedSequence(seed).spawn(5)
    rng_pose, rng_net, rng_noise, rng_holes, rng_more = map(np.random.default_rng, chance)
    scan_from_model = pose if pose is not None else random_pose(rng_pose)
    shapes = [_shape_of(bodies, key) for key in implants["scan_body"]]
    placed = [
        frame.after((displaced or {}).get(name, Rigid.identity()))
        for name, frame in zip(names, frames(implants), strict=True)
    ]
    shown = [i for i, name in enumerate(names) if name not in missing]
    scene = Scene()
    if ridge:
        scene.add_ridge(_seed_of_model(implants))
    surface = {"offset_mm": offset_um * 1e-3, "edge_rounding_mm": edge_rounding_mm}
    for i in shown:
        scene.add_body(shapes[i], placed[i], i, **surface)
    for i, (kind, place) in enumerate(extra):
        extra_shape = body_shape(kind) if isinstance(kind, str) else kind
        scene.add_body(extra_shape, place, -3 - i, **surface)
    for blob in blobs:
        scene.add_blob(blob, rng_more)
    scanned = None if keep is None else _half_space(*keep)
    vertices, faces = scene.triangles(n_triangles, rng_net, scanned=scanned)
    _, normal, part = scene.nearest(coarse(vertices))
    coverage = []
    for i in shown:
        others = [p.translation_mm for j, p in enumerate(placed) if j != i]
        faces, left = _cut_hole(
            vertices,
            faces,
            part == i,
            shapes[i],
            placed[i],
            share=holes,
            side=hole_side,
            others=others,
            rng=rng_holes,
        )
        coverage.append(left)
    height = noise.rms_um * random_field(
        vertices,
        rng_noise,
        correlation_mm=noise.correlation_mm,
        kernel=noise.kernel,
        n_waves=noise.n_waves,
    )
    if noise.white_um:
        height += noise.white_um * rng_noise.standard_normal(len(vertices))
    vertices = vertices + 1e-3 * height[:, None] * unit(normal)
    vertices, faces, part = _compact(vertices, _without_crumbs(faces), part)
    if doubled_mm:
        vertices, faces, part = _double(vertices, faces, part, doubled_mm, rng_more)
    vertices = scan_from_model.points(vertices)
    truth = poses_from_frames(
        implants.iloc[shown],
        [scan_from_model.after(placed[i]) for i in shown],
        known=[shapes[i].has_flat for i in shown],
        scan=scan,
    )
    truth["coverage"] = coverage
    truth["offset_um"] = float(offset_um)
    if mirrored:
        vertices = vertices * [-1.0, 1.0, 1.0]
        faces = faces[:, ::-1]
        truth[["x_mm", "axis_x", "flat_x"]] *= -1.0
    mesh = Mesh(np.ascontiguousarray(vertices / unit_mm), np.ascontiguousarray(faces, np.int32))
    return SimulatedScan(mesh, truth, scan_from_model, part)


def poses_from_frames(
    implants: pd.DataFrame, placed: Sequence[Rigid], *, known: Sequence[bool], scan: str
) -> pd.DataFrame:
    """Write motions from implant frames into the scan frame as a table ``poses``.

    `known` says whether the rotation about the axis means anything; else the flat is empty.
    """
    position = np.array([p.translation_mm for p in placed]).reshape(-1, 3)
    axis = np.array([p.rotation[:, 2] for p in placed]).reshape(-1, 3)
    flat = np.array([p.rotation[:, 0] for p in placed]).reshape(-1, 3)
    flat[~np.asarray(known, bool)] = np.nan
    columns: dict[str, object] = {
        "scan": scan,
        "model": implants["model"].to_numpy(),
        "implant": implants["implant"].to_numpy(),
        "status": "ok",
    }
    columns |= {f"{c}_mm": position[:, i] for i, c in enumerate("xyz")}
    columns |= {f"axis_{c}": axis[:, i] for i, c in enumerate("xyz")}
    columns |= {f"flat_{c}": flat[:, i] for i, c in enumerate("xyz")}
    return shape("poses", pd.DataFrame(columns, index=range(len(implants))))


def _seed_of_model(implants: pd.DataFrame) -> int:
    """Seed of what belongs to the model, not to the scan; positions count to 1 um."""
    microns = np.rint(1000 * implants[["x_mm", "y_mm", "z_mm"]].to_numpy(float)).astype(np.int64)
    return int(np.abs(microns).sum() % (1 << 30))


def _half_space(direction: Sequence[float], level: float) -> Callable[[Floats], NDArray[np.bool_]]:
    return lambda points: np.asarray(points @ unit(direction) >= level)


def _shape_of(bodies: Mapping[str, Shape] | Shape | str, key: str) -> Shape:
    if isinstance(bodies, str):
        return body_shape(bodies)
    if not isinstance(bodies, Mapping):
        return bodies
    if key not in bodies:
        raise InputError(f'no shape for scan body "{key}"')
    return bodies[key]


def _compact(
    vertices: Floats, faces: NDArray[np.int32], part: NDArray[np.int32]
) -> tuple[Floats, NDArray[np.int32], NDArray[np.int32]]:
    """Drop vertices that no triangle uses."""
    used = np.zeros(len(vertices), bool)
    used[faces.ravel()] = True
    number = np.cumsum(used) - 1
    return vertices[used], number[faces].astype(np.int32), part[used]


def _without_crumbs(faces: NDArray[np.int32]) -> NDArray[np.int32]:
    """Drop pieces of fewer than 50 triangles, as scanners do."""
    n = int(faces.max(initial=0)) + 1
    ends = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]]])
    graph = sparse.coo_matrix((np.ones(len(ends), bool), (ends[:, 0], ends[:, 1])), shape=(n, n))
    _, piece = sparse.csgraph.connected_components(graph, directed=False)
    size = np.bincount(piece[faces[:, 0]], minlength=n)
    return np.asarray(faces[size[piece[faces[:, 0]]] >= 50])


def _double(
    vertices: Floats,
    faces: NDArray[np.int32],
    part: NDArray[np.int32],
    by_mm: float,
    rng: np.random.Generator,
) -> tuple[Floats, NDArray[np.int32], NDArray[np.int32]]:
    """Add a second layer over one half of the scan."""
    way = unit(rng.normal(size=3))
    level = np.median(vertices[:, 0])
    again = faces[(vertices[:, 0] >= level)[faces].all(axis=1)]
    more, more_faces, more_part = _compact(vertices, again, part)
    return (
        np.concatenate([vertices, more + by_mm * way]),
        np.concatenate([faces, more_faces + np.int32(len(vertices))]),
        np.concatenate([part, more_part]),
    )
