"""Every table once: its columns with type, unit and meaning.

Checks, files, the data dictionary and the documentation are fed from here.
Deviations are measured minus reference, everywhere. Units stand in the column
name (``_mm``, ``_um``, ``_deg``, ``_ppm``); a column whose unit depends on the
row has a ``unit`` column beside it.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, BinaryIO, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from accstudy.errors import InputError
from accstudy.grid import DECIMALS, number_texts

__all__ = [
    "BEGINNING",
    "LABEL_FACTORS",
    "TABLES",
    "UNREFERENCED",
    "Column",
    "Kind",
    "Table",
    "csv_bytes",
    "empty",
    "read_csv",
    "shape",
    "valid_since",
]

Kind = Literal["text", "number", "integer", "flag", "date"]


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table.

    Parameters
    ----------
    name : str
        Plain identifier, with the unit at its end.
    kind : {"text", "number", "integer", "flag", "date"}
        What a cell holds; a ``flag`` is written ``true`` or ``false``.
    meaning : str
        What the number means, in a phrase.
    required : bool
        Whether an input table must have it; result tables always have it.
    decimals : int or None
        Of a number: how finely it is written, see `accstudy.grid.step_of`.
    inner : bool
        Whether it is for the program itself: left out of a file where it holds nothing.
    """

    name: str
    kind: Kind
    meaning: str
    required: bool = True
    decimals: int | None = DECIMALS
    inner: bool = False

    @property
    def unit(self) -> str:
        """Unit from the name; empty for counts, ratios and labels."""
        for ending in ("mm", "um", "deg", "ppm", "per_month"):
            if self.name.endswith("_" + ending):
                return {"um": "µm", "per_month": "1/month"}.get(ending, ending)
        return ""


@dataclass(frozen=True, slots=True)
class Table:
    """One table: what a row is and which columns it has.

    Parameters
    ----------
    name : str
        File name without ending.
    row : str
        What a row is.
    columns : tuple of Column
        In the order in which they are written.
    factors : bool
        Whether the scan's factor columns (device, technique, ...) follow.
    """

    name: str
    row: str
    columns: tuple[Column, ...]
    factors: bool = False

    @property
    def names(self) -> list[str]:
        """Column names in order."""
        return [c.name for c in self.columns]


def _columns(text: str, *, required: bool = True, inner: bool = False) -> tuple[Column, ...]:
    """Read columns, one a line: name, kind, meaning.

    Kinds are t (text), i (integer), f (flag), d (date), n (number), n and its
    decimals where they are not six, and p (a number however small).
    """
    kinds: dict[str, Kind] = {"t": "text", "n": "number", "i": "integer", "f": "flag", "d": "date"}
    found = []
    for line in text.strip().splitlines():
        if not line.strip():
            continue
        name, kind, meaning = line.strip().split(None, 2)
        decimals = None if kind == "p" else int(kind[1:] or DECIMALS)
        found.append(
            Column(name, kinds[kind[0].replace("p", "n")], meaning, required, decimals, inner)
        )
    return tuple(found)


_DIFFERENCE = _columns("""
    level_a t first level; empty for the average slope
    level_b t second level, which is subtracted; empty for a slope by itself
    stratum t factor and level within which the levels are compared; empty for all
    covariate t covariate of a slope or of a difference of slopes; empty otherwise
    estimate n difference of marginal means
    se n standard error
    df n degrees of freedom
    t n t statistic
    p p two-sided p value
    p_holm p p value after Holm within the family
    adjust t holm or none: whether p_holm or p decides
    low n lower confidence limit, of this row by itself
    high n upper confidence limit, of this row by itself
    simultaneous_low n lower limit that holds for all rows of the family at once
    simultaneous_high n upper limit that holds for all rows of the family at once
    confidence n level of the limits; decisions are taken at one minus it
    shown f p_holm, or p without adjustment, is below one minus confidence
    ratio n back-transformed ratio for log responses
    margin n equivalence margin
    p_equivalence p larger p of the two one-sided tests
    equivalence_low n lower limit of the interval that two one-sided tests look at
    equivalence_high n upper limit of that interval; the one that non-inferiority looks at
    equivalent f p_equivalence is below one minus confidence
""")

_POSE_COLUMNS = """
    x_mm n position of the platform centre, scan frame
    y_mm n position of the platform centre, scan frame
    z_mm n position of the platform centre, scan frame
    axis_x n implant axis, unit vector out of the bone
    axis_y n implant axis, unit vector out of the bone
    axis_z n implant axis, unit vector out of the bone
"""

_CONDITION = """
    condition t levels of the condition factors, joined by " / "
    model t physical reference model
"""

_ACCURACY = _columns(
    _CONDITION
    + """
            measurand t column of pair_deviations or implant_deviations
            unit t um or deg; holds for every number of the row without a unit of its own
            subject t implant, or the two implants of a pair joined by "-"
            span_mm n reference distance of the pair; empty for implants
            path_mm n length along the arch of the pair; empty for implants
            n_scans i scans
            n_cells i cells (scans under repeatability conditions)
            bias n general mean minus reference (trueness)
            u_bias n standard uncertainty of the bias, the reference's included
            bias_df n effective degrees of freedom of u_bias
            bias_low n lower limit of the interval of the bias
            bias_high n upper limit of the interval of the bias
            s_r n repeatability standard deviation
            s_r_low n lower limit of its interval
            s_r_high n upper limit of its interval
            s_cell n standard deviation between cells, zero if the estimate is negative
            s_cell2_raw n12 variance between cells as estimated, may be negative
            s_I n intermediate precision (reproducibility if analysis.laboratory is named), sd
            s_I_low n lower limit of its interval
            s_I_high n upper limit of its interval
            confidence n confidence level of the intervals in the row
            r_limit n repeatability limit, 95 %, of two results
            I_limit n limit of intermediate precision, or reproducibility, 95 %, of two results
            mean_abs_deviation n the field's figure called trueness: mean of absolute deviations
            mean_pairwise_difference n the field's figure called precision: mean over repeats
            note t what cannot be said, and why
            """
)

_TABLES = (
    Table(
        "scans",
        "scan",
        _columns("""
            scan t name of the scan, unique
            model t the reference model that was scanned
        """)
        + _columns(
            """
            file t mesh file, relative to the study folder; empty for scans given as positions
            status t ok, failed or planned
            reason t why a failed scan could not be used
            """,
            required=False,
        ),
        factors=True,
    ),
    Table(
        "implants",
        "model x implant",
        _columns("""
            model t physical reference model
            implant t name of the implant, unique within the model
            x_mm n reference position of the platform centre
            y_mm n reference position of the platform centre
            z_mm n reference position of the platform centre
            axis_x n reference axis out of the bone
            axis_y n reference axis out of the bone
            axis_z n reference axis out of the bone
        """)
        + _columns(
            """
            flat_x n direction towards the flat
            flat_y n direction towards the flat
            flat_z n direction towards the flat
            angulation_deg n tilt against the occlusal plane's normal, as designed; else computed
            scan_body t key of [scan_body.*] in study.toml
            u_position_um n standard uncertainty of each coordinate of the position
            u_axis_deg n standard uncertainty of the axis direction, per tilt component
            U_position_um n expanded uncertainty of each coordinate, in place of u, with k
            k n coverage factor of U_position_um
            valid_from d first day on which this row is the reference
            height_mm n height over the platform, along the axis, where the position was measured
            arch_order n place along the arch, counted from either end; from the positions if empty
            """,
            required=False,
        )
        + _columns(
            """
            run t which of several measurements of the model; their mean is the reference
            u_runs_um n standard uncertainty of the mean of the runs, per coordinate; computed
            u_runs_deg n standard uncertainty of the mean axis of the runs, per tilt; computed
            u_body_um n standard uncertainty of a learned scan body, per coordinate; computed
            u_body_deg n standard uncertainty of the axis of a learned scan body, per tilt; computed
            """,
            required=False,
            inner=True,
        ),
    ),
    Table(
        "poses",
        "scan x implant",
        _columns(
            "scan t name of the scan\nmodel t physical reference model\nimplant t implant"
            + _POSE_COLUMNS
        )
        + _columns(
            """
            flat_x n direction towards the flat, unit vector; empty when not known to 0.5 deg (95 %)
            flat_y n direction towards the flat, unit vector; empty when not known to 0.5 deg (95 %)
            flat_z n direction towards the flat, unit vector; empty when not known to 0.5 deg (95 %)
            u_x_um n standard uncertainty of x_mm
            u_y_um n standard uncertainty of y_mm
            u_z_um n standard uncertainty of z_mm
            u_axis_deg n standard uncertainty of the axis direction, per tilt component
            fit_rms_um n root mean square of the residuals of the fit
            offset_um n uniform distance of the scanned surface from the drawing, outside positive
            coverage n share of the scan body's usable surface that the scan shows
            status t ok, or doubtful, or missing (no position then)
            note t what the user should know about this body
            """,
            required=False,
        ),
    ),
    Table(
        "touch_points",
        "touched point",
        _columns("""
            model t physical reference model
            implant t implant
            feature t cylinder, plane, sphere, cone or circle
            x_mm n touched point
            y_mm n touched point
            z_mm n touched point
        """)
        + _columns(
            "probe_radius_mm n radius of the probe tip, if the points are tip centres",
            required=False,
        ),
    ),
    Table(
        "landmarks",
        "scan x implant",
        _columns("""
            scan t name of the scan
            implant t implant
            x_mm n approximate position, scan frame
            y_mm n approximate position, scan frame
            z_mm n approximate position, scan frame
        """),
    ),
    Table(
        "sketch",
        "model x implant",
        _columns("""
            model t physical model
            implant t name of the implant, unique within the model
            x_mm n rough position seen from above, in any frame
            y_mm n rough position seen from above, in any frame
        """)
        + _columns(
            """
            z_mm n rough height; zero if empty
            angulation_deg n tilt against the occlusal plane's normal, as designed
            scan_body t key of [scan_body.*] in study.toml
            arch_order n place along the arch, counted from either end; from the positions if empty
            """,
            required=False,
        ),
    ),
    Table(
        "arrangement",
        "model x implant",
        _columns("""
            model t physical model
            implant t name of the implant
            x_mm n mean position of the platform centre over the scans
            y_mm n mean position of the platform centre over the scans
            z_mm n mean position of the platform centre over the scans, common axis upwards
            axis_x n mean axis out of the bone
            axis_y n mean axis out of the bone
            axis_z n mean axis out of the bone
            flat_x n mean direction towards the flat
            flat_y n mean direction towards the flat
            flat_z n mean direction towards the flat
            angulation_deg n tilt against the occlusal plane's normal, as designed; else computed
            scan_body t key of [scan_body.*] in study.toml
            arch_order n place along the arch, from the sketch
            n_scans i scans behind the mean
        """),
    ),
    Table(
        "events",
        "event",
        _columns("""
            at d when it happened
            device t device that it concerns; empty for all
            kind t service, tip changed, software update, room moved, model re-measured, ...
        """)
        + _columns(
            """
            note t free text
            new_baseline f true: charts of this device start anew here
            """,
            required=False,
        ),
    ),
    Table(
        "implant_deviations",
        "scan x implant x alignment",
        _columns("""
            scan t name of the scan
            model t physical reference model
            implant t implant
            alignment t all-implants, first-implant or datum-implants
            condition t levels of the condition factors, joined by " / "
            cell t levels of the cell factors, joined by " / "
            dx_um n deviation of the position along x of the reference frame
            dy_um n deviation of the position along y of the reference frame
            dz_um n deviation of the position along z of the reference frame
            mesiodistal_um n deviation along the arch, towards the arch's last implant positive
            buccolingual_um n deviation across the arch, outwards positive
            vertical_um n deviation along the arch's common axis, out of the bone positive
            distance_um n length of the deviation; never negative, never without bias
            angle_deg n angle between the axes; never negative
            tilt_mesiodistal_deg n signed tilt of the axis along the arch
            tilt_buccolingual_deg n signed tilt of the axis across the arch, outwards positive
            rotation_deg n signed rotation about the axis; empty when it is unknown
            angulation_deg n tilt against the model's occlusal direction; empty when unknown
            angulation_by t how angulation_deg is defined
            n_implants i implants of the model
            u_alignment_tilt_deg n standard uncertainty of the alignment's own tilt, per component
        """),
        factors=True,
    ),
    Table(
        "pair_deviations",
        "scan x pair",
        _columns("""
            scan t name of the scan
            model t physical reference model
            implant_a t first implant of the pair, in arch order
            implant_b t second implant of the pair, in arch order
            condition t levels of the condition factors, joined by " / "
            cell t levels of the cell factors, joined by " / "
            span_mm n reference straight distance between the platforms
            path_mm n reference length along the arch between the platforms
            steps i implants passed on the way, the last included
            angulation_deg n larger of the angulations of its two implants; empty when unknown
            divergence_deg n reference angle between the two axes
            n_implants i implants of the model
            distance_um n deviation of the distance, measured minus reference
            angle_deg n deviation of the angle between the axes, measured minus reference
            relative_axis_deg n angle by which an axis is off, seen from the other implant (r.m.s.)
            direction_x n unit vector from the first implant to the second, in the reference
            direction_y n unit vector from the first implant to the second, in the reference
            direction_z n unit vector from the first implant to the second, in the reference
            normal_x n unit vector square to both axes, in the reference; 0 if they are parallel
            normal_y n unit vector square to both axes, in the reference; 0 if they are parallel
            normal_z n unit vector square to both axes, in the reference; 0 if they are parallel
        """),
        factors=True,
    ),
    Table(
        "models",
        "model",
        _columns("""
            model t physical reference model
            n_implants i its implants
            angulation_deg n largest angulation of its pairs
            span_mm n largest distance of two platforms
            path_mm n longest way along the arch
            n_scans i scans of it that count
        """),
    ),
    Table(
        "scan_deviations",
        "scan",
        _columns("""
            scan t name of the scan
            model t physical reference model
            condition t levels of the condition factors, joined by " / "
            cell t levels of the cell factors, joined by " / "
            n_implants i implants of the model
            n_pairs i pairs that the scan shows
            complete f whether these are all pairs of the model
            angulation_deg n largest reference tilt among them
            span_mm n largest reference distance among them
            path_mm n longest way along the arch among them
            worst_distance_um n largest |deviation of the distance| of its pairs
            worst_implant_a t first implant of that pair
            worst_implant_b t second implant of that pair
            rms_distance_um n root mean square of the deviations of the distance of its pairs
            worst_angle_deg n largest |deviation of the angle between two axes| of its pairs
        """),
        factors=True,
    ),
    Table(
        "accuracy",
        "condition x measurand x implant or pair",
        _ACCURACY,
    ),
    Table(
        "accuracy_with_excluded",
        "condition x measurand x implant or pair, scans left out included",
        _ACCURACY,
    ),
    Table(
        "outliers",
        "test x cell",
        _columns(
            _CONDITION
            + """
            measurand t column of the deviation table
            subject t implant or pair
            cell t cell that the statistic belongs to
            scan t scan, where the test is about single results
            test t cochran, grubbs, grubbs-double, mandel-h or mandel-k
            statistic n12 value of the statistic
            critical_5 n12 5 % critical value
            critical_1 n12 1 % critical value
            verdict t nothing, straggler or outlier; for Mandel's h and k beyond 5 % or beyond 1 %
            """
        ),
    ),
    Table(
        "precision_vs_span",
        "condition x relation",
        _columns("""
            condition t levels of the condition factors, joined by " / "
            measurand t column of pair_deviations
            which t s_r or s_I
            against t span_mm or path_mm
            relation t s = b m, s = a + b m, lg s = c + d lg m, or s = sqrt(a L + b L^3)
            intercept n12 a, or c; zero where the relation has none
            slope n12 b, or d
            criterion n corrected Akaike criterion on the log scale; smaller is better
            best f true for the relation with the smallest criterion
            n_points i pairs behind the fit
        """),
    ),
    Table(
        "conformity",
        "condition x limit x scope x conditions that it holds for",
        _columns("""
            condition t levels of the condition factors, joined by " / "
            measurand t column of pair_deviations that is limited
            scope t each pair by itself, or all pairs of a scan together
            holds_for t new cells; this cell; where operators return, these and new operators
            limit n the user's limit
            unit t um or deg; holds for every number of the row without a unit of its own
            source t where the limit comes from, in the user's words
            verdict t conformity verified, conformity not verified, nonconformity verified, or empty
            tolerance_bound n bound of a single future scan that holds for `coverage` of them
            bound_with_guard n bound and guard: what is held against the limit
            assumption t what the bound rests on: none, normal scatter, or cells differ normally
            method t how the bound was worked out
            coverage n share of future scans
            confidence n confidence of bound and guard, one-sided
            bound_low n value that more than 1 - coverage of future scans exceed, from counts alone
            largest_seen n largest absolute deviation of any scan
            n_beyond i scans beyond the limit (each pair: of the pair with the largest share)
            share_beyond n their share
            u n standard uncertainty that all scans share; empty: not stated
            guard n width by which the limit is drawn in for it
            guard_low n width by which a lower bound is drawn in for it
            normality_test t test of the residuals within cells
            p_normal p its p value, pooled over the pairs; below 0.05: not normal
            left_out t known factor, not told apart by cells, with the smallest p value
            p_left_out n p value of a difference between its levels within cells
            model t model with the largest guarded bound
            subject t pair with the largest guarded bound; empty for all pairs
            span_mm n longest span that the statement is about
            n_pairs i pairs of a scan
            n_scans i scans behind the statement
            n_cells i cells behind it
            n_independent i independent scans of a model among them
            n_without_assumption i independent scans from which on no assumption is needed
            n_needed i scans in all, of all models, that verify conformity with 80 % or more
            needed_operators i operators of that study; 1 where cells are no parts of operators
            needed_cells i cells of that study
            needed_per_cell i scans of each model in a cell of it
            needed_assurance n probability of its verdict, averaged over what the scans leave open
            note t what cannot be said, and why
        """),
    ),
    Table(
        "supported_spans",
        "condition x level x scope x conditions that it holds for",
        _columns("""
            condition t levels of the condition factors, joined by " / "
            holds_for t as in conformity
            scope t each pair by itself, or all pairs of a scan together
            level_um n limit of the distance: the user's, or another one of interest
            supported_span_mm n longest span for which conformity is verified; empty: none
            longest_span_mm n longest span studied
            supported_path_mm n longest path for which conformity is verified; empty: none
            longest_path_mm n longest path studied
            coverage n share of future scans
            confidence n confidence of the bound
        """),
    ),
    Table(
        "variance_components",
        "condition x measurand x pair x level",
        _columns("""
            condition t levels of the condition factors, joined by " / "
            model t physical reference model
            measurand t column of pair_deviations
            unit t um or deg; holds for every number of the row without a unit of its own
            subject t the two implants of the pair joined by "-"
            level t factor column, outermost first; residual; or total
            units i groups of this level
            df i degrees of freedom
            variance_raw n12 variance component as estimated, may be negative
            sd n standard deviation, zero if the estimate is negative
            sd_low n lower limit of its interval, for residual and total
            sd_high n upper limit of its interval, for residual and total
            confidence n confidence level of the intervals in the row
            share n share of the total variance
            F n F against the level below
            p p probability of a larger F without this component
            note t what cannot be said, and why
        """),
    ),
    Table(
        "span_curve",
        "condition x pair x axis",
        _columns("""
            condition t levels of the condition factors, joined by " / "
            holds_for t as in conformity; these operators where operators return
            model t physical reference model
            subject t the two implants of the pair joined by "-"
            against t span_mm or path_mm
            length_mm n span or path of the pair
            bound_um n tolerance bound of the absolute deviation of its distance
            bound_low_um n value that more than 1 - coverage of future scans exceed
            estimate_um n the quantile without any confidence
            bias_um n general mean minus reference
            largest_um n largest absolute deviation seen
            u_shared_um n standard uncertainty that all scans share; empty: not stated
            guard_um n width by which a limit is drawn in for it
            reach_each_um n largest guarded bound of a pair up to this length
            reach_all_um n guarded bound of all pairs of a scan up to this length together
            coverage n share of future scans
            confidence n confidence of the bound
            n_scans i scans
            n_cells i cells
        """),
    ),
    Table(
        "reference_pairs",
        "model x reference x pair",
        _columns("""
            model t physical reference model
            valid_from d first day of this reference; empty: from the beginning
            implant_a t one implant
            implant_b t the other
            span_mm n distance by this reference
            u_from t certificate, MPE or nothing
            u_instrument_um n standard uncertainty of the distance from certificate or MPE (type B)
            n_runs i measurements of the model, where the reference is their mean
            s_runs_um n standard deviation of one measurement of the distance
            u_runs_um n standard uncertainty of their mean, widened for few runs (type A)
            u_body_um n standard uncertainty from scan bodies that were learned, not drawn (type B)
            u_temperature_um n standard uncertainty from temperature and expansion (type B)
            u_um n all parts in squares; empty where certificate and MPE are missing
            expanded_u_um n expanded uncertainty
            k n its coverage factor
            u_angle_deg n standard uncertainty of the angle between the axes
        """),
    ),
    Table(
        "reference_runs",
        "model x reference x pair x run",
        _columns("""
            model t physical reference model
            valid_from d first day of this reference; empty: from the beginning
            implant_a t one implant
            implant_b t the other
            run t measurement of the model
            distance_mm n distance in this run
            deviation_um n distance in this run less the mean of the runs
        """),
    ),
    Table(
        "reference_changes",
        "model x new reference x pair",
        _columns("""
            model t physical reference model
            valid_from d day from which the new reference holds
            implant_a t one implant
            implant_b t the other
            before_mm n distance by the former reference
            after_mm n distance by the new one
            difference_um n after less before
            expanded_um n expanded uncertainty of the difference, k = 2
            e_n n difference over it; empty where no uncertainty is known
            verdict t agrees, differs or uncertainty unknown
            method t how it was compared
        """),
    ),
    Table(
        "uncertainty_budget",
        "condition x pair x part",
        _columns("""
            condition t levels of the condition factors, joined by " / "
            model t physical reference model
            subject t the two implants of the pair joined by "-"
            span_mm n reference distance of the pair
            part t CMM, temperature, scan body seating, ..., combined or expanded
            u_um n standard uncertainty of the bias of the distance from this part
            df n degrees of freedom; empty when they are many
            share n share of the combined variance
            counted f false for a part that another one holds already
            k n coverage factor, in the row of the expanded uncertainty
            monte_carlo_um n half-width of the same interval by propagation of distributions
            how t where the number comes from
        """),
    ),
    Table(
        "implant_vectors",
        "condition x implant",
        _columns("""
            condition t levels of the condition factors, joined by " / "
            model t physical reference model
            implant t implant
            alignment t alignment under which the deviations hold
            n_scans i scans
            n_cells i cells
            u_alignment_tilt_deg n standard uncertainty of an alignment's tilt, median of the scans
            bias_mesiodistal_um n component of the mean deviation along the arch
            bias_buccolingual_um n component of the mean deviation across the arch
            bias_vertical_um n component of the mean deviation along the common axis
            bias_length_um n length of the mean deviation
            sd_mesiodistal_um n standard deviation along the arch
            sd_buccolingual_um n standard deviation across the arch
            sd_vertical_um n standard deviation along the common axis
            corr_mesiodistal_buccolingual n correlation of the components
            corr_mesiodistal_vertical n correlation of the components
            corr_buccolingual_vertical n correlation of the components
            mean_square_um2 n mean of the squared lengths of the deviations
            bias_square_um2 n square of the bias; with the trace it makes the mean square
            trace_um2 n sum of the variances over n
            semi_axis_1_um n longest semi-axis of the confidence ellipsoid of the bias
            semi_axis_2_um n middle semi-axis
            semi_axis_3_um n shortest semi-axis
            direction_mesiodistal n unit vector of the longest semi-axis
            direction_buccolingual n unit vector of the longest semi-axis
            direction_vertical n unit vector of the longest semi-axis
            T2 n Hotelling's statistic of no bias
            p p its probability without bias
            based_on t scans, or cell means
            note t what cannot be said, and why
        """),
    ),
    Table(
        "seating",
        "scan x tightened implant x implant",
        _columns("""
            scan t name of the scan
            model t physical reference model
            condition t levels of the condition factors, joined by " / "
            cell t levels of the cell factors, joined by " / "
            tightened t implant whose screw is tightened, or best-seat
            implant t implant at which the gap is seen
            gap_max_um n largest gap around the rim
            gap_min_um n smallest gap around the rim; negative is interference
            gap_mean_um n mean vertical gap
            lateral_um n sideways offset of the seat
            tilt_deg n angle between seat and platform
            turns n largest gap as turns of the screw
            u_gap_max_um n standard uncertainty of gap_max_um from the poses
            unseated_share n share of the Monte Carlo draws that do not seat within the clearance
            best_seat_um n largest rim gap of the scan's best seat
            status t ok, interference, infeasible or not computed
            note t what the user should know about this framework
        """),
        factors=True,
    ),
    Table(
        "seating_scans",
        "scan x way of seating",
        _columns("""
            scan t name of the scan
            model t physical reference model
            condition t levels of the condition factors, joined by " / "
            cell t levels of the cell factors, joined by " / "
            seated t terminal-screw (the worse of the two ends tightened) or best-seat
            tightened t implant whose screw is tightened, or best-seat
            implant t implant with the largest misfit, the first along the arch of several
            n_worst i implants that share it to within 0.01 µm; more than one is a tie
            misfit_um n largest gap, or interference if that is larger
            interference_um n deepest interference at any implant, either end tightened; 0: none
            gap_max_um n largest gap there
            gap_min_um n smallest gap there; negative is interference
            u_misfit_um n standard uncertainty of misfit_um from the poses
            locating_median_um n median misfit of a perfect framework located as uncertainly
            locating_p95_um n its 95 % value: a smaller misfit cannot be told from none
            n_seats i seats of the framework
            span_mm n longest straight distance between two of its platforms
            angulation_deg n largest angulation of its implants
            status t ok, interference, infeasible or not computed
        """),
        factors=True,
    ),
    Table(
        "seating_summary",
        "condition x model x way of seating",
        _columns(
            _CONDITION
            + """
            seated t terminal-screw (the worse of the two ends tightened) or best-seat
            n_seats i implants of the model
            span_mm n longest straight distance between two platforms
            angulation_deg n largest angulation of its implants
            n_scans i scans
            n_cells i cells (scans under repeatability conditions)
            n_fewer_seats i scans whose framework has fewer seats than the others
            n_infeasible i scans whose framework does not seat at all within the clearance
            n_not_told i scans whose misfit cannot be told from that of a perfect framework
            locating_p95_um n misfit below which that is so (median of the scans)
            mean_um n mean of the scans' misfits
            q25_um n lower quartile
            median_um n median
            q75_um n upper quartile
            max_um n largest
            limit_um n the user's limit
            source t where the limit comes from, in the user's words
            n_within i scans within the limit
            share_within n share of scans within the limit
            share_within_low n lower limit of its exact binomial interval
            share_within_high n upper limit of its exact binomial interval
            n_interference i scans with interference at an implant; none at the best seat
            share_interference n share of scans with interference
            share_interference_low n lower limit of its exact binomial interval
            share_interference_high n upper limit of its exact binomial interval
            max_interference_um n deepest interference of all scans
            tolerance_bound_um n bound that holds for `coverage` of future scans
            bound_with_guard_um n bound and guard: what is held against the limit
            u_um n standard uncertainty that all scans share, which guards the limit
            verdict t conformity verified, conformity not verified or nonconformity verified
            holds_for t as in conformity
            assumption t what the bound rests on: none, or normal scatter of the logarithm
            normality_test t test of the residuals within cells
            p_normal n its p value; below 0.05: not normal
            coverage n share of future scans
            confidence n confidence of the bound
            note t what cannot be said, and why
            """
        ),
    ),
    Table(
        "seating_contributions",
        "scan x way of seating x implant x part",
        _columns("""
            scan t name of the scan
            model t physical reference model
            condition t levels of the condition factors, joined by " / "
            seated t terminal-screw or best-seat
            tightened t implant whose screw is tightened, or best-seat
            worst_implant t implant with the largest misfit, the first along the arch of several
            n_worst i implants that share it to within 0.01 µm; more than one is a tie
            misfit_um n largest misfit of the framework
            implant t implant whose error is taken away
            part t whole, tilt, height or sideways
            misfit_without_um n largest misfit without that error
            contribution_um n difference; negative: the error makes up for another one
        """),
    ),
    Table(
        "seating_view",
        "scan x tightened implant x implant",
        _columns("""
            scan t name of the scan
            model t physical reference model
            tightened t implant whose screw is tightened, or best-seat
            implant t implant, in arch order
            platform_x_mm n centre of the true platform, reference frame
            platform_y_mm n centre of the true platform, reference frame
            platform_z_mm n centre of the true platform, reference frame
            platform_axis_x n its axis
            platform_axis_y n its axis
            platform_axis_z n its axis
            seat_x_mm n centre of the framework's seat, reference frame
            seat_y_mm n centre of the framework's seat, reference frame
            seat_z_mm n centre of the framework's seat, reference frame
            seat_axis_x n its axis
            seat_axis_y n its axis
            seat_axis_z n its axis
            gap_max_um n largest gap around the rim
            gap_min_um n smallest gap around the rim; negative is interference
        """),
    ),
    Table(
        "model_terms",
        "model x term",
        _columns("""
            model_name t name of the model in study.toml
            response t modelled column
            term t coefficient
            estimate n12 estimate, in the unit of the response
            se n12 standard error
            df n denominator degrees of freedom
            t n t statistic
            p p two-sided p value
            low n12 lower confidence limit
            high n12 upper confidence limit
            confidence n confidence level of the intervals in the row
            method t kenward-roger or satterthwaite
        """),
    ),
    Table(
        "model_tests",
        "model x term",
        _columns("""
            model_name t name of the model in study.toml
            response t modelled column
            term t term of the formula
            num_df n numerator degrees of freedom
            den_df n denominator degrees of freedom
            F n F statistic
            p p p value
            method t kenward-roger or satterthwaite
        """),
    ),
    Table(
        "model_variances",
        "model x component",
        _columns("""
            model_name t name of the model in study.toml
            response t modelled column
            component t grouping factor, or residual
            sd n12 standard deviation
            low n12 lower profile limit
            high n12 upper profile limit
            confidence n confidence level of the intervals in the row
            variance n12 variance
            share n share of the total random variance
            p p boundary-corrected likelihood-ratio test of the component
        """),
    ),
    Table(
        "model_means",
        "model x level",
        _columns("""
            model_name t name of the model in study.toml
            response t modelled column
            factor t factor, or factors joined by ":"
            level t level, or levels joined by ":"
            estimate n marginal mean
            se n standard error
            df n degrees of freedom
            low n lower confidence limit
            high n upper confidence limit
            confidence n confidence level of the intervals in the row
        """),
    ),
    Table(
        "model_covariates",
        "model x covariate",
        _columns("""
            model_name t name of the model in study.toml
            response t modelled column
            covariate t numeric column of the fixed part
            held n value at which means and differences of levels are stated
            mean n mean of the modelled rows
            sd n standard deviation of the modelled rows
            common_low n smallest value that every level of what is compared has
            common_high n largest value that every level of what is compared has
        """),
    ),
    Table(
        "model_contrasts_at",
        "model x contrast x value of a covariate",
        _columns("""
            model_name t name of the model in study.toml
            response t modelled column
            covariate t covariate with which the difference changes
            value n its value, an end of the range that all levels have
            factor t factor
            level_a t first level
            level_b t second level, which is subtracted
            estimate n difference of marginal means there, in the unit of the response
            se n standard error
            df n degrees of freedom
            p n two-sided p value, for this value alone
            low n lower confidence limit
            high n upper confidence limit
            ratio n back-transformed ratio for log responses
            ratio_low n lower limit of the ratio
            ratio_high n upper limit of the ratio
            confidence n confidence of the limits
            method t kenward-roger or satterthwaite
        """),
    ),
    Table(
        "model_effect_notes",
        "scope x covariate",
        _columns("""
            scope t at equal path, or as it comes
            covariate t angulation_deg or n_implants
            stated f whether the models that were scanned let its effect be stated
            n_levels i values of the covariate
            n_models i models that were scanned
            df_models i degrees of freedom they leave; empty where it varies within them
            why t why nothing is stated, or what else differs between the models
            to_add t models that would let it be said
        """),
    ),
    Table(
        "model_effects",
        "model x covariate x level",
        _columns("""
            model_name t name of the model in study.toml, or of one that the chapter needs
            response t modelled column
            scope t at equal path, as it comes, path not held, of an implant, or of these models
            covariate t angulation_deg or n_implants; empty for differences of two models
            kind t average, level, difference of levels, or difference of two models
            factor t factor with which the effect may vary
            level t level for which it holds; empty where levels are averaged
            level_a t first level or model of a difference
            level_b t second level or model, which is subtracted
            step n step of the covariate that the effect is of: 10 deg, 1 implant
            from_value n smallest value of the covariate that every level has
            to_value n largest value of the covariate that every level has
            estimate n effect, in the unit of the response
            se n standard error
            df n degrees of freedom
            t n t statistic
            p n two-sided p value
            p_holm n p value after Holm among rows of the same model, covariate and kind
            p_interaction n p value that the effect is the same at every level
            low n lower confidence limit
            high n upper confidence limit
            confidence n confidence of the limits
            ratio n effect on a log response as a ratio
            ratio_low n lower limit of the ratio
            ratio_high n upper limit of the ratio
            n_models i models that were scanned
            df_models i degrees of freedom that the models leave; empty where it varies within them
            method t kenward-roger or satterthwaite
        """),
    ),
    Table(
        "model_lines",
        "model x covariate x level x value",
        _columns("""
            model_name t name of the model in study.toml
            response t modelled column
            covariate t numeric column of the fixed part
            factor t factor whose levels have a line each
            level t level; empty without a factor
            value n value of the covariate
            fitted n fitted mean, other covariates held; of log responses the geometric mean
            low n lower limit of its band, at each value by itself
            high n upper limit of its band
            confidence n confidence of the limits
        """),
    ),
    Table(
        "model_classes",
        "model x covariate x condition x class",
        _columns("""
            model_name t name of the model in study.toml
            response t modelled column
            covariate t numeric column of the fixed part
            condition t levels of the condition factors, joined by " / "
            class_low n smallest value of the covariate in the class
            class_high n largest value of the covariate in the class
            value n mean value of the covariate in the class
            n_means i means of pairs, implants or models in the class
            observed n mean of these means, in the unit of the response
            fitted n the same of the fitted values of the fixed part
            difference n observed less fitted
        """),
    ),
    Table(
        "model_lack_of_fit",
        "model x covariate x what may be missing",
        _columns("""
            model_name t name of the model in study.toml
            response t modelled column
            covariate t numeric column of the fixed part
            missing t curvature, classes by condition, or interaction with a factor
            num_df n numerator degrees of freedom
            den_df n denominator degrees of freedom
            F n F statistic
            p n p value
            p_holm n p value after Holm within the model
            method t kenward-roger or satterthwaite
        """),
    ),
    Table(
        "model_contrasts",
        "model x contrast",
        _columns("""
            model_name t name of the model in study.toml
            response t modelled column
            factor t factor, or factors joined by ":"
            contrast t difference of two levels, or a slope, in words
        """)
        + _DIFFERENCE
        + _columns("verdict t sentence"),
    ),
    Table(
        "model_sentences",
        "model x sentence",
        _columns("""
            model_name t name of the model in study.toml
            number i order of the sentence
            sentence t result in words
        """),
    ),
    Table(
        "model_residuals",
        "model x modelled row",
        _columns("""
            model_name t name of the model in study.toml
            scan t name of the scan
            model t physical reference model
            condition t levels of the condition factors, joined by " / "
            site t pair or implant, with its model
            span_mm n distance of the pair
            path_mm n length along the arch of the pair
            fitted n fitted value, random effects included, in the unit of the response
            fitted_fixed n fitted value of the fixed part
            residual n residual, in the unit of the response
            residual_scaled n residual by its standard deviation
        """),
    ),
    Table(
        "model_quantiles",
        "model x component x quantile",
        _columns("""
            model_name t name of the model in study.toml
            component t random factor, or residual
            label t level of the factor; empty for residuals
            normal n quantile of the standard normal distribution
            value n predicted effect or residual, in the unit of the response
        """),
    ),
    Table(
        "model_spread",
        "model x variable",
        _columns("""
            model_name t name of the model in study.toml
            against t variable against which the spread of the residuals is tested
            F n F statistic
            num_df n numerator degrees of freedom
            den_df n denominator degrees of freedom
            p p p value
            ratio n spread at the large end over spread at the small end
            warned f whether the report warns: p below 0.001 and a ratio of 2 or more
        """),
    ),
    Table(
        "model_unequal",
        "model x contrast, residual SD by level",
        _columns("""
            model_name t name of the model in study.toml
            residual_sd_by t factor whose levels have residual standard deviations of their own
            factor t factor
            contrast t difference of two levels, in words
        """)
        + _DIFFERENCE,
    ),
    Table(
        "model_operators",
        "model x contrast, for the operators of the study alone",
        _columns("""
            model_name t name of the model in study.toml
            response t modelled column
            holds_for t these operators only: operators are fixed, not a sample of operators
            factor t factor
            contrast t difference of two levels
        """)
        + _DIFFERENCE,
    ),
    Table(
        "model_fits",
        "model",
        _columns("""
            model_name t name of the model in study.toml
            response t modelled column
            n_rows i modelled rows
            n_coefficients i coefficients of the fixed part
            fixed t response and fixed part as a formula
            random t random terms in the fit, joined by +
            r2_marginal n share of the variance that the fixed part explains
            r2_conditional n share that the fixed and the random part explain together
            engine t program that worked out the same model too; empty if none can
            engine_difference n largest relative difference of coefficients and log likelihood
            engine_gain n log likelihood of its own search minus that of the fit; empty without one
            n_beyond_3sd i residuals of more than three standard deviations
            heavy_tails f whether these are more than normal residuals and chance explain
            residual_sd_by t column whose levels have residual standard deviations of their own
            method t kenward-roger or satterthwaite
            adjust t holm or none: how contrasts allow for their number
            simultaneous f whether the report prints simultaneous limits of contrasts
            equivalence_margin n margin of equivalence; empty without one
            non_inferiority f whether the margin is one-sided
        """),
    ),
    Table(
        "model_bootstrap",
        "model x term",
        _columns("""
            model_name t name of the model in study.toml
            response t modelled column
            term t term of the formula
            F n Wald statistic over its rank, without adjustment for small samples
            p n share of data drawn without the term whose statistic is as large
            p_se n standard error of p from the number of draws
            draws i data sets drawn and fitted
        """),
    ),
    Table(
        "model_influence",
        "model x scan left out",
        _columns("""
            model_name t name of the model in study.toml
            scan t scan left out
            n_rows i modelled rows of the scan
            contrast t main contrast
            change n change of the contrast, in the unit of the response
            change_in_se n change in standard errors
        """),
    ),
    Table(
        "drift_points",
        "session x chart",
        _columns("""
            device t device
            model t physical reference model
            measurand t what is charted
            unit t um, deg or ppm
            chart t mean, individuals, moving-range, ewma, cusum-high, cusum-low; -sd, sd: spread
            session t session
            at d when the session was held
            n_scans i scans of the session
            value n charted value, in the unit; scores for moving-range-sd, ewma-sd and cusum-sd
            centre n centre line
            lower n lower limit
            upper n upper limit
            baseline f true for sessions of the baseline
            baseline_no i number of the baseline, from 1
            signal f true where the chart signals
            rule t rule that signals
        """),
    ),
    Table(
        "drift_signals",
        "signal",
        _columns("""
            device t device
            model t physical reference model
            measurand t what is charted
            unit t um, deg or ppm
            baseline_no i number of the baseline, from 1
            kind t signal, or change-point: a possible change, estimated from all sessions
            chart t chart that signals; of a change point mean or sd
            rule t rule that signals; of a change point step or ramp
            stands f its chart signals at the last session, change point: one of its measurand
            session t session of the signal
            at d date of the signal
            low d earliest date of its interval
            high d latest date of its interval
            size n estimated size; of a ramp a month
            size_low n lower limit
            size_high n upper limit
            confidence n of the intervals of size and dates
            p p of a change point: chance of so clear a one in steady sessions
            event t nearest event, with the days between
            what t sentence
        """),
    ),
    Table(
        "drift_sentences",
        "device x model x sentence",
        _columns("""
            device t device
            model t physical reference model
            number i order, the most important first
            sentence t result in words
        """),
    ),
    Table(
        "drift_baselines",
        "device x measurand x baseline",
        _columns("""
            device t device
            model t physical reference model
            measurand t what is charted
            unit t um, deg or ppm
            baseline_no i number of the baseline, from 1
            begins_with t why charts began anew here; empty for the first
            first_session t first session of the baseline
            last_session t last session of the baseline
            until d date of its last session
            n_sessions i its sessions
            n_scans i its scans
            centre n mean of the session means
            sd_of_means n standard deviation of the session means
            sd_within n pooled standard deviation within sessions
            sd_between n standard deviation between sessions beyond the scans' own, zero if negative
            run_length n sessions between false alarms for which each chart is designed
            shewhart_limit n limit of one session mean, in standard deviations of a session mean
            lambda_ n weight of the EWMA
            ewma_limit n limit of the EWMA, in its own standard deviations
            k n reference value of the CUSUM
            h n decision interval of the CUSUM
            widened n how much wider the EWMA's limits are than with a long baseline
            autocorrelation n correlation of neighbouring sessions that limits allow for
            score_centre n mean score of the standard deviations within sessions
            score_scale n standard deviation of these scores between sessions, 1 or more
            score_limit n limit of one score, in that scale
            lambda_sd n weight of the EWMA of the scores
            ewma_sd_limit n its limit, in its own standard deviations
            k_sd n reference value of the CUSUM of the scores
            h_sd n its decision interval
            note t what cannot be said, and why
        """),
    ),
    Table(
        "drift_run_lengths",
        "device x measurand x chart x shift",
        _columns("""
            device t device
            model t physical reference model
            measurand t what is charted
            unit t um, deg or ppm
            chart t as in drift_points, both cusums together; or a run rule
            shift n shift of the mean, in the unit of the row; empty for charts of the spread
            shift_sigma n the same in standard deviations of a session mean
            sd_ratio n growth of the standard deviation within sessions; empty for charts of means
            zero_state n mean number of sessions to the signal, shift from the start; inf: over 1e6
            steady_state n the same for a shift after a long quiet time
            limits t known (long baseline) or used (widened for the baseline at hand)
        """),
    ),
    Table(
        "drift_trends",
        "device x measurand x baseline",
        _columns("""
            device t device
            model t physical reference model
            measurand t what is charted
            unit t um, deg or ppm
            baseline_no i number of the baseline, from 1
            since d first session that the trend is about
            until d last session
            n_sessions i sessions
            n_scans i scans
            slope_per_month n slope at the last session, averaged over where it may have begun
            slope_low_per_month n lower limit
            slope_high_per_month n upper limit
            p p two-sided probability of a slope of the other sign
            begins_at d session from which the slope is what it is now
            begins_low d earliest of its interval
            begins_high d latest of its interval
            theil_sen_per_month n median of all slopes between sessions
            theil_sen_low_per_month n lower limit
            theil_sen_high_per_month n upper limit
            mann_kendall_s i rises less falls among all pairs of sessions
            mann_kendall_p p two-sided, with ties and continuity correction
            autocorrelation n correlation of neighbouring sessions beyond a change, 0 to 0.85
            autocorrelation_p p chance of a larger one among independent sessions
            confidence n of the intervals
            method t how the slope was found
            what t sentence
        """),
    ),
    Table(
        "drift_pairs",
        "device x pair",
        _columns("""
            device t device
            model t physical reference model
            implant_a t one implant
            implant_b t the other
            since d first session that the trend is about
            until d last session
            n_sessions i sessions
            n_scans i scans
            slope_um_per_month n slope of the distance deviation at the last session
            slope_low_um n lower limit, a month
            slope_high_um n upper limit, a month
            p p two-sided probability of a slope of the other sign
            bound_um n tolerance bound of future scans at the last session, absolute
            coverage n share of future scans that the bound covers
            confidence n of the bound and of the intervals
            limit_um n the user's limit
            reached_at d earliest day not excluded for the limit; empty: after the horizon, no trend
            reached_low d earliest day of the interval
            reached_high d latest day of the interval; empty: after the horizon, or never
            horizon d day until which the trend was projected; empty: no trend shown, not projected
            method t how slope and bound were found
        """),
    ),
    Table(
        "drift_limits",
        "session x pair",
        _columns("""
            device t device
            model t physical reference model
            session t session
            at d when it was held
            scope t pair, or all pairs
            implant_a t one implant; of all pairs: the pair with the largest bound
            implant_b t the other
            n_scans i scans of the session
            mean_um n mean deviation of its distance
            u_um n standard uncertainty of the mean, reference included
            bound_um n absolute mean plus its uncertainty; empty where a pair was not seen
            low_um n absolute mean less its uncertainty; of all pairs the largest, risk shared
            limit_um n the user's limit
            confidence n of the decision, one-sided
            verdict t of the limit, after ISO 14253-1
            method t how the mean was held against the limit
        """),
    ),
    Table(
        "drift_status",
        "device x model",
        _columns("""
            device t device
            model t physical reference model
            state t changed, none stands, no sign or no charts
            stands f a chart signals at the last session
            n_sessions i sessions, all baselines
            first_at d first session
            last_at d last session
            last_session t its name
            baseline_since d first session of the baseline that holds now
            baseline_begins_with t why the charts began anew there; empty for the first
            n_measurands i measurands that are charted
            n_standing i measurands of which a chart signals at the last session
            measurand t the one whose change is clearest; it is told
            unit t um, deg or ppm
            chart t its chart that signalled first
            signalled_at d when
            change t step, ramp, level or spread
            size n step or level against the baseline; of a ramp a month
            size_low n lower limit
            size_high n upper limit
            begins_at d when the change is estimated to have begun
            begins_low d earliest of its interval
            begins_high d latest of its interval
            in_baseline f it may have begun within the baseline, which then holds part of it
            event t nearest event, with the days between
            slope_per_month n slope of that measurand today
            slope_low_per_month n lower limit
            slope_high_per_month n upper limit
            slope_p p two-sided probability of a slope of the other sign
            limit_um n the user's limit; empty for none
            limit_verdict t of all pairs at the last session
            worst_pair t pair with the largest bound there
            worst_bound_um n bound of its session mean
            single_pair t pair with the largest tolerance bound of single scans to come
            single_bound_um n its tolerance bound
            n_not_verified i sessions in which not every pair was verified
            reassess_from d last session verified before the first of them
            reassess_to d first session verified after the last of them; empty: none yet
            chart_limit_um n farthest limit of the chart of session means of the cross-arch distance
            protects f it lies within the user's limit
            autocorrelation n of the measurand told
            autocorrelation_p p chance of a larger one among independent sessions
            action t what to do
            due_at d by when
            confidence n of the intervals
            what t sentence: the state
            limit_what t sentence: the limit at the last session
            duty_what t sentences: what to reassess, and what the charts cannot protect
            advice t sentence: what to do, by when and why
        """),
    ),
    Table(
        "drift_periods",
        "device x measurand x period",
        _columns("""
            device t device
            model t physical reference model
            measurand t what is charted
            unit t um, deg or ppm
            period t month as YYYY-MM, or year as YYYY
            kind t month or year
            n_sessions i sessions
            n_scans i scans
            mean n mean of the session means
            low n lower limit; empty for one session
            high n upper limit
            confidence n of the interval
            n_signals i sessions of it in which a chart of the measurand signals
            n_events i events of the device
            method t how the interval was found
        """),
    ),
    Table(
        "drift_devices",
        "measurand x two devices",
        _columns("""
            model t physical reference model
            measurand t what is charted
            unit t um, deg or ppm
            period t year as YYYY, or all
            device_a t one device
            device_b t the other
            sessions_a i its sessions
            sessions_b i sessions of the other
            difference n mean of b less mean of a
            low n lower limit
            high n upper limit
            confidence n of the interval
            p p of no difference
            method t how it was found
        """),
    ),
    Table(
        "drift_comparisons",
        "device x measurand x new baseline",
        _columns("""
            device t device
            model t physical reference model
            measurand t what is charted
            unit t um, deg or ppm
            baseline_no i number of the new baseline
            begins_with t why charts began anew
            at d first session of the new baseline
            n_before i sessions before
            n_after i sessions after
            difference n mean after less mean before
            low n lower limit
            high n upper limit
            p p of no difference
            sd_ratio n standard deviation within sessions, after over before
            sd_ratio_low n lower limit
            sd_ratio_high n upper limit
            confidence n of the intervals
            method t how differences and ratios were found
            what t sentence
        """),
    ),
    Table(
        "drift_lookback",
        "check scan of a session that is not verified",
        _columns("""
            device t device
            model t physical reference model
            scan t scan of a session that is not verified
            session t its session
            at d when it was made
            implant_a t one implant of the pair with the largest bound; empty without a limit
            implant_b t the other
            bound_um n bound of that pair in the session
            limit_um n the user's limit
            confidence n of the bound and the verdict
            verdict t of all pairs in the session
            doubt t why the session is not verified
            proven_good t last session verified before; empty if there is none
            proven_good_at d its date
            next_good t first session verified after; empty if there is none
            next_good_at d its date
            signal_at d first signal that stands
            because t which charts or change points
        """),
    ),
    Table(
        "drift_advice",
        "device x measurand x scans in a session",
        _columns("""
            device t device
            model t physical reference model
            measurand t what is charted
            unit t um, deg or ppm
            n_scans i scans in a session
            sd_of_mean n standard deviation of such a session's mean
            shift n shift to be found, in the unit of the row
            delay_sessions n mean number of sessions to find it (EWMA, steady state, known limits)
            delay_days n the same in days at the present rhythm
        """),
    ),
    Table(
        "selftest",
        "number with a known answer",
        _columns("""
            topic t what it is about
            case t example
            quantity t which of its numbers
            kind t printed, program (computed by another program), closed form or simulated
            from_memory f the printed number was written down from memory, not read in its source
            source t document, clause, table; or what was put in
            published t number as published, or as known
            here t number as computed by this installation
            tolerance t largest difference that agrees; 0 for counts and decisions
            digits n leading digits that agree; decimals where zero is published
            verdict t agrees or differs
        """),
    ),
    Table(
        "plan_sizes",
        "size of a study",
        _columns("""
            operators i operators; 1 where cells are no parts of operators
            n_cells i cells: operators times sessions
            per_cell i scans of each model in a cell
            n_scans i scans of a condition, of all models
            half_width n half-width of the interval of the bias
            s_r_low n lower limit of the interval of s_r
            s_r_high n upper limit of the interval of s_r
            s_I_low n lower limit of the interval of s_I
            s_I_high n upper limit of the interval of s_I
            limit n the limit it is held against
            assurance n probability of conformity verified for all pairs of a scan together
            assurance_low n lower limit of its interval, from what the pilot leaves open
            assurance_high n upper limit
            assurance_expected n the same probability averaged over what the pilot leaves open
            assurance_each n as assurance, for each pair by itself
            assurance_each_low n lower limit of its interval
            assurance_each_high n upper limit
            assurance_each_expected n averaged over what the pilot leaves open
            confidence n of the intervals
            chair_minutes n time at the bench
            unit t unit of every number without one of its own
        """),
    ),
    Table(
        "plan_power",
        "size of a comparison",
        _columns("""
            operators i operators
            sessions i sessions of each operator
            per_session i scans of each model with each technique in a session
            n_scans i scans in all
            difference n true difference of the techniques
            se n standard error that the difference will have
            df n degrees of freedom that it will have
            power n probability that the difference is found, if the device is as the pilot shows it
            power_low n lower limit of its interval, from what the pilot leaves open
            power_high n upper limit
            power_expected n the same probability averaged over what the pilot leaves open
            margin n equivalence margin
            power_equivalence n probability that equivalence is shown when there is no difference
            power_equivalence_low n lower limit of its interval
            power_equivalence_high n upper limit
            power_equivalence_expected n averaged over what the pilot leaves open
            df_pilot n degrees of freedom with which the pilot knows that standard error
            confidence n of the analysis and of the intervals
            chair_minutes n time at the bench
            unit t unit of difference, margin and se
        """),
    ),
    Table(
        "plan_drift",
        "scans a session x baseline x false alarms",
        _columns("""
            n_scans i scans a session
            n_baseline i sessions of the baseline
            false_alarm_every n sessions between false alarms of a device, all charts together
            false_alarms_per_year n false alarms a year
            scans_per_year n scans a year
            sd_of_mean_um n standard deviation of a session mean
            shift_um n shift to be found
            delay_sessions n mean number of sessions until it is found
            delay_months n the same in months
            method t how the delay was computed
        """),
    ),
    Table(
        "bench_sheet",
        "scan to be made",
        _columns("""
            order i place in the order of scanning
            session t session
            operator t operator
            scan t name of the scan
            model t physical reference model
            condition t levels of the condition factors, joined by " / "
            body_seating t what to do with the scan bodies before this scan
            done t to be ticked
            temperature_c t to be filled in
            remarks t to be filled in
        """),
    ),
    Table(
        "surface",
        "condition x model",
        _columns(
            _CONDITION
            + """
            n_scans i scans that could be aligned by their implants
            coverage n share of the reference surface's area that at least one scan shows
            mean_um n mean over the area of the vertices' mean deviations, outside positive
            rms_um n root mean square over the area of the vertices' mean deviations
            p05_um n 5 % of the area have a mean deviation below this
            median_um n half of the area has a mean deviation below this
            p95_um n 95 % of the area have a mean deviation below this
            coverage_twice n share of the area that at least two scans show
            sd_rms_um n root mean square over the area of the vertices' standard deviations
            sd_median_um n half of the area has a standard deviation below this
            sd_p95_um n 95 % of the area have a standard deviation below this
            """
        ),
    ),
    Table(
        "surface_scans",
        "scan",
        _columns("""
            scan t name of the scan
            model t physical reference model
            condition t levels of the condition factors, joined by " / "
            coverage n share of the reference surface's area that the scan shows
            mean_um n mean deviation over the area, outside positive
            rms_um n root mean square deviation over the area
            p05_um n 5 % of the area deviate by less than this
            median_um n half of the area deviates by less than this
            p95_um n 95 % of the area deviate by less than this
        """),
    ),
    Table(
        "surface_vertices",
        "condition x vertex of the reference surface",
        _columns("""
            condition t levels of the condition factors, joined by " / "
            vertex i corner of the reference surface, from 0
            x_mm n its position, reference frame
            y_mm n its position, reference frame
            z_mm n its position, reference frame
            n_scans i scans that show it
            mean_um n2 mean deviation along the normal, outside positive (trueness)
            sd_um n2 standard deviation over the scans (precision)
        """),
    ),
    Table(
        "failures",
        "condition",
        _columns("""
            condition t levels of the condition factors, joined by " / "; empty for all scans
            listed i scans that the user lists as failed
            unusable i scans that could not be read, or on which no pair of implants was found
            failed i both together
            total i scans in all
            rate n share of failed scans
            low n lower limit of its exact binomial interval
            high n upper limit of its exact binomial interval
            confidence n level of the interval
            method t of the interval
        """),
    ),
    Table(
        "findings",
        "finding",
        _columns("""
            severity t note, warning or error
            code t stable short name
            where t file:row:column
            what t what is wrong
            mend t what to do
        """),
    ),
)

TABLES: dict[str, Table] = {table.name: table for table in _TABLES}
"""Every table by name."""

TABLES["conformity_with_excluded"] = replace(
    TABLES["conformity"],
    name="conformity_with_excluded",
    row=f"{TABLES['conformity'].row}, scans left out by the user included",
)


UNREFERENCED = {
    "implants": "arrangement",
    "pair_deviations": "pair_differences",
    "implant_deviations": "implant_differences",
    "accuracy": "precision",
    "accuracy_with_excluded": "precision_with_excluded",
    "seating_scans": "seating_scatter",
    "seating_summary": "seating_scatter_summary",
    "drift_status": "drift_state",
    "drift_lookback": "drift_doubts",
    "plan_sizes": "plan_precision_sizes",
}
"""What stands in place of a table where there is no reference, by its name."""


def _without_truth(name: str, row: str, dropped: str, meanings: str) -> None:
    """Make the table that stands in place of another one where there is no reference."""
    told = {c.name: c.meaning for c in _columns(meanings)}
    gone = set(dropped.split())
    columns = tuple(
        replace(c, meaning=told.get(c.name, c.meaning))
        for c in TABLES[name].columns
        if c.name not in gone
    )
    assert gone | set(told) <= set(TABLES[name].names), name
    new = UNREFERENCED[name]
    TABLES[new] = Table(new, row, columns, TABLES[name].factors)


_without_truth(
    "pair_deviations",
    "scan x pair, study without a reference",
    "relative_axis_deg",
    """
    model t physical model
    span_mm n straight distance between the platforms in the mean of the scans
    path_mm n length along the arch between the platforms in the mean of the scans
    divergence_deg n angle between the two axes in the mean of the scans
    distance_um n distance less its mean over the scans
    angle_deg n angle between the axes less its mean over the scans
    direction_x n unit vector from the first implant to the second, in the mean of the scans
    direction_y n unit vector from the first implant to the second, in the mean of the scans
    direction_z n unit vector from the first implant to the second, in the mean of the scans
    normal_x n unit vector square to both axes, in the mean of the scans; 0 if they are parallel
    normal_y n unit vector square to both axes, in the mean of the scans; 0 if they are parallel
    normal_z n unit vector square to both axes, in the mean of the scans; 0 if they are parallel
    """,
)
_without_truth(
    "implant_deviations",
    "scan x implant x alignment, study without a reference",
    "distance_um angle_deg",
    """
    model t physical model
    dx_um n difference of the position from the mean of the scans, along x
    dy_um n difference of the position from the mean of the scans, along y
    dz_um n difference of the position from the mean of the scans, along z
    mesiodistal_um n difference along the arch, towards the arch's last implant positive
    buccolingual_um n difference across the arch, outwards positive
    vertical_um n difference along the arch's common axis, out of the bone positive
    """,
)
for _name, _row in (
    ("accuracy", "condition x measurand x implant or pair"),
    ("accuracy_with_excluded", "condition x measurand x implant or pair, all scans"),
):
    _without_truth(
        _name,
        f"{_row}, study without a reference",
        "bias u_bias bias_df bias_low bias_high mean_abs_deviation",
        """
        model t physical model
        measurand t column of pair_differences or implant_differences
        span_mm n distance of the pair in the mean of the scans; empty for implants
        """,
    )
_without_truth(
    "seating_scans",
    "scan x way of seating, study without a reference",
    "u_misfit_um locating_median_um locating_p95_um",
    """
    model t physical model
    misfit_um n largest gap, or interference if that is larger, from the scatter of scans alone
    """,
)
_without_truth(
    "seating_summary",
    "condition x model x way of seating, study without a reference",
    "n_not_told locating_p95_um limit_um source n_within share_within share_within_low "
    "share_within_high n_interference share_interference share_interference_low "
    "share_interference_high max_interference_um tolerance_bound_um bound_with_guard_um u_um "
    "verdict holds_for assumption normality_test p_normal coverage confidence",
    "model t physical model\nmean_um n mean of the scans' misfits, from the scatter of scans alone",
)
_without_truth(
    "drift_status",
    "device x model, study without a reference",
    "limit_um limit_verdict worst_pair worst_bound_um single_pair single_bound_um "
    "n_not_verified reassess_from reassess_to chart_limit_um protects limit_what",
    "model t physical model\nduty_what t sentence: which work to reassess",
)
_without_truth(
    "plan_sizes",
    "size of a study without a reference",
    "half_width limit assurance assurance_low assurance_high assurance_expected assurance_each "
    "assurance_each_low assurance_each_high assurance_each_expected",
    "",
)
_without_truth(
    "drift_lookback",
    "device x scan in doubt, study without a reference",
    "implant_a implant_b bound_um limit_um confidence verdict",
    """
    model t physical model
    proven_good t last session before that no standing signal reaches back to
    next_good t next session after that no standing signal reaches
    """,
)


def empty(name: str) -> pd.DataFrame:
    """Return a table without rows, with its columns in order.

    Examples
    --------
    >>> empty("findings").columns.tolist()
    ['severity', 'code', 'where', 'what', 'mend']
    """
    return shape(name, pd.DataFrame())


def shape(name: str, frame: pd.DataFrame, *, factors: tuple[str, ...] = ()) -> pd.DataFrame:
    """Bring a frame into the shape of a table: columns, order and types.

    Parameters
    ----------
    name : str
        Name of the table.
    frame : DataFrame
        Rows; columns that the table does not have are dropped unless named in
        `factors`, columns that are absent become empty.
    factors : tuple of str
        Factor columns of the scan list that follow the table's own.

    Returns
    -------
    DataFrame
        With a fresh index.
    """
    table = TABLES[name]
    out: dict[str, pd.Series] = {}
    for column in table.columns:
        values = (
            frame[column.name]
            if column.name in frame
            else pd.Series([None] * len(frame), index=frame.index, dtype=object)
        )
        out[column.name] = _typed(values, column.kind)
    if table.factors:
        for factor in factors:
            if factor not in out and factor in frame:
                out[factor] = frame[factor]
    return pd.DataFrame(out, index=frame.index).reset_index(drop=True)


def _typed(values: pd.Series, kind: Kind) -> pd.Series:
    if kind == "number":
        return pd.to_numeric(values).astype(float)
    if kind == "integer":
        return pd.to_numeric(values).astype("Int64")
    if kind == "flag":
        return values.astype("boolean")
    if kind == "date":
        return pd.to_datetime(values, format="ISO8601")
    if pd.api.types.is_string_dtype(values.dtype) and not values.hasnans:
        return values.astype(str)
    return values.astype(object).where(values.notna(), "").astype(str)


_FORMULA, _ESCAPED = re.compile(r"^[=+\-@\t\r]"), re.compile(r"^'(?=[=+\-@])")


def csv_bytes(name: str, frame: pd.DataFrame, *, factors: tuple[str, ...] = ()) -> bytes:
    """Write a table as CSV: UTF-8, one header row, numbers on the grid of their columns.

    Parameters
    ----------
    name : str
        Name of the table.
    frame : DataFrame
        Its rows, in their final order.
    factors : tuple of str
        Factor columns that follow.

    Returns
    -------
    bytes
        The same for the same input. Text that a spreadsheet would run as a
        formula gets a leading apostrophe.

    Notes
    -----
    `accstudy.grid` says how numbers are rounded; as a rule to 1e-6 of their unit.
    """
    shaped = shape(name, frame, factors=factors)
    inner = [c.name for c in TABLES[name].columns if c.inner]
    shaped = shaped.drop(columns=[c for c in inner if not _holds(shaped[c]).any()])
    decimals = {column.name: column.decimals for column in TABLES[name].columns}
    out: dict[str, object] = {}
    for column in shaped.columns:
        values = shaped[column]
        if pd.api.types.is_bool_dtype(values.dtype):
            out[column] = values.map({True: "true", False: "false"}).fillna("")
        elif pd.api.types.is_integer_dtype(values.dtype):
            out[column] = _each_once(values, lambda v: str(int(v)))
        elif pd.api.types.is_float_dtype(values.dtype):
            out[column] = number_texts(values.to_numpy(float), decimals.get(column, DECIMALS))
        elif pd.api.types.is_datetime64_any_dtype(values.dtype):
            out[column] = _each_once(values, _date)
        else:
            out[column] = _each_once(values, _text)
    buffer = io.StringIO()
    pd.DataFrame(out, columns=shaped.columns).to_csv(buffer, index=False, lineterminator="\n")
    return buffer.getvalue().encode("utf-8")


def _holds(values: pd.Series) -> pd.Series:
    """Which cells hold something."""
    return values.notna() & (values.astype(str) != "")


def _each_once(values: pd.Series, write: Callable[[Any], str]) -> NDArray[np.object_]:
    """Write values as text, each that differs once; empty where there is none."""
    codes, known = pd.factorize(values)
    return np.array([*map(write, known), ""], object)[codes]


def _date(value: pd.Timestamp) -> str:
    return value.strftime("%Y-%m-%d" if value == value.normalize() else "%Y-%m-%dT%H:%M:%S")


def _text(value: object) -> str:
    if value is None or (isinstance(value, float) and np.isnan(value)) or value is pd.NA:
        return ""
    text = str(value)
    if _FORMULA.match(text) and not re.fullmatch(r"-?\d+(\.\d+)?", text):
        return "'" + text
    return text


BEGINNING = pd.Timestamp("1900-01-01")
"""Day from which a reference without a ``valid_from`` holds."""


def valid_since(rows: pd.DataFrame) -> pd.Series:
    """Day from which each row of a reference holds; `BEGINNING` where none is stated.

    Examples
    --------
    >>> valid_since(pd.DataFrame({"valid_from": ["2025-03-01", None]})).dt.year.tolist()
    [2025, 1900]
    """
    if "valid_from" not in rows:
        return pd.Series(BEGINNING, rows.index)
    return pd.to_datetime(rows["valid_from"]).fillna(BEGINNING)


LABEL_FACTORS = frozenset(
    {"device", "software", "technique", "operator", "session", "material", "scan_body", "splint"}
)
"""Factor columns that are labels even when they look like numbers."""


def read_csv(name: str, path: Path | BinaryIO) -> pd.DataFrame:
    """Read a result table that the tool wrote, with its types.

    Parameters
    ----------
    name : str
        Name of the table.
    path : Path or binary file
        The CSV file.

    Returns
    -------
    DataFrame
        The table's columns typed; factor columns as text.

    Raises
    ------
    InputError
        If it is no such table.
    """
    try:
        return _as_written(
            name, pd.read_csv(path, dtype=str, keep_default_na=False, encoding="utf-8")
        )
    except (ValueError, TypeError, KeyError, OverflowError) as error:
        where = f"results/{path.name}" if isinstance(path, Path) else f"{name}.csv"
        raise InputError(
            f'"{name}.csv" is no table that can be read',
            where=where,
            hint="make the results anew with `accstudy run`",
        ) from error


def _as_written(name: str, raw: pd.DataFrame) -> pd.DataFrame:
    for column in TABLES[name].columns:
        if column.name not in raw:
            continue
        values = raw[column.name]
        if column.kind == "text":
            raw[column.name] = _each_once(values, lambda text: _ESCAPED.sub("", text))
        elif column.kind == "flag":
            raw[column.name] = values.map({"true": True, "false": False})
        else:
            raw[column.name] = values.where(values != "", None)
    own = TABLES[name].names
    return shape(name, raw, factors=tuple(c for c in raw.columns if c not in own))
