"""Which assignment of scan bodies to implants is correct, or why a scan is rejected."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from accstudy.errors import ComputationError, Finding, InputError, Severity
from accstudy.geometry.rigid import rotation_about_deg
from accstudy.locate.arrangement import (
    Arrangement,
    Lines,
    contradict,
    joined,
    match_arrangement,
    mirrored,
    own_mirror_image,
)
from accstudy.locate.model import ReferenceModel
from accstudy.words.catalogue import say

__all__ = [
    "Choice",
    "NotFoundError",
    "check_arrangement",
    "check_spare",
    "choose",
    "decide",
    "extra_bodies",
    "middle_of",
]

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

    Parameters
    ----------
    model : ReferenceModel
        The reference.
    found : Lines
        Candidates with their fitted poses.
    found_flats : (k, 3) ndarray
        Directions of their flats; NaN where unknown.
    ways : sequence of Arrangement
        Readings of the arrangement.
    spare : sequence of int
        Candidates that look like scan bodies and are part of no reading.
    landmarks : mapping
        As for `choose`.

    Raises
    ------
    ComputationError, InputError
        As of `check_arrangement` and `choose`.
    """
    ways = joined(ways, model.lines, found)
    check_arrangement(model, found, ways, spare=spare, landmarks=bool(landmarks))
    return choose(
        ways,
        model.lines,
        found,
        reference_flats=model.flats,
        found_flats=found_flats,
        landmarks=landmarks,
        names=model.implants,
    ).way


def check_arrangement(
    model: ReferenceModel,
    found: Lines,
    ways: Sequence[Arrangement],
    *,
    spare: Sequence[int],
    landmarks: bool,
) -> None:
    """Refuse a scan in which the implants were not found for sure.

    Parameters
    ----------
    model : ReferenceModel
        The reference.
    found : Lines
        Candidates.
    ways : sequence of Arrangement
        Readings of the arrangement, most implants first.
    spare : sequence of int
        Candidates that look like scan bodies and are part of no reading.
    landmarks : bool
        Whether landmarks vouch for a reading.

    Raises
    ------
    ComputationError
        With the suspicion: no scan body, another model, a mirror image, or too
        few bodies to tell them apart.
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
    """Refuse a scan whose scan bodies are for the greater part not where the implants are.

    Parameters
    ----------
    model : ReferenceModel
        The reference.
    matched : int
        Implants with a scan body.
    spare : int
        Scan bodies elsewhere.
    landmarks : bool
        Whether landmarks vouch for a reading.

    Raises
    ------
    WrongModelError
    """
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

    Parameters
    ----------
    model : ReferenceModel
        The reference.
    found : Lines
        Candidates.
    spare : sequence of int
        Those that belong to no implant.
    origin_mm : (3,) ndarray
        Where the origin of the candidates' coordinates lies in the scan.
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


@dataclass(frozen=True, slots=True)
class Choice:
    """The reading that was chosen.

    Parameters
    ----------
    way : Arrangement
        The reading.
    by : str
        ``scan``, ``flats`` or ``landmarks``: what settled it.
    """

    way: Arrangement
    by: str


def choose(
    ways: Sequence[Arrangement],
    reference: Lines,
    found: Lines,
    *,
    reference_flats: Floats,
    found_flats: Floats,
    landmarks: Mapping[int, Floats],
    names: Sequence[str],
) -> Choice:
    """Choose between readings of the arrangement by what was measured.

    Parameters
    ----------
    ways : sequence of Arrangement
        Readings, their misfit that of the fitted poses.
    reference : Lines
        The implants.
    found : Lines
        Candidates with their fitted poses.
    reference_flats, found_flats : (n, 3) and (k, 3) ndarray
        Directions of the flats; NaN where unknown.
    landmarks : mapping
        Approximate position, (3,) in mm in the scan frame, by implant number.
    names : sequence of str
        Names of the implants, for messages.

    Returns
    -------
    Choice

    Raises
    ------
    ComputationError
        If two readings fit alike and nothing settles which one is right.
    InputError
        If the landmarks contradict every reading.
    """
    if landmarks:
        return _by_landmarks(ways, reference, found, landmarks, names)
    most = max(way.matched for way in ways)
    fitted = sorted((w for w in ways if w.matched == most), key=lambda w: w.misfit_mm)
    limit = max(_ALIKE_MM, _ALIKE_TIMES * fitted[0].misfit_mm)
    alike = [
        w for w in fitted if w.misfit_mm <= limit and (w is fitted[0] or contradict(fitted[0], w))
    ]
    if len(alike) == 1:
        return Choice(alike[0], "scan")
    flats = [_flat_misfit_deg(w, reference_flats, found_flats, found) for w in alike]
    agree = [w for w, f in zip(alike, flats, strict=True) if f < _FLATS_AGREE_DEG]
    differ = [f for f in flats if f > _FLATS_DIFFER_DEG]
    if len(agree) == 1 and len(differ) == len(alike) - 1:
        return Choice(agree[0], "flats")
    first, second = alike[0], alike[1]
    given = bool(np.isfinite(reference_flats).all())
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
    reference: Lines,
    found: Lines,
    landmarks: Mapping[int, Floats],
    names: Sequence[str],
) -> Choice:
    """Take the reading that brings the implants to their landmarks."""

    def away(way: Arrangement) -> float:
        each = []
        for implant, mark in landmarks.items():
            c = way.candidate[implant]
            motion = way.scan_from_model
            if c < 0:  # not found: where it should be
                foot, axis = reference.points_mm[implant], reference.axes[implant]
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
    given = ", ".join(names[i] for i in landmarks)
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
    return Choice(ways[min(fit)[1]], "landmarks")


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
