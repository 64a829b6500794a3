"""Bounds of future scans: by normal theory from scatter at several levels, and from ranks alone.

Levels are operators, their sessions, repeats; ranks and counts allow for dependence within cells.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Literal

import numpy as np
import numpy.typing as npt
import scipy
from scipy import special

from accstudy.errors import InputError

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
Kind = Literal["absolute", "upper"]

LOG2_DRAWS = 12
_FARTHEST, _A_UNIT = 8.0, 200


@dataclass(frozen=True)
class Grouping:
    """Which scans belong together.

    Parameters
    ----------
    cell : ndarray of int, shape (n,)
        Cell of each scan, from 0.
    operator : ndarray of int, shape (n,), optional
        Where the same operators (or devices, laboratories) return in several cells:
        which one made each scan. None: every cell stands for itself.
    session : ndarray of int, shape (n,), optional
        Where sessions of several operators may share an effect, such as a day: which.
    """

    cell: Ints
    operator: Ints | None = None
    session: Ints | None = None

    def only(self, rows: Bools) -> Grouping:
        """The scans that `rows` (shape (n,)) picks, renumbered."""

        def kept(codes: Ints | None) -> Ints | None:
            return None if codes is None else np.unique(codes[rows], return_inverse=True)[1]

        cell, operator = kept(self.cell), kept(self.operator)
        assert cell is not None
        if operator is not None:
            cells_of = np.unique(np.column_stack([operator, cell]), axis=0)[:, 0]
            several = len(cells_of) > len(np.unique(cells_of)) > 1
            operator = operator if several else None
        lost = operator is None and self.operator is not None
        return Grouping(cell, operator, None if lost else kept(self.session))


@cache
def _uniform(log2_draws: int) -> Floats:
    """Evenly spread points of the unit cube, the same in every run, shape (4, D)."""
    sampler = scipy.stats.qmc.Sobol(4, scramble=True, rng=np.random.default_rng(20_230_117))
    return np.clip(sampler.random_base2(log2_draws).T, 1e-12, 1 - 1e-12)


@cache
def _normal(log2_draws: int) -> Floats:
    return np.asarray(special.ndtri(_uniform(log2_draws)[0]), dtype=np.float64)


@cache
def _chi2(column: int, df: int, log2_draws: int) -> Floats:
    return np.asarray(special.chdtri(df, _uniform(log2_draws)[column]), dtype=np.float64)


def absolute_quantile(shift: npt.ArrayLike, coverage: float) -> Floats:
    """Value below which the absolute value of a normal variable of unit variance lies.

    `coverage` is the probability, `shift` its mean, in standard deviations, of either sign; both
    tails count.

    >>> absolute_quantile([0.0, 3.0], 0.95).round(3)
    array([1.96 , 4.645])
    """
    delta = np.abs(np.asarray(shift, dtype=float))
    near = np.minimum(delta, 8.0)
    both_tails = np.sqrt(special.chndtrix(coverage, 1.0, near**2))
    return np.asarray(np.where(delta > 8.0, delta + special.ndtri(coverage), both_tails))


@cache
def _standard_quantiles(coverage: float) -> tuple[Floats, Floats]:
    """Quantiles of the absolute value by shift, and their steps."""
    found = absolute_quantile(np.arange(_FARTHEST * _A_UNIT + 2) / _A_UNIT, coverage)
    return found, np.diff(found, append=found[-1:])


def future_quantile(mean: Floats, sd: Floats, coverage: float, kind: Kind) -> Floats:
    """Quantile of a future normal result, or of its absolute value with both tails counted."""
    z = float(special.ndtri(coverage))
    if kind == "upper":
        return np.asarray(mean + z * sd, dtype=np.float64)
    away = np.abs(mean)
    shift = np.divide(away, sd, out=np.full(sd.shape, np.inf), where=sd > 0)
    at = np.minimum(shift, _FARTHEST) * _A_UNIT
    low = at.astype(np.int32)
    quantile, step = _standard_quantiles(coverage)
    near = quantile[low] + (at - low) * step[low]
    return np.where(shift < _FARTHEST, near * sd, away + z * sd)


def patterns(values: Floats) -> list[tuple[Bools, Ints]]:
    """Columns that were seen in the same scans: the scans (rows) seen, and the columns seen in just
    these.
    """
    seen = np.isfinite(values)
    if seen.all():
        return [(seen[:, 0], np.arange(values.shape[1]))]
    kinds, of = np.unique(seen, axis=1, return_inverse=True)
    of = np.asarray(of).ravel()
    return [(kinds[:, k], np.flatnonzero(of == k)) for k in range(kinds.shape[1])]


@dataclass(frozen=True)
class _Asked:
    coverage: float
    confidence: float
    kind: Kind
    these_operators: bool
    log2_draws: int


@dataclass(frozen=True)
class _Level:
    """Sum of squares of the means of one level, its degrees of freedom, units below each."""

    ss: Floats
    df: int
    below: float


def normal_bounds(
    values: Floats,
    grouping: Grouping,
    *,
    coverage: float = 0.95,
    confidence: float = 0.95,
    kind: Kind = "absolute",
    these_operators: bool = False,
    log2_draws: int = LOG2_DRAWS,
) -> tuple[Floats, Floats]:
    """Normal-theory tolerance bound of every column, (m,), for a single future scan, and the
    quantile as estimated, without any confidence; NaN for fewer than two results.

    `values`, (n, m), are signed deviations, a scan a row, NaN where one was not seen; `kind` asks
    for a bound of the absolute deviation, or of the deviation itself; `these_operators`, where
    operators return, for each of these in sessions to come, not for other operators.

    Generalised pivotal quantities: the mean and the variances of all levels are drawn given the
    data, the quantile of a future result is worked out for each draw, and the bound is the quantile
    of these. Levels are repeats, cells and, where operators return in several cells, operators: the
    mean of three operators on two days each rests on three, not on six. Cells and operators of
    unequal size enter by their plain means. The draws are evenly spread points that never change.
    Where the grouping holds sessions that operators share (a day, say), the larger of two bounds is
    taken: sessions within operators, and sessions that all operators share. With one cell the bound
    holds for that cell's conditions only.

    Weerahandi, J Am Stat Assoc 88 (1993) 899-905; Krishnamoorthy and Mathew, Technometrics 46
    (2004) 44-52, for the one-way layout.
    """
    m = values.shape[1]
    bound, estimate = np.full(m, np.nan), np.full(m, np.nan)
    for rows, columns in patterns(values):
        if rows.sum() < 2:
            continue
        own = values[np.ix_(rows, columns)]
        asked = _Asked(coverage, confidence, kind, these_operators, log2_draws)
        found = _bounds(own, grouping.only(rows), asked)
        bound[columns], estimate[columns] = found
    return bound, estimate


def _means(values: Floats, codes: Ints) -> tuple[Floats, Floats]:
    """Means by group, and sizes."""
    groups = int(codes.max()) + 1
    member = np.zeros((groups, len(codes)))
    member[codes, np.arange(len(codes))] = 1.0
    size = member.sum(axis=1)
    return (member @ values) / size[:, None], size


def _bounds(y: Floats, by: Grouping, asked: _Asked) -> tuple[Floats, Floats]:
    n = len(y)
    cells, size = _means(y, by.cell)
    p = len(cells)
    within = _Level(((y - cells[by.cell]) ** 2).sum(axis=0), n - p, 1.0)
    if p == 1:
        return _from_levels([within], cells, float(n), asked)
    h = p / float((1.0 / size).sum())
    if by.operator is None:
        top = _Level(((cells - cells.mean(axis=0)) ** 2).sum(axis=0), p - 1, h)
        levels = [top, within]
        centre = cells.mean(axis=0, keepdims=True)
        return _from_levels(levels, centre, float(p), asked)
    first = np.unique(by.cell, return_index=True)[1]
    operator = by.operator[first]
    means, count = _means(cells, operator)
    a, left = len(means), cells - means[operator]
    hb = a / float((1.0 / count).sum())
    session = _Level((left**2).sum(axis=0), p - a, h)
    top = _Level(((means - means.mean(axis=0)) ** 2).sum(axis=0), a - 1, hb)

    def bounds(of_sessions: _Level, shared: bool) -> tuple[Floats, Floats]:
        levels, centre = [top, of_sessions, within], means.mean(axis=0, keepdims=True)
        units: npt.ArrayLike = float(a)
        if asked.these_operators:
            levels, centre, units = levels[1:], means, count
        more = 1.0 / (a * (of_sessions.df + 1)) if shared and not asked.these_operators else 0.0
        return _from_levels(levels, centre, units, asked, shared=more)

    bound, estimate = bounds(session, shared=False)
    if by.session is None:
        return bound, estimate
    days = session_effects(cells, operator, by.session[first])
    if days.df < 1:
        return bound, estimate
    other, _ = bounds(_Level(days.ss, days.df, h), shared=True)
    return np.maximum(bound, other), estimate


@dataclass(frozen=True)
class SessionEffects:
    """Sum of squares of sessions after operators, what both leave, and the effect of each session,
    (s, m).
    """

    ss: Floats
    df: int
    ss_rest: Floats
    df_rest: int
    effect: Floats

    def p(self) -> Floats:
        """P value of the F test, shape (m,); NaN without degrees of freedom for it."""
        if self.df < 1 or self.df_rest < 1:
            return np.full(len(self.ss), np.nan)
        with np.errstate(divide="ignore", invalid="ignore"):
            F = (self.ss / self.df) / (self.ss_rest / self.df_rest)
        return np.asarray(special.fdtrc(self.df, self.df_rest, np.nan_to_num(F, posinf=1e300)))


def session_effects(cells: Floats, operator: Ints, session: Ints) -> SessionEffects:
    """Least squares of cell means, (p, m), on operators and on the sessions that they share."""
    who, when = (np.eye(int(code.max()) + 1)[code] for code in (operator, session))
    left = cells - (who @ (who.T @ cells)) / who.sum(axis=0)[operator, None]
    alone = when - (who @ (who.T @ when)) / who.sum(axis=0)[operator, None]
    effect, _, df, _ = np.linalg.lstsq(alone, left, rcond=1e-9)
    rest = ((left - alone @ effect) ** 2).sum(axis=0)
    ss = np.maximum((left**2).sum(axis=0) - rest, 0.0)
    return SessionEffects(ss, int(df), rest, len(cells) - who.shape[1] - int(df), effect)


def shared_session_p(values: Floats, grouping: Grouping) -> Floats:
    """P value, a column each, of an effect that sessions of one label share over operators.

    F test of the session's mean square against the interaction, on the means of cells of signed
    deviations, (n, m); against the cells in a session where no operator has several. NaN where
    there is no degree of freedom for it.
    """
    out = np.full(values.shape[1], np.nan)
    for rows, columns in patterns(values):
        by = grouping.only(rows)
        if by.session is None:
            continue
        cells, _ = _means(values[np.ix_(rows, columns)], by.cell)
        first = np.unique(by.cell, return_index=True)[1]
        who = np.zeros_like(first) if by.operator is None else by.operator[first]
        out[columns] = session_effects(cells, who, by.session[first]).p()
    return out


def _from_levels(
    levels: list[_Level],
    centre: Floats,
    units: npt.ArrayLike,
    asked: _Asked,
    *,
    shared: float = 0.0,
) -> tuple[Floats, Floats]:
    """Bound and estimate from sums of squares, the outermost level first.

    `centre` has shape (c, m): c means of `units` units each; the largest bound counts.
    `shared` times the second level's draw adds to the variance of every mean.
    """
    levels = [level for level in levels if level.df > 0]
    at = 4 - len(levels)
    drawn = [
        level.ss[:, None] / _chi2(at + k, level.df, asked.log2_draws)[None]
        for k, level in enumerate(levels)
    ]
    total = _total(drawn, levels)
    sd = np.sqrt(total)
    z = _normal(asked.log2_draws)[None]
    bounds = []
    for row, count in zip(centre, np.broadcast_to(np.ravel(units), len(centre)), strict=True):
        of_mean = drawn[0] / count + (shared * drawn[1] if shared else 0.0)
        mean = row[:, None] - z * np.sqrt(of_mean)
        future = future_quantile(mean, sd, asked.coverage, asked.kind)
        bounds.append(np.quantile(future, asked.confidence, axis=1))
    squares = [(level.ss / level.df)[:, None] for level in levels]
    spread = np.sqrt(_total(squares, levels))
    guess = [
        future_quantile(row[:, None], spread, asked.coverage, asked.kind)[:, 0] for row in centre
    ]
    return np.max(bounds, axis=0), np.max(guess, axis=0)


def _total(squares: list[Floats], levels: list[_Level]) -> Floats:
    """Variance of one future result from the mean squares of the means of all levels."""
    total = squares[-1]
    for k in range(len(squares) - 1):
        total = total + np.maximum(0.0, squares[k] - squares[k + 1] / levels[k].below)
    return total


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
