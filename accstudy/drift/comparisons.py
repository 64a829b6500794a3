"""Before and after a new baseline: a software update is a new device."""

from __future__ import annotations

from typing import Any

import numpy as np
import scipy  # scipy.stats loads when it is first used

from accstudy.drift.signals import unit_text
from accstudy.drift.stretch import Stretch

__all__ = ["compare_baselines"]


def compare_baselines(before: Stretch, after: Stretch, *, confidence: float) -> dict[str, Any]:
    """Compare two neighbouring stretches of one device and measurand.

    Parameters
    ----------
    before, after : Stretch
        Neighbours.
    confidence : float
        Of the intervals.

    Returns
    -------
    dict
        A row of table ``drift_comparisons``.

    Notes
    -----
    Means: Welch's t on session means. Standard deviations within sessions:
    ratio with its F interval. Either needs two sessions on both sides.
    """
    row: dict[str, Any] = {
        **after.names,
        "begins_with": after.begins_with,
        "at": after.rows["at"].iloc[0],
        "n_before": len(before.rows),
        "n_after": len(after.rows),
        "confidence": confidence,
        "method": "Welch's t on session means; F on the standard deviations within sessions",
    }
    difference = float(after.means.mean() - before.means.mean())
    row["difference"] = difference
    unit = unit_text(after.unit)
    told = f"{after.measurand}: {difference:+.3g} {unit} after {after.begins_with}"
    if min(len(before.rows), len(after.rows)) >= 2:
        found = scipy.stats.ttest_ind(after.means, before.means, equal_var=False)
        interval = found.confidence_interval(confidence)
        row.update(low=float(interval.low), high=float(interval.high), p=float(found.pvalue))
        told += f" ({interval.low:+.3g} to {interval.high:+.3g})"
    row["what"] = told + "."
    (sd_a, df_a), (sd_b, df_b) = (_pooled(s) for s in (after, before))
    if df_a > 0 and df_b > 0 and sd_b > 0:
        ratio = sd_a / sd_b
        tail = (1 - confidence) / 2
        row["sd_ratio"] = ratio
        row["sd_ratio_low"] = ratio / np.sqrt(scipy.stats.f.ppf(1 - tail, df_a, df_b))
        row["sd_ratio_high"] = ratio / np.sqrt(scipy.stats.f.ppf(tail, df_a, df_b))
    return row


def _pooled(stretch: Stretch) -> tuple[float, int]:
    n = stretch.rows["n_scans"].to_numpy(float)
    sd = stretch.rows["sd"].fillna(0.0).to_numpy(float)
    df = float(np.sum(n - 1))
    return (float(np.sqrt(np.sum((n - 1) * sd**2) / df)) if df else np.nan), int(df)
