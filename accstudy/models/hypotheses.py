"""Linear combinations behind tests, means and slopes.

All of them are averages of rows of X over a grid of all levels with equal
weights, and differences of such averages; a covariate's slope is the difference
of two rows a unit apart.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations, product

import numpy as np

from accstudy.errors import InputError
from accstudy.models.design import Design, Floats, Ints, Term

__all__ = ["Cell", "cell_rows", "slope_rows", "term_rows"]

GRID_MAX = 200_000


@dataclass(frozen=True)
class Cell:
    """Levels of some factors over which everything else is averaged.

    Parameters
    ----------
    levels : tuple of str
        One level a factor.
    row : (all columns,) ndarray
        Linear combination of all columns.
    """

    levels: tuple[str, ...]
    row: Floats


def _grid(design: Design) -> dict[str, Ints]:
    sizes = [len(v) for v in design.levels.values()]
    if np.prod([float(s) for s in sizes]) > GRID_MAX:
        raise InputError(
            "the factors of the model have too many combinations of levels for marginal means",
            hint="make factors with very many levels random",
        )
    grid = np.array(list(product(*map(range, sizes))), np.int64).reshape(
        int(np.prod(sizes)), len(sizes)
    )
    return {f: grid[:, i] for i, f in enumerate(design.levels)}


def _averaged(
    design: Design, factors: tuple[str, ...], values: Mapping[str, float]
) -> tuple[list[tuple[int, ...]], Floats]:
    """Mean row of every combination of levels of some factors."""
    grid = _grid(design)
    size = len(next(iter(grid.values()))) if grid else 1
    rows = design.columns(grid, {c: np.full(size, v) for c, v in values.items()})
    choices = list(product(*(range(len(design.levels[f])) for f in factors)))
    means = []
    for choice in choices:
        here = np.ones(size, bool)
        for factor, level in zip(factors, choice, strict=True):
            here &= grid[factor] == level
        means.append(rows[here].mean(axis=0))
    return choices, np.array(means)


def _slope(
    design: Design, factors: tuple[str, ...], values: Mapping[str, float], by: tuple[str, ...]
) -> tuple[list[tuple[int, ...]], Floats]:
    """Mixed derivative of the mean rows by covariates."""
    choices: list[tuple[int, ...]] = []
    total: Floats = np.zeros(0)
    for count in range(len(by) + 1):
        for raised in combinations(by, count):
            at = {**values, **{c: float(c in raised) for c in by}}
            choices, rows = _averaged(design, factors, at)
            sign = (-1.0) ** (len(by) - count)
            total = total + sign * rows if total.size else sign * rows
    return choices, total


def cell_rows(design: Design, factors: tuple[str, ...], values: Mapping[str, float]) -> list[Cell]:
    """Mean of each combination of levels of some factors, at given covariate values."""
    choices, rows = _averaged(design, factors, values)
    return [_cell(design, factors, c, r) for c, r in zip(choices, rows, strict=True)]


def slope_rows(
    design: Design, covariate: str, factors: tuple[str, ...], values: Mapping[str, float]
) -> list[Cell]:
    """Slope of a covariate at each combination of levels of some factors."""
    choices, rows = _slope(design, factors, values, (covariate,))
    return [_cell(design, factors, c, r) for c, r in zip(choices, rows, strict=True)]


def _cell(design: Design, factors: tuple[str, ...], choice: tuple[int, ...], row: Floats) -> Cell:
    return Cell(tuple(design.levels[f][i] for f, i in zip(factors, choice, strict=True)), row)


def term_rows(design: Design, term: Term, values: Mapping[str, float]) -> Floats:
    """Type III hypothesis of a term: level minus reference, averaged equally over the rest.

    Parameters
    ----------
    design : Design
        The fixed part.
    term : Term
        Term to test; not the intercept.
    values : mapping
        Where covariates outside the term are held.

    Returns
    -------
    (rows, all columns) ndarray
        One row a free level (or combination of them); a term of covariates
        alone has a single row, its slope.
    """
    choices, rows = _slope(design, term.factors, values, term.covariates)
    place = {choice: i for i, choice in enumerate(choices)}
    out = []
    for choice in choices:
        if any(level == 0 for level in choice):
            continue
        total = np.zeros(rows.shape[1])
        for lowered in product(*((True, False) for _ in choice)):
            at = tuple(0 if low else level for level, low in zip(choice, lowered, strict=True))
            total += (-1.0) ** sum(lowered) * rows[place[at]]
        out.append(total)
    return np.array(out).reshape(-1, rows.shape[1])
