"""From the probed points of one implant to its platform centre and axis.

Which features are needed: an axis comes from a cylinder, else a cone, else the
normal of a plane, else that of a circle. The centre is where that axis meets
the plane; without an axis of its own it is the centre of a circle, brought onto
the plane, or of a sphere.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from accstudy.errors import ComputationError, InputError, nearest
from accstudy.geometry.elements import (
    Circle,
    Cone,
    Cylinder,
    Plane,
    Sphere,
    fit_circle,
    fit_cone,
    fit_cylinder,
    fit_plane,
    fit_sphere,
)
from accstudy.geometry.rigid import unit

Floats = NDArray[np.float64]
Feature = Circle | Cone | Cylinder | Plane | Sphere
_Line = tuple[Floats, Floats]  # a point; the covariance, (6, 6), of it and the direction, mm

FEATURES = ("cylinder", "plane", "sphere", "cone", "circle")
"""What a row of table ``touch_points`` may belong to."""


@dataclass(frozen=True, slots=True)
class TouchedImplant:
    """Where an implant is, from touched points.

    Parameters
    ----------
    position_mm : (3,) ndarray
        Platform centre.
    axis : (3,) ndarray
        Unit vector out of the bone.
    u_position_um : float
        Standard uncertainty of each coordinate of the position: the root mean
        square over x, y and z.
    u_axis_deg : float
        Standard uncertainty of the axis, per tilt component.
    covariance_um2 : (3, 3) ndarray
        Covariance of the position.
    lever_mm : float
        Length over which the axis was touched.
    """

    position_mm: Floats
    axis: Floats
    u_position_um: float
    u_axis_deg: float
    covariance_um2: Floats
    lever_mm: float


def implant_from_touches(
    touches: pd.DataFrame, *, outward: ArrayLike = (0.0, 0.0, 1.0)
) -> TouchedImplant:
    """Find platform centre and axis of one implant from touched points.

    Parameters
    ----------
    touches : DataFrame
        The rows of table ``touch_points`` of one implant: ``feature``, ``x_mm``,
        ``y_mm``, ``z_mm``, and ``probe_radius_mm`` if the points are tip centres.
        Cylinders, cones, spheres and circles are touched from outside.
    outward : (3,) array_like
        Any direction out of the bone, within 80 degrees of the axis; +z, as a
        model lies on a machine's table with its implants upwards.

    Returns
    -------
    TouchedImplant
        Its uncertainties are those of the residuals; NaN without more points than
        parameters. `with_machine` adds the machine's error.

    Raises
    ------
    ComputationError
        If the features do not determine a centre and an axis.
    InputError
        If a feature is unknown, or its rows have different probe radii.
    """
    out = unit(outward)
    fitted = _fit(touches, out)
    axis, tilt, lever_mm, line = _axis(fitted, out)
    position, covariance = _centre(fitted, axis, line)
    covariance = covariance * 1e6
    return TouchedImplant(
        position,
        axis,
        float(np.sqrt(np.trace(covariance) / 3)),
        math.degrees(math.sqrt(float(np.trace(tilt)) / 2)),
        covariance,
        lever_mm,
    )


def with_machine(
    found: TouchedImplant, *, mpe_um: tuple[float, float], length_mm: float
) -> TouchedImplant:
    """Add the machine's permitted error to the uncertainty from residuals.

    Parameters
    ----------
    found : TouchedImplant
        With uncertainties from residuals alone.
    mpe_um : (constant, per_metre)
        Maximum permissible error of the machine, E = constant + per_metre L, um,
        L in metres (the form of ISO 10360-2); its standard uncertainty is
        E / sqrt(3) (JCGM 100:2008, 4.3.7).
    length_mm : float
        Length L at which a position is used: the largest distance to another
        implant of the model. Half of the variance of such a length belongs to
        either end.
    """
    constant, per_metre = mpe_um
    at_length = (constant + per_metre * length_mm / 1000.0) / math.sqrt(3.0)
    at_lever = (constant + per_metre * found.lever_mm / 1000.0) / math.sqrt(3.0)
    covariance = np.nan_to_num(found.covariance_um2) + np.eye(3) * at_length**2 / 2
    tilt = math.degrees(at_lever * 1e-3 / found.lever_mm)
    return replace(
        found,
        covariance_um2=covariance,
        u_position_um=float(np.sqrt(np.trace(covariance) / 3)),
        u_axis_deg=math.hypot(np.nan_to_num(found.u_axis_deg), tilt),
    )


def _fit(touches: pd.DataFrame, outward: Floats) -> dict[str, Feature]:
    """Fit every feature; a plane first, so that nothing depends on the order of rows."""
    fitted: dict[str, Feature] = {}
    for name, rows in touches.groupby("feature", sort=True):
        feature = str(name)
        if feature not in FEATURES:
            raise InputError(f'unknown feature "{feature}"', hint=nearest(feature, FEATURES))
        points = rows[["x_mm", "y_mm", "z_mm"]].to_numpy(float)
        radius = _probe_radius(rows, feature)
        if feature == "plane":
            fitted[feature] = fit_plane(points, probe_radius_mm=radius, outward=outward)
        elif feature == "cylinder":
            fitted[feature] = fit_cylinder(points, probe_radius_mm=radius)
        elif feature == "cone":
            fitted[feature] = fit_cone(points, probe_radius_mm=radius)
        elif feature == "circle":
            fitted[feature] = fit_circle(points, probe_radius_mm=radius)
        else:
            fitted[feature] = fit_sphere(points, probe_radius_mm=radius)
    return fitted


def _probe_radius(rows: pd.DataFrame, feature: str) -> float:
    if "probe_radius_mm" not in rows:
        return 0.0
    radii = pd.to_numeric(rows["probe_radius_mm"]).astype(float).fillna(0.0).unique()
    if len(radii) != 1:
        raise InputError(
            f"the points of one {feature} have different probe radii",
            hint="give every row of the feature the same probe_radius_mm, or none",
        )
    return float(radii[0])


def _axis(
    fitted: Mapping[str, Feature], outward: Floats
) -> tuple[Floats, Floats, float, _Line | None]:
    """Axis out of the bone, covariance of its tilts (rad^2), lever (mm), and its line if any."""
    source = next((fitted[k] for k in ("cylinder", "cone", "plane", "circle") if k in fitted), None)
    if source is None or isinstance(source, Sphere):
        raise ComputationError(
            "no feature gives an axis", hint="probe a cylinder, a cone, a plane or a circle"
        )
    axis = source.direction if isinstance(source, Cylinder | Cone) else source.normal
    along = float(axis @ outward)
    if abs(along) < math.cos(math.radians(80.0)):
        raise ComputationError(
            "the axis is nearly perpendicular to the direction out of the bone, so its sign is "
            "undetermined",
            hint="use coordinates whose z axis points out of the bone",
        )
    sign = math.copysign(1.0, along)
    if isinstance(source, Plane):
        return sign * axis, source.covariance[1:, 1:], source.extent_mm, None
    if isinstance(source, Circle):
        return sign * axis, source.covariance[3:5, 3:5], 2 * source.radius_mm, None
    spread = np.zeros((6, 4))
    spread[:3, :2], spread[3:, 2:] = source.frame[:, :2], sign * source.frame[:, :2]
    line = source.point_mm, spread @ source.covariance[:4, :4] @ spread.T
    return sign * axis, source.covariance[2:4, 2:4], source.extent_mm, line


def _centre(
    fitted: Mapping[str, Feature], axis: Floats, line: _Line | None
) -> tuple[Floats, Floats]:
    """Platform centre and its covariance, mm^2."""
    plane = fitted.get("plane")
    ball = fitted.get("circle", fitted.get("sphere"))
    if isinstance(plane, Plane) and line is not None:
        point, covariance = line
        return _meet(plane, point, axis, covariance)
    if isinstance(ball, Circle | Sphere):
        covariance = ball.frame @ ball.covariance[:3, :3] @ ball.frame.T
        if isinstance(plane, Plane) and isinstance(ball, Circle):
            full = np.zeros((6, 6))
            full[:3, :3] = covariance
            return _meet(plane, ball.centre_mm, axis, full)
        return ball.centre_mm, covariance
    raise ComputationError(
        "the features do not give a centre",
        hint="probe a plane in addition to the cylinder or cone, or a circle or sphere",
    )


def _meet(plane: Plane, point: Floats, axis: Floats, covariance: Floats) -> tuple[Floats, Floats]:
    """Point where a line meets a plane; `covariance`, (6, 6), is of the line's point and direction.

    First-order propagation (JCGM 100:2008, 5.2).
    """
    n, slope = plane.normal, float(plane.normal @ axis)
    if abs(slope) < 0.1:
        raise ComputationError("the axis lies nearly within the plane and does not meet it")
    along = float(n @ (plane.point_mm - point)) / slope
    centre = point + along * axis
    onto = np.eye(3) - np.outer(axis, n) / slope
    from_line = np.hstack([onto, along * onto])
    x, y = (centre - plane.point_mm) @ plane.frame[:, :2]
    height = np.array([1.0, x, y])
    u2_height = float(height @ plane.covariance @ height)
    lift = axis / slope
    return centre, from_line @ covariance @ from_line.T + u2_height * np.outer(lift, lift)
