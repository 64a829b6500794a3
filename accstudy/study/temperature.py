"""At which temperature every scan was made."""

from __future__ import annotations

import pandas as pd

__all__ = ["scan_temperatures"]


def scan_temperatures(scans: pd.DataFrame, *, everywhere: float | None) -> pd.Series:
    """Temperature of every scan, °C.

    Parameters
    ----------
    scans : DataFrame
        Table ``scans``; its column ``temperature_c`` counts before `everywhere`, if it
        holds numbers.
    everywhere : float, optional
        ``scans.temperature_c`` of study.toml.

    Returns
    -------
    Series
        By scan; NaN where nothing is known.
    """
    at = pd.Series(float("nan") if everywhere is None else everywhere, scans["scan"], dtype=float)
    if "temperature_c" in scans and pd.api.types.is_numeric_dtype(scans["temperature_c"]):
        own = pd.Series(scans["temperature_c"].to_numpy(float), at.index)
        return own.fillna(at)
    return at
