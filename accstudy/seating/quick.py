"""Best seats of many frameworks at once, for Monte Carlo and leave-one-out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from accstudy.seating.gaps import Platforms, Seats

__all__ = ["DRAWN_TOLERANCE_UM", "quick_best_gaps"]

Floats = NDArray[np.float64]

DRAWN_TOLERANCE_UM = 0.02
"""Accuracy of a single one of many draws whose spread is wanted."""

_MAX_ROUNDS = 400
_WORTH_PACKING = 0.9  # share of frameworks still open from which on the others are left behind


def quick_best_gaps(
    start: Seats, platforms: Platforms, *, platform_radius_mm: float, tolerance_um: float = 1e-9
) -> tuple[Floats, Floats]:
    """Largest rim gap at the best seat, for many frameworks.

    The same question as `accstudy.seating.best_seat.best_seat` without
    clearance, linear in the motion about the start, solved for all frameworks
    together.

    Parameters
    ----------
    start : Seats
        Frameworks close to their best seats, (b, n, 3), no NaN.
    platforms : Platforms
        The mouth.
    platform_radius_mm : float
        Radius of the rim.
    tolerance_um : float, optional
        Of the largest gap.

    Returns
    -------
    gap_um : (b,) ndarray
        Largest rim gap.
    each_um : (b, n) ndarray
        Largest gap at every implant in that position. Where one implant alone
        decides, other positions are as good and the rest are not unique.

    Notes
    -----
    Sideways position follows from vertical shift and tilts by least squares,
    the vertical shift from the tilts (down to the first contact). What is left
    is a convex function of two tilts; it is minimised by the ellipsoid method
    with deep cuts, whose own lower bound stops it: by default so near that all machines
    write the same. The rim is the true circle here, not a polygon.
    Applying the motion exactly would change the result by the square of the
    tilt: 0.01 um for 1 mrad.

    References
    ----------
    Bland, Goldfarb, Todd: The ellipsoid method: a survey, Operations Research
    29 (1981) 1039-1091.
    """
    planes = _reduced(start, platforms)
    b = len(planes.height)
    best, best_x = np.full(b, np.inf), np.zeros((b, 2))
    value, _ = _value(planes, best_x, platform_radius_mm)
    # a seat's rim rises by twice radius x tilt, which cannot be more than the largest gap
    reach = value / (2 * platform_radius_mm) + planes.largest_tilt()
    # the ellipsoid as the image of the unit disc; its square would lose half of the digits
    disc = np.eye(2) * (reach / planes.stretch() + 1e-9)[:, None, None]
    alive, low, x = np.arange(b), np.full(b, -np.inf), np.zeros((b, 2))
    for _ in range(_MAX_ROUNDS):
        value, gradient = _value(planes, x, platform_radius_mm)
        better = value < best[alive]
        best[alive[better]], best_x[alive[better]] = value[better], x[better]
        up = disc[:, 0] * gradient[:, :1] + disc[:, 1] * gradient[:, 1:]
        size = np.sqrt(np.maximum(up[:, 0] ** 2 + up[:, 1] ** 2, 1e-300))
        up /= size[:, None]
        low = np.maximum(low, value - size)
        depth = np.clip((value - best[alive]) / size, 0.0, 0.999)
        step = disc[:, :, 0] * up[:, :1] + disc[:, :, 1] * up[:, 1:]
        x = x - ((1 + 2 * depth) / 3)[:, None] * step
        narrower = 1 - np.sqrt(1 - 2 * (1 + 2 * depth) / (3 * (1 + depth)))
        disc = disc - narrower[:, None, None] * step[:, :, None] * up[:, None, :]
        disc *= np.sqrt(4 / 3 * (1 - depth**2))[:, None, None]
        open_ = best[alive] - low > tolerance_um / 1000
        if open_.mean() < _WORTH_PACKING:
            alive, low, x, disc = alive[open_], low[open_], x[open_], disc[open_]
            planes = planes.only(open_)
        if not len(alive):
            break
    _, _, each = _gaps(_reduced(start, platforms), best_x, platform_radius_mm)
    return 1000 * best, 1000 * each


@dataclass(frozen=True)
class _Planes:
    """Heights and tilts of all seats as linear functions of two tilts.

    Parameters
    ----------
    height : (b, n) ndarray
        Of the seats' centres over their platforms, no tilt.
    slope : (2, b, n) ndarray
        Of the height, by tilt.
    tilt : (2, b, n) ndarray
        Components of each seat's tilt against its platform, no tilt of the whole.
    tilt_slope : (2, 2, b, n) ndarray
        Component of the tilt, by tilt of the whole.
    rise : (n,) ndarray
        Rise of each gap per unit of vertical shift.
    """

    height: Floats
    slope: Floats
    tilt: Floats
    tilt_slope: Floats
    rise: Floats

    def only(self, rows: NDArray[np.bool_]) -> _Planes:
        """Some of the frameworks."""
        return _Planes(
            self.height[rows],
            self.slope[:, rows],
            self.tilt[:, rows],
            self.tilt_slope[:, :, rows],
            self.rise,
        )

    def largest_tilt(self) -> Floats:
        """Of any seat, (b,)."""
        return np.asarray(np.sqrt((self.tilt**2).sum(axis=0)).max(axis=1))

    def stretch(self) -> Floats:
        """Smallest tilt of the seat that tilts most, per unit of tilt of the whole, (b,)."""
        matrices = np.moveaxis(self.tilt_slope, (0, 1), (-2, -1))
        return np.asarray(np.linalg.svd(matrices, compute_uv=False)[..., -1].max(axis=1))


def _reduced(start: Seats, platforms: Platforms) -> _Planes:
    """All seats as functions of the tilts, the lateral position solved."""
    z = platforms.common_axis
    x = np.cross(z, np.eye(3)[int(np.argmin(np.abs(z)))])
    x /= np.linalg.norm(x)
    frame = np.stack([x, np.cross(z, x), z])
    arm = (platforms.centres_mm - platforms.centres_mm.mean(axis=0)) @ frame.T
    normals = platforms.axes @ frame.T
    offset = (start.centres_mm - platforms.centres_mm) @ frame.T
    axes = start.axes @ frame.T
    at = arm + offset
    mean = offset.mean(axis=1)
    spread = np.mean(np.sum(arm[:, :2] ** 2, axis=1))
    turning = np.mean(arm[:, 0] * offset[..., 1] - arm[:, 1] * offset[..., 0], axis=1)
    # least-squares shift and turn at no tilt
    centred = offset - np.concatenate([mean[:, :2], np.zeros((len(mean), 1))], axis=1)[:, None]
    yaw = -turning / spread
    spin = np.stack([-arm[:, 1], arm[:, 0], np.zeros(len(arm))], axis=1)
    d0 = centred + yaw[:, None, None] * spin
    m0 = axes + yaw[:, None, None] * np.cross([0.0, 0.0, 1.0], axes)
    height = np.sum(d0 * normals, axis=-1)
    slopes, tilt_slopes = [], []
    u, v = _square(normals)
    for w in np.eye(3)[:2]:
        moved = np.cross(w, at)
        shift = moved.mean(axis=1)
        turn = np.mean(arm[:, 0] * moved[..., 1] - arm[:, 1] * moved[..., 0], axis=1)
        moved = moved - np.concatenate([shift[:, :2], np.zeros((len(shift), 1))], axis=1)[:, None]
        moved = moved - (turn / spread)[:, None, None] * spin
        whole = w - (turn / spread)[:, None] * np.array([0.0, 0.0, 1.0])
        swung = np.cross(whole[:, None], axes)
        slopes.append(np.sum(moved * normals, axis=-1))
        tilt_slopes.append([np.sum(swung * u, axis=-1), np.sum(swung * v, axis=-1)])
    return _Planes(
        height,
        np.array(slopes),
        np.array([np.sum(m0 * u, axis=-1), np.sum(m0 * v, axis=-1)]),
        np.array(tilt_slopes).swapaxes(0, 1),
        normals[:, 2].copy(),
    )


def _square(normals: Floats) -> tuple[Floats, Floats]:
    helper = np.eye(3)[np.argmin(np.abs(normals), axis=1)]
    u = np.cross(normals, helper)
    u /= np.linalg.norm(u, axis=1, keepdims=True)
    return u, np.cross(normals, u)


def _gaps(
    planes: _Planes, at: Floats, radius_mm: float
) -> tuple[NDArray[np.intp], tuple[Floats, Floats], Floats]:
    """Touching implant, tilt of every seat, gap of every implant at two tilts."""
    one, two = at[:, :1], at[:, 1:]
    across, along = (
        planes.tilt[i] + planes.tilt_slope[i, 0] * one + planes.tilt_slope[i, 1] * two
        for i in (0, 1)
    )
    bare = planes.height + planes.slope[0] * one + planes.slope[1] * two
    amplitude = radius_mm * np.sqrt(across * across + along * along)
    needed = (amplitude - bare) / planes.rise
    touching = np.argmax(needed, axis=1)
    shift = np.take_along_axis(needed, touching[:, None], axis=1)
    return touching, (across, along), bare + amplitude + shift * planes.rise


def _value(planes: _Planes, at: Floats, radius_mm: float) -> tuple[Floats, Floats]:
    """Largest gap after going down to the first contact, and its subgradient."""
    touching, swing, each = _gaps(planes, at, radius_mm)
    worst = np.argmax(each, axis=1)
    rows = np.arange(len(at))

    def amplitude_slope(i: NDArray[np.intp]) -> Floats:
        across, along = (part[rows, i] for part in swing)
        length = np.sqrt(across * across + along * along)
        length[length == 0] = 1.0
        by = planes.tilt_slope[:, :, rows, i]
        return np.asarray(radius_mm * (by[0] * across + by[1] * along) / length)

    lift = (amplitude_slope(touching) - planes.slope[:, rows, touching]) / planes.rise[touching]
    gradient = planes.slope[:, rows, worst] + amplitude_slope(worst) + lift * planes.rise[worst]
    return each[rows, worst], gradient.T
