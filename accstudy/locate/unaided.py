"""Scan bodies found without known implant positions, and named."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from accstudy.geometry.rigid import Rigid, frame_from_axis, unit
from accstudy.locate.arrangement import Lines, ReferenceModel, match_arrangement
from accstudy.locate.drawing import ScanBody, find_placed
from accstudy.locate.prepared import prepare_body
from accstudy.locate.search import detected, fitted_lines, oriented_cloud, spare_bodies
from accstudy.mesh.model import Mesh

Floats = NDArray[np.float64]

_TRIES = 60_000
_MOST = 16
_SKETCH_MM = 6.0
"""How far an implant may lie off its place in a sketch (common practice)."""
_AS_WELL = 1.5


@dataclass(frozen=True, slots=True)
class FoundBodies:
    """Scan bodies of one scan.

    Parameters
    ----------
    points_mm, axes, flats : (n, 3) ndarray
        Platforms, axes and flats (NaN where unknown), scan frame.
    kinds : tuple of str
        Key of the scan body of each.
    """

    points_mm: Floats
    axes: Floats
    flats: Floats
    kinds: tuple[str, ...]

    def of(self, rows: Sequence[int]) -> FoundBodies:
        """Some of them, in another order."""
        at = list(rows)
        kinds = tuple(self.kinds[k] for k in at)
        return FoundBodies(self.points_mm[at], self.axes[at], self.flats[at], kinds)

    @property
    def lines(self) -> Lines:
        """Their platforms and axes."""
        names = sorted(set(self.kinds))
        return Lines(self.points_mm, self.axes, np.array([names.index(k) for k in self.kinds], int))


def find_bodies(mesh: Mesh, bodies: Mapping[str, ScanBody]) -> FoundBodies:
    """Find everything in a scan that is a scan body beyond doubt.

    Parameters
    ----------
    mesh : Mesh
        The scan, in mm, its triangles facing outwards.
    bodies : mapping of ScanBody
        Scan bodies by key.

    Returns
    -------
    FoundBodies
        Those whose surface the scan shows by nearly a half and fits closely; at most 16.

    Notes
    -----
    Without an arrangement nothing says where to look again, so a body that is half hidden can
    be missed here that `accstudy.locate.locate.locate_scan` finds.
    """
    names = list(bodies)
    kinds = tuple(prepare_body(bodies[name]) for name in names)
    middle = np.median(mesh.vertices_mm, axis=0)
    mesh = Mesh(mesh.vertices_mm - middle, mesh.faces)
    placed = find_placed(mesh, [kind.drawing for kind in kinds])
    if placed is not None:
        pieces = list({p.piece: p for p in reversed(placed)}.values())[::-1]
        poses = [p.scan_from_body for p in pieces]
        flats = np.array([p.rotation[:, 0] for p in poses])
        flats[[not kinds[p.kind].body.has_flat for p in pieces]] = np.nan
        return _found(poses, flats, [names[p.kind] for p in pieces], middle)
    nothing = Lines(np.zeros((0, 3)), np.zeros((0, 3)), np.zeros(0, int))
    model = ReferenceModel("", (), nothing, np.zeros((0, 3)), (), kinds)
    candidates = detected(oriented_cloud(mesh), model, _TRIES)
    real = spare_bodies(mesh, model, candidates, (), most=_MOST)
    fits = [candidates.fits[c] for c in real]
    poses = [f.fit.scan_from_body for f in fits if f is not None]
    flats = fitted_lines(candidates)[1][real]
    return _found(poses, flats, [names[candidates.lines.kinds[c]] for c in real], middle)


def _found(
    poses: Sequence[Rigid], flats: Floats, kinds: Sequence[str], middle: Floats
) -> FoundBodies:
    points = np.array([p.translation_mm + middle for p in poses]).reshape(-1, 3)
    axes = np.array([p.rotation[:, 2] for p in poses]).reshape(-1, 3)
    return FoundBodies(points, axes, np.asarray(flats, float).reshape(-1, 3), tuple(kinds))


def seen_again(one: FoundBodies, others: Sequence[FoundBodies]) -> list[int]:
    """Bodies of a scan that another scan of the same model shows in the same arrangement.

    Parameters
    ----------
    one : FoundBodies
        Of the scan.
    others : sequence of FoundBodies
        Of the others.

    Returns
    -------
    list of int
        What only one scan shows may be something else.
    """
    again: set[int] = set()
    for other in others:
        if len(one.kinds) < 2 or len(other.kinds) < 2:
            continue
        ways = match_arrangement(one.lines, other.lines)
        if ways:
            again |= {i for i, c in enumerate(ways[0].candidate) if c >= 0}
    return sorted(again)


@dataclass(frozen=True, slots=True)
class SketchMatch:
    """Which body is which implant of a sketch."""

    bodies: tuple[int, ...]  # for every implant of the sketch its body; empty if there are too few
    off_mm: float  # how far the worst implant lies off its place in the sketch, seen from above
    rival: tuple[int, ...]  # another reading that fits about as well; empty if there is none
    mirrored: bool  # whether the sketch fits far better as its mirror image

    @property
    def fits(self) -> bool:
        """Whether every implant lies near its place in the sketch."""
        return bool(self.bodies) and self.off_mm <= _SKETCH_MM


def match_sketch(found: FoundBodies, sketch: pd.DataFrame) -> SketchMatch:
    """Lay a sketch over the bodies that were found, seen from above.

    Parameters
    ----------
    found : FoundBodies
        Bodies of a scan.
    sketch : DataFrame
        Rows of table ``sketch`` of one model: ``x_mm``, ``y_mm``, and ``scan_body`` where
        there are several kinds.

    Returns
    -------
    SketchMatch
    """
    n = len(sketch)
    if len(found.kinds) < n:
        return SketchMatch((), np.inf, (), False)
    frame = frame_from_axis(unit(found.axes.sum(axis=0)))
    seen = (found.points_mm - found.points_mm.mean(axis=0)) @ frame[:, :2]
    drawn = sketch[["x_mm", "y_mm"]].to_numpy(float)
    wanted = sketch["scan_body"].fillna("").astype(str).tolist() if "scan_body" in sketch else []
    allowed = np.array(
        [[not w or w == k for k in found.kinds] for w in (wanted or [""] * n)], dtype=bool
    )
    ways = _readings(seen, drawn, allowed)
    other = _readings(seen, drawn * [-1.0, 1.0], allowed)
    if not ways:
        return SketchMatch((), np.inf, (), False)
    best = ways[0]
    rivals = [w for w in ways[1:] if w[0] <= _AS_WELL * best[0] + 0.5]
    mirrored = bool(other) and other[0][0] * 2 < best[0]
    off = float(
        np.linalg.norm(_laid(drawn, seen[list(best[1])]) - seen[list(best[1])], axis=1).max()
    )
    return SketchMatch(best[1], off, rivals[0][1] if rivals else (), mirrored)


def _readings(
    seen: Floats, drawn: Floats, allowed: NDArray[np.bool_]
) -> list[tuple[float, tuple[int, ...]]]:
    """Assignments of bodies to a sketch with their root mean square distance, best first."""
    gaps = np.linalg.norm(drawn[:, None] - drawn[None], axis=2)
    i, j = np.unravel_index(int(np.argmax(gaps)), gaps.shape)
    best: dict[tuple[int, ...], float] = {}
    for a in range(len(seen)):
        for b in range(len(seen)):
            if a == b or not allowed[i, a] or not allowed[j, b]:
                continue
            placed = _turned(drawn, drawn[[i, j]], seen[[a, b]])
            way: tuple[int, ...] = ()
            for _ in range(5):
                cost = np.linalg.norm(placed[:, None] - seen[None], axis=2) ** 2
                cost[~allowed] = 1e9
                new = tuple(int(c) for c in linear_sum_assignment(cost)[1])
                if new == way:
                    break
                way = new
                placed = _laid(drawn, seen[list(way)])
            off = placed - seen[list(way)]
            best.setdefault(way, float(np.sqrt(np.mean(np.sum(off**2, axis=1)))))
    return sorted((rms, way) for way, rms in best.items())


def _laid(drawn: Floats, target: Floats) -> Floats:
    """A sketch turned and shifted to lie on its bodies by least squares, without scale."""
    a, b = drawn.mean(axis=0), target.mean(axis=0)
    u, _, vt = np.linalg.svd((target - b).T @ (drawn - a))
    turn = u @ np.diag([1.0, np.sign(np.linalg.det(u @ vt))]) @ vt
    out: Floats = (drawn - a) @ turn.T + b
    return out


def _turned(drawn: Floats, two: Floats, on: Floats) -> Floats:
    """A sketch turned so that the line of two implants lies along that of two bodies."""
    angle = np.arctan2(*(on[1] - on[0])[::-1]) - np.arctan2(*(two[1] - two[0])[::-1])
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    out: Floats = (drawn - two.mean(axis=0)) @ turn.T + on.mean(axis=0)
    return out
