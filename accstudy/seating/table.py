"""Table ``seating``: every scan's framework, one screw tightened and best seated."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from accstudy.geometry.rigid import fit_rigid
from accstudy.seating.best_seat import BestSeat, best_seat
from accstudy.seating.draws import draw_seats
from accstudy.seating.frameworks import Framework, aligned_seats, frameworks
from accstudy.seating.gaps import Gaps, Seats, rim_gaps
from accstudy.seating.one_screw import one_screw
from accstudy.seating.quick import quick_best_gaps
from accstudy.seating.stacks import two_points
from accstudy.tables import shape

__all__ = ["BEST_SEAT", "CAUTIONS", "seat_best", "seating_table"]

Floats = NDArray[np.float64]
_Rows = dict[str, NDArray[Any]]

BEST_SEAT = "best-seat"
"""What stands in column ``tightened`` for the best seat."""

CAUTIONS = (
    "The gaps are those of the impression's geometry alone: platforms and framework are "
    "rigid and perfectly made.",
    "They hold no error of manufacture, no screw preload, no movement of bone and no soft tissue.",
    "The fit of the prosthesis itself is verified on the patient.",
)
"""What must stand beside every predicted gap."""

_CLEARANCE_DRAWS = 60  # linear programmes a scan for the uncertainty where there is a clearance


@dataclass(frozen=True, slots=True)
class _Options:
    platform_radius_mm: float
    engaging: bool
    lateral_clearance_um: float | None
    n_rim: int
    draws: int
    seed: int


def seating_table(
    poses: pd.DataFrame,
    implants: pd.DataFrame,
    *,
    platform_radius_mm: float = 2.0,
    screw_pitch_mm: float | None = None,
    engaging: bool = False,
    lateral_clearance_um: float | None = None,
    n_rim: int = 72,
    draws: int = 0,
    seed: int = 20_000,
    factors: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Predict how a rigid framework made from each scan would seat.

    The framework is the scan's arrangement of implants, the mouth is the
    reference. Nothing is aligned beforehand: the poses may stand in any frame.

    Parameters
    ----------
    poses : DataFrame
        Table ``poses``. Implants without a position give a framework with
        fewer seats, which the note says.
    implants : DataFrame
        Table ``implants``: the reference that held for these scans, one row a
        model and implant.
    platform_radius_mm : float
        Radius of the rim at which gaps are read.
    screw_pitch_mm : float, optional
        Turns the largest gap into turns of the screw.
    engaging : bool
        The connection fixes the rotation at the tightened implant by the flat.
    lateral_clearance_um : float, optional
        Sideways play of every seat for the best seat; see `best_seat`.
    n_rim : int
        Rim points of the linear programme. Reported gaps are exact around the
        whole rim.
    draws : int
        Monte Carlo draws for ``u_gap_max_um``; 0 leaves it empty. The best
        seat takes all draws, but at most 60 of them where a clearance is given; if
        one of those does not seat within it, there is no uncertainty.
    seed : int
        Of the draws.
    factors : DataFrame, optional
        ``scan``, ``condition``, ``cell`` and factor columns, one row a scan.

    Returns
    -------
    DataFrame
        Table ``seating``: for every scan, every implant tightened in turn,
        then ``best-seat``, a row for every implant.

    Raises
    ------
    InputError
        If a model has no reference, lists an implant twice, or engages without
        a flat in the reference.

    Notes
    -----
    ``u_gap_max_um`` is the standard deviation of the largest gap over the
    draws (JCGM 101:2008, clause 7). A largest gap grows with any error of the
    poses: part of every gap that is not much larger than its uncertainty is
    the locating itself, not the impression.
    """
    options = _Options(platform_radius_mm, engaging, lateral_clearance_um, n_rim, draws, seed)
    parts = [
        part for framework in frameworks(poses, implants) for part in _rows(framework, options)
    ]
    columns = parts[0] if parts else {}
    frame = pd.DataFrame({c: np.concatenate([part[c] for part in parts]) for c in columns})
    if screw_pitch_mm is not None and len(frame):
        frame["turns"] = frame["gap_max_um"] / 1000 / screw_pitch_mm
    names: tuple[str, ...] = ()
    if factors is not None and len(frame):
        frame = frame.merge(factors, on="scan", how="left", validate="many_to_one")
        if "model" not in frame:
            frame["model"] = frame.pop("model_x")
        names = tuple(c for c in factors.columns if c != "scan")
    return shape("seating", frame, factors=names)


def _rows(framework: Framework, options: _Options) -> Iterator[_Rows]:
    names = framework.platforms.implants
    if len(names) < 2:
        yield _frame(framework, BEST_SEAT, None, None, "not computed", "fewer than two seats")
        return
    best = seat_best(
        framework,
        platform_radius_mm=options.platform_radius_mm,
        lateral_clearance_um=options.lateral_clearance_um,
        n_rim=options.n_rim,
    )
    drawn, turns = _draw(framework, options)
    for k, name in enumerate(names):
        flats = framework.flats[None] if options.engaging else None
        gaps = _one_screw_gaps(framework, framework.seats, k, flats, options)
        u = None
        if drawn is not None:
            if flats is not None:
                flats = framework.flats + np.cross(turns, framework.flats)
            u = _spread(_one_screw_gaps(framework, drawn, k, flats, options))
        status, why = _judge(gaps)
        if status == "not computed":
            why = "the scan shows no flat here" if options.engaging else "no other seat"
        yield _frame(framework, name, gaps, u, status, why, best_seat_um=best.gap_um)
    if not best.feasible:
        why = "no position near the least-squares one avoids interference within the clearance"
        yield _frame(framework, BEST_SEAT, None, None, "infeasible", why)
        return
    gaps = rim_gaps(best.seats, framework.platforms, platform_radius_mm=options.platform_radius_mm)
    notes = [] if best.settled else ["the best seat is not settled to 0.01 um"]
    free = _held_off(framework, best, options)
    if free is not None:
        notes.append(
            "the sideways clearance holds the framework off its seats: the gap would be "
            f"{free:.1f} um without it"
        )
    u, lost = None, np.nan
    if drawn is not None:
        u, lost = _spread_of_best(framework, best, drawn, options)
    if lost > 0:
        notes.append(f"no uncertainty: {100 * lost:.0f} % of the draws do not seat")
    yield _frame(
        framework, BEST_SEAT, gaps, u, "ok", "; ".join(notes), best_seat_um=best.gap_um,
        unseated_share=lost,
    )  # fmt: skip


def seat_best(
    framework: Framework,
    *,
    platform_radius_mm: float,
    lateral_clearance_um: float | None = None,
    n_rim: int = 72,
) -> BestSeat:
    """Best seat of one scan's framework, from its own frame.

    Parameters are those of `accstudy.seating.best_seat.best_seat`.
    """
    whole = Seats(framework.seats.centres_mm[None], framework.seats.axes[None])
    start = aligned_seats(whole, framework.platforms)
    return best_seat(
        Seats(start.centres_mm[0], start.axes[0]),
        framework.platforms,
        platform_radius_mm=platform_radius_mm,
        lateral_clearance_um=lateral_clearance_um,
        n_rim=n_rim,
    )


def _draw(framework: Framework, options: _Options) -> tuple[Seats | None, Floats]:
    if not options.draws or not framework.uncertainty.known:
        return None, np.empty(0)
    return draw_seats(
        framework.seats,
        framework.uncertainty,
        draws=options.draws,
        seed=options.seed,
        name=framework.scan,
    )


def _one_screw_gaps(
    framework: Framework, seats: Seats, tightened: int, flats: Floats | None, options: _Options
) -> Gaps:
    if seats.centres_mm.ndim == 2:
        seats = Seats(seats.centres_mm[None], seats.axes[None])
    placed = one_screw(seats, framework.platforms, tightened, flats=flats)
    gaps = rim_gaps(placed, framework.platforms, platform_radius_mm=options.platform_radius_mm)
    return gaps


def _spread(gaps: Gaps) -> Floats:
    return np.asarray(np.std(gaps.largest_um, axis=0, ddof=1))


def _held_off(framework: Framework, best: BestSeat, options: _Options) -> float | None:
    """Gap at the least-squares sideways position, um, if the clearance allows only a larger one."""
    if options.lateral_clearance_um is None:
        return None
    free = seat_best(
        framework, platform_radius_mm=options.platform_radius_mm, n_rim=options.n_rim
    ).gap_um
    return free if best.gap_um > free + _HELD_OFF_UM else None


def _spread_of_best(
    framework: Framework, best: BestSeat, drawn: Seats, options: _Options
) -> tuple[Floats, float]:
    """Standard uncertainty of each implant's largest gap, and the share of draws without a seat.

    Every implant gets that of the framework's largest gap: only this one is
    unique; the others may share the rest of the play in many ways. Where some
    draws do not seat there is none.
    """
    n = len(framework.platforms.implants)
    mouth_from_scan = fit_rigid(two_points(framework.seats), two_points(best.seats))
    moved = Seats(mouth_from_scan.points(drawn.centres_mm), mouth_from_scan.vectors(drawn.axes))
    if options.lateral_clearance_um is None:
        largest, _ = quick_best_gaps(
            moved, framework.platforms, platform_radius_mm=options.platform_radius_mm
        )
        return np.full(n, float(np.std(largest, ddof=1))), 0.0
    found = [
        best_seat(
            Seats(moved.centres_mm[i], moved.axes[i]),
            framework.platforms,
            platform_radius_mm=options.platform_radius_mm,
            lateral_clearance_um=options.lateral_clearance_um,
            n_rim=options.n_rim,
        )
        for i in range(min(len(moved.centres_mm), _CLEARANCE_DRAWS))
    ]
    seated = np.array([one.feasible and one.settled for one in found])
    if not seated.all():
        return np.full(n, np.nan), float(1 - seated.mean())
    return np.full(n, float(np.std([one.gap_um for one in found], ddof=1))), 0.0


def _judge(gaps: Gaps) -> tuple[str, str]:
    if not np.isfinite(gaps.largest_um).any():
        return "not computed", ""
    return "ok", ""


def _frame(
    framework: Framework,
    tightened: str,
    gaps: Gaps | None,
    u: Floats | None,
    status: str,
    why: str,
    *,
    best_seat_um: float = np.nan,
    unseated_share: float = np.nan,
) -> _Rows:
    names = framework.platforms.implants
    empty = np.full(len(names), np.nan)
    numbers = [empty] * 5
    states = np.full(len(names), status, dtype=object)
    if gaps is not None:
        five = (gaps.largest_um, gaps.smallest_um, gaps.mean_um, gaps.lateral_um, gaps.tilt_deg)
        numbers = [values.reshape(-1) for values in five]
        if status == "ok":
            states[numbers[1] < -_INTERFERENCE_UM] = "interference"
    note = "; ".join(part for part in (why, framework.note) if part)
    same = {
        "scan": framework.scan,
        "model": framework.model,
        "tightened": tightened,
        "best_seat_um": best_seat_um,
        "note": note,
    }
    return {
        **{name: np.full(len(names), value, dtype=object) for name, value in same.items()},
        "implant": np.array(names, dtype=object),
        **dict(zip(_NUMBERS, numbers, strict=True)),
        "u_gap_max_um": empty if u is None else u,
        "unseated_share": np.full(len(names), unseated_share),
        "status": states,
    }


_NUMBERS = ("gap_max_um", "gap_min_um", "gap_mean_um", "lateral_um", "tilt_deg")
_HELD_OFF_UM = 1.0
_INTERFERENCE_UM = 0.02  # what the linear programme leaves undecided is no interference
