"""Tables that summarise others for print: by condition, alignment, implant and outlier test."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special

from accstudy.accuracy.outliers import BEYOND
from accstudy.compare.arch import Arch
from accstudy.tables import UNREFERENCED, empty, shape

__all__ = [
    "FAR",
    "alignment_table",
    "condition_summary",
    "implants_above",
    "outlier_counts",
    "prediction_ellipse",
]

Floats = npt.NDArray[np.float64]

FAR = ("outlier", BEYOND["outlier"])
"""Verdicts beyond the critical value of 1 %."""


def condition_summary(accuracy: pd.DataFrame, pairs: pd.DataFrame) -> pd.DataFrame:
    """Deviations and standard deviations of the distances of every condition.

    Parameters
    ----------
    accuracy : DataFrame
        Table ``accuracy`` or ``precision``.
    pairs : DataFrame
        Table ``pair_deviations``.

    Returns
    -------
    DataFrame
        Table ``condition_summary``, um; ``condition_scatter`` without a reference.
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


def alignment_table(singles: pd.DataFrame) -> pd.DataFrame:
    """Root mean square 3D deviation by every alignment, of each implant and of all.

    Parameters
    ----------
    singles : DataFrame
        Table ``implant_deviations``.

    Returns
    -------
    DataFrame
        Table ``alignments``; the row without an implant is the root mean square over those of
        the implants, each of which counts once.
    """
    keys = ["condition", "model", "alignment"]
    rows: list[dict[str, Any]] = []
    for key, mine in singles.groupby(keys, sort=False, observed=True):
        head = dict(zip(keys, key, strict=True))
        square = (mine["distance_um"] ** 2).groupby(mine["implant"], sort=False).mean()
        n = int(mine["scan"].nunique())
        rows += [
            {**head, "implant": i, "n_scans": n, "rms_um": float(v) ** 0.5}
            for i, v in square.items()
        ]
        rows.append({**head, "implant": "", "n_scans": n, "rms_um": float(square.mean()) ** 0.5})
    return shape("alignments", pd.DataFrame(rows)) if rows else empty("alignments")


def outlier_counts(outliers: pd.DataFrame) -> pd.DataFrame:
    """How many statistics lie beyond their critical values, by condition and model, and in all.

    Parameters
    ----------
    outliers : DataFrame
        Table ``outliers``.

    Returns
    -------
    DataFrame
        Table ``outlier_counts``; the last row, without condition and model, is of all.
    """
    if not len(outliers):
        return empty("outlier_counts")
    parts = [(key, mine) for key, mine in outliers.groupby(["condition", "model"], sort=False)]
    rows = []
    for (condition, model), mine in [*parts, (("", ""), outliers)]:
        beyond = int((mine["verdict"] != "nothing").sum())
        far = int(mine["verdict"].isin(FAR).sum())
        rows.append(
            {
                "condition": condition,
                "model": model,
                "n_statistics": len(mine),
                "n_beyond_5": beyond,
                "share_beyond_5": beyond / len(mine),
                "n_beyond_1": far,
                "share_beyond_1": far / len(mine),
            }
        )
    return shape("outlier_counts", pd.DataFrame(rows))


def implants_above(
    singles: pd.DataFrame,
    arches: Mapping[str, Arch],
    *,
    alignment: str = "all-implants",
    coverage: float = 0.95,
) -> pd.DataFrame:
    """Mean deviation of every implant and where a further scan would lie, seen from above.

    Parameters
    ----------
    singles : DataFrame
        Table ``implant_deviations``.
    arches : mapping of str to Arch
        Arch of every model.
    alignment : str, optional
        Whose rows are taken.
    coverage : float, optional
        Share of further scans that the ellipse holds.

    Returns
    -------
    DataFrame
        Table ``implants_above``. The ellipse holds a further scan with the probability
        `coverage`, if scans are independent and normal; empty for fewer than four scans.
    """
    own = singles[singles["alignment"] == alignment]
    rows: list[dict[str, Any]] = []
    for (condition, model), part in own.groupby(["condition", "model"], sort=False, observed=True):
        arch = arches[str(model)]
        across, along, flat = _view(arch)
        for i, implant in enumerate(arch.implants):
            mine = part[part["implant"] == implant]
            delta = mine[["dx_um", "dy_um", "dz_um"]].to_numpy(float)
            delta = delta[np.isfinite(delta).all(axis=1)]
            if not len(delta):
                continue
            seen = delta @ np.stack([across, along], axis=1)
            x, y = seen.mean(axis=0)
            row = {
                "condition": condition,
                "model": model,
                "alignment": alignment,
                "implant": implant,
                "n_scans": len(delta),
                "x_mm": flat[i, 0],
                "y_mm": flat[i, 1],
                "bias_x_um": x,
                "bias_y_um": y,
                "bias_lateral_um": float(np.hypot(x, y)),
                "bias_vertical_um": float((delta @ arch.common_axis).mean()),
                "coverage": coverage,
            }
            if len(seen) >= 4:
                names = ("major_um", "minor_um", "turn_deg")
                row |= dict(zip(names, prediction_ellipse(seen, coverage), strict=True))
            rows.append(row)
    return shape("implants_above", pd.DataFrame(rows)) if rows else empty("implants_above")


def _view(arch: Arch) -> tuple[Floats, Floats, Floats]:
    """Axes of the view from above, the arch open downwards, and the platforms in it."""
    up = arch.common_axis
    chord = arch.positions_mm[-1] - arch.positions_mm[0]
    across = chord - (chord @ up) * up
    across = across / max(float(np.linalg.norm(across)), 1e-12)
    along = np.cross(up, across)
    centred = arch.positions_mm - arch.positions_mm.mean(axis=0)
    flat = np.stack([centred @ across, centred @ along], axis=1)
    ends = flat[[0, -1], 1].mean()
    if len(flat) > 2 and flat[1:-1, 1].mean() < ends:  # turn by half, so that it opens downwards
        across, along, flat = -across, -along, -flat
    return across, along, flat


def prediction_ellipse(seen: Floats, coverage: float) -> tuple[float, float, float]:
    """Half axes of the ellipse that holds a further point, and the turn of the longer one, deg.

    Parameters
    ----------
    seen : ndarray, shape (N, 2)
        Independent points, N at least 4.
    coverage : float
        Probability that the ellipse holds a further one.

    Notes
    -----
    Half axes are those of the covariance times the root of
    2 (n^2 - 1) / (n (n - 2)) F(coverage; 2, n - 2).

    References
    ----------
    Johnson and Wichern, Applied Multivariate Statistical Analysis, section on prediction
    ellipsoids (from memory).
    """
    n = len(seen)
    values, vectors = np.linalg.eigh(np.cov(seen, rowvar=False))
    factor = 2 * (n * n - 1) / (n * (n - 2)) * float(special.fdtri(2, n - 2, coverage))
    half = np.sqrt(np.clip(values, 0, None) * factor)
    turn = np.degrees(np.arctan2(vectors[1, 1], vectors[0, 1]))
    return float(half[1]), float(half[0]), float(turn)
