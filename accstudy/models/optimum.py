"""Maximum of the likelihood: bounded search, a probe of every zero, Newton steps.

Seen as a function of a standard deviation the likelihood is flat at zero, so a
search that touches zero stays there even if zero is no maximum. Every component
that ends at zero is therefore probed with a small positive value.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import optimize

from accstudy.errors import ComputationError
from accstudy.models.crossproducts import Floats, Problem
from accstudy.models.information import Pieces, pieces
from accstudy.models.reml import Evaluation

__all__ = ["THETA_MAX", "Optimum", "maximise"]

THETA_MAX = 1e4
"""Largest ratio of a random factor's standard deviation to the residual one."""

SLOPE = 2e-3
"""Slope of the criterion against the log of a ratio at which a search is done: the criterion
is then within about 1e-6 of its minimum before the Newton steps."""

_LOG_RATIO_MAX = 7.0
"""Largest log ratio of two residual standard deviations, about 1100: a line search that jumps
farther meets equations that cannot be solved in double precision."""

_ZERO = 1e-5
_PROBE = 0.02


@dataclass(frozen=True)
class Optimum:
    """Where the likelihood is largest.

    Parameters
    ----------
    at : Evaluation
        The likelihood there.
    pieces : Pieces or None
        Information matrices and what Kenward-Roger needs, for REML fits.
    evaluations : int
        Points at which the likelihood was worked out.
    """

    at: Evaluation
    pieces: Pieces | None
    evaluations: int


class _Search:
    """One likelihood as a function of (theta, log SD ratios)."""

    def __init__(self, problem: Problem, reml: bool) -> None:
        self.problem, self.reml = problem, reml
        self.k, self.g = len(problem.sizes), len(problem.n_group)
        self.evaluations = 0

    def point(self, x: Floats) -> Evaluation:
        self.evaluations += 1
        logs = np.concatenate([[0.0], x[self.k :]])
        return Evaluation(self.problem, np.abs(x[: self.k]), np.exp(-2 * logs), self.reml)

    def value(self, x: Floats) -> tuple[float, Floats]:
        at = self.point(x)
        return at.criterion, at.gradient

    def run(self, start: Floats) -> Floats:
        bounds = [(0.0, THETA_MAX)] * self.k + [(-_LOG_RATIO_MAX, _LOG_RATIO_MAX)] * (self.g - 1)
        x = np.asarray(start, float)
        for _ in range(10):
            found = optimize.minimize(
                self.value,
                x,
                jac=True,
                method="L-BFGS-B",
                bounds=bounds,
                options={"maxiter": 500, "ftol": 1e-12, "gtol": 1e-6, "maxcor": 20},
            )
            x = np.asarray(found.x, float)
            # A line that runs into the flat corner at zero ends a search long before its
            # maximum, as done. The slope against the logarithm tells, because its change
            # over one unit is about the component's degrees of freedom; a fresh search goes on.
            weight = np.where(np.arange(len(x)) < self.k, np.maximum(x, 0.01), 1.0)
            if np.abs(found.jac * weight).max() <= SLOPE:
                break
        return x


def maximise(
    problem: Problem, *, reml: bool = True, start: Floats | None = None, inform: bool = True
) -> Optimum:
    """Fit the variance parameters.

    Parameters
    ----------
    problem : Problem
        Cross-products of the data.
    reml : bool
        Restricted likelihood, else full likelihood.
    start : ndarray, optional
        Ratios (and log residual SD ratios) to start from.
    inform : bool
        Sharpen a REML fit by Newton steps and return the information matrices.

    Returns
    -------
    Optimum
    """
    search = _Search(problem, reml)
    size = search.k + search.g - 1
    if size == 0:
        at = search.point(np.empty(0))
        return Optimum(at, pieces(at) if inform and reml else None, 1)
    x = np.concatenate([np.full(search.k, 1.0), np.zeros(search.g - 1)]) if start is None else start
    x = search.run(np.where(np.arange(size) < search.k, np.maximum(x, 0.05), x))
    x = _probe_zeros(search, x)
    if not (inform and reml):
        return Optimum(search.point(x), None, search.evaluations)
    return _sharpen(search, x)


def _probe_zeros(search: _Search, x: Floats) -> Floats:
    for _ in range(2 * search.k + 1):
        x = x.copy()
        small = np.flatnonzero(x[: search.k] < _PROBE)
        x[: search.k][x[: search.k] < _ZERO] = 0.0
        best = search.point(x).criterion
        moved = False
        for k in small:
            for value in (0.0, _PROBE, 5 * _PROBE):
                trial = x.copy()
                trial[k] = value
                found = search.point(trial).criterion
                if found < best - 1e-10 * max(1.0, abs(best)):
                    best, x, moved = found, trial, value > 0
        if not moved:
            return x
        x = search.run(x)
    return x


def _sharpen(search: _Search, x: Floats) -> Optimum:
    """Newton steps on the variances; components at zero stay there."""
    at = search.point(x)
    now = pieces(at)
    for _ in range(8):
        free = now.positive
        score = now.score[free]
        try:
            step = np.linalg.solve(now.observed[np.ix_(free, free)], score)
        except np.linalg.LinAlgError:
            break
        current = now.variances[free]
        if np.max(np.abs(step) / current, initial=0.0) < 1e-9:
            break
        if np.any(current + step <= 0) or np.max(np.abs(step) / current) > 0.5:
            break
        variances = now.variances.copy()
        variances[free] += step
        residual = variances[search.k :]
        trial = np.concatenate(
            [
                np.sqrt(variances[: search.k] / residual[0]),
                0.5 * np.log(residual[1:] / residual[0]),
            ]
        )
        if np.any(trial[: search.k] > THETA_MAX):
            break
        candidate = search.point(trial)
        if candidate.criterion > at.criterion + 1e-9 * max(1.0, abs(at.criterion)):
            break
        at, now = candidate, pieces(candidate)
    if not np.isfinite(at.criterion):
        raise ComputationError("the likelihood of the mixed model has no maximum")
    return Optimum(at, now, search.evaluations)
