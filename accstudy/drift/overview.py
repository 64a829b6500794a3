"""Months, years and devices side by side; the reference before and after."""

from __future__ import annotations

import math
from itertools import combinations, pairwise
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import stdtr, stdtrit

from accstudy.accuracy.reference import pair_reference_u

__all__ = ["between_devices", "periods", "reference_changes"]

_MEANS = "session means, Student's t"
_WELCH = "session means, Welch's t"
_E_N = "E_n of ISO 13528"
_LEAST = 3
"""Sessions below which a mean has no interval: with two, t = 12.7 makes it say nothing."""


def periods(
    sessions: pd.DataFrame, points: pd.DataFrame, events: pd.DataFrame, *, confidence: float = 0.95
) -> pd.DataFrame:
    """Mean of every month and year, with its interval, signals and events.

    Parameters
    ----------
    sessions : DataFrame
        As `accstudy.drift.sessions.session_table` gives them.
    points, events : DataFrame
        Tables ``drift_points`` and ``events``.
    confidence : float
        Of the intervals.

    Returns
    -------
    DataFrame
        Rows of table ``drift_periods``; no interval from fewer than three sessions.
    """
    keys = ["device", "model", "measurand", "unit"]
    flagged = points[points["signal"].fillna(False).astype(bool)] if len(points) else points
    parts = []
    for kind, form in (("month", "%Y-%m"), ("year", "%Y")):
        frame = sessions.assign(period=sessions["at"].dt.strftime(form))
        found = frame.groupby([*keys, "period"], sort=False).agg(
            n_sessions=("session", "nunique"),
            n_scans=("n_scans", "sum"),
            mean=("mean", "mean"),
            sd=("mean", "std"),
        )
        found = found.reset_index().assign(kind=kind)
        if len(flagged):
            seen = flagged.assign(period=flagged["at"].dt.strftime(form))
            count = seen.groupby([*keys, "period"])["session"].nunique().rename("n_signals")
            found = found.merge(count.reset_index(), on=[*keys, "period"], how="left")
        else:
            found["n_signals"] = 0
        found["n_events"] = [
            _events(events, str(d), str(p), form)
            for d, p in zip(found["device"], found["period"], strict=True)
        ]
        parts.append(found)
    table = pd.concat(parts, ignore_index=True)
    n = table["n_sessions"].to_numpy(float)
    half = stdtrit(np.maximum(n - 1, 1), 0.5 + confidence / 2) * table["sd"] / np.sqrt(n)
    half = half.where(n >= _LEAST)
    table["low"], table["high"] = table["mean"] - half, table["mean"] + half
    table["n_signals"] = table["n_signals"].fillna(0).astype("int64")
    table["confidence"], table["method"] = confidence, _MEANS
    return table


def _events(events: pd.DataFrame, device: str, period: str, form: str) -> int:
    if not len(events):
        return 0
    mine = events[events["device"].fillna("").isin(["", device])]
    return int((pd.to_datetime(mine["at"]).dt.strftime(form) == period).sum())


def between_devices(sessions: pd.DataFrame, *, confidence: float = 0.95) -> pd.DataFrame:
    """Difference of every two devices on the same model, a year and in all.

    Parameters
    ----------
    sessions : DataFrame
        As `accstudy.drift.sessions.session_table` gives them.
    confidence : float
        Of the intervals.

    Returns
    -------
    DataFrame
        Rows of table ``drift_devices``; session means by Welch's t, two sessions or more
        on either side.
    """
    rows: list[dict[str, Any]] = []
    for (model, measurand, unit), mine in sessions.groupby(
        ["model", "measurand", "unit"], sort=False
    ):
        years = mine["at"].dt.strftime("%Y")
        for period in [*sorted(set(years)), "all"]:
            part = mine if period == "all" else mine[years == period]
            for a, b in combinations(sorted(set(part["device"])), 2):
                x, y = (part.loc[part["device"] == d, "mean"].to_numpy(float) for d in (a, b))
                names = {"model": model, "measurand": measurand, "unit": unit, "period": period}
                rows.append({**names, "device_a": a, "device_b": b, **_welch(x, y, confidence)})
    return pd.DataFrame(rows)


def _welch(x: np.ndarray[Any, Any], y: np.ndarray[Any, Any], confidence: float) -> dict[str, Any]:
    out: dict[str, Any] = {
        "sessions_a": len(x),
        "sessions_b": len(y),
        "difference": float(y.mean() - x.mean()),
        "confidence": confidence,
        "method": _WELCH,
    }
    if min(len(x), len(y)) < 2:
        return out
    parts = x.var(ddof=1) / len(x), y.var(ddof=1) / len(y)
    if not sum(parts) > 0:
        return out
    df = sum(parts) ** 2 / (parts[0] ** 2 / (len(x) - 1) + parts[1] ** 2 / (len(y) - 1))
    se = math.sqrt(sum(parts))
    half = float(stdtrit(df, 0.5 + confidence / 2)) * se
    out["low"], out["high"] = out["difference"] - half, out["difference"] + half
    out["p"] = float(2 * stdtr(df, -abs(out["difference"]) / se))
    return out


def reference_changes(
    implants: pd.DataFrame, *, mpe_constant_um: float | None, mpe_per_metre_um: float = 0.0
) -> pd.DataFrame:
    """Compare every new reference of a model with the one before, pair by pair.

    Parameters
    ----------
    implants : DataFrame
        Table ``implants``; later references have a ``valid_from``.
    mpe_constant_um, mpe_per_metre_um : float, optional
        Maximum permissible error of the CMM, where positions have no certified
        uncertainty.

    Returns
    -------
    DataFrame
        Rows of table ``drift_references``.

    Notes
    -----
    ``E_n`` is the difference over the expanded uncertainty (k = 2) of both: above 1 the
    two do not agree. The two measurements count as independent, so that what they share
    (the same CMM) makes E_n too small, never too large.

    References
    ----------
    ISO 13528:2022, 9.7 (E_n).
    """
    if "valid_from" not in implants or implants["valid_from"].isna().all():
        return pd.DataFrame()
    rows: list[dict[str, Any]] = []
    for model, mine in implants.groupby("model", sort=True):
        since = pd.to_datetime(mine["valid_from"]).fillna(pd.Timestamp("1900-01-01"))
        versions = [(day, part) for day, part in mine.groupby(since, sort=True)]
        for (_, old), (day, new) in pairwise(versions):
            before, after = (
                _lengths(part, mpe_constant_um, mpe_per_metre_um) for part in (old, new)
            )
            for pair in before.index.intersection(after.index):
                rows.append(
                    {"model": model, "valid_from": day, "implant_a": pair[0], "implant_b": pair[1],
                     **_e_n(before.loc[pair], after.loc[pair])}
                )  # fmt: skip
    return pd.DataFrame(rows)


def _lengths(
    implants: pd.DataFrame, constant_um: float | None, per_metre_um: float
) -> pd.DataFrame:
    """Distance and its standard uncertainty of every pair."""
    at = implants.set_index("implant")[["x_mm", "y_mm", "z_mm"]].astype(float)
    model = str(implants["model"].iloc[0])
    pairs = pd.DataFrame(
        [
            (model, a, b, float(np.linalg.norm(at.loc[a] - at.loc[b])))
            for a, b in combinations(sorted(at.index), 2)
        ],
        columns=["model", "implant_a", "implant_b", "span_mm"],
    )
    found = pair_reference_u(
        implants, pairs, mpe_constant_um=constant_um, mpe_per_metre_um=per_metre_um
    )
    return found.set_index(["implant_a", "implant_b"])[["span_mm", "u_distance_um"]]


def _e_n(before: pd.Series, after: pd.Series) -> dict[str, Any]:
    difference = 1000 * float(after["span_mm"] - before["span_mm"])
    u = [float(one["u_distance_um"]) for one in (before, after)]
    expanded = 2 * math.hypot(*u)
    known = min(u) > 0
    e_n = difference / expanded if known else float("nan")
    return {
        "before_mm": float(before["span_mm"]),
        "after_mm": float(after["span_mm"]),
        "difference_um": difference,
        "expanded_um": expanded if known else float("nan"),
        "e_n": e_n,
        "verdict": ("differs" if abs(e_n) > 1 else "agrees") if known else "uncertainty unknown",
        "method": _E_N,
    }
