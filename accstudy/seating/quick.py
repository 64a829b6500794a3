"""Best seats of many frameworks at once, for Monte Carlo and leave-one-out."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from accstudy.seating.gaps import Platforms, Seats

__all__ = ["DRAWN_TOLERANCE_UM", "quick_best_gaps"]

Floats = NDArray[np.float64]

DRAWN_TOLERANCE_UM = 1e-5
"""Accuracy of a single one of many draws whose spread is wanted."""

_MAX_ROUNDS = 400


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
    height, slope, tilt, tilt_slope, rise = _reduced(start, platforms)
    b = len(height)
    x = np.zeros((b, 2))
    best, best_x = np.full(b, np.inf), np.zeros((b, 2))
    low = np.full(b, -np.inf)
    value, _ = _value(x, height, slope, tilt, tilt_slope, rise, platform_radius_mm)
    # a seat's rim rises by twice radius x tilt, which cannot be more than the largest gap
    reach = value / (2 * platform_radius_mm) + np.linalg.norm(tilt, axis=2).max(axis=1)
    stretch = np.linalg.svd(tilt_slope, compute_uv=False)[..., -1].max(axis=1)
    # the ellipsoid as the image of the unit disc; its square would lose half of the digits
    disc = np.eye(2) * (reach / stretch + 1e-9)[:, None, None]
    alive = np.arange(b)
    for _ in range(_MAX_ROUNDS):
        if not len(alive):
            break
        part = (height[alive], slope[alive], tilt[alive], tilt_slope[alive], rise)
        at, image = x[alive], disc[alive]
        value, gradient = _value(at, *part, platform_radius_mm)
        better = value < best[alive]
        best[alive[better]], best_x[alive[better]] = value[better], at[better]
        up = np.einsum("bij,bi->bj", image, gradient)
        size = np.sqrt(np.maximum(np.sum(up * up, axis=1), 1e-300))
        up /= size[:, None]
        low[alive] = np.maximum(low[alive], value - size)
        depth = np.clip((value - best[alive]) / size, 0.0, 0.999)
        step = np.einsum("bij,bj->bi", image, up)
        x[alive] = at - ((1 + 2 * depth) / 3)[:, None] * step
        narrower = 1 - np.sqrt(1 - 2 * (1 + 2 * depth) / (3 * (1 + depth)))
        image = image - narrower[:, None, None] * step[:, :, None] * up[:, None, :]
        disc[alive] = np.sqrt(4 / 3 * (1 - depth**2))[:, None, None] * image
        alive = alive[best[alive] - low[alive] > tolerance_um / 1000]
    _, _, each = _gaps(best_x, height, slope, tilt, tilt_slope, rise, platform_radius_mm)
    return 1000 * best, 1000 * each


def _reduced(start: Seats, platforms: Platforms) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """Heights and tilts of all seats as linear functions of two tilts, lateral solved.

    Returns heights (b, n), their slopes (b, n, 2), tilt vectors (b, n, 2), their
    slopes (b, n, 2, 2) and the rise of each gap per unit of vertical shift (n,).
    """
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
        tilt_slopes.append(np.stack([np.sum(swung * u, -1), np.sum(swung * v, -1)], axis=-1))
    tilt = np.stack([np.sum(m0 * u, axis=-1), np.sum(m0 * v, axis=-1)], axis=-1)
    return (
        height,
        np.stack(slopes, axis=-1),
        tilt,
        np.stack(tilt_slopes, axis=-1),
        normals[:, 2].copy(),
    )


def _square(normals: Floats) -> tuple[Floats, Floats]:
    helper = np.eye(3)[np.argmin(np.abs(normals), axis=1)]
    u = np.cross(normals, helper)
    u /= np.linalg.norm(u, axis=1, keepdims=True)
    return u, np.cross(normals, u)


def _gaps(
    at: Floats,
    height: Floats,
    slope: Floats,
    tilt: Floats,
    tilt_slope: Floats,
    rise: Floats,
    radius_mm: float,
) -> tuple[NDArray[np.intp], Floats, Floats]:
    """Touching implant, vector and size of the tilt, gap of every implant at two tilts."""
    swing = tilt + np.einsum("bnij,bj->bni", tilt_slope, at)
    bare = height + np.einsum("bnj,bj->bn", slope, at)
    amplitude = radius_mm * np.sqrt(np.sum(swing * swing, axis=2))
    needed = (amplitude - bare) / rise
    touching = np.argmax(needed, axis=1)
    shift = np.take_along_axis(needed, touching[:, None], axis=1)
    return touching, swing, bare + amplitude + shift * rise


def _value(
    at: Floats,
    height: Floats,
    slope: Floats,
    tilt: Floats,
    tilt_slope: Floats,
    rise: Floats,
    radius_mm: float,
) -> tuple[Floats, Floats]:
    """Largest gap after going down to the first contact, and its subgradient."""
    touching, swing, each = _gaps(at, height, slope, tilt, tilt_slope, rise, radius_mm)
    worst = np.argmax(each, axis=1)
    rows = np.arange(len(at))

    def amplitude_slope(i: NDArray[np.intp]) -> Floats:
        s = swing[rows, i]
        length = np.sqrt(np.sum(s * s, axis=1, keepdims=True))
        direction = s / np.where(length > 0, length, 1.0)
        return np.asarray(radius_mm * np.einsum("bi,bij->bj", direction, tilt_slope[rows, i]))

    lift = (amplitude_slope(touching) - slope[rows, touching]) / rise[touching][:, None]
    gradient = slope[rows, worst] + amplitude_slope(worst) + lift * rise[worst][:, None]
    return each[rows, worst], gradient
