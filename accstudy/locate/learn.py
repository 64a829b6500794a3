"""A scan body derived from a scan of its model, if there is no CAD geometry."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from accstudy.errors import InputError
from accstudy.geometry.rigid import Rigid, frame_from_axis, rotation_vector
from accstudy.locate.average import area_mm2, mean_surface
from accstudy.locate.drawing import ScanBody
from accstudy.locate.least_squares import Fit, coarse_fit, fine_fit
from accstudy.locate.prepared import PreparedBody, prepare_body
from accstudy.locate.refine import Refined, refine_fits
from accstudy.locate.rotation import turned
from accstudy.locate.segment import Patch, cut_patches
from accstudy.mesh.model import Mesh
from accstudy.mesh.normals import area_vectors

__all__ = ["LearnedBody", "learn_body"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_REACH_MM, _BELOW_MM, _TALLEST_MM, _NEAR_AXIS_MM = 7.0, 0.4, 30.0, 3.0
_TURN_STEP_DEG = 24.0
_GAP_MM = 0.3
_ROUNDS = 2
_FRAME_MM, _FRAME_RAD = 0.5, np.radians(1.0)
_ROUND_MM = 0.15
_LEAST_AREA_MM2 = 20.0


@dataclass(frozen=True, slots=True)
class LearnedBody:
    """A scan body as its copies on a model show it.

    Parameters
    ----------
    body : ScanBody
        The mean of the copies in the implant frame. The rotation is that of the reference's
        flats; where it has none, x is an arbitrary direction, the same in every scan.
    implants : tuple of str
        The copies.
    scatter_um : float
        Root mean square distance of the copies from their mean.
    agreement_um : float
        Root mean square distance of the platforms, as the copies show them, from the reference's:
        what scan and reference disagree by.
    covariance : (5, 5) ndarray
        Of the platform (x, y, z in mm) and of the tilts of the axis about x and y (rad) in the
        implant frame: an error that all bodies of all scans share.
    flat_known : bool
        Whether the rotation was tied to flats of the reference.
    """

    body: ScanBody
    implants: tuple[str, ...]
    scatter_um: float
    agreement_um: float
    covariance: Floats
    flat_known: bool

    @property
    def u_height_um(self) -> float:
        """Standard uncertainty of the platform along the axis, µm."""
        return float(1e3 * np.sqrt(self.covariance[2, 2]))

    @property
    def u_aside_um(self) -> float:
        """Standard uncertainty of the platform across the axis, each direction, µm."""
        return float(1e3 * np.sqrt(0.5 * (self.covariance[0, 0] + self.covariance[1, 1])))

    @property
    def u_axis_deg(self) -> float:
        """Standard uncertainty of each tilt of the axis, deg."""
        return float(np.degrees(np.sqrt(0.5 * (self.covariance[3, 3] + self.covariance[4, 4]))))


def learn_body(
    mesh: Mesh, reference: pd.DataFrame, *, name: str = "default", use_above_mm: float = 2.5
) -> LearnedBody:
    """Learn a scan body from a scan of a model that carries one on every implant.

    Parameters
    ----------
    mesh : Mesh
        The scan, mm, in the frame of the reference to within half a millimetre and a degree.
    reference : DataFrame
        Rows of table ``implants`` that carry this body, one model.
    name : str
        Key of ``[scan_body.*]``.
    use_above_mm : float
        Surface lower than this over the platform is not used.

    Returns
    -------
    LearnedBody

    Raises
    ------
    InputError
        If an implant shows no scan body there, or the copies are not alike.

    Notes
    -----
    The surface around every axis is cut out. The most complete copy serves as the drawing for
    the others, which are brought onto it as bodies of a scan are located, rotation included.
    Then the copies together are the surface: a quadric is fitted robustly to all of their
    points around every vertex (moving least squares), which averages their noise, and what one
    copy lacks the others fill. Twice. Where no quadric describes the points within their noise,
    beside sharp edges, the surface is left open, and locating uses nothing there.

    Where the platform lies in the body follows from all copies together: the motion that brings
    the scan into the frame of the reference and the place of the platform in the body are solved
    for at once. Copies whose axes differ tell the height; with parallel axes only the frame of
    the file does, to half a millimetre, and a common error of the height then cancels in every
    distance. Errors of the scan's own arrangement go into the platform, and by their size into
    `covariance`; so does what the scatter of the copies leaves in their mean.

    References
    ----------
    Alexa, Behr, Cohen-Or, Fleishman, Levin, Silva: Computing and rendering point set surfaces,
    IEEE Transactions on Visualization and Computer Graphics 9 (2003) 3-15: surfaces from points by
    moving least squares. The widening of uncertainties by the scatter about a fit is the Birge
    ratio (R. T. Birge, Physical Review 40 (1932) 207-227).
    """
    names = [str(i) for i in reference["implant"]]
    frames = _frames(reference)
    copies = [_cut(mesh, frames, k, use_above_mm, names[k]) for k in range(len(frames))]
    first = int(np.argmax([area_mm2(copy) for copy in copies]))
    surface, fitted = copies[first], frames
    for number in range(_ROUNDS):
        prepared = prepare_body(ScanBody(name, surface, True, use_above_mm))
        refined = _fitted(mesh, prepared, fitted, names, settled=number > 0)
        fitted = [one.scan_from_body for one in refined]
        placed = [
            Mesh(pose.inverse().after(frame).points(copy.vertices_mm), copy.faces)
            for pose, frame, copy in zip(fitted, frames, copies, strict=True)
        ]
        surface, scatter_mm = mean_surface(placed, first)
    round_ = _unround(prepared.radial.radius_mm) < _ROUND_MM
    if round_:
        surface, fitted = _about_its_axis(surface, fitted)
    place = _platform(reference, fitted, refined, round_=round_)
    flat = _flat(reference, fitted)
    body_frame = Rigid(frame_from_axis(place.axis, flat), place.origin_mm)
    inside = body_frame.inverse().points(surface.vertices_mm)
    turned = body_frame.rotation[:, :2].T  # tilts and directions of the body's into the implant's
    to_implant = np.zeros((5, 5))
    to_implant[:3, :3] = body_frame.rotation.T
    to_implant[3:, 3:] = turned[:, :2]
    # the mean surface is off, too, by what the scatter of its copies leaves
    left_mm = scatter_mm / np.sqrt(len(names))
    arm_mm = 0.5 * max(float(np.ptp(inside[:, 2])), 1.0)
    surface_u = np.r_[np.full(3, left_mm), np.full(2, left_mm / arm_mm)]
    return LearnedBody(
        body=ScanBody(name, Mesh(inside, surface.faces), not round_, use_above_mm),
        implants=tuple(names),
        scatter_um=1e3 * scatter_mm,
        agreement_um=1e3 * place.off_mm,
        covariance=to_implant @ place.covariance @ to_implant.T + np.diag(surface_u**2),
        flat_known=flat is not None and not round_,
    )


def _frames(reference: pd.DataFrame) -> list[Rigid]:
    """Implant frames by the reference; the rotation is arbitrary where no flat is given."""
    at = reference[["x_mm", "y_mm", "z_mm"]].to_numpy(float)
    axes = reference[["axis_x", "axis_y", "axis_z"]].to_numpy(float)
    flats = reference.reindex(columns=["flat_x", "flat_y", "flat_z"]).to_numpy(float)
    return [
        Rigid(frame_from_axis(a, f if np.isfinite(f).all() else None), p)
        for p, a, f in zip(at, axes, flats, strict=True)
    ]


def _cut(mesh: Mesh, frames: Sequence[Rigid], k: int, low_mm: float, name: str) -> Mesh:
    """Surface around one implant's axis, in its frame."""
    local = frames[k].inverse().points(mesh.vertices_mm)
    away = np.hypot(local[:, 0], local[:, 1])
    keep = (local[:, 2] > low_mm - _BELOW_MM) & (local[:, 2] < _TALLEST_MM) & (away < _REACH_MM)
    for j, other in enumerate(frames):
        if j != k:
            there = other.inverse().points(mesh.vertices_mm[keep])
            keep[keep] = np.hypot(there[:, 0], there[:, 1]) > away[keep]
    faces = mesh.faces[keep[mesh.faces].all(axis=1)]
    part = _part(Mesh(local, faces), _connected(faces, len(local)), away, low_mm)
    if part is None or area_mm2(part) < _LEAST_AREA_MM2:
        raise InputError(
            f"the scan shows no scan body at the reference position of {name}",
            hint=(
                "align the scan to the frame of the reference, to within half a millimetre; it "
                "needs a scan body on every implant of the model"
            ),
        )
    return part


def _connected(faces: NDArray[np.int32], count: int) -> Ints:
    """Number of the piece of every vertex."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    a, b = faces[:, [0, 1]].T.ravel(), faces[:, [1, 2]].T.ravel()
    joined = coo_array((np.ones(len(a), np.int8), (a, b)), shape=(count, count))
    return np.asarray(connected_components(joined, directed=False)[1], np.int64)


def _part(mesh: Mesh, piece: Ints, away: Floats, low_mm: float) -> Mesh | None:
    """The pieces that belong to the body: as wide as the one that holds its top, no wider."""
    used = np.unique(mesh.faces)
    near = used[away[used] < _NEAR_AXIS_MM]
    if not len(near):
        return None
    top = near[np.argmax(mesh.vertices_mm[near, 2])]
    height = mesh.vertices_mm[:, 2]
    mine = used[piece[used] == piece[top]]
    upper = mine[height[mine] > 0.5 * (height[top] + low_mm)]  # no gum reaches so high
    widest = float(away[upper].max()) + _GAP_MM
    keep = (away < widest) & (height < height[top] + _GAP_MM)
    faces = mesh.faces[keep[mesh.faces].all(axis=1)]
    kept, index = np.unique(faces, return_inverse=True)
    return Mesh(mesh.vertices_mm[kept], index.reshape(-1, 3).astype(np.int32))


def _fitted(
    mesh: Mesh, prepared: PreparedBody, starts: Sequence[Rigid], names: list[str], *, settled: bool
) -> list[Refined]:
    """Every copy brought onto the drawing, scan from body."""
    patches = cut_patches(mesh, [(prepared, start) for start in starts])
    angles = [0.0] if settled else np.arange(0.0, 360.0, _TURN_STEP_DEG).tolist()
    fits = [
        _best_turn(prepared, patch, start, angles)
        for patch, start in zip(patches, starts, strict=True)
    ]
    refined, _ = refine_fits(fits, [prepared] * len(fits))
    for name, one in zip(names, refined, strict=True):
        if one is None:
            raise InputError(
                f"the scan body on {name} differs from the others",
                hint="name the types of scan bodies in column scan_body of the reference",
            )
    return [one for one in refined if one is not None]


def _best_turn(
    prepared: PreparedBody, patch: Patch, start: Rigid, angles_deg: Sequence[float]
) -> Fit | None:
    """The best fit of those that begin with some turns about the axis."""
    tries = [
        coarse_fit(prepared, patch, turned(start, angle), offset_mm=0.0, turn=True)
        for angle in angles_deg
    ]
    near = min((one for one in tries if one is not None), key=lambda one: one[2], default=None)
    if near is None:
        return None
    return fine_fit(prepared, patch, near[0], offset_mm=near[1], turn=True)


def _unround(radius_mm: Floats) -> float:
    """Range of the radius around the axis, mm: what a tenth of the heights exceeds."""
    known = np.isfinite(radius_mm).mean(axis=0) > 0.8
    if not known.any():
        return 0.0
    ranges = np.nanquantile(radius_mm[:, known], 0.95, axis=0)
    ranges -= np.nanquantile(radius_mm[:, known], 0.05, axis=0)
    return float(np.quantile(ranges, 0.9))


@dataclass(frozen=True, slots=True)
class _Place:
    """Where platform and axis lie in the body, and how well that is known."""

    origin_mm: Floats
    axis: Floats
    covariance: Floats
    off_mm: float


def _platform(
    reference: pd.DataFrame, fitted: Sequence[Rigid], refined: Sequence[Refined], *, round_: bool
) -> _Place:
    """Solve for the place of the platform in the body and for the frame of the scan at once."""
    p = reference[["x_mm", "y_mm", "z_mm"]].to_numpy(float)
    a = reference[["axis_x", "axis_y", "axis_z"]].to_numpy(float)
    a = a / np.linalg.norm(a, axis=1, keepdims=True)
    known = reference.reindex(columns=["u_position_um", "u_axis_deg"]).astype(float)
    u_p = known["u_position_um"].fillna(2.0).to_numpy() * 1e-3
    u_a = np.radians(known["u_axis_deg"].fillna(0.02).to_numpy())
    middle = p.mean(axis=0)
    motion = Rigid.identity()  # scan from reference
    origin = np.mean([t.inverse().points(q) for t, q in zip(fitted, p, strict=True)], axis=0)
    axis = np.mean([t.rotation.T @ b for t, b in zip(fitted, a, strict=True)], axis=0)
    if round_:
        origin, axis = np.array([0.0, 0.0, origin[2]]), np.array([0.0, 0.0, 1.0])
    free = np.array([True] * 6 + ([False, False, True, False, False] if round_ else [True] * 5))
    prior = np.diag(np.r_[np.full(3, _FRAME_MM), np.full(3, _FRAME_RAD), np.full(5, 50.0)] ** -2.0)
    moved = np.zeros(6)
    for _ in range(4):
        axis = axis / np.linalg.norm(axis)
        tilt = frame_from_axis(axis)[:, :2]
        normal, right = prior.copy(), -prior[:, :6] @ moved
        chi2, squares = float(moved @ prior[:6, :6] @ moved), 0.0
        for k, (pose, one) in enumerate(zip(fitted, refined, strict=True)):
            r = pose.rotation
            platform, direction = motion.points(p[k]), motion.vectors(a[k])
            rows = np.zeros((6, 11))
            rows[:3, :3] = np.eye(3)
            rows[:3, 3:6] = -_cross_matrix(platform - motion.points(middle))
            rows[:3, 6:9] = -r
            rows[3:, 3:6] = -_cross_matrix(direction)
            rows[3:, 9:] = -r @ tilt
            off = np.r_[platform - pose.points(origin), direction - r @ axis]
            # errors of the fit in the body's frame, of platform and tilt
            cov = np.array(one.covariance[:6, :6])
            cov[~np.isfinite(cov)] = 0.0
            lever = np.zeros((6, 6))
            lever[:3, :3] = r
            lever[:3, 3:] = -r @ _cross_matrix(origin)
            lever[3:, 3:] = -r @ _cross_matrix(axis)
            cov = lever @ cov @ lever.T
            cov[:3, :3] += u_p[k] ** 2 * np.eye(3)
            cov[3:, 3:] += u_a[k] ** 2 * np.eye(3)
            weight = np.linalg.inv(cov)
            normal += rows.T @ weight @ rows
            right -= rows.T @ weight @ off
            chi2 += float(off @ weight @ off)
            squares += float(off[:3] @ off[:3])
        covariance = np.zeros((11, 11))
        covariance[np.ix_(free, free)] = np.linalg.inv(normal[np.ix_(free, free)])
        change = covariance @ right
        moved += change[:6]
        turn = rotation_vector(change[3:6])
        pivot = motion.points(middle)
        motion = Rigid(turn, pivot + change[:3] - turn @ pivot).after(motion)
        origin = origin + change[6:9]
        axis = axis + tilt @ change[9:]
    freedom = 5 * len(p) - int(free.sum())
    widen = max(1.0, chi2 / freedom) if freedom > 0 else 1.0
    off_mm = float(np.sqrt(squares / (3 * len(p)))) if freedom > 0 else float("nan")
    return _Place(origin, axis / np.linalg.norm(axis), covariance[6:, 6:] * widen, off_mm)


def _cross_matrix(v: Floats) -> Floats:
    """Matrix of ``v x``."""
    return np.array([[0.0, -v[2], v[1]], [v[2], 0.0, -v[0]], [-v[1], v[0], 0.0]])


def _flat(reference: pd.DataFrame, fitted: Sequence[Rigid]) -> Floats | None:
    """Direction of the reference's flats in the body; None where it has none."""
    flats = reference.reindex(columns=["flat_x", "flat_y", "flat_z"]).to_numpy(float)
    seen = [t.rotation.T @ f for t, f in zip(fitted, flats, strict=True) if np.isfinite(f).all()]
    return np.asarray(np.mean(seen, axis=0)) if seen else None


def _about_its_axis(surface: Mesh, fitted: Sequence[Rigid]) -> tuple[Mesh, list[Rigid]]:
    """Put z onto the axis about which a round body is turned."""
    across = area_vectors(surface)
    area = np.linalg.norm(across, axis=1)
    n = across / np.maximum(area, 1e-12)[:, None]
    middle = surface.vertices_mm[surface.faces].mean(axis=1)
    origin, axis = np.zeros(3), np.array([0.0, 0.0, 1.0])
    side = np.abs(n[:, 2]) < 0.8
    for _ in range(10):
        # the line along the normal meets the axis: ((p - c) x n) . a = 0
        tilt = frame_from_axis(axis)[:, :2]
        local = np.cross(middle[side] - origin, n[side])
        miss = local @ axis
        rows = np.column_stack([np.cross(n[side], axis) @ tilt * -1.0, local @ tilt])
        scale = max(1.4826 * float(np.median(np.abs(miss))), 1e-4)
        weight = np.sqrt(area[side] / (1 + (miss / (2 * scale)) ** 2))
        step, *_ = np.linalg.lstsq(rows * weight[:, None], -miss * weight, rcond=None)
        origin = origin + tilt @ step[:2]
        axis = axis + tilt @ step[2:]
        axis = axis / np.linalg.norm(axis)
    frame = Rigid(frame_from_axis(axis), origin - (origin @ axis) * axis)
    return (
        Mesh(frame.inverse().points(surface.vertices_mm), surface.faces),
        [pose.after(frame) for pose in fitted],
    )
