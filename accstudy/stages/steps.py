"""Steps of an analysis, which declare what each reads, and what is kept between runs."""

from __future__ import annotations

import contextlib
import csv
import io
import json
import re
import time
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol, cast

import numpy as np
import pandas as pd
from pydantic import BaseModel

from accstudy.errors import Finding, InputError, OutputError
from accstudy.study.files import begun_as, digest, file_digest, read_own, write_files
from accstudy.study.load import Study
from accstudy.study.record import Record, json_bytes
from accstudy.study.settings import Settings
from accstudy.tables import TABLES, csv_bytes, empty, read_csv

if TYPE_CHECKING:
    from accstudy.stages.work import Work

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


STAMPS, LOCATED, SURFACES = "digests.json", "located.json", "surfaces.json"
"""Files beside the measured scans: digests of files, views of a located scan and of surfaces."""

VIEWS = {LOCATED: ("located",), SURFACES: ("surface-precision", "surface-trueness")}
"""The pictures that each of these files keeps, by name."""

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
                if path.name != begun_as(path.name) in (STAMPS, *VIEWS):
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


Tables = Mapping[str, pd.DataFrame]

_ALWAYS = (
    "study.kind",
    "reference",
    "scans",
    "scan_body",
    "analysis",
    "uncertainty",
    "limits.confidence",
)
"""Settings that decide what a deviation is, which scans belong together, and how sure to be."""


@dataclass(frozen=True, slots=True)
class Analyzed:
    """Every table that follows from the poses, and what the user should know about them."""

    tables: dict[str, pd.DataFrame]
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True)
class Step:
    """Part of an analysis that is computed again only when something that it reads has changed.

    Parameters
    ----------
    name : str
        Its name in the record.
    run : callable
        Takes the study, whose settings are those declared, and the tables read.
    reads : tuple of str
        Tables of the steps before it; ``poses`` stands at the start.
    settings : tuple of str
        Sections or keys of study.toml, beside those that every step reads.
    writes : tuple of str
        Patterns of the names of its tables.
    files : bool
        Whether it also reads the files of the scans and of the reference surface.
    """

    name: str
    run: Callable[[Study, Tables], Analyzed]
    reads: tuple[str, ...]
    writes: tuple[str, ...]
    settings: tuple[str, ...] = ()
    files: bool = False

    def owns(self, table: str) -> bool:
        """Whether a table is one of this step's."""
        return any(fnmatchcase(table, pattern) for pattern in self.writes)


class Memory(Protocol):
    """What is known from an earlier run."""

    def recall(self, step: Step, tables: Tables) -> Analyzed | None:
        """Results of a step for these tables; None if something has changed."""

    def keep(self, step: Step, done: Analyzed) -> Analyzed:
        """Take new results; return them as their files will give them back."""


def run_steps(
    steps: Sequence[Step], study: Study, poses: pd.DataFrame, memory: Memory | None = None
) -> Analyzed:
    """Run the steps of an analysis in their order on table ``poses`` as it stands in the file.

    `memory` holds results that may be taken instead.
    """
    found, out = {"poses": poses}, Analyzed({}, ())
    for step in steps:
        given = {name: found[name] for name in step.reads if name in found}
        done = memory.recall(step, given) if memory else None
        if done is None:
            done = compute(step, study, given)
            strange = [name for name in done.tables if not step.owns(name)]
            if strange:
                raise RuntimeError(f'step "{step.name}" does not declare that it writes {strange}')
            done = memory.keep(step, done) if memory else done
        found |= done.tables
        out = Analyzed({**out.tables, **done.tables}, (*out.findings, *done.findings))
    return out


def compute(step: Step, study: Study, tables: Tables) -> Analyzed:
    """Run a step, which is given no settings but those that it declares; others are errors."""
    allowed = _Declared(study.settings, (*_ALWAYS, *step.settings), step.name)
    return step.run(replace(study, settings=cast(Settings, allowed)), tables)


def settings_read(values: Any, step: Step) -> dict[str, Any]:
    """Of all settings, as plain JSON values, those that a step declares; None if missing."""
    out: dict[str, Any] = {}
    for path in (*_ALWAYS, *step.settings):
        value = values
        for key in path.split("."):
            value = value.get(key) if isinstance(value, dict) else None
        out[path] = value
    return out


class _Declared:
    """Settings of which only some can be read."""

    def __init__(self, settings: BaseModel, paths: Sequence[str], step: str, at: str = "") -> None:
        self._settings, self._paths, self._step, self._at = settings, paths, step, at

    def __getattr__(self, name: str) -> Any:
        if name.startswith("__"):
            raise AttributeError(name)
        value, path = getattr(self._settings, name), self._at + name
        if path in self._paths:
            return value
        if any(p.startswith(f"{path}.") for p in self._paths):
            return _Declared(value, self._paths, self._step, f"{path}.")
        raise RuntimeError(f'step "{self._step}" reads {path} without declaring it')


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
                    "settings": settings_read(work.study.settings.as_used(), step),
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
