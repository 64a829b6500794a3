"""What is kept between runs: measured scans, and the digests of files that did not change."""

from __future__ import annotations

import contextlib
import csv
import io
import json
import re
import time
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from accstudy.errors import Finding, InputError, OutputError
from accstudy.study.disk import begun_as, digest, file_digest, read_own, write_files
from accstudy.study.record import json_bytes
from accstudy.tables import csv_bytes, empty, read_csv

__all__ = ["LOCATED", "STAMPS", "Cache", "ScanResult", "Stamps", "entry_key", "is_entry"]


_DAMAGED = (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError)
"""What a file that somebody else wrote may raise."""


@dataclass(frozen=True, slots=True)
class ScanResult:
    """Poses of one scan (no rows when it could not be used), and findings."""

    poses: pd.DataFrame
    findings: tuple[Finding, ...]


def _tables(texts: Mapping[str, str]) -> dict[str, pd.DataFrame]:
    """Poses of every scan from the text of its table; of the readable ones."""
    header = csv_bytes("poses", empty("poses")).decode()
    bodies = {scan: text.removeprefix(header) for scan, text in texts.items()}
    try:
        rows = read_csv("poses", io.BytesIO((header + "".join(bodies.values())).encode()))
        counts = [
            sum(1 for _ in csv.reader(io.StringIO(body, newline=""))) for body in bodies.values()
        ]
        ends = np.cumsum([0, *counts])
        if ends[-1] == len(rows):
            parts = {
                scan: rows.iloc[a:b].reset_index(drop=True)
                for scan, a, b in zip(texts, ends[:-1], ends[1:], strict=True)
            }
            return {s: part for s, part in parts.items() if (part["scan"] == s).all()}
    except (InputError, KeyError, TypeError, csv.Error):
        pass  # one of them is not whole: each by itself
    if len(texts) == 1:
        return {}
    return {s: t for scan, text in texts.items() for s, t in _tables({scan: text}).items()}


_OWN = re.compile(r"[0-9a-f]{64}\.(json|\d+)")


def entry_key(scan: str, parts: Mapping[str, str]) -> str:
    """Name of the entry of a scan; a copy under another name has an entry of its own.

    Parameters
    ----------
    scan : str
        Its name.
    parts : mapping of str to str
        Digests of all that its poses depend on.
    """
    return digest(json_bytes([scan, parts]))


def is_entry(name: str) -> bool:
    """Whether a file of the folder has a name that `Cache` gives, while it writes or for good."""
    return _OWN.fullmatch(begun_as(name)) is not None


class Cache:
    """A folder of measured scans; may be deleted at any time.

    Parameters
    ----------
    folder : Path
        Where it lies; made when first needed.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def get(self, keys: Mapping[str, str]) -> dict[str, ScanResult]:
        """Return what is stored.

        Parameters
        ----------
        keys : mapping of str to str
            Digest of what each scan depends on.

        Returns
        -------
        dict
            By scan; without those of which nothing readable is stored. Rows of all scans are
            read as one table, since a table costs far more than its rows.
        """
        texts: dict[str, str] = {}
        findings: dict[str, tuple[Finding, ...]] = {}
        for scan, key in keys.items():
            with contextlib.suppress(*_DAMAGED):
                stored = json.loads(read_own(self._folder / f"{key}.json"))
                found = tuple(Finding.from_dict(f) for f in stored["findings"])
                texts[scan], findings[scan] = str(stored["poses"]), found
        return {scan: ScanResult(rows, findings[scan]) for scan, rows in _tables(texts).items()}

    def put(self, key: str, result: ScanResult) -> None:
        """Store a result; a full or read-only disk only costs the time to measure again."""
        value = {
            "poses": csv_bytes("poses", result.poses).decode(),
            "findings": [finding.to_dict() for finding in result.findings],
        }
        with contextlib.suppress(OutputError):
            write_files(self._folder, {f"{key}.json": json_bytes(value)}, lasting=False)

    def keep_only(self, keys: Collection[str]) -> None:
        """Delete what no scan of the study depends on any more."""
        wanted = {f"{key}.json" for key in keys}
        with contextlib.suppress(OSError):
            for path in self._folder.iterdir():
                if path.name not in wanted and is_entry(path.name):
                    path.unlink()


STAMPS, LOCATED = "digests.json", "located.json"
"""Files beside the measured scans: digests of files, and the view of a located scan."""

_SETTLED_NS = 5_000_000_000
"""Age from which a change would show in a file's times, however coarse the disk counts them."""


class Stamps:
    """Digests of files that are as they were: the same file, size and times of change.

    Years of scans are not read again every week. Who hides a change from the operating system gets
    the results of the file as it was, recorded with the digest that it had; an audit reads every
    file. ``digests.json`` may be deleted at any time.
    """

    def __init__(self, folder: Path) -> None:
        self._file = folder / STAMPS
        self._kept: dict[str, list[int | str]] = {}
        self._used: dict[str, list[int | str]] = {}
        with contextlib.suppress(*_DAMAGED):
            stored = json.loads(read_own(self._file))
            self._kept = {k: v for k, v in stored.items() if _is_stamp(v)}

    def digest(self, path: Path) -> str:
        """SHA-256 of a file; read where it may have changed."""
        name, stamp = _stamp(path)
        known = self._kept.get(name, [])
        digest = str(known[3]) if known[:3] == stamp else file_digest(path)
        settled = time.time_ns() - max(stamp[1:]) > _SETTLED_NS
        if settled and (name, stamp) == _stamp(path):
            self._used[name] = [*stamp, digest]
        return digest

    def keep(self) -> None:
        """Store those of the files that were asked for; remove what a killed run began."""
        with contextlib.suppress(OSError):
            for path in self._file.parent.iterdir():
                if path.name != begun_as(path.name) in (STAMPS, LOCATED):
                    path.unlink()
        if self._used != self._kept:
            with contextlib.suppress(OutputError):
                write_files(self._file.parent, {STAMPS: json_bytes(self._used)}, lasting=False)


def _stamp(path: Path) -> tuple[str, list[int]]:
    found = path.stat()
    name = f"{found.st_dev}:{found.st_ino}"
    return name, [found.st_size, found.st_mtime_ns, found.st_ctime_ns]


def _is_stamp(value: object) -> bool:
    return (
        isinstance(value, list)
        and [type(part) for part in value] == [int, int, int, str]
        and re.fullmatch("[0-9a-f]{64}", value[3]) is not None
    )
