"""Every pair against the user's limit: in every session, and projected from its trend."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtri, stdtrit

from accstudy.accuracy.bounds import absolute_quantile
from accstudy.accuracy.judge import ALL_PAIRS, verdict
from accstudy.drift.changes import find_changes
from accstudy.drift.designs import DriftOptions
from accstudy.drift.runlength import best_lambda, ewma_limit, ewma_run_length
from accstudy.drift.stretch import Stretch
from accstudy.drift.trend import (
    DAYS_PER_MONTH,
    MIN_TREND,
    SLOPE_METHOD,
    Trend,
    months,
    trend_of,
    within_sessions,
)
from accstudy.models.decisions import holm
from accstudy.words.catalogue import say

Floats = NDArray[np.float64]

_SHORTEST_DAYS, _LONGEST_DAYS = 7, 183


@dataclass(frozen=True, slots=True)
class Projection:
    """Day on which the tolerance bound meets the limit (``at``); None later than ``horizon``, or
    never.

    ``low`` and ``high`` bound the date on which the share of scans beyond the limit really gets too
    large, ``bound`` is the tolerance bound today; ``reached`` if it lies beyond the limit already.
    """

    reached: bool
    at: pd.Timestamp | None
    low: pd.Timestamp | None
    high: pd.Timestamp | None
    bound: float
    horizon: pd.Timestamp


def project(
    trend: Trend,
    today: pd.Timestamp,
    limit: float,
    *,
    horizon_months: float,
    coverage: float = 0.95,
    confidence: float = 0.95,
    u: float = 0.0,
) -> Projection:
    """Project the trend until the tolerance bound of single scans meets the limit.

    Looked ahead are `horizon_months` from `today`; `u` is the standard uncertainty of the
    reference, which all sessions share; the confidence is that of the interval of the date, too.
    Level, slope, where it began and both spreads are drawn from what the data leave open; for each
    draw the day is found on which the share `coverage` of absolute deviations of future scans
    reaches the limit. The tolerance bound meets the limit on the day that a share ``1 -
    confidence`` of the draws have passed. It supposes that the slope goes on.
    """
    level, slope, sd_mean = trend.slope.draws(1993)
    rng = np.random.default_rng(1994)
    level = level + u * rng.standard_normal(len(level))
    variance = sd_mean**2
    if trend.df_within:
        within = trend.sd_within**2 * trend.df_within / rng.chisquare(trend.df_within, len(level))
        variance = np.maximum(variance - within * trend.per_scan, 0.0) + within
    sd = np.sqrt(variance)
    ahead = np.linspace(0.0, horizon_months, int(np.ceil(4 * horizon_months)) + 1)
    shift = np.abs(level[:, None] + slope[:, None] * ahead) / sd[:, None]
    grid = np.linspace(0.0, 8.0, 801)
    quantile = np.where(
        shift < grid[-1],
        np.interp(shift, grid, absolute_quantile(grid, coverage)),
        shift + float(ndtri(coverage)),
    )
    beyond = quantile * sd[:, None] > limit
    first = np.where(beyond.any(axis=1), ahead[np.argmax(beyond, axis=1)], np.inf)

    def later(months: float) -> pd.Timestamp:
        return (today + pd.Timedelta(days=months * DAYS_PER_MONTH)).normalize()

    def day(level: float) -> pd.Timestamp | None:
        months = float(np.quantile(first, level, method="lower"))
        return None if np.isinf(months) else later(months)

    bound, tail = float(np.quantile(quantile[:, 0] * sd, confidence)), (1 - confidence) / 2
    return Projection(
        bound > limit, day(1 - confidence), day(tail), day(1 - tail), bound, later(horizon_months)
    )


def next_session(
    stretch: Stretch, fastest: float, room: float, last: pd.Timestamp
) -> tuple[pd.Timestamp, str]:
    """Recommend the date of the next session of a device without signals, and say why.

    The present rhythm, or shorter if a drift as fast as the slope's interval allows (`fastest`, um
    a month) would use up the room below the limit (`room`, um) before the charts have found it
    (steady state run length of the EWMA for the wanted shift). Never more than half a year.
    """
    gaps = stretch.rows["at"].diff().dt.total_seconds().dropna() / 86_400
    rhythm = float(np.clip(gaps.median() if len(gaps) else 30.0, _SHORTEST_DAYS, _LONGEST_DAYS))
    days, why = rhythm, say("drift_results.the_present_interval_of", rhythm=rhythm)
    if np.isfinite(fastest) and np.isfinite(room):
        why = say("drift_results.even_the_fastest_drift", rhythm=rhythm)
        safe = max(room, 0.0) / max(fastest, 1e-12) * DAYS_PER_MONTH / (_delay(stretch) + 1)
        if safe < rhythm:
            days = max(safe, _SHORTEST_DAYS)
            why = say("drift_results.the_fastest_drift_compatible", fastest=fastest)
    return (last + pd.Timedelta(days=round(days))).normalize(), why


def _delay(stretch: Stretch) -> float:
    if stretch.baseline is None or stretch.limits is None:
        return 1.0
    limits = stretch.limits
    in_sigma = round(stretch.shift / stretch.baseline.sd_of_means, 3)
    return ewma_run_length(limits.lambda_, limits.L, in_sigma, state="steady")


_SCANS_TRIED = (1, 2, 3, 4, 5, 6, 8, 10, 15, 20)  # in a session


def sample_advice(stretch: Stretch) -> pd.DataFrame:
    """Rows of table ``drift_advice``: mean delay until the shift is detected, by scans per session.

    Of an EWMA with the best weight for each size, steady state, limits of a long baseline: what
    another baseline would reach. More scans do not lessen the spread between sessions, so the delay
    levels off. No rows where the spread within sessions is unknown.
    """
    baseline = stretch.baseline
    if baseline is None or np.isnan(baseline.sd_within):
        return pd.DataFrame()
    between = max(baseline.var_between, 0.0)
    rhythm_days = stretch.rhythm_days
    rows = []
    for n in _SCANS_TRIED:
        sd = float(np.sqrt(between + baseline.sd_within**2 / n))
        in_sigma = round(min(stretch.shift / sd, 6.0), 2)
        lambda_ = best_lambda(round(in_sigma, 1), stretch.run_length)
        limit = ewma_limit(lambda_, stretch.run_length)
        delay = ewma_run_length(lambda_, limit, in_sigma, state="steady")
        rows.append((n, sd, stretch.shift, delay, delay * rhythm_days))
    columns = ["n_scans", "sd_of_mean", "shift", "delay_sessions", "delay_days"]
    frame = pd.DataFrame(rows, columns=columns)
    for name, value in stretch.names.items():
        if name != "baseline_no":
            frame[name] = value
    return frame


METHOD = "session mean, Student's t, reference included"
WITHOUT = "session mean, Student's t; uncertainty of the reference unknown"


@dataclass(frozen=True, slots=True)
class PairSessions:
    """Sessions of a pair in order of time; standard deviation of each mean about the device's
    state.
    """

    rows: pd.DataFrame
    sd_of_means: Floats
    df: float


def pair_sessions(rows: pd.DataFrame) -> PairSessions:
    """Estimate how well each session mean of a pair is known; NaN where nothing tells.

    From the differences of neighbouring sessions, which neither drift nor a single step inflates
    much; their mean square over two has 2 (s - 1)^2 / (3 s - 4) degrees of freedom. Below six
    sessions from the scans within sessions alone.

    References
    ----------
    von Neumann, Kent, Bellinson and Hart, Ann Math Stat 12 (1941) 153-162: the mean
    square successive difference and its variance.
    """
    means, n = rows["mean"].to_numpy(float), rows["n_scans"].to_numpy(float)
    count, (sd_within, df_within) = len(rows), within_sessions(rows)
    within = sd_within**2
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
    """Rows of table ``drift_limits``: every pair, and all together, against the limit in every
    session.

    `sessions` by (device, model, implant a, implant b), `u` (standard uncertainty of the reference,
    um) by the last three; `confidence` one-sided, of each decision. All pairs together conform
    where each does, so the risk of the whole is no larger than that of one (Berger, Technometrics
    24 (1982) 295-300). They do not conform where one does not: there the risk is shared among the
    pairs (Bonferroni). Decision by ISO 14253-1: the uncertainty lies against who states.
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
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Rows of tables ``drift_limits`` and ``drift_pairs``: every pair in every session, and a look
    ahead.

    `whose` has ``scan, model, device, session, at``; `begins` says since when the present baseline
    of each (device, model) holds; `charted` has the trend of every pair that is charted by itself,
    so that one slope has one value. A slope is shown if its p value, adjusted by Holm's method for
    the pairs of a device and model, is small enough; others are not projected.
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
    return held, _shown_only(pd.DataFrame(ahead), options.confidence)


def _shown_only(ahead: pd.DataFrame, confidence: float) -> pd.DataFrame:
    """Adjust the p values of the pairs of a device, and drop projections of slopes not shown."""
    if not len(ahead):
        return ahead
    ahead["p_adjusted"] = ahead.groupby(["device", "model"])["p"].transform(holm)
    unshown = ~(ahead["p_adjusted"] < 1 - confidence)
    ahead.loc[unshown | ahead["exceeded"], ["reached_low", "reached_high"]] = pd.NaT
    ahead.loc[unshown, "horizon"] = pd.NaT
    ahead.loc[unshown & ~ahead["exceeded"], "reached_at"] = pd.NaT
    return ahead


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
    row["reached_at"] = today.normalize() if found.reached else found.at
    row["exceeded"] = found.reached
    row["reached_low"], row["reached_high"] = found.low, found.high
    row["horizon"] = found.horizon
    return row if np.isfinite(found.bound) else None
