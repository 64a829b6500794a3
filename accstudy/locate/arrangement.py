"""The arrangement of a model's implants, and every way in which scan bodies form it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from accstudy.errors import InputError, nearest
from accstudy.geometry.rigid import Rigid, frame_from_axis, unit
from accstudy.locate.prepared import PreparedBody, prepare_body
from accstudy.locate.scan_body import ScanBody
from accstudy.mesh.model import Mesh

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_WITHIN_MM, _WITHIN_DEG = 0.8, 4.0  # how far a scan body may be off its place

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
    """One way to read the reference into the scan."""

    scan_from_model: Rigid  # where the model lies in the scan
    candidate: tuple[int, ...]  # for every implant the index of its candidate; -1 without one
    misfit_mm: float  # root mean square over platforms and tips of the matched implants

    @property
    def matched(self) -> int:
        """Number of implants with a candidate."""
        return sum(c >= 0 for c in self.candidate)


def match_arrangement(reference: Lines, found: Lines) -> list[Arrangement]:
    """Find every way in which candidates form the arrangement of the reference.

    Different assignments only, most implants first, then smallest misfit; those that are a part of
    a larger one are left out. Empty if no two candidates fit two implants.
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
    tolerance = np.array([1.5 * _WITHIN_MM, *[np.radians(2 * _WITHIN_DEG)] * 3])
    for k in range(4):
        fits &= np.abs(mine[:, None, k] - theirs[None, :, k]) < tolerance[k]
    pair, other = np.nonzero(fits)
    best: dict[tuple[int, ...], Arrangement] = {}
    complete: list[tuple[int, ...]] = []
    for r, c in zip(pair.tolist(), other.tolist(), strict=True):
        if any(whole[i[r]] == a[c] and whole[j[r]] == b[c] for whole in complete):
            continue  # a part of what is known already
        start = fit_lines(reference, found, np.array([i[r], j[r]]), np.array([a[c], b[c]]))
        grown = _grow(reference, found, start)
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


def own_mirror_image(reference: Lines) -> bool:
    """Whether an arrangement lies as its own mirror image does, as a straight row."""
    ways = match_arrangement(mirrored(reference), reference)
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


def _grow(reference: Lines, found: Lines, motion: Rigid) -> Arrangement | None:
    """Take in every candidate that lies where an implant should be."""
    chosen: tuple[int, ...] = ()
    slack = 2.0
    for _ in range(4):
        away = np.linalg.norm(
            motion.points(reference.points_mm)[:, None] - found.points_mm[None], axis=2
        )
        tilt = np.linalg.norm(
            motion.vectors(reference.axes)[:, None] - found.axes[None], axis=2
        ) / np.radians(_WITHIN_DEG)
        cost = away / _WITHIN_MM + tilt
        same = reference.kinds[:, None] == found.kinds[None]
        cost[~same | (away > slack * _WITHIN_MM) | (tilt > slack)] = np.inf
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


def joined(ways: Sequence[Arrangement], reference: Lines, found: Lines) -> list[Arrangement]:
    """Put readings of fitted candidates together that say the same of different bodies.

    Rough candidates may have lain too far off to be seen as one. Sorted as by `match_arrangement`.
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
            if away.max() < _WITHIN_MM:
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


_SMALLEST, _USUAL, _LARGEST = 0.3, 1.2, 8.0  # size of a scan over what its model needs
_FACTORS = ((1000.0, "m"), (25.4, "inch"), (10.0, "cm"))


@dataclass(frozen=True, slots=True)
class ReferenceModel:
    """Implants of one model as locating needs them."""

    name: str  # name of the model
    implants: tuple[str, ...]  # names of the implants
    lines: Lines  # platforms, axes and kinds of scan body
    flats: Floats  # (n, 3): directions of the flats; NaN where unknown
    bodies: tuple[PreparedBody, ...]  # for each implant
    kinds: tuple[PreparedBody, ...]  # each kind of scan body once; `lines.kinds` counts them

    @property
    def span_mm(self) -> float:
        """Largest distance between two platforms."""
        p = self.lines.points_mm
        return float(np.linalg.norm(p[:, None] - p[None], axis=2).max())


def reference_model(reference: pd.DataFrame, bodies: Mapping[str, ScanBody]) -> ReferenceModel:
    """Make the reference rows of one model ready, rows of table ``implants``.

    Bodies go by the key that column ``scan_body`` names; an empty cell means ``default``, or the
    only one there is. InputError if there are no rows, or a row names a scan body that is not
    there.
    """
    if not len(reference):
        raise InputError("the reference has no implant of this model")
    keys = (
        reference["scan_body"].fillna("").tolist()
        if "scan_body" in reference
        else [""] * len(reference)
    )
    prepared = tuple(prepare_body(_body(key, bodies)) for key in keys)
    kinds = tuple({id(p): p for p in prepared}.values())
    kind = np.array([next(k for k, p in enumerate(kinds) if p is q) for q in prepared])
    axes = _columns(reference, "axis_{}")
    axes = axes / np.linalg.norm(axes, axis=1, keepdims=True)
    return ReferenceModel(
        name=str(reference["model"].iloc[0]),
        implants=tuple(reference["implant"].astype(str)),
        lines=Lines(_columns(reference, "{}_mm"), axes, kind),
        flats=_columns(reference, "flat_{}"),
        bodies=prepared,
        kinds=kinds,
    )


def _body(key: str, bodies: Mapping[str, ScanBody]) -> ScanBody:
    if key in bodies:
        return bodies[key]
    if key in ("", "default") and "default" in bodies:
        return bodies["default"]
    if key == "" and len(bodies) == 1:
        return next(iter(bodies.values()))
    raise InputError(
        f'the reference names scan body "{key or "default"}", which is not described in study.toml',
        hint=nearest(key or "default", list(bodies)) if bodies else "add [scan_body.default]",
    )


def _columns(frame: pd.DataFrame, pattern: str) -> Floats:
    names = [pattern.format(c) for c in "xyz"]
    empty = np.full(len(frame), np.nan)
    return np.column_stack([frame[n].to_numpy(float) if n in frame else empty for n in names])


def empty_places(way: Arrangement, model: ReferenceModel) -> list[tuple[Rigid, PreparedBody]]:
    """Where a reading expects scan bodies that it did not find."""
    missing = [i for i, c in enumerate(way.candidate) if c < 0]
    return [(place_of(way, model.lines, i), model.bodies[i]) for i in missing]


class WrongUnitError(InputError):
    """A scan too small or too large to hold its model."""

    code = "wrong-unit"


def check_size(mesh: Mesh, model: ReferenceModel) -> None:
    """Refuse a scan (read as mm) far too small or too large for its model: its unit is another."""
    low, high = np.percentile(
        mesh.vertices_mm[:: max(1, len(mesh.vertices_mm) // 20_000)], [2, 98], axis=0
    )
    size = float(np.linalg.norm(high - low))
    expected = model.span_mm + 2 * max(b.reach_mm for b in model.bodies)
    if _SMALLEST * expected < size < _LARGEST * expected:
        return
    guesses = [(size * f / expected, name, False) for f, name in _FACTORS]
    guesses += [(size / f / expected, name, True) for f, name in _FACTORS]
    ratio, name, reverse = min(guesses, key=lambda g: abs(np.log(g[0] / _USUAL)))
    if _SMALLEST < ratio < _LARGEST:
        looks, read = ("mm", name) if reverse else (name, "mm")
        raise WrongUnitError(
            f"the scan is {size:.3g} mm across, the model about {expected:.0f} mm: "
            f"its coordinates look like {looks}, but are read as {read}",
            hint=f'set length_unit = "{looks}" under [scans], if all scans are like this one',
        )
    raise WrongUnitError(
        f"the scan is {size:.4g} mm across, the model about {expected:.0f} mm",
        hint="check scans.length_unit and that this is a scan of this model",
    )
