"""The limit of every pair: held in every session, and projected from its trend."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from accstudy.drift.changes import find_changes
from accstudy.drift.device import SLOPE_METHOD
from accstudy.drift.limits import limit_rows, pair_sessions, sessions_of_pairs
from accstudy.drift.options import DriftOptions
from accstudy.drift.projection import project
from accstudy.drift.trend import MIN_TREND, Trend, months, trend_of

__all__ = ["hold_limit"]

Key = tuple[str, str, str]


def hold_limit(
    pairs: pd.DataFrame,
    whose: pd.DataFrame,
    u: dict[Key, float],
    begins: dict[tuple[str, str], pd.Timestamp],
    charted: Mapping[tuple[str, ...], Trend],
    options: DriftOptions,
) -> tuple[pd.DataFrame, list[dict[str, Any]]]:
    """Hold the limit against every pair in every session, and look ahead.

    Parameters
    ----------
    pairs : DataFrame
        Table ``pair_deviations``.
    whose : DataFrame
        ``scan, model, device, session, at``, one row a scan.
    u : dict
        Standard uncertainty of the reference for each (model, implant a, implant b), um.
    begins : dict
        For each (device, model) the day since which its present baseline holds.
    charted : mapping
        For each (device, model, implant a, implant b) that is charted by itself its trend, so
        that one slope has one value.
    options : DriftOptions
        With a limit.

    Returns
    -------
    limits : DataFrame
        Rows of table ``drift_limits``.
    ahead : list of dict
        Rows of table ``drift_pairs``.
    """
    assert options.limit_um is not None
    sessions = sessions_of_pairs(pairs, whose)
    known = {key: pair_sessions(rows) for key, rows in sessions.items()}
    held = limit_rows(known, u, limit=options.limit_um, confidence=options.confidence)
    ahead = []
    for (device, model, a, b), rows in sessions.items():
        since = begins.get((device, model), pd.Timestamp.min)
        now = rows[rows["at"] >= since].reset_index(drop=True)
        known_u, one = _known(u.get((model, a, b))), charted.get((device, model, a, b))
        row = _ahead(now, known_u, options, one) if len(now) >= MIN_TREND else None
        if row is not None:
            names = {"device": device, "model": model, "implant_a": a, "implant_b": b}
            ahead.append({**names, **row})
    return held, ahead


def _known(u: float | None) -> float:
    return 0.0 if u is None or np.isnan(u) else u


def _ahead(
    rows: pd.DataFrame, u: float, options: DriftOptions, charted: Trend | None
) -> dict[str, Any] | None:
    """Trend of one pair since its last step but one, and where it leads."""
    assert options.limit_um is not None
    if charted is None:
        steps = find_changes(rows["mean"], months(rows["at"]), alpha=0.001).changes
        since = steps[-2].index if len(steps) > 1 else 0
        regime = rows.iloc[since if len(rows) - since >= MIN_TREND else 0 :].reset_index(drop=True)
        trend = trend_of(regime, confidence=options.confidence)
    else:
        regime, trend = rows.tail(charted.sessions).reset_index(drop=True), charted
    if trend is None:
        return None
    today = pd.Timestamp(regime["at"].iloc[-1])
    reach = float(months(regime["at"])[-1])
    found = project(
        trend,
        today,
        options.limit_um,
        horizon_months=options.horizon_months or max(reach, 0.25),
        coverage=options.coverage,
        confidence=options.confidence,
        u=u,
    )
    row: dict[str, Any] = {
        "since": regime["at"].iloc[0],
        "until": today,
        "n_sessions": trend.sessions,
        "n_scans": trend.scans,
        "slope_um_per_month": trend.estimate,
        "slope_low_um": trend.low,
        "slope_high_um": trend.high,
        "p": trend.p,
        "bound_um": found.bound,
        "coverage": options.coverage,
        "confidence": options.confidence,
        "limit_um": options.limit_um,
        "method": SLOPE_METHOD,
    }
    shown = trend.p < 1 - options.confidence
    if found.reached or shown:
        row["reached_at"] = today.normalize() if found.reached else found.at
    if shown:
        row["reached_low"], row["reached_high"] = found.low, found.high
        row["horizon"] = found.horizon
    if not np.isfinite(found.bound):
        return None
    return row
