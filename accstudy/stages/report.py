"""Finished tables to the PDF, its figures and the page to explore; what stands in a drift study."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import pandas as pd

from accstudy.compare.arch import arch_of
from accstudy.compare.surface import reference_from_scans
from accstudy.drift.measurands import main_measurand
from accstudy.drift.remarks import gaps_after
from accstudy.errors import MeshError
from accstudy.figures.style import rows_of
from accstudy.mesh.model import Mesh
from accstudy.mesh.read import study_mesh
from accstudy.mesh.scene import thin
from accstudy.page.build import PageContent, build_page
from accstudy.reports.common import cautions, confidence_of, limit_of
from accstudy.reports.device import (
    CHART_GROUPS,
    chart_unit,
    device_events,
    named_device,
    rows_of_device,
)
from accstudy.reports.document import Document, ReportContent
from accstudy.reports.verdicts import decision_table, levels_table
from accstudy.stages.compare import at_reference_temperature, by_reference
from accstudy.stages.steps import LOCATED
from accstudy.study.checks import grouped_by
from accstudy.study.disk import digest
from accstudy.study.load import Study
from accstudy.study.record import Record, drawn_orders, json_bytes
from accstudy.tables import UNREFERENCED, shape
from accstudy.words.catalogue import words
from accstudy.words.numbers import missing, sure

__all__ = [
    "STATUS",
    "ReportOptions",
    "drift_charts",
    "drift_status",
    "make_report",
    "standing_lines",
    "status_file",
]

_TRIANGLES = 240_000
"""Triangles of all scans together; they share them."""

_GAPS = {
    "best-seat": "vertical misfit at the best seat",
    "terminal-screw": "vertical misfit, one-screw test",
}


def _make_page(study: Study, content: ReportContent, report: Mapping[str, Any]) -> bytes:
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


@dataclass(frozen=True, slots=True)
class ReportOptions:
    """What the report depends on beside results and record.

    ``figures`` are the forms in which figures come as files, too, parted by commas; ``page``
    whether a page to explore comes with it, ``who`` who runs it, ``issued`` the date of issue
    (YYYY-MM-DD) where it is not that of study.toml. ``dpi`` is of figures as PNG and TIFF; None, as
    in records of before it could be chosen, is 300.
    """

    figures: str = ""
    page: bool = False
    who: str = ""
    issued: str = ""
    dpi: int | None = 300

    @property
    def forms(self) -> tuple[str, ...]:
        """The forms one by one."""
        return tuple(part for part in self.figures.split(",") if part)

    def chosen(self) -> dict[str, Any]:
        """What the record says of them."""
        return {name: value for name, value in asdict(self).items() if value is not None}


def make_report(
    study: Study,
    tables: dict[str, pd.DataFrame],
    record: Record,
    options: ReportOptions,
    *,
    kept: Path | None = None,
    files: Mapping[str, bytes] | None = None,
) -> dict[str, bytes]:
    """Make the report of a study: file name, relative to the reports folder, to content.

    `tables` as they stand in the files, `files` their bytes; the folder `kept` holds what need not
    be drawn again, and may be deleted at any time.
    """
    from accstudy.reports.document import ReportContent
    from accstudy.reports.render import render_report
    from accstudy.stages.pictures import report_pictures

    pictures = report_pictures(
        study,
        tables,
        parts=record.get("scans", {}),
        kept=kept / LOCATED if kept else None,
    )
    settings = study.settings
    kind = settings.study.kind
    content = ReportContent(
        title=settings.study.title,
        settings=_settings_as_used(study, tables),
        tables={
            **tables,
            "scans": shape("scans", study.scans, factors=study.factors),
            **({"implants": shape("implants", study.implants)} if study.referenced else {}),
            "events": shape("events", study.events),
        },
        record=dict(record),
        generated=_last_day(study),
        issued=options.issued,
        who=options.who,
        pictures=pictures.png,
        picture_notes=pictures.notes,
        files=files or {},
    )
    made = render_report(kind, content, forms=options.forms, dpi=options.dpi or 300)
    out = {f"{kind}.pdf": made.pdf}
    if options.page:
        out[f"{kind}.html"] = _make_page(study, content, made.data)
    for name, data in made.figures.items():
        if name.rpartition(".")[2] in options.forms:
            out[f"figures/{name}"] = data
    return out


def _settings_as_used(study: Study, tables: dict[str, pd.DataFrame]) -> dict[str, Any]:
    """Settings with the groups and all models used, also those that study.toml does not name."""
    settings = study.settings.as_used()
    condition, cell = grouped_by(study.settings, study.factors)
    settings["analysis"] |= {"condition": list(condition), "cell": list(cell)}
    settings["orders"] = list(drawn_orders(study.files).values())
    if "model_terms" in tables:
        from accstudy.stages.model_checks import model_specs

        specs = model_specs(study, _pairs(tables))
        settings["model"] = [asdict(spec) for spec in specs]
    return settings


def _pairs(tables: dict[str, pd.DataFrame]) -> pd.DataFrame:
    """Table ``pair_deviations``, or what stands in its place without a reference."""
    name = "pair_deviations"
    return tables[name if name in tables else UNREFERENCED[name]]


def _last_day(study: Study) -> str:
    """Day of the last scan, which dates the report; empty when none is dated."""
    if "measured_at" not in study.scans:
        return ""
    last = pd.to_datetime(study.scans["measured_at"]).max()
    return "" if pd.isna(last) else str(last.date().isoformat())


STATUS = "status.json"
"""Name of the file in the results folder."""

_NEXT = "next session"


def drift_status(tables: Mapping[str, pd.DataFrame]) -> pd.DataFrame | None:
    """Table ``drift_status``, or its replacement without a reference."""
    name = "drift_status"
    return tables.get(name, tables.get(UNREFERENCED[name]))


def _needs_action(tables: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """Devices to act upon now: a signal stands, or the limit is not verified."""
    status = drift_status(tables)
    if status is None or not len(status):
        return pd.DataFrame()
    return status[status["action"] != _NEXT]


def standing_lines(tables: Mapping[str, pd.DataFrame]) -> list[str]:
    """A line a device that needs action."""
    return [
        " ".join(
            part
            for part in (
                f"{row['device'] or 'device'} (model {row['model']}): {row['action']}.",
                row["what"],
                row.get("limit_what"),
                row.get("duty_what"),
            )
            if part
        )
        for row in _needs_action(tables).to_dict("records")
    ]


def status_file(status: pd.DataFrame) -> dict[str, Any]:
    """Content of status.json, from table ``drift_status``.

    ``stands`` (of any device), ``exit_code`` of a run that leaves no scan out, and ``devices``: the
    row of each, dates as ISO text, what is empty as null.
    """
    devices = [
        {str(name): _plain(value) for name, value in row.items()}
        for row in status.to_dict("records")
    ]
    acts = bool(len(_needs_action({"drift_status": status})))
    stands = bool(status["stands"].fillna(False).astype(bool).any()) if len(status) else False
    return {"stands": stands, "exit_code": 5 if acts else 0, "devices": devices}


def _plain(value: Any) -> Any:
    if isinstance(value, pd.Timestamp):
        return value.isoformat()
    if pd.isna(value):
        return None
    return value.item() if hasattr(value, "item") else value
