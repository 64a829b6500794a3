"""What a picture of a seated framework needs, as a plain table."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from accstudy.errors import InputError, nearest
from accstudy.seating.frameworks import frameworks
from accstudy.seating.gaps import Seats, rim_gaps
from accstudy.seating.one_screw import one_screw
from accstudy.seating.table import BEST_SEAT, seat_best
from accstudy.tables import shape

__all__ = ["seating_view"]


def seating_view(
    poses: pd.DataFrame,
    implants: pd.DataFrame,
    *,
    scan: str,
    tightened: Sequence[str] = (),
    platform_radius_mm: float = 2.0,
    lateral_clearance_um: float | None = None,
    engaging: bool = False,
) -> pd.DataFrame:
    """Seats of one scan's framework over the true platforms.

    Parameters
    ----------
    poses, implants : DataFrame
        Tables ``poses`` and ``implants``.
    scan : str
        The scan.
    tightened : sequence of str
        Implants tightened, or ``best-seat``; by default both ends and the best
        seat.
    platform_radius_mm, lateral_clearance_um, engaging
        As for `accstudy.seating.table.seating_table`.

    Returns
    -------
    DataFrame
        Table ``seating_view``, all in the reference frame, so that every way of
        seating can be drawn in the same view; gaps in um over lengths in mm, to
        be drawn with an exaggeration that the picture states.

    Raises
    ------
    InputError
        If the scan has no framework or the implant no seat.
    """
    mine = poses[poses["scan"] == scan]
    found = [f for f in frameworks(mine, implants) if len(f.index) >= 2]
    if not found:
        raise InputError(
            f'scan "{scan}" has no framework of two seats or more',
            hint=nearest(scan, list(dict.fromkeys(poses["scan"]))),
        )
    framework = found[0]
    platforms, names = framework.platforms, framework.platforms.implants
    parts = []
    for way in tightened or (*framework.terminal, BEST_SEAT):
        if way == BEST_SEAT:
            seats = seat_best(
                framework,
                platform_radius_mm=platform_radius_mm,
                lateral_clearance_um=lateral_clearance_um,
            ).seats
        elif way in names:
            whole = Seats(framework.seats.centres_mm[None], framework.seats.axes[None])
            flats = framework.flats[None] if engaging else None
            placed = one_screw(whole, platforms, names.index(way), flats=flats)
            seats = Seats(placed.centres_mm[0], placed.axes[0])
        else:
            raise InputError(f'scan "{scan}" has no seat at "{way}"', hint=nearest(way, names))
        gaps = rim_gaps(seats, platforms, platform_radius_mm=platform_radius_mm)
        numbers = np.hstack([platforms.centres_mm, platforms.axes, seats.centres_mm, seats.axes])
        columns = [
            f"{what}{c}"
            for what in ("platform_", "platform_axis_", "seat_", "seat_axis_")
            for c in (("x_mm", "y_mm", "z_mm") if not what.endswith("axis_") else "xyz")
        ]
        part = pd.DataFrame(numbers, columns=columns)
        part["gap_max_um"], part["gap_min_um"] = gaps.largest_um, gaps.smallest_um
        part["implant"], part["tightened"] = list(names), way
        parts.append(part.assign(scan=scan, model=framework.model))
    return shape("seating_view", pd.concat(parts, ignore_index=True))
