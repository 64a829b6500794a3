"""CAD geometry of scan bodies: inspected, shown to the user, or derived from a scan."""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from accstudy.errors import InputError, Severity, StudyError, nearest
from accstudy.figures.views import BodyView, body_chart
from accstudy.geometry.rigid import angle_between_deg
from accstudy.locate.learn import LearnedBody, learn_body
from accstudy.locate.scan_body import Anatomy, Level, anatomy
from accstudy.mesh.model import Mesh
from accstudy.mesh.read import read_mesh, study_mesh
from accstudy.mesh.scene import View, fit_view, shade
from accstudy.mesh.stl_obj import stl_bytes
from accstudy.study.files import Files, write_files
from accstudy.study.load import Reader
from accstudy.study.settings import Learned, ScanBodySettings, Settings
from accstudy.study.toml import read_settings

_USUAL_MM = (2.0, 40.0)


def body_words(found: Anatomy, *, mesh: str, name: str = "default") -> list[str]:
    """Lines that describe CAD geometry, and what to write into study.toml."""
    sides = zip("xyz", found.low_mm, found.high_mm, strict=True)
    lines = ["extent  " + ", ".join(f"{c} {a:.3f} to {b:.3f}" for c, a, b in sides) + " mm"]
    if not _USUAL_MM[0] < found.length_mm < _USUAL_MM[1]:
        lines.append("        unusual size for a scan body: check the unit (length_unit)")
    lines.append(
        f"axis    {_vector(found.axis)} through {_vector(found.point_mm, 3)}; "
        f"{100 * found.turned:.0f} % of the surface is rotationally symmetric about it"
    )
    lines.append(f"        {found.sense}; if not, reverse it")
    for k, flat in enumerate(found.flats, start=1):
        lines.append(
            f"flat {k}  towards {_vector(flat.direction)}, {flat.distance_mm:.3f} mm from the "
            f"axis, {flat.from_mm:.3f} to {flat.to_mm:.3f} mm above the lowest point"
        )
    if not found.flats:
        lines.append("flat    none: the rotation remains unknown")
    elif len(found.flats) > 1:
        lines.append(
            "        several flats: choose the one that defines the flat direction of the implant; "
            "the axis is taken midway between opposite flats"
        )
    lines.append(f"length  {found.length_mm:.3f} mm from the lowest point to the top")
    lines.append("origin  the platform is one of these planes, or at a known distance from one:")
    for letter, level in lettered(found):
        lines.append(f"     {letter}  {level_words(level, found)}")
    best = likely(found)
    lines += [
        "",
        f"lines for study.toml with origin {best[0]}; check against the dimensions given by the "
        "manufacturer:",
    ]
    lines += _toml(found, best[1], mesh, name)
    others = [pair for pair in lettered(found) if pair[0] != best[0]]
    for letter, level in others:
        lines.append(
            f"# origin {letter}: origin_mm = {_toml_value(_rounded(level.point_mm, 4))}, "
            f"use_above_mm = {_use_above(level, found):g}"
        )
    return lines


def lettered(found: Anatomy) -> list[tuple[str, Level]]:
    """Planes that may be the platform, with the letters of the picture."""
    return list(zip("ABCDEFGHIJKLMNOPQRSTUVWXYZ", found.levels, strict=False))


def likely(found: Anatomy) -> tuple[str, Level]:
    """The largest plane that faces down; otherwise the lowest level."""
    pairs = lettered(found)
    down = [pair for pair in pairs if pair[1].faces == "down"]
    return max(down, key=lambda pair: pair[1].area_mm2) if down else pairs[0]


def level_words(level: Level, found: Anatomy) -> str:
    """Position and description of a plane that may be the platform."""
    above = found.length_mm - level.height_mm
    where = f"{level.height_mm:.3f} mm above the lowest point, {above:.3f} mm below the top"
    if level.faces == "end":
        return f"{where}: no plane"
    shape = "disc" if level.inner_mm == 0 else "ring"
    radii = (
        f"{level.outer_mm:.3f}"
        if shape == "disc"
        else f"{level.inner_mm:.3f} to {level.outer_mm:.3f}"
    )
    return f"{where}: {shape} facing {level.faces}, radius {radii} mm"


def _toml(found: Anatomy, level: Level, mesh: str, name: str) -> list[str]:
    values = body_values(found, level)
    return [
        f"[scan_body.{name}]",
        f'mesh = "{mesh}"',
        *(f"{key} = {_toml_value(value)}" for key, value in values.items()),
    ]


def body_values(
    found: Anatomy, level: Level, *, flat: int = 0, reverse: bool = False
) -> dict[str, list[float] | float]:
    """Settings of a scan body (keys of ``[scan_body.NAME]``) whose platform is a plane of its
    drawing.

    `flat` is which of the flats counts (none: no key); `reverse` whether the axis points the other
    way than was found.
    """
    axis = -found.axis if reverse else found.axis
    return {
        "origin_mm": _rounded(level.point_mm, 4),
        "axis": _rounded(axis, 6),
        **({"flat": _rounded(found.flats[flat].direction, 6)} if found.flats else {}),
        "use_above_mm": _use_above(level, found, reverse=reverse),
    }


def _use_above(level: Level, found: Anatomy, *, reverse: bool = False) -> float:
    """The upper two thirds of the body, or from 2.5 mm above the origin, whichever is more."""
    top = level.height_mm if reverse else found.length_mm - level.height_mm
    return round(min(2.5, top - 0.67 * found.length_mm), 1)


def _rounded(values: np.ndarray, decimals: int) -> list[float]:
    return [float(f"{v + 0.0:g}") for v in np.round(values, decimals)]


def _toml_value(value: Any) -> str:
    """A value as written in study.toml, numbers with six digits."""
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{k} = {_toml_value(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list):
        return f"[{', '.join(map(_toml_value, value))}]"
    return f'"{value}"' if isinstance(value, str) else f"{value:g}"


def _vector(values: np.ndarray, decimals: int = 4) -> str:
    return "(" + ", ".join(f"{v + 0.0:.{decimals}f}" for v in np.round(values, decimals)) + ")"


def beside_settings(found: Anatomy, settings: ScanBodySettings) -> list[str]:
    """Lines that compare study.toml with the CAD geometry.

    Parameters
    ----------
    found : Anatomy
        Of the drawing, in its own frame, mm.
    settings : ScanBodySettings
        ``[scan_body.NAME]``.
    """
    axis = np.array(settings.axis, float)
    axis /= np.linalg.norm(axis)
    origin = np.array(settings.origin_mm, float)
    tilt = float(angle_between_deg(axis, found.axis))
    reversed_ = tilt > 90
    off = origin - found.point_mm
    aside = float(np.linalg.norm(off - (off @ found.axis) * found.axis))
    height = float(off @ found.axis)
    lines = [
        f"study.toml  its axis is {180 - tilt if reversed_ else tilt:.2f}° off the axis found"
        + (", and points the other way" if reversed_ else ""),
        f"            its origin is {aside:.3f} mm beside it, {height:.3f} mm above the lowest "
        f"point and {found.length_mm - height:.3f} mm below the top",
    ]
    if settings.flat is not None and found.flats:
        angles = [float(angle_between_deg(settings.flat, f.direction)) for f in found.flats]
        lines.append(f"            its flat is {min(angles):.1f}° off the nearest flat found")
    return lines


def picture(mesh: Mesh, found: Anatomy, *, width_px: int = 900) -> bytes:
    """Draw the body from the side and from above, with axis, flat and origins, as PNG."""
    axis = found.axis
    across = found.flats[0].direction if found.flats else np.linalg.svd(axis[None])[2][1]
    reach = 0.35 * found.length_mm
    top = found.point_mm + found.length_mm * axis
    side = found.flats[0].distance_mm if found.flats else 0.3 * found.length_mm
    seen = np.concatenate(
        [mesh.vertices_mm, [top + reach * axis, found.point_mm - 0.1 * reach * axis]]
    )
    ends = [found.point_mm + s * (side + reach) * across for s in (-1, 1)]
    letters = [(letter, level.point_mm) for letter, level in lettered(found)]
    views = []
    for title, direction, up in (
        ("from the side", np.cross(axis, across), axis),
        ("from above", -axis, np.cross(axis, across)),
    ):
        points = np.concatenate([seen, ends])
        view = fit_view(points, direction=direction, up=up, width_px=width_px)
        middle = found.point_mm + 0.8 * found.length_mm * axis
        arrows = []
        if found.flats:
            half = found.point_mm + (found.flats[0].from_mm + found.flats[0].to_mm) / 2 * axis
            edge = half + found.flats[0].distance_mm * across
            arrows.append((edge, edge + reach * across, "flat"))
        if up is axis:
            arrows.append((top, top + reach * axis, "axis"))
        marks = letters if up is axis else [("axis", middle)]
        views.append(_view(title, mesh, view, arrows, marks))
    stream = io.BytesIO()
    body_chart(views).savefig(stream, format="png", dpi=200)
    return stream.getvalue()


def _view(
    title: str,
    mesh: Mesh,
    view: View,
    arrows: list[tuple[np.ndarray, np.ndarray, str]],
    marks: list[tuple[str, np.ndarray]],
) -> BodyView:
    def pixel(point: np.ndarray) -> tuple[float, float]:
        column, row = view.project(point)
        return float(column), float(row)

    return BodyView(
        title,
        shade(mesh, view).shade,
        view.size_px[0] / view.extent_mm[0],
        [(pixel(a), pixel(b), text) for a, b, text in arrows],
        [(pixel(point), text) for text, point in marks],
    )


def _shown_name(path: Path) -> str:
    """Name of the image of CAD geometry."""
    name = path.name.removesuffix(".gz")
    return f"{Path(name).stem}_axes.png"


_LARGE_UM = 50.0


@dataclass(frozen=True)
class Lesson:
    """What was learned, in words and as keys and values of ``[scan_body.NAME]``, and the files
    written.
    """

    name: str
    words: list[str]
    values: dict[str, Any]
    written: list[Path]

    def lines(self) -> list[str]:
        """What to print: what was found, and the lines for study.toml."""
        return [
            *self.words,
            "",
            f"lines for study.toml, instead of the present [scan_body.{self.name}]:",
            f"[scan_body.{self.name}]",
            *(f"{key} = {_toml_value(value)}" for key, value in self.values.items()),
            "",
            *(f"written: {one}" for one in self.written),
        ]


def learn_drawing(path: Path, *, scan: str = "", model: str = "", name: str = "") -> Lesson:
    """Derive the scan body of a study from a scan of its model, and write it as a mesh.

    Parameters
    ----------
    path : Path
        Study folder. Nothing but the drawing and a picture of it is written.
    scan : str
        Mesh of the model with a body on every implant, in the frame of the reference, relative to
        the folder; ``reference.surface`` by default.
    model : str
        Which model it shows; may be left out where there is one.
    name : str
        Key of ``[scan_body.*]``; may be left out where there is one.

    Raises
    ------
    StudyError, MeshError, InputError
        If study.toml, the reference or the scan cannot be used, or shows no bodies.
    """
    files = Files(path)
    settings = read_settings(path / "study.toml", files=files)
    scan = scan or settings.reference.surface
    if not scan:
        raise InputError(
            "no scan is named from which to derive the scan body",
            where="study.toml::reference.surface",
            hint=(
                "give --scan, a mesh of the model with its scan bodies, in the frame of the "
                "reference"
            ),
        )
    name = name or next(iter(settings.scan_body), "default")
    before = settings.scan_body.get(name)
    rows = _rows(_implants(files, settings), settings, model, name)
    mesh = study_mesh(files, scan, length_unit=settings.reference.length_unit)
    use_above = before.use_above_mm if before else ScanBodySettings(mesh="x").use_above_mm
    body = learn_body(mesh, rows, name=name, use_above_mm=use_above)
    file = f"scan_bodies/learned_{name}.stl"
    label = f"accstudy: learned, no drawing; {len(body.implants)} copies, {files.digest(scan)[:24]}"
    data = {
        f"learned_{name}.stl": stl_bytes(body.body.mesh, title=label, decimals=5),
        f"learned_{name}_axes.png": picture(body.body.mesh, learned_anatomy(body.body.mesh)),
    }
    written = write_files(path / "scan_bodies", data)
    values = {
        "mesh": file,
        **({"flat": [1, 0, 0]} if body.body.has_flat else {}),
        "use_above_mm": float(f"{body.body.use_above_mm:g}"),
        "learned": {
            "scan": scan, "copies": len(body.implants), "u_height_um": _up(body.u_height_um),
            "u_aside_um": _up(body.u_aside_um), "u_axis_deg": _up(body.u_axis_deg),
        },
    }  # fmt: skip
    return Lesson(name, _found(body, scan), values, written)


def _implants(files: Files, settings: Settings) -> pd.DataFrame:
    if settings.reference.kind != "cmm":
        raise InputError(
            "deriving a scan body requires a measured reference",
            where="study.toml::reference.kind",
            hint="give a cylinder from your own measurement: cylinder = { radius_mm = ..., ... }",
        )
    reader = Reader(files, settings)
    implants = reader.implants()
    faults = [f for f in reader.findings if f.severity is Severity.ERROR]
    if implants is None or faults:
        raise StudyError(faults)
    return implants


def _rows(implants: pd.DataFrame, settings: Settings, model: str, name: str) -> pd.DataFrame:
    models = list(dict.fromkeys(implants["model"]))
    if model and model not in models:
        raise InputError(f'the reference has no model "{model}"', hint=nearest(model, models))
    if not model and len(models) > 1:
        what = f"the reference has {len(models)} models"
        raise InputError(what, hint=f"name the model shown in the scan: --model {models[0]}")
    mine = implants[implants["model"] == (model or models[0])]
    since = mine["valid_from"]
    mine = mine[since.isna() if since.isna().any() else since == since.min()]
    only = next(iter(settings.scan_body), "default") if len(settings.scan_body) < 2 else "default"
    rows = mine[mine["scan_body"].replace("", only).isin([name])].reset_index(drop=True)
    if rows.empty:
        kinds = list(dict.fromkeys(mine["scan_body"]))
        raise InputError(
            f'no implant of model "{mine["model"].iloc[0]}" carries scan body "{name}"',
            hint=nearest(name, kinds),
        )
    return rows


def _found(body: LearnedBody, scan: str) -> list[str]:
    n, size = len(body.implants), np.ptp(body.body.mesh.vertices_mm, axis=0)
    top = float(body.body.mesh.vertices_mm[:, 2].max())
    lines = [
        f"learned from {scan}: {n} {'copies' if n > 1 else 'copy'} ({', '.join(body.implants)}); "
        "a mean of scanned surfaces, not CAD geometry of the manufacturer",
        f"size      {size[0]:.2f} x {size[1]:.2f} mm across, {top:.3f} mm from platform to top",
        f"copies    {body.scatter_um:.1f} µm from their mean (root mean square)",
        f"platform  known to {body.u_height_um:.1f} µm along the axis, {body.u_aside_um:.1f} µm "
        f"across, {body.u_axis_deg:.3f}° (standard uncertainties)",
    ]
    if np.isfinite(body.agreement_um):
        lines.append(
            f"          scan and reference agree to {body.agreement_um:.1f} µm in each coordinate"
        )
    else:
        lines.append("          too few copies to assess the agreement of scan and reference")
    if body.u_height_um > _LARGE_UM:
        lines.append(
            "          the height is not known better because all axes are nearly parallel: its "
            "error is the same for all implants and cancels in distances between parallel implants"
        )
    lines.append(_rotation(body))
    return lines


def _rotation(body: LearnedBody) -> str:
    if not body.body.has_flat:
        return "rotation  the scan body is rotationally symmetric: its rotation remains unknown"
    if body.flat_known:
        return "rotation  by the flats of the reference"
    return (
        "rotation  the reference has no flats: flat is an arbitrary direction, the same in every "
        "scan, unrelated to the flat of the implant"
    )


def _up(value: float) -> float:
    """Two digits, rounded up: an uncertainty is not made smaller by writing it down."""
    if value <= 0:
        return 0.0
    step = 10.0 ** (np.floor(np.log10(value)) - 1)
    return float(f"{np.ceil(value / step - 1e-9) * step:.2g}")


def learned_words(found: Anatomy, learned: Learned) -> list[str]:
    """Lines on what study.toml states of a derived scan body."""
    return [
        f"learned   from {learned.scan}: {learned.copies} copies; no CAD geometry of the "
        "manufacturer",
        f"size      its top {found.high_mm[2]:.3f} mm above the platform",
        f"platform  known to {learned.u_height_um:g} µm along the axis, {learned.u_aside_um:g} µm "
        f"across, {learned.u_axis_deg:g}° (standard uncertainties, which enter every bias)",
    ]


def learned_anatomy(mesh: Mesh) -> Anatomy:
    """Known properties of a derived scan body: its frame is that of the implant."""
    low, high = mesh.vertices_mm.min(axis=0), mesh.vertices_mm.max(axis=0)
    axis, foot = np.array([0.0, 0.0, 1.0]), np.array([0.0, 0.0, min(0.0, float(low[2]))])
    length = float(high[2] - foot[2])
    levels = tuple(
        Level(np.array([0.0, 0.0, z]), z - foot[2], "end", 0.0, 0.0, 0.0)
        for z in (0.0, float(high[2]))
    )
    return Anatomy(low, high, axis, foot, 1.0, length, (), levels, "learned")


def show_drawing(path: Path, folder: Path, *, length_unit: str = "mm") -> list[str]:
    """Look at the drawing in a mesh file: what to print. `folder` gets the picture.

    `MeshError` or `InputError` if it cannot be read.
    """
    mesh = read_mesh(path, length_unit=length_unit, name=path.name)
    found = anatomy(mesh)
    lines = [str(path), *body_words(found, mesh=f"scan_bodies/{path.name}")]
    return [*lines, *_written(mesh, found, path, folder)]


def show_study(path: Path, folder: Path) -> list[str]:
    """Look at every drawing that a study names, and hold study.toml against it: what to print.

    `folder` gets the pictures. `StudyError`, `MeshError` or `InputError` if study.toml or a drawing
    cannot be read, or it names no drawing.
    """
    files = Files(path)
    settings = read_settings(path / "study.toml", files=files)
    lines: list[str] = []
    for name, body in settings.scan_body.items():
        if not body.mesh:
            continue
        mesh = study_mesh(files, body.mesh, length_unit=body.length_unit)
        lines.append(f"scan_body.{name}: {body.mesh}")
        if body.learned is None:
            found = anatomy(mesh)
            lines += beside_settings(found, body)
            lines += body_words(found, mesh=body.mesh, name=name)
        else:
            found = learned_anatomy(mesh)
            lines += learned_words(found, body.learned)
        lines += [*_written(mesh, found, Path(body.mesh), folder), ""]
    if not lines:
        raise InputError(
            "study.toml names no CAD geometry of a scan body",
            where="study.toml",
            hint="run `accstudy show MESH` with its CAD geometry, and add the lines that it prints",
        )
    return lines


def _written(mesh: Mesh, found: Anatomy, path: Path, folder: Path) -> list[str]:
    name = _shown_name(path)
    written = write_files(folder, {name: picture(mesh, found)})
    return ["", *(f"written: {file}" for file in written)]
