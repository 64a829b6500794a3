"""One run of a study: each stage's tables, kept or computed, and the record of it all."""

from __future__ import annotations

import datetime as dt
import io
import json
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import pandas as pd
from threadpoolctl import threadpool_limits

from accstudy import __version__
from accstudy.dictionary import FILE as DICTIONARY
from accstudy.dictionary import data_package
from accstudy.errors import Finding, InputError, Severity, StudyError, fault, gravest_first
from accstudy.stages import measure as measuring
from accstudy.stages.check import unprintable_texts
from accstudy.stages.measure import Show, start_keys, started
from accstudy.stages.steps import (
    NOT_ANALYZED,
    Cache,
    Recorded,
    ScanResult,
    Stamps,
    entry_key,
    recorded_results,
    settings_read,
)
from accstudy.study.files import (
    LARGEST,
    digest,
    file_digest,
    read_bytes,
    read_own,
    refuse_strangers,
    replace_folder,
)
from accstudy.study.load import Study
from accstudy.study.record import FILE as HISTORY
from accstudy.study.record import (
    RECORD,
    Record,
    add_run,
    computer,
    drawn_orders,
    json_bytes,
    last_run,
    news,
    program_digest,
    session_digests,
    versions,
)
from accstudy.study.reference_runs import reference_files
from accstudy.tables import TABLES, UNREFERENCED, csv_bytes, read_csv
from accstudy.words.catalogue import say

Say = Callable[[str], None]

CACHE = Path(".accstudy") / "measured"
"""Where measured scans are kept, in the study folder."""


@dataclass(frozen=True, slots=True)
class ReportOptions:
    """What the report depends on beside results and record.

    ``figures`` are the forms in which figures come as files, too, parted by commas; ``page``
    whether a page to explore comes with it, ``who`` who runs it, ``issued`` the date of issue
    (YYYY-MM-DD) where it is not that of study.toml. ``dpi`` is of figures as PNG and TIFF; None, as
    in records of before it could be chosen, is 300.
    """

    figures: str = ""
    page: bool = False
    who: str = ""
    issued: str = ""
    dpi: int | None = 300

    @property
    def forms(self) -> tuple[str, ...]:
        """The forms one by one."""
        return tuple(part for part in self.figures.split(",") if part)

    def chosen(self) -> dict[str, Any]:
        """What the record says of them."""
        return {name: value for name, value in asdict(self).items() if value is not None}


class Work:
    """The state of one run: tables so far and the record that is being made.

    Nothing is written before `write`, apart from scans that are kept as measured.

    Parameters
    ----------
    study : Study
        The study as read.
    old : Record
        Of the last run; empty when everything is to be computed.
    say : callable
        Gets a line for every step.
    """

    def __init__(self, study: Study, old: Record, say: Say = lambda line: None) -> None:
        self.study, self.old, self.say = study, old, say
        self.results, self.reports = study.path / "results", study.path / "reports"
        self.tables: dict[str, pd.DataFrame] = {}
        self.bytes: dict[str, bytes] = {}
        self.made: dict[str, bytes] | None = None
        self.findings: dict[str, tuple[Finding, ...]] = {"check": self._of_input()}
        self.left_out: tuple[str, ...] = ()
        self.record: Record = {
            "accstudy": __version__,
            "settings": study.settings.as_used(),
            "program": program_digest(),
            "versions": versions(),
            "computer": computer(),
            "stages": {},
        }
        self.written: list[Path] = []
        self.kept_keys: list[str] = []

    def _of_input(self) -> tuple[Finding, ...]:
        """Findings of the input, what reports cannot print among them."""
        return (*self.study.findings, *unprintable_texts(self.study))

    def all_findings(self) -> tuple[Finding, ...]:
        """Findings of all stages, the gravest first."""
        return gravest_first(f for stage in self.findings.values() for f in stage)

    @property
    def _pairs(self) -> str:
        """Name of the table that every analysis writes."""
        pairs = "pair_deviations"
        return pairs if self.study.referenced else UNREFERENCED[pairs]

    def keep(self, name: str, frame: pd.DataFrame) -> None:
        """Take a table in the form that its file gives back, so that nothing depends on the way."""
        self.take(name, csv_bytes(name, frame, factors=self.study.factors))

    def take(self, name: str, data: bytes) -> None:
        """Take a table from the bytes of its file."""
        self.bytes[f"{name}.csv"] = data
        self.tables[name] = read_csv(name, io.BytesIO(data))

    def measure(
        self,
        *,
        known: Mapping[str, ScanResult] | None = None,
        keep: bool = True,
        jobs: int,
        scheduler: str,
        strict: bool = False,
        show: Show | None,
    ) -> None:
        """Find the implants in the scans that changed."""
        cache = Cache(self.study.path / CACHE) if keep else None
        stamps = Stamps((self.study.path / CACHE).parent)
        if keep:
            self.study.files.hasher = stamps.digest
        self.start(keep=keep)
        found = measuring.measure_scans(
            self.study, cache=cache, known=known, jobs=jobs, scheduler=scheduler, show=show
        )
        self._say_what_was_measured(found)
        if strict and found.left_out:
            raise StudyError(f for f in found.findings if f.severity is Severity.ERROR)
        if cache is not None:
            keys = [entry_key(scan, parts) for scan, parts in found.parts.items()]
            cache.keep_only([*keys, *self.kept_keys])
            stamps.keep()
        self._poses(found)

    def start(self, *, keep: bool = True) -> None:
        """Without a reference: find out what the models of mesh scans look like."""
        cache = Cache(self.study.path / CACHE) if keep else None
        self.kept_keys += start_keys(self.study)
        self.study = started(self.study, cache=cache)
        self.findings["check"] = self._of_input()

    def _poses(self, found: measuring.Measured) -> None:
        self.keep("poses", found.poses)
        if not self.study.referenced:
            from accstudy.stages.analyze import arrangement_of, with_arrangement

            self.keep("arrangement", arrangement_of(self.study, self.tables["poses"]))
            self.study = with_arrangement(self.study, self.tables["arrangement"])
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
            self.say(f"  {which}: measured again because {reason} changed")

    def recall_poses(self) -> None:
        """Take mesh scans as an earlier run measured them, positions as they are given now."""
        results: dict[str, ScanResult] = {}
        if (self.study.measurable["file"] != "").any():
            if not (self.results / "poses.csv").is_file():
                what, hint = (
                    "there are no poses yet",
                    "run `accstudy measure` first, or `accstudy run`",
                )
                where = "results/poses.csv"
                raise StudyError([fault("not-measured", what, where, hint)])
            poses = read_csv("poses", io.BytesIO(self._recalled("poses", "accstudy measure")))
            results = recorded_results(self.study, self.old, poses)
            parts = self.old.get("scans", {})
            for scan, file in zip(self.study.scans["scan"], self.study.scans["file"], strict=True):
                if scan in parts and "file" in parts[scan]:
                    self.study.files.digests.setdefault(file, parts[scan]["file"])
            self._refuse_other_scans(parts)
        self._poses(measuring.assembled(self.study, results, parts=self.old.get("scans", {})))

    def _refuse_other_scans(self, parts: Mapping[str, Mapping[str, str]]) -> None:
        """Refuse poses of scans that would be located otherwise now."""
        now, where = measuring.scan_parts(self.study), "results/poses.csv"
        hint = say("findings.run_accstudy_run")
        found = []
        missing = [scan for scan in now if scan not in parts]
        if missing:
            what = say("findings.scans_not_located", scans=", ".join(missing))
            found.append(fault("results-outdated", what, where, hint))
        changed = {
            part: None
            for scan in now
            for part, value in now[scan].items()
            if scan in parts and parts[scan].get(part) != value
        }
        if changed:
            what = say("findings.poses_outdated", parts=", ".join(changed))
            found.append(fault("results-outdated", what, where, hint))
        if found:
            raise StudyError(found)

    def _refuse_other_tables(self) -> None:
        """Refuse tables that would be computed otherwise now: a report would contradict them."""
        old, where = self.old, "results/"
        hint = say("findings.run_accstudy_run")
        found = []
        if old.get("program") != self.record["program"]:
            what = say("findings.tables_of_another_program")
            found.append(fault("results-outdated", what, where, hint))
        was, now = old.get("inputs", {}), self._inputs()
        printed = {"study.toml", *drawn_orders(self.study.files)}
        files = [f for f in {**was, **now} if f not in printed and was.get(f) != now.get(f)]
        if files:
            what = say("findings.tables_of_other_files", files=", ".join(files))
            found.append(fault("results-outdated", what, where, hint))
        settings = self._settings_changed()
        if settings:
            what = say("findings.tables_of_other_settings", settings=", ".join(settings))
            found.append(fault("results-outdated", what, where, hint))
        if found:
            raise StudyError(found)

    def _settings_changed(self) -> list[str]:
        """Settings that result tables hang on and that the last run read with other values."""
        was, now = self.old.get("settings"), json.loads(json_bytes(self.record["settings"]))
        if was == now:
            return []
        from accstudy.stages.analyze import analysis_steps  # statistics: only when in doubt

        found: dict[str, None] = {}
        for step in analysis_steps(self.study):
            before, after = settings_read(was, step), settings_read(now, step)
            found |= {path: None for path in after if before[path] != after[path]}
        return list(found)

    def _recalled(self, name: str, command: str) -> bytes:
        """Read a result table, which must be the recorded one."""
        file = f"{name}.csv"
        data = read_bytes(self.results / file, file=f"results/{file}", max_bytes=LARGEST)
        if digest(data) != self.old.get("outputs", {}).get(file):
            what = say("findings.is_not_the_table", file=file)
            hint = say("findings.run_to_recompute_it", command=command)
            raise StudyError([fault("file-changed", what, f"results/{file}", hint)])
        return data

    def analyze(self) -> None:
        """Compute the result tables, but for those of steps of which nothing has changed."""
        from accstudy.stages.analyze import analyze_poses  # statistics: not for measuring

        memory = Recorded(self)
        with threadpool_limits(limits=1, user_api="blas"):  # its matrices are small
            done = analyze_poses(self.study, self.tables["poses"], memory)
        if not memory.computed:
            self.say("analyze: up to date")
        elif memory.recalled:
            made = ", ".join(memory.computed)
            self.say(f"analyze: {len(done.tables)} tables, computed anew: {made}")
        else:
            self.say(f"analyze: {len(done.tables)} tables")

    def surface_parts(self) -> dict[str, Any]:
        """What surfaces depend on beside the poses: the reference's and every scan's file."""
        file = self.study.settings.reference.surface
        if not file:
            return {}
        return {"reference": self.study.files.digest(file), "scans": self.record["scans"]}

    def recall_tables(self) -> None:
        """Read the tables that an earlier run computed."""
        names = [name for name in TABLES if f"{name}.csv" in self.old.get("outputs", {})]
        if self._pairs not in names:
            what, hint = "there are no result tables yet", "run `accstudy analyze` first"
            raise StudyError([fault("not-analyzed", what, "results/", hint)])
        self._refuse_other_tables()
        for name in names:
            if name not in NOT_ANALYZED:
                self.take(name, self._recalled(name, "accstudy analyze"))
        self.record["stages"] = self.old.get("stages", {})
        for step in self.record["stages"]:
            self.findings[step] = self.findings_of(step)

    def findings_of(self, step: str) -> tuple[Finding, ...]:
        """Findings of a step of the last run, by its record."""
        recorded = self.old.get("findings", {}).get(step, ())
        return tuple(Finding.from_dict(row) for row in recorded)

    def finish(self) -> None:
        """Complete tables and record, but for the report, which prints the record."""
        self.keep("findings", pd.DataFrame([f.to_dict() for f in self.all_findings()]))
        self.record["findings"] = {
            stage: [f.to_dict() for f in found] for stage, found in self.findings.items()
        }
        self.record["inputs"] = self._inputs()
        self.record["sessions"] = session_digests(
            self.study.scans,
            {scan: parts["file"] for scan, parts in self.record.get("scans", {}).items()},
            self.study.given_poses,
        )
        status = drift_status(self.tables)
        if status is not None:
            self.bytes[STATUS] = json_bytes(status_file(status))
        self.bytes[DICTIONARY] = json_bytes(data_package(self.tables))
        self.record["outputs"] = {name: digest(data) for name, data in sorted(self.bytes.items())}
        if "report" in self.old:
            self.record["report"] = self.old["report"]

    def _inputs(self) -> dict[str, str]:
        """Digests of every file that the study names, as it was read."""
        settings, files = self.study.settings, self.study.files
        named = ["study.toml", settings.scans.list, settings.scans.poses]
        named += [settings.scans.landmarks, settings.drift.events, settings.reference.surface]
        named += reference_files(files, settings.reference)
        named += [body.mesh for body in self.study.bodies.values()]
        named += drawn_orders(files)
        found = {name: files.digest(name) for name in sorted({n for n in named if n})}
        scans = self.record.get("scans", {})
        for scan, file in zip(self.study.scans["scan"], self.study.scans["file"], strict=True):
            if scan in scans:
                found[file] = scans[scan]["file"]
        return found

    def report(self, options: ReportOptions, *, kept: Path | None = None) -> None:
        """Make the PDF from the finished tables, unless the recorded one is that of these.

        The folder `kept` holds what costs time to draw again.
        """
        key = self.report_key(options)
        before = self.old.get("report")
        if before and before["made_from"] == key and self._report_as_recorded(before["files"]):
            self.say(f"report: {self.reports} is up to date")
            return
        from accstudy.stages.report import make_report

        self.made = make_report(
            self.study,
            self.tables,
            self._printed(),
            options,
            kept=kept,
            files=self.bytes,
        )
        files = {name: digest(data) for name, data in sorted(self.made.items())}
        self.record["report"] = {"made_from": key, **options.chosen(), "files": files}  # type: ignore[typeddict-item]

    def report_key(self, options: ReportOptions) -> str:
        """Digest of all that the report is made from."""
        return digest(json_bytes(self._printed()) + json_bytes(options.chosen()))

    def _printed(self) -> Record:
        """Return the record as the report prints it, which cannot hold its own digest."""
        printed: Record = json.loads(json_bytes(self.record))  # in the order of the file
        printed.pop("report", None)
        return printed

    def _report_as_recorded(self, files: Mapping[str, str]) -> bool:
        return all(
            (self.reports / name).is_file() and file_digest(self.reports / name) == value
            for name, value in files.items()
        )

    def write(self, who: str) -> None:
        """Put results and report in place and add this run to the history."""
        record = json_bytes(self.record)
        self.bytes[RECORD] = record
        history = _bytes_of(self.results / HISTORY)
        entry: dict[str, Any] = {
            "at": dt.datetime.now(dt.UTC).isoformat(timespec="seconds"),
            **history_entry(self.record),
            "who": who,
            "sessions": news(history, self.record["sessions"]),
        }
        before = _bytes_of(self.results / RECORD)
        if before and last_run(history).get("record") != digest(before):
            entry["lost"] = digest(before)  # the former run is in no line of the history
        self.bytes[HISTORY] = add_run(history, entry)
        made = self.made or {}
        own = {RECORD, HISTORY, *self.old.get("outputs", ())}
        reported = set(self.old["report"]["files"]) if "report" in self.old else set()
        refuse_strangers(self.results, self.bytes, own=own.__contains__)
        refuse_strangers(self.reports, made, own=reported.__contains__)
        self._replace(self.results, self.bytes, own)
        self.say(f"results: {self.results}")
        if made:
            self._replace(self.reports, made, reported)
            for name in made:
                if name.endswith((".pdf", ".html")):
                    self.say(f"report: {self.reports / name}")

    def _replace(self, folder: Path, files: Mapping[str, bytes], own: set[str]) -> None:
        """Write a folder anew; what the last run did not write, by its record, stays."""
        with replace_folder(folder, own=own.__contains__) as new:
            for name, data in files.items():
                (new / name).parent.mkdir(parents=True, exist_ok=True)
                (new / name).write_bytes(data)
        self.written += [folder / name for name in files]


def history_entry(record: Record) -> dict[str, str]:
    """The line of the history for a record."""
    return {
        "accstudy": record["accstudy"],
        **{part: digest(json_bytes(record[part])) for part in ("settings", "inputs", "outputs")},
        "record": digest(json_bytes(record)),
    }


def _bytes_of(path: Path) -> bytes:
    """Content of a file of the program's own; nothing where there is none."""
    try:
        return read_own(path)
    except FileNotFoundError:
        return b""
    except OSError as error:
        what = f"cannot be read: {error.strerror}"
        raise InputError(what, where=f"results/{path.name}", hint="move it away") from None


STATUS = "status.json"
"""Name of the file in the results folder."""

_NEXT = "next session"


def drift_status(tables: Mapping[str, pd.DataFrame]) -> pd.DataFrame | None:
    """Table ``drift_status``, or its replacement without a reference."""
    name = "drift_status"
    return tables.get(name, tables.get(UNREFERENCED[name]))


def _needs_action(tables: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """Devices to act upon now: a signal stands, or the limit is not verified."""
    status = drift_status(tables)
    if status is None or not len(status):
        return pd.DataFrame()
    return status[status["action"] != _NEXT]


def standing_lines(tables: Mapping[str, pd.DataFrame]) -> list[str]:
    """A line a device that needs action."""
    return [
        " ".join(
            part
            for part in (
                f"{row['device'] or 'device'} (model {row['model']}): {row['action']}.",
                row["what"],
                row.get("limit_what"),
                row.get("duty_what"),
            )
            if part
        )
        for row in _needs_action(tables).to_dict("records")
    ]


def status_file(status: pd.DataFrame) -> dict[str, Any]:
    """Content of status.json, from table ``drift_status``.

    ``stands`` (of any device), ``exit_code`` of a run that leaves no scan out, and ``devices``: the
    row of each, dates as ISO text, what is empty as null.
    """
    devices = [
        {str(name): _plain(value) for name, value in row.items()}
        for row in status.to_dict("records")
    ]
    acts = bool(len(_needs_action({"drift_status": status})))
    stands = bool(status["stands"].fillna(False).astype(bool).any()) if len(status) else False
    return {"stands": stands, "exit_code": 5 if acts else 0, "devices": devices}


def _plain(value: Any) -> Any:
    if isinstance(value, pd.Timestamp):
        return value.isoformat()
    if pd.isna(value):
        return None
    return value.item() if hasattr(value, "item") else value
