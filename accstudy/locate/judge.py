"""Findings on a located scan body, and on the scan."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from accstudy.errors import Finding, Severity
from accstudy.geometry.rigid import angle_between_deg
from accstudy.locate.arrangement import Lines, fit_lines, misfit_mm
from accstudy.locate.one_body import Found
from accstudy.locate.prepared import PreparedBody
from accstudy.locate.refine import Refined, pooled
from accstudy.locate.uncertainty import NoiseModel
from accstudy.words.catalogue import say

__all__ = [
    "Verdict",
    "judge_body",
    "long_noise",
    "poor_agreement",
    "rms_um",
    "stray_body",
    "two_bodies",
    "untold_size",
    "wrong_size",
]

Floats = NDArray[np.float64]

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
    """Status of one implant in one scan.

    Parameters
    ----------
    status : str
        ``ok``, ``doubtful`` or ``missing``.
    note : str
        What the user should know, in a phrase; empty if nothing.
    turn_known : bool
        Whether the rotation about the axis is determined to 0.5 deg (95 %).
    findings : tuple of Finding
        The same for the list of findings.
    """

    status: str
    note: str
    turn_known: bool
    findings: tuple[Finding, ...]


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

    Parameters
    ----------
    implant : str
        Its implant, for messages.
    found : Found
        The robust fit with coverage and layers.
    refined : Refined
        Final pose with uncertainties.
    has_flat : bool
        Whether the drawing fixes the rotation.
    usual_rms_um : float
        Median of the residuals' rms over the scan's bodies.
    rival_um : float
        How far away another pose fits as well; 0 without one.
    slenderness : float
        Height of the body's top over the smallest radius of its sides: a body
        that is larger than its drawing by a factor shows an offset of that part
        of its radius and, at worst, a height off by that part of its height.

    Returns
    -------
    Verdict
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

    Parameters
    ----------
    bodies : mapping of Refined
        Final poses of the bodies with that drawing, by implant.
    top_mm : float
        Height of the drawing's top.
    learned : bool, optional
        Whether the drawing was derived from a scan.

    Returns
    -------
    Finding or None
        None where the size is right, and where nothing on the body tells it: the sides and the
        top of a plain cylinder or prism fix radius and height, and these go with the surface's
        offset and the platform.

    Notes
    -----
    Half a micrometre of error of the drawing or of its facets is allowed for as a standard
    uncertainty, two of a surface that was learned (in simulations it lies 1 to 2 um off the
    solid), and four of the combined ones are asked for; two where fillets and edges are left out,
    which a drawing in chords and a scanner round off.
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
    """Notice a drawing whose size a scan cannot tell.

    Parameters
    ----------
    body : PreparedBody
        The drawing.

    Returns
    -------
    Finding or None
        A note, the same for every scan, where a body 1 % larger than its drawing would fit it
        within 1.5 um (root mean square; fillets left out) by a higher platform and another
        surface offset. None for a body that was learned: its size was seen, not stated.
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
    """Notice noise that is alike over a whole scan body, which no scan can tell from a motion.

    Parameters
    ----------
    noise : NoiseModel or None
        Of the scan, from the residuals on its bodies.

    Returns
    -------
    Finding or None
    """
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
    """Notice that the bodies as a whole do not lie as the reference says.

    Parameters
    ----------
    reference, found : Lines
        The implants that were found, row by row.

    Returns
    -------
    Finding or None
    """
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
    """Notice one scan body that does not go with the others.

    Parameters
    ----------
    reference, found : Lines
        The implants that were found, row by row.
    names : sequence of str
        Their names.

    Returns
    -------
    Finding or None
        For the body without which the others agree far better.
    """
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
