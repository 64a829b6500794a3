"""A scan to the poses of its implants, also where their positions are not known."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from accstudy.errors import Finding, Severity
from accstudy.geometry.rigid import Rigid, frame_from_axis, rotation_about_deg, unit
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
from accstudy.locate.prepared import PreparedBody, prepare_body, turned
from accstudy.locate.scan_body import PlacedBody, ScanBody, find_placed
from accstudy.locate.search import (
    detected,
    fit_candidates,
    fitted_lines,
    lies_in,
    oriented_cloud,
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
