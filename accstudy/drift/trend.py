"""Slow growth: the slope today, that of Theil and Sen, and the test of Mann and Kendall."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, ndtri

from accstudy.drift.slope import Slope, slope_of

__all__ = [
    "DAYS_PER_MONTH",
    "MannKendall",
    "TheilSen",
    "Trend",
    "mann_kendall",
    "months",
    "theil_sen",
    "trend_of",
]

Floats = NDArray[np.float64]

DAYS_PER_MONTH = 30.436875
"""Mean length of a month of the Gregorian calendar."""

MIN_TREND = 6
"""Sessions below which nothing is said about a trend."""


def months(at: pd.Series) -> Floats:
    """Days as months since the first."""
    seconds = (at - at.iloc[0]).dt.total_seconds().to_numpy(float)
    return np.asarray(seconds / 86_400 / DAYS_PER_MONTH)


@dataclass(frozen=True, slots=True)
class MannKendall:
    """Test of a monotonic trend.

    Parameters
    ----------
    S : int
        Rises less falls among all pairs.
    var_S : float
        Its variance without trend, ties corrected.
    z : float
        With continuity correction.
    p : float
        Two-sided.
    tau : float
        Kendall's tau-b.
    """

    S: int
    var_S: float
    z: float
    p: float
    tau: float


def _ties(x: Floats) -> Floats:
    _, counts = np.unique(x, return_counts=True)
    return counts.astype(float)


def mann_kendall(values: ArrayLike, times: ArrayLike | None = None) -> MannKendall:
    """Test whether values rise or fall with time.

    Parameters
    ----------
    values : (n,) array_like
        In order of time.
    times : (n,) array_like, optional
        When; values of the same time are not compared. All different by default.

    Returns
    -------
    MannKendall
        NaN for `z`, `p` and `tau` where all values are alike.

    Notes
    -----
    Values must be independent: give session means, not scans.

    References
    ----------
    Mann, Econometrica 13 (1945) 245-259; Kendall, Rank Correlation Methods,
    1975, for ties in both rankings.
    """
    x = np.asarray(values, float)
    t = np.arange(len(x), dtype=float) if times is None else np.asarray(times, float)
    n = len(x)
    i, j = np.triu_indices(n, k=1)
    S = int(np.sum(np.sign(x[j] - x[i]) * np.sign(t[j] - t[i])))
    u, v = _ties(x), _ties(t)
    pairs = n * (n - 1) / 2
    var = (
        n * (n - 1) * (2 * n + 5)
        - np.sum(u * (u - 1) * (2 * u + 5))
        - np.sum(v * (v - 1) * (2 * v + 5))
    ) / 18
    if n > 2:
        var += (
            np.sum(u * (u - 1) * (u - 2))
            * np.sum(v * (v - 1) * (v - 2))
            / (9 * n * (n - 1) * (n - 2))
        )
    if n > 1:
        var += np.sum(u * (u - 1)) * np.sum(v * (v - 1)) / (2 * n * (n - 1))
    untied = (pairs - np.sum(u * (u - 1)) / 2) * (pairs - np.sum(v * (v - 1)) / 2)
    if not var > 0 or not untied > 0:
        return MannKendall(S, float(var), float("nan"), float("nan"), float("nan"))
    z = (S - np.sign(S)) / np.sqrt(var)
    return MannKendall(
        S, float(var), float(z), float(2 * ndtr(-abs(z))), float(S / np.sqrt(untied))
    )


@dataclass(frozen=True, slots=True)
class TheilSen:
    """Median slope with its interval, unit of the values a unit of time."""

    slope: float
    low: float
    high: float


def theil_sen(values: ArrayLike, times: ArrayLike, *, confidence: float = 0.95) -> TheilSen:
    """Median of the slopes between every two values.

    Parameters
    ----------
    values, times : (n,) array_like
        Values and when; pairs of the same time have no slope.
    confidence : float
        Of the interval.

    Returns
    -------
    TheilSen
        NaN for fewer than two times; an unbounded interval where the series is
        too short for the confidence.

    References
    ----------
    Sen, J Am Stat Assoc 63 (1968) 1379-1389: order statistics of the slopes,
    counted by the variance of Kendall's S.
    """
    x, t = np.asarray(values, float), np.asarray(times, float)
    i, j = np.triu_indices(len(x), k=1)
    apart = t[j] != t[i]
    slopes = np.sort((x[j] - x[i])[apart] / (t[j] - t[i])[apart])
    if not len(slopes):
        return TheilSen(float("nan"), float("nan"), float("nan"))
    half = float(ndtri(0.5 + confidence / 2)) * np.sqrt(max(mann_kendall(x, t).var_S, 0.0))
    n = len(slopes)
    # the (n - half) / 2 -th and the (n + half) / 2 + 1 -th smallest slope
    low, high = round((n - half) / 2) - 1, round((n + half) / 2)
    return TheilSen(
        float(np.median(slopes)),
        float(slopes[low]) if low >= 0 else -np.inf,
        float(slopes[high]) if high < n else np.inf,
    )


@dataclass(frozen=True, slots=True)
class Trend:
    """Slope of the session means at the last session, and its derivation.

    Parameters
    ----------
    slope : Slope
        By averaging over where it may have begun, unit a month.
    estimate, low, high, p : float
        Its median, its interval and the two-sided probability of the other sign.
    begins, begins_low, begins_high : int
        Session from which the slope holds, with its interval; 0: the first.
    sd_within : float
        Pooled standard deviation within sessions, 0 for single scans.
    df_within : int
        Its degrees of freedom.
    per_scan : float
        1 / n of a usual session.
    sessions, scans : int
        Behind it.
    """

    slope: Slope
    estimate: float
    low: float
    high: float
    p: float
    begins: int
    begins_low: int
    begins_high: int
    sd_within: float
    df_within: int
    per_scan: float
    sessions: int
    scans: int

    def after(self, sessions: int) -> Trend:
        """The same, with beginnings counted from that many sessions earlier."""
        return replace(
            self,
            begins=self.begins + sessions,
            begins_low=self.begins_low + sessions,
            begins_high=self.begins_high + sessions,
        )


def trend_of(
    rows: pd.DataFrame, *, weights: ArrayLike | None = None, confidence: float = 0.95
) -> Trend | None:
    """Trend of the sessions of one device and measurand.

    Parameters
    ----------
    rows : DataFrame
        ``at``, ``n_scans``, ``mean`` and ``sd`` in order of time.
    weights : (n,) array_like, optional
        Inverse variances of the means; equal by default.
    confidence : float
        Of the intervals.

    Returns
    -------
    Trend or None
        None with fewer than six sessions or three times, or without any scatter.

    Notes
    -----
    Scans of a session share its conditions, so the evidence is the session means
    (`accstudy.drift.slope.slope_of`); scans only tell the spread within.
    """
    means, n = rows["mean"].to_numpy(float), rows["n_scans"].to_numpy(float)
    times = months(rows["at"])
    if len(rows) < MIN_TREND or len(np.unique(times)) < 3 or means.std() < 1e-12:
        return None
    slope = slope_of(means, times, weights=weights)
    now, tail = slope.mixture, (1 - confidence) / 2
    df = int(np.sum(n - 1))
    squares = rows["sd"].fillna(0.0).to_numpy(float) ** 2
    return Trend(
        slope=slope,
        estimate=now.quantile(0.5),
        low=now.quantile(tail),
        high=now.quantile(1 - tail),
        p=slope.p,
        begins=slope.began(0.5),
        begins_low=slope.began(tail),
        begins_high=slope.began(1 - tail),
        sd_within=float(np.sqrt(np.sum((n - 1) * squares) / df)) if df else 0.0,
        df_within=df,
        per_scan=float(np.mean(1 / n)),
        sessions=len(rows),
        scans=int(n.sum()),
    )
