"""Steps of an analysis as the last run recorded them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import pandas as pd

from accstudy.errors import Finding
from accstudy.stages.cache import ScanResult
from accstudy.stages.steps import Analyzed, Step, settings_read
from accstudy.study.disk import digest, read_own
from accstudy.study.load import Study
from accstudy.study.record import Record, json_bytes
from accstudy.tables import TABLES, csv_bytes

if TYPE_CHECKING:
    from accstudy.stages.work import Work

__all__ = ["NOT_ANALYZED", "Recorded", "recorded_results"]

NOT_ANALYZED = ("poses", "arrangement", "findings")
"""Tables that no step of an analysis writes."""


class Recorded:
    """Results of the last run of a study by steps, taken where nothing they hang on has changed.

    Parameters
    ----------
    work : Work
        The run, whose poses stand; its tables and record are filled.
    """

    def __init__(self, work: Work) -> None:
        study = work.study
        self.work = work
        self.computed: list[str] = []
        self.recalled: list[str] = []
        self._key = ""
        inputs = {
            "scans": csv_bytes("scans", study.scans, factors=tuple(study.scans.columns)),
            "implants": csv_bytes("implants", study.implants),
            "runs": csv_bytes("reference_run_implants", study.runs.implants),
            "events": csv_bytes("events", study.events),
        }
        self._always: dict[str, Any] = {
            **{part: work.record[part] for part in ("program", "versions", "computer")},
            "inputs": {name: digest(data) for name, data in inputs.items()},
        }

    def recall(self, step: Step, tables: Mapping[str, pd.DataFrame]) -> Analyzed | None:
        """Tables and findings of a step; None if it is to be computed."""
        work = self.work
        self._key = digest(
            json_bytes(
                {
                    **self._always,
                    "settings": settings_read(work.study.settings, step),
                    "tables": {name: digest(work.bytes[f"{name}.csv"]) for name in tables},
                    "files": work.surface_parts() if step.files else {},
                }
            )
        )
        stored = self._stored(step)
        if stored is None:
            return None
        self.recalled.append(step.name)
        for name, data in stored.items():
            work.take(name, data)
        return self._done(step, list(stored), work.findings_of(step.name))

    def keep(self, step: Step, done: Analyzed) -> Analyzed:
        """Take what a step computed, in the form of its files."""
        self.computed.append(step.name)
        for name, frame in done.tables.items():
            self.work.keep(name, frame)
        return self._done(step, [n for n in TABLES if n in done.tables], done.findings)

    def _done(self, step: Step, names: list[str], findings: tuple[Finding, ...]) -> Analyzed:
        written = {f"{name}.csv": digest(self.work.bytes[f"{name}.csv"]) for name in names}
        self.work.record["stages"][step.name] = self._state(names, written)
        self.work.findings[step.name] = findings
        return Analyzed({name: self.work.tables[name] for name in names}, findings)

    def _state(self, names: list[str], outputs: Mapping[str, str]) -> str:
        """What the record says of the step at work: what it read, and what it wrote."""
        return digest(json_bytes([self._key, {name: outputs[f"{name}.csv"] for name in names}]))

    def _stored(self, step: Step) -> dict[str, bytes] | None:
        """Bytes of a step's tables as recorded; None if it would read or write others now."""
        outputs = self.work.old.get("outputs", {})
        names = [
            n for n in TABLES if f"{n}.csv" in outputs and n not in NOT_ANALYZED and step.owns(n)
        ]
        if self.work.old.get("stages", {}).get(step.name) != self._state(names, outputs):
            return None
        stored = {}
        for name in names:
            try:
                stored[name] = read_own(self.work.results / f"{name}.csv")
            except OSError:
                return None
            if digest(stored[name]) != outputs[f"{name}.csv"]:
                return None
        return stored


def recorded_results(study: Study, record: Record, poses: pd.DataFrame) -> dict[str, ScanResult]:
    """Take mesh scans as they were recorded.

    Parameters
    ----------
    study : Study
        The study.
    record : Record
        Of the last run.
    poses : DataFrame
        Table ``poses`` of that run.

    Returns
    -------
    dict of str to ScanResult
        Of every mesh scan of the study; empty for those that were not measured then.
    """
    findings = [Finding.from_dict(row) for row in record.get("findings", {}).get("measure", ())]
    rows = study.measurable[study.measurable["file"] != ""]
    out = {}
    for scan, file in zip(rows["scan"], rows["file"], strict=True):
        own = tuple(
            f for f in findings if f.where == file or f.where.startswith((f"{file}:", f"{file},"))
        )
        out[scan] = ScanResult(poses[poses["scan"] == scan], own)
    return out
