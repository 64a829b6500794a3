"""Names of columns, terms and measurands in words, and the sentences of single rows."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import pandas as pd

from accstudy.figures.style import component_name
from accstudy.words.catalogue import say, words
from accstudy.words.numbers import interval, joined, missing, number, percent, quantity, unit_name

__all__ = [
    "alignment_name",
    "bias_sentence",
    "condition_name",
    "contrast_name",
    "failure_sentence",
    "in_words",
    "measurand_name",
    "supported_sentence",
    "term_name",
    "variable_name",
]


def measurand_name(measurand: str) -> str:
    """What a measurand is called in a sentence.

    Examples
    --------
    >>> measurand_name("distance_um")
    'inter-implant distance'
    """
    name, _, rest = measurand.partition(",")
    said = words("names.measurands").get(name, name.replace("_", " "))
    return f"{said},{rest}" if rest else said


def condition_name(condition: str) -> str:
    """Name a condition; a study without condition factors has but one.

    Examples
    --------
    >>> condition_name(""), condition_name("A / splinted")
    ('the workflow studied', 'A / splinted')
    """
    return str(condition) if condition else say("names.the_workflow_studied")


def supported_sentence(
    condition: str, level_um: float, supported_mm: Any, longest_mm: float, *, along: str = "span"
) -> str:
    r"""Say up to which span, or arch length, a level is kept.

    Examples
    --------
    >>> supported_sentence("A", 100, 31.4, 45.0)
    'A: 100\xa0µm up to a span of 31.4\xa0mm'
    >>> supported_sentence("", 200, 80.0, 80.0, along="path")
    '200\xa0µm over every arch length studied (80.0\xa0mm)'
    >>> supported_sentence("A", 50, float("nan"), 45.0), supported_sentence("", 50, 0.0, 45.0)
    ('A: 50\xa0µm over no span studied', '50\xa0µm over no span studied')
    """
    a, name = ("a", "span") if along == "span" else ("an", say("names.arch_length"))
    start = (f"{condition}: " if condition else "") + quantity(level_um)
    if missing(supported_mm) or float(supported_mm) <= 0:
        return say("names.over_no_studied", start=start, name=name)
    if float(supported_mm) >= longest_mm - 0.05:
        return say("names.over_every_studied", start=start, name=name, longest_mm=longest_mm)
    return say("names.up_to_a_of", start=start, a=a, name=name, supported_mm=supported_mm)


def bias_sentence(row: Any, *, is_scan: bool, confidence: float = 0.95) -> str:
    """Say how one pair is measured on average and how much it scatters."""
    where = say("names.over_subject", row) + (
        "" if missing(row.span_mm) else f" ({quantity(row.span_mm, 'mm')})"
    )
    word = say("names.mean_difference") if is_scan else "bias"
    bias = quantity(row.bias, row.unit, signed=True)
    if missing(row.bias_low):
        text = say("names.the_is_its_uncertainty", where=where, word=word, bias=bias)
    else:
        ends = interval(row.bias_low, row.bias_high, row.unit)
        text = say(
            "names.the_is_interval",
            where=where,
            word=word,
            bias=bias,
            confidence=confidence,
            ends=ends,
        )
    if missing(row.s_r) and not missing(row.s_I):
        spread = say("names.the_standard_deviation_of", s_I=quantity(row.s_I, row.unit))
    elif missing(row.s_r):
        spread = say("names.the_spread_cannot_be", row)
    elif missing(row.s_I) or int(row.n_cells) < 2:
        spread = say("names.the_standard_deviation_of_2", s_r=quantity(row.s_r, row.unit))
    elif float(row.s_I) <= float(row.s_r):
        spread = say(
            "names.the_standard_deviation_of_3",
            s_r=quantity(row.s_r, row.unit),
            n_cells=row.n_cells,
        )
    else:
        spread = say(
            "names.the_standard_deviation_of_4",
            s_I=quantity(row.s_I, row.unit),
            s_r=quantity(row.s_r, row.unit),
        )
    return f"{text}; {spread}."


def failure_sentence(row: Any) -> str:
    """Say how many scans could not be used."""
    n_failed, n_all, low, high = int(row.failed), int(row.total), row.low, row.high
    if n_all == 0:
        return ""
    small = int(0 < n_failed < 0.1 * n_all)
    low_said, high_said = (percent(v, decimals=small) for v in (low, high))
    ends = say(
        "names.interval_to", confidence=row.confidence, low_said=low_said, high_said=high_said
    )
    if n_failed == 0:
        return say("names.all_scans_could_be", n_all=n_all, ends=ends)
    share = percent(row.rate, decimals=small)
    return say("names.of_scans_could_not", n_failed=n_failed, n_all=n_all, share=share, ends=ends)


def worst(rows: pd.DataFrame, column: str = "bias") -> Any:
    """Row with the largest size of a column; None without any."""
    sizes = rows[column].abs()
    if not sizes.notna().any():
        return None
    return next(rows.loc[[sizes.idxmax()]].itertuples())


def range_phrase(values: pd.Series, unit: str = "um", *, signed: bool = False) -> str:
    r"""Say from where to where a column goes.

    Examples
    --------
    >>> range_phrase(pd.Series([12.0, 31.2]))
    '12 to 31\xa0µm'
    """
    known = values.dropna()
    if known.empty:
        return "unknown"
    low, high = float(known.min()), float(known.max())
    decimals = {"um": 0, "deg": 2, "mm": 1}.get(unit, 2)
    if np.isclose(low, high):
        return quantity(low, unit, signed=signed)
    ends = joined(
        [number(v, unit, signed=signed, decimals=decimals) for v in (low, high)], last="to"
    )
    return ends + ("" if unit == "deg" else "\u00a0") + unit_name(unit)


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
    where = say("names.at_stratum", row) if row.stratum else ""
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
