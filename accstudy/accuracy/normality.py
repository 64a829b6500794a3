"""Are residuals within cells normal? Shapiro and Wilk's test for many columns at once."""

from __future__ import annotations

from functools import cache, lru_cache

import numpy as np
import numpy.typing as npt
from scipy import special

from accstudy.accuracy.levels import Grouping, patterns

__all__ = ["TEST", "combined_p", "normality_p", "shapiro_wilk_z"]

Floats = npt.NDArray[np.float64]

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
    """Statistic of Shapiro and Wilk as a standard normal score; large: not normal.

    Parameters
    ----------
    values : ndarray, shape (n, m)
        Four results or more, a column a sample.

    Returns
    -------
    ndarray, shape (m,)
        -inf for a column of equal values.

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
