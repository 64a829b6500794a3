"""Factors of normal tolerance limits, and the sample sizes of those without a distribution."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import numpy.typing as npt
import scipy  # scipy.stats and optimize load when first used
from scipy import special

from accstudy.errors import InputError

__all__ = [
    "absolute_quantile",
    "howe_factor",
    "natrella_factor",
    "nonparametric_n",
    "nonparametric_order",
    "one_sided_factor",
    "two_sided_factor",
]

Floats = npt.NDArray[np.float64]


def _check(coverage: float, confidence: float) -> None:
    if not (0 < coverage < 1 and 0 < confidence < 1):
        raise InputError("coverage and confidence must lie between 0 and 1")


@cache
def one_sided_factor(n: int, coverage: float, confidence: float) -> float:
    """Factor k of the one-sided normal tolerance limit, mean + k s; exact.

    Parameters
    ----------
    n : int
        Results, at least 2.
    coverage, confidence : float
        With this confidence at least this share of future results lies below.

    References
    ----------
    ISO 16269-6:2014 (normal distribution, one-sided); non-central t quantile with
    n - 1 degrees of freedom and non-centrality z sqrt(n), over sqrt(n).

    Examples
    --------
    >>> round(one_sided_factor(10, 0.95, 0.95), 3)
    2.911
    """
    _check(coverage, confidence)
    if n < 2:
        return math.nan
    if n > 5000:  # the quantile function loses its way, the approximation has found its own
        return natrella_factor(n, coverage, confidence)
    delta = float(special.ndtri(coverage)) * math.sqrt(n)
    return float(scipy.stats.nct.ppf(confidence, n - 1, delta)) / math.sqrt(n)


def natrella_factor(n: int, coverage: float, confidence: float) -> float:
    """Factor of the one-sided limit, approximated in closed form.

    References
    ----------
    Natrella, Experimental Statistics, 1963; NIST/SEMATECH e-Handbook 7.2.6.3.

    Examples
    --------
    >>> round(natrella_factor(43, 0.90, 0.99), 4)
    1.8752
    """
    z_p, z_g = float(special.ndtri(coverage)), float(special.ndtri(confidence))
    a = 1 - z_g**2 / (2 * (n - 1))
    return (z_p + math.sqrt(z_p**2 - a * (z_p**2 - z_g**2 / n))) / a


def howe_factor(n: int, coverage: float, confidence: float) -> float:
    """Factor of the two-sided limits, approximated in closed form.

    References
    ----------
    Howe, J Am Stat Assoc 64 (1969) 610-620; NIST/SEMATECH e-Handbook 7.2.6.3.

    Examples
    --------
    >>> round(howe_factor(43, 0.90, 0.99), 4)
    2.2173
    """
    z = float(special.ndtri((1 + coverage) / 2))
    return z * math.sqrt((n - 1) * (1 + 1 / n) / float(special.chdtri(n - 1, confidence)))


def absolute_quantile(shift: npt.ArrayLike, coverage: float) -> Floats:
    """Quantile of the absolute value of a normal variable of unit variance.

    Parameters
    ----------
    shift : array_like
        Its mean, in standard deviations; either sign.
    coverage : float
        Probability below the quantile.

    Returns
    -------
    ndarray
        q with P(abs(Z + shift) <= q) = coverage; both tails count.

    Examples
    --------
    >>> absolute_quantile([0.0, 3.0], 0.95).round(3)
    array([1.96 , 4.645])
    """
    delta = np.abs(np.asarray(shift, dtype=float))
    near = np.minimum(delta, 8.0)
    both_tails = np.sqrt(special.chndtrix(coverage, 1.0, near**2))
    return np.asarray(np.where(delta > 8.0, delta + special.ndtri(coverage), both_tails))


@cache
def _nodes() -> tuple[Floats, Floats]:
    x, w = np.polynomial.legendre.leggauss(96)
    z = 4.5 * (x + 1)  # 0 to 9
    return z, 4.5 * w * 2 * np.exp(-(z**2) / 2) / math.sqrt(2 * math.pi)


@cache
def two_sided_factor(n: int, coverage: float, confidence: float, df: int | None = None) -> float:
    """Factor k of the two-sided normal tolerance limits, mean -+ k s; exact.

    Parameters
    ----------
    n : int
        Results behind the mean.
    coverage, confidence : float
        With this confidence at least this share of future results lies between.
    df : int, optional
        Degrees of freedom of s, when not n - 1.

    Returns
    -------
    float
        By integration over the mean's error.

    References
    ----------
    ISO 16269-6:2014 (normal distribution, two-sided); Odeh and Owen, Tables for
    Normal Tolerance Limits, 1980.

    Examples
    --------
    >>> round(two_sided_factor(10, 0.95, 0.95), 3)
    3.393
    """
    _check(coverage, confidence)
    nu = n - 1 if df is None else df
    if n < 1 or nu < 1:
        return math.nan
    z, weights = _nodes()
    r2 = absolute_quantile(z / math.sqrt(n), coverage) ** 2

    def missing(k: float) -> float:
        return float(weights @ special.chdtrc(nu, nu * r2 / k**2)) - confidence

    start = howe_factor(max(n, 2), coverage, confidence)
    low, high = start / 2, start * 2
    while missing(low) > 0:
        low /= 2
    while missing(high) < 0:
        high *= 2
    return float(scipy.optimize.brentq(missing, low, high, xtol=1e-12, rtol=1e-12))


def nonparametric_n(coverage: float, confidence: float, *, sides: int = 1) -> int:
    """Smallest sample whose extremes are tolerance limits whatever the distribution.

    Parameters
    ----------
    coverage, confidence : float
        As above.
    sides : {1, 2}, optional
        1: the largest result is the limit. 2: smallest and largest are the limits.

    References
    ----------
    Wilks, Ann Math Stat 12 (1941) 91-96; ISO 16269-6:2014.

    Examples
    --------
    >>> nonparametric_n(0.95, 0.95), nonparametric_n(0.95, 0.95, sides=2)
    (59, 93)
    """
    _check(coverage, confidence)
    n = sides
    while special.bdtr(n - sides, n, coverage) < confidence:
        n += 1
    return n


def nonparametric_order(n: int, coverage: float, confidence: float) -> int:
    """Rank (from 1) of the ordered result that is the smallest upper tolerance limit; 0: none.

    The limit x_(r) covers the share with confidence P(Binomial(n, coverage) < r).

    Examples
    --------
    >>> nonparametric_order(58, 0.95, 0.95), nonparametric_order(59, 0.95, 0.95)
    (0, 59)
    """
    _check(coverage, confidence)
    for rank in range(1, n + 1):
        if special.bdtr(rank - 1, n, coverage) >= confidence:
            return rank
    return 0
