"""Poses to every result table, with a reference and without one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from accstudy.accuracy.along_arch import (
    alignment_table,
    cell_table,
    implant_vectors,
    implants_above,
    precision_curve,
    precision_vs_span,
)
from accstudy.accuracy.budget import uncertainty_budget
from accstudy.accuracy.conformity import LimitOf, conformity_tables
from accstudy.accuracy.judge import TEST_LEVEL
from accstudy.accuracy.measurands import range_table, run_table
from accstudy.accuracy.outliers import outlier_counts, outlier_table
from accstudy.accuracy.reference_uncertainty import implant_u, seated_once
from accstudy.accuracy.summary import (
    accuracy_table,
    condition_summary,
    failure_table,
    field_table,
    precision_table,
    robust_findings,
    study_results,
    variance_components,
)
from accstudy.compare.align import mean_arrangement, scatter_alone
from accstudy.compare.arch import model_arches
from accstudy.compare.deviations import models_scanned, scan_deviations
from accstudy.drift.analysis import analyze_drift
from accstudy.drift.designs import DriftOptions
from accstudy.errors import Finding, Severity
from accstudy.seating.contributions import (
    gap_contributions,
    locating_misfits,
    reference_uncertainty,
    with_origins,
)
from accstudy.seating.summary import scan_misfits, seat_medians, seat_summary
from accstudy.seating.table import seating_table
from accstudy.stages.model_checks import mixed_models
from accstudy.stages.references import (
    arch_findings,
    at_reference_temperature,
    by_reference,
    deviations,
    dossier,
    seating_of_bodies,
    shared_u_of,
    surface_tables,
    suspected_setup,
    temperature_tolerance_k,
)
from accstudy.stages.sizes import with_sizes
from accstudy.stages.steps import Analyzed, Memory, Step, Tables, run_steps
from accstudy.study.checks import grouped_by
from accstudy.study.implants import with_angulation
from accstudy.study.load import Study, scan_temperatures
from accstudy.tables import UNREFERENCED, empty, shape, valid_since
from accstudy.words.catalogue import say


def analyze_poses(study: Study, poses: pd.DataFrame, memory: Memory | None = None) -> Analyzed:
    """Compute every result table from table ``poses`` as it stands in the file.

    `memory` is what an earlier run left of it.
    """
    return run_steps(analysis_steps(study), study, poses, memory)


def analysis_steps(study: Study) -> tuple[Step, ...]:
    """Steps of the analysis of a study, in their order."""
    if not study.referenced:
        return (WITHOUT_REFERENCE,)
    steps = _OF_DRIFT if study.settings.study.kind == "drift" else _OF_CONDITIONS
    excluded = (study.scans["excluded"] != "").any()
    surface = study.settings.reference.surface
    return (*steps, *[_SURFACE] * bool(surface), *[_EXCLUDED] * bool(excluded))


def _comparison(study: Study, tables: Tables) -> Analyzed:
    """Deviations of every usable scan, and what the reference is worth."""
    findings: list[Finding] = arch_findings(study)
    poses = at_reference_temperature(study, tables["poses"])
    findings += suspected_setup(study, poses)
    every_pair, every_single = deviations(study, poses)
    pairs, singles = usable_rows(study, every_pair), usable_rows(study, every_single)
    of_reference, told = dossier(study)
    findings += told
    failures = failure_table(
        study.scans,
        measured=set(every_pair["scan"]),
        confidence=study.settings.limits.confidence,
    )
    return Analyzed(
        {
            "pair_deviations": pairs,
            "implant_deviations": singles,
            "scan_deviations": scan_deviations(pairs),
            "models": models_scanned(pairs),
            **of_reference,
            "failures": failures,
        },
        tuple(findings),
    )


def usable_rows(study: Study, rows: pd.DataFrame) -> pd.DataFrame:
    """Rows of the scans that nobody excluded."""
    return rows[rows["scan"].isin(set(study.usable["scan"]))].reset_index(drop=True)


def _usable_poses(study: Study, tables: Tables) -> pd.DataFrame:
    """Poses of those scans at the reference's temperature."""
    return usable_rows(study, at_reference_temperature(study, tables["poses"]))


def _trueness(study: Study, tables: Tables) -> Analyzed:
    """Trueness and precision of every measurand, and where their uncertainty comes from."""
    pairs, singles = tables["pair_deviations"], tables["implant_deviations"]
    alignment = study.settings.analysis.alignment
    found: tuple[Finding, ...] = ()
    made = {
        "accuracy": _accuracy(study, pairs, singles),
        "outliers": outlier_table(pairs, singles, alignment=alignment),
    }
    poses, run = tables["poses"], empty("run_chart")
    if study.settings.study.kind != "drift":
        made["run_chart"] = run = run_of(study, made["accuracy"], pairs, tables["scan_deviations"])
        results = study_results(pairs)
        if results is not None:
            made["field_figures"] = field_table(results, made["accuracy"])
        made["precision_vs_span"] = precision_vs_span(made["accuracy"])
        made["precision_curve"] = precision_curve(made["precision_vs_span"], made["accuracy"])
        made["condition_summary"] = condition_summary(made["accuracy"], pairs)
        made["cells"] = cell_table(pairs)
        made["alignments"] = alignment_table(singles)
        made["outlier_counts"] = outlier_counts(made["outliers"])
        made["implant_vectors"] = implant_vectors(
            singles, alignment=alignment, confidence=study.settings.limits.confidence
        )
        warm = at_reference_temperature(study, poses)
        made["uncertainty_budget"] = _budget(study, pairs, warm)
        made["variance_components"] = components(study, pairs)
        found = tuple(robust_findings(made["accuracy"]))
    made["ranges"] = ranges_of(study, made["accuracy"], pairs, poses, run)
    return Analyzed(made, found)


def run_of(
    study: Study, accuracy: pd.DataFrame, pairs: pd.DataFrame, whole: pd.DataFrame
) -> pd.DataFrame:
    """Table ``run_chart``."""
    scans = study.scans.set_index("scan")
    at = scans.get("measured_at", pd.Series(pd.NaT, scans.index))
    return run_table(accuracy, pairs, whole, pd.to_datetime(at, errors="coerce"))


def ranges_of(
    study: Study,
    accuracy: pd.DataFrame,
    pairs: pd.DataFrame,
    poses: pd.DataFrame,
    run: pd.DataFrame,
) -> pd.DataFrame:
    """Table ``ranges``."""
    warm = scan_temperatures(study.scans, everywhere=study.settings.scans.temperature_c)
    return range_table(
        accuracy, pairs, poses, run, study.scans, factors=study.factors, temperature_c=warm
    )


def _conformity(study: Study, tables: Tables) -> Analyzed:
    """Bounds against the limits of lengths and angles."""
    made = _tolerance(study, tables["pair_deviations"])
    made["implants_above"] = implants_above(
        tables["implant_deviations"],
        model_arches(study.implants),
        alignment=study.settings.analysis.alignment,
        coverage=study.settings.limits.coverage,
    )
    return Analyzed(made, tuple(_left_out_of_cells(made["conformity"])))


def _with_excluded(study: Study, tables: Tables) -> Analyzed:
    """The same with the scans that were excluded."""
    every_pair, every_single = deviations(study, at_reference_temperature(study, tables["poses"]))
    if len(every_pair) == len(usable_rows(study, every_pair)):
        return Analyzed({}, ())
    made = {"accuracy_with_excluded": _accuracy(study, every_pair, every_single)}
    if study.settings.study.kind != "drift":
        made["conformity_with_excluded"] = _tolerance(study, every_pair)["conformity"]
    return Analyzed(made, ())


def _modelled(study: Study, tables: Tables) -> Analyzed:
    return Analyzed(*mixed_models(study, tables["pair_deviations"], tables["implant_deviations"]))


def _charted(study: Study, tables: Tables) -> Analyzed:
    poses = _usable_poses(study, tables)
    pairs, singles = tables["pair_deviations"], tables["implant_deviations"]
    return Analyzed(*drift_tables(study, pairs, singles, poses))


def _surfaces(study: Study, tables: Tables) -> Analyzed:
    poses = _usable_poses(study, tables)
    return Analyzed(*surface_tables(study, poses))


def _accuracy(study: Study, pairs: pd.DataFrame, singles: pd.DataFrame) -> pd.DataFrame:
    return accuracy_table(
        pairs,
        singles,
        reference_u=shared_u_of(study, pairs),
        alignment=study.settings.analysis.alignment,
        cell_columns=grouped_by(study.settings, study.factors)[1],
        confidence=study.settings.limits.confidence,
    )


def _tolerance(study: Study, pairs: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """Bounds for future scans, held against the user's limits."""
    limits = study.settings.limits
    condition, cell = grouped_by(study.settings, study.factors)
    given = (("distance_um", limits.distance_um), ("angle_deg", limits.angle_deg))
    shared = shared_u_of(study, pairs)
    found = conformity_tables(
        pairs,
        limits=[LimitOf(name, limit.value, limit.source) for name, limit in given if limit],
        spans_at_um=limits.spans_at_um,
        coverage=limits.coverage,
        confidence=limits.confidence,
        reference_u=shared,
        cell_columns=cell,
        condition_columns=condition,
    )
    conformity = found.conformity
    if study.settings.study.kind == "validation":  # a comparison is sized by its power
        conformity = with_sizes(conformity, pairs, reference_u=shared, cell_columns=cell)
    return {
        "conformity": conformity,
        "supported_spans": found.supported_spans,
        "span_curve": found.span_curve,
    }


def _left_out_of_cells(conformity: pd.DataFrame) -> list[Finding]:
    """Warnings about factors by which scans of one cell differ."""
    found = conformity[conformity["p_left_out"] < TEST_LEVEL]
    found = found.drop_duplicates(["condition", "measurand"])
    return [
        Finding(
            Severity.WARNING,
            "cell-leaves-out",
            say("findings.scans_of_one_cell", left_out=row["left_out"], measurand=row["measurand"])
            + (f", {row['condition']}" if row["condition"] else "")
            + say("findings.so_conformity_cannot_be"),
            "study.toml, analysis.cell",
            say("findings.add_to_analysis_cell", left_out=row["left_out"]),
        )
        for row in found.to_dict("records")
    ]


def _budget(study: Study, pairs: pd.DataFrame, poses: pd.DataFrame) -> pd.DataFrame:
    """Where the uncertainty of every pair's bias comes from."""
    settings = study.settings
    mpe = settings.reference.mpe_um
    return uncertainty_budget(
        pairs,
        study.implants,
        mpe_constant_um=mpe.constant if mpe else None,
        mpe_per_metre_um=mpe.per_metre if mpe else 0.0,
        expansion_per_k=settings.scans.expansion_per_k or 0.0,
        temperature_tolerance_k=temperature_tolerance_k(study),
        runs=study.runs.pairs,
        seating=seating_of_bodies(study, pairs),
        poses=poses,
        cell_columns=grouped_by(settings, study.factors)[1],
        confidence=settings.limits.confidence,
    )


def components(study: Study, pairs: pd.DataFrame) -> pd.DataFrame:
    """Variance components of the levels within a condition: operator, session, scan."""
    condition, _ = grouped_by(study.settings, study.factors)
    levels = [n for n in ("operator", "session") if n in study.factors and n not in condition]
    if not levels or pairs.empty:
        return empty("variance_components")
    return variance_components(pairs, levels, confidence=study.settings.limits.confidence)


def drift_tables(
    study: Study, pairs: pd.DataFrame, singles: pd.DataFrame, poses: pd.DataFrame
) -> tuple[dict[str, pd.DataFrame], tuple[Finding, ...]]:
    """Control charts, change points, trends and what follows from them."""
    settings, limits = study.settings.drift, study.settings.limits
    done = analyze_drift(
        pairs,
        singles,
        poses,
        study.implants,
        study.usable,
        study.events,
        options=DriftOptions(
            baseline_sessions=settings.baseline_sessions,
            baseline_until=settings.baseline_until,
            false_alarm_every=settings.false_alarm_every,
            shift_um=settings.shift_um,
            sd_ratio=settings.sd_ratio,
            horizon_months=settings.horizon_months,
            run_rules=settings.run_rules,
            limit_um=limits.distance_um.value if limits.distance_um and study.referenced else None,
            coverage=limits.coverage,
            confidence=limits.confidence,
        ),
        reference_u=shared_u_of(study, pairs) if study.referenced else None,
    )
    return done.tables, done.findings


def _shared_in_gaps(
    study: Study,
    poses: pd.DataFrame,
    reference: pd.DataFrame,
    factors: pd.DataFrame,
    pairs: pd.DataFrame,
) -> pd.DataFrame:
    """What the uncertainty that all scans of a condition share does to their gaps."""
    settings, body = study.settings, seating_of_bodies(study, pairs)
    mpe = settings.reference.mpe_um
    runs = study.runs.implants
    since = valid_since(reference).min()
    runs = runs[(runs["model"] == reference["model"].iloc[0]) & (valid_since(runs) == since)]
    once_each = reference.assign(u_runs_um=np.nan, u_runs_deg=np.nan) if len(runs) else reference
    parts = []
    for condition, once in seated_once(pairs).items():
        u = implant_u(
            once_each,
            mpe_constant_um=mpe.constant if mpe else None,
            seating_um=body.u_um * once if body else 0.0,
        )
        own = factors[factors["condition"] == condition]
        mine = poses[poses["scan"].isin(set(own["scan"]))]
        if len(mine):
            parts.append(
                reference_uncertainty(
                    mine,
                    reference.assign(**{str(c): u[c] for c in u}),
                    own,
                    runs=runs,
                    platform_radius_mm=settings.seating.platform_radius_mm,
                )
            )
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


def _seats(study: Study, tables: Tables) -> Analyzed:
    """Predicted seating of every scan."""
    settings = study.settings.seating
    scans = [*by_reference(study, _usable_poses(study, tables))]
    if not scans:
        return Analyzed({}, ())
    seating, misfits = _seated(study, scans, draws=settings.draws)
    origins = pd.concat(
        [
            gap_contributions(
                mine,
                reference,
                platform_radius_mm=settings.platform_radius_mm,
                factors=_with_factors(study),
            )
            for mine, reference in scans
        ],
        ignore_index=True,
    )
    made = {
        "seating": seating,
        "seating_implants": seat_medians(seating),
        "seating_scans": with_origins(misfits, origins),
        "seating_contributions": origins,
    }
    return Analyzed(made, ())


def _with_factors(study: Study) -> pd.DataFrame:
    return study.scans[["scan", "condition", "cell", *study.factors]]


def _seated(
    study: Study, scans: Sequence[tuple[pd.DataFrame, pd.DataFrame]], *, draws: int
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Tables ``seating`` and ``seating_scans`` of poses, those of a reference beside it."""
    settings = study.settings.seating
    radius = settings.platform_radius_mm
    seats = [
        seating_table(
            mine,
            reference,
            platform_radius_mm=radius,
            screw_pitch_mm=settings.screw_pitch_mm,
            engaging=settings.engaging,
            lateral_clearance_um=settings.lateral_clearance_um,
            draws=draws,
            factors=_with_factors(study),
        )
        for mine, reference in scans
    ]
    noise = [locating_misfits(*one, platform_radius_mm=radius) for one in scans]
    seating, locating = (pd.concat(all_, ignore_index=True) for all_ in (seats, noise))
    return seating, scan_misfits(seating, study.implants, locating=locating)


def _seating_verdicts(study: Study, tables: Tables) -> Analyzed:
    """What the misfits of each condition amount to, held against the limit."""
    if "seating_scans" not in tables:
        return Analyzed({}, ())
    poses = _usable_poses(study, tables)
    factors = study.scans[["scan", "condition"]]
    shares = [
        _shared_in_gaps(study, mine, reference, factors, tables["pair_deviations"])
        for mine, reference in by_reference(study, poses)
    ]
    limits = study.settings.limits
    limit = limits.seat_gap_um
    summary = seat_summary(
        tables["seating_scans"],
        limit_um=limit.value if limit else None,
        source=limit.source if limit else "",
        coverage=limits.coverage,
        confidence=limits.confidence,
        reference_u=pd.concat(shares, ignore_index=True),
    )
    return Analyzed({"seating_summary": summary}, ())


_DEVIATIONS = ("pair_deviations", "implant_deviations")
_PARTS = ("implant_vectors", "uncertainty_budget", "variance_components")
_SUMMED = (
    *("precision_curve", "condition_summary", "cells", "alignments", "outlier_counts"),
    *("ranges", "run_chart"),
)
_BOUNDS = (
    "study.protocol",
    "limits.distance_um",
    "limits.angle_deg",
    "limits.spans_at_um",
    "limits.coverage",
)
_COMPARED = Step(
    "comparison",
    _comparison,
    ("poses",),
    (*_DEVIATIONS, "scan_deviations", "models", "reference_*", "failures"),
)
_ACCURATE = Step(
    "accuracy",
    _trueness,
    ("poses", *_DEVIATIONS, "scan_deviations"),
    ("accuracy", "outliers", "field_figures", "precision_vs_span", *_PARTS, *_SUMMED),
)
_EXCLUDED = Step("with excluded", _with_excluded, ("poses",), ("*_with_excluded",), _BOUNDS)
_SURFACE = Step("surface", _surfaces, ("poses",), ("surface*",), files=True)
_OF_CONDITIONS = (
    _COMPARED,
    _ACCURATE,
    Step(
        "conformity",
        _conformity,
        _DEVIATIONS,
        ("conformity", "supported_spans", "span_curve", "implants_above"),
        _BOUNDS,
    ),
    Step(
        "seating",
        _seats,
        ("poses",),
        ("seating", "seating_implants", "seating_scans", "seating_contributions"),
        ("seating",),
    ),
    Step(
        "seating verdicts",
        _seating_verdicts,
        ("poses", "pair_deviations", "seating_scans"),
        ("seating_summary",),
        ("seating", "limits.seat_gap_um", "limits.coverage"),
    ),
    Step("models", _modelled, _DEVIATIONS, ("model_*",), ("model",)),
)
_OF_DRIFT = (
    _COMPARED,
    _ACCURATE,
    Step("drift", _charted, ("poses", *_DEVIATIONS), ("drift_*",), ("drift", "limits")),
)


def arrangement_of(study: Study, poses: pd.DataFrame) -> pd.DataFrame:
    """Learn table ``arrangement`` from the scans: the mean of the usable ones of each model.

    `Study.implants` names the implants of every model and says where to begin. In a drift study the
    mean of the sessions of the first baseline of every device, so that a new session does not move
    what the former ones are compared with.
    """
    kept = _behind_the_mean(study)
    mine = at_reference_temperature(study, poses)
    mine = mine[mine["scan"].isin(kept)]
    parts = [
        mean_arrangement(mine, start)
        for model, start in study.implants.groupby("model", sort=False)
        if (mine["model"] == model).any()
    ]
    if not parts:
        return empty("arrangement")
    out = pd.concat(parts, ignore_index=True)
    return shape(
        "arrangement", with_angulation(_as_implants(out), None).assign(n_scans=out["n_scans"])
    )


def with_arrangement(study: Study, arrangement: pd.DataFrame) -> Study:
    """Let scans be compared with the arrangement that was learned."""
    known = with_angulation(_as_implants(arrangement), None)
    known["angulation_by"] = _definitions(study, known)
    return replace(study, implants=known)


def _definitions(study: Study, known: pd.DataFrame) -> list[str]:
    """How every angulation is defined, as the provisional arrangement says."""
    by = study.implants.set_index(["model", "implant"])["angulation_by"]
    return [str(by.get((m, i), "")) for m, i in zip(known["model"], known["implant"], strict=True)]


def _as_implants(arrangement: pd.DataFrame) -> pd.DataFrame:
    rows = shape("implants", arrangement)
    return rows.assign(row=range(2, len(rows) + 2))


def _behind_the_mean(study: Study) -> set[str]:
    """Scans that are averaged."""
    usable = study.usable
    if study.settings.study.kind != "drift" or "measured_at" not in usable:
        return set(usable["scan"])
    drift = study.settings.drift
    at = pd.to_datetime(usable["measured_at"])
    if drift.baseline_until is not None:
        early = at.dt.date <= drift.baseline_until
        return set(usable.loc[early if early.any() else at.notna(), "scan"])
    session = usable["session"].astype(str) if "session" in usable else at.dt.strftime("%Y-%m-%d")
    device = usable["device"].astype(str) if "device" in usable else pd.Series("", usable.index)
    first = at.groupby([usable["model"], device, session]).transform("min")
    rank = first.groupby([usable["model"], device]).rank(method="dense")
    return set(usable.loc[rank <= drift.baseline_sessions, "scan"])


_OF_A_REFERENCE = ("drift_limits", "drift_pairs", "drift_references")


def _analyze(study: Study, tables: Tables) -> Analyzed:
    """Compute every table that needs no truth.

    `Study.implants` are the arrangement that the scans show; tables go by the names of
    `accstudy.tables.UNREFERENCED`.
    """
    findings: list[Finding] = arch_findings(study)
    poses = at_reference_temperature(study, tables["poses"])
    every_pair, every_single = deviations(study, poses)
    pairs, singles, usable = (
        usable_rows(study, rows) for rows in (every_pair, every_single, poses)
    )
    confidence = study.settings.limits.confidence
    alignment = study.settings.analysis.alignment
    precision = _precision(study, pairs, singles)
    made = {
        "pair_deviations": pairs,
        "implant_deviations": singles,
        "scan_deviations": scan_deviations(pairs),
        "models": models_scanned(pairs),
        "accuracy": precision,
        "failures": failure_table(
            study.scans, measured=set(every_pair["scan"]), confidence=confidence
        ),
        "outliers": outlier_table(pairs, singles, alignment=alignment),
        "precision_vs_span": precision_vs_span(precision),
    }
    run = empty("run_chart")
    if study.settings.study.kind == "drift":
        modelled, found = drift_tables(study, pairs, singles, usable)
        modelled = {name: t for name, t in modelled.items() if name not in _OF_A_REFERENCE}
    else:
        made["run_chart"] = run = run_of(study, precision, pairs, made["scan_deviations"])
        made["precision_curve"] = precision_curve(made["precision_vs_span"], precision)
        made["condition_summary"] = condition_summary(precision, pairs)
        made["cells"] = cell_table(pairs)
        made["outlier_counts"] = outlier_counts(made["outliers"])
        made["variance_components"] = components(study, pairs)
        made |= _seating(study, usable)
        modelled, found = mixed_models(study, pairs, singles)
    made["ranges"] = ranges_of(study, precision, pairs, tables["poses"], run)
    made |= modelled
    findings += found
    if len(every_pair) > len(pairs):
        made["accuracy_with_excluded"] = _precision(study, every_pair, every_single)
    named = {UNREFERENCED.get(name, name): table for name, table in made.items()}
    return Analyzed(named, tuple(findings))


def _precision(study: Study, pairs: pd.DataFrame, singles: pd.DataFrame) -> pd.DataFrame:
    return precision_table(
        accuracy_table(
            pairs,
            singles,
            alignment=study.settings.analysis.alignment,
            cell_columns=grouped_by(study.settings, study.factors)[1],
            confidence=study.settings.limits.confidence,
        )
    )


def _seating(study: Study, poses: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """Predicted seating on the mean of the scans: what their scatter alone does to it."""
    known = [
        (scatter_alone(mine, arrangement, _with_factors(study)), arrangement)
        for mine, arrangement in by_reference(study, poses)
    ]
    scattered = [one for one in known if not one[0].empty]
    if not scattered:
        return {}
    _, misfits = _seated(study, scattered, draws=0)
    summary = seat_summary(
        misfits,
        limit_um=None,
        source="",
        coverage=study.settings.limits.coverage,
        confidence=study.settings.limits.confidence,
    )
    return {"seating_scans": misfits, "seating_summary": summary}


WITHOUT_REFERENCE = Step(
    "without reference",
    _analyze,
    ("poses",),
    ("*",),
    ("limits", "seating", "model", "drift"),
)
"""All that needs no truth, in one step."""
