"""Simulated reference models: implants on an arch, their ridge, and their measurement."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from accstudy.errors import InputError
from accstudy.geometry.rigid import Rigid, angle_between_deg, frame_from_axis, unit
from accstudy.simulate.surface import cosine_of_turns
from accstudy.tables import shape

__all__ = ["Ridge", "frames", "measured_reference", "reference_model"]

Floats = NDArray[np.float64]

_HALF_WIDTH_MM = 23.0
_DEPTH_MM = 32.0
_CURVE = _DEPTH_MM / _HALF_WIDTH_MM**2


def reference_model(
    n_implants: int,
    *,
    angulation_deg: float | Sequence[float] = 15.0,
    model: str = "M1",
    scan_body: str | Sequence[str] = "default",
    reach: float | None = None,
    seed: int = 0,
) -> pd.DataFrame:
    """Invent the implants of a model on a parabolic arch.

    Parameters
    ----------
    n_implants : int
        2 to 8.
    angulation_deg : float or sequence of float
        One number: the two posterior implants lean back along the arch by that
        much, those between lean in directions of their own by up to half of
        it. A sequence: the tilt of each implant, in arch order.
    model : str
        Name of the model.
    scan_body : str or sequence of str
        Key of the scan body of all or of each implant.
    reach : float, optional
        Share of the arch's length from the midline to either end implant; these then
        stand exactly there, so that models with other counts have the same span.
    seed : int
        Of the invention; the same seed gives the same model.

    Returns
    -------
    DataFrame
        Table ``implants`` in arch order, z along the common axis out of the
        bone, rounded to 0.01 um and unit vectors to 1e-9. Scan bodies up to
        6 mm wide and 10 mm high keep 1 mm clear of each other. The arrangement
        has no symmetry.

    Raises
    ------
    InputError
        If no arrangement is found whose scan bodies keep clear of each other.
    """
    if not 2 <= n_implants <= 8:
        raise InputError(f"a model has 2 to 8 implants, not {n_implants}")
    tilts = _tilts(n_implants, angulation_deg)
    if len(tilts) != n_implants:
        raise InputError(f"{n_implants} implants but {len(tilts)} angulations")
    rng = np.random.default_rng([seed, n_implants, 11])
    for attempt in range(200):
        calm = 1.0 / (1.0 + attempt / 50.0)  # later attempts stray less
        position, axis = _invent(tilts, rng, calm=calm, reach=reach)
        if _clearance(position, axis, reach_mm=10.0) > 7.0:
            break
    else:
        raise InputError(
            f"{n_implants} scan bodies at {max(tilts):g}° touch each other",
            hint="use fewer implants or less angulation",
        )
    turn = rng.uniform(0.0, 360.0, n_implants)
    flat = np.array([_across(a, t) for a, t in zip(axis, turn, strict=True)])
    return _table(position, axis, flat, model=model, scan_body=scan_body)


def _tilts(n: int, angulation: float | Sequence[float]) -> list[float]:
    if not isinstance(angulation, int | float):
        return [float(a) for a in angulation]
    inner = [0.5 * angulation * f for f in (1.0, 0.4, 0.8, 0.2, 0.6, 0.9)]
    return [float(angulation), *inner[: n - 2], float(angulation)]


def _invent(
    tilts: Sequence[float], rng: np.random.Generator, *, calm: float, reach: float | None
) -> tuple[Floats, Floats]:
    """Positions along the arch and axes, before any check."""
    n = len(tilts)
    length, x_of = _arc_length()
    usual = {2: 0.30, 3: 0.32, 4: 0.36, 5: 0.40, 6: 0.43, 7: 0.45, 8: 0.46}[n]
    end = usual if reach is None else reach
    stray = np.ones(n)
    stray[[0, -1]] = 1.0 if reach is None else 0.0
    along = np.linspace(-end, end, n) * length
    gap = 2 * end * length / (n - 1)
    along += rng.uniform(-0.13, 0.13, n) * gap * calm * stray
    x = np.interp(along, *x_of)
    slope = -2 * _CURVE * x
    tangent = unit(np.column_stack([np.ones(n), slope, np.zeros(n)]))
    outwards = np.column_stack([-tangent[:, 1], tangent[:, 0], np.zeros(n)])
    position = np.column_stack([x, _DEPTH_MM - _CURVE * x**2, np.full(n, -1.4)])
    position += outwards * (rng.normal(0.0, 0.6, n) * stray)[:, None] * calm
    position[:, 2] += rng.uniform(-0.5, 0.5, n)
    lean = outwards * rng.choice([1.0, -0.6], n)[:, None] + tangent * rng.normal(0, 0.5, n)[:, None]
    lean[0], lean[-1] = -tangent[0], tangent[-1]  # posterior implants lean back
    lean = unit(lean + rng.normal(0, 0.05, (n, 3)) * [1, 1, 0])
    angle = np.radians(np.asarray(tilts))[:, None]
    axis = np.cos(angle) * np.array([0.0, 0.0, 1.0]) + np.sin(angle) * lean
    return position, unit(axis)


def _arc_length() -> tuple[float, tuple[Floats, Floats]]:
    """Length of the arch, and x over signed length from the midline."""
    x = np.linspace(-_HALF_WIDTH_MM, _HALF_WIDTH_MM, 2001)
    step = np.hypot(np.diff(x), np.diff(_CURVE * x**2))
    s = np.concatenate([[0.0], np.cumsum(step)])
    return float(s[-1]), (s - s[-1] / 2, x)


def _clearance(position: Floats, axis: Floats, *, reach_mm: float) -> float:
    """Smallest distance between the centre lines of any two bodies, mm."""
    t = np.linspace(0.0, reach_mm, 21)[:, None]
    lines = [p + t * a for p, a in zip(position, axis, strict=True)]
    best = np.inf
    for i, first in enumerate(lines):
        for second in lines[:i]:
            best = min(best, float(np.linalg.norm(first[:, None] - second[None], axis=2).min()))
    return best


def _across(axis: Floats, turn_deg: float) -> Floats:
    frame = frame_from_axis(axis, [1.0, 0.0, 0.0])
    a = np.radians(turn_deg)
    return np.asarray(frame @ np.array([np.cos(a), np.sin(a), 0.0]))


def _table(
    position: Floats, axis: Floats, flat: Floats, *, model: str, scan_body: str | Sequence[str]
) -> pd.DataFrame:
    n = len(position)
    columns: dict[str, object] = {"model": model, "implant": [f"I{i + 1}" for i in range(n)]}
    columns |= {f"{c}_mm": np.round(position[:, i], 5) for i, c in enumerate("xyz")}
    columns |= {f"axis_{c}": np.round(axis[:, i], 9) for i, c in enumerate("xyz")}
    columns |= {f"flat_{c}": np.round(flat[:, i], 9) for i, c in enumerate("xyz")}
    columns["angulation_deg"] = np.round(angle_between_deg(axis, [0.0, 0.0, 1.0]), 6)
    columns["scan_body"] = scan_body if isinstance(scan_body, str) else list(scan_body)
    return shape("implants", pd.DataFrame(columns, index=range(n)))


def frames(poses: pd.DataFrame) -> list[Rigid]:
    """Implant frames of table ``implants`` or ``poses``: motions into the table's frame.

    z is the axis, x towards the flat; without a flat x is arbitrary but reproducible.
    """
    found = []
    for row in poses.itertuples():
        axis = np.array([row.axis_x, row.axis_y, row.axis_z], float)
        flat = np.array([row.flat_x, row.flat_y, row.flat_z], float)
        known = bool(np.all(np.isfinite(flat)))
        rotation = frame_from_axis(axis, flat if known else None)
        found.append(Rigid(rotation, np.array([row.x_mm, row.y_mm, row.z_mm], float)))
    return found


@dataclass(frozen=True, slots=True)
class Ridge:
    """The edentulous ridge as a solid: a tube along the arch with bumps of `waves`, (k, 3),
    turns/mm.
    """

    waves: Floats
    phases: Floats
    height_mm: float

    radius_mm = 6.0
    centre_z_mm = -6.0

    @classmethod
    def invent(cls, seed: int, *, bump_mm: float = 0.35) -> Ridge:
        """Invent the bumps of a ridge; `bump_mm` is their rms height."""
        rng = np.random.default_rng([seed, 13])
        k = 9
        direction = unit(rng.normal(size=(k, 3)))
        length = rng.uniform(4.0, 14.0, (k, 1))
        return cls(direction / length, rng.uniform(0.0, 1.0, k), bump_mm * np.sqrt(2.0 / k))

    def distance(self, points_mm: Floats) -> tuple[Floats, Floats]:
        """Approximate signed distance to the ridge, negative inside, and its gradient.

        Parameters
        ----------
        points_mm : (n, 3) ndarray
            Points in the model frame.

        Returns
        -------
        distance : (n,) ndarray
        gradient : (n, 3) ndarray
        """
        x, y, z = points_mm.T
        q = y - _DEPTH_MM + _CURVE * x * x
        s = np.sqrt(1.0 + 4 * _CURVE**2 * x * x)
        d = q / s
        beyond = np.maximum(np.abs(x) - _HALF_WIDTH_MM, 0.0)
        stretch = np.sqrt(1.0 + 4 * _CURVE**2 * _HALF_WIDTH_MM**2)
        t = beyond * stretch
        w = z - self.centre_z_mm
        rho = np.sqrt(d * d + t * t + w * w)
        safe = np.maximum(rho, 1e-9)
        dd_dx = 2 * _CURVE * x / s - q * 4 * _CURVE**2 * x / s**3
        gradient = np.empty((len(x), 3))
        gradient[:, 0] = (d * dd_dx + t * stretch * np.sign(x)) / safe
        gradient[:, 1] = d / s / safe
        gradient[:, 2] = w / safe
        value = rho - self.radius_mm
        near = np.flatnonzero(np.abs(value) < 2.0)  # farther off the bumps decide nothing
        turns = points_mm[near] @ self.waves.T + self.phases
        value[near] += self.height_mm * np.sum(cosine_of_turns(turns), axis=1)
        slope = cosine_of_turns(turns + 0.25) @ self.waves
        gradient[near] += 2 * np.pi * self.height_mm * slope
        return value, gradient


_POSITION = ["x_mm", "y_mm", "z_mm"]
_AXIS = ["axis_x", "axis_y", "axis_z"]
_U_POSITION_UM, _U_AXIS_DEG = 0.8, 0.01  # errors of a coordinate and of a tilt of an axis


def measured_reference(implants: pd.DataFrame, *, seed: int = 0) -> pd.DataFrame:
    """Measure a model: the truth and a small error of known size, to 0.1 um and 1e-7."""
    rng = np.random.default_rng([seed, 17])
    out = implants.copy()
    out[_POSITION] += rng.normal(0.0, _U_POSITION_UM * 1e-3, (len(out), 3))
    axis = out[_AXIS].to_numpy(float)
    lean = rng.normal(0.0, np.radians(_U_AXIS_DEG), (len(out), 3))
    axis = unit(axis + lean - np.sum(lean * axis, axis=1, keepdims=True) * axis)
    out[_AXIS] = np.round(axis, 7)
    out[_POSITION] = np.round(out[_POSITION].to_numpy(float), 4)
    out[["flat_x", "flat_y", "flat_z"]] = np.round(
        out[["flat_x", "flat_y", "flat_z"]].to_numpy(float), 7
    )
    out["angulation_deg"] = np.round(angle_between_deg(axis, [0.0, 0.0, 1.0]), 2)
    out["u_position_um"], out["u_axis_deg"] = _U_POSITION_UM, _U_AXIS_DEG
    return shape("implants", out)
