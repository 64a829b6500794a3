"""What contributes to misfits: an implant's error, locating alone, the reference's uncertainty."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from accstudy.compare.align import PoseArrays, align_all
from accstudy.geometry.rigid import fit_rigid
from accstudy.seating.best_seat import DRAWN_TOLERANCE_UM, quick_best_gaps
from accstudy.seating.gaps import (
    TIE_UM,
    Platforms,
    PoseUncertainty,
    Seats,
    Stack,
    aligned_seats,
    bare_arch,
    draw_seats,
    normal_deviations,
    one_screw,
    rim_gaps,
    stacks,
    two_points,
    worst_seat,
)
from accstudy.seating.summary import TERMINAL_SCREW
from accstudy.seating.table import BEST_SEAT
from accstudy.study.reference_runs import of_mean
from accstudy.tables import shape

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


class Origin(NamedTuple):
    """Where the misfit of one scan comes from: ``implant`` and ``part`` whose error counts most,
    and ``without_um``, the misfit without it; empty where no single implant accounts for a third.
    """

    implant: str
    part: str
    without_um: float


def main_origin(contributions: pd.DataFrame) -> Origin:
    """Implant whose error counts most for the misfit of one scan and way of seating.

    From the rows of table ``seating_contributions`` of one scan and one ``seated``.
    """
    whole = contributions[contributions["part"] == "whole"]
    top = whole.iloc[int(np.argmax(whole["contribution_um"]))]
    misfit = float(top["misfit_um"])
    if not misfit or not top["contribution_um"] >= misfit / 3:
        return Origin("", "", float("nan"))
    mine = contributions[
        (contributions["implant"] == top["implant"]) & (contributions["part"] != "whole")
    ]
    part = mine.iloc[int(np.argmax(mine["contribution_um"]))]
    together = part["contribution_um"] < 0.6 * top["contribution_um"]
    what = "position and tilt" if together else str(part["part"])
    return Origin(str(top["implant"]), what, float(top["misfit_without_um"]))


def with_origins(misfits: pd.DataFrame, contributions: pd.DataFrame) -> pd.DataFrame:
    """Table ``seating_scans`` with the main origin of every misfit.

    Parameters
    ----------
    misfits, contributions : DataFrame
        Tables ``seating_scans`` and ``seating_contributions``.
    """
    known = contributions[contributions["contribution_um"].notna()]
    found = {key: main_origin(own) for key, own in known.groupby(["scan", "seated"], sort=False)}
    none = Origin("", "", float("nan"))
    rows = [found.get(key, none) for key in zip(misfits["scan"], misfits["seated"], strict=True)]
    return misfits.assign(
        origin=[r.implant for r in rows],
        origin_part=[r.part for r in rows],
        without_um=[r.without_um for r in rows],
    )


_COLUMNS = ["scan", "seated", "locating_median_um", "locating_p95_um"]
_FRAMEWORKS = 2000
"""Frameworks drawn for all scans with the same seats together."""
_LOCATING_SEED = 40_000


def locating_misfits(
    poses: pd.DataFrame,
    implants: pd.DataFrame,
    *,
    platform_radius_mm: float = 2.0,
) -> pd.DataFrame:
    """Misfit that each scan would show if its framework were perfect.

    Parameters
    ----------
    poses, implants : DataFrame
        Tables ``poses`` and ``implants``, as for `seating_table`.
    platform_radius_mm : float
        Radius of the rim.

    Returns
    -------
    DataFrame
        ``scan``, ``seated``, ``locating_median_um``, ``locating_p95_um``; no
        row where an uncertainty is unknown.

    Notes
    -----
    Each draw moves the seats of a perfect framework by normal deviations with
    the standard uncertainties of one of the scans (JCGM 101:2008). The misfit
    grows in proportion to these, so the quantiles of the ratio over all draws,
    times the scan's own root mean square uncertainty, are those of the scan.
    A largest gap never falls below zero, so errors of locating do not average
    out: a misfit below the 95 % value cannot be distinguished from none. It is not
    subtracted, as the misfit of an imperfect framework and that of locating do
    not add up.
    """
    rows = []
    for number, stack in enumerate(stacks(poses, implants)):
        known = [k for k, f in enumerate(stack.frameworks) if f.uncertainty.known]
        if not known:
            continue
        which = np.array(known)[np.arange(_FRAMEWORKS) % len(known)]
        seats = _drawn(stack, known, which, np.random.default_rng([_LOCATING_SEED, number]))
        size = {k: _size_um(stack, k, platform_radius_mm) for k in known}
        n = len(stack.platforms.implants)
        ends = [worst_misfit(seats, stack.platforms, platform_radius_mm, k)[0] for k in (0, n - 1)]
        best = worst_misfit(
            seats, stack.platforms, platform_radius_mm, None, tolerance_um=DRAWN_TOLERANCE_UM
        )[0]
        drawn_size = np.array([size[k] for k in which])
        for seated, misfit in ((TERMINAL_SCREW, np.maximum(*ends)), (BEST_SEAT, best)):
            median, high = np.quantile(misfit / drawn_size, [0.5, 0.95])
            for k in known:
                rows.append((stack.frameworks[k].scan, seated, median * size[k], high * size[k]))
    return pd.DataFrame(rows, columns=_COLUMNS)


def _size_um(stack: Stack, k: int, radius_mm: float) -> float:
    """Root mean square uncertainty of a scan's seats, the tilt as seen at the rim."""
    u = stack.frameworks[k].uncertainty
    rim = 1000 * radius_mm * np.radians(u.axis_deg)
    return max(float(np.sqrt(np.mean(u.position_um**2) + np.mean(rim**2))), 1e-9)


def _drawn(
    stack: Stack, known: list[int], which: NDArray[np.intp], rng: np.random.Generator
) -> Seats:
    """Perfect frameworks in the mouth's frame, moved as locating would."""
    centres, axes = stack.platforms.centres_mm, stack.platforms.axes
    n = len(centres)
    shift, turn = np.empty((len(which), n, 3)), np.empty((len(which), n, 3))
    for k in known:
        mine = np.flatnonzero(which == k)
        framework = stack.frameworks[k]
        turned = fit_rigid(two_points(framework.seats), two_points(Seats(centres, axes))).rotation
        u = framework.uncertainty
        normal = rng.standard_normal((2, len(mine), n, 3))
        shift[mine] = (normal[0] * u.position_um / 1000) @ turned.T
        turn[mine] = normal[1] * np.radians(u.axis_deg)[:, None]
    turn -= np.sum(turn * axes, axis=-1, keepdims=True) * axes
    moved = axes + np.cross(turn, axes)
    return Seats(centres + shift, moved / np.linalg.norm(moved, axis=-1, keepdims=True))


_MOST_SCANS = 10
_REFERENCE_SEED = 30_000
_MOVED = ["dx_um", "dy_um", "dz_um"]
_TURNED = ["turn_x_deg", "turn_y_deg", "turn_z_deg"]


def reference_uncertainty(
    poses: pd.DataFrame,
    implants: pd.DataFrame,
    factors: pd.DataFrame,
    *,
    runs: pd.DataFrame | None = None,
    platform_radius_mm: float = 2.0,
    draws: int = 256,
) -> pd.DataFrame:
    """Standard uncertainty of a condition's mean misfit from the reference alone.

    Parameters
    ----------
    poses : DataFrame
        Table ``poses``.
    implants : DataFrame
        Table ``implants`` with ``u_position_um`` and ``u_axis_deg``; a model for which
        one is not stated has no row.
    factors : DataFrame
        ``scan`` and ``condition``, one row a scan.
    runs : DataFrame, optional
        Table ``reference_run_implants`` of this reference, whose scatter is not in the
        columns of `implants`.
    platform_radius_mm : float
        Radius of the rim.
    draws : int
        Monte Carlo draws; 256 tell the result to 1 to 3 % (standard error).

    Returns
    -------
    DataFrame
        ``condition``, ``model``, ``seated``, ``u_um``.

    Notes
    -----
    All scans of a model share the reference's errors, so averaging scans does
    not lessen them. Moving a platform by some micrometres is the same as moving
    the seat above it the other way; so the seats of all scans, aligned, are
    moved alike in every draw, and the mean misfit of the condition is taken.

    Errors of the machine are drawn independently for every implant. Those of repeated runs
    are drawn with their covariance: a draw is a sum of the runs' own deviations from their
    mean, with normal factors, which has the sample covariance of the mean exactly (JCGM
    101:2008, 6.4.8, and 6.4.9.4 for the factor that few runs need).
    At most 10 scans of a condition are used, the first: more would lessen the result a little.
    """
    condition = factors.set_index("scan")["condition"]
    rows = []
    for stack in stacks(poses, implants):
        u = _uncertainty(stack, implants)
        if u is None:
            continue
        labels = np.array([condition.get(f.scan, "") for f in stack.frameworks], dtype=object)
        shared = _of_runs(stack, runs, draws)
        for label in dict.fromkeys(labels):
            use = np.flatnonzero(labels == label)[:_MOST_SCANS]
            seats = Seats(stack.seats.centres_mm[use], stack.seats.axes[use])
            spread = _spread(stack, seats, u, shared, platform_radius_mm, draws)
            for seated, value in spread.items():
                rows.append((label, stack.frameworks[0].model, seated, len(use), value))
    frame = pd.DataFrame(rows, columns=["condition", "model", "seated", "n", "u_um"])
    # frameworks with a seat missing stand apart; the largest group speaks for the condition
    frame = frame.sort_values("n", ascending=False, kind="stable")
    frame = frame.drop_duplicates(["condition", "model", "seated"]).drop(columns="n")
    return frame.sort_index().reset_index(drop=True)


def _uncertainty(stack: Stack, implants: pd.DataFrame) -> PoseUncertainty | None:
    reference = shape("implants", implants[implants["model"] == stack.frameworks[0].model])
    mine = reference.set_index("implant").loc[list(stack.platforms.implants)]
    u = mine[["u_position_um", "u_axis_deg"]].to_numpy(float)
    if np.isnan(u).any():
        return None
    return PoseUncertainty(np.repeat(u[:, :1], 3, axis=1), u[:, 1])


def _of_runs(stack: Stack, runs: pd.DataFrame | None, draws: int) -> tuple[Floats, Floats] | None:
    """Shifts (um) and turns (deg) of the platforms, (draws, n, 3), as repeated runs scatter."""
    names = list(stack.platforms.implants)
    mine = runs[runs["implant"].isin(names)] if runs is not None else None
    if mine is None or mine.empty:
        return None
    count = int(mine["run"].nunique())
    ordered = mine.assign(at=mine["implant"].map(names.index)).sort_values(["run", "at"])
    off = ordered[[*_MOVED, *_TURNED]].to_numpy(float).reshape(count, len(names), 6)
    rng = np.random.default_rng([_REFERENCE_SEED, 1])
    factors = normal_deviations(rng, draws, count)
    widened = of_mean(1.0, count, count - 1.0) / math.sqrt(count - 1.0)
    drawn = widened * np.einsum("dk,kij->dij", factors, off)
    return drawn[..., :3], drawn[..., 3:]


def _spread(
    stack: Stack,
    seats: Seats,
    u: PoseUncertainty,
    shared: tuple[Floats, Floats] | None,
    radius_mm: float,
    draws: int,
) -> dict[str, float]:
    platforms = stack.platforms
    aligned = aligned_seats(seats, platforms)
    true = Seats(platforms.centres_mm, platforms.axes)
    drawn, turns = draw_seats(
        true, u, draws=draws, seed=_REFERENCE_SEED, name=stack.frameworks[0].model
    )
    b, n = aligned.centres_mm.shape[:2]
    shift = (platforms.centres_mm - drawn.centres_mm)[:, None]
    if shared is not None:
        shift = shift - shared[0][:, None] / 1000
        turns = turns + np.radians(shared[1])
    axes = aligned.axes[None] - np.cross(turns[:, None], aligned.axes[None])
    axes /= np.linalg.norm(axes, axis=-1, keepdims=True)
    moved = Seats((aligned.centres_mm[None] + shift).reshape(-1, n, 3), axes.reshape(-1, n, 3))
    ends = [worst_misfit(moved, platforms, radius_mm, k)[0] for k in (0, n - 1)]
    best = worst_misfit(moved, platforms, radius_mm, None, tolerance_um=DRAWN_TOLERANCE_UM)[0]
    found = {TERMINAL_SCREW: np.maximum(*ends), BEST_SEAT: best}
    return {
        name: float(np.std(values.reshape(draws, b).mean(axis=1), ddof=1))
        for name, values in found.items()
    }
