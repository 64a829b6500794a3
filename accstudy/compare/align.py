"""Poses of one model as arrays, and the three alignments, for many scans at once.

Each maps every scan into the reference frame. They differ in what is made to
coincide, and so in what the deviations of single implants look like; distances
and angles between implants need none of them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import scipy  # scipy.stats loads when it is first used
from numpy.typing import NDArray

from accstudy.compare.arch import Arch

__all__ = ["LEVER_MM", "AlignedPoses", "PoseArrays", "align_all", "align_first", "pose_arrays"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class PoseArrays:
    """Poses of several scans of one model; NaN where an implant is missing.

    Parameters
    ----------
    scans : tuple of str
        Scans, s of them.
    positions_mm, axes, flats : (s, n, 3) ndarray
        Platform centres, unit axes and flat directions, scan frame.
    """

    scans: tuple[str, ...]
    positions_mm: Floats
    axes: Floats
    flats: Floats


def pose_arrays(poses: pd.DataFrame, arch: Arch, scans: list[str]) -> PoseArrays:
    """Spread a long pose table over scans and implants.

    Parameters
    ----------
    poses : DataFrame
        Table ``poses``; rows without a position count as missing.
    arch : Arch
        Gives the implants and their order.
    scans : list of str
        Scans wanted, in this order.

    Returns
    -------
    PoseArrays
    """
    wanted = pd.MultiIndex.from_product([scans, arch.implants])
    table = poses.set_index(["scan", "implant"])
    columns = ["x_mm", "y_mm", "z_mm", "axis_x", "axis_y", "axis_z", "flat_x", "flat_y", "flat_z"]
    cells = table[columns].reindex(wanted).to_numpy(float, copy=True)
    values = cells.reshape(len(scans), len(arch.implants), 3, 3)
    missing = ~np.isfinite(values[:, :, :2]).all(axis=(2, 3))
    values[missing] = np.nan
    axes = values[:, :, 1]
    axes = axes / np.linalg.norm(axes, axis=2, keepdims=True)
    return PoseArrays(tuple(scans), values[:, :, 0], axes, values[:, :, 2])


LEVER_MM = 10.0
"""Distance along the axis of the second point that stands for an implant."""


@dataclass(frozen=True, slots=True)
class AlignedPoses:
    """Scans in the reference frame.

    Parameters
    ----------
    rotation : (s, 3, 3) ndarray
        Of ``reference_from_scan``; NaN where a scan cannot be aligned.
    translation_mm : (s, 3) ndarray
        Of ``reference_from_scan``.
    tilt_u_deg : (s,) ndarray
        Standard uncertainty of the alignment's own tilt against the common
        axis, per component (see `accstudy.compare.align`); NaN where it cannot be said.
    """

    rotation: Floats
    translation_mm: Floats
    tilt_u_deg: Floats

    def points(self, points_mm: Floats) -> Floats:
        """Map points, (s, n, 3), mm."""
        turned: Floats = np.einsum("sij,snj->sni", self.rotation, points_mm)
        return turned + self.translation_mm[:, None]

    def vectors(self, vectors: Floats) -> Floats:
        """Map directions, (s, n, 3)."""
        turned: Floats = np.einsum("sij,snj->sni", self.rotation, vectors)
        return turned


def align_all(
    poses: PoseArrays, arch: Arch, *, use: NDArray[np.bool_] | None = None
) -> AlignedPoses:
    """Least squares without scale over platform and axis point of each implant.

    Parameters
    ----------
    poses : PoseArrays
        s scans of n implants.
    arch : Arch
        The reference.
    use : (n,) ndarray of bool, optional
        Implants that the fit uses (datum implants); all by default.

    Returns
    -------
    AlignedPoses
        A scan that shows fewer than two of the used implants cannot be
        aligned and is NaN.

    Notes
    -----
    Every implant counts with two points, the platform centre and the point
    10 mm along its axis, so that two or collinear implants are determined,
    too.
    """
    s, n = poses.positions_mm.shape[:2]
    chosen = np.ones(n, bool) if use is None else use
    seen = np.isfinite(poses.positions_mm).all(axis=2) & chosen
    source = np.concatenate(
        [poses.positions_mm, poses.positions_mm + LEVER_MM * poses.axes], axis=1
    )
    target = np.concatenate([arch.positions_mm, arch.positions_mm + LEVER_MM * arch.axes])
    weight = np.concatenate([seen, seen], axis=1).astype(float)
    enough = seen.sum(axis=1) >= 2
    weight[~enough] = 1.0
    source = np.where(weight[:, :, None] > 0, np.nan_to_num(source), 0.0)
    weight /= weight.sum(axis=1, keepdims=True)
    centre_source = np.einsum("sk,skj->sj", weight, source)
    centre_target = weight @ target
    a = source - centre_source[:, None]
    b = target[None] - centre_target[:, None]
    u, _, vt = np.linalg.svd(np.einsum("sk,ski,skj->sij", weight, b, a))
    guard = np.repeat(np.eye(3)[None], s, axis=0)
    guard[:, 2, 2] = np.sign(np.linalg.det(u @ vt))
    rotation = u @ guard @ vt
    translation = centre_target - np.einsum("sij,sj->si", rotation, centre_source)
    rotation[~enough] = np.nan
    translation[~enough] = np.nan
    residual = np.einsum("sij,skj->ski", rotation, a) - b
    tilt = _tilt_uncertainty(residual, b, seen, arch.axes, arch.common_axis)
    tilt[~enough] = np.nan
    return AlignedPoses(rotation, translation, tilt)


def align_first(poses: PoseArrays, arch: Arch) -> AlignedPoses:
    """Let platform and axis of the first implant of the arch coincide; turn for the others.

    Parameters
    ----------
    poses : PoseArrays
        s scans of n implants.
    arch : Arch
        The reference.

    Returns
    -------
    AlignedPoses
        NaN for scans that miss the first implant or all others. The tilt
        uncertainty is not stated: it is that of one axis.

    Notes
    -----
    The rotation about the common axis is the one that minimises
    the sum of squared distances of the other platforms; in closed form it is
    the angle of the summed cross and dot products across that axis.
    """
    s = len(poses.scans)
    axis_scan, origin_scan = poses.axes[:, 0], poses.positions_mm[:, 0]
    axis, origin = arch.axes[0], arch.positions_mm[0]
    swing = _turn_onto(axis_scan, axis)
    moved = np.einsum("sij,snj->sni", swing, poses.positions_mm - origin_scan[:, None])
    wanted = arch.positions_mm - origin
    moved_across = moved - np.einsum("sni,i->sn", moved, axis)[:, :, None] * axis
    wanted_across = wanted - (wanted @ axis)[:, None] * axis
    seen = np.isfinite(moved_across).all(axis=2)
    seen[:, 0] = False
    safe = np.where(seen[:, :, None], moved_across, 0.0)
    sine = np.einsum("sni,i->s", np.cross(safe, wanted_across[None]), axis)
    cosine = np.einsum("sni,ni->s", safe, wanted_across)
    turn = np.arctan2(sine, cosine)
    k = np.array([[0, -axis[2], axis[1]], [axis[2], 0, -axis[0]], [-axis[1], axis[0], 0]])
    twist = (
        np.eye(3)[None]
        + np.sin(turn)[:, None, None] * k
        + (1 - np.cos(turn))[:, None, None] * (k @ k)
    )
    rotation = twist @ swing
    rotation[~seen.any(axis=1)] = np.nan
    translation = origin - np.einsum("sij,sj->si", rotation, origin_scan)
    return AlignedPoses(rotation, translation, np.full(s, np.nan))


def _turn_onto(start: Floats, end: Floats) -> Floats:
    """Smallest rotations that turn unit vectors (s, 3) onto one unit vector."""
    cross = np.cross(start, end)
    dot = start @ end
    k = np.zeros((len(start), 3, 3))
    k[:, 0, 1], k[:, 0, 2], k[:, 1, 2] = -cross[:, 2], cross[:, 1], -cross[:, 0]
    k[:, 1, 0], k[:, 2, 0], k[:, 2, 1] = cross[:, 2], -cross[:, 1], cross[:, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        factor = np.where(dot > -1 + 1e-12, 1.0 / (1.0 + dot), np.nan)
    rotation = np.eye(3)[None] + k + (k @ k) * factor[:, None, None]
    opposite = dot <= -1 + 1e-12
    if opposite.any():  # half a turn about any axis square to it
        helper = np.eye(3)[int(np.argmin(np.abs(end)))]
        square = np.cross(end, helper)
        square /= np.linalg.norm(square)
        rotation[opposite] = 2 * np.outer(square, square) - np.eye(3)
    return rotation


_LEAST_DF = 4.0
"""Degrees of freedom below which no standard uncertainty is stated."""


def _tilt_uncertainty(
    residual: Floats,
    arm: Floats,
    seen: NDArray[np.bool_],
    axes: Floats,
    common: Floats,
) -> Floats:
    """Standard uncertainty of the tilt about `common`, deg, from the residuals of the fit, mm.

    It is such that 1.96 of it cover 95 %; NaN for fewer than three implants.

    Implants err independently of each other and alike. An implant's error has four
    parameters: the variance along its axis, the variances of platform and axis point
    across it, and their covariance (a body located by its upper part moves both). They
    are the solution of four equations, squares and products of residuals = their
    expectation under the fit, which knows that residuals are smaller than errors by the
    leverage of each point. Their ratios are those of all scans that show the same
    implants; the size is each scan's own. The quantile of Student's t over 1.96 allows
    for the degrees of freedom of that size (Satterthwaite: twice the squared mean over
    the variance of the sum of squares).

    Errors that neighbours share, a stretched or bent scan, are no tilt and not in it. With
    one scan of four implants the four variances rest on that scan alone and 1.96 of the
    result cover about 85 %; from a few scans on, 94 to 97 %.
    """
    out = np.full(len(residual), np.nan)
    patterns, which = np.unique(seen, axis=0, return_inverse=True)
    for number, pattern in enumerate(patterns):
        rows = np.flatnonzero(which.ravel() == number)
        if pattern.sum() >= 3:
            points = np.concatenate([pattern, pattern])
            out[rows] = _of_pattern(
                residual[np.ix_(rows, points)], arm[rows[0]][points], axes[pattern], common
            )
    return out


def _of_pattern(residual: Floats, arm: Floats, axes: Floats, common: Floats) -> Floats:
    s, n = len(residual), len(axes)
    shift = np.tile(np.eye(3), (2 * n, 1))
    jacobian = np.hstack([shift, _cross(arm).reshape(6 * n, 3)])
    solve = np.linalg.pinv(jacobian)
    fit = np.eye(6 * n) - jacobian @ solve
    bases = _bases(axes)
    through = [fit @ basis @ fit for basis in bases]
    flat = residual.reshape(s, 6 * n)
    moments = np.stack([np.einsum("si,ij,sj->s", flat, basis, flat) for basis in bases], axis=1)
    expected = np.array([[np.sum(b * t) for t in through] for b in bases])
    shape = _possible(np.linalg.lstsq(expected, moments.mean(axis=0), rcond=None)[0])
    known = sum(v * t for v, t in zip(shape, through, strict=True))
    mean, variance = float(np.trace(known)), 2.0 * float(np.sum(known * known))
    if mean <= 0.0:
        return np.zeros(s)
    df = 2.0 * mean**2 / variance
    if df < _LEAST_DF:
        return np.full(s, np.nan)
    turn = solve[3:]
    across = np.eye(3) - np.outer(common, common)
    tilt = [float(np.sum(across * (turn @ basis @ turn.T))) / 2.0 for basis in bases]
    size = np.sum(flat**2, axis=1) / mean
    widened = float(scipy.stats.t.ppf(0.975, df) / scipy.stats.norm.ppf(0.975))
    found: Floats = np.degrees(widened * np.sqrt(np.maximum(shape @ np.array(tilt), 0.0) * size))
    return found


def _cross(arm: Floats) -> Floats:
    """Matrices that turn a small rotation into the shift of each point, ``rotation x arm``."""
    x, y, z = arm.T
    zero = np.zeros_like(x)
    return np.stack([[zero, z, -y], [-z, zero, x], [y, -x, zero]]).transpose(2, 0, 1)


def _bases(axes: Floats) -> list[Floats]:
    """Covariances of all points for each parameter of an implant's error by itself."""
    n = len(axes)
    out = [np.zeros((6 * n, 6 * n)) for _ in range(4)]
    for i, axis in enumerate(axes):
        along = np.outer(axis, axis)
        across = np.eye(3) - along
        p, q = slice(3 * i, 3 * i + 3), slice(3 * (n + i), 3 * (n + i) + 3)
        for a in (p, q):
            for b in (p, q):
                out[0][a, b] = along
        out[1][p, p] = across
        out[2][q, q] = across
        out[3][p, q] = out[3][q, p] = across
    return out


def _possible(found: Floats) -> Floats:
    """Nearest variances that can be: none negative, the covariance within its bound."""
    along, platform, point = (max(float(v), 0.0) for v in found[:3])
    bound = float(np.sqrt(platform * point))
    return np.array([along, platform, point, min(max(float(found[3]), -bound), bound)])
