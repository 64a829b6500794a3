"""From a formula and a table to the matrices of a mixed model.

The formula's grammar is formulaic's; the columns are built here, because tests,
means and slopes need to know what each of them stands for. Categories get
treatment coding: the first level is the reference, levels are sorted as text
unless the column is a pandas categorical.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
import numpy.typing as npt
import pandas as pd
from formulaic import Formula
from formulaic.errors import FormulaicError

from accstudy.errors import Finding, InputError, Severity, nearest
from accstudy.models.expression import alias_keywords, columns_of, evaluate, unalias

__all__ = ["Design", "Term", "build_design", "text_levels"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Term:
    """One term of the fixed part.

    Parameters
    ----------
    name : str
        As in the formula; ``1`` for the intercept.
    factors : tuple of str
        Its categorical columns.
    covariates : tuple of str
        Its numeric columns or expressions.
    full : tuple of bool
        For each factor: one column a level, because the margin is not in the model.
    columns : tuple of int
        Columns among all columns of X.
    """

    name: str
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
    null : (all columns, d) ndarray
        Combinations of all columns that are zero in every row.
    terms : tuple of Term
        Terms of the formula.
    levels : mapping
        Levels of each categorical column, the reference first.
    centres : mapping
        Mean of each covariate.
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
    null: Floats
    terms: tuple[Term, ...]
    levels: Mapping[str, tuple[str, ...]]
    centres: Mapping[str, float]
    rows: Ints
    data: pd.DataFrame
    findings: tuple[Finding, ...]

    def columns(self, codes: Mapping[str, Ints], values: Mapping[str, Floats]) -> Floats:
        """All columns of X at given levels and covariate values.

        Parameters
        ----------
        codes : mapping of str to (m,) ndarray of int
            Level of each categorical column.
        values : mapping of str to (m,) ndarray
            Value of each covariate.

        Returns
        -------
        (m, all columns) ndarray
        """
        size = len(next(iter({**codes, **values}.values()), np.zeros(1)))
        return np.hstack([_term_columns(t, self.levels, codes, values, size) for t in self.terms])

    def estimable(self, rows: Floats) -> npt.NDArray[np.bool_]:
        """Whether the data determine each linear combination of all columns."""
        if not self.null.shape[1]:
            return np.ones(len(rows), bool)
        size = np.maximum(np.abs(rows).max(axis=1), 1e-300)
        return np.asarray(np.abs(rows @ self.null).max(axis=1) < 1e-8 * size)


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


def _parse(formula: str) -> tuple[str, list[tuple[str, ...]]]:
    left, tilde, right = formula.partition("~")
    if not tilde or not left.strip():
        raise InputError(f'the formula "{formula}" lacks a response', hint="write response ~ terms")
    if "|" in right:
        raise InputError(
            f'the formula "{formula}" holds a random term',
            hint='give random terms apart: random=("scan", "operator/session")',
        )
    try:
        parsed = Formula(alias_keywords(right))
        terms = [tuple(str(f.expr) for f in term.factors) for term in parsed]
    except (FormulaicError, AttributeError, SyntaxError):
        raise InputError(f'cannot read the formula "{formula}"') from None
    return left.strip(), [() if t == ("1",) else t for t in terms]


def build_design(
    formula: str,
    data: pd.DataFrame,
    *,
    extra: Sequence[str] = (),
    numbers: Sequence[str] = (),
) -> Design:
    """Read a formula and build response and fixed part.

    Parameters
    ----------
    formula : str
        ``response ~ terms``, without random terms.
    data : DataFrame
        One row an observation.
    extra : sequence of str
        Further columns that must be present in a row for it to be used.
    numbers : sequence of str
        Further columns that must hold numbers.

    Returns
    -------
    Design

    Raises
    ------
    InputError
        If a column is unknown or no usable row is left.
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
    used = data.iloc[rows]
    levels = {f: text_levels(used[column]) for f, column in factors.items()}
    codes = {f: _codes(used[column], levels[f]) for f, column in factors.items()}
    values = {c: v[rows] for c, v in numeric.items()}
    findings += [
        Finding(
            Severity.WARNING,
            "one-level",
            f'column "{factor}" has the single level "{level[0]}", so its effect cannot be seen',
            mend="leave the column out of the model or add scans of another level",
        )
        for factor, level in levels.items()
        if len(level) == 1
    ]
    terms = _terms(parsed, levels)
    everything = np.hstack([_term_columns(t, levels, codes, values, len(rows)) for t in terms])
    names = [name for t in terms for name in _term_names(t, levels)]
    kept, null = _independent(everything)
    findings += _dropped(terms, names, kept)
    return Design(
        response=left,
        y=y[rows],
        x=everything[:, kept],
        names=tuple(names[i] for i in kept),
        kept=kept,
        null=null,
        terms=terms,
        levels=levels,
        centres={c: float(v.mean()) for c, v in values.items()},
        rows=rows,
        data=used,
        findings=tuple(findings),
    )


def _require(column: str, data: pd.DataFrame) -> None:
    if column not in data.columns:
        raise InputError(
            f'the model names the column "{column}", which the data lack',
            hint=nearest(column, [str(c) for c in data.columns]),
        )


def _roles(
    parsed: list[tuple[str, ...]], data: pd.DataFrame
) -> tuple[dict[str, str], dict[str, str]]:
    """Parts that are categories, with their column; parts that are numbers, as expressions."""
    factors: dict[str, str] = {}
    covariates: dict[str, str] = {}
    for part in dict.fromkeys(p for term in parsed for p in term):
        name = unalias(part)
        if name in data.columns:
            if _is_category(data[name]):
                factors[name] = name
            else:
                covariates[name] = f"`{name}`"
        elif name.startswith("C(") and name.endswith(")"):
            column = name[2:-1].strip()
            _require(column, data)
            factors[name] = column
        else:
            for column in columns_of(part):
                _require(column, data)
            covariates[name] = part
    return factors, covariates


def _terms(parsed: list[tuple[str, ...]], levels: Mapping[str, Sequence[str]]) -> tuple[Term, ...]:
    """Decide the coding of every factor of every term by the margins in the model."""
    present = {frozenset(map(unalias, t)) for t in parsed}
    terms, at = [], 0
    for parts in parsed:
        names = tuple(map(unalias, parts))
        inside = tuple(n for n in names if n in levels)
        full = tuple(frozenset(names) - {n} not in present for n in inside)
        width = int(np.prod([len(levels[n]) - (not f) for n, f in zip(inside, full, strict=True)]))
        covariates = tuple(n for n in names if n not in levels)
        columns = tuple(range(at, at + width))
        terms.append(Term(":".join(names) or "1", inside, covariates, full, columns))
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
        for part in _split(term):
            parts.append(f"{part}[{levels[part][at[part]]}]" if part in at else part)
        names.append(":".join(parts))
    return names


def _split(term: Term) -> list[str]:
    """Parts of a term in the order of the formula."""
    rest, parts, known = term.name, [], {*term.factors, *term.covariates}
    while rest:
        part = next(k for k in sorted(known, key=len, reverse=True) if rest.startswith(k))
        parts.append(part)
        rest = rest[len(part) + 1 :]
    return parts


def _independent(columns: Floats) -> tuple[Ints, Floats]:
    """Columns that are no combination of those before them; and the null space."""
    kept: list[int] = []
    basis = np.empty((len(columns), 0))
    null = []
    for j in range(columns.shape[1]):
        column = columns[:, j]
        size = np.linalg.norm(column)
        rest = column - basis @ (basis.T @ column)
        rest -= basis @ (basis.T @ rest)
        length = np.linalg.norm(rest)
        if size > 0 and length > 1e-9 * size:
            kept.append(j)
            basis = np.column_stack([basis, rest / length])
            continue
        combination = np.zeros(columns.shape[1])
        combination[j] = 1.0
        if size > 0:
            combination[kept] = -np.linalg.lstsq(columns[:, kept], column, rcond=None)[0]
        null.append(combination)
    space = np.column_stack(null) if null else np.empty((columns.shape[1], 0))
    return np.asarray(kept, np.int64), space


def _left_out(left: str, data: pd.DataFrame, y: Floats, rows: Ints) -> list[Finding]:
    lost = len(data) - len(rows)
    if not lost:
        return []
    infinite = int(np.isinf(y).sum())
    why = f", {infinite} of them because {left} has no finite value there" if infinite else ""
    return [
        Finding(
            Severity.NOTE,
            "rows-left-out",
            f"{lost} of {len(data)} rows are left out of the model of {left} because a value "
            f"is missing{why}",
        )
    ]


def _dropped(terms: tuple[Term, ...], names: list[str], kept: Ints) -> list[Finding]:
    gone = [i for i in range(len(names)) if i not in set(kept.tolist())]
    if not gone:
        return []
    touched = [t.name for t in terms if set(t.columns) & set(gone)]
    return [
        Finding(
            Severity.WARNING,
            "aliased",
            f"the data cannot tell apart all effects of {', '.join(touched)}: dropped "
            + ", ".join(names[i] for i in gone),
            mend="empty combinations of levels or columns that follow from each other; "
            "simplify the model or add scans of the missing combinations",
        )
    ]
