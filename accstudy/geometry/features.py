"""Geometric features, the length unit of files, and the occlusal direction of a model."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from accstudy.geometry.rigid import angle_between_deg, unit

__all__ = [
    "DESIGNED",
    "MIN_WIDTH_MM",
    "PLATFORMS",
    "STATED",
    "UNIT_MM",
    "Circle",
    "Cone",
    "Cylinder",
    "Element",
    "Plane",
    "Sphere",
    "occlusal_direction",
]

UNIT_MM = {"um": 0.001, "mm": 1.0, "cm": 10.0, "m": 1000.0, "inch": 25.4}
"""Length units in mm."""


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


DESIGNED = "as designed"
"""The angulation stands in implants.csv."""

STATED = "against the stated occlusal direction"
"""The user gave ``reference.occlusal``."""

PLATFORMS = "against the normal of the plane through the platforms"
"""The least-squares plane through the platforms stands for the occlusal plane."""

MIN_WIDTH_MM = 10.0
"""Width of the arrangement, across its longest line, from which its plane counts as known.

A difference of depth of 1 mm tilts the plane by 6 degrees there; common practice has no figure.
"""

_PLAUSIBLE_DEG = 45.0


def occlusal_direction(
    positions_mm: Floats, axes: Floats, *, stated: Sequence[float] | None = None
) -> tuple[Floats | None, str]:
    """Normal of the occlusal plane of a model, out of the bone.

    The mean of the axes is no such direction: it follows the tilts that are to be
    measured against it, and makes two implants of 0 and 15 degrees 7.5 and 7.5.

    Parameters
    ----------
    positions_mm : (n, 3) ndarray
        Platforms of the model, reference frame.
    axes : (n, 3) ndarray
        Unit axes out of the bone; they only give the plane's normal its sign.
    stated : sequence of 3 floats, optional
        The direction as the user knows it; it goes before the platforms.

    Returns
    -------
    direction : (3,) ndarray or None
        Unit vector; None where two platforms, or platforms on a line, leave it open.
    definition : str
        `STATED` or `PLATFORMS`; empty where there is none.

    Examples
    --------
    >>> square = np.array([[0.0, 0, 0], [30, 0, 0], [30, 20, 0], [0, 20, 0]])
    >>> tilted = np.array([[0, 0, 1.0], [0, 0, 1], [0.5, 0, 0.75**0.5], [0.5, 0, 0.75**0.5]])
    >>> direction, definition = occlusal_direction(square, tilted)
    >>> np.round(direction + 0.0, 6).tolist(), definition
    ([0.0, 0.0, 1.0], 'against the normal of the plane through the platforms')
    >>> occlusal_direction(square[:2], tilted[:2])
    (None, '')
    """
    if stated is not None:
        return unit(np.asarray(stated, float)), STATED
    if len(positions_mm) < 3:
        return None, ""
    centred = positions_mm - positions_mm.mean(axis=0)
    _, _, directions = np.linalg.svd(centred, full_matrices=True)
    if np.ptp(centred @ directions[1]) < MIN_WIDTH_MM:
        return None, ""
    mean_axis = unit(np.asarray(axes, float).sum(axis=0))
    normal = directions[2] * (1.0 if directions[2] @ mean_axis >= 0 else -1.0)
    if float(angle_between_deg(normal, mean_axis)) > _PLAUSIBLE_DEG:
        return None, ""
    return normal, PLATFORMS
