"""Finished tables to the PDF and its figures, views of the scans, and the page to explore."""

from __future__ import annotations

import base64
import contextlib
import io
import json
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from PIL import Image

from accstudy.compare.arch import arch_of
from accstudy.compare.surface import reference_from_scans
from accstudy.drift.measurands import main_measurand
from accstudy.drift.status import gaps_after
from accstudy.errors import MeshError, OutputError
from accstudy.figures.style import png_bytes, rows_of
from accstudy.figures.views import PRINTED_MM, view_chart
from accstudy.geometry.rigid import Rigid, frame_from_axis
from accstudy.mesh.model import Mesh
from accstudy.mesh.read import study_mesh
from accstudy.mesh.scene import Shaded, fit_view, seen_from_above, shade, thin
from accstudy.page.build import PageContent, build_page
from accstudy.reports.common import between, cautions, confidence_of, limit_of
from accstudy.reports.document import Document, ReportContent
from accstudy.reports.drift import (
    CHART_GROUPS,
    chart_unit,
    device_events,
    named_device,
    rows_of_device,
)
from accstudy.reports.render import render_report
from accstudy.reports.verdicts import decision_table, levels_table
from accstudy.stages.model_checks import model_specs
from accstudy.stages.references import at_reference_temperature, by_reference
from accstudy.stages.steps import LOCATED, SURFACES, VIEWS
from accstudy.stages.work import ReportOptions
from accstudy.study.checks import grouped_by
from accstudy.study.files import digest, read_own, write_files
from accstudy.study.implants import common_axis
from accstudy.study.load import Study
from accstudy.study.record import Record, drawn_orders, json_bytes, program_digest, versions
from accstudy.tables import UNREFERENCED, csv_bytes, shape
from accstudy.words.catalogue import say, words
from accstudy.words.numbers import joined, missing, sure


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
    pictures = report_pictures(study, tables, record, kept=kept)
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
        out[f"{kind}.html"] = make_page(study, content, made.data)
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


_WIDTH_PX = 1200
_DPI = 300
_LARGEST_PX = 10_000


@dataclass(frozen=True, slots=True)
class Pictures:
    """Pictures (``located``, ``surface-trueness``, ``surface-precision``) and captions."""

    png: dict[str, bytes]
    notes: dict[str, str]


def report_pictures(
    study: Study,
    tables: dict[str, pd.DataFrame],
    record: Record,
    *,
    kept: Path | None = None,
) -> Pictures:
    """Draw the pictures that a study's data allow; none for a study without meshes.

    The folder `kept` keeps them until something in them changes, by the digests in `record`, and
    may be deleted at any time.
    """
    out = Pictures({}, {})
    usable = study.usable.loc[study.usable["file"] != "", "scan"]
    seen = tables["poses"][tables["poses"]["x_mm"].notna()]
    seen = seen[seen["scan"].isin(usable)]
    if len(seen):
        scan = str(seen["scan"].iloc[0])
        mine = seen[seen["scan"] == scan].reset_index(drop=True)
        reads = {
            "scan": record.get("scans", {}).get(scan, {}),
            "poses": csv_bytes("poses", mine).decode(),
        }
        out.png.update(_kept(kept, LOCATED, reads, lambda: _located(study, mine)))
        fit = mine["fit_rms_um"].median()
        if "located" in out.png:
            out.notes["located"] = say(
                "seating.picture_located", scan=scan, n=len(mine), fit_um=fit
            )
    if "surface_vertices" in tables:
        summary = tables["surface"]
        row = rows_of(summary)[0]
        written, used = record.get("outputs", {}), study.settings.reference
        reads = {
            "tables": [written.get(f"{name}.csv", "") for name in ("surface_vertices", "surface")],
            "reference": [study.files.digest(used.surface), used.length_unit],
            "implants": csv_bytes("implants", study.implants).decode(),
        }
        vertices = tables["surface_vertices"]
        mine = vertices[vertices["condition"] == row.condition]
        out.png.update(_kept(kept, SURFACES, reads, lambda: _surfaces(study, mine)))
        several = f" ({row.condition})" if len(summary) > 1 else ""
        out.notes["surface-trueness"] = say("seating.picture_trueness", row, several=several)
        out.notes["surface-precision"] = say("seating.picture_precision", row, several=several)
    return out


def _kept(
    folder: Path | None, name: str, reads: dict[str, Any], draw: Callable[[], dict[str, bytes]]
) -> dict[str, bytes]:
    """Pictures as they were kept in a file of a folder, or drawn and kept."""
    if folder is None:
        return draw()
    key = digest(json_bytes({"program": program_digest(), "versions": versions(), **reads}))
    old = kept_pictures(folder / name)
    if old.get("key") == key:
        return {name: base64.b64decode(data) for name, data in old.items() if name != "key"}
    drawn = draw()
    if sorted(drawn) != [*VIEWS[name]]:  # a mesh that cannot be read is tried again
        return drawn
    data = {name: base64.b64encode(png).decode() for name, png in drawn.items()}
    with contextlib.suppress(OutputError):  # a full or read-only disk only costs time
        write_files(folder, {name: json_bytes({"key": key, **data})})
    return drawn


def kept_pictures(file: Path) -> dict[str, str]:
    """Read kept pictures: their ``key``, and each as base64; empty where they are not whole."""
    try:
        found = json.loads(read_own(file))
        if sorted(found) != sorted(("key", *VIEWS[file.name])) or not all(
            isinstance(v, str) for v in found.values()
        ):
            return {}
        for name in VIEWS[file.name]:
            data = base64.b64decode(found[name], validate=True)
            with Image.open(io.BytesIO(data)) as picture:
                if picture.format != "PNG" or max(picture.size) > _LARGEST_PX:
                    return {}
                picture.verify()
    except (OSError, ValueError, RecursionError, TypeError, SyntaxError, AttributeError):
        return {}
    return dict(found)


def _located(study: Study, mine: pd.DataFrame) -> dict[str, bytes]:
    """View of a scan, bodies named where they were found; none where a mesh cannot be read."""
    scan = str(mine["scan"].iloc[0])
    file = str(study.usable.set_index("scan").loc[scan, "file"])
    reference = next(r for p, r in by_reference(study, mine) if scan in set(p["scan"]))
    try:
        mesh = study_mesh(study.files, file, length_unit=study.settings.scans.length_unit)
        bodies = _placed_bodies(study, mine, reference)
    except MeshError:
        return {}
    motions = reference_from_scans(mine, reference)
    if scan not in motions:
        return {}
    upright = _upright(reference)
    move = upright.after(motions[scan])
    pixels, drawn = _shaded([_moved(mesh, move)], [_moved(body, move) for body in bodies])
    # a scan lies some 0.02 mm outside the drawing, so a body within 0.3 mm behind it is shown
    tint = drawn.hit & ~(drawn.depth_mm > np.nan_to_num(pixels.depth_mm, nan=np.inf) + 0.3)
    heads = move.points(
        mine[["x_mm", "y_mm", "z_mm"]].to_numpy(float)
        + 11.0 * mine[["axis_x", "axis_y", "axis_z"]].to_numpy(float)
    )
    spots = pixels.view.project(heads)
    marks = [(float(c), float(r), str(n)) for (c, r), n in zip(spots, mine["implant"], strict=True)]
    figure = view_chart(
        np.where(tint, drawn.shade, pixels.shade),  # where it has holes, it shows its inside
        pixels.view.extent_mm,
        marks=marks,
        highlight=tint,
        width_mm=PRINTED_MM["located"],
    )
    return {"located": png_bytes(figure, dpi=_DPI)}


def _placed_bodies(study: Study, poses: pd.DataFrame, reference: pd.DataFrame) -> list[Mesh]:
    from accstudy.locate.scan_body import scan_body_from_settings  # only if no view is kept

    kinds = dict(zip(reference["implant"], reference["scan_body"], strict=True))
    settings = study.settings.scan_body
    drawings = {
        name: scan_body_from_settings(name, body, study.files) for name, body in settings.items()
    }
    only = next(iter(drawings))
    placed = []
    for row in poses.to_dict("records"):
        flat = [row["flat_x"], row["flat_y"], row["flat_z"]]
        frame = frame_from_axis(
            [row["axis_x"], row["axis_y"], row["axis_z"]], flat if np.isfinite(flat).all() else None
        )
        name = kinds.get(row["implant"]) or ("default" if "default" in drawings else only)
        at = Rigid(frame, np.array([row["x_mm"], row["y_mm"], row["z_mm"]]))
        placed.append(_moved(drawings[name].mesh, at))
    return placed


def _surfaces(study: Study, mine: pd.DataFrame) -> dict[str, bytes]:
    """Views of the reference surface, coloured by mean and standard deviation."""
    file = study.settings.reference.surface
    mesh = study_mesh(study.files, file, length_unit=study.settings.reference.length_unit)
    pixels, _ = _shaded([_moved(mesh, _upright(study.implants))], [])
    out = {}
    for name, column, label, signed in (
        ("surface-trueness", "mean_um", say("figures.mean_deviation_of_the_surface_um"), True),
        ("surface-precision", "sd_um", say("figures.standard_deviation_um"), False),
    ):
        values = pixels.vertex_values(mine[column].to_numpy(float))
        largest = float(np.ceil(np.nanquantile(np.abs(mine[column].to_numpy(float)), 0.98) / 5) * 5)
        figure = view_chart(
            pixels.shade,
            pixels.view.extent_mm,
            values=values,
            label=label,
            largest=largest,
            signed=signed,
            width_mm=PRINTED_MM[name],
        )
        out[name] = png_bytes(figure, dpi=_DPI)
    return out


def _upright(reference: pd.DataFrame) -> Rigid:
    """Turn the reference frame: common axis up, the arch open towards the viewer."""
    axes = reference[["axis_x", "axis_y", "axis_z"]].to_numpy(float)
    points = reference[["x_mm", "y_mm", "z_mm"]].to_numpy(float)
    up = common_axis(axes)
    ends = (points[0] + points[-1]) / 2
    front = points.mean(axis=0) - ends
    front = front - (front @ up) * up
    if np.linalg.norm(front) < 1e-6:
        front = np.cross(up, points[-1] - points[0])
    y = front / np.linalg.norm(front)
    return Rigid(np.stack([np.cross(y, up), y, up]), np.zeros(3))


def _moved(mesh: Mesh, motion: Rigid) -> Mesh:
    return replace(mesh, vertices_mm=motion.points(mesh.vertices_mm))


def _shaded(scan: list[Mesh], bodies: list[Mesh]) -> tuple[Shaded, Shaded]:
    """Shade a scan and, in the same view, the bodies alone (the scan again without any)."""
    direction, up = seen_from_above(40.0)
    points: NDArray[np.float64] = np.concatenate([m.vertices_mm for m in (*scan, *bodies)])
    view = fit_view(points, direction=direction, up=up, width_px=_WIDTH_PX)
    first = shade(scan, view)
    return first, shade(bodies, view) if bodies else first
