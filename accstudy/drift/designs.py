"""What was designed from a baseline, as rows: limits, run lengths, effective numbers."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd

from accstudy.drift.points import Stretch
from accstudy.drift.rules import RULES, rule_run_lengths
from accstudy.drift.runlength import cusum_run_length, ewma_run_length, shewhart_run_length

__all__ = ["baseline_row", "effective_number", "run_length_rows"]


def effective_number(values: pd.DataFrame) -> int:
    """Number of independent measurands that the correlated ones amount to.

    Parameters
    ----------
    values : DataFrame
        ``scan, session, measurand, value`` of one device and model.

    Returns
    -------
    int
        From 1 to the number of measurands, rounded up; from the correlation of
        scans within their sessions, which no drift between sessions touches.

    References
    ----------
    Galwey, Genetic Epidemiology 33 (2009) 559-568: the squared sum of the roots
    of the eigenvalues over the sum of the eigenvalues.
    """
    count = max(values["measurand"].nunique(), 1)
    wide = values.set_index(["scan", "measurand"])["value"].unstack().dropna()  # noqa: PD010
    session = values.drop_duplicates("scan").set_index("scan")["session"].loc[wide.index]
    within = wide - wide.groupby(session).transform("mean")
    if len(wide) - session.nunique() < 2 * count or (within.std() <= 0).any():
        return count
    eigen = np.maximum(np.linalg.eigvalsh(within.corr().to_numpy()), 0.0)
    return int(np.ceil(np.sum(np.sqrt(eigen)) ** 2 / np.sum(eigen) - 1e-9))


def baseline_row(stretch: Stretch) -> dict[str, Any]:
    """Row of table ``drift_baselines``."""
    base = stretch.rows[stretch.in_baseline]
    row: dict[str, Any] = {
        **stretch.names,
        "begins_with": stretch.begins_with,
        "n_sessions": len(base),
        "n_scans": int(base["n_scans"].sum()),
        "run_length": stretch.run_length,
        "note": stretch.note,
    }
    if len(base):
        row.update(
            first_session=base["session"].iloc[0],
            last_session=base["session"].iloc[-1],
            until=base["at"].iloc[-1],
        )
    baseline, limits = stretch.baseline, stretch.limits
    if baseline is not None and limits is not None:
        between = max(baseline.var_between, 0.0)  # NaN for single scans stays NaN
        row.update(
            centre=baseline.centre,
            sd_of_means=baseline.sd_of_means,
            sd_within=baseline.sd_within,
            sd_between=np.nan if np.isnan(baseline.var_between) else np.sqrt(between),
            shewhart_limit=limits.shewhart,
            lambda_=limits.lambda_,
            ewma_limit=limits.L,
            k=limits.k,
            h=limits.h,
            widened=limits.L / limits.L_known,
        )
    return row


def run_length_rows(stretch: Stretch) -> list[dict[str, Any]]:
    """In-control and out-of-control run lengths of the charts as designed and as used."""
    baseline, limits = stretch.baseline, stretch.limits
    if baseline is None or limits is None:
        return []
    single = bool((stretch.rows["n_scans"] == 1).all())
    shifts = [0.0, *(f * baseline.sd_of_means for f in (0.5, 1.0, 2.0, 3.0)), stretch.shift]
    rows = []
    for which in ("known", "used"):
        known = which == "known"
        L, h, one = (
            (limits.L_known, limits.h_known, limits.shewhart_known)
            if known
            else (limits.L, limits.h, limits.shewhart)
        )
        for shift in sorted(set(shifts)):
            s = round(shift / baseline.sd_of_means, 4)
            lengths = {
                "individuals" if single else "mean": (shewhart_run_length(one, s),) * 2,
                "ewma": tuple(_ewma_both(limits.lambda_, L, s)),
                "cusum": tuple(_cusum_both(limits.k, h, s)),
            }
            rows += [
                {
                    **stretch.names,
                    "chart": chart,
                    "shift": shift,
                    "shift_sigma": s,
                    "zero_state": zero if zero < _UNTOLD else np.inf,
                    "steady_state": steady if steady < _UNTOLD else np.inf,
                    "limits": which,
                }
                for chart, (zero, steady) in lengths.items()
            ]
    prices = rule_run_lengths(limits.shewhart_known)
    rows += [
        {
            **stretch.names,
            "chart": rule,
            "shift": 0.0,
            "shift_sigma": 0.0,
            "zero_state": prices[rule],
            "limits": "known",
        }
        for rule in RULES
    ]
    return rows


_UNTOLD = 1e9  # run lengths beyond are lost in rounding and of no interest


def _ewma_both(lambda_: float, L: float, shift: float) -> Iterator[float]:
    for state in ("zero", "steady"):
        found = ewma_run_length(lambda_, L, shift, state=state)
        yield found if found > 0 else np.inf


def _cusum_both(k: float, h: float, shift: float) -> Iterator[float]:
    for state in ("zero", "steady"):
        found = cusum_run_length(k, h, shift, state=state)
        yield found if found > 0 else np.inf
