"""Profiled likelihood of a linear mixed model with random intercepts.

The model is ``y = X b + sum_k Z_k u_k + e`` with ``u_k ~ N(0, s_k^2 I)`` and
``e ~ N(0, diag(r_g^2))``, where ``g`` is the residual group of a row (one group
unless residual standard deviations are unequal). Parameters are the ratios
``theta_k = s_k / r_1`` and ``log(r_g / r_1)``. Everything is worked out from the
cross-products of ``T = [Z, X, y]``, so nothing grows with the number of rows once
these are known. The factor with most levels is eliminated analytically, because
its block is diagonal; the rest is a dense Cholesky factor.

References
----------
Bates, Mächler, Bolker, Walker: Fitting linear mixed-effects models using lme4,
Journal of Statistical Software 67 (2015) no. 1, section 3 (the profiled
criterion). Henderson: Sire evaluation and genetic trends (1973), for the mixed
model equations. Harville: Maximum likelihood approaches to variance component
estimation, JASA 72 (1977) 320-338, for the derivatives.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from scipy import linalg, sparse

from accstudy.errors import ComputationError
from accstudy.models.crossproducts import Floats, Problem, is_sparse

__all__ = ["Evaluation"]


@dataclass(frozen=True)
class Evaluation:
    """The likelihood at one point, with all that its derivatives need.

    Lengths and variances are those of the scaled response, relative to the
    residual variance of the first group.

    Parameters
    ----------
    problem : Problem
        The data.
    theta : (K,) ndarray
        Ratios of standard deviations.
    weights : (G,) ndarray
        Inverse squared ratio of each group's residual standard deviation.
    reml : bool
        Restricted likelihood, else full likelihood.
    """

    problem: Problem
    theta: Floats
    weights: Floats
    reml: bool

    @property
    def parameters(self) -> Floats:
        """Ratios, then log ratios of the residual standard deviations from group 2 on."""
        return np.concatenate([self.theta, -0.5 * np.log(self.weights[1:])])

    @cached_property
    def _system(self) -> tuple[Floats, Any, Floats, Floats]:
        """Diagonal block, scaled border, Cholesky factor of the rest, its column scales."""
        pr, theta = self.problem, self.theta
        diagonal = sum(w * d for w, (d, _, _) in zip(self.weights, pr.parts, strict=True))
        border = _total([w * b for w, (_, b, _) in zip(self.weights, pr.parts, strict=True)])
        rest = sum(w * s for w, (_, _, s) in zip(self.weights, pr.parts, strict=True))
        scales = np.concatenate([np.repeat(theta[1:], pr.sizes[1:]), np.ones(pr.p + 1)])
        first = theta[0] if len(theta) else 0.0
        a = 1.0 + first**2 * np.asarray(diagonal, float)
        system = np.asarray(rest, float) * scales[:, None] * scales
        inner = len(scales) - pr.p - 1
        system[np.arange(inner), np.arange(inner)] += 1.0
        scaled = _scale_columns(border, first * scales)
        system -= _gram(scaled, 1.0 / a)
        try:
            factor = linalg.cholesky(system, lower=True, check_finite=False)
        except linalg.LinAlgError:
            raise ComputationError(
                "the mixed model's equations are singular at this point",
                hint="the response may be constant or a random factor may fit it exactly",
            ) from None
        return a, scaled, np.asarray(factor, float), scales

    @property
    def nu(self) -> int:
        """Degrees of freedom of the residual sum of squares."""
        return self.problem.n - (self.problem.p if self.reml else 0)

    @cached_property
    def rss(self) -> float:
        """Penalised residual sum of squares, ``y' P y``."""
        return float(self._system[2][-1, -1] ** 2)

    @cached_property
    def log_dets(self) -> float:
        """``log |V|``, and with REML ``log |X' V^-1 X|`` of the given X."""
        pr = self.problem
        a, _, factor, _ = self._system
        diagonal = np.diag(factor)
        inner = len(diagonal) - pr.p - 1
        total = float(np.log(a).sum()) + 2 * float(np.log(diagonal[:inner]).sum())
        total -= float(np.dot(pr.n_group, np.log(self.weights)))
        if self.reml:
            total += 2 * float(np.log(diagonal[inner:-1]).sum()) + 2 * pr.log_det_r
        return total

    @cached_property
    def variance(self) -> float:
        """Residual variance of the first group that maximises the likelihood."""
        return self.rss / self.nu

    @cached_property
    def criterion(self) -> float:
        """Minus twice the (restricted) log likelihood, profiled over the variance."""
        return self.criterion_at(self.variance)

    def criterion_at(self, variance: float) -> float:
        """Minus twice the log likelihood at a given (scaled) residual variance."""
        spread = float(np.log(2 * np.pi * variance)) + 2 * np.log(self.problem.scale)
        return float(self.log_dets + self.nu * spread + self.rss / variance)

    @cached_property
    def solution(self) -> Floats:
        """Spherical random effects of all factors and coefficients of X."""
        a, border, factor, _ = self._system
        inner = factor[:-1, :-1]
        rest = linalg.solve_triangular(inner, factor[-1, :-1], lower=True, trans="T")
        first = (_column(border, -1) - border[:, :-1] @ rest) / a
        return np.concatenate([first, rest])

    @cached_property
    def _inverse_rest(self) -> Floats:
        """Inverse of the equations of all but the eliminated factor."""
        factor = self._system[2]
        size = len(factor) - 1
        keep = size if self.reml else size - self.problem.p
        out = np.zeros((size, size))
        if keep:
            half, _ = linalg.lapack.dpotri(np.asfortranarray(factor[:keep, :keep]), lower=1)
            out[:keep, :keep] = np.tril(half) + np.tril(half, -1).T
        return out

    @property
    def coefficient_covariance(self) -> Floats:
        """``(X' V^-1 X)^-1`` of a REML fit, scaled response, orthonormal X."""
        size = len(self._inverse_rest) - self.problem.p
        return np.asarray(self._inverse_rest[size:, size:] * self.variance)

    @cached_property
    def _border_times_inverse(self) -> Floats:
        """Border of the eliminated factor times the inverse of the rest."""
        return np.asarray(self._system[1][:, :-1] @ self._inverse_rest, float)

    @cached_property
    def _inverse_first_diagonal(self) -> Floats:
        """Diagonal of the eliminated factor's block of the inverse."""
        a, border, _, _ = self._system
        return np.asarray(1 / a + _row_sums(border[:, :-1], self._border_times_inverse) / a**2)

    @cached_property
    def pulls(self) -> Floats:
        """``q_k - tr(H_kk)`` and ``|u_k|^2`` of each factor, (K, 2)."""
        pr, u = self.problem, self.solution
        traces = []
        diagonal = np.diag(self._inverse_rest)
        q1 = pr.sizes[0] if pr.sizes else 0
        for k, block in enumerate(pr.blocks):
            if k == 0:
                trace = self._inverse_first_diagonal.sum()
            else:
                trace = diagonal[block.start - q1 : block.stop - q1].sum()
            traces.append((pr.sizes[k] - trace, u[block] @ u[block]))
        return np.asarray(traces, float).reshape(-1, 2)

    @cached_property
    def group_pulls(self) -> Floats:
        """``tr(P I_g)`` and ``y' P I_g P y`` times the group's variance ratio, (G, 2)."""
        pr = self.problem
        if len(pr.n_group) == 1:  # follows from the sums over all factors
            return np.asarray([[self.nu, self.rss]] - self.pulls.sum(axis=0), float)
        a, _, _, scales = self._system
        h22 = self._inverse_rest * scales[:-1, None] * scales[:-1]
        first = self.theta[0] if len(self.theta) else 0.0
        h12 = -self._border_times_inverse / a[:, None] * (first * scales[:-1])
        h11 = first**2 * self._inverse_first_diagonal
        error = np.append(-self.solution * self.effect_scales, 1.0)
        out = []
        for w, n_g, (d, b, s), gram in zip(
            self.weights, pr.n_group, pr.parts, pr.gram, strict=True
        ):
            trace = d @ h11 + 2 * _row_sums(b[:, :-1], h12).sum() + np.sum(s[:-1, :-1] * h22)
            out.append((n_g - w * trace, w * (error @ (gram @ error))))
        return np.asarray(out, float)

    @property
    def effect_scales(self) -> Floats:
        """Factor from spherical effects and coefficients to their own scale."""
        pr = self.problem
        return np.concatenate([np.repeat(self.theta, pr.sizes), np.ones(pr.p)])

    @cached_property
    def gradient(self) -> Floats:
        """Derivative of the criterion by theta and by log SD ratio of groups 2 and on."""
        pull = self.pulls
        theta = np.where(self.theta > 0, self.theta, 1.0)
        by_theta = 2 * (pull[:, 0] - pull[:, 1] / self.variance) / theta
        by_theta[self.theta <= 0] = 0.0
        if len(self.weights) == 1:
            return by_theta
        group = self.group_pulls[1:]
        return np.concatenate([by_theta, 2 * (group[:, 0] - group[:, 1] / self.variance)])

    def inverse(self) -> Floats:
        """Inverse of the mixed model equations in the coordinates of T, (q + p) square.

        Relative to a residual variance of 1 in the first group; columns of a
        factor with a zero component are zero.
        """
        pr = self.problem
        a, border, _, _ = self._system
        q1 = pr.sizes[0] if pr.sizes else 0
        size = pr.q + pr.p
        out = np.empty((size, size))
        out[q1:, q1:] = self._inverse_rest
        bh = self._border_times_inverse
        out[:q1, q1:] = -bh / a[:, None]
        out[q1:, :q1] = out[:q1, q1:].T
        out[:q1, :q1] = (border[:, :-1] @ bh.T).T / a[:, None] / a
        out[np.arange(q1), np.arange(q1)] += 1 / a
        scales = self.effect_scales
        out *= scales[:, None]
        out *= scales
        return out


def _total(matrices: list[Any]) -> Any:
    total = matrices[0]
    for matrix in matrices[1:]:
        total = total + matrix
    return total


def _scale_columns(matrix: Any, scales: Floats) -> Any:
    if is_sparse(matrix):
        return sparse.csr_array(matrix @ sparse.diags_array(scales))
    return matrix * scales


def _gram(matrix: Any, weights: Floats) -> Floats:
    """``M' diag(w) M`` as a dense matrix."""
    if is_sparse(matrix):
        half = sparse.csr_array(sparse.diags_array(np.sqrt(weights)) @ matrix)
        return np.asarray((half.T @ half).toarray(), float)
    half = np.sqrt(weights)[:, None] * matrix
    return np.asarray(half.T @ half, float)


def _row_sums(matrix: Any, dense: Floats) -> Floats:
    """Row sums of the elementwise product."""
    if is_sparse(matrix):
        return np.asarray(matrix.multiply(dense).sum(axis=1), float).ravel()
    return np.asarray(np.einsum("ij,ij->i", matrix, dense), float)


def _column(matrix: Any, j: int) -> Floats:
    column = matrix[:, [j]]
    return np.asarray(column.toarray() if is_sparse(column) else column, float).ravel()
