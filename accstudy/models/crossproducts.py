"""The data of a mixed model as cross-products of ``T = [Z, X, y]``.

Nothing that follows grows with the number of rows once these are known. Columns of one unit
(a scan, say) meet no column of another, so their part of the equations is eliminated unit by
unit before the rest is solved.
"""

from __future__ import annotations

from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import linalg, sparse

from accstudy.errors import ComputationError

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

_CALL = 1e6  # multiplications that take as long as calling for one more product of matrices
_BATCHED = 16  # rows of a block from which a call of its own for each pays


def is_sparse(matrix: Any) -> bool:
    """Whether a matrix is one of scipy's sparse ones."""
    return bool(sparse.issparse(matrix))


def dense(matrix: Any) -> Floats:
    """A matrix of either kind as an array."""
    return np.asarray(matrix.toarray() if is_sparse(matrix) else matrix, float)


class Blocks:
    """Places of the small blocks that the eliminated columns form, one a unit.

    `units` numbers the unit of each eliminated column from 0, (q1,). All blocks are as wide as the
    widest one; what a smaller unit lacks are places without a column.
    """

    def __init__(self, units: Ints) -> None:
        counts = np.bincount(units, minlength=1)
        order = np.argsort(units, kind="stable")
        starts = np.cumsum(counts) - counts
        self.width, self.count = int(counts.max(initial=1)), len(counts)
        self.place = units * self.width
        self.place[order] += np.arange(len(units)) - starts[units[order]]
        members = np.full(self.count * self.width, -1, np.int64)
        members[self.place] = np.arange(len(units))
        self.members = members.reshape(self.count, self.width)

    @cached_property
    def pairs(self) -> tuple[Ints, Ints, Ints]:
        """Two columns of one unit, and where their entry is in the blocks laid end to end."""
        cols = np.repeat(self.members, self.width, axis=0).ravel()
        rows = np.repeat(self.members.ravel(), self.width)
        slots = np.flatnonzero((rows >= 0) & (cols >= 0))
        return rows[slots], cols[slots], slots

    def take(self, gram: Any) -> Floats:
        """Blocks of a symmetric matrix whose first columns are the eliminated ones."""
        out = np.zeros(self.count * self.width * self.width)
        if is_sparse(gram):
            found = gram[: len(self.place), : len(self.place)].tocoo()
            at = self.place[found.row] * self.width + self.place[found.col] % self.width
            np.add.at(out, at, found.data)
        else:
            rows, cols, slots = self.pairs
            out[slots] = gram[rows, cols]
        return out.reshape(self.count, self.width, self.width)

    def halves(self, blocks: Floats) -> Floats:
        """Inverse Cholesky factors of the blocks; LinAlgError if one is not positive."""
        if self.width == 1:
            return np.asarray(1 / np.sqrt(blocks))
        roots = np.linalg.cholesky(blocks)
        if self.width < _BATCHED:
            return np.asarray(np.tril(np.linalg.inv(roots)))
        return np.array([linalg.lapack.dtrtri(root, lower=1)[0] for root in roots])

    def padded(self, values: Floats) -> Floats:
        """A row a column in the layout of the blocks, zero where there is no column."""
        out = np.zeros((self.count * self.width, *values.shape[1:]))
        out[self.place] = values
        return out.reshape(self.count, self.width, *values.shape[1:])


@dataclass(frozen=True)
class Front:
    """Units that meet much the same of the other columns: their border is one matrix.

    `columns` are those of the rest that they meet, those of X and y among them, y last, (c,);
    `borders` the cross-products of each residual group, (units * width, c), a row a place in the
    blocks.
    """

    units: Ints
    columns: Ints
    borders: tuple[Any, ...]

    def times(self, padded: Floats, matrix: Any) -> Any:
        """The units' blocks times a matrix with a row a place."""
        blocks = padded[self.units]
        if is_sparse(matrix):
            at = np.arange(len(blocks) + 1)
            return sparse.bsr_array((blocks, at[:-1], at)).tocsr() @ matrix
        return (blocks @ matrix.reshape(*blocks.shape[:2], -1)).reshape(matrix.shape)


def families(units: Ints, gram: Any, p: int) -> Ints:
    """Number of the front of each unit.

    In the order of what they meet, units join those before them where one product of
    matrices then costs less than two.
    """
    layout = Blocks(units)
    if is_sparse(gram) or not len(units):
        return np.zeros(layout.count, np.int64)
    met = np.zeros((layout.count, len(gram) - len(units) - p), bool)
    rows, cols = np.nonzero(gram[: len(units), len(units) : len(gram) - p])
    met[units[rows], cols] = True
    patterns, which, counts = np.unique(met, axis=0, return_inverse=True, return_counts=True)

    def cost(pattern: npt.NDArray[np.bool_], n: int) -> float:
        c = int(pattern.sum()) + p + 1
        return float(n * layout.width * c * (c + 2 * layout.width) + _CALL)

    labels, now, size = [0], patterns[0], int(counts[0])
    for pattern, n in zip(patterns[1:], counts[1:], strict=True):
        together = cost(now | pattern, size + n)
        apart = together > cost(now, size) + cost(pattern, n)
        labels.append(labels[-1] + int(apart))
        now, size = (pattern, n) if apart else (now | pattern, size + n)
    return np.asarray(labels, np.int64)[which.ravel()]


def rows_or_zero(matrix: Any, rows: Ints) -> Any:
    """Rows of a matrix; zeros for negative numbers."""
    known = np.flatnonzero(rows >= 0)
    if is_sparse(matrix):
        ones = np.ones(len(known))
        return sparse.csr_array((ones, (known, rows[known])), (len(rows), matrix.shape[0])) @ matrix
    out = np.zeros((len(rows), matrix.shape[1]))
    out[known] = matrix[rows[known]]
    return out


def arrange(factors: Sequence[Any]) -> tuple[list[int], Ints]:
    """Decide which random terms are eliminated, unit by unit, before the rest is solved.

    From the sparse columns of Z of each term, (n, levels): the order of the terms, those to
    eliminate first, and the unit of each of their columns, (q1,). Units are the levels of a random
    term; every term whose columns each belong to one of them can go (slopes by scan and implants
    within scans go with the scan). The choice is the one with the fewest multiplications.
    """
    total = sum(f.shape[1] for f in factors)
    best, order, units = total**3 / 3.0, list(range(len(factors))), np.empty(0, np.int64)
    entries = [(f.indices, np.repeat(np.arange(f.shape[0]), np.diff(f.indptr))) for f in factors]
    for codes in _partitions(factors, entries):
        inside, owned = [], []
        for k, (cols, rows) in enumerate(entries):
            owner = np.zeros(factors[k].shape[1], np.int64)
            owner[cols] = codes[rows]
            if np.array_equal(owner[cols], codes[rows]):
                inside.append(k)
                owned.append(owner)
        joined = np.concatenate(owned)
        width = int(np.bincount(joined).max())
        rest = total - len(joined)
        cost = 4.0 * (codes.max() + 1) * width**3 + len(joined) * rest**2 + rest**3 / 3.0
        if cost < best:
            best, units = cost, joined
            order = inside + [k for k in range(len(factors)) if k not in inside]
    return order, np.unique(units, return_inverse=True)[1].astype(np.int64)


def _partitions(factors: Sequence[Any], entries: Sequence[tuple[Ints, Ints]]) -> list[Ints]:
    """Ways to put every row into a unit: levels of a term, or of several that share the rows."""
    out: list[Ints] = []
    partial, taken = np.full(factors[0].shape[0] if factors else 0, -1, np.int64), 0
    for factor, (cols, rows) in zip(factors, entries, strict=True):
        counts = np.diff(factor.indptr)
        if counts.max(initial=0) > 1:
            continue
        if counts.min(initial=1) == 1:
            codes = factor.indices.astype(np.int64)
        elif (partial[rows] < 0).all():
            partial[rows] = cols + taken
            taken += factor.shape[1]
            if (partial < 0).any():
                continue
            codes, partial, taken = partial, np.full(len(partial), -1, np.int64), 0
        else:
            continue
        if not any(np.array_equal(codes, other) for other in out):
            out.append(codes)
    return out


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

    `basis` has orthonormal columns, (p, fewer); `shift`, (p,), is orthogonal to them, in units of
    the scaled response. The restricted likelihood counts the new columns as orthonormal.
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
        """Cross-products with a response, (n,), and its least-squares fit on X, which is taken off,
        (p,): in orthonormal columns and the unit of the response.
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
