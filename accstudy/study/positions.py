"""Positions that a study brings, held against its scan list and its reference."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from accstudy.errors import ComputationError, Finding, Severity, nearest, place
from accstudy.geometry.rigid import fit_rigid, unit
from accstudy.study.typed import fault, records

__all__ = ["check_flats", "check_landmarks", "check_positions"]

_POSITION = ["x_mm", "y_mm", "z_mm"]
_AXIS = ["axis_x", "axis_y", "axis_z"]
_FLAT = ["flat_x", "flat_y", "flat_z"]
_TIP_MM = 10.0
_MISFIT_MM = 1.0
"""Root mean square beyond which an arrangement is not that of the reference."""
_FITS_BETTER = 4.0
"""How much better a mirror image must fit to be named."""


def check_positions(
    poses: pd.DataFrame, scans: pd.DataFrame, implants: pd.DataFrame, *, file: str
) -> list[Finding]:
    """Find positions that are of no scan, of no implant, doubled, or in a wrong frame.

    Parameters
    ----------
    poses : DataFrame
        Table ``poses`` as brought by the user, with ``row``.
    scans : DataFrame
        Table ``scans``.
    implants : DataFrame
        Table ``implants``, checked.
    file : str
        How messages call the file of the positions.

    Returns
    -------
    list of Finding
        Each at its row and column.
    """
    known = {str(m): sorted(set(g["implant"])) for m, g in implants.groupby("model")}
    model_of = {str(k): str(v) for k, v in zip(scans["scan"], scans["model"], strict=True)}
    found = _rows(records(poses), model_of, known, file)
    found += check_flats(poses, file=file)
    sound = poses[poses[_POSITION + _AXIS].notna().all(axis=1)]
    found += _scans_twice(sound, file)
    once = sound.drop_duplicates(["scan", "implant"])
    once = once.assign(model=once["scan"].map(model_of))
    found += _missing(once, known, file)
    there = implants.drop_duplicates(["model", "implant"])[["model", "implant", *_POSITION, *_AXIS]]
    both = once.merge(there, on=["model", "implant"], suffixes=("", "_ref"))
    for scan, rows in both.groupby("scan", sort=False):
        found += _one_scan(str(scan), rows, file)
    return found


def _rows(
    rows: list[dict[str, Any]],
    model_of: Mapping[str, str],
    known: Mapping[str, list[str]],
    file: str,
) -> list[Finding]:
    found = []
    seen: dict[tuple[str, str], int] = {}
    for row in rows:
        scan, implant, model = row["scan"], row["implant"], row["model"]
        if scan not in model_of:
            what = f'scan "{scan}" is not in the scan list'
            at = place(file, row["row"], "scan")
            found.append(fault("unknown-scan", what, at, nearest(scan, list(model_of))))
        elif model != model_of[scan]:
            what = f'scan "{scan}" is of model "{model_of[scan]}", not "{model}"'
            at = place(file, row["row"], "model")
            found.append(fault("model-differs", what, at, "name the same model in both tables"))
        elif model in known and implant not in known[model]:
            what = f'model "{model}" has no implant "{implant}" in the reference'
            at = place(file, row["row"], "implant")
            found.append(fault("unknown-implant", what, at, nearest(implant, known[model])))
        if (scan, implant) in seen:
            what = f'scan "{scan}" lists implant "{implant}" twice, first in row ' + str(
                seen[scan, implant]
            )
            at = place(file, row["row"], "implant")
            found.append(fault("duplicate-implant", what, at, "remove one of the two rows"))
        seen.setdefault((scan, implant), row["row"])
        norm = float(np.linalg.norm([row[c] for c in _AXIS]))
        if abs(norm - 1) > 0.01:
            at = place(file, row["row"], "axis_x")
            mend = "give a unit vector that points out of the bone"
            found.append(fault("axis-length", f"the axis has length {norm:.4g}, not 1", at, mend))
    return found


def check_flats(rows: pd.DataFrame, *, file: str) -> list[Finding]:
    """Find flats that are given in part, of no length, or not square to their axis.

    Parameters
    ----------
    rows : DataFrame
        Columns ``axis_x`` to ``flat_z`` and ``row``.
    file : str
        How messages call the file.

    Returns
    -------
    list of Finding
    """
    flats, axes = rows[_FLAT].to_numpy(float), rows[_AXIS].to_numpy(float)
    given = np.isfinite(flats)
    found = []
    for i in np.flatnonzero(given.any(axis=1) & ~given.all(axis=1)):
        column = _FLAT[int(np.argmin(given[i]))]
        where = place(file, rows["row"].iloc[i], column)
        mend = "give all three, or leave all three empty when the rotation is unknown"
        found.append(
            fault("flat-incomplete", f"{column} is empty, the others are not", where, mend)
        )
    whole = np.flatnonzero(given.all(axis=1) & np.isfinite(axes).all(axis=1))
    for i in whole[np.linalg.norm(axes[whole], axis=1) > 0]:
        length = float(np.linalg.norm(flats[i]))
        axis = unit(axes[i])
        across = float(np.linalg.norm(flats[i] - (flats[i] @ axis) * axis))
        if length == 0 or across < 0.7 * length:
            where = place(file, rows["row"].iloc[i], "flat_x")
            off = "has no length" if length == 0 else (
                f"is {np.degrees(np.arctan2(across, abs(flats[i] @ axis))):.0f} deg off the axis"
            )  # fmt: skip
            mend = "give the direction from the axis square towards the flat"
            found.append(fault("flat-along-axis", f"the flat's direction {off}", where, mend))
    return found


def check_landmarks(
    landmarks: pd.DataFrame, scans: pd.DataFrame, implants: pd.DataFrame, *, file: str
) -> list[Finding]:
    """Find landmarks of no scan, of no implant, or doubled.

    Parameters
    ----------
    landmarks : DataFrame
        Table ``landmarks`` with ``row``.
    scans, implants : DataFrame
        Tables of the same names.
    file : str
        How messages call the file.

    Returns
    -------
    list of Finding
    """
    model_of = {str(k): str(v) for k, v in zip(scans["scan"], scans["model"], strict=True)}
    known = {str(m): sorted(set(g["implant"])) for m, g in implants.groupby("model")}
    rows = [{**r, "model": model_of.get(r["scan"], "")} for r in records(landmarks)]
    unmeasured = {**dict.fromkeys(_AXIS, 0.0), "axis_z": 1.0}
    return _rows([{**r, **unmeasured} for r in rows], model_of, known, file)


def _scans_twice(poses: pd.DataFrame, file: str) -> list[Finding]:
    """Two scans whose positions are the same to the last digit."""
    found = []
    first: dict[bytes, str] = {}
    for scan, rows in poses.groupby("scan", sort=False):
        if len(rows) < 2:
            continue
        numbers = rows.sort_values("implant")[_POSITION + _AXIS].to_numpy(float)
        key = numbers.tobytes()
        if key in first:
            what = f'scan "{scan}" has the same positions as "{first[key]}", to the last digit'
            where = place(file, int(rows["row"].iloc[0]), "scan")
            mend = "a repeat is a new scan; remove one of the two"
            found.append(fault("same-scan-twice", what, where, mend))
        first.setdefault(key, str(scan))
    return found


def _missing(poses: pd.DataFrame, known: Mapping[str, list[str]], file: str) -> list[Finding]:
    """Implants of the model of which a scan gives no position."""
    given: dict[str, set[str]] = {}
    first: dict[str, tuple[str, int]] = {}
    for scan, model, implant, row in zip(
        poses["scan"], poses["model"], poses["implant"], poses["row"], strict=True
    ):
        given.setdefault(scan, set()).add(implant)
        first.setdefault(scan, (model, row))
    found = []
    for scan, (model, row) in first.items():
        missing = [name for name in known.get(model, []) if name not in given[scan]]
        if missing:
            what = f'scan "{scan}" gives no position of {", ".join(missing)}'
            where = place(file, int(row), "implant")
            mend = "add its row; without it, its pairs are left out"
            found.append(Finding(Severity.WARNING, "missing-implant", what, where, mend))
    return found


def _one_scan(scan: str, both: pd.DataFrame, file: str) -> list[Finding]:
    """What is wrong with one scan's positions as a whole, beside those of the reference."""
    found: list[Finding] = []
    if len(both) < 2:
        return found
    axes = unit(both[_AXIS].to_numpy(float))
    true_axes = both[[f"{c}_ref" for c in _AXIS]].to_numpy(float)
    turned = _against_the_others(axes, true_axes)
    for i in np.flatnonzero(turned):
        what = f'the axis of "{both["implant"].iloc[i]}" points against the others of "{scan}"'
        where = place(file, int(both["row"].iloc[i]), "axis_x")
        mend = "axes point out of the bone: change its sign"
        found.append(fault("inward-axis", what, where, mend))
    if not turned.any() and (image := _mirrored(both, axes, true_axes)):
        what = f'the positions of scan "{scan}" fit the reference only {image}'
        mend = "a coordinate has the wrong sign or two are swapped, or axes point into the bone"
        found.append(fault("mirrored", what, place(file, int(both["row"].iloc[0]), "x_mm"), mend))
    return found


def _against_the_others(
    axes: NDArray[np.float64], true_axes: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Axes that are turned round against most of the others, as the reference has them."""
    turned = np.abs(_angles(axes) - _angles(true_axes)) > 90.0
    count = turned.sum(axis=1)
    most: NDArray[np.bool_] = count > (len(axes) - 1) / 2
    if len(axes) == 2:  # which of the two is wrong cannot be told: name the second
        most = most & np.array([False, True])
    return most


def _angles(axes: NDArray[np.float64]) -> NDArray[np.float64]:
    cross = np.linalg.norm(np.cross(axes[:, None], axes[None]), axis=2)
    angles: NDArray[np.float64] = np.degrees(np.arctan2(cross, axes @ axes.T))
    return angles


def _mirrored(both: pd.DataFrame, axes: NDArray[np.float64], true_axes: NDArray[np.float64]) -> str:
    """Say which reflection of the reference the positions are; empty if none fits better."""
    here = both[_POSITION].to_numpy(float)
    there = both[[f"{c}_ref" for c in _POSITION]].to_numpy(float)
    if not np.isfinite(there).all() or not np.isfinite(true_axes).all():
        return ""
    mirror = np.array([-1.0, 1.0, 1.0])
    as_given = _misfit(here, axes, there, true_axes)
    if not as_given > _MISFIT_MM:
        return ""
    images = {
        "with all axes reversed": _misfit(here, axes, there, -true_axes),
        "as its mirror image": _misfit(here, axes, there * mirror, true_axes * mirror),
    }
    image, misfit = min(images.items(), key=lambda item: item[1])
    return image if misfit * _FITS_BETTER < as_given else ""


def _misfit(
    here: NDArray[np.float64],
    axes: NDArray[np.float64],
    there: NDArray[np.float64],
    true_axes: NDArray[np.float64],
) -> float:
    """Root mean square distance of platforms and axis tips after the best fit, mm."""
    source = np.concatenate([here, here + _TIP_MM * axes])
    target = np.concatenate([there, there + _TIP_MM * true_axes])
    try:
        motion = fit_rigid(source, target)
    except ComputationError:
        return np.inf
    return float(np.sqrt(((motion.points(source) - target) ** 2).sum(axis=1).mean()))
