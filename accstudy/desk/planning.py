"""Before the scans and week after week: models, sizes, order of scans, a session more, events."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd

from accstudy.desk.settings import write_settings
from accstudy.desk.wording import head, with_heads
from accstudy.errors import InputError
from accstudy.models.specs import effect_spec
from accstudy.stages import plan as planning
from accstudy.stages import sizes as sizing
from accstudy.stages.add import add_session
from accstudy.stages.plan import appended, sheet_of_list
from accstudy.stages.sizes import protocol_of
from accstudy.study.cells import parse_number, read_day
from accstudy.study.checks import grouped_by
from accstudy.study.files import resolve, study_lock, write_files
from accstudy.study.settings import Settings
from accstudy.study.toml import read_settings
from accstudy.tables import TABLES, UNREFERENCED
from accstudy.words.catalogue import words
from accstudy.words.names import variable_name

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


Put = Callable[[dict[str, Any]], None]


def _names(text: str) -> tuple[str, ...]:
    return tuple(part.strip() for part in text.split(",") if part.strip())


def _counts(text: str, what: str) -> tuple[int, ...]:
    if not _names(text) or not all(n.isdecimal() and 0 < int(n) < 1000 for n in _names(text)):
        raise InputError(f"{what}: write whole numbers of at least 1, such as 2, 3, 6")
    return tuple(int(n) for n in _names(text))


def number_of(text: str, what: str) -> float | None:
    """The number in a field; None where it is empty."""
    if not text.strip():
        return None
    try:
        return parse_number(text, comma_decimals="," in text)
    except InputError as error:
        raise InputError(f"{what}: {error.message}", hint=error.hint) from None


def order(study: Path, put: Put) -> dict[str, Any]:
    """What the protocol asks for, to start from; whether an order was drawn."""
    settings = read_settings(study / "study.toml")
    design = protocol_of(settings).design
    known = planning.models_of(study, settings)
    limits = settings.limits
    return {
        "kind": settings.study.kind,
        "referenced": settings.reference.kind != "none",
        "models": ", ".join(known or design.models),
        "operators": ", ".join(design.operators),
        "sessions": ", ".join(design.sessions),
        "repeats": design.repeats,
        "conditions": {name: ", ".join(levels) for name, levels in design.conditions.items()},
        "limit": f"{limits.distance_um.value:g}" if limits.distance_um else "",
        "rows": planning.rows_of_list(study, settings),
        "sheet": (study / "plan" / "bench_sheet.pdf").is_file(),
        "shift": f"{settings.drift.shift_um:g}",
    }


def sizes(study: Path, given: dict[str, str], put: Put, pilot: Path | str = "") -> dict[str, Any]:
    """Sizes and what each is expected to show, as `plan --s-r` or `plan --pilot` tells them."""
    settings = read_settings(study / "study.toml")
    s_r = number_of(given.get("s_r", ""), "standard deviation of repeats")
    s_cell = number_of(given.get("s_cell", ""), "standard deviation between sessions") or 0.0
    bias = number_of(given.get("bias", ""), "bias") or 0.0
    per_cell = _counts(given.get("per_cell") or "3, 5", "scans in a cell")
    if (s_r is None or s_r <= 0 or s_cell < 0) and not pilot:
        raise InputError(
            "the standard deviation of repeats is missing", hint="give it, or a pilot study"
        )
    if settings.study.kind == "drift" and s_r is not None:
        from accstudy.drift.designs import drift_trade

        shift = number_of(given.get("shift", ""), "shift") or settings.drift.shift_um
        trade = drift_trade(s_r, s_cell, shift=shift, sessions_per_year=12.0, per_session=per_cell)
        sizing.write_table(study, "plan_drift", trade)
        return _told("plan_drift", trade, [])
    assumed = (
        sizing.pilot_of(Path(pilot), settings, condition=given.get("pilot_condition", "").strip())
        if pilot
        else sizing.assumed_pilot(settings, s_r or 0.0, s_cell, bias)
    )
    cells = _counts(given.get("cells") or "2, 3, 4, 6, 9, 12", "cells")
    total = len(sizing.designs(assumed.found, cells, per_cell))
    done = 0

    def step(by: int) -> None:
        nonlocal done
        done += by
        put({"scan": "sizes", "done": done, "total": total})

    found = sizing.expected_sizes(settings, assumed, cells=cells, per_cell=per_cell, step=step)
    name = "plan_sizes"
    if settings.reference.kind == "none":
        name = UNREFERENCED[name]
    sizing.write_table(study, name, found.table)
    return _told(name, found.table, list(found.words))


def power(study: Path, given: dict[str, str], put: Put, pilot: Path | str = "") -> dict[str, Any]:
    """Power of a comparison, as `plan --difference` tells it."""
    settings = read_settings(study / "study.toml")
    difference = number_of(given.get("difference", ""), "difference to detect")
    if not difference:
        raise InputError("the difference to detect is missing", hint="give it, such as 20")
    margin = number_of(given.get("margin", ""), "equivalence margin")
    sds = {
        name.removeprefix("sd."): number_of(text, "standard deviation") or 0.0
        for name, text in given.items()
        if name.startswith("sd.") and text.strip()
    }
    if (margin is not None and margin <= 0) or any(sd < 0 for sd in sds.values()):
        raise InputError("margin and standard deviations must be above zero")
    if not pilot and not sds.get("residual"):
        raise InputError(
            "the standard deviation of single distances is missing",
            hint="give it, or a pilot study",
        )
    known = (
        planning.pilot_comparison(Path(pilot), settings)
        if pilot
        else planning.assumed_comparison(settings, sds, levels={})
    )
    put({"scan": "", "done": 0, "total": 0})
    table = planning.expected_power(
        settings, known, difference=difference, margin=margin,
        operators=_counts(given.get("operators") or "3, 6", "operators"),
        per_session=_counts(given.get("per_cell") or "3, 5", "scans of a session"),
    )  # fmt: skip
    sizing.write_table(study, "plan_power", table)
    limits = [c for c in table if str(c).endswith(("_low", "_high"))]  # of a pilot
    return _told("plan_power", table if pilot else table.drop(columns=limits), [])


_SHOWN = {
    "plan_sizes": (
        "operators", "n_cells", "per_cell", "n_scans", "half_width", "assurance", "assurance_low",
        "assurance_high", "assurance_each", "chair_minutes",
    ),
    "plan_power": (
        "operators", "sessions", "per_session", "n_scans", "se", "df", "power", "power_low",
        "power_high", "power_equivalence", "power_equivalence_low", "power_equivalence_high",
        "chair_minutes",
    ),
}  # fmt: skip
_SHARES = ("assurance", "power")


def _in_words(line: str) -> str:
    for symbol, said in (("s_r", "repeats"), ("s_cell", "between sessions")):
        line = line.replace(symbol, said)
    return line.replace("assumed: repeats", "assumed standard deviations: repeats")


def _told(name: str, table: pd.DataFrame, words: list[str]) -> dict[str, Any]:
    """A table for the screen: its main filled columns in words, and as many digits as matter."""
    meant = {c.name: c.meaning for c in TABLES[name].columns}
    filled = table.dropna(axis="columns", how="all")
    columns = _SHOWN.get(name) or tuple(map(str, filled))
    nested = "n_cells" not in table or bool((table["operators"] > 1).any())
    shown = [c for c in columns if c in filled and (nested or c != "operators") and c != "method"]
    unit = str(table["unit"].iloc[0]) if "unit" in table else ""

    def said(column: str, value: Any) -> str:
        if pd.isna(value):
            return ""
        if column.startswith(_SHARES):
            return f"{value:.2f}"
        return f"{value:.3g}" if isinstance(value, float) and value < 1000 else f"{value:g}"

    return {
        "name": name,
        "words": [_in_words(line) for line in words],
        "header": [head(c, unit if c in ("half_width", "se") else "") for c in shown],
        "meaning": [meant.get(c, "") for c in shown],
        "rows": [[said(c, row[c]) for c in shown] for row in filled.to_dict("records")],
    }


def draw(study: Path, given: dict[str, str], put: Put) -> dict[str, Any]:
    """Draw the order of scans, as `plan` does."""
    settings = read_settings(study / "study.toml")
    if planning.rows_of_list(study, settings) and not given.get("sessions_more"):
        raise InputError(
            "the scan list has rows already", hint="name only sessions that are new, and confirm"
        )
    usual = order(study, put)
    usual |= {f"level.{name}": levels for name, levels in usual["conditions"].items()}
    given = {k: v for k, v in given.items() if _names(v) != _names(str(usual.get(k, "")))}
    seed = given.get("seed", "").strip()
    if seed and not seed.isdecimal():
        raise InputError("the seed must be a whole number")
    levels = {
        name.removeprefix("level."): _names(text)
        for name, text in given.items()
        if name.startswith("level.") and _names(text)
    }
    repeats = _counts(given["repeats"], "repeats") if given.get("repeats") else (None,)
    chosen = planning.Order(
        _names(given.get("models", "")), _names(given.get("operators", "")),
        _names(given.get("sessions", "")), levels, repeats[0], int(seed) if seed else None,
    )  # fmt: skip
    with study_lock(study):
        drawn = planning.draw_order(study, settings, chosen, today=dt.date.today())
    return {"words": drawn.words, "n": drawn.n_scans, "seed": drawn.seed}


def session(study: Path, put: Put) -> dict[str, Any]:
    """What a session more needs to say, filled in as the last one said it."""
    settings = read_settings(study / "study.toml")
    full = resolve(study, settings.scans.list)
    rows: list[dict[str, str]] = []
    header: tuple[str, ...] = ()
    if full.is_file() and full.read_bytes().strip():
        sheet = planning.sheet_of_list(full, settings)
        header = sheet.header
        rows = [dict(zip(header, row, strict=True)) for row in sheet.rows]
    condition, cell = grouped_by(settings, header)
    own = ("session", "device", "model")
    columns = [c for c in dict.fromkeys((*condition, *cell)) if c in header and c not in own]
    last = rows[-1] if rows else {}

    def known(column: str) -> list[str]:
        return sorted({r[column] for r in rows if r.get(column)})

    return {
        "devices": known("device"),
        "models": known("model") or list(planning.models_of(study, settings)),
        "columns": [{"name": c, "last": last.get(c, ""), "known": known(c)} for c in columns],
        "last": {c: last.get(c, "") for c in own},
        "n_last": sum(r.get("session") == last.get("session") for r in rows),
        "events": settings.drift.events,
    }


def add(study: Path, files: list[str], given: dict[str, str], put: Put) -> dict[str, Any]:
    """Add a session, as `add` does."""
    own = ("session", "device", "model", "expect")
    expect = given.get("expect", "").strip()
    if expect and not expect.isdecimal():
        raise InputError("the number of scans of a session must be a whole number")
    done = add_session(
        study,
        [Path(f) for f in files],
        session=given.get("session", "").strip(),
        device=given.get("device", "").strip(),
        model=given.get("model", "").strip(),
        values={k: v.strip() for k, v in given.items() if k not in own and v.strip()},
        expected=int(expect) if expect else None,
        today=dt.date.today(),
    )
    full = resolve(study, read_settings(study / "study.toml").scans.list)
    header = planning.sheet_of_list(full, read_settings(study / "study.toml")).header
    words = [with_heads(line, header) for line in done.words]
    return {"scans": list(done.scans), "planned": list(done.planned), "words": words}


def event(study: Path, given: dict[str, str], put: Put) -> str:
    """Add an event of a device at the end of the table of events."""
    settings = read_settings(study / "study.toml")
    file = settings.drift.events
    if not file:
        raise InputError(
            "study.toml names no table of events", hint='add it, such as events = "events.csv"'
        )
    row = {k: given.get(k, "").strip() for k in ("at", "device", "kind", "note")}
    row["at"] = read_day(row["at"]).isoformat()
    row["new_baseline"] = "true" if given.get("new_baseline") else "false"
    if not row["kind"]:
        raise InputError(
            "the event is missing", hint="name it, such as service, new tip, software update"
        )
    with study_lock(study):
        full = resolve(study, file)
        data = appended(full, [row], file=file, layout=settings.events)
        write_files(full.parent, {full.name: data})
    return f"{row['at']}: {row['kind']}"
