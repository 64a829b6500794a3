"""One scan body fitted to a scan: robust point-to-surface least squares."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from accstudy.geometry.rigid import Rigid, rotation_vector
from accstudy.locate.prepared import PreparedBody
from accstudy.locate.segment import Patch

__all__ = ["Fit", "fit_body", "linearise"]

Floats = NDArray[np.float64]

PARAMETERS = ("x", "y", "z", "tilt x", "tilt y", "turn", "offset")
TURN, OFFSET = 5, 6

_NORMALS_AGREE = 0.5
_SCALE_FLOOR_MM = 1e-7
_EDGE_FROM_MM, _EDGE_TO_MM = 0.05, 0.15


@dataclass(frozen=True, slots=True)
class Fit:
    """A scan body's pose and the surface that gave it.

    Parameters
    ----------
    scan_from_body : Rigid
        The pose.
    offset_mm : float
        How far the scanned surface lies outside the drawing.
    used : (n,) ndarray
        Rows of the patch that took part.
    points_mm : (n, 3) ndarray
        Those points in the implant frame.
    residual_mm : (n,) ndarray
        Distance to the drawing less the offset.
    jacobian : (n, 7) ndarray
        Change of the residual with x, y, z (mm), rotation about x, y, z (rad)
        of the point in the implant frame, and with the offset (mm).
    weight : (n,) ndarray
        0 to 1.
    scale_mm : float
        Robust standard deviation of the residuals.
    free : tuple of int
        Parameters that were free.
    """

    scan_from_body: Rigid
    offset_mm: float
    used: NDArray[np.int64]
    points_mm: Floats
    residual_mm: Floats
    jacobian: Floats
    weight: Floats
    scale_mm: float
    free: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class _Linear:
    rows: NDArray[np.int64]
    points: Floats
    distance: Floats
    jacobian: Floats
    weight: Floats


def linearise(
    prepared: PreparedBody, patch: Patch, pose: Rigid, rows: NDArray[np.int64], gate_mm: float
) -> _Linear:
    """Distances of some of a patch's points to the drawing and how they change.

    Parameters
    ----------
    prepared : PreparedBody
        The scan body.
    patch : Patch
        Points of the scan.
    pose : Rigid
        Scan from body.
    rows : (m,) ndarray
        Points to look at.
    gate_mm : float
        Points farther from the drawing are left out.

    Returns
    -------
    _Linear
    """
    inverse = pose.inverse()
    points = inverse.points(patch.points_mm[rows])
    near = prepared.closest(points)
    agree = np.einsum("ij,ij->i", inverse.vectors(patch.normals[rows]), near.normal)
    good = (np.abs(near.distance_mm) < gate_mm) & (agree > _NORMALS_AGREE)
    good &= near.height_mm > prepared.body.use_above_mm
    points, direction = points[good], near.direction[good]
    jacobian = np.empty((len(points), 7))
    jacobian[:, :3] = direction
    jacobian[:, 3:6] = np.cross(points, direction)
    jacobian[:, 6] = -1.0
    return _Linear(
        rows[good], points, near.distance_mm[good], jacobian, _edge_weight(prepared, points)
    )


def fit_body(
    prepared: PreparedBody,
    patch: Patch,
    start: Rigid,
    *,
    offset_mm: float = 0.0,
    gates_mm: tuple[float, ...] = (0.8, 0.5, 0.3),
    turn: bool,
    offset: bool = True,
    thin_to: int = 500,
    rounds: int = 3,
) -> Fit | None:
    """Fit a scan body to a patch of a scan.

    Parameters
    ----------
    prepared : PreparedBody
        The scan body.
    patch : Patch
        The scan around it.
    start : Rigid
        Scan from body, to within about the first gate.
    offset_mm : float
        Where the offset starts.
    gates_mm : tuple of float
        How far points may lie off, in the first rounds, which use a part of
        the points; later the spread of the residuals decides.
    turn : bool
        Whether the rotation about the axis is free.
    offset : bool
        Whether the offset is free.
    thin_to : int
        Points used in the first rounds.
    rounds : int
        Rounds with all points; the last ones move next to nothing.

    Returns
    -------
    Fit or None
        None if too little of the body is there.

    Notes
    -----
    Gauss-Newton steps on the distances to the drawing with Tukey's biweight;
    its limit is generous (7 standard deviations), so that it costs no
    efficiency with normal noise.
    """
    free = tuple(k for k in range(7) if (k != TURN or turn) and (k != OFFSET or offset))
    every = np.arange(len(patch.points_mm))
    thin = every[:: max(1, len(every) // thin_to)]
    pose = start
    for gate in gates_mm:
        linear = linearise(prepared, patch, pose, thin, gate + abs(offset_mm))
        if len(linear.rows) < 30:
            return None
        pose, offset_mm, _, _, _ = _step(linear, pose, offset_mm, free)
    scale = 0.1
    fit: Fit | None = None
    for turn_number in range(rounds + 1):
        gate = max(7 * scale, 0.02) if turn_number else gates_mm[-1]
        linear = linearise(prepared, patch, pose, every, gate + abs(offset_mm))
        if len(linear.rows) < 60:
            return None
        residual = linear.distance - offset_mm
        last = turn_number == rounds
        new, new_offset, weight, scale, move = _step(linear, pose, offset_mm, free)
        if last or move < 2e-6:
            fit = Fit(
                pose,
                offset_mm,
                linear.rows,
                linear.points,
                residual,
                linear.jacobian,
                weight,
                scale,
                free,
            )
            break
        pose, offset_mm = new, new_offset
    return fit


def _step(
    linear: _Linear, pose: Rigid, offset_mm: float, free: tuple[int, ...]
) -> tuple[Rigid, float, Floats, float, float]:
    """One Gauss-Newton step; also the weights, the scale and how far it went."""
    residual = linear.distance - offset_mm
    centred = residual - np.median(residual)
    scale = max(1.4826 * float(np.median(np.abs(centred))), _SCALE_FLOOR_MM)
    weight = linear.weight * biweight(centred / scale)
    change = solve_weighted(linear.jacobian[:, free], residual, weight)
    full = np.zeros(7)
    full[list(free)] = -change
    move = Rigid(rotation_vector(full[3:6]), full[:3])
    size = float(np.linalg.norm(full[:3]) + 8 * np.linalg.norm(full[3:6]) + abs(full[6]))
    return pose.after(move.inverse()), offset_mm + full[OFFSET], weight, scale, size


def solve_weighted(jacobian: Floats, residual: Floats, weight: Floats) -> Floats:
    """Weighted least squares with a touch of damping for what the data leave free."""
    weighted = jacobian * weight[:, None]
    normal = weighted.T @ jacobian
    damping = 1e-6 * np.trace(normal) / len(normal)
    return np.linalg.solve(normal + damping * np.eye(len(normal)), weighted.T @ residual)


def biweight(ratio: Floats, limit: float = 7.0) -> Floats:
    """Tukey's biweight, (1 - (r / limit)^2)^2 inside the limit, 0 outside."""
    inside = np.clip(1 - (ratio / limit) ** 2, 0.0, None)
    return inside * inside


def _edge_weight(prepared: PreparedBody, points: Floats) -> Floats:
    """Less weight beside sharp edges, which scanners round."""
    if prepared.edges is None:
        return np.ones(len(points))
    away, _ = prepared.edges.query(points, distance_upper_bound=_EDGE_TO_MM)
    ramp = (np.minimum(away, _EDGE_TO_MM) - _EDGE_FROM_MM) / (_EDGE_TO_MM - _EDGE_FROM_MM)
    return np.clip(ramp, 0.0, 1.0)
