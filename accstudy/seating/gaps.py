"""Gap between a seat and its platform, exact around the rim; and the one-screw test."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from accstudy.errors import InputError

__all__ = ["TIE_UM", "Gaps", "Platforms", "Seats", "one_screw", "rim_gaps", "worst_seat"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

TIE_UM = 0.01
"""Misfits that differ by no more than this count as equal."""


@dataclass(frozen=True, slots=True)
class Platforms:
    """True platforms of one model, in the mouth's (reference) frame.

    Parameters
    ----------
    implants : tuple of str
        In the order along the arch.
    centres_mm, axes, flats : (n, 3) ndarray
        Platform centres, unit axes out of the bone, directions towards the
        flat (NaN where unknown).
    common_axis : (3,) ndarray
        Mean direction of the axes.
    """

    implants: tuple[str, ...]
    centres_mm: Floats
    axes: Floats
    flats: Floats
    common_axis: Floats


@dataclass(frozen=True, slots=True)
class Seats:
    """Seats of frameworks, already brought into the mouth's frame.

    Parameters
    ----------
    centres_mm, axes : (..., n, 3) ndarray
        Seat centres and unit axes; NaN where the framework has no seat.
    """

    centres_mm: Floats
    axes: Floats


@dataclass(frozen=True, slots=True)
class Gaps:
    """Gaps of seats over their platforms, each (..., n).

    Parameters
    ----------
    largest_um, smallest_um : ndarray
        Extremes around the rim along the platform's axis; negative is
        interference.
    mean_um : ndarray
        Mean around the rim, that is the height of the seat's centre.
    lateral_um : ndarray
        Distance of the seat's centre from the platform's axis.
    tilt_deg : ndarray
        Angle between the axes of seat and platform.
    """

    largest_um: Floats
    smallest_um: Floats
    mean_um: Floats
    lateral_um: Floats
    tilt_deg: Floats


def rim_gaps(seats: Seats, platforms: Platforms, *, platform_radius_mm: float) -> Gaps:
    """Gaps around the rims, between seats in the mouth's frame and their platforms.

    The rim is the circle of the seat; the gap of a rim point is its height over the platform's
    plane. Over the whole circle this height is the mean height plus a sine of amplitude radius x
    sin(tilt), so both extremes are exact; no set of rim points can show more. Sideways offset
    changes no gap by itself: the platform counts as a plane.
    """
    delta = seats.centres_mm - platforms.centres_mm
    height = np.sum(delta * platforms.axes, axis=-1)
    sideways = delta - height[..., None] * platforms.axes
    sine = np.linalg.norm(np.cross(seats.axes, platforms.axes), axis=-1)
    cosine = np.sum(seats.axes * platforms.axes, axis=-1)
    swing = platform_radius_mm * sine
    return Gaps(
        largest_um=1000 * (height + swing),
        smallest_um=1000 * (height - swing),
        mean_um=1000 * height,
        lateral_um=1000 * np.linalg.norm(sideways, axis=-1),
        tilt_deg=np.degrees(np.arctan2(sine, cosine)),
    )


def worst_seat(size_um: Floats) -> tuple[Floats, Ints, Ints]:
    """Largest misfit of each framework, at which seat it is seen, and how many seats share it.

    Of misfits (..., n), NaN where there is none. The seat is the first whose misfit is the largest
    to within 0.01 um: at a best seat two or more share it as a rule, and which of them is the
    largest by a last bit means nothing.

    Examples
    --------
    >>> largest, where, shared = worst_seat(np.array([12.0, 30.0, 30.004]))
    >>> float(largest), int(where), int(shared)
    (30.004, 1, 2)
    """
    known = np.isfinite(size_um)
    filled = np.where(known, size_um, -np.inf)
    largest = filled.max(axis=-1)
    tied = known & (filled >= largest[..., None] - TIE_UM)
    nowhere = ~known.any(axis=-1)
    return np.where(nowhere, np.nan, largest), np.argmax(tied, axis=-1), tied.sum(axis=-1)


_MOST_ROUNDS, _RESTS_RAD = 50, 1e-11  # a turn of 1e-11 moves a seat 100 mm away by a picometre


def one_screw(
    seats: Seats, platforms: Platforms, tightened: int, *, flats: Floats | None = None
) -> Seats:
    """Place frameworks, (b, n, 3), so that seat and platform coincide at the tightened implant.

    NaN for frameworks without a seat there or with no other seat. `flats`, (b, n, 3), are given for
    connections that engage: they fix the rotation about the axis; `InputError` where the reference
    has no flat there.

    Notes
    -----
    What is left is a rotation about the axis of the tightened implant: without engagement
    the one that minimises the sum of the squared sideways offsets at the other implants,
    each seen along its own platform's axis. It starts from the largest overlap in the plane
    across the axis (closed form) and is mended by Newton steps.
    """
    axis, origin = platforms.axes[tightened], platforms.centres_mm[tightened]
    others = np.asarray(np.isfinite(seats.centres_mm).all(axis=-1))
    others[:, tightened] = False
    nobody = ~others.any(axis=1)
    if flats is not None:
        turn = _onto_frame(seats.axes[:, tightened], flats[:, tightened], platforms, tightened)
    else:
        turn = _swing(seats.axes[:, tightened], axis)
    centres = np.einsum(
        "bij,bnj->bni", turn, seats.centres_mm - seats.centres_mm[:, tightened, None]
    )
    axes = np.einsum("bij,bnj->bni", turn, seats.axes)
    centres[nobody] = np.nan
    axes[nobody] = np.nan
    if flats is None:
        wanted = platforms.centres_mm - origin
        across = np.cross(axis, np.eye(3))  # rows of vectors times it: the axis crossed with each
        angle = _overlap_turn(centres, wanted, axis, others)
        for _ in range(_MOST_ROUNDS):
            placed = _twist(across, angle, centres)
            step = _offset_turn(placed, wanted, across, platforms.axes, others)
            angle = angle + step
            if not np.nanmax(np.abs(step), initial=0.0) > _RESTS_RAD:
                break
        centres, axes = _twist(across, angle, centres), _twist(across, angle, axes)
    return Seats(centres + origin, axes)


def _swing(start: Floats, end: Floats) -> Floats:
    """Smallest rotations, (b, 3, 3), of unit vectors (b, 3) onto one unit vector."""
    both = start + end
    size = np.sum(both * both, axis=1)[:, None, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        half_turn = 2 * both[:, :, None] * both[:, None, :] / size - np.eye(3)
    # a half turn about the bisector brings start to end; one more about the end keeps it there
    rotation: Floats = (2 * np.outer(end, end) - np.eye(3)) @ half_turn
    return rotation


def _onto_frame(axes: Floats, flats: Floats, platforms: Platforms, tightened: int) -> Floats:
    target = _frames(platforms.axes[[tightened]], platforms.flats[[tightened]])[0]
    if not np.isfinite(target).all():
        raise InputError(
            f'implant "{platforms.implants[tightened]}" has no flat in the reference, '
            "so an engaging connection cannot be oriented",
            hint="add flat_x, flat_y, flat_z to the reference, or set seating.engaging = false",
        )
    return np.asarray(target @ np.swapaxes(_frames(axes, flats), 1, 2))


def _frames(axes: Floats, flats: Floats) -> Floats:
    x = flats - np.sum(flats * axes, axis=1, keepdims=True) * axes
    x = x / np.linalg.norm(x, axis=1, keepdims=True)
    return np.stack([x, np.cross(axes, x), axes], axis=2)


def _overlap_turn(
    centres: Floats, wanted: Floats, axis: Floats, others: NDArray[np.bool_]
) -> Floats:
    across = np.where(others[:, :, None], centres, 0.0)
    sine = np.einsum("bni,ni->b", across, np.cross(wanted, axis))
    flat = wanted - (wanted @ axis)[:, None] * axis
    cosine = np.einsum("bni,ni->b", across, flat)
    return np.asarray(np.arctan2(sine, cosine))


def _offset_turn(
    centres: Floats, wanted: Floats, across: Floats, normals: Floats, others: NDArray[np.bool_]
) -> Floats:
    """Newton step of the turn that minimises the sideways offsets."""
    speed = _times(centres, across)
    speed -= np.einsum("bni,ni->bn", speed, normals)[..., None] * normals
    offset = centres - wanted
    top = np.where(others, np.einsum("bni,bni->bn", offset, speed), 0.0).sum(axis=1)
    bottom = np.where(others, np.einsum("bni,bni->bn", speed, speed), 0.0).sum(axis=1)
    return np.asarray(-top / np.where(bottom > 0, bottom, np.inf))


def _twist(across: Floats, angle: Floats, vectors: Floats) -> Floats:
    sine, versine = np.sin(angle)[:, None, None], (1 - np.cos(angle))[:, None, None]
    square = _times(vectors, across)
    return np.asarray(vectors + sine * square + versine * _times(square, across))


def _times(vectors: Floats, matrix: Floats) -> Floats:
    """Rows of vectors, (b, n, 3), times one matrix."""
    return np.asarray(vectors.reshape(-1, 3) @ matrix).reshape(vectors.shape)
