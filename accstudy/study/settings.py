"""What study.toml may say: every key with its type, default and meaning."""

from __future__ import annotations

import math
from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from accstudy.study.cells import (
    Day,
    ExpansionPerK,
    Flag,
    FromPlatformMm,
    HeightMm,
    LimitDeg,
    LimitUm,
    Number,
    PointMm,
    Positive,
    RadiusMm,
    Section,
    Share,
    TemperatureC,
    Vector,
    Whole,
    in_range_of,
)
from accstudy.study.layout import Layout

Kind = Literal["validation", "comparison", "drift"]
LengthUnit = Literal["mm", "cm", "m", "inch", "um"]
ReferenceKind = Literal["cmm", "scan", "none"]
Alignment = Literal["all-implants", "datum-implants", "first-implant"]


class StudySection(Section):
    """``[study]``: title, question and identification of the study."""

    title: str = Field(min_length=1, max_length=200)
    """Title of the study, printed on every page of the report. Example: "Full-arch check, two
    devices" """
    kind: Kind
    """Question of the study: may a workflow be used, do techniques differ, has a device changed.
    Example: "validation" """
    protocol: str = ""
    """Protocol from which `accstudy new` created the study. Example: "full_arch_validation" """
    laboratory: str = Field(default="", max_length=200)
    """Laboratory, for page 1; if empty, a line to fill in. Example: "Laboratory 1" """
    report_number: str = Field(default="", max_length=100)
    """Report number, for page 1; if empty, a line to fill in. Example: "2025-014" """
    author: str = Field(default="", max_length=100)
    """Author of the report, printed above the signature. Example: "A. Example" """
    approver: str = Field(default="", max_length=100)
    """Approver of the report, printed above the signature. Example: "B. Example" """
    issued_on: Day | None = None
    """Date of issue of the report. Example: 2025-06-24"""


class LengthMpe(Section):
    """Maximum permissible error of the CMM, E = constant + per_metre * L."""

    constant: Annotated[Number, in_range_of("mpe_constant_um")]
    """Constant part, µm. Example: 1.9"""
    per_metre: Annotated[Number, in_range_of("mpe_per_metre_um")] = 0.0
    """Length-dependent part, µm per metre. Example: 4.0"""


class Certified(Section):
    """Uncertainty of the positions and axes, from the certificate of the reference."""

    U_position_um: Annotated[Number, in_range_of("certified_um")]
    """Expanded uncertainty of each coordinate of a position. Example: 2.4"""
    U_axis_deg: Annotated[Number, in_range_of("certified_deg")] | None = None
    """Expanded uncertainty of each tilt of an axis. Example: 0.02"""
    k: Annotated[Number, Field(ge=1, le=5)] = 2.0
    """Coverage factor of both. Example: 2.0"""


_OF_A_MEASURED_MODEL = {
    "certified", "implants", "runs", "touch_points", "instrument", "probed", "certificate",
    "measured_on", "due_on", "mpe_um", "height_mm", "surface", "occlusal",
}  # fmt: skip


class Reference(Layout):
    """``[reference]``: reference positions of the implants, and their source."""

    implants: str = "reference/implants.csv"
    """Table of positions and axes, one row per implant. Example: "reference/implants.csv" """
    runs: str = ""
    """Tables of repeated measurements, one file per run, instead of one table: positions and
    axes, or probed points. Their mean is the reference. Example: "reference/runs/*.csv" """
    touch_points: str = ""
    """Table of probed points, instead of positions and axes.
    Example: "reference/touch_points.csv" """
    instrument: str = ""
    """Instrument that measured the model, as free text. Example: "contact CMM" """
    probed: Literal["", "implant", "analogue", "abutment", "scan body"] = ""
    """What was probed; if scan bodies were probed, their seating contributes to every position.
    Example: "analogue" """
    certificate: str = ""
    """Certificate of the reference. Example: "2023-104" """
    measured_on: Day | None = None
    """Date of the reference measurement. Example: 2023-12-11"""
    due_on: Day | None = None
    """Date by which the model must be measured again. Example: 2025-12-11"""
    kind: ReferenceKind = "cmm"
    """Kind of reference: measured on a coordinate measuring machine; itself a scan (differences are
    then agreement, not trueness); or none (precision and differences between conditions, no
    trueness). Example: "cmm" """
    sketch: str = ""
    """Without a reference: implant names with approximate positions, to a few millimetres.
    Example: "reference/sketch.csv" """
    mpe_um: LengthMpe | None = None
    """Maximum permissible error of the instrument, from its certificate.
    Example: { constant = 1.9, per_metre = 4.0 }"""
    certified: Certified | None = None
    """Certified uncertainty of all positions and axes, where the table does not state that of each.
    Example: { U_position_um = 2.4, k = 2.0 }"""
    height_mm: FromPlatformMm = 0.0
    """Height above the platform, along the axis, at which positions were measured. Example: 8.0"""
    temperature_c: TemperatureC = 20.0
    """Temperature at which the positions are valid; without a reference, the temperature to which
    all scans are corrected. Example: 20.0"""
    length_unit: LengthUnit = "mm"
    """Unit of the coordinates. Example: "mm" """
    surface: str = ""
    """Mesh of the whole model, for surface deviations. Example: "reference/model.stl" """
    occlusal: Vector | None = None
    """Occlusal direction in the reference frame; if not given, the normal of the plane through
    the platforms. Example: [0.0, 0.0, 1.0]"""

    @model_validator(mode="after")
    def _occlusal_points_somewhere(self) -> Reference:
        if self.occlusal is not None and not any(self.occlusal):
            raise ValueError("occlusal must not be zero")
        return self

    @model_validator(mode="after")
    def _none_has_no_numbers(self) -> Reference:
        if self.kind == "none":
            useless = self.model_fields_set & _OF_A_MEASURED_MODEL
            if useless:
                raise ValueError(
                    f'kind = "none" does not allow {", ".join(sorted(useless))}: remove them, or '
                    'write kind = "cmm"'
                )
        elif self.sketch:
            raise ValueError('a sketch is used only with kind = "none"')
        return self


class Scans(Layout):
    """``[scans]``: the scan list and settings for all scans."""

    list: str = "scans.csv"
    """Scan list, one row per scan. Example: "scans.csv" """
    poses: str = ""
    """Table of measured positions, for scans without a mesh. Example: "poses.csv" """
    landmarks: str = ""
    """Table of points picked on scans, for scan bodies that are not found without them.
    Example: "landmarks.csv" """
    length_unit: LengthUnit = "mm"
    """Length unit of meshes and of positions. Example: "mm" """
    temperature_c: TemperatureC | None = None
    """Temperature of the model during the scans; a column of the scan list overrides it.
    Example: 23.0"""
    expansion_per_k: ExpansionPerK | None = None
    """Coefficient of linear thermal expansion of the model, 1/K. Example: 75e-6"""


class Poses(Layout):
    """``[poses]``: layout of the table named by `scans.poses`."""


class Landmarks(Layout):
    """``[landmarks]``: layout of the table named by `scans.landmarks`."""


class Events(Layout):
    """``[events]``: layout of the table named by `drift.events`."""


class Cylinder(Section):
    """Dimensions of a cylindrical scan body, instead of CAD geometry."""

    radius_mm: RadiusMm
    """Radius of the scan body. Example: 2.0"""
    height_mm: HeightMm
    """Height of its top above the platform. Example: 8.0"""
    flat_offset_mm: RadiusMm | None = None
    """Distance of the flat from the axis; if not given, the rotation is unknown. Example: 1.5"""
    flat_from_mm: FromPlatformMm = 0.0
    """Height above the platform at which the flat starts. Example: 4.0"""

    @model_validator(mode="after")
    def _flat_cuts_the_cylinder(self) -> Cylinder:
        if self.flat_offset_mm is not None and self.flat_offset_mm >= self.radius_mm:
            raise ValueError("flat_offset_mm must be smaller than radius_mm, or there is no flat")
        if self.flat_from_mm >= self.height_mm:
            raise ValueError("flat_from_mm must be smaller than height_mm")
        return self


class Learned(Section):
    """Where a drawing comes from that was learned from a scan, as `accstudy learn` states it."""

    scan: str = Field(min_length=1)
    """Scan of the model from which it was derived. Example: "reference/model.stl" """
    copies: Annotated[Whole, Field(ge=1)]
    """Bodies on that model whose mean it is. Example: 6"""
    u_height_um: Annotated[Number, in_range_of("learned_um")]
    """Standard uncertainty of the platform along the axis, µm. Example: 3.0"""
    u_aside_um: Annotated[Number, in_range_of("learned_um")]
    """Standard uncertainty of the platform across the axis, µm. Example: 1.0"""
    u_axis_deg: Annotated[Number, in_range_of("certified_deg")]
    """Standard uncertainty of each tilt of the axis, deg. Example: 0.01"""


class ScanBodySettings(Section):
    """``[scan_body.NAME]``: CAD geometry of the scan body and the position of the implant in it."""

    mesh: str = ""
    """CAD geometry of the scan body, a mesh file. Example: "scan_bodies/body.stl" """
    cylinder: Cylinder | None = None
    """Dimensions of a cylindrical scan body, instead of a mesh. Example: { radius_mm = 2.0,
    height_mm = 8.0 }"""
    length_unit: LengthUnit = "mm"
    """Length unit of the CAD geometry and of the platform centre in it. Example: "mm" """
    origin_mm: PointMm = (0.0, 0.0, 0.0)
    """Platform centre in the frame of the CAD geometry. Example: [0.0, 0.0, 0.0]"""
    axis: Vector = (0.0, 0.0, 1.0)
    """Direction out of the bone in the frame of the CAD geometry. Example: [0.0, 0.0, 1.0]"""
    flat: Vector | None = None
    """Direction towards the flat in the frame of the CAD geometry; if not given, the rotation is
    unknown.
    Example: [1.0, 0.0, 0.0]"""
    use_above_mm: FromPlatformMm = 2.5
    """Height above the platform below which the scan is ignored (soft tissue, saliva). Example:
    2.5"""
    learned: Learned | None = None
    """For CAD geometry derived by `accstudy learn`; its uncertainty enters every bias.
    Example: { scan = "reference/model.stl", copies = 6, u_height_um = 3, u_aside_um = 1,
    u_axis_deg = 0.01 }"""

    @model_validator(mode="after")
    def _one_geometry(self) -> ScanBodySettings:
        if bool(self.mesh) == (self.cylinder is not None):
            raise ValueError("give either mesh or cylinder")
        if self.learned is not None and not self.mesh:
            raise ValueError("learned requires the mesh written by `accstudy learn`")
        if not any(self.axis):
            raise ValueError("axis must not be zero")
        if self.flat is not None:
            (a, b, c), (x, y, z) = self.axis, self.flat
            across = math.hypot(b * z - c * y, c * x - a * z, a * y - b * x)
            if across <= 1e-6 * math.hypot(a, b, c) * math.hypot(x, y, z):
                raise ValueError("flat must point sideways, not along axis")
        return self


class Analysis(Section):
    """``[analysis]``: how scans are grouped and aligned."""

    alignment: Alignment = "all-implants"
    """Alignment for deviations of single implants; pairs need no alignment. Example: "all-implants"
    """
    datum: tuple[str, ...] = ()
    """Implants used by the alignment `datum-implants`. Example: ["I1", "I3", "I4"]"""
    condition: tuple[str, ...] | None = None
    """Factor columns whose combinations are compared. Example: ["device", "technique"]"""
    cell: tuple[str, ...] | None = None
    """Factor columns that define a cell; scans within a cell are repeats. Example: ["operator",
    "session"]"""
    laboratory: str = ""
    """Factor column that names the laboratory, if several took part. Example: "site" """

    @model_validator(mode="after")
    def _datum_named(self) -> Analysis:
        if self.alignment == "datum-implants" and not self.datum:
            raise ValueError('alignment "datum-implants" needs datum = [names of implants]')
        return self


class Limit(Section):
    """A limit of the user's, with its source, which the report prints."""

    value: Number
    """The limit, in the unit of the key. Example: 30.0"""
    source: str = Field(min_length=1)
    """Source, printed in the report. Example: "chosen for this study" """


class LimitInUm(Limit):
    """A limit of a length."""

    value: LimitUm


class LimitInDeg(Limit):
    """A limit of an angle."""

    value: LimitDeg


class Limits(Section):
    """``[limits]``: limits for the results."""

    distance_um: LimitInUm | None = None
    """Limit of the deviation of inter-implant distances.
    Example: { value = 100, source = "chosen for this study" }"""
    angle_deg: LimitInDeg | None = None
    """Limit of the deviation of angles between axes.
    Example: { value = 0.4, source = "chosen for this study" }"""
    seat_gap_um: LimitInUm | None = None
    """Limit of the largest predicted gap at the best seat.
    Example: { value = 150, source = "chosen for this study" }"""
    spans_at_um: tuple[LimitUm, ...] = (50.0, 100.0, 150.0, 200.0)
    """Limits in µm for which the supported span is computed. Example: [50, 100, 150, 200]"""
    coverage: Share = 0.95
    """Share of future scans that tolerance bounds cover. Example: 0.95"""
    confidence: Share = 0.95
    """Confidence level of tolerance bounds, intervals and verdicts. Example: 0.95"""


class ModelSettings(Section):
    """``[[model]]``: a mixed-effects model."""

    name: str = Field(min_length=1)
    """Name of the model. Example: "distance" """
    response: str
    """Column of the pair, implant or scan deviations, or `log(abs(...))` of one.
    Example: "pair.distance_um" """
    fixed: str = "1"
    """Fixed terms. Example: "technique * angulation_deg + path_mm" """
    random: tuple[str, ...] = ("scan",)
    """Random terms; nesting with `/`, interactions with `:`, slopes with `|`.
    Example: ["model", "scan", "operator/session"]"""
    residual_sd_by: str = ""
    """Factor by whose levels the residual standard deviation differs. Example: "technique" """
    equivalence_margin: Positive | None = None
    """Equivalence margin, in the unit of the response. Example: 30.0"""
    non_inferiority: Flag = False
    """Whether to test non-inferiority instead of equivalence. Example: true"""
    at: tuple[tuple[str, Number], ...] = ()
    """Values of covariates at which means are estimated. Example: [["path_mm", 40.0]]"""
    method: Literal["kenward-roger", "satterthwaite"] = "kenward-roger"
    """Method for the degrees of freedom. Example: "kenward-roger" """
    adjust: Literal["holm", "none"] = "holm"
    """Adjustment of p values for multiple contrasts. Example: "holm" """
    simultaneous: Flag = False
    """Whether intervals of contrasts are simultaneous. Example: true"""
    bootstrap: Annotated[Whole, Field(ge=0, le=10_000)] = 0
    """Parametric bootstrap samples for an additional test of every term; 0: none. Example: 499"""


class Seating(Section):
    """``[seating]``: rigid framework whose seating is predicted."""

    platform_radius_mm: RadiusMm = 2.0
    """Radius of the platform at whose rim gaps are computed. Example: 2.0"""
    screw_pitch_mm: Annotated[Number, in_range_of("pitch_mm")] | None = None
    """Pitch of the screw thread; gaps are then also given as turns of the screw. Example: 0.3"""
    engaging: Flag = False
    """Whether the connection engages, so that it fixes the rotation. Example: true"""
    lateral_clearance_um: Annotated[Number, in_range_of("clearance_um")] | None = None
    """Lateral clearance within which the framework may move sideways. Example: 20.0"""
    draws: Annotated[Whole, Field(ge=0, le=10_000)] = 128
    """Monte Carlo draws for the uncertainty of gaps; 0: none. Powers of two are spread best.

    Example: 256"""


class Drift(Section):
    """``[drift]``: control charts."""

    events: str = ""
    """Table of events: services, new tips, updates. Example: "events.csv" """
    baseline_sessions: Annotated[Whole, Field(ge=3)] = 10
    """Number of sessions in every baseline. Example: 10"""
    baseline_until: Day | None = None
    """Last day of the first baseline, instead of the number of sessions. Example: 2024-05-27"""
    false_alarm_every: Positive = 80.0
    """Mean number of sessions between false alarms of a device, all its charts together. Example:
    80"""
    shift_um: Positive = 20.0
    """Shift that the charts are tuned to detect, µm. Example: 20"""
    sd_ratio: Annotated[Number, Field(gt=1, le=10)] = 2.0
    """Ratio by which the standard deviation within sessions grows, to which the charts are tuned.
    Example: 2.0"""
    horizon_months: Positive | None = None
    """How far ahead trends are projected, months; by default, the duration of the study so far.
    Example: 12"""
    run_rules: Flag = False
    """Whether runs, trends and alternation also signal. Example: true"""


class SeatingUncertainty(Section):
    """Standard uncertainty of putting a scan body on, with its source."""

    value: Annotated[Number, in_range_of("uncertainty_um")]
    """Standard uncertainty of the position, µm. Example: 5.0"""
    source: str = Field(min_length=1)
    """Source, printed in the report. Example: "own repeats, reseated" """


class Uncertainty(Section):
    """``[uncertainty]``: contributions to the uncertainty that the data do not show."""

    scan_body_seating_um: SeatingUncertainty | None = None
    """Standard uncertainty of seating a scan body.
    Example: { value = 5.0, source = "own repeats, reseated" }"""
    temperature_tolerance_k: Annotated[Number, in_range_of("temperature_tolerance_k")] = 1.0
    """Largest error of the model temperature during the scans, K. Example: 1.0"""
    reference_temperature_tolerance_k: Annotated[Number, in_range_of("temperature_tolerance_k")] = (
        0.0
    )
    """Largest error of the temperature at the reference measurement, K. Example: 0.5"""
    expansion_tolerance_per_k: Annotated[Number, Field(ge=0, le=5e-4)] = 0.0
    """Largest error of the coefficient of linear thermal expansion, 1/K. Example: 1e-5"""


class Exclusion(Section):
    """``[[exclusions]]``: an excluded scan, with the reason, which the report prints."""

    scan: str
    """The scan. Example: "s07" """
    reason: str = Field(min_length=3)
    """Reason for the exclusion, printed in the report. Example: "body loose, seen on the
    photograph" """


class Settings(Section):
    """All of study.toml."""

    study: StudySection
    reference: Reference = Reference()
    scans: Scans = Scans()
    poses: Poses = Poses()
    landmarks: Landmarks = Landmarks()
    events: Events = Events()
    scan_body: dict[str, ScanBodySettings] = Field(default_factory=dict, max_length=200)
    analysis: Analysis = Analysis()
    limits: Limits = Limits()
    model: tuple[ModelSettings, ...] = Field(default=(), max_length=50)
    seating: Seating = Seating()
    drift: Drift = Drift()
    uncertainty: Uncertainty = Uncertainty()
    exclusions: tuple[Exclusion, ...] = ()

    def as_used(self) -> dict[str, Any]:
        """Every setting, defaults included, as plain JSON values."""
        return self.model_dump(mode="json")
