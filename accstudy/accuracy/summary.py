"""Table ``accuracy``: trueness and precision of every measurand.

The figures that the field calls so stand beside those of ISO 5725, never in their place.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd

from accstudy.accuracy.measurands import Results, implant_results, pair_results, results
from accstudy.accuracy.oneway import Layouts, layouts, one_way_table
from accstudy.accuracy.reference_uncertainty import shared_u
from accstudy.accuracy.robust import robust_figures
from accstudy.accuracy.samples import witnesses
from accstudy.tables import empty, shape

__all__ = ["accuracy_table", "field_figures", "field_table", "precision_table", "study_results"]


def field_figures(
    values: npt.ArrayLike, groups: npt.ArrayLike
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Mean absolute deviation and mean pairwise difference of each group.

    Parameters
    ----------
    values : array_like, shape (N,)
        Deviations, any unit.
    groups : array_like of int, shape (N,)
        Group of each, 0 to G - 1.

    Returns
    -------
    mean_abs : ndarray, shape (G,)
        Mean of the absolute deviations ("trueness" in the field). It grows with
        the spread even where there is no bias.
    mean_pairwise : ndarray, shape (G,)
        Mean absolute difference over all pairs of repeats ("precision" in the
        field); NaN where there is one result. n (n - 1) / 2 pairs carry no more
        than n - 1 degrees of freedom.

    Notes
    -----
    The pairwise mean comes from the sorted results, x_(1) <= ... <= x_(n):
    2 / (n (n - 1)) times the sum of (2 k - n - 1) x_(k).

    Examples
    --------
    >>> field_figures([1.0, -1.0, 3.0], [0, 0, 0])
    (array([1.66666667]), array([2.66666667]))
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
    """Layouts of a study: pairs and, under one alignment, implants.

    Parameters
    ----------
    pair_deviations : DataFrame
        Table ``pair_deviations``.
    implant_deviations : DataFrame, optional
        Table ``implant_deviations``.
    alignment : str, optional
        The alignment whose rows are taken.

    Returns
    -------
    Results or None
        None where there is no result at all.
    """
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
    accstudy.accuracy.oneway.one_way_table : the figures and their sources.
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
    """The part of table ``accuracy`` that needs no reference.

    Parameters
    ----------
    accuracy : DataFrame
        Table ``accuracy`` of deviations from the mean arrangement of the same scans.

    Returns
    -------
    DataFrame
        Table ``precision``. Standard deviations are about the means of cells and of the
        condition, so they do not depend on what the deviations are measured from.
    """
    notes = accuracy["note"].astype(str)
    for key, text in _NOTES_OF_PRECISION.items():
        notes = notes.str.replace(_NOTES[key], text, regex=False)
    tidy = ["; ".join(part for part in note.split("; ") if part) for note in notes]
    return shape("precision", accuracy.assign(note=tidy))
