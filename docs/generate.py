"""Write the reference pages from the code: tables, settings and commands.

Call ``python docs/generate.py``. A test fails when a page is not what this writes.
"""

from __future__ import annotations

import inspect
from pathlib import Path
from typing import Any, get_args

import click
from pydantic import BaseModel
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from accstudy.cli import main
from accstudy.selftest.published import cases, topics
from accstudy.study.settings import Settings
from accstudy.tables import TABLES

_MADE = "<!-- Made from the code by docs/generate.py; do not edit. -->\n"


def tables_page() -> str:
    """Every table with its columns."""
    parts = [
        _MADE,
        "# Tables\n",
        "Input tables are written by the user, result tables by the program. A column that a user "
        "may leave out is marked optional. Units stand at the end of a name. The same words are in "
        "`results/datapackage.json`.\n",
    ]
    for table in TABLES.values():
        more = " Factor columns of the scan list follow." if table.factors else ""
        parts += [f"## {table.name}\n", f"A row is: {table.row}.{more}\n"]
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
    """Every key of study.toml with its default."""
    parts = [
        _MADE,
        "# study.toml\n",
        "Keys without a default must be given. An unknown key is a fault that names the nearest "
        "known one. `accstudy new` writes a file in which every line is explained.\n",
    ]
    for name, entry in Settings.model_fields.items():
        model = _model(entry.annotation)
        if model is None:
            continue
        parts += [f"## {_heading(name, entry)}\n", _first_line(model) + "\n", *_keys(model, "")]
        parts.append("")
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


def _keys(model: type[BaseModel], before: str) -> list[str]:
    out = ["| key | default |", "|---|---|"]
    for key, field in model.model_fields.items():
        inner = _model(field.annotation)
        if inner is not None:
            parts = ", ".join(inner.model_fields)
            default = "none" if field.default is None else "must be given"
            out.append(f"| `{before}{key}` | {default}; a table with {parts} |")
        else:
            out.append(f"| `{before}{key}` | {_default(field)} |")
    return out


def _default(field: FieldInfo) -> str:
    if field.default_factory is not None:
        return "empty"
    if field.default is PydanticUndefined:
        return "must be given"
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


def commands_page() -> str:
    """Every command with its options."""
    context = click.Context(main, info_name="accstudy")
    parts = [
        _MADE,
        "# Commands\n",
        "Exit codes: 0 done; 1 the tool failed (a bug), or a selftest differs; 2 wrong call; "
        "3 input at fault, nothing written; 4 done, but scans were left out.\n",
        "Completion of commands and options with the Tab key, in bash (zsh and fish likewise):\n",
        '    eval "$(_ACCSTUDY_COMPLETE=bash_source accstudy)"\n',
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


def published_page() -> str:
    """Every published example with its source."""
    parts = [
        _MADE,
        "# Published examples\n",
        "Each is a file under `accstudy/selftest/data`, with its data and printed results. Tests "
        "and `accstudy selftest` compute them and compare to the printed digits; the record of the "
        "selftest gives, number by number, what was printed, what came out, and the tolerance.\n",
    ]
    for topic in topics():
        parts += [
            f"## {topic}\n",
            "| example | about | source | how obtained |",
            "|---|---|---|---|",
        ]
        for case in cases(topic):
            words = (case.id, case.group, case.source, case.obtained)
            parts.append(
                "| " + " | ".join(" ".join(w.replace("|", "/").split()) for w in words) + " |"
            )
        parts.append("")
    return "\n".join(parts)


PAGES = {
    "tables.md": tables_page,
    "settings.md": settings_page,
    "commands.md": commands_page,
    "published.md": published_page,
}
"""What writes each page of docs/reference."""

if __name__ == "__main__":
    for name, page in PAGES.items():
        file = Path(__file__).parent / "reference" / name
        file.write_text(page().rstrip() + "\n", encoding="utf-8")
        print(f"written: {file}")
