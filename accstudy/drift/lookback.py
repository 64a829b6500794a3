"""What to reassess when a signal stands: every scan since the device was last proven good."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from accstudy.drift.points import Stretch
from accstudy.drift.signals import Found

__all__ = ["last_proven_good", "lookback_rows"]

_GUARD = 1.645  # one-sided, 95 %


def last_proven_good(stretch: Stretch, found: Sequence[Found], limit: float | None) -> int:
    """Index of the last session of a stretch that was good beyond doubt; -1 for none.

    Parameters
    ----------
    stretch : Stretch
        Sessions.
    found : sequence of Found
        What stands there.
    limit : float, optional
        Limit of the measurand.

    Notes
    -----
    A session is proven good if it lies before everything that the standing
    signals and the date intervals of the change points cover and, where there
    is a limit, its mean with its 95 % uncertainty lies within it.
    """
    last = min(one.last_good for one in found)
    if limit is None or stretch.baseline is None:
        return last
    bound = np.abs(stretch.means) + _GUARD * stretch.sd_of_means
    while last >= 0 and bound[last] > limit:
        last -= 1
    return last


def lookback_rows(
    device: str,
    scans: pd.DataFrame,
    standing: Sequence[tuple[Stretch, Sequence[Found]]],
    limits: dict[str, float],
) -> pd.DataFrame:
    """Scans of a device since the last session proven good.

    Parameters
    ----------
    device : str
        The device.
    scans : DataFrame
        ``scan, model, device, session, at``, one row a scan, of all models.
    standing : sequence of (Stretch, sequence of Found)
        What stands, of every model and measurand.
    limits : dict
        Limit of each measurand that has one.

    Returns
    -------
    DataFrame
        Rows of table ``drift_lookback``. The study's own scans are listed; what
        else the device measured in that time is to be reassessed as well.
    """
    rows = [
        (stretch, found, last_proven_good(stretch, found, limits.get(stretch.measurand)))
        for stretch, found in standing
    ]

    def good_at(stretch: Stretch, index: int) -> pd.Timestamp:
        return pd.Timestamp.min if index < 0 else pd.Timestamp(stretch.rows["at"].iloc[index])

    stretch, _, index = min(rows, key=lambda r: good_at(r[0], r[2]))
    since = good_at(stretch, index)
    name = "" if index < 0 else str(stretch.rows["session"].iloc[index])
    mine = scans[(scans["device"] == device)]
    if index >= 0:
        mine = mine[(mine["at"] > since) & (mine["session"] != name)]
    because = dict.fromkeys(
        f"{s.measurand}: {one.row['kind']} {one.row['chart']}"
        for s, found, _ in rows
        for one in found
    )
    out = mine.sort_values(["at", "scan"], kind="stable")[
        ["device", "model", "scan", "session", "at"]
    ].copy()
    out["proven_good"] = name
    out["proven_good_at"] = since if index >= 0 else pd.NaT
    out["signal_at"] = min(one.row["at"] for _, found, _ in rows for one in found)
    out["because"] = "; ".join(because)
    return out
