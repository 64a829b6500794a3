"""The data of a mixed model as cross-products of ``T = [Z, X, y]``.

Nothing that follows grows with the number of rows once these are known.
"""

from __future__ import annotations

from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise
from typing import Any

import numpy as np
from scipy import sparse

from accstudy.errors import ComputationError
from accstudy.models.units import (
    Blocks,
    Floats,
    Front,
    Ints,
    dense,
    families,
    is_sparse,
    rows_or_zero,
)

__all__ = ["Floats", "Ints", "Problem", "Rows", "restricted"]

DENSE_UP_TO = 1500
"""Columns of T up to which the cross-products are kept as a dense matrix."""


@dataclass(frozen=True)
class Problem:
    """Data of one model as cross-products.

    Parameters
    ----------
    n : int
        Rows.
    sizes : tuple of int
        Columns of each random term, in the order of the columns of Z.
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
    units : (q1,) ndarray of int
        Unit of each column of the first random terms, which are eliminated.
    families : (units,) ndarray of int
        Units with the same number make one front.
    """

    n: int
    sizes: tuple[int, ...]
    p: int
    log_det_r: float
    scale: float
    n_group: tuple[int, ...]
    gram: tuple[Any, ...]
    units: Ints
    families: Ints

    @property
    def q(self) -> int:
        """Columns of all random terms together."""
        return sum(self.sizes)

    @cached_property
    def eliminated(self) -> int:
        """How many random terms are eliminated, the first ones."""
        return int(np.searchsorted(np.cumsum(self.sizes), len(self.units), side="right"))

    @cached_property
    def layout(self) -> Blocks:
        """Where the blocks of the eliminated columns are."""
        return Blocks(self.units)

    @cached_property
    def blocks(self) -> tuple[slice, ...]:
        """Columns of each random term."""
        ends = np.cumsum((0, *self.sizes))
        return tuple(slice(int(a), int(b)) for a, b in pairwise(ends))

    @cached_property
    def own(self) -> tuple[Floats, ...]:
        """Blocks of the eliminated columns of each residual group, (units, width, width)."""
        return tuple(self.layout.take(g) for g in self.gram)

    @cached_property
    def rest(self) -> tuple[Floats, ...]:
        """Cross-products of the other columns, of X and of y, of each residual group."""
        q1 = len(self.units)
        return tuple(dense(g[q1:, q1:]) for g in self.gram)

    @cached_property
    def fronts(self) -> tuple[Front, ...]:
        """Eliminated columns between them and the rest."""
        q1, out = len(self.units), []
        for family in np.unique(self.families) if q1 else ():
            units = np.flatnonzero(self.families == family)
            rows = self.layout.members[units].ravel()
            borders = [rows_or_zero(g[:q1, q1:], rows) for g in self.gram]
            met = np.ones(self.q - q1 + self.p + 1, bool)
            if not is_sparse(borders[0]):
                met[: self.q - q1] = np.any([b[:, : self.q - q1].any(axis=0) for b in borders], 0)
            columns = np.flatnonzero(met)
            out.append(Front(units, columns, tuple(b[:, columns] for b in borders)))
        return tuple(out)

    def by_term(self, group: int, values: Floats) -> Floats:
        """Cross-products of a residual group times a vector, (q + p + 1, K + 1).

        The sum over the columns of each random term by itself, the last one over X and y.
        """
        gram = self.gram[group]
        blocks = (*self.blocks, slice(self.q, None))
        return np.column_stack([np.asarray(gram[:, b] @ values[b]) for b in blocks])

    def columns_of(self, kept: Ints) -> Ints:
        """Columns of some random terms, given by their numbers in rising order, then of X."""
        every = np.arange(self.q + self.p)
        return np.concatenate([*(every[self.blocks[k]] for k in kept), every[self.q :]])

    def only(self, kept: Ints) -> Problem:
        """Leave all random terms out but these, given by their numbers in rising order."""
        if len(kept) == len(self.sizes):
            return self
        at = np.append(self.columns_of(kept), self.q + self.p)
        left, units = np.unique(self.units[at[at < len(self.units)]], return_inverse=True)
        return replace(
            self,
            sizes=tuple(self.sizes[k] for k in kept),
            gram=tuple(g[at][:, at] for g in self.gram),
            units=units.astype(np.int64),
            families=self.families[left],
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
    return replace(pr, p=fewer, log_det_r=0.0, gram=tuple(grams))


def _bordered(gram: Any, across: Floats, corner: Floats) -> Any:
    """A symmetric matrix with further rows and columns."""
    if is_sparse(gram):
        upright = sparse.csr_array(across)
        return sparse.csr_array(
            sparse.block_array([[gram, upright], [upright.T, sparse.csr_array(corner)]])
        )
    return np.block([[gram, across], [across.T, corner]])


class Rows:
    """``[Z, X]`` row by row: what cross-products of any response are made from.

    Parameters
    ----------
    orthonormal : (n, p) ndarray
        X with orthonormal columns.
    log_det_r : float
        ``log |det R|`` where the given X was ``orthonormal @ R``.
    factors : sequence of sparse matrix
        Columns of Z of each random term, (n, levels), as ordered by `units.arrange`.
    units : (q1,) ndarray of int
        Unit of each eliminated column, of `units.arrange`.
    groups : (n,) ndarray of int, optional
        Residual group of each row, from 0.
    """

    def __init__(
        self,
        orthonormal: Floats,
        log_det_r: float,
        factors: Sequence[Any],
        units: Ints,
        groups: Ints | None = None,
    ) -> None:
        self.n, self.p = orthonormal.shape
        self.orthonormal, self.log_det_r, self.units = orthonormal, log_det_r, units
        self.sizes = tuple(int(f.shape[1]) for f in factors)
        self.t: Any = sparse.csr_array(sparse.hstack([*factors, sparse.csr_array(orthonormal)]))
        labels = np.zeros(self.n, np.int64) if groups is None else groups
        self.members = [np.flatnonzero(labels == g) for g in range(int(labels.max()) + 1)]
        whole = len(self.members) == 1
        self.parts = [self.t if whole else self.t[m] for m in self.members]
        self.grams: list[Any] = []
        for part in self.parts:
            product = sparse.csr_array(part.T @ part)
            small = product.shape[0] < DENSE_UP_TO
            self.grams.append(product.toarray() if small else product)
        self.families = families(units, sum(self.grams), self.p)

    def widened(self, more: Floats) -> Rows:
        """The same rows with further columns of X, which are orthonormal with those there are."""
        out = copy(self)
        out.p += more.shape[1]
        out.orthonormal = np.hstack([self.orthonormal, more])
        right = sparse.csr_array(more)
        out.t = sparse.csr_array(sparse.hstack([self.t, right]))
        out.parts = [out.t[m] if len(self.members) > 1 else out.t for m in self.members]
        out.grams = [
            _bordered(gram, part.T @ more[members], more[members].T @ more[members])
            for gram, part, members in zip(self.grams, self.parts, self.members, strict=True)
        ]
        return out

    def problem(self, y: Floats) -> tuple[Problem, Floats]:
        """Cross-products with a response.

        Parameters
        ----------
        y : (n,) ndarray
            Response; its least-squares fit on X is taken off.

        Returns
        -------
        problem : Problem
        fitted : (p,) ndarray
            The fit that was taken off, in orthonormal columns and the unit of the response.
        """
        fitted = self.orthonormal.T @ y
        left = y - self.orthonormal @ fitted
        again = self.orthonormal.T @ left  # once more: a large mean costs digits
        left, fitted = left - self.orthonormal @ again, fitted + again
        scale = float(np.sqrt(left @ left / max(self.n - self.p, 1)))
        if not np.isfinite(scale) or scale <= 1e-12 * float(np.linalg.norm(y)):
            raise ComputationError(
                "the fixed effects fit the response to within rounding, so no residual is left"
            )
        left = left / scale
        grams: list[Any] = []
        for gram, part, members in zip(self.grams, self.parts, self.members, strict=True):
            own = left[members][:, None]
            grams.append(_bordered(gram, part.T @ own, own.T @ own))
        counts = tuple(len(m) for m in self.members)
        pr = Problem(
            self.n, self.sizes, self.p, self.log_det_r, scale, counts, tuple(grams), self.units,
            self.families,
        )  # fmt: skip
        return pr, fitted
