"""Fit a linear mixed model with independent random effects to any table, and what follows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt
import pandas as pd
import scipy  # scipy.stats loads when it is first used

from accstudy.errors import ComputationError, Finding, InputError, remark
from accstudy.models.crossproducts import Problem, Rows, arrange
from accstudy.models.design import Design, build_design, text_levels
from accstudy.models.grouping import Grouping, groupings, random_columns
from accstudy.models.inference import Inference, Method, check_method, term_rows
from accstudy.models.likelihood import Evaluation, pieces
from accstudy.models.optimum import SMALL, THETA_MAX, Optimum, criterion_without, maximise
from accstudy.words.catalogue import say

Floats = npt.NDArray[np.float64]

_LEAST_DF_OF_LIMITS = 1.0 - 1e-6  # below it limits are not stated; 1 may come out a last bit lower


@dataclass(frozen=True, repr=False)
class MixedFit:
    """A fitted mixed model and every statement that follows from it.

    Made by `accstudy.models.fit_mixed`. Standard deviations, estimates and limits are in the unit
    of the response.

    Parameters
    ----------
    formula : str
        Fixed part.
    random : tuple of str
        Random factors that are in the model.
    residual_sd_by : str or None
        Column whose levels have residual standard deviations of their own.
    method : {"kenward-roger", "satterthwaite"}
        Degrees of freedom unless said otherwise.
    design : Design
        Response and fixed part.
    groups : tuple of Grouping
        Random terms, in the order in which they are solved.
    residual_levels : tuple of str
        Levels with residual standard deviations of their own; empty for one.
    table : Rows
        Z and X row by row.
    problem : Problem
        Cross-products of the data.
    upper : ndarray
        R of the QR decomposition of X.
    offset : ndarray
        Least-squares coefficients, taken off before the fit.
    optimum : Optimum
        The REML fit.
    findings : tuple of Finding
        What the user should know about the design.
    """

    formula: str
    random: tuple[str, ...]
    residual_sd_by: str | None
    method: Method
    design: Design
    groups: tuple[Grouping, ...]
    residual_levels: tuple[str, ...]
    table: Rows
    problem: Problem
    upper: Floats
    offset: Floats
    optimum: Optimum
    findings: tuple[Finding, ...] = field(default=())

    def __repr__(self) -> str:
        random = ", ".join(self.random)
        return f"MixedFit({self.formula!r}, random: {random}; {self.n} rows)"

    @property
    def n(self) -> int:
        """Rows of the model."""
        return self.problem.n

    @cached_property
    def criteria_without(self) -> tuple[float, ...]:
        """REML criterion with each random factor left out in turn."""
        return tuple(
            criterion_without(self.problem, self.optimum, k) for k in range(len(self.groups))
        )

    @property
    def criterion(self) -> float:
        """Minus twice the restricted log likelihood, all constants included."""
        return self.optimum.at.criterion

    @cached_property
    def inference(self) -> Inference:
        """Standard errors and degrees of freedom."""
        return Inference(self.optimum.pieces, self.problem.scale)

    @cached_property
    def beta(self) -> Floats:
        """Coefficients, (p,)."""
        inner = self.optimum.at.solution[self.problem.q :] * self.problem.scale
        return np.asarray(np.linalg.solve(self.upper, inner) + self.offset)

    def rows(self, full: Floats) -> Floats:
        """Combinations of all columns as combinations of the orthonormal ones."""
        kept = full[:, self.design.kept]
        return np.asarray(np.linalg.solve(self.upper.T, kept.T).T)

    def estimates(self, full: Floats) -> Floats:
        """Estimates of combinations of all columns."""
        return np.asarray(full[:, self.design.kept] @ self.beta)

    @cached_property
    def sds(self) -> pd.Series:
        """Standard deviation of each random factor and of the residual."""
        at = self.optimum.at
        sigma = np.sqrt(at.variance) * self.problem.scale
        values = np.concatenate([at.theta * sigma, sigma / np.sqrt(at.weights)])
        return pd.Series(values, index=self.components, name="sd")

    @property
    def components(self) -> list[str]:
        """Names of the variance components."""
        names = [g.name for g in self.groups]
        if not self.residual_levels:
            return [*names, "residual"]
        return names + [f"residual[{level}]" for level in self.residual_levels]

    @property
    def zero(self) -> list[str]:
        """Random factors whose estimated spread is zero."""
        return [g.name for g, t in zip(self.groups, self.optimum.at.theta, strict=True) if t <= 0]

    @property
    def at_bound(self) -> list[str]:
        """Random terms whose spread is the largest, against the residual, that is tried."""
        theta = self.optimum.at.theta
        return [g.name for g, t in zip(self.groups, theta, strict=True) if t >= 0.9 * THETA_MAX]

    def effects(self) -> pd.DataFrame:
        """Predicted random effects.

        Returns
        -------
        DataFrame
            ``factor``, ``level``, ``effect`` (conditional mean), ``sd``
            (standard deviation of the effect less its prediction).
        """
        pc = self.inference.pieces
        scale = self.problem.scale
        frames = []
        for grouping, block in zip(self.groups, self.problem.blocks, strict=True):
            frames.append(
                pd.DataFrame(
                    {
                        "factor": grouping.name,
                        "level": grouping.labels,
                        "effect": pc.solution[block] * scale,
                        "sd": np.sqrt(np.maximum(pc.effect_variances[block], 0)) * scale,
                    }
                )
            )
        columns = ["factor", "level", "effect", "sd"]
        return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame(columns=columns)

    def coefficients(self, *, method: str | None = None, confidence: float = 0.95) -> pd.DataFrame:
        """T test of each coefficient.

        Parameters
        ----------
        method : {"kenward-roger", "satterthwaite"}, optional
            Default: that of the fit.
        confidence : float
            Of the limits.

        Returns
        -------
        DataFrame
            ``term, estimate, se, df, t, p, low, high``.
        """
        full = np.zeros((len(self.design.kept), self.design.null.shape[0]))
        full[np.arange(len(full)), self.design.kept] = 1.0
        table = self.combine(full, method=method, confidence=confidence)
        table.insert(0, "term", list(self.design.names))
        return table

    def combine(
        self, full: Floats, *, method: str | None = None, confidence: float = 0.95
    ) -> pd.DataFrame:
        """T test of linear combinations of all columns of X, one a row.

        Combinations that the data do not determine have no estimate. Below one degree
        of freedom there are no limits: those of Student's t reach 10^30 there and say
        no more than that there are too few groups.
        """
        chosen = check_method(method or self.method)
        rows, estimate = self.rows(full), self.estimates(full)
        known = self.design.estimable(full)
        se = np.where(known, self.inference.se(rows, chosen), np.nan)
        df = np.where(known, self.inference.df(rows, chosen), np.nan)
        estimate = np.where(known, estimate, np.nan)
        with np.errstate(divide="ignore", invalid="ignore"):
            t = estimate / se
        half = np.where(
            df < _LEAST_DF_OF_LIMITS, np.nan, scipy.stats.t.ppf(0.5 + confidence / 2, df) * se
        )
        return pd.DataFrame(
            {
                "estimate": estimate,
                "se": se,
                "df": df,
                "t": t,
                "p": 2 * scipy.stats.t.sf(np.abs(t), df),
                "low": estimate - half,
                "high": estimate + half,
            }
        )

    def tests(self, *, method: str | None = None, centred: bool = True) -> pd.DataFrame:
        """Type III F test of each term.

        A term is tested with the others in the model: level minus reference,
        averaged equally over the levels of the other factors. Covariates outside
        the term are held at their mean if `centred`, else at zero; a main effect
        beside an interaction with a covariate depends on that.

        Parameters
        ----------
        method : {"kenward-roger", "satterthwaite"}, optional
            Default: that of the fit.
        centred : bool
            Where covariates are held.

        Returns
        -------
        DataFrame
            ``term, num_df, den_df, F, p``; a term of which the data determine
            nothing has no numbers.
        """
        chosen = check_method(method or self.method)
        values = self.design.held_for_tests(centred)
        out = []
        for term in self.design.terms:
            if term.name == "1" or not term.columns:
                continue
            rows = self.determined(term_rows(self.design, term, values))
            if not len(rows):
                out.append((term.name, 0.0, np.nan, np.nan, np.nan))
                continue
            test = self.inference.joint(self.rows(rows), self.estimates(rows), chosen)
            out.append((term.name, test.num_df, test.den_df, test.F, test.p))
        return pd.DataFrame(out, columns=["term", "num_df", "den_df", "F", "p"])

    def determined(self, rows: Floats) -> Floats:
        """The part of a hypothesis that the data determine, without repetitions."""
        if self.design.null.shape[1]:
            left = self.design.undetermined(rows)
            size = np.linalg.norm(rows / self.design.lengths, axis=1, keepdims=True)
            rows = rows / np.maximum(size, 1e-300)
            u, s, _ = np.linalg.svd(left, full_matrices=True)
            rank = int(np.sum(s > 1e-7))
            rows = u[:, rank:].T @ rows
        if not len(rows):
            return rows
        lengths = self.design.lengths
        _, s, vt = np.linalg.svd(rows / lengths, full_matrices=False)
        if s.min() > 1e-9 * s.max():
            return rows
        return np.asarray(vt[s > 1e-9 * s.max()] * lengths)

    def fitted(self) -> pd.DataFrame:
        """Rows of the model with fitted values and residuals.

        Returns
        -------
        DataFrame
            The rows used with ``fitted`` (fixed and random effects),
            ``fitted_fixed``, ``residual`` and ``residual_scaled`` (by the
            residual standard deviation of the row).
        """
        return self._fitted.copy()

    @cached_property
    def _fitted(self) -> pd.DataFrame:
        fixed = self.design.x @ self.beta
        total = fixed.copy()
        solution = self.inference.pieces.solution * self.problem.scale
        for grouping, block in zip(self.groups, self.problem.blocks, strict=True):
            total += grouping.z @ solution[block]
        out = self.design.data.copy()
        out["fitted"], out["fitted_fixed"] = total, fixed
        out["residual"] = self.design.y - total
        sd = self.sds.to_numpy()[len(self.groups) :]
        out["residual_scaled"] = out["residual"].to_numpy() / sd[self.residual_codes]
        return out

    @cached_property
    def equations(self) -> Floats:
        """Inverse of the mixed model equations, scaled response, (q + p) square."""
        return self.optimum.at.inverse() * self.optimum.at.variance

    @property
    def residual_codes(self) -> npt.NDArray[np.int64]:
        """Residual group of each row, (n,)."""
        codes = residual_codes(self.design.data, self.residual_sd_by, self.residual_levels)
        return np.zeros(self.n, np.int64) if codes is None else codes


def residual_codes(
    data: pd.DataFrame, column: str | None, levels: Sequence[str]
) -> npt.NDArray[np.int64] | None:
    """Residual group of each row; None where there is one group."""
    if not levels or not column:
        return None
    codes = pd.Categorical(data[column].astype(str), categories=list(levels)).codes
    return np.asarray(codes, np.int64)


def fit_mixed(
    formula: str,
    random: Sequence[str],
    data: pd.DataFrame,
    *,
    residual_sd_by: str | None = None,
    method: str = "kenward-roger",
    near: MixedFit | None = None,
) -> MixedFit:
    """Fit a linear mixed model with independent random effects.

    Parameters
    ----------
    formula : str
        ``response ~ terms``; the response may be an expression such as
        ``log(abs(distance_um))``. Text columns are factors with treatment
        coding, the first level in sorted order being the reference.
    random : sequence of str
        Random factors, crossed; ``"a/b"`` stands for a and b within a, ``"a:b"``
        for the combinations; ``"x | a"`` for a slope of column x of its own at each
        level of a, independent of its intercept; ``implants``, ``implants:a`` for the
        implants that pairs share (columns ``implant_a, implant_b`` and, for signed
        deviations, ``direction_x, direction_y, direction_z``; see Notes); ``a by t`` gives
        the effects of a one standard deviation at each level of t.
    data : DataFrame
        One row an observation; rows with a missing value are left out.
    residual_sd_by : str, optional
        Column whose levels get residual standard deviations of their own.
    method : {"kenward-roger", "satterthwaite"}
        Degrees of freedom and standard errors of tests; never z.
    near : MixedFit, optional
        A fit of a similar model to the same rows, whose standard deviations are a start; a
        small model is fitted from several starts all the same.

    Returns
    -------
    MixedFit

    Raises
    ------
    InputError
        If a column is unknown or the formula cannot be read.
    ComputationError
        If the data leave no residual degrees of freedom.

    Notes
    -----
    Profiled restricted likelihood in the ratios of standard deviations (Bates,
    Mächler, Bolker, Walker, J. Stat. Softw. 67 (2015) no. 1). Random terms
    without information (one level, one row a level, same grouping as another)
    are left out, each with a finding. The standard deviation of random slopes is
    that of the response at one standard deviation of x from its mean.

    An implant whose position is off by e changes the distance of a pair by ``-e . u`` or
    ``+e . u`` with u the direction from the first implant to the second. ``implants`` has
    three effects an implant, one along each axis, all with one variance; its standard
    deviation is that of a coordinate.

    Examples
    --------
    >>> frame = pd.DataFrame({"yield": [1.0, 2.1, 2.9, 4.2, 1.4, 2.2], "batch": list("aabbcc")})
    >>> fit = fit_mixed("yield ~ 1", ["batch"], frame)
    >>> fit.sds.round(3).to_dict()
    {'batch': 0.945, 'residual': 0.768}
    """
    return _prepared(formula, random, data, residual_sd_by, method, near=near)


def assumed_fit(
    formula: str,
    random: Sequence[str],
    data: pd.DataFrame,
    sds: Mapping[str, float],
    *,
    residual_sd_by: str | None = None,
    method: str = "kenward-roger",
) -> MixedFit:
    """The model as it would be fitted if its estimates were known already.

    What a planned study will show: standard errors and degrees of freedom of its contrasts do not
    depend on the response, which may be any number; the coefficients mean nothing. `sds` are named
    as in `MixedFit.components`, or without the level (``scan`` for all ``scan[...]``); those that
    are absent are zero.
    """
    return _prepared(formula, random, data, residual_sd_by, method, sds=sds)


def _prepared(
    formula: str,
    random: Sequence[str],
    data: pd.DataFrame,
    residual_sd_by: str | None,
    method: str,
    *,
    sds: Mapping[str, float] | None = None,
    near: MixedFit | None = None,
) -> MixedFit:
    chosen = check_method(method)
    extra, numbers = random_columns(random, data)
    if residual_sd_by:
        extra.append(residual_sd_by)
    design = build_design(formula, data, extra=extra, numbers=numbers)
    if design.x.shape[0] <= design.x.shape[1]:
        raise ComputationError(
            f"{design.x.shape[0]} rows cannot determine {design.x.shape[1]} coefficients "
            f"of {design.response}",
            hint="simplify the model or add scans",
        )
    for column in numbers:
        values = design.data[column].to_numpy(float)
        if (
            min(np.ptp(values), np.ptp(design.y)) > 0
            and abs(np.corrcoef(values, design.y)[0, 1]) > 1 - 1e-12
        ):
            raise InputError(
                f'"{column}" has random slopes, but it is the response itself',
                hint="leave the term out",
            )
    orthonormal, upper = np.linalg.qr(design.x)
    found, findings = groupings(random, design.data, orthonormal)
    order, units = arrange([g.z for g in found])
    groups = tuple(found[k] for k in order)
    levels: tuple[str, ...] = ()
    if residual_sd_by:
        levels, more = _residual_levels(residual_sd_by, design.data)
        findings += more
    table = Rows(
        orthonormal,
        float(np.log(np.abs(np.diag(upper))).sum()),
        [g.z for g in groups],
        units,
        residual_codes(design.data, residual_sd_by, levels),
    )
    problem, fitted = table.problem(design.y)
    names = tuple(g.name for g in groups)
    optimum = None if sds is None else _assumed(problem, names, levels, sds)
    if optimum is not None:
        problem = optimum.at.problem
    return MixedFit(
        formula=formula,
        random=names,
        residual_sd_by=residual_sd_by or None,
        method=chosen,
        design=design,
        groups=groups,
        residual_levels=levels,
        table=table,
        problem=problem,
        upper=upper,
        offset=np.asarray(np.linalg.solve(upper, fitted)),
        optimum=optimum
        or maximise(problem, start=None if near is None else _start(problem, names, near)),
        findings=(*design.findings, *findings),
    )


def _start(problem: Problem, names: Sequence[str], near: MixedFit) -> Floats | None:
    """Ratios of a fit to start from; those of terms that it lacks are small."""
    if problem.q <= SMALL:
        return None
    ratios = near.sds / near.sds.iloc[len(near.groups)]
    own = [ratios.get(name, 0.1) for name in names]
    return np.array([*own, *[0.0] * (len(problem.n_group) - 1)], float)  # logs of residual ratios


def _assumed(
    problem: Problem, names: Sequence[str], levels: Sequence[str], sds: Mapping[str, float]
) -> Optimum:
    """The point of these standard deviations, in a problem scaled so that they are its own."""
    residual = np.array([sds[f"residual[{v}]"] for v in levels] or [sds["residual"]], float)
    own = [sds.get(n, sds.get(n.partition("[")[0], 0.0)) for n in names]
    theta = np.array(own, float) / residual[0]
    at = Evaluation(problem, theta, (residual[0] / residual) ** 2)
    scaled = replace(problem, scale=float(residual[0] / np.sqrt(at.variance)))
    at = replace(at, problem=scaled)
    return Optimum(at, pieces(at))


def _residual_levels(column: str, data: pd.DataFrame) -> tuple[tuple[str, ...], list[Finding]]:
    levels = text_levels(data[column])
    counts = data[column].astype(str).value_counts()
    small = [level for level in levels if counts[level] < 3]
    if small:
        raise InputError(
            f'level "{small[0]}" of column "{column}" has fewer than three rows, so it has no '
            "residual standard deviation of its own",
            hint="leave residual_sd_by out",
        )
    if len(levels) == 1:
        return (), [remark("one-level", say("findings.column_has_a_single", column=column))]
    return levels, []


def unequal_fit(fit: MixedFit, factor: str) -> MixedFit:
    """Fit the same model with a residual standard deviation for every level of a factor.

    InputError if a level has fewer than three rows; ComputationError if the equations cannot be
    solved: a level may have no scatter of its own.
    """
    levels, _ = _residual_levels(factor, fit.design.data)
    old = fit.table
    table = Rows(
        old.orthonormal,
        old.log_det_r,
        [g.z for g in fit.groups],
        old.units,
        residual_codes(fit.design.data, factor, levels),
    )
    problem, _ = table.problem(fit.design.y)
    return replace(
        fit,
        residual_sd_by=factor,
        residual_levels=levels,
        table=table,
        problem=problem,
        optimum=maximise(problem, start=_start(problem, fit.random, fit)),
    )
