"""Slow growth: slope by a mixed model, by Theil and Sen, and the test of Mann and Kendall."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, ndtri, stdtrit

from accstudy.errors import ComputationError
from accstudy.models.fit import fit_mixed

__all__ = [
    "DAYS_PER_MONTH",
    "MannKendall",
    "MixedTrend",
    "TheilSen",
    "mann_kendall",
    "mixed_trend",
    "theil_sen",
]

Floats = NDArray[np.float64]

DAYS_PER_MONTH = 30.436875
"""Mean length of a month of the Gregorian calendar."""


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
class MixedTrend:
    """Straight line through scans, sessions random.

    Parameters
    ----------
    origin : Timestamp
        Day of the intercept.
    intercept, slope : float
        Unit, and unit a month.
    covariance : (2, 2) ndarray
        Of intercept and slope; the origin is the scans' mean day, where the two
        are all but independent.
    df : float
        Degrees of freedom of the slope.
    low, high, p : float
        Interval of the slope and p value of no slope.
    sd_session, sd_scan : float
        Standard deviations between and within sessions.
    sessions, scans : int
        Behind it.
    """

    origin: pd.Timestamp
    intercept: float
    slope: float
    covariance: Floats
    df: float
    low: float
    high: float
    p: float
    sd_session: float
    sd_scan: float
    sessions: int
    scans: int

    @property
    def sd_total(self) -> float:
        """Standard deviation of one scan of any session about the line."""
        return float(np.hypot(self.sd_session, self.sd_scan))


def mixed_trend(scans: pd.DataFrame, *, confidence: float = 0.95) -> MixedTrend | None:
    """Fit value = intercept + slope x months with random sessions.

    Parameters
    ----------
    scans : DataFrame
        ``session``, ``at`` and ``value`` of one device and measurand.
    confidence : float
        Of the slope's interval.

    Returns
    -------
    MixedTrend or None
        None with fewer than four sessions, or without any scatter.

    Notes
    -----
    The time of a session is that of its first scan, so that the slope is one
    between sessions; restricted likelihood, degrees of freedom after Kenward
    and Roger. Where every session has one scan the model is a straight line.
    """
    data = scans[["session", "value"]].copy()
    at = scans.groupby("session")["at"].transform("min")
    origin = pd.Timestamp(at.mean())
    data["months"] = (at - origin).dt.total_seconds() / 86_400 / DAYS_PER_MONTH
    sessions = data["session"].nunique()
    if sessions < 4 or data["months"].nunique() < 3 or data["value"].std() < 1e-12:
        return None
    single = sessions == len(data)
    try:
        fit = fit_mixed("value ~ months", [] if single else ["session"], data)
        line, growth = fit.coefficients().to_dict("records")
    except ComputationError:
        return None
    estimate, se, df = (float(growth[name]) for name in ("estimate", "se", "df"))
    t = float(stdtrit(df, 0.5 + confidence / 2))
    sds = fit.sds
    return MixedTrend(
        origin=origin,
        intercept=float(line["estimate"]),
        slope=estimate,
        covariance=np.diag([float(line["se"]) ** 2, se**2]),
        df=df,
        low=estimate - t * se,
        high=estimate + t * se,
        p=float(growth["p"]),
        sd_session=float(sds.get("session", 0.0)),
        sd_scan=float(sds["residual"]),
        sessions=sessions,
        scans=len(data),
    )
