"""Table ``seating``: the framework of every scan, one-screw test and best seat."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from accstudy.compare.arch import model_arches
from accstudy.geometry.rigid import fit_rigid
from accstudy.seating.best_seat import DRAWN_TOLERANCE_UM, BestSeat, best_seat, quick_best_gaps
from accstudy.seating.gaps import (
    Framework,
    Gaps,
    Platforms,
    Seats,
    aligned_seats,
    draw_seats,
    frameworks,
    one_screw,
    rim_gaps,
    stacked,
    two_points,
)
from accstudy.tables import shape

Floats = NDArray[np.float64]
_Rows = dict[str, NDArray[Any]]

BEST_SEAT = "best-seat"
"""What stands in column ``tightened`` for the best seat."""

_CLEARANCE_DRAWS = 60  # linear programmes a scan for the uncertainty where there is a clearance
_AT_ONCE = 40  # frameworks, for the sake of memory


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
    every = list(frameworks(poses, implants))
    rows = {f.scan: [_not_seated(f)] for f in every if len(f.index) < 2}
    for stack in stacked(every):
        for at in range(0, len(stack.frameworks), _AT_ONCE):
            part = stack.frameworks[at : at + _AT_ONCE]
            rows |= zip([f.scan for f in part], _rows(part, options), strict=True)
    parts = [part for framework in every for part in rows[framework.scan]]
    columns = parts[0] if parts else {}
    frame = pd.DataFrame({c: np.concatenate([part[c] for part in parts]) for c in columns})
    if screw_pitch_mm is not None and len(frame):
        frame["turns"] = frame["gap_max_um"] / 1000 / screw_pitch_mm
    if len(frame):
        gap = frame["gap_max_um"] >= -frame["gap_min_um"]
        frame["worst_um"] = frame["gap_max_um"].where(gap, frame["gap_min_um"])
        along = {
            (model, implant): mm
            for model, arch in model_arches(shape("implants", implants)).items()
            for implant, mm in zip(arch.implants, arch.path_mm, strict=True)
        }
        whose = zip(frame["model"], frame["implant"], strict=True)
        frame["path_mm"] = [along.get((str(m), str(i)), np.nan) for m, i in whose]
    names: tuple[str, ...] = ()
    if factors is not None and len(frame):
        frame = frame.merge(factors, on="scan", how="left", validate="many_to_one")
        if "model" not in frame:
            frame["model"] = frame.pop("model_x")
        names = tuple(c for c in factors.columns if c != "scan")
    return shape("seating", frame, factors=names)


def _not_seated(framework: Framework) -> _Rows:
    return _frame(framework, BEST_SEAT, None, None, "not computed", "fewer than two seats")


def _rows(group: Sequence[Framework], options: _Options) -> list[list[_Rows]]:
    """Rows of frameworks with the same seats, a list for each."""
    names = group[0].platforms.implants
    bests = [
        seat_best(
            framework,
            platform_radius_mm=options.platform_radius_mm,
            lateral_clearance_um=options.lateral_clearance_um,
            n_rim=options.n_rim,
        )
        for framework in group
    ]
    drawn = _draw(group, options)
    seats = _together([Seats(f.seats.centres_mm[None], f.seats.axes[None]) for f in group])
    flats = np.array([f.flats for f in group])
    rows: list[list[_Rows]] = [[] for _ in group]
    for k, name in enumerate(names):
        gaps = _one_screw_gaps(group[0].platforms, seats, k, flats, options)
        u = _spread_of_one_screw(group, drawn, k, options)
        for i, framework in enumerate(group):
            own = _only(gaps, i)
            status, why = "ok", ""
            if not np.isfinite(own.largest_um).any():
                status = "not computed"
                why = "the scan shows no flat here" if options.engaging else "no other seat"
            rows[i].append(
                _frame(framework, name, own, u[i], status, why, best_seat_um=bests[i].gap_um)
            )
    spreads = _spread_of_best(group, bests, drawn, options)
    for i, framework in enumerate(group):
        rows[i].append(_best_row(framework, bests[i], spreads[i], options))
    return rows


def _best_row(
    framework: Framework, best: BestSeat, spread: tuple[float, float], options: _Options
) -> _Rows:
    if not best.feasible:
        why = "no position near the least-squares position avoids interference within the clearance"
        return _frame(framework, BEST_SEAT, None, None, "infeasible", why)
    gaps = rim_gaps(best.seats, framework.platforms, platform_radius_mm=options.platform_radius_mm)
    notes = [] if best.settled else ["the best seat has not converged to 0.01 um"]
    free = _held_off(framework, best, options)
    if free is not None:
        notes.append(
            f"the lateral clearance keeps the framework off its seats: the gap would be {free:.1f} "
            "um without it"
        )
    u, lost = spread
    if lost > 0:
        notes.append(f"no uncertainty: {100 * lost:.0f} % of the draws cannot be seated")
    # only the framework's largest gap is unique: the others may share the play in many ways
    each = np.full(len(framework.platforms.implants), u)
    return _frame(
        framework, BEST_SEAT, gaps, each, "ok", "; ".join(notes), best_seat_um=best.gap_um,
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


def _draw(group: Sequence[Framework], options: _Options) -> dict[int, tuple[Seats, Floats]]:
    """Drawn frameworks and the turns of their axes, by place in the group, where u is known."""
    if not options.draws:
        return {}
    return {
        i: draw_seats(f.seats, f.uncertainty, draws=options.draws, seed=options.seed, name=f.scan)
        for i, f in enumerate(group)
        if f.uncertainty.known
    }


def _one_screw_gaps(
    platforms: Platforms, seats: Seats, tightened: int, flats: Floats, options: _Options
) -> Gaps:
    placed = one_screw(seats, platforms, tightened, flats=flats if options.engaging else None)
    return rim_gaps(placed, platforms, platform_radius_mm=options.platform_radius_mm)


def _together(parts: Sequence[Seats]) -> Seats:
    return Seats(
        np.concatenate([s.centres_mm for s in parts]), np.concatenate([s.axes for s in parts])
    )


def _only(gaps: Gaps, i: int) -> Gaps:
    return Gaps(*(getattr(gaps, field.name)[i] for field in fields(gaps)))


def _spread_of_one_screw(
    group: Sequence[Framework],
    drawn: dict[int, tuple[Seats, Floats]],
    tightened: int,
    options: _Options,
) -> Floats:
    """Standard uncertainty of each implant's largest gap, (s, n); NaN where unknown."""
    n = len(group[0].platforms.implants)
    out = np.full((len(group), n), np.nan)
    if not drawn:
        return out
    seats = _together([s for s, _ in drawn.values()])
    flats = np.concatenate(
        [group[i].flats + np.cross(turns, group[i].flats) for i, (_, turns) in drawn.items()]
    )
    gaps = _one_screw_gaps(group[0].platforms, seats, tightened, flats, options)
    out[list(drawn)] = np.std(gaps.largest_um.reshape(len(drawn), -1, n), axis=1, ddof=1)
    return out


def _held_off(framework: Framework, best: BestSeat, options: _Options) -> float | None:
    """Gap at the least-squares lateral position, um, if the clearance allows only a larger one."""
    if options.lateral_clearance_um is None:
        return None
    free = seat_best(
        framework, platform_radius_mm=options.platform_radius_mm, n_rim=options.n_rim
    ).gap_um
    return free if best.gap_um > free + _HELD_OFF_UM else None


def _spread_of_best(
    group: Sequence[Framework],
    bests: Sequence[BestSeat],
    drawn: dict[int, tuple[Seats, Floats]],
    options: _Options,
) -> list[tuple[float, float]]:
    """Standard uncertainty of each largest gap, and the share of draws without a seat.

    Where some draws do not seat there is none.
    """
    moved = {}
    for i, (seats, _) in drawn.items():
        if bests[i].feasible:
            move = fit_rigid(two_points(group[i].seats), two_points(bests[i].seats))
            moved[i] = Seats(move.points(seats.centres_mm), move.vectors(seats.axes))
    out = [(np.nan, np.nan)] * len(group)
    if options.lateral_clearance_um is not None:
        for i, seats in moved.items():
            out[i] = _spread_within_clearance(group[i], seats, options)
    elif moved:
        start = _together(list(moved.values()))
        largest, _ = quick_best_gaps(
            start, group[0].platforms, platform_radius_mm=options.platform_radius_mm,
            tolerance_um=DRAWN_TOLERANCE_UM,
        )  # fmt: skip
        spread = np.std(largest.reshape(len(moved), -1), axis=1, ddof=1)
        for i, u in zip(moved, spread, strict=True):
            out[i] = float(u), 0.0
    return out


def _spread_within_clearance(
    framework: Framework, moved: Seats, options: _Options
) -> tuple[float, float]:
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
        return np.nan, float(1 - seated.mean())
    return float(np.std([one.gap_um for one in found], ddof=1)), 0.0


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
