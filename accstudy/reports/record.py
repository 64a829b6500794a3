"""The record at the end of a report, and the tables that travel inside it."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

import pandas as pd

from accstudy.reports.document import Attachment, Document, ReportContent, Text
from accstudy.tables import TABLES, csv_bytes
from accstudy.words.catalogue import say
from accstudy.words.numbers import date, joined

__all__ = ["attachments", "latex_table", "record_section"]


def record_section(document: Document, content: ReportContent) -> None:
    """Hashes, versions and settings."""
    document.heading(say("record.record"))
    record = content.record
    document.lead(say("record.how_to_check"), say("record.the_sha_256_of"))
    versions = record.get("versions", {})
    document.terms(
        [
            ("accstudy", str(record.get("accstudy", ""))),
            (say("record.versions"), joined([f"{k} {v}" for k, v in versions.items()])),
            (
                say("record.computed_on"),
                joined([str(v) for v in record.get("computer", {}).values()]),
            ),
            (
                say("record.data_of"),
                date(content.generated) if content.generated else say("record.unknown_no_scan_is"),
            ),
        ]
    )
    hashes = [
        [name if part == "inputs" else f"results/{name}", _grouped(str(value))]
        for part in ("inputs", "outputs")
        for name, value in sorted(record.get(part, {}).items())
    ]
    if hashes:
        shown = hashes[:60]
        more = "" if len(hashes) <= 60 else say("record.the_first_60_of", hashes=len(hashes))
        document.listed("record.hashes_table", shown, more=more)
    document.lead(say("record.settings"), say("record.all_settings_as_used"))
    document.terms(_settings(content.settings))


def _grouped(digest: str) -> str:
    return " ".join(digest[i : i + 16] for i in range(0, len(digest), 16))


def _settings(settings: Any) -> list[tuple[str, Text]]:
    """Settings as ``table.key`` with their value, empty ones left out."""
    out: list[tuple[str, Text]] = []
    for part, value in settings.items():
        tables = value if isinstance(value, list) else [value]
        if tables and all(isinstance(t, dict) for t in tables):
            for table in tables:
                shown = [f"{k} = {_value(v)}" for k, v in table.items() if _told(v)]
                if shown:
                    out.append((part, "; ".join(shown)))
        elif value:
            out.append((part, _value(value)))
    return out


def _told(value: Any) -> bool:
    return value is not None and not (isinstance(value, str | list | tuple | dict) and not value)


def _value(value: Any) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{k} = {_value(v)}" for k, v in value.items() if _told(v)) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_value(v) for v in value) + "]"
    if isinstance(value, bool):
        return "true" if value else "false"
    return f"{value:g}" if isinstance(value, float) else str(value)


def attachments(content: ReportContent) -> list[Attachment]:
    """Result tables and the record as files that travel in the PDF."""
    found = []
    for name in TABLES:
        table = content.table(name)
        if not _own(content, name):
            continue
        data = content.files.get(f"{name}.csv", b"")
        if not data:
            factors = tuple(c for c in table.columns if c not in TABLES[name].names)
            data = csv_bytes(name, table, factors=factors)
        what = say("record.table_one_row_per", name=name, row=TABLES[name].row)
        found.append(Attachment(f"{name}.csv", data, "text/csv", what))
    if found:
        found.append(
            Attachment(
                "tables.csv",
                _dictionary(content),
                "text/csv",
                say("record.meaning_of_every_column"),
            )
        )
    record = json.dumps(content.record, indent=1, sort_keys=True, ensure_ascii=False, default=str)
    found.append(
        Attachment(
            "record.json",
            record.encode(),
            "application/json",
            say("record.hashes_versions_and_settings"),
        )
    )
    return found


def _own(content: ReportContent, name: str) -> bool:
    """Whether a table has rows under this very name."""
    return name in content.tables and content.has(name)


def _dictionary(content: ReportContent) -> bytes:
    rows = [
        {"table": name, "column": c.name, "unit": c.unit, "meaning": c.meaning}
        for name, table in TABLES.items()
        if _own(content, name)
        for c in table.columns
    ]
    return pd.DataFrame(rows).to_csv(index=False, lineterminator="\n").encode()


_SPECIAL = {
    "\\": r"\textbackslash{}",
    "&": r"\&",
    "%": r"\%",
    "$": r"\$",
    "#": r"\#",
    "_": r"\_",
    "{": r"\{",
    "}": r"\}",
    "~": r"\textasciitilde{}",
    "^": r"\textasciicircum{}",
    "−": "$-$",
    "µ": r"\textmu{}",
    "°": r"\textdegree{}",
    "–": "--",
    "\u00a0": "~",
    "<": r"\textless{}",
    ">": r"\textgreater{}",
}


def escaped(text: str) -> str:
    r"""Text that LaTeX shows as it stands.

    Examples
    --------
    >>> print(escaped("5 % of A_1 & −3"))
    5 \% of A\_1 \& $-$3
    """
    return "".join(_SPECIAL.get(c, c) for c in text)


def latex_table(
    caption: str, titles: Sequence[str], rows: Sequence[Sequence[str]], *, label: str
) -> bytes:
    """Write a table with rules of the package booktabs.

    Parameters
    ----------
    caption : str
        What the table shows.
    titles : sequence of str
        Column titles; the first column is set left, the others right.
    rows : sequence of sequence of str
        Cells as printed.
    label : str
        For cross-references.

    Returns
    -------
    bytes
        UTF-8.
    """
    lines = [
        r"% \usepackage{booktabs,textcomp}",
        r"\begin{table}",
        rf"\caption{{{escaped(caption)}}}\label{{{label}}}",
        rf"\begin{{tabular}}{{l{'r' * (len(titles) - 1)}}}",
        r"\toprule",
        " & ".join(escaped(t) for t in titles) + r" \\",
        r"\midrule",
        *(" & ".join(escaped(c) for c in row) + r" \\" for row in rows),
        r"\bottomrule",
        r"\end{tabular}",
        r"\end{table}",
        "",
    ]
    return "\n".join(lines).encode()
