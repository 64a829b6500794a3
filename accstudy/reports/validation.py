"""The validation report, with a reference or without one."""

from __future__ import annotations

from typing import Any

from accstudy.accuracy.judge import ALL_PAIRS
from accstudy.figures.accuracy import supported_lengths_chart
from accstudy.figures.style import rows_of
from accstudy.reports import accuracy, seating
from accstudy.reports.accuracy import (
    accuracy_tables,
    outlier_tests,
    paper_figures,
    precision_figure,
    precision_relations,
    variance_parts,
)
from accstudy.reports.common import (
    between,
    bias_sentence,
    confidence_of,
    flagged,
    has_between,
    holds_for,
    is_scan,
    left_out,
    limit_of,
    limits_of_use,
    longest_pairs,
    named,
    pair_rows,
    tried_sentence,
    words_section,
)
from accstudy.reports.comparison import differences_table
from accstudy.reports.document import Document, ReportContent, Text, extended, strong_accent
from accstudy.reports.effects import design_section, model_evidence
from accstudy.reports.methods import checklist, methods_section
from accstudy.reports.models import (
    at_ends,
    contrast_sentences,
    contrasts_section,
    model_of,
    operators_section,
    shown_models,
    term_tests,
)
from accstudy.reports.record import record_section, reference_section
from accstudy.reports.seating import largest_gap, misfit
from accstudy.reports.verdicts import (
    basis_sentence,
    decision_table,
    lead_sentence,
    leading,
    levels,
    levels_sentences,
    levels_table,
    supported_sentence,
    verdicts_table,
)
from accstudy.words.catalogue import marked_up, say, words
from accstudy.words.names import capital, condition_name, pair_name
from accstudy.words.numbers import joined, missing, quantity, sure


def validation_report(content: ReportContent) -> tuple[list[Text], Document, Document]:
    """Build the validation report."""
    first, rest = Document(), Document()
    decision_table(first, content)
    if not leading(content):
        levels_table(first, content)
    _span_figure(first, content)
    holds_for(first, content)
    rest.new_page()
    _verdicts(rest, content)
    accuracy.pairs(rest, content)
    accuracy.alignments(rest, content)
    accuracy.implants_from_above(rest, content)
    accuracy.scan_after_scan(rest, content)
    precision_relations(rest, content, figure=True)
    variance_parts(rest, content)
    seating.budget(rest, content)
    seating.seating(rest, content)
    misfit(rest, content)
    seating.pictures(rest, content)
    accuracy_tables(rest, content)
    paper_figures(rest, content)
    reference_section(rest, content)
    left_out(rest, content)
    words_section(rest, content)
    methods_section(rest, content)
    limits_of_use(rest, content)
    record_section(rest, content)
    return answer(content), first, rest


def answer(content: ReportContent) -> list[Text]:
    """Sentences of page 1."""
    rows, pairs = leading(content), longest_pairs(content)
    said = [lead_sentence(rows), basis_sentence(rows)] if rows else levels_sentences(content)
    if not pairs and not rows:
        return said
    bias = [bias_sentence(p, is_scan=is_scan(content)) for p in pairs[:1] if len(rows) < 2]
    return [one for one in (*said, *bias, tried_sentence(content)) if one]


def _span_figure(document: Document, content: ReportContent) -> None:
    """The bound against the span and against the arch length, with what they support."""
    curve, points = content.table("span_curve"), content.table("pair_deviations")
    if not len(curve) or not len(points):
        return
    conditions = list(dict.fromkeys(curve["condition"]))
    shown = conditions[: accuracy.SHOWN]
    at = {along: levels(content, ALL_PAIRS, along=along) for along in ("span", "path")}
    at = {along: table[table["condition"].isin(shown)] for along, table in at.items()}
    said = [supported_sentence(r, along=a) for a, table in at.items() for r in rows_of(table)]
    left = len(conditions) - len(shown)
    document.figure(
        "supported",
        supported_lengths_chart(
            curve[curve["condition"].isin(shown)],
            points[points["condition"].isin(shown)],
            at,
            limit_um=limit_of(content, "distance_um"),
        ),
        caption=say(
            "validation.bars_bound_of_each",
            share=sure(content.setting("limits", "coverage")),
            level=sure(confidence_of(content)),
            more=say("validation.in_the_tables", left=left) if left else "",
        ),
        alt=say(
            "validation.chart_of_the_tolerance",
            said=joined(said) or say("validation.no_level_given"),
        ),
    )


def _verdicts(document: Document, content: ReportContent) -> None:
    if not leading(content):
        return
    rule = say("verdicts.conformity_is_verified_if", confidence=confidence_of(content))
    document.heading(say("validation.verdict_for_each_limit"))
    document.lead(
        say("validation.how_to_read_it"), say("validation.iso_14253_1_2017", decision_rule=rule)
    )
    verdicts_table(document, content)
    levels_table(document, content)


_MOST = 5


def unreferenced_report(content: ReportContent) -> tuple[list[Text], Document, Document]:
    """Build the report of a validation or comparison without a reference."""
    first, rest = Document(), Document()
    lead, models = model_of(content, "lead"), shown_models(content)
    if lead:
        differences_table(first, content, models)
    _by_condition(first, content)
    precision_figure(first, content, most=accuracy.SHOWN)
    holds_for(first, content)
    rest.new_page()
    precision_relations(rest, content)
    if lead:
        contrasts_section(rest, content, lead)
        operators_section(rest, content)
        design_section(rest, content)
        model_evidence(rest, content, lead, models)
        term_tests(rest, content)
    accuracy.scan_after_scan(rest, content)
    variance_parts(rest, content)
    _seating(rest, content)
    seating.pictures(rest, content)
    if lead:
        outlier_tests(rest, content, most=8)
        checklist(rest, content)
    else:
        accuracy_tables(rest, content)
    left_out(rest, content)
    words_section(rest, content)
    methods_section(rest, content)
    limits_of_use(rest, content)
    record_section(rest, content)
    return unreferenced_answer(content), first, rest


def unreferenced_answer(content: ReportContent) -> list[Text]:
    """Sentences of page 1."""
    rows = longest_pairs(content)
    if not rows:
        return [say("precision.no_result_no_two"), say("cautions.not_stated")]
    lead, said = model_of(content, "lead"), [say("cautions.not_stated"), tried_sentence(content)]
    if lead:
        compared = contrast_sentences(content, lead) + at_ends(content, lead, most=1)
        return [*compared, *said]
    return [_repeats(content, rows[0]) if len(rows) == 1 else _all_repeats(content, rows), *said]


def _factors(content: ReportContent) -> str:
    return joined(between(content)[2], last="or")


def _repeats(content: ReportContent, row: Any) -> Text:
    """How far two scans of one condition lie apart over the longest pair."""
    known = [c for c in ("r_limit", "I_limit") if not missing(getattr(row, c))]
    which = ", ".join(p for p in (pair_name(row.subject), named(content, "", row.model)) if p)
    name = str(row.condition)
    over = f"{capital(name)}: over" if name else "Over"
    more = {"over": over, "which": which, "name": between(content)[0], "factors": _factors(content)}
    return marked_up(words("precision.two_scans")["_".join(known)], {**row._asdict(), **more})


def _all_repeats(content: ReportContent, rows: list[Any]) -> Text:
    """The same for several conditions in one sentence."""
    rest = len(rows[_MOST:])
    more = say("precision.and_more_in_the", rows=rest) if rest else ""
    text: list[Any] = [say("precision.over_the_longest_pair"), *_listed(rows[:_MOST], "r_limit")]
    if any(not missing(r.I_limit) for r in rows[:_MOST]):
        text.append(say("precision.with_another_by_less", factors=_factors(content)))
        text += _listed(rows[:_MOST], "I_limit")
    return [*text, say("precision.in_95_of_cases_3", more=more)]


def _listed(rows: list[Any], column: str) -> list[Any]:
    """A value a condition, in a sentence."""
    out: list[Any] = []
    for k, row in enumerate(rows):
        value = getattr(row, column)
        said = "unknown" if missing(value) else quantity(value)
        out.append("" if not k else say("precision.and") if k == len(rows) - 1 else ", ")
        out += [strong_accent(said), f" ({condition_name(row.condition)})"]
    return out


_SPREADS = ("s_r", "s_r_low", "s_r_high", "s_I", "s_I_low", "s_I_high")


def _by_condition(document: Document, content: ReportContent) -> None:
    """Scatter of every condition, a row each."""
    table = content.table("condition_summary")
    if not len(table):
        return
    name, index, _ = between(content)
    longest = flagged(pair_rows(content), "longest")[["condition", *_SPREADS]]
    document.listed(
        "precision.summary_table",
        extended(
            table.merge(longest, on="condition", how="left"),
            gap=[largest_gap(content, str(c)) for c in table["condition"]],
        ),
        shown=["between"] if has_between(content) else [],
        name=say("precision.and_name", name=name) if has_between(content) else "",
        index=index,
        confidence_of=sure(confidence_of(content)),
    )


def _seating(document: Document, content: ReportContent) -> None:
    """Predicted seating from the scatter of scans alone."""
    table = content.table("seating_summary")
    if not len(table):
        return
    document.heading(say("precision.misfit_of_a_framework"))
    document.lead(say("precision.how_to_read_it"), say("precision.a_rigid_framework_made"))
    document.listed("precision.misfit_table", table, wide=False)
