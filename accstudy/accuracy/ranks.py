"""Distribution-free bounds from ranks and counts, with allowance for dependence within cells."""

from __future__ import annotations

from functools import cache

import numpy as np
import numpy.typing as npt
from scipy import special

from accstudy.errors import InputError

__all__ = ["beyond_p", "lower_bounds", "nonparametric_n", "nonparametric_order", "upper_ranks"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


def _check(coverage: float, confidence: float) -> None:
    if not (0 < coverage < 1 and 0 < confidence < 1):
        raise InputError("coverage and confidence must lie between 0 and 1")


@cache
def nonparametric_n(coverage: float, confidence: float) -> int:
    """Smallest sample whose largest result is a distribution-free tolerance limit.

    References
    ----------
    Wilks, Ann Math Stat 12 (1941) 91-96; ISO 16269-6:2014.

    Examples
    --------
    >>> nonparametric_n(0.95, 0.95)
    59
    """
    _check(coverage, confidence)
    n = 1
    while special.bdtr(n - 1, n, coverage) < confidence:
        n += 1
    return n


@cache
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


def upper_ranks(
    sizes: Floats, independent: int, *, coverage: float = 0.95, confidence: float = 0.95
) -> tuple[Floats, bool]:
    """Ordered absolute deviation, a column each, that bounds a share of future scans from above.

    The order statistic, or the largest seen where the `independent` scans are too few for a bound,
    or fewer than the scans; and whether it is a bound whatever the distribution. NaN: not seen.

    References
    ----------
    Wilks, Ann Math Stat 12 (1941) 91-96; ISO 16269-6:2014.
    """
    seen = np.isfinite(sizes).sum(axis=0)
    largest = np.where(seen > 0, np.max(np.nan_to_num(sizes, nan=-np.inf), axis=0), np.nan)
    enough = independent >= nonparametric_n(coverage, confidence)
    if not enough or independent < len(sizes):
        return largest, enough
    ordered = np.sort(sizes, axis=0)
    out = largest.copy()
    for j, n in enumerate(seen):
        rank = nonparametric_order(int(n), coverage, confidence)
        if rank:
            out[j] = ordered[rank - 1, j]
    return out, enough


def beyond_p(beyond: Floats, *, coverage: float = 0.95) -> Floats:
    """Probability of so many scans beyond a value if at most 1 - coverage of all scans exceed it.

    `beyond`, (g, ...), is the share of each group's scans beyond. Groups are independent (cells, or
    single scans), scans of one group need not be: one scan drawn from each makes independent scans,
    whose number beyond is tested by the exact binomial test. Over all ways of drawing, twice the
    mean of the p values is a p value whatever their dependence; where every group holds one scan or
    agrees in itself there is but one way, and nothing is doubled. Groups with unlike shares are
    allowed.

    References
    ----------
    Rueschendorf, J Appl Probab 19 (1982) 795-801: twice the mean of p values.
    Hoeffding, Ann Math Stat 27 (1956) 713-721.

    Examples
    --------
    >>> beyond_p(np.array([1.0, 1.0, 1.0, 0, 0, 0, 0, 0, 0, 0])).round(4)
    np.float64(0.0115)
    >>> beyond_p(np.array([0.5, 1.0])).round(4)
    np.float64(0.1)
    """
    share = np.asarray(beyond, dtype=float)
    groups = share.shape[0]
    tails = np.array([1.0, *special.bdtrc(np.arange(groups), groups, 1 - coverage)])
    ways = np.zeros((groups + 1, *share.shape[1:]))
    ways[0] = 1.0
    for k, f in enumerate(share, start=1):
        ways[1 : k + 1] = ways[1 : k + 1] * (1 - f) + ways[:k] * f
        ways[0] = ways[0] * (1 - f)
    mean = np.tensordot(tails, ways, axes=1)
    mixed = ((share > 0) & (share < 1)).any(axis=0)
    return np.asarray(np.minimum(1.0, np.where(mixed, 2.0, 1.0) * mean), dtype=np.float64)


def lower_bounds(
    sizes: Floats, groups: Ints, *, coverage: float = 0.95, level: float = 0.05
) -> Floats:
    """Value that more than 1 - coverage of future scans exceed, whatever the distribution, a column
    each.

    The largest value seen that the test of `beyond_p` (at `level`) rejects just below; NaN where
    the independent `groups` are too few for any.
    """
    out = np.full(sizes.shape[1], np.nan)
    member = np.zeros((int(groups.max()) + 1, len(groups)))
    member[groups, np.arange(len(groups))] = 1.0
    for j in range(sizes.shape[1]):
        size = sizes[:, j]
        seen = np.isfinite(size)
        if seen.sum() < 2:
            continue
        counts = member[:, seen].sum(axis=1)
        own = member[:, seen][counts > 0] / counts[counts > 0, None]
        ordered = np.unique(size[seen])
        # scans at the value count as beyond: the bound is below any value under it
        shares = own @ (size[seen][:, None] >= ordered[None]).astype(float)
        rejected = beyond_p(np.clip(shares, 0.0, 1.0), coverage=coverage) <= level
        if rejected.any():
            out[j] = ordered[rejected].max()
    return out
