"""Table ``accuracy``: trueness and precision of every measurand, with robust figures.

The figures that the field calls so stand beside those of ISO 5725, never in their place.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import scipy  # scipy.stats loads when it is first used
from scipy import special

from accstudy.accuracy.anova import Layouts, Nested, layouts, nested_anova, one_way_table
from accstudy.accuracy.measurands import (
    Results,
    implant_results,
    natural,
    pair_names,
    pair_results,
    results,
    witnesses,
)
from accstudy.accuracy.reference_uncertainty import shared_u
from accstudy.errors import Finding, InputError, nearest, remark
from accstudy.tables import UNREFERENCED, empty, shape
from accstudy.words.catalogue import say

Floats = npt.NDArray[np.float64]

MAD_FACTOR = 1.483
"""Factor from median absolute deviation to standard deviation, as ISO 13528 rounds it."""

_LEAST = 3  # cells, or results of one, from which a median can pass one over
_WIDER, _AWAY, _SHARE = 1.5, 0.5, 0.1
_PASSES = 1000


def _values(values: npt.ArrayLike) -> Floats:
    x = np.atleast_1d(np.asarray(values, dtype=float))
    if not x.shape[-1] or np.isnan(x).all(axis=-1).any():
        raise InputError("there are no results")
    return x


def _sd(x: Floats) -> Floats:
    """Standard deviation along the last axis, NaN left out; 0 for one result."""
    n = (~np.isnan(x)).sum(axis=-1)
    off = x - np.nanmean(x, axis=-1, keepdims=True)
    return np.asarray(np.sqrt(np.nansum(off**2, axis=-1) / np.maximum(n - 1, 1)))


@dataclass(frozen=True, slots=True)
class Robust:
    """Outcome of Algorithm A: mean, standard deviation and standard uncertainty of the mean, 1.25
    sd / sqrt(n) (ISO 13528:2022, 7.7.3).
    """

    mean: Any
    sd: Any
    u_mean: Any


def algorithm_a(values: npt.ArrayLike) -> Robust:
    """Robust mean and standard deviation by iterated winsorising.

    Parameters
    ----------
    values : array_like, shape (..., n)
        Results; NaN is left out.

    Returns
    -------
    Robust
        Of shape (...). Where at least half of the results are equal, the spread is zero and
        the mean is their value.

    Notes
    -----
    Old printed examples stop after a few passes; this goes on until neither changes by more than
    1e-12 of the spread. Factors 1.483, 1.5 and 1.134 as the standards round them.

    References
    ----------
    ISO 5725-5:1998, 6.2; ISO 13528:2022, Annex C.3.

    Examples
    --------
    >>> found = algorithm_a([10.0, 11.0, 12.0, 13.0, 14.0, 90.0])
    >>> bool(12 < found.mean < 13)
    True
    """
    x = _values(values)
    mean = np.nanmedian(x, axis=-1)
    sd = made(x)
    moving = sd > 0
    for _ in range(_PASSES):
        if not moving.any():
            break
        at, reach = mean[..., None], 1.5 * sd[..., None]
        cut = np.clip(x, at - reach, at + reach)
        new_mean, new_sd = np.nanmean(cut, axis=-1), 1.134 * _sd(cut)
        change = np.abs(new_mean - mean) + np.abs(new_sd - sd)
        settled = change <= 1e-12 * np.maximum(sd, np.abs(mean) * 1e-3)
        mean, sd = np.where(moving, new_mean, mean), np.where(moving, new_sd, sd)
        moving = moving & ~settled
    n = (~np.isnan(x)).sum(axis=-1)
    return Robust(mean[()], sd[()], (1.25 * sd / np.sqrt(n))[()])


def algorithm_s(sds: npt.ArrayLike, df: npt.ArrayLike) -> Any:
    """Robust pooled value of the standard deviations of cells, (..., p).

    The limit factor cuts the largest tenth of the standard deviations of a normal variable; the
    adjustment factor makes the result unbiased for its square. Both are worked out, not read from
    the table. The standard has cells of one size; here every cell has the factors of its own
    degrees of freedom and their weight. NaN is left out.

    References
    ----------
    ISO 5725-5:1998, 6.3; ISO 13528:2022, Annex C.4.

    Examples
    --------
    >>> round(float(algorithm_s([1.0, 1.1, 0.9, 1.0, 6.0], 3)), 2)
    1.26
    """
    w = _values(sds)
    nu = np.where(np.isnan(w), 1.0, df)  # of what is left out any will do
    limit2 = special.chdtri(nu, 0.1) / nu
    adjust2 = 1 / (special.chdtr(nu + 2, nu * limit2) + 0.1 * limit2)
    weight = np.where(np.isnan(w), 0.0, nu)
    weight = weight / weight.sum(axis=-1, keepdims=True)
    sd = np.nanmedian(w, axis=-1)
    for _ in range(_PASSES):
        cut2 = np.minimum(w**2, limit2 * sd[..., None] ** 2)
        new = np.sqrt(np.nansum(weight * adjust2 * cut2, axis=-1))
        settled = np.abs(new - sd) <= 1e-12 * sd
        sd = new
        if settled.all():
            break
    return sd[()]


def robust_figures(found: Layouts, values: npt.ArrayLike, groups: npt.ArrayLike) -> pd.DataFrame:
    """Robust bias and repeatability of many one-way layouts: ``bias_robust, s_r_robust``, a row
    each.

    With three cells and more Algorithm A on the cell means, and Algorithm S on the cells' standard
    deviations; with one cell Algorithm A on its results; NaN with two cells, or where no cell holds
    two results. `values` and `groups` as for `accstudy.accuracy.anova.layouts`.
    """
    bias, s_r = np.full((2, len(found.n)), np.nan)
    nu = found.cell_n - 1.0
    sds = np.sqrt(np.divide(found.cell_ss, nu, out=np.full(len(nu), np.nan), where=nu > 0))
    means, sds, nu = (
        _side_by_side(found.cell_layout, np.asarray(v, float)) for v in (found.cell_mean, sds, nu)
    )
    several = found.cells >= _LEAST
    if several.any():
        bias[several] = algorithm_a(means[several]).mean
    enough = (~np.isnan(sds)).sum(axis=1) >= _LEAST
    if enough.any():
        s_r[enough] = algorithm_s(sds[enough], nu[enough])
    one = (found.cells == 1) & (found.n >= _LEAST)
    if one.any():
        results = _side_by_side(np.asarray(groups, np.int64), np.asarray(values, float))
        alone = algorithm_a(results[one])
        bias[one], s_r[one] = alone.mean, alone.sd
    return pd.DataFrame({"bias_robust": bias, "s_r_robust": s_r})


def _side_by_side(row: npt.NDArray[np.int64], values: Floats) -> Floats:
    """Values of each row of a table side by side, filled up with NaN."""
    order = np.argsort(row, kind="stable")
    counts = np.bincount(row)
    out = np.full((len(counts), counts.max()), np.nan)
    place = np.arange(len(row)) - np.repeat(np.cumsum(counts) - counts, counts)
    out[row[order], place] = values[order]
    return out


def robust_findings(accuracy: pd.DataFrame) -> list[Finding]:
    """Tell conditions in which the robust figures of distances differ from the classical ones.

    Parameters
    ----------
    accuracy : DataFrame
        Table ``accuracy``, or ``precision``.

    Notes
    -----
    Of normal results at most 3 % have a ratio beyond 1.5, with 5 cells of 2 scans (0.1 to 1.5 %
    with more), and 1 % a bias that is more than half of its standard uncertainty away; so a
    condition is told where a tenth of its distances has either.
    """
    out, mend = [], say("findings.look_at_outliers")
    rows = accuracy[accuracy["measurand"] == "distance_um"]
    for condition, own in rows.groupby("condition", sort=False):
        known = own[own["s_r_robust"] > 0]
        ratio = known["s_r"] / known["s_r_robust"]
        wide = known[ratio > _WIDER]
        if len(known) and len(wide) >= _SHARE * len(known):
            worst = known.iloc[int(np.argmax(ratio))]
            what = say(
                "findings.robust_s_r", count=len(wide), of=len(known), times=_WIDER,
                subject=worst["subject"], classical=worst["s_r"], robust=worst["s_r_robust"],
            )  # fmt: skip
            out.append(remark("robust-differs", what, str(condition), mend))
        if "bias_robust" not in own:
            continue
        known = own[own["bias_robust"].notna() & (own["u_bias"] > 0)]
        away = (known["bias"] - known["bias_robust"]).abs()
        off = known[away > _AWAY * known["u_bias"]]
        if len(known) and len(off) >= _SHARE * len(known):
            worst = known.iloc[int(np.argmax(away))]
            what = say(
                "findings.robust_bias", count=len(off), of=len(known), subject=worst["subject"],
                classical=worst["bias"], robust=worst["bias_robust"],
            )  # fmt: skip
            out.append(remark("robust-differs", what, str(condition), mend))
    return out


def made(values: npt.ArrayLike) -> Any:
    """Median absolute deviation from the median, scaled to a standard deviation.

    References
    ----------
    ISO 13528:2022, Annex C.2.2.

    Examples
    --------
    >>> round(float(made([1.0, 2.0, 3.0, 4.0, 100.0])), 3)
    1.483
    """
    x = _values(values)
    off = np.abs(x - np.nanmedian(x, axis=-1, keepdims=True))
    return MAD_FACTOR * np.nanmedian(off, axis=-1)


def field_figures(
    values: npt.ArrayLike, groups: npt.ArrayLike
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Mean absolute deviation and mean pairwise difference of each of G groups.

    The mean of the absolute deviations ("trueness" in the field) grows with the spread even where
    there is no bias; the mean absolute difference over all pairs of repeats ("precision" in the
    field) is NaN where there is one result: n (n - 1) / 2 pairs carry no more than n - 1 degrees of
    freedom. It comes from the sorted results, x_(1) <= ... <= x_(n): 2 / (n (n - 1)) times the sum
    of (2 k - n - 1) x_(k).
    """
    y, group = np.asarray(values, dtype=float), np.asarray(groups, dtype=np.int64)
    n = np.bincount(group)
    order = np.lexsort((y, group))
    sorted_group = group[order]
    start = np.concatenate([[0], np.cumsum(n)[:-1]])
    rank = np.arange(y.size) - start[sorted_group] + 1
    weights = 2.0 * rank - n[sorted_group] - 1
    sums = np.asarray(np.bincount(sorted_group, weights=weights * y[order]), dtype=float)
    pairs = n * (n - 1) / 2
    pairwise = np.full(n.shape, np.nan)
    np.divide(sums, pairs, out=pairwise, where=pairs > 0)
    return np.bincount(group, weights=np.abs(y)) / n, pairwise


def field_table(found: Results, accuracy: pd.DataFrame) -> pd.DataFrame:
    """Trueness and precision as the field prints them, mean and SD, beside the ISO figures.

    Parameters
    ----------
    found : Results
        Results of all layouts.
    accuracy : DataFrame
        Table ``accuracy`` of the same.

    Returns
    -------
    DataFrame
        Table ``field_figures``, a row a condition, model and measurand of pairs.

    Notes
    -----
    "Trueness" is the mean of the absolute deviations of all pairs in all scans,
    "precision" that of the absolute differences between any two scans of a condition, pair by
    pair; each with the standard deviation of the values that are averaged. Neither the pairs of a
    scan nor the differences of scans are independent: no test and no interval follows from these
    standard deviations.

    In squares, with n scans and their deviations x, the differences sum to n sum x^2 - (sum x)^2.
    """
    keys, group, value = found.keys, found.group, found.value
    n = np.bincount(group, minlength=len(keys)).astype(float)
    mean_abs, pairwise = field_figures(value, group)
    squares = np.bincount(group, value**2)
    pairs = n * (n - 1) / 2
    sums = pd.DataFrame(
        {
            "n": n,
            "abs": mean_abs * n,
            "squares": squares,
            "pairs": pairs,
            "apart": np.where(pairs > 0, pairwise, 0.0) * pairs,
            "apart2": n * squares - np.bincount(group, value) ** 2,
        }
    )
    iso = accuracy[["condition", "model", "measurand", "subject", "bias", "s_r", "s_I"]]
    each = keys.merge(iso, on=["condition", "model", "measurand", "subject"], how="left")
    each = pd.concat([each, sums], axis=1)
    rows = []
    on = ["condition", "model", "measurand"]
    for (condition, model, measurand), mine in each[each["span_mm"].notna()].groupby(
        on, sort=False
    ):
        total = mine[["n", "abs", "squares", "pairs", "apart", "apart2"]].sum()
        trueness, trueness_sd = _mean_and_sd(total["n"], total["abs"], total["squares"])
        precision, precision_sd = _mean_and_sd(total["pairs"], total["apart"], total["apart2"])
        rows.append(
            {
                "condition": condition, "model": model, "measurand": measurand,
                "unit": mine["unit"].iloc[0], "n_scans": mine["n"].max(), "n_pairs": len(mine),
                "n_values": total["n"], "trueness_mean": trueness, "trueness_sd": trueness_sd,
                "rms": math.sqrt(total["squares"] / total["n"]), "n_differences": total["pairs"],
                "precision_mean": precision, "precision_sd": precision_sd,
                **{f"{c}_rms": float((mine[c] ** 2).mean()) ** 0.5 for c in ("bias", "s_r", "s_I")},
            }
        )  # fmt: skip
    return shape("field_figures", pd.DataFrame(rows))


def _mean_and_sd(n: float, total: float, squares: float) -> tuple[float, float]:
    """Of values by their number, sum and sum of squares; NaN where there are too few."""
    if n < 1:
        return math.nan, math.nan
    left = max(squares - total**2 / n, 0.0)
    return total / n, math.sqrt(left / (n - 1)) if n > 1 else math.nan


def study_results(
    pair_deviations: pd.DataFrame,
    implant_deviations: pd.DataFrame | None = None,
    *,
    alignment: str = "all-implants",
) -> Results | None:
    """Layouts of a study: pairs and, under one alignment, implants; None without any result."""
    parts = [pair_results(pair_deviations)]
    if implant_deviations is not None and len(implant_deviations):
        parts.append(implant_results(implant_deviations, alignment=alignment))
    parts = [p for p in parts if len(p)]
    return results(pd.concat(parts, ignore_index=True)) if parts else None


def accuracy_table(
    pair_deviations: pd.DataFrame,
    implant_deviations: pd.DataFrame | None = None,
    *,
    reference_u: pd.DataFrame | Mapping[str, float] | None = None,
    alignment: str = "all-implants",
    cell_columns: Sequence[str] = (),
    confidence: float = 0.95,
) -> pd.DataFrame:
    """Trueness and precision of every pair and implant under every condition.

    Parameters
    ----------
    pair_deviations : DataFrame
        Table ``pair_deviations``.
    implant_deviations : DataFrame, optional
        Table ``implant_deviations``.
    reference_u : DataFrame or mapping, optional
        Standard uncertainty that all scans share. A table with ``model``,
        ``measurand``, ``subject`` and ``u`` (see
        `accstudy.accuracy.reference_uncertainty.shared_uncertainty`), or one value a
        measurand, in its unit. Where it is not stated the intervals hold for the
        reference as it was given, and ``note`` says so.
    alignment : str, optional
        Alignment of the implants' deviations.
    cell_columns : sequence of str, optional
        Factor columns that make a cell. Where operators return in several cells, they
        and not the cells are the witnesses of a bias.
    confidence : float, optional
        Of every interval.

    Returns
    -------
    DataFrame
        Table ``accuracy``. What a layout cannot say is empty, and ``note`` says why.

    See Also
    --------
    accstudy.accuracy.anova.one_way_table : the figures and their sources.
    """
    found = study_results(pair_deviations, implant_deviations, alignment=alignment)
    if found is None:
        return empty("accuracy")
    sums = layouts(found.value, found.group, found.cell)
    u = shared_u(found.keys, reference_u)
    figures = one_way_table(
        sums,
        confidence=confidence,
        u_reference=np.nan_to_num(u),
        witnesses=witnesses(found, pair_deviations, cell_columns),
    )
    mean_abs, pairwise = field_figures(found.value, found.group)
    robust = robust_figures(sums, found.value, found.group)
    table = pd.concat([found.keys, figures, robust], axis=1).rename(
        columns={"n": "n_scans", "cells": "n_cells"}
    )
    table["bias_df"] = table["bias_df"].where(np.isfinite(table["bias_df"]))
    table["excludes_zero"] = (table["bias_low"] > 0) | (table["bias_high"] < 0)
    spans = table[table["span_mm"].notna()].groupby(["condition", "measurand"])["span_mm"]
    table["longest"] = table.index.isin(spans.idxmax())
    table["confidence"] = confidence
    table["mean_abs_deviation"] = mean_abs
    table["mean_pairwise_difference"] = pairwise
    table["note"] = _notes(sums, found.keys["lowest"].to_numpy(dtype=float), u)
    return shape("accuracy", table)


_NOTES = {
    "one": "one scan: neither spread nor uncertainty can be estimated",
    "cell": (
        "one cell: the spread between cells cannot be estimated; the interval of the bias is valid "
        "only for the conditions of that cell"
    ),
    "single": "one scan per cell: repeatability cannot be separated from the spread between cells",
    "equal": "all results are equal",
    "negative": "the spread between cells came out below zero and was set to zero",
    "floor": (
        "the reference axes are so nearly parallel that the deviation can hardly be negative: it "
        "is not normally distributed, and its bias is not that of the device alone"
    ),
    "unstated": (
        "the uncertainty of the reference is not stated: the interval of the bias is valid for the "
        "reference as given"
    ),
}


def _notes(sums: Layouts, lowest: npt.NDArray[np.float64], u: npt.NDArray[np.float64]) -> list[str]:
    n, p = sums.n, sums.cells
    several = n > 1
    # the scatter of equal values is zero, or what rounding leaves of it
    scatter = np.sqrt((sums.ss_within + sums.ss_between) / n)
    equal = several & (scatter <= 1e-12 * np.maximum(np.abs(sums.mean), 1e-3))
    flags = {
        "one": ~several,
        "cell": several & (p == 1),
        "single": several & (p > 1) & (n == p),
        "equal": equal,
        "negative": ~equal & (np.nan_to_num(sums.var_between) < 0),
        "floor": sums.mean - 2 * scatter < lowest,
        "unstated": np.isnan(u),
    }
    return [
        "; ".join(_NOTES[k] for k, flag in flags.items() if flag[i]) for i in range(len(sums.n))
    ]


_NOTES_OF_PRECISION = {
    "cell": "one cell: the spread between cells cannot be estimated",
    "floor": (
        "the axes are so nearly parallel that the angle can hardly decrease: it is not normally "
        "distributed"
    ),
    "unstated": "",
}


def precision_table(accuracy: pd.DataFrame) -> pd.DataFrame:
    """The part of table ``accuracy`` that needs no reference: table ``precision``.

    Standard deviations are about the means of cells and of the condition, so they do not depend on
    what the deviations are measured from.
    """
    notes = accuracy["note"].astype(str)
    for key, text in _NOTES_OF_PRECISION.items():
        notes = notes.str.replace(_NOTES[key], text, regex=False)
    tidy = ["; ".join(part for part in note.split("; ") if part) for note in notes]
    return shape("precision", accuracy.assign(note=tidy))


def variance_components(
    pair_deviations: pd.DataFrame, levels: Sequence[str], *, confidence: float = 0.95
) -> pd.DataFrame:
    """Variance components of nested levels for the distance of every pair, by condition.

    Parameters
    ----------
    pair_deviations : DataFrame
        Table ``pair_deviations`` with the factor columns that `levels` names.
    levels : sequence of str
        Factor columns, outermost first, such as operator and session; the residual
        is from scan to scan.
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
    for (condition, model, subject), own in groups:
        if not own["distance_um"].notna().any():
            continue
        found = nested_anova(own, "distance_um", levels, confidence=confidence)
        head = {
            "condition": condition, "model": model, "measurand": "distance_um", "unit": "um",
            "subject": subject, "confidence": confidence,
        }  # fmt: skip
        rows += [head | row for row in _component_rows(found, confidence)]
    return shape("variance_components", pd.DataFrame(rows))


def _component_rows(found: Nested, confidence: float) -> list[dict[str, object]]:
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


def condition_summary(accuracy: pd.DataFrame, pairs: pd.DataFrame) -> pd.DataFrame:
    """Deviations and standard deviations of the distances of every condition, um.

    Table ``condition_summary`` from ``accuracy``, or ``condition_scatter`` from ``precision``.
    """
    own = accuracy[(accuracy["measurand"] == "distance_um") & accuracy["span_mm"].notna()]
    referenced = "bias" in own
    rows: list[dict[str, Any]] = []
    for condition, mine in own.groupby("condition", sort=False):
        row = {
            "condition": condition,
            "n_scans": mine["n_scans"].max(),
            "n_cells": mine["n_cells"].max(),
            "s_r_median_um": mine["s_r"].median(),
            "s_I_median_um": mine["s_I"].median(),
        }
        if referenced:
            seen = pairs.loc[pairs["condition"] == condition, "distance_um"].abs()
            row |= {
                "bias_lowest_um": mine["bias"].min(),
                "bias_highest_um": mine["bias"].max(),
                "median_size_um": seen.median(),
                "largest_size_um": seen.max(),
            }
        rows.append(row)
    name = "condition_summary" if referenced else UNREFERENCED["condition_summary"]
    return shape(name, pd.DataFrame(rows)) if rows else empty(name)


def failure_rate(failed: int, total: int, *, confidence: float = 0.95) -> dict[str, float]:
    """Rate of scans that could not be used, with its exact binomial interval; NaN without scans.

    Clopper and Pearson, Biometrika 26 (1934) 404-413.

    Examples
    --------
    >>> found = failure_rate(4, 25)  # 4 of 25: 4.5 % to 36.1 %
    >>> round(100 * found["low"], 1), round(100 * found["high"], 1)
    (4.5, 36.1)
    """
    if not 0 <= failed <= total:
        raise InputError(f"{failed} of {total} scans cannot have failed")
    row = {"failed": failed, "total": total, "rate": math.nan, "low": math.nan, "high": math.nan}
    if total:
        exact = scipy.stats.binomtest(failed, total).proportion_ci(confidence, method="exact")
        row |= {"rate": failed / total, "low": exact.low, "high": exact.high}
    return row


def failure_table(
    scans: pd.DataFrame, *, measured: Collection[str], confidence: float = 0.95
) -> pd.DataFrame:
    """Failure rate of every condition and of all scans together.

    A scan failed if the user lists it so, or if it gave no pair: it could not be read, or
    its implants were not found.

    Parameters
    ----------
    scans : DataFrame
        One row a scan: ``scan``, ``condition``, ``status``.
    measured : collection of str
        Scans of which at least one pair was measured.
    confidence : float, optional
        Of the intervals.

    Returns
    -------
    DataFrame
        Table ``failures``; the last row, without a condition, is about all scans.
    """
    listed = scans["status"] == "failed"
    unusable = ~listed & ~scans["scan"].isin(list(measured))
    counted = scans.assign(listed=listed, unusable=unusable)
    groups = [*counted.groupby("condition", sort=True), ("", counted)]
    rows = []
    for condition, own in groups:
        k = [int(own[c].sum()) for c in ("listed", "unusable")]
        found = failure_rate(sum(k), len(own), confidence=confidence)
        rows.append({"condition": condition, "listed": k[0], "unusable": k[1], **found})
    return pd.DataFrame(rows).assign(confidence=confidence, method="Clopper-Pearson")
