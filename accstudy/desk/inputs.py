"""What a study is given: tables as a machine exported them, and the drawing of the scan body."""

from __future__ import annotations

import base64
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import tomlkit

from accstudy.desk.settings import write_settings
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
from accstudy.study.exported import Said, arranged, proposed_lines
from accstudy.study.files import Files, read_bytes, resolve
from accstudy.study.layout import Layout, headed
from accstudy.study.settings import ScanBodySettings
from accstudy.study.sheet import MAX_BYTES, TableFile
from accstudy.study.toml import read_settings
from accstudy.tables import TABLES

_SHOWN = 8
_LAYOUT = ("sheet", "header_row", "rows", "label", "columns", "model", "length_unit")
_KEYS = {"implants": ("reference", "implants"), "scans": ("scans", "list")}


def tables(study: Path, table: str) -> dict[str, Any]:
    """How a table of the study is read now.

    Returns
    -------
    dict
        ``file``; ``raw``, its first rows; ``names``, what its columns are called;
        ``wanted``, the columns needed with their meaning and what they are matched with;
        ``read``, the first rows as they are understood; ``faults``, why they are not.
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

    Returns
    -------
    dict
        ``png`` in base64; ``net`` with ``points`` and ``faces``, thinned out, ``axis``,
        ``levels`` and ``flats`` as points and directions, mm; ``levels`` as (letter, words);
        ``likely``, the letter of the plane on which a body would stand; ``flats`` and ``sense``
        in words; ``beside``, how the settings lie against it; ``learned``, what was learned;
        or ``faults``.
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
