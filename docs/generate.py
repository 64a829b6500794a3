"""Write the reference pages from the code: tables, settings, commands, published examples, rooms.

Call ``python docs/generate.py``. A test fails when a page is not what this writes.
"""

from __future__ import annotations

import ast
import datetime as dt
import functools
import inspect
import itertools
import json
import math
import re
import sys
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Literal, get_args, get_origin

import click
import pandas as pd
from pydantic import BaseModel
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

import accstudy
from accstudy.cli import main
from accstudy.cli.options import EXIT_CODES
from accstudy.quantities import QUANTITIES
from accstudy.selftest.published import cases, topics
from accstudy.selftest.run import counted, run_selftest
from accstudy.study.layout import one_or_several
from accstudy.study.settings import Settings
from accstudy.study.toml import meaning
from accstudy.tables import TABLES

sys.path.insert(0, str(Path(__file__).parent))
from finding_codes import finding_codes

_MADE = "<!-- Made from the code by docs/generate.py; do not edit. -->\n"
BAR = "\\|"
_MOST_DIGITS = 9
"""Digits beyond these are told apart by nothing but rounding errors."""
_KINDS = (("printed",), ("program",), ("closed form", "simulated"))


def tables_page() -> str:
    """Every table with its columns."""
    parts = [
        _MADE,
        "# Tables\n",
        "Input tables are written by the user, result tables by the program. Columns marked "
        "optional may be omitted. Units are given at the end of a name. `path_mm` is the arch "
        "length between two platforms; other terms are in the [glossary](../glossary.md). The "
        "same descriptions are in `results/datapackage.json`.\n",
    ]
    for table in TABLES.values():
        more = " Factor columns of the scan list follow." if table.factors else ""
        parts += [f"## {table.name}\n", f"One row per {table.row}.{more}\n"]
        parts += ["| column | type | unit | meaning |", "|---|---|---|---|"]
        for column in table.columns:
            optional = "" if column.required else "; optional"
            meaning = column.meaning.replace("|", "\\|")
            parts.append(
                f"| `{column.name}` | {column.kind}{optional} | {column.unit} | {meaning} |"
            )
        parts.append("")
    return "\n".join(parts)


def settings_page() -> str:
    """Every key of study.toml: meaning, values, default, example."""
    parts = [
        _MADE,
        "# study.toml\n",
        "Keys without a default are required. An unknown key is an error that names the nearest "
        "known key. Units are given at the end of a key or in its meaning. `accstudy new` writes "
        "a file with every line explained.\n",
    ]
    for name, entry in Settings.model_fields.items():
        model = _model(entry.annotation)
        if model is None:
            continue
        parts += [f"## {_heading(name, entry)}\n", _first_line(model) + "\n"]
        parts += ["| key | meaning | values | default | example |", "|---|---|---|---|---|"]
        parts += [*_keys(model, ""), ""]
    return "\n".join(parts)


def _heading(name: str, entry: FieldInfo) -> str:
    if name in ("model", "exclusions"):
        return f"[[{name}]], any number"
    return "[scan_body.NAME], any number" if name == "scan_body" else f"[{name}]"


def _model(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for inner in get_args(annotation):
        found = _model(inner)
        if found is not None:
            return found
    return None


def _first_line(model: type[BaseModel]) -> str:
    return (model.__doc__ or "").strip().splitlines()[0].replace("``", "`")


def _keys(model: type[BaseModel], before: str, given: Mapping[str, Any] | None = None) -> list[str]:
    """A row for every key; for one that is a table, rows for what is in it follow.

    Examples of these are those of the table as a whole, `given`.
    """
    out = []
    for key, field in model.model_fields.items():
        inner = _model(field.annotation)
        told, example = meaning(model, key)
        if given and key in given:
            example = json.dumps(given[key], ensure_ascii=False)
        if inner is not None:
            default, values = "none" if field.default is None else "required", "a table"
        else:
            default, values = _default(field), _values(field)
        cells = (told, values, default, f"`{example}`" if example else "")
        out.append(
            f"| `{before}{key}` | {' | '.join(c.replace('|', chr(92) + '|') for c in cells)} |"
        )
        if inner is not None:
            whole = tomllib.loads(f"it = {example}")["it"] if example.startswith("{") else None
            out += _keys(inner, f"{before}{key}.", whole)
    return out


_TYPES = {str: "text", bool: "true or false", float: "number", int: "whole number"}


def _values(field: FieldInfo) -> str:
    """Allowed words, or type and range."""
    words = _words(field.annotation)
    if words:
        return ", ".join(f'`"{word}"`' for word in words)
    kind = _kind(field.annotation)
    if any(getattr(one, "func", None) is one_or_several for one in field.metadata):
        kind = f"{kind.removeprefix('list of ').removesuffix('s')}, or {kind}"
    low, high = "", ""
    for limit in _limits(field.annotation, field.metadata):
        quantity = getattr(limit, "func", None)
        if quantity is not None:
            known = inspect.getclosurevars(quantity).nonlocals.get("key")
            if known in QUANTITIES:
                one = QUANTITIES[known]
                low, high = f"{one.low:g}", f"{one.high:g}"
                low = f"0 or {low}" if one.zero and one.low > 0 else low
        low = f"above {limit.gt:g}" if getattr(limit, "gt", None) is not None else low
        low = f"{limit.ge:g}" if getattr(limit, "ge", None) is not None else low
        high = f"{limit.le:g}" if getattr(limit, "le", None) is not None else high
    above = low.startswith("above")
    if low and high:
        return f"{kind}, {low} {'and up ' if above else ''}to {high}"
    return f"{kind}, {low if above else low + ' or more'}" if low else kind


def _words(annotation: Any) -> tuple[str, ...]:
    if get_origin(annotation) is Literal:
        return get_args(annotation)
    return next((found for a in get_args(annotation) if (found := _words(a))), ())


def _limits(annotation: Any, metadata: Sequence[Any]) -> list[Any]:
    """What a number is held against, at any depth."""
    inner = getattr(annotation, "__metadata__", ())
    found = [*metadata, *inner]
    for one in get_args(annotation):
        found += _limits(one, ())
    out: list[Any] = []
    for one in found:
        out += getattr(one, "metadata", ()) or [one]
    return out


def _kind(annotation: Any) -> str:
    origin = get_origin(annotation)
    if annotation in _TYPES:
        return _TYPES[annotation]
    if annotation is dt.date:
        return "date"
    if origin is dict:
        return "table of texts"
    args = [a for a in get_args(annotation) if a is not type(None) and a is not Ellipsis]
    if origin is tuple:
        inner = _kind(args[0])
        if get_origin(args[0]) is tuple:
            return "list of pairs of a name and a number"
        plural = f"{inner}s"
        return f"{len(args)} {plural}" if len(args) > 1 else f"list of {plural}"
    return _kind(args[0]) if args else ""


def _default(field: FieldInfo) -> str:
    if field.default_factory is not None:
        return "empty"
    if field.default is PydanticUndefined:
        return "required"
    if field.default is None:
        return "none"
    if isinstance(field.default, bool):
        return f"`{str(field.default).lower()}`"
    if isinstance(field.default, str):
        return f'`"{field.default}"`' if field.default else "empty"
    if isinstance(field.default, tuple):
        items = ", ".join(f'"{v}"' if isinstance(v, str) else f"{v:g}" for v in field.default)
        return f"`[{items}]`"
    return f"`{field.default:g}`"


def findings_page() -> str:
    """Every finding with what to do."""
    found = finding_codes(Path(accstudy.__file__).parent)
    parts = [
        _MADE,
        "# Findings\n",
        "Messages of `check`, a run and `audit`, by code. An error stops the run before anything "
        "is written, or excludes a scan; a warning affects the interpretation of a result; a note "
        "does not. … stands for inserted values. The place (file, row, column) is given with "
        "every finding, in the terminal and in `results/findings.csv`.\n",
    ]
    for code, rows in itertools.groupby(found, key=lambda row: row[0]):
        told = [row for row in rows if row[3] or code not in _GENERAL]
        if not told:
            continue
        parts += [f"## {code}\n", "| severity | message | what to do |", "|---|---|---|"]
        for _, severity, what, mend in told:
            said = what if re.search(r"\w", what) else "the message names the cause"
            cells = (severity, said, mend if mend.strip("…") else "–")
            parts.append(f"| {' | '.join(_plain(cell) for cell in cells)} |")
        parts.append("")
    return "\n".join(parts)


_GENERAL = ("accstudy", "input", "mesh", "output", "study", "undetermined")
"""Codes of many faults; of those that only a caller from Python meets nothing is told."""


def _plain(text: str) -> str:
    """Text that Markdown shows as it is, commands between backticks as code."""
    parts = text.split("`")
    if len(parts) % 2 == 0:
        parts = [text.replace("`", "'")]
    for k in range(0, len(parts), 2):
        for sign in ("\\", "|", "<", "*", "["):
            parts[k] = parts[k].replace(sign, f"\\{sign}")
    return " ".join("`".join(parts).split())


def commands_page() -> str:
    """Every command with its options."""
    context = click.Context(main, info_name="accstudy")
    parts = [
        _MADE,
        "# Commands\n",
        "| exit code | meaning |",
        "|---|---|",
        *(f"| {code} | {told} |" for code, told in EXIT_CODES.items()),
        "",
        "`accstudy --version` lists the versions of the program and of its numerical libraries.\n",
        "Tab completion of commands, options, folders and protocols needs one line in the "
        "start-up file of your shell:\n",
        "| shell | file | line |",
        "|---|---|---|",
        '| bash | `~/.bashrc` | `eval "$(_ACCSTUDY_COMPLETE=bash_source accstudy)"` |',
        '| zsh, after `compinit` | `~/.zshrc` | `eval "$(_ACCSTUDY_COMPLETE=zsh_source '
        'accstudy)"` |',
        "| fish | `~/.config/fish/config.fish` | `_ACCSTUDY_COMPLETE=fish_source accstudy / "
        "source` |".replace(" / ", " \\| "),
        "",
    ]
    for name in main.list_commands(context):
        command = main.commands[name]
        usage = " ".join(command.collect_usage_pieces(click.Context(command)))
        parts += [f"## accstudy {name}\n", f"`accstudy {name} {usage}`\n"]
        parts.append(inspect.cleandoc(command.help or "").replace("Example: ", "Example:\n\n    "))
        parts += ["", "| option | meaning |", "|---|---|"]
        for option in command.params:
            if isinstance(option, click.Option):
                text = (option.help or "").replace("|", "\\|")
                if option.show_default and option.default is not None:
                    text += f" Default: {option.default}."
                parts.append(f"| `{', '.join(option.opts)}` | {text} |")
        parts.append("")
    return "\n".join(parts)


def published_page(numbers: pd.DataFrame | None = None) -> str:
    """Every published example with its source and the digits that are reached.

    Parameters
    ----------
    numbers : DataFrame, optional
        Table ``selftest``; computed, which takes some seconds, if it is not given.
    """
    if numbers is None:
        numbers = run_selftest().table
    about = {(topic, c.id): (c.group, c.obtained) for topic in topics() for c in cases(topic)}
    agree = (numbers["verdict"] == "agrees").sum()
    kinds = ", ".join(f"{n} {kind}" for kind, n in counted(numbers).items())
    parts = [
        _MADE,
        "# Published examples\n",
        f"{len(numbers)} numbers with a known value, from {numbers['case'].nunique()} examples "
        f"and published tables; {agree} of them agree: {kinds}. The data and the published "
        "results are files under `accstudy/selftest/data`; tests compute them, and `accstudy "
        "selftest` computes them on your installation and lists every number with its "
        "tolerance.\n",
        "Each entry gives the number of values and, in brackets, the minimum and the median number "
        "of leading digits that agree. "
        "*Printed* numbers agree within half a unit of the last digit, or within the stated "
        "tolerance, and can hardly agree to more digits than are printed. M in brackets: number "
        "of values quoted from memory, not read in their source. *By another program* are results "
        "of other software, and printed quantities to more digits. *Known exactly* are values "
        "that are derived, or that were simulated, for which no digits are counted. Digits of "
        "numbers near zero are decimals.\n",
    ]
    for topic, of_topic in numbers.groupby("topic", sort=False):
        parts += [
            f"## {topic}\n",
            "| example | about | printed (digits: least, median) | by another program (digits) | "
            "known exactly (digits) | source; how obtained |",
            "|---|---|---|---|---|---|",
        ]
        for name, rows in of_topic.groupby("case", sort=False):
            group, obtained = about.get((str(topic), str(name)), ("", ""))
            source = "; ".join(dict.fromkeys(rows["source"]))
            kinds = [_agreement(rows, *kind) for kind in _KINDS]
            whence = f"{source}; {obtained}" if obtained else source
            parts.append(_cells(str(name), group, *kinds, whence))
        parts.append("")
    return "\n".join(parts)


def _agreement(rows: pd.DataFrame, *kinds: str) -> str:
    """How many numbers of these kinds agree, and to how many digits."""
    mine = rows[rows["kind"].isin(kinds)]
    if mine.empty:
        return ""
    agree = int((mine["verdict"] == "agrees").sum())
    count = f"{len(mine)}" if agree == len(mine) else f"{agree} of {len(mine)}"
    exact = mine[mine["kind"] != "simulated"]
    digits = exact["digits"].dropna().clip(upper=_MOST_DIGITS).apply(math.floor)
    memory = int(mine["from_memory"].fillna(False).sum())
    count += f" (M {memory})" if memory else ""
    return f"{count} ({digits.min()}, {digits.median():.0f})" if len(digits) else count


def _cells(*words: str) -> str:
    return "| " + " | ".join(re.sub(r"[ \n]+", " ", w.replace("|", "/")) for w in words) + " |"


def api_page(room: str) -> str:
    """The public names of a room; their docstrings are filled in when the site is built."""
    root = Path(accstudy.__file__).parent
    files = sorted((root / room).glob("*.py")) or [root / f"{room}.py"]
    parts = [_MADE, f"# accstudy.{room}\n", f"{_purpose(files[0])}\n"]
    for file in files:
        if file.stem != "__init__":
            name = ".".join(("accstudy", *file.relative_to(root).with_suffix("").parts))
            parts += [f"## {name}\n", "```{eval-rst}", f".. automodule:: {name}", "   :members:"]
            parts += ["```", ""]
    return "\n".join(parts)


def _purpose(file: Path) -> str:
    """First sentence of a module, without importing it."""
    docstring = ast.get_docstring(ast.parse(file.read_text(encoding="utf-8"))) or ""
    return " ".join(docstring.split("\n\n")[0].split())


ROOMS = (
    "pipeline", "stages", "audit", "dictionary", "tables", "errors", "study", "geometry", "mesh",
    "locate", "compare", "accuracy", "models", "drift", "seating", "plan", "figures", "simulate",
)  # fmt: skip
"""Rooms that are of use from Python, in the order of the page that leads to them."""

PAGES = {
    "tables.md": tables_page,
    "settings.md": settings_page,
    "findings.md": findings_page,
    "commands.md": commands_page,
    "published.md": published_page,
    **{f"api/{room}.md": functools.partial(api_page, room) for room in ROOMS},
}
"""What writes each page of docs/reference."""

if __name__ == "__main__":
    for name, page in PAGES.items():
        file = Path(__file__).parent / "reference" / name
        file.parent.mkdir(exist_ok=True)
        file.write_text(page().rstrip() + "\n", encoding="utf-8")
        print(f"written: {file}")
