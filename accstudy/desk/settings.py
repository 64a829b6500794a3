"""study.toml as forms: fields with their meaning and unit; what is changed, and nothing else."""

from __future__ import annotations

import datetime as dt
import re
import tempfile
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any, Literal, get_args, get_origin

import tomlkit
from pydantic import BaseModel
from tomlkit.items import AbstractTable, Float, InlineTable, Integer

from accstudy.desk.wording import forms
from accstudy.errors import Finding, InputError, StudyError, fault, place
from accstudy.study.cells import parse_number, read_day
from accstudy.study.files import digest, read_bytes, study_lock, write_files
from accstudy.study.settings import Settings
from accstudy.study.toml import meaning, read_settings
from accstudy.words.names import UNITS

_FILE = "study.toml"
_MOST_BYTES = 500_000
_OF_KIND = {
    "drift": ("validation", "comparison"), "limits.seat_gap_um": ("drift",), "seating": ("drift",),
}  # fmt: skip
"""Keys that are not asked for in these kinds of study."""

_WORDS = {"per_metre": "µm per metre", "constant": "µm", "false_alarm_every": "sessions"}
_MOST_CHARACTERS = 2000


def form(study: Path, name: str, body: str = "") -> dict[str, Any]:
    """Fields of one screen by heading, with what study.toml says now, and its digest."""
    data = read_bytes(study / _FILE, file=_FILE, max_bytes=_MOST_BYTES)
    faults: list[dict[str, str]] = []
    try:
        read_settings(study / _FILE)
    except StudyError as error:
        faults = [f.to_dict() for f in error.findings]
    try:
        said: Any = tomlkit.parse(data.decode("utf-8-sig"))
    except (ValueError, tomlkit.exceptions.TOMLKitError):
        said = tomlkit.document()
    if body and not body.isidentifier() and body not in said.get("scan_body", {}):
        raise InputError(
            f'"{body}" cannot be the name of a scan body', hint="use letters, digits and _"
        )
    body = body_of(said.get("scan_body", {}), body)
    kind = str(_at(said, "study.kind") or "validation")
    referenced = _at(said, "reference.kind") != "none"
    groups = {}
    for heading, keys in forms(name).items():
        named = {key.replace(".default.", f".{body}."): label for key, label in keys.items()}
        fields = [
            {"key": key, "label": label, **_field(key), "value": _shown(_at(said, key))}
            for key, label in named.items()
            if _asked(key, kind, referenced)
        ]
        if fields:
            groups[heading] = fields
    return {
        "groups": groups, "version": digest(data), "kind": kind, "referenced": referenced,
        "title": str(_at(said, "study.title") or study.name), "faults": faults,
        "exclusions": said.unwrap().get("exclusions", []), "body": body,
        "bodies": list(said.get("scan_body", {})),
    }  # fmt: skip


def body_of(names: Iterable[str], wanted: str = "") -> str:
    """The scan body that a screen is about: the one that is wanted, or else the first."""
    return wanted or next(iter(names), "default")


def _asked(key: str, kind: str, referenced: bool) -> bool:
    if any(key.startswith(start) and kind in kinds for start, kinds in _OF_KIND.items()):
        return False
    measured = ("limits.distance", "limits.angle", "limits.seat", "limits.coverage", "seating",
                "reference.")  # fmt: skip
    also = ("reference.temperature_c", "reference.kind")
    return referenced or key in also or not key.startswith(measured)


def _at(said: Mapping[str, Any], key: str) -> Any:
    found: Any = said
    for part in key.split("."):
        found = found.get(part) if isinstance(found, Mapping) else None
    return found


def _shown(value: Any) -> str:
    if isinstance(value, Float | Integer):
        return value.as_string()
    if isinstance(value, list):
        return ", ".join(map(str, value))
    return "" if value is None else str(value)


def _field(key: str) -> dict[str, Any]:
    """Meaning, unit and choices of a key, from the settings' own code."""
    model, annotation = _typed(key)
    name = key.rsplit(".", 1)[-1]
    told, example = meaning(model, name)
    unit = _WORDS.get(name, UNITS.get(name.rsplit("_", 1)[-1], "") if "_" in name else "")
    if name == "value":
        *_, above, _ = key.split(".")
        unit = UNITS[above.rsplit("_", 1)[-1]]
        told, _ = meaning(_typed(key.rpartition(".")[0])[0], above)
    default = model.model_fields[name].default
    example = "" if name in ("source", "value") else re.sub(r'["\[\]]', "", example)
    usual = default if isinstance(default, str | int | float) and default != "" else ""
    return {
        "meaning": told.replace("`", ""), "example": example, "unit": unit,
        "choices": list(_choices(annotation)), "date": _has(annotation, dt.date),
        "usual": str(usual),
    }  # fmt: skip


def _typed(key: str) -> tuple[type[BaseModel], Any]:
    """Section that a key belongs to, and its type."""
    model: type[BaseModel] = Settings
    annotation: Any = None
    for part in key.split("."):
        inner = _section(annotation) if annotation is not None else None
        if inner is not None and get_origin(annotation) is dict:
            annotation = inner  # the name of a scan body
            continue
        model = inner or model
        annotation = model.model_fields[part].annotation
    return model, annotation


def _section(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((found for a in get_args(annotation) if (found := _section(a))), None)


def _choices(annotation: Any) -> tuple[str, ...]:
    if get_origin(annotation) is Literal:
        return get_args(annotation)
    return next((found for a in get_args(annotation) if (found := _choices(a))), ())


def _has(annotation: Any, wanted: type) -> bool:
    return annotation is wanted or any(_has(a, wanted) for a in get_args(annotation))


def save(study: Path, version: str, values: dict[str, str], name: str = "", body: str = "") -> str:
    """Write what is new in these fields; everything else in study.toml stays as it is.

    `version` is the digest of the file that the fields were filled from; empty text removes a
    key. All faults come at once, each at its key, and nothing is written then.
    """
    fields = form(study, name, body)["groups"].values()
    old = {f["key"]: f["value"] for group in fields for f in group}
    changes: dict[str, Any] = {}
    faults: list[Finding] = []
    for key, text in values.items():
        text = " ".join(text.split())
        if text == old.get(key, text):
            continue
        try:
            changes[key] = _value(key, text)
        except InputError as error:
            faults.append(
                fault(error.code, error.message, place(_FILE, column=key),
                        error.hint)
            )  # fmt: skip
    if faults:
        raise StudyError(faults)
    for key in [k for k, v in changes.items() if ".cylinder." in k and v is not None]:
        start = key.partition(".cylinder.")[0]  # a cylinder takes the place of a drawing
        changes |= {f"{start}.mesh": None, f"{start}.learned": None}
    return write_settings(study, changes, version=version)


def exclude(study: Path, scan: str, reason: str) -> str:
    """Exclude a scan with a reason; without one, use it again."""
    reason = " ".join(reason.split())
    said = read_settings(study / _FILE).exclusions
    if reason and any(one.scan == scan for one in said):
        raise InputError(f'scan "{scan}" is excluded already', where="study.toml::exclusions")
    return write_settings(study, {"exclusions": (scan, {"reason": reason} if reason else None)})


_NAMED = {"exclusions": "scan", "model": "name"}
"""Lists of tables, and the key that names each."""


def _change_list(document: Any, key: str, name: str, values: Mapping[str, Any] | None) -> None:
    """Change the table of a list that has this name, add it, or remove it."""
    if not all(str(text).isprintable() for text in (name, *(values or {}).values())):
        raise InputError("a text must be one line, without control characters")
    there = document.setdefault(key, tomlkit.aot())
    found = [k for k, one in enumerate(there) if one[_NAMED[key]] == name]
    if values is None:
        for k in reversed(found):
            del there[k]
        if not there:
            del document[key]
        return
    if not found:
        there.append(tomlkit.table())
        there[-1][_NAMED[key]] = name
    table = there[found[0] if found else -1]
    for column, value in values.items():
        if value is not None:
            table[column] = value
        elif column in table:
            del table[column]


def _value(key: str, text: str) -> Any:
    """The text of a field as a value of TOML; None for an empty one."""
    if not text:
        return None
    if len(text) > _MOST_CHARACTERS:
        raise InputError(f"a text of more than {_MOST_CHARACTERS} characters")
    _, annotation = _typed(key)
    if _has(annotation, dt.date):
        return read_day(text)
    if _has(annotation, float) or _has(annotation, int):
        number = parse_number(text, comma_decimals="," in text and "." not in text)
        plain = text.replace(",", ".")
        exact = re.fullmatch(r"[+-]?\d+(\.\d+)?([eE][+-]?\d+)?", plain)
        return tomlkit.value(plain) if exact and float(plain) == number else number
    if get_origin(annotation) is tuple or any(get_origin(a) is tuple for a in get_args(annotation)):
        return [part.strip() for part in text.split(",") if part.strip()]
    return text


def write_settings(study: Path, changes: Mapping[str, Any], *, version: str = "") -> str:
    """Change keys of study.toml, given with dots; comments and everything else stay.

    None removes a key. ``exclusions`` and ``model`` take the name of one of their tables and its
    values. `InputError` where the file is not that of `version` any more, `StudyError` where the
    settings would not be understood; nothing is written then.
    """
    with study_lock(study):
        data = read_bytes(study / _FILE, file=_FILE, max_bytes=_MOST_BYTES)
        if version and digest(data) != version:
            raise InputError(
                "study.toml was changed meanwhile, in another window or program",
                where=_FILE, hint="look at it as it is now, and change it again",
            )  # fmt: skip
        if not changes:
            return digest(data)
        new = _changed(data.decode("utf-8-sig"), changes).encode()
        with tempfile.TemporaryDirectory() as aside:
            (Path(aside) / _FILE).write_bytes(new)
            read_settings(Path(aside) / _FILE)
        write_files(study, {_FILE: new})
        return digest(new)


def _changed(text: str, changes: Mapping[str, Any]) -> str:
    end = "\r\n" if "\r\n" in text else "\n"
    examples: set[str] = set()
    for key, value in changes.items():
        before = text
        if value is not None and key not in _NAMED:
            text = _uncommented(text, key)
        if text != before:
            examples.add(key.rpartition(".")[0])
    document = tomlkit.parse(text)
    for name in examples:  # of an example nothing stays but what is said
        example = _at(document, name)
        if isinstance(example, InlineTable):
            said = tomlkit.inline_table()
            said.trivia.comment_ws = example.trivia.comment_ws
            said.trivia.comment = example.trivia.comment
            above, _, last = name.rpartition(".")
            _at(document, above)[last] = said
    for key, value in changes.items():
        if key in _NAMED:
            _change_list(document, key, *value)
            continue
        *parts, last = key.split(".")
        table: Any = document
        for depth, part in enumerate(parts):
            if part not in table:
                if value is None:
                    break
                whole = depth == 0 or (parts[0] == "scan_body" and depth == 1)
                table[part] = tomlkit.table() if whole else tomlkit.inline_table()
            table = table[part]
        else:
            if value is not None:
                table[last] = value
            elif last in table:
                del table[last]
    _drop_empty(document)
    out = tomlkit.dumps(document)
    return out if end == "\n" else out.replace("\r\n", "\n").replace("\n", end)


def _drop_empty(document: Any) -> None:
    """A table of a key whose last value was removed goes with it."""
    for section in list(document.values()):
        if isinstance(section, AbstractTable):
            for key in [k for k, v in section.items() if isinstance(v, AbstractTable) and not v]:
                del section[key]


def _uncommented(text: str, key: str) -> str:
    """Turn the line that explains a key, "# key = example", into one that sets it."""
    section, _, rest = key.partition(".")
    if section == "scan_body":
        name, _, rest = rest.partition(".")
        section = f"scan_body.{name}"
    first = rest.split(".")[0]
    found = re.search(rf"^\[{re.escape(section)}\].*?(?=^\[|\Z)", text, re.MULTILINE | re.DOTALL)
    if not found or re.search(rf"^{re.escape(first)}\s*=", found[0], re.MULTILINE):
        return text
    here = re.sub(rf"^# (?={re.escape(first)} = )", "", found[0], count=1, flags=re.MULTILINE)
    if here == found[0]:
        return text
    return text[: found.start()] + here + text[found.end() :]
