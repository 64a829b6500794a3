"""Orthogonal least-squares plane, circle, sphere, cylinder and cone.

The sum of squared distances from the points to the element is made smallest
(Gaussian association). An algebraic fit is used only as a start: by itself it
is some micrometres off on partial features.

Points may be centres of a probe tip of `probe_radius_mm`. The surface lies one tip radius nearer to
the material; as a surface parallel to a plane, sphere, cylinder or cone is of
the same kind, the correction of the fitted element is exact.

Every fit raises `ComputationError` if the points do not determine the element, and
`InputError` if they are not finite numbers.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from accstudy.errors import ComputationError, InputError
from accstudy.geometry.associate import (
    about,
    best_about_axis,
    circle_start,
    cone_starts,
    cylinder_starts,
    rms_of,
    root,
    solve,
    sphere_start,
)
from accstudy.geometry.features import Circle, Cone, Cylinder, Plane, Sphere
from accstudy.geometry.rigid import frame_from_axis, unit

__all__ = [
    "Circle",
    "Cone",
    "Cylinder",
    "Plane",
    "Sphere",
    "fit_circle",
    "fit_cone",
    "fit_cylinder",
    "fit_plane",
    "fit_sphere",
]

Floats = NDArray[np.float64]
Complexes = NDArray[np.complexfloating]


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
