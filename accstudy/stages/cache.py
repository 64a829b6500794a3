"""What was measured before, one small file a scan, named by what it depends on."""

from __future__ import annotations

import contextlib
import io
import json
import os
import re
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from accstudy.errors import Finding
from accstudy.study.record import json_bytes
from accstudy.tables import csv_bytes, read_csv

__all__ = ["Cache", "ScanResult"]


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


_OWN = re.compile(r"[0-9a-f]{64}\.(json|\d+)")


class Cache:
    """A folder of measured scans; may be deleted at any time.

    Parameters
    ----------
    folder : Path
        Where it lies; made when first needed.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def get(self, key: str) -> ScanResult | None:
        """Return what is stored under a digest; None if nothing readable is."""
        try:
            stored = json.loads((self._folder / f"{key}.json").read_bytes())
            poses = read_csv("poses", io.BytesIO(stored["poses"].encode()))
            findings = tuple(Finding.from_dict(f) for f in stored["findings"])
        except (OSError, ValueError, KeyError, TypeError):
            return None
        return ScanResult(poses, findings)

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
            aside.write_bytes(json_bytes(value))
            os.replace(aside, target)
        except OSError:
            with contextlib.suppress(OSError):
                aside.unlink()

    def keep_only(self, keys: Collection[str]) -> None:
        """Delete what no scan of the study depends on any more."""
        wanted = {f"{key}.json" for key in keys}
        with contextlib.suppress(OSError):
            for path in self._folder.iterdir():
                if path.name not in wanted and _OWN.fullmatch(path.name):
                    path.unlink()
