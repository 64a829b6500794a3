"""Names of columns, terms and contrasts in the words of the trade."""

from __future__ import annotations

import re
from typing import Any

from accstudy.figures.style import component_name
from accstudy.words.catalogue import say, words

__all__ = ["alignment_name", "contrast_name", "in_words", "term_name", "variable_name"]

_UNITS = ("_mm", "_um", "_deg", "_ppm")


def variable_name(name: str) -> str:
    """Column in words.

    Examples
    --------
    >>> variable_name("angulation_deg"), variable_name("scan_body_type"), variable_name("gap_um")
    ('angulation', 'scan body type', 'gap')
    """
    if name in words("names.variables"):
        return words("names.variables")[name]
    unit = next((u for u in _UNITS if name.endswith(u)), "")
    return name.removesuffix(unit).replace("_", " ")


def term_name(term: str) -> str:
    """Term of a model in words.

    Examples
    --------
    >>> term_name("technique:angulation_deg"), term_name("log(path_mm)"), term_name("C(device)")
    ('technique × angulation', 'logarithm of arch length', 'device')
    """
    return " × ".join(_part_name(part.strip()) for part in term.split(":"))


def _part_name(part: str) -> str:
    call = re.fullmatch(r"([\w.]+)\((\w+)(?:,.*)?\)", part)
    if call is None:
        return variable_name(part)
    function, inner = call.group(1), variable_name(call.group(2))
    if function == "C":
        return inner
    return f"{words('names.functions').get(function, f'{function} of')} {inner}"


def contrast_name(row: Any) -> str:
    """Contrast with a minus sign between its levels."""
    where = say("names.at_stratum", stratum=row.stratum) if row.stratum else ""
    return f"{row.level_a} − {row.level_b}{where}"


def alignment_name(alignment: str) -> str:
    """Alignment in words.

    Examples
    --------
    >>> alignment_name("first-implant")
    'first implant'
    """
    return alignment.replace("-", " ")


def in_words(text: str) -> str:
    """Columns and random components within a sentence, in words.

    Examples
    --------
    >>> in_words("zero for: condition:pair, path_mm | scan; along path_mm")
    'zero for: pair within condition, slope of arch length by scan; along arch length'
    """
    text = _COMPONENT.sub(lambda found: component_name(found[0]), text)
    return _COLUMN.sub(lambda found: variable_name(found[0]), text)


_COMPONENT = re.compile(r"[a-z]\w* \| [a-z]\w*(?::[a-z]\w*)?|[a-z]\w*:[a-z]\w*")
_COLUMN = re.compile(r"\b[a-z]+_(?:mm|deg|um)\b")
