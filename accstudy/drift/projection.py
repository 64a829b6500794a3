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
from accstudy.drift.trend import DAYS_PER_MONTH, MixedTrend

__all__ = ["Projection", "next_check", "project", "sample_advice"]

Floats = NDArray[np.float64]

_DRAWS = 4000
_SHORTEST_DAYS, _LONGEST_DAYS = 7, 183


@dataclass(frozen=True, slots=True)
class Projection:
    """Day on which the tolerance bound meets the limit.

    Parameters
    ----------
    reached : bool
        The bound lies beyond the limit already.
    at, low, high : Timestamp or None
        Day of the bound, and 95 % interval of the day on which the share of
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
    trend: MixedTrend,
    today: pd.Timestamp,
    limit: float,
    *,
    horizon_months: float,
    coverage: float = 0.95,
    confidence: float = 0.95,
    seed: int = 1993,
) -> Projection:
    """Project the trend until the tolerance bound of single scans meets the limit.

    Parameters
    ----------
    trend : MixedTrend
        Straight line with its uncertainty and scatter.
    today : Timestamp
        Last session.
    limit : float
        Limit of the absolute deviation, unit of the measurand.
    horizon_months : float
        How far to look ahead, above zero.
    coverage, confidence : float
        Of the tolerance bound.
    seed : int
        Of the draws.

    Returns
    -------
    Projection

    Notes
    -----
    Intercept, slope and both spreads are drawn from what the data leave open
    (Student's t and chi-square); for each draw the day is found on which the
    share `coverage` of absolute deviations of future scans reaches the limit.
    The tolerance bound meets the limit on the day that a share
    ``1 - confidence`` of the draws have passed. It supposes that the line goes
    on straight.
    """
    rng = np.random.default_rng(seed)
    t = rng.standard_normal((2, _DRAWS)) / np.sqrt(rng.chisquare(trend.df, _DRAWS) / trend.df)
    intercept = trend.intercept + np.sqrt(trend.covariance[0, 0]) * t[0]
    slope = trend.slope + np.sqrt(trend.covariance[1, 1]) * t[1]
    df_scan = max(trend.scans - trend.sessions, 0)
    variance = np.zeros(_DRAWS)
    parts = ((trend.sd_session, trend.sessions - 2), (trend.sd_scan, df_scan or trend.df))
    for spread, df in parts:
        if spread > 0:
            variance += spread**2 * df / rng.chisquare(df, _DRAWS)
    sd = np.sqrt(variance)
    now = (today - trend.origin).total_seconds() / 86_400 / DAYS_PER_MONTH
    ahead = np.linspace(0.0, horizon_months, int(np.ceil(4 * horizon_months)) + 1)
    shift = np.abs(intercept[:, None] + slope[:, None] * (now + ahead)) / sd[:, None]
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

    bound = float(np.quantile(quantile[:, 0] * sd, confidence))
    return Projection(
        bound > limit, day(1 - confidence), day(0.025), day(0.975), bound, later(horizon_months)
    )


def next_check(
    stretch: Stretch,
    trend: MixedTrend | None,
    projection: Projection | None,
    limit: float | None,
    *,
    stands: bool,
) -> tuple[pd.Timestamp, str]:
    """Recommend when to hold the next session. It is advice, no result.

    Parameters
    ----------
    stretch : Stretch
        Sessions and charts of the measurand.
    trend : MixedTrend, optional
        Its trend.
    projection : Projection, optional
        Of the limit.
    limit : float, optional
        Limit of the measurand.
    stands : bool
        A signal or change point stands.

    Returns
    -------
    day : Timestamp
    why : str
        A sentence.

    Notes
    -----
    At once when a signal stands; out of use until verified when the bound lies
    beyond the limit. Otherwise the present
    rhythm, or shorter if a drift as fast as the slope's interval allows would
    use up the room below the limit before the charts have found it (steady
    state run length of the EWMA for the wanted shift). Never more than half a
    year.
    """
    last = pd.Timestamp(stretch.rows["at"].iloc[-1]).normalize()
    if stands or (projection is not None and projection.reached):
        if projection is None or not projection.reached:
            return last, "Advice: check at once, because a signal stands."
        also = ", and a signal stands" if stands else ""
        return last, (
            "Advice: take it out of use until it is verified, because the tolerance bound of "
            f"{stretch.measurand} lies beyond the limit{also}."
        )
    gaps = stretch.rows["at"].diff().dt.total_seconds().dropna() / 86_400
    rhythm = float(np.clip(gaps.median() if len(gaps) else 30.0, _SHORTEST_DAYS, _LONGEST_DAYS))
    days, why = rhythm, f"the present rhythm of {rhythm:.0f} days suffices"
    if limit is not None and trend is not None and projection is not None:
        fastest = max(abs(trend.low), abs(trend.high))
        delay = _delay(stretch)
        room = (limit - projection.bound) / max(fastest, 1e-12) * DAYS_PER_MONTH
        safe = room / (delay + 1)
        why += (
            f": a drift of {stretch.measurand} as fast as the data allow ({fastest:.2g} "
            f"{_unit(stretch.unit)} a month) would be found, after {delay:.1f} sessions on "
            "average, before the bound meets the limit"
        )
        if safe < rhythm:
            days = max(safe, _SHORTEST_DAYS)
            why = (
                f"a drift as fast as the data allow ({fastest:.2g} {_unit(stretch.unit)} a month) "
                f"must be found, after {delay:.1f} sessions on average, before it meets the limit"
            )
    day = (last + pd.Timedelta(days=round(days))).normalize()
    return day, f"Advice: hold the next session by {day:%Y-%m-%d}; {why}."


def _unit(unit: str) -> str:
    return {"um": "µm"}.get(unit, unit)


def _delay(stretch: Stretch) -> float:
    if stretch.baseline is None or stretch.limits is None:
        return 1.0
    limits = stretch.limits
    in_sigma = round(stretch.shift / stretch.baseline.sd_of_means, 3)
    return ewma_run_length(limits.lambda_, limits.L, in_sigma, state="steady")


def sample_advice(
    stretch: Stretch, *, n_scans: tuple[int, ...] = (1, 2, 3, 4, 5, 6, 8, 10, 15, 20)
) -> pd.DataFrame:
    """Mean delay until the wanted shift is found, by scans in a session.

    Parameters
    ----------
    stretch : Stretch
        Sessions and charts of the measurand.
    n_scans : tuple of int
        Scans in a session to try.

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
    gaps = stretch.rows["at"].diff().dt.total_seconds().dropna() / 86_400
    rhythm = float(gaps.median()) if len(gaps) else np.nan
    rows = []
    for n in n_scans:
        sd = float(np.sqrt(between + baseline.sd_within**2 / n))
        in_sigma = round(min(stretch.shift / sd, 6.0), 2)
        lambda_ = best_lambda(round(in_sigma, 1), stretch.run_length)
        limit = ewma_limit(lambda_, stretch.run_length)
        delay = ewma_run_length(lambda_, limit, in_sigma, state="steady")
        rows.append((n, sd, stretch.shift, delay, delay * rhythm))
    columns = ["n_scans", "sd_of_mean", "shift", "delay_sessions", "delay_days"]
    frame = pd.DataFrame(rows, columns=columns)
    for name, value in stretch.names.items():
        if name != "baseline_no":
            frame[name] = value
    return frame
