"""The rotation about the axis, searched over the whole circle."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from accstudy.geometry.rigid import Rigid
from accstudy.mesh.scene import Scene

__all__ = ["RadialMap", "TurnProfile", "radial_map", "search_turn", "turned"]

Floats = NDArray[np.float64]

_STEP_DEG, _STEP_MM = 2.0, 0.1
_CAP_MM = 0.2
_GAP_STEPS = 15
_TWIN_MM = 0.12
_SEEN = 0.6  # of the angles around a drawing that is open beside its edges


@dataclass(frozen=True, slots=True)
class RadialMap:
    """How far a drawing's outside is from its axis, around and along.

    Parameters
    ----------
    radius_mm : (a, b) ndarray
        By angle (steps of 2 deg) and height (steps of 0.1 mm); NaN where a ray
        outwards from the axis leaves the drawing at no side.
    low_mm : float
        Height of the first row.
    bridged : bool
        Whether gaps were filled: beside edges that an open drawing lacks, the radius is a guess.
    """

    radius_mm: Floats
    low_mm: float
    bridged: bool = False

    @property
    def unround_mm(self) -> float:
        """Largest range of the radius around any height."""
        known = np.isfinite(self.radius_mm).all(axis=0)
        if not known.any():
            return 0.0
        return float(np.max(np.ptp(self.radius_mm[:, known], axis=0)))

    def twins_deg(self) -> list[float]:
        """Turns after which the drawing lies nearly on itself, perhaps moved sideways, deg."""
        known = np.isfinite(self.radius_mm).all(axis=0)
        if not known.any() or self.unround_mm < _CAP_MM / 4:
            return []
        radius = self.radius_mm[:, known]
        angle = np.radians(_STEP_DEG) * np.arange(len(radius))
        shift = np.column_stack([np.cos(angle), np.sin(angle)])
        found = []
        for k in range(len(radius)):
            off = np.roll(radius, k, axis=0) - radius
            use = np.arange(len(off))
            for _ in range(1 + self.bridged):
                sideways, *_ = np.linalg.lstsq(shift[use], off[use].mean(axis=1), rcond=None)
                left = off - (shift @ sideways)[:, None]
                around = np.mean(left**2, axis=1)
                if self.bridged:  # without the gaps, and what they are turned onto
                    use = np.argsort(around, kind="stable")[: int(_SEEN * len(off))]
            found.append(float(np.sqrt(np.mean(around[use]))))
        rms = np.array(found)
        low = (rms < _TWIN_MM) & (rms <= np.roll(rms, 1)) & (rms < np.roll(rms, -1))
        low[0] = False
        return [float(k * _STEP_DEG) for k in np.flatnonzero(low)[:8]]


def radial_map(scene: Scene, *, low_mm: float, high_mm: float, reach_mm: float) -> RadialMap:
    """Measure a drawing by rays towards its axis.

    Parameters
    ----------
    scene : Scene
        The drawing in the implant frame.
    low_mm, high_mm : float
        Heights to cover.
    reach_mm : float
        The rays start so far from the axis.

    Returns
    -------
    RadialMap
    """
    angle = np.radians(np.arange(0.0, 360.0, _STEP_DEG))
    height = np.arange(low_mm + 0.5 * _STEP_MM, high_mm, _STEP_MM)
    a, z = np.meshgrid(angle, height, indexing="ij")
    out = np.stack([np.cos(a), np.sin(a), np.zeros_like(a)], axis=-1).reshape(-1, 3)
    start = out * reach_mm + np.stack([0 * z, 0 * z, z], axis=-1).reshape(-1, 3)
    along, _ = scene.cast(start, -out)
    radius = np.where(along < reach_mm, reach_mm - along, np.nan)
    radius = radius.reshape(a.shape)
    filled = _bridged(radius)
    return RadialMap(filled, low_mm, bool((np.isfinite(filled) & ~np.isfinite(radius)).any()))


def _bridged(radius_mm: Floats) -> Floats:
    """Fill short gaps around the axis: strips that an open drawing lacks beside its edges."""
    out = radius_mm.copy()
    steps = np.arange(len(out))
    for column in out.T:
        known = np.flatnonzero(np.isfinite(column))
        if not 0 < len(known) < len(column):
            continue
        around = np.concatenate([known - len(column), known, known + len(column)])
        last = np.searchsorted(around, steps, side="right") - 1
        gap = around[last + 1 - np.isin(steps, known)] - around[last]
        fill = np.isnan(column) & (gap <= _GAP_STEPS)
        column[fill] = np.interp(steps[fill], around, np.tile(column[known], 3))
    return out


@dataclass(frozen=True, slots=True)
class TurnProfile:
    """How well the drawing fits at every rotation about its axis.

    Parameters
    ----------
    angles_deg : (k,) ndarray
        Rotations, equally spaced over the circle.
    cost_mm2 : (k,) ndarray
        Mean squared radial distance, each distance capped.
    """

    angles_deg: Floats
    cost_mm2: Floats

    def minima(self, *, share: float = 0.3, most: int = 8) -> list[float]:
        """Rotations that cannot be distinguished from the best without a closer look.

        Parameters
        ----------
        share : float
            Of the range between the best and the worst cost.
        most : int
            Of how many at most.

        Returns
        -------
        list of float
            The lowest point of every valley that reaches down to that share,
            best first, deg.
        """
        c = self.cost_mm2
        low = (c <= np.roll(c, 1)) & (c < np.roll(c, -1))
        low &= c <= c.min() + share * (c.max() - c.min())
        found = np.flatnonzero(low)
        order = found[np.argsort(c[found], kind="stable")]
        return [float(self.angles_deg[i]) for i in order[:most]]


def search_turn(
    drawing: RadialMap, points_mm: Floats, normals: Floats, *, offset_mm: float, most: int = 500
) -> TurnProfile:
    """Compare a scan body's sides with the drawing at every rotation about the axis.

    Parameters
    ----------
    drawing : RadialMap
        Of the drawing.
    points_mm, normals : (n, 3) ndarray
        Scan in the implant frame, but for the rotation about the axis.
    offset_mm : float
        Surface offset.
    most : int
        Use about so many points.

    Returns
    -------
    TurnProfile
        The cost of turning the drawing by each angle.
    """
    count, rows = drawing.radius_mm.shape
    row = np.floor((points_mm[:, 2] - drawing.low_mm) / _STEP_MM).astype(np.int64)
    radius = np.hypot(points_mm[:, 0], points_mm[:, 1])
    use = (row >= 0) & (row < rows) & (np.abs(normals[:, 2]) < 0.5)
    use &= radius < np.nanmax(drawing.radius_mm) + 2 * _CAP_MM
    use = np.flatnonzero(use)
    use = use[:: max(1, len(use) // most)]
    angle = np.arctan2(points_mm[use, 1], points_mm[use, 0])
    column = np.floor(np.degrees(angle) / _STEP_DEG + 0.5).astype(np.int64)
    turn = np.arange(count)
    expected = drawing.radius_mm[(column[None] - turn[:, None]) % count, row[use][None]]
    away = np.minimum(np.abs(radius[use][None] - offset_mm - expected), _CAP_MM)
    away = np.where(np.isfinite(away), away, _CAP_MM)
    cost = np.asarray(np.sum(away**2, axis=1) / max(len(use), 1), float)
    return TurnProfile(np.asarray(turn * _STEP_DEG, float), cost)


def turned(pose: Rigid, angle_deg: float) -> Rigid:
    """Turn a body about its own axis."""
    a = np.radians(angle_deg)
    c, s = np.cos(a), np.sin(a)
    return pose.after(Rigid(np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]]), np.zeros(3)))
