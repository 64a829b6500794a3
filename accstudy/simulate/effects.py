"""Simulated scanners and techniques: errors of whole scans, each effect with a switch.

Every effect is 0 unless it is asked for, and every effect draws from a source
of chance of its own, so that switching one off leaves the others as they were.
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from dataclasses import dataclass, fields

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from accstudy.drift.trend import DAYS_PER_MONTH

__all__ = ["Effect", "Scanner", "Spread", "chance", "effect_rows", "session_of", "systematic"]

Floats = NDArray[np.float64]

Effect = tuple[str, str, str, float, str]
"""Scanner, effect, level, value, unit."""


@dataclass(frozen=True, slots=True)
class Spread:
    """Standard deviations between the levels of a factor.

    Parameters
    ----------
    scale_ppm : float
        Of the scale.
    curl_deg : float
        Of the turn about the vertical per 10 mm of path: the arch opens or closes.
    bend_deg : float
        Of the turn about the direction outwards per 10 mm of path: its end rises or sinks.
    """

    scale_ppm: float = 0.0
    curl_deg: float = 0.0
    bend_deg: float = 0.0


@dataclass(frozen=True, slots=True)
class Scanner:
    """Effects of a device and technique on a model; all are off by default.

    Parameters
    ----------
    position_um, axis_deg, rotation_deg : float
        Standard deviation of every implant by itself, every scan anew: of each
        coordinate, of each tilt of the axis, of the rotation about it.
    walk_um, walk_deg : float
        Stitching: standard deviation of the shift (each coordinate) and of the
        turn (about each axis) that 10 mm of path add to all that follows; over
        a path s in steps l the variance of a position grows as
        ``walk_um**2 s/l + walk_deg**2 s**3/(3 l)`` (the second in rad, across).
    scale_ppm : float
        Systematic error of scale.
    scale_ppm_per_implant : float
        Systematic error of scale for each implant beyond two.
    thermal_ppm : float
        Growth of the model itself since the reference was measured; no error
        of the scanner, and no bias once lengths are brought to one temperature.
    curl_deg, bend_deg : float
        Systematic turns per 10 mm of path; see `Spread`.
    angulation_um_per_deg : float
        Shift of an implant towards where it leans, per degree of tilt.
    angulation_scatter : float
        Growth of the implant's own scatter per 10 deg of tilt: 0.5 makes it
        2.5 times as large at 30 deg.
    operator, session : Spread
        Between operators, and between the sessions of an operator.
    seat_um, seat_deg : float
        Standard deviation of putting a scan body on: along each axis, and each
        tilt; the same through a session.
    drift_ppm_per_month : float
        Growth of the scale error with time.
    drift_from : str
        ISO date at which it is 0.
    steps : tuple of (str, float)
        ISO dates from which on the scale is off by that many ppm more.
    """

    position_um: float = 0.0
    axis_deg: float = 0.0
    rotation_deg: float = 0.0
    walk_um: float = 0.0
    walk_deg: float = 0.0
    scale_ppm: float = 0.0
    scale_ppm_per_implant: float = 0.0
    thermal_ppm: float = 0.0
    curl_deg: float = 0.0
    bend_deg: float = 0.0
    angulation_um_per_deg: float = 0.0
    angulation_scatter: float = 0.0
    operator: Spread = Spread()
    session: Spread = Spread()
    seat_um: float = 0.0
    seat_deg: float = 0.0
    drift_ppm_per_month: float = 0.0
    drift_from: str = "2020-01-01"
    steps: tuple[tuple[str, float], ...] = ()


def systematic(
    scanner: Scanner, levels: Mapping[str, object], seed: int, n_implants: int
) -> tuple[float, float, float]:
    """Scale (ppm), curl and bend (deg per 10 mm) of a scan with these levels."""
    values = np.array([scanner.scale_ppm, scanner.curl_deg, scanner.bend_deg])
    values[0] += scanner.scale_ppm_per_implant * (n_implants - 2) + scanner.thermal_ppm
    for name in ("operator", "session"):
        values += _drawn(scanner, name, levels, seed)
    if scanner.drift_ppm_per_month or scanner.steps:
        at = pd.Timestamp(str(levels["measured_at"]))
        months = (at - pd.Timestamp(scanner.drift_from)) / pd.Timedelta(days=DAYS_PER_MONTH)
        values[0] += scanner.drift_ppm_per_month * months
        values[0] += sum(ppm for day, ppm in scanner.steps if at >= pd.Timestamp(day))
    return float(values[0]), float(values[1]), float(values[2])


def _drawn(scanner: Scanner, name: str, levels: Mapping[str, object], seed: int) -> Floats:
    """Scale, curl and bend of an operator or a session."""
    spread: Spread = getattr(scanner, name)
    level = str(levels.get("operator", "")) if name == "operator" else session_of(levels)
    draw = chance(seed, name, level).standard_normal(3)
    return np.asarray(draw * [spread.scale_ppm, spread.curl_deg, spread.bend_deg])


def session_of(levels: Mapping[str, object]) -> str:
    """Name of a session: its label counts within operator and device only."""
    return " / ".join(str(levels.get(n, "")) for n in ("device", "operator", "session"))


def effect_rows(
    key: str, scanner: Scanner, levels: Mapping[str, object], seed: int
) -> list[Effect]:
    """Rows of the truth table for one scan."""
    rows: list[Effect] = []
    for item in fields(scanner):
        value = getattr(scanner, item.name)
        if isinstance(value, float | int) and value:
            rows.append((key, item.name, "", float(value), _unit(item.name)))
    for day, ppm in scanner.steps:
        rows.append((key, "step", day, ppm, "ppm"))
    for name in ("operator", "session"):
        spread: Spread = getattr(scanner, name)
        level = str(levels.get("operator", "")) if name == "operator" else session_of(levels)
        drawn = _drawn(scanner, name, levels, seed)
        for part, value in zip(fields(Spread), drawn, strict=True):
            if getattr(spread, part.name):
                unit = _unit(part.name)
                rows.append((key, f"{name}_{part.name}", level, round(float(value), 9), unit))
    return rows


def _unit(name: str) -> str:
    for ending, unit in (
        ("_ppm", "ppm"),
        ("ppm_per_month", "ppm/month"),
        ("ppm_per_implant", "ppm/implant"),
        ("um_per_deg", "um/deg"),
        ("_um", "um"),
        ("_deg", "deg"),
    ):
        if name.endswith(ending):
            return unit
    return "1"


def chance(seed: int, *names: str) -> np.random.Generator:
    """Source of chance of one thing; the same whatever else is simulated."""
    return np.random.default_rng([seed, *(zlib.crc32(n.encode()) for n in names)])
