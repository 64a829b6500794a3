"""The drawing of the scan body: what it shows of itself, and which of it is the platform."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import tomlkit

from accstudy.desk.settings import write_settings
from accstudy.errors import AccstudyError, InputError
from accstudy.locate.anatomy import Anatomy, anatomy
from accstudy.mesh.model import Mesh
from accstudy.mesh.read import study_mesh
from accstudy.mesh.scene import thin
from accstudy.stages.body import (
    beside_settings,
    body_values,
    lettered,
    level_words,
    likely,
    picture,
)
from accstudy.stages.drawings import learn_drawing, learned_anatomy, learned_words
from accstudy.study.files import Files
from accstudy.study.settings import ScanBodySettings
from accstudy.study.toml import read_settings

__all__ = ["drawing", "learn", "place_body", "take_drawing"]

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
            f'"{body}" cannot be the name of a scan body', hint="letters, digits and _"
        )
    new = {"flat": None, **values}
    if "mesh" in values:
        new = {"cylinder": None, "learned": None, **new}
    return write_settings(study, {f"scan_body.{body}.{k}": value for k, value in new.items()})
