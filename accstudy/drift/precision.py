"""Limits of charts of the spread within sessions: scores of standard deviations.

The chart of standard deviations itself supposes that precision is the same in all
sessions. The others also hold what varies between sessions: a session's standard
deviation becomes a score (`accstudy.drift.steps.sd_score`), and centre and spread
of the scores come from the baseline's sessions, one value a session. The spread of
the scores is taken from their moving ranges, but as no less than 1, which is what
the scans alone make it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache, lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq
from scipy.special import chdtr, chdtrc, chdtri, fdtri, ndtr

from accstudy.drift.charts import constants
from accstudy.drift.estimated import HORIZON, largest_cusum, largest_ewma, same_risk, soonest
from accstudy.drift.runlength import (
    LAMBDAS,
    cusum_limit,
    ewma_limit,
    range_limit,
    shewhart_limit,
)
from accstudy.drift.steps import ScoreStep, sd_score

__all__ = [
    "ScoreBaseline",
    "SpreadLimits",
    "mean_score",
    "score_baseline",
    "sd_factors",
    "sd_run_length",
    "spread_limits",
]

Floats = NDArray[np.float64]

_REPEATS = 20_000
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


def mean_score(n: int, ratio: float) -> float:
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
    k = round(max(0.5 * mean_score(n, ratio), 0.1), 2)
    known, estimated = _futures(sessions, n)
    widened = [
        same_risk(
            largest_ewma(known, lam), largest_ewma(estimated, lam), ewma_limit(lam, run_length)
        )
        for lam in LAMBDAS
    ]
    best = soonest(widened, step)
    h = cusum_limit(k, run_length)
    return SpreadLimits(
        single=_single_factor(sessions, n, run_length),
        jump=_jump_factor(known, estimated, run_length),
        L=widened[best],
        h=same_risk(largest_cusum(known, k), largest_cusum(estimated, k), h),
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
    repeats = int(np.clip(_VALUES // sessions, 1000, _REPEATS))
    variance = rng.chisquare(n - 1, (repeats, sessions)) / (n - 1)
    pooled = np.sqrt(variance.mean(axis=1))
    return pooled, *_centre_and_scale(sd_score(np.sqrt(variance), n, pooled[:, None]))


@lru_cache(maxsize=2)
def _futures(sessions: int, n: int) -> tuple[Floats, Floats]:
    """Scores after many baselines: by the true precision, and as the baseline sees them."""
    pooled, centre, scale = (np.resize(part, _REPEATS)[:, None] for part in _baselines(sessions, n))
    rng = np.random.default_rng(7871)
    sd = np.sqrt(rng.chisquare(n - 1, (_REPEATS, HORIZON)) / (n - 1))
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

    return float(brentq(excess, 0.5, 30.0, xtol=1e-4))


def _jump_factor(known: Floats, estimated: Floats, run_length: float) -> float:
    ranges = [np.abs(np.diff(scores, axis=1)).ravel() for scores in (known, estimated)]
    risk = max(float(np.mean(ranges[0] > range_limit(run_length))), 20 / ranges[0].size)
    return float(np.quantile(ranges[1], 1 - risk))
