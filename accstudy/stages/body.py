"""CAD geometry inspected: its properties in words and as an image."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import numpy as np

from accstudy.figures.body import BodyView, body_chart
from accstudy.geometry.rigid import angle_between_deg
from accstudy.locate.anatomy import Anatomy, Level
from accstudy.mesh.model import Mesh
from accstudy.mesh.shade import View, fit_view, shade
from accstudy.study.settings import ScanBodySettings

__all__ = [
    "beside_settings",
    "body_values",
    "body_words",
    "lettered",
    "level_words",
    "likely",
    "picture",
    "shown_name",
    "toml_value",
]

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
            f"# origin {letter}: origin_mm = {toml_value(_rounded(level.point_mm, 4))}, "
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
        *(f"{key} = {toml_value(value)}" for key, value in values.items()),
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


def toml_value(value: Any) -> str:
    """A value as written in study.toml, numbers with six digits."""
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{k} = {toml_value(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list):
        return f"[{', '.join(map(toml_value, value))}]"
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


def shown_name(path: Path) -> str:
    """Name of the image of CAD geometry."""
    name = path.name.removesuffix(".gz")
    return f"{Path(name).stem}_axes.png"
