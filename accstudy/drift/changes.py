"""Change points, dated with an interval, and how often stable series show them by chance."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from accstudy.drift.trend import Mixture
from accstudy.errors import InputError

_NULL_SERIES = 20_000
TINY = 1e-300
RAMP = 99  # beside numbers of steps
MIN_LENGTH = 2  # values of a level
_MOST_CORRELATED = 0.85
_NOTICED = 0.05
_SHORT_SERIES = 1.25  # lag-one correlations of residuals are too small by about this


def ramps(times: Floats, w: Floats) -> Floats:
    """Slopes that begin at each session but the last two, weighted mean zero, (r, n)."""
    n = len(times)
    rising = np.maximum(0.0, times[None, :] - times[: n - 2, None])
    return np.asarray(rising - np.average(rising, axis=1, weights=w)[:, None])


def ramp_gains(x: Floats, w: Floats, ramps: Floats) -> tuple[Floats, Floats]:
    """Slope and drop of the weighted RSS for every beginning; x is (..., n)."""
    size = np.sum(w * ramps * ramps, axis=1)
    slopes = (x * w) @ ramps.T / np.where(size > 0, size, np.inf)
    return slopes, slopes**2 * size


@cache
def _null(n: int) -> tuple[Floats, Floats]:
    """Steady series of n values: sorted gains of the best single change, correlations left."""
    rng = np.random.default_rng(n)
    x = rng.standard_normal((_NULL_SERIES, n))
    x -= x.mean(axis=1, keepdims=True)
    gains, rest = _best_single(x, np.arange(n, dtype=float), np.ones(n))
    return np.sort(gains), np.sort(_lag_one(rest))


def _best_single(x: Floats, t: Floats, w: Floats) -> tuple[Floats, Floats]:
    """Gain of the best step or ramp of every row (mean zero), and what it leaves."""
    n = x.shape[1]
    rows = np.arange(len(x))
    rss = np.sum(w * x * x, axis=1)
    places, before, after, drop = split_rows(x, w)
    bent = ramps(t, w)
    slopes, drops = ramp_gains(x, w, bent)
    bend = np.argmax(drops, axis=1)
    step = np.where(np.arange(n)[None, :] < places[:, None], before[:, None], after[:, None])
    ramp = slopes[rows, bend][:, None] * bent[bend]
    is_ramp = drops[rows, bend] > drop
    fitted = np.where(is_ramp[:, None], ramp, step)
    best = np.maximum(drop, drops[rows, bend])
    return -n * np.log(np.maximum(1 - best / rss, TINY)), np.sqrt(w) * (x - fitted)


def _lag_one(rest: Floats) -> Floats:
    return np.asarray(np.sum(rest[:, 1:] * rest[:, :-1], axis=1) / np.sum(rest**2, axis=1))


def autocorrelation(
    values: ArrayLike, times: ArrayLike, weights: ArrayLike | None = None
) -> tuple[float, float]:
    """Correlation of neighbouring values (six or more) beyond a step or ramp, and its p value.

    From 0 to 0.85: the lag-one correlation of what the best single change leaves, less what it is
    in independent series of this length, and stretched, as short series show too little of it. By
    simulation, with 24 or 36 values: independent values give 0.07 on average, a true 0.3 about
    0.27, a true 0.6 about 0.55. p is the chance of a larger one among independent values.
    """
    x, t = np.asarray(values, float), np.asarray(times, float)
    w = np.ones(len(x)) if weights is None else np.asarray(weights, float)
    w = w / w.mean()
    x = x - np.average(x, weights=w)
    if not np.sum(w * x * x) > TINY:
        return 0.0, 1.0
    _, rest = _best_single(x[None, :], t, w)
    if not np.sum(rest**2) > 1e-18 * np.sum(w * x * x):
        return 0.0, 1.0
    return correlation(rest[0])


def noticed(rho: float, p: float) -> float:
    """Correlation of neighbours that is allowed for: 0 unless chance explains it badly (5 %)."""
    return rho if p < _NOTICED else 0.0


def correlation(rest: Floats, changes: int = 1) -> tuple[float, float]:
    """Correlation of neighbours among residuals, and the chance of a larger one.

    Every further step that was fitted lowers it by about as much as the first one.
    """
    if not np.sum(rest**2) > TINY:
        return 0.0, 1.0
    found, null = float(_lag_one(rest[None, :])[0]), _null(len(rest))[1]
    if changes != RAMP:
        found -= (changes - 1) * (float(null.mean()) + 1 / len(rest))
    rho = float(np.clip(_SHORT_SERIES * (found - null.mean()), 0.0, _MOST_CORRELATED))
    larger = len(null) - int(np.searchsorted(null, found))
    return rho, (larger + 1) / (len(null) + 1)


def critical_gain(n: int, alpha: float) -> float:
    """Gain of twice the log-likelihood that only a share `alpha` of steady series of n values
    exceeds.

    By simulation of 20 000 steady series with a fixed seed, variance unknown, place and kind of the
    change free: the usual asymptotic penalties (a few times log n) are wrong for a dozen sessions.
    """
    return float(np.quantile(_null(n)[0], 1 - alpha))


def chance_of(n: int, gain: float) -> float:
    """Share of steady series with a larger gain; never zero."""
    null = _null(n)[0]
    larger = len(null) - int(np.searchsorted(null, gain))
    return (larger + 1) / (len(null) + 1)


def split_rows(x: Floats, w: Floats) -> tuple[NDArray[np.int64], Floats, Floats, Floats]:
    """Best single step of every row (mean zero): place, both levels, drop of the RSS."""
    n = x.shape[1]
    sums, weight = np.cumsum(w * x, axis=1), np.cumsum(w)
    places = np.arange(MIN_LENGTH, n - MIN_LENGTH + 1)
    left, wl = sums[:, places - 1], weight[places - 1]
    wr = weight[-1] - wl
    drop = left**2 / wl + left**2 / wr
    best = np.argmax(drop, axis=1)
    at = left[np.arange(len(x)), best]
    return places[best], at / wl[best], -at / wr[best], drop[np.arange(len(x)), best]


Floats = NDArray[np.float64]
Kind = Literal["steady", "steps", "ramp"]

_MOST_STEPS = 5
_CLOSE = 4.0


@dataclass(frozen=True, slots=True)
class Change:
    """One change of a series.

    ``index`` is the first value of the new level, of a ramp the last of the old one, with its
    interval. ``size`` is that of the step with its interval; of a ramp the slope of the line bent
    once, without one (`accstudy.drift.trend.slope_of` knows that the bend was picked). ``p`` is the
    chance of so clear a change somewhere in a steady series of this length, ``gain`` twice the
    log-likelihood that it brings, less for correlated neighbours.
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
    """What a series did: the kind that fits best after the penalty, its changes in order of time.

    ``close``: the other kind of change (a step instead of a ramp, or the reverse) explains the
    series nearly as well, twice the log-likelihood within 4. ``rho`` and ``rho_p`` are those of
    `autocorrelation`.
    """

    kind: Kind
    changes: tuple[Change, ...]
    fitted: Floats
    close: bool = False
    rho: float = float("nan")
    rho_p: float = float("nan")


def segment(values: ArrayLike, weights: ArrayLike, steps: int) -> tuple[list[int], float]:
    """Exact segmentation into levels of two values or more by dynamic programming.

    First value of every new level, and the weighted residual sum of squares; infinite if there is
    no room for so many `steps`.

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

    `values` are session means in order of time, (n,), at `times` in any unit, `weights` their
    inverse variances (equal by default); `alpha` is the risk of seeing a change in a steady series,
    `confidence` that of the intervals of places and sizes. `InputError` if values and times differ
    in length or times go back.

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
