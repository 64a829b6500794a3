"""Origin of the largest misfit: the error of one implant is removed at a time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from accstudy.compare.align import PoseArrays, align_all
from accstudy.seating.best_seat import quick_best_gaps
from accstudy.seating.frameworks import Stack, aligned_seats, bare_arch, stacks
from accstudy.seating.gaps import TIE_UM, Platforms, Seats, one_screw, rim_gaps, worst_seat
from accstudy.seating.summary import TERMINAL_SCREW
from accstudy.seating.table import BEST_SEAT
from accstudy.tables import shape
from accstudy.words.catalogue import say

__all__ = [
    "PARTS",
    "Origin",
    "contribution_sentence",
    "gap_contributions",
    "main_origin",
    "worst_misfit",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

PARTS = ("whole", "tilt", "height", "sideways")
"""What of an implant's error is taken away."""


def gap_contributions(
    poses: pd.DataFrame,
    implants: pd.DataFrame,
    *,
    platform_radius_mm: float = 2.0,
    factors: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Contribution of every implant's error to the largest misfit of its scan.

    Parameters
    ----------
    poses, implants : DataFrame
        Tables ``poses`` and ``implants``, as for `seating_table`.
    platform_radius_mm : float
        Radius of the rim.
    factors : DataFrame, optional
        ``scan`` and ``condition``, one row a scan.

    Returns
    -------
    DataFrame
        Table ``seating_contributions``: for the worse of the two terminal
        screws and for the best seat of every scan, a row for each implant and
        part of its error.

    Notes
    -----
    An implant's error is its deviation from where the other implants say it
    should be: the others alone are aligned with the reference by least squares,
    so that its own error does not pull the alignment. Its axis (tilt), its
    height along the true axis, its offset across it (sideways), or all of it
    is put right, and the framework is seated anew. Errors interact, so the
    contributions do not add up to the misfit. With two implants there is no
    telling which of them is off: both are then measured against the alignment
    of both.

    Frameworks turn freely at the tightened screw (no engagement) and have no
    sideways clearance here. The best seat is the quick one, within about
    0.1 um of that of table ``seating``.
    """
    frames = [_of_stack(stack, platform_radius_mm) for stack in stacks(poses, implants)]
    frame = pd.concat(frames, ignore_index=True) if frames else pd.DataFrame()
    if len(frame):
        order = {scan: i for i, scan in enumerate(dict.fromkeys(poses["scan"]))}
        frame = frame.iloc[np.argsort(frame["scan"].map(order).to_numpy(), kind="stable")]
        if factors is not None:
            frame = frame.merge(factors[["scan", "condition"]], on="scan", how="left")
    return shape("seating_contributions", frame)


def _of_stack(stack: Stack, radius_mm: float) -> pd.DataFrame:
    platforms = stack.platforms
    s, n = stack.seats.centres_mm.shape[:2]
    mended = _flat(_mended(stack))
    rows = []
    first, last = (worst_misfit(stack.seats, platforms, radius_mm, k) for k in (0, n - 1))
    from_last = last[0] > first[0] + TIE_UM
    for seated in (TERMINAL_SCREW, BEST_SEAT):
        if seated == BEST_SEAT:
            size, where, shared = worst_misfit(stack.seats, platforms, radius_mm, None)
            without = worst_misfit(mended, platforms, radius_mm, None)[0].reshape(s, n, 4)
            tightened = np.full(s, BEST_SEAT, dtype=object)
        else:
            size = np.maximum(first[0], last[0])
            where = np.where(from_last, last[1], first[1])
            shared = np.where(from_last, last[2], first[2])
            each = [
                worst_misfit(mended, platforms, radius_mm, k)[0].reshape(s, n, 4)
                for k in (0, n - 1)
            ]
            without = np.where(from_last[:, None, None], each[1], each[0])
            names = np.array(platforms.implants, dtype=object)
            tightened = np.where(from_last, names[-1], names[0])
        rows.append(_frame(stack, seated, tightened, size, where, shared, without))
    return pd.concat(rows, ignore_index=True)


def worst_misfit(
    seats: Seats,
    platforms: Platforms,
    radius_mm: float,
    tightened: int | None,
    *,
    tolerance_um: float = 1e-9,
) -> tuple[Floats, Ints, Ints]:
    """Largest gap or interference of each framework, (b, n, 3), and where, as `worst_seat` gives
    them.

    `tightened` is the index of the tightened implant; None for the best seat.
    """
    if tightened is None:
        aligned = aligned_seats(seats, platforms)
        largest, each = quick_best_gaps(
            aligned, platforms, platform_radius_mm=radius_mm, tolerance_um=tolerance_um
        )
        _, where, shared = worst_seat(each)
        return largest, where, shared
    placed = one_screw(seats, platforms, tightened)
    gaps = rim_gaps(placed, platforms, platform_radius_mm=radius_mm)
    return worst_seat(np.maximum(gaps.largest_um, -gaps.smallest_um))


def _mended(stack: Stack) -> Seats:
    """Frameworks with one implant put right, (s, n, 4, n, 3), each in its own aligned frame."""
    arch = bare_arch(stack.platforms)
    s, n = stack.seats.centres_mm.shape[:2]
    arrays = PoseArrays(
        tuple(f.scan for f in stack.frameworks),
        stack.seats.centres_mm,
        stack.seats.axes,
        np.full_like(stack.seats.axes, np.nan),
    )
    centres, axes = np.empty((s, n, 4, n, 3)), np.empty((s, n, 4, n, 3))
    for j in range(n):
        use = np.arange(n) != j if n > 2 else np.ones(n, bool)
        placed = align_all(arrays, arch, use=use)
        centres[:, j] = placed.points(stack.seats.centres_mm)[:, None]
        axes[:, j] = placed.vectors(stack.seats.axes)[:, None]
        normal, platform = arch.axes[j], arch.positions_mm[j]
        error = centres[:, j, 0, j] - platform
        height = (error @ normal)[:, None] * normal
        centres[:, j, 0, j] = platform
        centres[:, j, 2, j] -= height
        centres[:, j, 3, j] -= error - height
        axes[:, j, :2, j] = normal
    return Seats(centres, axes)


def _flat(seats: Seats) -> Seats:
    n = seats.centres_mm.shape[-2]
    return Seats(seats.centres_mm.reshape(-1, n, 3), seats.axes.reshape(-1, n, 3))


def _frame(
    stack: Stack,
    seated: str,
    tightened: NDArray[np.object_],
    size: Floats,
    where: Ints,
    shared: Ints,
    without: Floats,
) -> pd.DataFrame:
    names = np.array(stack.platforms.implants, dtype=object)
    s, n = len(size), len(names)
    scans = np.array([f.scan for f in stack.frameworks], dtype=object)
    return pd.DataFrame(
        {
            "scan": np.repeat(scans, 4 * n),
            "model": stack.frameworks[0].model,
            "seated": seated,
            "tightened": np.repeat(tightened, 4 * n),
            "worst_implant": np.repeat(names[where], 4 * n),
            "n_worst": np.repeat(shared, 4 * n),
            "misfit_um": np.repeat(size, 4 * n),
            "implant": np.tile(np.repeat(names, 4), s),
            "part": np.tile(np.array(PARTS, dtype=object), s * n),
            "misfit_without_um": without.ravel(),
            "contribution_um": np.repeat(size, 4 * n) - without.ravel(),
        }
    )


@dataclass(frozen=True, slots=True)
class Origin:
    """Where the misfit of one scan comes from.

    ``how`` says how the framework was seated, ``at`` where the misfit shows, and how many others
    share it; ``implant`` and ``part`` whose error counts most, and ``without_um`` the misfit
    without it (empty where no single implant accounts for a third).
    """

    how: str
    at: str
    misfit_um: float
    implant: str
    part: str
    without_um: float


def main_origin(contributions: pd.DataFrame) -> Origin:
    """Implant whose error counts most for the misfit of one scan and way of seating.

    Parameters
    ----------
    contributions : DataFrame
        Rows of table ``seating_contributions`` of one scan and one ``seated``.
    """
    whole = contributions[contributions["part"] == "whole"]
    top = whole.iloc[int(np.argmax(whole["contribution_um"]))]
    misfit = float(top["misfit_um"])
    how = (
        say("seating_results.at_its_best_seat")
        if top["seated"] == BEST_SEAT
        else say("seating_results.with_the_screw_at", tightened=top["tightened"])
    )
    at, others = str(top["worst_implant"]), int(top["n_worst"]) - 1
    if others > 0:
        at += say("seating_results.and_other", others=others)
    if not misfit or top["contribution_um"] < misfit / 3:
        return Origin(how, at, misfit, "", "", float("nan"))
    mine = contributions[
        (contributions["implant"] == top["implant"]) & (contributions["part"] != "whole")
    ]
    part = mine.iloc[int(np.argmax(mine["contribution_um"]))]
    what = {
        "tilt": "tilt",
        "height": "height",
        "sideways": say("seating_results.lateral_position"),
    }[part["part"]]
    if part["contribution_um"] < 0.6 * top["contribution_um"]:
        what = say("seating_results.position_and_tilt_combined")
    without = float(top["misfit_without_um"])
    return Origin(how, at, misfit, str(top["implant"]), what, without)


def contribution_sentence(contributions: pd.DataFrame) -> str:
    """Say where the misfit of one scan and way of seating comes from.

    Parameters
    ----------
    contributions : DataFrame
        Rows of table ``seating_contributions`` of one scan and one ``seated``.

    Returns
    -------
    str
        Names the implant whose error counts most and the part of it that
        counts most; says so when no single implant accounts for a third.
    """
    found = main_origin(contributions)
    start = say(
        "seating_results.the_misfit_of_m",
        how=found.how[0].upper(),
        how_2=found.how[1:],
        misfit_um=found.misfit_um,
    )
    start += say("seating_results.implant_at", at=found.at)
    if not found.implant:
        return say("seating_results.comes_from_several_implants", start=start)
    return say(
        "seating_results.is_mainly_due_to",
        start=start,
        implant=found.implant,
        part=found.part,
        without_um=found.without_um,
    )
