"""Steps of an analysis as the last run recorded them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import pandas as pd

from accstudy.stages.steps import Analyzed, Step, settings_read
from accstudy.study.disk import digest, read_own
from accstudy.study.record import computer, json_bytes, program_digest, versions
from accstudy.tables import TABLES, csv_bytes

if TYPE_CHECKING:
    from accstudy.stages.work import Work

__all__ = ["NOT_ANALYZED", "Recorded"]

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
        inputs = {
            "scans": csv_bytes("scans", study.scans, factors=tuple(study.scans.columns)),
            "implants": csv_bytes("implants", study.implants),
            "runs": csv_bytes("reference_run_implants", study.runs.implants),
            "events": csv_bytes("events", study.events),
        }
        self._always: dict[str, Any] = {
            "program": program_digest(),
            "versions": versions(),
            "computer": computer(),
            "inputs": {name: digest(data) for name, data in inputs.items()},
        }

    def recall(self, step: Step, tables: Mapping[str, pd.DataFrame]) -> Analyzed | None:
        """Tables and findings of a step; None if it is to be computed."""
        work = self.work
        key = digest(
            json_bytes(
                {
                    **self._always,
                    "settings": settings_read(work.study.settings, step),
                    "tables": {name: digest(work.bytes[f"{name}.csv"]) for name in tables},
                    "files": work.surface_parts() if step.files else {},
                }
            )
        )
        work.record["stages"][step.name] = key
        stored = self._stored(step) if work.old.get("stages", {}).get(step.name) == key else None
        if stored is None:
            return None
        self.recalled.append(step.name)
        for name, data in stored.items():
            work.take(name, data)
        work.findings[step.name] = work.findings_of(step.name)
        return Analyzed({name: work.tables[name] for name in stored}, work.findings[step.name])

    def keep(self, step: Step, done: Analyzed) -> Analyzed:
        """Take what a step computed, in the form of its files."""
        self.computed.append(step.name)
        for name, frame in done.tables.items():
            self.work.keep(name, frame)
        self.work.findings[step.name] = done.findings
        return Analyzed({name: self.work.tables[name] for name in done.tables}, done.findings)

    def _stored(self, step: Step) -> dict[str, bytes] | None:
        """Bytes of a step's tables as recorded; None if one of them is not."""
        outputs = self.work.old["outputs"]
        stored = {}
        for name in TABLES:
            file = f"{name}.csv"
            if file in outputs and name not in NOT_ANALYZED and step.owns(name):
                try:
                    stored[name] = read_own(self.work.results / file)
                except OSError:
                    return None
                if digest(stored[name]) != outputs[file]:
                    return None
        return stored
