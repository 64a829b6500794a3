"""From a formula and a table to the matrices of a mixed model.

Tests, means and slopes need to know what each column of X stands for. Categories get
treatment coding: the first level is the reference, levels are sorted as text
unless the column is a pandas categorical.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import product

import numpy as np
import numpy.typing as npt
import pandas as pd

from accstudy.errors import Finding, InputError, nearest, remark, warning
from accstudy.models.formula import Parts, columns_of, evaluate, expand
from accstudy.words.catalogue import say

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


_LARGEST = 1e50
"""Size of a number beyond which squares of products may overflow; no deviation or factor lies."""


@dataclass(frozen=True)
class Term:
    """One term of the fixed part.

    `name` as in the formula, ``1`` for the intercept; `parts` in the order of the formula,
    `factors` the categorical ones, `covariates` the numeric columns or expressions; `full` says of
    each factor that it has one column a level, because its margin is not in the model; `columns`
    are those among all columns of X.
    """

    name: str
    parts: tuple[str, ...]
    factors: tuple[str, ...]
    covariates: tuple[str, ...]
    full: tuple[bool, ...]
    columns: tuple[int, ...]


@dataclass(frozen=True)
class Design:
    """Response and fixed part.

    Parameters
    ----------
    response : str
        Expression of the response.
    y : (n,) ndarray
        Its values.
    x : (n, p) ndarray
        Columns of the fixed effects that the data can tell apart.
    names : tuple of str
        Coefficient of each of these columns.
    kept : (p,) ndarray of int
        Where they are among all columns.
    lengths : (all columns,) ndarray
        Length of each column; 1 for a column of zeros.
    null : (all columns, d) ndarray
        Combinations of all columns, each divided by its length, that are zero in every row.
    terms : tuple of Term
        Terms of the formula.
    levels : mapping
        Levels of each categorical column, the reference first.
    sources : mapping
        Columns behind each covariate: itself, or those of an expression.
    centres : mapping
        Mean of each of these columns.
    rows : (n,) ndarray of int
        Positions of the rows used in the table given.
    data : DataFrame
        The rows used.
    findings : tuple of Finding
        Rows left out and columns dropped.
    """

    response: str
    y: Floats
    x: Floats
    names: tuple[str, ...]
    kept: Ints
    lengths: Floats
    null: Floats
    terms: tuple[Term, ...]
    levels: Mapping[str, tuple[str, ...]]
    sources: Mapping[str, tuple[str, ...]]
    centres: Mapping[str, float]
    rows: Ints
    data: pd.DataFrame
    findings: tuple[Finding, ...]

    def columns(self, codes: Mapping[str, Ints], values: Mapping[str, Floats]) -> Floats:
        """All columns of X, (m, all columns), at given levels and covariate values, (m,) each."""
        size = len(next(iter({**codes, **values}.values()), np.zeros(1)))
        return np.hstack([_term_columns(t, self.levels, codes, values, size) for t in self.terms])

    def undetermined(self, rows: Floats) -> Floats:
        """What the data leave open of each linear combination of all columns, (rows, d).

        Compared with the combination's own size, in columns of length one: whether data
        determine an effect does not depend on the unit of a covariate.
        """
        scaled = rows / self.lengths
        size = np.linalg.norm(scaled, axis=1, keepdims=True)
        return np.asarray((scaled / np.maximum(size, 1e-300)) @ self.null)

    def estimable(self, rows: Floats) -> npt.NDArray[np.bool_]:
        """Whether the data determine each linear combination of all columns."""
        if not self.null.shape[1]:
            return np.ones(len(rows), bool)
        return np.asarray(np.abs(self.undetermined(rows)).max(axis=1) < _OPEN)

    def held(self, values: Mapping[str, float]) -> dict[str, float]:
        """Value of every covariate where the columns behind them are held."""
        out = {c: float(values[c]) for c, names in self.sources.items() if (c,) == names}
        if len(out) < len(self.sources):
            frame = pd.DataFrame({c: [float(v)] for c, v in values.items()})
            out = {c: out[c] if c in out else float(evaluate(c, frame)[0]) for c in self.sources}
        return out

    @cached_property
    def _ranges(self) -> dict[tuple[str, str], dict[str, tuple[float, float]]]:
        return {}

    def ranges(self, factor: str, column: str) -> dict[str, tuple[float, float]]:
        """Smallest and largest value of a column of the data at every level of another."""
        if (factor, column) not in self._ranges:
            labels = self.data[factor].astype(str).to_numpy(object)
            by = self.data[column].astype(float).groupby(labels).agg(["min", "max"])
            self._ranges[factor, column] = {
                str(level): (float(low), float(high))
                for level, low, high in by.itertuples(name=None)
            }
        return self._ranges[factor, column]

    def held_for_tests(self, centred: bool) -> dict[str, float]:
        """Value of every covariate at the means of the columns, or zero."""
        return self.held(self.centres) if centred else dict.fromkeys(self.sources, 0.0)

    def of_column(self, term: Term, column: str) -> bool:
        """Whether a term has a covariate that a column stands behind."""
        return any(column in self.sources[c] for c in term.covariates)


_OPEN = 1e-7
"""Share of a combination, in columns of length one, that counts as not determined."""


def text_levels(column: pd.Series) -> tuple[str, ...]:
    """Levels of a column: those of a categorical in its order, else sorted as text."""
    if isinstance(column.dtype, pd.CategoricalDtype):
        present = set(column.dropna().astype(str))
        return tuple(c for c in map(str, column.cat.categories) if c in present)
    return tuple(sorted(set(column.dropna().astype(str))))


def _codes(column: pd.Series, levels: Sequence[str]) -> Ints:
    return np.asarray(pd.Categorical(column.astype(str), categories=list(levels)).codes, np.int64)


def _is_category(column: pd.Series) -> bool:
    kind = pd.api.types
    return kind.is_bool_dtype(column) or not kind.is_numeric_dtype(column)


def _parse(formula: str) -> tuple[str, list[Parts]]:
    left, tilde, right = formula.partition("~")
    if not tilde or not left.strip():
        raise InputError(f'the formula "{formula}" lacks a response', hint="write response ~ terms")
    if "|" in right:
        raise InputError(
            f'the formula "{formula}" contains a random term',
            hint='give random terms separately: random=("scan", "operator/session")',
        )
    return left.strip(), expand(right)


def _measurable(name: str, values: Floats) -> None:
    """Refuse numbers whose squares leave the range of floating-point numbers."""
    largest = float(np.abs(values).max(initial=0.0))
    if largest > _LARGEST or 0 < largest < 1 / _LARGEST:
        raise InputError(
            f'the values of "{name}" reach {largest:.2g}, beyond any possible measurement',
            hint="check its unit and its expression",
        )


def build_design(
    formula: str, data: pd.DataFrame, *, extra: Sequence[str] = (), numbers: Sequence[str] = ()
) -> Design:
    """Read a formula ``response ~ terms`` and build response and fixed part.

    Rows must also have the `extra` columns, and numbers in `numbers`. InputError if a column is
    unknown or no usable row is left.
    """
    left, parsed = _parse(formula)
    factors, covariates = _roles(parsed, data)
    numeric = {name: evaluate(part, data) for name, part in covariates.items()}
    y = evaluate(f"`{left}`" if left in data.columns else left, data)
    known = np.isfinite(y)
    for column_values in numeric.values():
        known &= np.isfinite(column_values)
    for column in numbers:
        known &= np.isfinite(evaluate(f"`{column}`", data))
    for column in (*factors.values(), *extra):
        _require(column, data)
        known &= data[column].notna().to_numpy() & (data[column].astype(str) != "").to_numpy()
    rows = np.flatnonzero(known)
    findings = _left_out(left, data, y, rows)
    if not len(rows):
        raise InputError(f'no row has all of "{formula}"')
    for name, column_values in {left: y, **numeric}.items():
        _measurable(name, column_values[rows])
    used = data.iloc[rows]
    levels = {f: text_levels(used[column]) for f, column in factors.items()}
    codes = {f: _codes(used[column], levels[f]) for f, column in factors.items()}
    values = {c: v[rows] for c, v in numeric.items()}
    findings += [
        warning(
            "one-level",
            say("findings.column_has_the_single", factor=factor, level=level[0]),
            mend=say("findings.leave_the_column_out"),
        )
        for factor, level in levels.items()
        if len(level) == 1
    ]
    sources = {c: (c,) if c in data.columns else tuple(columns_of(c)) for c in covariates}
    columns = dict.fromkeys(c for names in sources.values() for c in names)
    terms = _terms(parsed, levels)
    everything = np.hstack([_term_columns(t, levels, codes, values, len(rows)) for t in terms])
    names = [name for t in terms for name in _term_names(t, levels)]
    lengths = np.linalg.norm(everything, axis=0)
    lengths[lengths == 0] = 1.0
    kept, null = _independent(everything / lengths)
    findings += _dropped(terms, names, kept)
    return Design(
        response=left,
        y=y[rows],
        x=everything[:, kept],
        names=tuple(names[i] for i in kept),
        kept=kept,
        lengths=lengths,
        null=null,
        terms=terms,
        levels=levels,
        sources=sources,
        centres={c: float(evaluate(f"`{c}`", used).mean()) for c in columns},
        rows=rows,
        data=used,
        findings=tuple(findings),
    )


def _require(column: str, data: pd.DataFrame) -> None:
    if column not in data.columns:
        raise InputError(
            f'the model names the column "{column}", which is missing from the data',
            hint=nearest(column, [str(c) for c in data.columns]),
        )


def _roles(parsed: list[Parts], data: pd.DataFrame) -> tuple[dict[str, str], dict[str, str]]:
    """Parts that are categories, with their column; parts that are numbers, as expressions."""
    factors: dict[str, str] = {}
    covariates: dict[str, str] = {}
    for name in dict.fromkeys(p for term in parsed for p in term):
        if name in data.columns:
            if _is_category(data[name]):
                factors[name] = name
            else:
                covariates[name] = f"`{name}`"
        elif name.startswith("C(") and name.endswith(")"):
            column = name[2:-1].strip("`")
            _require(column, data)
            factors[name] = column
        else:
            for column in columns_of(name):
                _require(column, data)
            if not columns_of(name):
                raise InputError(f'"{name}" in the formula names no column')
            covariates[name] = name
    return factors, covariates


def _terms(parsed: list[Parts], levels: Mapping[str, Sequence[str]]) -> tuple[Term, ...]:
    """Decide the coding of every factor of every term by the margins in the model."""
    present = {frozenset(t) for t in parsed}
    terms, at = [], 0
    for names in parsed:
        inside = tuple(n for n in names if n in levels)
        full = tuple(frozenset(names) - {n} not in present for n in inside)
        width = int(np.prod([len(levels[n]) - (not f) for n, f in zip(inside, full, strict=True)]))
        covariates = tuple(n for n in names if n not in levels)
        columns = tuple(range(at, at + width))
        terms.append(Term(":".join(names) or "1", names, inside, covariates, full, columns))
        at += width
    return tuple(terms)


def _choices(term: Term, levels: Mapping[str, Sequence[str]]) -> list[tuple[int, ...]]:
    """Levels behind each column of a term, the first factor varying fastest."""
    ranges = [
        range(0 if full else 1, len(levels[f]))
        for f, full in zip(term.factors, term.full, strict=True)
    ]
    return [choice[::-1] for choice in product(*ranges[::-1])]


def _term_columns(
    term: Term,
    levels: Mapping[str, Sequence[str]],
    codes: Mapping[str, Ints],
    values: Mapping[str, Floats],
    size: int,
) -> Floats:
    base = np.ones(size)
    for covariate in term.covariates:
        base = base * values[covariate]
    columns = []
    for choice in _choices(term, levels):
        column = base
        for factor, level in zip(term.factors, choice, strict=True):
            column = column * (codes[factor] == level)
        columns.append(column)
    return np.column_stack(columns) if columns else np.empty((size, 0))


def _term_names(term: Term, levels: Mapping[str, Sequence[str]]) -> list[str]:
    if term.name == "1":
        return ["(Intercept)"]
    names = []
    for choice in _choices(term, levels):
        at = dict(zip(term.factors, choice, strict=True))
        parts = []
        for part in term.parts:
            parts.append(f"{part}[{levels[part][at[part]]}]" if part in at else part)
        names.append(":".join(parts))
    return names


_SEEN = 1e-9
"""Length that must be left of a column of length one when those before it are taken off."""


def _independent(columns: Floats) -> tuple[Ints, Floats]:
    """Columns that are no combination of those before them; and the null space.

    Columns have length one, or zero.
    """
    kept: list[int] = []
    basis = np.empty((len(columns), 0))
    null = []
    for j in range(columns.shape[1]):
        column = columns[:, j]
        empty = not column.any()
        rest = column - basis @ (basis.T @ column)
        rest -= basis @ (basis.T @ rest)
        length = np.linalg.norm(rest)
        if length > _SEEN:
            kept.append(j)
            basis = np.column_stack([basis, rest / length])
            continue
        combination = np.zeros(columns.shape[1])
        combination[j] = 1.0
        if not empty:
            combination[kept] = -np.linalg.lstsq(columns[:, kept], column, rcond=None)[0]
        null.append(combination / np.linalg.norm(combination))
    space = np.column_stack(null) if null else np.empty((columns.shape[1], 0))
    return np.asarray(kept, np.int64), space


def _left_out(left: str, data: pd.DataFrame, y: Floats, rows: Ints) -> list[Finding]:
    lost = len(data) - len(rows)
    if not lost:
        return []
    infinite = int(np.isinf(y).sum())
    why = f", {infinite} of them because {left} has no finite value there" if infinite else ""
    return [
        remark(
            "rows-left-out",
            say("findings.of_rows_are_left", lost=lost, data=len(data), left=left, why=why),
        )
    ]


def _dropped(terms: tuple[Term, ...], names: list[str], kept: Ints) -> list[Finding]:
    gone = [i for i in range(len(names)) if i not in set(kept.tolist())]
    if not gone:
        return []
    touched = [t.name for t in terms if set(t.columns) & set(gone)]
    return [
        warning(
            "aliased",
            say("findings.the_data_cannot_separate", touched=", ".join(touched))
            + ", ".join(names[i] for i in gone),
            mend=(say("findings.some_combinations_of_levels")),
        )
    ]
