"""Add a session: rows for new files at the end of the scan list."""

from __future__ import annotations

import datetime as dt
import os
import re
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from accstudy.errors import InputError, Severity, StudyError
from accstudy.mesh.read import read_mesh
from accstudy.plan.study_files import Proposal, ScanFile, propose_scans
from accstudy.stages.plan import appended, mesh_files, models_of, sheet_of_list
from accstudy.stages.sizes import FOLDER
from accstudy.study.checks import grouped_by
from accstudy.study.files import file_digest, resolve, study_lock, write_files
from accstudy.study.load import survey_study
from accstudy.study.settings import Settings
from accstudy.study.toml import read_settings

_GROWS = {"scanned-once"}
"""Errors that the next scans mend."""

_OWN = ("scan", "file", "status", "reason", "session", "repeat", "measured_at")


@dataclass(frozen=True, slots=True)
class Added:
    """Scans that were added, those still to be made, what was taken from where, and the files
    written.
    """

    scans: tuple[str, ...]
    planned: tuple[str, ...]
    words: tuple[str, ...]
    written: tuple[Path, ...]


def add_session(
    path: Path,
    files: Sequence[Path],
    *,
    session: str = "",
    device: str = "",
    model: str = "",
    values: Mapping[str, str] | None = None,
    expected: int | None = None,
    today: dt.date,
) -> Added:
    """Append the scans of a session to the scan list of a study.

    Parameters
    ----------
    path : Path
        Study folder.
    files : sequence of Path
        Mesh files, or folders that hold them, at any depth. Files outside the study are
        copied into it.
    session : str, optional
        Name of the session; the day of its first scan by default.
    device, model : str, optional
        Whose; the only ones the study knows by default.
    values : mapping of str to str, optional
        Further columns.
    expected : int, optional
        Scans that a session has; as many as the device's last session by default. For
        those that are missing rows with status ``planned`` and a bench sheet are left.
    today : date
        Date on the bench sheet.

    Returns
    -------
    Added
        Rows that were there before are the same bytes as before.

    Raises
    ------
    InputError
        If a file is listed already, is the copy of one that is, or cannot be read; or if
        the study would not be readable with the new rows. Nothing is changed then.
    """
    settings = read_settings(path / "study.toml")
    with study_lock(path):
        return _Addition(path, settings, session, device, model, dict(values or {})).add(
            files, expected, today
        )


def _readable(path: Path) -> list[str]:
    """See that the study can be used, but for what further scans will bring; say what that is."""
    found = survey_study(path)
    errors = [f for f in found.findings if f.severity is Severity.ERROR]
    if any(f.code not in _GROWS for f in errors):
        raise StudyError(found.findings)
    return [f.what for f in errors]


class _Addition:
    """One addition, checked before anything is written."""

    def __init__(
        self, path: Path, settings: Settings, session: str, device: str, model: str,
        values: dict[str, str],
    ) -> None:  # fmt: skip
        self.path, self.settings, self.session = path, settings, session
        self.file = settings.scans.list
        self.list = resolve(path, self.file)
        self.words: list[str] = []
        self.rows, self.header = _listed(self.list, self.settings)
        self.device = device or self._only("device")
        models = models_of(path, settings)
        self.model = model or (models[0] if len(models) == 1 else self._only("model"))
        self.values = values

    def _only(self, column: str) -> str:
        known = {row[column] for row in self.rows if row.get(column)}
        if len(known) > 1:
            raise InputError(
                f"{column} is ambiguous: the scan list has {', '.join(sorted(known))}",
                where=self.file, hint=f'state it: --{column} "{sorted(known)[0]}"',
            )  # fmt: skip
        return next(iter(known), "")

    def add(self, files: Sequence[Path], expected: int | None, today: dt.date) -> Added:
        found = self._files(files)
        self.session = self.session or self._day(found)
        copies = self._places(found)
        for p in found:
            read_mesh(p, length_unit=self.settings.scans.length_unit, name=p.name)
        proposal = self._proposal(copies)
        made = self._made(proposal)
        self._complete(made)
        coming = self._coming(made, expected)
        new = [{k: v for k, v in row.items() if k in self.header or v} for row in (*made, *coming)]
        if not self.rows and not self.header:
            new = [dict(row) for row in (*made, *coming)]
        before = self.list.read_bytes() if self.list.is_file() else None
        data = appended(self.list, new, file=self.file, layout=self.settings.scans)
        written: list[Path] = []
        try:
            for p, to in copies.items():
                if to != p and self._copy(p, to):
                    written.append(to)
            written += write_files(self.list.parent, {self.list.name: data})
            self.words += _readable(self.path)
        except BaseException:  # whatever it was, also Ctrl-C: as if nothing had been called
            self._undo(before, written)
            raise
        if coming:
            written += self._sheet(coming, today)
        return Added(
            tuple(row["scan"] for row in made),
            tuple(row["scan"] for row in coming),
            tuple(self.words),
            tuple(written),
        )

    def _files(self, named: Sequence[Path]) -> dict[Path, Path]:
        """Mesh files that are not listed yet, each with its path below what was named.

        A file that is named itself must be new.
        """
        listed = {
            (self.path / r["file"]).resolve(): r.get("scan", "") for r in self.rows if r.get("file")
        }
        out: dict[Path, Path] = {}
        for one in named:
            if one.is_dir():
                inside = [p for p in mesh_files(one) if p.is_file()]
                known = [p for p in inside if p.resolve() in listed]
                if known:
                    self.words.append(f"{len(known)} files of {one.name} are already listed")
                out |= {p: p.relative_to(one) for p in inside if p not in known}
            elif one.resolve() in listed:
                scan = listed[one.resolve()]
                raise InputError(f'"{one.name}" is already listed, as scan "{scan}"',
                                 where=self.file, hint="name only new files")  # fmt: skip
            else:
                out[one] = Path(one.name)
        if not out:
            raise InputError("no new mesh files there", hint="name the files of this session")
        sizes: dict[int, list[Path]] = {}
        for p in listed:
            if p.is_file():
                sizes.setdefault(p.stat().st_size, []).append(p)
        for p in out:
            for other in sizes.get(p.stat().st_size, ()):
                if file_digest(other) == file_digest(p):
                    raise InputError(
                        f'"{p.name}" is the same file as "{other.name}", scan "{listed[other]}"',
                        where=self.file,
                    hint="each scan counts once; export the scan of this session",
                    )  # fmt: skip
            sizes.setdefault(p.stat().st_size, []).append(p)
            listed[p] = p.stem
        return out

    def _day(self, found: Mapping[Path, Path]) -> str:
        """Day of the first scan."""
        files = [
            ScanFile(below.as_posix(), dt.datetime.fromtimestamp(p.stat().st_mtime))
            for p, below in found.items()
        ]
        return str(propose_scans(files).scans["measured_at"].min())[:10]

    def _places(self, found: Mapping[Path, Path]) -> dict[Path, Path]:
        """Where every file is, or will be copied to, inside the study."""
        folder = re.sub(r"[^\w.-]+", "_", f"{self.session}_{self.device}").strip("_")
        out: dict[Path, Path] = {}
        for file, below in found.items():
            if file.resolve().is_relative_to(self.path.resolve()):
                out[file] = file
                continue
            to = resolve(self.path, f"scans/{folder}/{below.as_posix()}")
            if to in out.values():  # two named files of one name: their folders tell them apart
                to = to.with_name(f"{file.resolve().parent.name}_{file.name}")
            if to in out.values():
                raise InputError(f'two files are named "{file.name}"', where=str(file),
                                 hint="name the folder that holds them")  # fmt: skip
            out[file] = to
        return out

    def _copy(self, file: Path, to: Path) -> bool:
        """Copy a file whole or not at all; False for one that an interrupted call left there."""
        if to.is_file() and file_digest(to) == file_digest(file):
            return False
        if to.exists():
            raise InputError(f'"{to.relative_to(self.path)}" already exists',
                             hint="rename the file, or give the session another name")  # fmt: skip
        to.parent.mkdir(parents=True, exist_ok=True)
        aside = to.with_name(f".{to.name}.part")
        try:
            shutil.copy2(file, aside)
            os.replace(aside, to)
        finally:
            aside.unlink(missing_ok=True)
        return True

    def _undo(self, before: bytes | None, written: Sequence[Path]) -> None:
        for file in written:
            if file == self.list and before is not None:
                write_files(file.parent, {file.name: before})
            else:
                file.unlink(missing_ok=True)

    def _proposal(self, copies: Mapping[Path, Path]) -> Proposal:
        root = self.path.resolve()
        files = [
            ScanFile(
                (to.resolve() if to == p else root / to.relative_to(self.path))
                .relative_to(root)
                .as_posix(),
                dt.datetime.fromtimestamp(p.stat().st_mtime),
            )
            for p, to in copies.items()
        ]
        return propose_scans(
            files, model=self.model, known=[row.get("scan", "") for row in self.rows]
        )

    def _made(self, proposal: Proposal) -> list[dict[str, str]]:
        table = proposal.scans
        session = self.session
        mine = [r for r in self.rows if r.get("device", "") == self.device]
        same = [r for r in mine if r.get("session") == session and r.get("model") == self.model]
        made = [r for r in same if r.get("status") != "planned"]
        last = max((_number(r.get("repeat", "")) for r in made), default=0)
        first = max(last, len(made)) + 1
        kept = {**self._usual(mine), **self.values}
        if self.device and self.rows and not mine:
            known = sorted({r.get("device", "") for r in self.rows} - {""})
            told = f"; the scan list has {', '.join(known)}" if known else ""
            self.words.append(f'device "{self.device}" is new: its charts start here{told}')
        out = []
        for k, row in enumerate(table.itertuples()):
            out.append(
                {
                    "scan": str(row.scan),
                    "file": str(row.file),
                    "model": self.model,
                    **({"device": self.device} if self.device else {}),
                    **kept,
                    "session": session,
                    "repeat": str(first + k),
                    "measured_at": str(row.measured_at),
                    "status": "ok",
                }
            )
        if self.header:  # what a list need not have
            optional = {"repeat", "status"} - set(self.header)
            out = [{k: v for k, v in row.items() if k not in optional} for row in out]
        self.words += [note for note in proposal.notes if note.startswith("measured_at")]
        return out

    def _usual(self, mine: Sequence[Mapping[str, str]]) -> dict[str, str]:
        """Columns of the list that were the same in the device's last session."""
        last = [r for r in mine if r.get("session") == mine[-1].get("session")] if mine else []
        names = [c for c in self.header if c not in (*_OWN, "model", "device")]
        found = {
            c: last[-1][c] for c in names if last and last[-1][c] and len({r[c] for r in last}) == 1
        }
        found = {c: v for c, v in found.items() if c not in self.values and c != "body_uses"}
        if found:
            said = ", ".join(f"{c} = {v}" for c, v in found.items())
            self.words.append(f"as in the preceding session: {said}")
        blank = [c for c in names if c not in found and c not in self.values]
        if blank:
            self.words.append(f"left empty: {', '.join(blank)}")
        return found

    def _complete(self, made: Sequence[Mapping[str, str]]) -> None:
        """InputError for columns that scans are grouped by and that the new rows lack."""
        condition, cell = grouped_by(self.settings, self.header)
        known = {
            c: sorted({row[c] for row in self.rows} - {""})
            for c in dict.fromkeys([*condition, *cell])
            if c in self.header and not all(row.get(c) for row in made)
        }
        if known:
            listed = "; ".join(f"{c} {', '.join(v[:4])}" for c, v in known.items() if v)
            options = " ".join(f'--set {c}="{v[0] if v else "..."}"' for c, v in known.items())
            raise InputError(
                f"scans are grouped by {' and '.join(known)}, which are missing in the new rows"
                + (f"; the scan list has {listed}" if listed else ""),
                where=self.file, hint=f"give them, for example {options}",
            )  # fmt: skip

    def _coming(
        self, made: Sequence[Mapping[str, str]], expected: int | None
    ) -> list[dict[str, str]]:
        mine = [r for r in self.rows if r.get("device", "") == self.device]
        before = [r for r in mine if r.get("session") != self.session]
        usual = sum(r.get("session") == before[-1].get("session") for r in before) if before else 0
        wanted = usual if expected is None else expected
        have = len(made) + sum(r.get("session") == self.session for r in mine)
        have = int(made[-1].get("repeat", have))
        if have < wanted and self.header and "status" not in self.header:
            self.words.append(f"{wanted - have} scans are missing; without a column status in "
                              f"{self.file} they are not planned")  # fmt: skip
            return []
        known = {r.get("repeat") for r in mine if r.get("session") == self.session}
        return [
            {
                **made[-1],
                "scan": f"{self.session} {self.device} r{k}".replace("  ", " "),
                "file": "",
                "measured_at": "",
                "repeat": str(k),
                "status": "planned",
            }
            for k in range(have + 1, wanted + 1)
            if str(k) not in known
        ]

    def _sheet(self, coming: Sequence[Mapping[str, str]], today: dt.date) -> list[Path]:
        from accstudy.reports.render import bench_sheet

        table = pd.DataFrame(
            [
                {
                    "order": k,
                    "session": row["session"],
                    "operator": row.get("operator", ""),
                    "scan": row["scan"],
                    "model": row["model"],
                    "condition": row.get("device", ""),
                    "body_seating": "",
                }
                for k, row in enumerate(coming, start=1)
            ]
        )
        sheet = bench_sheet(
            table, title=self.settings.study.title, order="Scans missing from the session.",
            generated=today.isoformat(),
        )  # fmt: skip
        return list(write_files(resolve(self.path, FOLDER), {"bench_sheet.pdf": sheet}))


def _listed(full: Path, settings: Settings) -> tuple[list[dict[str, str]], tuple[str, ...]]:
    if not full.is_file() or not full.read_bytes().strip():
        return [], ()
    sheet = sheet_of_list(full, settings)
    rows = [dict(zip(sheet.header, row, strict=True)) for row in sheet.rows]
    return rows, sheet.header


def _number(text: str) -> int:
    found = re.search(r"\d+", text)
    return int(found[0]) if found else 0
