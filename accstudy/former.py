"""Audit of a study that grows: former sessions must be as first recorded, new ones are told."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path

from accstudy.audit import Audit
from accstudy.errors import AccstudyError, Finding, Severity, place
from accstudy.study.history import FILE
from accstudy.study.load import Study, load_study, resolve
from accstudy.study.record import file_digest
from accstudy.study.sessions import changed_sessions, session_digests

__all__ = ["Former", "audit_sessions"]


@dataclass(frozen=True, slots=True)
class Former:
    """What became of the sessions of a study.

    Parameters
    ----------
    audit : Audit
        The audit, with former sessions that changed; without what added sessions explain.
    added : tuple of str
        Sessions that were added since the last run.
    sessions : int
        Sessions that were compared with what was first recorded of them.
    """

    audit: Audit
    added: tuple[str, ...]
    sessions: int


def audit_sessions(path: Path, audit: Audit, *, allow_outside: bool = False) -> Former:
    """Compare every session with what was first recorded of it.

    Parameters
    ----------
    path : Path
        Study folder.
    audit : Audit
        Of its files and results.
    allow_outside : bool
        Whether files may lie outside the study folder.

    Returns
    -------
    Former
        A session that was added changes the scan list; where no former session and no
        other input changed, this is no fault of the record: the results lack a run.
    """
    file = path / "results" / FILE
    history = file.read_bytes() if file.is_file() else b""
    found = list(audit.findings) + _lost(history)
    try:
        study = load_study(path, allow_outside=allow_outside)
    except AccstudyError:
        return Former(replace(audit, findings=tuple(found)), (), 0)
    now = session_digests(study.scans, _files(path, study, allow_outside), study.given_poses)
    changed, added = changed_sessions(history, now)
    if added and not changed:
        lists = (study.settings.scans.list, study.settings.scans.poses)
        found = [f for f in found if not _explained(f, lists)]
    return Former(replace(audit, findings=(*found, *changed)), added, len(now) - len(added))


def _files(path: Path, study: Study, outside: bool) -> dict[str, str]:
    rows = study.measurable
    return {
        str(scan): file_digest(resolve(path, file, allow_outside=outside))
        for scan, file in zip(rows["scan"], rows["file"], strict=True)
        if file and resolve(path, file, allow_outside=outside).is_file()
    }


def _explained(finding: Finding, lists: tuple[str, ...]) -> bool:
    listed = finding.code == "file-changed" and finding.where in lists
    return listed or finding.code == "scan-new"


def _lost(history: bytes) -> list[Finding]:
    """Runs whose record was there when the next one began, and that no line tells of."""
    rows = [k for k, line in enumerate(history.splitlines(), start=1) if _lacks(line)]
    hint = "restore history.jsonl from a copy or a bundle: what was recorded then cannot be told"
    what = "runs before this one are missing from the history: it was deleted or rewritten"
    return [
        Finding(Severity.ERROR, "history-lost", what, place(f"results/{FILE}", row), hint)
        for row in rows
    ]


def _lacks(line: bytes) -> bool:
    try:
        return bool(json.loads(line).get("lost"))
    except (ValueError, AttributeError):
        return False
