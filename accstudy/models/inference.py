"""Tests of fixed effects, with approximate degrees of freedom; variance components with limits,
tests and shares.

All combinations are averages of rows of X over a grid of all levels with equal weights, and
differences of such averages. Means and slopes hold columns and evaluate expressions of them
there; the slope of a column is the derivative at that place.

References
----------
Kenward, Roger: Small sample inference for fixed effects from restricted maximum
likelihood, Biometrics 53 (1997) 983-997. Giesbrecht, Burns: Two-stage analysis
based on a mixed model, Biometrics 41 (1985) 477-486. Fai, Cornelius: Approximate
F-tests of multiple degree of freedom hypotheses, J. Stat. Comput. Simul. 54
(1996) 363-378. Self, Liang: Asymptotic properties of maximum likelihood estimators and
likelihood ratio tests under nonstandard conditions, JASA 82 (1987) 605-610 (case 5: the
mixture of chi-squares for a variance on its boundary). Nakagawa, Schielzeth: A general and
simple method for obtaining R2 from generalized linear mixed-effects models, Methods Ecol.
Evol. 4 (2013) 133-142.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations, product
from typing import TYPE_CHECKING, Literal

import numpy as np
import pandas as pd
import scipy  # scipy.stats loads when it is first used
from scipy import linalg

from accstudy.errors import InputError, nearest
from accstudy.models.crossproducts import Problem
from accstudy.models.design import Design, Floats, Ints, Term
from accstudy.models.likelihood import Pieces
from accstudy.models.optimum import Optimum, climb, variances_at

if TYPE_CHECKING:
    from accstudy.models.mixed import MixedFit

GRID_MAX = 200_000


@dataclass(frozen=True)
class Cell:
    """Levels of some factors, one each, over which everything else is averaged, and the combination
    of all columns, (all columns,).
    """

    levels: tuple[str, ...]
    row: Floats


def _grid(design: Design) -> dict[str, Ints]:
    sizes = [len(v) for v in design.levels.values()]
    if np.prod([float(s) for s in sizes]) > GRID_MAX:
        raise InputError(
            "the factors of the model have too many combinations of levels for marginal means",
            hint="make factors with very many levels random",
        )
    grid = np.array(list(product(*map(range, sizes))), np.int64).reshape(
        int(np.prod(sizes)), len(sizes)
    )
    return {f: grid[:, i] for i, f in enumerate(design.levels)}


def _averaged(
    design: Design, factors: tuple[str, ...], values: Mapping[str, float]
) -> tuple[list[tuple[int, ...]], Floats]:
    """Mean row of every combination of levels of some factors."""
    grid = _grid(design)
    size = len(next(iter(grid.values()))) if grid else 1
    rows = design.columns(grid, {c: np.full(size, v) for c, v in values.items()})
    choices = list(product(*(range(len(design.levels[f])) for f in factors)))
    means = []
    for choice in choices:
        here = np.ones(size, bool)
        for factor, level in zip(factors, choice, strict=True):
            here &= grid[factor] == level
        means.append(rows[here].mean(axis=0))
    return choices, np.array(means)


def _slope(
    design: Design, factors: tuple[str, ...], values: Mapping[str, float], by: tuple[str, ...]
) -> tuple[list[tuple[int, ...]], Floats]:
    """Mixed difference of the mean rows by covariates, one unit of each."""
    choices: list[tuple[int, ...]] = []
    total: Floats = np.zeros(0)
    for count in range(len(by) + 1):
        for raised in combinations(by, count):
            at = {**values, **{c: float(c in raised) for c in by}}
            choices, rows = _averaged(design, factors, at)
            sign = (-1.0) ** (len(by) - count)
            total = total + sign * rows if total.size else sign * rows
    return choices, total


def cell_rows(design: Design, factors: tuple[str, ...], at: Mapping[str, float]) -> list[Cell]:
    """Mean of each combination of levels of some factors, where columns are held."""
    choices, rows = _averaged(design, factors, design.held(at))
    return [_cell(design, factors, c, r) for c, r in zip(choices, rows, strict=True)]


def slope_rows(
    design: Design, column: str, factors: tuple[str, ...], at: Mapping[str, float]
) -> list[Cell]:
    """Slope of a column at each combination of levels of some factors.

    Where only the column itself is a covariate its slope is the same everywhere; where
    expressions of it are, it is the derivative at the value at which it is held.
    """
    bent = [c for c, names in design.sources.items() if column in names and c != column]
    if bent:
        step = 1e-4 * max(float(np.std(design.data[column].to_numpy(float))), 1e-12)
        low, high = (design.held({**at, column: at[column] + s * step}) for s in (-1, 1))
        choices, rows = _averaged(design, factors, high)
        rows = (rows - _averaged(design, factors, low)[1]) / (2 * step)
    else:
        choices, rows = _slope(design, factors, design.held(at), (column,))
    return [_cell(design, factors, c, r) for c, r in zip(choices, rows, strict=True)]


def _cell(design: Design, factors: tuple[str, ...], choice: tuple[int, ...], row: Floats) -> Cell:
    return Cell(tuple(design.levels[f][i] for f, i in zip(factors, choice, strict=True)), row)


def term_rows(design: Design, term: Term, values: Mapping[str, float]) -> Floats:
    """Type III hypothesis of a term: level minus reference, averaged equally over the rest.

    (rows, all columns), a row a column of the term; a term of covariates alone has a single row,
    its slope. `values` are where covariates outside the term are held. A factor whose margin is not
    in the model (the second of ``t + t:c`` is compared within each level of the first) is taken
    level by level.
    """
    choices, rows = _slope(design, term.factors, values, term.covariates)
    place = {choice: i for i, choice in enumerate(choices)}
    out = []
    for choice in choices:
        free = [level for level, full in zip(choice, term.full, strict=True) if not full]
        if any(level == 0 for level in free):
            continue
        total = np.zeros(rows.shape[1])
        for lowered in product(*((False,) if full else (True, False) for full in term.full)):
            at = tuple(0 if low else level for level, low in zip(choice, lowered, strict=True))
            total += (-1.0) ** sum(lowered) * rows[place[at]]
        out.append(total)
    return np.array(out).reshape(-1, rows.shape[1])


Method = Literal["kenward-roger", "satterthwaite"]

METHODS: tuple[Method, ...] = ("kenward-roger", "satterthwaite")

POLE = 0.8
"""Value of A2 / q beyond which Kenward and Roger's general F is not used."""


def check_method(method: str) -> Method:
    """Return the method if it is known; otherwise raise an error that lists the methods."""
    for known in METHODS:
        if method == known:
            return known
    raise InputError(f'unknown method "{method}"', hint=nearest(method, METHODS))


@dataclass(frozen=True)
class FTest:
    """F test of several linear combinations at once; `p` is the upper tail."""

    F: float
    num_df: float
    den_df: float
    p: float


@dataclass(frozen=True)
class Inference:
    """Standard errors, degrees of freedom and F tests of linear combinations.

    From the information at the REML estimate; `scale` is the unit of the response in it.
    """

    pieces: Pieces
    scale: float

    @cached_property
    def covariance_of_variances(self) -> Floats:
        """Asymptotic covariance of the variances, from the expected information."""
        return _inverse(self.pieces.expected)

    @cached_property
    def _covariance_observed(self) -> Floats:
        """The same from the observed information; zero components count as known."""
        free = self.pieces.positive
        out = np.zeros_like(self.pieces.observed)
        out[np.ix_(free, free)] = _inverse(self.pieces.observed[np.ix_(free, free)])
        return out

    @cached_property
    def adjusted(self) -> Floats:
        """Kenward and Roger's covariance of the coefficients (1997, eq. 5 with R = 0)."""
        pc = self.pieces
        w = self.covariance_of_variances
        total = np.einsum("ij,ijab->ab", w, pc.second)
        weighted = np.tensordot(w, pc.first, axes=1)  # one product a component, not one a pair
        total -= np.einsum("iab,ibc->ac", pc.first @ pc.phi, weighted, optimize=True)
        total = (total + total.T) / 2
        return np.asarray(pc.phi + 2 * pc.phi @ total @ pc.phi)

    def covariance(self, method: Method) -> Floats:
        """Covariance of the coefficients, scaled response."""
        return self.adjusted if method == "kenward-roger" else self.pieces.phi

    def gradient(self, rows: Floats) -> Floats:
        """``l' Phi P_i Phi l`` of each row and component, (rows, m)."""
        half = rows @ self.pieces.phi
        return np.asarray(np.einsum("ira,ra->ri", half @ self.pieces.first, half))

    def se(self, rows: Floats, method: Method) -> Floats:
        """Standard errors of rows @ coefficients, unit of the response."""
        variance = np.einsum("ra,ra->r", rows @ self.covariance(method), rows)
        return np.asarray(self.scale * np.sqrt(np.maximum(variance, 0.0)))

    def df(self, rows: Floats, method: Method) -> Floats:
        """Degrees of freedom of one linear combination each.

        Both methods match the first two moments of the estimated variance:
        ``2 f^2 / (g' W g)`` with ``f = l' Phi l`` and its gradient ``g``. For
        Kenward-Roger W comes from the expected information and the closed form
        ``2 / A2`` holds for a single row; for Satterthwaite W comes from the
        observed information and components at zero count as known.
        """
        kenward = method == "kenward-roger"
        w = self.covariance_of_variances if kenward else self._covariance_observed
        f = np.einsum("ra,ra->r", rows @ self.pieces.phi, rows)
        g = self.gradient(rows)
        spread = np.einsum("ri,ri->r", g @ w, g)
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(np.where(spread > 0, 2 * f**2 / spread, np.inf))

    def joint(self, rows: Floats, estimates: Floats, method: Method) -> FTest:
        """F test that linearly independent combinations of the orthonormal coefficients, (q, p),
        whose estimates are in the unit of the response, (q,), are all zero.
        """
        e = estimates / self.scale
        if method == "kenward-roger":
            return self._kenward_roger(rows, e)
        return self._satterthwaite(rows, e)

    def _kenward_roger(self, rows: Floats, e: Floats) -> FTest:
        """Kenward and Roger (1997), section 3.

        The general scale and degrees of freedom have a pole where the F
        distribution loses its mean (two denominator degrees of freedom). One
        row has the closed form; beyond ``A2 / q > 0.8`` scale 1 and
        ``2 q / A2`` are used, which is exact in balanced designs.
        """
        pc, w, q = self.pieces, self.covariance_of_variances, len(rows)
        statistic = float(e @ np.linalg.solve(rows @ self.adjusted @ rows.T, e)) / q
        half = rows @ pc.phi
        # Theta Phi P_i Phi of the paper has the traces of these matrices of q rows
        m = np.linalg.solve(rows @ half.T, half @ pc.first @ half.T)
        traces = np.trace(m, axis1=1, axis2=2)
        a1 = float(traces @ w @ traces)
        a2 = float(np.sum(w * np.tensordot(m, m.transpose(0, 2, 1), axes=([1, 2], [1, 2]))))
        if a2 <= 0:
            return _f_test(statistic, q, np.inf)
        if q == 1 or a2 / q > POLE:
            return _f_test(statistic, q, 2 * q / a2)
        b = (a1 + 6 * a2) / (2 * q)
        g = ((q + 1) * a1 - (q + 4) * a2) / ((q + 2) * a2)
        bottom = 3 * q + 2 * (1 - g)
        c1, c2, c3 = g / bottom, (q - g) / bottom, (q + 2 - g) / bottom
        mean = 1 / (1 - a2 / q)
        variance = (2 / q) * (1 + c1 * b) / ((1 - c2 * b) ** 2 * (1 - c3 * b))
        rho = variance / (2 * mean**2)
        df = 4 + (q + 2) / (q * rho - 1)
        if not np.isfinite(df) or df <= 2:
            return _f_test(statistic, q, 2 * q / a2)
        return _f_test(statistic * df / (mean * (df - 2)), q, df)

    def _satterthwaite(self, rows: Floats, e: Floats) -> FTest:
        """Fai and Cornelius (1996): one df for each principal combination."""
        values, vectors = np.linalg.eigh(rows @ self.pieces.phi @ rows.T)
        keep = values > 1e-10 * values.max()
        directions = vectors[:, keep].T @ rows
        t2 = (vectors[:, keep].T @ e) ** 2 / values[keep]
        df = self.df(directions, "satterthwaite")
        return _f_test(float(t2.mean()), len(t2), _common_df(df))


def _common_df(df: Floats) -> float:
    """Denominator df of the mean of squared t variables."""
    if np.ptp(df[np.isfinite(df)]) < 1e-8 if np.isfinite(df).any() else True:
        return float(df.mean())
    if df.min() <= 2:
        return 2.0
    total = float(np.sum(np.where(np.isfinite(df), df / (df - 2), 1.0)))
    return 2 * total / (total - len(df))


def _f_test(statistic: float, q: int, df: float) -> FTest:
    p = (
        scipy.stats.chi2.sf(q * statistic, q)
        if np.isinf(df)
        else scipy.stats.f.sf(statistic, q, df)
    )
    return FTest(statistic, float(q), float(df), float(p))


def _inverse(information: Floats) -> Floats:
    """Inverse of an information matrix; directions without information are left out."""
    if not len(information):
        return information
    size = np.sqrt(np.maximum(np.abs(np.diag(information)), 1e-300))
    scaled = information / size[:, None] / size
    values, vectors = linalg.eigh((scaled + scaled.T) / 2)
    keep = values > 1e-9 * max(float(values.max()), 1e-300)
    inverse = (vectors[:, keep] / values[keep]) @ vectors[:, keep].T
    return np.asarray(inverse / size[:, None] / size)


_NEAR = 0.02  # of the root: a last step of Newton's ends within 1e-4 of the limit


class _Profile:
    """Likelihood as a function of one standard deviation, the others at their best."""

    def __init__(self, problem: Problem, optimum: Optimum) -> None:
        self.problem = problem
        self.k = len(problem.sizes)
        self.variances = variances_at(optimum.at)
        self.best = np.sqrt(self.variances)
        self.spread = _log_spread(optimum)
        self.deviance = optimum.at.criterion

    def at(self, i: int, fixed: float, start: Floats) -> tuple[float, float, Floats]:
        """Smallest deviance with one standard deviation fixed; its slope; the variances."""
        full = np.maximum(start, 1e-4 * start[self.k] * (np.arange(len(start)) < self.k))
        full[i] = fixed**2
        at, variances, slope = climb(self.problem, full, held=i, close=1e-4)
        value = at.criterion_at(variances[self.k])
        return value, slope * 2 * fixed, variances


def _log_spread(optimum: Optimum) -> Floats:
    """Rough standard error of the log of each standard deviation, to start from."""
    variance = optimum.pieces.variances
    information = np.diag(optimum.pieces.expected) * variance**2
    return np.where(information > 0, 0.5 / np.sqrt(np.maximum(information, 0.05)), 0.25)


def sd_limits(fit: MixedFit, *, confidence: float = 0.95) -> pd.DataFrame:
    """Profile likelihood limits of every standard deviation; a lower limit of 0 means that the data
    do not show the component.

    A limit is where the smallest deviance with this standard deviation held exceeds the overall
    smallest by the chi-square quantile with 1 degree of freedom. Found by Newton's method on the
    signed root of that excess, which is nearly straight against the logarithm of the standard
    deviation; its slope comes with the inner minimum (envelope theorem).
    """
    profile = _Profile(fit.problem, fit.optimum)
    target = float(scipy.stats.chi2.ppf(confidence, 1))
    rows = []
    for i, name in enumerate(fit.components):
        best = profile.best[i]
        low = 0.0
        if best > 0 and (i >= profile.k or fit.criteria_without[i] - profile.deviance > target):
            low = _limit(profile, i, target, -1)
        high = _limit(profile, i, target, +1)
        scale = fit.problem.scale
        rows.append((name, best * scale, low * scale, high * scale))
    return pd.DataFrame(rows, columns=["component", "sd", "low", "high"])


def _limit(profile: _Profile, i: int, target: float, side: int) -> float:
    """Standard deviation at which the deviance has risen by the target."""
    best = profile.best[i]
    start = profile.variances.copy()
    step = min(profile.spread[i] * np.sqrt(target), 1.0)
    guess = best * np.exp(side * step) if best > 0 else 0.3 * profile.best[profile.k]
    inner, outer = np.log(best) if best > 0 else -np.inf, side * np.inf
    x, goal = float(np.log(guess)), np.sqrt(target)
    for _ in range(60):
        value, slope, start = profile.at(i, float(np.exp(x)), start)
        root = np.sqrt(max(value - profile.deviance, 0.0))
        by_log = slope * np.exp(x) / (2 * root) if root > 0 else 0.0
        if abs(root - goal) < _NEAR and by_log * side > 0:
            x += (goal - root) / by_log
            break
        if root < goal:
            inner = max(inner, x) if side > 0 else min(inner, x)
        else:
            outer = min(outer, x) if side > 0 else max(outer, x)
        new = x + (goal - root) / by_log if by_log * side > 0 else x + side * 0.5
        new = float(np.clip(new, x - 1.5, x + 1.5))
        between = min(inner, outer) < new < max(inner, outer)
        if not between and np.isfinite(inner) and np.isfinite(outer):
            new = (inner + outer) / 2
        elif not between:
            new = x + side * 0.7
        if abs(new - x) < 1e-10:
            break
        x = new
    return float(np.exp(x))


def component_tests(fit: MixedFit) -> pd.DataFrame:
    """Likelihood-ratio test of each random factor, by REML: ``p_naive`` from chi-square with 1
    degree of freedom, ``p`` corrected for the boundary (an equal mixture of chi-square with 0 and 1
    degrees of freedom, Self and Liang 1987).
    """
    rows = []
    for i, name in enumerate(g.name for g in fit.groups):
        statistic = max(fit.criteria_without[i] - fit.optimum.at.criterion, 0.0)
        naive = float(scipy.stats.chi2.sf(statistic, 1))
        zero = fit.optimum.at.theta[i] <= 0
        rows.append((name, statistic, naive, 1.0 if zero else naive / 2))
    return pd.DataFrame(rows, columns=["component", "statistic", "p_naive", "p"])


def _variances(fit: MixedFit) -> tuple[pd.Series, float]:
    variance = fit.sds**2
    k = len(fit.groups)
    rows = [float(g.z.multiply(g.z).sum()) / fit.n for g in fit.groups]
    variance = variance * np.concatenate([rows, np.ones(len(variance) - k)])
    residual = float(np.average(variance.to_numpy()[k:], weights=fit.problem.n_group))
    return variance.iloc[:k], residual


def shares(fit: MixedFit) -> pd.Series:
    """Intraclass correlation of each random term: its share of the random variance.

    What a term adds to the variance of a row, on average over the rows: ``s^2`` for levels,
    the same for slopes (at one standard deviation of the covariate), ``2 s^2`` for the two
    implants of a pair, less for a term that some rows do not have.
    With unequal residual standard deviations the residual variance is their mean,
    weighted by rows.
    """
    random, residual = _variances(fit)
    return (random / (random.sum() + residual)).rename("share")


def r_squared(fit: MixedFit) -> dict[str, float]:
    """Share of the variance explained by the fixed part, alone (``marginal``) and with the random
    part (``conditional``), beside ``var_fixed``, the sample variance of the fixed part.
    """
    random, residual = _variances(fit)
    fixed = float(np.var(fit.design.x @ fit.beta, ddof=1))
    total = fixed + float(random.sum()) + residual
    return {
        "var_fixed": fixed,
        "marginal": fixed / total,
        "conditional": (fixed + float(random.sum())) / total,
    }
