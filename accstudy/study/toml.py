"""study.toml to settings, with every fault placed at its line; what every key means."""

from __future__ import annotations

import ast
import functools
import inspect
import itertools
import re
import tomllib
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any, get_args

from pydantic import BaseModel, ValidationError

from accstudy.errors import Finding, InputError, StudyError, fault, nearest, place
from accstudy.study.cells import read_day, read_flag
from accstudy.study.files import Files, MissingFileError
from accstudy.study.layout import Layout
from accstudy.study.settings import Settings

_MAX_BYTES = 500_000
"""Some thousand lines; a longer file is none that a person or a program wrote for a study."""

_MAX_DOTS = 200
_FORMER = {"reference.is_scan": 'write kind = "scan" in place of true, kind = "cmm" of false'}
"""Keys of former versions, and what says the same now."""


def read_settings(path: Path, *, files: Files | None = None) -> Settings:
    """Read study.toml.

    Parameters
    ----------
    path : Path
        The file.
    files : Files, optional
        Files of the study, which keep its digest.

    Raises
    ------
    StudyError
        With every fault: not TOML, unknown keys (and the nearest known one),
        wrong types, values out of range.
    """
    name = path.name
    text = ""
    try:
        given = (files or Files(path.parent)).read(name, max_bytes=_MAX_BYTES)
        text = given.decode("utf-8-sig")
        for number, line in enumerate(text.splitlines(), start=1):
            if line.count(".") > _MAX_DOTS:  # the time for a key of n parts grows with n squared
                what = f"a line has more than {_MAX_DOTS} dots"
                raise StudyError([fault("not-toml", what, place(name, number), _mend(line))])
        data = tomllib.loads(text)
    except MissingFileError:
        wrong = fault(
            "no-study-file",
            f"the folder holds no {name}",
            name,
            "a study is a folder with study.toml; `accstudy new FOLDER` makes one",
        )
        raise StudyError([wrong]) from None
    except UnicodeDecodeError as error:
        wrong = fault("study-file", f"not UTF-8 at byte {error.start}", name, "save it as UTF-8")
        raise StudyError([wrong]) from None
    except (ValueError, RecursionError) as error:  # also for an integer of 5000 digits
        row = re.search(r"line (\d+)", str(error))
        where = place(name, int(row[1]) if row else None)
        line = text.splitlines()[int(row[1]) - 1] if row and text else ""
        raise StudyError(
            [fault("not-toml", f"not valid TOML: {error}", where, _mend(line))]
        ) from None
    except InputError as error:
        raise StudyError([fault("study-file", error.message, name)]) from None
    try:
        return Settings.model_validate(data)
    except ValidationError as error:
        rows = _Rows(text)
        raise StudyError(_faults(error, name, rows)) from None


def key_row(path: Path, keys: Sequence[int | str]) -> int | None:
    """Line of a key, or of the table to which it would belong.

    Parameters
    ----------
    path : Path
        The file, which was read without fault.
    keys : sequence of str or int
        Tables and key; numbers count the entries of a list of tables from 0.
    """
    return _Rows(path.read_bytes().decode("utf-8-sig")).find(keys)


def _faults(error: ValidationError, name: str, rows: _Rows) -> Iterable[Finding]:
    for item in error.errors(include_url=False):
        path = item["loc"]
        dotted = ".".join(str(part) for part in path)
        row = rows.find(path)
        where = place(name, row, dotted) if row else place(name, column=dotted)
        kind = item["type"]
        if kind == "extra_forbidden":
            mend = _FORMER.get(dotted) or nearest(str(path[-1]), _known_keys(path[:-1]))
            yield fault("unknown-key", f'unknown key "{dotted}"', where, mend)
        elif kind == "missing":
            yield fault("missing-key", f'key "{dotted}" is missing', where, f"add {path[-1]} = ...")
        else:
            said = item["msg"].removeprefix("Value error, ")
            value = item["input"]
            code = "implausible-value" if kind == "implausible" else "bad-value"
            plain = kind == "implausible" or isinstance(value, dict | list)
            shown = "" if plain else f" (found {_shown(value)})"
            hint = str(item.get("ctx", {}).get("hint", ""))
            yield fault(code, f'"{dotted}": {said}{shown}', where, hint)


def _shown(value: object) -> str:
    """A value as TOML writes it."""
    return str(value).lower() if isinstance(value, bool) else repr(value)


def _known_keys(path: Sequence[int | str]) -> list[str]:
    """Keys that the model at a path knows."""
    model: Any = Settings
    for part in path:
        if isinstance(part, int) or not _is_model(model):
            continue
        field = model.model_fields.get(part)
        if field is None:
            continue
        model = _inner_model(field.annotation)
    return list(model.model_fields) if _is_model(model) else []


def _is_model(thing: object) -> bool:
    return isinstance(thing, type) and issubclass(thing, BaseModel)


def _inner_model(annotation: object) -> object:
    if _is_model(annotation):
        return annotation
    for inner in get_args(annotation):
        found = _inner_model(inner)
        if _is_model(found):
            return found
    return annotation


class _Rows:
    """Finds the line of a key; the TOML reader itself keeps no lines."""

    _HEAD = re.compile(r"^\s*(\[\[?)\s*([^\]]+?)\s*\]")
    _KEY = re.compile(r"""^\s*([A-Za-z0-9_.\-"']+)\s*=""")

    def __init__(self, text: str) -> None:
        self._rows: dict[tuple[str, ...], int] = {}
        table: tuple[str, ...] = ()
        counts: dict[str, int] = {}
        for row, line in enumerate(text.splitlines(), start=1):
            if head := self._HEAD.match(line):
                name = head[2]
                table = tuple(part.strip(" \"'") for part in name.split("."))
                if head[1] == "[[":
                    counts[name] = counts.get(name, -1) + 1
                    table = (*table, str(counts[name]))
                self._rows.setdefault(table, row)
            elif key := self._KEY.match(line):
                parts = tuple(part.strip("\"'") for part in key[1].split("."))
                self._rows.setdefault((*table, *parts), row)

    def find(self, path: Sequence[int | str]) -> int | None:
        parts = tuple(str(part) for part in path)
        while parts:
            if parts in self._rows:
                return self._rows[parts]
            parts = parts[:-1]
        return None


def _mend(line: str) -> str:
    """What is probably wrong with a line that is no TOML."""
    if "\\" in line:
        return "write / in paths, also on Windows"
    if re.search(r"=\s*-?\d+,\d+\s*(#|$)", line):
        return "write numbers with a decimal point"
    value = line.partition("=")[2].partition("#")[0].strip()
    if (flag := read_flag(value)) is not None:
        return f"write {str(flag).lower()}, in lower case and without quotation marks"
    if re.match(r"\d{1,4}[./-]\s?\d|\d{1,2}\.? \w{3}", value):
        try:
            return f"write {read_day(value).isoformat()}"
        except InputError as error:
            return error.hint
    return (
        "put text in quotation marks, use a decimal point in numbers, and write one entry per line"
    )


def meaning(model: type[BaseModel], key: str) -> tuple[str, str]:
    """Meaning and example of a key of a section; both empty for a key without a word.

    Examples
    --------
    >>> meaning(Settings.model_fields["scans"].annotation, "temperature_c")[1]
    '23.0'
    """
    found = (_meanings().get((one.__name__, key)) for one in model.__mro__)
    return next((pair for pair in found if pair), ("", ""))


@functools.cache
def _meanings() -> dict[tuple[str, str], tuple[str, str]]:
    """Meaning and example of every key, by class and name."""
    out = {}
    every = [n for one in (Settings, Layout) for n in ast.parse(_source(one)).body]
    for node in (n for n in every if isinstance(n, ast.ClassDef)):
        for field, text in itertools.pairwise(node.body):
            if isinstance(field, ast.AnnAssign) and isinstance(text, ast.Expr):
                said = " ".join(str(ast.literal_eval(text.value)).split())
                told, _, example = said.partition(". Example: ")
                assert isinstance(field.target, ast.Name)
                out[node.name, field.target.id] = (told, example)
    return out


def _source(model: type[BaseModel]) -> str:
    return Path(inspect.getfile(model)).read_text(encoding="utf-8")
