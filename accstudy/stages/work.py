"""One run of a study: each stage's tables, kept or computed, and the record of it all."""

from __future__ import annotations

import datetime as dt
import io
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd

from accstudy import __version__
from accstudy.dictionary import FILE as DICTIONARY
from accstudy.dictionary import data_package
from accstudy.errors import Finding, Severity, StudyError, gravest_first
from accstudy.stages import measure as measuring
from accstudy.stages import report as reporting
from accstudy.stages.cache import Cache
from accstudy.stages.measure import Show
from accstudy.stages.standing import FILE as STATUS
from accstudy.stages.standing import status_file
from accstudy.study.computer import computer
from accstudy.study.history import FILE as HISTORY
from accstudy.study.history import add_run, last_run
from accstudy.study.load import Study, resolve
from accstudy.study.record import (
    digest,
    file_digest,
    json_bytes,
    program_digest,
    replace_folder,
    versions,
    write_files,
)
from accstudy.study.sessions import news, session_digests
from accstudy.tables import TABLES, csv_bytes, read_csv

__all__ = ["Say", "Work"]

Say = Callable[[str], None]


class Work:
    """The state of one run: tables so far and the record that is being made.

    Parameters
    ----------
    path : Path
        Study folder.
    study : Study
        The study as read.
    old : dict
        Record of the last run.
    say : callable
        Gets a line for every step.
    allow_outside : bool
        Whether files may lie outside the study folder.
    """

    def __init__(
        self, path: Path, study: Study, old: dict[str, Any], say: Say, *, allow_outside: bool
    ) -> None:
        self.path, self.study, self.old, self.say = path, study, old, say
        self.allow_outside = allow_outside
        self.results = path / "results"
        self.tables: dict[str, pd.DataFrame] = {}
        self.bytes: dict[str, bytes] = {}
        self.findings: dict[str, tuple[Finding, ...]] = {"check": study.findings}
        self.left_out: tuple[str, ...] = ()
        self.record: dict[str, Any] = {
            "accstudy": __version__,
            "settings": study.settings.as_used(),
            "program": program_digest(),
            "versions": versions(),
            "computer": computer(),
            "stages": {},
        }
        self.written: list[Path] = []

    def all_findings(self) -> tuple[Finding, ...]:
        """Findings of all stages, the gravest first."""
        return gravest_first(f for stage in self.findings.values() for f in stage)

    def _keep(self, name: str, frame: pd.DataFrame) -> None:
        """Take a table in the form that its file gives back, so that nothing depends on the way."""
        data = csv_bytes(name, frame, factors=self.study.factors)
        self.bytes[f"{name}.csv"] = data
        self.tables[name] = read_csv(name, io.BytesIO(data))

    def measure(self, *, jobs: int, scheduler: str, strict: bool, show: Show | None) -> None:
        """Find the implants in the scans that changed."""
        cache = Cache(self.path / ".accstudy" / "measured")
        found = measuring.measure_scans(
            self.study,
            cache=cache,
            jobs=jobs,
            scheduler=scheduler,
            allow_outside=self.allow_outside,
            show=show,
        )
        self._say_what_was_measured(found)
        if strict and found.left_out:
            raise StudyError(f for f in found.findings if f.severity is Severity.ERROR)
        cache.keep_only([digest(json_bytes(p)) for p in found.parts.values()])
        self._keep("poses", found.poses)
        self.left_out = found.left_out
        self.findings["measure"] = found.findings
        self.record["scans"] = found.parts

    def _say_what_was_measured(self, found: measuring.Measured) -> None:
        before = self.old.get("scans", {})
        kept = len(found.parts) - len(found.measured)
        given = self.study.given_poses["scan"].nunique()
        measured = len(found.measured)
        parts = [f"{measured} scan{'s' * (measured != 1)} measured"]
        if kept:
            parts.append(f"{kept} up to date")
        if found.left_out:
            parts.append(f"{len(found.left_out)} of them left out")
        if given:
            parts = [f"{given} scans given as positions", *(parts if found.parts else [])]
        self.say("measure: " + ", ".join(parts))
        reasons: dict[str, list[str]] = {}
        for scan in found.measured:
            changed = [k for k, v in found.parts[scan].items() if before.get(scan, {}).get(k) != v]
            if scan in before and changed:
                reasons.setdefault(", ".join(changed), []).append(scan)
        for reason, scans in reasons.items():
            which = ", ".join(scans) if len(scans) <= 5 else f"{len(scans)} scans"
            self.say(f"  {which}: measured anew because {reason} changed")

    def recall_poses(self) -> None:
        """Read the poses that an earlier run measured; those that are given need no measuring."""
        file = self.results / "poses.csv"
        if not file.is_file() and not (self.study.measurable["file"] != "").any():
            self.measure(jobs=1, scheduler="", strict=False, show=None)
            return
        if not file.is_file():
            raise StudyError(
                [
                    Finding(
                        Severity.ERROR,
                        "not-measured",
                        "there are no poses yet",
                        "results/poses.csv",
                        "call `accstudy measure` first, or `accstudy run`",
                    )
                ]
            )
        self._keep("poses", read_csv("poses", file))
        self.record["scans"] = self.old.get("scans", {})
        self.findings["measure"] = _recall_findings(self.old, "measure")
        seen = set(self.tables["poses"].loc[self.tables["poses"]["x_mm"].notna(), "scan"])
        self.left_out = tuple(s for s in self.study.measurable["scan"] if s not in seen)

    def analyze(self) -> None:
        """Compute every result table, unless nothing they depend on has changed."""
        key = digest(
            json_bytes(
                {
                    "program": program_digest(),
                    "poses": digest(self.bytes["poses.csv"]),
                    "scans": digest(
                        csv_bytes(
                            "scans", self.study.scans, factors=tuple(self.study.scans.columns)
                        )
                    ),
                    "implants": digest(csv_bytes("implants", self.study.implants)),
                    "events": digest(csv_bytes("events", self.study.events)),
                    "surface": self._surface_parts(),
                    "settings": self.study.settings.as_used(),
                    "versions": versions(),
                    "computer": computer(),
                }
            )
        )
        self.record["stages"]["analyze"] = key
        if self.old.get("stages", {}).get("analyze") == key and self._tables_as_recorded():
            self.say("analyze: up to date")
            self.recall_tables()
            return
        from accstudy.stages.analyze import analyze_poses  # statistics: not for measuring

        done = analyze_poses(self.study, self.tables["poses"], allow_outside=self.allow_outside)
        for name, frame in done.tables.items():
            self._keep(name, frame)
        self.findings["analyze"] = done.findings
        self.say(f"analyze: {len(done.tables)} tables")

    def _surface_parts(self) -> dict[str, Any]:
        """What surfaces depend on beside the poses: the reference's and every scan's file."""
        file = self.study.settings.reference.surface
        if not file:
            return {}
        path = resolve(self.path, file, allow_outside=self.allow_outside)
        return {"reference": file_digest(path), "scans": self.record["scans"]}

    def _tables_as_recorded(self) -> bool:
        outputs = self.old.get("outputs", {})
        names = [n for n in outputs if n not in ("findings.csv", DICTIONARY)]
        return bool(names) and all(
            (self.results / n).is_file() and file_digest(self.results / n) == outputs[n]
            for n in names
        )

    def recall_tables(self) -> None:
        """Read the tables that an earlier run computed."""
        missing = not (self.results / "pair_deviations.csv").is_file()
        if missing:
            what, hint = "there are no result tables yet", "call `accstudy analyze` first"
            raise StudyError([Finding(Severity.ERROR, "not-analyzed", what, "results/", hint)])
        for name in TABLES:
            file = self.results / f"{name}.csv"
            ours = file.name in self.old.get("outputs", {})
            if ours and file.is_file() and name not in ("poses", "findings"):
                self._keep(name, read_csv(name, file))
        self.findings["analyze"] = _recall_findings(self.old, "analyze")
        self.record["stages"] = self.old.get("stages", {})

    def write_results(self, who: str) -> None:
        """Put the result folder in place and add this run to the history."""
        frame = pd.DataFrame([f.to_dict() for f in self.all_findings()])
        self._keep("findings", frame)
        self.record["findings"] = {
            stage: [f.to_dict() for f in found] for stage, found in self.findings.items()
        }
        self.record["inputs"] = self._inputs()
        history = _bytes_of(self.results / HISTORY)
        self.record["sessions"] = session_digests(
            self.study.scans,
            {scan: parts["file"] for scan, parts in self.record.get("scans", {}).items()},
            self.study.given_poses,
        )
        if "drift_status" in self.tables:
            self.bytes[STATUS] = json_bytes(status_file(self.tables["drift_status"]))
        self.bytes[DICTIONARY] = json_bytes(data_package(self.tables))
        self.record["outputs"] = {name: digest(data) for name, data in sorted(self.bytes.items())}
        record = json_bytes(self.record)
        self.bytes["record.json"] = record
        entry: dict[str, Any] = {
            "at": dt.datetime.now(dt.UTC).isoformat(timespec="seconds"),
            "accstudy": __version__,
            "settings": digest(json_bytes(self.record["settings"])),
            "inputs": digest(json_bytes(self.record["inputs"])),
            "outputs": digest(json_bytes(self.record["outputs"])),
            "record": digest(record),
            "who": who,
            "sessions": news(history, self.record["sessions"]),
        }
        before = _bytes_of(self.results / "record.json")
        if before and last_run(history).get("record") != digest(before):
            entry["lost"] = digest(before)  # the former run is in no line of the history
        self.bytes[HISTORY] = add_run(history, entry)
        with replace_folder(self.results, own=self._own_result) as folder:
            for name, data in self.bytes.items():
                (folder / name).write_bytes(data)
        self.written += [self.results / name for name in self.bytes]
        self.say(f"results: {self.results}")

    def _inputs(self) -> dict[str, str]:
        settings = self.study.settings
        named: list[str] = ["study.toml", settings.scans.list, settings.scans.poses]
        named += [settings.scans.landmarks, settings.drift.events, settings.reference.surface]
        named.append(settings.reference.touch_points or settings.reference.implants)
        named += [body.mesh for body in self.study.bodies.values()]
        found = {
            name: file_digest(resolve(self.path, name, allow_outside=self.allow_outside))
            for name in sorted({n for n in named if n})
        }
        scans = self.record.get("scans", {})
        for scan, file in zip(self.study.scans["scan"], self.study.scans["file"], strict=True):
            if scan in scans:
                found[file] = scans[scan]["file"]
        return found

    def _own_result(self, name: str) -> bool:
        """Whether the last run wrote a file of the results folder, by its record."""
        return name in ("record.json", HISTORY) or name in self.old.get("outputs", {})

    def report(self, *, figures: bool, page: bool, who: str, issued: str) -> None:
        """Make the PDF from the finished tables, unless it is that of the same record."""
        target = self.path / "reports"
        key = digest(
            self.bytes["record.json"]
            + json_bytes({"figures": figures, "page": page, "who": who, "issued": issued})
        )
        done = self.path / ".accstudy" / "reports.json"
        before = _bytes_of(done)
        ours = reporting.reported(before, self.study.settings.study.kind)
        if before == reporting.report_state(key, target, ours):
            self.say(f"report: {target} is up to date")
            return
        made = reporting.make_report(
            self.study,
            self.tables,
            self.record,
            figures=figures,
            page=page,
            allow_outside=self.allow_outside,
            who=who,
            issued=issued,
            kept=self.path / ".accstudy",
            files=self.bytes,
        )
        with replace_folder(target, own=ours.__contains__) as folder:
            for name, data in made.items():
                (folder / name).parent.mkdir(parents=True, exist_ok=True)
                (folder / name).write_bytes(data)
        write_files(done.parent, {done.name: reporting.report_state(key, target, made)})
        self.written += [target / name for name in made]
        for name in made:
            if name.endswith((".pdf", ".html")):
                self.say(f"report: {target / name}")


def _bytes_of(path: Path) -> bytes:
    return path.read_bytes() if path.is_file() else b""


def _recall_findings(record: dict[str, Any], stage: str) -> tuple[Finding, ...]:
    return tuple(Finding.from_dict(row) for row in record.get("findings", {}).get(stage, ()))
