"""The mean arrangement of the scans of a model, where no reference gives one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from accstudy.compare.align import align_all, pose_arrays
from accstudy.compare.arch import Arch, arch_of
from accstudy.geometry.rigid import frame_from_axis, unit
from accstudy.tables import shape

__all__ = ["mean_arrangement", "scatter_alone"]

Floats = NDArray[np.float64]

_SETTLED_MM = 1e-10
_MOST_ROUNDS = 200


def mean_arrangement(poses: pd.DataFrame, start: pd.DataFrame) -> pd.DataFrame:
    """Mean of scans of one model, each moved as a rigid body to fit it best.

    Parameters
    ----------
    poses : DataFrame
        Table ``poses`` of the scans that count.
    start : DataFrame
        Rows in the shape of table ``implants`` of one model, in any frame: names and order
        of the implants, and where to begin.

    Returns
    -------
    DataFrame
        Table ``arrangement`` of that model. Origin in the middle of the platforms, z along
        the common axis, x from the first implant to the last.

    Notes
    -----
    Generalised least squares (Procrustes) without scale over two points an implant, as
    `accstudy.compare.align.align_all` aligns scans with a reference. Each scan counts once.
    Of an implant that some scans do not show the others are averaged. The mean holds whatever
    error all scans have in common: it is no substitute for the truth.

    References
    ----------
    Gower: Generalized Procrustes analysis, Psychometrika 40 (1975) 33-51.
    """
    arch = arch_of(start)
    model = str(start["model"].iloc[0])
    mine = poses[(poses["model"] == model) & poses["x_mm"].notna()]
    scans = list(dict.fromkeys(mine["scan"]))
    arrays = pose_arrays(mine, arch, scans)
    points, axes, flats = _upright(arch.positions_mm, arch.axes, np.full(arch.axes.shape, np.nan))
    for _ in range(_MOST_ROUNDS if scans else 0):
        now = _like(arch, points, axes)
        placed = align_all(arrays, now)
        # means turn a little as a whole with every round: they are compared in their own frame
        new_points, new_axes, flats = _upright(
            _mean(placed.points(arrays.positions_mm), points),
            unit(_mean(placed.vectors(arrays.axes), axes)),
            _mean(placed.vectors(arrays.flats), flats),
        )
        moved = max(np.abs(new_points - points).max(), np.abs(new_axes - axes).max())
        points, axes = new_points, new_axes
        if moved < _SETTLED_MM:
            break
    seen = np.isfinite(arrays.positions_mm).all(axis=2).sum(axis=0)
    flats = unit(flats - np.sum(flats * axes, axis=1, keepdims=True) * axes)
    frame = start.set_index("implant").loc[list(arch.implants)].reset_index()
    for name, values in (
        ("{}_mm", points),
        ("axis_{}", axes),
        ("flat_{}", flats),
    ):
        for k, c in enumerate("xyz"):
            frame[name.format(c)] = values[:, k]
    frame["n_scans"] = seen
    order = {name: i for i, name in enumerate(start["implant"])}
    frame = frame.iloc[np.argsort(frame["implant"].map(order).to_numpy(), kind="stable")]
    return shape("arrangement", frame)


def _like(arch: Arch, points: Floats, axes: Floats) -> Arch:
    return replace(arch, positions_mm=points, axes=axes)


def _mean(values: Floats, otherwise: Floats) -> Floats:
    """Mean over scans, (s, n, 3) to (n, 3); the former value where no scan has one."""
    known: NDArray[np.bool_] = np.asarray(np.isfinite(values).all(axis=2))
    total = np.where(known[:, :, None], values, 0.0).sum(axis=0)
    count = known.sum(axis=0)[:, None]
    return np.where(count > 0, total / np.maximum(count, 1), otherwise)


def _upright(points: Floats, axes: Floats, flats: Floats) -> tuple[Floats, Floats, Floats]:
    """An arrangement in its own frame."""
    turn = frame_from_axis(unit(axes.sum(axis=0)), points[-1] - points[0])
    return (points - points.mean(axis=0)) @ turn, axes @ turn, flats @ turn


def scatter_alone(
    poses: pd.DataFrame, arrangement: pd.DataFrame, groups: pd.DataFrame
) -> pd.DataFrame:
    """Poses whose deviations from the arrangement are the scatter of scans and nothing else.

    Parameters
    ----------
    poses : DataFrame
        Table ``poses`` of scans of one model.
    arrangement : DataFrame
        Its arrangement, in the shape of table ``implants``.
    groups : DataFrame
        ``scan``, ``condition`` and ``cell``.

    Returns
    -------
    DataFrame
        Table ``poses`` in the frame of the arrangement: of every scan what it deviates by
        from the mean of its cell, and what its cell deviates by from the mean of the cells of
        its condition, the latter times sqrt(k / (k - 1)) for k cells; with a single cell of m
        scans the former times sqrt(m / (m - 1)). Positions and axes then scatter as if about
        the true mean: with variances within and between cells s_r^2 and s_L^2, the mean square
        is s_r^2 + s_L^2 in a balanced layout. A condition with one scan has no rows.
    """
    arch = arch_of(arrangement)
    model = str(arrangement["model"].iloc[0])
    mine = poses[(poses["model"] == model) & poses["x_mm"].notna()]
    scans = list(dict.fromkeys(mine["scan"]))
    arrays = pose_arrays(mine, arch, scans)
    placed = align_all(arrays, arch)
    at = groups.set_index("scan").loc[scans]
    points = _scattered(placed.points(arrays.positions_mm) - arch.positions_mm, at)
    axes = _scattered(placed.vectors(arrays.axes) - arch.axes, at)
    flats = placed.vectors(arrays.flats)
    n = len(arch.implants)
    table = mine.set_index(["scan", "implant"])
    wanted = pd.MultiIndex.from_product([scans, arch.implants], names=["scan", "implant"])
    out = table.reindex(wanted).reset_index().assign(model=model)
    for name, values in (
        ("{}_mm", arch.positions_mm + points),
        ("axis_{}", unit(arch.axes + axes)),
        ("flat_{}", flats),
    ):
        flat = values.reshape(len(scans) * n, 3)
        for k, c in enumerate("xyz"):
            out[name.format(c)] = flat[:, k]
    return shape("poses", out[np.isfinite(out["x_mm"].to_numpy(float))])


def _scattered(delta: Floats, at: pd.DataFrame) -> Floats:
    """Deviations about the means of cells and of conditions, none shrunk by these means."""
    out = np.full(delta.shape, np.nan)
    conditions, cells = at["condition"].astype(str), at["cell"].astype(str)
    for condition in dict.fromkeys(conditions):
        own = (conditions == condition).to_numpy()
        names = list(dict.fromkeys(cells[own]))
        picked = [own & (cells == name).to_numpy() for name in names]
        none = np.full(delta.shape[1:], np.nan)
        means = np.stack([_mean(delta[p], none) for p in picked])
        seen = np.isfinite(means).all(axis=2).sum(axis=0)[:, None]
        middle = _mean(means, none)
        for p, mean in zip(picked, means, strict=True):
            m = np.isfinite(delta[p]).all(axis=2).sum(axis=0)[:, None]
            with np.errstate(divide="ignore", invalid="ignore"):
                between = np.where(seen > 1, np.sqrt(seen / (seen - 1)) * (mean - middle), 0.0)
                single = np.where(m > 1, np.sqrt(m / (m - 1)), np.nan)
            within = np.where(seen > 1, 1.0, single)
            out[p] = within * (delta[p] - mean) + between
    return out
