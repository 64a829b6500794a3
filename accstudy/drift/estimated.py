"""Limits that know how short the baseline was.

Centre and spread are estimated from m baseline sessions and then frozen. The
same limits as for known parameters would alarm far too often. Here they are
widened until a chart with estimated parameters has the false-alarm risk of the
chart with known ones: for single values the risk of each, for EWMA and CUSUM
the risk over the next `HORIZON` sessions. The risk is an average over what the
baseline could have been.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache, lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import ndtr, stdtrit

from accstudy.drift.charts import constants
from accstudy.drift.runlength import (
    LAMBDAS,
    cusum_limit,
    ewma_limit,
    ewma_run_length,
    range_limit,
    range_risk,
    shewhart_limit,
)
from accstudy.drift.steps import Step

__all__ = [
    "HORIZON",
    "MeanLimits",
    "best_mean_limits",
    "individuals_factor",
    "largest_cusum",
    "largest_ewma",
    "mean_factor",
    "mean_limits",
    "range_factor",
    "same_risk",
    "soonest",
]

Floats = NDArray[np.float64]

HORIZON = 24
"""Sessions over which EWMA and CUSUM keep their risk of a false alarm."""

_REPEATS = 40_000


@dataclass(frozen=True, slots=True)
class MeanLimits:
    """Limits of charts of session means, in standard deviations of a session mean (EWMA: in its
    own).

    Of one mean (``shewhart``), of the difference of two in a row (``jump``), of EWMA (``L``, weight
    ``lambda_``) and CUSUM (``h``, reference value ``k``); widened for a baseline of ``sessions``
    sessions whose neighbours correlate by ``rho``, and as they are for ``_known`` parameters.
    """

    shewhart: float
    jump: float
    L: float
    h: float
    shewhart_known: float
    jump_known: float
    L_known: float
    h_known: float
    lambda_: float
    k: float
    sessions: int
    rho: float = 0.0


@cache
def mean_limits(
    sessions: int, run_length: float, lambda_: float, k: float, rho: float = 0.0
) -> MeanLimits:
    """Limits for means, with centre and spread from `sessions` (3 or more) session means.

    Each chart gets the in-control `run_length`. EWMA and CUSUM by simulation with a fixed seed: 40
    000 baselines, each followed by 24 sessions without change. The simulated chart with known
    parameters fixes the risk, so that its own error cancels. With correlated neighbours
    (first-order autoregressive, 0 <= rho < 1) the limits of single means and of their differences
    are simulated, too: a baseline then shows too little spread, and averages forget too slowly.
    """
    L, h = ewma_limit(lambda_, run_length), cusum_limit(k, run_length)
    single, jump = mean_factor(sessions, run_length), _jump_factor(sessions, run_length)
    if rho:
        seen = _futures(sessions, rho)[1]
        single = max(single, _exceeded(seen, 1 / run_length))
        jump = max(jump, _exceeded(np.diff(seen), range_risk(run_length)))
    return MeanLimits(
        shewhart=single,
        jump=jump,
        L=same_risk(*_largest_ewmas(sessions, lambda_, rho), L),
        h=same_risk(*_largest_cusums(sessions, k, rho), h),
        shewhart_known=shewhart_limit(run_length),
        jump_known=range_limit(run_length),
        L_known=L,
        h_known=h,
        lambda_=lambda_,
        k=k,
        sessions=sessions,
        rho=rho,
    )


def _exceeded(values: Floats, risk: float) -> float:
    """Size that is passed as often as that."""
    return float(np.quantile(np.abs(values), 1 - risk))


@lru_cache(maxsize=2)
def _futures(sessions: int, rho: float) -> tuple[Floats, Floats]:
    """Sessions after many baselines: independent in true standard units; as a baseline sees them.

    The second are correlated by `rho`.
    """
    rng = np.random.default_rng(7870)
    x = rng.standard_normal((_REPEATS, HORIZON))
    if rho:
        series = _correlated(sessions, rho)
        base, future = series[:, :sessions], series[:, sessions:]
        seen = (future - base.mean(axis=1)[:, None]) / base.std(axis=1, ddof=1)[:, None]
        return x, np.asarray(seen)
    centre = rng.standard_normal(_REPEATS) / np.sqrt(sessions)
    sd = np.sqrt(rng.chisquare(sessions - 1, _REPEATS) / (sessions - 1))
    return x, (x - centre[:, None]) / sd[:, None]


@lru_cache(maxsize=2)
def _correlated(sessions: int, rho: float) -> Floats:
    """Baselines and the sessions after them, of standard deviation 1, neighbours correlated."""
    series = np.random.default_rng(7871).standard_normal((_REPEATS, sessions + HORIZON))
    for i in range(1, series.shape[1]):
        series[:, i] = rho * series[:, i - 1] + np.sqrt(1 - rho**2) * series[:, i]
    return series


@lru_cache(maxsize=32)
def _largest_ewmas(sessions: int, lambda_: float, rho: float) -> tuple[Floats, Floats]:
    known, estimated = (largest_ewma(z, lambda_) for z in _futures(sessions, rho))
    return known, estimated


@lru_cache(maxsize=32)
def _largest_cusums(sessions: int, k: float, rho: float) -> tuple[Floats, Floats]:
    known, estimated = (largest_cusum(z, k) for z in _futures(sessions, rho))
    return known, estimated


@cache
def best_mean_limits(
    sessions: int, run_length: float, shift: float, rho: float = 0.0
) -> MeanLimits:
    """Limits with the weight that finds a shift soonest with such a baseline.

    Parameters
    ----------
    sessions : int
        Sessions of the baseline.
    run_length : float
        Wanted in-control run length.
    shift : float
        Shift to be found, in standard deviations of a session mean; half of it
        is the reference value of the CUSUM.
    rho : float
        Correlation of neighbouring sessions.

    Notes
    -----
    A short baseline wants a long memory: an EWMA that forgets fast never
    reaches limits as wide as those.
    """
    k = round(shift / 2, 2)
    designs = [mean_limits(sessions, run_length, lambda_, k, rho) for lambda_ in LAMBDAS]
    return designs[soonest([d.L for d in designs], shift)]


def soonest(limits: Sequence[float], shift: float | Step) -> int:
    """Which of `LAMBDAS`, with these limits, finds a change soonest (steady state)."""
    delays = [
        ewma_run_length(lambda_, L, shift, state="steady")
        for lambda_, L in zip(LAMBDAS, limits, strict=True)
    ]
    return int(np.argmin([delay if delay > 0 else np.inf for delay in delays]))


def same_risk(with_known: Floats, with_estimated: Floats, limit: float) -> float:
    """Limit of a chart with estimated parameters that alarms as rarely as one with known ones.

    The arrays hold the largest charted value of every simulated series; `limit` is the known one's.
    """
    risk = max(float(np.mean(with_known > limit)), 5 / len(with_known))
    return max(limit, float(np.quantile(with_estimated, 1 - risk)))


def largest_ewma(z: Floats, lambda_: float) -> Floats:
    """Largest EWMA of each row, in its steady-state standard deviations."""
    average, largest = np.zeros(len(z)), np.zeros(len(z))
    for column in z.T:
        average = lambda_ * column + (1 - lambda_) * average
        np.maximum(largest, np.abs(average), out=largest)
    return np.asarray(largest / np.sqrt(lambda_ / (2 - lambda_)))


def largest_cusum(z: Floats, k: float) -> Floats:
    """Larger of the two largest sums of each row."""
    high, low, largest = np.zeros(len(z)), np.zeros(len(z)), np.zeros(len(z))
    for column in z.T:
        high = np.maximum(0.0, high + column - k)
        low = np.maximum(0.0, low - column - k)
        np.maximum(largest, np.maximum(high, low), out=largest)
    return largest


def mean_factor(sessions: int, run_length: float) -> float:
    """Limit of one further session mean: a prediction interval by Student's t, exact if they are
    normal.

    Hillier, J Qual Technol 1 (1969) 17-26.
    """
    t = float(stdtrit(sessions - 1, 1 - 0.5 / run_length))
    return t * float(np.sqrt(1 + 1 / sessions))


def _jump_factor(sessions: int, run_length: float) -> float:
    """Limit of the difference of two further session means in a row.

    Exact in the same way: the difference over the baseline's standard deviation
    is Student's t times the root of two.
    """
    return float(np.sqrt(2) * stdtrit(sessions - 1, 1 - 0.5 * range_risk(run_length)))


@cache
def _mean_ranges(sessions: int) -> tuple[Floats, Floats]:
    """Centres and moving-range sigmas of simulated baselines."""
    x = np.random.default_rng(7870).standard_normal((_REPEATS, sessions))
    return x.mean(axis=1), np.abs(np.diff(x, axis=1)).mean(axis=1) / constants(2).d2


@cache
def individuals_factor(sessions: int, run_length: float, rho: float = 0.0) -> float:
    """Limit of one further value, in sigmas estimated from moving ranges."""
    centre, sigma = _mean_ranges(sessions)

    def excess(c: float) -> float:
        risk = ndtr(centre - c * sigma) + ndtr(-centre - c * sigma)
        return float(np.log(max(float(np.mean(risk)), 1e-300) * run_length))

    factor = float(brentq(excess, 0.5, 400.0))
    if not rho:
        return factor
    base, future = np.split(_correlated(sessions, rho), [sessions], axis=1)
    away = (future - base.mean(axis=1)[:, None]) / _mean_range(base)
    return max(factor, _exceeded(away * constants(2).d2, 1 / run_length))


@cache
def range_factor(sessions: int, run_length: float, rho: float = 0.0) -> float:
    """Upper limit of one further moving range, in mean moving ranges."""
    _, sigma = _mean_ranges(sessions)
    mean_range, risk = sigma * constants(2).d2, range_risk(run_length)

    def excess(c: float) -> float:
        found = np.mean(2 * ndtr(-c * mean_range / np.sqrt(2)))
        return float(np.log(max(found, 1e-300) / risk))

    factor = float(brentq(excess, 0.5, 400.0))
    if not rho:
        return factor
    base, future = np.split(_correlated(sessions, rho), [sessions], axis=1)
    return max(factor, _exceeded(np.diff(future) / _mean_range(base), risk))


def _mean_range(base: Floats) -> Floats:
    return np.asarray(np.abs(np.diff(base, axis=1)).mean(axis=1)[:, None])
