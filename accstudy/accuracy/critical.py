"""Tests on cells: critical values of Cochran, Grubbs and Mandel; normality by Shapiro and Wilk."""

from __future__ import annotations

import math
from functools import cache, lru_cache

import numpy as np
import numpy.typing as npt
import scipy  # scipy.optimize loads when it is first used
from scipy import special

from accstudy.accuracy.bounds import Grouping, patterns

__all__ = [
    "TEST",
    "cochran_critical",
    "combined_p",
    "grubbs_critical",
    "grubbs_double_critical",
    "grubbs_double_probability",
    "mandel_h_critical",
    "mandel_k_critical",
    "normality_p",
    "shapiro_wilk_z",
]

Floats = npt.NDArray[np.float64]
_GRID = 8000  # intervals over the quarter circle: 1e-6 in the critical values up to 20 cells


def _nan_unless(valid: npt.ArrayLike, value: npt.ArrayLike) -> Floats:
    return np.where(valid, value, np.nan)


def cochran_critical(alpha: float, p: npt.ArrayLike, n: npt.ArrayLike) -> Floats:
    """Critical value of Cochran's one-sided test on the largest of p cell variances, n results
    each.

    NaN with fewer than two cells or results a cell.

    References
    ----------
    ISO 5725-2:1994, 7.3.3 and Table 4 (tables rest on this F quantile).

    Examples
    --------
    >>> round(float(cochran_critical(0.05, 8, 3)), 3)
    0.516
    """
    p_, n_ = np.asarray(p, dtype=float), np.asarray(n, dtype=float)
    valid = (p_ >= 2) & (n_ >= 2)
    p_, n_ = np.where(valid, p_, 2.0), np.where(valid, n_, 2.0)
    F = special.fdtri(n_ - 1, (p_ - 1) * (n_ - 1), 1 - alpha / p_)
    return _nan_unless(valid, F / (F + p_ - 1))


def grubbs_critical(alpha: float, p: npt.ArrayLike, *, sides: int = 2) -> Floats:
    """Critical value of Grubbs' test on one extreme of p (three or more) values; else NaN.

    `sides` is 2 when either end may be extreme, as in ISO 5725-2; 1 when one end alone is looked
    at, as in many textbooks.

    References
    ----------
    ISO 5725-2:1994, 7.3.4 and Table 5; Grubbs, Technometrics 11 (1969) 1-21.

    Examples
    --------
    >>> [round(float(grubbs_critical(0.05, 8, sides=sides)), 3) for sides in (2, 1)]
    [2.127, 2.032]
    """
    p_ = np.asarray(p, dtype=float)
    valid = p_ >= 3
    p_ = np.where(valid, p_, 3.0)
    t2 = special.stdtrit(p_ - 2, 1 - alpha / (sides * p_)) ** 2
    return _nan_unless(valid, (p_ - 1) / np.sqrt(p_) * np.sqrt(t2 / (p_ - 2 + t2)))


def mandel_h_critical(alpha: float, p: npt.ArrayLike) -> Floats:
    """Critical value of Mandel's h (two-sided, one of p cells looked at); NaN below three cells.

    References
    ----------
    ISO 5725-2:1994, 7.3.1 and Tables 6 and 7.

    Examples
    --------
    >>> round(float(mandel_h_critical(0.05, 8)), 2)
    1.75
    """
    p_ = np.asarray(p, dtype=float)
    valid = p_ >= 3
    p_ = np.where(valid, p_, 3.0)
    t = special.stdtrit(p_ - 2, 1 - alpha / 2)
    return _nan_unless(valid, (p_ - 1) * t / np.sqrt(p_ * (t**2 + p_ - 2)))


def mandel_k_critical(alpha: float, p: npt.ArrayLike, n: npt.ArrayLike) -> Floats:
    """Critical value of Mandel's k (one-sided, one of p cells looked at, n results each).

    NaN with fewer than two cells or results a cell.

    References
    ----------
    ISO 5725-2:1994, 7.3.1 and Tables 6 and 7.

    Examples
    --------
    >>> round(float(mandel_k_critical(0.05, 8, 3)), 3)
    1.669
    """
    p_, n_ = np.asarray(p, dtype=float), np.asarray(n, dtype=float)
    valid = (p_ >= 2) & (n_ >= 2)
    p_, n_ = np.where(valid, p_, 2.0), np.where(valid, n_, 2.0)
    F = special.fdtri(n_ - 1, (p_ - 1) * (n_ - 1), 1 - alpha)
    return _nan_unless(valid, np.sqrt(p_ * F / (F + p_ - 1)))


# Two extremes have no closed form. Take x_k out of k normal values: with S^2 the sum of
# squares, its distance from the mean of the others is S sin(a) up to a factor, and a has the
# density of one coordinate of a random direction in k - 1 dimensions, independent of what the
# others look like among themselves. x_k is the largest if the largest of the others has
# sin(b) <= sqrt(k / (k - 2)) tan(a). So the distribution of the largest follows from that of
# one value less, and the ratio of the sums of squares without and with both is
# (cos(a) cos(b))^2.


@cache
def _angles() -> Floats:
    return np.linspace(0.0, math.pi / 2, _GRID + 1)


def _density(k: int) -> Floats:
    """K times the density of the angle a on the grid."""
    log_c = special.gammaln((k - 1) / 2) - special.gammaln((k - 2) / 2) - 0.5 * math.log(math.pi)
    return np.asarray(k * math.exp(log_c) * np.cos(_angles()) ** (k - 3), dtype=np.float64)


def _bound(k: int) -> Floats:
    """Largest angle b that the others may show, on the grid."""
    with np.errstate(over="ignore"):
        tangent = np.tan(_angles()) * math.sqrt(k / (k - 2))
    return np.asarray(np.arcsin(np.minimum(1.0, tangent)), dtype=np.float64)


def _integrals(values: Floats) -> Floats:
    """Running trapezoidal integral over the grid."""
    step = _angles()[1]
    return np.concatenate([[0.0], np.cumsum((values[1:] + values[:-1]) / 2 * step)])


@cache
def _largest(k: int) -> Floats:
    """Distribution of the angle of the largest of k values, on the grid."""
    if k == 3:
        # the density is constant above 30 degrees, where the third value is the largest
        return np.asarray(np.maximum(0.0, 3 / math.pi * (_angles() - math.pi / 6)))
    rest = np.interp(_bound(k), _angles(), _largest(k - 1))
    total = _integrals(_density(k) * rest)
    return np.asarray(total / total[-1], dtype=np.float64)


def grubbs_double_probability(ratio: float, p: int) -> float:
    """Probability that two extremes at one end leave a smaller ratio of sums of squares.

    `ratio` is the sum of squares without the two over that with them, of `p` (at least 4) normal
    values; for both ends: twice that.

    Examples
    --------
    >>> round(grubbs_double_probability(0.1101, 8), 3)
    0.025
    """
    angles, bound = _angles(), _bound(p)
    cosine = np.cos(angles)
    inside = np.minimum(1.0, math.sqrt(ratio) / np.maximum(cosine, 1e-300))
    start = np.minimum(np.arccos(inside), bound)
    others = _largest(p - 1)
    share = np.interp(bound, angles, others) - np.interp(start, angles, others)
    return float(_integrals(_density(p) * share)[-1])


@cache
def grubbs_double_critical(alpha: float, p: int, *, sides: int = 2) -> float:
    """Critical value of Grubbs' test on two extremes at the same end of p (four or more) values.

    Smaller ratios are extreme. Found by integration of the exact distribution, not read from the
    table; `sides` as in `grubbs_critical`.

    References
    ----------
    ISO 5725-2:1994, 7.3.4 and Table 5.

    Examples
    --------
    >>> round(grubbs_double_critical(0.05, 8), 3)
    0.11
    """
    if p < 4:
        return math.nan
    level = alpha / sides
    return float(
        scipy.optimize.brentq(
            lambda r: grubbs_double_probability(r, p) - level, 1e-12, 1.0, xtol=1e-9
        )
    )


TEST = "Shapiro-Wilk"
_LEAST = 4
_DRAWS = 2000
_ALIKE = 0.99


@cache
def _weights(n: int) -> Floats:
    m = special.ndtri((np.arange(1, n + 1) - 0.375) / (n + 0.25))
    square = float(m @ m)
    c, u = m / np.sqrt(square), 1 / np.sqrt(n)
    a = np.zeros(n)
    last = np.polyval([-2.706056, 4.434685, -2.071190, -0.147981, 0.221157, c[-1]], u)
    if n > 5:
        next_ = np.polyval([-3.582633, 5.682633, -1.752461, -0.293762, 0.042981, c[-2]], u)
        left = (square - 2 * m[-1] ** 2 - 2 * m[-2] ** 2) / (1 - 2 * last**2 - 2 * next_**2)
        a[2:-2] = m[2:-2] / np.sqrt(left)
        a[-2], a[1] = next_, -next_
    else:
        left = (square - 2 * m[-1] ** 2) / (1 - 2 * last**2)
        a[1:-1] = m[1:-1] / np.sqrt(left)
    a[-1], a[0] = last, -last
    return a


def shapiro_wilk_z(values: Floats) -> Floats:
    """Statistic of Shapiro and Wilk as a standard normal score, a column a sample.

    Large: not normal; -inf for a column of equal values. Four results or more.

    References
    ----------
    Shapiro and Wilk, Biometrika 52 (1965) 591-611; Royston, Appl Stat 44 (1995)
    547-551 (algorithm AS R94), whose approximations are used.
    """
    n = len(values)
    x = np.sort(values, axis=0)
    squares = ((x - x.mean(axis=0)) ** 2).sum(axis=0)
    flat = squares <= 1e-20 * np.maximum(1e-300, (x**2).sum(axis=0))
    with np.errstate(divide="ignore", invalid="ignore"):
        missing = np.maximum(1e-15, 1 - (_weights(n) @ x) ** 2 / squares)
    log = np.log(n)
    if n > 11:
        mean = np.polyval([0.0038915, -0.083751, -0.31082, -1.5861], log)
        sd = np.exp(np.polyval([0.0030302, -0.082676, -0.4803], log))
        score = np.log(missing)
    else:
        gamma = -2.273 + 0.459 * n
        mean = np.polyval([-0.0006714, 0.025054, -0.39978, 0.5440], n)
        sd = np.exp(np.polyval([-0.0020322, 0.062767, -0.77857, 1.3822], n))
        room = np.maximum(1e-15, gamma - np.log(missing))
        score = -np.log(room)
    return np.where(flat, -np.inf, (score - mean) / sd)


def _residuals(values: Floats, cell: npt.NDArray[np.int64]) -> Floats:
    """Residuals of cells of two scans or more, brought to one variance."""
    size = np.bincount(cell)
    member = np.zeros((len(size), len(cell)))
    member[cell, np.arange(len(cell))] = 1.0
    mean = (member @ values) / size[:, None]
    kept = size[cell] > 1
    scale = np.sqrt(size[cell] / np.maximum(1, size[cell] - 1))
    return np.asarray(((values - mean[cell]) * scale[:, None])[kept])


@lru_cache(maxsize=256)
def _null(sizes: tuple[int, ...]) -> Floats:
    """Scores of residuals of normal scans in such cells, ordered."""
    cell = np.repeat(np.arange(len(sizes)), sizes)
    drawn = np.random.default_rng(19_650_601).normal(size=(len(cell), _DRAWS))
    return np.sort(shapiro_wilk_z(_residuals(drawn, cell)))


def normality_p(values: Floats, grouping: Grouping) -> Floats:
    """P value of Shapiro and Wilk's test on the residuals within cells, a column each.

    Parameters
    ----------
    values : ndarray, shape (n, m)
        Signed deviations; NaN where not seen.
    grouping : Grouping
        Of the scans. Where every cell holds one scan, the scans themselves are tested.

    Returns
    -------
    ndarray, shape (m,)
        NaN for fewer than four residuals.

    Notes
    -----
    Residuals of small cells are alike even where scans are not; so with several cells
    the level of the test is that of 2000 simulated studies of normal scans in cells
    of these sizes, which never change.
    """
    out = np.full(values.shape[1], np.nan)
    for rows, columns in patterns(values):
        cell = grouping.only(rows).cell if rows.any() else np.zeros(0, dtype=np.int64)
        own = values[np.ix_(rows, columns)]
        if len(cell) < _LEAST:
            continue
        size = np.bincount(cell)
        if size.max() == 1:
            cell, size = np.zeros_like(cell), np.array([len(cell)])
        residuals = _residuals(own, cell)
        if len(residuals) < _LEAST:
            continue
        score = shapiro_wilk_z(residuals)
        if len(size) == 1:
            out[columns] = special.ndtr(-score)
        else:
            null = _null(tuple(sorted(int(s) for s in size)))
            above = len(null) - np.searchsorted(null, score, side="left")
            out[columns] = (above + 1) / (len(null) + 1)
    return out


def combined_p(p: npt.ArrayLike) -> float:
    """One p value from several, however they depend on each other.

    Parameters
    ----------
    p : array_like
        p values; NaN are left out.

    Returns
    -------
    float
        NaN without any. p values above 0.99 count as 0.99, so that a single one cannot
        outweigh all others.

    References
    ----------
    Liu and Xie, J Am Stat Assoc 115 (2020) 393-402: Cauchy combination test.

    Examples
    --------
    >>> round(combined_p([0.03, 0.03]), 3), round(combined_p([0.001, 0.9]), 4)
    (0.03, 0.002)
    """
    known = np.asarray(p, dtype=float)
    known = np.clip(known[np.isfinite(known)], 1e-15, _ALIKE)
    if not known.size:
        return float("nan")
    return float(0.5 - np.arctan(np.tan((0.5 - known) * np.pi).mean()) / np.pi)
