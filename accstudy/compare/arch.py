"""The arch of a reference model: order, arch length, mesiodistal and buccolingual directions."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
import scipy  # scipy.interpolate loads when it is first used
from numpy.typing import ArrayLike, NDArray

from accstudy.geometry.rigid import frame_from_axis, unit

Floats = NDArray[np.float64]

_NEAR_TIE, _EQUAL = 0.12, 0.01
_EXACT_UP_TO = 12


@dataclass(frozen=True, slots=True)
class ArchOrder:
    """Rows in the order along the arch, from the end that stands first in the table unless stated
    otherwise.

    ``rivals`` are other orders that the positions support about as well.
    """

    order: tuple[int, ...]
    rivals: tuple[tuple[int, ...], ...]


def arch_order(
    positions_mm: Floats, common_axis: Floats, *, stated: ArrayLike | None = None
) -> ArchOrder:
    """Order implants along the arch that their platforms, (n, 3), suggest, seen along the mean
    axis.

    Column ``arch_order``, `stated`, decides if every row has a value and no two are alike. Else: an
    arch bends one way, and its opening lies between the two platforms at which going round would
    turn most. Among the shortest path, the rounds cut open at any one gap, and the order of the
    table, the one is taken that is short and turns little: smallest ``length / shortest length +
    turning / pi``. Within 0.12 of it the positions cannot tell, and the order of the table decides
    if it is among them. The score is a convention of this program. It knows lengths and angles
    only, so the order does not depend on the frame.
    """
    n = len(positions_mm)
    if stated is not None:
        given = np.asarray(stated, float)
        if np.isfinite(given).all() and len(np.unique(given)) == n:
            return ArchOrder(tuple(np.argsort(given, kind="stable").tolist()), ())
    if n <= 2:
        return ArchOrder(tuple(range(n)), ())
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
    return ArchOrder(order, tuple(way for way in near if way != order))


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


@dataclass(frozen=True, slots=True)
class Arch:
    """A reference model seen along its arch.

    Parameters
    ----------
    implants : tuple of str
        In the order along the arch.
    positions_mm, axes : (n, 3) ndarray
        Platforms and unit axes in that order, reference frame.
    flats : (n, 3) ndarray
        Directions towards the flats; NaN where unknown.
    path_mm : (n,) ndarray
        Length along the arch curve from the first platform.
    common_axis : (3,) ndarray
        Mean direction of the axes.
    mesiodistal, buccolingual, vertical : (n, 3) ndarray
        Right-angled directions at every implant: along the arch towards its
        last implant, across it outwards, and along the common axis.
    angulation_deg : (n,) ndarray
        Tilt of each implant against the occlusal direction, as the reference gives it; NaN
        where it is unknown.
    outward_known : bool
        False when the platforms lie on a line, so that outwards is a convention
        (the right-hand side when looking from the first implant to the last
        with the axes up).
    angulation_by : tuple of str
        How each ``angulation_deg`` is defined; empty if the reference does not say.
    rivals : tuple of tuple of str
        Other orders that the positions support about as well.
    """

    implants: tuple[str, ...]
    positions_mm: Floats
    axes: Floats
    flats: Floats
    path_mm: Floats
    common_axis: Floats
    mesiodistal: Floats
    buccolingual: Floats
    vertical: Floats
    angulation_deg: Floats
    outward_known: bool
    angulation_by: tuple[str, ...] = ()
    rivals: tuple[tuple[str, ...], ...] = ()


def arch_of(reference: pd.DataFrame) -> Arch:
    """Lay a smooth curve through the reference platforms of one model.

    Parameters
    ----------
    reference : DataFrame
        Rows of table ``implants`` of one model, unit axes.

    Notes
    -----
    For the order see `accstudy.compare.arch.arch_order`. The curve is a cubic spline over
    the centripetal parameter (differences to the power 1/2), which keeps it
    free of loops between unevenly spaced platforms. For two implants it is the
    straight line: the path is then the span, although the arch between them
    may be longer.
    """
    positions = reference[["x_mm", "y_mm", "z_mm"]].to_numpy(float)
    common = unit(reference[["axis_x", "axis_y", "axis_z"]].to_numpy(float).sum(axis=0))
    found = arch_order(positions, common, stated=reference.get("arch_order"))
    order = list(found.order)
    rows = reference.iloc[order].reset_index(drop=True)
    positions = positions[order]
    axes = rows[["axis_x", "axis_y", "axis_z"]].to_numpy(float)
    flats = rows[["flat_x", "flat_y", "flat_z"]].to_numpy(float)
    names = reference["implant"].tolist()
    tangents, path = _curve(positions)
    vertical = np.broadcast_to(common, tangents.shape)
    along = unit(tangents - (tangents @ common)[:, None] * common)
    across = np.cross(along, vertical)
    side, known = _outward_side(positions, common)
    return Arch(
        implants=tuple(rows["implant"]),
        positions_mm=positions,
        axes=axes,
        flats=flats,
        path_mm=path,
        common_axis=common,
        mesiodistal=along,
        buccolingual=side * across,
        vertical=vertical.copy(),
        angulation_deg=rows["angulation_deg"].to_numpy(float),
        outward_known=known,
        angulation_by=tuple(rows["angulation_by"]) if "angulation_by" in rows else (),
        rivals=tuple(tuple(names[k] for k in way) for way in found.rivals),
    )


def model_arches(implants: pd.DataFrame) -> dict[str, Arch]:
    """Arch of every model, from the first reference of each.

    Parameters
    ----------
    implants : DataFrame
        Table ``implants``.
    """
    found = {}
    for model, rows in implants.groupby("model", sort=False):
        first = rows
        if "valid_from" in rows and rows["valid_from"].notna().any():
            oldest = rows["valid_from"].min()
            first = rows[rows["valid_from"].isna() | (rows["valid_from"] == oldest)]
        found[str(model)] = arch_of(first.drop_duplicates("implant"))
    return found


def _curve(positions: Floats) -> tuple[Floats, Floats]:
    """Unit tangents at the platforms and length along the curve, mm."""
    steps = np.linalg.norm(np.diff(positions, axis=0), axis=1)
    if len(positions) <= 2:
        tangents = np.repeat(unit(positions[-1:] - positions[:1]), len(positions), axis=0)
        return tangents, np.concatenate([[0.0], np.cumsum(steps)])
    knots = np.concatenate([[0.0], np.cumsum(np.sqrt(steps))])
    curve = scipy.interpolate.CubicSpline(knots, positions, bc_type="natural")
    speed = curve.derivative()
    nodes, weights = np.polynomial.legendre.leggauss(16)
    half = np.diff(knots) / 2
    at = knots[:-1, None] + half[:, None] * (nodes + 1)
    lengths = half * (np.linalg.norm(speed(at), axis=2) @ weights)
    return unit(speed(knots)), np.concatenate([[0.0], np.cumsum(lengths)])


def _outward_side(positions: Floats, common: Floats) -> tuple[float, bool]:
    """Sign that turns ``tangent x axis`` outwards, and whether the arch says so."""
    chord = positions[-1] - positions[0]
    right = np.cross(chord, common)
    bulge = (positions[1:-1] - positions[0]) @ right
    total = float(bulge.sum()) if len(bulge) else 0.0
    if abs(total) < 0.02 * float(chord @ chord) * max(len(bulge), 1):
        return 1.0, False
    return float(np.sign(total)), True
