"""Deviation tables: pairs without alignment, implants by three alignments, whole scans.

And whether one error in the settings of the scan body explains the bias of all implants: an origin,
axis or flat that is wrong in the drawing's description moves every implant by the same amount in
its own frame. The deviations then look large, repeatable and odd. Such a correction is found and
named, never applied: a device may have a bias of its own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from accstudy.compare.align import AlignedPoses, PoseArrays, align, pose_arrays
from accstudy.compare.arch import Arch, arch_of
from accstudy.errors import ComputationError
from accstudy.geometry.rigid import (
    angle_between_deg,
    fit_rigid,
    frame_from_axis,
    rotation_about_deg,
    unit,
)
from accstudy.tables import TABLES, empty, shape

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

_PARALLEL = float(np.sin(np.radians(1.0)))
"""Sine of the angle below which two axes count as parallel: whichever way one of them is
turned then, the angle between them grows."""


def pair_deviations(poses: pd.DataFrame, reference: pd.DataFrame) -> pd.DataFrame:
    """Deviation of distance and angle of every two implants of every scan.

    Distances and angles between implants stay the same when a scan is moved as
    a rigid body, so these results depend on no alignment.

    Parameters
    ----------
    poses : DataFrame
        Table ``poses`` of scans of one model.
    reference : DataFrame
        Rows of table ``implants`` of that model.

    Returns
    -------
    DataFrame
        Table ``pair_deviations`` without ``condition`` and ``cell``; scans in
        the order of `poses`, pairs in arch order. Pairs of which a scan lacks
        an implant are absent.

    Notes
    -----
    n implants give n(n - 1)/2 pairs but, with their axes, fewer free numbers:
    the pairs of a scan are not independent observations. To first order a distance
    deviates by ``(e_b - e_a) . direction`` when the positions are off by e, an angle by
    ``(r_b - r_a) . normal`` when the axes are turned by r.

    ``angulation_deg`` of a pair is the larger of the angulations of its two implants:
    the designed tilt, or the angle to the model's occlusal direction (see
    `accstudy.geometry.rigid`), NaN where neither is known. ``divergence_deg`` is the
    angle between the two reference axes; two implants tilted alike by 30 degrees have
    an angulation of 30 and a divergence of 0.
    """
    arch = arch_of(reference)
    model, scans = _model_and_scans(poses, reference)
    if not scans:
        return empty("pair_deviations")
    arrays = pose_arrays(poses, arch, scans)
    n = len(arch.implants)
    first, second = np.triu_indices(n, k=1)
    measured = np.linalg.norm(
        arrays.positions_mm[:, second] - arrays.positions_mm[:, first], axis=2
    )
    span = np.linalg.norm(arch.positions_mm[second] - arch.positions_mm[first], axis=1)
    angle = angle_between_deg(arrays.axes[:, first], arrays.axes[:, second])
    angle_reference = angle_between_deg(arch.axes[first], arch.axes[second])
    direction = (arch.positions_mm[second] - arch.positions_mm[first]) / span[:, None]
    normal = _common_normal(arch.axes[first], arch.axes[second])
    both_ways = [
        angle_between_deg(
            _second_axis_in_first_frame(arrays.positions_mm, arrays.axes, a, b),
            _second_axis_in_first_frame(arch.positions_mm[None], arch.axes[None], a, b),
        )
        for a, b in ((first, second), (second, first))
    ]
    relative = np.sqrt((both_ways[0] ** 2 + both_ways[1] ** 2) / 2)
    names = np.array(arch.implants, dtype=object)
    s, p = measured.shape
    frame = pd.DataFrame(
        {
            "scan": np.repeat(np.array(scans, dtype=object), p),
            "model": model,
            "implant_a": np.tile(names[first], s),
            "implant_b": np.tile(names[second], s),
            "span_mm": np.tile(span, s),
            "path_mm": np.tile(arch.path_mm[second] - arch.path_mm[first], s),
            "steps": np.tile(second - first, s),
            "angulation_deg": np.tile(
                np.maximum(arch.angulation_deg[first], arch.angulation_deg[second]), s
            ),
            "divergence_deg": np.tile(angle_reference, s),
            "n_implants": n,
            "distance_um": (1000 * (measured - span)).ravel(),
            "angle_deg": (angle - angle_reference).ravel(),
            "relative_axis_deg": relative.ravel(),
            **{f"direction_{k}": np.tile(direction[:, i], s) for i, k in enumerate("xyz")},
            **{f"normal_{k}": np.tile(normal[:, i], s) for i, k in enumerate("xyz")},
        }
    )
    return shape("pair_deviations", frame[np.isfinite(measured).ravel()])


def _common_normal(axes_a: Floats, axes_b: Floats) -> Floats:
    """Unit vectors square to both axes; zero where the axes are parallel."""
    across = np.cross(axes_a, axes_b)
    length = np.linalg.norm(across, axis=1, keepdims=True)
    return np.where(length > _PARALLEL, across / np.maximum(length, _PARALLEL), 0.0)


def _second_axis_in_first_frame(points: Floats, axes: Floats, a: Ints, b: Ints) -> Floats:
    """Axes of implants b in the frames of axes a and the lines between, (s, pairs, 3)."""
    line, axis_a, axis_b = points[:, b] - points[:, a], axes[:, a], axes[:, b]
    x = unit(line - np.sum(line * axis_a, axis=-1, keepdims=True) * axis_a)
    y = np.cross(axis_a, x)
    return np.stack([np.sum(axis_b * e, axis=-1) for e in (x, y, axis_a)], axis=-1)


def implant_deviations(
    poses: pd.DataFrame, reference: pd.DataFrame, *, datum: tuple[str, ...] = ()
) -> pd.DataFrame:
    """Deviation of every implant of every scan, by each alignment.

    Parameters
    ----------
    poses : DataFrame
        Table ``poses`` of scans of one model.
    reference : DataFrame
        Rows of table ``implants`` of that model.
    datum : tuple of str
        Datum implants; without them that alignment is left out. Names that the
        model does not have are passed over.

    Returns
    -------
    DataFrame
        Table ``implant_deviations`` without ``condition`` and ``cell``.

    Raises
    ------
    ComputationError
        If fewer than two datum implants are implants of the model.

    Notes
    -----
    The same scan shows different deviations by each alignment; none is wrong.
    ``all-implants`` spreads an error over all, ``first-implant`` piles it up at
    the far end. ``u_alignment_tilt_deg`` is what the alignment itself may be
    tilted by (`accstudy.compare.align`): in one scan, the angle of one implant is
    known no better than that.
    """
    arch = arch_of(reference)
    model, scans = _model_and_scans(poses, reference)
    if not scans:
        return empty("implant_deviations")
    arrays = pose_arrays(poses, arch, scans)
    alignments = ["all-implants", "first-implant", *(["datum-implants"] if datum else [])]
    frames = [
        _deviations_of(arrays, arch, how, align(arrays, arch, how, datum=datum)).assign(model=model)
        for how in alignments
    ]
    rank = {name: i for i, name in enumerate(scans)}
    out = pd.concat(frames, ignore_index=True)
    order = np.argsort(out["scan"].map(rank).to_numpy(), kind="stable")
    return shape("implant_deviations", out.iloc[order])


def _deviations_of(
    arrays: PoseArrays, arch: Arch, alignment: str, placed: AlignedPoses
) -> pd.DataFrame:
    delta_um = 1000 * (placed.points(arrays.positions_mm) - arch.positions_mm)
    axes = placed.vectors(arrays.axes)
    flats = placed.vectors(arrays.flats)
    s, n = delta_um.shape[:2]

    def along(directions: Floats) -> Floats:
        component: Floats = np.einsum("sni,ni->sn", delta_um, directions)
        return component.ravel()

    def tilt(directions: Floats) -> Floats:
        # seen square to the reference axis, so that a tilted implant's tilt is its own
        across = directions - np.sum(directions * arch.axes, axis=1, keepdims=True) * arch.axes
        sideways = np.einsum("sni,ni->sn", axes, unit(across))
        upright = np.einsum("sni,ni->sn", axes, arch.axes)
        angle: Floats = np.degrees(np.arctan2(sideways, upright))
        return angle.ravel()

    frame = pd.DataFrame(
        {
            "scan": np.repeat(np.array(arrays.scans, dtype=object), n),
            "implant": np.tile(np.array(arch.implants, dtype=object), s),
            "alignment": alignment,
            "dx_um": delta_um[:, :, 0].ravel(),
            "dy_um": delta_um[:, :, 1].ravel(),
            "dz_um": delta_um[:, :, 2].ravel(),
            "mesiodistal_um": along(arch.mesiodistal),
            "buccolingual_um": along(arch.buccolingual),
            "vertical_um": along(arch.vertical),
            "distance_um": np.linalg.norm(delta_um, axis=2).ravel(),
            "angle_deg": angle_between_deg(axes, arch.axes[None]).ravel(),
            "tilt_mesiodistal_deg": tilt(arch.mesiodistal),
            "tilt_buccolingual_deg": tilt(arch.buccolingual),
            "rotation_deg": rotation_about_deg(
                np.broadcast_to(arch.axes, axes.shape),
                np.broadcast_to(arch.flats, flats.shape),
                flats,
            ).ravel(),
            "angulation_deg": np.tile(arch.angulation_deg, s),
            "angulation_by": np.tile(np.array(arch.angulation_by or ("",) * n, dtype=object), s),
            "n_implants": n,
            "u_alignment_tilt_deg": np.repeat(placed.tilt_u_deg, n),
        }
    )
    seen: pd.DataFrame = frame[np.isfinite(delta_um).all(axis=2).ravel()]
    return seen


def _model_and_scans(poses: pd.DataFrame, reference: pd.DataFrame) -> tuple[str, list[str]]:
    models = reference["model"].unique()
    if len(models) != 1:
        raise ValueError("reference rows of one model are needed")
    mine = poses[poses["model"] == models[0]]
    return str(models[0]), list(dict.fromkeys(mine["scan"]))


_OF_A_PAIR = set(TABLES["pair_deviations"].names)


def scan_deviations(pairs: pd.DataFrame) -> pd.DataFrame:
    """Largest and root mean square deviation of the pairs of every scan.

    These are the figures that a case meets: a framework joins all implants, so the
    worst pair counts. More implants make more pairs, so the worst one grows with the
    number of implants even where no single distance does.

    Parameters
    ----------
    pairs : DataFrame
        Table ``pair_deviations``, factor columns included.

    Returns
    -------
    DataFrame
        Table ``scan_deviations``, scans in the order of `pairs`. ``complete`` is false
        where the scan lacks a pair of its model; its worst pair is then the worst of
        fewer, not to be compared with that of complete scans.

    Examples
    --------
    >>> pairs = pd.DataFrame({"scan": "s1", "model": "M", "implant_a": ["A", "A", "B"],
    ...     "implant_b": ["B", "C", "C"], "n_implants": 3, "distance_um": [3.0, -4.0, 0.0],
    ...     "angle_deg": [0.1, -0.2, 0.0], "span_mm": [10.0, 20.0, 11.0],
    ...     "path_mm": [10.0, 21.0, 11.0], "angulation_deg": [5.0, 30.0, 30.0]})
    >>> scan_deviations(pairs)[["worst_distance_um", "rms_distance_um", "worst_angle_deg"]]
       worst_distance_um  rms_distance_um  worst_angle_deg
    0                4.0         2.886751              0.2
    """
    if pairs.empty:
        return empty("scan_deviations")
    factors = tuple(c for c in pairs.columns if c not in _OF_A_PAIR)
    size = pairs["distance_um"].abs()
    table = pairs.assign(
        _size=size,
        _square=pairs["distance_um"] ** 2,
        _angle=pairs["angle_deg"].abs(),
    )
    grouped = table.groupby("scan", sort=False)
    first = pairs.drop_duplicates("scan").set_index("scan")
    out = first[[c for c in ("model", "condition", "cell", "n_implants", *factors) if c in first]]
    out = out.assign(
        n_pairs=grouped.size(),
        angulation_deg=grouped["angulation_deg"].max(),
        span_mm=grouped["span_mm"].max(),
        path_mm=grouped["path_mm"].max(),
        worst_distance_um=grouped["_size"].max(),
        rms_distance_um=np.sqrt(grouped["_square"].mean()),
        worst_angle_deg=grouped["_angle"].max(),
    )
    n = out["n_implants"].astype(int)
    out["complete"] = out["n_pairs"] == n * (n - 1) // 2
    worst = pairs.loc[size.groupby(pairs["scan"], sort=False).idxmax()].set_index("scan")
    out["worst_implant_a"], out["worst_implant_b"] = worst["implant_a"], worst["implant_b"]
    return shape("scan_deviations", out.reset_index(), factors=factors)


def models_scanned(pairs: pd.DataFrame) -> pd.DataFrame:
    """What the scanned models are like: implants, angulation, span, path.

    Parameters
    ----------
    pairs : DataFrame
        Table ``pair_deviations``.

    Returns
    -------
    DataFrame
        Table ``models``, in the order of `pairs`.
    """
    if pairs.empty:
        return empty("models")
    grouped = pairs.groupby("model", sort=False)
    out = grouped.agg(
        n_implants=("n_implants", "max"),
        angulation_deg=("angulation_deg", "max"),
        span_mm=("span_mm", "max"),
        path_mm=("path_mm", "max"),
        n_scans=("scan", "nunique"),
    )
    return shape("models", out.reset_index())


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
