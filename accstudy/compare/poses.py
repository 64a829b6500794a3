"""Poses of one model as arrays: scans x implants, in arch order."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from accstudy.compare.arch import Arch

__all__ = ["PoseArrays", "pose_arrays"]

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
