"""Nested layouts: scans in sessions in operators in devices; table ``variance_components``."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special

from accstudy.accuracy.measurands import natural, pair_names
from accstudy.errors import InputError, nearest
from accstudy.tables import empty, shape

__all__ = ["Nested", "nested_anova", "nested_codes", "variance_components"]

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Nested:
    """Analysis of variance of a fully nested layout.

    ``table`` has a row a level, outermost first, the residual last: ``source``, ``units`` (groups
    of that level), ``df``, ``ss``, ``ms``, ``F`` and ``p`` against the level below,
    ``variance_raw`` (may be negative), ``variance`` (cut at zero), ``sd``, ``share`` of the total.
    ``expected`` are the coefficients of the variances (columns) in the expected mean squares
    (rows); ``total`` sums the cut variances: of one result under wholly new conditions.
    """

    table: pd.DataFrame
    expected: Floats
    total: float
    sd_repeatability: float
    sd_total: float
    sd_total_low: float
    sd_total_high: float
    mean: float


def nested_anova(
    data: pd.DataFrame, value: str, levels: Sequence[str], *, confidence: float = 0.95
) -> Nested:
    """Variance components of a fully nested layout by expected mean squares.

    Parameters
    ----------
    data : DataFrame
        One row a result.
    value : str
        Column of results, any unit.
    levels : sequence of str
        Factor columns, outermost first; each is nested in those before it, so the
        same label under two parents means two groups. What is left is the residual.
    confidence : float, optional
        Of the interval of the total.

    Returns
    -------
    Nested
        A level that cannot be distinguished from the one below (as many groups as groups
        within them) has no degrees of freedom there, and empty figures.

    Raises
    ------
    InputError
        If there is no result, or a column is missing.

    Notes
    -----
    Sums of squares are sequential (outermost first); the coefficients of the
    expected mean squares follow from the group sizes, so unequal groups are
    allowed. F divides by the mean square of the level below, which for unequal
    groups is an approximation. The interval of the total is the modified
    large-sample interval of the linear combination of mean squares that estimates
    it, taken before anything is cut at zero, and widened to hold the estimate. With
    few outer groups it is wide, as it must be.

    References
    ----------
    ISO 5725-3:1994, clause 8 and Annex B (nested experiments); Searle, Casella and
    McCulloch, Variance Components, 1992, chapter 5 and Appendix F; Burdick and
    Graybill, Confidence Intervals on Variance Components, 1992, chapter 5.

    Examples
    --------
    >>> data = pd.DataFrame({"day": [1, 1, 2, 2], "y": [10.0, 12.0, 15.0, 17.0]})
    >>> nested_anova(data, "y", ["day"]).table["variance_raw"].round(3).tolist()
    [11.5, 2.0]
    """
    missing = [c for c in (value, *levels) if c not in data]
    if missing:
        raise InputError(f'there is no column "{missing[0]}"')
    frame = data.dropna(subset=[value])
    if not len(frame):
        raise InputError("there are no results")
    y = frame[value].to_numpy(dtype=float)
    y = y - y[0]
    # codes of the groups of every level; level 0 is everything, the last is every result
    codes = [np.zeros(len(y), dtype=np.int64), *nested_codes(frame, levels)]
    codes.append(np.arange(len(y)))
    sizes = [np.bincount(c).astype(float) for c in codes]
    sums = [np.bincount(c, weights=y) for c in codes]
    fitted = [(s / n)[c] for s, n, c in zip(sums, sizes, codes, strict=True)]
    k = len(codes) - 1
    df = np.array([len(sizes[i + 1]) - len(sizes[i]) for i in range(k)])
    ss = np.array([float(((fitted[i + 1] - fitted[i]) ** 2).sum()) for i in range(k)])
    # share[i, j]: sum over groups of level i of (sum of squared sizes of level j in it) / size
    share = np.zeros((k + 1, k + 1))
    for i in range(k + 1):
        for j in range(i, k + 1):
            parent = np.zeros(len(sizes[j]), dtype=np.int64)
            parent[codes[j]] = codes[i]
            inner = np.bincount(parent, weights=sizes[j] ** 2, minlength=len(sizes[i]))
            share[i, j] = (inner / sizes[i]).sum()
    # a component above both levels of a difference falls out
    for i in range(k + 1):
        share[i, :i] = len(y)
    raw_expected = share[1:, 1:] - share[:-1, 1:]
    known = df > 0
    expected = np.full((k, k), np.nan)
    expected[known] = raw_expected[known] / df[known, None]
    ms = np.divide(ss, df, out=np.full(k, np.nan), where=known)
    variance = np.full(k, np.nan)
    keep = np.flatnonzero(known)
    if keep.size:
        solved = np.linalg.solve(expected[np.ix_(keep, keep)], ms[keep])
        variance[keep] = solved
    cut = np.maximum(variance, 0.0)
    total = float(np.nansum(cut))
    table = pd.DataFrame(
        {
            "source": [*levels, "residual"],
            "units": [len(s) for s in sizes[1:]],
            "df": df,
            "ss": ss,
            "ms": ms,
            "variance_raw": variance,
            "variance": cut,
            "sd": np.sqrt(cut),
            "share": cut / total if total > 0 else np.nan,
        }
    )
    below = np.append(ms[1:], np.nan)
    table.insert(5, "F", np.divide(ms, below, out=np.full(k, np.nan), where=below > 0))
    df_below = np.append(df[1:], 0)
    p = special.fdtrc(np.maximum(df, 1), np.maximum(df_below, 1), np.nan_to_num(table["F"]))
    table.insert(6, "p", np.where(table["F"].notna(), p, np.nan))
    low, high = _interval_of_total(expected, ms, df, keep, total, 1 - confidence)
    return Nested(
        table=table,
        expected=expected,
        total=total,
        sd_repeatability=float(np.sqrt(cut[-1])),
        sd_total=float(np.sqrt(total)),
        sd_total_low=low,
        sd_total_high=high,
        mean=float(frame[value].to_numpy(dtype=float)[0] + y.mean()),
    )


def nested_codes(frame: pd.DataFrame, levels: Sequence[str]) -> list[npt.NDArray[np.int64]]:
    """Group of each row at each level; the same label under two parents means two groups."""
    out, parent = [], np.zeros(len(frame), np.int64)
    for level in levels:
        label, labels = pd.factorize(frame[level], use_na_sentinel=False)
        parent = np.unique(parent * len(labels) + label, return_inverse=True)[1].astype(np.int64)
        out.append(parent)
    return out


def _interval_of_total(
    expected: Floats,
    ms: Floats,
    df: npt.NDArray[np.int64],
    keep: npt.NDArray[np.int64],
    total: float,
    alpha: float,
) -> tuple[float, float]:
    if not keep.size or total <= 0:
        return float(np.sqrt(total)), float(np.sqrt(total))
    # the sum of all components as a combination of mean squares
    weights = np.linalg.solve(expected[np.ix_(keep, keep)].T, np.ones(keep.size))
    parts = weights * ms[keep]
    combined = float(parts.sum())
    if combined <= 0:
        return 0.0, float("nan")
    nu = df[keep].astype(float)
    below = 1 - nu / special.chdtri(nu, alpha / 2)
    above = nu / special.chdtri(nu, 1 - alpha / 2) - 1
    # a mean square that is taken off pulls the other way
    down, up = np.where(parts > 0, (below, above), (above, below))
    low = max(0.0, combined - math.sqrt(float(((down * parts) ** 2).sum())))
    high = combined + math.sqrt(float(((up * parts) ** 2).sum()))
    return min(math.sqrt(low), math.sqrt(total)), max(math.sqrt(high), math.sqrt(total))


def variance_components(
    pair_deviations: pd.DataFrame,
    levels: Sequence[str],
    *,
    measurands: Sequence[str] = ("distance_um",),
    confidence: float = 0.95,
) -> pd.DataFrame:
    """Variance components of nested levels for every pair under every condition.

    Parameters
    ----------
    pair_deviations : DataFrame
        Table ``pair_deviations`` with the factor columns that `levels` names.
    levels : sequence of str
        Factor columns, outermost first, such as operator and session; the residual
        is from scan to scan.
    measurands : sequence of str, optional
        Columns of the table.
    confidence : float, optional
        Of the intervals of residual and total.

    Returns
    -------
    DataFrame
        Table ``variance_components``, one row a level, then residual and total.

    Raises
    ------
    InputError
        If a level is not a column of the table.
    """
    for level in levels:
        if level not in pair_deviations:
            raise InputError(
                f'"{level}" is not a factor of the scans',
                hint=nearest(level, [str(c) for c in pair_deviations]),
            )
    if not len(pair_deviations):
        return empty("variance_components")
    table = pair_deviations.assign(subject=pair_names(pair_deviations))
    rows: list[dict[str, object]] = []
    groups = sorted(
        table.groupby(["condition", "model", "subject"], sort=False),
        key=lambda g: (str(g[0][0]), str(g[0][1]), natural(str(g[0][2]))),
    )
    for measurand in measurands:
        for (condition, model, subject), own in groups:
            if not own[measurand].notna().any():
                continue
            found = nested_anova(own, measurand, levels, confidence=confidence)
            head = {
                "condition": condition,
                "model": model,
                "measurand": measurand,
                "unit": measurand.rsplit("_", 1)[1],
                "subject": subject,
            }
            rows += [head | row | {"confidence": confidence} for row in _rows(found, confidence)]
    return shape("variance_components", pd.DataFrame(rows))


def _rows(found: Nested, confidence: float) -> list[dict[str, object]]:
    alpha = 1 - confidence
    rows: list[dict[str, object]] = []
    for r in found.table.to_dict("records"):
        row: dict[str, object] = {
            "level": r["source"],
            **{k: r[k] for k in ("units", "df", "variance_raw", "sd", "share", "F", "p")},
        }
        df, sd = int(r["df"]), float(r["sd"])
        if df == 0:
            row["note"] = "cannot be separated from the level below"
        elif float(r["variance_raw"]) < 0:
            row["note"] = "came out below zero and was set to zero"
        elif r["source"] == "residual":
            row["sd_low"] = sd * math.sqrt(df / float(special.chdtri(df, alpha / 2)))
            row["sd_high"] = sd * math.sqrt(df / float(special.chdtri(df, 1 - alpha / 2)))
        rows.append(row)
    known = bool((found.table["df"] > 0).any())
    rows.append(
        {
            "level": "total",
            "units": int(found.table["units"].iloc[-1]),
            "df": int(found.table["df"].sum()),
            "sd": found.sd_total if known else math.nan,
            "sd_low": found.sd_total_low if known else math.nan,
            "sd_high": found.sd_total_high if known else math.nan,
            "share": 1.0 if known and found.total > 0 else math.nan,
            "note": "" if known else "one scan: cannot be estimated",
        }
    )
    return rows
