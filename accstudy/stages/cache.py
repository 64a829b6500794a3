"""What was measured before, one small file a scan, named by what it depends on."""

from __future__ import annotations

import contextlib
import csv
import io
import json
import os
import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from accstudy.errors import Finding, InputError
from accstudy.study.record import json_bytes
from accstudy.tables import csv_bytes, empty, read_csv

__all__ = ["Cache", "ScanResult", "is_entry"]


@dataclass(frozen=True, slots=True)
class ScanResult:
    """Poses and findings of one scan.

    Parameters
    ----------
    poses : DataFrame
        Table ``poses``; no rows when the scan could not be used.
    findings : tuple of Finding
        What the user should know of it.
    """

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
            # a copy of a scan has its key, and what is stored is of one of the two
            return {s: part for s, part in parts.items() if (part["scan"] == s).all()}
    except (InputError, KeyError, TypeError, csv.Error):
        pass  # one of them is not whole: each by itself
    if len(texts) == 1:
        return {}
    return {s: t for scan, text in texts.items() for s, t in _tables({scan: text}).items()}


_OWN = re.compile(r"[0-9a-f]{64}\.(json|\d+)")


def is_entry(name: str) -> bool:
    """Whether a file of the folder has a name that `Cache` gives."""
    return _OWN.fullmatch(name) is not None


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
            with contextlib.suppress(OSError, ValueError, KeyError, TypeError, AttributeError):
                stored = json.loads((self._folder / f"{key}.json").read_bytes())
                found = tuple(Finding.from_dict(f) for f in stored["findings"])
                texts[scan], findings[scan] = str(stored["poses"]), found
        return {scan: ScanResult(rows, findings[scan]) for scan, rows in _tables(texts).items()}

    def put(self, key: str, result: ScanResult) -> None:
        """Store a result; a full or read-only disk only costs the time to measure again."""
        value = {
            "poses": csv_bytes("poses", result.poses).decode(),
            "findings": [finding.to_dict() for finding in result.findings],
        }
        target = self._folder / f"{key}.json"
        aside = target.with_suffix(f".{os.getpid()}")
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            with aside.open("xb") as stream:  # which follows no link
                stream.write(json_bytes(value))
            os.replace(aside, target)
        except OSError:
            with contextlib.suppress(OSError):
                aside.unlink()

    def keep_only(self, keys: Collection[str]) -> None:
        """Delete what no scan of the study depends on any more."""
        wanted = {f"{key}.json" for key in keys}
        with contextlib.suppress(OSError):
            for path in self._folder.iterdir():
                if path.name not in wanted and is_entry(path.name):
                    path.unlink()
