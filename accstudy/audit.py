"""Are the results on disk still those of the record, and can they be made again?"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from accstudy.difference import Difference, table_difference
from accstudy.errors import AccstudyError, Finding, Severity, place
from accstudy.stages.analyze import analyze_poses
from accstudy.stages.measure import Show, measure_scans
from accstudy.study.computer import computer, differences
from accstudy.study.history import FILE, chain_faults, last_run
from accstudy.study.load import Study, load_study, resolve
from accstudy.study.record import file_digest, read_record, versions
from accstudy.tables import csv_bytes, read_csv

__all__ = ["Audit", "audit_study"]

SAMPLE = 3
"""Scans that are measured anew unless all are asked for."""


@dataclass(frozen=True, slots=True)
class Audit:
    """What an audit found.

    Parameters
    ----------
    findings : tuple of Finding
        What differs; empty when all is as recorded.
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
        How the libraries and the machine of the record differ from these here;
        empty when they do not.
    """

    findings: tuple[Finding, ...]
    files: int
    runs: int
    remeasured: tuple[str, ...]
    recomputed: int
    rounding: int = 0
    made_on: str = ""


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
        Whether every scan is measured anew; otherwise three, chosen by the
        digest of their files.
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
    Texts and decisions that are computed anew must be those of the record;
    numbers may differ by one step of the grid that they are written on (see
    `accstudy.grid`), since the last bits of a double depend on the processor
    and on the libraries.
    """
    results = path / "results"
    record = read_record(results)
    if not record:
        finding = _differs("no-record", "there is no readable record", "results/record.json")
        return Audit((finding,), 0, 0, (), 0)
    history = results / FILE
    lines = history.read_bytes() if history.is_file() else b""
    found = chain_faults(lines)
    if last_run(lines).get("record") != file_digest(results / "record.json"):
        what = "the record is not that of the last run in the history"
        found.append(_differs("record-differs", what, "results/record.json"))
    inputs: dict[str, str] = record.get("inputs", {})
    outputs: dict[str, str] = record.get("outputs", {})
    for name, stated in inputs.items():
        found += _compare(resolve(path, name, allow_outside=allow_outside), name, stated)
    for name, stated in outputs.items():
        found += _compare(results / name, f"results/{name}", stated)
    for file in sorted(p.name for p in results.iterdir()):
        hidden = file.startswith(".")  # no result: a mark of this program or of the system
        if file not in outputs and file not in ("record.json", FILE) and not hidden:
            what = f'"{file}" is new: no run of the record wrote it'
            found.append(_differs("file-new", what, f"results/{file}"))
    try:
        study = load_study(path, allow_outside=allow_outside)
    except AccstudyError as error:
        return Audit((*found, *error.findings), len(inputs) + len(outputs), _count(lines), (), 0)
    found += _unlisted(study, inputs)
    again = _again(
        study,
        record,
        outputs,
        everything=everything,
        jobs=jobs,
        scheduler=scheduler,
        outside=allow_outside,
        show=show,
    )
    then, now = (
        {**record.get("versions", {}), **record.get("computer", {})},
        {**versions(), **computer()},
    )
    return Audit(
        (*found, *again.findings),
        len(inputs) + len(outputs),
        _count(lines),
        again.remeasured,
        again.recomputed,
        again.rounding,
        differences(then, now),
    )


def _differs(code: str, what: str, where: str) -> Finding:
    hint = "restore the file from a copy, or make the results anew with `accstudy run`"
    return Finding(Severity.ERROR, code, what, where, hint)


def _count(history: bytes) -> int:
    return len(history.splitlines())


def _compare(path: Path, name: str, stated: str) -> list[Finding]:
    if not path.is_file():
        return [_differs("file-missing", f'"{name}" is missing', name)]
    if file_digest(path) != stated:
        return [_differs("file-changed", f'"{name}" has changed since the last run', name)]
    return []


def _unlisted(study: Study, inputs: dict[str, str]) -> list[Finding]:
    """Scans that the list names now and the record does not know."""
    files = study.measurable.loc[study.measurable["file"] != "", "file"]
    return [
        _differs("scan-new", f'"{file}" was not there at the last run', file)
        for file in files
        if file not in inputs
    ]


@dataclass(slots=True)
class _Again:
    """What measuring and computing anew showed."""

    findings: list[Finding]
    remeasured: tuple[str, ...] = ()
    recomputed: int = 0
    rounding: int = 0

    def note(self, difference: Difference, what: str, file: str) -> None:
        """Keep what differs."""
        self.rounding += difference.rounding
        if difference.cells:
            more = f", and {difference.cells - 1} cells more" if difference.cells > 1 else ""
            where = place(file, difference.row or None, difference.column or None)
            self.findings.append(
                _differs("not-reproduced", f"{what}: {difference.first}{more}", where)
            )


def _again(
    study: Study,
    record: dict[str, Any],
    outputs: dict[str, str],
    *,
    everything: bool,
    jobs: int,
    scheduler: str,
    outside: bool,
    show: Show | None,
) -> _Again:
    """Measure scans and compute tables anew, and compare with what the record states."""
    results = study.path / "results"
    again = _Again([])
    if not (results / "poses.csv").is_file():
        return again
    poses = read_csv("poses", results / "poses.csv")
    scans: dict[str, dict[str, str]] = record.get("scans", {})
    names = sorted(scans, key=lambda s: scans[s].get("file", ""))
    again.remeasured = tuple(names if everything else names[:SAMPLE])
    if again.remeasured:
        fresh = measure_scans(
            study,
            only=again.remeasured,
            jobs=jobs,
            scheduler=scheduler,
            allow_outside=outside,
            show=show,
        ).poses
        for scan in again.remeasured:
            then, now = (csv_bytes("poses", p[p["scan"] == scan]) for p in (poses, fresh))
            what = f'measuring scan "{scan}" anew gives other poses than the results state'
            again.note(table_difference("poses", then, now), what, "results/poses.csv")
    if "pair_deviations.csv" in outputs:
        made = analyze_poses(study, poses, allow_outside=outside)
        again.recomputed = len(made.tables)
        for name, frame in made.tables.items():
            file = results / f"{name}.csv"
            if f"{name}.csv" not in outputs:
                what = f'"{name}.csv" follows from the poses, but the record does not state it'
                again.findings.append(_differs("not-reproduced", what, f"results/{name}.csv"))
            elif file.is_file():  # if it is not, that has been said
                now = csv_bytes(name, frame, factors=study.factors)
                what = f'computing "{name}.csv" anew gives another table'
                difference = table_difference(name, file.read_bytes(), now)
                again.note(difference, what, f"results/{name}.csv")
    return again
