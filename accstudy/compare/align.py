"""Poses of a model as arrays; three alignments, many scans at once; the mean arrangement."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import scipy
from numpy.typing import NDArray

from accstudy.compare.arch import Arch, arch_of
from accstudy.errors import ComputationError, InputError
from accstudy.geometry.rigid import frame_from_axis, unit
from accstudy.tables import shape

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
    """Scans in the reference frame: ``reference_from_scan``, NaN where a scan cannot be aligned.

    ``tilt_u_deg`` is the standard uncertainty of the alignment's own tilt against the common axis,
    per component; NaN where it cannot be said.
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

    Every implant counts with two points, the platform centre and the point 10 mm along its axis, so
    that two or collinear implants are determined, too. `use` are the datum implants; all by
    default. A scan that shows fewer than two of them cannot be aligned and is NaN.
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

    The rotation about the common axis minimises the sum of squared distances of the other
    platforms; in closed form it is the angle of the summed cross and dot products across that axis.
    NaN for scans that miss the first implant or all others. The tilt uncertainty is not stated: it
    is that of one axis.
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


def align(
    poses: PoseArrays, arch: Arch, alignment: str, *, datum: tuple[str, ...] = ()
) -> AlignedPoses:
    """Align scans by ``all-implants``, ``first-implant`` or ``datum-implants``.

    `ComputationError` if fewer than two datum implants are implants of the model.
    """
    if alignment == "all-implants":
        return align_all(poses, arch)
    if alignment == "first-implant":
        return align_first(poses, arch)
    if alignment != "datum-implants":
        raise InputError(f'no alignment "{alignment}"')
    use = np.isin(np.array(arch.implants), datum)
    if use.sum() < 2:
        raise ComputationError(
            f"datum-implants needs two or more of the implants {', '.join(arch.implants)}",
            hint="name them in analysis.datum",
        )
    return align_all(poses, arch, use=use)


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

    It is such that 1.96 of it cover 95 %; NaN for fewer than three implants. Implants err
    independently and alike. An implant's error has four parameters: the variance along its axis,
    the variances of platform and axis point across it, and their covariance (a body located by its
    upper part moves both). They solve four equations, squares and products of residuals = their
    expectation under the fit, which knows that residuals are smaller than errors by the leverage of
    each point. Their ratios are those of all scans that show the same implants; the size is each
    scan's own, whose degrees of freedom (Satterthwaite) the quantile of Student's t over 1.96
    allows for. Errors that neighbours share, a stretched or bent scan, are not in it. With one scan
    of four implants 1.96 of the result cover about 85 %; from a few scans on, 94 to 97 %.
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
    moments = np.stack([np.einsum("si,si->s", flat @ basis, flat) for basis in bases], axis=1)
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
        now = replace(arch, positions_mm=points, axes=axes)
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
