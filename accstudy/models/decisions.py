"""What contrasts show: families of tests, simultaneous limits, equivalence, ratios."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Literal

import numpy as np
import pandas as pd
from scipy import stats

from accstudy.errors import InputError

__all__ = [
    "DIFFERS",
    "Adjust",
    "below",
    "equivalence",
    "family",
    "holm",
    "log_base",
    "margin_bound",
]

Adjust = Literal["holm", "none"]
"""How p values allow for the number of contrasts of a family."""

DIFFERS = 1e-3
"""Difference between two programs that fit one model from which it is a warning."""

_BASES = {"log": float(np.e), "log2": 2.0, "log10": 10.0}


def log_base(response: str) -> float | None:
    """Base of the logarithm that a response is, or nothing; ``log_...`` is a natural one.

    So is ``spread(...)``.

    Examples
    --------
    >>> log_base("log10(abs(distance_um))"), log_base("distance_um")
    (10.0, None)
    """
    if re.fullmatch(r"log_\w+|spread\(.*\)", response.strip()):
        return float(np.e)
    match = re.fullmatch(r"(log2|log10|log)\((.*)\)", response.strip())
    if not match:
        return None
    depth = 0
    for sign in match.group(2):
        depth += {"(": 1, ")": -1}.get(sign, 0)
        if depth < 0:
            return None
    return _BASES[match.group(1)]


def holm(p: Sequence[float] | pd.Series) -> np.ndarray:
    """Holm's adjusted p values; missing ones stay missing and do not count.

    Examples
    --------
    >>> holm([0.01, 0.04, float("nan")]).tolist()
    [0.02, 0.04, nan]
    """
    values = np.asarray(p, float)
    out = np.full(len(values), np.nan)
    known = np.isfinite(values)
    if known.sum() == 1:
        return values
    if known.any():
        order = np.flatnonzero(known)[np.argsort(values[known])]
        steps = np.maximum.accumulate(values[order] * np.arange(len(order), 0, -1))
        out[order] = np.minimum(steps, 1.0)
    return out


def family(table: pd.DataFrame, *, confidence: float, adjust: Adjust = "holm") -> pd.DataFrame:
    """State contrasts as members of one family.

    Parameters
    ----------
    table : DataFrame
        ``estimate, se, df, p`` of the contrasts that the data determine; others do not count.
    confidence : float
        Of limits and decisions.
    adjust : {"holm", "none"}
        P value by which ``shown`` is decided: Holm's, or that of each contrast by itself.

    Returns
    -------
    DataFrame
        With ``p_holm``, ``adjust``, ``shown`` and the simultaneous limits, which hold for all
        contrasts of the family at once.

    Notes
    -----
    Simultaneous limits are Bonferroni's, ``t(1 - alpha / 2m)`` standard errors either way of
    the estimate: they hold however the contrasts depend on each other and whatever their
    degrees of freedom (Miller, Simultaneous Statistical Inference, 2nd ed. 1981, section 2.3).
    Holm's test may show a difference whose simultaneous interval holds zero.
    """
    alpha = 1 - confidence
    estimate, se, df = (table[c].to_numpy(float) for c in ("estimate", "se", "df"))
    known = np.isfinite(estimate) & np.isfinite(table["p"].to_numpy(float))
    with np.errstate(invalid="ignore"):
        half = stats.t.ppf(1 - alpha / (2 * max(int(known.sum()), 1)), df) * se
    half = np.where(known & np.isfinite(table["low"].to_numpy(float)), half, np.nan)
    p_holm = holm(table["p"])
    return table.assign(
        p_holm=p_holm,
        adjust=adjust,
        simultaneous_low=estimate - half,
        simultaneous_high=estimate + half,
        shown=below(p_holm if adjust == "holm" else table["p"].to_numpy(float), alpha),
    )


def below(p: np.ndarray, alpha: float) -> pd.arrays.BooleanArray:
    """Whether p values are below a level; missing where they are."""
    with np.errstate(invalid="ignore"):
        return pd.arrays.BooleanArray(p < alpha, np.isnan(p))


def equivalence(
    estimate: np.ndarray, se: np.ndarray, df: np.ndarray, low: float, high: float
) -> np.ndarray:
    """Larger p value of two one-sided tests that an effect lies between two bounds.

    Parameters
    ----------
    estimate, se, df : (m,) ndarray
        Estimates with the model's own standard errors and degrees of freedom.
    low, high : float
        Bounds; minus or plus infinity makes the test one of non-inferiority.

    Returns
    -------
    (m,) ndarray
        Small when the effect lies within the bounds.

    References
    ----------
    Schuirmann: A comparison of the two one-sided tests procedure and the power
    approach, J. Pharmacokinet. Biopharm. 15 (1987) 657-680.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        above = stats.t.sf((estimate - low) / se, df)
        below = stats.t.cdf((estimate - high) / se, df)
    return np.asarray(np.maximum(above, below))


def margin_bound(response: str, margin: float) -> float:
    """Equivalence margin on the scale of the response.

    Parameters
    ----------
    response : str
        Expression of the response.
    margin : float
        In its unit; of a log response the ratio that still counts as equal.

    Returns
    -------
    float

    Raises
    ------
    InputError
        If the margin is not above 0, or 1 for a ratio.
    """
    base = log_base(response)
    if base is None:
        if margin <= 0:
            raise InputError(f"the equivalence margin {margin:g} must be above 0")
        return margin
    if margin <= 1:
        raise InputError(
            f"the equivalence margin {margin:g} of the log response {response} "
            "must be a ratio above 1",
            hint="1.25 means: up to 25 % larger or the inverse of that",
        )
    return float(np.log(margin) / np.log(base))
