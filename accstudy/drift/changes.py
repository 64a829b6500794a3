"""When something changed: steps and slow beginnings, dated with an interval."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from accstudy.errors import InputError

__all__ = ["Change", "Changes", "critical_gain", "find_changes", "segment"]

Floats = NDArray[np.float64]
Kind = Literal["steady", "steps", "ramp"]

_MIN_LENGTH = 2
_MOST_STEPS = 5
_NULL_SERIES = 20_000
_BOOTSTRAP = 999
_TINY = 1e-300
_CLOSE = 4.0
_LIKELY = 3.84  # 95 % point of chi-square with one degree of freedom


@dataclass(frozen=True, slots=True)
class Change:
    """One change of a series.

    Parameters
    ----------
    index : int
        First value of the new level; for a ramp the last value of the old one.
    low, high : int
        Bootstrap interval (95 %) of `index`.
    size, size_low, size_high : float
        Step, or slope of the ramp in a unit of time; with its interval.
    p : float
        Chance of so clear a change somewhere in a steady series of this length.
    """

    index: int
    low: int
    high: int
    size: float
    size_low: float
    size_high: float
    p: float


@dataclass(frozen=True, slots=True)
class Changes:
    """What a series did.

    Parameters
    ----------
    kind : {"steady", "steps", "ramp"}
        Which of the three fits best, after the penalty.
    changes : tuple of Change
        In order of time; one for a ramp, none for a steady series.
    fitted : (n,) ndarray
        Fitted values.
    close : bool
        The other kind of change (a step instead of a ramp, or the reverse)
        explains the series nearly as well: twice the log-likelihood within 4.
    """

    kind: Kind
    changes: tuple[Change, ...]
    fitted: Floats
    close: bool = False


def segment(values: ArrayLike, weights: ArrayLike, steps: int) -> tuple[list[int], float]:
    """Exact segmentation into levels by dynamic programming.

    Parameters
    ----------
    values, weights : (n,) array_like
        Values and their weights (inverse variances).
    steps : int
        Number of steps; every level lasts two values or more.

    Returns
    -------
    starts : list of int
        First value of every new level.
    rss : float
        Weighted residual sum of squares; infinite if there is no room.

    References
    ----------
    Auger and Lawrence, Bull Math Biol 51 (1989) 39-54.
    """
    x, w = np.asarray(values, float), np.asarray(weights, float)
    n = len(x)
    x = x - np.average(x, weights=w)
    c0, c1, c2 = (np.concatenate([[0.0], np.cumsum(v)]) for v in (w, w * x, w * x * x))
    i, j = np.arange(n + 1)[:, None], np.arange(n + 1)[None, :]
    with np.errstate(divide="ignore", invalid="ignore"):
        cost = (c2[j] - c2[i]) - (c1[j] - c1[i]) ** 2 / (c0[j] - c0[i])
    cost = np.where(j - i >= _MIN_LENGTH, np.maximum(cost, 0.0), np.inf)
    best = cost[0].copy()
    back = []
    for _ in range(steps):
        total = best[:, None] + cost
        back.append(np.argmin(total, axis=0))
        best = total.min(axis=0)
    starts, end = [], n
    if np.isfinite(best[n]):
        for choice in reversed(back):
            end = int(choice[end])
            starts.append(end)
    return starts[::-1], float(best[n])


def _ramps(times: Floats, w: Floats) -> Floats:
    """Slopes that begin at each session but the last two, weighted mean zero, (r, n)."""
    n = len(times)
    rising = np.maximum(0.0, times[None, :] - times[: n - 2, None])
    return np.asarray(rising - np.average(rising, axis=1, weights=w)[:, None])


def _ramp_gains(x: Floats, w: Floats, ramps: Floats) -> tuple[Floats, Floats]:
    """Slope and drop of the weighted RSS for every beginning; x is (..., n)."""
    size = np.sum(w * ramps * ramps, axis=1)
    slopes = (x * w) @ ramps.T / np.where(size > 0, size, np.inf)
    return slopes, slopes**2 * size


@cache
def _null_gains(n: int) -> Floats:
    """Sorted gains of the best single change in steady series of n values."""
    rng = np.random.default_rng(n)
    x = rng.standard_normal((_NULL_SERIES, n))
    x -= x.mean(axis=1, keepdims=True)
    rss = np.sum(x * x, axis=1)
    best = np.zeros(_NULL_SERIES)
    sums = np.cumsum(x, axis=1)
    for i in range(_MIN_LENGTH, n - _MIN_LENGTH + 1):
        np.maximum(best, sums[:, i - 1] ** 2 * n / (i * (n - i)), out=best)
    ramps = _ramps(np.arange(n, dtype=float), np.ones(n))
    np.maximum(best, _ramp_gains(x, np.ones(n), ramps)[1].max(axis=1), out=best)
    gains = -n * np.log(np.maximum(1 - best / rss, _TINY))
    return np.sort(gains)


def critical_gain(n: int, alpha: float) -> float:
    """Gain of twice the log-likelihood that a change must bring to be believed.

    Parameters
    ----------
    n : int
        Values of the series.
    alpha : float
        Share of steady series of n normal values in which some step or ramp
        gains more.

    Returns
    -------
    float

    Notes
    -----
    By simulation of 20 000 steady series with a fixed seed, variance unknown,
    place and kind of the change free: the usual asymptotic penalties (a few
    times log n) are wrong for a dozen sessions.
    """
    return float(np.quantile(_null_gains(n), 1 - alpha))


def find_changes(
    values: ArrayLike,
    times: ArrayLike,
    *,
    weights: ArrayLike | None = None,
    alpha: float = 0.01,
    seed: int = 16_269,
) -> Changes:
    """Choose between a steady series, steps, and a level that goes over into a slope.

    Parameters
    ----------
    values : (n,) array_like
        Session means in order of time.
    times : (n,) array_like
        When, in any unit.
    weights : (n,) array_like, optional
        Inverse variances; equal by default.
    alpha : float
        Risk of seeing a change in a steady series.
    seed : int
        Of the bootstrap.

    Returns
    -------
    Changes

    Raises
    ------
    InputError
        If values and times differ in length or times go back.

    Notes
    -----
    Penalised normal likelihood: n log(RSS / n) plus the critical gain of
    `critical_gain` for every change; steps by exact segmentation, the beginning
    of the slope by trying every session. A ramp counts as one change, as it has
    as many parameters as a step. Fewer than six sessions show no change.

    The interval of the place is a parametric bootstrap: series are drawn from
    the fit with its residual standard deviation and dated anew, each step
    between its neighbours. The beginning of a slope is blurred, and its bootstrap
    alone too sure: the interval also holds every session whose likelihood ratio
    does not exclude it.
    """
    x, t = np.asarray(values, float), np.asarray(times, float)
    if x.shape != t.shape or np.any(np.diff(t) < 0):
        raise InputError("sessions must be in order of time")
    n = len(x)
    w = np.ones(n) if weights is None else np.asarray(weights, float)
    w = w / w.mean()
    mean = np.average(x, weights=w)
    rss0 = float(np.sum(w * (x - mean) ** 2))
    steady = Changes("steady", (), np.full(n, mean))
    if n < 6 or rss0 <= _TINY:
        return steady
    penalty = critical_gain(n, alpha)
    noise = 1e-18 * rss0  # a perfect fit has no infinite likelihood
    scores: list[float] = [n * np.log(rss0)]
    found: list[list[int]] = [[]]
    for steps in range(1, min(_MOST_STEPS, n // _MIN_LENGTH - 1) + 1):
        starts, rss = segment(x, w, steps)
        scores.append(n * np.log(rss + noise) + steps * penalty)
        found.append(starts)
    k = int(np.argmin(scores))
    ramps = _ramps(t, w)
    _, drops = _ramp_gains(x, w, ramps)
    rss = rss0 - float(drops.max())
    ramp_score = n * np.log(max(rss, 0.0) + noise) + penalty
    if min(scores[k], ramp_score) >= scores[0]:
        return steady
    rng = np.random.default_rng(seed)
    other = scores[1] if ramp_score < scores[k] else ramp_score
    ramp = ramp_score < scores[k]
    out = _ramp(x, w, ramps, rng) if ramp else _steps(x, w, found[k], rng)
    return replace(out, close=bool(other - min(scores[k], ramp_score) < _CLOSE))


def _p(n: int, gain: float) -> float:
    """Share of steady series with a larger gain; never zero."""
    null = _null_gains(n)
    larger = len(null) - int(np.searchsorted(null, gain))
    return (larger + 1) / (len(null) + 1)


def _ramp(x: Floats, w: Floats, ramps: Floats, rng: np.random.Generator) -> Changes:
    n = len(x)
    mean = np.average(x, weights=w)
    slopes, drops = _ramp_gains(x - mean, w, ramps)
    at = int(np.argmax(drops))
    fitted = mean + slopes[at] * ramps[at]
    rss0 = float(np.sum(w * (x - mean) ** 2))
    rss = np.maximum(rss0 - drops, _TINY)
    sd = np.sqrt(rss[at] / max(n - 3, 1)) / np.sqrt(w)
    drawn = fitted + sd * rng.standard_normal((_BOOTSTRAP, n))
    drawn -= np.average(drawn, axis=1, weights=w)[:, None]
    slopes_again, drops_again = _ramp_gains(drawn, w, ramps)
    places = np.argmax(drops_again, axis=1)
    low, high = (int(q) for q in np.quantile(places, [0.025, 0.975], method="nearest"))
    likely = np.flatnonzero(n * np.log(rss / rss[at]) <= _LIKELY)
    size_low, size_high = np.quantile(slopes_again[np.arange(len(places)), places], [0.025, 0.975])
    change = Change(
        at,
        min(low, int(likely[0])),
        max(high, int(likely[-1])),
        float(slopes[at]),
        float(size_low),
        float(size_high),
        _p(n, n * np.log(rss0 / rss[at])),
    )
    return Changes("ramp", (change,), fitted)


def _steps(x: Floats, w: Floats, starts: list[int], rng: np.random.Generator) -> Changes:
    n = len(x)
    edges = [0, *starts, n]
    fitted = np.empty(n)
    for a, b in pairwise(edges):
        fitted[a:b] = np.average(x[a:b], weights=w[a:b])
    sd = np.sqrt(np.sum(w * (x - fitted) ** 2) / max(n - len(edges) + 1, 1)) / np.sqrt(w)
    changes = []
    for i, start in enumerate(starts):
        a, b = edges[i], edges[i + 2]
        part = slice(a, b)
        drawn = fitted[part] + sd[part] * rng.standard_normal((_BOOTSTRAP, b - a))
        places, sizes = _split_rows(drawn, w[part])
        low, high = np.quantile(places, [0.025, 0.975], method="nearest")
        rss1 = float(np.sum(w[part] * (x[part] - fitted[part]) ** 2))
        mean = np.average(x[part], weights=w[part])
        rss0 = float(np.sum(w[part] * (x[part] - mean) ** 2))
        gain = (b - a) * np.log(rss0 / max(rss1, _TINY))
        size_low, size_high = (float(q) for q in np.quantile(sizes, [0.025, 0.975]))
        size = float(fitted[b - 1] - fitted[a])
        p = _p(b - a, gain) if b - a >= 6 else float("nan")
        changes.append(Change(start, a + int(low), a + int(high), size, size_low, size_high, p))
    return Changes("steps", tuple(changes), fitted)


def _split_rows(x: Floats, w: Floats) -> tuple[NDArray[np.int64], Floats]:
    """Best single step of every row: its place and size."""
    n = x.shape[1]
    total, sums, weight = np.sum(w * x, axis=1), np.cumsum(w * x, axis=1), np.cumsum(w)
    places = np.arange(_MIN_LENGTH, n - _MIN_LENGTH + 1)
    left, wl = sums[:, places - 1], weight[places - 1]
    right, wr = total[:, None] - left, weight[-1] - wl
    gain = left**2 / wl + right**2 / wr
    best = np.argmax(gain, axis=1)
    rows = np.arange(len(x))
    return places[best], right[rows, best] / wr[best] - left[rows, best] / wl[best]
