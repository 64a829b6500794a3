"""What a fitted line, plane, circle, sphere, cylinder or cone is and how well it is known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Circle", "Cone", "Cylinder", "Element", "Line", "Plane", "Sphere"]

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
class Line(Element):
    """Straight line; local parameters: two shifts at `point_mm`, two tilts (2D: one each).

    Parameters
    ----------
    point_mm : (d,) ndarray
        The point of the line nearest to the centroid.
    direction : (d,) ndarray
        Unit vector; its sign means nothing.
    """

    point_mm: Floats
    direction: Floats


@dataclass(frozen=True, slots=True)
class Plane(Element):
    """Plane; local parameters: height at `point_mm`, tilt towards local x, tilt towards local y.

    Parameters
    ----------
    point_mm : (3,) ndarray
        The point of the plane nearest to the centroid.
    normal : (3,) ndarray
        Unit vector; towards `outward` if that was given.
    extent_mm : float
        Width of the touched part, the smaller of its two.
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
    """Sphere; local parameters: centre (3), radius.

    Parameters
    ----------
    centre_mm : (3,) ndarray
        Centre.
    radius_mm : float
        Radius.
    """

    centre_mm: Floats
    radius_mm: float


@dataclass(frozen=True, slots=True)
class Axial(Element):
    """Element about an axis; the first local parameters are two shifts at `point_mm`, two tilts.

    Parameters
    ----------
    point_mm : (3,) ndarray
        The point of the axis nearest to the centroid of the points.
    direction : (3,) ndarray
        Unit axis; its sign means nothing on a cylinder, on a cone it points
        from the apex into the body.
    radius_mm : float
        Radius; of a cone at `point_mm`.
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

    Parameters
    ----------
    half_angle_deg : float
        Angle between axis and surface.
    apex_mm : (3,) ndarray
        Apex.
    extent_mm : float
        Length of the touched part along the axis.
    """

    half_angle_deg: float
    apex_mm: Floats
    extent_mm: float
