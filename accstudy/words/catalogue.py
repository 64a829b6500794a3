"""The catalogue of messages: templates with named fields, a file an area, a folder a language.

``say("verdicts.bound_of", n=3)`` writes the template ``bound_of`` of ``en/verdicts.toml``. Fields
stand in braces as in `str.format`; ``{n:scan|scans}`` writes a number with its noun,
``{n:?scan|scans}`` the noun alone. Emphasis is marked as in HTML: ``<em>`` for the numbers of an
answer, ``<b>``, ``<i>``, ``<sub>``. A file is read when the first of its templates is needed.
"""

from __future__ import annotations

import functools
import re
import string
from collections.abc import Mapping
from typing import Any

__all__ = ["LANGUAGE", "area", "count", "rich", "say", "words"]

LANGUAGE = "en"
"""Folder of the language in use."""

_STYLES = {"em": "accent", "b": "b", "i": "i", "sub": "sub"}
_MARK = re.compile(r"<(em|b|i|sub)>(.*?)</\1>", re.DOTALL)


def say(key: str, /, **fields: Any) -> str:
    """Write one message.

    Parameters
    ----------
    key : str
        Area and name of its template.
    **fields
        What stands in its braces.

    Raises
    ------
    KeyError
        If there is no such template, or a field of it is not given.

    Examples
    --------
    >>> say("list.range", low="1", high="2")
    '1 to 2'
    """
    return _FORMATTER.vformat(_template(key), (), fields)


def rich(key: str, /, **fields: Any) -> list[Any]:
    """Write one message whose emphasis is kept, as runs of a report.

    Parameters
    ----------
    key, **fields
        As for `say`; a field may hold runs itself.

    Returns
    -------
    list of str and dict
        A run is a dict of its text ``t`` and its style ``s``.

    Examples
    --------
    >>> rich("list.df")
    [{'t': 'df', 's': 'i'}]
    """
    template, out, at = _template(key), list[Any](), 0
    for mark in _MARK.finditer(template):
        out += _plain_runs(template[at : mark.start()], fields)
        out.append({"t": _FORMATTER.vformat(mark[2], (), fields), "s": _STYLES[mark[1]]})
        at = mark.end()
    return out + _plain_runs(template[at:], fields)


def _plain_runs(template: str, fields: Mapping[str, Any]) -> list[Any]:
    """Template without marks; fields that are runs stay so."""
    out: list[Any] = []
    for text, name, spec, _ in _FORMATTER.parse(template):
        held = fields[name] if name is not None else ""
        runs = held if isinstance(held, list) else [held]
        if not isinstance(held, list | dict):
            runs = [_FORMATTER.format_field(held, spec or "")] if name is not None else []
        for run in [text, *runs]:
            if out and isinstance(run, str) and isinstance(out[-1], str):
                out[-1] += run
            elif run:
                out.append(run)
    return out


def words(key: str) -> Mapping[str, str]:
    """Words for the values of a column or setting, a table of an area."""
    area_name, _, name = key.partition(".")
    found = area(area_name)[name]
    assert isinstance(found, dict)
    return found


def count(n: int, thing: str, plural: str = "") -> str:
    r"""Write how many.

    Examples
    --------
    >>> count(1, "scan"), count(12, "scan"), count(0, "scan")
    ('1\xa0scan', '12\xa0scans', 'no scan')
    """
    if n == 0:
        return say("list.none_of", thing=thing)
    return f"{n}\u00a0{thing if n == 1 else plural or thing + 's'}"


def _template(key: str) -> str:
    area_name, _, name = key.partition(".")
    found = area(area_name)[name]
    assert isinstance(found, str)
    return found


@functools.cache
def area(name: str) -> dict[str, str | dict[str, str]]:
    """Templates of an area as they stand in its file.

    Raises
    ------
    FileNotFoundError
        If there is no such area.
    """
    import tomllib
    from importlib.resources import files

    data = files("accstudy.words").joinpath(LANGUAGE, f"{name}.toml").read_bytes()
    return tomllib.loads(data.decode())


class _Formatter(string.Formatter):
    """As `str.format`, with numbers and their nouns."""

    def format_field(self, value: Any, format_spec: str) -> str:
        one, bar, many = format_spec.partition("|")
        if bar and one.startswith("?"):
            return one[1:] if int(value) == 1 else many
        if bar:
            return count(int(value), one, many)
        text: str = super().format_field(value, format_spec)
        return text


_FORMATTER = _Formatter()
