"""Months, years and devices side by side."""

from __future__ import annotations

import math
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import stdtr, stdtrit

__all__ = ["between_devices", "periods"]

_MEANS = "session means, Student's t"
_WELCH = "session means, Welch's t"
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
