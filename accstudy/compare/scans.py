"""Summary of a whole scan: its worst pair and the root mean square of its pairs."""

from __future__ import annotations

import numpy as np
import pandas as pd

from accstudy.tables import TABLES, empty, shape

__all__ = ["models_scanned", "scan_deviations"]

_OF_A_PAIR = set(TABLES["pair_deviations"].names)


def scan_deviations(pairs: pd.DataFrame) -> pd.DataFrame:
    """Largest and root mean square deviation of the pairs of every scan.

    These are the figures that a case meets: a framework joins all implants, so the
    worst pair counts. More implants make more pairs, so the worst one grows with the
    number of implants even where no single distance does.

    Parameters
    ----------
    pairs : DataFrame
        Table ``pair_deviations``, factor columns included.

    Returns
    -------
    DataFrame
        Table ``scan_deviations``, scans in the order of `pairs`. ``complete`` is false
        where the scan lacks a pair of its model; its worst pair is then the worst of
        fewer, not to be compared with that of complete scans.

    Examples
    --------
    >>> pairs = pd.DataFrame({"scan": "s1", "model": "M", "implant_a": ["A", "A", "B"],
    ...     "implant_b": ["B", "C", "C"], "n_implants": 3, "distance_um": [3.0, -4.0, 0.0],
    ...     "angle_deg": [0.1, -0.2, 0.0], "span_mm": [10.0, 20.0, 11.0],
    ...     "path_mm": [10.0, 21.0, 11.0], "angulation_deg": [5.0, 30.0, 30.0]})
    >>> scan_deviations(pairs)[["worst_distance_um", "rms_distance_um", "worst_angle_deg"]]
       worst_distance_um  rms_distance_um  worst_angle_deg
    0                4.0         2.886751              0.2
    """
    if pairs.empty:
        return empty("scan_deviations")
    factors = tuple(c for c in pairs.columns if c not in _OF_A_PAIR)
    size = pairs["distance_um"].abs()
    table = pairs.assign(
        _size=size,
        _square=pairs["distance_um"] ** 2,
        _angle=pairs["angle_deg"].abs(),
    )
    grouped = table.groupby("scan", sort=False)
    first = pairs.drop_duplicates("scan").set_index("scan")
    out = first[[c for c in ("model", "condition", "cell", "n_implants", *factors) if c in first]]
    out = out.assign(
        n_pairs=grouped.size(),
        angulation_deg=grouped["angulation_deg"].max(),
        span_mm=grouped["span_mm"].max(),
        path_mm=grouped["path_mm"].max(),
        worst_distance_um=grouped["_size"].max(),
        rms_distance_um=np.sqrt(grouped["_square"].mean()),
        worst_angle_deg=grouped["_angle"].max(),
    )
    n = out["n_implants"].astype(int)
    out["complete"] = out["n_pairs"] == n * (n - 1) // 2
    worst = pairs.loc[size.groupby(pairs["scan"], sort=False).idxmax()].set_index("scan")
    out["worst_implant_a"], out["worst_implant_b"] = worst["implant_a"], worst["implant_b"]
    return shape("scan_deviations", out.reset_index(), factors=factors)


def models_scanned(pairs: pd.DataFrame) -> pd.DataFrame:
    """What the scanned models are like: implants, angulation, span, path.

    Parameters
    ----------
    pairs : DataFrame
        Table ``pair_deviations``.

    Returns
    -------
    DataFrame
        Table ``models``, in the order of `pairs`.
    """
    if pairs.empty:
        return empty("models")
    grouped = pairs.groupby("model", sort=False)
    out = grouped.agg(
        n_implants=("n_implants", "max"),
        angulation_deg=("angulation_deg", "max"),
        span_mm=("span_mm", "max"),
        path_mm=("path_mm", "max"),
        n_scans=("scan", "nunique"),
    )
    return shape("models", out.reset_index())
