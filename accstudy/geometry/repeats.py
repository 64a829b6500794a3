"""How well the mean of a few repeats is known."""

from __future__ import annotations

import math

from scipy.special import stdtrit

__all__ = ["of_mean"]


def of_mean(sd: float, runs: int, df: float) -> float:
    """Standard uncertainty of a mean of few repeats.

    Parameters
    ----------
    sd : float
        Standard deviation of a single run, in any unit.
    runs : int
        How many were averaged.
    df : float
        Degrees of freedom of `sd`.

    Returns
    -------
    float
        In the unit of `sd`. From few repeats the standard deviation is itself uncertain;
        it is widened so that the normal factor covers what Student's t would.

    References
    ----------
    JCGM 101:2008, 6.4.9.4: the standard deviation of the scaled and shifted t
    distribution, sqrt(df / (df - 2)). It does not exist for df of 2 or less; there the
    ratio of the 95 % factors of t and of the normal distribution is taken.

    Examples
    --------
    >>> round(of_mean(1.0, 4, 9), 4)  # 0.5 sqrt(9 / 7)
    0.5669
    """
    few = stdtrit(df, 0.975) / stdtrit(1e9, 0.975)
    widened = math.sqrt(df / (df - 2.0)) if df > 2 else float(few)
    return sd / math.sqrt(runs) * widened
