"""Rigid motions and angles, in double precision and without reflections; the occlusal direction."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from accstudy.errors import ComputationError

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Rigid:
    """A rotation and a translation: ``y = rotation @ x + translation_mm``.

    Name instances after what they map: ``model_from_scan`` maps scan
    coordinates into model coordinates.

    Parameters
    ----------
    rotation : (3, 3) ndarray
        Proper rotation, determinant +1.
    translation_mm : (3,) ndarray
        Translation, mm.
    """

    rotation: Floats
    translation_mm: Floats

    @classmethod
    def identity(cls) -> Rigid:
        """Return the motion that moves nothing."""
        return cls(np.eye(3), np.zeros(3))

    def points(self, points_mm: ArrayLike) -> Floats:
        """Map points, (..., 3), mm."""
        return np.asarray(points_mm, float) @ self.rotation.T + self.translation_mm

    def vectors(self, vectors: ArrayLike) -> Floats:
        """Map directions, (..., 3); they turn but do not shift."""
        return np.asarray(vectors, float) @ self.rotation.T

    def inverse(self) -> Rigid:
        """Return the motion that undoes this one."""
        return Rigid(self.rotation.T, -self.rotation.T @ self.translation_mm)

    def after(self, first: Rigid) -> Rigid:
        """Return the motion that does `first`, then this one."""
        return Rigid(self.rotation @ first.rotation, self.points(first.translation_mm))


def unit(vectors: ArrayLike) -> Floats:
    """Scale vectors, (..., 3), to length 1; a zero vector becomes NaN."""
    v = np.asarray(vectors, float)
    norm = np.linalg.norm(v, axis=-1, keepdims=True)
    return v / np.where(norm > 0, norm, np.nan)


def angle_between_deg(a: ArrayLike, b: ArrayLike) -> Floats:
    """Angle between directions, in degrees, exact for tiny angles too.

    Parameters
    ----------
    a, b : (..., 3) array_like
        Directions of any length.

    Returns
    -------
    (...) ndarray
        0 to 180 deg, as ``atan2(|a x b|, a . b)``; the arc cosine of the dot
        product would return 0 below about 1e-6 deg.

    Examples
    --------
    >>> float(angle_between_deg([1, 0, 0], [1, 1e-12, 0]) * 1e12).__round__(4)
    57.2958
    """
    a, b = np.asarray(a, float), np.asarray(b, float)
    cross = np.linalg.norm(np.cross(a, b), axis=-1)
    return np.asarray(np.degrees(np.arctan2(cross, np.sum(a * b, axis=-1))))


def rotation_about_deg(axis: ArrayLike, start: ArrayLike, end: ArrayLike) -> Floats:
    """Signed rotation about an axis that turns `start` towards `end`, deg.

    Parameters
    ----------
    axis : (..., 3) array_like
        Unit axis; the rotation is positive by the right-hand rule about it.
    start, end : (..., 3) array_like
        Directions; only their parts across the axis count.

    Returns
    -------
    (...) ndarray
        -180 to 180 deg.
    """
    n = unit(axis)
    s, e = np.asarray(start, float), np.asarray(end, float)
    s = s - np.sum(s * n, axis=-1, keepdims=True) * n
    e = e - np.sum(e * n, axis=-1, keepdims=True) * n
    sine = np.sum(np.cross(s, e) * n, axis=-1)
    return np.asarray(np.degrees(np.arctan2(sine, np.sum(s * e, axis=-1))))


def rotation_vector(vector: ArrayLike) -> Floats:
    """Rotation matrix, (3, 3), of a rotation vector in rad (Rodrigues)."""
    x, y, z = (float(v) for v in np.asarray(vector, float))
    angle = math.sqrt(x * x + y * y + z * z)
    half = 0.5 * angle
    a = math.sin(angle) / angle if angle > 1e-8 else 1.0
    b = 0.5 * (math.sin(half) / half) ** 2 if angle > 1e-8 else 0.5
    return np.array(
        [
            [1.0 - b * (y * y + z * z), b * x * y - a * z, b * x * z + a * y],
            [b * x * y + a * z, 1.0 - b * (x * x + z * z), b * y * z - a * x],
            [b * x * z - a * y, b * y * z + a * x, 1.0 - b * (x * x + y * y)],
        ]
    )


def frame_from_axis(axis: ArrayLike, flat: ArrayLike | None = None) -> Floats:
    """Right-handed frame with z along an axis and x towards the flat.

    Parameters
    ----------
    axis : (3,) array_like
        Direction of z, any length.
    flat : (3,) array_like, optional
        Direction of x before it is made square to z. Without it x is chosen
        arbitrarily but reproducibly.

    Returns
    -------
    (3, 3) ndarray
        Columns are x, y, z.
    """
    z = unit(axis)
    if flat is None:
        flat = np.eye(3)[int(np.argmin(np.abs(z)))]
    x = np.asarray(flat, float)
    x = unit(x - (x @ z) * z)
    return np.column_stack([x, np.cross(z, x), z])


def fit_rigid(
    source_mm: ArrayLike,
    target_mm: ArrayLike,
    *,
    weights: ArrayLike | None = None,
    min_spread_mm: float = 1e-6,
) -> Rigid:
    """Least-squares rigid motion, without scale and without reflection.

    Parameters
    ----------
    source_mm, target_mm : (n, 3) array_like
        Corresponding points, n >= 3 and not on one line.
    weights : (n,) array_like, optional
        Non-negative; a zero leaves the point out of the fit.
    min_spread_mm : float
        Smallest root-mean-square spread across the line of best fit that still
        counts as determining the rotation.

    Returns
    -------
    Rigid
        Maps source onto target.

    Raises
    ------
    ComputationError
        If the points lie on a line or in one place, so that the rotation about
        the line is undetermined.

    References
    ----------
    Arun, Huang, Blostein: Least-squares fitting of two 3-D point sets, IEEE
    PAMI 9 (1987) 698-700; the guard against reflections after Umeyama, IEEE
    PAMI 13 (1991) 376-380.
    """
    a, b = np.asarray(source_mm, float), np.asarray(target_mm, float)
    w = np.ones(len(a)) if weights is None else np.asarray(weights, float)
    w = w / w.sum()
    ca, cb = w @ a, w @ b
    for points, centre in ((a, ca), (b, cb)):
        spread = np.linalg.svd(np.sqrt(w)[:, None] * (points - centre), compute_uv=False)
        if len(spread) < 2 or spread[1] < min_spread_mm:
            raise ComputationError(
                "the points lie on one line, so the rotation about it is undetermined",
                hint="use implant axes besides positions, or more implants",
            )
    u, _, vt = np.linalg.svd((w[:, None] * (b - cb)).T @ (a - ca))
    guard = np.diag([1.0, 1.0, np.sign(np.linalg.det(u @ vt))])
    rotation = u @ guard @ vt
    return Rigid(rotation, cb - rotation @ ca)


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
