"""Standard uncertainty common to all scans of a model: reference and temperature."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TypeVar

import numpy as np
import numpy.typing as npt
import pandas as pd

from accstudy.accuracy.measurands import IMPLANT_MEASURANDS, pair_names
from accstudy.errors import InputError
from accstudy.study.reference_runs import of_mean
from accstudy.tables import valid_since

Lengths = TypeVar("Lengths", float, "pd.Series[float]")


def length_u_um(length_mm: Lengths, *, constant_um: float, per_metre_um: float = 0.0) -> Lengths:
    """Standard uncertainty of a length, um, from the maximum permissible error of a CMM.

    E = constant + per_metre L (the form of ISO 10360-2, L in metres) over sqrt(3): every error
    within the limit is held equally likely (JCGM 100:2008, 4.3.7).

    Examples
    --------
    >>> round(length_u_um(50.0, constant_um=1.9, per_metre_um=4.0), 3)
    1.212
    """
    return (constant_um + per_metre_um * length_mm / 1000.0) / math.sqrt(3.0)


def temperature_u_um(length_mm: Lengths, *, expansion_per_k: float, tolerance_k: float) -> Lengths:
    """Standard uncertainty of a length, um, because the temperature is known to +- `tolerance_k`
    (rectangular); `expansion_per_k` is the linear expansion of the model.

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
    runs: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Reference uncertainty of every pair's distance and angle.

    `pairs` with ``u_distance_um``, ``u_angle_deg`` (NaN where not stated), its parts
    ``u_instrument_um``, ``u_runs_um`` and ``u_body_um`` (of scan bodies that were learned, not
    drawn), and ``u_from``: certificate, MPE or nothing. `implants` tells ``u_position_um`` and
    ``u_axis_deg`` where known; the maximum permissible error of the CMM is for pairs without a
    certified uncertainty of both positions; `runs`, table ``reference_runs``, where the reference
    is the mean of several. Runs do not show what the machine does wrong in all of them: without
    certificate and MPE the whole is not stated.
    """
    known = implants.reindex(
        columns=[
            "model", "implant", "u_position_um", "u_axis_deg", "u_runs_deg", "u_body_um",
            "u_body_deg",
        ]
    )  # fmt: skip
    known = known.drop_duplicates(["model", "implant"])
    out = pairs.copy()
    for end in ("a", "b"):
        right = known.rename(
            columns={
                "implant": f"implant_{end}",
                "u_position_um": f"_u_{end}",
                "u_axis_deg": f"_t_{end}",
                "u_runs_deg": f"_r_{end}",
                "u_body_um": f"_b_{end}",
                "u_body_deg": f"_d_{end}",
            }
        )
        out = out.merge(right, on=["model", f"implant_{end}"], how="left")
    squares = {
        c: pd.to_numeric(out[c]).astype(float) ** 2
        for c in (f"_{part}_{end}" for part in "utrbd" for end in "ab")
    }
    certified = (squares["_u_a"] + squares["_u_b"]) ** 0.5
    out["u_from"] = np.where(certified.notna(), "certificate", "nothing")
    if mpe_constant_um is not None:
        mpe = length_u_um(
            out["span_mm"].astype(float), constant_um=mpe_constant_um, per_metre_um=mpe_per_metre_um
        )
        out["u_from"] = np.where(certified.notna(), "certificate", "MPE")
        certified = certified.fillna(mpe)
    turned = sum(squares[c].fillna(0.0) for c in ("_r_a", "_r_b", "_d_a", "_d_b"))
    body = (squares["_b_a"].fillna(0.0) + squares["_b_b"].fillna(0.0)) ** 0.5
    out["u_body_um"] = body.where(body > 0)
    out["u_angle_deg"] = (squares["_t_a"] + squares["_t_b"] + turned) ** 0.5
    out["u_instrument_um"] = certified
    on = ["model", "implant_a", "implant_b"]
    out = out.drop(columns=list(squares)).merge(runs_u(runs), on=on, how="left")
    more = out["u_runs_um"].fillna(0.0) ** 2 + out["u_body_um"].fillna(0.0) ** 2
    out["u_distance_um"] = (out["u_instrument_um"] ** 2 + more) ** 0.5
    return out


def pair_shared_u(
    implants: pd.DataFrame,
    pairs: pd.DataFrame,
    *,
    mpe_constant_um: float | None,
    mpe_per_metre_um: float,
    expansion_per_k: float,
    temperature_tolerance_k: float,
    runs: pd.DataFrame | None,
    seating_um: pd.Series | float = 0.0,
) -> pd.DataFrame:
    """As `pair_reference_u`, with the temperature: ``u_temperature_um``, and ``u_um`` of them all.

    `seating_um` is that of one scan body, where it stayed where it was.
    """
    known = pair_reference_u(
        implants, pairs, mpe_constant_um=mpe_constant_um, mpe_per_metre_um=mpe_per_metre_um,
        runs=runs,
    )  # fmt: skip
    warm = temperature_u_um(
        known["span_mm"].astype(float),
        expansion_per_k=expansion_per_k,
        tolerance_k=temperature_tolerance_k,
    )
    u = (known["u_distance_um"] ** 2 + warm**2 + 2 * seating_um**2) ** 0.5
    return known.assign(u_temperature_um=warm, u_um=u)


def runs_u(runs: pd.DataFrame | None) -> pd.DataFrame:
    """Standard uncertainty of the mean distance of every pair from repeated measurements.

    ``model``, ``implant_a``, ``implant_b`` (in both orders), ``n_runs``, ``s_runs_um``,
    ``u_runs_um``; of several references of a model the first counts. Type A (JCGM 100:2008, 4.2),
    from the distances themselves, so that what the implants of a run share counts as it acts. Every
    pair has a standard deviation of its own: pooled over pairs it would cover the true distance too
    rarely, as their errors are not independent.
    """
    rows: list[dict[str, object]] = []
    on = ["implant_a", "implant_b"]
    for model, given in runs.groupby("model", sort=False) if runs is not None and len(runs) else ():
        since = valid_since(given)
        mine = given[since == since.min()]
        n = int(mine["run"].nunique())
        squared = mine.assign(square=mine["deviation_um"].astype(float) ** 2)
        squares = squared.groupby(on, sort=False)["square"].sum()
        for (a, b), square in zip(squares.index.tolist(), squares, strict=True):
            sd = math.sqrt(square / (n - 1))
            found = {"n_runs": n, "s_runs_um": sd, "u_runs_um": of_mean(sd, n, n - 1.0)}
            rows += [
                {"model": model, "implant_a": one, "implant_b": other, **found}
                for one, other in ((a, b), (b, a))
            ]
    names = ["model", *on, "n_runs", "s_runs_um", "u_runs_um"]
    return pd.DataFrame(rows, columns=names).astype(dict.fromkeys(names[3:], float))


def shared_uncertainty(
    implants: pd.DataFrame,
    pairs: pd.DataFrame,
    *,
    mpe_constant_um: float | None = None,
    mpe_per_metre_um: float = 0.0,
    expansion_per_k: float = 0.0,
    temperature_tolerance_k: float = 0.0,
    seating_um: float | None = None,
    runs: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Standard uncertainty common to all scans of a condition, for every pair and implant.

    The one place where it is worked out: the interval of a bias, the guard of a limit,
    the span curve and the predicted gaps all take it from here.

    Parameters
    ----------
    implants : DataFrame
        Table ``implants``.
    pairs : DataFrame
        Table ``pair_deviations``.
    mpe_constant_um, mpe_per_metre_um : float, optional
        Maximum permissible error of the CMM.
    expansion_per_k, temperature_tolerance_k : float, optional
        Linear expansion of the model, and how well its temperature is known.
    seating_um : float, optional
        Standard uncertainty of a scan body's position from putting it on. It counts
        under conditions in which the bodies stayed where they were (`seated_once`);
        else it scatters with the scans.
    runs : DataFrame, optional
        Table ``reference_runs``.

    Returns
    -------
    DataFrame
        ``condition``, ``model``, ``measurand``, ``subject``, ``u``, for
        `accuracy_table`; NaN where the reference's uncertainty is not stated.

    Notes
    -----
    An implant's component takes the certified uncertainty of its position, or for
    want of it the constant part of the CMM's limit, and the expansion over its
    distance from the middle of the arrangement. An alignment spreads the
    reference's errors over all implants; the share that it takes away is ignored,
    so these values lie on the safe side.
    """
    on = ["condition", "model", "implant_a", "implant_b"]
    each = pairs.drop_duplicates(on)[[*on, "span_mm"]].reset_index(drop=True)
    body = (seating_um or 0.0) * seated_once(pairs)
    each = pair_shared_u(
        implants, each, mpe_constant_um=mpe_constant_um, mpe_per_metre_um=mpe_per_metre_um,
        expansion_per_k=expansion_per_k, temperature_tolerance_k=temperature_tolerance_k,
        runs=runs, seating_um=each["condition"].map(body).astype(float),
    )  # fmt: skip
    subject = pair_names(each)
    head = {"condition": each["condition"], "model": each["model"], "subject": subject}
    parts = [
        pd.DataFrame({**head, "measurand": "distance_um", "u": each["u_um"]}),
        pd.DataFrame({**head, "measurand": "angle_deg", "u": each["u_angle_deg"]}),
    ]
    one = implants.drop_duplicates(["model", "implant"]).reset_index(drop=True)
    axes = ["x_mm", "y_mm", "z_mm"]
    middle = one.groupby("model")[axes].transform("mean")
    radius = ((one[axes] - middle) ** 2).sum(axis=1) ** 0.5
    stated = implant_u(one, mpe_constant_um=mpe_constant_um)
    warm = temperature_u_um(
        radius, expansion_per_k=expansion_per_k, tolerance_k=temperature_tolerance_k
    )
    for condition, u_body in body.items():
        moved = (stated["u_position_um"] ** 2 + warm**2 + u_body**2) ** 0.5
        for measurand in IMPLANT_MEASURANDS:
            u = moved if measurand.endswith("_um") else stated["u_axis_deg"]
            parts.append(
                pd.DataFrame(
                    {
                        "condition": condition,
                        "model": one["model"],
                        "subject": one["implant"].astype(str),
                        "measurand": measurand,
                        "u": u * 0.0 if measurand == "rotation_deg" else u,
                    }
                )
            )
    return pd.concat(parts, ignore_index=True)


def implant_u(
    implants: pd.DataFrame, *, mpe_constant_um: float | None = None, seating_um: float = 0.0
) -> pd.DataFrame:
    """Standard uncertainty of every implant's position and axis that all scans share.

    Parameters
    ----------
    implants : DataFrame
        Table ``implants``.
    mpe_constant_um : float, optional
        Constant part of the CMM's maximum permissible error, for positions without a
        certified uncertainty.
    seating_um : float, optional
        Of a scan body that stayed where it was.

    Returns
    -------
    DataFrame
        ``u_position_um`` (along a line) and ``u_axis_deg``, in the order of `implants`;
        NaN where not stated. The scatter of repeated measurements (``u_runs_um``,
        ``u_runs_deg``) and what is not known of learned scan bodies (``u_body_um``,
        ``u_body_deg``) are in it.
    """
    parts = ["u_position_um", "u_axis_deg", "u_runs_um", "u_runs_deg", "u_body_um", "u_body_deg"]
    known = implants.reindex(columns=parts).astype(float)
    if mpe_constant_um is not None:
        mpe = mpe_constant_um / math.sqrt(3.0)
        known["u_position_um"] = known["u_position_um"].fillna(mpe)
    more = known[parts[2:]].fillna(0.0) ** 2
    moved = more["u_runs_um"] + more["u_body_um"] + seating_um**2
    known["u_position_um"] = (known["u_position_um"] ** 2 + moved) ** 0.5
    turned = more["u_runs_deg"] + more["u_body_deg"]
    known["u_axis_deg"] = (known["u_axis_deg"] ** 2 + turned) ** 0.5
    return known[["u_position_um", "u_axis_deg"]]


def seated_once(pair_deviations: pd.DataFrame) -> pd.Series:
    """Conditions in which the scan bodies stayed where they were, so that all scans share it.

    Parameters
    ----------
    pair_deviations : DataFrame
        Table ``pair_deviations``, with ``reseated`` where known: true for scans before
        which the bodies were put on anew.

    Returns
    -------
    Series of float
        By condition: 0 where the bodies were put on anew in every cell, or, with one
        cell, before half of the scans or more; else 1, also where nothing is known.
    """
    conditions = list(dict.fromkeys(pair_deviations["condition"]))
    out = pd.Series(1.0, index=conditions)
    if "reseated" not in pair_deviations:
        return out
    scans = pair_deviations.drop_duplicates("scan")
    yes = scans["reseated"].astype(str).str.lower() == "true"
    for condition in conditions:
        own = scans["condition"] == condition
        by_cell = yes[own].groupby(scans.loc[own, "cell"]).any()
        several = len(by_cell) > 1
        out[condition] = 1.0 - float(by_cell.all() if several else yes[own].mean() >= 0.5)
    return out


def shared_u(
    keys: pd.DataFrame, reference_u: pd.DataFrame | Mapping[str, float] | None
) -> npt.NDArray[np.float64]:
    """Standard uncertainty that all scans share, for every layout (row of `keys`); NaN: not stated.

    `reference_u` is from `shared_uncertainty`, with or without ``condition``, or one value a
    measurand.
    """
    if reference_u is None:
        return np.full(len(keys), np.nan)
    if isinstance(reference_u, pd.DataFrame):
        on = ["condition", "model", "measurand", "subject"]
        on = [c for c in on if c in reference_u]
        known = reference_u[[*on, "u"]].drop_duplicates(on)
        u = keys[on].merge(known, on=on, how="left")["u"]
    else:
        u = keys["measurand"].map(dict(reference_u))
    return np.asarray(u.astype(float), dtype=np.float64)


def e_n(value: float, reference: float, U_value: float, U_reference: float) -> float:
    """E_n number: difference over the combined expanded uncertainty.

    Parameters
    ----------
    value, reference : float
        Measured value and reference, one unit.
    U_value, U_reference : float
        Expanded uncertainties, k = 2.

    Returns
    -------
    float
        Between -1 and 1 the two agree within their uncertainties.

    References
    ----------
    ISO 13528:2022, 9.7; ISO/IEC 17043.

    Examples
    --------
    >>> e_n(50.012, 50.0, 0.008, 0.006)  # doctest: +ELLIPSIS
    1.2...
    """
    combined = math.hypot(U_value, U_reference)
    if combined == 0:
        raise InputError("E_n needs an uncertainty above zero")
    return (value - reference) / combined
