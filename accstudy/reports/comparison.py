"""The comparison report: do conditions differ, and how do angulation and path act?"""

from __future__ import annotations

import pandas as pd

from accstudy.figures.models import means_chart
from accstudy.figures.style import rows_of
from accstudy.models.means import log_base
from accstudy.reports import evidence
from accstudy.reports.checklist import checklist
from accstudy.reports.content import ReportContent
from accstudy.reports.document import Attachment, Document, Text, plain
from accstudy.reports.latex import latex_table
from accstudy.reports.misfit import misfit
from accstudy.reports.model_evidence import (
    contrasts_section,
    effects,
    means_table,
    residual_checks,
    scatter,
    term_tests,
)
from accstudy.reports.modelled import (
    contrast_sentence,
    interaction_phrase,
    lead_model,
    level_contrasts,
    means_rows,
    shown_interactions,
)
from accstudy.reports.select import slug
from accstudy.reports.shared import (
    holds_for,
    left_out,
    limits_of_use,
    methods_section,
    record_section,
)
from accstudy.reports.validation import answer as validation_answer
from accstudy.reports.wording import (
    count,
    interval,
    joined,
    quantity,
)

__all__ = ["comparison_report", "latex_attachments"]

_ON_FIRST_PAGE = 3


def comparison_report(content: ReportContent) -> tuple[list[Text], Document, Document]:
    """Build the comparison report.

    Parameters
    ----------
    content : ReportContent
        Finished tables; those that are absent leave their section out.

    Returns
    -------
    answer : list of Text
        The question answered, a sentence a contrast.
    first : Document
        Rest of page 1.
    rest : Document
        Evidence, checklist, losses, methods, limits, record.
    """
    first, rest = Document(), Document()
    means = content.table("model_means")
    lead = lead_model(means)
    _means(first, content, lead)
    holds_for(first, content)
    rest.new_page()
    contrasts_section(rest, content, lead)
    effects(rest, content, lead)
    means_table(rest, content)
    scatter(rest, content, lead)
    residual_checks(rest, content, lead)
    evidence.alignments(rest, content)
    if content.has("seating"):
        rest.heading("How a rigid framework would seat")
        misfit(rest, content)
    term_tests(rest, content)
    checklist(rest, content)
    left_out(rest, content)
    methods_section(rest, content)
    limits_of_use(rest)
    record_section(rest, content)
    return answer(content, lead), first, rest


def answer(content: ReportContent, lead: str) -> list[Text]:
    """Sentences of page 1: the contrasts of the leading model."""
    table = content.table("model_contrasts")
    rows = level_contrasts(table, lead) if len(table) else table
    if not len(rows):
        return [
            "The study has no model that compares conditions. What a single one does:",
            *validation_answer(content)[:1],
        ]
    said: list[Text] = [contrast_sentence(r) for r in rows_of(rows)[:_ON_FIRST_PAGE]]
    if len(rows) > _ON_FIRST_PAGE:
        left = len(rows) - _ON_FIRST_PAGE
        said.append(f"{count(left, 'further contrast')} follow in the table of contrasts.")
    differ = shown_interactions(table, lead)
    if differ:
        said.append(
            "The differences above hold at the mean case only: "
            + "; ".join(interaction_phrase(r) for r in differ[:2])
            + "."
        )
    return said


def _shown_models(means: pd.DataFrame, lead: str) -> list[str]:
    """The leading model, and one on the size of the same response if there is one."""
    column = str(means.loc[means["model_name"] == lead, "response"].iloc[0])
    for row in rows_of(means.drop_duplicates("model_name")):
        if row.model_name != lead and column in row.response and log_base(row.response):
            return [lead, str(row.model_name)]
    return [lead]


def _means(document: Document, content: ReportContent, lead: str) -> None:
    means = content.table("model_means")
    if not len(means):
        return
    models = _shown_models(means, lead)
    rows = means_rows(means, models)
    shown = rows[rows["estimate"].notna()]
    if not len(shown):
        return
    said = "; ".join(
        f"{r.panel}, {r.level}: {quantity(r.estimate, r.unit)} "
        f"({interval(r.low, r.high, r.unit, signed=False)})"
        for r in rows_of(shown)
    )
    held = str(means.loc[means["model_name"] == lead, "at"].iloc[0])
    also = (
        " Right, the typical size without regard to sign (geometric mean)."
        if len(models) > 1
        else ""
    )
    document.figure(
        "means",
        means_chart(shown),
        caption=f"Means estimated by the mixed model with their intervals{_held(held)}.{also} "
        "Overlap of two intervals says nothing about their difference; the contrasts do.",
        alt=f"Dots with intervals. {said}.",
    )


def _held(text: str) -> str:
    parts = []
    for part in text.split("; "):
        name, _, value = part.partition(" = ")
        if value:
            unit = {"deg": "°", "mm": " mm"}.get(name.rsplit("_", 1)[-1], "")
            parts.append(f"{name.rsplit('_', 1)[0].replace('_', ' ')} {float(value):.1f}{unit}")
    return f", held at {joined(parts)}" if parts else ""


def latex_attachments(document: Document) -> list[Attachment]:
    """The printed tables of a report as LaTeX.

    Parameters
    ----------
    document : Document
        A finished report.

    Returns
    -------
    list of Attachment
        One file a table whose caption speaks of contrasts, means or tests.
    """
    wanted = {"Contrasts": "contrasts", "Estimated means": "means", "F tests": "tests"}
    found = []
    for block in document.blocks:
        if block["type"] != "table":
            continue
        caption = plain(block["caption"])
        for start, name in wanted.items():
            if caption.startswith(start):
                titles = [plain(c["title"]) for c in block["columns"]]
                rows = [[plain(cell) for cell in row] for row in block["rows"]]
                data = latex_table(caption, titles, rows, label=f"tab:{slug(name)}")
                what = f"Table of {name} for a paper"
                found.append(Attachment(f"{name}.tex", data, "application/x-tex", what))
    return found
