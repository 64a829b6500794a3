"""What a study is given: tables, the drawing of the scan body, and the scan list as a sheet."""

from __future__ import annotations

import base64
import csv
import datetime as dt
import io
import tomllib
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import tomlkit

from accstudy.desk.settings import write_settings
from accstudy.desk.wording import with_heads
from accstudy.errors import AccstudyError, InputError
from accstudy.locate.scan_body import Anatomy, anatomy
from accstudy.mesh.model import Mesh
from accstudy.mesh.read import study_mesh
from accstudy.mesh.scene import thin
from accstudy.stages.drawings import (
    beside_settings,
    body_values,
    learn_drawing,
    learned_anatomy,
    learned_words,
    lettered,
    level_words,
    likely,
    picture,
)
from accstudy.stages.plan import append_list, list_scans, mesh_files
from accstudy.study.checks import grouped_by
from accstudy.study.exported import Said, arranged, named_sheet, proposed_lines
from accstudy.study.files import Files, digest, read_bytes, resolve, study_lock, write_files
from accstudy.study.layout import Layout, headed
from accstudy.study.settings import ScanBodySettings, Settings
from accstudy.study.sheet import MAX_BYTES, TableFile, csv_dialect
from accstudy.study.toml import read_settings
from accstudy.tables import TABLES

_SHOWN = 8
_LAYOUT = ("sheet", "header_row", "rows", "label", "columns", "model", "length_unit")
_KEYS = {"implants": ("reference", "implants"), "scans": ("scans", "list")}


def tables(study: Path, table: str) -> dict[str, Any]:
    """How a table of the study is read now.

    ``file``; ``raw``, its first rows; ``names``, what its columns are called; ``wanted``, the
    columns needed with their meaning and what they are matched with; ``read``, the first rows as
    they are understood; ``faults``, why they are not.
    """
    settings = read_settings(study / "study.toml")
    layout = getattr(settings, _KEYS[table][0])
    file = layout.implants if table == "implants" else layout.list
    other = "" if table == "scans" else layout.touch_points or layout.runs
    path = resolve(study, file)
    if other or not path.is_file():
        return {"file": file, "there": False, "other": other}
    data = read_bytes(path, file=file, max_bytes=MAX_BYTES)
    return {"file": file, "there": True, "other": "", **_read(data, file, table, layout)}


def _read(data: bytes, file: str, table: str, layout: Layout) -> dict[str, Any]:
    out: dict[str, Any] = {"raw": [], "names": [], "read": None, "faults": [], "sheets": []}
    try:
        source = TableFile(data, file)
        out["sheets"] = list(source.sheets)
        head = layout.header_row[-1] if layout.header_row else None
        cells = source.cells(layout.sheet, head=head or None)
        out["raw"] = [row[:14] for row in cells.rows[: max(_SHOWN, (head or 0) + 4)]]
        names = list(headed(cells, layout).header)
        out["names"] = names
    except AccstudyError as error:
        out["faults"] = [f.to_dict() for f in error.findings]
        names = []
    wanted = [c for c in TABLES[table].columns if c.required or c.name.startswith("flat_")]
    out["wanted"] = [
        {
            "name": c.name, "meaning": c.meaning, "unit": c.unit, "required": c.required,
            "matched": layout.columns.get(c.name, c.name if c.name in names else ""),
        }
        for c in wanted if not c.inner
    ]  # fmt: skip
    out["model"] = layout.model
    out["header_row"] = ", ".join(map(str, layout.header_row))
    out["sheet"] = layout.sheet
    out["length_unit"] = getattr(layout, "length_unit", "mm")
    out["rows"] = [f"{name} = {', '.join(values)}" for name, values in layout.rows.items()]
    out["label"] = list(layout.label)
    patterns = [user for user in layout.columns.values() if "{" in user]
    out["names"] = list(dict.fromkeys([*out["names"], *patterns]))
    try:
        read = arranged(data, table, layout, file=file, said=Said(_KEYS[table][0]))
        shown = [c.name for c in wanted if c.name in read.header]
        at = [read.header.index(name) for name in shown]
        out["read"] = {
            "header": shown, "n": len(read.rows),
            "rows": [[row[k] for k in at] for row in read.rows[:_SHOWN]],
        }  # fmt: skip
    except AccstudyError as error:
        out["faults"] = [f.to_dict() for f in error.findings]
    return out


def take_table(study: Path, table: str, file: str) -> str:
    """Make a file that was brought the table of the study, with the columns it seems to have."""
    settings = read_settings(study / "study.toml")
    section, key = _KEYS[table]
    data = read_bytes(resolve(study, file), file=file, max_bytes=MAX_BYTES)
    plain = type(getattr(settings, section))()
    changes: dict[str, Any] = {f"{section}.{name}": None for name in _LAYOUT}
    if table == "implants":
        changes |= {"reference.touch_points": None, "reference.runs": None}
    changes[f"{section}.{key}"] = file
    try:
        arranged(data, table, plain, file=file, said=Said(section))
    except AccstudyError:
        lines = proposed_lines(TableFile(data, file), table, plain)
        changes |= {f"{section}.{k}": v for k, v in tomllib.loads("\n".join(lines)).items()}
    if table == "implants" and changes[f"{section}.length_unit"] is None:
        changes[f"{section}.length_unit"] = "mm"
    return write_settings(study, {k: _tidy(v) for k, v in changes.items()})


def _tidy(value: Any) -> Any:
    if not isinstance(value, dict):
        return value
    out = tomlkit.inline_table()
    out.update(value)
    return out


def match(study: Path, table: str, given: dict[str, str]) -> str:
    """Write how the columns are matched: `given` has the layout's keys and ``columns.NAME``."""
    section, _ = _KEYS[table]
    settings = read_settings(study / "study.toml")
    now = getattr(settings, section)
    names = tables(study, table)["names"]
    columns = {
        name.removeprefix("columns."): user
        for name, user in given.items()
        if name.startswith("columns.") and user
    }
    plain = all(own == user for own, user in columns.items())
    head = [part.strip() for part in given.get("header_row", "").split(",") if part.strip()]
    if not all(part.isdecimal() for part in head):
        raise InputError("the row of the column names must be a number", hint="write it, such as 3")
    kept = {own: user for own, user in now.columns.items() if own not in columns and user in names
            and f"columns.{own}" not in given}  # fmt: skip
    rows: list[Any] = [int(part) for part in head]
    changes: dict[str, Any] = {
        f"{section}.columns": None if plain and not kept else _tidy(kept | columns),
        f"{section}.header_row": (rows[0] if len(rows) == 1 else rows) if rows else None,
        f"{section}.sheet": given.get("sheet") or None,
        f"{section}.model": given.get("model", "").strip() or None,
    }
    if given.get("length_unit"):
        changes[f"{section}.length_unit"] = given["length_unit"]
    if not any("{" in user for user in columns.values()):
        changes[f"{section}.label"] = None
    return write_settings(study, changes)


_TRIANGLES = 5_000


def _looked_at(study: Path, name: str) -> tuple[ScanBodySettings, Mesh, Anatomy]:
    files = Files(study)
    body = read_settings(study / "study.toml", files=files).scan_body.get(name)
    if body is not None and body.cylinder is not None:
        raise InputError("the scan body is a cylinder of the dimensions given below")
    if body is None or not body.mesh:
        raise InputError("there is no CAD geometry of this scan body")
    mesh = study_mesh(files, body.mesh, length_unit=body.length_unit)
    return body, mesh, learned_anatomy(mesh) if body.learned else anatomy(mesh)


def drawing(study: Path, body: str) -> dict[str, Any]:
    """What the drawing shows, as picture, as a net to turn and as choices.

    ``png`` in base64; ``net`` with ``points`` and ``faces``, thinned out, ``axis``, ``levels`` and
    ``flats`` as points and directions, mm; ``levels`` as (letter, words); ``likely``, the letter of
    the plane on which a body would stand; ``flats`` and ``sense`` in words; ``beside``, how the
    settings lie against it; ``learned``, what was learned; or ``faults``.
    """
    try:
        settings, mesh, found = _looked_at(study, body)
    except AccstudyError as error:
        return {"faults": [f.to_dict() for f in error.findings]}
    small = thin(mesh, _TRIANGLES)
    net = {
        "points": np.round(small.vertices_mm, 3).tolist(),
        "faces": small.faces.tolist(),
        "axis": found.axis.tolist(),
        "foot": found.point_mm.tolist(),
        "length": found.length_mm,
        "levels": {letter: level.point_mm.tolist() for letter, level in lettered(found)},
        "flats": [
            {"towards": f.direction.tolist(), "off": f.distance_mm, "at": [f.from_mm, f.to_mm]}
            for f in found.flats
        ],
    }
    return {
        "faults": [],
        "file": settings.mesh,
        "png": base64.b64encode(picture(mesh, found)).decode(),
        "net": net,
        "levels": [[letter, level_words(level, found)] for letter, level in lettered(found)],
        "likely": likely(found)[0],
        "flats": [
            f"{f.distance_mm:.3f} mm from the axis, {f.from_mm:.3f} to {f.to_mm:.3f} mm above the "
            "lowest point"
            for f in found.flats
        ],
        "sense": found.sense,
        "length": f"{found.length_mm:.3f} mm",
        "beside": [] if settings.learned else beside_settings(found, settings),
        "learned": learned_words(found, settings.learned) if settings.learned else [],
    }


def place_body(study: Path, body: str, letter: str, flat: int = 0, reverse: bool = False) -> str:
    """Write which plane is the platform, and which flat and way of the axis hold."""
    _, _, found = _looked_at(study, body)
    levels = dict(lettered(found))
    if letter not in levels or not 0 <= flat < max(1, len(found.flats)):
        raise InputError("choose one of the planes and flats of the picture")
    return _written(study, body, body_values(found, levels[letter], flat=flat, reverse=reverse))


def take_drawing(study: Path, body: str, file: str) -> str:
    """Make a file that was brought the CAD geometry of a scan body, as it would stand."""
    files = Files(study)
    before = read_settings(study / "study.toml", files=files).scan_body.get(body)
    found = anatomy(study_mesh(files, file, length_unit=before.length_unit if before else "mm"))
    return _written(study, body, {"mesh": file, **body_values(found, likely(found)[1])})


def learn(study: Path, body: str, file: str, model: str = "") -> str:
    """Derive a scan body from a scan of the reference model, as `learn` does, and use it."""
    lesson = learn_drawing(study, scan=file, model=model, name=body)
    plain = {"origin_mm": None, "axis": None}
    learned = tomlkit.inline_table()
    learned.update(lesson.values["learned"])
    return _written(study, body, {**plain, **lesson.values, "learned": learned})


def _written(study: Path, body: str, values: Mapping[str, Any]) -> str:
    if not body.isidentifier():
        raise InputError(
            f'"{body}" cannot be the name of a scan body', hint="use letters, digits and _"
        )
    new = {"flat": None, **values}
    if "mesh" in values:
        new = {"cylinder": None, "learned": None, **new}
    return write_settings(study, {f"scan_body.{body}.{k}": value for k, value in new.items()})


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
