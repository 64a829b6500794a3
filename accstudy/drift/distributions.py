"""Distributions of one charted value, in control and after a change."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass
from functools import cache
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import CubicSpline
from scipy.special import chdtr, chdtrc, chdtri, ndtr, ndtri

__all__ = ["NormalStep", "ScoreStep", "Step", "as_step", "sd_of_score", "sd_score"]

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
    """Normal value whose mean has shifted.

    Parameters
    ----------
    shift : float
        In standard deviations.
    """

    shift: float = 0.0

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
def _density_of_scores(df: int, ratio: float, scale: float) -> CubicSpline:
    score = np.linspace(_LOWEST, _HIGHEST, 8001)
    before = _before(score, df, ratio)
    # d before / d score, from the chi-square densities
    log_slope = (
        -df * np.log(ratio)
        + 0.5 * chdtri(df, ndtr(-score)) * (1 - ratio**-2)
        - 0.5 * (score**2 - before**2)
    )
    density = np.exp(log_slope - 0.5 * (before / scale) ** 2) / np.sqrt(2 * np.pi)
    return CubicSpline(score, density)


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
