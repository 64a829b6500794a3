"""Uncertainty budgets: contributions, their combination, and propagation of distributions."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
import scipy  # scipy.stats loads when it is first used
from scipy import special

from accstudy.errors import InputError

__all__ = ["Combined", "Part", "combine", "propagate", "usable_df"]

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Part:
    """One part of an uncertainty budget.

    Parameters
    ----------
    name : str
        What it is.
    u : float
        Standard uncertainty of the result from this part (sensitivity included).
    df : float, optional
        Degrees of freedom of `u`.
    shape : {"normal", "rectangular"}, optional
        Distribution for the check; "normal" with finite `df` becomes Student's t.
    counted : bool, optional
        False for a part that another one holds already: shown, not summed.
    how : str, optional
        Where the number comes from.
    """

    name: str
    u: float
    df: float = math.inf
    shape: Literal["normal", "rectangular"] = "normal"
    counted: bool = True
    how: str = ""


@dataclass(frozen=True, slots=True)
class Combined:
    """Combined standard uncertainty u, effective degrees of freedom (Welch and Satterthwaite),
    coverage factor k, U = k u.

    ``shares`` are those of the parts in the combined variance, in order; 0 if not counted.
    """

    u: float
    df: float
    k: float
    U: float
    shares: tuple[float, ...]


def usable_df(df: float) -> float:
    """Effective degrees of freedom as the t table is entered: to one decimal, then cut, at least 1.

    So 18.9987 counts as 19 and 16.75 as 16 (JCGM 100:2008, G.4.1 and its example).

    Examples
    --------
    >>> usable_df(18.9987), usable_df(16.75)
    (19.0, 16.0)
    """
    return df if math.isinf(df) else max(1.0, float(math.floor(round(df, 1))))


def combine(parts: Sequence[Part], *, confidence: float = 0.95) -> Combined:
    """Combine independent parts into one uncertainty.

    Parameters
    ----------
    parts : sequence of Part
        Parts in one unit; those not counted or unknown (NaN) are left out.
    confidence : float, optional
        Of the expanded uncertainty.

    References
    ----------
    JCGM 100:2008, 5.1.2 (combination), G.4 (effective degrees of freedom), 6.2.

    Examples
    --------
    >>> found = combine([Part("a", 3.0), Part("b", 4.0, df=9)])
    >>> found.u, round(found.df, 2)
    (5.0, 21.97)
    """
    u2 = np.array([p.u**2 if p.counted and not math.isnan(p.u) else 0.0 for p in parts])
    total = float(u2.sum())
    if total == 0:
        return Combined(
            0.0, math.inf, float(special.ndtri((1 + confidence) / 2)), 0.0, (0.0,) * len(parts)
        )
    spread = sum(float(v) ** 2 / p.df for v, p in zip(u2, parts, strict=True))
    df = total**2 / spread if spread > 0 else math.inf
    used = usable_df(df)
    level = (1 + confidence) / 2
    k = float(special.ndtri(level) if math.isinf(used) else special.stdtrit(used, level))
    u = math.sqrt(total)
    return Combined(u, df, k, k * u, tuple(float(v / total) for v in u2))


def propagate(
    parts: Sequence[Part],
    *,
    confidence: float = 0.95,
    model: Callable[[Floats], Floats] | None = None,
    log2_draws: int = 17,
) -> tuple[float, float]:
    """Propagate the distributions of the parts: the check on `combine`.

    Parameters
    ----------
    parts : sequence of Part
        As for `combine`.
    confidence : float, optional
        Of the half-width.
    model : callable, optional
        From an array of shape (parts, draws), each part about zero, to the result;
        the sum for want of it.
    log2_draws : int, optional
        Draws, as a power of two.

    Returns
    -------
    sd, half_width : float
        Standard deviation of the draws (infinite in truth, and then large, for a
        part with one or two degrees of freedom), and half the width of the
        probabilistically symmetric interval.

    Notes
    -----
    Student's t for a part known from repeats, with the standard uncertainty as its
    scale (JCGM 101, 6.4.9). Draws are evenly spread points that never change.

    References
    ----------
    JCGM 101:2008, clauses 6 and 7.
    """
    if not 0 < confidence < 1:
        raise InputError("confidence must lie between 0 and 1")
    chosen = [p for p in parts if p.counted and p.u > 0]
    if not chosen:
        return 0.0, 0.0
    sampler = scipy.stats.qmc.Sobol(
        len(chosen), scramble=True, rng=np.random.default_rng(19_930_101)
    )
    points = np.clip(sampler.random_base2(log2_draws).T, 1e-12, 1 - 1e-12)
    draws = np.stack([_draw(p, x) for p, x in zip(chosen, points, strict=True)])
    result = draws.sum(axis=0) if model is None else np.asarray(model(draws), dtype=float)
    low, high = np.quantile(result, [(1 - confidence) / 2, (1 + confidence) / 2])
    return float(result.std()), float((high - low) / 2)


def _draw(part: Part, uniform: Floats) -> Floats:
    if part.shape == "rectangular":
        return np.asarray(part.u * math.sqrt(3) * (2 * uniform - 1))
    if math.isinf(part.df):
        return np.asarray(part.u * special.ndtri(uniform))
    return np.asarray(part.u * special.stdtrit(part.df, uniform))
