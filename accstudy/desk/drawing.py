"""The drawing of the scan body: what it shows of itself, and which of it is the platform."""

from __future__ import annotations

import base64
from pathlib import Path
from typing import Any

from accstudy.desk.settings import body_of, write_settings
from accstudy.errors import AccstudyError, InputError
from accstudy.locate.anatomy import Anatomy, anatomy
from accstudy.mesh.model import Mesh
from accstudy.mesh.read import study_mesh
from accstudy.stages.body import (
    beside_settings,
    body_values,
    lettered,
    level_words,
    likely,
    picture,
)
from accstudy.study.files import Files
from accstudy.study.settings import ScanBodySettings
from accstudy.study.toml import read_settings

__all__ = ["drawing", "place_body", "take_drawing"]


def _looked_at(study: Path) -> tuple[ScanBodySettings, Mesh, Anatomy]:
    files = Files(study)
    bodies = read_settings(study / "study.toml", files=files).scan_body
    body = bodies.get(body_of(bodies))
    if body is None or not body.mesh:
        raise InputError("the study names no CAD geometry of its scan body")
    mesh = study_mesh(files, body.mesh, length_unit=body.length_unit)
    return body, mesh, anatomy(mesh)


def drawing(study: Path) -> dict[str, Any]:
    """What the drawing shows, as picture and as choices.

    Returns
    -------
    dict
        ``png`` in base64; ``levels`` as (letter, words); ``likely``, the letter of the plane
        on which a body would stand; ``flats`` and ``sense`` in words; ``beside``, how the
        settings lie against it; or ``faults``.
    """
    try:
        body, mesh, found = _looked_at(study)
    except AccstudyError as error:
        return {"faults": [f.to_dict() for f in error.findings]}
    return {
        "faults": [],
        "file": body.mesh,
        "png": base64.b64encode(picture(mesh, found)).decode(),
        "levels": [[letter, level_words(level, found)] for letter, level in lettered(found)],
        "likely": likely(found)[0],
        "flats": [
            f"{f.distance_mm:.3f} mm from the axis, {f.from_mm:.3f} to {f.to_mm:.3f} mm above the "
            "lowest point"
            for f in found.flats
        ],
        "sense": found.sense,
        "length": f"{found.length_mm:.3f} mm",
        "beside": beside_settings(found, body),
    }


def place_body(study: Path, letter: str, flat: int = 0, reverse: bool = False) -> str:
    """Write which plane is the platform, and which flat and way of the axis hold."""
    _, _, found = _looked_at(study)
    levels = dict(lettered(found))
    if letter not in levels or not 0 <= flat < max(1, len(found.flats)):
        raise InputError("choose one of the planes and flats of the picture")
    values = body_values(found, levels[letter], flat=flat, reverse=reverse)
    return _placed(study, dict(values))


def _placed(study: Path, values: dict[str, Any]) -> str:
    name = body_of(read_settings(study / "study.toml").scan_body)
    if not name:
        raise InputError("the study has several scan bodies; they are set in study.toml")
    values.setdefault("flat", None)
    return write_settings(study, {f"scan_body.{name}.{k}": value for k, value in values.items()})


def take_drawing(study: Path, file: str) -> str:
    """Make a file that was brought the CAD geometry of the study, as it would stand."""
    files = Files(study)
    bodies = read_settings(study / "study.toml", files=files).scan_body
    body = bodies.get(body_of(bodies))
    found = anatomy(study_mesh(files, file, length_unit=body.length_unit if body else "mm"))
    values: dict[str, Any] = {"mesh": file, "cylinder": None, "learned": None}
    return _placed(study, values | body_values(found, likely(found)[1]))
