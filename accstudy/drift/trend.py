"""Slow drift: present slope, Theil-Sen slope and Mann-Kendall test."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import pandas as pd
import scipy  # scipy.optimize loads when it is first used
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, ndtri, stdtr, stdtrit

from accstudy.words.numbers import DAYS_PER_YEAR

Floats = NDArray[np.float64]

SLOPE_METHOD = "session means, averaged over where the slope may have begun"
RHOS = (0.0, 0.2, 0.4, 0.6, 0.8)
"""Correlations of neighbouring sessions that are tried; weights fall as 1 - rho."""

_STEADY = 1.0
_PRIOR = (2.0, 4.0, 0.5, 0.5, 0.5)

_LEAST = 5  # sessions that a slope must have had to be seen
_DRAWS = 4000
_NEGLIGIBLE = 1e-7


@dataclass(frozen=True, slots=True)
class Mixture:
    """A quantity as a mixture of Student's t distributions."""

    weights: Floats  # (k,): of its parts; the weights sum to 1
    centres: Floats  # (k,)
    scales: Floats  # (k,)
    df: Floats  # (k,)

    def below(self, value: float) -> float:
        """Probability below a value."""
        parts = stdtr(self.df, (value - self.centres) / self.scales)
        return float(np.sum(self.weights * parts))

    def quantile(self, level: float) -> float:
        """Value below which it lies with a probability."""
        each = self.centres + self.scales * stdtrit(self.df, level)  # of the parts
        low, high = float(each.min()), float(each.max())
        if high - low <= 1e-12 * max(abs(low), abs(high)):
            return low
        beyond = 1e-2 * (high - low)  # rounding must not put both ends on one side
        ends = (low - beyond, high + beyond)
        return float(
            scipy.optimize.toms748(lambda b: self.below(b) - level, *ends, xtol=1e-9 * (high - low))
        )


@dataclass(frozen=True, slots=True)
class Slope:
    """Slope at the last session, as a mixture over k histories that the series may have had.

    Of each its weight, the estimated level at the last session and slope, the Cholesky factor of
    their covariance for a residual variance of one, the residual standard deviation of a session of
    usual size with its degrees of freedom, and the session since which it has its slope.
    """

    weights: Floats
    levels: Floats
    slopes: Floats
    roots: Floats
    sds: Floats
    df: Floats
    begins: NDArray[np.int64]

    @property
    def mixture(self) -> Mixture:
        """The slope."""
        scales = self.sds * np.hypot(self.roots[:, 1, 0], self.roots[:, 1, 1])
        return Mixture(self.weights, self.slopes, scales, self.df)

    @property
    def p(self) -> float:
        """Two-sided probability of a slope of the other sign."""
        under = self.mixture.below(0.0)
        return float(2 * min(under, 1 - under))

    def began(self, level: float) -> int:
        """Quantile of the session from which the slope is what it is now."""
        order = np.argsort(self.begins, kind="stable")
        total = np.cumsum(self.weights[order])
        at = min(int(np.searchsorted(total, level)), len(total) - 1)
        return int(self.begins[order][at])

    def draws(self, seed: int) -> tuple[Floats, Floats, Floats]:
        """Levels at the last session, slopes and residual standard deviations, as they may be."""
        rng = np.random.default_rng(seed)
        k = rng.choice(len(self.weights), _DRAWS, p=self.weights)
        sd = self.sds[k] * np.sqrt(self.df[k] / rng.chisquare(self.df[k]))
        z = np.einsum("dij,dj->di", self.roots[k], rng.standard_normal((_DRAWS, 2)))
        return self.levels[k] + sd * z[:, 0], self.slopes[k] + sd * z[:, 1], sd


def slope_of(values: ArrayLike, times: ArrayLike, *, weights: ArrayLike | None = None) -> Slope:
    """Slope of a series at its end, by averaging over what it may have done before.

    `values` are session means in order of time, (n,), n >= 4, at `times` in any unit, `weights`
    their inverse variances.

    A slope whose beginning was picked from the same sessions looks steeper and
    surer than it is. So no beginning is picked. Five kinds of history are tried,
    at every place: one line; a level that bends into a slope; a line with a step;
    a level, then a step and from there a slope; a step and a bend apart from each
    other. Each is fitted by least squares, with correlated neighbours (`RHOS`) as
    well, and weighted by its approximate posterior probability,
    ``prior * n^(-p/2) * RSS^(-n/2)``. Slope, level and beginning are the mixture
    of all. Within a kind all places are equally likely beforehand; the kinds
    have weights 2, 4, 1/2, 1/2 and 1/2. A level that never changed has weight 1, which it
    gives to the line: its slope is not known better than that of a line through all
    sessions. The weights were chosen by simulation (``tests/simulations/sim_trend.py``), so
    that intervals hold the truth about as often as stated whatever the series did; they
    do not where a slope is both young and weak, which no short interval can know.

    References
    ----------
    Raftery, Sociological Methodology 25 (1995) 111-163: weights from the Bayesian
    information criterion; Hoeting, Madigan, Raftery and Volinsky, Statistical
    Science 14 (1999) 382-401: averaging over models.
    """
    y, t = np.asarray(values, float), np.asarray(times, float)
    n = len(y)
    w = np.ones(n) if weights is None else np.asarray(weights, float)
    w = w / w.mean()
    tried = _Histories(n)
    logs, coefficients, inverses, residuals = [], [], [], []
    for rho in RHOS:
        design = _design(t.tobytes(), np.sqrt(w).tobytes(), rho)
        x, z = design.columns, design.near(y[None, :, None])[0, :, 0]
        found = design.solve @ z
        rss = np.sum((z - np.einsum("kip,kp->ki", x, found)) ** 2, axis=1)
        rss = np.maximum(rss, 1e-18 * max(float(z @ z), 1e-300))
        log = tried.log_prior - 0.5 * (n * np.log(rss) + tried.parameters * np.log(n))
        # a level that never changed: its slope is not known better than that of a line
        level = max(float(z @ z - (x[0, :, 0] @ z) ** 2 / (x[0, :, 0] @ x[0, :, 0])), rss[0])
        steady = np.log(_STEADY) - 0.5 * (n * np.log(level) + np.log(n))
        log[0] = np.logaddexp(log[0], steady)
        logs.append(log + np.log1p(-rho) + design.log_scale)
        coefficients.append(found)
        inverses.append(design.inverse)
        residuals.append(rss)
    log = np.concatenate(logs)
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    use = weight > _NEGLIGIBLE * weight.max()
    count = len(RHOS)
    df = np.maximum(np.tile(n - tried.parameters, count)[use], 1).astype(float)
    found = np.concatenate(coefficients)[use]
    return Slope(
        weights=weight[use] / weight[use].sum(),
        levels=found[:, 0],
        slopes=found[:, 1],
        roots=np.linalg.cholesky(np.concatenate(inverses)[use]),
        sds=np.sqrt(np.concatenate(residuals)[use] / df),
        df=df,
        begins=np.tile(tried.begins, count)[use],
    )


@lru_cache(maxsize=8)
class _Histories:
    """What a series of n sessions may have done: a slope from a place on, and a step at another."""

    def __init__(self, n: int) -> None:
        bends, steps = np.arange(1, n - _LEAST), np.arange(2, n - 2)
        late = steps[steps <= n - _LEAST]
        kinds: list[list[tuple[int, int]]] = [[(0, 0)]]  # slope since, step at; 0: from the start
        kinds += [
            [(int(i), 0) for i in bends],
            [(0, int(c)) for c in steps],
            [(int(c), int(c)) for c in late],
            [(int(i), int(c)) for i in _some(bends) for c in _some(steps, 60) if i != c],
        ]
        pairs = [pair for kind in kinds for pair in kind]
        prior = [p / len(kind) for p, kind in zip(_PRIOR, kinds, strict=True) for _ in kind]
        self.n = n
        self.begins, self.steps = np.array(pairs, np.int64).T
        self.parameters = np.where(self.steps > 0, 3, 2)
        self.log_prior = np.log(prior)

    def columns(self, times: Floats) -> Floats:
        """Level at the last session, slope and step of every history, (k, n, 3)."""
        rising = np.maximum(times[None, :] - times[self.begins][:, None], 0.0)
        before = np.arange(self.n)[None, :] < self.steps[:, None]
        ones = np.ones_like(rising)
        return np.stack([ones, rising - rising[:, -1:], -1.0 * before], axis=2)


def _some(places: NDArray[np.int64], most: int = 12) -> NDArray[np.int64]:
    chosen = np.linspace(0, len(places) - 1, most).round().astype(int)
    return np.asarray(places[np.unique(chosen)] if len(places) else places)


@dataclass(frozen=True, slots=True)
class _Design:
    """Every history of sessions at given times, made independent and alike by ``near``.

    ``columns`` are level, slope and step of each, (k, n, 3), ``solve`` gives the coefficients,
    ``inverse`` is the covariance of level and slope for a residual variance of one, ``log_scale``
    the logarithm of the determinant of ``near``.
    """

    near: Callable[[Floats], Floats]
    log_scale: float
    columns: Floats
    solve: Floats
    inverse: Floats


@lru_cache(maxsize=8 * len(RHOS))
def _design(times: bytes, roots: bytes, rho: float) -> _Design:
    """Design of all histories; alike for all measurands of a device."""
    t = np.frombuffer(times)
    tried = _Histories(len(t))
    near, log_scale = _whitened(np.frombuffer(roots), t, rho)
    x = near(tried.columns(t))
    gram = np.einsum("kip,kiq->kpq", x, x)
    gram[:, range(3), range(3)] += np.arange(3)[None, :] >= tried.parameters[:, None]
    inverse = np.linalg.inv(gram)
    return _Design(near, log_scale, x, inverse @ x.transpose(0, 2, 1), inverse[:, :2, :2])


def _whitened(roots: Floats, times: Floats, rho: float) -> tuple[Callable[[Floats], Floats], float]:
    """Map that makes sessions independent and alike, and the logarithm of its determinant.

    Neighbours a usual time apart are correlated by `rho`, others by its power.
    """
    gaps = np.diff(times)
    usual = float(np.median(gaps)) or 1.0
    near = rho ** np.maximum(gaps / usual, 1e-3) if rho else np.zeros(len(gaps))
    own = np.sqrt(1 - near**2)

    def white(x: Floats) -> Floats:
        scaled = x * roots[:, None]
        out = scaled.copy()
        out[:, 1:] = (scaled[:, 1:] - near[:, None] * scaled[:, :-1]) / own[:, None]
        return out

    return white, float(-np.sum(np.log(own)))


DAYS_PER_MONTH = DAYS_PER_YEAR / 12
"""Mean length of a month of the Gregorian calendar."""

MIN_TREND = 6
"""Sessions below which nothing is said about a trend."""


def months(at: pd.Series) -> Floats:
    """Days as months since the first."""
    seconds = (at - at.iloc[0]).dt.total_seconds().to_numpy(float)
    return np.asarray(seconds / 86_400 / DAYS_PER_MONTH)


def within_sessions(rows: pd.DataFrame) -> tuple[float, int]:
    """Pooled standard deviation of scans within sessions, and its degrees of freedom.

    Of rows of the session table; NaN where no session has two scans.
    """
    n = rows["n_scans"].to_numpy(float)
    squares = rows["sd"].fillna(0.0).to_numpy(float) ** 2
    df = int(np.sum(n - 1))
    return (float(np.sqrt(np.sum((n - 1) * squares) / df)) if df else np.nan), df


@dataclass(frozen=True, slots=True)
class MannKendall:
    """Test of a monotonic trend: S, its variance (ties corrected), z (continuity corrected), p,
    tau-b.
    """

    S: int
    var_S: float
    z: float
    p: float
    tau: float


def _ties(x: Floats) -> Floats:
    _, counts = np.unique(x, return_counts=True)
    return counts.astype(float)


def mann_kendall(values: ArrayLike, times: ArrayLike | None = None) -> MannKendall:
    """Test whether values, in order of time, rise or fall; those of the same time are not compared.

    Values must be independent: give session means, not scans. NaN for `z`, `p` and `tau` where all
    values are alike.

    References
    ----------
    Mann, Econometrica 13 (1945) 245-259; Kendall, Rank Correlation Methods,
    1975, for ties in both rankings.
    """
    x = np.asarray(values, float)
    t = np.arange(len(x), dtype=float) if times is None else np.asarray(times, float)
    n = len(x)
    i, j = np.triu_indices(n, k=1)
    S = int(np.sum(np.sign(x[j] - x[i]) * np.sign(t[j] - t[i])))
    u, v = _ties(x), _ties(t)
    pairs = n * (n - 1) / 2
    var = (
        n * (n - 1) * (2 * n + 5)
        - np.sum(u * (u - 1) * (2 * u + 5))
        - np.sum(v * (v - 1) * (2 * v + 5))
    ) / 18
    if n > 2:
        var += (
            np.sum(u * (u - 1) * (u - 2))
            * np.sum(v * (v - 1) * (v - 2))
            / (9 * n * (n - 1) * (n - 2))
        )
    if n > 1:
        var += np.sum(u * (u - 1)) * np.sum(v * (v - 1)) / (2 * n * (n - 1))
    untied = (pairs - np.sum(u * (u - 1)) / 2) * (pairs - np.sum(v * (v - 1)) / 2)
    if not var > 0 or not untied > 0:
        return MannKendall(S, float(var), float("nan"), float("nan"), float("nan"))
    z = (S - np.sign(S)) / np.sqrt(var)
    return MannKendall(
        S, float(var), float(z), float(2 * ndtr(-abs(z))), float(S / np.sqrt(untied))
    )


@dataclass(frozen=True, slots=True)
class TheilSen:
    """Median slope with its interval, unit of the values a unit of time."""

    slope: float
    low: float
    high: float


def theil_sen(values: ArrayLike, times: ArrayLike, *, confidence: float = 0.95) -> TheilSen:
    """Median of the slopes between every two values of different times.

    NaN for fewer than two times; an unbounded interval where the series is too short for the
    confidence.

    References
    ----------
    Sen, J Am Stat Assoc 63 (1968) 1379-1389: order statistics of the slopes,
    counted by the variance of Kendall's S.
    """
    x, t = np.asarray(values, float), np.asarray(times, float)
    i, j = np.triu_indices(len(x), k=1)
    apart = t[j] != t[i]
    slopes = np.sort((x[j] - x[i])[apart] / (t[j] - t[i])[apart])
    if not len(slopes):
        return TheilSen(float("nan"), float("nan"), float("nan"))
    half = float(ndtri(0.5 + confidence / 2)) * np.sqrt(max(mann_kendall(x, t).var_S, 0.0))
    n = len(slopes)
    # the (n - half) / 2 -th and the (n + half) / 2 + 1 -th smallest slope
    low, high = round((n - half) / 2) - 1, round((n + half) / 2)
    return TheilSen(
        float(np.median(slopes)),
        float(slopes[low]) if low >= 0 else -np.inf,
        float(slopes[high]) if high < n else np.inf,
    )


@dataclass(frozen=True, slots=True)
class Trend:
    """Slope of the session means at the last session, and its derivation.

    ``estimate``, its interval and ``p`` (two-sided, of the other sign) are those of ``slope``, unit
    a month; ``begins`` is the session from which it holds, with its interval (0: the first).
    ``sd_within`` is pooled within sessions (0 for single scans), ``per_scan`` 1 / n of a usual
    session.
    """

    slope: Slope
    estimate: float
    low: float
    high: float
    p: float
    begins: int
    begins_low: int
    begins_high: int
    sd_within: float
    df_within: int
    per_scan: float
    sessions: int
    scans: int

    def after(self, sessions: int) -> Trend:
        """The same, with beginnings counted from that many sessions earlier."""
        return replace(
            self,
            begins=self.begins + sessions,
            begins_low=self.begins_low + sessions,
            begins_high=self.begins_high + sessions,
        )


def trend_of(
    rows: pd.DataFrame, *, weights: ArrayLike | None = None, confidence: float = 0.95
) -> Trend | None:
    """Trend of the sessions of one device and measurand, from their means (`slope_of`).

    `rows` has ``at, n_scans, mean, sd`` in order of time. None with fewer than six sessions or
    three times, or without any scatter.
    """
    means, n = rows["mean"].to_numpy(float), rows["n_scans"].to_numpy(float)
    times = months(rows["at"])
    if len(rows) < MIN_TREND or len(np.unique(times)) < 3 or means.std() < 1e-12:
        return None
    slope = slope_of(means, times, weights=weights)
    now, tail = slope.mixture, (1 - confidence) / 2
    within, df = within_sessions(rows)
    return Trend(
        slope=slope,
        estimate=now.quantile(0.5),
        low=now.quantile(tail),
        high=now.quantile(1 - tail),
        p=slope.p,
        begins=slope.began(0.5),
        begins_low=slope.began(tail),
        begins_high=slope.began(1 - tail),
        sd_within=within if df else 0.0,
        df_within=df,
        per_scan=float(np.mean(1 / n)),
        sessions=len(rows),
        scans=int(n.sum()),
    )
