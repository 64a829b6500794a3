"""Two smaller documents of the same design: the bench sheet and the selftest record."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from accstudy.figures.style import printable, rows_of
from accstudy.reports.cautions import FOOTER
from accstudy.reports.compile import compile_pdf
from accstudy.reports.document import Attachment, Document, Heading, Text, clean, strong_accent
from accstudy.reports.report_rows import groups
from accstudy.words.numbers import count, date, joined

__all__ = ["bench_sheet", "selftest_record"]

_BOX = "\u25a1"
_POSITIONS = 8


def bench_sheet(
    table: pd.DataFrame, *, title: str, order: str, notes: tuple[str, ...] = (), generated: str = ""
) -> bytes:
    """Make the sheet on which scans are ticked off at the bench.

    Parameters
    ----------
    table : DataFrame
        Table ``bench_sheet``, in the order of scanning.
    title : str
        Title of the study.
    order : str
        How the order came about, with its seed.
    notes : tuple of str
        What to keep in mind at the bench.
    generated : str
        Date as YYYY-MM-DD, or empty.

    Returns
    -------
    bytes
        PDF; the table is attached as CSV.
    """
    document = Document()
    if notes:
        said = [f"{n[0].upper()}{n[1:].rstrip('.')}." for n in notes if n]
        document.items(said, heading="Before you begin")
    for k, ((session, operator), rows) in enumerate(groups(table, ["session", "operator"])):
        if k:
            document.new_page()
        document.heading(", ".join(p for p in (_session(session), operator) if p))
        document.table(
            "Make the scans in this order. Tick each one; record temperature, scan body torque, "
            "scan time, illuminance and anything unusual. Record a failed scan; do not repeat it "
            "in its place.",
            [
                Heading("no.", width=0.5),
                Heading("scan", "left", 1.3),
                Heading("model", "left", 0.8),
                Heading("condition", "left", 1.8),
                Heading("scan bodies", "left", 1.5),
                Heading("done", "center", 0.5),
                Heading("°C", "left", 0.6),
                Heading("N cm", "left", 0.6),
                Heading("s", "left", 0.6),
                Heading("lx", "left", 0.6),
                Heading("remarks", "left", 1.8),
            ],
            [
                [
                    str(r.order),
                    str(r.scan),
                    str(r.model),
                    str(r.condition),
                    str(r.body_seating),
                    [{"t": _BOX, "s": "box"}],
                    *[""] * 5,
                ]
                for r in rows_of(rows)
            ],
            roomy=True,
        )
        document.table(
            "Fill in when the block is complete.",
            [
                Heading(h, "left", 1)
                for h in ("date", "began", "ended", "days since calibration", "signature")
            ],
            [[""] * 5],
            roomy=True,
        )
        document.table(
            "Serial numbers of the scan bodies by position; use a new row if they change places.",
            [Heading("position", "left", 1), *[Heading("", "left", 1)] * _POSITIONS],
            [["serial", *[""] * _POSITIONS]] * 2,
            roomy=True,
        )
    answer: list[Text] = [f"{count(len(table), 'scan')} in randomised order. {order}"]
    data = table.to_csv(index=False, lineterminator="\n").encode()
    attached = [Attachment("bench_sheet.csv", data, "text/csv", "The scanning order as a table")]
    return _compiled("Data collection sheet", title, answer, document, attached, generated)


def _session(name: str) -> str:
    """Session as a heading: a name in words stands for itself, a number does not."""
    if not name or any(c.isalpha() for c in name):
        return f"{name[:1].upper()}{name[1:]}"
    return f"Session {name}"


def selftest_record(rows: pd.DataFrame, record: Mapping[str, Any], *, generated: str = "") -> bytes:
    """Make the record of a selftest, to be filed as validation of the software.

    Parameters
    ----------
    rows : DataFrame
        Table ``selftest``, with ``agrees`` (bool) beside it.
    record : mapping
        ``accstudy``, ``program`` (digest), ``versions``, ``platform``,
        ``seconds`` and ``not_computed``, as far as they are known.
    generated : str
        Date as YYYY-MM-DD, or empty.

    Returns
    -------
    bytes
        PDF; rows and record are attached.
    """
    wrong = rows[~rows["agrees"].astype(bool)]
    cases = rows[["topic", "case"]].drop_duplicates()
    kinds = [f"{n} {kind}" for kind, n in record.get("by_kind", {}).items()]
    answer: list[Text] = [
        [
            f"This installation reproduces {len(rows) - len(wrong)} of {len(rows)} known numbers "
            f"({joined(kinds)}) from {count(len(cases), 'example')}: ",
            strong_accent("all agree" if wrong.empty else f"{len(wrong)} do not"),
            ".",
        ]
    ]
    document = Document()
    document.terms(
        [
            ("accstudy", str(record.get("accstudy", ""))),
            ("Platform", str(record.get("platform", ""))),
            ("Versions", joined([f"{k} {v}" for k, v in record.get("versions", {}).items()])),
            ("Program", f"SHA-256 {record['program']}" if record.get("program") else ""),
            ("Time taken", f"{record['seconds']:g} s" if record.get("seconds") else ""),
            ("Date", date(pd.Timestamp(generated)) if generated else ""),
        ],
        heading="Scope of the tests",
    )
    _summary(document, rows)
    if record.get("not_computed"):
        missing: dict[str, list[str]] = {}
        for entry in record["not_computed"]:
            example, _, quantity = str(entry).partition(": ")
            missing.setdefault(example, []).append(quantity)
        document.lead(
            "Not tested",
            "Numbers from the same sources for which this program has no method.",
            *(f"{example}: {', '.join(names)}" for example, names in missing.items()),
            long=True,
        )
    if len(wrong):
        document.heading("Discrepancies")
        _numbers(document, "Numbers that differ by more than their tolerance.", wrong)
    document.heading("Examples and their sources")
    for (topic,), mine in groups(rows, ["topic"]):
        _examples(document, topic, mine)
    document.lead(
        "Every number",
        "Known value, computed value, tolerance and digits of each number are in the attached "
        "selftest.csv.",
    )
    attached = [
        Attachment("selftest.csv", rows.to_csv(index=False, lineterminator="\n").encode(),
                   "text/csv", "Every number with its source"),
    ]  # fmt: skip
    return _compiled("Selftest record", "Software validation", answer, document, attached,
                     generated)  # fmt: skip


def _summary(document: Document, rows: pd.DataFrame) -> None:
    """Scope of the tests, a line a topic and kind."""
    lines = []
    for (topic, kind), mine in groups(rows, ["topic", "kind"]):
        tested = mine["digits"].dropna()
        lines.append(
            [
                topic,
                kind,
                str(mine["case"].nunique()),
                str(len(mine)),
                str(int(mine["agrees"].astype(bool).sum())),
                f"{tested.median():.1f}" if len(tested) else "",
            ]
        )
    document.table(
        "Published numbers agree within half a unit of the last digit, or within the tolerance "
        "stated; recomputed ones are the same examples computed to more digits by another "
        "program. Last column: median number of leading digits that agree.",
        [
            Heading("topic", "left", 2.4),
            Heading("kind", "left", 1),
            Heading("examples", width=0.7),
            Heading("numbers", width=0.7),
            Heading("agree", width=0.7),
            Heading("digits", width=0.7),
        ],
        lines,
    )


def _examples(document: Document, topic: str, rows: pd.DataFrame) -> None:
    """A line an example of one topic, with its source."""
    lines: list[list[Text]] = []
    for (case,), mine in groups(rows, ["case"]):
        digits = mine["digits"].dropna()
        agree = int(mine["agrees"].astype(bool).sum())
        lines.append(
            [
                case,
                "; ".join(dict.fromkeys(str(s) for s in mine["source"])),
                str(len(mine)),
                str(agree) if agree == len(mine) else [{"t": str(agree), "s": "b"}],
                f"{digits.min():.1f}" if len(digits) else "",
            ]
        )
    document.table(
        f"{topic}: digits are the smallest number of leading digits that agree, or decimals if "
        "the known value is zero.",
        [
            Heading("example", "left", 1.5),
            Heading("source", "left", 3.4),
            Heading("numbers", width=0.6),
            Heading("agree", width=0.5),
            Heading("digits", width=0.5),
        ],
        lines,
    )


def _numbers(document: Document, caption: str, rows: pd.DataFrame) -> None:
    document.table(
        caption,
        [
            Heading("example", "left", 1.6),
            Heading("quantity", "left", 1.6),
            Heading("known", width=1),
            Heading("here", width=1.2),
            Heading("tolerance", width=0.8),
            Heading("digits", width=0.5),
            Heading("", "left", 0.7),
        ],
        [
            [
                str(r.case),
                str(r.quantity),
                str(r.published) + (" (memory)" if r.from_memory is True else ""),
                str(r.here),
                str(r.tolerance),
                "" if pd.isna(r.digits) else f"{r.digits:.1f}",
                "agrees" if bool(r.agrees) else [{"t": "differs", "s": "b"}],
            ]
            for r in rows_of(rows)
        ],
    )


def _compiled(
    kind: str,
    title: str,
    answer: list[Text],
    document: Document,
    attached: list[Attachment],
    generated: str,
) -> bytes:
    data = {
        "title": printable(title),
        "kind_name": kind,
        "running": printable(title),
        "subtitle": "",
        "author": "accstudy",
        "keywords": [kind],
        "description": kind,
        "date": [int(part) for part in generated.split("-")] if generated else [],
        "footer": FOOTER,
        "answer": [clean(text) for text in answer],
        "first": [],
        "blocks": document.blocks,
    }
    return compile_pdf(data, document.files, attached)
