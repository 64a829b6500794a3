"""Average run lengths of control charts, and limits designed for a wanted one.

Values are session means in units of their standard deviation, independent and
normal; parameters count as known. Zero state: the shift is there from the first
session on. Steady state: it comes after a long quiet time, which the chart has
passed without a signal.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import ndtr, ndtri

__all__ = [
    "LAMBDAS",
    "State",
    "best_lambda",
    "cusum_limit",
    "cusum_run_length",
    "ewma_limit",
    "ewma_run_length",
    "shewhart_limit",
    "shewhart_run_length",
]

Floats = NDArray[np.float64]
State = Literal["zero", "steady"]

_NODES = 80
LAMBDAS = (0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.4, 0.5)
"""Weights of the EWMA that are tried."""


def _density(x: Floats) -> Floats:
    return np.asarray(np.exp(-0.5 * x * x) / np.sqrt(2 * np.pi))


@cache
def _nodes(n: int) -> tuple[Floats, Floats]:
    x, w = np.polynomial.legendre.leggauss(n)
    return x, w


def shewhart_run_length(L: float, shift: float = 0.0) -> float:
    """Average run length of a chart with limits at plus and minus `L` sigma.

    Examples
    --------
    >>> round(shewhart_run_length(3.0), 1), round(shewhart_run_length(3.0, 1.0), 1)
    (370.4, 43.9)
    """
    return float(1 / (ndtr(shift - L) + ndtr(-shift - L)))


def shewhart_limit(run_length: float) -> float:
    """Limit in sigma that gives a false alarm every `run_length` sessions."""
    return float(-ndtri(0.5 / run_length))


@cache
def ewma_run_length(
    lambda_: float, L: float, shift: float = 0.0, *, state: State = "zero"
) -> float:
    """Average run length of a two-sided EWMA chart.

    Parameters
    ----------
    lambda_ : float
        Weight of the newest session, 0 to 1.
    L : float
        Limits in standard deviations of the average in its steady state.
    shift : float
        Shift of the mean in sigma of one session.
    state : {"zero", "steady"}
        Whether the average starts at the centre or where a quiet chart has it.

    Returns
    -------
    float
        Sessions from the shift to the signal, the signalling one included.

    Notes
    -----
    Integral equation solved by Gauss-Legendre quadrature (Nystroem's method).
    In the steady state the average is distributed as the in-control chart's,
    given that it has not signalled.

    References
    ----------
    Crowder, Technometrics 29 (1987) 401-407; Lucas and Saccucci, Technometrics
    32 (1990) 1-12, for the steady state.
    """
    x, w = _ewma_nodes(lambda_, L)
    kernel = _ewma_kernel(x, lambda_, shift)
    lengths = np.linalg.solve(np.eye(len(x)) - kernel * w, np.ones(len(x)))
    if state == "zero":
        start = _density(x / lambda_ - shift) / lambda_
        return float(1 + np.sum(start * w * lengths))
    # the shift strikes the first value after the quiet time
    return float(np.sum(_ewma_quiet(lambda_, L) * lengths))


def _ewma_nodes(lambda_: float, L: float) -> tuple[Floats, Floats]:
    c = L * np.sqrt(lambda_ / (2 - lambda_))
    # the kernel is narrow for a small weight: enough nodes to see it
    x, w = _nodes(max(_NODES, int(6 * c / lambda_)))
    return c * x, c * w


def _ewma_kernel(x: Floats, lambda_: float, shift: float) -> Floats:
    """Density of the next average (columns) given this one (rows)."""
    step = (x[None, :] - (1 - lambda_) * x[:, None]) / lambda_ - shift
    return _density(step) / lambda_


@cache
def _ewma_quiet(lambda_: float, L: float) -> Floats:
    x, w = _ewma_nodes(lambda_, L)
    return _quiet(_ewma_kernel(x, lambda_, 0.0), w)


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
    k: float, h: float, shift: float = 0.0, *, state: State = "zero", sides: int = 2
) -> float:
    """Average run length of a tabular CUSUM.

    Parameters
    ----------
    k, h : float
        Reference value and decision interval in sigma; it signals above `h`.
    shift : float
        Shift of the mean in sigma of one session.
    state : {"zero", "steady"}
        As for `ewma_run_length`.
    sides : {1, 2}
        One upper sum, or an upper and a lower one.

    Returns
    -------
    float

    Notes
    -----
    Integral equation with the atom at zero. Two sides by the sum of their rates,
    which is exact for the zero state (both sums cannot be near their limits
    together) and close for the steady state.

    References
    ----------
    Brook and Evans, Biometrika 59 (1972) 539-549; Lucas and Crosier,
    Technometrics 24 (1982) 199-205.
    """
    up = _one_sided(k, h, shift, state)
    if sides == 1:
        return up
    return 1 / (1 / up + 1 / _one_sided(k, h, -shift, state))


def _one_sided(k: float, h: float, shift: float, state: State) -> float:
    x, w = _nodes(max(_NODES, int(12 * h)))
    x, w = h * (x + 1) / 2, h * w / 2
    at = np.concatenate([[0.0], x])  # the atom at zero first

    def steps(move: float) -> Floats:
        inner = _density(x[None, :] - at[:, None] + k - move) * w
        zero = ndtr(k - move - at)
        return np.column_stack([zero, inner])

    lengths = np.linalg.solve(np.eye(len(at)) - steps(shift), np.ones(len(at)))
    if state == "zero":
        return float(lengths[0])
    quiet = np.ones(len(at)) / len(at)
    moves = steps(0.0)
    for _ in range(5000):
        new = quiet @ moves
        new /= new.sum()
        if np.abs(new - quiet).max() < 1e-13:
            break
        quiet = new
    return float(quiet @ lengths)


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
    return float(brentq(lambda limit: np.log(length_at(limit) / run_length), low, high, xtol=1e-5))


@cache
def best_lambda(shift: float, run_length: float) -> float:
    """Weight out of 0.05 to 0.5 that finds a shift soonest (steady state).

    Parameters
    ----------
    shift : float
        Shift to be found, in sigma of one session.
    run_length : float
        Wanted in-control run length.
    """
    delays = [
        ewma_run_length(lam, ewma_limit(lam, run_length), shift, state="steady") for lam in LAMBDAS
    ]
    return LAMBDAS[int(np.argmin(delays))]
