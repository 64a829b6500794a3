"""Which scan body is on which implant, and what the user must know of each."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from accstudy.errors import ComputationError, Finding, InputError, Severity
from accstudy.geometry.rigid import angle_between_deg, rotation_about_deg
from accstudy.locate.arrangement import (
    Arrangement,
    Lines,
    ReferenceModel,
    contradict,
    fit_lines,
    joined,
    match_arrangement,
    mirrored,
    misfit_mm,
    own_mirror_image,
)
from accstudy.locate.one_body import Found
from accstudy.locate.prepared import PreparedBody
from accstudy.locate.uncertainty import NoiseModel, Refined, pooled
from accstudy.words.catalogue import say

Floats = NDArray[np.float64]


_MOST_MISFIT_MM = 0.25


class NotFoundError(ComputationError):
    """A scan in which the implants' arrangement is not to be found."""

    code = "arrangement-not-found"


class WrongModelError(ComputationError):
    """A scan that shows scan bodies, but not those of its model."""

    code = "wrong-model"


class MirroredScanError(ComputationError):
    """A scan that fits its model only as its mirror image."""

    code = "mirrored-scan"


class TooFewBodiesError(ComputationError):
    """A scan that shows too few scan bodies to tell which they are."""

    code = "too-few-bodies"


def middle_of(model: ReferenceModel, found: Lines, candidate: int) -> NDArray[np.float64]:
    """Middle of a candidate: it is the same whichever end is taken for the platform."""
    top = float(model.kinds[found.kinds[candidate]].body.mesh.vertices_mm[:, 2].max())
    middle: NDArray[np.float64] = found.points_mm[candidate] + top / 2 * found.axes[candidate]
    return middle


def decide(
    model: ReferenceModel,
    found: Lines,
    found_flats: Floats,
    ways: Sequence[Arrangement],
    *,
    spare: Sequence[int],
    landmarks: Mapping[int, Floats],
) -> Arrangement:
    """Choose the reading that the candidates' final poses bear out.

    `found_flats`, (k, 3), NaN where unknown; `spare` are candidates that look like scan bodies and
    are part of no reading; `landmarks` as for `choose`.
    """
    ways = joined(ways, model.lines, found)
    _check_arrangement(model, found, ways, spare=spare, landmarks=bool(landmarks))
    return choose(model, found, found_flats, ways, landmarks)


def _check_arrangement(
    model: ReferenceModel,
    found: Lines,
    ways: Sequence[Arrangement],
    *,
    spare: Sequence[int],
    landmarks: bool,
) -> None:
    """Refuse a scan in which the implants were not found for sure, with the suspicion.

    No scan body, another model, a mirror image, or too few bodies to tell them apart. The readings
    have those with most implants first; landmarks vouch for one.
    """
    n = len(model.implants)
    matched = ways[0].matched if ways else 0
    if matched < n and not own_mirror_image(model.lines):
        other = match_arrangement(mirrored(model.lines), found)
        if other and other[0].matched > max(matched, 2):
            raise MirroredScanError(
                f"{other[0].matched} scan bodies fit the mirror image of model {model.name}, only "
                f"{matched} the model itself",
                hint="the scan was mirrored on export; export it again without mirroring",
            )
    seen = matched + len(spare)
    if matched < min(2, n):
        if not seen:
            raise NotFoundError(
                f"no scan body of model {model.name} was found in the scan",
                hint=(
                    "check the CAD geometry of the scan body, scans.length_unit and the scan itself"
                ),
            )
        if seen == 1:
            raise TooFewBodiesError(
                "only one scan body was found: its implant cannot be identified",
                hint="scan at least two scan bodies, preferably three",
            )
        raise WrongModelError(
            f"{seen} scan bodies were found, but no two of them match the implants of model "
            f"{model.name}",
            hint="check column model of this scan, and the reference",
        )
    check_spare(model, matched, len(spare), landmarks=landmarks)
    if matched < n and matched <= 3 and ways[0].misfit_mm > _MOST_MISFIT_MM and not landmarks:
        raise WrongModelError(
            f"{matched} of {n} implants of model {model.name} were found, but they lie "
            f"{1e3 * ways[0].misfit_mm:.0f} µm off their reference positions",
            hint="check column model of this scan, and the reference",
        )


def check_spare(model: ReferenceModel, matched: int, spare: int, *, landmarks: bool) -> None:
    """Refuse a scan whose scan bodies are for the greater part not where the implants are."""
    n = len(model.implants)
    doubtful = n > 2 and matched == 2 and not landmarks
    if (spare >= matched and matched < n) or (doubtful and spare):
        raise WrongModelError(
            f"{matched + spare} scan bodies were found, but only {matched} of them match the "
            f"implants of model {model.name}",
            hint="check column model of this scan, and the reference",
        )


def extra_bodies(
    model: ReferenceModel, found: Lines, spare: Sequence[int], origin_mm: Floats
) -> list[Finding]:
    """Tell of what looks like scan bodies and belongs to no implant.

    `origin_mm`, (3,), is where the origin of the candidates' coordinates lies in the scan.
    """
    return [
        Finding(
            Severity.WARNING,
            "extra-body",
            say(
                "findings.the_scan_shows_an",
                middle_of=", ".join(f"{v:.1f}" for v in middle_of(model, found, c) + origin_mm),
            ),
            mend=say("findings.no_action_is_needed"),
        )
        for c in spare
    ]


_ALIKE_MM, _ALIKE_TIMES = 0.12, 2.5
_FLATS_AGREE_DEG, _FLATS_DIFFER_DEG = 10.0, 20.0
_LANDMARK_MM = 6.0


def choose(
    model: ReferenceModel,
    found: Lines,
    found_flats: Floats,
    ways: Sequence[Arrangement],
    landmarks: Mapping[int, Floats],
) -> Arrangement:
    """Choose between readings of the arrangement by what was measured.

    Their misfit is that of the fitted poses. `found_flats`, (k, 3), are NaN where unknown;
    `landmarks` are approximate positions, (3,) in mm in the scan frame, by number of the implant.
    An error if two readings fit alike and nothing settles which one is right, or if the landmarks
    contradict every reading.
    """
    if landmarks:
        return _by_landmarks(ways, model, found, landmarks)
    most = max(way.matched for way in ways)
    fitted = sorted((w for w in ways if w.matched == most), key=lambda w: w.misfit_mm)
    limit = max(_ALIKE_MM, _ALIKE_TIMES * fitted[0].misfit_mm)
    alike = [
        w for w in fitted if w.misfit_mm <= limit and (w is fitted[0] or contradict(fitted[0], w))
    ]
    if len(alike) == 1:
        return alike[0]
    names, flats = (
        model.implants,
        [_flat_misfit_deg(w, model.flats, found_flats, found) for w in alike],
    )
    agree = [w for w, f in zip(alike, flats, strict=True) if f < _FLATS_AGREE_DEG]
    differ = [f for f in flats if f > _FLATS_DIFFER_DEG]
    if len(agree) == 1 and len(differ) == len(alike) - 1:
        return agree[0]
    first, second = alike[0], alike[1]
    given = bool(np.isfinite(model.flats).all())
    swapped = [
        n for n, a, b in zip(names, first.candidate, second.candidate, strict=True) if a != b
    ]
    raise AmbiguousArrangementError(
        f"the implants fit the scan in {len(alike)} ways that cannot be distinguished (misfit "
        f"{1e3 * first.misfit_mm:.0f} and {1e3 * second.misfit_mm:.0f} µm); "
        f"in doubt: {', '.join(swapped)}",
        hint="give approximate positions in landmarks.csv (scan, implant, x_mm, y_mm, z_mm) "
        f"for {swapped[0] if swapped else names[0]} at least, and name the file in "
        "scans.landmarks" + ("" if given else "; or give the flats in the reference"),
    )


class AmbiguousArrangementError(ComputationError):
    """A scan that shows the implants in more than one way."""

    code = "ambiguous-arrangement"


class LandmarkError(InputError):
    """Landmarks that no reading of the scan explains."""

    code = "landmarks-disagree"


def _by_landmarks(
    ways: Sequence[Arrangement],
    model: ReferenceModel,
    found: Lines,
    landmarks: Mapping[int, Floats],
) -> Arrangement:
    """Take the reading that brings the implants to their landmarks."""

    def away(way: Arrangement) -> float:
        each = []
        for implant, mark in landmarks.items():
            c = way.candidate[implant]
            motion = way.scan_from_model
            if c < 0:  # not found: where it should be
                foot, axis = model.lines.points_mm[implant], model.lines.axes[implant]
                foot, axis = motion.points(foot), motion.vectors(axis)
            else:
                foot, axis = found.points_mm[c], found.axes[c]
            along = np.clip((mark - foot) @ axis, 0.0, 10.0)
            each.append(float(np.linalg.norm(mark - foot - along * axis)))
        return max(each)

    distance = [away(way) for way in ways]
    most = max(way.matched for way in ways)
    near = [k for k in range(len(ways)) if distance[k] < _LANDMARK_MM]
    fit = [(ways[k].misfit_mm, k) for k in near if ways[k].matched == most]
    given = ", ".join(model.implants[i] for i in landmarks)
    if near and not fit:
        raise LandmarkError(
            f"the landmarks of {given} fit only an assignment that matches "
            f"{ways[near[0]].matched} scan bodies, whereas another matches {most}",
            hint="check which implant each row of landmarks.csv names",
        )
    if not fit:
        raise LandmarkError(
            f"no assignment of the scan bodies brings {given} within {_LANDMARK_MM:g} mm of the "
            "landmarks "
            f"(the nearest: {min(distance):.1f} mm)",
            hint="landmarks.csv needs positions in the coordinates of the scan, in mm",
        )
    return ways[min(fit)[1]]


def _flat_misfit_deg(
    way: Arrangement, reference_flats: Floats, found_flats: Floats, found: Lines
) -> float:
    """Median rotation between the flats as they should be and as they are; NaN without any."""
    each = []
    for i, c in enumerate(way.candidate):
        if c < 0 or not np.isfinite(reference_flats[i] @ found_flats[c]):
            continue
        expected = way.scan_from_model.vectors(reference_flats[i])
        each.append(abs(float(rotation_about_deg(found.axes[c], expected, found_flats[c]))))
    return float(np.median(each)) if each else float("nan")


FAIR_COVERAGE = 0.4
OFFSET_LOW_UM, OFFSET_HIGH_UM = -10.0, 45.0
"""Usual distance of a scanned surface from the drawing: common practice, no source;
published means of the absolute distance lie between 21 and 39 um."""
_MOST_RMS_UM, _WORSE = 60.0, 1.8
_MOST_U_UM = 50.0
_DOUBLE = 1.35
_TURN_DEG = 0.25  # standard uncertainty: 95 % of the rotations given lie within 0.5 deg
_POOR_MM = 0.3
_BODY_MM = 2.2  # radius of a scan body: common practice, no source
_SHOWN_MM = 0.15  # per unit of growth
_LEARNED_UM = 2.0
_DRAWING_UM, _SURE, _LEAST_UM, _TELLING = 0.5, 4.0, 20.0, 0.02  # for drawings of a wrong size
_WITNESSED = 2.0


@dataclass(frozen=True, slots=True)
class Verdict:
    """Status of one implant in one scan."""

    status: str  # ``ok``, ``doubtful`` or ``missing``
    note: str  # what the user should know, in a phrase; empty if nothing
    turn_known: bool  # whether the rotation about the axis is determined to 0.5 deg (95 %)
    findings: tuple[Finding, ...]  # the same for the list of findings


def judge_body(
    implant: str,
    found: Found,
    refined: Refined,
    *,
    has_flat: bool,
    usual_rms_um: float,
    rival_um: float = 0.0,
    slenderness: float = 1.0,
) -> Verdict:
    """Judge one scan body that was found.

    `usual_rms_um` is the median of the residuals' rms over the scan's bodies, `rival_um` how far
    away another pose fits as well (0 without one). `slenderness` is the height of the body's top
    over the smallest radius of its sides: a body larger than its drawing by a factor shows an
    offset of that part of its radius and, at worst, a height off by that part of its height.
    """
    notes: list[tuple[str, str, str]] = []  # code, what, mend
    rms = rms_um(found)
    if found.coverage < FAIR_COVERAGE:
        notes.append(
            (
                "little-surface",
                f"the scan shows {100 * found.coverage:.0f} % of the scan body on {implant}",
                "scan again, or treat its uncertainties with caution",
            )
        )
    if found.layers > _DOUBLE:
        notes.append(
            (
                "doubled-surface",
                f"the surface of the scan body on {implant} appears {found.layers:.1f} times: "
                "layers that were not merged",
                "scan again; the position lies between the layers",
            )
        )
    if rms > _MOST_RMS_UM or rms > max(_WORSE * usual_rms_um, 15.0):
        notes.append(
            (
                "rough-fit",
                f"the surface on {implant} differs from the CAD geometry by {rms:.0f} µm rms",
                "look at the scan; check that the CAD geometry is that of the scan body used",
            )
        )
    offset, u_offset = 1e3 * refined.offset_mm, 1e3 * float(np.sqrt(refined.covariance[6, 6]))
    if offset > OFFSET_HIGH_UM + 2 * u_offset or offset < OFFSET_LOW_UM - 2 * u_offset:
        side = "outside" if offset > 0 else "inside"
        notes.append(
            (
                "unusual-offset",
                f"the scanned surface on {implant} lies {abs(offset):.0f} µm {side} the CAD "
                f"geometry; {OFFSET_LOW_UM:.0f} to {OFFSET_HIGH_UM:.0f} µm is usual",
                "check that the CAD geometry is that of the scan body used; if the size differs, "
                f"heights are wrong by up to {_height_um(offset, slenderness):.0f} µm",
            )
        )
    if rival_um:
        notes.append(
            (
                "two-poses",
                f"two poses {rival_um:.0f} µm apart fit the scan body on {implant} equally well; "
                "the one nearer to its reference position was used",
                "give the flats in the reference (flat_x, flat_y, flat_z)",
            )
        )
    u = 1e3 * float(refined.u_position_mm.max())
    if not u < _MOST_U_UM:
        notes.append(
            (
                "weak-fit",
                f"the visible surface on {implant} leaves its position uncertain by {u:.0f} µm",
                "scan the top and the sides of the scan body",
            )
        )
    single = len(found.turns_deg) == 1 and not rival_um
    known = single and refined.u_turn_deg < _TURN_DEG
    texts = [what for _, what, _ in notes]
    if has_flat and not known:
        within = f"fixed to {2 * refined.u_turn_deg:.1f} deg only"
        why = within if single else "the flat is not visible"
        texts.append(f"rotation unknown: {why}")
    return Verdict(
        status="doubtful" if notes else "ok",
        note="; ".join(texts),
        turn_known=known,
        findings=tuple(Finding(Severity.WARNING, c, w, mend=m) for c, w, m in notes),
    )


def _height_um(offset_um: float, slenderness: float) -> float:
    """Largest error of a height if the offset comes from CAD geometry of another size.

    The surface itself may lie anywhere within the usual offsets, so that the size may be off by
    more than the offset shows.
    """
    usual = OFFSET_HIGH_UM if offset_um < 0 else -OFFSET_LOW_UM
    return (abs(offset_um) + usual) * slenderness


def wrong_size(
    bodies: Mapping[str, Refined], *, top_mm: float, learned: bool = False
) -> Finding | None:
    """Notice that the scan bodies of one drawing fit it better in another size.

    None where the size is right, and where nothing on the body tells it: the sides and the top of a
    plain cylinder or prism fix radius and height, and these go with the surface's offset and the
    platform. Half a micrometre of error of the drawing or of its facets is allowed for as a
    standard uncertainty, two of a surface that was learned (in simulations it lies 1 to 2 um off
    the solid), and four of the combined ones are asked for; two where fillets and edges are left
    out, which a drawing in chords and a scanner round off.
    """
    drawing_mm = 1e-3 * (_LEARNED_UM if learned else _DRAWING_UM)
    growth, u = pooled([one.growth for one in bodies.values()], drawing_mm=drawing_mm)
    if u > _TELLING or abs(growth) < _SURE * u or 1e3 * abs(growth) * top_mm < _LEAST_UM:
        return None
    witness, u_witness = pooled([one.witness for one in bodies.values()], drawing_mm=drawing_mm)
    if witness * np.sign(growth) < _WITNESSED * u_witness:
        return None
    side = "larger" if growth > 0 else "smaller"
    most_um = 1e3 * (abs(growth) + 2 * u) * top_mm
    return Finding(
        Severity.WARNING,
        "wrong-size",
        say(
            "findings.the_scan_bodies_on",
            bodies=", ".join(bodies),
            growth=100 * abs(growth),
            u=200 * u,
            side=side,
            when_they_were_derived=say("findings.when_they_were_derived")
            if learned
            else say("findings.their_cad_geometry"),
            most_um=most_um,
        ),
        mend=(say("findings.check_that_the_cad")),
    )


def untold_size(body: PreparedBody) -> Finding | None:
    """Notice a drawing whose size a scan cannot tell; the same note for every scan.

    A body 1 % larger than its drawing would fit it within 1.5 um (root mean square; fillets left
    out) by a higher platform and another surface offset. None for a body that was learned: its size
    was seen, not stated.
    """
    if body.body.learned or body.growth.shown_mm >= _SHOWN_MM:
        return None
    return Finding(
        Severity.NOTE,
        "untold-size",
        say("findings.a_scan_may_not", name=body.body.name, height_mm=10 * body.growth.height_mm),
        f"study.toml::scan_body.{body.body.name}",
        say("findings.measure_diameter_and_height"),
    )


def two_bodies(first: str, second: str) -> Finding:
    """Of more than two implants these alone were found."""
    return Finding(
        Severity.WARNING,
        "two-bodies",
        say("findings.only_and_were_found", first=first, second=second),
        mend=say("findings.check_with_approximate_positions"),
    )


def long_noise(noise: NoiseModel | None) -> Finding | None:
    """Notice noise that is alike over a whole scan body, which no scan can tell from a motion."""
    if noise is None or noise.correlation_mm < _BODY_MM:
        return None
    return Finding(
        Severity.WARNING,
        "long-noise",
        say("findings.the_residuals_are_correlated", correlation_mm=noise.correlation_mm),
        mend=say("findings.rely_on_the_scatter"),
    )


def rms_um(found: Found) -> float:
    """Weighted root mean square of a fit's residuals, um."""
    fit = found.fit
    total = float(fit.weight.sum())
    return 1e3 * float(np.sqrt(fit.weight @ fit.residual_mm**2 / total)) if total > 0 else np.inf


def poor_agreement(reference: Lines, found: Lines) -> Finding | None:
    """Notice that the bodies as a whole do not lie as the reference says; both row by row."""
    every = np.arange(len(found.points_mm))
    motion = fit_lines(reference, found, every, every)
    misfit = misfit_mm(reference, found, every, every, motion)
    if misfit < _POOR_MM:
        return None
    return Finding(
        Severity.WARNING,
        "poor-agreement",
        say("findings.the_scan_bodies_lie", misfit=1000.0 * misfit),
        mend=say("findings.check_that_the_reference"),
    )


def stray_body(reference: Lines, found: Lines, names: Sequence[str]) -> Finding | None:
    """Notice one scan body without which the others agree far better; all three row by row."""
    n = len(names)
    if n < 4:
        return None
    every = np.arange(n)
    rest = []
    for i in range(n):
        others = np.delete(every, i)
        motion = fit_lines(reference, found, others, others)
        rest.append((misfit_mm(reference, found, others, others, motion), i, motion))
    least, i, motion = min(rest, key=lambda r: r[0])
    one = np.array([i])
    away = misfit_mm(reference, found, one, one, motion)
    if away < 0.2 or away < 4 * max(least, 0.02):
        return None
    shift = 1e3 * np.linalg.norm(motion.points(reference.points_mm[i]) - found.points_mm[i])
    tilt = float(angle_between_deg(motion.vectors(reference.axes[i]), found.axes[i]))
    return Finding(
        Severity.WARNING,
        "stray-body",
        say(
            "findings.the_scan_body_on",
            names=names[i],
            shift=shift,
            tilt=tilt,
            least=1000.0 * least,
        ),
        mend=say("findings.check_that_it_was"),
    )
