"""Published elements, registrations, angles and distances, computed by this program."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from accstudy.errors import ComputationError, InputError
from accstudy.geometry.elements import (
    fit_circle,
    fit_cone,
    fit_cylinder,
    fit_line,
    fit_plane,
    fit_sphere,
)
from accstudy.geometry.rigid import angle_between_deg, fit_rigid
from accstudy.mesh.model import Mesh
from accstudy.mesh.scene import Scene
from accstudy.selftest.published import Case, case, cases, table
from accstudy.selftest.rows import Row, compare

__all__ = ["FITS", "element_answer", "element_points", "geometry_rows"]

FITS: dict[str, Callable[..., Any]] = {
    "circle2d": fit_circle,
    "circle3d": fit_circle,
    "cone": fit_cone,
    "cylinder": fit_cylinder,
    "line": fit_line,
    "plane": fit_plane,
    "sphere": fit_sphere,
}
"""Name of an element to what fits it."""

_NEAR = 1e-6
"""Absolute tolerance of recomputed elements, mm."""

_SINGLE = 2.4e-7
"""Two steps of single precision, in which distances to surfaces are computed, relative."""


def element_points(example: Case) -> NDArray[np.float64]:
    """Points of an element without those that its answer leaves out."""
    frame = example.frame
    if "use" in frame:
        frame = frame[frame["use"] == 1]
    return frame[[c for c in "xyz" if c in frame]].to_numpy(float)


def geometry_rows() -> list[Row]:
    """Every element, registration, angle and distance with a known answer."""
    rows: list[Row] = []
    for example in cases("geometry", "element"):
        found = FITS[example.params["element"]](element_points(example))
        for part in (replace(example, computed={}), replace(example, published={})):
            told = {**part.published, **part.computed}
            answer = {key: element_answer(found, key, value) for key, value in told.items()}
            rows += compare("geometry", part, answer, near=_NEAR)
    for example in cases("geometry", "registration"):
        if example.params["kind"] == "rigid":
            rows += _registration(example)
    return [*rows, *_arch_axes(), *_angles(), *_distances()]


def element_answer(found: Any, key: str, told: ArrayLike) -> Any:
    """One answer of an element, told like the published one.

    The sign of a direction means nothing (but that of a cone), nor which point
    of a line or plane stands for it: the nearest to the published one is given.
    """
    wanted = np.asarray(told, float)
    direction: Any = getattr(found, "direction", getattr(found, "normal", None))
    if key in ("direction", "normal"):
        sign = 1.0 if hasattr(found, "apex_mm") else np.sign(direction @ wanted)
        return sign * direction
    if key == "point":
        off = wanted - found.point_mm
        along = (off @ direction) * direction
        return wanted - along if hasattr(found, "normal") else found.point_mm + along
    if key == "axis_passes_near_xy":
        rise = -found.point_mm[2] / direction[2]
        return (found.point_mm + rise * direction)[:2]
    return {
        "centre": lambda: found.centre_mm,
        "radius": lambda: found.radius_mm,
        "apex": lambda: found.apex_mm,
        "half_angle_deg": lambda: found.half_angle_deg,
        "sum_of_squares": lambda: found.rms_mm**2 * found.n,
        "rms_of_residuals": lambda: found.rms_mm,
    }[key]()


def _pairs(example: Case) -> tuple[NDArray[np.float64], NDArray[np.float64], Any]:
    frame = example.frame
    return (
        frame[["src_x", "src_y", "src_z"]].to_numpy(float),
        frame[["dst_x", "dst_y", "dst_z"]].to_numpy(float),
        frame["weight"].to_numpy(float) if "weight" in frame else None,
    )


def _registration(example: Case) -> list[Row]:
    source, target, weights = _pairs(example)
    if example.id == "collinear":
        try:
            fit_rigid(source, target)
            here = "fitted"
        except ComputationError:
            here = "refused"
        return [
            Row("geometry", example.id, "points on a line", "closed form", example.source,
                "refused", here)
        ]  # fmt: skip
    found = fit_rigid(source, target, weights=weights)
    off = target - found.points(source)
    answer = {
        "rotation": found.rotation,
        "translation": found.translation_mm,
        "sum_of_squares": np.sum(off**2),
        "rms": np.sqrt(np.mean(np.sum(off**2, axis=1))),
    }
    if "residual_of_point_4" in example.published:
        answer["residual_of_point_4"] = off[3]
    rows = compare("geometry", example, answer, near=_NEAR)
    turned = float(np.linalg.det(found.rotation))
    return [
        *rows,
        Row("geometry", example.id, "determinant of the rotation", "closed form",
            "a rotation never mirrors", 1.0, turned, 1e-12),
    ]  # fmt: skip


def _arch_axes() -> list[Row]:
    source, target, _ = _pairs(case("geometry", "arch5"))
    example = case("geometry", "arch5_axes")
    axes = example.frame
    found = fit_rigid(source, target)
    turned = found.vectors(axes[["src_ax", "src_ay", "src_az"]].to_numpy())
    angles = angle_between_deg(turned, axes[["dst_ax", "dst_ay", "dst_az"]].to_numpy())
    off = np.linalg.norm(target - found.points(source), axis=1)
    rows = []
    for k, (told, here) in enumerate(zip(axes["angle_deg"], angles, strict=True), start=1):
        rows.append(
            Row("geometry", example.id, f"angle at position {k}, deg", "closed form",
                example.source, float(told), float(here), 1e-9)
        )  # fmt: skip
    for k, (told, here) in enumerate(zip(axes["dev_3d"], off, strict=True), start=1):
        rows.append(
            Row("geometry", example.id, f"deviation of position {k}", "closed form",
                example.source, float(told), float(here), 1e-10)
        )  # fmt: skip
    return rows


def _angles() -> list[Row]:
    frame = table("geometry", "axis_angles")
    a, b = frame[["ax", "ay", "az"]].to_numpy(float), frame[["bx", "by", "bz"]].to_numpy(float)
    found = angle_between_deg(a, b)
    source = "angle of the stored vectors with 50 digits"
    # doubles keep 1e-16 rad of a cross product, 6e-15 deg, and 1e-12 of the angle
    return [
        Row("geometry", "axis_angles", f"angle {k}, deg", "closed form", source, float(told),
            float(here), max(3e-14, 1e-12 * abs(told)))
        for k, (told, here) in enumerate(zip(frame["directed_deg"], found, strict=True), start=1)
    ]  # fmt: skip


def _distances() -> list[Row]:
    return [*_box(), *_triangles()]


def _box() -> list[Row]:
    rows = table("geometry", "distance_box")
    points = rows[["x", "y", "z"]].to_numpy(float)
    half = np.array([10.0, 5.0, 3.0])
    corners = np.array([[x, y, z] for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)]) * half
    faces = [
        (0, 1, 3), (0, 3, 2), (4, 6, 7), (4, 7, 5), (0, 4, 5), (0, 5, 1),
        (2, 3, 7), (2, 7, 6), (0, 2, 6), (0, 6, 4), (1, 5, 7), (1, 7, 3),
    ]  # fmt: skip
    distance, _, _ = Scene(Mesh(corners, np.array(faces, np.int32))).closest(points)
    reach = _SINGLE * float(np.abs(points).max())
    return [
        Row("geometry", "distance_box", f"distance of point {k}", "closed form",
            case("geometry", "distance_box").source, abs(float(told)), abs(float(here)), reach)
        for k, (told, here) in enumerate(zip(rows["signed_distance"], distance, strict=True), 1)
    ]  # fmt: skip


def _triangles() -> list[Row]:
    found = []
    frame: pd.DataFrame = table("geometry", "distance_triangle")
    for number, row in enumerate(frame.to_dict("records"), start=1):
        corners = np.array([[row[f"{p}{c}"] for c in "xyz"] for p in "abc"], float)
        try:
            scene = Scene(Mesh(corners, np.array([[0, 1, 2]], np.int32)))
        except InputError:
            continue  # a triangle without area or next to none has no normal: refused
        point = np.array([[row[c] for c in "xyz"]], float)
        distance = scene.closest(point)[0]
        reach = 2 * _SINGLE * float(max(np.abs(corners).max(), np.abs(point).max()))
        found.append(
            Row("geometry", "distance_triangle", f"distance of point {number}, {row['region']}",
                "closed form", "exact rational arithmetic", float(row["distance"]),
                abs(float(distance[0])), reach)
        )  # fmt: skip
    return found
