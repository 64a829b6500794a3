"""Which implant follows which along the arch."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from accstudy.geometry.rigid import frame_from_axis

__all__ = ["ArchOrder", "arch_order"]

Floats = NDArray[np.float64]

_NEAR_TIE, _EQUAL = 0.12, 0.01
_EXACT_UP_TO = 12


@dataclass(frozen=True, slots=True)
class ArchOrder:
    """Order of implants along the arch.

    Parameters
    ----------
    order : tuple of int
        Rows in the order along the arch; it begins at the end that stands
        first in the table, unless the order was stated.
    stated : bool
        Whether column ``arch_order`` says so.
    rivals : tuple of tuple of int
        Other orders that the positions support about as well; empty if none or
        if the order was stated.
    """

    order: tuple[int, ...]
    stated: bool
    rivals: tuple[tuple[int, ...], ...]


def arch_order(
    positions_mm: Floats, common_axis: Floats, *, stated: ArrayLike | None = None
) -> ArchOrder:
    """Order implants along the arch that their platforms suggest.

    Parameters
    ----------
    positions_mm : (n, 3) ndarray
        Platforms, in the order of the table.
    common_axis : (3,) ndarray
        Mean axis; the arch is seen along it.
    stated : (n,) array_like, optional
        Column ``arch_order``; it decides if every row has a value and no two
        are alike.

    Returns
    -------
    ArchOrder

    Notes
    -----
    An arch bends one way, and its opening lies between the two platforms at
    which going round would turn most. Among the shortest path, the rounds cut
    open at any one gap, and the order of the table, the one is taken that is
    short and turns little: smallest ``length / shortest length + turning / pi``.
    Within 0.12 of it the positions cannot tell, and the order of the table
    decides if it is among them. The score is a convention of this program. It
    knows lengths and angles only, so the order does not depend on the frame.
    """
    n = len(positions_mm)
    if stated is not None:
        given = np.asarray(stated, float)
        if np.isfinite(given).all() and len(np.unique(given)) == n:
            return ArchOrder(tuple(np.argsort(given, kind="stable").tolist()), True, ())
    if n <= 2:
        return ArchOrder(tuple(range(n)), False, ())
    frame = frame_from_axis(common_axis)
    flat = (positions_mm - positions_mm.mean(axis=0)) @ frame[:, :2]
    gap = np.linalg.norm(positions_mm[:, None] - positions_mm[None], axis=2)
    rows = tuple(range(n))
    found = {_forwards(way) for way in (rows, *_rounds(flat), _shortest(gap))}
    length = {way: float(gap[list(way[:-1]), list(way[1:])].sum()) for way in found}
    least = min(length.values())
    score = {way: length[way] / least + _turning(flat, way) / np.pi for way in found}
    best = min(score.values())
    near = sorted(way for way in found if score[way] <= best + _NEAR_TIE)
    # of orders that are equal but for rounding the first by the rows of the table
    order = rows if rows in near else next(w for w in near if score[w] <= best + _EQUAL)
    return ArchOrder(order, False, tuple(way for way in near if way != order))


def _forwards(way: tuple[int, ...]) -> tuple[int, ...]:
    return way if way[0] < way[-1] else way[::-1]


def _rounds(flat: Floats) -> Iterator[tuple[int, ...]]:
    """The way round the middle, cut open at each gap."""
    around = np.argsort(np.arctan2(flat[:, 1], flat[:, 0]), kind="stable").tolist()
    for k in range(len(around)):
        yield tuple(around[k:] + around[:k])


def _turning(flat: Floats, way: tuple[int, ...]) -> float:
    """Sum of the angles by which a path turns, rad."""
    step = np.diff(flat[list(way)], axis=0)
    cross = step[:-1, 0] * step[1:, 1] - step[:-1, 1] * step[1:, 0]
    return float(np.abs(np.arctan2(cross, np.sum(step[:-1] * step[1:], axis=1))).sum())


def _shortest(gap: Floats) -> tuple[int, ...]:
    """Shortest open path (Held and Karp 1962); beyond any arch, always to the nearest."""
    n = len(gap)
    if n > _EXACT_UP_TO:
        start = int(np.unravel_index(np.argmax(gap), gap.shape)[0])
        order, left = [start], set(range(n)) - {start}
        while left:
            order.append(min(left, key=lambda j: gap[order[-1], j]))
            left.discard(order[-1])
        return tuple(order)
    full = 1 << n
    cost = np.full((full, n), np.inf)
    came = np.full((full, n), -1)
    for i in range(n):
        cost[1 << i, i] = 0.0
    for used in range(full):
        for last in np.flatnonzero(np.isfinite(cost[used])).tolist():
            for nxt in range(n):
                if used & (1 << nxt):
                    continue
                total = cost[used, last] + gap[last, nxt]
                if total < cost[used | (1 << nxt), nxt] - 1e-12:
                    cost[used | (1 << nxt), nxt] = total
                    came[used | (1 << nxt), nxt] = last
    end = int(np.argmin(cost[-1]))
    used = full - 1
    order = []
    while end >= 0:
        order.append(end)
        used, end = used & ~(1 << end), int(came[used, end])
    return tuple(order)
