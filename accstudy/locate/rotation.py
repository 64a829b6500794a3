"""The rotation about the axis, searched over the whole circle."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from accstudy.geometry.rigid import Rigid, rotation_vector
from accstudy.locate.prepared import PreparedBody
from accstudy.locate.segment import Patch

__all__ = ["TurnProfile", "search_turn"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class TurnProfile:
    """How well the drawing fits at every rotation about its axis.

    Parameters
    ----------
    angles_deg : (k,) ndarray
        Rotations, equally spaced over the circle.
    cost_mm2 : (k,) ndarray
        Mean squared distance, each distance capped.
    """

    angles_deg: Floats
    cost_mm2: Floats

    def minima(self) -> list[float]:
        """Rotations with a cost below that of both neighbours, best first, deg."""
        c = self.cost_mm2
        low = (c <= np.roll(c, 1)) & (c < np.roll(c, -1))
        found = np.flatnonzero(low)
        return [float(self.angles_deg[i]) for i in found[np.argsort(c[found], kind="stable")]]


def search_turn(
    prepared: PreparedBody,
    patch: Patch,
    pose: Rigid,
    *,
    offset_mm: float,
    step_deg: float = 5.0,
    points: int = 250,
    cap_mm: float = 0.25,
) -> TurnProfile:
    """Compare a patch with the drawing at every rotation about the axis.

    Parameters
    ----------
    prepared : PreparedBody
        The scan body.
    patch : Patch
        The scan around it.
    pose : Rigid
        Scan from body; its rotation about the axis is arbitrary.
    offset_mm : float
        Surface offset.
    step_deg : float
        Step of the search.
    points : int
        How many points of the patch to use.
    cap_mm : float
        A distance counts no more than this.

    Returns
    -------
    TurnProfile
    """
    inverse = pose.inverse()
    local = inverse.points(patch.points_mm)
    normal = inverse.vectors(patch.normals)
    outer = prepared.points_mm
    widest = float(np.max(np.hypot(outer[:, 0], outer[:, 1])))
    near = (local[:, 2] > prepared.body.use_above_mm) & (
        np.hypot(local[:, 0], local[:, 1]) < widest + 0.15
    )
    near &= local[:, 2] < outer[:, 2].max() + 0.15
    rows = np.flatnonzero(near)
    rows = rows[:: max(1, len(rows) // points)]
    angles = np.arange(0.0, 360.0, step_deg)
    turns = np.stack([rotation_vector([0.0, 0.0, -np.radians(a)]) for a in angles])
    turned = np.matmul(local[rows], np.transpose(turns, (0, 2, 1)))
    normals = np.matmul(normal[rows], np.transpose(turns, (0, 2, 1)))
    closest = prepared.closest(turned.reshape(-1, 3))
    distance = np.abs(closest.distance_mm - offset_mm)
    agree = np.einsum("ij,ij->i", closest.normal, normals.reshape(-1, 3))
    distance = np.where(agree > 0.3, np.minimum(distance, cap_mm), cap_mm)
    cost = np.mean(distance.reshape(len(angles), -1) ** 2, axis=1)
    return TurnProfile(angles, cost)
