"""Information about the variance components, and what Kenward-Roger needs.

Everything follows from the inverse ``H`` of the mixed model equations and the
cross-products ``N_g = T_g' T_g``, matrices of q + p rows; no matrix has as many
rows as the data, and nothing is differentiated numerically. With
``P = V^-1 - V^-1 X (X' V^-1 X)^-1 X' V^-1`` and ``V_k = Z_k Z_k'`` (or the
identity on the rows of residual group g)::

    P Z_k = R^-1 T c_k,    c_k = H[:, k] / s_k^2      (e_k - H T' R^-1 Z_k  if s_k = 0)
    V^-1 X = R^-1 T c_x,   c_x = H[:, x] (X' V^-1 X)

References
----------
Harville, JASA 72 (1977) 320-338. Kenward, Roger: Small sample inference for
fixed effects from restricted maximum likelihood, Biometrics 53 (1997) 983-997,
section 2 (P_i, Q_ij, W).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np

from accstudy.models.reml import Evaluation
from accstudy.models.units import Floats, dense

__all__ = ["Pieces", "pieces"]

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
    """Work out score, information and Kenward-Roger's matrices at a REML fit.

    Parameters
    ----------
    at : Evaluation
        The restricted likelihood at the estimate.

    Returns
    -------
    Pieces
    """
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
