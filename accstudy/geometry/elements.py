"""Orthogonal least-squares plane, circle, sphere, cylinder and cone.

The sum of squared distances from the points to the element is made smallest
(Gaussian association). An algebraic fit is used only as a start: by itself it
is some micrometres off on partial features.

Points may be centres of a probe tip of `probe_radius_mm`. The surface lies one tip
radius nearer to the material; as a surface parallel to a plane, sphere, cylinder or
cone is of the same kind, the correction of the fitted element is exact.

Every fit raises `ComputationError` if the points do not determine the element, and
`InputError` if they are not finite numbers.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from accstudy.errors import ComputationError, InputError
from accstudy.geometry.rigid import frame_from_axis, unit

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Element:
    """What every fitted element carries.

    Parameters
    ----------
    n : int
        Points.
    rms_mm : float
        Root of the mean squared distance of the points.
    frame : (d, d) ndarray
        Columns: the local directions in which `covariance` is written; the last
        one is the element's direction, where it has one.
    covariance : (k, k) ndarray
        Of the local parameters, from the residuals: mm for positions and radii,
        rad for tilts. NaN if there are no more coordinates than parameters.
    """

    n: int
    rms_mm: float
    frame: Floats
    covariance: Floats


@dataclass(frozen=True, slots=True)
class Plane(Element):
    """Plane; local parameters: height at `point_mm` (nearest to the centroid), tilts towards local
    x, y.

    ``normal`` points towards `outward` if that was given; ``extent_mm`` is the smaller width
    touched.
    """

    point_mm: Floats
    normal: Floats
    extent_mm: float


@dataclass(frozen=True, slots=True)
class Circle(Element):
    """Circle; local parameters: centre (d), two tilts (3D only), radius.

    Parameters
    ----------
    centre_mm : (d,) ndarray
        Centre, in 2D or 3D.
    normal : (3,) ndarray
        Unit normal; its sign means nothing. (0, 0, 1) in 2D.
    radius_mm : float
        Radius.
    """

    centre_mm: Floats
    normal: Floats
    radius_mm: float


@dataclass(frozen=True, slots=True)
class Sphere(Element):
    """Sphere; local parameters: centre (3), radius."""

    centre_mm: Floats
    radius_mm: float


@dataclass(frozen=True, slots=True)
class Axial(Element):
    """Element about an axis; the first local parameters are two shifts at `point_mm`, two tilts.

    ``point_mm`` is the point of the axis nearest to the centroid of the points. The sign of
    ``direction`` means nothing on a cylinder; on a cone it points from the apex into the body, and
    ``radius_mm`` is that at `point_mm`.
    """

    point_mm: Floats
    direction: Floats
    radius_mm: float


@dataclass(frozen=True, slots=True)
class Cylinder(Axial):
    """Cylinder; the fifth local parameter is the radius.

    Parameters
    ----------
    extent_mm : float
        Length of the touched part along the axis.
    """

    extent_mm: float


@dataclass(frozen=True, slots=True)
class Cone(Axial):
    """Cone; further local parameters are the radius at `point_mm` and the half angle (rad).

    ``extent_mm`` is the length of the touched part along the axis.
    """

    half_angle_deg: float
    apex_mm: Floats
    extent_mm: float


_DIRECTIONS = 90  # about 15 deg apart
_TRIED = 6


def circle_start(xy: Floats) -> Floats | None:
    """Centre and radius, (3,), by linear least squares; None if the points are on a line."""
    return _ball(xy)


def sphere_start(xyz: Floats) -> Floats | None:
    """Centre and radius, (4,), by linear least squares; None if the points are in a plane."""
    return _ball(xyz)


def _ball(p: Floats) -> Floats | None:
    """Solve |p|^2 = 2 c.p + k for the centre c (Kasa's linear fit)."""
    design = np.column_stack([2 * p, np.ones(len(p))])
    found, _, rank, singular = np.linalg.lstsq(design, np.sum(p**2, axis=1), rcond=None)
    if rank < design.shape[1] or singular[-1] < 1e-7 * singular[0]:
        return None
    square = found[-1] + found[:-1] @ found[:-1]
    return np.append(found[:-1], np.sqrt(square)) if square > 0 else None


def cylinder_starts(xyz: Floats) -> list[tuple[Floats, Floats]]:
    """Axes with centre, no tilt and radius, (5,), the most promising first."""
    tried = []
    for frame in _frames(xyz):
        turned = xyz @ frame
        ball = _ball(turned[:, :2])
        if ball is None:
            continue
        radial = np.hypot(turned[:, 0] - ball[0], turned[:, 1] - ball[1])
        start = np.array([ball[0], ball[1], 0.0, 0.0, ball[2]])
        tried.append((float(np.sum((radial - ball[2]) ** 2)), frame[:, 2], start))
    tried.sort(key=lambda t: t[0])
    return [(axis, start) for _, axis, start in tried[:_TRIED]]


def cone_starts(xyz: Floats) -> list[tuple[Floats, Floats]]:
    """Axes with centre, no tilt, radius and half angle, (6,), the most promising first."""
    tried = []
    for frame in _frames(xyz):
        turned = xyz @ frame
        for slope in (0.0, 0.15, -0.15, 0.4, -0.4, 1.0, -1.0):
            # (x - a)^2 + (y - b)^2 = (r + slope z)^2 is linear in a, b, r and a constant
            x, y, z = turned.T
            design = np.column_stack([2 * x, 2 * y, 2 * slope * z, np.ones(len(z))])
            found = np.linalg.lstsq(design, x**2 + y**2 - (slope * z) ** 2, rcond=None)[0]
            radial = np.hypot(x - found[0], y - found[1])
            radius = float(np.mean(radial - slope * z))
            cost = float(np.sum((radial - slope * z - radius) ** 2) / (1 + slope**2))
            start = np.array([found[0], found[1], 0.0, 0.0, radius, np.arctan(slope)])
            tried.append((cost, frame[:, 2], start))
    tried.sort(key=lambda t: t[0])
    return [(axis, start) for _, axis, start in tried[: 2 * _TRIED]]


def _frames(xyz: Floats) -> list[Floats]:
    """Frames whose z axes cover half the sphere, the principal directions first."""
    principal = np.linalg.svd(xyz - xyz.mean(axis=0))[2]
    return [*(frame_from_axis(axis) for axis in principal), *_lattice()]


@cache
def _lattice() -> tuple[Floats, ...]:
    """Frames along a Fibonacci lattice of directions."""
    k = np.arange(_DIRECTIONS)
    height = (k + 0.5) / _DIRECTIONS
    turn = k * np.pi * (3 - np.sqrt(5))
    ring = np.sqrt(1 - height**2)
    directions = np.column_stack([ring * np.cos(turn), ring * np.sin(turn), height])
    return tuple(frame_from_axis(d) for d in directions)


Complexes = NDArray[np.complexfloating]
Residual = Callable[[Complexes], Complexes]


def best_about_axis(
    local: Floats, starts: list[tuple[Floats, Floats]], size_mm: float, *, cone: bool, what: str
) -> tuple[Floats, Floats, Floats, float]:
    """Refine the starts about their own axes; keep the smallest sum of squares.

    The search ends when two starts agree on the best. `local` are points about their centroid,
    divided by `size_mm`; a start is an axis with two shifts, two tilts, radius and, for a cone,
    half angle (rad). Returned are a frame whose last column is the axis, the parameters in it (both
    tilts 0, lengths divided by `size_mm`), their covariance in mm and rad, and the rms in mm.
    `ComputationError` if no start leads to a determined feature, which messages call `what`.
    """
    found: tuple[float, Floats, Floats] | None = None
    for axis, start in starts:
        frame, q = frame_from_axis(axis), start
        try:
            q, _ = solve(_surface(local @ frame, cone=cone), q, size_mm, angles=(), what=what)
            frame, q = _upright(frame, q)
        except (ComputationError, np.linalg.LinAlgError):
            continue
        cost = float(np.sum(_surface(local @ frame, cone=cone)(q + 0j).real ** 2))
        if q[4] <= 0:
            continue
        agrees = found is not None and abs(cost - found[0]) <= 1e-9 * (cost + 1e-15)
        if found is None or cost < found[0]:
            found = cost, frame, q
        if agrees:  # two starts ended at the best sum of squares
            break
    if found is None:
        raise ComputationError(f"the points do not determine {what}", hint="probe more points")
    _, frame, q = found
    residual = _surface(local @ frame, cone=cone)
    q, covariance = solve(residual, q, size_mm, angles=(2, 3, 5)[: len(q) - 3], what=what)
    rms = rms_of(residual, q, len(local), size_mm)
    return *_upright(frame, q), covariance, rms


def _upright(frame: Floats, q: Floats) -> tuple[Floats, Floats]:
    """Write the parameters about the axis that they describe."""
    axis = unit(frame @ np.array([q[2], q[3], 1.0]))
    foot = frame @ np.array([q[0], q[1], 0.0])
    turned = frame_from_axis(axis, frame[:, 0])
    out = q.copy()
    out[:2], out[2:4] = (foot @ turned)[:2], 0.0
    if len(q) > 5:
        out[4] = q[4] - (foot @ axis) * np.tan(q[5])
    return turned, out


def _surface(turned: Floats, *, cone: bool) -> Residual:
    """Distances to a cylinder or cone about the local z axis, slightly tilted."""

    def residual(q: Complexes) -> Complexes:
        height, radial = about(turned - np.array([q[0], q[1], 0.0]), q[2], q[3])
        if cone:
            return np.asarray((radial - q[4]) * np.cos(q[5]) - height * np.sin(q[5]))
        return np.asarray(radial - q[4])

    return residual


def about(e: Complexes, tilt_x: complex, tilt_y: complex) -> tuple[Complexes, Complexes]:
    """Height along, and distance from, an axis through the origin along (tilt_x, tilt_y, 1)."""
    length = np.sqrt(tilt_x**2 + tilt_y**2 + 1)
    height = (e[:, 0] * tilt_x + e[:, 1] * tilt_y + e[:, 2]) / length
    cross_x = e[:, 1] - e[:, 2] * tilt_y
    cross_y = e[:, 2] * tilt_x - e[:, 0]
    cross_z = e[:, 0] * tilt_y - e[:, 1] * tilt_x
    return height, root(cross_x**2 + cross_y**2 + cross_z**2) / length


def root(square: Complexes) -> Complexes:
    """Square root whose derivative is 0, not infinite, at 0."""
    return np.asarray(np.sqrt(square + 1e-40))


def solve(
    residual: Residual,
    start: ArrayLike,
    size_mm: float,
    *,
    angles: tuple[int, ...],
    what: str,
    blocks: int = 1,
) -> tuple[Floats, Floats]:
    """Least squares with derivatives by complex steps, exact to the last digit.

    `residual` gives the distances of the points for complex parameters, and is analytic; `start`
    are the first parameters, `angles` those that are angles; lengths were divided by `size_mm`.
    Residuals have `blocks` equally long parts, each with a variance of its own and an equal share
    of the parameters. Gives the parameters, (k,), and their covariance from the residuals, (k, k),
    in mm and rad; NaN if nothing is left over. ComputationError, in which the feature is called
    `what`, if a combination of the parameters is not determined.

    References
    ----------
    Squire, Trapp: Using complex variables to estimate derivatives of real
    functions, SIAM Review 40 (1998) 110-112.
    """
    from scipy.optimize import least_squares

    def values(q: Floats) -> Floats:
        return np.asarray(residual(q + 0j).real)

    def jacobian(q: Floats) -> Floats:
        h = 1e-30
        return np.column_stack([residual(q + 1j * h * e).imag / h for e in np.eye(len(q))])

    first = np.asarray(start, float)
    if len(values(first)) < len(first):
        raise ComputationError(f"too few points for {what}", hint="probe more points")
    found = least_squares(
        values, first, jac=jacobian, x_scale="jac", xtol=1e-15, ftol=1e-15, gtol=1e-15, max_nfev=200
    )
    q = np.asarray(found.x, np.float64)
    for _ in range(3):  # Gauss-Newton to the last digit
        j = jacobian(q)
        singular = np.linalg.svd(j, compute_uv=False)
        if not np.isfinite(q).all() or singular[-1] < 1e-7 * singular[0]:
            raise ComputationError(f"the points do not determine {what}", hint="probe more points")
        q = q - np.linalg.lstsq(j, values(q), rcond=None)[0]
    j, r = jacobian(q), values(q)
    freedom = (len(r) - len(q)) / blocks
    sums = np.sum(r.reshape(blocks, -1) ** 2, axis=1)
    variance = np.repeat(sums / freedom if freedom > 0 else sums * np.nan, len(r) // blocks)
    scale = np.full(len(q), size_mm)
    scale[list(angles)] = 1.0
    gain = np.linalg.pinv(j) * scale[:, None]
    return q, np.asarray((gain * variance) @ gain.T)


def rms_of(residual: Residual, q: Floats, n: int, size_mm: float) -> float:
    """Root of the mean squared distance of n points, mm."""
    return float(np.sqrt(np.sum(residual(q + 0j).real ** 2) / n) * size_mm)


def fit_plane(
    points_mm: ArrayLike, *, probe_radius_mm: float = 0.0, outward: ArrayLike | None = None
) -> Plane:
    """Orthogonal least-squares plane of three points or more, (n, 3).

    `outward` is any direction away from the material, needed with a probe radius.
    """
    p, centre, size = _points(points_mm, "a plane", 3)
    _, spread, axes = np.linalg.svd(p - centre, full_matrices=True)
    if spread[1] < 1e-9 * size or (len(spread) > 2 and spread[1] < spread[2] * (1 + 1e-9)):
        raise ComputationError("the points do not determine a plane")
    normal = axes[2]
    if outward is not None:
        side = float(normal @ unit(outward))
        if abs(side) < 1e-6:
            raise InputError("the outward direction lies within the plane")
        normal = np.sign(side) * normal
    elif probe_radius_mm:
        raise InputError("a probe radius on a plane needs the direction away from the material")
    frame = frame_from_axis(normal, axes[0])
    local = (p - centre) @ frame
    freedom = len(p) - 3
    variance = float(np.sum(local[:, 2] ** 2)) / freedom if freedom > 0 else np.nan
    design = np.column_stack([np.ones(len(p)), local[:, :2]])
    covariance = variance * np.linalg.inv(design.T @ design)
    point = centre - probe_radius_mm * normal
    extent = float(np.ptp(local[:, :2], axis=0).min())
    return Plane(len(p), _rms(local[:, 2:]), frame, covariance, point, normal, extent)


def fit_circle(points_mm: ArrayLike, *, probe_radius_mm: float = 0.0) -> Circle:
    """Orthogonal least-squares circle of three points or more in the plane, (n, 2), or in space,
    (n, 3).

    The tip is taken to touch within the circle's plane.
    """
    p, centre, size = _points(points_mm, "a circle", 3, dims=(2, 3))
    flat = p.shape[1] == 2
    if flat:
        frame, p = np.eye(3), np.column_stack([p, np.zeros(len(p))])
        centre = np.append(centre, 0.0)
    else:
        frame = fit_plane(p).frame
    local = (p - centre) @ frame / size
    start = circle_start(local[:, :2])
    if start is None:
        raise ComputationError("the points do not determine a circle")

    def residual(q: Complexes) -> Complexes:
        e = local - np.array([q[0], q[1], 0.0 if flat else q[2]])
        if flat:
            return np.asarray(root(e[:, 0] ** 2 + e[:, 1] ** 2) - q[2])
        height, radial = about(e, q[3], q[4])
        return np.concatenate([radial - q[5], height])

    first = start if flat else np.concatenate([start[:2], np.zeros(3), start[2:]])
    angles = () if flat else (3, 4)
    # heights above the plane and distances within it know nothing of each other
    blocks = 1 if flat else 2
    q, cov = solve(residual, first, size, angles=angles, what="a circle", blocks=blocks)
    rms = rms_of(residual, q, len(p), size)
    if flat:
        radius = float(q[2] * size)
        middle = centre[:2] + q[:2] * size
        normal, frame = np.array([0.0, 0.0, 1.0]), np.eye(2)
    else:
        radius = float(q[5] * size)
        middle = centre + frame @ q[:3] * size
        normal = unit(frame @ np.array([q[3], q[4], 1.0]))
        frame = frame_from_axis(normal, frame[:, 0])
    radius -= _reach(probe_radius_mm)
    return Circle(len(p), rms, frame, cov, middle, normal, radius)


def fit_sphere(points_mm: ArrayLike, *, probe_radius_mm: float = 0.0) -> Sphere:
    """Orthogonal least-squares sphere of four points or more, (n, 3), not in one plane."""
    p, centre, size = _points(points_mm, "a sphere", 4)
    local = (p - centre) / size
    start = sphere_start(local)
    if start is None:
        raise ComputationError("the points do not determine a sphere")

    def residual(q: Complexes) -> Complexes:
        return np.asarray(root(np.sum((local - q[:3]) ** 2, axis=1)) - q[3])

    q, cov = solve(residual, start, size, angles=(), what="a sphere")
    rms = rms_of(residual, q, len(p), size)
    radius = float(q[3] * size) - _reach(probe_radius_mm)
    return Sphere(len(p), rms, np.eye(3), cov, centre + q[:3] * size, radius)


def fit_cylinder(points_mm: ArrayLike, *, probe_radius_mm: float = 0.0) -> Cylinder:
    """Orthogonal least-squares cylinder of six points or more, (n, 3), at two heights or more."""
    p, centre, size = _points(points_mm, "a cylinder", 6)
    local = (p - centre) / size
    starts = cylinder_starts(local)
    frame, q, cov, rms = best_about_axis(local, starts, size, cone=False, what="a cylinder")
    direction = frame[:, 2]
    point = centre + frame @ np.array([q[0], q[1], 0.0]) * size
    radius = float(q[4] * size) - _reach(probe_radius_mm)
    extent = float(np.ptp(p @ direction))
    return Cylinder(len(p), rms, frame, cov, point, direction, radius, extent)


def fit_cone(points_mm: ArrayLike, *, probe_radius_mm: float = 0.0) -> Cone:
    """Orthogonal least-squares cone of seven points or more, (n, 3), on one side of the apex.

    A cylinder's points determine none.
    """
    p, centre, size = _points(points_mm, "a cone", 7)
    local = (p - centre) / size
    starts = cone_starts(local)
    frame, q, cov, rms = best_about_axis(local, starts, size, cone=True, what="a cone")
    if abs(q[5]) < 1e-6:
        raise ComputationError(
            "the points lie on a cylinder, which has no apex", hint="name the feature a cylinder"
        )
    turn = np.sign(q[5])
    direction, angle = turn * frame[:, 2], abs(float(q[5]))
    point = centre + frame @ np.array([q[0], q[1], 0.0]) * size
    radius = float(q[4] * size) - _reach(probe_radius_mm) / np.cos(angle)
    apex = point - direction * radius / np.tan(angle)
    flip = np.diag([1.0, turn, turn])
    signs = np.array([1.0, turn, turn, 1.0, 1.0, turn])
    cov = cov * np.outer(signs, signs)
    return Cone(
        n=len(p),
        rms_mm=rms,
        frame=frame @ flip,
        covariance=cov,
        point_mm=point,
        direction=direction,
        radius_mm=radius,
        half_angle_deg=float(np.degrees(angle)),
        apex_mm=apex,
        extent_mm=float(np.ptp(p @ direction)),
    )


def _points(
    points_mm: ArrayLike, what: str, least: int, *, dims: tuple[int, ...] = (3,)
) -> tuple[Floats, Floats, float]:
    """Check points; return them with their centroid and root-mean-square radius."""
    p = np.asarray(points_mm, float)
    if p.ndim != 2 or p.shape[1] not in dims:
        raise InputError(f"{what} needs points with {' or '.join(map(str, dims))} coordinates")
    if not np.isfinite(p).all():
        raise InputError("a point has a coordinate that is not finite")
    if len(p) < least:
        raise ComputationError(
            f"{what} needs at least {least} points; there are {len(p)}", hint="probe more points"
        )
    centre = p.mean(axis=0)
    size = float(np.sqrt(np.mean(np.sum((p - centre) ** 2, axis=1))))
    if not size > 0:
        raise ComputationError(f"the points coincide and do not determine {what}")
    return p, centre, size


def _reach(probe_radius_mm: float) -> float:
    if not (np.isfinite(probe_radius_mm) and probe_radius_mm >= 0):
        raise InputError(f"a probe radius of {probe_radius_mm} mm is not possible")
    return probe_radius_mm


def _rms(residuals: Floats) -> float:
    return float(np.sqrt(np.sum(residuals**2) / len(residuals)))
