"""Which candidate is which implant: the arrangement of the reference found in the scan."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from accstudy.geometry.rigid import Rigid, frame_from_axis, unit

__all__ = [
    "Arrangement",
    "Lines",
    "contradict",
    "fit_lines",
    "joined",
    "match_arrangement",
    "mirrored",
    "misfit_mm",
    "own_mirror_image",
    "place_of",
    "refit",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LEVER_MM = 10.0
"""An axis counts as a second point so far above the platform."""


@dataclass(frozen=True, slots=True)
class Lines:
    """Points with a direction and a kind: implants, or candidates for them.

    Parameters
    ----------
    points_mm : (n, 3) ndarray
        Platform centres.
    axes : (n, 3) ndarray
        Unit axes.
    kinds : (n,) ndarray of int
        Which scan body.
    """

    points_mm: Floats
    axes: Floats
    kinds: Ints

    @property
    def tips_mm(self) -> Floats:
        """Points `LEVER_MM` up the axes."""
        return self.points_mm + LEVER_MM * self.axes


@dataclass(frozen=True, slots=True)
class Arrangement:
    """One way to read the reference into the scan.

    Parameters
    ----------
    scan_from_model : Rigid
        Where the model lies in the scan.
    candidate : tuple of int
        For every implant the index of its candidate; -1 without one.
    misfit_mm : float
        Root mean square over platforms and tips of the matched implants.
    """

    scan_from_model: Rigid
    candidate: tuple[int, ...]
    misfit_mm: float

    @property
    def matched(self) -> int:
        """Number of implants with a candidate."""
        return sum(c >= 0 for c in self.candidate)


def match_arrangement(
    reference: Lines,
    found: Lines,
    *,
    within_mm: float = 0.8,
    within_deg: float = 4.0,
) -> list[Arrangement]:
    """Find every way in which candidates form the arrangement of the reference.

    Parameters
    ----------
    reference : Lines
        The implants, model frame.
    found : Lines
        The candidates, scan frame.
    within_mm, within_deg : float
        How far a scan body may be off its place in the arrangement.

    Returns
    -------
    list of Arrangement
        Different assignments only, most implants first, then smallest misfit;
        those that are a part of a larger one are left out. Empty if no two
        candidates fit two implants.
    """
    n = len(reference.points_mm)
    if n == 1:
        return _single(reference, found)
    i, j = _ordered_pairs(n)
    a, b = _ordered_pairs(len(found.points_mm))
    mine, theirs = _invariants(reference, i, j), _invariants(found, a, b)
    fits = (reference.kinds[i][:, None] == found.kinds[a]) & (
        reference.kinds[j][:, None] == found.kinds[b]
    )
    fits &= i[:, None] < j[:, None]  # the other order says the same
    tolerance = np.array([1.5 * within_mm, *[np.radians(2 * within_deg)] * 3])
    for k in range(4):
        fits &= np.abs(mine[:, None, k] - theirs[None, :, k]) < tolerance[k]
    pair, other = np.nonzero(fits)
    best: dict[tuple[int, ...], Arrangement] = {}
    complete: list[tuple[int, ...]] = []
    for r, c in zip(pair.tolist(), other.tolist(), strict=True):
        if any(whole[i[r]] == a[c] and whole[j[r]] == b[c] for whole in complete):
            continue  # a part of what is known already
        start = fit_lines(reference, found, np.array([i[r], j[r]]), np.array([a[c], b[c]]))
        grown = _grow(reference, found, start, within_mm, within_deg)
        if grown is not None and grown.candidate not in best:
            best[grown.candidate] = grown
            if grown.matched == n:
                complete.append(grown.candidate)
    ways = sorted(best.values(), key=_rank)
    kept: list[Arrangement] = []
    for way in ways:
        if not any(_part_of(way, larger) for larger in kept):
            kept.append(way)
    return kept


def own_mirror_image(reference: Lines, *, within_mm: float = 0.8, within_deg: float = 4.0) -> bool:
    """Whether an arrangement lies as its own mirror image does, as a straight row.

    Parameters
    ----------
    reference : Lines
        The implants.
    within_mm, within_deg : float
        As in `match_arrangement`.
    """
    ways = match_arrangement(
        mirrored(reference), reference, within_mm=within_mm, within_deg=within_deg
    )
    return bool(ways) and ways[0].matched == len(reference.points_mm)


def mirrored(lines: Lines) -> Lines:
    """The same lines seen in a mirror."""
    mirror = np.array([-1.0, 1.0, 1.0])
    return Lines(lines.points_mm * mirror, lines.axes * mirror, lines.kinds)


def fit_lines(reference: Lines, found: Lines, implants: Ints, candidates: Ints) -> Rigid:
    """Least-squares motion of implants onto candidates, platforms and tips alike."""
    source = np.concatenate([reference.points_mm[implants], reference.tips_mm[implants]])
    target = np.concatenate([found.points_mm[candidates], found.tips_mm[candidates]])
    a, b = source.mean(axis=0), target.mean(axis=0)
    u, _, vt = np.linalg.svd((target - b).T @ (source - a))
    rotation = u @ np.diag([1.0, 1.0, np.sign(np.linalg.det(u @ vt))]) @ vt
    return Rigid(rotation, b - rotation @ a)


def misfit_mm(
    reference: Lines, found: Lines, implants: Ints, candidates: Ints, motion: Rigid
) -> float:
    """Root mean square distance of platforms and tips after a motion."""
    low = motion.points(reference.points_mm[implants]) - found.points_mm[candidates]
    high = motion.points(reference.tips_mm[implants]) - found.tips_mm[candidates]
    return float(np.sqrt(np.mean(np.sum(low**2, axis=1) + np.sum(high**2, axis=1)) / 2))


def refit(way: Arrangement, reference: Lines, found: Lines) -> Arrangement:
    """Place a reading anew after its candidates were fitted."""
    implants = np.flatnonzero(np.array(way.candidate) >= 0)
    candidates = np.array(way.candidate)[implants]
    motion = fit_lines(reference, found, implants, candidates)
    return Arrangement(
        motion, way.candidate, misfit_mm(reference, found, implants, candidates, motion)
    )


def _single(reference: Lines, found: Lines) -> list[Arrangement]:
    ways = []
    for c in np.flatnonzero(found.kinds == reference.kinds[0]).tolist():
        motion = fit_lines(reference, found, np.array([0]), np.array([c]))
        ways.append(Arrangement(motion, (c,), 0.0))
    return ways


def _ordered_pairs(n: int) -> tuple[Ints, Ints]:
    i, j = (k.ravel() for k in np.indices((n, n)))
    return i[i != j], j[i != j]


def _invariants(lines: Lines, i: Ints, j: Ints) -> Floats:
    """Distance, angles of both axes to the connection, angle between the axes."""
    d = lines.points_mm[j] - lines.points_mm[i]
    length = np.linalg.norm(d, axis=1)
    way = unit(d)
    a, b = lines.axes[i], lines.axes[j]
    cosines = [np.sum(a * way, axis=1), np.sum(b * way, axis=1), np.sum(a * b, axis=1)]
    return np.column_stack([length, *[np.arccos(np.clip(c, -1, 1)) for c in cosines]])


def _grow(
    reference: Lines, found: Lines, motion: Rigid, within_mm: float, within_deg: float
) -> Arrangement | None:
    """Take in every candidate that lies where an implant should be."""
    chosen: tuple[int, ...] = ()
    slack = 2.0
    for _ in range(4):
        away = np.linalg.norm(
            motion.points(reference.points_mm)[:, None] - found.points_mm[None], axis=2
        )
        tilt = np.linalg.norm(
            motion.vectors(reference.axes)[:, None] - found.axes[None], axis=2
        ) / np.radians(within_deg)
        cost = away / within_mm + tilt
        same = reference.kinds[:, None] == found.kinds[None]
        cost[~same | (away > slack * within_mm) | (tilt > slack)] = np.inf
        new = _assign(cost)
        implants = np.flatnonzero(np.array(new) >= 0)
        if len(implants) < 2:
            return None
        candidates = np.array(new)[implants]
        motion = fit_lines(reference, found, implants, candidates)
        if new == chosen and slack == 1.0:
            break
        chosen, slack = new, 1.0
    return Arrangement(motion, chosen, misfit_mm(reference, found, implants, candidates, motion))


def _assign(cost: Floats) -> tuple[int, ...]:
    """Pair rows with columns, cheapest first."""
    out = [-1] * len(cost)
    if not cost.size:
        return tuple(out)
    cost = cost.copy()
    while True:
        row, column = np.unravel_index(int(np.argmin(cost)), cost.shape)
        if not np.isfinite(cost[row, column]):
            return tuple(out)
        out[row] = int(column)
        cost[row, :] = np.inf
        cost[:, column] = np.inf


def contradict(one: Arrangement, other: Arrangement) -> bool:
    """Whether two readings name a body or an implant differently, not just leave it out."""
    a, b = one.candidate, other.candidate
    names = any(c != d and c >= 0 and d >= 0 for c, d in zip(a, b, strict=True))
    where = {c: i for i, c in enumerate(a) if c >= 0}
    return names or any(d >= 0 and where.get(d, i) != i for i, d in enumerate(b))


def joined(
    ways: Sequence[Arrangement], reference: Lines, found: Lines, *, within_mm: float = 0.8
) -> list[Arrangement]:
    """Put readings together that say the same of different bodies.

    Parameters
    ----------
    ways : sequence of Arrangement
        Readings of fitted candidates; rough ones may have lain too far off to be seen as one.
    reference, found : Lines
        The implants and the candidates.
    within_mm : float
        How far a scan body may be off its place in the arrangement.

    Returns
    -------
    list of Arrangement
        Placed anew, most implants first, then smallest misfit.
    """
    kept: list[Arrangement] = []
    for way in sorted((refit(w, reference, found) for w in ways), key=_rank):
        for k, other in enumerate(kept):
            if contradict(other, way):
                continue
            both = [max(c, d) for c, d in zip(other.candidate, way.candidate, strict=True)]
            whole = refit(Arrangement(way.scan_from_model, tuple(both), 0.0), reference, found)
            shown = np.flatnonzero(np.array(both) >= 0)
            off = whole.scan_from_model.points(reference.points_mm[shown])
            away = np.linalg.norm(off - found.points_mm[np.array(both)[shown]], axis=1)
            if away.max() < within_mm:
                kept[k] = whole
                break
        else:
            kept.append(way)
    return sorted(kept, key=_rank)


def _rank(way: Arrangement) -> tuple[int, float, tuple[int, ...]]:
    return -way.matched, way.misfit_mm, way.candidate


def _part_of(way: Arrangement, larger: Arrangement) -> bool:
    """Whether every match of one is a match of the other, too."""
    return all(c in (-1, d) for c, d in zip(way.candidate, larger.candidate, strict=True))


def place_of(way: Arrangement, reference: Lines, implant: int) -> Rigid:
    """Where the arrangement puts an implant's body, its rotation about the axis arbitrary."""
    motion = way.scan_from_model
    axis = motion.vectors(reference.axes[implant])
    return Rigid(frame_from_axis(axis), motion.points(reference.points_mm[implant]))
