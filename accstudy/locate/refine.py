"""The last step of every fit: noise of the scan estimated, poses refined, uncertainties."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from accstudy.geometry.rigid import Rigid
from accstudy.locate.fit import OFFSET, TURN, Fit, moved
from accstudy.locate.uncertainty import (
    Blocks,
    NoiseModel,
    blocks_of,
    correct,
    estimate_noise,
    own_share,
)

__all__ = ["Refined", "determined", "refine_fits"]

Floats = NDArray[np.float64]

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
    growth, u_growth : float
        By which share the drawing would have to grow, and its standard uncertainty from the noise.
    growth_lever : float
        How much of an error of the drawing goes into it, 1/mm.
    """

    fit: Fit
    scan_from_body: Rigid
    offset_mm: float
    covariance: Floats
    growth: float
    u_growth: float
    growth_lever: float

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


def refine_fits(fits: Sequence[Fit | None]) -> tuple[list[Refined | None], NoiseModel | None]:
    """Estimate the noise of a scan from all its bodies and refine their poses.

    Parameters
    ----------
    fits : sequence of Fit or None
        One for each body; None for those that were not found.

    Returns
    -------
    refined : list of Refined or None
        In the same order.
    noise : NoiseModel or None
        None without fits.
    """
    blocks = [None if fit is None else blocks_of(fit) for fit in fits]
    known = [own for own in blocks if own is not None]
    if not known:
        return [None] * len(fits), None
    noise = estimate_noise(known)
    widen = student_factor(_FREEDOM * len(known))
    return [
        None if fit is None or own is None else _refined(fit, own, noise, widen)
        for fit, own in zip(fits, blocks, strict=True)
    ], noise


def determined(refined: Refined, *, most_mm: float = 0.15) -> bool:
    """Whether a scan shows enough of a body to fix its position.

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


def _refined(fit: Fit, own: Blocks, noise: NoiseModel, widen: float) -> Refined:
    correction = correct(own, noise)
    full = np.zeros(7)
    full[list(fit.free)] = correction.change
    covariance = np.full((7, 7), np.nan)
    wider = own_share(own, noise) * widen**2
    covariance[np.ix_(fit.free, fit.free)] = correction.covariance * wider
    return Refined(
        fit,
        moved(fit.scan_from_body, full),
        fit.offset_mm + full[OFFSET],
        covariance,
        correction.growth,
        correction.u_growth * float(np.sqrt(wider)),
        correction.growth_lever,
    )
