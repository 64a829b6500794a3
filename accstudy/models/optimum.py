"""Maximum of the likelihood: steps by the average information, bounded at zero.

The average of the observed and the expected information needs only solutions of the mixed
model equations for one right-hand side a component, so a step costs hardly more than the
likelihood itself. As a function of variances the likelihood has a slope at zero, so a
component that is held there is let go as soon as the likelihood would rise.

References
----------
Gilmour, Thompson, Cullis: Average information REML, an efficient algorithm for variance
parameter estimation in linear mixed models, Biometrics 51 (1995) 1440-1450. Levenberg (1944)
and Marquardt (1963), for the steps that are shortened where the likelihood is no parabola.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy  # scipy.optimize loads when it is first used
from scipy import linalg

from accstudy.errors import ComputationError
from accstudy.models.crossproducts import Floats, Problem
from accstudy.models.likelihood import Evaluation, Pieces, pieces

THETA_MAX = 1e4
"""Largest ratio of a random term's standard deviation to the residual one."""

CLOSE = 1e-9
"""Rise of the criterion below which a fit is at its maximum."""

STARTS = (0.3, 3.0)
"""Variances of the random terms, against that of what is left, to start from."""

SMALL = 100
"""Levels up to which every start is tried: small sets of data may have several maxima."""

REVIVED = 0.02
"""Of the largest variance: from where a larger problem is climbed once more if one is zero."""

_CLOSE_WITHOUT = 1e-6  # as CLOSE, of a criterion that is only compared with that of the maximum
_NEAR = 0.1  # as CLOSE, from where components at zero are left out
_ZERO = 1e-5  # ratio that stands for zero, where the slope can still be worked out
_STEPS = 200
_RATIO_MAX = 1e3  # of two residual standard deviations


@dataclass(frozen=True)
class Optimum:
    """Where the likelihood is largest, and its derivatives there."""

    at: Evaluation
    pieces: Pieces


def _point(problem: Problem, variances: Floats) -> Evaluation:
    k = len(problem.sizes)
    residual = variances[k:]
    return Evaluation(problem, np.sqrt(variances[:k] / residual[0]), residual[0] / residual)


def _bounds(problem: Problem, variances: Floats) -> tuple[Floats, Floats]:
    """Least and largest variance of each component, given the others."""
    k = len(problem.sizes)
    residual = variances[k:]
    low = np.concatenate(
        [
            np.full(k, _ZERO**2 * residual[0]),
            np.full(len(residual), variances[:k].max(initial=0.0) / THETA_MAX**2),
        ]
    )
    low[k:] = np.maximum(low[k:], residual.max() / _RATIO_MAX**2)
    low[k:] = np.minimum(np.maximum(low[k:], 1e-12), residual)
    return low, np.full(len(variances), np.inf)


def climb(
    problem: Problem,
    start: Floats,
    *,
    held: int | None = None,
    close: float = CLOSE,
) -> tuple[Evaluation, Floats, float]:
    """Raise the likelihood from a start to its maximum, with one variance held if wanted.

    `start` holds the variances of the random terms, then of the residual groups, of the scaled
    response, (m,); `close` is the rise of the criterion that a step must promise to be taken.
    Returns the likelihood at the maximum, the variances there (components at zero are exactly
    zero) and the derivative of the criterion by the variance held.
    """
    k = len(problem.sizes)
    v = np.asarray(start, float).copy()
    low, _ = _bounds(problem, v)
    movable = np.ones(len(v), bool)
    if held is not None:
        movable[held] = False
    v[movable] = np.maximum(v, low)[movable]
    at = _point(problem, v)
    value, damping, evaluations = at.criterion_at(v[k]), 1e-4, 1
    for _ in range(_STEPS):
        if held is None and damping <= 1e-4 and evaluations % 4 == 0:
            v = v * (at.variance / v[k])  # the best scale for these ratios
            value = at.criterion_at(v[k])
        score, information = at.slopes_at(v)
        low, _ = _bounds(problem, v)
        moved = False
        for _ in range(30):
            step, rise = _step(v, score, information, low, movable, damping)
            if rise < close:
                break
            trial = v + step
            candidate = _point(problem, trial)
            evaluations += 1
            try:
                new = candidate.criterion_at(trial[k])
            except ComputationError:
                new = np.inf
            if new <= value - 0.05 * rise:
                good = value - new > 0.7 * rise
                v, at, value, moved = trial, candidate, new, True
                damping = damping / 10 if good else damping
                break
            damping = max(damping * 8, 1e-3)
        if not moved:
            break
    slope = 0.0
    if held is not None:
        slope = -2 * float(score[held]) if v[held] > 0 else 0.0
    small = (v[:k] <= 1.5 * low[:k]) & movable[:k]
    if small.any():
        v = v.copy()
        v[:k][small] = 0.0
        at = _point(problem, v)
    return at, v, slope


def _step(
    v: Floats, score: Floats, information: Floats, low: Floats, movable: np.ndarray, damping: float
) -> tuple[Floats, float]:
    """Step that stays above the bounds, and the fall of the criterion that it promises.

    The best of the parabola within the bounds is a least-squares problem without negative
    unknowns.
    """
    at = np.flatnonzero(movable)
    step = np.zeros(len(v))
    if not len(at):
        return step, 0.0
    matrix, right, least = information[np.ix_(at, at)], score[at], (low - v)[at]
    size = np.sqrt(np.maximum(np.diag(matrix), 0.0))
    size = np.maximum(size, 1e-6 * max(size.max(), 1e-300))
    with np.errstate(over="ignore", invalid="ignore"):
        scaled = matrix / size[:, None] / size
    if not np.isfinite(scaled).all():
        raise ComputationError(
            "the likelihood of the mixed model has no maximum: no residual scatter is left",
            hint="a random term may fit the response exactly; leave it out",
        )
    values, vectors = linalg.eigh(scaled)
    root = np.sqrt(np.maximum(values, 1e-10) + damping)[:, None] * vectors.T
    goal = np.linalg.solve(root.T, right / size) - root @ (least * size)
    found = scipy.optimize.nnls(root, goal)[0] / size + least
    # far beyond what is there the parabola says nothing
    most = 10 * v[at] + 0.2 * v.sum()
    step[at] = found * min(1.0, float(np.min(most / np.maximum(np.abs(found), 1e-300))))
    rise = 2 * float(score @ step) - float(step @ information @ step)
    return step, rise


def variances_at(at: Evaluation) -> Floats:
    """Variances at a maximum: of the random terms, then of the residual groups."""
    return np.asarray(np.concatenate([at.theta**2, 1 / at.weights]) * at.variance)


def criterion_without(problem: Problem, best: Optimum, k: int) -> float:
    """Smallest criterion with random term k held at zero."""
    start = variances_at(best.at)
    if start[k] == 0:
        return best.at.criterion
    start = _shared_out(start, best.pieces.expected, k)
    start[k] = 0.0
    return _climb_lean(problem, start, k, _CLOSE_WITHOUT)[0].criterion


def _shared_out(variances: Floats, information: Floats, k: int) -> Floats:
    """Variances of the others if the likelihood were a parabola and component k zero."""
    others = np.flatnonzero((np.arange(len(variances)) != k) & (variances > 0))
    moved = variances.copy()
    square = information[np.ix_(others, others)]
    step = np.linalg.lstsq(square, information[others, k] * variances[k], rcond=1e-10)[0]
    moved[others] = np.clip(variances[others] + step, 0.2 * variances[others], variances.sum())
    return moved


def _climb_lean(
    problem: Problem, start: Floats, held: int | None, close: float
) -> tuple[Evaluation, Floats]:
    """As `climb`, without the components that are zero until one is found to rise from there.

    The likelihood of all of them is worked out only to see that; the one returned is without
    the components at zero.
    """
    k = len(problem.sizes)
    v = np.asarray(start, float).copy()
    movable = np.ones(len(v), bool)
    if held is not None:
        movable[held] = False
    while True:
        kept = np.flatnonzero(v[:k] > 0)
        places = np.append(kept, np.arange(k, len(v)))
        at, v[places], _ = climb(problem.only(kept), v[places], close=close)
        zero = (v == 0) & movable
        if not zero.any():
            return at, v
        low, _ = _bounds(problem, v)
        raised = np.where(zero, low, v)
        score, information = _point(problem, raised).slopes_at(raised)
        step, rise = _step(raised, score, information, low, movable, 1e-4)
        if rise < close or not (step[zero] > 0).any():
            return at, v
        v = np.where(zero & (step <= 0), 0.0, raised + step)


def _ascent(problem: Problem, start: Floats) -> tuple[Evaluation, Floats]:
    """As `climb`; a larger problem without what is zero once the top is near."""
    if problem.q <= SMALL:
        return climb(problem, start)[:2]
    near = climb(problem, start, close=_NEAR)[1]
    v = _climb_lean(problem, near, None, CLOSE)[1]
    return _point(problem, v), v


def highest(problem: Problem, *, start: Floats | None = None) -> Evaluation:
    """Fit the variance parameters; `start` holds ratios (and log residual SD ratios)."""
    k, g = len(problem.sizes), len(problem.n_group)
    if start is None:
        starts = [np.concatenate([np.full(k, v), np.ones(g)]) for v in STARTS]
        starts = starts[: 1 if problem.q > SMALL else None]
    else:
        first = np.concatenate([start[:k] ** 2, [1.0], np.exp(2 * start[k:])])
        starts = [first * _point(problem, first).variance]
    found = [_ascent(problem, first) for first in starts]
    zero = found[0][1][:k] == 0
    if len(starts) == 1 and zero.any():  # two terms may share one spread in several ways
        first = found[0][1].copy()
        first[:k][zero] = REVIVED * first.max()
        found.append(_ascent(problem, first))
    at = min((f[0] for f in found), key=lambda e: e.criterion)
    if not np.isfinite(at.criterion):
        raise ComputationError("the likelihood of the mixed model has no maximum")
    return at


def maximise(problem: Problem, *, start: Floats | None = None) -> Optimum:
    """As `highest`, sharpened by Newton steps on the variances, with the information there;
    components at zero stay there.
    """
    at = highest(problem, start=start)
    places = np.flatnonzero(np.append(at.theta > 0, at.weights > 0))
    lean = problem.only(places[places < len(at.theta)])
    k = len(lean.sizes)
    near = _point(lean, variances_at(at)[places])
    for _ in range(6):
        now = pieces(near)
        try:
            step = np.linalg.solve(now.observed, now.score)
        except np.linalg.LinAlgError:
            break
        size = float(np.max(np.abs(step) / now.variances, initial=0.0))
        if size < 1e-7 and lean is problem:
            return Optimum(near, now)
        if size < 1e-7 or size > 0.5:
            break
        variances = now.variances + step
        if np.any(variances[:k] > THETA_MAX**2 * variances[k]):
            break
        candidate = _point(lean, variances)
        if candidate.criterion > near.criterion + 1e-9 * max(1.0, abs(near.criterion)):
            break
        near = candidate
    best = np.zeros(len(at.theta) + len(at.weights))
    best[places] = variances_at(near)
    at = _point(problem, best)
    return Optimum(at, pieces(at))
