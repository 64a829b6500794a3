"""Gap between a seat and its platform, exact around the whole rim."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Gaps", "Platforms", "Seats", "rim_gaps"]

Floats = NDArray[np.float64]


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
