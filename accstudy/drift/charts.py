"""Control charts of results in sigma, their rules of runs, and how often these signal."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import scipy  # scipy.integrate loads when it is first used
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammaln, ndtr

from accstudy.drift.runlength import (
    shewhart_run_length,
)

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class _Constants:
    """Factors of control charts for n normal results in a session, in sigma.

    ``c4`` is the mean of their standard deviation, ``d2`` and ``d3`` mean and standard deviation of
    their range.
    """

    c4: float
    d2: float
    d3: float


@cache
def constants(n: int) -> _Constants:
    """Chart factors, computed rather than read from a table.

    Parameters
    ----------
    n : int
        Results in a session, 2 or more.

    References
    ----------
    ISO 7870-2:2013 prints them rounded; d2 and d3 are the moments of the range
    (Tippett, Biometrika 17 (1925) 364-387).

    Examples
    --------
    >>> c = constants(2)
    >>> round(c.c4, 4), round(c.d2, 3), round(c.d3, 3)
    (0.7979, 1.128, 0.853)
    """
    c4 = float(np.sqrt(2 / (n - 1)) * np.exp(gammaln(n / 2) - gammaln((n - 1) / 2)))
    d2 = 2 * scipy.integrate.quad(lambda x: 1 - ndtr(x) ** n - ndtr(-x) ** n, 0, 12)[0]

    square = _mean_square_range(n)
    return _Constants(c4, float(d2), float(np.sqrt(square - d2**2)))


def _mean_square_range(n: int) -> float:
    """Mean of the squared range of n standard normal results."""
    nodes, weights = np.polynomial.legendre.leggauss(200)
    r, wr = 7.0 * (nodes + 1), 7.0 * weights  # ranges up to 14 sigma
    x, wx = 9.0 * nodes, 9.0 * weights
    density = np.exp(-0.5 * x * x) / np.sqrt(2 * np.pi)
    within = ndtr(x[None, :] + r[:, None]) - ndtr(x[None, :])
    below = n * np.sum(wx * density * within ** (n - 1), axis=1)  # P(range <= r)
    return float(np.sum(wr * 2 * r * (1 - below)))


@dataclass(frozen=True, slots=True)
class _Individuals:
    """Limits of single values, and their mean range."""

    centre: float
    lower: float
    upper: float
    mean_range: float


def individuals(values: ArrayLike, *, L: float = 3.0, d2: float | None = None) -> _Individuals:
    """Limits of single values, in order of time, from their moving ranges (ISO 7870-2:2013).

    `d2` is the mean range of two in sigma: exact by default, 1.128 in print.
    """
    x = np.asarray(values, float)
    mean_range = float(np.abs(np.diff(x)).mean())
    sigma = mean_range / (constants(2).d2 if d2 is None else d2)
    centre = float(x.mean())
    return _Individuals(
        centre=centre,
        lower=centre - L * sigma,
        upper=centre + L * sigma,
        mean_range=mean_range,
    )


@dataclass(frozen=True, slots=True)
class _Ewma:
    """Exponentially weighted moving average."""

    average: Floats  # (n,): the average and its limits
    lower: Floats  # (n,)
    upper: Floats  # (n,)

    @property
    def signals(self) -> NDArray[np.bool_]:
        """Where it lies outside."""
        return np.asarray((self.average > self.upper) | (self.average < self.lower))


def ewma(
    values: ArrayLike,
    *,
    start: float,
    sigma: ArrayLike,
    lambda_: float,
    L: float,
    from_the_start: bool = False,
) -> _Ewma:
    """EWMA chart.

    Parameters
    ----------
    values : (n,) array_like
        Values in order of time.
    start : float
        Centre, where the average starts.
    sigma : float or (n,) array_like
        Standard deviation of each value.
    lambda_ : float
        Weight of the newest value.
    L : float
        Limits in standard deviations of the average.
    from_the_start : bool
        Limits that widen from the first value on (the average is known to have
        started at the centre); by default those of the steady state.

    References
    ----------
    ISO 7870-6:2016; Roberts, Technometrics 1 (1959) 239-250.
    """
    x = np.asarray(values, float)
    sd = np.broadcast_to(np.asarray(sigma, float), x.shape)
    average, spread = np.empty(len(x)), np.empty(len(x))
    z = start
    variance = 0.0 if from_the_start or not len(x) else sd[0] ** 2 * lambda_ / (2 - lambda_)
    for i in range(len(x)):
        z = lambda_ * x[i] + (1 - lambda_) * z
        variance = lambda_**2 * sd[i] ** 2 + (1 - lambda_) ** 2 * variance
        average[i], spread[i] = z, np.sqrt(variance)
    return _Ewma(average, start - L * spread, start + L * spread)


@dataclass(frozen=True, slots=True)
class Cusum:
    """Upper and lower sum in sigma, both >= 0, and the values since each was last zero."""

    high: Floats
    low: Floats
    since_high: NDArray[np.int64]
    since_low: NDArray[np.int64]
    k: float
    h: float

    @property
    def signals(self) -> NDArray[np.bool_]:
        """Where a sum lies above the decision interval."""
        return np.asarray((self.high > self.h) | (self.low > self.h))

    def shift(self, i: int) -> float:
        """Estimated shift at value `i`, in sigma, signed."""
        if self.high[i] >= self.low[i]:
            return float(self.k + self.high[i] / max(self.since_high[i], 1))
        return float(-self.k - self.low[i] / max(self.since_low[i], 1))


def cusum(values: ArrayLike, *, target: float, sigma: ArrayLike, k: float, h: float) -> Cusum:
    """Tabular CUSUM chart; it goes on after a signal.

    Parameters
    ----------
    values : (n,) array_like
        Values in order of time.
    target : float
        Centre.
    sigma : float or (n,) array_like
        Standard deviation of each value.
    k, h : float
        Reference value and decision interval in sigma.

    References
    ----------
    ISO 7870-4:2021; Page, Biometrika 41 (1954) 100-115.
    """
    z = (np.asarray(values, float) - target) / np.asarray(sigma, float)
    n = len(z)
    high, low = np.zeros(n), np.zeros(n)
    since_high, since_low = np.zeros(n, np.int64), np.zeros(n, np.int64)
    up = down = 0.0
    n_up = n_down = 0
    for i in range(n):
        up, down = max(0.0, up + z[i] - k), max(0.0, down - z[i] - k)
        n_up, n_down = (n_up + 1 if up > 0 else 0), (n_down + 1 if down > 0 else 0)
        high[i], low[i], since_high[i], since_low[i] = up, down, n_up, n_down
    return Cusum(high, low, since_high, since_low, k, h)


RULES = {
    "one-side-run": 8,
    "trend-run": 6,
    "alternation": 14,
}
"""Rule and length: values in a row on one side of the centre; values in a row,
each higher than the one before (or each lower); values in a row going up and down
in turn. The lengths are those in common use."""

_LONG = 400_000


def rule_signals(values: ArrayLike, centre: float) -> dict[str, NDArray[np.bool_]]:
    """Where each rule signals: at the value that completes a run and at those that prolong it.

    Examples
    --------
    >>> bool(rule_signals([1, 1, 1, 1, 1, 1, 1, 1], 0.0)["one-side-run"][-1])
    True
    """
    x = np.asarray(values, float)
    side = np.sign(x - centre)
    step = np.concatenate([[0.0], np.sign(np.diff(x))])
    same_side = _run(side, side)
    same_step = _run(step, step)
    alternating = np.zeros(len(x), np.int64)
    for i in range(2, len(x)):
        if step[i] * step[i - 1] < 0:
            alternating[i] = max(alternating[i - 1], 2) + 1
    return {
        "one-side-run": same_side >= RULES["one-side-run"],
        "trend-run": same_step >= RULES["trend-run"] - 1,
        "alternation": alternating >= RULES["alternation"],
    }


def _run(signs: Floats, of: Floats) -> NDArray[np.int64]:
    length = np.zeros(len(signs), np.int64)
    for i in range(len(signs)):
        if of[i] != 0:
            length[i] = length[i - 1] + 1 if i and signs[i] == signs[i - 1] else 1
    return length


@cache
def rule_run_lengths(L: float) -> dict[str, float]:
    """In-control run length of a chart with limits at `L` sigma and one rule added (or ``none``).

    The run on one side exactly, by the states of its length (Champ and Woodall, Technometrics 29
    (1987) 393-399); the others as the mean time to the first signal in one long simulated series
    with a fixed seed, started anew after every signal (to about 3 %).
    """
    known = shewhart_run_length(L)
    out = {"none": known}
    stay = (1 - 1 / known) / 2  # inside the limits, on a given side
    need = RULES["one-side-run"]
    a = np.eye(need)
    for run in range(need):  # the state is the length of the run so far, 0 at the start
        nxt = run + 1
        if nxt < need:
            a[run, nxt] -= stay if run else 2 * stay
        if run:
            a[run, 1] -= stay
    out["one-side-run"] = float(np.linalg.solve(a, np.ones(need))[0])
    x = np.random.default_rng(1987).standard_normal(_LONG)
    outside = np.abs(x) > L
    for rule in ("trend-run", "alternation"):
        out[rule] = _LONG / _restarts(_step_runs(x, rule), RULES[rule], outside)
    return out


def _step_runs(x: Floats, rule: str) -> NDArray[np.bool_]:
    """Whether each value goes on as the rule wants: same step, or opposite step."""
    up = np.diff(x) > 0
    agree = up[1:] == up[:-1]
    return np.asarray(agree if rule == "trend-run" else ~agree)


def _restarts(go_on: NDArray[np.bool_], need: int, outside: NDArray[np.bool_]) -> int:
    """Signals of rule or limits when counting starts anew after each.

    `go_on[i]` compares the step to value i + 2 with the one before; a rule of
    `need` values wants `need - 2` of them in a row.
    """
    breaks = np.flatnonzero(~go_on) + 2  # values that break a run
    ends = np.append(breaks, len(outside))
    signals = np.flatnonzero(outside)
    count, start = 0, 0
    # a run that begins at value s completes at s + need - 1
    position = 0
    out_at = 0
    while True:
        while position < len(ends) and ends[position] < start + 2:
            position += 1
        done = _complete(start, ends, position, need)
        while out_at < len(signals) and signals[out_at] < start:
            out_at += 1
        first_out = signals[out_at] if out_at < len(signals) else len(outside)
        first = min(done, first_out)
        if first >= len(outside):
            return count
        count += 1
        start = first + 1


def _complete(start: int, ends: NDArray[np.int64], position: int, need: int) -> int:
    """First value that completes a run begun at or after `start`."""
    begin = start
    while position < len(ends):
        if ends[position] - begin >= need:
            return begin + need - 1
        begin = int(ends[position]) - 1
        position += 1
    return int(ends[-1])
