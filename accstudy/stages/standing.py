"""What stands at the last session of a drift study, for programs: a file, a line, an exit code."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from accstudy.tables import UNREFERENCED

__all__ = ["FILE", "drift_status", "standing_lines", "status_file"]

FILE = "status.json"
"""Name of the file in the results folder."""

_NEXT = "next session"


def drift_status(tables: Mapping[str, pd.DataFrame]) -> pd.DataFrame | None:
    """Table ``drift_status``, or what stands in its place without a reference."""
    name = "drift_status"
    return tables.get(name, tables.get(UNREFERENCED[name]))


def _needs_action(tables: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """Devices to act upon now: a signal stands, or the limit is not verified."""
    status = drift_status(tables)
    if status is None or not len(status):
        return pd.DataFrame()
    return status[status["action"] != _NEXT]


def standing_lines(tables: Mapping[str, pd.DataFrame]) -> list[str]:
    """A line a device that needs action."""
    return [
        " ".join(
            part
            for part in (
                f"{row['device'] or 'device'} (model {row['model']}): {row['action']}.",
                row["what"],
                row.get("limit_what"),
                row.get("duty_what"),
            )
            if part
        )
        for row in _needs_action(tables).to_dict("records")
    ]


def status_file(status: pd.DataFrame) -> dict[str, Any]:
    """Content of status.json.

    Parameters
    ----------
    status : DataFrame
        Table ``drift_status``.

    Returns
    -------
    dict
        ``stands`` (of any device), ``exit_code`` of a run that leaves no scan out, and
        ``devices``: the row of each, dates as ISO text, what is empty as null.
    """
    devices = [
        {str(name): _plain(value) for name, value in row.items()}
        for row in status.to_dict("records")
    ]
    acts = bool(len(_needs_action({"drift_status": status})))
    stands = bool(status["stands"].fillna(False).astype(bool).any()) if len(status) else False
    return {"stands": stands, "exit_code": 5 if acts else 0, "devices": devices}


def _plain(value: Any) -> Any:
    if isinstance(value, pd.Timestamp):
        return value.isoformat()
    if pd.isna(value):
        return None
    return value.item() if hasattr(value, "item") else value
