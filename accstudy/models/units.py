"""Units that are eliminated before the rest of the equations is solved.

Columns of one unit (a scan, say) meet no column of another, so their part of the equations
is solved unit by unit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import linalg, sparse

__all__ = [
    "Blocks",
    "Floats",
    "Front",
    "Ints",
    "arrange",
    "dense",
    "families",
    "is_sparse",
    "rows_or_zero",
]

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

    Columns of one unit (a scan, say) meet no column of another, so their part of the
    equations is solved unit by unit. All blocks are as wide as the widest one; what a
    smaller unit lacks are places without a column.

    Parameters
    ----------
    units : (q1,) ndarray of int
        Unit of each eliminated column, numbered from 0.
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

    Parameters
    ----------
    units : (u,) ndarray of int
        The units.
    columns : (c,) ndarray of int
        The columns of the rest that they meet, those of X and y among them, y last.
    borders : tuple of matrix
        Cross-products of each residual group, (u * width, c): a row a place in the blocks.
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

    Parameters
    ----------
    factors : sequence of sparse matrix
        Columns of Z of each random term, (n, levels).

    Returns
    -------
    order : list of int
        The random terms, those to eliminate first.
    units : (q1,) ndarray of int
        Unit of each of their columns.

    Notes
    -----
    Units are the levels of a random term; every term whose columns each belong to one of
    them can go (slopes by scan and implants within scans go with the scan). The choice is
    the one with the fewest multiplications.
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
