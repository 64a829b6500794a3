"""The chain of runs: a line a run, each naming the digest of the line before."""

from __future__ import annotations

import json
from typing import Any

from accstudy.errors import Finding, Severity, place
from accstudy.study.record import digest

__all__ = ["FILE", "add_run", "chain_faults", "last_run"]

FILE = "history.jsonl"
"""Name of the history in the results folder."""


def add_run(history: bytes, entry: dict[str, Any]) -> bytes:
    """Append a run to the history.

    Parameters
    ----------
    history : bytes
        Lines so far; empty for the first run.
    entry : dict
        What is to be kept of the run, JSON values only.

    Returns
    -------
    bytes
        The history with one line more, whose ``previous`` is the digest of
        the last line.
    """
    lines = history.splitlines()
    previous = digest(lines[-1]) if lines else ""
    line = json.dumps({**entry, "previous": previous}, sort_keys=True, ensure_ascii=False)
    return b"".join(one + b"\n" for one in lines) + line.encode() + b"\n"


def chain_faults(history: bytes) -> list[Finding]:
    """Find where the chain of runs is broken.

    Parameters
    ----------
    history : bytes
        Content of history.jsonl.

    Returns
    -------
    list of Finding
        One for every line that is no JSON object or does not name the digest
        of the line before. A chain shows that lines were changed or removed in
        the middle; it cannot show that lines are missing at the end.
    """
    faults = []
    previous = ""
    for row, line in enumerate(history.splitlines(), start=1):
        try:
            stated = json.loads(line)["previous"]
        except (ValueError, KeyError, TypeError):
            stated = None
        if stated != previous:
            faults.append(
                Finding(
                    Severity.ERROR,
                    "broken-chain",
                    "this line does not follow from the line before: one of the two was changed, "
                    "or a line between them is missing",
                    place(f"results/{FILE}", row),
                    "restore the file from a copy",
                )
            )
        previous = digest(line)
    return faults


def last_run(history: bytes) -> dict[str, Any]:
    """Return the last run of a history; empty when there is none."""
    for line in reversed(history.splitlines()):
        try:
            entry = json.loads(line)
        except ValueError:
            return {}
        return entry if isinstance(entry, dict) else {}
    return {}
