"""Every result table of a study without a reference."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pandas as pd

from accstudy.accuracy.implants import cell_table
from accstudy.accuracy.outliers import outlier_counts, outlier_table
from accstudy.accuracy.spans import precision_curve, precision_vs_span
from accstudy.accuracy.summary import (
    accuracy_table,
    condition_summary,
    failure_table,
    precision_table,
)
from accstudy.compare.align import mean_arrangement, scatter_alone
from accstudy.compare.deviations import models_scanned, scan_deviations
from accstudy.errors import Finding
from accstudy.seating.contributions import locating_misfits
from accstudy.seating.summary import scan_misfits, seat_summary
from accstudy.seating.table import seating_table
from accstudy.stages.analyze import (
    components,
    drift_tables,
    ranges_of,
    run_of,
    usable_rows,
)
from accstudy.stages.model_checks import mixed_models
from accstudy.stages.references import (
    arch_findings,
    at_reference_temperature,
    by_reference,
    deviations,
)
from accstudy.stages.steps import Analyzed, Step, Tables
from accstudy.study.checks import grouped_by
from accstudy.study.implants import with_angulation
from accstudy.study.load import Study
from accstudy.tables import UNREFERENCED, empty, shape

if TYPE_CHECKING:
    pass


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
    settings = study.settings.seating
    factors = study.scans[["scan", "condition", "cell", *study.factors]]
    radius = settings.platform_radius_mm
    tables, locating = [], []
    for mine, arrangement in by_reference(study, poses):
        scattered = scatter_alone(mine, arrangement, factors)
        if scattered.empty:
            continue
        tables.append(
            seating_table(
                scattered,
                arrangement,
                platform_radius_mm=radius,
                screw_pitch_mm=settings.screw_pitch_mm,
                engaging=settings.engaging,
                lateral_clearance_um=settings.lateral_clearance_um,
                draws=0,
                factors=factors,
            )
        )
        locating.append(locating_misfits(scattered, arrangement, platform_radius_mm=radius))
    if not tables:
        return {}
    seating = pd.concat(tables, ignore_index=True)
    misfits = scan_misfits(seating, study.implants, locating=pd.concat(locating, ignore_index=True))
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
