"""Table ``variance_components``: where the spread of a pair comes from, level by level."""

from __future__ import annotations

import math
from collections.abc import Sequence

import pandas as pd
from scipy import special

from accstudy.accuracy.measurands import natural
from accstudy.accuracy.nested import Nested, nested_anova
from accstudy.errors import InputError, nearest
from accstudy.tables import empty, shape

__all__ = ["variance_components"]


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
    table = pair_deviations.assign(
        subject=pair_deviations["implant_a"].astype(str)
        + "-"
        + pair_deviations["implant_b"].astype(str)
    )
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
