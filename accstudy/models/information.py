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

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import sparse

from accstudy.models.crossproducts import Floats
from accstudy.models.reml import Evaluation

__all__ = ["Pieces", "pieces"]


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
    pr = at.problem
    q, p = pr.q, pr.p
    residual = at.variance / at.weights
    random = at.variance * at.theta**2
    s2 = np.repeat(random, pr.sizes)
    h = at.inverse()
    h *= at.variance
    grams = [g[: q + p, : q + p] for g in pr.gram]
    n_all = _weighted(pr.gram, 1 / residual)
    phi = h[q:, q:]
    inner = np.linalg.inv(phi)
    solution = at.solution * at.effect_scales
    error = np.append(-solution, 1.0)

    c = np.empty((q + p, q))  # P Z = R^-1 T c
    alive = s2 > 0
    c[:, alive] = h[:, :q][:, alive] / s2[alive]
    dead = np.flatnonzero(~alive)
    if len(dead):
        c[:, dead] = -h @ _dense(n_all[: q + p][:, dead])
        c[dead, dead] += 1.0
    c_x = h[:, q:] @ inner
    zpz = np.asarray(n_all[:q, : q + p] @ c)
    pull = np.where(alive, solution[:q] / np.where(alive, s2, 1), n_all[:q] @ error)  # Z' P y
    zvx = np.asarray(n_all[:q, : q + p] @ c_x)  # Z' V^-1 X

    k, g = len(random), len(residual)
    trace1, quad1 = np.zeros(k + g), np.zeros(k + g)
    trace2, quad2 = np.zeros((k + g, k + g)), np.zeros((k + g, k + g))
    first, second = np.zeros((k + g, p, p)), np.zeros((k + g, k + g, p, p))
    for i, a in enumerate(pr.blocks):
        trace1[i] = np.trace(zpz[a, a])
        quad1[i] = pull[a] @ pull[a]
        first[i] = -zvx[a].T @ zvx[a]
        for j, b in enumerate(pr.blocks):
            block = zpz[a, b]
            trace2[i, j] = np.sum(block * block)
            quad2[i, j] = pull[a] @ block @ pull[b]
            between = block + zvx[a] @ phi @ zvx[b].T  # Z_i' V^-1 Z_j
            second[i, j] = zvx[a].T @ between @ zvx[b]
    h_v = h[:q, :q] - h[:q, q:] @ inner @ h[q:, :q]  # (Z' R^-1 Z + D^-1)^-1
    nh = [np.asarray(gram @ h) for gram in grams]
    for x in range(g):
        i, r, gram, full = k + x, residual[x], grams[x], pr.gram[x]
        n_error = np.asarray(full @ error)
        trace1[i] = pr.n_group[x] / r - np.trace(nh[x]) / r**2
        quad1[i] = error @ n_error / r**2
        n_cx = np.asarray(gram @ c_x)
        first[i] = -c_x.T @ n_cx / r**2
        n_c = np.asarray(gram @ c)
        for j, b in enumerate(pr.blocks):
            trace2[i, j] = trace2[j, i] = np.sum(c[:, b] * n_c[:, b]) / r**2
            quad2[i, j] = quad2[j, i] = n_error[:-1] @ (c[:, b] @ pull[b]) / r**2
            coefficients = np.zeros((q + p, p))  # V^-1 Z_j Z_j' V^-1 X = R^-1 T coefficients
            coefficients[b] = zvx[b]
            coefficients[:q] -= h_v @ np.asarray(n_all[:q, b] @ zvx[b])
            second[i, j] = n_cx.T @ coefficients / r**2
            second[j, i] = second[i, j].T
        for y in range(g):
            j, t = k + y, residual[y]
            n_error_y = np.asarray(pr.gram[y] @ error)
            n_cx_y = np.asarray(grams[y] @ c_x)
            trace2[i, j] = np.sum(nh[x] * nh[y].T) / (r * t) ** 2
            quad2[i, j] = -n_error[:-1] @ h @ n_error_y[:-1] / (r * t) ** 2
            second[i, j] = -n_cx[:q].T @ h_v @ n_cx_y[:q] / (r * t) ** 2
            if x == y:
                trace2[i, j] += pr.n_group[x] / r**2 - 2 * np.trace(nh[x]) / r**3
                quad2[i, j] += error @ n_error / r**3
                second[i, j] += c_x.T @ n_cx / r**3
    return Pieces(
        variances=np.concatenate([random, residual]),
        score=-0.5 * (trace1 - quad1),
        expected=0.5 * trace2,
        observed=quad2 - 0.5 * trace2,
        phi=phi,
        first=first,
        second=second,
        solution=solution,
        effect_variances=np.diag(h)[:q].copy(),
    )


def _weighted(matrices: tuple[Any, ...], weights: Floats) -> Any:
    total = matrices[0] * weights[0]
    for matrix, weight in zip(matrices[1:], weights[1:], strict=True):
        total = total + matrix * weight
    return total


def _dense(matrix: Any) -> Floats:
    is_sparse: bool = sparse.issparse(matrix)
    return np.asarray(matrix.toarray() if is_sparse else matrix, float)
