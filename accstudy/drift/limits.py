"""Every pair of implants in every session compared with the limit set by the user."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import stdtrit

from accstudy.accuracy.judge import ALL_PAIRS, verdict

__all__ = [
    "ALL_PAIRS",
    "METHOD",
    "PairSessions",
    "limit_rows",
    "pair_sessions",
    "sessions_of_pairs",
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


def sessions_of_pairs(
    pairs: pd.DataFrame, whose: pd.DataFrame
) -> dict[tuple[str, ...], pd.DataFrame]:
    """Condense pair deviations into sessions.

    Parameters
    ----------
    pairs : DataFrame
        Table ``pair_deviations``.
    whose : DataFrame
        ``scan, model, device, session, at``, one row a scan.

    Returns
    -------
    dict
        For each (device, model, implant a, implant b): ``session, at, n_scans, mean, sd``
        in order of time.
    """
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
