"""Names of columns, terms, measurands and units in words."""

from __future__ import annotations

import re

from accstudy.words.catalogue import say, words

UNITS = {
    **{"um": "µm", "mm": "mm", "deg": "°", "ppm": "ppm", "per_month": "1/month", "": ""},
    **{"c": "°C", "k": "1/K", "ncm": "N cm", "s": "s", "lux": "lx"},
}
"""Units as printed, by the ends of the names of columns and settings."""


def capital(text: str) -> str:
    """Text as a sentence or heading begins; names in it stay as the user wrote them.

    Examples
    --------
    >>> capital("model M4-15a"), capital("")
    ('Model M4-15a', '')
    """
    return text[:1].upper() + text[1:]


def unit_name(unit: str) -> str:
    """Unit as printed.

    Examples
    --------
    >>> unit_name("um"), unit_name("score")
    ('µm', 'score')
    """
    return UNITS.get(unit, unit)


def unit_of_column(column: str) -> str:
    """Unit at the end of the name of a column of results; empty for counts, ratios and labels.

    Examples
    --------
    >>> unit_of_column("distance_um"), unit_of_column("log(distance_um)"), unit_of_column("arm_c")
    ('µm', '', '')
    """
    return next((UNITS[u] for u in _OF_COLUMNS if column.endswith(f"_{u}")), "")


_OF_COLUMNS = ("mm", "um", "deg", "ppm", "per_month")


def component_name(component: str) -> str:
    """Random component in words.

    Examples
    --------
    >>> component_name("condition:pair"), component_name("angulation_deg | scan")
    ('pair within condition', 'slope of angulation by scan')
    >>> component_name("condition:cell"), component_name("path_mm | scan[technique C]")
    ('cell within condition', 'slope of arch length by scan (technique C)')
    """
    text, bracket, level = str(component).partition("[")
    if bracket:
        return f"{component_name(text)} ({level.removesuffix(']')})"
    if "|" in text:
        slope, _, group = (part.strip() for part in text.partition("|"))
        unit = slope.rsplit("_", 1)
        slope = unit[0] if len(unit) == 2 and unit[1] in ("deg", "mm", "um") else slope
        group = component_name(group)
        slope = "arch length" if slope == "path" else slope.replace("_", " ")
        return f"slope of {slope} by {group}"
    outer, _, inner = text.partition(":")
    return f"{inner} within {outer}".replace("_", " ") if inner else text.replace("_", " ")


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


def pair_name(pair: str) -> str:
    """Pair of implants as printed: an en dash between the two, whose names may hold hyphens.

    Examples
    --------
    >>> pair_name("I1-I6"), pair_name("upper-1-upper-6"), pair_name("I1")
    ('I1–I6', 'upper-1–upper-6', 'I1')
    """
    parts = str(pair).split("-")
    half = len(parts) // 2
    return (
        "–".join("-".join(p) for p in (parts[:half], parts[half:]) if p)
        if len(parts) % 2 == 0
        else str(pair)
    )


def condition_name(condition: str) -> str:
    """Name a condition; a study without condition factors has but one.

    Examples
    --------
    >>> condition_name(""), condition_name("A / splinted")
    ('the workflow studied', 'A / splinted')
    """
    return str(condition) if condition else say("names.the_workflow_studied")


def variable_name(name: str) -> str:
    """Column in words.

    Examples
    --------
    >>> variable_name("angulation_deg"), variable_name("scan_body_type"), variable_name("gap_um")
    ('angulation', 'scan body type', 'gap')
    """
    if name in words("names.variables"):
        return words("names.variables")[name]
    stem, _, ending = name.rpartition("_")
    return (stem if ending in _OF_COLUMNS else name).replace("_", " ")


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


def alignment_name(alignment: str) -> str:
    """Alignment in words.

    Examples
    --------
    >>> alignment_name("first-implant")
    'first implant'
    """
    return alignment.replace("-", " ")
