"""The arch of a reference model: order, path, and the directions that a dentist names."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import scipy  # scipy.interpolate loads when it is first used
from numpy.typing import NDArray

from accstudy.compare.order import arch_order
from accstudy.geometry.rigid import unit

__all__ = ["Arch", "arch_of", "model_arches"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Arch:
    """A reference model seen along its arch.

    Parameters
    ----------
    implants : tuple of str
        In the order along the arch.
    positions_mm, axes : (n, 3) ndarray
        Platforms and unit axes in that order, reference frame.
    flats : (n, 3) ndarray
        Directions towards the flats; NaN where unknown.
    path_mm : (n,) ndarray
        Length along the arch curve from the first platform.
    common_axis : (3,) ndarray
        Mean direction of the axes.
    mesiodistal, buccolingual, vertical : (n, 3) ndarray
        Right-angled directions at every implant: along the arch towards its
        last implant, across it outwards, and along the common axis.
    angulation_deg : (n,) ndarray
        Tilt of each implant against the occlusal direction, as the reference gives it; NaN
        where it is unknown.
    outward_known : bool
        False when the platforms lie on a line, so that outwards is a convention
        (the right-hand side when looking from the first implant to the last
        with the axes up).
    angulation_by : tuple of str
        How each ``angulation_deg`` is defined; empty if the reference does not say.
    rivals : tuple of tuple of str
        Other orders that the positions support about as well.
    """

    implants: tuple[str, ...]
    positions_mm: Floats
    axes: Floats
    flats: Floats
    path_mm: Floats
    common_axis: Floats
    mesiodistal: Floats
    buccolingual: Floats
    vertical: Floats
    angulation_deg: Floats
    outward_known: bool
    angulation_by: tuple[str, ...] = ()
    rivals: tuple[tuple[str, ...], ...] = ()


def arch_of(reference: pd.DataFrame) -> Arch:
    """Lay a smooth curve through the reference platforms of one model.

    Parameters
    ----------
    reference : DataFrame
        Rows of table ``implants`` of one model, unit axes.

    Returns
    -------
    Arch

    Notes
    -----
    For the order see `accstudy.compare.order.arch_order`. The curve is a cubic spline over
    the centripetal parameter (differences to the power 1/2), which keeps it
    free of loops between unevenly spaced platforms. For two implants it is the
    straight line: the path is then the span, although the arch between them
    may be longer.
    """
    positions = reference[["x_mm", "y_mm", "z_mm"]].to_numpy(float)
    common = unit(reference[["axis_x", "axis_y", "axis_z"]].to_numpy(float).sum(axis=0))
    found = arch_order(positions, common, stated=reference.get("arch_order"))
    order = list(found.order)
    rows = reference.iloc[order].reset_index(drop=True)
    positions = positions[order]
    axes = rows[["axis_x", "axis_y", "axis_z"]].to_numpy(float)
    flats = rows[["flat_x", "flat_y", "flat_z"]].to_numpy(float)
    names = reference["implant"].tolist()
    tangents, path = _curve(positions)
    vertical = np.broadcast_to(common, tangents.shape)
    along = unit(tangents - (tangents @ common)[:, None] * common)
    across = np.cross(along, vertical)
    side, known = _outward_side(positions, common)
    return Arch(
        implants=tuple(rows["implant"]),
        positions_mm=positions,
        axes=axes,
        flats=flats,
        path_mm=path,
        common_axis=common,
        mesiodistal=along,
        buccolingual=side * across,
        vertical=vertical.copy(),
        angulation_deg=rows["angulation_deg"].to_numpy(float),
        outward_known=known,
        angulation_by=tuple(rows["angulation_by"]) if "angulation_by" in rows else (),
        rivals=tuple(tuple(names[k] for k in way) for way in found.rivals),
    )


def model_arches(implants: pd.DataFrame) -> dict[str, Arch]:
    """Arch of every model, from the first reference of each.

    Parameters
    ----------
    implants : DataFrame
        Table ``implants``.
    """
    found = {}
    for model, rows in implants.groupby("model", sort=False):
        first = rows
        if "valid_from" in rows and rows["valid_from"].notna().any():
            oldest = rows["valid_from"].min()
            first = rows[rows["valid_from"].isna() | (rows["valid_from"] == oldest)]
        found[str(model)] = arch_of(first.drop_duplicates("implant"))
    return found


def _curve(positions: Floats) -> tuple[Floats, Floats]:
    """Unit tangents at the platforms and length along the curve, mm."""
    steps = np.linalg.norm(np.diff(positions, axis=0), axis=1)
    if len(positions) <= 2:
        tangents = np.repeat(unit(positions[-1:] - positions[:1]), len(positions), axis=0)
        return tangents, np.concatenate([[0.0], np.cumsum(steps)])
    knots = np.concatenate([[0.0], np.cumsum(np.sqrt(steps))])
    curve = scipy.interpolate.CubicSpline(knots, positions, bc_type="natural")
    speed = curve.derivative()
    nodes, weights = np.polynomial.legendre.leggauss(16)
    half = np.diff(knots) / 2
    at = knots[:-1, None] + half[:, None] * (nodes + 1)
    lengths = half * (np.linalg.norm(speed(at), axis=2) @ weights)
    return unit(speed(knots)), np.concatenate([[0.0], np.cumsum(lengths)])


def _outward_side(positions: Floats, common: Floats) -> tuple[float, bool]:
    """Sign that turns ``tangent x axis`` outwards, and whether the arch says so."""
    chord = positions[-1] - positions[0]
    right = np.cross(chord, common)
    bulge = (positions[1:-1] - positions[0]) @ right
    total = float(bulge.sum()) if len(bulge) else 0.0
    if abs(total) < 0.02 * float(chord @ chord) * max(len(bulge), 1):
        return 1.0, False
    return float(np.sign(total)), True
