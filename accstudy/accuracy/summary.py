"""Table ``accuracy``: trueness and precision of every measurand."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd

from accstudy.accuracy.fieldfigures import field_figures
from accstudy.accuracy.measurands import (
    Results,
    implant_results,
    pair_results,
    results,
)
from accstudy.accuracy.oneway import Layouts, layouts, one_way_table
from accstudy.accuracy.reference_uncertainty import shared_u
from accstudy.accuracy.robust import robust_figures
from accstudy.accuracy.samples import witnesses
from accstudy.tables import empty, shape

__all__ = ["accuracy_table", "precision_table", "study_results"]


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
