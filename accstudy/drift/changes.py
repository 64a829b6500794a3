"""When something changed: steps and slow beginnings, dated with an interval."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from accstudy.drift.slope import Mixture
from accstudy.drift.steady import (
    MIN_LENGTH,
    RAMP,
    TINY,
    autocorrelation,
    chance_of,
    correlation,
    critical_gain,
    noticed,
    ramp_gains,
    ramps,
)
from accstudy.errors import InputError

__all__ = ["Change", "Changes", "find_changes", "segment"]

Floats = NDArray[np.float64]
Kind = Literal["steady", "steps", "ramp"]

_MOST_STEPS = 5
_CLOSE = 4.0


@dataclass(frozen=True, slots=True)
class Change:
    """One change of a series.

    Parameters
    ----------
    index : int
        First value of the new level; for a ramp the last value of the old one.
    low, high : int
        Interval of `index`.
    size, size_low, size_high : float
        Step with its interval; for a ramp the slope of the line bent once, without one
        (`accstudy.drift.slope.slope_of` knows that the bend was picked).
    p : float
        Chance of so clear a change somewhere in a steady series of this length.
    gain : float
        Twice the log-likelihood that it brings, less for correlated neighbours.
    """

    index: int
    low: int
    high: int
    size: float
    size_low: float
    size_high: float
    p: float
    gain: float


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
    rho, rho_p : float
        Correlation of neighbouring values beyond what changed (`autocorrelation`), and
        the chance of a larger one among independent values.
    """

    kind: Kind
    changes: tuple[Change, ...]
    fitted: Floats
    close: bool = False
    rho: float = float("nan")
    rho_p: float = float("nan")


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
    cost = np.where(j - i >= MIN_LENGTH, np.maximum(cost, 0.0), np.inf)
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


def find_changes(
    values: ArrayLike,
    times: ArrayLike,
    *,
    weights: ArrayLike | None = None,
    alpha: float = 0.01,
    confidence: float = 0.95,
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
    confidence : float
        Of the intervals of places and sizes.

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

    Neighbours that resemble each other (`autocorrelation`, p below 0.05) tell less: a
    change must then gain (1 + rho) / (1 - rho) times as much, the factor by which a mean of
    such values varies more (Brockwell and Davis, Time Series: Theory and Methods,
    1991, section 7.1).

    Place and size of a step are a mixture over all places between its neighbours,
    each weighted by ``RSS^(-n/2)``, so that the interval of the size knows that the
    place was picked. The bend of a ramp is the most likely one.
    """
    x, t = np.asarray(values, float), np.asarray(times, float)
    if x.shape != t.shape or np.any(np.diff(t) < 0):
        raise InputError("sessions must be in order of time")
    n = len(x)
    w = np.ones(n) if weights is None else np.asarray(weights, float)
    w = w / w.mean()
    mean = np.average(x, weights=w)
    rss0 = float(np.sum(w * (x - mean) ** 2))
    if n < 6 or rss0 <= TINY:
        return Changes("steady", (), np.full(n, mean))
    fit = _Fit(x, t, w)
    penalty = critical_gain(n, alpha)
    chosen, _, _ = fit.best(penalty)
    rho, rho_p = autocorrelation(x, t, w) if chosen == 0 else correlation(fit.rest(chosen), chosen)
    factor = (1 + noticed(rho, rho_p)) / (1 - noticed(rho, rho_p))
    chosen, score, scores = fit.best(factor * penalty)
    if chosen == 0:
        return Changes("steady", (), fit.fitted(0), rho=rho, rho_p=rho_p)
    ramp = chosen == RAMP
    close = bool(scores[1 if ramp else RAMP] - score < _CLOSE)
    if not ramp:
        changes = _steps(x, w, fit.starts[chosen], fit.fitted(chosen), factor, confidence)
        return Changes("steps", changes, fit.fitted(chosen), close, rho, rho_p)
    gain = n * np.log(rss0 / max(fit.rss[RAMP], TINY)) / factor
    change = Change(
        fit.bend, fit.bend, fit.bend, fit.slope, np.nan, np.nan, chance_of(n, gain), gain
    )
    return Changes("ramp", (change,), fit.fitted(RAMP), close, rho, rho_p)


class _Fit:
    """Best steps, by their number, and best ramp of a series."""

    def __init__(self, x: Floats, t: Floats, w: Floats) -> None:
        self.x, self.w, n = x, w, len(x)
        self.mean = float(np.average(x, weights=w))
        rss0 = float(np.sum(w * (x - self.mean) ** 2))
        self.noise = 1e-18 * rss0  # a perfect fit has no infinite likelihood
        self.rss, self.starts = {0: rss0}, {0: list[int]()}
        for steps in range(1, min(_MOST_STEPS, n // MIN_LENGTH - 1) + 1):
            self.starts[steps], self.rss[steps] = segment(x, w, steps)
        bent = ramps(t, w)
        slopes, drops = ramp_gains(x - self.mean, w, bent)
        self.bend = int(np.argmax(drops))
        self.slope, self._ramp = float(slopes[self.bend]), bent[self.bend]
        self.rss[RAMP] = max(rss0 - float(drops[self.bend]), 0.0)

    def best(self, penalty: float) -> tuple[int, float, dict[int, float]]:
        """Number of steps, or `RAMP`; its score, and all scores."""
        n = len(self.x)
        scores = {
            k: n * float(np.log(rss + self.noise)) + (1 if k == RAMP else k) * penalty
            for k, rss in self.rss.items()
        }
        chosen = min(scores, key=lambda k: (scores[k], k))
        return chosen, scores[chosen], scores

    def fitted(self, chosen: int) -> Floats:
        """Fitted values."""
        if chosen == RAMP:
            return np.asarray(self.mean + self.slope * self._ramp)
        out = np.empty(len(self.x))
        for a, b in pairwise([0, *self.starts[chosen], len(self.x)]):
            out[a:b] = np.average(self.x[a:b], weights=self.w[a:b])
        return out

    def rest(self, chosen: int) -> Floats:
        """Weighted residuals."""
        return np.asarray(np.sqrt(self.w) * (self.x - self.fitted(chosen)))


def _steps(
    x: Floats, w: Floats, starts: list[int], fitted: Floats, factor: float, confidence: float
) -> tuple[Change, ...]:
    """Every step between its neighbours, with what is open about place and size."""
    edges, tail = [0, *starts, len(x)], (1 - confidence) / 2
    changes = []
    for i, start in enumerate(starts):
        a, b = edges[i], edges[i + 2]
        part = x[a:b] - np.average(x[a:b], weights=w[a:b])
        rss0 = float(np.sum(w[a:b] * part**2))
        places, sizes = _places_of(part, w[a:b], factor)
        rss1 = float(np.sum(w[a:b] * (x[a:b] - fitted[a:b]) ** 2))
        gain = (b - a) * np.log(rss0 / max(rss1, TINY)) / factor
        total = np.cumsum(sizes.weights)
        low, high = (
            int(places[min(int(np.searchsorted(total, q)), len(places) - 1)])
            for q in (tail, 1 - tail)
        )
        changes.append(
            Change(
                index=start,
                low=min(a + low, start),
                high=max(a + high, start),
                size=float(fitted[b - 1] - fitted[a]),
                size_low=sizes.quantile(tail),
                size_high=sizes.quantile(1 - tail),
                p=chance_of(b - a, gain) if b - a >= 6 else float("nan"),
                gain=gain,
            )
        )
    return tuple(changes)


def _places_of(x: Floats, w: Floats, factor: float) -> tuple[NDArray[np.int64], Mixture]:
    """Places of a single step (mean zero), and its size as a mixture over them."""
    n = len(x)
    places = np.arange(MIN_LENGTH, n - MIN_LENGTH + 1)
    left, wl = np.cumsum(w * x)[places - 1], np.cumsum(w)[places - 1]
    wr = w.sum() - wl
    rss = np.sum(w * x * x) - left**2 / wl - left**2 / wr
    rss = np.maximum(rss, 1e-18 * np.sum(w * x * x))
    log = -0.5 * n * np.log(rss) / factor
    weights = np.exp(log - log.max())
    df = np.full(len(places), max(n - 2.0, 1.0))
    scales = np.sqrt(factor * rss / df * (1 / wl + 1 / wr))
    sizes = -left / wr - left / wl
    return places, Mixture(weights / weights.sum(), sizes, scales, df)
