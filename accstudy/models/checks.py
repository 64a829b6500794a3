"""Residual checks as tables: nothing is drawn here.

References
----------
Cook: Detection of influential observation in linear regression, Technometrics 19
(1977) 15-18, applied to whole groups of rows. Levene (1960) and Glejser, JASA 64
(1969) 316-323, for the regression of absolute residuals.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import linalg, stats

from accstudy.errors import InputError, nearest
from accstudy.grid import on_grid
from accstudy.models.crossproducts import Floats
from accstudy.models.grouping import SITES

if TYPE_CHECKING:
    from accstudy.models.mixed import MixedFit

__all__ = ["SURE", "far_residuals", "leave_out", "leverage", "quantiles", "spread_tests"]

SURE = 0.001
"""p of a check on residuals below which it says something, since rows are not independent."""

_LARGE_RATIO = 2.0
_LEAST_SHOWN = 0.02  # of a row's residual variance, below which its residual says nothing
_ROWS_AT_ONCE = 4000
_REGULAR = 1e-6  # smallest pivot, against the largest entry, from which a matrix is regular
_NORMAL_BEYOND = float(2 * stats.norm.sf(3))  # share beyond three standard deviations


def quantiles(fit: MixedFit) -> pd.DataFrame:
    """Ordered residuals and random effects beside normal quantiles.

    Parameters
    ----------
    fit : MixedFit
        The model.

    Returns
    -------
    DataFrame
        ``component`` (a random factor or ``residual``), ``label`` (its level, or the
        row's position in the table given), ``normal`` (Blom's position), ``value``
        (divided by its own standard deviation).
    """
    frames = []
    effects = fit.effects()
    for name in [g.name for g in fit.groups]:
        own = effects[effects["factor"] == name]
        variance = fit.sds[name] ** 2 - own["sd"] ** 2
        known = variance > 1e-9 * max(fit.sds[name] ** 2, 1e-300)
        if known.sum() >= 3:
            values = own["effect"][known] / np.sqrt(variance[known])
            frames.append(_ordered(name, own["level"][known].to_numpy(object), values.to_numpy()))
    scaled = fit.fitted()["residual_scaled"].to_numpy(float)
    frames.append(_ordered("residual", fit.design.rows.astype(str).astype(object), scaled))
    return pd.concat(frames, ignore_index=True)


def _ordered(name: str, labels: np.ndarray, values: Floats) -> pd.DataFrame:
    order = np.argsort(on_grid(values), kind="stable")  # ties in the order of the rows
    position = (np.arange(1, len(values) + 1) - 0.375) / (len(values) + 0.25)
    return pd.DataFrame(
        {
            "component": name,
            "label": labels[order],
            "normal": stats.norm.ppf(position),
            "value": values[order],
        }
    )


def spread_tests(fit: MixedFit) -> pd.DataFrame:
    """Does the size of the residuals depend on a factor, a covariate or the fitted value?

    Absolute residuals, each over its own standard deviation, are regressed on each; the F
    test takes rows as independent, so a small p is a hint, not a proof. Where random terms
    take up most of what a row shows (scans of one or two pairs) its residual is small
    whatever the scatter: its own standard deviation allows for that, and rows that show
    less than a fiftieth of their scatter do not count.

    Parameters
    ----------
    fit : MixedFit
        The model.

    Returns
    -------
    DataFrame
        ``against, F, num_df, den_df, p, ratio, warned``: ``ratio`` is the largest mean
        absolute residual over the smallest, by level or by fifth; ``warned`` where p is
        below 0.001 and the ratio 2 or more.
    """
    left = 1 - leverage(fit)
    shown = left > _LEAST_SHOWN
    frame = fit.fitted()[shown]
    size = np.abs(frame["residual_scaled"].to_numpy(float)) / np.sqrt(left[shown])
    columns: dict[str, pd.Series] = {"fitted": frame["fitted"]}
    columns.update({c: frame[c] for c in fit.design.centres if c in frame})
    out = []
    for name, column in columns.items():
        values = column.to_numpy(float)
        if len(values) < 3 or np.ptp(values) <= 1e-9 * max(1.0, float(np.abs(values).max())):
            continue
        slope = stats.linregress(values, size)
        t2 = (slope.slope / slope.stderr) ** 2 if slope.stderr > 0 else 0.0
        fifths = pd.qcut(column, 5, duplicates="drop")
        out.append((name, t2, 1.0, len(size) - 2.0, _ratio(size, fifths)))
    for factor in fit.design.levels:
        if factor not in frame or factor in SITES:
            continue
        groups = [
            size[(frame[factor].astype(str) == lv).to_numpy()] for lv in fit.design.levels[factor]
        ]
        groups = [g for g in groups if len(g) > 1]
        if len(groups) > 1:
            statistic = float(stats.f_oneway(*groups).statistic)
            df = float(sum(map(len, groups)) - len(groups))
            out.append((factor, statistic, len(groups) - 1.0, df, _ratio(size, frame[factor])))
    table = pd.DataFrame(out, columns=["against", "F", "num_df", "den_df", "ratio"])
    table = table.astype(dict.fromkeys(table.columns[1:], float))
    table.insert(4, "p", stats.f.sf(table["F"], table["num_df"], table["den_df"]))
    return table.assign(warned=(table["p"] < SURE) & (table["ratio"] >= _LARGE_RATIO))


def leverage(fit: MixedFit) -> Floats:
    """Share of each row's residual variance that the fit takes up, (n,): ``T H T' / R``."""
    h, at = fit.equations, fit.optimum.at
    taken = np.empty(fit.n)
    for start in range(0, fit.n, _ROWS_AT_ONCE):  # for the sake of memory
        t = fit.table.t[start : start + _ROWS_AT_ONCE]
        taken[start : start + _ROWS_AT_ONCE] = np.asarray(t.multiply(t @ h).sum(axis=1)).ravel()
    return np.asarray(taken / (at.variance / at.weights)[fit.residual_codes])


def far_residuals(fit: MixedFit) -> tuple[int, float, bool]:
    """Residuals beyond three standard deviations.

    Parameters
    ----------
    fit : MixedFit
        The model.

    Returns
    -------
    beyond : int
        How many.
    expected : float
        How many there would be if residuals were normal.
    heavy : bool
        Whether they are more than twice that, and more than chance explains (binomial
        test at 0.001, rows taken as independent).
    """
    size = np.abs(fit.fitted()["residual_scaled"].to_numpy(float))
    beyond, expected = int((size > 3).sum()), len(size) * _NORMAL_BEYOND
    chance = stats.binom.sf(beyond - 1, len(size), _NORMAL_BEYOND)
    return beyond, expected, bool(beyond > 2 * expected and chance < SURE)


def _ratio(size: Floats, by: pd.Series) -> float:
    means = pd.Series(size, index=by.index).groupby(by, observed=True).mean()
    return float(means.max() / means.min()) if means.min() > 0 else float("inf")


def leave_out(
    fit: MixedFit, combinations: Floats, labels: Sequence[str], *, by: str = "scan"
) -> pd.DataFrame:
    """Change of linear combinations when all rows of one level are left out.

    The variance components are held, so this is exact for the fixed effects given
    them and needs no refit.

    Parameters
    ----------
    fit : MixedFit
        The model.
    combinations : (m, all columns) ndarray
        Combinations of all columns of X.
    labels : sequence of str
        Their names.
    by : str
        Column whose levels are left out one at a time.

    Returns
    -------
    DataFrame
        ``level, n_rows, contrast, change`` (without minus with), ``change_in_se``
        (divided by the standard error).

    Notes
    -----
    With the mixed model equations' inverse H and rows T_i, residuals e_i and
    residual variances R_i of the level, the solution without them is the solution
    less ``H T_i' (R_i - T_i H T_i')^-1 e_i`` (Woodbury).
    """
    frame = fit.design.data
    if by not in frame:
        raise InputError(
            f'the model\'s data have no column "{by}"', hint=nearest(by, list(map(str, frame)))
        )
    at, pr = fit.optimum.at, fit.problem
    h = fit.equations
    residual = fit.fitted()["residual"].to_numpy(float) / pr.scale
    weight = (at.variance / at.weights)[fit.residual_codes]
    rows = fit.rows(combinations)
    se = fit.inference.se(rows, fit.method)
    out = []
    label = frame[by].astype(str).to_numpy(object)
    for level in pd.unique(label):
        here = np.flatnonzero(label == level)
        own = fit.table.t[here]
        met = np.unique(own.indices)  # columns that are not zero in these rows
        t = own[:, met].toarray()
        left = np.diag(weight[here]) - t @ h[np.ix_(met, met)] @ t.T
        change = -h[pr.q :, met] @ (t.T @ _solved(left, residual[here]))
        moved = rows @ change * pr.scale
        for name, value, error in zip(labels, moved, se, strict=True):
            out.append((level, len(here), name, value, value / error if error > 0 else np.nan))
    return pd.DataFrame(out, columns=["level", "n_rows", "contrast", "change", "change_in_se"])


def _solved(matrix: Floats, right: Floats) -> Floats:
    """Solution with a symmetric matrix; the shortest one where it is singular."""
    root, failed = linalg.lapack.dpotrf(matrix, lower=1)
    if failed or np.diag(root).min() ** 2 <= _REGULAR * np.diag(matrix).max():
        return np.asarray(np.linalg.lstsq(matrix, right, rcond=1e-10)[0])
    return np.asarray(linalg.lapack.dpotrs(root, right, lower=1)[0])
