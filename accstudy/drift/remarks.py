"""What the charts of a device do not show by themselves."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

__all__ = ["device_remarks", "gaps_after"]

_GAP = 2.5  # times the usual time between sessions


def gaps_after(at: pd.Series) -> list[int]:
    """Positions of the sessions that a gap follows.

    Parameters
    ----------
    at : Series of datetime
        Dates of sessions, in order.

    Returns
    -------
    list of int
        Where the time to the next session is more than two and a half times the median one.
    """
    steps = pd.to_datetime(at).diff().dt.total_seconds().to_numpy(float)[1:]
    usual = float(np.median(steps)) if len(steps) else 0.0
    return [int(k) for k in np.flatnonzero(steps > _GAP * usual)] if usual > 0 else []


def device_remarks(
    points: pd.DataFrame,
    events: pd.DataFrame,
    trends: pd.DataFrame,
    signals: pd.DataFrame,
    scans: pd.DataFrame,
) -> list[dict[str, Any]]:
    """Rows of table ``drift_remarks`` of one device and model.

    Parameters
    ----------
    points, trends, signals : DataFrame
        Rows of tables ``drift_points``, ``drift_trends``, ``drift_signals`` of the device.
    events, scans : DataFrame
        Tables ``events`` and ``scans`` of the device; events of all devices included.
    """
    rows: list[dict[str, Any]] = []
    at = points.drop_duplicates("session").sort_values("at")["at"].reset_index(drop=True)
    rows += [{"kind": "gap", "at": at[k], "until": at[k + 1]} for k in gaps_after(at)]
    first = points[points["baseline"].fillna(False).astype(bool)]
    when = pd.to_datetime(events["at"]) if len(events) else pd.Series([], dtype="datetime64[ns]")
    for number, base in first.groupby("baseline_no", sort=True):
        inside = events[(when > base["at"].min()) & (when < base["at"].max())]
        rows += [
            {"kind": "event", "at": e.at, "subject": e.kind, "baseline_no": number}
            for e in inside.itertuples()
        ]
    rows += _software(points, scans)
    signalled = set(signals["measurand"]) if len(signals) else set()
    rows += [
        {"kind": "trend", "subject": t.measurand, "p": t.p}
        for t in trends.itertuples()
        if t.shown and t.measurand not in signalled
    ]
    uses = scans["body_uses"].dropna() if "body_uses" in scans else pd.Series([], dtype=float)
    if len(uses) and uses.max() > uses.min():
        rows.append({"kind": "bodies", "fewest": uses.min(), "most": uses.max()})
    return rows


def _software(points: pd.DataFrame, scans: pd.DataFrame) -> list[dict[str, Any]]:
    """Versions of the software that follow the one of the present baseline in its charts."""
    if not {"software", "measured_at"} <= set(scans.columns) or not len(points):
        return []
    since = points.loc[points["baseline_no"] == points["baseline_no"].max(), "at"].min()
    mine = scans.assign(at=pd.to_datetime(scans["measured_at"])).sort_values("at", kind="stable")
    mine = mine[(mine["at"] >= since) & (mine["software"].fillna("") != "")]
    first = mine.drop_duplicates("software")
    before = first["software"].iloc[0] if len(first) else ""
    return [
        {
            "kind": "software",
            "at": one.at,
            "subject": one.software,
            "before": before,
        }
        for one in first.iloc[1:].itertuples()
    ]
