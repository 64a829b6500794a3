"""The chain of runs: a line a run, each naming the digest of the line before."""

from __future__ import annotations

import json
from typing import Any

from accstudy.errors import Finding, Severity, place
from accstudy.study.disk import digest

__all__ = ["FILE", "add_run", "chain_faults", "last_run", "lost_runs"]

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
        the last line, and ``line`` the digest of all else in it.
    """
    lines = history.splitlines()
    entry = {**entry, "previous": digest(lines[-1]) if lines else ""}
    line = _text({**entry, "line": digest(_text(entry).encode())})
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
        One for every line that is no JSON object, is not what its own digest
        says, or does not name the digest of the line before. A chain shows that
        lines were changed or removed in the middle. It cannot show that lines are
        missing at the end, nor that somebody made the whole of it anew.
    """
    faults = []
    previous = ""
    for row, line in enumerate(history.splitlines(), start=1):
        entry = _entry(line)
        stated = entry.pop("line", None)
        whole = stated == digest(_text(entry).encode())
        if not whole or _text({**entry, "line": stated}).encode() != line:
            what = "this line was changed after it was written"
            where = place(f"results/{FILE}", row)
            faults.append(
                Finding(Severity.ERROR, "broken-chain", what, where, "restore the file from a copy")
            )
        elif entry.get("previous") != previous:
            faults.append(
                Finding(
                    Severity.ERROR,
                    "broken-chain",
                    "this line does not follow from the preceding line: one of the two was "
                    "changed, or a line between them is missing",
                    place(f"results/{FILE}", row),
                    "restore the file from a copy",
                )
            )
        previous = digest(line)
    lines = history.splitlines()
    if history != b"".join(line + b"\n" for line in lines):
        where = place(f"results/{FILE}", len(lines))
        what = "the ends of the lines were changed"
        mend = "restore the file from a copy"
        faults.append(Finding(Severity.ERROR, "broken-chain", what, where, mend))
    return faults


def last_run(history: bytes) -> dict[str, Any]:
    """Return the last run of a history; empty when there is none."""
    lines = history.splitlines()
    return _entry(lines[-1]) if lines else {}


def lost_runs(history: bytes) -> list[Finding]:
    """Runs whose record was there when the next one began, and that no line tells of."""
    hint = "restore history.jsonl from a copy or a bundle; the lost entries cannot be reconstructed"
    what = "earlier runs are missing from the history: the file was deleted or rewritten"
    return [
        Finding(Severity.ERROR, "history-lost", what, place(f"results/{FILE}", row), hint)
        for row, line in enumerate(history.splitlines(), start=1)
        if _entry(line).get("lost")
    ]


def _entry(line: bytes) -> dict[str, Any]:
    try:
        entry = json.loads(line)
    except (ValueError, RecursionError):
        return {}
    return entry if isinstance(entry, dict) else {}


def _text(entry: dict[str, Any]) -> str:
    return json.dumps(entry, sort_keys=True, ensure_ascii=False)
