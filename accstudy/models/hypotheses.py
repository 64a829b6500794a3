"""Linear combinations behind tests, means and slopes.

All of them are averages of rows of X over a grid of all levels with equal
weights, and differences of such averages. Means and slopes hold columns and evaluate
expressions of them there; the slope of a column is the derivative at that place.
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
    """Mixed difference of the mean rows by covariates, one unit of each."""
    choices: list[tuple[int, ...]] = []
    total: Floats = np.zeros(0)
    for count in range(len(by) + 1):
        for raised in combinations(by, count):
            at = {**values, **{c: float(c in raised) for c in by}}
            choices, rows = _averaged(design, factors, at)
            sign = (-1.0) ** (len(by) - count)
            total = total + sign * rows if total.size else sign * rows
    return choices, total


def cell_rows(design: Design, factors: tuple[str, ...], at: Mapping[str, float]) -> list[Cell]:
    """Mean of each combination of levels of some factors, where columns are held."""
    choices, rows = _averaged(design, factors, design.held(at))
    return [_cell(design, factors, c, r) for c, r in zip(choices, rows, strict=True)]


def slope_rows(
    design: Design, column: str, factors: tuple[str, ...], at: Mapping[str, float]
) -> list[Cell]:
    """Slope of a column at each combination of levels of some factors.

    Where only the column itself is a covariate its slope is the same everywhere; where
    expressions of it are, it is the derivative at the value at which it is held.
    """
    bent = [c for c, names in design.sources.items() if column in names and c != column]
    if bent:
        step = 1e-4 * max(float(np.std(design.data[column].to_numpy(float))), 1e-12)
        low, high = (design.held({**at, column: at[column] + s * step}) for s in (-1, 1))
        choices, rows = _averaged(design, factors, high)
        rows = (rows - _averaged(design, factors, low)[1]) / (2 * step)
    else:
        choices, rows = _slope(design, factors, design.held(at), (column,))
    return [_cell(design, factors, c, r) for c, r in zip(choices, rows, strict=True)]


def _cell(design: Design, factors: tuple[str, ...], choice: tuple[int, ...], row: Floats) -> Cell:
    return Cell(tuple(design.levels[f][i] for f, i in zip(factors, choice, strict=True)), row)


def term_rows(design: Design, term: Term, values: Mapping[str, float]) -> Floats:
    """Type III hypothesis of a term: level minus reference, averaged equally over the rest.

    A factor whose margin is not in the model (the second of ``t + t:c`` is compared within
    each level of the first) is taken level by level.

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
        One row a column of the term; a term of covariates alone has a single row, its slope.
    """
    choices, rows = _slope(design, term.factors, values, term.covariates)
    place = {choice: i for i, choice in enumerate(choices)}
    out = []
    for choice in choices:
        free = [level for level, full in zip(choice, term.full, strict=True) if not full]
        if any(level == 0 for level in free):
            continue
        total = np.zeros(rows.shape[1])
        for lowered in product(*((False,) if full else (True, False) for full in term.full)):
            at = tuple(0 if low else level for level, low in zip(choice, lowered, strict=True))
            total += (-1.0) ** sum(lowered) * rows[place[at]]
        out.append(total)
    return np.array(out).reshape(-1, rows.shape[1])
