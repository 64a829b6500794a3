"""Models of a comparison: which effects are asked, without a formula."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from accstudy.desk.planning import number_of
from accstudy.desk.settings import write_settings
from accstudy.desk.wording import head
from accstudy.errors import InputError
from accstudy.models.specs import effect_spec
from accstudy.reports.names import variable_name
from accstudy.stages.scanlist import sheet_of_list
from accstudy.study.files import resolve
from accstudy.study.settings import Settings
from accstudy.study.toml import read_settings
from accstudy.words.catalogue import words

__all__ = ["change_model", "models"]

_OF_REFERENCE = ("path_mm", "angulation_deg", "n_implants")
_NO_EFFECTS = ("scan", "model", "file", "status", "reason", "repeat", "measured_at")


def _factors(study: Path, settings: Settings) -> tuple[list[str], list[str]]:
    """Columns that are compared, and further ones of the scan list."""
    full = resolve(study, settings.scans.list)
    there = full.is_file() and full.read_bytes().strip()
    header = sheet_of_list(full, settings).header if there else ()
    compared = list(settings.analysis.condition or ())
    taken = (*_NO_EFFECTS, *compared, *(settings.analysis.cell or ()))
    return compared, [c for c in header if c not in taken]


def models(study: Path) -> dict[str, Any]:
    """Models that are asked for, in words; what may be asked."""
    settings = read_settings(study / "study.toml")
    compared, further = _factors(study, settings)
    responses = words("desk.responses")
    return {
        "asked": [
            {
                "name": m.name,
                "response": responses.get(m.response, variable_name(m.response)),
                "fixed": _said(m.fixed),
                "random": len(m.random),
                "margin": "" if m.equivalence_margin is None else f"{m.equivalence_margin:g}",
            }
            for m in settings.model
        ],
        "responses": dict(responses),
        "compared": [variable_name(c) for c in compared],
        "effects": {c: _called(c) for c in (*_OF_REFERENCE, *further)},
    }


def _called(column: str) -> str:
    known = column in _OF_REFERENCE or column in words("names.variables")
    return variable_name(column) if known else head(column)


def _said(fixed: str) -> str:
    """A formula with its columns in words.

    Examples
    --------
    >>> _said("technique * (angulation_deg + path_mm)")
    'technique × (angulation + arch length)'
    """
    named = re.sub(r"[A-Za-z]\w*", lambda found: variable_name(found[0]), fixed)
    return named.replace("*", "×").replace(":", " × ")


def change_model(study: Path, given: dict[str, str]) -> str:
    """Ask for a model, set the equivalence margin of one, or remove it, as `given` says ``do``.

    Each effect of a new one is "own", or "by" where it may differ between levels.
    """
    name = " ".join(given.get("name", "").split())
    margin = number_of(given.get("margin", ""), "equivalence margin")
    if given.get("do") == "remove":
        return write_settings(study, {"model": (name, None)})
    if given.get("do") == "margin":
        return write_settings(study, {"model": (name, {"equivalence_margin": margin})})
    settings = read_settings(study / "study.toml")
    compared, further = _factors(study, settings)
    response = given.get("response", "")
    if response not in words("desk.responses") or not name:
        raise InputError("give the model a name, and choose what it is about")
    if any(m.name == name for m in settings.model):
        raise InputError(f'there is a model "{name}" already', hint="give this one another name")
    asked = {
        how: [c for c in (*_OF_REFERENCE, *further) if given.get(f"effect.{c}") == how]
        for how in ("own", "by")
    }
    spec = effect_spec(
        name, response, compared=compared, by=asked["by"], own=asked["own"],
        operators=[c for c in ("operator",) if c in (settings.analysis.cell or ())],
    )  # fmt: skip
    values = {
        "response": response, "fixed": spec.fixed, "random": list(spec.random),
        "equivalence_margin": margin,
    }  # fmt: skip
    return write_settings(study, {"model": (name, values)})
