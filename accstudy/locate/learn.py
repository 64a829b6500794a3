"""A scan body learned from a scan of a model whose reference is known; where its platform lies."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from accstudy.errors import InputError
from accstudy.geometry.rigid import Rigid, frame_from_axis, rotation_vector
from accstudy.locate.one_body import Fit, Patch, capped_cost, coarse_fit, cut_patches, fine_fit
from accstudy.locate.prepared import PreparedBody, prepare_body, turned
from accstudy.locate.scan_body import ScanBody
from accstudy.locate.surface import clean_mesh, connected, frames
from accstudy.locate.uncertainty import Refined, refine_fits
from accstudy.mesh.model import Mesh, area_vectors, border_sides, vertex_normals
from accstudy.mesh.scene import Scene

if TYPE_CHECKING:
    from scipy.spatial import cKDTree

Floats = NDArray[np.float64]

_FRAME_MM, _FRAME_RAD = 0.5, np.radians(1.0)
_MOST_WAYS, _AS_LIKELY = 256, 9.0
_TURNS_DEG = (180.0, 120.0, 90.0, 60.0, 100.0)
_SYMMETRY_POINTS, _SYMMETRY_ROUNDS, _LEAST_SEEN = 4000, 8, 0.2
_SYMMETRIC, _SYMMETRY_NOISE, _SYMMETRY_MM = 0.5, 3.0, 2e-3
_MATCHED_MM, _FEW = 0.15, 50


@dataclass(frozen=True, slots=True)
class Place:
    """Where platform and axis lie in a body, and how well that is known."""

    origin_mm: Floats  # (3,): in the frame of the body
    axis: Floats  # (3,)
    covariance: Floats  # (5, 5): of the origin (mm) and of the tilts of the axis (rad)
    # root mean square misfit of the platforms in each coordinate; NaN with too few to tell
    off_mm: float
    chi2: float  # sum of squares of all misfits over their uncertainties
    widened: float  # factor by which that is more than their number allows, at least 1


def platform(
    reference: pd.DataFrame, fitted: Sequence[Rigid], refined: Sequence[Refined], *, on_z: bool
) -> Place:
    """Solve for the place of the platform in the body and for the frame of the scan at once.

    `reference` has the rows of table ``implants``, `fitted` scan from body of each, `refined` the
    fits with their covariances. With `on_z`, z is the axis of the implant: the height alone is
    free.
    """
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
    if on_z:
        origin, axis = np.array([0.0, 0.0, origin[2]]), np.array([0.0, 0.0, 1.0])
    free = np.array([True] * 6 + ([False, False, True, False, False] if on_z else [True] * 5))
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
    return Place(
        origin, axis / np.linalg.norm(axis), covariance[6:, 6:] * widen, off_mm, chi2, widen
    )


def _cross_matrix(v: Floats) -> Floats:
    """Matrix of ``v x``."""
    return np.array([[0.0, -v[2], v[1]], [v[2], 0.0, -v[0]], [-v[1], v[0], 0.0]])


def consistent(
    reference: pd.DataFrame, ways: Sequence[Sequence[Refined]]
) -> tuple[list[Refined], Floats]:
    """Of fits that a copy alone cannot tell apart choose those that agree on one platform.

    A body that is not quite symmetric about its axis, a rectangle beside it, say, fits after half a
    turn as well, but moved aside: each copy alone cannot tell, all together can. `ways` has the
    fits of every copy, the best first. Also the doubt, (5, 5), to be added to the covariance of the
    place: what other choices that are about as likely make of it.
    """
    count = int(np.prod([len(w) for w in ways], dtype=float))
    if count <= _MOST_WAYS:
        choices = list(itertools.product(*(range(len(w)) for w in ways)))
    else:  # the best of each, and every other one alone
        best = [0] * len(ways)
        choices = [tuple(best)]
        choices += [
            tuple(k if i == copy else 0 for i in range(len(ways)))
            for copy, own in enumerate(ways)
            for k in range(1, len(own))
        ]

    def place(choice: Sequence[int]) -> Place:
        chosen = [own[k] for own, k in zip(ways, choice, strict=True)]
        return platform(reference, [c.scan_from_body for c in chosen], chosen, on_z=False)

    places = [place(choice) for choice in choices]
    first = int(np.argmin([p.chi2 for p in places]))
    doubt = np.zeros((5, 5))
    for other in places:
        if other.chi2 < places[first].chi2 + _AS_LIKELY:
            off = np.r_[other.origin_mm - places[first].origin_mm, 0.0, 0.0]
            doubt = np.maximum(doubt, np.diag(off**2))
    return [own[k] for own, k in zip(ways, choices[first], strict=True)], doubt


def symmetry_axis(surface: Mesh, place: Place, noise_mm: float) -> Rigid | None:
    """Frame in that of the body whose z is an axis about which a turn maps it onto itself, or None.

    For every turn that comes into question the surface and the turned surface are brought together
    by robust least squares of their distances, with shift and tilt of the axis unknown. Flats and
    notches that break the symmetry are passed over, but what is left must be most of the surface
    and match within its noise. Of 100 degrees only cylinders, cones and what else is turned know
    the axis.
    """
    samples = _samples(surface)
    if samples is None:
        return None
    found: list[tuple[float, Rigid]] = []
    for turn in np.radians(_TURNS_DEG):
        origin, axis, share, scale = _axis_of_turn(samples, turn, place)
        if share > _SYMMETRIC and scale < _SYMMETRY_NOISE * noise_mm + _SYMMETRY_MM:
            frame = Rigid(frame_from_axis(axis), origin - (origin @ axis) * axis)
            found.append((share / scale, frame))
    return max(found, key=lambda one: one[0])[1] if found else None


@dataclass(frozen=True, slots=True)
class _Samples:
    """Middles of facets with their areas; normals, and which facets lie inside, of all facets."""

    scene: Scene
    middle_mm: Floats
    area: Floats
    normal: Floats
    inner: NDArray[np.bool_]


def _samples(surface: Mesh) -> _Samples | None:
    """At most some thousand facets away from the border; None where that are too few."""
    inner, across = np.asarray(~border_sides(surface).any(axis=1)), area_vectors(surface)
    area = np.linalg.norm(across, axis=1)
    use = np.flatnonzero(inner & (area > 0))
    if len(use) < _FEW:
        return None
    use = use[np.linspace(0, len(use) - 1, min(len(use), _SYMMETRY_POINTS)).astype(np.int64)]
    middle = surface.vertices_mm[surface.faces[use]].mean(axis=1)
    normal = across / np.maximum(area, 1e-12)[:, None]
    return _Samples(Scene(surface), middle, area[use], normal, inner)


def _axis_of_turn(
    samples: _Samples, turn: float, place: Place
) -> tuple[Floats, Floats, float, float]:
    """Origin and axis about which a turn maps the surface best, the share that matches, the scale.

    The share is 0 where too little of the turned surface is near the surface from the start.
    """
    middle, axis = samples.middle_mm, place.axis
    origin = place.origin_mm + axis * float((middle.mean(axis=0) - place.origin_mm) @ axis)
    scale, share = np.inf, 0.0
    for _ in range(_SYMMETRY_ROUNDS):
        rotation, arm = rotation_vector(axis * turn), middle - origin
        swung = arm @ rotation.T
        off, triangle, _ = samples.scene.closest(origin + swung)
        n = samples.normal[triangle]
        seen = np.asarray(samples.inner[triangle] & (np.abs(off) < _MATCHED_MM))
        if seen.sum() < _LEAST_SEEN * len(middle):
            break
        scale = max(1.4826 * float(np.median(np.abs(off[seen]))), 1e-4)
        alike = np.asarray(seen & (np.abs(off) < 4 * scale))
        share = float(samples.area[alike].sum() / samples.area.sum())
        across_axis = frame_from_axis(axis)[:, :2]
        tilting = [
            np.sum(n * (np.cross(e, swung) - np.cross(e, arm) @ rotation.T), axis=1)
            for e in across_axis.T
        ]
        rows = np.column_stack([n @ (np.eye(3) - rotation) @ across_axis, *tilting])
        weight = np.sqrt(samples.area * seen / (1 + (off / (2 * scale)) ** 2))
        step, *_ = np.linalg.lstsq(rows * weight[:, None], -off * weight, rcond=None)
        origin = origin + across_axis @ step[:2]
        axis = axis + np.cross(across_axis @ step[2:], axis)
        axis = axis / np.linalg.norm(axis)
    return origin, axis, share, scale


_REACHES, _REACH_RANGE_MM, _NEIGHBOURS, _LEAST_NEIGHBOURS = 1.4, (0.1, 0.3), 48, 12
_BENT, _SMOOTH_SHARE = 2.0, 0.2
_GAP_MM = 0.3


def _area_mm2(mesh: Mesh) -> float:
    """Area of a surface."""
    return float(np.linalg.norm(area_vectors(mesh), axis=1).sum())


def _mean_surface(placed: Sequence[Mesh], first: int) -> tuple[Mesh, float]:
    """Average copies of a surface, mm, that lie on each other; the triangles are those of `first`.

    The others fill what it lacks. Every vertex is on a quadric through the points of all copies
    around it; the mean is open where no quadric describes these within their noise. Also the root
    mean square distance of the points from it, mm.
    """
    from scipy.spatial import cKDTree

    whole = _united([placed[first], *(one for k, one in enumerate(placed) if k != first)])
    points = np.concatenate([one.vertices_mm for one in placed])
    spacing = np.sqrt(_area_mm2(whole) / len(points))
    reach = float(np.clip(_REACHES * spacing, *_REACH_RANGE_MM))
    whole = _finer(whole, reach)
    at = whole.vertices_mm
    n = vertex_normals(whole.faces, area_vectors(whole), len(at))
    normals = [vertex_normals(o.faces, area_vectors(o), len(o.vertices_mm)) for o in placed]
    pool = _Pool(points, np.concatenate(normals), cKDTree(points), reach)
    found = _quadrics(at, n, pool)
    limit = _BENT * float(np.quantile(found.off_mm, _SMOOTH_SHARE))
    smooth = found.off_mm < limit
    shift = found.shift_mm[:, None] * n
    # beside an edge: the face that is smooth farther off may reach up to here
    bent = np.flatnonzero(~smooth)
    near = cKDTree(at[smooth]).query(at[bent], distance_upper_bound=2.5 * reach)
    away, nearest = (np.asarray(part) for part in near)
    bent, nearest = bent[np.isfinite(away)], np.flatnonzero(smooth)[nearest[np.isfinite(away)]]
    start = (at[nearest], found.terms[nearest])
    side = _quadrics(at[bent], n[nearest], pool, start=start, near_mm=3 * limit)
    reached = (side.off_mm < limit) & (np.abs(side.shift_mm) < 3 * limit)
    shift[bent[reached]] = side.shift_mm[reached, None] * n[nearest[reached]]
    smooth[bent[reached]] = True
    faces = whole.faces[smooth[whole.faces].all(axis=1)]
    scatter = float(np.sqrt(np.mean(found.off_mm[found.off_mm < limit] ** 2)))
    return Mesh(at + shift, faces).part(faces), scatter


def _united(copies: Sequence[Mesh]) -> Mesh:
    """The first copy, and of the others what lies where none of the former has a surface."""
    from accstudy.mesh.scene import Scene

    whole = copies[0]
    for one in copies[1:]:
        away, _, _ = Scene(whole).closest(one.vertices_mm[one.faces].mean(axis=1))
        lacking = one.faces[np.abs(away) > _GAP_MM]
        whole = Mesh(
            np.concatenate([whole.vertices_mm, one.vertices_mm]),
            np.concatenate([whole.faces, lacking + np.int32(len(whole.vertices_mm))]),
        )
    return whole.part(whole.faces)


def _finer(mesh: Mesh, longest_mm: float) -> Mesh:
    """The same surface with edges no longer than that."""
    import trimesh

    body = trimesh.Trimesh(mesh.vertices_mm, mesh.faces, process=False)
    finer = trimesh.remesh.subdivide_to_size
    vertices, faces = finer(body.vertices, body.faces, longest_mm)  # type: ignore[no-untyped-call]
    return clean_mesh(Mesh(np.asarray(vertices, float), np.asarray(faces, np.int32)))


@dataclass(frozen=True, slots=True)
class _Pool:
    """Points of all copies, with their normals and how far around a quadric looks."""

    points_mm: Floats
    normals: Floats
    tree: cKDTree
    reach_mm: float


@dataclass(frozen=True, slots=True)
class _Quadrics:
    """Quadrics through the points around vertices."""

    shift_mm: Floats  # (n,): from each vertex along its normal to its quadric
    # (n,): root mean square distance of the points around from it; infinite with too few of them
    off_mm: Floats
    terms: Floats  # (n, 6): its coefficients, across in units of the reach


def _quadrics(
    at: Floats,
    normal: Floats,
    pool: _Pool,
    *,
    start: tuple[Floats, Floats] | None = None,
    near_mm: float = 0.0,
) -> _Quadrics:
    """Fit quadrics, if told so to points near others only, given by place and terms."""
    away, index = pool.tree.query(at, k=_NEIGHBOURS, distance_upper_bound=2.5 * pool.reach_mm)
    there = np.isfinite(away)
    index = np.where(there, index, 0)
    there &= np.einsum("ijk,ik->ij", pool.normals[index], normal) > 0.0  # a wall has two sides
    across = frames(normal)

    def seen_from(origin: Floats) -> tuple[Floats, Floats]:
        local = pool.points_mm[index] - origin[:, None]
        u, v = np.einsum("ijk,ilk->lij", local, across) / pool.reach_mm
        terms = np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=2)
        return terms, np.einsum("ijk,ik->ij", local, normal)

    if start is not None:
        terms, height = seen_from(start[0])
        there &= np.abs(height - np.einsum("ijk,ik->ij", terms, start[1])) < near_mm
    terms, height = seen_from(at)
    weight = np.where(there, np.exp(-0.5 * (away / pool.reach_mm) ** 2), 0.0)
    squared = np.einsum("ijk,ij,ijl->ikl", terms, weight, terms)
    right = np.einsum("ijk,ij,ij->ik", terms, weight, height)
    found = np.linalg.solve(squared + 1e-6 * np.eye(6), right[..., None])[..., 0]
    square = (height - np.einsum("ijk,ik->ij", terms, found)) ** 2
    off = np.sqrt(np.sum(weight * square, axis=1) / np.maximum(weight.sum(axis=1), 1e-9))
    enough = there.sum(axis=1) >= _LEAST_NEIGHBOURS
    return _Quadrics(found[:, 0], np.where(enough, off, np.inf), found)


_REACH_MM, _BELOW_MM, _TALLEST_MM, _NEAR_AXIS_MM = 7.0, 0.4, 30.0, 3.0
_TOP_MM, _LEVEL_MM, _JUMP_MM = 1.0, 0.3, 1.0
_TURN_STEP_DEG, _SAME_TURN_DEG = 24.0, 10.0
_WORTH_A_LOOK, _SAME_COST, _SAME_COST_MM2 = 3.0, 1.5, 1e-5
_ROUNDS = 2
_WORSE = 18.5  # chi-square, four degrees of freedom less, at 99.9 %
_ROUND_MM, _DISAGREE_MM = 0.15, 0.2
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
    for at once. A body that a turn maps onto itself, but for a flat or a notch, has its axis
    there, as its drawing would have it, unless the reference contradicts: few copies tell it far
    less well. Copies whose axes differ tell the height; with parallel axes only the frame of the
    file does, to half a millimetre, and a common error of the height then cancels in every
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
    first = int(np.argmax([_area_mm2(copy) for copy in copies]))
    surface, fitted, doubt, round_ = copies[first], frames, np.zeros((5, 5)), False
    for number in range(_ROUNDS):
        prepared = prepare_body(ScanBody(name, surface, True, use_above_mm, learned=True))
        ways = _fitted(mesh, prepared, fitted, names, settled=number > 0)
        refined = [own[0] for own in ways]
        if number == 0:  # as scanned: beside edges the mean lacks some
            round_ = _unround(prepared.radial.radius_mm) < _ROUND_MM
            if not round_:
                ways[first] = ways[first][:1]  # it is the drawing: a turn of all is none
                refined, doubt = consistent(reference, ways)
        fitted = [one.scan_from_body for one in refined]
        placed = [
            Mesh(pose.inverse().after(frame).points(copy.vertices_mm), copy.faces)
            for pose, frame, copy in zip(fitted, frames, copies, strict=True)
        ]
        surface, scatter_mm = _mean_surface(placed, first)
    place = platform(reference, fitted, refined, on_z=False)
    about, agrees = symmetry_axis(surface, place, scatter_mm / np.sqrt(len(names))), False
    if about is not None:
        onto = [pose.after(about) for pose in fitted]
        placed_about = platform(reference, onto, refined, on_z=True)
        # the reference decides: a body may have its axis of symmetry beside that of the implant
        agrees = placed_about.chi2 < place.chi2 + _WORSE * place.widened
        if agrees:
            surface = Mesh(about.inverse().points(surface.vertices_mm), surface.faces)
            fitted, place = onto, placed_about
            doubt = np.zeros((5, 5))  # the other ways are turns about this axis
    round_ = round_ and agrees
    if place.off_mm > _DISAGREE_MM:
        raise InputError(
            f"scan and reference disagree by {1e3 * place.off_mm:.0f} µm in each coordinate on "
            "the position of the platforms in the scan bodies",
            hint="check that all bodies are of one kind and seated, and that the scan is of this "
            "model",
        )
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
        body=ScanBody(name, Mesh(inside, surface.faces), not round_, use_above_mm, learned=True),
        implants=tuple(names),
        scatter_um=1e3 * scatter_mm,
        agreement_um=1e3 * place.off_mm,
        covariance=to_implant @ (place.covariance + doubt) @ to_implant.T + np.diag(surface_u**2),
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
    part = _part(Mesh(local, faces), away, low_mm)
    if part is None or _area_mm2(part) < _LEAST_AREA_MM2:
        raise InputError(
            f"the scan shows no scan body at the reference position of {name}",
            hint=(
                "align the scan to the frame of the reference, to within half a millimetre; it "
                "needs a scan body on every implant of the model"
            ),
        )
    return part


def _part(mesh: Mesh, away: Floats, low_mm: float) -> Mesh | None:
    """What belongs to the body: what hangs together with its top, as far as it widens gently.

    Looked at from the top downwards; where gum or a neighbour joins, the width jumps.
    """
    used, height = np.unique(mesh.faces), mesh.vertices_mm[:, 2]
    near = used[away[used] < _NEAR_AXIS_MM]
    if not len(near):
        return None
    top = near[np.argmax(height[near])]
    lowest = height[mesh.faces].min(axis=1)
    widest = float(away[top])
    for level in np.arange(height[top] - _LEVEL_MM, low_mm - _BELOW_MM, -_LEVEL_MM):
        piece = connected(mesh.faces[lowest > level], len(height))
        mine = np.flatnonzero((piece == piece[top]) & (height > level))
        wide = float(away[mine].max())
        if level < height[top] - _TOP_MM and wide > widest + _JUMP_MM:
            break
        widest = max(widest, wide)
    keep = (away < widest + _GAP_MM) & (height < height[top] + _GAP_MM)
    return mesh.part(mesh.faces[keep[mesh.faces].all(axis=1)])


def _fitted(
    mesh: Mesh, prepared: PreparedBody, starts: Sequence[Rigid], names: list[str], *, settled: bool
) -> list[list[Refined]]:
    """Every copy brought onto the drawing, scan from body; in several ways where it fits so."""
    patches = cut_patches(mesh, [(prepared, start) for start in starts])
    angles = [0.0] if settled else np.arange(0.0, 360.0, _TURN_STEP_DEG).tolist()
    ways = [
        _best_turns(prepared, patch, start, angles)
        for patch, start in zip(patches, starts, strict=True)
    ]
    for name, own in zip(names, ways, strict=True):
        if not own:
            raise InputError(
                f"the scan body on {name} differs from the others",
                hint="name the types of scan bodies in column scan_body of the reference",
            )
    rounds = []
    for k in range(max(len(own) for own in ways)):
        # the noise is estimated from all copies: take those that have no further way once more
        fits = [own[min(k, len(own) - 1)] for own in ways]
        rounds.append(refine_fits(fits, [prepared] * len(fits))[0])
    return [
        [one for one in (r[i] for r in rounds[: len(own)]) if one is not None]
        for i, own in enumerate(ways)
    ]


def _best_turns(
    prepared: PreparedBody, patch: Patch, start: Rigid, angles_deg: Sequence[float]
) -> list[Fit]:
    """The best fit of those that begin with some turns about the axis, and what fits as well."""
    tries = [
        coarse_fit(prepared, patch, turned(start, angle), offset_mm=0.0, turn=True)
        for angle in angles_deg
    ]
    found = sorted((one for one in tries if one is not None), key=lambda one: one[2])
    fits: list[tuple[float, Fit]] = []
    for pose, offset, cost in found:
        if cost > _WORTH_A_LOOK * found[0][2] + _SAME_COST_MM2:
            break
        if any(_turn_between(pose, fit.scan_from_body) < _SAME_TURN_DEG for _, fit in fits):
            continue
        fit = fine_fit(prepared, patch, pose, offset_mm=offset, turn=True)
        if fit is not None:
            fits.append((capped_cost(prepared, patch, fit), fit))
    fits.sort(key=lambda one: one[0])
    return [fit for cost, fit in fits if cost < _SAME_COST * fits[0][0] + _SAME_COST_MM2]


def _turn_between(one: Rigid, other: Rigid) -> float:
    x = one.rotation.T @ other.rotation[:, 0]
    return float(abs(np.degrees(np.arctan2(x[1], x[0]))))


def _unround(radius_mm: Floats) -> float:
    """Range of the radius around its own middle, mm: what a tenth of the heights exceeds."""
    known = np.isfinite(radius_mm).mean(axis=0) > 0.8
    angle = np.arange(len(radius_mm)) * (2 * np.pi / len(radius_mm))
    circle = np.column_stack([np.ones_like(angle), np.cos(angle), np.sin(angle)])
    ranges = []
    for radius in radius_mm[:, known].T:
        there = np.isfinite(radius)
        middle, *_ = np.linalg.lstsq(circle[there], radius[there], rcond=None)
        low, high = np.quantile(radius[there] - circle[there] @ middle, (0.05, 0.95))
        ranges.append(high - low)
    return float(np.quantile(ranges, 0.9)) if ranges else np.inf  # far from round, at least


def _flat(reference: pd.DataFrame, fitted: Sequence[Rigid]) -> Floats | None:
    """Direction of the reference's flats in the body; None where it has none."""
    flats = reference.reindex(columns=["flat_x", "flat_y", "flat_z"]).to_numpy(float)
    seen = [t.rotation.T @ f for t, f in zip(fitted, flats, strict=True) if np.isfinite(f).all()]
    return np.asarray(np.mean(seen, axis=0)) if seen else None
