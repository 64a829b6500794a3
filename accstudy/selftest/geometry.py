"""Published elements, registrations and distances, and cases whose truth was put in."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import special

from accstudy.accuracy.along_arch import RELATIONS, fit_relation
from accstudy.accuracy.bounds import Grouping, normal_bounds
from accstudy.compare.deviations import pair_deviations
from accstudy.errors import ComputationError, InputError
from accstudy.geometry.elements import (
    fit_circle,
    fit_cone,
    fit_cylinder,
    fit_plane,
    fit_sphere,
)
from accstudy.geometry.rigid import Rigid, angle_between_deg, fit_rigid, rotation_vector
from accstudy.locate.locate import locate_scan
from accstudy.mesh.model import Mesh
from accstudy.mesh.scene import Scene
from accstudy.seating.table import seating_table
from accstudy.selftest.published import Case, Row, case, cases, compare, table
from accstudy.simulate.arch import reference_model
from accstudy.simulate.bodies import scan_body
from accstudy.simulate.scan import Noise, simulate_scan

FITS: dict[str, Callable[..., Any]] = {
    "circle2d": fit_circle,
    "circle3d": fit_circle,
    "cone": fit_cone,
    "cylinder": fit_cylinder,
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
    return [*rows, *_arch_axes(), *_angles(), *_box(), *_triangles()]


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


TOPIC = "known truth"

_POSITION, _AXIS = ["x_mm", "y_mm", "z_mm"], ["axis_x", "axis_y", "axis_z"]
_MOVE = Rigid(rotation_vector(np.array([0.4, -1.1, 2.0])), np.array([100.0, -40.0, 7.0]))
"""Where a scan lies against the reference: anywhere, so that nothing is aligned by accident."""


def known_rows() -> list[Row]:
    """Every case with a known truth."""
    return [*_seats(), *_deviations(), *_bounds(), *_relations(), *_scan()]


def _row(case: str, quantity: str, told: float, here: float, tolerance: float, why: str) -> Row:
    kind = "simulated" if case.startswith("simulated") else "closed form"
    return Row(TOPIC, case, quantity, kind, why, told, float(here), tolerance)


def _implants(centres: Sequence[Sequence[float]]) -> pd.DataFrame:
    frame = pd.DataFrame(np.asarray(centres, float), columns=_POSITION)
    frame[_AXIS] = [0.0, 0.0, 1.0]
    frame.insert(0, "implant", [f"I{i + 1}" for i in range(len(frame))])
    frame.insert(0, "model", "M")
    return frame


def _moved(implants: pd.DataFrame) -> pd.DataFrame:
    """Poses as a scan of its own shows them."""
    out = implants.copy()
    out[_POSITION] = _MOVE.points(out[_POSITION].to_numpy(float))
    out[_AXIS] = _MOVE.vectors(out[_AXIS].to_numpy(float))
    out.insert(0, "scan", "s1")
    out["status"] = "ok"
    return out


def _seats() -> list[Row]:
    """Predicted gaps of frameworks on two and three parallel implants, um."""
    true = [[0.0, 0.0, 0.0], [20.0, 0.0, 0.0]]
    far = seating_table(_moved(_implants([true[0], [20.1, 0.0, 0.0]])), _implants(true))
    one = far[(far["tightened"] == "I1") & (far["implant"] == "I2")].iloc[0]
    high = seating_table(
        _moved(_implants([true[0], [20.0, 0.0, 0.1]])),
        _implants(true),
        platform_radius_mm=2.0,
        screw_pitch_mm=0.3,
    )
    lifted = high[(high["tightened"] == "I1") & (high["implant"] == "I2")].iloc[0]
    line = [[0.0, 0.0, 0.0], [12.0, 0.0, 0.0], [24.0, 0.0, 0.0]]
    middle = seating_table(
        _moved(_implants([line[0], [12.0, 0.0, 0.08], line[2]])), _implants(line)
    )
    case = "seat of a framework"
    return [
        _row(case, "lateral offset for a distance too long by 100 µm", 100.0,
             one["lateral_um"], 1e-6, "the bar is longer by the same amount"),
        _row(case, "gap for a distance too long", 0.0, one["gap_max_um"], 1e-6,
             "a shift within the seating plane causes no gap"),
        _row(case, "one-screw gap for a height error of 100 µm", 100.0, lifted["gap_mean_um"],
             1e-6, "the second platform is off by the same amount"),
        _row(case, "the same gap in turns of a 0.3 mm screw", 1 / 3, lifted["turns"], 1e-9,
             "gap divided by pitch"),
        _row(case, "best seat for a height error of 100 µm over 20 mm", 20.0,
             high["best_seat_um"].iloc[0], 0.02, "2 R h / D with R = 2 mm: compensated by tilt"),
        _row(case, "best seat of three implants in line, the middle one high by 80 µm", 80.0,
             middle["best_seat_um"].iloc[0], 0.02, "no tilt compensates it"),
    ]  # fmt: skip


def _deviations() -> list[Row]:
    """Deviations of an arch that a scan shows larger by 1000 ppm."""
    arch = reference_model(5, angulation_deg=20.0, seed=3)
    shown = arch.copy()
    shown[_POSITION] = 1.001 * shown[_POSITION].to_numpy(float)
    poses = _moved(shown)
    pairs = pair_deviations(poses, arch)
    why = "a length of L mm grows by L µm"
    case = "an arch scanned larger by 1000 ppm"
    told = pairs["span_mm"].to_numpy(float)  # L mm grow by L um
    here = pairs["distance_um"].to_numpy(float)
    rows = [
        _row(case, f"distance of {name}, µm", float(t), float(h), 1e-6, why)
        for name, t, h in zip(pairs["implant_a"] + "-" + pairs["implant_b"], told, here,
                              strict=True)
    ]  # fmt: skip
    off = float(np.abs(pairs["angle_deg"]).max())
    return [
        *rows,
        _row(case, "largest change of an angle, deg", 0.0, off,
             1e-9, "a change of scale changes no angle"),
    ]  # fmt: skip


def _bounds() -> list[Row]:
    """Bound of future scans from one cell: the exact factor of a normal sample."""
    rows = []
    rng = np.random.default_rng(0)
    for n in (5, 10, 30):
        x = rng.normal(100.0, 2.0, n)
        found, _ = normal_bounds(x[:, None], Grouping(np.zeros(n, np.int64)), kind="upper")
        delta = float(special.ndtri(0.95)) * math.sqrt(n)
        k = float(special.nctdtrit(n - 1, delta, 0.95)) / math.sqrt(n)
        told = x.mean() + k * x.std(ddof=1)
        rows.append(
            _row("bound of future scans", f"95 % of scans with 95 % confidence, n = {n}", told,
                 float(found[0]), 0.02 * k * 2.0,
                 "mean and exact one-sided factor times standard deviation")
        )  # fmt: skip
    return rows


def _relations() -> list[Row]:
    """Precision against path, from exact points of a random walk."""
    path = np.array([8.0, 12.0, 18.0, 25.0, 33.0, 45.0, 60.0, 80.0])
    found = fit_relation(path, np.sqrt(1.5 * path + 0.004 * path**3), RELATIONS[3])
    why = "points of s = sqrt(a L + b L^3) itself"
    return [
        _row("precision against arch length", "a", 1.5, found.intercept, 1.5e-6, why),
        _row("precision against arch length", "b", 0.004, found.slope, 4e-9, why),
    ]


def _scan() -> list[Row]:
    """A scan of four implants with noise, offset, rounded edges and holes."""
    reference = reference_model(4, angulation_deg=15.0, seed=4)
    scan = simulate_scan(
        reference,
        n_triangles=30_000,
        noise=Noise(rms_um=7.0, correlation_mm=0.5, white_um=3.0),
        offset_um=24.0,
        edge_rounding_mm=0.08,
        holes=0.1,
        seed=11,
    )
    body = scan_body("cylinder-flat")
    poses = locate_scan(scan.mesh, reference=reference, bodies={"default": body}).poses
    both = poses.merge(scan.truth, on="implant", suffixes=("", "_true")).set_index("implant")
    case = "simulated scan of four implants"
    why = "30\u00a0000 triangles, noise 7 µm, offset 24 µm, a tenth of every scan body missing"
    if both["x_mm"].isna().any():
        return [_row(case, "implants found", len(both), int(both["x_mm"].notna().sum()), 0.0, why)]
    true = both[[f"{c}_true" for c in _POSITION]].to_numpy(float)
    off = 1000 * np.linalg.norm(both[_POSITION].to_numpy(float) - true, axis=1)
    tilt = angle_between_deg(both[_AXIS].to_numpy(float),
                             both[[f"{c}_true" for c in _AXIS]].to_numpy(float))  # fmt: skip
    share = np.sqrt(np.mean(off**2 / (both[["u_x_um", "u_y_um", "u_z_um"]] ** 2).sum(axis=1)))
    rows = [_row(case, "implants found", 4, len(both), 0.0, why)]
    for name, d, a in zip(both.index, off, tilt, strict=True):
        rows.append(_row(case, f"distance of {name} from the truth, µm", 0.0, d, 10.0, why))
        rows.append(_row(case, f"angle of {name} to the truth, deg", 0.0, float(a), 0.1, why))
    offset = float(both["offset_um"].mean())
    rows.append(_row(case, "offset of the surface, µm", 24.0, offset, 6.0, why))
    # 12 components: a ratio of 1 has a standard error of about 0.2
    rows.append(
        _row(case, "root mean square of error over stated uncertainty", 1.0, float(share), 0.7, why)
    )
    return rows
