"""The data of a mixed model as cross-products of ``T = [Z, X, y]``.

Nothing that follows grows with the number of rows once these are known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import sparse

from accstudy.errors import ComputationError

__all__ = ["Floats", "Ints", "Problem", "is_sparse", "problem", "restricted"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

DENSE_UP_TO = 700
"""Columns of T up to which the cross-products are kept as a dense matrix."""


def is_sparse(matrix: Any) -> bool:
    """Whether a matrix is one of scipy's sparse ones."""
    return bool(sparse.issparse(matrix))


@dataclass(frozen=True)
class Problem:
    """Data of one model as cross-products.

    Parameters
    ----------
    n : int
        Rows.
    sizes : tuple of int
        Levels of each random factor, in the order of the columns of Z; the first
        is the one that is eliminated.
    p : int
        Columns of X, which are orthonormal here.
    log_det_r : float
        ``log |det R|`` of the factor that made X orthonormal.
    scale : float
        The response was divided by this, after its least-squares fit was taken off.
    n_group : tuple of int
        Rows of each residual group.
    gram : tuple of matrix
        ``T_g' T_g`` of each residual group, dense or sparse, (q + p + 1) square.
    """

    n: int
    sizes: tuple[int, ...]
    p: int
    log_det_r: float
    scale: float
    n_group: tuple[int, ...]
    gram: tuple[Any, ...]

    @property
    def q(self) -> int:
        """Levels of all random factors together."""
        return sum(self.sizes)

    @cached_property
    def blocks(self) -> tuple[slice, ...]:
        """Columns of each random factor."""
        ends = np.cumsum((0, *self.sizes))
        return tuple(slice(int(a), int(b)) for a, b in pairwise(ends))

    @cached_property
    def parts(self) -> tuple[tuple[Floats, Any, Floats], ...]:
        """Diagonal of the eliminated block, its border, and the rest, of each group."""
        q1 = self.sizes[0] if self.sizes else 0
        return tuple(
            (
                np.asarray(g.diagonal()[:q1], float),
                g[:q1, q1:],
                np.asarray(g[q1:, q1:].toarray() if is_sparse(g) else g[q1:, q1:], float),
            )
            for g in self.gram
        )

    def without(self, k: int) -> Problem:
        """Leave random factor `k` out."""
        keep = np.ones(self.q + self.p + 1, bool)
        keep[self.blocks[k]] = False
        sizes = tuple(s for i, s in enumerate(self.sizes) if i != k)
        at = np.flatnonzero(keep)
        return Problem(
            self.n,
            sizes,
            self.p,
            self.log_det_r,
            self.scale,
            self.n_group,
            tuple(g[at][:, at] for g in self.gram),
        )


def restricted(pr: Problem, basis: Floats, shift: Floats) -> Problem:
    """The same data with X replaced by ``X basis`` and y by ``y + X shift``.

    Parameters
    ----------
    pr : Problem
        The data.
    basis : (p, fewer) ndarray
        Orthonormal columns.
    shift : (p,) ndarray
        Orthogonal to `basis`, in units of the scaled response.

    Returns
    -------
    Problem
        Its restricted likelihood counts the new columns as orthonormal.
    """
    fewer = basis.shape[1]
    tail = np.zeros((pr.p + 1, fewer + 1))
    tail[: pr.p, :fewer] = basis
    tail[: pr.p, -1] = shift
    tail[-1, -1] = 1.0
    change: Any = sparse.csr_array(sparse.block_diag((sparse.eye_array(pr.q), tail)))
    grams = []
    for gram in pr.gram:
        product = change.T @ (gram @ change)
        grams.append(sparse.csr_array(product) if is_sparse(gram) else np.asarray(product))
    return Problem(pr.n, pr.sizes, fewer, 0.0, pr.scale, pr.n_group, tuple(grams))


def problem(
    y: Floats,
    orthonormal: Floats,
    log_det_r: float,
    factors: Sequence[tuple[Ints, Floats]],
    groups: Ints | None,
) -> Problem:
    """Form the cross-products.

    Parameters
    ----------
    y : (n,) ndarray
        Response; its least-squares fit on X has been taken off.
    orthonormal : (n, p) ndarray
        X with orthonormal columns.
    log_det_r : float
        ``log |det R|`` where the given X was ``orthonormal @ R``.
    factors : sequence of ((n,) ndarray of int, (n,) ndarray)
        Level of each random factor, numbered from 0, most levels first; and what its
        effect is multiplied with.
    groups : (n,) ndarray of int, optional
        Residual group of each row, from 0.

    Returns
    -------
    Problem
    """
    n, p = orthonormal.shape
    scale = float(np.sqrt(y @ y / max(n - p, 1)))
    if not np.isfinite(scale) or scale == 0:
        raise ComputationError("the fixed effects fit the response exactly, so nothing is left")
    sizes = tuple(int(c.max()) + 1 for c, _ in factors)
    rows = np.arange(n)
    z = [
        sparse.csr_array((v, (rows, c)), shape=(n, s))
        for (c, v), s in zip(factors, sizes, strict=True)
    ]
    tail = sparse.csr_array(np.column_stack([orthonormal, y / scale]))
    t = sparse.csr_array(sparse.hstack([*z, tail]))
    labels = np.zeros(n, np.int64) if groups is None else groups
    gram = []
    for g in range(int(labels.max()) + 1):
        rows_g = t[np.flatnonzero(labels == g)]
        product = sparse.csr_array(rows_g.T @ rows_g)
        gram.append(product.toarray() if product.shape[0] <= DENSE_UP_TO else product)
    counts = tuple(int(c) for c in np.bincount(labels))
    return Problem(n, sizes, p, log_det_r, scale, counts, tuple(gram))
