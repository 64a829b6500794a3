"""Suspicions about a whole scan: its unit, its model, its handedness."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from accstudy.errors import ComputationError, Finding, InputError, Severity
from accstudy.locate.arrangement import (
    Arrangement,
    Lines,
    match_arrangement,
    mirrored,
    own_mirror_image,
)
from accstudy.locate.model import ReferenceModel
from accstudy.mesh.model import Mesh

__all__ = ["check_arrangement", "check_size", "extra_bodies", "middle_of"]

Floats = NDArray[np.float64]

_SMALLEST, _USUAL, _LARGEST = 0.3, 1.2, 8.0  # size of a scan over what its model needs
_MOST_MISFIT_MM = 0.25
_FACTORS = ((1000.0, "m"), (25.4, "inch"), (10.0, "cm"))


class WrongUnitError(InputError):
    """A scan too small or too large to hold its model."""

    code = "wrong-unit"


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


def check_size(mesh: Mesh, model: ReferenceModel) -> None:
    """Refuse a scan whose size shows that its unit is another.

    Parameters
    ----------
    mesh : Mesh
        The scan, taken to be in mm.
    model : ReferenceModel
        The reference.

    Raises
    ------
    WrongUnitError
        If the scan is far too small or too large for the implants' span.
    """
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


def middle_of(model: ReferenceModel, found: Lines, candidate: int) -> NDArray[np.float64]:
    """Middle of a candidate: it is the same whichever end is taken for the platform."""
    top = float(model.kinds[found.kinds[candidate]].body.mesh.vertices_mm[:, 2].max())
    middle: NDArray[np.float64] = found.points_mm[candidate] + top / 2 * found.axes[candidate]
    return middle


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
    doubtful = n > 2 and matched == 2 and not landmarks
    if (len(spare) >= matched and matched < n) or (doubtful and spare):
        raise WrongModelError(
            f"{seen} scan bodies were found, but only {matched} of them match the implants of "
            f"model {model.name}",
            hint="check column model of this scan, and the reference",
        )
    if matched < n and matched <= 3 and ways[0].misfit_mm > _MOST_MISFIT_MM and not landmarks:
        raise WrongModelError(
            f"{matched} of {n} implants of model {model.name} were found, but they lie "
            f"{1e3 * ways[0].misfit_mm:.0f} µm off their reference positions",
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
            "the scan shows an object like a scan body, centred near "
            f"({', '.join(f'{v:.1f}' for v in middle_of(model, found, c) + origin_mm)}) mm that "
            "belongs to no implant",
            mend="no action is needed if another object of that shape was scanned",
        )
        for c in spare
    ]
