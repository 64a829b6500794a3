"""Which values a quantity can have, and what a value outside was probably meant to be.

One list for settings and columns: a length of a kilometre, a temperature of 72 °C or
an expansion of 23 per kelvin are slips, and most slips are of a few kinds (another
unit, a percentage, a missing exponent). A value outside its range is an error; the
message says what it would be after the most likely correction.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

UNIT_MM = {"um": 0.001, "mm": 1.0, "cm": 10.0, "m": 1000.0, "inch": 25.4}
"""Length units in mm."""


@dataclass(frozen=True, slots=True)
class Slip:
    """A common error in a value.

    Parameters
    ----------
    looks : str
        What the value looks like, to follow "looks like".
    correct : callable
        Gives the value in the unit of the quantity.
    """

    looks: str
    correct: Callable[[float], float]


@dataclass(frozen=True, slots=True)
class Quantity:
    """What a number can be.

    Parameters
    ----------
    name : str
        In words, for messages.
    unit : str
        Unit of the bounds; empty for ratios and counts.
    low, high : float
        Smallest and largest value that can be true, both included.
    slips : tuple of Slip
        Usual slips, the most likely first.
    zero : bool
        Whether 0 is meaningful although it lies below `low`.
    """

    name: str
    unit: str
    low: float
    high: float
    slips: tuple[Slip, ...] = ()
    zero: bool = False

    def holds(self, value: float) -> bool:
        """Whether a value can be true."""
        return self.low <= value <= self.high or (self.zero and value == 0)


def _times(factor: float, looks: str) -> Slip:
    return Slip(looks, lambda value: value * factor)


_FAHRENHEIT = Slip("degrees Fahrenheit", lambda value: (value - 32.0) / 1.8)
_KELVIN = Slip("kelvin", lambda value: value - 273.15)
_MM_AS_UM = _times(1000.0, "millimetres")
_M_AS_UM = _times(1e6, "metres")
_UM_AS_MM = _times(1e-3, "micrometres")
_M_AS_MM = _times(1000.0, "metres")
_PERCENT = _times(0.01, "a percentage")
_PPM = _times(1e-6, "parts per million")
_RADIANS = _times(57.29577951308232, "radians")

# Bounds are common practice without source, drawn wide: what lies outside is a slip,
# not a rare case.
QUANTITIES = {
    "temperature_c": Quantity("a temperature", "°C", 5.0, 50.0, (_FAHRENHEIT, _KELVIN)),
    "temperature_tolerance_k": Quantity("a temperature tolerance", "K", 0.0, 20.0),
    "expansion_per_k": Quantity(
        "a linear expansion", "1/K", 5e-7, 5e-4, (_PPM, _times(1e-3, "µm per mm and K")), zero=True
    ),
    "mpe_constant_um": Quantity(
        "a maximum permissible error", "µm", 0.05, 500.0, (_MM_AS_UM, _M_AS_UM), zero=True
    ),
    "mpe_per_metre_um": Quantity(
        "a length-dependent part of the maximum permissible error",
        "µm per metre",
        0.05,
        500.0,
        (_times(1000.0, "mm per metre"), _times(1e6, "a ratio")),
        zero=True,
    ),
    "limit_um": Quantity("a limit", "µm", 1.0, 5000.0, (_MM_AS_UM, _M_AS_UM)),
    "limit_deg": Quantity("a limit", "deg", 0.01, 45.0, (_RADIANS, _times(1 / 60, "arc minutes"))),
    "share": Quantity("a share", "", 0.5, 0.9999, (_PERCENT,)),
    "radius_mm": Quantity("a radius", "mm", 0.2, 20.0, (_UM_AS_MM, _M_AS_MM)),
    "height_mm": Quantity("a height", "mm", 0.2, 50.0, (_UM_AS_MM, _M_AS_MM)),
    "from_platform_mm": Quantity("a height", "mm", -50.0, 50.0, (_UM_AS_MM,)),
    "coordinate_mm": Quantity("a coordinate", "mm", -1e4, 1e4, (_UM_AS_MM,)),
    "direction": Quantity("a part of a direction", "", -1e3, 1e3),
    "pitch_mm": Quantity("a screw pitch", "mm", 0.1, 2.0, (_UM_AS_MM, _M_AS_MM)),
    "uncertainty_um": Quantity("a standard uncertainty", "µm", 0.0, 500.0),
    "uncertainty_deg": Quantity("a standard uncertainty", "deg", 0.0, 10.0),
    "certified_um": Quantity(
        "an uncertainty of a position", "µm", 0.02, 500.0, (_MM_AS_UM, _M_AS_UM), zero=True
    ),
    "certified_deg": Quantity(
        "a standard uncertainty of an axis", "deg", 0.0005, 10.0, (_RADIANS,), zero=True
    ),
    "learned_um": Quantity(
        "an uncertainty of a learned body",
        "µm",
        0.02,
        5000.0,
        (_MM_AS_UM, _M_AS_UM),
        zero=True,
    ),
    "angle_deg": Quantity("an angle", "deg", -180.0, 180.0),
    "tilt_deg": Quantity("a tilt", "deg", 0.0, 90.0),
    "clearance_um": Quantity("a clearance", "µm", 0.0, 1000.0),
    "probe_radius_mm": Quantity("a probe radius", "mm", 0.02, 20.0, (_UM_AS_MM,), zero=True),
    "coverage": Quantity("a share", "", 0.0, 1.0, (_PERCENT,)),
    "count": Quantity("a count", "", 0.0, 1e6),
    "humidity_percent": Quantity("a relative humidity", "%", 0.0, 100.0),
    "duration_s": Quantity("a duration", "s", 0.0, 86_400.0, (_times(1e-3, "milliseconds"),)),
    "torque_ncm": Quantity("a torque", "N cm", 0.0, 100.0),
    "light_lux": Quantity("an illuminance", "lx", 0.0, 200_000.0),
    "days": Quantity("a number of days", "d", 0.0, 10_000.0),
}
"""Quantities of settings and columns, by key."""

BENCH_COLUMNS = (
    "body_uses", "torque_ncm", "scan_time_s", "light_lux", "days_since_calibration"
)  # fmt: skip
"""Columns of the scan list that are noted at the bench, scan by scan: no factors of the design."""

SERIAL_COLUMN = "body_serial_"
"""Beginning of the columns that name the scan body at each position: ``body_serial_16``."""

COLUMNS = {
    "temperature_c": "temperature_c",
    "humidity_percent": "humidity_percent",
    "scan_time_s": "duration_s",
    "torque_ncm": "torque_ncm",
    "light_lux": "light_lux",
    "days_since_calibration": "days",
    "body_uses": "count",
    **dict.fromkeys(("x_mm", "y_mm", "z_mm"), "coordinate_mm"),
    **dict.fromkeys((f"{of}_{a}" for of in ("axis", "flat") for a in "xyz"), "direction"),
    "probe_radius_mm": "probe_radius_mm",
    "height_mm": "from_platform_mm",
    "angulation_deg": "tilt_deg",
    **dict.fromkeys(("u_position_um", "U_position_um"), "certified_um"),
    **dict.fromkeys(("u_x_um", "u_y_um", "u_z_um"), "uncertainty_um"),
    "u_axis_deg": "certified_deg",
    "coverage": "coverage",
}
"""Key of the quantity of each column of an input table that has one."""


def implausible(key: str, value: float) -> tuple[str, str] | None:
    """Say why a value cannot be true, and what it may have been meant to be.

    Parameters
    ----------
    key : str
        Of `QUANTITIES`.
    value : float
        The value as the user wrote it.

    Returns
    -------
    what, hint : str
        Two sentences without a full stop, or None where the value can be true.

    Examples
    --------
    >>> implausible("temperature_c", 72.5)
    ('72.5 °C is outside 5 to 50 °C', 'it looks like degrees Fahrenheit: write 22.5')
    >>> implausible("temperature_c", 22.5) is None
    True
    """
    quantity = QUANTITIES[key]
    if quantity.holds(value):
        return None
    unit = f" {quantity.unit}" if quantity.unit else ""
    what = f"{value:.6g}{unit} is outside {quantity.low:g} to {quantity.high:g}{unit}"
    for slip in quantity.slips:
        meant = slip.correct(value)
        if quantity.low <= meant <= quantity.high:
            return what, f"it looks like {slip.looks}: write {meant:.4g}"
    return what, f"write {quantity.name}{f' in {quantity.unit}' if unit else ''}"
