"""Average run lengths of control charts, and limits for a given run length.

Values are independent and, in control, standard normal: session means in units of
their standard deviation, or scores of standard deviations; parameters count as
known. A change is a shift of the mean, in sigma, or any other `Step`. Zero state:
the change is there from the first session on. Steady state: it comes after a long
quiet time, which the chart has passed without a signal.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Literal, Protocol

import numpy as np
import scipy  # scipy.interpolate and scipy.optimize load when they are first used
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtr, chdtrc, chdtri, ndtr, ndtri

Floats = NDArray[np.float64]

_LOWEST, _HIGHEST = -8.2, 30.0  # scores beyond have no weight


class Step(Hashable, Protocol):
    """One charted value: standard normal in control."""

    def density(self, y: Floats) -> Floats:
        """Probability density."""
        ...

    def below(self, y: Floats) -> Floats:
        """Probability of a value below."""
        ...

    def quiet(self) -> Step:
        """The same value in control."""
        ...

    def mirrored(self) -> Step:
        """The value with its sign changed."""
        ...


@dataclass(frozen=True, slots=True)
class NormalStep:
    """Normal value whose mean has shifted."""

    shift: float = 0.0  # in standard deviations

    def density(self, y: Floats) -> Floats:
        """Probability density."""
        return np.asarray(np.exp(-0.5 * (y - self.shift) ** 2) / np.sqrt(2 * np.pi))

    def below(self, y: Floats) -> Floats:
        """Probability of a value below."""
        return np.asarray(ndtr(y - self.shift))

    def quiet(self) -> NormalStep:
        """The same value in control."""
        return NormalStep()

    def mirrored(self) -> NormalStep:
        """The value with its sign changed."""
        return NormalStep(-self.shift)


@dataclass(frozen=True, slots=True)
class ScoreStep:
    """Score of a session's standard deviation (`sd_score`) that is `ratio` times as large as it
    was.

    ``scale`` is the standard deviation of the scores in control, by which they are divided; above 1
    where precision itself varies between sessions.
    """

    df: int
    ratio: float = 1.0
    scale: float = 1.0
    sign: float = 1.0

    def density(self, y: Floats) -> Floats:
        """Probability density, interpolated to 1e-8."""
        score = self.sign * self.scale * np.asarray(y, float)
        inside = (score > _LOWEST) & (score < _HIGHEST)
        found = _density_of_scores(self.df, self.ratio, self.scale)(np.where(inside, score, 0.0))
        return np.where(inside, np.maximum(found, 0.0), 0.0)

    def below(self, y: Floats) -> Floats:
        """Probability of a value below."""
        score = np.clip(self.sign * self.scale * np.asarray(y, float), _LOWEST, _HIGHEST)
        before = _before(score, self.df, self.ratio)
        return np.asarray(ndtr(self.sign * before / self.scale))

    def quiet(self) -> ScoreStep:
        """The same value in control."""
        return ScoreStep(self.df, 1.0, self.scale, self.sign)

    def mirrored(self) -> ScoreStep:
        """The value with its sign changed."""
        return ScoreStep(self.df, self.ratio, self.scale, -self.sign)


def _before(score: Floats, df: int, ratio: float) -> Floats:
    """Score that the same session would have had without the change."""
    return _score(chdtri(df, ndtr(-score)) / ratio**2, df)


@cache
def _density_of_scores(df: int, ratio: float, scale: float) -> Callable[[Floats], Floats]:
    score = np.linspace(_LOWEST, _HIGHEST, 8001)
    before = _before(score, df, ratio)
    # d before / d score, from the chi-square densities
    log_slope = (
        -df * np.log(ratio)
        + 0.5 * chdtri(df, ndtr(-score)) * (1 - ratio**-2)
        - 0.5 * (score**2 - before**2)
    )
    density = np.exp(log_slope - 0.5 * (before / scale) ** 2) / np.sqrt(2 * np.pi)
    return scipy.interpolate.CubicSpline(score, density)


def as_step(shift: float | Step) -> Step:
    """A number is the shift of a normal mean."""
    return NormalStep(float(shift)) if isinstance(shift, (int, float)) else shift


def _score(chi2: ArrayLike, df: ArrayLike) -> Floats:
    x, nu = np.asarray(chi2, float), np.asarray(df, float)
    low, high = chdtr(nu, x), chdtrc(nu, x)
    tiny = 1e-300
    return np.where(low < 0.5, ndtri(np.clip(low, 1e-16, 1)), -ndtri(np.clip(high, tiny, 1)))


def sd_score(sd: ArrayLike, n: ArrayLike, pooled: ArrayLike) -> Floats:
    """Standard deviations of n scans each as standard normal scores, whatever n.

    A score of 2 is as rarely exceeded as 2 sigma. Exact for normal scans: the chi-square
    probability of the standard deviation as a normal quantile. The logarithm, the other usual
    scale, is not normal for few scans: with three a session its skewness is -1.14, so that charts
    of it alarm on small values for nothing and miss large ones.

    Examples
    --------
    >>> sd_score([1.0, 1.48, 0.47], 4, 1.0).round(2).tolist()
    [0.28, 1.36, -1.18]
    """
    nu = np.asarray(n, float) - 1
    return _score(nu * (np.asarray(sd, float) / np.asarray(pooled, float)) ** 2, nu)


def sd_of_score(score: ArrayLike, n: ArrayLike, pooled: float) -> Floats:
    """Standard deviation that has a score: the reverse of `sd_score`."""
    nu = np.asarray(n, float) - 1
    return np.asarray(pooled * np.sqrt(chdtri(nu, ndtr(-np.asarray(score, float))) / nu))


State = Literal["zero", "steady"]

_NODES = 80
_RANGE_WIDTH = 8.5  # values further out have no weight
_RANGE_NODES = _RANGE_WIDTH * np.cos(np.pi * np.arange(_NODES + 1) / _NODES)
LAMBDAS = (0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.4, 0.5)
"""Weights of the EWMA that are tried."""


@cache
def _nodes(n: int) -> tuple[Floats, Floats]:
    x, w = np.polynomial.legendre.leggauss(n)
    return x, w


def shewhart_run_length(L: float, shift: float | Step = 0.0) -> float:
    """Average run length of a chart with limits at plus and minus `L` sigma.

    Both states are alike, as the chart has no memory.

    Examples
    --------
    >>> round(shewhart_run_length(3.0), 1), round(shewhart_run_length(3.0, 1.0), 1)
    (370.4, 43.9)
    """
    step = as_step(shift)
    low, high = np.array([-L]), np.array([-L])  # each tail by itself keeps its digits
    beyond = float((step.below(low) + step.mirrored().below(high))[0])
    return 1 / beyond if beyond else math.inf  # limits of a short baseline may be that wide


def shewhart_limit(run_length: float) -> float:
    """Limit in sigma that gives a false alarm every `run_length` sessions."""
    return float(-ndtri(0.5 / run_length))


@cache
def ewma_run_length(
    lambda_: float, L: float, shift: float | Step = 0.0, *, state: State = "zero"
) -> float:
    """Average run length of a two-sided EWMA chart, from the shift to the signal, that included.

    `L` are the limits in standard deviations of the average in its steady state; zero state: the
    average starts at the centre, steady: where a quiet chart has it, distributed as the in-control
    chart's, given that it has not signalled. Integral equation solved by Gauss-Legendre quadrature
    (Nystroem's method).

    References
    ----------
    Crowder, Technometrics 29 (1987) 401-407; Lucas and Saccucci, Technometrics
    32 (1990) 1-12, for the steady state.
    """
    step = as_step(shift)
    x, w = _ewma_nodes(lambda_, L)
    lengths = _ewma_lengths(lambda_, L, step)
    if state == "zero":
        start = step.density(x / lambda_) / lambda_
        return float(1 + np.sum(start * w * lengths))
    # the shift strikes the first value after the quiet time
    return float(np.sum(_ewma_quiet(lambda_, L, step.quiet()) * lengths))


def _ewma_nodes(lambda_: float, L: float) -> tuple[Floats, Floats]:
    c = L * np.sqrt(lambda_ / (2 - lambda_))
    # the kernel is narrow for a small weight: enough nodes to see it
    x, w = _nodes(max(_NODES, int(4 * c / lambda_)))
    return c * x, c * w


@lru_cache(maxsize=16)  # both states in a row
def _ewma_lengths(lambda_: float, L: float, step: Step) -> Floats:
    """Sessions to the signal from each node."""
    x, w = _ewma_nodes(lambda_, L)
    kernel = _ewma_kernel(x, lambda_, step)
    return np.asarray(np.linalg.solve(np.eye(len(x)) - kernel * w, np.ones(len(x))))


def _ewma_kernel(x: Floats, lambda_: float, step: Step) -> Floats:
    """Density of the next average (columns) given this one (rows)."""
    return step.density((x[None, :] - (1 - lambda_) * x[:, None]) / lambda_) / lambda_


@cache
def _ewma_quiet(lambda_: float, L: float, step: Step) -> Floats:
    x, w = _ewma_nodes(lambda_, L)
    return _quiet(_ewma_kernel(x, lambda_, step), w)


def _quiet(kernel: Floats, w: Floats) -> Floats:
    """Weights of the nodes in the quiet steady state: leading left eigenvector."""
    density = np.ones(len(w))
    for _ in range(2000):
        new = (density * w) @ kernel
        new /= np.sum(new * w)
        if np.abs(new - density).max() < 1e-12:
            break
        density = new
    return np.asarray(density * w)


@cache
def cusum_run_length(
    k: float, h: float, shift: float | Step = 0.0, *, state: State = "zero", sides: int = 2
) -> float:
    """Average run length of a tabular CUSUM, of an upper sum or (`sides` 2) of an upper and a lower
    one.

    Integral equation with the atom at zero. Two sides by the sum of their rates, which is exact for
    the zero state (both sums cannot be near their limits together) and close for the steady state.

    References
    ----------
    Brook and Evans, Biometrika 59 (1972) 539-549; Lucas and Crosier,
    Technometrics 24 (1982) 199-205.
    """
    step = as_step(shift)
    up = _one_sided(k, h, step, state)
    if sides == 1:
        return up
    return 1 / (1 / up + 1 / _one_sided(k, h, step.mirrored(), state))


def _one_sided(k: float, h: float, step: Step, state: State) -> float:
    lengths = _cusum_lengths(k, h, step)
    return float(lengths[0] if state == "zero" else _cusum_quiet(k, h, step.quiet()) @ lengths)


@lru_cache(maxsize=16)
def _cusum_lengths(k: float, h: float, step: Step) -> Floats:
    moves = _cusum_moves(k, h, step)
    return np.asarray(np.linalg.solve(np.eye(len(moves)) - moves, np.ones(len(moves))))


def _cusum_moves(k: float, h: float, step: Step) -> Floats:
    """Chance of the next sum (columns) given this one (rows), the atom at zero first."""
    x, w = _nodes(max(_NODES, int(5 * h)))
    x, w = h * (x + 1) / 2, h * w / 2
    at = np.concatenate([[0.0], x])
    return np.column_stack([step.below(k - at), step.density(x[None, :] - at[:, None] + k) * w])


@cache
def _cusum_quiet(k: float, h: float, step: Step) -> Floats:
    moves = _cusum_moves(k, h, step)
    share = np.ones(len(moves)) / len(moves)
    for _ in range(5000):
        new = share @ moves
        new /= new.sum()
        if np.abs(new - share).max() < 1e-13:
            break
        share = new
    return share


@cache
def range_run_length(limit: float, shift: float | Step = 0.0, *, state: State = "zero") -> float:
    """Average run length of a chart of moving ranges of two, from the shift to the signal.

    Zero state: even the first value has shifted (and counts, without a range), so that a shift of
    the mean alone is never seen. Steady: the value before it has not. Integral equation over the
    last value, by collocation at Chebyshev nodes, as its kernel breaks off at the limit.

    References
    ----------
    Crowder, Technometrics 29 (1987) 161-169.
    """
    step = as_step(shift)
    x, w = _nodes(4 * _NODES)
    x, w = _RANGE_WIDTH * x, _RANGE_WIDTH * w
    from_here = _range_lengths(limit, step)
    if state == "zero":
        return float(1 + np.sum(step.density(x) * w * from_here))
    density = NormalStep().density(x) * _range_quiet(limit, step.quiet()) * w
    return float(np.sum(density * from_here) / np.sum(density))


@lru_cache(maxsize=16)
def _range_lengths(limit: float, step: Step) -> Floats:
    goes_on = _range_moves(limit, step)
    lengths = np.linalg.solve(np.eye(len(_RANGE_NODES)) - goes_on, np.ones(len(_RANGE_NODES)))
    return _between_nodes(np.asarray(lengths, float))


def _between_nodes(values: Floats) -> Floats:
    """What is known at the nodes, at the points of the quadrature."""
    x, _ = _nodes(4 * _NODES)
    return np.asarray(
        scipy.interpolate.BarycentricInterpolator(_RANGE_NODES, values)(_RANGE_WIDTH * x)
    )


@cache
def _range_quiet(limit: float, quiet: Step) -> Floats:
    """Density of the last value after a long quiet time, over that of one value.

    The leading right eigenvector, as the kernel is symmetric but for that density.
    """
    moves = _range_moves(limit, quiet)
    share = np.ones(len(_RANGE_NODES))
    for _ in range(500):
        new = moves @ share
        new /= np.abs(new).max()
        if np.abs(new - share).max() < 1e-12:
            break
        share = new
    return _between_nodes(share)


def _range_moves(limit: float, step: Step) -> Floats:
    """Operator that integrates over the next values within the limit of each node."""
    at, weights, basis = _range_basis(limit)
    return np.asarray(np.einsum("ij,ijk->ik", step.density(at) * weights, basis))


@lru_cache(maxsize=16)
def _range_basis(limit: float) -> tuple[Floats, Floats, Floats]:
    """Points within the limit of each node, their weights, and what they take from the nodes."""
    x, w = _nodes(_NODES)
    low = np.maximum(_RANGE_NODES - limit, -_RANGE_WIDTH)
    half = 0.5 * (np.minimum(_RANGE_NODES + limit, _RANGE_WIDTH) - low)
    at = low[:, None] + half[:, None] * (x[None, :] + 1)
    basis = scipy.interpolate.BarycentricInterpolator(_RANGE_NODES, np.eye(len(_RANGE_NODES)))(
        at.ravel()
    )
    return at, w[None, :] * half[:, None], basis.reshape(*at.shape, len(_RANGE_NODES))


@cache
def range_limit(run_length: float) -> float:
    """Limit of moving ranges, in sigma of one value, with that in-control run length."""
    return _limit(range_run_length, run_length, step=1.0)


def range_risk(run_length: float) -> float:
    """Chance that one moving range passes `range_limit` in control.

    A little more than one in `run_length`, as ranges in a row share a value.
    """
    return float(2 * ndtr(-range_limit(run_length) / np.sqrt(2)))


@cache
def ewma_limit(lambda_: float, run_length: float) -> float:
    """Limit `L` of an EWMA chart with that in-control zero-state run length."""
    return _limit(lambda L: ewma_run_length(lambda_, L), run_length, step=0.5)


@cache
def cusum_limit(k: float, run_length: float) -> float:
    """Limit `h` of a two-sided CUSUM with that in-control zero-state run length."""
    return _limit(lambda h: cusum_run_length(k, h), run_length, step=1.0)


def _limit(length_at: Callable[[float], float], run_length: float, *, step: float) -> float:
    """Limit with that run length; brackets from below, as huge run lengths lose all digits."""
    high = step
    while length_at(high) < run_length:
        high += step
    low = high - step if high > step else 1e-3
    return float(
        scipy.optimize.brentq(
            lambda limit: np.log(length_at(limit) / run_length), low, high, xtol=1e-5
        )
    )


@cache
def best_lambda(shift: float | Step, run_length: float) -> float:
    """Weight out of 0.05 to 0.5 that finds a shift (sigma of one session) soonest, steady state."""
    delays = [
        ewma_run_length(lam, ewma_limit(lam, run_length), shift, state="steady") for lam in LAMBDAS
    ]
    return LAMBDAS[int(np.argmin(delays))]
