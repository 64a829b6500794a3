"""Do the results of a study agree with its record, and can they be reproduced; the bundle."""

from __future__ import annotations

import contextlib
import io
import os
import random
import stat
import tempfile
import zipfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pandas as pd

from accstudy.dictionary import Difference, table_difference
from accstudy.errors import AccstudyError, Finding, fault, place
from accstudy.stages.measure import Show
from accstudy.stages.steps import STAMPS, VIEWS, Cache, entry_key, is_entry, recorded_results
from accstudy.stages.work import CACHE, ReportOptions, Work, history_entry
from accstudy.study.files import Files, digest, file_digest, read_own, write_files
from accstudy.study.load import Study, load_study
from accstudy.study.record import FILE as HISTORY
from accstudy.study.record import (
    RECORD,
    Record,
    chain_faults,
    changed_sessions,
    differences,
    json_bytes,
    last_run,
    lost_runs,
    news,
    read_record,
    session_digests,
    session_names,
)
from accstudy.tables import csv_bytes, read_csv
from accstudy.words.catalogue import say


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
        self.findings.append(fault(code, what, where, hint))

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
                fault("file-changed", what, where, say("findings.delete_that_file"))
            )
    for name, _ in _files(study.path / CACHE.parent):
        ours = is_entry(name.removeprefix(f"{CACHE.name}/"))
        if not ours and name not in ("lock", STAMPS, *VIEWS):
            what = say("findings.is_not_a_file", name=name)
            audit.differs("file-new", what, f"{CACHE.parent.name}/{name}")


def compare_view(audit: Audit, kept: Path, drawn: Path) -> None:
    """Compare kept pictures of scans, where the next report would use them."""
    from accstudy.stages.report import kept_pictures

    old, new = kept_pictures(kept), kept_pictures(drawn)
    if old and new and old["key"] == new["key"] and old != new and not audit.made_on:
        what = say("findings.the_kept_view_of")
        where = f"{CACHE.parent}/{kept.name}"
        audit.findings.append(fault("file-changed", what, where, say("findings.delete_that_file")))


def _alike(one: pd.DataFrame, other: pd.DataFrame) -> bool:
    difference = table_difference("poses", csv_bytes("poses", one), csv_bytes("poses", other))
    return not difference.cells


SAMPLE = 3
"""Scans that are measured anew unless all are asked for."""


def audit_study(
    path: Path,
    *,
    everything: bool = False,
    jobs: int = 1,
    scheduler: str = "",
    allow_outside: bool = False,
    show: Show | None = None,
) -> Audit:
    """Prove or disprove that a study's results are those of its record.

    Parameters
    ----------
    path : Path
        Study folder.
    everything : bool
        Whether every scan is measured anew; otherwise three, others at every audit,
        so that nobody knows beforehand which.
    jobs : int
        Processes for measuring.
    scheduler : str
        Address of a Dask scheduler whose workers measure instead.
    allow_outside : bool
        Whether files may lie outside the study folder.
    show : callable, optional
        Gets a scan, the number done and the number to do.

    Returns
    -------
    Audit
        Nothing on disk is changed.

    Notes
    -----
    The run is made again in memory, and every file and every value of the record
    is compared with what it gives. Texts and decisions must be the same; numbers
    may differ by one step of the grid that they are written on (see
    `accstudy.tables`), since the last bits of a double depend on the processor and
    on the libraries. A history without a key can be written anew by whoever owns
    the folder: compare its last line with one that was kept elsewhere.
    """
    audit = Audit()
    results = path / "results"
    record = read_record(results)
    if not record:
        audit.differs("no-record", "the record is missing or cannot be read", f"results/{RECORD}")
        return audit
    audit.record = digest_of(results / RECORD)
    if audit.record != digest(json_bytes(record)):
        what = "the record is not written as the program writes it"
        audit.differs("record-differs", what, f"results/{RECORD}")
    try:
        history = read_own(results / HISTORY)
    except OSError as error:
        history = b""
        what = f"the history is missing or cannot be read: {error.strerror}"
        audit.differs("file-missing", what, f"results/{HISTORY}")
    audit.runs = len(history.splitlines())
    audit.findings += [*chain_faults(history), *lost_runs(history)]
    compare_last_line(audit, history, record)
    report = record["report"]["files"] if "report" in record else {}
    compare_files(audit, results, record.get("outputs", {}), own=(RECORD, HISTORY))
    compare_files(audit, path / "reports", report)
    audit.files = len(record.get("outputs", {})) + len(report) + len(record.get("inputs", {}))
    compare_inputs(audit, Files(path, allow_outside=allow_outside), record)
    try:
        study = load_study(path, allow_outside=allow_outside)
        study = _sessions(audit, study, history, record)
        _again(audit, study, record, everything, jobs=jobs, scheduler=scheduler, show=show)
    except AccstudyError as error:
        audit.findings += error.findings
    return audit


def _sessions(audit: Audit, study: Study, history: bytes, record: Record) -> Study:
    """Compare every session with what was first recorded of it; return the study of the record."""
    rows = study.measurable[study.measurable["file"] != ""]
    for file in rows.loc[~rows["file"].isin(list(record.get("inputs", {}))), "file"]:
        audit.differs("scan-new", f'"{file}" did not exist at the last run', file)
    files = {s: study.files.digest(f) for s, f in zip(rows["scan"], rows["file"], strict=True)}
    now = session_digests(study.scans, files, study.given_poses)
    changed, audit.added = changed_sessions(history, now)
    audit.findings += changed
    audit.sessions = len(now) - len(audit.added)
    if not audit.added or changed:
        return study
    lists = (study.settings.scans.list, study.settings.scans.poses)
    audit.findings = [
        f
        for f in audit.findings
        if not (f.code == "scan-new" or (f.code == "file-changed" and f.where in lists))
    ]
    scans = study.scans[session_names(study.scans).isin(record.get("sessions", {}).keys())]
    given = study.given_poses[study.given_poses["scan"].isin(scans["scan"])]
    return replace(
        study, scans=scans.reset_index(drop=True), given_poses=given.reset_index(drop=True)
    )


def _again(
    audit: Audit,
    study: Study,
    record: Record,
    everything: bool,
    *,
    jobs: int,
    scheduler: str,
    show: Show | None,
) -> None:
    """Make the run again in memory and compare every table and value of the record."""
    results = study.path / "results"
    poses = _table(audit, results, "poses")
    if poses is None:
        return
    known = recorded_results(study, record, poses)
    compare_cache(audit, study, record, known)
    few = random.SystemRandom().sample(sorted(known), min(SAMPLE, len(known)))
    audit.remeasured = tuple(s for s in known if everything or s in few)
    work = Work(study, {})
    kept = {scan: known[scan] for scan in known if scan not in audit.remeasured}
    work.measure(known=kept, keep=False, jobs=jobs, scheduler=scheduler, show=show)
    before = len(audit.findings)
    for scan in audit.remeasured:
        fresh = work.tables["poses"]
        then, now = (csv_bytes("poses", p[p["scan"] == scan]) for p in (poses, fresh))
        what = f'measuring scan "{scan}" again gives poses that differ from the results'
        audit.note(table_difference("poses", then, now), what, "results/poses.csv")
    whole = table_difference("poses", csv_bytes("poses", poses), work.bytes["poses.csv"])
    if whole.cells and len(audit.findings) == before:
        what = "combining given positions and measured scans gives a different table"
        audit.note(whole, what, "results/poses.csv")
    work.take("poses", read_own(results / "poses.csv"))
    stated = [n.removesuffix(".csv") for n in record.get("outputs", {}) if n.endswith(".csv")]
    if set(stated) - {"poses", "findings"} or "report" in record or record.get("stages"):
        work.analyze()
        made = [name for name in work.tables if name != "poses"]
        audit.recomputed = len(made)
        for name in made:
            _table_again(audit, work, name, stated)
    work.finish()
    _table_again(audit, work, "findings", stated)
    _record(audit, work, record)
    if "report" in record:
        _report(audit, work, record)


def _table(audit: Audit, results: Path, name: str) -> pd.DataFrame | None:
    try:
        return read_csv(name, io.BytesIO(read_own(results / f"{name}.csv")))
    except OSError:
        return None  # said where files are compared
    except AccstudyError as error:
        audit.differs("not-reproduced", error.message, f"results/{name}.csv")
        return None


def _table_again(audit: Audit, work: Work, name: str, stated: list[str]) -> None:
    """Compare a table with the one of the results, which is used from here on."""
    file = work.results / f"{name}.csv"
    if name not in stated:
        what = f'"{name}.csv" follows from the poses, but is missing from the record'
        audit.differs("not-reproduced", what, f"results/{name}.csv")
        return
    with contextlib.suppress(OSError):  # which has been said
        then, now = read_own(file), work.bytes[f"{name}.csv"]
        difference = table_difference(name, then, now)
        what = f'recomputing "{name}.csv" gives a different table'
        audit.note(difference, what, f"results/{name}.csv")
        if then != now and not difference.cells:
            work.take(name, then)


def _record(audit: Audit, work: Work, record: Record) -> None:
    """Compare every value of the record with the one of the run made again."""
    then, now = _made_on(record), _made_on(work.record)
    audit.made_on = differences(then, now)
    ours: dict[str, Any] = {**work.record}
    for part in ("settings", "stages", "scans", "findings", "inputs", "sessions", "outputs"):
        a, b = dict(_leaves(record.get(part, {}))), dict(_leaves(ours[part]))
        for key in dict.fromkeys([*a, *b]):
            elsewhere = audit.made_on and (part == "stages" or key.endswith(".program"))
            coming = audit.added and (part == "stages" or key.startswith("check"))
            told = part == "inputs" and key in a and key in b  # compared by their files
            if a.get(key) != b.get(key) and not (elsewhere or coming or told):
                what = f'the record states "{_shown(a, key)}", the repeated run "{_shown(b, key)}"'
                audit.differs("record-differs", what, f"results/{RECORD}: {part}.{key}")
                break


def _shown(leaves: Mapping[str, str], key: str) -> str:
    return leaves[key][:100] if key in leaves else "nothing"


def _made_on(record: Record) -> dict[str, str]:
    return {
        "accstudy": record.get("accstudy", ""),
        "program": record.get("program", "")[:12],
        **record.get("versions", {}),
        **record.get("computer", {}),
    }


def _leaves(value: Any, name: str = "") -> Iterator[tuple[str, str]]:
    """Every value of nested JSON with its dotted name."""
    if isinstance(value, Mapping):
        for key, inner in value.items():
            yield from _leaves(inner, f"{name}.{key}" if name else str(key))
    elif isinstance(value, list | tuple):
        yield f"{name}.n" if name else "n", str(len(value))
        for k, inner in enumerate(value):
            yield from _leaves(inner, f"{name}.{k}" if name else str(k))
    else:
        yield name, json_bytes(value).decode().strip().strip('"')


def _report(audit: Audit, work: Work, record: Record) -> None:
    """Make the report again from the recorded tables and record, and compare."""
    report = record["report"]
    work.record = record
    options = ReportOptions(
        report["figures"], report["page"], report["who"], report["issued"], report.get("dpi")
    )
    if work.report_key(options) != report["made_from"]:
        what = "the report was made from different results: run `accstudy report`"
        audit.differs("report-differs", what, f"results/{RECORD}: report")
        return
    with tempfile.TemporaryDirectory() as aside:
        work.report(options, kept=Path(aside))
        for name in VIEWS:
            compare_view(audit, work.study.path / CACHE.parent / name, Path(aside) / name)
    made = {name: digest(data) for name, data in (work.made or {}).items()}
    for name in dict.fromkeys([*report["files"], *made]):
        if made.get(name) == report["files"].get(name):
            continue
        if audit.made_on and name in made and name in report["files"]:
            audit.unproven.append(name)
        else:
            what = "reproduced from the same tables, the file differs"
            audit.differs("report-differs", what, f"reports/{name}")


_WHEN = (1980, 1, 1, 0, 0, 0)  # the same files give the same bytes

_VERIFY = """\
How to verify this bundle
=========================

Unpack it into an empty folder and type there, on Linux, macOS or Windows (WSL, Git Bash):

    sha256sum --check SHA256SUMS

Every line must end in "OK": then no file of the bundle has changed since it was made.

INPUTS.sha256 lists the SHA-256 of every input of the study (settings, scan list, reference,
scans), which are not in this bundle. In the study's folder type:

    sha256sum --check INPUTS.sha256

results/record.json states the SHA-256 of every input and result, the settings and the versions
of the program and its libraries. results/history.jsonl has a line a run; each line holds the
SHA-256 of the line before ("previous", without the line's end) and of its record, so that a
line that was changed, removed or put in shows:

    sed -n 1p results/history.jsonl | tr -d '\\n' | sha256sum     ("previous" of line 2)
    sha256sum results/record.json                                ("record" of the last line)

"sessions" in a line are digests of the rows and files of the sessions that were recorded then.
audit.txt says what the audit found when this bundle was made.
"""


def write_bundle(study: Path, target: Path, said: Sequence[str]) -> Path:
    """Pack a study's report, results, record and history.

    Parameters
    ----------
    study : Path
        Study folder, with results.
    target : Path
        The zip to write.
    said : sequence of str
        What the audit found.

    Returns
    -------
    Path
        The zip. The same files give the same bytes.
    """
    files = {"audit.txt": "\n".join([*said, ""]).encode(), "VERIFY.txt": _VERIFY.encode()}
    for folder in ("results", "reports", "plan"):
        for path in sorted((study / folder).rglob("*")):
            if path.is_file() and not path.is_symlink() and not path.name.startswith("."):
                files[path.relative_to(study).as_posix()] = path.read_bytes()
    inputs = read_record(study / "results").get("inputs", {})
    files["INPUTS.sha256"] = _sums(inputs).encode()
    files["SHA256SUMS"] = _sums({name: digest(data) for name, data in files.items()}).encode()
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        for name in sorted(files):
            archive.writestr(zipfile.ZipInfo(name, _WHEN), files[name], zipfile.ZIP_DEFLATED)
    return write_files(target.parent, {target.name: stream.getvalue()})[0]


def _sums(digests: dict[str, str]) -> str:
    return "".join(f"{value}  {name}\n" for name, value in sorted(digests.items()))
