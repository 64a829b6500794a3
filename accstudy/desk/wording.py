"""Settings, columns and places in the words of the screens."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any

from accstudy.errors import Finding
from accstudy.words.catalogue import area, words
from accstudy.words.names import UNITS

_LINKS = (
    ("study.toml", "question"), ("reference/", "reference"), ("scan_bodies/", "body"),
    ("events", "session"), ("scans", "scans"), ("poses", "scans"), ("landmarks", "scans"),
)  # fmt: skip
_SECTIONS = {"reference": "reference", "scan_body": "body", "scans": "scans", "model": "models"}
_KEY = re.compile(
    r"\b(study|reference|scan_body|scans|limits|analysis|drift|seating)(\.\w+)+(?!\.?\w)"
)
_FILES_SAID = {" in study.toml": "", "in scans.csv": "in the scan list"}
_FILES = {"csv", "toml", "stl", "ply", "obj", "gz", "xlsx", "tsv", "txt", "json", "jsonl", "pdf"}


def forms(name: str) -> Mapping[str, Mapping[str, str]]:
    """Headings of a screen, with the labels of the settings under each."""
    found: Any = area("desk")
    return {k.partition("/")[2]: v for k, v in found.items() if k.startswith(f"{name}/")}


def label_of(key: str) -> str:
    """Label of a setting, or of the first of a group; empty where no screen has it.

    Examples
    --------
    >>> label_of("scans.temperature_c"), label_of("reference.mpe_um"), label_of("study.kind")
    ('Room temperature', 'Maximum permissible error, constant part', '')
    """
    key = re.sub(r"^scan_body\.\w+", "scan_body.default", key)
    for screen in ("question", "reference", "body", "scans"):
        for labels in forms(screen).values():
            for own, label in labels.items():
                if own == key or own.startswith(f"{key}."):
                    return label
    return ""


def plain(text: str) -> str:
    """A sentence whose settings and commands are called as on the screens.

    Examples
    --------
    >>> plain("give scans.temperature_c; then run `accstudy measure our_study`")
    'give “Room temperature”; then run “Run”'
    >>> plain("give --s-r and --s-cell")
    'give “Standard deviation of repeats” and “Standard deviation between sessions”'
    """

    def setting(found: re.Match[str]) -> str:
        label = "" if found[0].rsplit(".", 1)[-1] in _FILES else label_of(found[0])
        return f"“{label}”" if label else found[0]

    def command(found: re.Match[str]) -> str:
        screen = words("desk.screens").get(found[1])
        return f"“{screen}”" if screen else found[0]

    text = re.sub(r"`accstudy ([a-z-]+)[^`]*`", command, text)
    for name, said in (*_FILES_SAID.items(), *words("desk.options").items()):
        text = text.replace(name, said)
    return _KEY.sub(setting, text)


def with_heads(text: str, columns: Iterable[str]) -> str:
    """A sentence whose columns are called as on the screens.

    Examples
    --------
    >>> with_heads("measured_at: from the file name", ["measured_at", "file"])
    'measured at: from the file name'
    """
    for name in columns:
        if "_" in name:
            text = re.sub(rf"\b{re.escape(name)}\b", head(name).partition(" /")[0], text)
    return text


def head(name: str, unit: str = "") -> str:
    """Column in words, with its unit.

    Examples
    --------
    >>> head("x_mm"), head("measured_at"), head("torque_ncm"), head("half_width", "um")
    ('x / mm', 'measured at', 'torque / N cm', 'half-width, bias interval / µm')
    """
    stem, _, ending = name.rpartition("_")
    own = UNITS.get(ending, "") if stem and ending not in ("s", "k") else ""
    said = words("desk.heads").get(name) or (stem if own else name).replace("_", " ")
    unit = own or UNITS.get(unit, unit)
    return f"{said} / {unit}" if unit else said


def figure_name(file: str) -> str:
    """What a figure shows, by the name of its file.

    Examples
    --------
    >>> figure_name("reports/figures/arch-scanner-a-model-1.svg")
    'Bias and spread of every implant on the arch: scanner a model 1'
    """
    stem = file.rsplit("/", 1)[-1].rpartition(".")[0]
    known = words("desk.figures")
    parts = stem.split("-")
    for k in range(len(parts), 0, -1):
        if said := known.get("-".join(parts[:k])):
            rest = " ".join(p for p in parts[k:] if p)
            return f"{said}: {rest}" if rest else said
    return " ".join(p for p in parts if p).capitalize()


def place_of(finding: Mapping[str, str] | Finding) -> str:
    """Where a finding is, in words.

    Examples
    --------
    >>> place_of({"where": "scans.csv:4:measured_at"}), place_of({"where": "study.toml:3:limits"})
    ('scans.csv, row 4, measured at', '“Distances between implants”')
    """
    where = finding.where if isinstance(finding, Finding) else finding.get("where", "")
    file, _, rest = where.partition(":")
    row, _, column = rest.partition(":")
    if file == "study.toml":
        label = label_of(column)
        return f"“{label}”" if label else file
    return ", ".join(p for p in (file, row and f"row {row}", column and head(column)) if p)


def link_of(finding: Mapping[str, str] | Finding) -> str:
    """The screen, and the field on it, where a finding is mended; empty where there is none.

    Examples
    --------
    >>> link_of({"where": "scans.csv:4:operator"})
    'scans#r4:operator'
    >>> link_of({"where": "study.toml:3:reference.mpe_um.constant"})
    'reference#reference.mpe_um.constant'
    """
    where = finding.where if isinstance(finding, Finding) else finding.get("where", "")
    file, _, rest = where.partition(":")
    row, _, column = rest.partition(":")
    if file == "study.toml":
        screen = _SECTIONS.get(column.split(".")[0], "question")
        return f"{screen}#{column}" if column else screen
    for start, screen in _LINKS:
        if file.startswith(start):
            return f"{screen}#r{row}:{column}" if screen == "scans" and row else screen
    return ""
