"""Sessions as subgroups, cut into stretches that each have a baseline of their own."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

__all__ = ["Baseline", "baseline_of", "session_table", "starts"]

Floats = NDArray[np.float64]

MIN_SESSIONS = 3
"""Sessions below which a baseline says nothing about the spread between them."""


def session_table(values: pd.DataFrame) -> pd.DataFrame:
    """Condense scans into sessions.

    Parameters
    ----------
    values : DataFrame
        As `accstudy.drift.measurands.scan_measurands` gives them.

    Returns
    -------
    DataFrame
        ``device, model, measurand, unit, session, at, n_scans, mean, sd`` in
        order of time; ``at`` is the session's first scan, ``sd`` empty for one
        scan.
    """
    keys = ["device", "model", "measurand", "unit", "session"]
    found = values.groupby(keys, sort=False).agg(
        at=("at", "min"), n_scans=("value", "size"), mean=("value", "mean"), sd=("value", "std")
    )
    order = {name: i for i, name in enumerate(dict.fromkeys(values["measurand"]))}
    found = found.reset_index()
    found["order"] = found["measurand"].map(order)
    found = found.sort_values(["device", "model", "order", "at", "session"], kind="stable")
    return found.drop(columns="order").reset_index(drop=True)


def starts(
    device: str, model: str, events: pd.DataFrame, implants: pd.DataFrame
) -> list[tuple[pd.Timestamp, str]]:
    """Dates at which the charts of a device and model restart, and why.

    Parameters
    ----------
    device, model : str
        Of the chart.
    events : DataFrame
        Table ``events``; rows with ``new_baseline`` of this device or of all.
    implants : DataFrame
        Table ``implants``; every later ``valid_from`` of the model.

    Returns
    -------
    list of (Timestamp, str)
        In order of time, without the beginning.

    Notes
    -----
    A reference that was measured again moves every deviation by a step that
    nobody can tell from the device's without assuming one of them steady. So
    charts start anew there.
    """
    out: dict[pd.Timestamp, str] = {}
    if len(events) and "new_baseline" in events:
        mine = events["new_baseline"].fillna(False).astype(bool)
        mine &= events["device"].fillna("").isin(["", device])
        for row in events[mine].itertuples():
            out[pd.Timestamp(str(row.at))] = str(row.kind)
    if "valid_from" in implants:
        since = pd.to_datetime(implants.loc[implants["model"] == model, "valid_from"]).dropna()
        for day in sorted(since.unique())[0 if _has_undated(implants, model) else 1 :]:
            out.setdefault(pd.Timestamp(str(day)), "reference measured again")
    return sorted(out.items())


def _has_undated(implants: pd.DataFrame, model: str) -> bool:
    return bool(implants.loc[implants["model"] == model, "valid_from"].isna().any())


@dataclass(frozen=True, slots=True)
class Baseline:
    """Baseline of one measurand; fixed with its sessions.

    Parameters
    ----------
    sessions : tuple of str
        Its sessions.
    centre : float
        Mean of the session means.
    sd_of_means : float
        Standard deviation of the session means.
    sd_within : float
        Pooled standard deviation within sessions; NaN for single scans.
    df_within : int
        Its degrees of freedom.
    var_between : float
        Variance between sessions beyond what the scans explain, as estimated;
        NaN for single scans.
    per_scan : float
        Mean of 1 / n over its sessions.
    """

    sessions: tuple[str, ...]
    centre: float
    sd_of_means: float
    sd_within: float
    df_within: int
    var_between: float
    per_scan: float

    @property
    def m(self) -> int:
        """Number of sessions."""
        return len(self.sessions)

    def sd_of_mean(self, n_scans: NDArray[np.int64]) -> Floats:
        """Standard deviation of the mean of a session of `n_scans` scans.

        The variation between sessions is part of it. For sessions as large as
        those of the baseline it is the standard deviation of the baseline's
        session means.
        """
        n = np.asarray(n_scans, float)
        if np.isnan(self.sd_within):
            return np.full(len(n), self.sd_of_means)
        if self.var_between >= 0:
            return np.sqrt(self.var_between + self.sd_within**2 / n)
        return self.sd_of_means * np.sqrt(1 / n / self.per_scan)


def baseline_of(rows: pd.DataFrame) -> Baseline:
    """Estimate a baseline from its rows of the session table (3 or more).

    Notes
    -----
    Scans of a session share its conditions, so centre and spread come from
    session means; scans only tell the spread within.
    """
    means, n = rows["mean"].to_numpy(float), rows["n_scans"].to_numpy(float)
    df = (n - 1).sum()
    within = np.nan
    if df > 0:
        squares = rows["sd"].fillna(0.0).to_numpy(float) ** 2
        within = float(np.sqrt(np.sum((n - 1) * squares) / df))
    sd_of_means = float(means.std(ddof=1))
    per_scan = float(np.mean(1 / n))
    return Baseline(
        sessions=tuple(rows["session"]),
        centre=float(means.mean()),
        sd_of_means=sd_of_means,
        sd_within=within,
        df_within=int(df),
        var_between=sd_of_means**2 - within**2 * per_scan,
        per_scan=per_scan,
    )
