"""When the limit will be reached, when to check next, and how many scans to make."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtri

from accstudy.accuracy.factors import absolute_quantile
from accstudy.drift.runlength import best_lambda, ewma_limit, ewma_run_length
from accstudy.drift.stretch import Stretch
from accstudy.drift.trend import DAYS_PER_MONTH, Trend
from accstudy.words.catalogue import say

__all__ = ["Projection", "next_session", "project", "sample_advice"]

Floats = NDArray[np.float64]

_SHORTEST_DAYS, _LONGEST_DAYS = 7, 183


@dataclass(frozen=True, slots=True)
class Projection:
    """Day on which the tolerance bound meets the limit.

    Parameters
    ----------
    reached : bool
        The bound lies beyond the limit already.
    at, low, high : Timestamp or None
        Day of the bound, and interval of the date on which the share of
        scans beyond the limit really gets too large; None for later than the
        horizon, or never.
    bound : float
        The tolerance bound today (last session), unit of the measurand.
    horizon : Timestamp
        Day until which was looked ahead.
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
    seed: int = 1993,
) -> Projection:
    """Project the trend until the tolerance bound of single scans meets the limit.

    Parameters
    ----------
    trend : Trend
        Slope with what is open about it, and scatter.
    today : Timestamp
        Last session.
    limit : float
        Limit of the absolute deviation, unit of the measurand.
    horizon_months : float
        How far to look ahead, above zero.
    coverage, confidence : float
        Of the tolerance bound; the confidence of the interval of the date, too.
    u : float
        Standard uncertainty of the reference, which all sessions share.
    seed : int
        Of the draws.

    Returns
    -------
    Projection

    Notes
    -----
    Level, slope, where it began and both spreads are drawn from what the data leave
    open; for each draw the day is found on which the share `coverage` of absolute
    deviations of future scans reaches the limit. The tolerance bound meets the limit
    on the day that a share ``1 - confidence`` of the draws have passed. It supposes
    that the slope goes on.
    """
    level, slope, sd_mean = trend.slope.draws(seed)
    rng = np.random.default_rng(seed + 1)
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
    """Recommend the date of the next session of a device without signals.

    Parameters
    ----------
    stretch : Stretch
        Sessions and charts of the measurand that would find a drift.
    fastest : float
        Fastest slope of a pair that its sessions allow, um a month; NaN if unknown.
    room : float
        Between that pair's tolerance bound and the limit, um; NaN without a limit.
    last : Timestamp
        Last session.

    Returns
    -------
    day : Timestamp
    why : str

    Notes
    -----
    The present rhythm, or shorter if a drift as fast as the slope's interval allows
    would use up the room below the limit before the charts have found it (steady state
    run length of the EWMA for the wanted shift). Never more than half a year.
    """
    gaps = stretch.rows["at"].diff().dt.total_seconds().dropna() / 86_400
    rhythm = float(np.clip(gaps.median() if len(gaps) else 30.0, _SHORTEST_DAYS, _LONGEST_DAYS))
    days, why = rhythm, say("drift_results.the_present_interval_of", rhythm=rhythm)
    if np.isfinite(fastest) and np.isfinite(room):
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
    """Mean delay until the shift is detected, by number of scans per session.

    Parameters
    ----------
    stretch : Stretch
        Sessions and charts of the measurand.

    Returns
    -------
    DataFrame
        Rows of table ``drift_advice``; none where the spread within sessions is
        unknown.

    Notes
    -----
    Delay of an EWMA with the best weight for each size, steady state, limits of
    a long baseline: what another baseline would reach. More scans do not lessen
    the spread between sessions, so the delay levels off.
    """
    baseline = stretch.baseline
    if baseline is None or np.isnan(baseline.sd_within):
        return pd.DataFrame()
    between = max(baseline.var_between, 0.0)
    rows = []
    for n in _SCANS_TRIED:
        sd = float(np.sqrt(between + baseline.sd_within**2 / n))
        in_sigma = round(min(stretch.shift / sd, 6.0), 2)
        lambda_ = best_lambda(round(in_sigma, 1), stretch.run_length)
        limit = ewma_limit(lambda_, stretch.run_length)
        delay = ewma_run_length(lambda_, limit, in_sigma, state="steady")
        rows.append((n, sd, stretch.shift, delay, delay * stretch.rhythm_days))
    columns = ["n_scans", "sd_of_mean", "shift", "delay_sessions", "delay_days"]
    frame = pd.DataFrame(rows, columns=columns)
    for name, value in stretch.names.items():
        if name != "baseline_no":
            frame[name] = value
    return frame
