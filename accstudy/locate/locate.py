"""A scan to the poses of its implants."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from accstudy.errors import Finding, Severity
from accstudy.geometry.rigid import Rigid, rotation_about_deg
from accstudy.locate.arrangement import (
    Arrangement,
    Lines,
    ReferenceModel,
    check_size,
    empty_places,
    fit_lines,
    match_arrangement,
    reference_model,
    refit,
)
from accstudy.locate.drawing import PlacedBody, ScanBody, find_placed
from accstudy.locate.judge import (
    NotFoundError,
    Verdict,
    check_spare,
    decide,
    extra_bodies,
    judge_body,
    long_noise,
    middle_of,
    poor_agreement,
    rms_um,
    stray_body,
    two_bodies,
    untold_size,
    wrong_size,
)
from accstudy.locate.one_body import Found
from accstudy.locate.prepared import PreparedBody, turned
from accstudy.locate.search import (
    fit_candidates,
    fitted_lines,
    lies_in,
    recover,
    same_bodies,
    search,
    settle_places,
    spare_bodies,
)
from accstudy.locate.uncertainty import Refined, determined, refine_fits
from accstudy.mesh.model import Mesh
from accstudy.tables import shape
from accstudy.words.catalogue import say

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class LocatedScan:
    """Implants of a model located in a scan.

    Parameters
    ----------
    poses : DataFrame
        Table ``poses``, a row for every implant of the reference, in its order.
    findings : tuple of Finding
        What the user should know.
    scan_from_model : Rigid
        The model as one rigid body, placed in the scan.
    """

    poses: pd.DataFrame
    findings: tuple[Finding, ...]
    scan_from_model: Rigid


def locate_scan(
    mesh: Mesh,
    *,
    reference: pd.DataFrame,
    bodies: Mapping[str, ScanBody],
    scan: str = "",
    landmarks: pd.DataFrame | None = None,
) -> LocatedScan:
    """Find every implant of a model in a scan of it.

    Parameters
    ----------
    mesh : Mesh
        The scan, in mm.
    reference : DataFrame
        Rows of table ``implants``, one model.
    bodies : mapping of ScanBody
        Scan bodies by the key that column ``scan_body`` names.
    scan : str
        Name of the scan, for the table.
    landmarks : DataFrame, optional
        Rows of table ``landmarks`` of this scan; they settle which implant is
        which where the scan alone cannot.

    Returns
    -------
    LocatedScan
        The same for the same input, whatever was located before.

    Raises
    ------
    ComputationError
        If the implants are not found, fit mirrored only, or fit in more than
        one way.
    InputError
        If the reference is incomplete, or the scan's size speaks of another
        unit.

    Notes
    -----
    Standard uncertainties are those of the fit under the scan's own noise,
    with its correlation estimated from the residuals. They do not contain the
    seating of the scan body, the drawing's own error, or stitching errors of
    the scan, which move whole bodies.
    """
    model = reference_model(reference, bodies)
    check_size(mesh, model)
    middle = np.median(mesh.vertices_mm, axis=0)
    mesh = Mesh(mesh.vertices_mm - middle, mesh.faces)
    marks = _marks(landmarks, model, middle)
    placed = find_placed(mesh, [kind.drawing for kind in model.kinds])
    if placed is not None:
        return _locate_placed(model, scan, middle, placed, marks)
    return _locate_scanned(mesh, model, scan, middle, marks)


def _locate_scanned(
    mesh: Mesh, model: ReferenceModel, scan: str, middle: Floats, marks: dict[int, Floats]
) -> LocatedScan:
    """Locate in a scanned surface."""
    candidates, ways = search(mesh, model)
    turned_out: list[Finding] = []
    if not ways:
        flipped = Mesh(mesh.vertices_mm, np.ascontiguousarray(mesh.faces[:, ::-1]))
        other, other_ways = search(flipped, model)
        if other_ways:
            mesh, candidates, ways = flipped, other, other_ways
            turned_out.append(
                Finding(
                    Severity.WARNING,
                    "inside-out",
                    say("findings.the_triangles_of_the"),
                    mend=say("findings.export_the_scan_with"),
                )
            )
    most = ways[0].matched if ways else 0
    ways = [way for way in ways if marks or way.matched == most]
    fit_candidates(mesh, model, candidates, {c for way in ways for c in way.candidate if c >= 0})
    same = same_bodies(model, candidates)
    ways = [way for way in (_kept(way, same) for way in ways) if way is not None]
    ways = list({way.candidate: way for way in ways}.values())
    spare = spare_bodies(mesh, model, candidates, ways[0].candidate if ways else ())
    lines, flats = fitted_lines(candidates)
    places = empty_places(ways[0], model) if ways else []
    elsewhere = _not_in(places, model, lines, spare)  # on an implant it may be a poor start
    chosen = decide(model, lines, flats, ways, spare=elsewhere, landmarks=marks)
    found = [candidates.fits[c] if c >= 0 else None for c in chosen.candidate]
    found, rivals = settle_places(chosen, model, recover(mesh, model, chosen, found))
    bodies = [(f.fit.scan_from_body, model.bodies[i]) for i, f in enumerate(found) if f]
    spare = _not_in(bodies, model, lines, spare)
    check_spare(model, len(bodies), len(spare), landmarks=bool(marks))
    findings = turned_out + extra_bodies(model, lines, spare, middle)
    return _report(model, scan, middle, found, findings, rivals)


def _not_in(
    bodies: Sequence[tuple[Rigid, PreparedBody]],
    model: ReferenceModel,
    lines: Lines,
    candidates: Sequence[int],
) -> list[int]:
    """Candidates that do not lie in one of these bodies."""
    return [
        c
        for c in candidates
        if not any(lies_in(middle_of(model, lines, c), *one) for one in bodies)
    ]


def _locate_placed(
    model: ReferenceModel,
    scan: str,
    middle: Floats,
    placed: list[PlacedBody],
    marks: dict[int, Floats],
) -> LocatedScan:
    """Locate among drawings that were placed by a design program."""
    poses = [p.scan_from_body for p in placed]
    lines = Lines(
        np.array([p.translation_mm for p in poses]),
        np.array([p.rotation[:, 2] for p in poses]),
        np.array([p.kind for p in placed]),
    )
    flats = np.array([p.rotation[:, 0] for p in poses])
    flats[[not model.kinds[p.kind].body.has_flat for p in placed]] = np.nan
    ways = match_arrangement(model.lines, lines)
    taken = {placed[c].piece for c in ways[0].candidate if c >= 0} if ways else set()
    free = {p.piece: c for c, p in enumerate(placed) if p.piece not in taken}
    spare = list(free.values())
    chosen = decide(model, lines, flats, ways, spare=spare, landmarks=marks)
    findings = extra_bodies(model, lines, spare, middle)
    rows = []
    for implant, c in zip(model.implants, chosen.candidate, strict=True):
        row: dict[str, object] = {"scan": scan, "model": model.name, "implant": implant}
        rows.append(row)
        if c < 0:
            row |= {"status": "missing", "note": "not found"}
            findings.append(_missing(f"the file contains no scan body on {implant}"))
            continue
        u_mm = placed[c].rms_mm / np.sqrt(3.0)
        row |= _pose_row(poses[c], middle, flats[c], np.full(3, u_mm))
        row |= {
            "u_axis_deg": np.degrees(u_mm / model.kinds[placed[c].kind].reach_mm),
            "fit_rms_um": 1e3 * placed[c].rms_mm,
            "offset_um": 0.0,
            "coverage": 1.0,
            "status": "ok",
            "note": "placed CAD geometry, not a scanned surface",
        }
    findings.append(
        Finding(
            Severity.NOTE,
            "placed-bodies",
            say("findings.the_file_contains_scan"),
            mend=say("findings.none_needed_the_fit"),
        )
    )
    motion = refit(chosen, model.lines, lines).scan_from_model
    return LocatedScan(shape("poses", pd.DataFrame(rows)), tuple(findings), _moved(motion, middle))


def _marks(
    landmarks: pd.DataFrame | None, model: ReferenceModel, middle: Floats
) -> dict[int, Floats]:
    """Landmarks by implant number, in the coordinates used here."""
    if landmarks is None:
        return {}
    return {
        model.implants.index(str(row["implant"])): row[["x_mm", "y_mm", "z_mm"]].to_numpy(float)
        - middle
        for _, row in landmarks.iterrows()
        if str(row["implant"]) in model.implants
    }


def _kept(way: Arrangement, same: Mapping[int, int]) -> Arrangement | None:
    """Drop from a reading what is no scan body, and name each body by one candidate."""
    candidate = tuple(same.get(c, -1) for c in way.candidate)
    real = [c for c in candidate if c >= 0]
    return replace(way, candidate=candidate) if real and len(set(real)) == len(real) else None


def _report(
    model: ReferenceModel,
    scan: str,
    middle: Floats,
    found: Sequence[Found | None],
    findings: list[Finding],
    rivals: Mapping[int, float],
) -> LocatedScan:
    """Refine all fits together, judge them, write the table."""
    all_refined, noise = refine_fits([f.fit if f else None for f in found], model.bodies)
    by_implant = {i: r for i, r in enumerate(all_refined) if r is not None and determined(r)}
    shown, refined = list(by_implant), list(by_implant.values())
    if not shown:
        raise NotFoundError(
            f"what looks like scan bodies of model {model.name} does not fit their CAD geometry",
            hint="check the CAD geometry of the scan body, its origin and axis, and the reference",
        )
    seen = Lines(
        np.array([r.scan_from_body.translation_mm for r in refined]),
        np.array([r.scan_from_body.rotation[:, 2] for r in refined]),
        model.lines.kinds[shown],
    )
    expected = Lines(
        model.lines.points_mm[shown], model.lines.axes[shown], model.lines.kinds[shown]
    )
    every = np.arange(len(shown))
    motion = fit_lines(expected, seen, every, every)
    findings = list(findings)
    stray = stray_body(expected, seen, [model.implants[i] for i in shown])
    findings.extend(f for f in (stray, poor_agreement(expected, seen), long_noise(noise)) if f)
    usual = float(np.median([rms_um(f) for f in found if f is not None]))
    few = len(shown) == 2 < len(model.implants)
    sizes: dict[int, Finding] = {}
    for kind, body in enumerate(model.kinds):
        mine = {model.implants[i]: r for i, r in by_implant.items() if model.bodies[i] is body}
        top_mm = float(body.points_mm[:, 2].max())
        size = wrong_size(mine, top_mm=top_mm, learned=body.body.learned) if mine else None
        if size:
            findings.append(size)
            sizes |= {i: size for i in shown if model.lines.kinds[i] == kind}
        elif mine and (untold := untold_size(body)):
            findings.append(untold)
    rows, fair = [], 0
    for i, implant in enumerate(model.implants):
        one = found[i]
        row: dict[str, object] = {"scan": scan, "model": model.name, "implant": implant}
        rows.append(row)
        if one is None:
            row |= {"status": "missing", "note": "not found"}
            findings.append(_missing(f"the scan shows no scan body on {implant}"))
            continue
        if i not in by_implant:
            row |= {"status": "missing", "note": "too little visible to determine its position"}
            what = (
                f"the scan shows too little of the scan body on {implant} to determine its position"
            )
            findings.append(_missing(what))
            continue
        refined_one = _turned_to_flat(by_implant[i], one, motion.vectors(model.flats[i]))
        verdict = judge_body(
            implant,
            one,
            refined_one,
            has_flat=model.bodies[i].body.has_flat,
            usual_rms_um=usual,
            rival_um=1e3 * rivals.get(i, 0.0),
            slenderness=model.bodies[i].slenderness,
        )
        findings.extend(verdict.findings)
        fair += not verdict.findings and i not in sizes
        row |= _pose_columns(refined_one, one, verdict, middle)
        if few:
            row |= {"status": "doubtful", "note": _joined(row["note"], "one of two bodies found")}
        if i in sizes:
            row |= {
                "status": "doubtful",
                "note": _joined(row["note"], "CAD geometry of another size"),
            }
    if not fair and 2 * len(shown) <= len(model.implants):
        raise NotFoundError(
            f"what looks like scan bodies of model {model.name} on "
            f"{', '.join(model.implants[i] for i in shown)} does not fit their CAD geometry, and "
            "the other implants show none",
            hint="check that scan bodies were scanned, not abutments, and check their CAD geometry",
        )
    if few:
        findings.append(two_bodies(model.implants[shown[0]], model.implants[shown[1]]))
    return LocatedScan(shape("poses", pd.DataFrame(rows)), tuple(findings), _moved(motion, middle))


def _missing(what: str) -> Finding:
    mend = say("findings.scan_again_if_it")
    return Finding(Severity.WARNING, "missing-body", what, mend=mend)


def _moved(motion: Rigid, middle: Floats) -> Rigid:
    return Rigid(motion.rotation, motion.translation_mm + middle)


def _joined(*notes: object) -> str:
    return "; ".join(str(note) for note in notes if note)


def _turned_to_flat(refined: Refined, found: Found, flat: Floats) -> Refined:
    """Of rotations that look alike take the one nearest to the reference's flat, if known."""
    if len(found.turns_deg) < 2 or not np.isfinite(flat).all():
        return refined
    poses = [turned(refined.scan_from_body, a) for a in found.turns_deg]
    away = [abs(float(rotation_about_deg(p.rotation[:, 2], flat, p.rotation[:, 0]))) for p in poses]
    return replace(refined, scan_from_body=poses[int(np.argmin(away))])


def _pose_columns(
    refined: Refined, found: Found, verdict: Verdict, middle: Floats
) -> dict[str, object]:
    pose = refined.scan_from_body
    flat = pose.rotation[:, 0] if verdict.turn_known else np.full(3, np.nan)
    row = _pose_row(pose, middle, flat, refined.u_position_mm)
    return row | {
        "u_axis_deg": refined.u_axis_deg,
        "fit_rms_um": rms_um(found),
        "offset_um": 1e3 * refined.offset_mm,
        "coverage": found.coverage,
        "status": verdict.status,
        "note": verdict.note,
    }


def _pose_row(pose: Rigid, middle: Floats, flat: Floats, u_mm: Floats) -> dict[str, object]:
    row: dict[str, object] = {}
    for k, c in enumerate("xyz"):
        row[f"{c}_mm"] = pose.translation_mm[k] + middle[k]
        row[f"axis_{c}"] = pose.rotation[k, 2]
        row[f"flat_{c}"] = flat[k]
        row[f"u_{c}_um"] = 1e3 * u_mm[k]
    return row
