"""The record of a run, and the chain of runs: a line a run, with digests of every input."""

from __future__ import annotations

import contextlib
import functools
import hashlib
import importlib.metadata
import json
import math
import platform
import re
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, NotRequired

import pandas as pd
from pydantic import ConfigDict, TypeAdapter, ValidationError
from typing_extensions import TypedDict

from accstudy.errors import Finding, fault, place
from accstudy.study.files import digest, read_own
from accstudy.words.catalogue import say

if TYPE_CHECKING:
    from accstudy.study.files import Files

RECORD = "record.json"
"""Name of the record in the results folder."""

_PLAN = "plan"


class ReportRecord(TypedDict):
    """What a report was made from, and SHA-256 of its files."""

    made_from: str
    figures: str
    page: bool
    who: str
    issued: str
    dpi: NotRequired[int]  # records of before it could be chosen lack it
    files: dict[str, str]


class Record(TypedDict, total=False):
    """Content of record.json; every digest is a SHA-256 as hexadecimal text."""

    __pydantic_config__ = ConfigDict(extra="forbid")  # type: ignore[misc]

    accstudy: str
    settings: dict[str, Any]
    program: str
    versions: dict[str, str]
    computer: dict[str, str]
    stages: dict[str, str]
    scans: dict[str, dict[str, str]]
    findings: dict[str, list[dict[str, str]]]
    inputs: dict[str, str]
    sessions: dict[str, str]
    outputs: dict[str, str]
    report: ReportRecord


_RECORDS = TypeAdapter(Record)
_OURS = re.compile(r"(numpy|scipy)\.(libs|dylibs)|lib(open|atlas|mkl|blis)")


_PROGRAM = (".py", ".toml", ".typ", ".html", ".css", ".js", ".ttf")


@functools.cache
def program_digest(*rooms: str) -> str:
    """SHA-256 over the program itself, so that a changed program recomputes everything.

    Parameters
    ----------
    *rooms : str
        Rooms of the package, such as ``"locate"``; the whole package by default.
    """
    package = Path(__file__).parent.parent
    folders = [package / room for room in rooms] or [package]
    hasher = hashlib.sha256()
    for folder in folders:
        for path in sorted(p for p in folder.rglob("*") if p.suffix in _PROGRAM):
            name = path.relative_to(package).as_posix()
            if name.startswith("protocols/"):  # in the wheel alone; no result depends on them
                continue
            hasher.update(name.encode() + b"\0")
            hasher.update(path.read_bytes())
    return hasher.hexdigest()


def versions() -> dict[str, str]:
    """Versions of what computes."""
    names = ("numpy", "scipy", "pandas", "statsmodels", "trimesh", "matplotlib", "typst")
    found = {"python": platform.python_version()}
    for name in (*names, "open3d", "open3d-cpu"):
        try:
            found[name] = importlib.metadata.version(name)
        except importlib.metadata.PackageNotFoundError:
            continue
    return found


def computer() -> dict[str, str]:
    """Name what the last bits of a number depend on.

    Returns
    -------
    dict of str to str
        ``system``, ``processor`` (its family), and ``linear algebra``: for the
        library of numpy and that of scipy its version and the kernel that it chose
        for this processor.
    """
    import scipy.linalg  # noqa: F401 - loaded, so that its library is among those found

    found = {"system": platform.system(), "processor": platform.machine()}
    with contextlib.suppress(ImportError):
        from threadpoolctl import threadpool_info

        kernels = {
            f"{one['internal_api']} {one['version']} {one.get('architecture', '')}".strip()
            for one in threadpool_info()
            if one["user_api"] == "blas" and one["version"] and _OURS.search(one["filepath"])
        }
        found["linear algebra"] = ", ".join(sorted(kernels))
    return found


def differences(then: dict[str, str], now: dict[str, str]) -> str:
    """Say in which of their parts two machines, or two sets of versions, differ; empty if in none.

    Examples
    --------
    >>> differences({"numpy": "2.0"}, {"numpy": "2.1"})
    'numpy 2.0 then, 2.1 now'
    """
    return "; ".join(
        f"{name} {then.get(name) or 'unknown'} then, {now.get(name) or 'unknown'} now"
        for name in dict.fromkeys([*then, *now])
        if then.get(name) != now.get(name)
    )


def json_bytes(value: object) -> bytes:
    """Write JSON with sorted keys; numbers that are not finite become null."""
    return (json.dumps(_plain(value), indent=1, sort_keys=True, ensure_ascii=False) + "\n").encode()


def _plain(value: object) -> object:
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    return value


def read_record(results: Path) -> Record:
    """Read record.json of a results folder; empty when there is none that can be read."""
    try:
        found = json.loads(read_own(results / RECORD))
        record = _RECORDS.validate_python(found, strict=True)
        for rows in record.get("findings", {}).values():
            for row in rows:
                Finding.from_dict(row)
    except (OSError, ValueError, RecursionError, TypeError, KeyError, ValidationError):
        return {}
    return record


def drawn_orders(files: Files) -> dict[str, dict[str, object]]:
    """Orders that were drawn for a study, by the names of their files; empty without any."""
    folder = files.root / _PLAN
    names = sorted(p.name for p in folder.glob("order*.json")) if folder.is_dir() else []
    out: dict[str, dict[str, object]] = {}
    for name in names:
        try:
            found = json.loads(files.read(f"{_PLAN}/{name}", max_bytes=1_000_000))
        except (ValueError, RecursionError):
            continue  # a file of the user's own
        if isinstance(found, dict) and {"seed", "order"} <= set(found):
            out[f"{_PLAN}/{name}"] = found
    return out


FILE = "history.jsonl"
"""Name of the history in the results folder."""


def add_run(history: bytes, entry: dict[str, Any]) -> bytes:
    """Append a run (JSON values) to the history: ``previous`` is the digest of the last line.

    ``line`` is the digest of all else in the new one.
    """
    lines = history.splitlines()
    entry = {**entry, "previous": digest(lines[-1]) if lines else ""}
    line = _text({**entry, "line": digest(_text(entry).encode())})
    return b"".join(one + b"\n" for one in lines) + line.encode() + b"\n"


def chain_faults(history: bytes) -> list[Finding]:
    """Find where the chain of runs in history.jsonl is broken.

    A finding for every line that is no JSON object, is not what its own digest says, or does not
    name the digest of the line before. A chain shows that lines were changed or removed in the
    middle. It cannot show that lines are missing at the end, nor that somebody made the whole of it
    anew.
    """
    faults = []
    previous = ""
    for row, line in enumerate(history.splitlines(), start=1):
        entry = _entry(line)
        stated = entry.pop("line", None)
        whole = stated == digest(_text(entry).encode())
        if not whole or _text({**entry, "line": stated}).encode() != line:
            what = say("findings.this_line_was_changed")
            where = place(f"results/{FILE}", row)
            faults.append(
                fault("broken-chain", what, where, say("findings.restore_the_file_from_2"))
            )
        elif entry.get("previous") != previous:
            faults.append(
                fault(
                    "broken-chain",
                    say("findings.this_line_does_not"),
                    place(f"results/{FILE}", row),
                    say("findings.restore_the_file_from_2"),
                )
            )
        previous = digest(line)
    lines = history.splitlines()
    if history != b"".join(line + b"\n" for line in lines):
        where = place(f"results/{FILE}", len(lines))
        what = say("findings.the_ends_of_the")
        mend = say("findings.restore_the_file_from_2")
        faults.append(fault("broken-chain", what, where, mend))
    return faults


def last_run(history: bytes) -> dict[str, Any]:
    """Return the last run of a history; empty when there is none."""
    lines = history.splitlines()
    return _entry(lines[-1]) if lines else {}


def lost_runs(history: bytes) -> list[Finding]:
    """Runs whose record existed when the next one began but that the history does not list."""
    hint = say("findings.restore_history_jsonl_from")
    what = say("findings.earlier_runs_are_missing")
    return [
        fault("history-lost", what, place(f"results/{FILE}", row), hint)
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


_NOT_OWN = ("row", "condition", "cell")  # where it stands, and what the settings make of it


def session_digests(
    scans: pd.DataFrame, files: Mapping[str, str], poses: pd.DataFrame
) -> dict[str, str]:
    """SHA-256 of the rows, files and given positions of every session, by "device, model, session".

    Rows of other sessions and the order of rows do not matter.
    """
    own = [c for c in scans.columns if c not in _NOT_OWN]
    given = dict(tuple(poses.groupby("scan", sort=False))) if len(poses) else {}
    parts: dict[str, list[Any]] = {}
    ordered = scans.sort_values("scan", kind="stable")
    for name, row in zip(session_names(ordered), ordered[own].to_dict("records"), strict=True):
        scan = str(row["scan"])
        placed = given[scan].to_csv(index=False) if scan in given else ""
        cells = {str(k): str(v) for k, v in row.items() if pd.notna(v) and str(v)}
        parts.setdefault(name, []).append([cells, files.get(scan, ""), digest(placed.encode())])
    return {
        name: digest(json.dumps(mine, sort_keys=True, ensure_ascii=False).encode())
        for name, mine in sorted(parts.items())
    }


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
    """Sessions that the history does not contain yet, or contains differently."""
    last: dict[str, str] = {}
    for entry in _lines(history):
        last.update({str(k): str(v) for k, v in entry["sessions"].items()})
    return {name: value for name, value in sessions.items() if last.get(name) != value}


def changed_sessions(
    history: bytes, sessions: Mapping[str, str]
) -> tuple[list[Finding], tuple[str, ...]]:
    """Find former sessions that changed or are gone since first recorded; and those added since."""
    first = first_recorded(history)
    hint = say("findings.restore_the_rows_and")
    found = []
    for name, (value, at) in first.items():
        if name not in sessions:
            what = say("findings.session_first_recorded_on", name=name, at=at[:10])
            found.append(fault("session-gone", what, "scans", hint))
        elif sessions[name] != value:
            what = say("findings.session_has_changed_since", name=name, at=at[:10])
            found.append(fault("session-changed", what, "scans", hint))
    return found, tuple(name for name in sessions if name not in first) if first else ()
