"""Two smaller documents of the same design: the bench sheet and the selftest record."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from accstudy.figures.style import printable, rows_of
from accstudy.reports.document import (
    Attachment,
    Document,
    Text,
    clean,
    heads,
    strong_accent,
)
from accstudy.reports.layout import compile_pdf
from accstudy.reports.rows import groups
from accstudy.words.catalogue import say
from accstudy.words.numbers import date, joined

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
        document.items(said, heading=say("sheets.before_you_begin"))
    for k, ((session, operator), rows) in enumerate(groups(table, ["session", "operator"])):
        if k:
            document.new_page()
        document.heading(", ".join(p for p in (_session(session), operator) if p))
        cells: list[list[Text]] = [
            [str(r.order), str(r.scan), str(r.model), str(r.condition), str(r.body_seating),
             [{"t": _BOX, "s": "box"}], *[""] * 5]
            for r in rows_of(rows)
        ]  # fmt: skip
        document.listed("sheets.order_table", cells, roomy=True)
        document.listed("sheets.block_table", [[""] * 5], roomy=True)
        document.table(
            say("sheets.serial_numbers_of_the"),
            [*heads("sheets.columns_position"), *heads("sheets.columns") * _POSITIONS],
            [["serial", *[""] * _POSITIONS]] * 2,
            roomy=True,
        )
    answer: list[Text] = [say("sheets.in_randomised_order", table=len(table), order=order)]
    data = table.to_csv(index=False, lineterminator="\n").encode()
    attached = [
        Attachment("bench_sheet.csv", data, "text/csv", say("sheets.the_scanning_order_as"))
    ]
    return _compiled(
        say("sheets.data_collection_sheet"), title, answer, document, attached, generated
    )


def _session(name: str) -> str:
    """Session as a heading: a name in words stands for itself, a number does not."""
    if not name or any(c.isalpha() for c in name):
        return f"{name[:1].upper()}{name[1:]}"
    return say("sheets.session_name", name=name)


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
            say(
                "sheets.this_installation_reproduces_of",
                rows=len(rows) - len(wrong),
                rows_2=len(rows),
                kinds=joined(kinds),
                cases=len(cases),
            ),
            strong_accent(
                say("sheets.all_agree") if wrong.empty else say("sheets.do_not", wrong=len(wrong))
            ),
            ".",
        ]
    ]
    document = Document()
    document.terms(
        [
            ("accstudy", str(record.get("accstudy", ""))),
            (say("sheets.platform"), str(record.get("platform", ""))),
            (
                say("sheets.versions"),
                joined([f"{k} {v}" for k, v in record.get("versions", {}).items()]),
            ),
            (
                say("sheets.program"),
                say("sheets.sha_256", program=record["program"]) if record.get("program") else "",
            ),
            (say("sheets.time_taken"), f"{record['seconds']:g} s" if record.get("seconds") else ""),
            (say("sheets.date"), date(pd.Timestamp(generated)) if generated else ""),
        ],
        heading=say("sheets.scope_of_the_tests"),
    )
    _summary(document, rows)
    if record.get("not_computed"):
        missing: dict[str, list[str]] = {}
        for entry in record["not_computed"]:
            example, _, quantity = str(entry).partition(": ")
            missing.setdefault(example, []).append(quantity)
        document.lead(
            say("sheets.not_tested"),
            say("sheets.numbers_from_the_same"),
            *(f"{example}: {', '.join(names)}" for example, names in missing.items()),
            long=True,
        )
    if len(wrong):
        document.heading(say("sheets.discrepancies"))
        cells: list[list[Text]] = [
            [str(r.case), str(r.quantity),
             str(r.published) + (say("sheets.memory") if r.from_memory is True else ""),
             str(r.here), str(r.tolerance), "" if pd.isna(r.digits) else f"{r.digits:.1f}",
             [{"t": "differs", "s": "b"}]]
            for r in rows_of(wrong)
        ]  # fmt: skip
        document.listed("sheets.differing_table", cells)
    document.heading(say("sheets.examples_and_their_sources"))
    for (topic,), mine in groups(rows, ["topic"]):
        _examples(document, topic, mine)
    document.lead(say("sheets.every_number"), say("sheets.known_value_computed_value"))
    attached = [
        Attachment(
            "selftest.csv",
            rows.to_csv(index=False, lineterminator="\n").encode(),
            "text/csv",
            say("sheets.every_number_with_its"),
        )
    ]
    return _compiled(
        say("sheets.selftest_record"),
        say("sheets.software_validation"),
        answer,
        document,
        attached,
        generated,
    )


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
    document.listed("sheets.topics_table", lines)


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
    document.listed("sheets.examples_table", lines, topic=topic)


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
        "footer": say("cautions.footer"),
        "answer": [clean(text) for text in answer],
        "first": [],
        "blocks": document.blocks,
    }
    return compile_pdf(data, document.files, attached)
