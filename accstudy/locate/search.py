"""From a scan to fitted candidates and the possible assignments to implants."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from accstudy.geometry.rigid import Rigid, angle_between_deg
from accstudy.locate.arrangement import (
    Arrangement,
    Lines,
    fit_lines,
    match_arrangement,
    place_of,
)
from accstudy.locate.detect import OrientedCloud, detect_bodies, oriented_cloud
from accstudy.locate.model import ReferenceModel
from accstudy.locate.one_body import Found, find_body, with_rivals
from accstudy.locate.prepared import PreparedBody
from accstudy.locate.segment import MARGIN_MM, cut_patches
from accstudy.mesh.model import Mesh

__all__ = [
    "Candidates",
    "detected",
    "fit_candidates",
    "fitted_lines",
    "lies_in",
    "recover",
    "same_bodies",
    "search",
    "settle_places",
    "spare_bodies",
]

Floats = NDArray[np.float64]

_TRIES = (9_000, 60_000)
_LEAST_COVERAGE = 0.15
_POOR, _BETTER, _ALIKE, _OFF_MM, _ENOUGH = 1.5, 0.9, 1.25, 0.1, 3
_SAME_MM, _OVERLAP_MM = 0.5, 3.0
_ASTRAY_MM, _ASTRAY_DEG = 0.9, 5.0
_SPARE_SCORE, _SPARE_COVERAGE, _SPARE_SCALE_MM, _SPARES = 0.45, 0.45, 0.04, 5


@dataclass(frozen=True, slots=True)
class Candidates:
    """Possible scan bodies in a scan.

    Parameters
    ----------
    rotations : (k, 3, 3) ndarray
        Rough poses, scan from body.
    lines : Lines
        Rough platforms and axes, and the kind of scan body.
    scores : (k,) ndarray
        Share of the body's surface confirmed.
    fits : dict
        Fits by candidate, filled as needed; None for what turned out to be none.
    """

    rotations: Floats
    lines: Lines
    scores: Floats
    fits: dict[int, Found | None] = field(default_factory=dict)


def search(mesh: Mesh, model: ReferenceModel) -> tuple[Candidates, list[Arrangement]]:
    """Look for scan bodies and for the arrangement of the reference among them.

    Parameters
    ----------
    mesh : Mesh
        The scan, near the origin.
    model : ReferenceModel
        The reference.

    Returns
    -------
    Candidates
    list of Arrangement
        Ways to read the reference into the candidates; empty if there is none.
    """
    cloud = oriented_cloud(mesh)
    for tries in _TRIES:
        candidates = _detected(cloud, model, tries)
        ways = match_arrangement(model.lines, candidates.lines)
        if ways and ways[0].matched == len(model.implants):
            break
    return candidates, ways


def detected(mesh: Mesh, model: ReferenceModel, *, tries: int) -> Candidates:
    """Look for scan bodies of all kinds of a model, wherever they are.

    Parameters
    ----------
    mesh : Mesh
        The scan, near the origin.
    model : ReferenceModel
        Gives the kinds of scan body.
    tries : int
        How many pairs of places to look at.
    """
    return _detected(oriented_cloud(mesh), model, tries)


def _detected(cloud: OrientedCloud, model: ReferenceModel, tries: int) -> Candidates:
    parts = [detect_bodies(cloud, kind, tries=tries) for kind in model.kinds]
    rotations = np.concatenate([p.rotations for p in parts])
    kinds = np.repeat(np.arange(len(parts)), [len(p.scores) for p in parts])
    lines = Lines(np.concatenate([p.origins_mm for p in parts]), rotations[:, :, 2], kinds)
    return Candidates(rotations, lines, np.concatenate([p.scores for p in parts]))


def fit_candidates(
    mesh: Mesh, model: ReferenceModel, candidates: Candidates, wanted: Iterable[int]
) -> None:
    """Fit candidates that were not fitted yet; the fits go into `candidates`."""
    new = sorted(set(wanted) - set(candidates.fits))
    places = [
        (
            model.kinds[candidates.lines.kinds[c]],
            Rigid(candidates.rotations[c], candidates.lines.points_mm[c]),
        )
        for c in new
    ]
    for c, found in zip(new, _fit_places(mesh, places), strict=True):
        candidates.fits[c] = found


def fitted_lines(candidates: Candidates) -> tuple[Lines, Floats]:
    """Platforms and axes of all candidates, fitted where they were, and flats.

    Returns
    -------
    Lines
    flats : (k, 3) ndarray
        NaN where the rotation is unknown.
    """
    points, axes = candidates.lines.points_mm.copy(), candidates.lines.axes.copy()
    flats = np.full(points.shape, np.nan)
    for c, found in candidates.fits.items():
        if found is not None:
            pose = found.fit.scan_from_body
            points[c], axes[c] = pose.translation_mm, pose.rotation[:, 2]
            if len(found.turns_deg) == 1 and not found.rivals:
                flats[c] = pose.rotation[:, 0]
    return Lines(points, axes, candidates.lines.kinds), flats


def same_bodies(model: ReferenceModel, candidates: Candidates) -> dict[int, int]:
    """Sort out fitted candidates that occupy one place.

    Parameters
    ----------
    model : ReferenceModel
        The reference.
    candidates : Candidates
        What was found.

    Returns
    -------
    dict
        Every candidate that holds, to the best one that came to rest in the
        same pose. Left out: what is no scan body, and what overlaps with a
        better one, such as a body set upside down.
    """
    fitted = [(c, found) for c, found in candidates.fits.items() if found is not None]
    kept: list[tuple[int, int, Rigid]] = []
    out: dict[int, int] = {}
    for c, found in sorted(fitted, key=lambda one: (_cost(one[1]), one[0])):
        kind = int(candidates.lines.kinds[c])
        pose = found.fit.scan_from_body
        middle = pose.points(model.kinds[kind].points_mm.mean(axis=0))
        overlapping = [one for one in kept if lies_in(middle, one[2], model.kinds[one[1]])]
        if not overlapping:
            kept.append((c, kind, pose))
            out[c] = c
            continue
        first, its_kind, its_pose = overlapping[0]
        shift = np.linalg.norm(pose.translation_mm - its_pose.translation_mm)
        if kind == its_kind and shift < _SAME_MM:
            out[c] = first
    return out


def lies_in(point_mm: Floats, pose: Rigid, body: PreparedBody) -> bool:
    """Whether a point lies so near a body's axis that no other body can be there."""
    local = pose.inverse().points(point_mm)
    top = float(body.points_mm[:, 2].max())
    beyond = max(0.0, -float(local[2]), float(local[2]) - top)
    return bool(np.hypot(np.hypot(local[0], local[1]), beyond) < _OVERLAP_MM)


def _cost(found: Found) -> float:
    """Small for a fit with much surface and little residual."""
    return found.fit.scale_mm / max(found.coverage, 0.01)


def spare_bodies(
    mesh: Mesh,
    model: ReferenceModel,
    candidates: Candidates,
    taken: Sequence[int],
    *,
    most: int = _SPARES,
) -> list[int]:
    """Candidates that really look like scan bodies but belong to no implant.

    Parameters
    ----------
    mesh : Mesh
        The scan.
    model : ReferenceModel
        The reference.
    candidates : Candidates
        What was found.
    taken : sequence of int
        Those that belong to implants.
    most : int
        How many to look for.

    Returns
    -------
    list of int
    """
    kinds = [model.kinds[k] for k in candidates.lines.kinds]
    poses = [
        Rigid(rotation, point)
        for rotation, point in zip(candidates.rotations, candidates.lines.points_mm, strict=True)
    ]
    occupied = [c for c in taken if c >= 0]
    spare: list[int] = []
    for c in np.argsort(-candidates.scores, kind="stable").tolist():
        if candidates.scores[c] < _SPARE_SCORE or len(spare) == most:
            break
        middle = poses[c].points(kinds[c].points_mm.mean(axis=0))
        if not any(lies_in(middle, poses[d], kinds[d]) for d in occupied):
            spare.append(c)
            occupied.append(c)
    fit_candidates(mesh, model, candidates, spare)
    real = []
    for c in spare:
        found = candidates.fits[c]
        if found and found.coverage > _SPARE_COVERAGE and found.fit.scale_mm < _SPARE_SCALE_MM:
            real.append(c)
    return real


def recover(
    mesh: Mesh, model: ReferenceModel, way: Arrangement, found: Sequence[Found | None]
) -> list[Found | None]:
    """Look again where the others say that implants must be.

    Parameters
    ----------
    mesh : Mesh
        The scan.
    model : ReferenceModel
        The reference.
    way : Arrangement
        The reading chosen.
    found : sequence of Found or None
        For every implant.

    Returns
    -------
    list of Found or None
        More of those that were missing, if their surface is there; and a
        better fit of those that fit far worse than the others, if there is one.
    """
    scales = [f.fit.scale_mm for f in found if f is not None]
    usual = float(np.median(scales)) if scales else np.inf
    ways = [_without(i, way, model, found) for i in range(len(found))]
    again = [
        i
        for i, f in enumerate(found)
        if f is None
        or f.fit.scale_mm > _POOR * usual
        or np.linalg.norm(f.fit.scan_from_body.translation_mm - _expected(ways[i], model, i))
        > _OFF_MM
    ]
    places = [(model.bodies[i], place_of(ways[i], model.lines, i)) for i in again]
    out = list(found)
    fits = _fit_places(mesh, places, settled=True)
    for i, (_, expected), new in zip(again, places, fits, strict=True):
        if new is None:
            continue
        old, pose = out[i], new.fit.scan_from_body
        shift = float(np.linalg.norm(pose.translation_mm - expected.translation_mm))
        tilt = float(angle_between_deg(pose.rotation[:, 2], expected.rotation[:, 2]))
        fair = shift < _ASTRAY_MM and tilt < _ASTRAY_DEG and new.fit.scale_mm < _SPARE_SCALE_MM
        # where several places fit, all of them go on to be judged by the flats or the others
        limit = _ALIKE if new.rivals else _BETTER
        if fair and (old is None or _cost(new) < limit * _cost(old)):
            out[i] = new
    return out


def settle_places(
    way: Arrangement, model: ReferenceModel, found: Sequence[Found | None]
) -> tuple[list[Found | None], dict[int, float]]:
    """Of places that fit a body alike take the one that goes with the flats or the others.

    Parameters
    ----------
    way : Arrangement
        The reading chosen.
    model : ReferenceModel
        The reference.
    found : sequence of Found or None
        For every implant.

    Returns
    -------
    found : list of Found or None
        With the fit that was taken.
    unsettled : dict
        By number of the implant how far away the nearest rival lies, mm,
        where no flat of the reference settles it.
    """
    out = list(found)
    unsettled: dict[int, float] = {}
    motion = way.scan_from_model
    several = [i for i, f in enumerate(found) if f is not None and f.rivals]
    for _ in range(2 if several else 0):
        for i in several:
            one = out[i]
            assert one is not None
            fits = [one.fit, *one.rivals]
            flat = motion.vectors(model.flats[i])
            if np.isfinite(flat).all():
                off = [
                    float(angle_between_deg(f.scan_from_body.rotation[:, 0], flat)) for f in fits
                ]
            else:
                place = motion.points(model.lines.points_mm[i])
                away = [np.linalg.norm(f.scan_from_body.translation_mm - place) for f in fits]
                off = [float(a) for a in away]
            best = fits.pop(int(np.argmin(off)))
            out[i] = replace(one, fit=best, rivals=tuple(fits))
            at = best.scan_from_body.translation_mm
            if not np.isfinite(flat).all():
                apart = [np.linalg.norm(f.scan_from_body.translation_mm - at) for f in fits]
                unsettled[i] = float(min(apart))
        shown = [i for i, f in enumerate(out) if f is not None]
        lines = _lines_of(model, out, shown)
        motion = fit_lines(model.lines, lines, np.array(shown), np.arange(len(shown)))
    return out, unsettled


def _without(
    implant: int, way: Arrangement, model: ReferenceModel, found: Sequence[Found | None]
) -> Arrangement:
    """The reading as the fits of the other implants place it, where there are enough."""
    others = [i for i, f in enumerate(found) if f is not None and i != implant]
    if len(others) < _ENOUGH:
        return way
    rows = np.array(others)
    motion = fit_lines(model.lines, _lines_of(model, found, others), rows, np.arange(len(rows)))
    return replace(way, scan_from_model=motion)


def _lines_of(model: ReferenceModel, found: Sequence[Found | None], shown: list[int]) -> Lines:
    poses = [f.fit.scan_from_body for f in (found[i] for i in shown) if f is not None]
    return Lines(
        np.array([p.translation_mm for p in poses]),
        np.array([p.rotation[:, 2] for p in poses]),
        model.lines.kinds[shown],
    )


def _expected(way: Arrangement, model: ReferenceModel, implant: int) -> Floats:
    return way.scan_from_model.points(model.lines.points_mm[implant])


def _fit_places(
    mesh: Mesh, places: list[tuple[PreparedBody, Rigid]], *, settled: bool = False
) -> list[Found | None]:
    """Fit a body at each place; at settled places also without a first fit, the better counts."""
    if not places:
        return []
    fits = []
    for (body, start), patch in zip(places, cut_patches(mesh, places), strict=True):
        tries = [find_body(body, patch, start)]
        if settled:
            tries.append(find_body(body, patch, start, settled=True))
        real = [f for f in tries if f is not None and f.coverage > _LEAST_COVERAGE]
        best = min(real, key=_cost, default=None)
        if best is not None and len(real) > 1:
            best = with_rivals(body, patch, best, [f for f in real if f is not best])
        fits.append(best)
    return _cut_again(mesh, places, fits)


def _cut_again(
    mesh: Mesh, places: list[tuple[PreparedBody, Rigid]], fits: list[Found | None]
) -> list[Found | None]:
    """Fit those once more that slid so far along their axes that some of them was not cut out."""
    slid = [
        i
        for i, ((_, start), one) in enumerate(zip(places, fits, strict=True))
        if one is not None
        and np.linalg.norm(one.fit.scan_from_body.translation_mm - start.translation_mm) > MARGIN_MM
    ]
    out = list(fits)
    again = [(places[i][0], one.fit.scan_from_body) for i in slid if (one := fits[i]) is not None]
    for i, (body, pose), patch in zip(slid, again, cut_patches(mesh, again), strict=True):
        out[i] = find_body(body, patch, pose, settled=True) or out[i]
    return out
