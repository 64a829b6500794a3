"""Profiled likelihood of a linear mixed model with independent random effects.

The model is ``y = X b + sum_k Z_k u_k + e`` with ``u_k ~ N(0, s_k^2 I)`` and
``e ~ N(0, diag(r_g^2))``, where ``g`` is the residual group of a row (one group
unless residual standard deviations are unequal). Parameters are the ratios
``theta_k = s_k / r_1`` and ``log(r_g / r_1)``. Everything is worked out from the
cross-products of ``T = [Z, X, y]``. Terms that belong to one kind of unit (the scan and its
slopes, say) are eliminated unit by unit; the rest is a dense Cholesky factor.

The information about the variances, and what Kenward-Roger needs, follow from the inverse ``H``
of the mixed model equations and the cross-products ``N_g = T_g' T_g``, matrices of q + p rows;
nothing is differentiated numerically. With
``P = V^-1 - V^-1 X (X' V^-1 X)^-1 X' V^-1`` and ``V_k = Z_k Z_k'`` (or the
identity on the rows of residual group g)::

    P Z_k = R^-1 T c_k,    c_k = H[:, k] / s_k^2      (e_k - H T' R^-1 Z_k  if s_k = 0)
    V^-1 X = R^-1 T c_x,   c_x = H[:, x] (X' V^-1 X)

References
----------
Bates, Mächler, Bolker, Walker: Fitting linear mixed-effects models using lme4,
Journal of Statistical Software 67 (2015) no. 1, section 3 (the profiled
criterion). Henderson: Sire evaluation and genetic trends (1973), for the mixed
model equations. Harville: Maximum likelihood approaches to variance component
estimation, JASA 72 (1977) 320-338, for the derivatives. Kenward, Roger: Small sample inference
for fixed effects from restricted maximum likelihood, Biometrics 53 (1997) 983-997, section 2
(P_i, Q_ij, W).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from scipy import linalg, sparse

from accstudy.errors import ComputationError
from accstudy.models.crossproducts import Floats, Front, Problem, dense, is_sparse


@dataclass(frozen=True)
class Evaluation:
    """The restricted likelihood at one point, with all that its derivatives need.

    `theta`, (K,), are ratios of standard deviations, `weights`, (G,), the inverse squared ratio of
    each group's residual standard deviation. Lengths and variances are those of the scaled
    response, relative to the residual variance of the first group.
    """

    problem: Problem
    theta: Floats
    weights: Floats

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
        return self.problem.n - self.problem.p

    @cached_property
    def rss(self) -> float:
        """Penalised residual sum of squares, ``y' P y``."""
        return float(self._system[1][-1, -1] ** 2)

    @cached_property
    def log_dets(self) -> float:
        """``log |V|`` plus ``log |X' V^-1 X|`` of the given X."""
        pr = self.problem
        diagonal = np.diag(self._system[1])
        inner = len(diagonal) - pr.p - 1
        own = np.diagonal(self._own, axis1=1, axis2=2)
        total = 2 * float(np.log(diagonal[:inner]).sum()) - 2 * float(np.log(own).sum())
        total -= float(np.dot(pr.n_group, np.log(self.weights)))
        return total + 2 * float(np.log(diagonal[inner:-1]).sum()) + 2 * pr.log_det_r

    @cached_property
    def variance(self) -> float:
        """Residual variance of the first group that maximises the likelihood."""
        return self.rss / self.nu

    @cached_property
    def criterion(self) -> float:
        """Minus twice the restricted log likelihood, profiled over the variance."""
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
        out = np.zeros((size, size))
        if size:
            half, _ = linalg.lapack.dpotri(np.asfortranarray(factor[:size, :size]), lower=1)
            out[:] = half + half.T  # the upper half of the factor is zero
            out[np.arange(size), np.arange(size)] /= 2
        return out

    @property
    def coefficient_covariance(self) -> Floats:
        """``(X' V^-1 X)^-1``, scaled response, orthonormal X."""
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

    def slopes_at(self, variances: Floats) -> tuple[Floats, Floats]:
        """Derivative of the log likelihood by the variances, (m,), and the average information.

        The variances are those of the random terms, then of the residual groups; their ratios are
        those of this point. The derivative is 0 for a component at zero; the information is ``y' P
        V_i P V_j P y / 2``, (m, m).
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


_NEAR = 1e-6
"""Variance, against the residual one, from which the equations give ``Z' P Z`` by themselves."""


@dataclass(frozen=True)
class Pieces:
    """Derivatives of the restricted likelihood by the variances, and their use.

    Variances are those of the random factors, then of the residual groups, in
    the units of the scaled response squared; coefficients are those of the
    orthonormal X.

    Parameters
    ----------
    variances : (m,) ndarray
        Variance of each component.
    score : (m,) ndarray
        Derivative of the log restricted likelihood.
    expected, observed : (m, m) ndarray
        Expected and observed information.
    phi : (p, p) ndarray
        ``(X' V^-1 X)^-1``.
    first : (m, p, p) ndarray
        ``P_i``, derivative of ``X' V^-1 X`` by each variance.
    second : (m, m, p, p) ndarray
        ``Q_ij = X' V^-1 V_i V^-1 V_j V^-1 X``.
    solution : (q + p,) ndarray
        Random effects, then coefficients, of the scaled response.
    effect_variances : (q,) ndarray
        Prediction variance of the random effects (their conditional variance).
    """

    variances: Floats
    score: Floats
    expected: Floats
    observed: Floats
    phi: Floats
    first: Floats
    second: Floats
    solution: Floats
    effect_variances: Floats

    @property
    def positive(self) -> Any:
        """Which components are not zero."""
        return self.variances > 0


def pieces(at: Evaluation) -> Pieces:
    """Work out score, information and Kenward-Roger's matrices at a REML fit."""
    work = _Work(at)
    work.random_terms()
    if work.g == 1:
        work.one_residual()
    for x in range(work.g):
        for y in range(work.g):
            work.residual_groups(x, y)
    return Pieces(
        variances=work.variances,
        score=-0.5 * (work.trace1 - work.quad1),
        expected=0.5 * work.trace2,
        observed=work.quad2 - 0.5 * work.trace2,
        phi=work.phi,
        first=work.first,
        second=work.second,
        solution=work.solution,
        effect_variances=work.effect_variances,
    )


class _Work:
    """Traces and quadratic forms of all pairs of components.

    ``trace1[i] = tr(P V_i)``, ``quad1[i] = y' P V_i P y``, ``trace2[i, j] = tr(P V_i P V_j)``,
    ``quad2[i, j] = y' P V_i P V_j P y``; random factors first, then residual groups.
    """

    def __init__(self, at: Evaluation) -> None:
        pr = self.pr = at.problem
        q, p = self.q, self.p = pr.q, pr.p
        self.residual = at.variance / at.weights
        self.variances = np.concatenate([at.variance * at.theta**2, self.residual])
        self.k, self.g = len(pr.sizes), len(self.residual)
        there = np.flatnonzero(at.theta > 0)
        lean = replace(at, problem=pr.only(there), theta=at.theta[there])
        # H has no rows for terms at zero: it is kept for the columns `of` of T only
        self.h = lean.inverse() * at.variance
        self.of = pr.columns_of(there)
        inside = len(self.of) - p
        self.phi = self.h[inside:, inside:]
        self.inner = np.linalg.inv(self.phi)
        self.solution = np.zeros(q + p)
        self.solution[self.of] = lean.solution * lean.effect_scales
        self.effect_variances = np.zeros(q)
        self.effect_variances[self.of[:inside]] = np.diag(self.h)[:inside]
        self.grams = [g[: q + p, : q + p] for g in pr.gram]
        error = np.append(-self.solution, 1.0)
        self.n_error = [np.asarray(gram @ error) for gram in pr.gram]
        self.error_squares = [error @ n for n in self.n_error]
        self.c_x = self.h[:, inside:] @ self.inner
        c_x = np.zeros((q + p, p))
        c_x[self.of] = self.c_x
        self.n_cx = [np.asarray(gram @ c_x) for gram in self.grams]
        by_r = 1 / self.residual
        self.zvx = sum(r * n[:q] for r, n in zip(by_r, self.n_cx, strict=True))  # Z' V^-1 X
        self.pull = np.asarray(sum(r * n[:q] for r, n in zip(by_r, self.n_error, strict=True)))
        for s, block in zip(self.variances, pr.blocks, strict=False):
            if s > 0:  # Z' P y without cancellation
                self.pull[block] = self.solution[block] / s
        m = self.k + self.g
        self.trace1, self.quad1 = np.zeros(m), np.zeros(m)
        self.trace2, self.quad2 = np.zeros((m, m)), np.zeros((m, m))
        self.first, self.second = np.zeros((m, p, p)), np.zeros((m, m, p, p))
        self._between()

    def _between(self) -> None:
        """``Z' P Z`` of all random terms, and their ``c`` in the rows of `of`.

        The equations themselves give ``Z' P Z = D^-1 - D^-1 H D^-1``; only terms near
        zero, where that loses its digits, need a product.
        """
        pr, columns = self.pr, np.arange(self.q)
        variance = np.repeat(self.variances[: self.k], pr.sizes)
        near = variance <= _NEAR * self.residual[0]
        self.near = columns[near]
        self.inverse = inverse = np.divide(1.0, variance, out=np.zeros(self.q), where=~near)
        self.place: Any = slice(self.q)
        if len(self.of) < self.q + self.p:
            self.place = np.zeros(self.q, np.int64)
            self.place[self.of[: -self.p or None]] = np.arange(len(self.of) - self.p)
        self.c = self.h[:, self.place] * inverse
        self.zpz = self.c[self.place] * -inverse[:, None]
        self.zpz[columns, columns] += inverse
        if not len(self.near):
            return
        weighted = sum(
            dense(gram[: self.q + self.p, self.near]) / r
            for gram, r in zip(self.grams, self.residual, strict=True)
        )
        beside = weighted[self.of]
        solved = self.h @ beside
        across = solved[self.place] * inverse[:, None]
        across[self.near] = weighted[self.near] - beside.T @ solved
        self.zpz[:, self.near] = across
        self.zpz[self.near] = across.T
        self.c[:, self.near] = -solved  # and one in the column's own row

    def random_terms(self) -> None:
        """Everything between the random terms and all other components."""
        q, blocks = self.q, self.pr.blocks
        if not q:
            return
        starts = [b.start for b in blocks]
        by_term = np.zeros((q, self.k))
        for j, b in enumerate(blocks):
            by_term[b, j] = self.pull[b]
        self.trace1[: self.k] = np.add.reduceat(np.diag(self.zpz), starts)
        self.quad1[: self.k] = np.sum(by_term**2, axis=0)
        squares = np.add.reduceat(self.zpz**2, starts, axis=0)
        self.trace2[: self.k, : self.k] = np.add.reduceat(squares, starts, axis=1)
        self.quad2[: self.k, : self.k] = by_term.T @ self.zpz @ by_term
        for j in range(self.k):
            self._random_term(j)

    def _random_term(self, j: int) -> None:
        b = self.pr.blocks[j]
        zvx, pull = self.zvx[b], self.pull[b]
        cross = zvx.T @ zvx
        self.first[j] = -cross
        reached, through = self.zpz[:, b] @ zvx, self.phi @ cross
        for i, a in enumerate(self.pr.blocks[: j + 1]):  # V^-1 = P + V^-1 X Phi X' V^-1
            self.second[i, j] = self.zvx[a].T @ reached[a] - self.first[i] @ through
            self.second[j, i] = self.second[i, j].T
        of, c = self.of, self.c[:, b]
        c_zvx, c_pull, c_x = (
            np.zeros((self.q + self.p, self.p)),
            np.zeros(self.q + self.p),
            self.c_x @ through,
        )
        c_zvx[of], c_pull[of] = c @ zvx + c_x, c @ pull
        if self.variances[j] <= _NEAR * self.residual[0]:
            c_zvx[b] += zvx
            c_pull[b] += pull
        for x, r in enumerate(self.residual):
            i = self.k + x
            if self.g > 1:
                self.trace2[i, j] = self.trace2[j, i] = self.c_squares[x][b].sum() / r**2
            self.quad2[i, j] = self.quad2[j, i] = self.n_error[x][:-1] @ c_pull / r**2
            # V^-1 V_j V^-1 X = R^-1 T c_zvx
            self.second[i, j] = self.n_cx[x].T @ c_zvx / r**2
            self.second[j, i] = self.second[i, j].T

    @cached_property
    def c_squares(self) -> list[Floats]:
        """``c' N_g c`` of each column and residual group."""
        out, near = [], self.near
        for gram, n_h in zip(self.grams, self.n_h, strict=True):
            squares = np.einsum("ij,ij->j", self.c, n_h[:, self.place] * self.inverse)
            beside = dense(gram[self.of][:, near])
            c = self.c[:, near]
            times = np.asarray(gram[self.of][:, self.of] @ c) + 2 * beside
            squares[near] = np.einsum("ij,ij->j", c, times) + gram.diagonal()[near]
            out.append(squares)
        return out

    def one_residual(self) -> None:
        """Traces with the residual from those of the random terms, by ``P V P = P``."""
        k, s, r = self.k, self.variances[: self.k], self.residual[0]
        left = self.pr.n - self.p
        inner = self.trace2[:k, :k]
        self.trace1[k] = (left - s @ self.trace1[:k]) / r
        self.trace2[k, :k] = self.trace2[:k, k] = (self.trace1[:k] - s @ inner) / r
        self.trace2[k, k] = (left - s @ inner @ s - 2 * r * (s @ self.trace2[k, :k])) / r**2

    def residual_groups(self, x: int, y: int) -> None:
        """Everything between two residual groups."""
        i, j, r, t = self.k + x, self.k + y, self.residual[x], self.residual[y]
        q = len(self.of) - self.p
        error_x, error_y = self.n_error[x][self.of], self.n_error[y][self.of]
        self.quad2[i, j] = -error_x @ self.h @ error_y / (r * t) ** 2
        # (Z' R^-1 Z + D^-1)^-1 between the columns of V^-1 X
        left, right = self.n_cx[x][self.of[:q]], self.n_cx[y][self.of[:q]]
        h_v = self.h[:q, :q] @ right - self.h[:q, q:] @ (self.inner @ (self.h[q:, :q] @ right))
        self.second[i, j] = -left.T @ h_v / (r * t) ** 2
        if self.g > 1:
            self.trace2[i, j] = np.sum(self.n_h[x] * self.n_h[y].T) / (r * t) ** 2
        if x != y:
            return
        if self.g > 1:
            trace = np.trace(self.n_h[x])
            self.trace1[i] = self.pr.n_group[x] / r - trace / r**2
            self.trace2[i, i] += self.pr.n_group[x] / r**2 - 2 * trace / r**3
        self.quad1[i] = self.error_squares[x] / r**2
        self.first[i] = -self.c_x.T @ self.n_cx[x][self.of] / r**2
        self.quad2[i, i] += self.error_squares[x] / r**3
        self.second[i, i] += self.c_x.T @ self.n_cx[x][self.of] / r**3

    @cached_property
    def n_h(self) -> list[Floats]:
        """``N_g H`` of every residual group."""
        return [np.asarray(gram[self.of][:, self.of] @ self.h) for gram in self.grams]
