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
    ratio_low n its lower limit, of this row by itself
    ratio_high n its upper limit, of this row by itself
    ratio_simultaneous_low n its lower limit that holds for all rows of the family at once
    ratio_simultaneous_high n its upper limit that holds for all rows of the family at once
    inverse_ratio n ratio of the second level over the first
    inverse_low n its lower limit, of this row by itself
    inverse_high n its upper limit, of this row by itself
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
            unit t um or deg; applies to every number in the row without its own unit
            subject t implant, or the two implants of a pair joined by "-"
            span_mm n reference distance of the pair; empty for implants
            path_mm n arch length between the two platforms; empty for implants
            n_scans i scans
            n_cells i cells (scans under repeatability conditions)
            bias n general mean minus reference (trueness)
            u_bias n standard uncertainty of the bias, reference included
            bias_df n effective degrees of freedom of u_bias
            bias_low n lower limit of the interval of the bias
            bias_high n upper limit of the interval of the bias
            bias_robust n the same mean by Algorithm A (ISO 5725-5) over the cell means
            s_r n repeatability standard deviation
            s_r_low n lower limit of its interval
            s_r_high n upper limit of its interval
            s_r_robust n repeatability standard deviation by Algorithm S (ISO 5725-5)
            s_cell n standard deviation between cells, zero if the estimate is negative
            s_cell2_raw n12 variance between cells as estimated, may be negative
            s_I n intermediate precision (reproducibility if analysis.laboratory is named), sd
            s_I_low n lower limit of its interval
            s_I_high n upper limit of its interval
            confidence n confidence level of the intervals in the row
            r_limit n repeatability limit, 95 %, of two results
            I_limit n limit of intermediate precision, or reproducibility, 95 %, of two results
            mean_abs_deviation n called trueness in the dental literature: mean absolute deviation
            mean_pairwise_difference n called precision in the dental literature: mean over repeats
            note t what cannot be stated, and why
            """
)

_TABLES = (
    Table(
        "scans",
        "scan",
        _columns("""
            scan t name of the scan, unique
            model t physical reference model that was scanned
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
            angulation_deg n tilt against the normal of the occlusal plane: as designed, or computed
            scan_body t key of [scan_body.*] in study.toml
            u_position_um n standard uncertainty of each coordinate of the position
            u_axis_deg n standard uncertainty of the axis direction, per tilt component
            U_position_um n expanded uncertainty of each coordinate, instead of u, with k
            k n coverage factor of U_position_um
            valid_from d first day on which this row is valid
            height_mm n height above the platform, along the axis, of the measured position
            arch_order n position along the arch, counted from either end; derived if empty
            """,
            required=False,
        )
        + _columns(
            """
            run t one of several measurements of the model; their mean is the reference
            u_runs_um n standard uncertainty of the mean of the runs, per coordinate; computed
            u_runs_deg n standard uncertainty of the mean axis of the runs, per tilt; computed
            u_body_um n standard uncertainty of a derived scan body, per coordinate; computed
            u_body_deg n standard uncertainty of the axis of a derived scan body, per tilt; computed
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
            flat_x n direction towards the flat, unit vector; empty if not known to 0.5 deg (95 %)
            flat_y n direction towards the flat, unit vector; empty if not known to 0.5 deg (95 %)
            flat_z n direction towards the flat, unit vector; empty if not known to 0.5 deg (95 %)
            u_x_um n standard uncertainty of x_mm
            u_y_um n standard uncertainty of y_mm
            u_z_um n standard uncertainty of z_mm
            u_axis_deg n standard uncertainty of the axis direction, per tilt component
            fit_rms_um n root mean square of the residuals of the fit
            offset_um n uniform offset of the scanned surface from the CAD geometry (outward +)
            coverage n share of the usable surface of the scan body that the scan covers
            status t ok, or doubtful, or missing (no position then)
            note t remark on this scan body
            """,
            required=False,
        ),
    ),
    Table(
        "touch_points",
        "probed point",
        _columns("""
            model t physical reference model
            implant t implant
            feature t cylinder, plane, sphere, cone or circle
            x_mm n probed point
            y_mm n probed point
            z_mm n probed point
        """)
        + _columns(
            """
            probe_radius_mm n radius of the stylus tip, if the points are tip centres
            run t measurement of the model, if it was measured several times
            """,
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
            x_mm n approximate position seen from above, in any frame
            y_mm n approximate position seen from above, in any frame
        """)
        + _columns(
            """
            z_mm n approximate height; zero if empty
            angulation_deg n tilt against the normal of the occlusal plane, as designed
            scan_body t key of [scan_body.*] in study.toml
            arch_order n position along the arch, counted from either end; derived if empty
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
            angulation_deg n tilt against the normal of the occlusal plane: as designed, or computed
            scan_body t key of [scan_body.*] in study.toml
            arch_order n position along the arch, from the sketch
            n_scans i scans averaged
        """),
    ),
    Table(
        "events",
        "event",
        _columns("""
            at d date of the event
            device t device concerned; empty for all
            kind t service, tip changed, software update, room moved, model re-measured, ...
        """)
        + _columns(
            """
            note t free text
            new_baseline f true: the charts of this device restart here
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
            mesiodistal_um n mesiodistal deviation, positive towards the last implant of the arch
            buccolingual_um n buccolingual deviation (across the arch), buccal positive
            vertical_um n vertical deviation, along the common axis, positive out of the bone
            distance_um n 3D deviation, a length: never negative and always biased upwards
            angle_deg n angle between the axes; never negative
            tilt_mesiodistal_deg n signed tilt of the axis along the arch
            tilt_buccolingual_deg n signed tilt of the axis across the arch, buccal positive
            rotation_deg n signed rotation about the axis; empty if unknown
            angulation_deg n tilt against the occlusal direction of the model; empty if unknown
            angulation_by t how angulation_deg is defined
            n_implants i implants of the model
            u_alignment_tilt_deg n standard uncertainty of the tilt of the alignment, per component
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
            span_mm n reference inter-implant distance (straight line between the platforms)
            path_mm n arch length between the two platforms, in the reference
            steps i number of steps from implant to implant along the arch
            angulation_deg n larger of the angulations of the two implants; empty if unknown
            divergence_deg n divergence of the two axes, in the reference
            n_implants i implants of the model
            distance_um n deviation of the inter-implant distance, measured minus reference
            angle_deg n deviation of the angle between the axes, measured minus reference
            relative_axis_deg n deviation of one axis relative to the other implant (r.m.s.)
            direction_x n unit vector from the first implant to the second, in the reference
            direction_y n unit vector from the first implant to the second, in the reference
            direction_z n unit vector from the first implant to the second, in the reference
            normal_x n unit normal to both axes, in the reference; 0 if they are parallel
            normal_y n unit normal to both axes, in the reference; 0 if they are parallel
            normal_z n unit normal to both axes, in the reference; 0 if they are parallel
        """),
        factors=True,
    ),
    Table(
        "models",
        "model",
        _columns("""
            model t physical reference model
            n_implants i number of implants
            angulation_deg n largest angulation of its pairs
            span_mm n largest inter-implant distance
            path_mm n largest arch length
            n_scans i scans used
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
            n_pairs i pairs in the scan
            complete f true if these are all pairs of the model
            angulation_deg n largest reference tilt among them
            span_mm n largest reference distance among them
            path_mm n largest arch length among them
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
        "field_figures",
        "condition x model x measurand of pairs: as papers print it, beside ISO 5725",
        _columns(
            _CONDITION
            + """
            measurand t column of pair_deviations
            unit t um or deg; holds for every number of the row but counts
            n_scans i scans
            n_pairs i pairs of implants
            n_values i deviations: pairs times scans
            trueness_mean n called trueness in the dental literature: mean absolute deviation
            trueness_sd n their standard deviation; they are not independent
            rms n root mean square of the deviations
            n_differences i differences between two scans of a condition, pair by pair
            precision_mean n called precision in the dental literature: mean absolute difference
            precision_sd n their standard deviation; they are not independent
            bias_rms n root mean square over the pairs of the bias (ISO 5725 trueness)
            s_r_rms n root mean square over the pairs of the repeatability standard deviation
            s_I_rms n the same of the intermediate precision, or reproducibility
            """
        ),
    ),
    Table(
        "condition_summary",
        "condition: the distances of all its pairs",
        _columns("""
            condition t levels of the condition factors, joined by " / "
            n_scans i most scans of a pair
            n_cells i most cells of a pair
            bias_lowest_um n smallest bias of a pair, signed
            bias_highest_um n largest bias of a pair, signed
            median_size_um n median |deviation| over pairs and scans
            largest_size_um n largest |deviation|
            s_r_median_um n median over the pairs of the repeatability standard deviation
            s_I_median_um n the same of the intermediate precision, or reproducibility
        """),
    ),
    Table(
        "alignments",
        "condition x model x alignment x implant",
        _columns(
            _CONDITION
            + """
            alignment t how scans were aligned
            implant t implant; empty: all, each counted once
            n_scans i scans
            rms_um n root mean square of the 3D deviation
            """
        ),
    ),
    Table(
        "implants_above",
        "condition x implant, seen from above",
        _columns(
            _CONDITION
            + """
            alignment t how scans were aligned
            implant t implant
            n_scans i scans
            x_mm n platform across the arch, about the mean of the platforms
            y_mm n platform along the arch, which opens downwards
            bias_x_um n mean deviation in x
            bias_y_um n mean deviation in y
            bias_lateral_um n length of both
            bias_vertical_um n mean deviation along the common axis, up positive
            major_um n longer half axis of the prediction ellipse; empty below four scans
            minor_um n shorter half axis
            turn_deg n angle from x to the longer half axis
            coverage n probability that a further scan lies in the ellipse
            """
        ),
    ),
    Table(
        "outlier_counts",
        "condition x model: tests for outliers",
        _columns("""
            condition t levels of the condition factors, joined by " / "; empty: all
            model t physical reference model; empty: all
            n_statistics i statistics
            n_beyond_5 i of them beyond the critical value of 5 %
            share_beyond_5 n their share
            n_beyond_1 i of them beyond the critical value of 1 %
            share_beyond_1 n their share
        """),
    ),
    Table(
        "precision_curve",
        "condition x standard deviation x length: the best of precision_vs_span",
        _columns("""
            condition t levels of the condition factors, joined by " / "
            measurand t column of pair_deviations
            which t s_r or s_I
            against t span_mm or path_mm
            at_mm n length
            value n standard deviation by the relation
            unit t um or deg
        """),
    ),
    Table(
        "accuracy_with_excluded",
        "condition x measurand x implant or pair, excluded scans included",
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
            scan t scan, if the test is on single results
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
            n_points i pairs in the fit
        """),
    ),
    Table(
        "conformity",
        "condition x limit x scope x validity",
        _columns("""
            condition t levels of the condition factors, joined by " / "
            measurand t column of pair_deviations that is limited
            scope t each pair by itself, or all pairs of a scan together
            holds_for t new cells, or this cell; if operators return, these and new operators
            limit n limit set by the user
            unit t um or deg; applies to every number in the row without its own unit
            source t source of the limit, as stated by the user
            verdict t conformity verified, conformity not verified, nonconformity verified, or empty
            tolerance_bound n upper tolerance limit for the share `coverage` of future single scans
            bound_with_guard n upper tolerance limit plus guard band, compared with the limit
            assumption t assumption of the bound: none, normal scatter, or cells differ normally
            method t method of the bound
            coverage n share of future scans
            confidence n confidence of bound and guard band, one-sided
            bound_low n value exceeded by more than 1 - coverage of future scans, from counts alone
            largest_seen n largest observed absolute deviation of any scan
            n_beyond i scans beyond the limit (each pair: of the pair with the largest share)
            share_beyond n share of these scans
            u n standard uncertainty common to all scans; empty: not stated
            guard n guard band for this uncertainty
            guard_low n guard band for nonconformity
            normality_test t test of the residuals within cells
            p_normal p its p value, pooled over the pairs; below 0.05: not normal
            left_out t recorded factor not in the cells, with the smallest p value
            p_left_out n p value of a difference between its levels within cells
            model t model with the largest guarded bound
            subject t pair with the largest guarded bound; empty for all pairs
            span_mm n longest span covered by the statement
            n_pairs i pairs of a scan
            n_scans i scans used
            n_cells i cells used
            n_independent i independent scans of a model among them
            n_without_assumption i independent scans needed to avoid any assumption
            n_needed i scans in all, of all models, that verify conformity with 80 % or more
            needed_operators i operators of that study; 1 if cells are not nested in operators
            needed_cells i cells of that study
            needed_per_cell i scans of each model per cell
            needed_assurance n probability of its verdict, averaged over the remaining uncertainty
            note t what cannot be stated, and why
        """),
    ),
    Table(
        "supported_spans",
        "condition x level x scope x validity",
        _columns("""
            condition t levels of the condition factors, joined by " / "
            holds_for t as in conformity
            scope t each pair by itself, or all pairs of a scan together
            level_um n limit of the distance: set by the user, or another one of interest
            supported_span_mm n longest span for which conformity is verified; empty: none
            longest_span_mm n longest span studied
            supported_path_mm n largest arch length for which conformity is verified; empty: none
            longest_path_mm n largest arch length studied
            assumption t as in conformity
            normality_test t as in conformity
            p_normal n as in conformity
            coverage n share of future scans
            confidence n confidence of the bound
            note t why no length is supported, or what the statement is valid for
        """),
    ),
    Table(
        "variance_components",
        "condition x measurand x pair x level",
        _columns("""
            condition t levels of the condition factors, joined by " / "
            model t physical reference model
            measurand t column of pair_deviations
            unit t um or deg; applies to every number in the row without its own unit
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
            note t what cannot be stated, and why
        """),
    ),
    Table(
        "span_curve",
        "condition x pair x axis",
        _columns("""
            condition t levels of the condition factors, joined by " / "
            holds_for t as in conformity; these operators if operators return
            model t physical reference model
            subject t the two implants of the pair joined by "-"
            against t span_mm or path_mm
            length_mm n span or arch length of the pair
            bound_um n upper tolerance limit of the absolute deviation of its distance
            bound_low_um n value exceeded by more than 1 - coverage of future scans
            estimate_um n point estimate of the quantile, without confidence
            bias_um n general mean minus reference
            largest_um n largest absolute deviation observed
            u_shared_um n standard uncertainty common to all scans; empty: not stated
            guard_um n guard band for this uncertainty
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
            valid_from d first day of this reference; empty: from the start
            implant_a t one implant
            implant_b t the other implant
            span_mm n inter-implant distance in this reference
            u_from t certificate, MPE or nothing
            u_instrument_um n standard uncertainty of the distance from certificate or MPE (type B)
            n_runs i measurements of the model, if the reference is their mean
            s_runs_um n standard deviation of one measurement of the distance
            u_runs_um n standard uncertainty of their mean, widened for few runs (type A)
            u_body_um n standard uncertainty from scan bodies derived from a scan (type B)
            u_temperature_um n standard uncertainty from temperature and expansion (type B)
            u_um n combined standard uncertainty; empty if certificate and MPE are missing
            expanded_u_um n expanded uncertainty
            k n coverage factor
            u_angle_deg n standard uncertainty of the angle between the axes
        """),
    ),
    Table(
        "reference_runs",
        "model x reference x pair x run",
        _columns("""
            model t physical reference model
            valid_from d first day of this reference; empty: from the start
            implant_a t one implant
            implant_b t the other implant
            run t measurement of the model
            distance_mm n distance in this run
            deviation_um n distance in this run minus the mean of the runs
        """),
    ),
    Table(
        "reference_run_implants",
        "model x reference x run x implant",
        _columns("""
            model t physical reference model
            valid_from d first day of this reference; empty: from the start
            run t measurement of the model
            implant t implant
            dx_um n position in this run, aligned to the mean of the runs, minus their mean
            dy_um n as dx_um
            dz_um n as dx_um
            turn_x_deg n rotation vector from the mean axis to that of this run
            turn_y_deg n as turn_x_deg
            turn_z_deg n as turn_x_deg
        """),
    ),
    Table(
        "reference_changes",
        "model x new reference x pair",
        _columns("""
            model t physical reference model
            valid_from d first day of the new reference
            implant_a t one implant
            implant_b t the other implant
            before_mm n distance in the former reference
            after_mm n distance in the new reference
            difference_um n after minus before
            expanded_um n expanded uncertainty of the difference, k = 2
            e_n n E_n number, the ratio of the two; empty if no uncertainty is known
            verdict t agrees, differs or uncertainty unknown
            method t method of comparison
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
            df n degrees of freedom; empty if infinite
            share n share of the combined variance
            counted f false for a part already contained in another
            k n coverage factor, in the row of the expanded uncertainty
            monte_carlo_um n half-width of the same interval by propagation of distributions
            how t source of the number
        """),
    ),
    Table(
        "implant_vectors",
        "condition x implant",
        _columns("""
            condition t levels of the condition factors, joined by " / "
            model t physical reference model
            implant t implant
            alignment t alignment of the deviations
            n_scans i scans
            n_cells i cells
            u_alignment_tilt_deg n standard uncertainty of the alignment tilt, median of the scans
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
            T2 n Hotelling's statistic for zero bias
            p p p value for zero bias
            based_on t scans, or cell means
            note t what cannot be stated, and why
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
            implant t implant at which the gap occurs
            gap_max_um n largest vertical gap around the rim
            gap_min_um n smallest gap around the rim; negative is interference
            gap_mean_um n mean vertical gap
            lateral_um n lateral offset of the seat
            tilt_deg n angle between seat and platform
            turns n largest gap in turns of the screw
            u_gap_max_um n standard uncertainty of gap_max_um from the poses
            unseated_share n share of Monte Carlo draws that cannot be seated within the clearance
            best_seat_um n largest rim gap of the scan's best seat
            status t ok, interference, infeasible or not computed
            note t remark on this framework
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
            seated t terminal-screw (one-screw test, worse end) or best-seat
            tightened t implant whose screw is tightened, or best-seat
            implant t implant with the largest misfit; the first along the arch if several
            n_worst i implants that share it within 0.01 µm; more than one is a tie
            misfit_um n largest gap, or interference if that is larger
            interference_um n deepest interference at any implant; 0: none
            gap_max_um n largest gap there
            gap_min_um n smallest gap there; negative is interference
            u_misfit_um n standard uncertainty of misfit_um from the poses
            locating_median_um n median misfit of a perfect framework caused by locating alone
            locating_p95_um n its 95 % value: a smaller misfit cannot be distinguished from none
            n_seats i seats of the framework
            span_mm n longest straight distance between two of its platforms
            angulation_deg n largest angulation of its implants
            status t ok, interference, infeasible or not computed
        """),
        factors=True,
    ),
    Table(
        "seating_implants",
        "condition x model x tightened screw x implant",
        _columns(
            _CONDITION
            + """
            tightened t implant whose screw is tightened, or best-seat
            implant t implant
            n_scans i scans
            median_um n median of the gap, or of the interference (negative) where larger
            """
        ),
    ),
    Table(
        "seating_summary",
        "condition x model x way of seating",
        _columns(
            _CONDITION
            + """
            seated t terminal-screw (one-screw test, worse end) or best-seat
            n_seats i implants of the model
            span_mm n longest straight distance between two platforms
            angulation_deg n largest angulation of its implants
            n_scans i scans
            n_cells i cells (scans under repeatability conditions)
            n_fewer_seats i scans whose framework has fewer seats than the others
            n_infeasible i scans whose framework cannot be seated within the clearance
            n_not_told i scans whose misfit does not differ from that of a perfect framework
            locating_p95_um n misfit below which this applies (median of the scans)
            mean_um n mean misfit of the scans
            q25_um n lower quartile
            median_um n median
            q75_um n upper quartile
            max_um n largest
            limit_um n limit set by the user
            source t source of the limit, as stated by the user
            n_within i scans within the limit
            share_within n share of scans within the limit
            share_within_low n lower limit of its exact binomial interval
            share_within_high n upper limit of its exact binomial interval
            n_interference i scans with interference at an implant; none at the best seat
            share_interference n share of scans with interference
            share_interference_low n lower limit of its exact binomial interval
            share_interference_high n upper limit of its exact binomial interval
            max_interference_um n deepest interference of all scans
            tolerance_bound_um n upper tolerance limit for the share `coverage` of future scans
            bound_with_guard_um n upper tolerance limit plus guard band, compared with the limit
            u_um n standard uncertainty common to all scans, used for the guard band
            verdict t conformity verified, conformity not verified or nonconformity verified
            holds_for t as in conformity
            assumption t assumption of the bound: none, or lognormally distributed gaps
            normality_test t test of the residuals within cells
            p_normal n its p value; below 0.05: not normal
            coverage n share of future scans
            confidence n confidence of the bound
            note t what cannot be stated, and why
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
            worst_implant t implant with the largest misfit; the first along the arch if several
            n_worst i implants that share it within 0.01 µm; more than one is a tie
            misfit_um n largest misfit of the framework
            implant t implant whose error is removed
            part t whole, tilt, height or sideways
            misfit_without_um n largest misfit without that error
            contribution_um n difference; negative: the error compensates another one
        """),
    ),
    Table(
        "model_terms",
        "model x term",
        _columns("""
            model_name t name of the model in study.toml
            response t response variable
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
            response t response variable
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
            response t response variable
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
            response t response variable
            factor t factor, or factors joined by ":"
            level t level, or levels joined by ":"
            estimate n marginal mean
            se n standard error
            df n degrees of freedom
            low n lower confidence limit
            high n upper confidence limit
            confidence n confidence level of the intervals in the row
            mean n marginal mean in the unit of the data; geometric for log responses
            mean_low n its lower confidence limit
            mean_high n its upper confidence limit
        """),
    ),
    Table(
        "model_covariates",
        "model x covariate",
        _columns("""
            model_name t name of the model in study.toml
            response t response variable
            covariate t numeric column of the fixed part
            held n value at which means and differences of levels are stated
            mean n mean of the modelled rows
            sd n standard deviation of the modelled rows
            common_low n smallest value common to all levels compared
            common_high n largest value common to all levels compared
        """),
    ),
    Table(
        "model_contrasts_at",
        "model x contrast x value of a covariate",
        _columns("""
            model_name t name of the model in study.toml
            response t response variable
            covariate t covariate with which the difference changes
            value n its value, an end of the range common to all levels
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
            stated f true if the scanned models allow its effect to be estimated
            n_levels i values of the covariate
            n_models i models that were scanned
            df_models i degrees of freedom between models; empty if it varies within models
            why t why no effect is stated, or what else differs between the models
            to_add t models that would allow the effect to be estimated
        """),
    ),
    Table(
        "model_effects",
        "model x covariate x level",
        _columns("""
            model_name t name of the model in study.toml, or of an additional model
            response t response variable
            scope t at equal path, as it comes, path not held, of an implant, or of these models
            covariate t angulation_deg or n_implants; empty for differences of two models
            kind t average, level, difference of levels, or difference of two models
            factor t factor with which the effect may vary
            level t level to which it applies; empty if averaged over levels
            level_a t first level or model of a difference
            level_b t second level or model, which is subtracted
            step n step of the covariate for which the effect is given: 10 deg, 1 implant
            from_value n smallest value of the covariate common to all levels
            to_value n largest value of the covariate common to all levels
            estimate n effect, in the unit of the response
            se n standard error
            df n degrees of freedom
            t n t statistic
            p n two-sided p value
            p_holm n p value after Holm among rows of the same model, covariate and kind
            p_interaction n p value for an equal effect at all levels
            low n lower confidence limit
            high n upper confidence limit
            confidence n confidence of the limits
            ratio n effect on a log response as a ratio
            ratio_low n lower limit of the ratio
            ratio_high n upper limit of the ratio
            n_models i models that were scanned
            df_models i degrees of freedom between models; empty if it varies within models
            method t kenward-roger or satterthwaite
        """),
    ),
    Table(
        "model_lines",
        "model x covariate x level x value",
        _columns("""
            model_name t name of the model in study.toml
            response t response variable
            covariate t numeric column of the fixed part
            factor t factor with one line per level
            level t level; empty without a factor
            value n value of the covariate
            fitted n fitted mean, other covariates held fixed; geometric mean for log responses
            low n lower limit of its pointwise band
            high n upper limit of its band
            confidence n confidence of the limits
        """),
    ),
    Table(
        "model_classes",
        "model x covariate x condition x class",
        _columns("""
            model_name t name of the model in study.toml
            response t response variable
            covariate t numeric column of the fixed part
            condition t levels of the condition factors, joined by " / "
            class_low n smallest value of the covariate in the class
            class_high n largest value of the covariate in the class
            value n mean value of the covariate in the class
            n_means i means of pairs, implants or models in the class
            observed n mean of these means, in the unit of the response
            fitted n the same for the fitted values of the fixed part
            difference n observed minus fitted
            observed_mean n observed in the unit of the data; geometric for log responses
            fitted_mean n fitted in the unit of the data; geometric for log responses
        """),
    ),
    Table(
        "model_lack_of_fit",
        "model x covariate x added term",
        _columns("""
            model_name t name of the model in study.toml
            response t response variable
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
            response t response variable
            factor t factor, or factors joined by ":"
            contrast t difference of two levels, or a slope, in words
        """)
        + _DIFFERENCE
        + _columns("verdict t sentence"),
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
            span_mm n inter-implant distance of the pair
            path_mm n arch length of the pair
            fitted n fitted value, random effects included, in the unit of the response
            fitted_fixed n fitted value of the fixed part
            residual n residual, in the unit of the response
            residual_scaled n residual divided by its standard deviation
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
            warned f true if the report warns: p below 0.001 and a ratio of at least 2
        """),
    ),
    Table(
        "model_unequal",
        "model x contrast, residual SD by level",
        _columns("""
            model_name t name of the model in study.toml
            residual_sd_by t factor with a separate residual standard deviation per level
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
            response t response variable
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
            response t response variable
            n_rows i modelled rows
            n_coefficients i coefficients of the fixed part
            fixed t response and fixed part as a formula
            random t random terms in the fit, joined by +
            r2_marginal n share of the variance that the fixed part explains
            r2_conditional n share that the fixed and the random part explain together
            engine t program that also fitted the model; empty if none can
            engine_difference n largest relative difference of coefficients and log likelihood
            engine_gain n log likelihood of its own search minus that of the fit; empty if none
            n_beyond_3sd i residuals beyond three standard deviations
            heavy_tails f true if these are more than expected from a normal distribution
            residual_sd_by t column with a separate residual standard deviation per level
            method t kenward-roger or satterthwaite
            adjust t holm or none: adjustment for multiple contrasts
            simultaneous f true if the report prints simultaneous intervals of contrasts
            equivalence_margin n equivalence margin; empty if none
            non_inferiority f true if the margin is one-sided
        """),
    ),
    Table(
        "model_bootstrap",
        "model x term",
        _columns("""
            model_name t name of the model in study.toml
            response t response variable
            term t term of the formula
            F n Wald statistic over its rank, without adjustment for small samples
            p n share of data sets simulated without the term whose statistic is as large
            p_se n standard error of p from the number of draws
            draws i data sets simulated and fitted
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
            measurand t charted measurand
            unit t um, deg or ppm
            chart t mean, individuals, moving-range, ewma, cusum-high, cusum-low; -sd, sd: spread
            session t session
            at d date of the session
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
            measurand t charted measurand
            unit t um, deg or ppm
            baseline_no i number of the baseline, from 1
            kind t signal, or change-point: a possible change, estimated from all sessions
            chart t chart that signals; of a change point mean or sd
            rule t rule that signals; of a change point step or ramp
            stands f true if its chart (change point: one of its measurand) signals at the end
            session t session of the signal
            at d date of the signal
            low d earliest date of its interval
            high d latest date of its interval
            size n estimated size; per month for a ramp
            size_low n lower limit
            size_high n upper limit
            confidence n of the intervals of size and dates
            p p of a change point: probability of one as clear in stable sessions
            event t nearest event, with the number of days between
            what t sentence
        """),
    ),
    Table(
        "drift_baselines",
        "device x measurand x baseline",
        _columns("""
            device t device
            model t physical reference model
            measurand t charted measurand
            unit t um, deg or ppm
            baseline_no i number of the baseline, from 1
            begins_with t why the charts restart here; empty for the first
            first_session t first session of the baseline
            last_session t last session of the baseline
            until d date of its last session
            n_sessions i number of sessions
            n_scans i number of scans
            centre n mean of the session means
            sd_of_means n standard deviation of the session means
            sd_within n pooled standard deviation within sessions
            sd_between n standard deviation between sessions, zero if the estimate is negative
            run_length n sessions between false alarms for which each chart is designed
            shewhart_limit n limit of one session mean, in standard deviations of a session mean
            lambda_ n weight of the EWMA
            ewma_limit n limit of the EWMA, in its own standard deviations
            k n reference value of the CUSUM
            h n decision interval of the CUSUM
            widened n ratio of the EWMA limits to those with a long baseline
            autocorrelation n correlation of neighbouring sessions, included in the limits
            score_centre n mean score of the standard deviations within sessions
            score_scale n standard deviation of these scores between sessions, 1 or more
            score_limit n limit of one score, in that scale
            lambda_sd n weight of the EWMA of the scores
            ewma_sd_limit n its limit, in its own standard deviations
            k_sd n reference value of the CUSUM of the scores
            h_sd n its decision interval
            note t what cannot be stated, and why
        """),
    ),
    Table(
        "drift_run_lengths",
        "device x measurand x chart x shift",
        _columns("""
            device t device
            model t physical reference model
            measurand t charted measurand
            unit t um, deg or ppm
            chart t as in drift_points, both cusums together; or a run rule
            shift n shift of the mean, in the unit of the row; empty for charts of the spread
            shift_sigma n the same in standard deviations of a session mean
            sd_ratio n growth of the standard deviation within sessions; empty for charts of means
            zero_state n mean number of sessions to the signal, shift from the start; inf: over 1e6
            steady_state n the same for a shift after a long stable period
            limits t known (long baseline) or used (widened for the actual baseline)
        """),
    ),
    Table(
        "drift_trends",
        "device x measurand x baseline",
        _columns("""
            device t device
            model t physical reference model
            measurand t charted measurand
            unit t um, deg or ppm
            baseline_no i number of the baseline, from 1
            since d first session included in the trend
            until d last session
            n_sessions i sessions
            n_scans i scans
            slope_per_month n slope at the last session, averaged over its possible start dates
            slope_low_per_month n lower limit
            slope_high_per_month n upper limit
            p p two-sided probability of a slope of the other sign
            begins_at d session at which the present slope starts
            begins_low d start of its interval
            begins_high d end of its interval
            theil_sen_per_month n median of all slopes between sessions
            theil_sen_low_per_month n lower limit
            theil_sen_high_per_month n upper limit
            mann_kendall_s i number of rises minus falls among all pairs of sessions
            mann_kendall_p p two-sided, with ties and continuity correction
            autocorrelation n correlation of neighbouring sessions beyond a change, 0 to 0.85
            autocorrelation_p p probability of a larger one among independent sessions
            confidence n of the intervals
            method t method of the slope
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
            implant_b t the other implant
            since d first session included in the trend
            until d last session
            n_sessions i sessions
            n_scans i scans
            slope_um_per_month n slope of the distance deviation at the last session
            slope_low_um n lower limit, per month
            slope_high_um n upper limit, per month
            p p two-sided probability of a slope of the other sign
            bound_um n upper tolerance limit of future scans at the last session, absolute value
            coverage n share of future scans that the bound covers
            confidence n of the bound and of the intervals
            limit_um n limit set by the user
            reached_at d earliest date to reach the limit; empty: after the horizon, no trend
            reached_low d earliest day of the interval
            reached_high d latest day of the interval; empty: after the horizon, or never
            horizon d end of the projection; empty: no trend shown, not projected
            method t method of slope and bound
        """),
    ),
    Table(
        "drift_limits",
        "session x pair",
        _columns("""
            device t device
            model t physical reference model
            session t session
            at d date of the session
            scope t pair, or all pairs
            implant_a t one implant; for all pairs: of the pair with the largest bound
            implant_b t the other implant
            n_scans i scans of the session
            mean_um n mean deviation of its distance
            u_um n standard uncertainty of the mean, reference included
            bound_um n absolute mean plus its uncertainty; empty if a pair is missing
            low_um n absolute mean minus its uncertainty; for all pairs the largest, risk shared
            limit_um n limit set by the user
            confidence n of the decision, one-sided
            verdict t verdict on the limit (ISO 14253-1)
            method t method of comparison with the limit
        """),
    ),
    Table(
        "drift_status",
        "device x model",
        _columns("""
            device t device
            model t physical reference model
            state t changed, none stands, no sign or no charts
            stands f true if a chart signals at the last session
            n_sessions i sessions, all baselines
            first_at d first session
            last_at d last session
            last_session t its name
            baseline_since d first session of the present baseline
            baseline_begins_with t why the charts restart there; empty for the first
            n_measurands i measurands charted
            n_standing i measurands with a chart that signals at the last session
            measurand t measurand with the clearest change, which is reported
            unit t um, deg or ppm
            chart t chart of it that signalled first
            signalled_at d date of that signal
            change t step, ramp, level or spread
            size n step or level against the baseline; per month for a ramp
            size_low n lower limit
            size_high n upper limit
            begins_at d estimated start of the change
            begins_low d start of its interval
            begins_high d end of its interval
            in_baseline f true if it may have started within the baseline
            event t nearest event, with the number of days between
            slope_per_month n slope of that measurand today
            slope_low_per_month n lower limit
            slope_high_per_month n upper limit
            slope_p p two-sided probability of a slope of the other sign
            limit_um n limit set by the user; empty for none
            limit_verdict t of all pairs at the last session
            worst_pair t pair with the largest bound there
            worst_bound_um n bound of its session mean
            single_pair t pair with the largest upper tolerance limit of future single scans
            single_bound_um n its upper tolerance limit
            n_not_verified i sessions in which at least one pair was not verified
            reassess_from d last session verified before the first of them
            reassess_to d first session verified after the last of them; empty: none yet
            chart_limit_um n farthest limit of the chart of session means of the cross-arch distance
            protects f true if it lies within the limit set by the user
            autocorrelation n of the measurand reported
            autocorrelation_p p probability of a larger one among independent sessions
            action t action
            due_at d due date
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
            measurand t charted measurand
            unit t um, deg or ppm
            period t month as YYYY-MM, or year as YYYY
            kind t month or year
            n_sessions i sessions
            n_scans i scans
            mean n mean of the session means
            low n lower limit; empty for one session
            high n upper limit
            confidence n of the interval
            n_signals i sessions in which a chart of the measurand signals
            n_events i events of the device
            method t method of the interval
        """),
    ),
    Table(
        "drift_devices",
        "measurand x two devices",
        _columns("""
            model t physical reference model
            measurand t charted measurand
            unit t um, deg or ppm
            period t year as YYYY, or all
            device_a t one device
            device_b t the other device
            sessions_a i sessions of the first device
            sessions_b i sessions of the second device
            difference n mean of b minus mean of a
            low n lower limit
            high n upper limit
            confidence n of the interval
            p p p value for no difference
            method t method of the difference
        """),
    ),
    Table(
        "drift_comparisons",
        "device x measurand x new baseline",
        _columns("""
            device t device
            model t physical reference model
            measurand t charted measurand
            unit t um, deg or ppm
            baseline_no i number of the new baseline
            begins_with t why the charts restart
            at d first session of the new baseline
            n_before i sessions before
            n_after i sessions after
            difference n mean after minus mean before
            low n lower limit
            high n upper limit
            p p p value for no difference
            sd_ratio n standard deviation within sessions, ratio of after to before
            sd_ratio_low n lower limit
            sd_ratio_high n upper limit
            confidence n of the intervals
            method t method of differences and ratios
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
            at d date of the scan
            implant_a t one implant of the pair with the largest bound; empty without a limit
            implant_b t the other implant
            bound_um n bound of that pair in the session
            limit_um n limit set by the user
            confidence n of the bound and the verdict
            verdict t of all pairs in the session
            doubt t why the session is not verified
            proven_good t last session verified before; empty if there is none
            proven_good_at d its date
            next_good t first session verified after; empty if there is none
            next_good_at d its date
            signal_at d first signal that stands
            because t the charts or change points concerned
        """),
    ),
    Table(
        "drift_advice",
        "device x measurand x scans in a session",
        _columns("""
            device t device
            model t physical reference model
            measurand t charted measurand
            unit t um, deg or ppm
            n_scans i scans in a session
            sd_of_mean n standard deviation of the mean of such a session
            shift n shift to detect, in the unit of the row
            delay_sessions n mean number of sessions to detect it (EWMA, steady state, known limits)
            delay_days n the same in days at the present interval between sessions
        """),
    ),
    Table(
        "selftest",
        "number with a known answer",
        _columns("""
            topic t topic
            case t example
            quantity t quantity in the example
            kind t printed, program (computed by another program), closed form or simulated
            from_memory f true if the number was quoted from memory, not read in its source
            source t document, clause, table; or the simulated truth
            published t known number
            here t number computed by this installation
            tolerance t largest difference accepted; 0 for counts and decisions
            digits n leading digits that agree; decimals where zero is published
            verdict t agrees or differs
        """),
    ),
    Table(
        "plan_sizes",
        "size of a study",
        _columns("""
            operators i operators; 1 if cells are not nested in operators
            n_cells i cells: operators × sessions
            per_cell i scans of each model per cell
            n_scans i scans of a condition, of all models
            half_width n half-width of the interval of the bias
            s_r_low n lower limit of the interval of s_r
            s_r_high n upper limit of the interval of s_r
            s_I_low n lower limit of the interval of s_I
            s_I_high n upper limit of the interval of s_I
            limit n limit to verify
            assurance n probability of conformity verified for all pairs of a scan together
            assurance_low n lower limit of its interval, from the pilot uncertainty
            assurance_high n upper limit
            assurance_expected n the same probability, averaged over the pilot uncertainty
            assurance_each n as assurance, for each pair by itself
            assurance_each_low n lower limit of its interval
            assurance_each_high n upper limit
            assurance_each_expected n averaged over the pilot uncertainty
            confidence n of the intervals
            chair_minutes n time at the bench
            unit t unit of every number without its own
        """),
    ),
    Table(
        "plan_power",
        "size of a comparison",
        _columns("""
            operators i operators
            sessions i sessions of each operator
            per_session i scans of each model with each technique in a session
            n_scans i total number of scans
            difference n true difference of the techniques
            se n expected standard error of the difference
            df n expected degrees of freedom
            power n probability of detecting the difference, with the pilot variances
            power_low n lower limit of its interval, from the pilot uncertainty
            power_high n upper limit
            power_expected n the same probability averaged over the pilot uncertainty
            margin n equivalence margin
            power_equivalence n probability of showing equivalence if there is no difference
            power_equivalence_low n lower limit of its interval
            power_equivalence_high n upper limit
            power_equivalence_expected n averaged over the pilot uncertainty
            df_pilot n degrees of freedom of that standard error in the pilot study
            confidence n of the analysis and of the intervals
            chair_minutes n time at the bench
            unit t unit of difference, margin and se
        """),
    ),
    Table(
        "plan_drift",
        "scans per session x baseline x false alarms",
        _columns("""
            n_scans i scans per session
            n_baseline i sessions in the baseline
            false_alarm_every n mean sessions between false alarms of a device, all charts
            false_alarms_per_year n false alarms per year
            scans_per_year n scans per year
            sd_of_mean_um n standard deviation of a session mean
            shift_um n shift to detect
            delay_sessions n mean number of sessions until it is detected
            delay_months n the same in months
            method t method of the delay
        """),
    ),
    Table(
        "bench_sheet",
        "scan to be made",
        _columns("""
            order i position in the scanning order
            session t session
            operator t operator
            scan t name of the scan
            model t physical reference model
            condition t levels of the condition factors, joined by " / "
            body_seating t instruction for the scan bodies before this scan
            done t to tick off
            temperature_c t to fill in
            remarks t to fill in
        """),
    ),
    Table(
        "surface",
        "condition x model",
        _columns(
            _CONDITION
            + """
            n_scans i scans that could be aligned by their implants
            coverage n share of the reference area covered by at least one scan
            mean_um n area-weighted mean of the mean deviations of the vertices, outward positive
            rms_um n area-weighted root mean square of the mean deviations of the vertices
            p05_um n 5 % of the area has a mean deviation below this
            median_um n half of the area has a mean deviation below this
            p95_um n 95 % of the area has a mean deviation below this
            coverage_twice n share of the area covered by at least two scans
            sd_rms_um n area-weighted root mean square of the standard deviations of the vertices
            sd_median_um n half of the area has a standard deviation below this
            sd_p95_um n 95 % of the area has a standard deviation below this
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
            coverage n share of the reference area covered by the scan
            mean_um n mean deviation over the area, outward positive
            rms_um n root mean square deviation over the area
            p05_um n 5 % of the area deviates by less than this
            median_um n half of the area deviates by less than this
            p95_um n 95 % of the area deviates by less than this
        """),
    ),
    Table(
        "surface_vertices",
        "condition x vertex of the reference surface",
        _columns("""
            condition t levels of the condition factors, joined by " / "
            vertex i vertex of the reference surface, from 0
            x_mm n its position, reference frame
            y_mm n its position, reference frame
            z_mm n its position, reference frame
            n_scans i scans that cover it
            mean_um n2 mean deviation along the normal, outward positive (trueness)
            sd_um n2 standard deviation over the scans (precision)
        """),
    ),
    Table(
        "failures",
        "condition",
        _columns("""
            condition t levels of the condition factors, joined by " / "; empty for all scans
            listed i scans listed as failed
            unusable i scans that could not be read, or on which no pair of implants was found
            failed i total number of failed scans
            total i total number of scans
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
            code t stable short code
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
    row=f"{TABLES['conformity'].row}, scans excluded by the user included",
)


UNREFERENCED = {
    "implants": "arrangement",
    "pair_deviations": "pair_differences",
    "implant_deviations": "implant_differences",
    "accuracy": "precision",
    "accuracy_with_excluded": "precision_with_excluded",
    "scan_deviations": "scan_differences",
    "condition_summary": "condition_scatter",
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
    span_mm n inter-implant distance (straight line) in the mean of the scans
    path_mm n arch length between the two platforms in the mean of the scans
    divergence_deg n divergence of the two axes in the mean of the scans
    distance_um n distance minus its mean over the scans
    angle_deg n angle between the axes minus its mean over the scans
    direction_x n unit vector from the first implant to the second, in the mean of the scans
    direction_y n unit vector from the first implant to the second, in the mean of the scans
    direction_z n unit vector from the first implant to the second, in the mean of the scans
    normal_x n unit normal to both axes, in the mean of the scans; 0 if they are parallel
    normal_y n unit normal to both axes, in the mean of the scans; 0 if they are parallel
    normal_z n unit normal to both axes, in the mean of the scans; 0 if they are parallel
    """,
)
_without_truth(
    "condition_summary",
    "condition: the distances of all its pairs, study without a reference",
    "bias_lowest_um bias_highest_um median_size_um largest_size_um",
    "",
)
_without_truth(
    "scan_deviations",
    "scan, study without a reference",
    "",
    """
    angulation_deg n largest tilt among them in the mean of the scans
    span_mm n largest distance among them in the mean of the scans
    worst_distance_um n largest |distance minus its mean| of its pairs
    rms_distance_um n root mean square of the distances of its pairs minus their means
    worst_angle_deg n largest |angle between two axes minus its mean| of its pairs
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
    mesiodistal_um n mesiodistal difference, positive towards the last implant of the arch
    buccolingual_um n buccolingual difference (across the arch), buccal positive
    vertical_um n vertical difference, along the common axis, positive out of the bone
    """,
)
for _name, _row in (
    ("accuracy", "condition x measurand x implant or pair"),
    ("accuracy_with_excluded", "condition x measurand x implant or pair, all scans"),
):
    _without_truth(
        _name,
        f"{_row}, study without a reference",
        "bias u_bias bias_df bias_low bias_high bias_robust mean_abs_deviation",
        """
        model t physical model
        measurand t column of pair_differences or implant_differences
        span_mm n inter-implant distance of the pair in the mean of the scans; empty for implants
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
    "model t physical model\nmean_um n mean misfit of the scans, from the scatter of scans alone",
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
        plain = values.dtype == np.float64
        return values if plain else pd.to_numeric(values).astype(float)
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
            f'"{name}.csv" is not a readable table',
            where=where,
            hint="recompute the results with `accstudy run`",
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
