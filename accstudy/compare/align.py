"""The three alignments, for many scans at once.

Each maps every scan into the reference frame. They differ in what is made to
coincide, and so in what the deviations of single implants look like; distances
and angles between implants need none of them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from accstudy.compare.arch import Arch
from accstudy.compare.poses import PoseArrays
from accstudy.compare.tilt import tilt_uncertainty

__all__ = ["LEVER_MM", "AlignedPoses", "align_all", "align_first"]

Floats = NDArray[np.float64]

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
        axis, per component (see `accstudy.compare.tilt`); NaN where it cannot be said.
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
    tilt = tilt_uncertainty(residual, b, seen, arch.axes, arch.common_axis)
    tilt[~enough] = np.nan
    return AlignedPoses(rotation, translation, tilt)


def align_first(poses: PoseArrays, arch: Arch, *, datum: int = 0) -> AlignedPoses:
    """Let platform and axis of one implant coincide; turn for the others.

    Parameters
    ----------
    poses : PoseArrays
        s scans of n implants.
    arch : Arch
        The reference.
    datum : int
        Index of the implant that coincides; the first along the arch.

    Returns
    -------
    AlignedPoses
        NaN for scans that miss the datum implant or all others. The tilt
        uncertainty is not stated: it is that of one axis.

    Notes
    -----
    The rotation about the common axis of the datum is the one that minimises
    the sum of squared distances of the other platforms; in closed form it is
    the angle of the summed cross and dot products across that axis.
    """
    s = len(poses.scans)
    axis_scan, origin_scan = poses.axes[:, datum], poses.positions_mm[:, datum]
    axis, origin = arch.axes[datum], arch.positions_mm[datum]
    swing = _turn_onto(axis_scan, axis)
    moved = np.einsum("sij,snj->sni", swing, poses.positions_mm - origin_scan[:, None])
    wanted = arch.positions_mm - origin
    moved_across = moved - np.einsum("sni,i->sn", moved, axis)[:, :, None] * axis
    wanted_across = wanted - (wanted @ axis)[:, None] * axis
    seen = np.isfinite(moved_across).all(axis=2)
    seen[:, datum] = False
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
