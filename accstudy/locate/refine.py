"""The last step of every fit: noise of the scan estimated, poses refined, uncertainties."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from accstudy.geometry.rigid import Rigid
from accstudy.locate.fit import OFFSET, TURN, Fit, moved
from accstudy.locate.uncertainty import (
    NoiseModel,
    blocks_of,
    correct,
    estimate_noise,
    own_share,
)

__all__ = ["Refined", "refine_fits"]

Floats = NDArray[np.float64]


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
    """

    fit: Fit
    scan_from_body: Rigid
    offset_mm: float
    covariance: Floats

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


def refine_fits(fits: Sequence[Fit]) -> tuple[list[Refined], NoiseModel | None]:
    """Estimate the noise of a scan from all its bodies and refine their poses.

    Parameters
    ----------
    fits : sequence of Fit
        One for each body that was found.

    Returns
    -------
    refined : list of Refined
        In the same order.
    noise : NoiseModel or None
        None without fits.
    """
    if not fits:
        return [], None
    blocks = [blocks_of(fit) for fit in fits]
    noise = estimate_noise(blocks)
    out = []
    for fit, own in zip(fits, blocks, strict=True):
        correction = correct(own, noise)
        full = np.zeros(7)
        full[list(fit.free)] = correction.change
        covariance = np.full((7, 7), np.nan)
        covariance[np.ix_(fit.free, fit.free)] = correction.covariance * own_share(own, noise)
        pose = moved(fit.scan_from_body, full)
        out.append(Refined(fit, pose, fit.offset_mm + full[OFFSET], covariance))
    return out, noise
