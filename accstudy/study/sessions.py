"""Digests of every session's input, so that a former one cannot change unnoticed."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import pandas as pd

from accstudy.errors import Finding, Severity
from accstudy.study.disk import digest

__all__ = ["changed_sessions", "first_recorded", "news", "session_digests", "session_names"]

_NOT_OWN = ("row", "condition", "cell")  # where it stands, and what the settings make of it


def session_digests(
    scans: pd.DataFrame, files: Mapping[str, str], poses: pd.DataFrame
) -> dict[str, str]:
    """SHA-256 of the rows, files and given positions of every session.

    Parameters
    ----------
    scans : DataFrame
        The scan list as read, all columns.
    files : mapping
        SHA-256 of the file of every scan that has one.
    poses : DataFrame
        Positions given instead of meshes; may be empty.

    Returns
    -------
    dict
        For "device, model, session" (as far as the list has them) a digest. Rows of other
        sessions and the order of rows do not matter.
    """
    own = [c for c in scans.columns if c not in _NOT_OWN]
    out = {}
    given = dict(tuple(poses.groupby("scan", sort=False))) if len(poses) else {}
    for name, rows in scans.groupby(session_names(scans), sort=True):
        parts = []
        for row in rows.sort_values("scan", kind="stable")[own].to_dict("records"):
            scan = str(row["scan"])
            placed = given[scan].to_csv(index=False) if scan in given else ""
            cells = {str(k): str(v) for k, v in row.items() if pd.notna(v) and str(v)}
            parts.append([cells, files.get(scan, ""), digest(placed.encode())])
        out[str(name)] = digest(json.dumps(parts, sort_keys=True, ensure_ascii=False).encode())
    return out


def session_names(scans: pd.DataFrame) -> pd.Series:
    """Name the session of every scan: "device, model, session", as far as the list has them."""
    columns = [c for c in ("device", "model", "session") if c in scans]
    names = [", ".join(str(c) for c in row if str(c)) for row in scans[columns].to_numpy()]
    return pd.Series(names, index=scans.index, dtype=object)


def _lines(history: bytes) -> list[dict[str, Any]]:
    out = []
    for line in history.splitlines():
        try:
            entry = json.loads(line)
        except (ValueError, RecursionError):
            continue
        if isinstance(entry, dict) and isinstance(entry.get("sessions"), dict):
            out.append(entry)
    return out


def first_recorded(history: bytes) -> dict[str, tuple[str, str]]:
    """Digest of every session when it was first recorded, and when that was."""
    out: dict[str, tuple[str, str]] = {}
    for entry in _lines(history):
        for name, value in entry["sessions"].items():
            out.setdefault(str(name), (str(value), str(entry.get("at", ""))))
    return out


def news(history: bytes, sessions: Mapping[str, str]) -> dict[str, str]:
    """Sessions that the history does not hold yet, or holds otherwise."""
    last: dict[str, str] = {}
    for entry in _lines(history):
        last.update({str(k): str(v) for k, v in entry["sessions"].items()})
    return {name: value for name, value in sessions.items() if last.get(name) != value}


def changed_sessions(
    history: bytes, sessions: Mapping[str, str]
) -> tuple[list[Finding], tuple[str, ...]]:
    """Compare the sessions of today with those first recorded.

    Parameters
    ----------
    history : bytes
        Content of history.jsonl.
    sessions : mapping
        As `session_digests` gives them today.

    Returns
    -------
    findings : list of Finding
        Former sessions that changed or are gone.
    added : tuple of str
        Sessions that were added since the last run.
    """
    first = first_recorded(history)
    hint = "restore the rows and files from a copy, or document why they were changed"
    found = []
    for name, (value, at) in first.items():
        if name not in sessions:
            what = f"session {name}, first recorded on {at[:10]}, is gone"
            found.append(Finding(Severity.ERROR, "session-gone", what, "scans", hint))
        elif sessions[name] != value:
            what = f"session {name} has changed since it was first recorded on {at[:10]}"
            found.append(Finding(Severity.ERROR, "session-changed", what, "scans", hint))
    return found, tuple(name for name in sessions if name not in first) if first else ()
