"""Estimates from a study: mean, and scatter of scans, cells and operators, pairs jointly.

The deviations of all pairs of a scan are one vector. Its mean and the mean squares and
products of its levels (scans in cells, cells in operators, operators) are estimated from the
study; studies of any size are drawn from them whose pairs move together as those seen did.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Literal

import numpy as np
import numpy.typing as npt

from accstudy.accuracy.bounds import Grouping
from accstudy.accuracy.measurands import Sample
from accstudy.errors import InputError
from accstudy.words.names import unit_name

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

Kind = Literal["estimate", "resampled"]
"""How the truth of a simulated study is taken: as estimated, or as other studies of the same
size would estimate it (the sampling distribution of the estimates)."""

_ENDLESS = 1_000_000
_MOST_ROWS = 200


@dataclass(frozen=True, slots=True)
class Design:
    """Size of a study of one condition.

    Parameters
    ----------
    operators : int
        Operators; 1 where cells are no parts of operators.
    sessions : int
        Cells of each operator.
    per_cell : int
        Scans of each model in a cell.
    """

    operators: int
    sessions: int
    per_cell: int

    def __post_init__(self) -> None:
        if min(self.operators, self.sessions, self.per_cell) < 1 or self.scans < 2:
            raise InputError("a study needs at least two scans")

    @property
    def cells(self) -> int:
        """Cells in all."""
        return self.operators * self.sessions

    @property
    def scans(self) -> int:
        """Scans of each model."""
        return self.cells * self.per_cell

    @property
    def cell_of_scan(self) -> Ints:
        """Cell of each scan, shape (scans,)."""
        return np.repeat(np.arange(self.cells), self.per_cell)

    @property
    def grouping(self) -> Grouping:
        """Which scans belong together."""
        cell = self.cell_of_scan
        if self.operators == 1 or self.sessions == 1:
            return Grouping(cell)
        return Grouping(cell, cell // self.sessions)


@dataclass(frozen=True)
class Level:
    """One source of scatter, as mean squares and products of the pairs.

    Parameters
    ----------
    columns : ndarray of int, shape (k,)
        Pairs that it is of.
    rows : ndarray, shape (r, k)
        ``rows.T @ rows / df`` are the mean squares and products; r is `df`, or k for many.
    df : int
        Degrees of freedom.
    """

    columns: Ints
    rows: Floats
    df: int

    def factor(self, kind: Kind, draws: int, rng: np.random.Generator) -> Floats:
        """Matrices F, shape (draws, r, k): ``F.T @ F`` are mean squares and products.

        "resampled" draws them from their Wishart distribution, also where there are more
        pairs than degrees of freedom (then within the space that was seen).
        """
        r = len(self.rows)
        if kind == "estimate" or self.df >= _ENDLESS:
            return np.broadcast_to(self.rows / np.sqrt(self.df), (draws, *self.rows.shape))
        lower = np.tril(rng.standard_normal((draws, r, r)), -1)
        index = np.arange(r)
        lower[:, index, index] = np.sqrt(rng.chisquare(self.df - index, (draws, r)))
        return np.asarray(np.swapaxes(lower, 1, 2) @ self.rows) / self.df


@dataclass(frozen=True)
class Components:
    """Estimated components of one condition and measurand; K pairs of all its models.

    Parameters
    ----------
    mean : ndarray, shape (K,)
        Bias: plain mean of the cell means, of operators' means where cells lie in operators.
    lowest : ndarray, shape (K,)
        Smallest deviation there can be.
    scans, cells, operators : tuple of Level
        Scatter of scans in cells, model by model; of cell means (in operators, where these
        return); of operators' means. Models that share cells share a level of them.
    effects : ndarray, shape (operators, K)
        Operators' means less `mean`; without rows where cells lie in no operators.
    design : Design
        Size of the study; of cells that differ in size, their mean.
    within, sessions : float
        Harmonic means of scans a cell and of cells an operator.
    n_scans : int
        Scans of all models.
    """

    mean: Floats
    lowest: Floats
    scans: tuple[Level, ...]
    cells: tuple[Level, ...]
    operators: tuple[Level, ...]
    effects: Floats
    design: Design
    within: float
    sessions: float
    n_scans: int


def components_of(samples: Sequence[Sample]) -> Components:
    """Estimate the components of one condition and measurand.

    Parameters
    ----------
    samples : sequence of Sample
        One a model.

    Raises
    ------
    InputError
        If a model has fewer than two scans.
    """
    first = samples[0].grouping
    p = int(first.cell.max()) + 1
    owner = _owners(first)
    alike = all(
        int(s.grouping.cell.max()) + 1 == p and np.array_equal(_owners(s.grouping), owner)
        for s in samples
    )
    scans: list[Level] = []
    means: list[Floats] = []
    sizes: list[Ints] = []
    start = 0
    for sample in samples:
        y, cell = sample.matrix, sample.grouping.cell
        if len(y) < 2:
            raise InputError(
                f'one scan of model "{sample.model}" only',
                hint="at least two scans are needed to estimate scatter",
            )
        columns = start + np.arange(y.shape[1])
        start += y.shape[1]
        of_cell = np.array([_mean(y[cell == c]) for c in range(int(cell.max()) + 1)])
        size = np.bincount(cell)
        scans.append(_level(columns, y, cell))
        means.append(of_cell)
        sizes.append(size)
    size = np.concatenate(sizes)
    blocks = [np.hstack(means)] if alike else means
    cells: list[Level] = []
    operators: list[Level] = []
    centres: list[Floats] = []
    effects = np.zeros((0, start))
    sessions, o = 1.0, 1
    at = 0
    for block, sample in zip(blocks, samples, strict=False):
        columns = at + np.arange(block.shape[1])
        at += block.shape[1]
        own = _owners(sample.grouping)
        if own.size and alike:
            o = int(own.max()) + 1
            sessions = float(o / (1 / np.bincount(own)).sum())
            of_operator = np.array([_mean(block[own == k]) for k in range(o)])
            centres.append(_mean(of_operator))
            effects = of_operator - centres[-1]
            cells.append(_level(columns, block, own))
            operators.append(_level(columns, of_operator, np.zeros(o, dtype=np.int64)))
        else:
            centres.append(_mean(block))
            cells.append(_level(columns, block, np.zeros(len(block), dtype=np.int64)))
    cells = [level for level in cells if level.df]
    per_cell = max(2 if p == 1 else 1, round(float(size.mean())))
    return Components(
        mean=np.concatenate(centres),
        lowest=np.concatenate([s.pairs["lowest"].to_numpy(dtype=float) for s in samples]),
        scans=tuple(scans),
        cells=tuple(cells),
        operators=tuple(operators),
        effects=effects,
        design=Design(o, max(1, round(p / o)), per_cell),
        within=float(len(size) / (1 / size).sum()),
        sessions=sessions,
        n_scans=sum(len(s.matrix) for s in samples),
    )


def assumed_components(
    s_r: float, s_cell: float = 0.0, bias: float = 0.0, *, pairs: int = 1
) -> Components:
    """Components without a pilot: standard deviations of every pair taken as the truth.

    `pairs` of a scan are independent of each other. Degrees of freedom are without end: nothing is
    left open.
    """
    if s_r < 0 or s_cell < 0:
        raise InputError("standard deviations cannot be negative")
    columns = np.arange(pairs)
    eye = np.eye(pairs) * np.sqrt(_ENDLESS)
    return Components(
        mean=np.full(pairs, float(bias)),
        lowest=np.full(pairs, -np.inf),
        scans=(Level(columns, s_r * eye, _ENDLESS),),
        cells=(Level(columns, np.hypot(s_cell, s_r) * eye, _ENDLESS),),
        operators=(),
        effects=np.zeros((0, pairs)),
        design=Design(1, _ENDLESS, 3),
        within=1.0,
        sessions=1.0,
        n_scans=0,
    )


def _owners(grouping: Grouping) -> Ints:
    """Operator of each cell; empty where cells lie in no operators."""
    if grouping.operator is None:
        return np.zeros(0, dtype=np.int64)
    out = np.zeros(int(grouping.cell.max()) + 1, dtype=np.int64)
    out[grouping.cell] = grouping.operator
    return out


def _mean(values: Floats) -> Floats:
    """Mean of the rows, without missing values; NaN where all are missing."""
    there = np.isfinite(values)
    count = there.sum(axis=0)
    total = np.where(there, values, 0.0).sum(axis=0)
    out = np.full(count.shape, np.nan)
    np.divide(total, count, out=out, where=count > 0)
    return out


def _level(columns: Ints, values: Floats, groups: Ints) -> Level:
    """Scatter within groups of rows as orthonormal contrasts; missing values widen the rest."""
    there = np.isfinite(values)
    filled = np.where(there, values, 0.0)
    rows = [np.zeros((0, values.shape[1]))]
    df = 0
    for group in range(int(groups.max()) + 1):
        own = groups == group
        size = int(own.sum())
        if size < 2:
            continue
        seen = there[own].sum(axis=0)
        mean = filled[own].sum(axis=0) / np.maximum(seen, 1)
        left = np.where(there[own], filled[own] - mean, 0.0)
        left *= np.sqrt((size - 1) / np.maximum(seen - 1, 1))
        rows.append(_contrasts(size) @ left)
        df += size - 1
    found = np.vstack(rows)
    if len(found) > _MOST_ROWS:
        _, s, vt = np.linalg.svd(found, full_matrices=False)
        signs = np.sign(vt[np.arange(len(vt)), np.abs(vt).argmax(axis=1)])
        found = (s * signs)[:, None] * vt
    return Level(columns, found, df)


@cache
def _contrasts(size: int) -> Floats:
    """Helmert's orthonormal contrasts, shape (size - 1, size)."""
    out = np.tril(np.ones((size - 1, size)))
    k = np.arange(1, size)
    out[k - 1, k] = -k
    return np.asarray(out / np.sqrt(k * (k + 1.0))[:, None])


Factors = list[tuple[Ints, Floats]]


@dataclass(frozen=True)
class _Truth:
    """Drawn truths: factors of the scatter of each level, freed of the levels below."""

    mean: Floats
    scans: Factors
    cells: Factors
    operators: Factors
    kept: Floats


def _truths(found: Components, kind: Kind, draws: int, rng: np.random.Generator) -> _Truth:
    k = len(found.mean)
    below = np.zeros((draws, k))
    scans = [(level.columns, level.factor(kind, draws, rng)) for level in found.scans if level.df]
    for columns, f in scans:
        below[:, columns] = (f**2).sum(axis=1)
    top, units = scans, found.design.per_cell
    freed: list[Factors] = []
    kept = np.ones((draws, k))
    for levels, parts in ((found.cells, found.within), (found.operators, found.sessions)):
        drawn = [(level.columns, level.factor(kind, draws, rng)) for level in levels]
        if not drawn:
            freed.append([])
            continue
        squares = np.zeros((draws, k))
        for columns, f in drawn:
            squares[:, columns] = (f**2).sum(axis=1)
        kept = _kept(below / parts, squares)
        freed.append([(columns, f * kept[:, None, columns]) for columns, f in drawn])
        if levels is found.cells:
            scans = _pooled(scans, levels, found, squares, kept)
        top, below = drawn, squares
        units = found.design.operators if levels is found.operators else found.design.cells
    of_mean = np.zeros((draws, k))
    noise = np.zeros((draws, k))
    for columns, f in top:
        of_mean[:, columns] = (f**2).sum(axis=1) / units
        if kind == "resampled":
            z = rng.standard_normal((draws, 1, f.shape[1]))
            noise[:, columns] = (z @ f)[:, 0] / np.sqrt(units)
    mean = _unbiased(np.broadcast_to(found.mean, (draws, k)), of_mean)
    if kind == "resampled":
        mean = _unbiased(mean + noise, of_mean)
    return _Truth(mean, scans, freed[0], freed[1], kept)


def _kept(below: Floats, whole: Floats) -> Floats:
    """Factor that leaves of a level's standard deviation what the level below does not explain.

    A single pair tells the share badly, and cutting it at zero makes too much of it: the mean
    of its own share and that of all pairs is cut.
    """
    own = np.divide(below, whole, out=np.ones_like(whole), where=whole > 0)
    total = whole.sum(axis=1)
    common = np.divide(below.sum(axis=1), total, out=np.ones_like(total), where=total > 0)
    return np.asarray(np.sqrt(np.maximum(1 - (own + common[:, None]) / 2, 0.0)))


def _pooled(
    scans: Factors, cells: Sequence[Level], found: Components, squares: Floats, kept: Floats
) -> Factors:
    """Scatter of scans of pairs whose cells do not differ: both mean squares tell it."""
    df_cells = max(level.df for level in cells)
    out = []
    for (columns, f), level in zip(scans, [lv for lv in found.scans if lv.df], strict=True):
        own = (f**2).sum(axis=1)
        both = (df_cells * found.within * squares[:, columns] + level.df * own) / (
            df_cells + level.df
        )
        ratio = np.divide(both, own, out=np.ones_like(own), where=own > 0)
        scale = np.where(kept[:, columns] > 0, 1.0, np.sqrt(np.minimum(ratio, 1.0)))
        out.append((columns, f * scale[:, None, :]))
    return out


def _unbiased(mean: Floats, variance: Floats) -> Floats:
    """Means drawn in so that their mean square is that of the bias, without their own scatter."""
    square = (mean**2).sum(axis=1)
    left = np.divide(variance.sum(axis=1), square, out=np.ones(len(mean)), where=square > 0)
    return np.asarray(mean * np.sqrt(np.maximum(0.0, 1 - left))[:, None])


def draw_studies(
    found: Components,
    design: Design,
    *,
    kind: Kind,
    studies: int,
    seed: Sequence[int],
    repeats: int = 1,
    same_operators: bool = False,
) -> Floats:
    """Simulate studies of a size: deviations, (studies * repeats, scans, K), those of one truth
    together.

    `kind` says how each study's truth is taken: all the same ("estimate") or one each; studies of
    both kinds from one seed differ in nothing but their truth. With `same_operators` the pilot's
    operators scan again; else others do.
    """
    truth = _truths(found, kind, studies, np.random.default_rng([*seed, 1]))
    rng = np.random.default_rng([*seed, 2])
    n, k = design.scans, len(found.mean)
    out = np.empty((studies, repeats, n, k))
    out[:] = truth.mean[:, None, None, :]
    of_cell = design.cell_of_scan
    of_operator = of_cell // design.sessions
    again = same_operators and len(found.effects) == design.operators
    if again:
        out += (found.effects * truth.kept[:, None, :])[:, None, of_operator]
    for factors, units, of_scan in (
        ([] if again else truth.operators, design.operators, of_operator),
        (truth.cells, design.cells, of_cell),
        (truth.scans, n, np.arange(n)),
    ):
        for columns, f in factors:
            z = rng.standard_normal((studies, repeats * units, f.shape[1]))
            effect = (z @ f).reshape(studies, repeats, units, len(columns))
            out[..., columns] += effect[:, :, of_scan]
    return np.maximum(out, found.lowest).reshape(-1, n, k)


def spread_words(found: Components, unit: str) -> str:
    """Root mean squares over pairs, for the line that says what is assumed."""
    unit = unit_name(unit)
    w = _mean_square(found.scans)
    bias = f"largest bias {np.abs(found.mean).max():.4g} {unit}"
    if not found.cells:
        return f"s_r {math.sqrt(w):.4g} {unit}, s_cell cannot be estimated from one cell, {bias}"
    b = _mean_square(found.cells)
    cell = math.sqrt(max(0.0, b - w / found.within))
    said = f"s_r {math.sqrt(w):.4g} {unit}, s_cell {cell:.4g} {unit}"
    if found.operators:
        operator = math.sqrt(max(0.0, _mean_square(found.operators) - b / found.sessions))
        said += f", between operators {operator:.4g} {unit}"
    return f"{said}, {bias}"


def _mean_square(levels: Sequence[Level]) -> float:
    """Mean square of a level, averaged over its pairs."""
    each = [(level.rows**2).sum(axis=0) / max(level.df, 1) for level in levels]
    return float(np.concatenate(each).mean())
