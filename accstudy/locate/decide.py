"""Which reading of the arrangement is right, or that the scan alone cannot say."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from accstudy.errors import ComputationError, InputError
from accstudy.geometry.rigid import rotation_about_deg
from accstudy.locate.arrangement import Arrangement, Lines, contradict

__all__ = ["Choice", "choose"]

Floats = NDArray[np.float64]

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
