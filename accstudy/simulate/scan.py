"""Simulated scans of a model: the mesh a scanner would deliver, and the exact truth."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import sparse

from accstudy.errors import InputError
from accstudy.geometry.rigid import Rigid, unit
from accstudy.mesh.model import Mesh
from accstudy.simulate.arch import frames
from accstudy.simulate.bodies import Shape, body_shape
from accstudy.simulate.scene import HOLE_SIDES, Blob, Scene, cut_hole, random_pose
from accstudy.simulate.surface import coarse, random_field
from accstudy.tables import shape

__all__ = [
    "Blob",
    "Noise",
    "SimulatedScan",
    "poses_from_frames",
    "simulate_scan",
]

Floats = NDArray[np.float64]


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
    if hole_side not in HOLE_SIDES:
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
        faces, left = cut_hole(
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
