"""First guesses for round features: linear fits, over directions of the whole sphere."""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

from accstudy.geometry.rigid import frame_from_axis

__all__ = ["circle_start", "cone_starts", "cylinder_starts", "sphere_start"]

Floats = NDArray[np.float64]

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
