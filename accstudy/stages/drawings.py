"""CAD geometry of scan bodies: shown to the user, or derived from a scan."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from accstudy.errors import InputError, Severity, StudyError, nearest
from accstudy.locate.anatomy import Anatomy, Level, anatomy
from accstudy.locate.learn import LearnedBody, learn_body
from accstudy.mesh.model import Mesh
from accstudy.mesh.read import read_mesh, study_mesh
from accstudy.simulate.files import stl_bytes
from accstudy.stages.body import beside_settings, body_words, picture, shown_name, toml_value
from accstudy.study.disk import write_files
from accstudy.study.files import Files
from accstudy.study.reader import Reader
from accstudy.study.settings import Learned, ScanBodySettings, Settings
from accstudy.study.toml import read_settings

__all__ = [
    "Lesson",
    "learn_drawing",
    "learned_anatomy",
    "learned_words",
    "show_drawing",
    "show_study",
]

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
            *(f"{key} = {toml_value(value)}" for key, value in self.values.items()),
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
    name = shown_name(path)
    written = write_files(folder, {name: picture(mesh, found)})
    return ["", *(f"written: {file}" for file in written)]
