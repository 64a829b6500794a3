"""A fitted mixed model and the statements that follow from it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from accstudy.errors import ComputationError, Finding
from accstudy.models.crossproducts import Problem, Rows
from accstudy.models.design import Design
from accstudy.models.grouping import Grouping
from accstudy.models.hypotheses import term_rows
from accstudy.models.inference import Inference, Method, check_method
from accstudy.models.optimum import THETA_MAX, Optimum, criterion_without, maximise

__all__ = ["MixedFit", "residual_codes"]

Floats = npt.NDArray[np.float64]

_LEAST_DF = 1.0 - 1e-6  # below it limits are not stated; 1 may come out a last bit lower


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
    reml : bool
        Whether `criterion` is the restricted one; tests always rest on REML.
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
    reml: bool
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
    def ml(self) -> Optimum:
        """The fit by maximum likelihood."""
        return maximise(self.problem, reml=False, start=self.optimum.at.parameters)

    @cached_property
    def criteria_without(self) -> tuple[float, ...]:
        """REML criterion with each random factor left out in turn."""
        return tuple(
            criterion_without(self.problem, self.optimum, k) for k in range(len(self.groups))
        )

    @property
    def criterion(self) -> float:
        """Minus twice the log likelihood (restricted if `reml`), all constants included."""
        return self.optimum.at.criterion if self.reml else self.ml.at.criterion

    @property
    def log_likelihood(self) -> float:
        """Log likelihood, restricted if `reml`."""
        return -0.5 * self.criterion

    @property
    def aic(self) -> float:
        """Akaike's criterion of the maximum likelihood fit."""
        return self.ml.at.criterion + 2 * self._parameters

    @property
    def bic(self) -> float:
        """Schwarz's criterion of the maximum likelihood fit."""
        return self.ml.at.criterion + float(np.log(self.n)) * self._parameters

    @property
    def _parameters(self) -> int:
        return self.problem.p + len(self.groups) + len(self.problem.n_group)

    @cached_property
    def inference(self) -> Inference:
        """Standard errors and degrees of freedom."""
        if self.optimum.pieces is None:
            raise ComputationError("this fit carries no information matrices")
        return Inference(self.optimum.pieces, self.problem.scale)

    def _coefficients(self, optimum: Optimum) -> Floats:
        inner = optimum.at.solution[self.problem.q :] * self.problem.scale
        return np.asarray(np.linalg.solve(self.upper, inner) + self.offset)

    @cached_property
    def beta(self) -> Floats:
        """Coefficients of the REML fit, (p,)."""
        return self._coefficients(self.optimum)

    @property
    def beta_ml(self) -> Floats:
        """Coefficients of the maximum likelihood fit, (p,)."""
        return self._coefficients(self.ml)

    def rows(self, full: Floats) -> Floats:
        """Combinations of all columns as combinations of the orthonormal ones."""
        kept = full[:, self.design.kept]
        return np.asarray(np.linalg.solve(self.upper.T, kept.T).T)

    def estimates(self, full: Floats) -> Floats:
        """Estimates of combinations of all columns."""
        return np.asarray(full[:, self.design.kept] @ self.beta)

    @cached_property
    def sds(self) -> pd.Series:
        """Standard deviation of each random factor and of the residual, REML."""
        return self._sds(self.optimum)

    @property
    def sds_ml(self) -> pd.Series:
        """The same from the maximum likelihood fit."""
        return self._sds(self.ml)

    def _sds(self, optimum: Optimum) -> pd.Series:
        sigma = np.sqrt(optimum.at.variance) * self.problem.scale
        values = np.concatenate([optimum.at.theta * sigma, sigma / np.sqrt(optimum.at.weights)])
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
        half = np.where(df < _LEAST_DF, np.nan, stats.t.ppf(0.5 + confidence / 2, df) * se)
        return pd.DataFrame(
            {
                "estimate": estimate,
                "se": se,
                "df": df,
                "t": t,
                "p": 2 * stats.t.sf(np.abs(t), df),
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
