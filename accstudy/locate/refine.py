"""The last step of every fit: noise of the scan estimated, poses refined, uncertainties."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from accstudy.geometry.rigid import Rigid
from accstudy.locate.least_squares import OFFSET, TURN, Fit, moved
from accstudy.locate.prepared import PreparedBody
from accstudy.locate.uncertainty import (
    Blocks,
    Correction,
    Extra,
    NoiseModel,
    blocks_of,
    correct,
    estimate_noise,
    own_share,
)

__all__ = ["Refined", "determined", "pooled", "refine_fits"]

Floats = NDArray[np.float64]

_SURE, _LEAST_ROUNDING, _ROUNDING_DOUBT = 4.0, 0.1, 0.25
_GLANCE, _WORTH_A_LOOK = (
    4,
    0.4,
)  # points for each one whose rounding is looked at, unless the scan is filtered
_FILTERED = 1.15  # what the model of the noise lacks after a filter; from simulated scans
_FREEDOM = 8.0  # degrees of freedom that a body adds to the noise estimate; from simulated scans


@dataclass(frozen=True, slots=True)
class Refined:
    """A scan body's final pose with standard uncertainties.

    Parameters
    ----------
    fit : Fit
        The robust fit that it refines.
    scan_from_body : Rigid
        Final pose.
    offset_mm : float
        Final surface offset.
    covariance : (7, 7) ndarray
        Of position (mm), rotation (rad) and offset (mm) in the implant frame;
        rows of parameters that were not free are NaN.
    growth, witness : Extra
        By which share the drawing would have to grow.
    """

    fit: Fit
    scan_from_body: Rigid
    offset_mm: float
    covariance: Floats
    growth: Extra
    witness: Extra

    @property
    def u_position_mm(self) -> Floats:
        """Standard uncertainties of the platform centre along the scan's axes, mm."""
        r = self.scan_from_body.rotation
        return np.sqrt(np.maximum(np.diag(r @ self.covariance[:3, :3] @ r.T), 0.0))

    @property
    def u_axis_deg(self) -> float:
        """Standard uncertainty of each of the two tilts, deg (their root mean square)."""
        return float(np.degrees(np.sqrt(0.5 * (self.covariance[3, 3] + self.covariance[4, 4]))))

    @property
    def u_turn_deg(self) -> float:
        """Standard uncertainty of the rotation about the axis, deg; NaN if it was not free."""
        return float(np.degrees(np.sqrt(self.covariance[TURN, TURN])))


def refine_fits(
    fits: Sequence[Fit | None], bodies: Sequence[PreparedBody]
) -> tuple[list[Refined | None], NoiseModel | None]:
    """Estimate the noise of a scan from all its bodies and refine their poses.

    Parameters
    ----------
    fits : sequence of Fit or None
        One for each body; None for those that were not found.
    bodies : sequence of PreparedBody
        Their drawings.

    Returns
    -------
    refined : list of Refined or None
        In the same order.
    noise : NoiseModel or None
        None without fits.

    Notes
    -----
    A scan that was low-pass filtered is rounded: convex surface sinks, the more the more it is
    bent. Where its bodies together show that beyond doubt, it is taken out, and what is not known
    of it goes into the uncertainties. Otherwise nothing is changed for it.
    """
    found = {i: fit for i, fit in enumerate(fits) if fit is not None}
    if not found:
        return [None] * len(fits), None
    known = {i: blocks_of(fit, bodies[i].rounding, every=_GLANCE) for i, fit in found.items()}
    noise, corrections = _corrected(known)
    rounding, u_rounding = pooled([c.rounding for c in corrections.values()])
    rounded = False
    if rounding > _WORTH_A_LOOK * max(_SURE * u_rounding, _LEAST_ROUNDING):
        known = {i: blocks_of(fit, bodies[i].rounding) for i, fit in found.items()}
        noise, corrections = _corrected(known)
        rounding, u_rounding = pooled([c.rounding for c in corrections.values()])
        rounded = rounding > max(_SURE * u_rounding, _LEAST_ROUNDING)
        # a drawing too large looks alike: that counts which explains more
        rounded &= _explained([c.rounding for c in corrections.values()]) > _explained(
            [c.growth for c in corrections.values()]
        )
    if rounded:
        known = {
            i: replace(own, residual_mm=own.residual_mm - rounding * own.rounding_mm)
            for i, own in known.items()
        }
        noise, corrections = _corrected(known)
    widen = student_factor(_FREEDOM * len(known)) * (_FILTERED if rounded else 1.0)
    doubt = float(np.hypot(u_rounding, _ROUNDING_DOUBT * rounding)) if rounded else 0.0
    out: list[Refined | None] = [None] * len(fits)
    for i, correction in corrections.items():
        wider = own_share(known[i], noise) * widen**2
        out[i] = _refined(found[i], correction, wider, doubt)
    return out, noise


def _corrected(known: Mapping[int, Blocks]) -> tuple[NoiseModel, dict[int, Correction]]:
    """The noise that all bodies show, and each corrected under it."""
    noise = estimate_noise(list(known.values()))
    return noise, {i: correct(own, noise) for i, own in known.items()}


def _explained(estimates: Sequence[Extra]) -> float:
    """By how much one common value lowers the weighted sum of squares of the residuals."""
    weight = np.array([1.0 / e.u**2 for e in estimates])
    return float(weight @ [e.value for e in estimates]) ** 2 / float(weight.sum())


def pooled(estimates: Sequence[Extra], *, drawing_mm: float = 0.0) -> tuple[float, float]:
    """Mean of the bodies' estimates by their weights, and its standard uncertainty.

    Parameters
    ----------
    estimates : sequence of Extra
        One a body.
    drawing_mm : float
        Error of the drawing, common to all, that is allowed for, at worst everywhere the wrong
        way.

    Notes
    -----
    The scatter between the bodies counts where it is larger than the noise explains.
    """
    weight = np.array([1.0 / e.u**2 for e in estimates])
    each = np.array([e.value for e in estimates])
    mean = float(weight @ each / weight.sum())
    lever = float(weight @ [e.lever for e in estimates] / weight.sum())
    scatter = float(weight @ (each - mean) ** 2) / max(len(each) - 1, 1)
    u = float(np.sqrt(max(scatter, 1.0) / weight.sum() + (drawing_mm * lever) ** 2))
    return mean, u


def determined(refined: Refined, *, most_mm: float = 0.15) -> bool:
    """Whether a scan shows enough of a body to determine its position.

    Parameters
    ----------
    refined : Refined
        The body.
    most_mm : float
        A larger standard uncertainty of the position, or a larger move by the
        last refinement, means that some direction is free.

    Returns
    -------
    bool
    """
    moved_mm = np.linalg.norm(
        refined.scan_from_body.translation_mm - refined.fit.scan_from_body.translation_mm
    )
    return bool(refined.u_position_mm.max() < most_mm and moved_mm < most_mm)


def student_factor(freedom: float) -> float:
    """Student's 97.5 % quantile over the normal one, to first order in 1/freedom.

    Notes
    -----
    The noise itself is estimated from few independent patches of surface; with
    this factor on the standard uncertainty, 1.96 of it hold 95 %.

    Examples
    --------
    >>> round(student_factor(30), 3)
    1.04
    """
    z = 1.959964
    return 1.0 + (z * z + 1.0) / (4.0 * freedom)


def _refined(fit: Fit, correction: Correction, wider: float, doubt: float) -> Refined:
    full = np.zeros(7)
    full[list(fit.free)] = correction.change
    covariance = np.full((7, 7), np.nan)
    systematic = doubt * correction.rounding_gain
    covariance[np.ix_(fit.free, fit.free)] = correction.covariance * wider + np.outer(
        systematic, systematic
    )
    growth, witness = (
        replace(one, u=one.u * float(np.sqrt(wider)))
        for one in (correction.growth, correction.witness)
    )
    pose = moved(fit.scan_from_body, full)
    return Refined(fit, pose, fit.offset_mm + full[OFFSET], covariance, growth, witness)
