"""Standard uncertainty that all scans of a model share: reference and temperature."""

from __future__ import annotations

import math
from typing import TypeVar

import numpy as np
import pandas as pd

from accstudy.accuracy.measurands import IMPLANT_MEASURANDS

__all__ = ["length_u_um", "pair_reference_u", "shared_uncertainty", "temperature_u_um"]


Lengths = TypeVar("Lengths", float, "pd.Series[float]")


def length_u_um(length_mm: Lengths, *, constant_um: float, per_metre_um: float = 0.0) -> Lengths:
    """Standard uncertainty of a length from the largest permitted error of a CMM.

    Parameters
    ----------
    length_mm : float or Series
        Measured length.
    constant_um, per_metre_um : float
        E = constant + per_metre L, in um, L in metres (the form of ISO 10360-2).

    Returns
    -------
    float or Series
        E / sqrt(3), um: every error within the limit is held equally likely
        (JCGM 100:2008, 4.3.7).

    Examples
    --------
    >>> round(length_u_um(50.0, constant_um=1.9, per_metre_um=4.0), 3)
    1.212
    """
    return (constant_um + per_metre_um * length_mm / 1000.0) / math.sqrt(3.0)


def temperature_u_um(length_mm: Lengths, *, expansion_per_k: float, tolerance_k: float) -> Lengths:
    """Standard uncertainty of a length because the temperature is known to +- tolerance.

    Parameters
    ----------
    length_mm : float or Series
        Length of the model.
    expansion_per_k : float
        Its linear expansion.
    tolerance_k : float
        Half-width of the temperature's range, K; rectangular.

    Returns
    -------
    float or Series
        um.

    Examples
    --------
    >>> round(temperature_u_um(50.0, expansion_per_k=75e-6, tolerance_k=1.0), 2)
    2.17
    """
    return 1000.0 * length_mm * expansion_per_k * tolerance_k / math.sqrt(3.0)


def pair_reference_u(
    implants: pd.DataFrame,
    pairs: pd.DataFrame,
    *,
    mpe_constant_um: float | None = None,
    mpe_per_metre_um: float = 0.0,
) -> pd.DataFrame:
    """Reference uncertainty of every pair's distance and angle.

    Parameters
    ----------
    implants : DataFrame
        Table ``implants``; ``u_position_um`` and ``u_axis_deg`` where known.
    pairs : DataFrame
        ``model``, ``implant_a``, ``implant_b``, ``span_mm``, one row a pair.
    mpe_constant_um, mpe_per_metre_um : float, optional
        Largest permitted length error of the CMM, for pairs without a certified
        uncertainty of both positions.

    Returns
    -------
    DataFrame
        `pairs` with ``u_distance_um``, ``u_angle_deg`` (0 where nothing is known)
        and ``u_from``: certificate, MPE or nothing.
    """
    known = implants.reindex(columns=["model", "implant", "u_position_um", "u_axis_deg"])
    known = known.drop_duplicates(["model", "implant"])
    out = pairs.copy()
    for end in ("a", "b"):
        right = known.rename(
            columns={
                "implant": f"implant_{end}",
                "u_position_um": f"_u_{end}",
                "u_axis_deg": f"_t_{end}",
            }
        )
        out = out.merge(right, on=["model", f"implant_{end}"], how="left")
    squares = {
        c: pd.to_numeric(out[c]).astype(float) ** 2 for c in ("_u_a", "_u_b", "_t_a", "_t_b")
    }
    certified = (squares["_u_a"] + squares["_u_b"]) ** 0.5
    out["u_from"] = np.where(certified.notna(), "certificate", "nothing")
    if mpe_constant_um is not None:
        mpe = length_u_um(
            out["span_mm"].astype(float),
            constant_um=mpe_constant_um,
            per_metre_um=mpe_per_metre_um,
        )
        out["u_from"] = np.where(certified.notna(), "certificate", "MPE")
        certified = certified.fillna(mpe)
    out["u_distance_um"] = certified.fillna(0.0)
    out["u_angle_deg"] = ((squares["_t_a"] + squares["_t_b"]) ** 0.5).fillna(0.0)
    return out.drop(columns=["_u_a", "_u_b", "_t_a", "_t_b"])


def shared_uncertainty(
    implants: pd.DataFrame,
    pairs: pd.DataFrame,
    *,
    mpe_constant_um: float | None = None,
    mpe_per_metre_um: float = 0.0,
    expansion_per_k: float = 0.0,
    temperature_tolerance_k: float = 0.0,
) -> pd.DataFrame:
    """Standard uncertainty common to all scans, for every pair and implant.

    Parameters
    ----------
    implants : DataFrame
        Table ``implants``.
    pairs : DataFrame
        Rows with ``model``, ``implant_a``, ``implant_b``, ``span_mm``, such as table
        ``pair_deviations``; repeats are ignored.
    mpe_constant_um, mpe_per_metre_um : float, optional
        Largest permitted length error of the CMM.
    expansion_per_k, temperature_tolerance_k : float, optional
        Linear expansion of the model, and how well its temperature is known.

    Returns
    -------
    DataFrame
        ``model``, ``measurand``, ``subject``, ``u``: for `accuracy_table`.

    Notes
    -----
    An implant's component takes the certified uncertainty of its position, or for
    want of it the constant part of the CMM's limit, and the expansion over its
    distance from the middle of the arrangement. An alignment spreads the
    reference's errors over all implants; the share that it takes away is ignored,
    so these values lie on the safe side.
    """
    on = ["model", "implant_a", "implant_b"]
    each = pairs.drop_duplicates(on)[[*on, "span_mm"]].reset_index(drop=True)
    each = pair_reference_u(
        implants, each, mpe_constant_um=mpe_constant_um, mpe_per_metre_um=mpe_per_metre_um
    )
    warm = temperature_u_um(
        each["span_mm"].astype(float),
        expansion_per_k=expansion_per_k,
        tolerance_k=temperature_tolerance_k,
    )
    subject = each["implant_a"].astype(str) + "-" + each["implant_b"].astype(str)
    parts = [
        pd.DataFrame(
            {"model": each["model"], "measurand": "distance_um", "subject": subject}
        ).assign(u=np.hypot(each["u_distance_um"], warm)),
        pd.DataFrame({"model": each["model"], "measurand": "angle_deg", "subject": subject}).assign(
            u=each["u_angle_deg"]
        ),
    ]
    one = implants.drop_duplicates(["model", "implant"]).reset_index(drop=True)
    axes = ["x_mm", "y_mm", "z_mm"]
    middle = one.groupby("model")[axes].transform("mean")
    radius = ((one[axes] - middle) ** 2).sum(axis=1) ** 0.5
    known = one.reindex(columns=["u_position_um", "u_axis_deg"]).astype(float)
    position = known["u_position_um"].fillna((mpe_constant_um or 0.0) / math.sqrt(3.0))
    moved = np.hypot(
        position,
        temperature_u_um(
            radius, expansion_per_k=expansion_per_k, tolerance_k=temperature_tolerance_k
        ),
    )
    for measurand in IMPLANT_MEASURANDS:
        u = moved if measurand.endswith("_um") else known["u_axis_deg"].fillna(0.0)
        if measurand == "rotation_deg":
            u = u * 0.0
        parts.append(
            pd.DataFrame(
                {
                    "model": one["model"],
                    "measurand": measurand,
                    "subject": one["implant"].astype(str),
                    "u": u,
                }
            )
        )
    return pd.concat(parts, ignore_index=True)
