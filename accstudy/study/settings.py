"""What study.toml may say: every key with its type, default and meaning."""

from __future__ import annotations

import datetime as dt
import math
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, model_validator
from pydantic_core import PydanticCustomError

from accstudy.quantities import implausible

__all__ = [
    "Analysis",
    "Cylinder",
    "Drift",
    "Exclusion",
    "LengthMpe",
    "Limit",
    "Limits",
    "ModelSettings",
    "Reference",
    "ScanBodySettings",
    "Scans",
    "Seating",
    "Settings",
    "StudySection",
    "Uncertainty",
]

Kind = Literal["validation", "comparison", "drift"]
LengthUnit = Literal["mm", "cm", "m", "inch"]
Alignment = Literal["all-implants", "datum-implants", "first-implant"]


def _number(value: object) -> object:
    """Refuse words and truth values where a number is meant: true is not 1."""
    if isinstance(value, bool | str):
        raise PydanticCustomError(
            "not_a_number",
            "a number is needed",
            {"hint": "write a number without quotation marks, with a decimal point"},
        )
    return value


def _of(key: str) -> AfterValidator:
    """Refuse a number outside the range in which this quantity can be true."""

    def check(value: float) -> float:
        doubt = implausible(key, value)
        if doubt:
            raise PydanticCustomError("implausible", "{what}", {"what": doubt[0], "hint": doubt[1]})
        return value

    return AfterValidator(check)


Number = Annotated[float, BeforeValidator(_number), Field(allow_inf_nan=False)]
Whole = Annotated[int, BeforeValidator(_number)]
Positive = Annotated[Number, Field(gt=0)]
Finite = Number
TemperatureC = Annotated[Number, _of("temperature_c")]
ExpansionPerK = Annotated[Number, _of("expansion_per_k")]
LimitUm = Annotated[Number, _of("limit_um")]
LimitDeg = Annotated[Number, _of("limit_deg")]
Share = Annotated[Number, _of("share")]
RadiusMm = Annotated[Number, _of("radius_mm")]
HeightMm = Annotated[Number, _of("height_mm")]
FromPlatformMm = Annotated[Number, _of("from_platform_mm")]
CoordinateMm = Annotated[Number, _of("coordinate_mm")]
Vector = tuple[Finite, Finite, Finite]
PointMm = tuple[CoordinateMm, CoordinateMm, CoordinateMm]


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class StudySection(_Strict):
    """``[study]``: what is asked."""

    title: str = Field(min_length=1, max_length=200)
    kind: Kind
    protocol: str = ""
    laboratory: str = Field(default="", max_length=200)
    report_number: str = Field(default="", max_length=100)
    author: str = Field(default="", max_length=100)
    approver: str = Field(default="", max_length=100)
    issued_on: dt.date | None = None


class LengthMpe(_Strict):
    """Largest permitted length error of the CMM, E = constant + per_metre * L."""

    constant: Annotated[Number, _of("mpe_constant_um")]
    per_metre: Annotated[Number, _of("mpe_per_metre_um")] = 0.0


class Reference(_Strict):
    """``[reference]``: what the implants really are, and who says so."""

    implants: str = "reference/implants.csv"
    touch_points: str = ""
    instrument: str = ""
    certificate: str = ""
    measured_on: dt.date | None = None
    due_on: dt.date | None = None
    is_scan: bool = False
    mpe_um: LengthMpe | None = None
    height_mm: FromPlatformMm = 0.0
    temperature_c: TemperatureC = 20.0
    length_unit: LengthUnit = "mm"
    surface: str = ""
    occlusal: Vector | None = None
    model: str = ""
    columns: dict[str, str] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _occlusal_points_somewhere(self) -> Reference:
        if self.occlusal is not None and not any(self.occlusal):
            raise ValueError("occlusal must not be zero")
        return self


class Scans(_Strict):
    """``[scans]``: the scan list and what holds for all scans."""

    list: str = "scans.csv"
    poses: str = ""
    landmarks: str = ""
    length_unit: LengthUnit = "mm"
    temperature_c: TemperatureC | None = None
    expansion_per_k: ExpansionPerK | None = None


class Cylinder(_Strict):
    """A scan body given by numbers instead of a drawing."""

    radius_mm: RadiusMm
    height_mm: HeightMm
    flat_offset_mm: RadiusMm | None = None
    flat_from_mm: FromPlatformMm = 0.0

    @model_validator(mode="after")
    def _flat_cuts_the_cylinder(self) -> Cylinder:
        if self.flat_offset_mm is not None and self.flat_offset_mm >= self.radius_mm:
            raise ValueError("flat_offset_mm must be smaller than radius_mm, or there is no flat")
        if self.flat_from_mm >= self.height_mm:
            raise ValueError("flat_from_mm must be smaller than height_mm")
        return self


class ScanBodySettings(_Strict):
    """``[scan_body.NAME]``: the drawing and where the implant is in it."""

    mesh: str = ""
    cylinder: Cylinder | None = None
    length_unit: LengthUnit = "mm"
    origin_mm: PointMm = (0.0, 0.0, 0.0)
    axis: Vector = (0.0, 0.0, 1.0)
    flat: Vector | None = None
    use_above_mm: FromPlatformMm = 2.5

    @model_validator(mode="after")
    def _one_geometry(self) -> ScanBodySettings:
        if bool(self.mesh) == (self.cylinder is not None):
            raise ValueError("give either mesh or cylinder")
        if not any(self.axis):
            raise ValueError("axis must not be zero")
        if self.flat is not None:
            (a, b, c), (x, y, z) = self.axis, self.flat
            across = math.hypot(b * z - c * y, c * x - a * z, a * y - b * x)
            if across <= 1e-6 * math.hypot(a, b, c) * math.hypot(x, y, z):
                raise ValueError("flat must point sideways, not along axis")
        return self


class Analysis(_Strict):
    """``[analysis]``: how scans are grouped and aligned."""

    alignment: Alignment = "all-implants"
    datum: tuple[str, ...] = ()
    condition: tuple[str, ...] | None = None
    cell: tuple[str, ...] | None = None
    laboratory: str = ""

    @model_validator(mode="after")
    def _datum_named(self) -> Analysis:
        if self.alignment == "datum-implants" and not self.datum:
            raise ValueError('alignment "datum-implants" needs datum = [names of implants]')
        return self


class Limit(_Strict):
    """A limit of the user's, with its source, which the report prints."""

    value: Number
    source: str = Field(min_length=1)


class LimitInUm(Limit):
    """A limit of a length."""

    value: LimitUm


class LimitInDeg(Limit):
    """A limit of an angle."""

    value: LimitDeg


class Limits(_Strict):
    """``[limits]``: against what the results are held."""

    distance_um: LimitInUm | None = None
    angle_deg: LimitInDeg | None = None
    seat_gap_um: LimitInUm | None = None
    spans_at_um: tuple[LimitUm, ...] = (50.0, 100.0, 150.0, 200.0)
    coverage: Share = 0.95
    confidence: Share = 0.95


class ModelSettings(_Strict):
    """``[[model]]``: a mixed-effects model."""

    name: str = Field(min_length=1)
    response: str
    fixed: str = "1"
    random: tuple[str, ...] = ("scan",)
    residual_sd_by: str = ""
    equivalence_margin: Positive | None = None
    non_inferiority: bool = False
    at: tuple[tuple[str, Finite], ...] = ()
    method: Literal["kenward-roger", "satterthwaite"] = "kenward-roger"
    adjust: Literal["holm", "none"] = "holm"
    simultaneous: bool = False
    bootstrap: Annotated[Whole, Field(ge=0, le=10_000)] = 0


class Seating(_Strict):
    """``[seating]``: the rigid framework whose seating is predicted."""

    platform_radius_mm: RadiusMm = 2.0
    screw_pitch_mm: Annotated[Number, _of("pitch_mm")] | None = None
    engaging: bool = False
    lateral_clearance_um: Annotated[Number, _of("clearance_um")] | None = None
    draws: Annotated[Whole, Field(ge=0, le=10_000)] = 200


class Drift(_Strict):
    """``[drift]``: what is charted and from when."""

    events: str = ""
    baseline_sessions: Annotated[Whole, Field(ge=3)] = 10
    baseline_until: dt.date | None = None
    false_alarm_every: Positive = 80.0
    shift_um: Positive = 20.0
    sd_ratio: Annotated[Number, Field(gt=1, le=10)] = 2.0
    horizon_months: Positive | None = None
    run_rules: bool = False


class SeatingUncertainty(_Strict):
    """Standard uncertainty of putting a scan body on, with its source."""

    value: Annotated[Number, _of("uncertainty_um")]
    source: str = Field(min_length=1)


class Uncertainty(_Strict):
    """``[uncertainty]``: parts that the data do not show."""

    scan_body_seating_um: SeatingUncertainty | None = None
    temperature_tolerance_k: Annotated[Number, _of("temperature_tolerance_k")] = 1.0


class Exclusion(_Strict):
    """``[[exclusions]]``: a scan left out, with the reason, which the report prints."""

    scan: str
    reason: str = Field(min_length=3)


class Settings(_Strict):
    """All of study.toml."""

    study: StudySection
    reference: Reference = Reference()
    scans: Scans = Scans()
    scan_body: dict[str, ScanBodySettings] = Field(default_factory=dict)
    analysis: Analysis = Analysis()
    limits: Limits = Limits()
    model: tuple[ModelSettings, ...] = ()
    seating: Seating = Seating()
    drift: Drift = Drift()
    uncertainty: Uncertainty = Uncertainty()
    exclusions: tuple[Exclusion, ...] = ()

    def as_used(self) -> dict[str, Any]:
        """Every setting, defaults included, as plain JSON values."""
        return self.model_dump(mode="json")
