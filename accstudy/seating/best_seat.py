"""Best seat: no interference, and the smallest possible largest gap; also for many at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy  # scipy.optimize loads when it is first used
from numpy.typing import NDArray

from accstudy.geometry.rigid import rotation_vector
from accstudy.seating.gaps import Platforms, Seats, rim_gaps

Floats = NDArray[np.float64]

DRAWN_TOLERANCE_UM = 0.05
"""Accuracy of a single one of many draws whose spread is wanted."""

_QUICK_ROUNDS = 400
_WORTH_PACKING = 0.9  # share of frameworks still open from which on the others are left behind


def quick_best_gaps(
    start: Seats, platforms: Platforms, *, platform_radius_mm: float, tolerance_um: float = 1e-9
) -> tuple[Floats, Floats]:
    """Largest rim gap at the best seat, and that of every implant, for many frameworks, (b, n, 3).

    The same question as `best_seat` without clearance, linear in the motion about the start (close
    to the best seats, no NaN), solved for all frameworks together. Where one implant alone decides,
    other positions are as good and the gaps of the rest are not unique.

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
    planes = _reduced(start, platforms)
    b = len(planes.height)
    best, best_x = np.full(b, np.inf), np.zeros((b, 2))
    value, _ = _value(planes, best_x, platform_radius_mm)
    # a seat's rim rises by twice radius x tilt, which cannot be more than the largest gap
    reach = value / (2 * platform_radius_mm) + planes.largest_tilt()
    # the ellipsoid as the image of the unit disc; its square would lose half of the digits
    disc = np.eye(2) * (reach / planes.stretch() + 1e-9)[:, None, None]
    alive, low, x = np.arange(b), np.full(b, -np.inf), np.zeros((b, 2))
    for _ in range(_QUICK_ROUNDS):
        value, gradient = _value(planes, x, platform_radius_mm)
        better = value < best[alive]
        best[alive[better]], best_x[alive[better]] = value[better], x[better]
        up = disc[:, 0] * gradient[:, :1] + disc[:, 1] * gradient[:, 1:]
        size = np.sqrt(np.maximum(up[:, 0] ** 2 + up[:, 1] ** 2, 1e-300))
        up /= size[:, None]
        low = np.maximum(low, value - size)
        depth = np.clip((value - best[alive]) / size, 0.0, 0.999)
        step = disc[:, :, 0] * up[:, :1] + disc[:, :, 1] * up[:, 1:]
        x = x - ((1 + 2 * depth) / 3)[:, None] * step
        narrower = 1 - np.sqrt(1 - 2 * (1 + 2 * depth) / (3 * (1 + depth)))
        disc = disc - narrower[:, None, None] * step[:, :, None] * up[:, None, :]
        disc *= np.sqrt(4 / 3 * (1 - depth**2))[:, None, None]
        open_ = best[alive] - low > tolerance_um / 1000
        if open_.mean() < _WORTH_PACKING:
            alive, low, x, disc = alive[open_], low[open_], x[open_], disc[open_]
            planes = planes.only(open_)
        if not len(alive):
            break
    _, _, each = _gaps(_reduced(start, platforms), best_x, platform_radius_mm)
    return 1000 * best, 1000 * each


@dataclass(frozen=True)
class _Planes:
    """Heights and tilts of all seats, (b, n), as linear functions of the two tilts of the whole."""

    height: Floats
    slope: Floats
    tilt: Floats
    tilt_slope: Floats
    rise: Floats

    def only(self, rows: NDArray[np.bool_]) -> _Planes:
        """Some of the frameworks."""
        return _Planes(
            self.height[rows],
            self.slope[:, rows],
            self.tilt[:, rows],
            self.tilt_slope[:, :, rows],
            self.rise,
        )

    def largest_tilt(self) -> Floats:
        """Of any seat, (b,)."""
        return np.asarray(np.sqrt((self.tilt**2).sum(axis=0)).max(axis=1))

    def stretch(self) -> Floats:
        """Smallest tilt of the seat that tilts most, per unit of tilt of the whole, (b,)."""
        matrices = np.moveaxis(self.tilt_slope, (0, 1), (-2, -1))
        return np.asarray(np.linalg.svd(matrices, compute_uv=False)[..., -1].max(axis=1))


def _reduced(start: Seats, platforms: Platforms) -> _Planes:
    """All seats as functions of the tilts, the lateral position solved."""
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
        tilt_slopes.append([np.sum(swung * u, axis=-1), np.sum(swung * v, axis=-1)])
    return _Planes(
        height,
        np.array(slopes),
        np.array([np.sum(m0 * u, axis=-1), np.sum(m0 * v, axis=-1)]),
        np.array(tilt_slopes).swapaxes(0, 1),
        normals[:, 2].copy(),
    )


def _square(normals: Floats) -> tuple[Floats, Floats]:
    helper = np.eye(3)[np.argmin(np.abs(normals), axis=1)]
    u = np.cross(normals, helper)
    u /= np.linalg.norm(u, axis=1, keepdims=True)
    return u, np.cross(normals, u)


def _gaps(
    planes: _Planes, at: Floats, radius_mm: float
) -> tuple[NDArray[np.intp], tuple[Floats, Floats], Floats]:
    """Touching implant, tilt of every seat, gap of every implant at two tilts."""
    one, two = at[:, :1], at[:, 1:]
    across, along = (
        planes.tilt[i] + planes.tilt_slope[i, 0] * one + planes.tilt_slope[i, 1] * two
        for i in (0, 1)
    )
    bare = planes.height + planes.slope[0] * one + planes.slope[1] * two
    amplitude = radius_mm * np.sqrt(across * across + along * along)
    needed = (amplitude - bare) / planes.rise
    touching = np.argmax(needed, axis=1)
    shift = np.take_along_axis(needed, touching[:, None], axis=1)
    return touching, (across, along), bare + amplitude + shift * planes.rise


def _value(planes: _Planes, at: Floats, radius_mm: float) -> tuple[Floats, Floats]:
    """Largest gap after going down to the first contact, and its subgradient."""
    touching, swing, each = _gaps(planes, at, radius_mm)
    worst = np.argmax(each, axis=1)
    rows = np.arange(len(at))

    def amplitude_slope(i: NDArray[np.intp]) -> Floats:
        across, along = (part[rows, i] for part in swing)
        length = np.sqrt(across * across + along * along)
        length[length == 0] = 1.0
        by = planes.tilt_slope[:, :, rows, i]
        return np.asarray(radius_mm * (by[0] * across + by[1] * along) / length)

    lift = (amplitude_slope(touching) - planes.slope[:, rows, touching]) / planes.rise[touching]
    gradient = planes.slope[:, rows, worst] + amplitude_slope(worst) + lift * planes.rise[worst]
    return each[rows, worst], gradient.T


_LEVER_MM = 10.0  # rotations are written as the movement of a point at this distance
_TOLERANCE_UM = 0.01
_MAX_ROUNDS = 30
_EVERY = 6  # limits from which a programme starts; those that its answer passes are added
_PASSED_UM = 1e-7  # what HiGHS leaves open
_NO_SOLUTION = 2  # HiGHS has shown that the limits contradict each other


@dataclass(frozen=True, slots=True)
class BestSeat:
    """Where one framework seats best, in the mouth's frame; NaN where not ``feasible``.

    Infeasible: no position near this one avoids interference and keeps the clearance.
    ``settled``: exact gaps and the optimum of the last linear programme, which no position near
    this one betters, agree within 0.01 um.
    """

    seats: Seats
    gap_um: float
    feasible: bool
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

    `start` is the framework aligned with the mouth by least squares, (n, 3), no NaN; each rim has
    `n_rim` points, evenly spread. Without a clearance the framework keeps its least-squares
    lateral position (sideways means across the common axis; position and rotation about that axis
    minimise the squared sideways offsets of the seats), and vertical shift and two tilts are free.
    With it all six motions are free as long as no seat is farther than this from its platform's
    axis.

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
    seats = start
    for _ in range(_MAX_ROUNDS):
        motion, bound = problem.step(seats)
        if motion is None:
            nowhere = np.full_like(start.centres_mm, np.nan)
            return BestSeat(Seats(nowhere, nowhere), np.nan, False, True)
        seats = _moved(seats, motion, problem.pivot_mm)
        gaps = rim_gaps(seats, platforms, platform_radius_mm=platform_radius_mm)
        largest = float(gaps.largest_um.max())
        settled = abs(largest - bound) < _TOLERANCE_UM and gaps.smallest_um.min() > -_TOLERANCE_UM
        if lateral_clearance_um is not None:
            settled &= bool(gaps.lateral_um.max() < lateral_clearance_um + _TOLERANCE_UM)
        if settled:
            return BestSeat(seats, largest, True, True)
    return BestSeat(seats, largest, True, False)


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

        used = np.arange(len(a)) % _EVERY == 0

        def solve(cost: Floats, highest: float | None) -> scipy.optimize.OptimizeResult:
            """Limits are added until the answer keeps all of them: it is that of all at once."""
            bounds = [(None, None)] * 6 + [(None, highest), (0.0, farthest)]
            while True:
                found = scipy.optimize.linprog(
                    cost, A_ub=a[used], b_ub=b[used], A_eq=equal, b_eq=equal_to, bounds=bounds,
                    method="highs",
                    options={"presolve": False},  # eight unknowns: it takes longer than it saves
                )  # fmt: skip
                if found.x is not None:
                    passed = ~used & (a @ found.x > b + _PASSED_UM)
                elif found.status != _NO_SOLUTION:  # few limits may leave the answer unbounded
                    passed = ~used
                else:
                    return found
                if not passed.any():
                    return found
                used[passed] = True

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
