"""One scan body from an approximate position to its pose."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from accstudy.geometry.rigid import Rigid, rotation_about_deg
from accstudy.locate.least_squares import Fit, capped_cost, coarse_fit, fine_fit, settle_height
from accstudy.locate.prepared import PreparedBody
from accstudy.locate.rotation import search_turn, turned
from accstudy.locate.segment import Patch

__all__ = ["Found", "find_body", "with_rivals"]

Floats = NDArray[np.float64]

_SAME_COST, _SAME_TURN_DEG = 1.5, 5.0
_SEARCHES, _GOOD_COST_MM2 = 3, 1.5e-3
_UNROUND_MM = 0.03
_ELSEWHERE_MM, _WORTH_A_LOOK = 0.06, 6.0
_SAME_FINE_COST, _RIVAL_MM = 1.25, 0.02


@dataclass(frozen=True, slots=True)
class Found:
    """A scan body fitted to a scan.

    Parameters
    ----------
    fit : Fit
        The robust fit.
    turns_deg : tuple of float
        Rotations about the axis, added to the fit's, that the scan cannot tell
        apart: (0,) where one is right, more for a body that looks the same
        after a part of a turn, none where nothing speaks of the rotation.
    coverage : float
        Share of the body's usable surface that the scan shows.
    layers : float
        Area of the scan's surface over that of the body it covers: 1, or 2
        where the surface is doubled.
    rivals : tuple of Fit
        Fits in other places that the scan cannot tell from this one: a
        rectangle off its axis fits again after half a turn, but elsewhere.
    """

    fit: Fit
    turns_deg: tuple[float, ...]
    coverage: float
    layers: float
    rivals: tuple[Fit, ...] = ()


def find_body(
    prepared: PreparedBody, patch: Patch, start: Rigid, *, settled: bool = False
) -> Found | None:
    """Fit a scan body to a patch of a scan.

    Five degrees of freedom come first, as the rotation about the axis is
    unknown; then the rotation, searched over the whole circle; then all six.
    The uniform offset of the surface goes with them throughout.

    Parameters
    ----------
    prepared : PreparedBody
        The scan body.
    patch : Patch
        The scan around it.
    start : Rigid
        Scan from body, to within half a millimetre and a few degrees; the
        rotation about the axis is arbitrary.
    settled : bool
        Whether all but the rotation is right already, to within some hundredths
        of a millimetre: a body that is far from round can be led astray by a
        first fit with a wrong rotation.

    Returns
    -------
    Found or None
        None if too little of it is there.
    """
    pose, offset = start, 0.0
    if not settled:
        start = settle_height(prepared, patch, start)
        coarse = coarse_fit(prepared, patch, start, offset_mm=0.0, turn=False)
        if coarse is None:
            return None
        pose, offset, _ = coarse
    turns: tuple[float, ...] = ()
    elsewhere: list[Rigid] = []
    if prepared.radial.unround_mm > _UNROUND_MM:
        for _ in range(_SEARCHES):
            pose, offset, turns, elsewhere, cost = _turn(prepared, patch, pose, offset)
            if cost < _GOOD_COST_MM2:
                break
    fit = fine_fit(prepared, patch, pose, offset_mm=offset, turn=bool(turns))
    rivals = []
    for other in elsewhere:
        rival = fine_fit(prepared, patch, other, offset_mm=offset, turn=True)
        if rival is not None:
            rivals.append(rival)
    if fit is None:
        return None
    if rivals:
        fit, rivals = _best_first(prepared, patch, [fit, *rivals])
    coverage, layers = _coverage(prepared, patch, fit)
    return Found(fit, turns, coverage, layers, tuple(rivals))


def _turn(
    prepared: PreparedBody, patch: Patch, pose: Rigid, offset: float
) -> tuple[Rigid, float, tuple[float, ...], list[Rigid], float]:
    """Search the rotation, then mend what a wrong rotation did to the pose.

    Returns the best pose, its offset, turns that fit alike in the same place, poses in other
    places that may fit as well, and the cost.
    """
    inverse = pose.inverse()
    profile = search_turn(
        prepared.radial,
        inverse.points(patch.points_mm),
        inverse.vectors(patch.normals),
        offset_mm=offset,
    )
    tries = []
    angles = profile.minima()
    for twin in prepared.twins_deg if angles else ():
        if (
            min(abs((angles[0] + twin - a + 180.0) % 360.0 - 180.0) for a in angles)
            > _SAME_TURN_DEG
        ):
            angles.append(angles[0] + twin)
    for angle in angles:
        start = turned(pose, angle)
        near = coarse_fit(
            prepared, patch, start, offset_mm=offset, turn=True, gates_mm=(0.4, 0.25, 0.2)
        )
        if near is not None:
            tries.append((near[2], near))
    if not tries:
        return pose, offset, (), [], np.inf
    tries.sort(key=lambda t: t[0])
    cost, (best, new_offset, _) = tries[0]
    alike, elsewhere = [0.0], []
    for other_cost, (other, _, _) in tries[1:]:
        turn = float(
            rotation_about_deg(best.rotation[:, 2], best.rotation[:, 0], other.rotation[:, 0])
        )
        apart = min(abs((turn - known + 180.0) % 360.0 - 180.0) for known in alike)
        if apart <= _SAME_TURN_DEG:
            continue
        if np.linalg.norm(other.translation_mm - best.translation_mm) > _ELSEWHERE_MM:
            if other_cost < _WORTH_A_LOOK * cost:
                elsewhere.append(other)
        elif other_cost < _SAME_COST * cost:
            alike.append(turn)
    return best, new_offset, tuple(alike), elsewhere, cost


def _best_first(prepared: PreparedBody, patch: Patch, fits: list[Fit]) -> tuple[Fit, list[Fit]]:
    """Of fits in different places the best, and those that all points cannot tell from it."""
    cost = [capped_cost(prepared, patch, fit) for fit in fits]
    order = np.argsort(cost, kind="stable").tolist()
    best = fits[order[0]]
    at = best.scan_from_body.translation_mm
    rivals = [
        fits[k]
        for k in order[1:]
        if cost[k] < _SAME_FINE_COST * cost[order[0]]
        and np.linalg.norm(fits[k].scan_from_body.translation_mm - at) > _RIVAL_MM
    ]
    return best, rivals


def with_rivals(prepared: PreparedBody, patch: Patch, best: Found, others: list[Found]) -> Found:
    """Add to a body the fits in other places, found from other starts, that fit as well."""
    cost = capped_cost(prepared, patch, best.fit)
    kept = [best.fit, *best.rivals]
    for fit in (f for other in others for f in (other.fit, *other.rivals)):
        at = fit.scan_from_body.translation_mm
        apart = min(np.linalg.norm(at - k.scan_from_body.translation_mm) for k in kept)
        if apart > _RIVAL_MM and capped_cost(prepared, patch, fit) < _SAME_FINE_COST * cost:
            kept.append(fit)
    return replace(best, rivals=tuple(kept[1:]))


def _coverage(prepared: PreparedBody, patch: Patch, fit: Fit) -> tuple[float, float]:
    """Share of the usable surface with scan near it; layers of scan on it."""
    from scipy.spatial import cKDTree

    area = float(patch.area_mm2[fit.used].sum())
    spacing = np.sqrt(area / len(fit.used))
    tree = cKDTree(fit.points_mm, balanced_tree=False, compact_nodes=False)
    away, _ = tree.query(prepared.points_mm, distance_upper_bound=max(0.8 * spacing, 0.05))
    coverage = float(np.mean(np.isfinite(away)))
    return coverage, area / max(coverage * prepared.area_mm2, 1e-9)
