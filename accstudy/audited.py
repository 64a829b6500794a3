"""What an audit found, and the files of a study held against its record."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd

from accstudy.difference import Difference, table_difference
from accstudy.errors import AccstudyError, Finding, Severity, place
from accstudy.stages.cache import LOCATED, STAMPS, Cache, entry_key, is_entry
from accstudy.stages.work import CACHE, history_entry
from accstudy.study.disk import file_digest
from accstudy.study.files import Files
from accstudy.study.history import last_run, news
from accstudy.study.load import Study
from accstudy.study.record import RECORD, Record
from accstudy.tables import csv_bytes
from accstudy.words.catalogue import say

__all__ = [
    "Audit",
    "compare_cache",
    "compare_files",
    "compare_inputs",
    "compare_last_line",
    "compare_view",
    "digest_of",
]


@dataclass(slots=True)
class Audit:
    """What an audit found.

    Parameters
    ----------
    findings : list of Finding
        What differs; empty when everything is as recorded.
    files : int
        Files compared with the record.
    runs : int
        Runs in the history.
    remeasured : tuple of str
        Scans that were measured anew.
    recomputed : int
        Result tables that were computed anew.
    rounding : int
        Numbers of them that differ from the recorded ones by one step of their
        grid, which is within what another machine may give.
    made_on : str
        How the program, the libraries and the machine of the record differ from
        these here; empty when they do not.
    unproven : list of str
        Report files that can be made anew only on such a machine.
    added : tuple of str
        Sessions that were added since the last run. They change the scan list;
        where no former session changed, that is no fault: the results lack a run.
    sessions : int
        Sessions that were compared with what was first recorded of them.
    record : str
        SHA-256 of the record; empty when there is none.
    """

    findings: list[Finding] = field(default_factory=list)
    files: int = 0
    runs: int = 0
    remeasured: tuple[str, ...] = ()
    recomputed: int = 0
    rounding: int = 0
    made_on: str = ""
    unproven: list[str] = field(default_factory=list)
    added: tuple[str, ...] = ()
    sessions: int = 0
    record: str = ""

    def differs(self, code: str, what: str, where: str) -> None:
        """Add a finding."""
        hint = say("findings.restore_the_file_from")
        self.findings.append(Finding(Severity.ERROR, code, what, where, hint))

    def note(self, difference: Difference, what: str, file: str) -> None:
        """Keep how a table differs from the one that was made anew."""
        self.rounding += difference.rounding
        if difference.cells:
            more = f", and {difference.cells - 1} more cells" if difference.cells > 1 else ""
            where = place(file, difference.row or None, difference.column or None)
            self.differs("not-reproduced", f"{what}: {difference.first}{more}", where)


def compare_last_line(audit: Audit, history: bytes, record: Record) -> None:
    """Hold the last line of the history against the record."""
    last = last_run(history)
    try:
        expected: dict[str, Any] = history_entry(record)
        before = b"".join(history.splitlines(keepends=True)[:-1])
        expected["sessions"] = news(before, record["sessions"])
    except KeyError as lacking:
        audit.differs("record-differs", f"the record lacks {lacking}", f"results/{RECORD}")
        return
    for key in ("record", *expected):
        if last.get(key) != expected[key]:
            what = "the record does not belong to the last run in the history"
            what += "" if key == "record" else f": {key}"
            audit.differs("record-differs", what, f"results/{RECORD}")
            return


def compare_files(
    audit: Audit, folder: Path, stated: Mapping[str, str], own: tuple[str, ...] = ()
) -> None:
    """Compare the files of a folder of the tool's with the record."""
    there = dict(_files(folder))
    for name, value in stated.items():
        where = f"{folder.name}/{name}"
        if name not in there:
            audit.differs("file-missing", f'"{where}" is missing', where)
        elif digest_of(there[name]) != value:
            audit.differs("file-changed", f'"{where}" has changed since the last run', where)
    for name in own:
        if name in there and not digest_of(there[name]):
            where = f"{folder.name}/{name}"
            audit.differs("file-changed", f'"{where}" is a link or cannot be read', where)
    for name in sorted(there.keys() - stated.keys() - set(own)):
        what = f'"{name}" is new: it was not written by any recorded run'
        audit.differs("file-new", what, f"{folder.name}/{name}")


def _files(folder: Path) -> Iterator[tuple[str, Path]]:
    """Files and links below a folder, apart from marks of the system that begin with a dot."""
    for top, folders, files in os.walk(folder):
        here = Path(top)
        for name in [*files, *(n for n in folders if (here / n).is_symlink())]:
            if not name.startswith("."):
                yield (here / name).relative_to(folder).as_posix(), here / name


def digest_of(path: Path) -> str:
    """SHA-256 of a regular file; empty for anything else."""
    try:
        return file_digest(path) if stat.S_ISREG(path.lstat().st_mode) else ""
    except OSError:
        return ""


def compare_inputs(audit: Audit, files: Files, record: Record) -> None:
    """Compare the files of the study with what was read then."""
    for name, value in record.get("inputs", {}).items():
        try:
            full = files.path(name)
            if not full.is_file():
                audit.differs("file-missing", f'"{name}" is missing', name)
            elif digest_of(full.resolve()) != value:
                audit.differs("file-changed", f'"{name}" has changed since the last run', name)
        except (AccstudyError, ValueError, OSError):
            audit.differs(
                "record-differs",
                "inputs: a name that no study can have",
                f"results/{RECORD}",
            )


def compare_cache(audit: Audit, study: Study, record: Record, known: Mapping[str, Any]) -> None:
    """Compare the scans that the next run would take as measured, and name strangers."""
    keys = {scan: entry_key(scan, parts) for scan, parts in record.get("scans", {}).items()}
    entries = Cache(study.path / CACHE).get(keys)
    for scan, key in keys.items():
        file = study.path / CACHE / f"{key}.json"
        if scan not in known or not os.path.lexists(file):
            continue
        entry = entries.get(scan)
        same = entry is not None and entry.findings == known[scan].findings
        if entry is None or not same or not _alike(entry.poses, known[scan].poses):
            what = say("findings.the_cached_measurement_of", scan=scan)
            where = (CACHE / file.name).as_posix()
            audit.findings.append(
                Finding(
                    Severity.ERROR, "file-changed", what, where, say("findings.delete_that_file")
                )
            )
    for name, _ in _files(study.path / CACHE.parent):
        ours = is_entry(name.removeprefix(f"{CACHE.name}/"))
        if not ours and name not in ("lock", LOCATED, STAMPS):
            what = say("findings.is_not_a_file", name=name)
            audit.differs("file-new", what, f"{CACHE.parent.name}/{name}")


def compare_view(audit: Audit, kept: Path, drawn: Path) -> None:
    """Compare the kept view of a located scan, where the next report would use it."""
    from accstudy.stages.pictures import kept_view

    old, new = kept_view(kept), kept_view(drawn)
    if old and new and old["key"] == new["key"] and old != new and not audit.made_on:
        what = say("findings.the_kept_view_of")
        where = f"{CACHE.parent}/{kept.name}"
        audit.findings.append(
            Finding(Severity.ERROR, "file-changed", what, where, say("findings.delete_that_file"))
        )


def _alike(one: pd.DataFrame, other: pd.DataFrame) -> bool:
    difference = table_difference("poses", csv_bytes("poses", one), csv_bytes("poses", other))
    return not difference.cells
