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
from accstudy.models.crossproducts import Problem
from accstudy.models.units import Floats, Front, dense, is_sparse

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
        d = self._own_scales
        blocks = sum(w * g for w, g in zip(self.weights, pr.own, strict=True))
        blocks = np.asarray(blocks) * d[:, :, None] * d[:, None, :]
        blocks[:, np.arange(d.shape[1]), np.arange(d.shape[1])] += 1.0
        try:
            return pr.layout.halves(blocks)
        except np.linalg.LinAlgError:
            raise _singular() from None

    @cached_property
    def _own_scales(self) -> Floats:
        """Ratio of each place in the eliminated units' blocks, (units, width)."""
        e = self.problem.eliminated
        return self.problem.layout.padded(np.repeat(self.theta[:e], self.problem.sizes[:e]))

    @cached_property
    def _system(self) -> tuple[list[Any], Floats, Floats]:
        """Half of the blocks' inverse times border, by front; factor of the rest; its scales."""
        pr, e = self.problem, self.problem.eliminated
        rest = sum(w * s for w, s in zip(self.weights, pr.rest, strict=True))
        scales = np.concatenate([np.repeat(self.theta[e:], pr.sizes[e:]), np.ones(pr.p + 1)])
        system = np.asarray(rest, float) * scales[:, None] * scales
        inner = len(scales) - pr.p - 1
        system[np.arange(inner), np.arange(inner)] += 1.0
        reach = []
        for front in pr.fronts:
            border = _total([w * b for w, b in zip(self.weights, front.borders, strict=True)])
            own = self._own_scales[front.units].ravel()
            reach.append(front.times(self._own, _scaled(border, own, scales[front.columns])))
            product = dense(reach[-1].T @ reach[-1])
            system[np.ix_(front.columns, front.columns)] -= product
        try:
            factor = linalg.cholesky(system, lower=True, check_finite=False)
        except linalg.LinAlgError:
            raise _singular() from None
        return reach, np.asarray(factor, float), scales

    @property
    def _own_transposed(self) -> Floats:
        return np.swapaxes(self._own, 1, 2)

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
        own = np.diagonal(self._own, axis1=1, axis2=2)
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
        layout = self.problem.layout
        rest = linalg.solve_triangular(factor[:-1, :-1], factor[-1, :-1], lower=True, trans="T")
        error = np.append(-rest, 1.0)
        first = np.zeros((layout.count, layout.width))
        for front, half in zip(self.problem.fronts, reach, strict=True):
            solved = front.times(self._own_transposed, half @ error[front.columns])
            first[front.units] = solved.reshape(-1, layout.width)
        return np.concatenate([first.ravel()[layout.place], rest])

    @cached_property
    def _inverse_rest(self) -> Floats:
        """Inverse of the equations of all but the eliminated terms."""
        factor = self._system[1]
        size = len(factor) - 1
        keep = size if self.reml else size - self.problem.p
        out = np.zeros((size, size))
        if keep:
            half, _ = linalg.lapack.dpotri(np.asfortranarray(factor[:keep, :keep]), lower=1)
            out[:keep, :keep] = half + half.T  # the upper half of the factor is zero
            out[np.arange(keep), np.arange(keep)] /= 2
        return out

    @property
    def coefficient_covariance(self) -> Floats:
        """``(X' V^-1 X)^-1`` of a REML fit, scaled response, orthonormal X."""
        size = len(self._inverse_rest) - self.problem.p
        return np.asarray(self._inverse_rest[size:, size:] * self.variance)

    @cached_property
    def _reached(self) -> list[tuple[Front, Any, Floats]]:
        """Inverse of the blocks times border, and that times the inverse of the rest, by front."""
        out = []
        for front, half in zip(self.problem.fronts, self._system[0], strict=True):
            through, at = front.times(self._own_transposed, half[:, :-1]), front.columns[:-1]
            out.append((front, through, np.asarray(through @ self._inverse_rest[np.ix_(at, at)])))
        return out

    @cached_property
    def _own_inverse(self) -> Floats:
        """Inverse of the eliminated units' blocks, (units, width, width)."""
        return np.asarray(self._own_transposed @ self._own)

    @cached_property
    def _inverse_diagonal(self) -> Floats:
        """Diagonal of the inverse of the equations."""
        first = np.sum(self._own**2, axis=1)
        for front, through, product in self._reached:
            first[front.units] += _row_sums(through, product).reshape(-1, first.shape[1])
        return np.concatenate(
            [first.ravel()[self.problem.layout.place], np.diag(self._inverse_rest)]
        )

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
        scales, own = self._system[2][:-1], self._own_scales
        h22 = self._inverse_rest * scales[:, None] * scales
        h11 = self._own_inverse.copy()
        for front, through, product in self._reached:
            shape = (len(front.units), pr.layout.width, -1)
            h11[front.units] += product.reshape(shape) @ np.swapaxes(
                dense(through).reshape(shape), 1, 2
            )
        h11 *= own[:, :, None] * own[:, None, :]
        error = np.append(-self.solution * self.effect_scales, 1.0)
        out = []
        for g, (w, n_g) in enumerate(zip(self.weights, pr.n_group, strict=True)):
            trace = np.sum(pr.own[g] * h11) + np.sum(pr.rest[g][:-1, :-1] * h22)
            for front, _, product in self._reached:
                between = product * own[front.units].reshape(-1, 1) * scales[front.columns[:-1]]
                trace -= 2 * _row_sums(front.borders[g][:, :-1], between).sum()
            out.append((n_g - w * trace, w * (error @ (pr.gram[g] @ error))))
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
        scaled = np.where(self.theta > 0, self.theta, np.inf) ** -2.0 / residual[0]
        factors = np.repeat(scaled, pr.sizes)  # V_k P y = Z_k (Z_k' P y), Z_k' P y = u_k / s_k^2
        own, left = np.zeros((pr.q + pr.p + 1, k)), []
        for g, r in enumerate(residual):
            pulled = pr.by_term(g, error)
            own -= pulled[:, :k] * (scaled / r)
            left.append(pulled.sum(axis=1) / r**2)
        every = np.column_stack([own, *left])
        square = np.zeros((len(variances), len(variances)))
        if k:
            starts = [block.start for block in pr.blocks]
            parts = -error[: pr.q] * factors
            square[:k] = np.add.reduceat(every[: pr.q] * parts[:, None], starts, axis=0)
            square[k:, :k] = square[:k, k:].T
        for j, (right, r) in enumerate(zip(left, residual, strict=True), start=k):
            square[j, j] = error @ right / r
        half = self._half_solved(every[:-1])
        return score, 0.5 * (square - residual[0] * half.T @ half)

    def _half_solved(self, right: Floats) -> Floats:
        """Right-hand sides times half of the inverse of the equations, ``b' H b = |this|^2``."""
        reach, factor, _ = self._system
        scaled = right * self.effect_scales[:, None]
        q1, columns = len(self.problem.units), right.shape[1]
        first = self._own @ self.problem.layout.padded(scaled[:q1])
        rest = scaled[q1:]
        for front, half in zip(self.problem.fronts, reach, strict=True):
            own = first[front.units].reshape(-1, columns)
            rest[front.columns[:-1]] -= half[:, :-1].T @ own
        rest = linalg.solve_triangular(factor[:-1, :-1], rest, lower=True)
        return np.vstack([first.reshape(-1, columns), rest])

    def inverse(self) -> Floats:
        """Inverse of the mixed model equations in the coordinates of T, (q + p) square.

        Relative to a residual variance of 1 in the first group; columns of a
        factor with a zero component are zero.
        """
        pr, layout = self.problem, self.problem.layout
        q1, size = len(pr.units), pr.q + pr.p
        out = np.zeros((size, size))
        out[q1:, q1:] = self._inverse_rest
        places = [layout.members[front.units].ravel() for front in pr.fronts]
        for at, (front, through, _) in zip(places, self._reached, strict=True):
            product = through @ self._inverse_rest[front.columns[:-1]]
            out[at[at >= 0], q1:] = -product[at >= 0]
        out[q1:, :q1] = out[:q1, q1:].T
        for at, (front, through, _) in zip(places, self._reached, strict=True):
            product = through @ out[q1 + front.columns[:-1], :q1]
            out[at[at >= 0], :q1] = -product[at >= 0]
        rows, cols, slots = layout.pairs
        out[rows, cols] += self._own_inverse.ravel()[slots]
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


def _row_sums(matrix: Any, dense: Floats) -> Floats:
    """Row sums of the elementwise product."""
    if is_sparse(matrix):
        return np.asarray(matrix.multiply(dense).sum(axis=1), float).ravel()
    return np.asarray(np.einsum("ij,ij->i", matrix, dense), float)
