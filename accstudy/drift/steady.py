"""What steady series look like: gains of a change by chance, correlation of neighbours."""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "MIN_LENGTH",
    "RAMP",
    "TINY",
    "autocorrelation",
    "chance_of",
    "correlation",
    "critical_gain",
    "noticed",
    "ramp_gains",
    "ramps",
    "split_rows",
]

Floats = NDArray[np.float64]

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
    """Correlation of neighbouring values beyond a step or ramp.

    Parameters
    ----------
    values, times, weights : (n,) array_like
        As for `find_changes`, n >= 6.

    Returns
    -------
    rho : float
        From 0 to 0.85: the lag-one correlation of what the best single change leaves,
        less what it is in independent series of this length, and stretched, as short
        series show too little of it.
    p : float
        Chance of a larger one among independent values.

    Notes
    -----
    By simulation, with 24 or 36 values: independent values give 0.07 on average, a
    true 0.3 about 0.27, a true 0.6 about 0.55.
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
