"""Documents as PDF: the report of a study of each kind, the bench sheet, the selftest record."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import pandas as pd

from accstudy.errors import InputError, nearest
from accstudy.figures.style import figure_bytes, picture_bytes, printable, rows_of
from accstudy.reports.common import groups, subtitle
from accstudy.reports.comparison import comparison_report, latex_attachments
from accstudy.reports.document import (
    Attachment,
    Document,
    ReportContent,
    ReportFiles,
    Text,
    clean,
    heads,
    plain,
    strong_accent,
)
from accstudy.reports.drift import drift_report
from accstudy.reports.layout import compile_pdf
from accstudy.reports.record import attachments, identity
from accstudy.reports.validation import unreferenced_report, validation_report
from accstudy.words.catalogue import say, words
from accstudy.words.names import capital
from accstudy.words.numbers import date, joined

Builder = Callable[[ReportContent], tuple[list[Text], Document, Document]]


KINDS: dict[str, Builder] = {
    "validation": validation_report,
    "comparison": comparison_report,
    "drift": drift_report,
}
"""Builder of every kind of report."""


_KEYWORDS = {True: ("accuracy", "trueness", "precision"), False: ("precision",)}


def render_report(
    kind: str, content: ReportContent, *, forms: Sequence[str] = (), dpi: int = 300
) -> ReportFiles:
    """Make the report of a study.

    Parameters
    ----------
    kind : {"validation", "comparison", "drift"}
        Which report.
    content : ReportContent
        Finished tables, settings and record.
    forms : sequence of str
        Of `accstudy.figures.style.FORMATS`: in which every figure comes; SVG always does.
    dpi : int
        Of PNG and TIFF.

    Returns
    -------
    ReportFiles
        The same bytes for the same content.

    Raises
    ------
    InputError
        If there is no such kind.
    """
    if kind not in KINDS:
        raise InputError(f'there is no report of kind "{kind}"', hint=nearest(kind, list(KINDS)))
    name, build = words("common.report_names")[kind], KINDS[kind]
    if not content.referenced and kind != "drift":
        name, build = words("common.report_names_unreferenced")[kind], unreferenced_report
    answer, first, rest = build(content)
    files = {**first.files, **rest.files}
    data: dict[str, Any] = {
        "title": printable(content.title),
        "kind_name": name,
        "running": printable(content.title),
        "subtitle": clean(subtitle(content)),
        "author": "accstudy",
        "keywords": [say("common.implant_impression"), *_KEYWORDS[content.referenced], kind],
        "description": " ".join(plain(text) for text in answer),
        "date": [int(part) for part in content.generated.split("-")] if content.generated else [],
        "footer": say("cautions.footer"),
        "identity": identity(content),
        "answer": [clean(text) for text in answer],
        "first": first.blocks,
        "blocks": rest.blocks,
    }
    pdf = compile_pdf(data, files, [*attachments(content), *latex_attachments(rest)])
    written: dict[str, bytes] = {}
    drawn = {**first.figures, **rest.figures}
    for form in forms:
        written |= {f"{name}.{form}": figure_bytes(f, form, dpi=dpi) for name, f in drawn.items()}
        if form in ("png", "tiff"):
            written |= {f"{n}.{form}": picture_bytes(d, form) for n, d in content.pictures.items()}
    return ReportFiles(pdf=pdf, figures=files | written, data=data)


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
        said = [f"{capital(n).rstrip('.')}." for n in notes if n]
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
