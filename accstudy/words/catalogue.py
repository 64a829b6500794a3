"""The catalogue of messages: templates with named fields, a file an area, a folder a language.

``say("verdicts.bound_of", n=3)`` writes the template ``bound_of`` of ``en/verdicts.toml``. Fields
stand in braces as in `str.format`; ``{n:scan|scans}`` writes a number with its noun,
``{n:?scan|scans}`` the noun alone. ``{bias:+um}`` writes a number with its unit as a sentence does,
``{bias:+.um}`` as a table does (``{bias:+.{unit}}`` with a unit of its own), ``{bias:+_um}`` as a
table does, with its unit, ``{x:n2}`` with two
decimals, ``{x:s3}`` with three digits; ``%``, ``p``, ``sure``, ``day``, ``date``, ``wait``,
``lasting`` alike;
``{chart:drift.charts}`` writes a word of the catalogue for a value, ``{column:variable}`` a column
in words (likewise ``measurand``, ``condition``, ``pair``, ``term``, ``component``). Emphasis is
marked as in HTML: ``<em>`` for the numbers of an answer, ``<b>``, ``<i>``, ``<sub>``. A file is
read when the first of its templates is needed.
"""

from __future__ import annotations

import functools
import re
import string
from collections.abc import Callable, Mapping
from typing import Any

LANGUAGE = "en"
"""Folder of the language in use."""

_STYLES = {"em": "accent", "b": "b", "i": "i", "sub": "sub"}
_MARK = re.compile(r"<(em|b|i|sub)>(.*?)</\1>", re.DOTALL)


def say(key: str, row: Any = None, /, **fields: Any) -> str:
    """Write one message.

    Parameters
    ----------
    key : str
        Area and name of its template.
    row : object, optional
        Row of a table whose columns stand in the braces that `fields` does not fill.
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
    return _written(_template(key), row, fields)


def choose(key: str, case: object, row: Any = None, /, **fields: Any) -> str:
    """Write the message for a value, of a table of templates by value; empty for others.

    Parameters
    ----------
    key : str
        Area and name of the table of templates.
    case : object
        The value; flags stand as ``true`` and ``false``.
    row, **fields
        As for `say`, for all templates of the table.
    """
    named = str(case).lower() if isinstance(case, bool) or str(case) in _FLAGS else str(case)
    return _written(words(key).get(named, ""), row, fields)


_FLAGS = ("True", "False")


def _written(template: str, row: Any, fields: dict[str, Any]) -> str:
    if row is not None:
        parts = [(name, spec or "") for _, name, spec, _ in _FORMATTER.parse(template) if name]
        inner = {n for _, spec in parts for _, n, _, _ in _FORMATTER.parse(spec) if n}
        names = {name for name, _ in parts} | inner
        fields |= {name: getattr(row, name) for name in names - set(fields)}
    return _FORMATTER.vformat(template, (), fields)


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
    return marked_up(_template(key), fields)


def marked_up(template: str, fields: Mapping[str, Any]) -> list[Any]:
    """Runs of a template that is no message of its own, such as the title of a column."""
    out, at = list[Any](), 0
    for mark in _MARK.finditer(template):
        out += _plain_runs(template[at : mark.start()], fields)
        out.append({"t": _FORMATTER.vformat(mark[2], (), fields), "s": _STYLES[mark[1]]})
        at = mark.end()
    return out + _plain_runs(template[at:], fields)


def cell(template: str, row: Any, named: Mapping[str, Callable[[Any], str]]) -> str:
    """Write a cell of a table whose template names columns of the row.

    Parameters
    ----------
    template : str
        As a message; what stands in brackets is left out where one of its columns is empty.
    row : object
        Its columns as attributes.
    named : mapping of str to function
        Further formats.

    Returns
    -------
    str
        A dash where nothing is left.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> row = SimpleNamespace(mean=1.25, sd=None, unit="um")
    >>> cell("{mean:+.{unit}}[ ± {sd:.{unit}}]", row, {})
    '+1.2'
    """
    out, at = "", 0
    for part in _OPTIONAL.finditer(template):
        out += _of_row(template[at : part.start()], row, named)
        names = [name for _, name, _, _ in _FORMATTER.parse(part[1]) if name]
        if not any(_empty(getattr(row, name)) for name in names):
            out += _of_row(part[1], row, named)
        at = part.end()
    return out + _of_row(template[at:], row, named) or "–"


_OPTIONAL = re.compile(r"\[(.*?)\]")


def _empty(value: Any) -> bool:
    # pandas' NA first: compared with anything it is neither true nor false
    return value is None or str(value) == "<NA>" or value == "" or value != value


def _of_row(template: str, row: Any, named: Mapping[str, Callable[[Any], str]]) -> str:
    out = ""
    for text, name, spec, _ in _FORMATTER.parse(template):
        out += text
        if name:
            value, spec = getattr(row, name), _of_row(spec or "", row, {})
            out += named[spec](value) if spec in named else _FORMATTER.format_field(value, spec)
    return out


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
        if _OWN.fullmatch(format_spec):
            return _number(value, format_spec)
        if format_spec in _NAMES:
            from accstudy.words import names  # which write with the catalogue itself

            return str(getattr(names, f"{format_spec}_name")(value))
        if "." in format_spec and (area_and_name := _WORDS.fullmatch(format_spec)):
            return words(area_and_name[0]).get(str(value), str(value))
        text: str = super().format_field(value, format_spec)
        return text


_NAMES = ("alignment", "component", "condition", "measurand", "pair", "term", "unit", "variable")
_WORDS = re.compile(r"[a-z_]+\.[a-z_]+")
_OWN = re.compile(
    r"\+?(um|mm|deg|ppm|[._][a-z]*|n\d)|%\d?|s\d|=?p|sure|day|date|wait|lasting|gum|\+?to[-+.\w]+"
)
"""Formats of numbers: as in a sentence with unit, as in a table without, with so many decimals."""


def _number(value: Any, how: str) -> str:
    """A value in one of the formats of the catalogue."""
    from accstudy.words import numbers as n  # which writes with the catalogue itself

    signed, how = how[0] == "+", how.removeprefix("+")
    plain = {
        "p": n.p_value,
        "=p": n.p_said,
        "sure": n.sure,
        "day": n.day,
        "date": n.date,
        "wait": n.wait,
        "lasting": n.lasting,
        "gum": n.uncertainty,
    }
    if how in plain:
        return plain[how](value)
    if how.startswith("to"):
        return n.rounded_to(value, float(how[2:]), signed=signed)
    if how[0] == "_":
        return n.sized(value, how[1:], signed=signed)
    if how[0] in "n.":
        digits = {"decimals": int(how[1:])} if how[0] == "n" else {}
        return n.number(value, "" if digits else how[1:], signed=signed, **digits)
    if how[0] == "%":
        return n.percent(value, decimals=int(how[1:] or 0))
    if how[0] == "s":
        return n.significant(value, int(how[1:]))
    return n.quantity(value, how, signed=signed)


_FORMATTER = _Formatter()
