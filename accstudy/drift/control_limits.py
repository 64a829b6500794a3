"""Limits of control charts that allow for a short baseline, and what they detect."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache, lru_cache

import numpy as np
import scipy  # scipy.optimize loads when it is first used
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtr, chdtrc, chdtri, fdtri, ndtr, stdtrit

from accstudy.drift.charts import constants
from accstudy.drift.runlength import (
    LAMBDAS,
    ScoreStep,
    Step,
    cusum_limit,
    ewma_limit,
    ewma_run_length,
    range_limit,
    range_risk,
    sd_score,
    shewhart_limit,
)

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
        L=_same_risk(*_largest_ewmas(sessions, lambda_, rho), L),
        h=_same_risk(*_largest_cusums(sessions, k, rho), h),
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

    `shift` in standard deviations of a session mean; half of it is the reference value of the
    CUSUM. A short baseline wants a long memory: an EWMA that forgets fast never reaches limits as
    wide as those.
    """
    k = round(shift / 2, 2)
    designs = [mean_limits(sessions, run_length, lambda_, k, rho) for lambda_ in LAMBDAS]
    return designs[_soonest([d.L for d in designs], shift)]


def _soonest(limits: Sequence[float], shift: float | Step) -> int:
    """Which of `LAMBDAS`, with these limits, finds a change soonest (steady state)."""
    delays = [
        ewma_run_length(lambda_, L, shift, state="steady")
        for lambda_, L in zip(LAMBDAS, limits, strict=True)
    ]
    return int(np.argmin([delay if delay > 0 else np.inf for delay in delays]))


def _same_risk(with_known: Floats, with_estimated: Floats, limit: float) -> float:
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

    factor = float(scipy.optimize.brentq(excess, 0.5, 400.0))
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

    factor = float(scipy.optimize.brentq(excess, 0.5, 400.0))
    if not rho:
        return factor
    base, future = np.split(_correlated(sessions, rho), [sessions], axis=1)
    return max(factor, _exceeded(np.diff(future) / _mean_range(base), risk))


def _mean_range(base: Floats) -> Floats:
    return np.asarray(np.abs(np.diff(base, axis=1)).mean(axis=1)[:, None])


_SPREAD_REPEATS = 20_000
_VALUES = 1_500_000  # of all simulated baselines together


def sd_factors(n: ArrayLike, df: float, run_length: float) -> tuple[Floats, Floats]:
    """Lower and upper limit of sessions' standard deviations (n scans each), in pooled baseline
    ones.

    Exact for normal scans: the ratio of variances follows Fisher's F with `df` of the baseline
    (infinite if it is known). Half of the risk lies on either side.
    """
    nu = np.asarray(n, float) - 1
    tail = 0.5 / run_length
    if np.isinf(df):
        return np.sqrt(chdtri(nu, 1 - tail) / nu), np.sqrt(chdtri(nu, tail) / nu)
    # the upper tail by the reciprocal, which keeps its digits
    return np.sqrt(fdtri(nu, df, tail)), np.sqrt(1 / fdtri(df, nu, tail))


def sd_run_length(n: int, lower: float, upper: float, ratio: float = 1.0) -> float:
    """Average run length of the chart of standard deviations; limits in those of the baseline."""
    nu = n - 1
    below, above = chdtr(nu, nu * (lower / ratio) ** 2), chdtrc(nu, nu * (upper / ratio) ** 2)
    return float(1 / (below + above))


@dataclass(frozen=True, slots=True)
class ScoreBaseline:
    """Mean of the baseline's scores, and their standard deviation from moving ranges, 1 or more."""

    centre: float
    scale: float


def score_baseline(scores: Sequence[float] | Floats) -> ScoreBaseline:
    """Centre and scale of the scores of the baseline's sessions, in order of time."""
    centre, scale = _centre_and_scale(np.asarray(scores, float)[None, :])
    return ScoreBaseline(float(centre[0]), float(scale[0]))


def _centre_and_scale(scores: Floats) -> tuple[Floats, Floats]:
    ranges = np.abs(np.diff(scores, axis=1)).mean(axis=1)
    return scores.mean(axis=1), np.maximum(ranges / constants(2).d2, 1.0)


def _mean_score(n: int, ratio: float) -> float:
    """Mean score of a session of `n` scans whose standard deviation is `ratio` times as large."""
    y = np.linspace(-9.0, 30.0, 4001)
    return float(np.sum(y * ScoreStep(n - 1, ratio).density(y)) * (y[1] - y[0]))


@dataclass(frozen=True, slots=True)
class SpreadLimits:
    """Limits of charts of scores, in their scale about their centre; named as in `MeanLimits`."""

    single: float
    jump: float
    L: float
    h: float
    single_known: float
    jump_known: float
    L_known: float
    h_known: float
    lambda_: float
    k: float


@cache
def spread_limits(sessions: int, n: int, run_length: float, ratio: float) -> SpreadLimits:
    """Limits for scores, with centre and scale from `sessions` (3 or more) sessions of `n` scans.

    By simulation with a fixed seed: baselines of scans of one precision, each followed by `HORIZON`
    sessions. As for means, single values keep the risk of each, EWMA and CUSUM the risk over the
    next sessions; they are tuned to find a standard deviation that is `ratio` times as large. Where
    precision varies between sessions the limits follow, as the scale does.
    """
    step = ScoreStep(n - 1, ratio)
    k = round(max(0.5 * _mean_score(n, ratio), 0.1), 2)
    known, estimated = _score_futures(sessions, n)
    widened = [
        _same_risk(
            largest_ewma(known, lam), largest_ewma(estimated, lam), ewma_limit(lam, run_length)
        )
        for lam in LAMBDAS
    ]
    best = _soonest(widened, step)
    h = cusum_limit(k, run_length)
    return SpreadLimits(
        single=_single_factor(sessions, n, run_length),
        jump=_score_jump_factor(known, estimated, run_length),
        L=widened[best],
        h=_same_risk(largest_cusum(known, k), largest_cusum(estimated, k), h),
        single_known=shewhart_limit(run_length),
        jump_known=range_limit(run_length),
        L_known=ewma_limit(LAMBDAS[best], run_length),
        h_known=h,
        lambda_=LAMBDAS[best],
        k=k,
    )


@lru_cache(maxsize=8)
def _baselines(sessions: int, n: int) -> tuple[Floats, Floats, Floats]:
    """Pooled standard deviation (truth: 1), centre and scale of simulated baselines."""
    rng = np.random.default_rng(7870)
    repeats = int(np.clip(_VALUES // sessions, 1000, _SPREAD_REPEATS))
    variance = rng.chisquare(n - 1, (repeats, sessions)) / (n - 1)
    pooled = np.sqrt(variance.mean(axis=1))
    return pooled, *_centre_and_scale(sd_score(np.sqrt(variance), n, pooled[:, None]))


@lru_cache(maxsize=2)
def _score_futures(sessions: int, n: int) -> tuple[Floats, Floats]:
    """Scores after many baselines: by the true precision, and as the baseline sees them."""
    pooled, centre, scale = (
        np.resize(part, _SPREAD_REPEATS)[:, None] for part in _baselines(sessions, n)
    )
    rng = np.random.default_rng(7871)
    sd = np.sqrt(rng.chisquare(n - 1, (_SPREAD_REPEATS, HORIZON)) / (n - 1))
    return sd_score(sd, n, 1.0), (sd_score(sd, n, pooled) - centre) / scale


def _single_factor(sessions: int, n: int, run_length: float) -> float:
    pooled, centre, scale = (part[:4000] for part in _baselines(sessions, n))
    nu = n - 1

    def excess(c: float) -> float:
        # scores outside, as chi-square values of the true precision
        high = pooled**2 * chdtri(nu, ndtr(-(centre + c * scale)))
        low = pooled**2 * chdtri(nu, ndtr(-(centre - c * scale)))
        risk = float(np.mean(chdtrc(nu, high) + chdtr(nu, low)))
        return float(np.log(max(risk, 1e-300) * run_length))

    return float(scipy.optimize.brentq(excess, 0.5, 30.0, xtol=1e-4))


def _score_jump_factor(known: Floats, estimated: Floats, run_length: float) -> float:
    ranges = [np.abs(np.diff(scores, axis=1)).ravel() for scores in (known, estimated)]
    risk = max(float(np.mean(ranges[0] > range_limit(run_length))), 20 / ranges[0].size)
    return float(np.quantile(ranges[1], 1 - risk))
