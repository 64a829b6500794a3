"""The scan list as a sheet: cells changed in place, files listed, scans left out, the bench."""

from __future__ import annotations

import csv
import datetime as dt
import io
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from accstudy.desk.wording import with_heads
from accstudy.errors import InputError
from accstudy.stages.plan import append_list, list_scans, mesh_files
from accstudy.study.checks import grouped_by
from accstudy.study.exported import Said, named_sheet
from accstudy.study.files import digest, read_bytes, resolve, study_lock, write_files
from accstudy.study.settings import Settings
from accstudy.study.sheet import MAX_BYTES, csv_dialect
from accstudy.study.toml import read_settings

_LONGEST_CELL, _MOST_ROWS = 500, 600
_PLANNED, _FAILED = "planned", "failed"


class _List:
    """The scan list, or the table of implants, as it lies in its file.

    `rows` hold what is edited by the row's number in the file; lines that are not touched
    stay the same bytes.
    """

    def __init__(self, study: Path, table: str = "scans") -> None:
        self.settings: Settings = read_settings(study / "study.toml")
        ours: Any = self.settings.scans if table == "scans" else self.settings.reference
        self.file: str = ours.list if table == "scans" else ours.implants
        self.path = resolve(study, self.file)
        there = self.path.is_file()
        self.data = read_bytes(self.path, file=self.file, max_bytes=MAX_BYTES) if there else b""
        self.version = digest(self.data)
        self.is_text = self.path.suffix.lower() in (".csv", ".tsv", ".txt")
        filled = self.data.strip()
        said = Said("scans" if table == "scans" else "reference")
        self.sheet = (
            named_sheet(self.path, table, ours, file=self.file, said=said) if filled else None
        )
        self.header = self.sheet.header if self.sheet else ()

    def numbered(self) -> list[tuple[int, dict[str, str]]]:
        """Every row with its number in the file, by the names that columns have here."""
        if self.sheet is None:
            return []
        rows = (dict(zip(self.header, row, strict=True)) for row in self.sheet.rows)
        return list(zip(self.sheet.numbers, rows, strict=True))

    def dicts(self) -> list[dict[str, str]]:
        """Every row."""
        return [row for _, row in self.numbered()]

    def named(self, name: str) -> int:
        """Row of a scan in the file."""
        for number, row in self.numbered():
            if row.get("scan") == name:
                return number
        raise InputError(f'the scan list has no scan "{name}"', where=self.file)

    def lacking(self, column: str) -> str:
        """Name that a column has in the file; `InputError` where there is none."""
        if column not in self.header:
            raise InputError(
                f'{self.file} has no column "{column}"',
                where=self.file,
                hint="add the column first",
            )
        assert self.sheet is not None
        return self.sheet.called.get(column, column)

    def write(
        self,
        cells: Mapping[tuple[int, str], str],
        *,
        version: str = "",
        removed: Sequence[int] = (),
        added: str = "",
    ) -> str:
        """Change cells, by row and column here; remove rows; add an empty column at the end."""
        if version and version != self.version:
            raise InputError(
                f"{self.file} was changed meanwhile, in another window or program",
                where=self.file, hint="look at it as it is now, and change it again",
            )  # fmt: skip
        if self.sheet is None or not self.is_text:
            raise InputError(
                f"{self.file} is no CSV file with rows; it cannot be changed here",
                where=self.file, hint="change it in the program that wrote it",
            )  # fmt: skip
        if self.sheet.cells:
            raise InputError(
                f"{self.file} does not have one row per scan; it cannot be changed here",
                where=self.file, hint="change it in the program that wrote it",
            )  # fmt: skip
        for text in cells.values():
            if len(text) > _LONGEST_CELL or not text.isprintable():
                raise InputError(f"a cell must be one line of {_LONGEST_CELL} characters at most")
        encoding, delimiter, end = csv_dialect(self.data, self.file, head=self.sheet.head)
        lines = io.StringIO(self.data.decode(encoding), newline="").readlines()
        reader = csv.reader(iter(lines), delimiter=delimiter)
        head: list[str] = []
        out, before = [], 0
        for number, record in enumerate(reader, start=1):
            raw, before = "".join(lines[before : reader.line_num]), reader.line_num
            if number == self.sheet.head:
                head = [name.strip() for name in record]
                if added and added not in head:
                    raw = _line([*record, added], delimiter, end)
            elif number in removed:
                continue
            elif head:
                mine = {c: text for (row, c), text in cells.items() if row == number}
                record += [""] * (len(head) - len(record))
                changed = list(record)
                for column, text in mine.items():
                    changed[head.index(self.lacking(column))] = text.strip()
                if added and added not in head and any(record):
                    raw = _line([*changed, ""], delimiter, end)
                elif changed != record:
                    raw = _line(changed, delimiter, end)
            out.append(raw)
        new = "".join(out).encode(encoding.removesuffix("-sig"))
        if self.data[:3] == b"\xef\xbb\xbf":
            new = b"\xef\xbb\xbf" + new
        write_files(self.path.parent, {self.path.name: new})
        return digest(new)


def _line(cells: Sequence[str], delimiter: str, end: str) -> str:
    stream = io.StringIO(newline="")
    csv.writer(stream, delimiter=delimiter, lineterminator=end).writerow(cells)
    return stream.getvalue()


def _locked(study: Path, change: Callable[[_List], Any]) -> Any:
    with study_lock(study):
        return change(_List(study))


def sheet(study: Path) -> dict[str, Any]:
    """The scan list, and files in the study that it does not name yet, oldest first."""
    ours = _List(study)
    rows = ours.dicts()
    listed = {row.get("file", "") for row in rows}
    folder = study / "scans"
    files = [p for p in mesh_files(folder) if p.is_file()] if folder.is_dir() else []
    files.sort(key=lambda p: (p.stat().st_mtime, p.name))
    unlisted = [p.relative_to(study).as_posix() for p in files]
    condition, cell = grouped_by(ours.settings, ours.header)
    first = ("scan", "model", *condition, *cell, "repeat")
    always = (*first, "file", "status", "reason")
    header = sorted(ours.header, key=lambda c: first.index(c) if c in first else len(first))
    used = [c for c in header if c in always or any(row[c] for row in rows)]
    return {
        "file": ours.file,
        "version": ours.version,
        "header": header,
        "used": used if rows else header,
        "rows": [{"number": k, "cells": row} for k, row in ours.numbered()[:_MOST_ROWS]],
        "n": len(rows),
        "editable": ours.is_text and not (ours.sheet and ours.sheet.cells),
        "unlisted": [f for f in unlisted if f not in listed],
        "planned": [r["scan"] for r in rows if r.get("status") == _PLANNED and not r.get("file")],
        "grouped": [*condition, *cell],
    }


def edit_sheet(
    study: Path, version: str, cells: dict[str, str], removed: list[int], added: str = ""
) -> str:
    """Change cells, given as "row:column"; what is not named stays, byte for byte."""

    def change(ours: _List) -> str:
        said: dict[tuple[int, str], str] = {}
        if added and not added.isidentifier():
            raise InputError(
                f'"{added}" cannot be the name of a column',
                hint="use letters, digits and _, such as light_source",
            )
        now = {(k, column): text for k, row in ours.numbered() for column, text in row.items()}
        for key, text in cells.items():
            number, _, column = key.partition(":")
            if number.isdecimal() and now.get((int(number), column)) not in (None, text.strip()):
                said[int(number), column] = text
        return ours.write(said, version=version, removed=removed, added=added)

    return str(_locked(study, change))


def list_files(study: Path) -> list[str]:
    """Add a row for every mesh file that the list does not name, as `list-scans --write` does."""
    found = list_scans(study)
    with study_lock(study):
        append_list(study, read_settings(study / "study.toml"), found.scans)
    return [with_heads(note, list(map(str, found.scans))) for note in found.notes]


def assign(study: Path, version: str, files: dict[str, str]) -> str:
    """Name the file of planned scans, which are made then."""

    def change(ours: _List) -> str:
        cells: dict[tuple[int, str], str] = {}
        rows = {row["scan"]: row for row in ours.dicts()}
        twice = {f for f in files.values() if f and list(files.values()).count(f) > 1}
        if twice:
            raise InputError(f'"{sorted(twice)[0]}" is chosen for two scans')
        for scan, file in files.items():
            if not file:
                continue
            number = ours.named(scan)
            cells[number, "file"] = file
            cells[number, "status"] = "ok"
            if "measured_at" in ours.header and not rows[scan].get("measured_at"):
                at = resolve(study, file).stat().st_mtime
                moment = dt.datetime.fromtimestamp(at)
                cells[number, "measured_at"] = moment.isoformat(timespec="seconds")
        return ours.write(cells, version=version)

    return str(_locked(study, change))


def carriers(study: Path) -> list[dict[str, str]]:
    """Implants of the reference, each with its row in the file and the scan body on it."""
    rows = _List(study, "implants").numbered()
    return [
        {"row": str(k), **{c: row.get(c, "") for c in ("model", "implant", "scan_body")}}
        for k, row in rows if row.get("implant")
    ]  # fmt: skip


def carry(study: Path, bodies: dict[str, str]) -> str:
    """Write which scan body every implant carries, by its row, into the table of implants."""
    with study_lock(study):
        ours = _List(study, "implants")
        if "scan_body" not in ours.header:
            ours.write({}, added="scan_body")
            ours = _List(study, "implants")
        known = ours.settings.scan_body
        cells = {
            (int(row), "scan_body"): body
            for row, body in bodies.items() if row.isdecimal() and body in known
        }  # fmt: skip
        return ours.write(cells)


def leave_out(study: Path, scan: str, reason: str) -> str:
    """Mark a scan as failed, with the reason: it is counted, and not measured."""
    if len(reason.strip()) < 3:
        raise InputError("the reason is missing", hint="say in a few words why it is left out")
    return tick(study, scan, _FAILED, reason=reason, at_bench=False)


def bench(study: Path) -> dict[str, Any]:
    """Scans still to be made, in the order of the list, and those made last."""
    ours = _List(study)
    rows = [
        {**row, "made": bool(row.get("measured_at")) and row.get("status") == _PLANNED}
        for row in ours.dicts()
    ]
    waiting = [r for r in rows if r.get("status") == _PLANNED]
    failed = [r for r in rows if r.get("status") == _FAILED]
    return {
        "title": ours.settings.study.title,
        "rows": [*waiting, *failed],
        "columns": [
            c for c in ours.header
            if c not in ("scan", "file", "status", "reason", "measured_at", "temperature_c")
            and any(r.get(c) for r in waiting)
        ],
        "left": sum(not r["made"] for r in waiting),
    }  # fmt: skip


def tick(
    study: Path,
    scan: str,
    state: str,
    reason: str = "",
    temperature_c: str = "",
    at: str = "",
    *,
    at_bench: bool = True,
) -> str:
    """Note that a scan was "made", "failed", or is "planned" after all.

    A scan that was made stays planned until its file is named.
    """

    def change(ours: _List) -> str:
        number = ours.named(scan)
        row = next(r for r in ours.dicts() if r.get("scan") == scan)
        file = row.get("file", "")
        if at_bench and row.get("status") not in (_PLANNED, _FAILED):
            raise InputError(f'scan "{scan}" is not to be made', where=ours.file)
        kept = "ok" if file else _PLANNED
        cells = {(number, "status"): _FAILED if state == _FAILED else kept}
        if state == _FAILED or "reason" in ours.header:
            cells[number, "reason"] = reason if state == _FAILED else ""
        if "measured_at" in ours.header and not file:
            cells[number, "measured_at"] = "" if state == _PLANNED else at
        if temperature_c.strip():
            if "temperature_c" not in ours.header:
                ours.write({}, added="temperature_c")
                ours = _List(study)
            cells[number, "temperature_c"] = temperature_c
        return ours.write(cells)

    return str(_locked(study, change))
