"""A report of each kind: finished tables in, PDF and figures out."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from accstudy.errors import InputError, nearest
from accstudy.figures.style import figure_bytes, picture_bytes, printable
from accstudy.reports.common import subtitle
from accstudy.reports.comparison import comparison_report, latex_attachments
from accstudy.reports.document import Document, ReportContent, ReportFiles, Text, clean, plain
from accstudy.reports.drift import drift_report
from accstudy.reports.layout import compile_pdf
from accstudy.reports.precision import unreferenced_report
from accstudy.reports.record import attachments, identity
from accstudy.reports.validation import validation_report
from accstudy.words.catalogue import say, words

__all__ = ["KINDS", "render_report"]

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
    for form in (f for f in forms if f != "svg"):  # as which all are drawn already
        written |= {f"{name}.{form}": figure_bytes(f, form, dpi=dpi) for name, f in drawn.items()}
        if form in ("png", "tiff"):
            written |= {f"{n}.{form}": picture_bytes(d, form) for n, d in content.pictures.items()}
    return ReportFiles(pdf=pdf, figures=files | written, data=data)
