"""Invented scans of a model: the mesh a scanner would deliver, and the exact truth."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from accstudy.errors import InputError
from accstudy.geometry.rigid import Rigid, rotation_vector, unit
from accstudy.mesh.model import Mesh
from accstudy.simulate.arch import Ridge, frames
from accstudy.simulate.bodies import BodyShape, body_shape
from accstudy.simulate.surface import Solid, random_field, triangulate
from accstudy.tables import shape

__all__ = [
    "Blob",
    "Noise",
    "SimulatedScan",
    "placed_bodies",
    "poses_from_frames",
    "random_pose",
    "simulate_scan",
]

Floats = NDArray[np.float64]

RIDGE, BLOB = -1, -2


@dataclass(frozen=True, slots=True)
class Noise:
    """Random displacement of the surface along its normal.

    Parameters
    ----------
    rms_um : float
        Standard deviation of the correlated part.
    correlation_mm : float
        Distance at which its correlation has fallen to 1/e; 0 is white.
    white_um : float
        Standard deviation of a white part besides.
    kernel : {"gaussian", "exponential"}
        Smooth or rough.
    """

    rms_um: float = 8.0
    correlation_mm: float = 0.5
    white_um: float = 0.0
    kernel: str = "gaussian"


@dataclass(frozen=True, slots=True)
class Blob:
    """A lump of soft tissue in the scan: a bumpy ball, model frame.

    Parameters
    ----------
    centre_mm : tuple of float
        Where.
    radius_mm : float
        How big.
    """

    centre_mm: tuple[float, float, float]
    radius_mm: float


@dataclass(frozen=True, slots=True)
class SimulatedScan:
    """A scan and what is true of it.

    Parameters
    ----------
    mesh : Mesh
        Surface in the scan frame, in the unit that was asked for.
    truth : DataFrame
        Table ``poses`` of the implants that the scan shows, scan frame, mm;
        empty flats where the body fixes no rotation; ``coverage`` is the share
        of the body's surface above ``use_above_mm`` that is there.
    scan_from_model : Rigid
        Where the scanner put its frame.
    part : (n,) ndarray
        For every vertex the row of its implant in the given table, -1 ridge,
        -2 blob, -3 - i the i-th extra body.
    """

    mesh: Mesh
    truth: pd.DataFrame
    scan_from_model: Rigid
    part: NDArray[np.int32]


@dataclass(slots=True)
class _Parts:
    """Everything that makes up the scene, each piece as a solid in the model frame."""

    solids: list[Solid] = field(default_factory=list)
    labels: list[int] = field(default_factory=list)
    balls: list[tuple[Floats, float]] = field(default_factory=list)

    def add(self, solid: Solid, label: int, centre: Floats, radius: float) -> None:
        self.solids.append(solid)
        self.labels.append(label)
        self.balls.append((centre, radius))

    def __call__(self, points: Floats) -> tuple[Floats, Floats]:
        value, gradient, _ = self.nearest(points)
        return value, gradient

    def nearest(self, points: Floats) -> tuple[Floats, Floats, NDArray[np.int32]]:
        """Union: the piece with the smallest distance counts."""
        value = np.full(len(points), 50.0)
        gradient = np.tile([0.0, 0.0, 1.0], (len(points), 1))
        label = np.full(len(points), RIDGE, np.int32)
        for solid, name, (centre, radius) in zip(self.solids, self.labels, self.balls, strict=True):
            offset = points - centre
            near = np.flatnonzero(np.einsum("ij,ij->i", offset, offset) < radius**2)
            if not len(near):
                continue
            found, slope = solid(points[near])
            wins = found < value[near]
            value[near[wins]] = found[wins]
            gradient[near[wins]] = slope[wins]
            label[near[wins]] = name
        return value, gradient, label


def random_pose(rng: np.random.Generator, *, shift_mm: float = 40.0) -> Rigid:
    """Draw a rigid motion: any rotation, and a shift within `shift_mm` per axis."""
    quaternion = unit(rng.normal(size=4))
    w, x, y, z = quaternion
    angle = 2 * np.arctan2(np.sqrt(x * x + y * y + z * z), w)
    rotation = rotation_vector(angle * unit([x, y, z]))
    return Rigid(rotation, rng.uniform(-shift_mm, shift_mm, 3))


def simulate_scan(
    implants: pd.DataFrame,
    bodies: Mapping[str, BodyShape] | BodyShape | str = "cylinder-flat",
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
    extra: Sequence[tuple[BodyShape | str, Rigid]] = (),
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
    bodies : mapping, BodyShape or str
        Shape for each key in ``scan_body``, or one for all.
    n_triangles : int
        Triangles of the whole scan, held within some per cent.
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
    scan : str
        Name of the scan in the truth.
    seed : int or sequence of int
        The same seed gives the same scan.

    Returns
    -------
    SimulatedScan

    Raises
    ------
    InputError
        If a name or a share is impossible.
    """
    noise = noise or Noise(noise_um, correlation_mm)
    if not 0 <= holes <= 0.5:
        raise InputError(f"holes must be a share of 0 to 0.5, not {holes:g}")
    if hole_side not in ("hidden", "interproximal", "undercut", "one"):
        raise InputError(f'no hole_side "{hole_side}"')
    names = implants["implant"].tolist()
    for name in [*missing, *(displaced or {})]:
        if name not in names:
            raise InputError(f'no implant "{name}" in the model')
    chance = np.random.SeedSequence(seed).spawn(6)
    rng_pose, rng_net, rng_noise, rng_holes, rng_more, rng_ridge = map(
        np.random.default_rng, chance
    )
    scan_from_model = pose if pose is not None else random_pose(rng_pose)
    shapes = [_shape_of(bodies, key) for key in implants["scan_body"]]
    placed = [
        frame.after((displaced or {}).get(name, Rigid.identity()))
        for name, frame in zip(names, frames(implants), strict=True)
    ]
    shown = [i for i, name in enumerate(names) if name not in missing]
    parts = _Parts()
    if ridge:
        solid = Ridge.invent(int(rng_ridge.integers(1 << 30)))
        parts.add(solid.distance, RIDGE, np.zeros(3), 1e3)
    for i in shown:
        _add_body(parts, shapes[i], placed[i], i, offset_um * 1e-3, edge_rounding_mm)
    for i, (kind, place) in enumerate(extra):
        extra_shape = body_shape(kind) if isinstance(kind, str) else kind
        _add_body(parts, extra_shape, place, -3 - i, offset_um * 1e-3, edge_rounding_mm)
    for blob in blobs:
        parts.add(_blob(blob, rng_more), BLOB, np.asarray(blob.centre_mm), blob.radius_mm + 4)
    vertices, faces = _mesh(parts, n_triangles, rng_net, keep=keep, ridge=ridge)
    _, normal, part = parts.nearest(vertices)
    faces = _open_below(vertices, faces, part, ridge=ridge)
    if keep is not None:
        towards = vertices @ unit(keep[0]) >= keep[1]
        faces = faces[towards[faces].all(axis=1)]
    coverage = {}
    for i in shown:
        others = [p.translation_mm for j, p in enumerate(placed) if j != i]
        cut = _hole_score(vertices, placed[i], others, hole_side, rng_holes)
        faces, coverage[i] = _cut_holes(
            vertices, faces, part == i, placed[i], shapes[i], cut, holes
        )
    height = noise.rms_um * random_field(
        vertices, rng_noise, correlation_mm=noise.correlation_mm, kernel=noise.kernel
    )
    if noise.white_um:
        height += noise.white_um * rng_noise.standard_normal(len(vertices))
    vertices = vertices + 1e-3 * height[:, None] * unit(normal)
    vertices, faces, part = _compact(vertices, faces, part)
    if doubled_mm:
        vertices, faces, part = _double(vertices, faces, part, doubled_mm, rng_more)
    vertices = scan_from_model.points(vertices)
    truth = poses_from_frames(
        implants.iloc[shown],
        [scan_from_model.after(placed[i]) for i in shown],
        known=[shapes[i].has_flat for i in shown],
        scan=scan,
    )
    truth["coverage"] = [coverage[i] for i in shown]
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
    """Write implant frames as a table ``poses``.

    Parameters
    ----------
    implants : DataFrame
        Rows of table ``implants``, for the names.
    placed : sequence of Rigid
        For each the motion from the implant frame into the scan frame.
    known : sequence of bool
        Whether the rotation about the axis means anything.
    scan : str
        Name of the scan.

    Returns
    -------
    DataFrame
        Table ``poses``; the flats of unknown rotations are empty.
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


def placed_bodies(
    implants: pd.DataFrame,
    drawings: Mapping[str, Mesh] | Mesh,
    *,
    displaced: Mapping[str, Rigid] | None = None,
    pose: Rigid | None = None,
    single: bool = True,
    scan: str = "S1",
    seed: int = 0,
) -> SimulatedScan:
    """Make a file that holds only drawings already placed at the implants.

    Parameters
    ----------
    implants : DataFrame
        Table ``implants`` of one model.
    drawings : mapping of Mesh, or Mesh
        Drawing for each key in ``scan_body``, or one for all, implant frame.
    displaced, pose, scan, seed
        As in `simulate_scan`.
    single : bool
        Round the coordinates to float32, as such files hold them.

    Returns
    -------
    SimulatedScan
        Rigid copies of the drawings.
    """
    scan_from_model = pose if pose is not None else random_pose(np.random.default_rng(seed))
    vertices, faces, part, placed = [], [], [], []
    count = 0
    rows = zip(implants["implant"], implants["scan_body"], frames(implants), strict=True)
    for i, (name, key, frame) in enumerate(rows):
        mesh = drawings if isinstance(drawings, Mesh) else drawings[key]
        moved = scan_from_model.after(frame.after((displaced or {}).get(name, Rigid.identity())))
        placed.append(moved)
        vertices.append(moved.points(mesh.vertices_mm))
        faces.append(mesh.faces + count)
        part.append(np.full(len(mesh.vertices_mm), i, np.int32))
        count += len(mesh.vertices_mm)
    everything = np.concatenate(vertices)
    if single:
        everything = everything.astype(np.float32).astype(np.float64)
    mesh = Mesh(everything, np.concatenate(faces).astype(np.int32))
    truth = poses_from_frames(implants, placed, known=[True] * len(placed), scan=scan)
    return SimulatedScan(mesh, truth, scan_from_model, np.concatenate(part))


def _shape_of(bodies: Mapping[str, BodyShape] | BodyShape | str, key: str) -> BodyShape:
    if isinstance(bodies, BodyShape):
        return bodies
    if isinstance(bodies, str):
        return body_shape(bodies)
    if key not in bodies:
        raise InputError(f'no shape for scan body "{key}"')
    return bodies[key]


def _add_body(
    parts: _Parts, body: BodyShape, place: Rigid, label: int, offset: float, rounding: float
) -> None:
    back = place.inverse()

    def solid(points: Floats) -> tuple[Floats, Floats]:
        value, gradient = body.distance(back.points(points), edge_rounding_mm=rounding)
        return value - offset, place.vectors(gradient)

    half = body.height_mm / 2
    radius = float(np.hypot(half, body.radius_mm)) + 3.0
    parts.add(solid, label, place.points([0.0, 0.0, half]), radius)


def _blob(blob: Blob, rng: np.random.Generator) -> Solid:
    waves = unit(rng.normal(size=(6, 3))) * 2 * np.pi / rng.uniform(3.0, 8.0, (6, 1))
    phases = rng.uniform(0, 2 * np.pi, 6)
    centre = np.asarray(blob.centre_mm, float)

    def solid(points: Floats) -> tuple[Floats, Floats]:
        offset = points - centre
        r = np.maximum(np.linalg.norm(offset, axis=1), 1e-9)
        turn = points @ waves.T + phases
        value = r - blob.radius_mm + 0.15 * np.sin(turn).sum(axis=1)
        return value, offset / r[:, None] + 0.15 * np.cos(turn) @ waves

    return solid


def _mesh(
    parts: _Parts,
    n_triangles: int,
    rng: np.random.Generator,
    *,
    keep: tuple[Sequence[float], float] | None,
    ridge: bool,
) -> tuple[Floats, NDArray[np.int32]]:
    """Triangulate on a lattice that is turned at random against the model."""
    turn = random_pose(rng, shift_mm=1.0)

    def turned(points: Floats) -> tuple[Floats, Floats]:
        value, gradient = parts(turn.inverse().points(points))
        return value, turn.vectors(gradient)

    corners = [
        c + np.array([[-r], [r]]) for c, r in parts.balls if r < 100.0
    ]  # of bodies and blobs; the ridge has its own box
    if ridge:
        corners.append(np.array([[-32.0, -10.0, -14.0], [32.0, 40.0, 2.0]]))
    box = np.concatenate(corners) if corners else np.zeros((2, 3))
    low, high = box.min(axis=0), box.max(axis=0)
    grid = np.array(np.meshgrid(*zip(low, high, strict=True), indexing="ij")).reshape(3, -1).T
    inside = turn.points(grid)
    coarse = 0.8
    rough_vertices, rough = triangulate(
        turned, inside.min(axis=0), inside.max(axis=0), step_mm=coarse, smoothing=0
    )
    rough_model = turn.inverse().points(rough_vertices)
    _, _, part = parts.nearest(rough_model)
    rough = _open_below(rough_model, rough, part, ridge=ridge)
    if keep is not None:
        rough = rough[(rough_model @ unit(keep[0]) >= keep[1])[rough].all(axis=1)]
    step = coarse * np.sqrt(max(len(rough), 1) / n_triangles)
    vertices, faces = triangulate(
        turned, inside.min(axis=0), inside.max(axis=0), step_mm=float(step)
    )
    return turn.inverse().points(vertices), faces


def _open_below(
    vertices: Floats, faces: NDArray[np.int32], part: NDArray[np.int32], *, ridge: bool
) -> NDArray[np.int32]:
    """Drop what a scanner never sees: the ridge below its sides."""
    if not ridge:
        return faces
    ragged = 0.5 * np.sin(1.3 * vertices[:, 0]) + 0.4 * np.sin(1.7 * vertices[:, 1] + 1.0)
    seen = (vertices[:, 2] > Ridge.centre_z_mm + ragged) | (part != RIDGE)
    return faces[seen[faces].all(axis=1)]


def _hole_score(
    vertices: Floats, place: Rigid, others: Sequence[Floats], side: str, rng: np.random.Generator
) -> Floats:
    """How hidden every vertex is from the scanner; the largest go first."""
    ragged_seed = rng.integers(1 << 30)
    kind = rng.choice(["interproximal", "undercut", "one"]) if side == "hidden" else side
    chance = rng.uniform(0, 2 * np.pi)
    own = place.inverse().points(vertices)
    across = unit(np.column_stack([own[:, :2], np.full(len(own), 1e-9)]))[:, :2]
    if kind == "interproximal" and others:
        distance = [np.linalg.norm(o - place.translation_mm) for o in others]
        nearest = [others[i] for i in np.argsort(distance)[:2]]
        ways = [place.inverse().points(o)[:2] for o in nearest]
    elif kind == "undercut" and np.hypot(*place.rotation[2, :2]) > 0.02:
        ways = [-place.rotation[2, :2]]
    else:
        ways = [np.array([np.cos(chance), np.sin(chance)])]
    facing = np.max([across @ unit(w) for w in ways], axis=0)
    ragged = random_field(
        vertices, np.random.default_rng(ragged_seed), correlation_mm=1.5, n_waves=60
    )
    return np.asarray(facing - 0.08 * own[:, 2] + 0.15 * ragged)


def _cut_holes(
    vertices: Floats,
    faces: NDArray[np.int32],
    on_body: NDArray[np.bool_],
    place: Rigid,
    body: BodyShape,
    score: Floats,
    share: float,
) -> tuple[NDArray[np.int32], float]:
    """Remove a share of a body's usable surface; return what is left of it."""
    own = place.inverse().points(vertices)
    usable = on_body & (own[:, 2] > body.use_above_mm)
    mine = np.flatnonzero(usable[faces].all(axis=1))
    if not len(mine):
        return faces, 0.0
    corner = vertices[faces[mine]]
    area = 0.5 * np.linalg.norm(
        np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]), axis=1
    )
    whole = _usable_area(body)
    value = score[faces[mine]].mean(axis=1)
    order = np.argsort(-value, kind="stable")
    gone = np.cumsum(area[order]) <= share * area.sum()
    if share > 0 and np.any(gone):
        level = value[order][np.count_nonzero(gone) - 1]
        low = on_body & (own[:, 2] <= body.use_above_mm) & (score >= level)
        drop = low[faces].all(axis=1)
        drop[mine[order[gone]]] = True
        faces = faces[~drop]
    left = float(area.sum() - area[order][gone].sum()) if share > 0 else float(area.sum())
    return faces, round(min(left / whole, 1.0), 6)


def _usable_area(body: BodyShape) -> float:
    mesh = body.drawing(segment_mm=0.2).mesh
    corner = mesh.vertices_mm[mesh.faces]
    area = 0.5 * np.linalg.norm(
        np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]), axis=1
    )
    return float(area[(corner[:, :, 2] > body.use_above_mm).all(axis=1)].sum())


def _compact(
    vertices: Floats, faces: NDArray[np.int32], part: NDArray[np.int32]
) -> tuple[Floats, NDArray[np.int32], NDArray[np.int32]]:
    """Drop vertices that no triangle uses."""
    used = np.zeros(len(vertices), bool)
    used[faces.ravel()] = True
    number = np.cumsum(used) - 1
    return vertices[used], number[faces].astype(np.int32), part[used]


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
