"""Every pair against the user's limit: in every session, and projected from its trend."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import stdtrit

from accstudy.accuracy.judge import ALL_PAIRS, verdict
from accstudy.drift.changes import find_changes
from accstudy.drift.device import SLOPE_METHOD
from accstudy.drift.options import DriftOptions
from accstudy.drift.projection import project
from accstudy.drift.trend import MIN_TREND, Trend, months, trend_of

__all__ = [
    "ALL_PAIRS",
    "METHOD",
    "PairSessions",
    "hold_limit",
    "limit_rows",
    "pair_sessions",
]

Floats = NDArray[np.float64]

METHOD = "session mean, Student's t, reference included"
WITHOUT = "session mean, Student's t; uncertainty of the reference unknown"


@dataclass(frozen=True, slots=True)
class PairSessions:
    """Sessions of one device, model and pair, with the uncertainty of each mean.

    Parameters
    ----------
    rows : DataFrame
        ``session, at, n_scans, mean, sd`` in order of time.
    sd_of_means : (s,) ndarray
        Standard deviation of each mean about the state of the device.
    df : float
        Its degrees of freedom.
    """

    rows: pd.DataFrame
    sd_of_means: Floats
    df: float


def pair_sessions(rows: pd.DataFrame) -> PairSessions:
    """Estimate how well each session mean of a pair is known.

    Parameters
    ----------
    rows : DataFrame
        ``session, at, n_scans, mean, sd`` in order of time.

    Returns
    -------
    PairSessions
        NaN where neither neighbouring sessions nor repeated scans tell.

    Notes
    -----
    From the differences of neighbouring sessions, which neither drift nor a single step
    inflates much; their mean square over two has 2 (s - 1)^2 / (3 s - 4) degrees of
    freedom. Below six sessions from the scans within sessions alone.

    References
    ----------
    von Neumann, Kent, Bellinson and Hart, Ann Math Stat 12 (1941) 153-162: the mean
    square successive difference and its variance.
    """
    means, n = rows["mean"].to_numpy(float), rows["n_scans"].to_numpy(float)
    count, df_within = len(rows), float(np.sum(n - 1))
    squares = rows["sd"].fillna(0.0).to_numpy(float) ** 2
    within = float(np.sum((n - 1) * squares) / df_within) if df_within else np.nan
    if count >= 6:
        between = 0.5 * float(np.mean(np.diff(means) ** 2))
        df = 2 * (count - 1) ** 2 / (3 * count - 4)
        if np.isnan(within):
            return PairSessions(rows, np.full(count, np.sqrt(between)), df)
        extra = max(between - within * float(np.mean(1 / n)), 0.0)
        return PairSessions(rows, np.sqrt(extra + within / n), df)
    return PairSessions(rows, np.sqrt(within / n), df_within or np.nan)


def _sessions_of_pairs(
    pairs: pd.DataFrame, whose: pd.DataFrame
) -> dict[tuple[str, ...], pd.DataFrame]:
    """Condense pair deviations into sessions."""
    columns = ["scan", "implant_a", "implant_b", "distance_um"]
    found = pairs[columns].merge(whose, on="scan", how="inner").dropna(subset=["distance_um"])
    keys = ["device", "model", "implant_a", "implant_b"]
    grouped = found.groupby([*keys, "session"], sort=False).agg(
        at=("at", "min"),
        n_scans=("distance_um", "size"),
        mean=("distance_um", "mean"),
        sd=("distance_um", "std"),
    )
    table = grouped.reset_index().sort_values([*keys, "at", "session"], kind="stable")
    return {
        tuple(str(part) for part in key): rows.drop(columns=keys).reset_index(drop=True)
        for key, rows in table.groupby(keys, sort=True)
    }


def limit_rows(
    sessions: dict[tuple[str, ...], PairSessions],
    u: dict[tuple[str, str, str], float],
    *,
    limit: float,
    confidence: float = 0.95,
) -> pd.DataFrame:
    """Hold every pair, and all pairs together, against the limit in every session.

    Parameters
    ----------
    sessions : dict
        For each (device, model, implant a, implant b) its sessions.
    u : dict
        Standard uncertainty of the reference for each (model, implant a, implant b), um.
    limit : float
        Of the absolute deviation, um.
    confidence : float
        Of each decision, one-sided.

    Returns
    -------
    DataFrame
        Rows of table ``drift_limits``.

    Notes
    -----
    All pairs together conform where each does: every one must be verified, so the risk
    of the whole is no larger than that of one (Berger, Technometrics 24 (1982) 295-300).
    They do not conform where one does not: there the risk is shared among the pairs
    (Bonferroni). Decision by ISO 14253-1: the uncertainty lies against who states.
    """
    parts: list[pd.DataFrame] = []
    number: dict[tuple[str, str], int] = {}
    for device, model, *_ in sessions:
        number[(device, model)] = number.get((device, model), 0) + 1
    for (device, model, a, b), one in sessions.items():
        reference = u.get((model, a, b), np.nan)
        known = bool(np.isfinite(reference))
        reference = reference if known else 0.0
        combined = np.hypot(one.sd_of_means, reference)
        with np.errstate(divide="ignore", invalid="ignore"):
            df = np.where(one.sd_of_means > 0, combined**4 / (one.sd_of_means**4 / one.df), np.inf)
        away = np.abs(one.rows["mean"].to_numpy(float))
        frame = one.rows[["session", "at", "n_scans"]].assign(
            device=device,
            model=model,
            scope=f"{a}-{b}",
            implant_a=a,
            implant_b=b,
            mean_um=one.rows["mean"],
            u_um=combined,
            bound_um=away + stdtrit(df, confidence) * combined,
            low_um=away - stdtrit(df, confidence) * combined,
            method=METHOD if known else WITHOUT,
        )
        shared = 1 - (1 - confidence) / number[(device, model)]
        frame["_low"] = away - stdtrit(df, shared) * combined
        parts.append(frame)
    if not parts:
        return pd.DataFrame()
    table = pd.concat(parts, ignore_index=True)
    keys = ["device", "model", "session"]
    worst = table.loc[table["bound_um"].fillna(np.inf).groupby([table[k] for k in keys]).idxmax()]
    found = table.groupby(keys).agg(_least=("_low", "max"), _seen=("scope", "size")).reset_index()
    together = worst.merge(found, on=keys).assign(scope=ALL_PAIRS)
    wanted = [number[key] for key in zip(together["device"], together["model"], strict=True)]
    together["low_um"] = together["_least"]
    together.loc[together["_seen"] < wanted, "bound_um"] = np.nan  # a pair that was not seen
    table = pd.concat([together, table], ignore_index=True)
    table["limit_um"], table["confidence"] = limit, confidence
    table["verdict"] = [
        verdict(high, low, limit)
        for high, low in zip(table["bound_um"], table["low_um"].fillna(-np.inf), strict=True)
    ]
    table["_pair"] = table["scope"] != ALL_PAIRS
    return table.sort_values(
        ["device", "model", "at", "session", "_pair", "implant_a", "implant_b"], kind="stable"
    ).reset_index(drop=True)


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
    sessions = _sessions_of_pairs(pairs, whose)
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
