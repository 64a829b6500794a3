"""Small judgements: critical differences, E_n, significance of a bias, failure rates."""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import asdict, dataclass

import numpy as np
import pandas as pd
import scipy  # scipy.stats loads when it is first used
from scipy import special

from accstudy.errors import InputError

__all__ = [
    "Rate",
    "critical_range_factor",
    "e_n",
    "failure_rate",
    "failure_table",
    "uncertainty_factor_bias",
    "uncertainty_factor_s_R",
    "uncertainty_factor_s_r",
]

_Z95 = 1.96  # the standards print with this rounded quantile


def critical_range_factor(n: int) -> float:
    """Factor f(n): 95 % of the ranges of n results stay below f(n) s_r.

    References
    ----------
    ISO 5725-6:1994, 5.2 and Table 1; studentized range of infinite degrees of freedom.

    Examples
    --------
    >>> round(critical_range_factor(3), 1)
    3.3
    """
    if n < 2:
        raise InputError("a range needs two results")
    return float(scipy.stats.studentized_range.ppf(0.95, n, np.inf))


def uncertainty_factor_s_r(cells: int, n: int) -> float:
    """Relative uncertainty A_r of s_r (95 %) for a plan of cells of n results.

    References
    ----------
    ISO 5725-1:1994, 6.3.2 and Table 1.

    Examples
    --------
    >>> round(uncertainty_factor_s_r(5, 2), 2)
    0.62
    """
    return _Z95 * math.sqrt(1 / (2 * cells * (n - 1)))


def uncertainty_factor_s_R(gamma: float, cells: int, n: int) -> float:
    """Relative uncertainty A_R of s_R (95 %), with gamma = s_R / s_r.

    References
    ----------
    ISO 5725-1:1994, 6.3.2 and Table 1.

    Examples
    --------
    >>> round(uncertainty_factor_s_R(2, 5, 2), 2)
    0.61
    """
    p, g2 = cells, gamma**2
    top = p * (1 + n * (g2 - 1)) ** 2 + (n - 1) * (p - 1)
    return _Z95 * math.sqrt(top / (2 * g2**2 * n**2 * (p - 1) * p))


def uncertainty_factor_bias(gamma: float, cells: int, n: int) -> float:
    """Uncertainty A of a bias in units of s_R (95 %), with gamma = s_R / s_r.

    With one cell and ``gamma = 1`` it is A_W = 1.96 / sqrt(n) of a cell's own bias, in
    units of s_r.

    References
    ----------
    ISO 5725-1:1994, 6.3.3; ISO 5725-4:1994, Tables 1 and 2.

    Examples
    --------
    >>> round(uncertainty_factor_bias(2, 5, 2), 2)
    0.82
    """
    g2 = gamma**2
    return _Z95 * math.sqrt((n * (g2 - 1) + 1) / (g2 * cells * n))


def e_n(value: float, reference: float, U_value: float, U_reference: float) -> float:
    """E_n number: difference over the combined expanded uncertainty.

    Parameters
    ----------
    value, reference : float
        Measured value and reference, one unit.
    U_value, U_reference : float
        Expanded uncertainties, k = 2.

    Returns
    -------
    float
        Between -1 and 1 the two agree within their uncertainties.

    References
    ----------
    ISO 13528:2022, 9.7; ISO/IEC 17043.

    Examples
    --------
    >>> e_n(50.012, 50.0, 0.008, 0.006)  # doctest: +ELLIPSIS
    1.2...
    """
    combined = math.hypot(U_value, U_reference)
    if combined == 0:
        raise InputError("E_n needs an uncertainty above zero")
    return (value - reference) / combined


@dataclass(frozen=True, slots=True)
class Rate:
    """A share of scans with its exact interval; NaN where there is no scan."""

    failed: int
    total: int
    rate: float
    low: float
    high: float


def failure_rate(failed: int, total: int, *, confidence: float = 0.95) -> Rate:
    """Rate of scans that could not be used, with its exact binomial interval.

    Clopper and Pearson, Biometrika 26 (1934) 404-413.

    Examples
    --------
    >>> found = failure_rate(4, 25)  # 4 of 25: 4.5 % to 36.1 %
    >>> round(100 * found.low, 1), round(100 * found.high, 1)
    (4.5, 36.1)
    """
    if not 0 <= failed <= total:
        raise InputError(f"{failed} of {total} scans cannot have failed")
    if total == 0:
        return Rate(0, 0, math.nan, math.nan, math.nan)
    a = (1 - confidence) / 2
    low = float(special.betaincinv(failed, total - failed + 1, a)) if failed else 0.0
    high = float(special.betaincinv(failed + 1, total - failed, 1 - a)) if failed < total else 1.0
    return Rate(failed, total, failed / total, low, high)


def failure_table(
    scans: pd.DataFrame, *, measured: Collection[str], confidence: float = 0.95
) -> pd.DataFrame:
    """Failure rate of every condition and of all scans together.

    A scan failed if the user lists it so, or if it gave no pair: it could not be read, or
    its implants were not found.

    Parameters
    ----------
    scans : DataFrame
        One row a scan: ``scan``, ``condition``, ``status``.
    measured : collection of str
        Scans of which at least one pair was measured.
    confidence : float, optional
        Of the intervals.

    Returns
    -------
    DataFrame
        Table ``failures``; the last row, without a condition, is about all scans.
    """
    listed = scans["status"] == "failed"
    unusable = ~listed & ~scans["scan"].isin(list(measured))
    counted = scans.assign(listed=listed, unusable=unusable)
    groups = [*counted.groupby("condition", sort=True), ("", counted)]
    rows = []
    for condition, own in groups:
        k = [int(own[c].sum()) for c in ("listed", "unusable")]
        found = failure_rate(sum(k), len(own), confidence=confidence)
        rows.append({"condition": condition, "listed": k[0], "unusable": k[1], **asdict(found)})
    return pd.DataFrame(rows).assign(confidence=confidence, method="Clopper-Pearson")
