"""Table ``ranges``: from where to where the values of a study go, and how many there are."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pandas as pd

from accstudy.accuracy.measurands import pair_names
from accstudy.tables import empty, shape


def range_table(
    accuracy: pd.DataFrame,
    pairs: pd.DataFrame,
    poses: pd.DataFrame,
    run: pd.DataFrame,
    scans: pd.DataFrame,
    *,
    factors: Sequence[str],
    temperature_c: pd.Series,
) -> pd.DataFrame:
    """Lowest and highest value of what a report states of a whole study or model.

    Parameters
    ----------
    accuracy : DataFrame
        Table ``accuracy`` or ``precision``.
    pairs, poses, run, scans : DataFrame
        Tables ``pair_deviations``, ``poses`` and ``run_chart``, and the scan list; scans without
        pairs are passed over.
    factors : sequence of str
        Columns of the scan list whose levels are counted.
    temperature_c : Series
        Temperature of every scan, by its name.

    Returns
    -------
    DataFrame
        Table ``ranges``.
    """
    if pairs.empty:
        return empty("ranges")
    mine = scans[scans["scan"].isin(set(pairs["scan"]))]
    rows = [
        *(_row(name, mine[name]) for name in ("scan", "model") if name in mine),
        _row("scans of a condition", pairs.groupby("condition")["scan"].nunique()),
        *(_row(name, mine[name]) for name in factors if name in mine and name != "temperature_c"),
        _row("temperature_c", temperature_c[temperature_c.index.isin(mine["scan"])], "c"),
        *(_row(name, pairs[name], "mm") for name in ("span_mm", "path_mm")),
        *(_row(name, run[name], "um") for name in ("longest_um", "rms_um") if len(run)),
    ]
    if "fit_rms_um" in poses:
        rows.append(_row("fit_rms_um", poses["fit_rms_um"], "um"))
    distances = accuracy[(accuracy["measurand"] == "distance_um") & accuracy["span_mm"].notna()]
    for model, own in distances.groupby("model", sort=False):
        rows += _of_pairs(own, str(model))
    return shape("ranges", pd.DataFrame([r for r in rows if r["n_values"]]))


def _of_pairs(own: pd.DataFrame, model: str) -> list[dict[str, Any]]:
    """Bias, where there is a reference, and repeatability of the pairs of a model."""
    rows = [_row("s_r", own["s_r"], "um", model)]
    if "bias" in own:
        known = own[own["bias_low"].notna()]
        beyond = known[known["excludes_zero"].fillna(False).astype(bool)]
        rows += [
            _row("bias", own["bias"], "um", model),
            _row("bias_df", known["bias_df"], "", model),
            _row("bias, zero excluded", beyond["bias"], "um", model),
        ]
    return rows


def _row(quantity: str, values: pd.Series, unit: str = "", model: str = "") -> dict[str, Any]:
    """Row of a quantity; lowest and highest only of numbers."""
    known = values.dropna()
    known = known[known.astype(str) != ""]
    numbers = pd.api.types.is_numeric_dtype(known) and not pd.api.types.is_bool_dtype(known)
    ends = {"lowest": known.min(), "highest": known.max()} if numbers and len(known) else {}
    return {
        "model": model,
        "quantity": quantity,
        "unit": unit,
        "n_values": len(known),
        "n_levels": known.nunique(),
        **ends,
    }


def run_table(
    accuracy: pd.DataFrame, pairs: pd.DataFrame, whole: pd.DataFrame, at: pd.Series
) -> pd.DataFrame:
    """Scans of the model with the longest pair in the order in which they were taken.

    Parameters
    ----------
    accuracy : DataFrame
        Table ``accuracy`` or ``precision``.
    pairs, whole : DataFrame
        Tables ``pair_deviations`` and ``scan_deviations``.
    at : Series
        When every scan was taken, by its name; scans without a date follow in their order.

    Returns
    -------
    DataFrame
        Table ``run_chart``.
    """
    longest = accuracy[accuracy["longest"].fillna(False).astype(bool)]
    longest = longest[longest["measurand"] == "distance_um"]
    if longest.empty or whole.empty:
        return empty("run_chart")
    first = longest.iloc[0]
    own = pairs[pairs["model"] == first["model"]]
    own = own[pair_names(own) == first["subject"]].set_index("scan")
    out = whole[whole["model"] == first["model"]]
    out = out.assign(
        pair=first["subject"],
        span_mm=first["span_mm"],
        at=out["scan"].map(at),
        longest_um=out["scan"].map(own["distance_um"]),
        rms_um=out["rms_distance_um"],
    ).sort_values("at", kind="stable", na_position="last")
    return shape("run_chart", out.assign(number=range(1, len(out) + 1)))
