"""The page to explore: scan results, and surfaces with fewer triangles."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import pandas as pd

from accstudy.compare.arch import arch_of
from accstudy.compare.surface import reference_from_scans
from accstudy.drift.measurands import main_measurand
from accstudy.drift.status import gaps_after
from accstudy.errors import MeshError
from accstudy.figures.style import rows_of
from accstudy.mesh.model import Mesh
from accstudy.mesh.read import study_mesh
from accstudy.mesh.scene import thin
from accstudy.page.build import PageContent, build_page
from accstudy.reports.common import between, cautions, confidence_of, limit_of
from accstudy.reports.device import (
    CHART_GROUPS,
    chart_unit,
    device_events,
    named_device,
    rows_of_device,
)
from accstudy.reports.document import Document, ReportContent
from accstudy.reports.verdicts import decision_table, levels_table
from accstudy.stages.references import at_reference_temperature, by_reference
from accstudy.study.files import digest
from accstudy.study.load import Study
from accstudy.study.record import json_bytes
from accstudy.words.catalogue import words
from accstudy.words.numbers import joined, missing, sure

_TRIANGLES = 240_000
"""Triangles of all scans together; they share them."""

_GAPS = {
    "best-seat": "vertical misfit at the best seat",
    "terminal-screw": "vertical misfit, one-screw test",
}


def make_page(study: Study, content: ReportContent, report: Mapping[str, Any]) -> bytes:
    """Make the page of a study, one HTML file, from what its report is made of.

    It shows the sentences of the blocks `report` and the tables of page 1.
    """
    alignment = study.settings.analysis.alignment
    pairs, singles = content.table("pair_deviations"), content.table("implant_deviations")
    accuracy = content.table("accuracy")
    poses = at_reference_temperature(study, content.table("poses"))
    implants: dict[str, pd.DataFrame] = {}
    meshes: dict[str, Mesh] = {}
    for mine, reference in by_reference(study, poses):
        order = arch_of(reference).implants
        implants[str(reference["model"].iloc[0])] = (
            reference.set_index("implant").loc[list(order)].reset_index()
        )
        meshes |= _meshes(study, mine, reference)
    limits = {name: limit_of(content, name) for name in ("distance_um", "angle_deg")}
    spread, index, factors = between(content)
    return build_page(
        PageContent(
            title=study.settings.study.title,
            kind=report["kind_name"],
            subtitle=report["subtitle"],
            answer=report["answer"],
            tables=_tables(content, report["first"]),
            identity=_identity(content, report["identity"]),
            cautions=cautions(referenced=study.referenced),
            alignment=alignment,
            scans=study.scans.assign(without=_without(study.scans, set(pairs["scan"]))),
            pairs=pairs,
            singles=singles[singles["alignment"] == alignment],
            accuracy=accuracy[accuracy["measurand"].isin(list(limits))],
            implants=implants,
            meshes=meshes,
            limits={k: v for k, v in limits.items() if v is not None} if study.referenced else {},
            facts=_facts(content),
            drift=drift_charts(content),
            against="the reference" if study.referenced else "the mean of the scans",
            word="deviation" if study.referenced else "difference",
            confidence=sure(confidence_of(content)),
            between=(spread, index, joined(factors)),
        )
    )


def _tables(content: ReportContent, first: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Every limit with its verdict, then what else page 1 of the report tells in tables."""
    document = Document()
    decision_table(document, content, in_full=True)
    rest = [block for block in first if block["type"] == "table"]
    if document.blocks:
        levels_table(document, content)
        rest = [b for b in rest if all(c["title"] != "verdict" for c in b["columns"])]
    return [*document.blocks, *rest]


def _identity(content: ReportContent, told: Mapping[str, Any]) -> list[tuple[str, Any]]:
    """Who, with what and when, as page 1 says it; version and record."""
    record = content.record
    return [
        *told["pairs"],
        *told["signatures"],
        ("Version", f"accstudy {record.get('accstudy', '')}"),
        ("Record, SHA-256", digest(json_bytes(dict(record)))),
    ]


def _without(scans: pd.DataFrame, known: set[str]) -> list[str]:
    """Why a scan has no result; empty where it has one."""
    out = []
    for row in rows_of(scans):
        if row.scan in known:
            out.append("")
        elif row.excluded:
            out.append(f"excluded: {row.excluded}")
        elif row.status == "failed":
            out.append(f"failed: {row.reason or 'no reason given'}")
        else:
            out.append("no implants located; see findings.csv")
    return out


def _facts(content: ReportContent) -> dict[str, list[tuple[str, float, str]]]:
    """Of every scan: its worst distance, and its misfit."""
    out: dict[str, list[tuple[str, float, str]]] = {}
    worst, seats = content.table("scan_deviations"), content.table("seating_scans")
    for row in rows_of(worst) if "worst_distance_um" in worst else []:
        if not missing(row.worst_distance_um):
            pair = f"{row.worst_implant_a}–{row.worst_implant_b}"
            out.setdefault(row.scan, []).append(
                (f"largest deviation of a distance, {pair}", row.worst_distance_um, "µm")
            )
    for row in rows_of(seats) if "misfit_um" in seats else []:
        if row.seated in _GAPS and not missing(row.misfit_um):
            out.setdefault(row.scan, []).append((_GAPS[row.seated], row.misfit_um, "µm"))
    return out


def drift_charts(content: ReportContent) -> dict[str, Any]:
    """Charts of every device: which to begin with, its points, limits, signals and events.

    As `accstudy.page.build.PageContent` takes them, from tables ``drift_points``, ``drift_status``,
    ``drift_limits`` and ``drift_signals``; empty without charts.
    """
    points, status = content.table("drift_points"), content.table("drift_status")
    if not len(points):
        return {}
    unit = {key: chart_unit(rows) for key, rows in points.groupby(["chart", "unit"], sort=False)}
    points = points.assign(
        shown_unit=[unit[key] for key in zip(points["chart"], points["unit"], strict=True)]
    )
    held = content.table("drift_limits")
    held = held[held["scope"] == "all pairs"] if len(held) else held
    devices = []
    for row in rows_of(status):
        device, model = str(row.device), str(row.model)
        devices.append(
            {
                "name": named_device(content, device, model),
                "device": device,
                "model": model,
                "measurand": str(row.measurand or "") or main_measurand(points),
                "chart": "" if missing(row.chart) else str(row.chart),
                "points": rows_of_device(points, device, model),
                "gaps": gaps_after,
                "held": rows_of_device(held, device, model),
                "signals": rows_of_device(content.table("drift_signals"), device, model),
                "events": device_events(content, device),
            }
        )
    names = words("drift.chart_groups")
    return {"devices": devices, "groups": [(names[k], charts) for k, charts in CHART_GROUPS]}


def _meshes(study: Study, poses: pd.DataFrame, reference: pd.DataFrame) -> dict[str, Mesh]:
    analysis = study.settings.analysis
    motions = reference_from_scans(
        poses, reference, alignment=analysis.alignment, datum=analysis.datum
    )
    files = study.usable.set_index("scan")["file"]
    shown = [scan for scan in motions if files.get(scan, "")]
    out = {}
    for scan in shown:
        try:
            mesh = study_mesh(
                study.files, str(files[scan]), length_unit=study.settings.scans.length_unit
            )
        except MeshError:
            continue  # the report names it; the page shows its numbers alone
        small = thin(mesh, min(30_000, _TRIANGLES // len(shown)))
        out[scan] = replace(small, vertices_mm=motions[scan].points(small.vertices_mm))
    return out
