"""Variance components: limits, tests, and the shares that they take.

References
----------
Self, Liang: Asymptotic properties of maximum likelihood estimators and likelihood
ratio tests under nonstandard conditions, JASA 82 (1987) 605-610 (case 5: the
mixture of chi-squares for a variance on its boundary). Nakagawa, Schielzeth: A
general and simple method for obtaining R2 from generalized linear mixed-effects
models, Methods Ecol. Evol. 4 (2013) 133-142.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats

from accstudy.models.crossproducts import Floats, Problem
from accstudy.models.optimum import Optimum, climb, variances_at

if TYPE_CHECKING:
    from accstudy.models.mixed import MixedFit

__all__ = [
    "component_tests",
    "r_squared",
    "sd_limits",
    "shares",
]

_NEAR = 0.02  # of the root: a last step of Newton's ends within 1e-4 of the limit


class _Profile:
    """Likelihood as a function of one standard deviation, the others at their best."""

    def __init__(self, problem: Problem, optimum: Optimum) -> None:
        self.problem = problem
        self.k = len(problem.sizes)
        self.variances = variances_at(optimum.at)
        self.best = np.sqrt(self.variances)
        self.spread = _log_spread(optimum)
        self.deviance = optimum.at.criterion

    def at(self, i: int, fixed: float, start: Floats) -> tuple[float, float, Floats]:
        """Smallest deviance with one standard deviation fixed; its slope; the variances."""
        full = np.maximum(start, 1e-4 * start[self.k] * (np.arange(len(start)) < self.k))
        full[i] = fixed**2
        at, variances, slope = climb(self.problem, full, held=i, close=1e-4)
        value = at.criterion_at(variances[self.k])
        return value, slope * 2 * fixed, variances


def _log_spread(optimum: Optimum) -> Floats:
    """Rough standard error of the log of each standard deviation, to start from."""
    variance = optimum.pieces.variances
    information = np.diag(optimum.pieces.expected) * variance**2
    return np.where(information > 0, 0.5 / np.sqrt(np.maximum(information, 0.05)), 0.25)


def sd_limits(fit: MixedFit, *, confidence: float = 0.95) -> pd.DataFrame:
    """Profile likelihood limits of every standard deviation; a lower limit of 0 means that the data
    do not show the component.

    A limit is where the smallest deviance with this standard deviation held exceeds the overall
    smallest by the chi-square quantile with 1 degree of freedom. Found by Newton's method on the
    signed root of that excess, which is nearly straight against the logarithm of the standard
    deviation; its slope comes with the inner minimum (envelope theorem).
    """
    profile = _Profile(fit.problem, fit.optimum)
    target = float(stats.chi2.ppf(confidence, 1))
    rows = []
    for i, name in enumerate(fit.components):
        best = profile.best[i]
        low = 0.0
        if best > 0 and (i >= profile.k or fit.criteria_without[i] - profile.deviance > target):
            low = _limit(profile, i, target, -1)
        high = _limit(profile, i, target, +1)
        scale = fit.problem.scale
        rows.append((name, best * scale, low * scale, high * scale))
    return pd.DataFrame(rows, columns=["component", "sd", "low", "high"])


def _limit(profile: _Profile, i: int, target: float, side: int) -> float:
    """Standard deviation at which the deviance has risen by the target."""
    best = profile.best[i]
    start = profile.variances.copy()
    step = min(profile.spread[i] * np.sqrt(target), 1.0)
    guess = best * np.exp(side * step) if best > 0 else 0.3 * profile.best[profile.k]
    inner, outer = np.log(best) if best > 0 else -np.inf, side * np.inf
    x, goal = float(np.log(guess)), np.sqrt(target)
    for _ in range(60):
        value, slope, start = profile.at(i, float(np.exp(x)), start)
        root = np.sqrt(max(value - profile.deviance, 0.0))
        by_log = slope * np.exp(x) / (2 * root) if root > 0 else 0.0
        if abs(root - goal) < _NEAR and by_log * side > 0:
            x += (goal - root) / by_log
            break
        if root < goal:
            inner = max(inner, x) if side > 0 else min(inner, x)
        else:
            outer = min(outer, x) if side > 0 else max(outer, x)
        new = x + (goal - root) / by_log if by_log * side > 0 else x + side * 0.5
        new = float(np.clip(new, x - 1.5, x + 1.5))
        between = min(inner, outer) < new < max(inner, outer)
        if not between and np.isfinite(inner) and np.isfinite(outer):
            new = (inner + outer) / 2
        elif not between:
            new = x + side * 0.7
        if abs(new - x) < 1e-10:
            break
        x = new
    return float(np.exp(x))


def component_tests(fit: MixedFit) -> pd.DataFrame:
    """Likelihood-ratio test of each random factor, by REML: ``p_naive`` from chi-square with 1
    degree of freedom, ``p`` corrected for the boundary (an equal mixture of chi-square with 0 and 1
    degrees of freedom, Self and Liang 1987).
    """
    rows = []
    for i, name in enumerate(g.name for g in fit.groups):
        statistic = max(fit.criteria_without[i] - fit.optimum.at.criterion, 0.0)
        naive = float(stats.chi2.sf(statistic, 1))
        zero = fit.optimum.at.theta[i] <= 0
        rows.append((name, statistic, naive, 1.0 if zero else naive / 2))
    return pd.DataFrame(rows, columns=["component", "statistic", "p_naive", "p"])


def _variances(fit: MixedFit) -> tuple[pd.Series, float]:
    variance = fit.sds**2
    k = len(fit.groups)
    rows = [float(g.z.multiply(g.z).sum()) / fit.n for g in fit.groups]
    variance = variance * np.concatenate([rows, np.ones(len(variance) - k)])
    residual = float(np.average(variance.to_numpy()[k:], weights=fit.problem.n_group))
    return variance.iloc[:k], residual


def shares(fit: MixedFit) -> pd.Series:
    """Intraclass correlation of each random term: its share of the random variance.

    What a term adds to the variance of a row, on average over the rows: ``s^2`` for levels,
    the same for slopes (at one standard deviation of the covariate), ``2 s^2`` for the two
    implants of a pair, less for a term that some rows do not have.
    With unequal residual standard deviations the residual variance is their mean,
    weighted by rows.
    """
    random, residual = _variances(fit)
    return (random / (random.sum() + residual)).rename("share")


def r_squared(fit: MixedFit) -> dict[str, float]:
    """Share of the variance explained by the fixed part, alone (``marginal``) and with the random
    part (``conditional``), beside ``var_fixed``, the sample variance of the fixed part.
    """
    random, residual = _variances(fit)
    fixed = float(np.var(fit.design.x @ fit.beta, ddof=1))
    total = fixed + float(random.sum()) + residual
    return {
        "var_fixed": fixed,
        "marginal": fixed / total,
        "conditional": (fixed + float(random.sum())) / total,
    }

