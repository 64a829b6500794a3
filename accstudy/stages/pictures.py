"""Ray-cast views for the report: a scan with its located bodies, and the surfaces."""

from __future__ import annotations

import base64
import contextlib
import io
import json
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from PIL import Image

from accstudy.compare.surface import reference_from_scans
from accstudy.errors import MeshError, OutputError
from accstudy.figures.style import png_bytes, rows_of
from accstudy.figures.views import PRINTED_MM, view_chart
from accstudy.geometry.rigid import Rigid, frame_from_axis
from accstudy.locate.scan_body import scan_body_from_settings
from accstudy.mesh.model import Mesh
from accstudy.mesh.read import study_mesh
from accstudy.mesh.scene import Shaded, fit_view, seen_from_above, shade
from accstudy.stages.references import by_reference
from accstudy.stages.steps import LOCATED, SURFACES, VIEWS
from accstudy.study.files import digest, read_own, write_files
from accstudy.study.implants import common_axis
from accstudy.study.load import Study
from accstudy.study.record import Record, json_bytes, program_digest, versions
from accstudy.tables import csv_bytes
from accstudy.words.catalogue import say

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
