"""Smooth random fields in space: noise with a stated correlation."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["cosine_of_turns", "random_field"]

Floats = NDArray[np.float64]


def random_field(
    points_mm: Floats,
    rng: np.random.Generator,
    *,
    correlation_mm: float,
    kernel: str = "gaussian",
    n_waves: int = 400,
) -> Floats:
    """Draw a stationary random field of variance 1 at points in space.

    Parameters
    ----------
    points_mm : (n, 3) ndarray
        Where.
    rng : Generator
        Source of chance.
    correlation_mm : float
        Distance at which the correlation has fallen to 1/e; 0 draws every
        point by itself.
    kernel : {"gaussian", "exponential"}
        Correlation exp(-(d/L)**2), smooth, or exp(-d/L), rough.
    n_waves : int
        Number of cosine waves that are added.

    Returns
    -------
    (n,) ndarray

    Notes
    -----
    Mean, variance and correlation are exact over draws. Within one draw distant
    points have chance correlations of order ``1 / sqrt(n_waves)``.

    References
    ----------
    Rahimi and Recht, Random features for large-scale kernel machines, NIPS
    2007: the kernel's spectral density gives the waves.
    """
    if correlation_mm == 0:
        return rng.standard_normal(len(points_mm))
    waves = rng.standard_normal((n_waves, 3)) / (2 * np.pi * correlation_mm)
    if kernel == "gaussian":
        waves *= np.sqrt(2.0)
    else:
        waves /= np.abs(rng.standard_normal((n_waves, 1)))
    phases = rng.uniform(0.0, 1.0, n_waves)
    scale = np.sqrt(2.0 / n_waves)
    out = np.empty(len(points_mm))
    for begin in range(0, len(out), 256):  # small enough for the cache
        turns = points_mm[begin : begin + 256] @ waves.T
        turns += phases
        out[begin : begin + 256] = cosine_of_turns(turns).sum(axis=1) * scale
    return out


def cosine_of_turns(turns: Floats) -> Floats:
    """Cosine of angles in turns, several times faster than the exact one.

    Parameters
    ----------
    turns : ndarray
        1 is a full turn.

    Returns
    -------
    ndarray
        Right within 2e-8, and the same on every processor, which library
        cosines are not.
    """
    square = turns - np.rint(turns)
    square *= square
    out = np.full_like(square, _COSINE[-1])
    for factor in _COSINE[-2::-1]:
        out *= square
        out += factor
    return out


def _cosine_factors(degree: int) -> tuple[float, ...]:
    """Polynomial in the squared turns through Chebyshev nodes of half a turn."""
    nodes = np.cos(np.pi * (np.arange(degree + 1) + 0.5) / (degree + 1))
    square = (nodes + 1) / 8
    powers = np.vander(square, increasing=True)
    factors = np.linalg.solve(powers, np.cos(2 * np.pi * np.sqrt(square)))
    return tuple(float(f) for f in factors)


_COSINE = _cosine_factors(6)
