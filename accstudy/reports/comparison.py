"""The comparison report: do conditions differ, and how do angulation and path act?"""

from __future__ import annotations

from accstudy.figures.models import means_chart
from accstudy.figures.style import rows_of
from accstudy.reports import deviations
from accstudy.reports.accuracy_tables import outlier_tests, paper_figures
from accstudy.reports.checklist import checklist
from accstudy.reports.common_sections import (
    holds_for,
    left_out,
    limits_of_use,
    methods_section,
    words_section,
)
from accstudy.reports.content import ReportContent
from accstudy.reports.crossing import design_section
from accstudy.reports.decision import differences_table, effects_table
from accstudy.reports.document import Attachment, Document, Text, heads, plain
from accstudy.reports.dossier import reference_section
from accstudy.reports.effects import acting_section, path_section
from accstudy.reports.headline import answer, shown_models
from accstudy.reports.latex import latex_table
from accstudy.reports.misfit import misfit
from accstudy.reports.model_checks import lack_of_fit_section, residual_checks, unequal_scatter
from accstudy.reports.model_evidence import (
    contrasts_section,
    means_table,
    scatter,
    term_tests,
)
from accstudy.reports.model_fits import fits_section, operators_section
from accstudy.reports.model_rows import lead_model, means_rows
from accstudy.reports.recorded import record_section
from accstudy.reports.report_rows import between, groups, pair_rows, slug
from accstudy.reports.sentences import condition_name
from accstudy.reports.validation import levels_table
from accstudy.reports.verdicts import decision_table, leading, verdict_table
from accstudy.words.catalogue import say
from accstudy.words.numbers import NONE, interval, number, quantity

__all__ = ["comparison_report", "latex_attachments"]


def comparison_report(content: ReportContent) -> tuple[list[Text], Document, Document]:
    """Build the comparison report."""
    first, rest = Document(), Document()
    means = content.table("model_means")
    lead = lead_model(means)
    models = shown_models(means, lead) if len(means) else [lead]
    differences_table(first, content, models)
    effects_table(first, content, lead)
    decision_table(first, content, lead_only=True)
    if not leading(content):
        levels_table(first, content, brief=True)
    _means(first, content, lead)
    holds_for(first, content)
    rest.new_page()
    contrasts_section(rest, content, lead)
    operators_section(rest, content)
    _by_itself(rest, content)
    design_section(rest, content)
    acting_section(rest, content)
    path_section(rest, content, models)
    means_table(rest, content)
    scatter(rest, content, models)
    fits_section(rest, content, models)
    for model in models:
        residual_checks(rest, content, model, first=model == lead)
    lack_of_fit_section(rest, content, models)
    unequal_scatter(rest, content, lead)
    outlier_tests(rest, content, most=8)
    deviations.alignments(rest, content)
    if content.has("seating"):
        rest.heading(say("comparison.predicted_seating_of_a"))
        misfit(rest, content)
    term_tests(rest, content)
    paper_figures(rest, content)
    checklist(rest, content)
    reference_section(rest, content)
    left_out(rest, content)
    words_section(rest, content)
    methods_section(rest, content)
    limits_of_use(rest, content)
    record_section(rest, content)
    return answer(content, lead), first, rest


def _by_itself(document: Document, content: ReportContent) -> None:
    """What every condition does against the reference, a row a condition."""
    rows = pair_rows(content)
    if not len(rows):
        return
    index = between(content)[1]
    pairs, seats = content.table("pair_deviations"), content.table("seating_summary")
    cells: list[list[Text]] = []
    for (condition,), mine in groups(rows, ["condition"]):
        seen = pairs.loc[pairs["condition"] == condition, "distance_um"].abs()
        low, high = (number(v, signed=True) for v in (mine["bias"].min(), mine["bias"].max()))
        gap = NONE
        if len(seats):
            best = (seats["condition"] == condition) & (seats["seated"] == "best-seat")
            gap = number(seats.loc[best, "max_um"].max())
        cells.append(
            [
                condition_name(condition),
                say("comparison.to_low_high", low=low, high=high),
                number(seen.median()),
                number(seen.max()),
                number(mine["s_r"].median()),
                number(mine["s_I"].median()),
                gap,
            ]
        )
    document.heading(say("comparison.results_by_condition"))
    document.table(
        say("comparison.distances_of_all_pairs", between=between(content)[0]),
        heads("comparison.columns_condition_sr_s_gap", index=index),
        cells,
    )
    verdict_table(document, content)


def _means(document: Document, content: ReportContent, lead: str) -> None:
    means = content.table("model_means")
    if not len(means):
        return
    models = shown_models(means, lead)
    rows = means_rows(means, models)
    shown = rows[rows["estimate"].notna() & rows["low"].notna()]
    if not len(shown):
        return
    said = "; ".join(
        f"{r.panel}, {r.level}: {quantity(r.estimate, r.unit)} "
        f"({interval(r.low, r.high, r.unit, signed=False)})"
        for r in rows_of(shown)
    )
    also = say("comparison.right_of_deviation") if len(models) > 1 else ""
    document.figure(
        "means",
        means_chart(shown),
        caption=say("comparison.estimated_means_with_their", also=also),
        alt=say("comparison.dots_with_intervals", said=said),
    )


def latex_attachments(document: Document) -> list[Attachment]:
    """The printed tables of a report as LaTeX."""
    wanted = {
        "Contrasts": "contrasts",
        "Estimated means": "means",
        "F tests": "tests",
        "Trueness and precision as papers print them": "trueness",
    }
    found: list[Attachment] = []
    for block in document.blocks:
        if block["type"] != "table":
            continue
        caption = plain(block["caption"])
        for start, name in wanted.items():
            if caption.startswith(start):
                titles = [plain(c["title"]) for c in block["columns"]]
                rows = [[plain(cell) for cell in row] for row in block["rows"]]
                before = sum(a.name.startswith(name) for a in found)
                file = f"{name}_{before + 1}" if before else name
                data = latex_table(caption, titles, rows, label=f"tab:{slug(file)}")
                what = say("comparison.table_of_for_a", name=name)
                found.append(Attachment(f"{file}.tex", data, "application/x-tex", what))
    return found
