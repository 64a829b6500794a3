"""Profiled likelihood of a linear mixed model with independent random effects.

The model is ``y = X b + sum_k Z_k u_k + e`` with ``u_k ~ N(0, s_k^2 I)`` and
``e ~ N(0, diag(r_g^2))``, where ``g`` is the residual group of a row (one group
unless residual standard deviations are unequal). Parameters are the ratios
``theta_k = s_k / r_1`` and ``log(r_g / r_1)``. Everything is worked out from the
cross-products of ``T = [Z, X, y]``, so nothing grows with the number of rows once
these are known. Terms that belong to one kind of unit (the scan and its slopes, say) are
eliminated unit by unit, because units do not meet; the rest is a dense Cholesky factor.

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
    def _own(self) -> Floats:
        """Inverse Cholesky factors of the eliminated units' blocks, (units, width, width)."""
        pr = self.problem
        d = pr.layout.padded(self._own_scales)
        blocks = sum(w * g for w, (g, _, _) in zip(self.weights, pr.parts, strict=True))
        blocks = np.asarray(blocks) * d[:, :, None] * d[:, None, :]
        blocks[:, np.arange(d.shape[1]), np.arange(d.shape[1])] += 1.0
        try:
            return pr.layout.halves(blocks)
        except np.linalg.LinAlgError:
            raise _singular() from None

    @cached_property
    def _own_scales(self) -> Floats:
        """Ratio of each eliminated column."""
        e = self.problem.eliminated
        return np.repeat(self.theta[:e], self.problem.sizes[:e])

    @cached_property
    def _system(self) -> tuple[Any, Floats, Floats]:
        """Half of the eliminated block's inverse times border, factor of the rest, its scales."""
        pr, e = self.problem, self.problem.eliminated
        border = _total([w * b for w, (_, b, _) in zip(self.weights, pr.parts, strict=True)])
        rest = sum(w * s for w, (_, _, s) in zip(self.weights, pr.parts, strict=True))
        scales = np.concatenate([np.repeat(self.theta[e:], pr.sizes[e:]), np.ones(pr.p + 1)])
        system = np.asarray(rest, float) * scales[:, None] * scales
        inner = len(scales) - pr.p - 1
        system[np.arange(inner), np.arange(inner)] += 1.0
        reach = pr.layout.times(self._own, _scaled(border, self._own_scales, scales))
        system -= _gram(reach)
        try:
            factor = linalg.cholesky(system, lower=True, check_finite=False)
        except linalg.LinAlgError:
            raise _singular() from None
        return reach, np.asarray(factor, float), scales

    def _own_transposed(self, matrix: Any) -> Any:
        """Transposed halves of the eliminated blocks' inverses times a matrix."""
        return self.problem.layout.times(np.swapaxes(self._own, 1, 2), matrix)

    @property
    def nu(self) -> int:
        """Degrees of freedom of the residual sum of squares."""
        return self.problem.n - (self.problem.p if self.reml else 0)

    @cached_property
    def rss(self) -> float:
        """Penalised residual sum of squares, ``y' P y``."""
        return float(self._system[1][-1, -1] ** 2)

    @cached_property
    def log_dets(self) -> float:
        """``log |V|``, and with REML ``log |X' V^-1 X|`` of the given X."""
        pr = self.problem
        diagonal = np.diag(self._system[1])
        inner = len(diagonal) - pr.p - 1
        own = self._own.ravel()[pr.layout.diagonal]
        total = 2 * float(np.log(diagonal[:inner]).sum()) - 2 * float(np.log(own).sum())
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
        """Spherical random effects of all terms and coefficients of X."""
        reach, factor, _ = self._system
        inner = factor[:-1, :-1]
        rest = linalg.solve_triangular(inner, factor[-1, :-1], lower=True, trans="T")
        first = self._own_transposed(_column(reach, -1) - reach[:, :-1] @ rest)
        return np.concatenate([first, rest])

    @cached_property
    def _inverse_rest(self) -> Floats:
        """Inverse of the equations of all but the eliminated terms."""
        factor = self._system[1]
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
    def _reach(self) -> Any:
        """Inverse of the eliminated block times its border."""
        return self._own_transposed(self._system[0][:, :-1])

    @cached_property
    def _reach_times_inverse(self) -> Floats:
        """`_reach` times the inverse of the rest."""
        return np.asarray(self._reach @ self._inverse_rest, float)

    @cached_property
    def _own_inverse(self) -> Floats:
        """Inverse of the eliminated units' blocks, (units, width, width)."""
        return np.asarray(np.swapaxes(self._own, 1, 2) @ self._own)

    @cached_property
    def _inverse_diagonal(self) -> Floats:
        """Diagonal of the inverse of the equations, from halves of it."""
        factor = self._system[1]
        size = len(factor) - 1
        keep = size if self.reml else size - self.problem.p
        own = self._own.ravel()[self.problem.layout.slots] ** 2
        first = np.bincount(self.problem.layout.cols, own, len(self.problem.units))
        rest = np.zeros(size)
        if keep:
            half, _ = linalg.lapack.dtrtri(np.asfortranarray(factor[:keep, :keep]), lower=1)
            half = np.tril(half)
            rest[:keep] = np.einsum("ij,ij->j", half, half)
            reach = self._reach[:, :keep] @ half.T
            first = first + np.einsum("ij,ij->i", reach, reach)
        return np.concatenate([first, rest])

    @cached_property
    def pulls(self) -> Floats:
        """``q_k - tr(H_kk)`` and ``|u_k|^2`` of each term, (K, 2)."""
        pr, u = self.problem, self.solution
        traces = []
        diagonal = self._inverse_diagonal
        for block, size in zip(pr.blocks, pr.sizes, strict=True):
            traces.append((size - diagonal[block].sum(), u[block] @ u[block]))
        return np.asarray(traces, float).reshape(-1, 2)

    @cached_property
    def group_pulls(self) -> Floats:
        """``tr(P I_g)`` and ``y' P I_g P y`` times the group's variance ratio, (G, 2)."""
        pr = self.problem
        if len(pr.n_group) == 1:  # follows from the sums over all terms
            return np.asarray([[self.nu, self.rss]] - self.pulls.sum(axis=0), float)
        scales, layout, own = self._system[2], pr.layout, self._own_scales
        h22 = self._inverse_rest * scales[:-1, None] * scales[:-1]
        reached = self._reach_times_inverse
        h12 = -reached * own[:, None] * scales[:-1]
        h11 = self._own_inverse.ravel()[layout.slots]
        h11 = h11 + _row_sums(self._reach[layout.rows], reached[layout.cols])
        h11 = h11 * own[layout.rows] * own[layout.cols]
        error = np.append(-self.solution * self.effect_scales, 1.0)
        out = []
        for w, n_g, (d, b, s), gram in zip(
            self.weights, pr.n_group, pr.parts, pr.gram, strict=True
        ):
            trace = d.ravel()[layout.slots] @ h11 + np.sum(s[:-1, :-1] * h22)
            trace += 2 * _row_sums(b[:, :-1], h12).sum()
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

    def slopes_at(self, variances: Floats) -> tuple[Floats, Floats]:
        """Derivative of the log likelihood by the variances, and the average information.

        Parameters
        ----------
        variances : (m,) ndarray
            Variances of the random terms, then of the residual groups; their ratios are
            those of this point.

        Returns
        -------
        score : (m,) ndarray
            0 for a component at zero.
        information : (m, m) ndarray
            ``y' P V_i P V_j P y / 2``.
        """
        pr = self.problem
        k, residual = len(pr.sizes), variances[len(pr.sizes) :]
        pulls = np.concatenate([self.pulls, self.group_pulls])
        safe = np.where(variances > 0, variances, np.inf)
        score = -0.5 * (pulls[:, 0] - pulls[:, 1] / residual[0]) / safe
        error = np.append(-self.solution * self.effect_scales, 1.0)
        parts = [  # V_k P y = Z_k (Z_k' P y)
            self.solution[block] / (ratio * residual[0]) if ratio > 0 else np.zeros(size)
            for block, ratio, size in zip(pr.blocks, self.theta, pr.sizes, strict=True)
        ]
        own = np.zeros((pr.q + pr.p + 1, k))
        for g, r in zip(pr.gram, residual, strict=True):
            for j, (block, part) in enumerate(zip(pr.blocks, parts, strict=True)):
                own[:, j] += np.asarray(g[:, block] @ part) / r
        left = [np.asarray(g @ error) / r**2 for g, r in zip(pr.gram, residual, strict=True)]
        square = np.zeros((len(variances), len(variances)))
        square[:k, :k] = [part @ own[block] for block, part in zip(pr.blocks, parts, strict=True)]
        for j, (right, r) in enumerate(zip(left, residual, strict=True), start=k):
            square[:k, j] = [part @ right[b] for b, part in zip(pr.blocks, parts, strict=True)]
            square[j, :k] = square[:k, j]
            square[j, j] = error @ right / r
        half = self._half_solved(np.column_stack([own, *left])[:-1])
        return score, 0.5 * (square - residual[0] * half.T @ half)

    def _half_solved(self, right: Floats) -> Floats:
        """Right-hand sides times half of the inverse of the equations, ``b' H b = |this|^2``."""
        reach, factor, _ = self._system
        scaled = right * self.effect_scales[:, None]
        q1 = len(self.problem.units)
        first = self.problem.layout.times(self._own, scaled[:q1])
        rest = linalg.solve_triangular(
            factor[:-1, :-1], scaled[q1:] - (reach[:, :-1]).T @ first, lower=True
        )
        return np.vstack([first, rest])

    def inverse(self) -> Floats:
        """Inverse of the mixed model equations in the coordinates of T, (q + p) square.

        Relative to a residual variance of 1 in the first group; columns of a
        factor with a zero component are zero.
        """
        pr, layout = self.problem, self.problem.layout
        q1, size = len(pr.units), pr.q + pr.p
        reached = self._reach_times_inverse
        out = np.empty((size, size))
        out[q1:, q1:] = self._inverse_rest
        out[:q1, q1:] = -reached
        out[q1:, :q1] = -reached.T
        out[:q1, :q1] = (self._reach @ reached.T).T
        out[layout.rows, layout.cols] += self._own_inverse.ravel()[layout.slots]
        scales = self.effect_scales
        out *= scales[:, None]
        out *= scales
        return out


def _singular() -> ComputationError:
    return ComputationError(
        "the mixed model's equations are singular at this point",
        hint="the response may be constant or a random factor may fit it exactly",
    )


def _total(matrices: list[Any]) -> Any:
    total = matrices[0]
    for matrix in matrices[1:]:
        total = total + matrix
    return total


def _scaled(matrix: Any, rows: Floats, columns: Floats) -> Any:
    if is_sparse(matrix):
        left, right = sparse.diags_array(rows), sparse.diags_array(columns)
        return sparse.csr_array(left @ matrix @ right)
    return matrix * rows[:, None] * columns


def _gram(matrix: Any) -> Floats:
    """``M' M`` as a dense matrix."""
    product = matrix.T @ matrix
    return np.asarray(product.toarray() if is_sparse(product) else product, float)


def _row_sums(matrix: Any, dense: Floats) -> Floats:
    """Row sums of the elementwise product."""
    if is_sparse(matrix):
        return np.asarray(matrix.multiply(dense).sum(axis=1), float).ravel()
    return np.asarray(np.einsum("ij,ij->i", matrix, dense), float)


def _column(matrix: Any, j: int) -> Floats:
    column = matrix[:, [j]]
    return np.asarray(column.toarray() if is_sparse(column) else column, float).ravel()
