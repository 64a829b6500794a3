"""The record of a run: what it read, what it was made with and what it wrote."""

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

from pydantic import ConfigDict, TypeAdapter, ValidationError
from typing_extensions import TypedDict

from accstudy.errors import Finding
from accstudy.study.disk import read_own

if TYPE_CHECKING:
    from accstudy.study.files import Files

__all__ = [
    "RECORD",
    "Record",
    "computer",
    "differences",
    "drawn_orders",
    "json_bytes",
    "program_digest",
    "read_record",
    "versions",
]

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
    """SHA-256 over the program itself, so that a changed program keeps nothing stale.

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
    names = (
        "numpy",
        "scipy",
        "pandas",
        "statsmodels",
        "trimesh",
        "matplotlib",
        "typst",
    )
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
    """Say in which of their parts two machines, or two sets of versions, differ.

    Parameters
    ----------
    then, now : dict of str to str
        Of the record and of this machine.

    Returns
    -------
    str
        Empty if they are equal.

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
