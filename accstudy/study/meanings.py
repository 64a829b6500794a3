"""What every key of study.toml means, from the code of the settings."""

from __future__ import annotations

import ast
import functools
import inspect
import itertools
from pathlib import Path

from pydantic import BaseModel

from accstudy.study.layout import Layout
from accstudy.study.settings import Settings

__all__ = ["meaning"]


def meaning(model: type[BaseModel], key: str) -> tuple[str, str]:
    """Meaning and example of a key.

    Parameters
    ----------
    model : type
        The section it belongs to.
    key : str
        Its name.

    Returns
    -------
    tuple of str
        Both empty for a key without a word.

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
