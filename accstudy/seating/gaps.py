"""Gap between a seat and its platform, exact around the whole rim."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["TIE_UM", "Gaps", "Platforms", "Seats", "rim_gaps", "worst_seat"]

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
    """Gaps around the rims.

    Parameters
    ----------
    seats : Seats
        Seats in the mouth's frame.
    platforms : Platforms
        Where they should sit.
    platform_radius_mm : float
        Radius of the rim.

    Returns
    -------
    Gaps

    Notes
    -----
    The rim is the circle of the seat; the gap of a rim point is its height over
    the platform's plane. Over the whole circle this height is the mean height
    plus a sine of amplitude radius x sin(tilt), so both extremes are exact; no
    set of rim points can show more. Sideways offset changes no gap by itself:
    the platform counts as a plane.
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
    """Largest misfit of each framework, and at which seat it is seen.

    Parameters
    ----------
    size_um : (..., n) ndarray
        Misfit at every seat; NaN where there is none.

    Returns
    -------
    largest_um : (...) ndarray
        NaN where no seat has a misfit.
    where : (...) ndarray of int
        The first seat whose misfit is the largest to within 0.01 um.
    shared : (...) ndarray of int
        How many seats share it: at a best seat two or more do as a rule, and
        which of them is the largest by a last bit means nothing.

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
