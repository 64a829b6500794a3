"""Best seat: no interference anywhere, and the largest rim gap as small as can be."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import OptimizeResult, linprog

from accstudy.geometry.rigid import rotation_vector
from accstudy.seating.gaps import Platforms, Seats, rim_gaps

__all__ = ["BestSeat", "best_seat"]

Floats = NDArray[np.float64]

_LEVER_MM = 10.0  # rotations are written as the movement of a point at this distance
_TOLERANCE_UM = 0.01
_MAX_ROUNDS = 30
_NO_SOLUTION = 2  # HiGHS has shown that the limits contradict each other


@dataclass(frozen=True, slots=True)
class BestSeat:
    """Where one framework seats best.

    Parameters
    ----------
    seats : Seats
        In the mouth's frame, (n, 3); NaN when infeasible.
    gap_um : float
        Largest rim gap; NaN when infeasible.
    feasible : bool
        False when no position near this one avoids interference and keeps the
        clearance.
    rounds : int
        Linear programmes solved.
    bound_um : float
        Optimum of the last linear programme: no position near this one has a
        smaller largest gap.
    settled : bool
        Exact gaps and programme agree within 0.01 um.
    """

    seats: Seats
    gap_um: float
    feasible: bool
    rounds: int
    bound_um: float
    settled: bool


def best_seat(
    start: Seats,
    platforms: Platforms,
    *,
    platform_radius_mm: float,
    lateral_clearance_um: float | None = None,
    n_rim: int = 72,
) -> BestSeat:
    """Seat one framework as well as it will go.

    Parameters
    ----------
    start : Seats
        The framework aligned with the mouth by least squares, (n, 3), no NaN.
    platforms : Platforms
        The platforms of those seats.
    platform_radius_mm : float
        Radius of the rim.
    lateral_clearance_um : float, optional
        Without it the framework keeps its least-squares lateral position
        (sideways means across the common axis; position and rotation about
        that axis minimise the squared sideways offsets of the seats), and
        vertical shift and two tilts are free. With it all six motions are free
        as long as no seat is farther than this from its platform's axis.
    n_rim : int
        Points of every rim, evenly spread.

    Returns
    -------
    BestSeat

    Notes
    -----
    For small motions all rim gaps and sideways offsets are linear in the
    motion, and the question is a linear programme: smallest largest gap, no
    gap negative. It is solved with HiGHS, the motion applied exactly, the gaps
    taken anew and the programme solved again, until exact gaps and programme
    agree within 0.01 um. The rim's true extremes of every round join the rim
    points, so that the points of the polygon do not hide what lies between
    them. Of all positions with the smallest largest gap the one with the
    smallest mean gap is returned; with a clearance, the one with the smallest
    sideways offset.

    Unlimited sideways motion is not offered: a framework would slide by a
    millimetre along tilted platforms to close gaps of some tens of micrometres.
    """
    problem = _Programme(platforms, platform_radius_mm, lateral_clearance_um, n_rim)
    seats, bound = start, np.nan
    for rounds in range(1, _MAX_ROUNDS + 1):
        motion, bound = problem.step(seats)
        if motion is None:
            nowhere = np.full_like(start.centres_mm, np.nan)
            return BestSeat(Seats(nowhere, nowhere), np.nan, False, rounds, np.nan, True)
        seats = _moved(seats, motion, problem.pivot_mm)
        gaps = rim_gaps(seats, platforms, platform_radius_mm=platform_radius_mm)
        largest = float(gaps.largest_um.max())
        settled = abs(largest - bound) < _TOLERANCE_UM and gaps.smallest_um.min() > -_TOLERANCE_UM
        if lateral_clearance_um is not None:
            settled &= bool(gaps.lateral_um.max() < lateral_clearance_um + _TOLERANCE_UM)
        if settled:
            return BestSeat(seats, largest, True, rounds, bound, True)
    return BestSeat(seats, largest, True, rounds, bound, False)


def _moved(seats: Seats, motion: Floats, pivot_mm: Floats) -> Seats:
    turn = rotation_vector(motion[3:] / 1000 / _LEVER_MM)
    centres = pivot_mm + (seats.centres_mm - pivot_mm) @ turn.T + motion[:3] / 1000
    return Seats(centres, seats.axes @ turn.T)


class _Programme:
    """Linear programmes of one framework.

    Unknowns, um: six motions, the largest gap, the largest sideways offset.
    """

    def __init__(
        self, platforms: Platforms, radius_mm: float, clearance_um: float | None, n_rim: int
    ) -> None:
        self.platforms = platforms
        self.radius_mm = radius_mm
        self.clearance_um = clearance_um
        self.pivot_mm = platforms.centres_mm.mean(axis=0)
        n = len(platforms.centres_mm)
        round_angles = 2 * np.pi * np.arange(n_rim) / n_rim
        self.rim = np.tile(round_angles, (n, 1))
        self.sides = np.tile(round_angles, (n, 1)) if clearance_um is not None else None

    def step(self, seats: Seats) -> tuple[Floats | None, float]:
        """Solve at a position: motion, (6,), um, and the largest gap it promises."""
        rim_rows, rim_um = self._rim(seats)
        rows = [_with(-rim_rows, 0, 0), _with(rim_rows, -1, 0)]
        limits = [rim_um, -rim_um]
        equal, equal_to = None, None
        farthest: float | None = 0.0
        if self.sides is None:
            equal, equal_to = self._keep_sideways(seats)
        else:
            side_rows, used_um = self._sideways(seats)
            rows.append(_with(side_rows, 0, -1))
            limits.append(-used_um)
            farthest = self.clearance_um
        a, b = np.vstack(rows), np.concatenate(limits)

        def solve(cost: Floats, highest: float | None) -> OptimizeResult:
            bounds = [(None, None)] * 6 + [(None, highest), (0.0, farthest)]
            return linprog(
                cost, A_ub=a, b_ub=b, A_eq=equal, b_eq=equal_to, bounds=bounds, method="highs"
            )

        first = solve(np.array([0, 0, 0, 0, 0, 0, 1.0, 0]), None)
        if first.status == _NO_SOLUTION:
            return None, np.nan
        if first.x is None:
            return np.zeros(6), np.nan  # the solver failed: it stays where it is, not settled
        gap = float(first.x[6])
        mean_gap = self._rows(seats.centres_mm, self.platforms.axes).mean(axis=0)
        # among equals: the smallest sideways offset (where it is free), then the smallest mean gap
        cost = np.concatenate([mean_gap if self.sides is None else 1e-3 * mean_gap, [0.0, 1.0]])
        second = solve(cost, gap + 2e-7 + 1e-9 * abs(gap))
        best = first if second.x is None else second
        return np.asarray(best.x[:6]), gap

    def _rows(self, points_mm: Floats, directions: Floats) -> Floats:
        """Movement of points along directions for a unit of each motion."""
        turning = np.cross(points_mm - self.pivot_mm, directions) / _LEVER_MM
        return np.concatenate([directions, turning], axis=-1)

    def _rim(self, seats: Seats) -> tuple[Floats, Floats]:
        x, y = _across(seats.axes)
        steepest = self.platforms.axes - (
            np.sum(self.platforms.axes * seats.axes, axis=1, keepdims=True) * seats.axes
        )
        angle = np.arctan2(np.sum(steepest * y, axis=1), np.sum(steepest * x, axis=1))
        self.rim = np.hstack([self.rim, angle[:, None], angle[:, None] + np.pi])
        circle = np.cos(self.rim)[..., None] * x[:, None] + np.sin(self.rim)[..., None] * y[:, None]
        points = seats.centres_mm[:, None] + self.radius_mm * circle
        normals = np.broadcast_to(self.platforms.axes[:, None], points.shape)
        heights = 1000 * np.sum((points - self.platforms.centres_mm[:, None]) * normals, axis=2)
        return self._rows(points, normals).reshape(-1, 6), heights.ravel()

    def _sideways(self, seats: Seats) -> tuple[Floats, Floats]:
        """Offset of every seat in many directions across the platform's axis."""
        assert self.sides is not None
        x, y = _across(self.platforms.axes)
        offset = seats.centres_mm - self.platforms.centres_mm
        angle = np.arctan2(np.sum(offset * y, axis=1), np.sum(offset * x, axis=1))
        self.sides = np.hstack([self.sides, angle[:, None]])
        out = (
            np.cos(self.sides)[..., None] * x[:, None] + np.sin(self.sides)[..., None] * y[:, None]
        )
        points = np.broadcast_to(seats.centres_mm[:, None], out.shape)
        used = 1000 * np.sum(offset[:, None] * out, axis=2)
        return self._rows(points, out).reshape(-1, 6), used.ravel()

    def _keep_sideways(self, seats: Seats) -> tuple[Floats, Floats]:
        """Least squares of the offsets across the common axis, as three equations."""
        z = self.platforms.common_axis
        x, y = (v[0] for v in _across(z[None]))
        arm = self.platforms.centres_mm - self.pivot_mm
        spin = np.cross(z, arm)
        spin = spin / max(float(np.linalg.norm(spin, axis=1).max()), 1e-9)
        offset = 1000 * (seats.centres_mm - self.platforms.centres_mm)
        equations, right = [], []
        for directions in (np.broadcast_to(x, arm.shape), np.broadcast_to(y, arm.shape), spin):
            equations.append(self._rows(seats.centres_mm, directions).mean(axis=0))
            right.append(-np.sum(offset * directions, axis=1).mean())
        return _with(np.array(equations), 0, 0), np.array(right)


def _with(rows: Floats, gap: float, sideways: float) -> Floats:
    """Append the coefficients of the largest gap and of the largest sideways offset."""
    more = np.broadcast_to([float(gap), float(sideways)], (len(rows), 2))
    return np.hstack([rows, more])


def _across(axes: Floats) -> tuple[Floats, Floats]:
    """Two unit directions square to each axis, (n, 3) each."""
    helper = np.eye(3)[np.argmin(np.abs(axes), axis=1)]
    x = np.cross(axes, helper)
    x /= np.linalg.norm(x, axis=1, keepdims=True)
    return x, np.cross(axes, x)
