"""Does one error in the settings of the scan body explain the bias of all implants?

An origin, axis or flat that is wrong in the drawing's description moves every implant by
the same amount in its own frame. The deviations then look large, repeatable and odd; one
common correction explains nearly all of them. Such a correction is found here and named.
It is never applied: a device may have a bias of its own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from accstudy.errors import ComputationError
from accstudy.geometry.rigid import fit_rigid, frame_from_axis, rotation_about_deg, unit

__all__ = ["CommonError", "common_body_errors"]

Floats = NDArray[np.float64]

_TIP_MM = 10.0
_LEAST_BIAS_UM = 50.0
"""Root mean square of the pairs' biases below which no error is looked for."""
_LEAST_OFFSET_UM = 100.0
_LEAST_TURN_DEG = 2.0
_EXPLAINED = 0.35
"""Largest share of the bias that may remain (chosen, not published)."""
_SURE = 8.0
"""Least ratio of an offset to its standard uncertainty."""


@dataclass(frozen=True, slots=True)
class CommonError:
    """One error in the scan body's own frame that all implants share.

    Parameters
    ----------
    kind : {"axial", "offset", "rotation"}
        A shift along the axis, a shift in any direction, a rotation about the axis.
    offset_mm : (3,) ndarray
        Where the stated origin lies, seen from the true one: x towards the flat,
        z along the axis, mm. Zero for a rotation.
    rotation_deg : float
        Rotation of the stated flat about the axis, right-handed. Zero for offsets.
    before_um, after_um : float
        Root mean square of the biases of the inter-implant distances as measured, and
        after the correction; NaN for a rotation, which changes no distance.
    """

    kind: str
    offset_mm: Floats
    rotation_deg: float
    before_um: float
    after_um: float


def common_body_errors(poses: pd.DataFrame, reference: pd.DataFrame) -> list[CommonError]:
    """Find an error of the scan body's description that the deviations give away.

    Parameters
    ----------
    poses : DataFrame
        Table ``poses`` of scans of one model whose implants carry scan bodies of one
        kind; rows without a position are left out.
    reference : DataFrame
        Rows of table ``implants`` of that model.

    Returns
    -------
    list of CommonError
        At most one offset and one rotation. Empty where the bias is small, where no
        common error explains it, or where there are too few implants to tell.

    Notes
    -----
    Every scan is brought onto the reference (least squares over platforms and the
    points 10 mm along the axes); the mean deviations of the implants are then explained
    by a rigid motion of all and one offset in the frame of the body. An offset across
    the axis needs the flats of the reference. With parallel axes an axial error changes
    no distance and cannot be seen; it does no harm then either.
    """
    mean = _mean_deviations(poses, reference)
    if mean is None:
        return []
    points, axes, flats, moved, turned, rotations = mean
    found = []
    before = _pair_bias_um(points, points + moved)
    if before > _LEAST_BIAS_UM:
        frames = np.array([frame_from_axis(a, f) for a, f in zip(axes, flats, strict=True)])
        tried = {"axial": axes[:, :, None]}
        if np.isfinite(flats).all():
            tried["offset"] = frames
        fits = []
        for kind, directions in tried.items():
            offset = _offset(points, axes, directions, moved, turned)
            if offset is not None:
                after = _pair_bias_um(points, points + moved - directions @ offset)
                whole = offset if kind == "offset" else np.array([0.0, 0.0, offset[0]])
                fits.append(CommonError(kind, whole, 0.0, before, after))
        least = min((fit.after_um for fit in fits), default=np.inf)
        if least < _EXPLAINED * before:  # the simpler one, where it explains about as much
            found.append(next(fit for fit in fits if fit.after_um <= 2 * least + 10))
    turn = float(np.mean(rotations)) if np.isfinite(rotations).all() else 0.0
    if abs(turn) > _LEAST_TURN_DEG and np.ptp(rotations) < 0.5 * abs(turn):
        found.append(CommonError("rotation", np.zeros(3), turn, float("nan"), float("nan")))
    return found


def _mean_deviations(
    poses: pd.DataFrame, reference: pd.DataFrame
) -> tuple[Floats, Floats, Floats, Floats, Floats, Floats] | None:
    """Reference points, axes and flats; mean deviation of each, and mean rotation, deg."""
    names = reference["implant"].tolist()
    points = reference[["x_mm", "y_mm", "z_mm"]].to_numpy(float)
    axes = unit(reference[["axis_x", "axis_y", "axis_z"]].to_numpy(float))
    columns = [f"flat_{c}" for c in "xyz"]
    flats = reference.reindex(columns=columns).to_numpy(float)
    if len(names) < 3:
        return None
    moved, turned, rotations = [], [], []
    for scan in _by_scan(poses, names):
        here, there, seen = scan[:, :3], scan[:, 3:6], scan[:, 6:]
        if not np.isfinite(scan[:, :6]).all():
            continue
        there = unit(there)
        try:
            model_from_scan = fit_rigid(
                np.concatenate([here, here + _TIP_MM * there]),
                np.concatenate([points, points + _TIP_MM * axes]),
            )
        except ComputationError:
            continue
        moved.append(model_from_scan.points(here) - points)
        turned.append(model_from_scan.vectors(there) - axes)
        rotations.append(rotation_about_deg(axes, flats, model_from_scan.vectors(seen)))
    if not moved:
        return None
    return (
        points,
        axes,
        flats,
        np.mean(moved, axis=0),
        np.mean(turned, axis=0),
        np.asarray(np.mean(rotations, axis=0)),
    )


def _by_scan(poses: pd.DataFrame, names: list[str]) -> Floats:
    """Position, axis and flat of every scan and implant, (s, n, 9); NaN where not given."""
    columns = [f"{what}_{c}" if what else f"{c}_mm" for what in ("", "axis", "flat") for c in "xyz"]
    first = poses.drop_duplicates(["scan", "implant"])
    scan, scans = pd.factorize(first["scan"])
    implant = pd.Index(names).get_indexer(pd.Index(first["implant"]))
    out = np.full((len(scans), len(names), 9), np.nan)
    known = implant >= 0
    out[scan[known], implant[known]] = first.reindex(columns=columns).to_numpy(float)[known]
    return out


def _offset(
    points: Floats, axes: Floats, directions: Floats, moved: Floats, turned: Floats
) -> Floats | None:
    """Offset along `directions`, (n, 3, k), that all implants share; None if there is none."""
    k = directions.shape[2]
    if not k:
        return None
    n = len(points)
    centred = points - points.mean(axis=0)
    design = np.zeros((6 * n, 6 + k))
    for i in range(n):
        design[3 * i : 3 * i + 3, :3] = np.eye(3)
        design[3 * i : 3 * i + 3, 3:6] = -_cross(centred[i])
        design[3 * i : 3 * i + 3, 6:] = directions[i]
        design[3 * (n + i) : 3 * (n + i) + 3, 3:6] = -_TIP_MM * _cross(axes[i])
    values = np.concatenate([moved.ravel(), _TIP_MM * turned.ravel()])
    normal = design.T @ design
    if np.linalg.cond(normal) > 1e10:
        return None
    solved = np.linalg.solve(normal, design.T @ values)
    left = values - design @ solved
    # two of each axis' three numbers are free
    spare = max(5 * n - 6 - k, 1)
    variance = float(left @ left) / spare * np.linalg.inv(normal)[6:, 6:]
    offset = np.asarray(solved[6:])
    size = float(np.linalg.norm(offset))
    u = float(np.sqrt(np.trace(variance)))
    return offset if size > max(_LEAST_OFFSET_UM / 1000.0, _SURE * u) else None


def _cross(v: Floats) -> Floats:
    return np.array([[0.0, -v[2], v[1]], [v[2], 0.0, -v[0]], [-v[1], v[0], 0.0]])


def _pair_bias_um(points: Floats, seen: Floats) -> float:
    """Root mean square of the deviations of all distances, um."""
    i, j = np.triu_indices(len(points), 1)
    there = np.linalg.norm(points[i] - points[j], axis=1)
    here = np.linalg.norm(seen[i] - seen[j], axis=1)
    return float(1000.0 * np.sqrt(np.mean((here - there) ** 2)))
