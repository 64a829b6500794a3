"""The report of a study without a reference: how scans scatter, and how conditions differ."""

from __future__ import annotations

from typing import Any

from accstudy.figures.style import rows_of
from accstudy.reports import deviations, seating
from accstudy.reports.accuracy import (
    accuracy_tables,
    outlier_tests,
    precision_figure,
    precision_relations,
    variance_parts,
)
from accstudy.reports.checks import (
    checklist,
    design_section,
    influence_section,
    lack_of_fit_section,
    residual_checks,
    unequal_scatter,
)
from accstudy.reports.common import (
    holds_for,
    left_out,
    limits_of_use,
    methods_section,
    tried_sentence,
    words_section,
)
from accstudy.reports.comparison import differences_table
from accstudy.reports.document import Document, ReportContent, Text, extended, strong_accent
from accstudy.reports.headline import at_ends
from accstudy.reports.model_names import contrast_sentence, contrasts_sentence, level_contrasts
from accstudy.reports.models import (
    contrasts_section,
    fits_section,
    means_table,
    operators_section,
    scatter,
    term_tests,
)
from accstudy.reports.names import condition_name
from accstudy.reports.record import record_section
from accstudy.reports.rows import between, confidence_of, largest_gap, longest_pairs, named
from accstudy.words.catalogue import say
from accstudy.words.numbers import missing, quantity, sure

__all__ = ["answer", "unreferenced_report"]

_MOST = 5


def unreferenced_report(content: ReportContent) -> tuple[list[Text], Document, Document]:
    """Build the report of a validation or comparison without a reference."""
    first, rest = Document(), Document()
    lead, models = _lead(content), _models(content)
    if lead:
        differences_table(first, content, models)
    _by_condition(first, content)
    precision_figure(first, content, most=deviations.SHOWN)
    holds_for(first, content)
    rest.new_page()
    precision_relations(rest, content)
    if lead:
        contrasts_section(rest, content, lead)
        operators_section(rest, content)
        design_section(rest, content)
        means_table(rest, content)
        scatter(rest, content, models)
        fits_section(rest, content, models)
        for model in models:
            residual_checks(rest, content, model, first=model == lead)
        influence_section(rest, content, lead)
        lack_of_fit_section(rest, content, models)
        unequal_scatter(rest, content, lead)
        term_tests(rest, content)
    deviations.scan_after_scan(rest, content)
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
    return answer(content), first, rest


def _lead(content: ReportContent) -> str:
    """First model of a signed response that compares conditions; empty without one."""
    table = content.table("model_contrasts")
    for row in rows_of(table.drop_duplicates("model_name")) if len(table) else ():
        if not str(row.response).startswith("spread(") and len(
            level_contrasts(table, str(row.model_name))
        ):
            return str(row.model_name)
    return ""


def _models(content: ReportContent) -> list[str]:
    """The leading model and the first one of scatter."""
    table = content.table("model_contrasts")
    if not len(table):
        return []
    spread = table[table["response"].str.startswith("spread(")]["model_name"]
    return [m for m in (_lead(content), *spread.head(1)) if m]


def answer(content: ReportContent) -> list[Text]:
    """Sentences of page 1."""
    rows = longest_pairs(content)
    if not rows:
        return [say("precision.no_result_no_two"), say("cautions.not_stated")]
    lead = _lead(content)
    compared: list[Text] = []
    if lead:
        table = content.table("model_contrasts")
        stated = rows_of(level_contrasts(table, lead).dropna(subset=["low"]))
        if stated:
            several = len(stated) > 1
            compared = [contrasts_sentence(stated) if several else contrast_sentence(stated[0])]
        compared += at_ends(content, lead, most=1)
        return [*compared, say("cautions.not_stated"), tried_sentence(content)]
    repeats = [_repeats(content, rows[0])] if len(rows) == 1 else [_all_repeats(content, rows)]
    return [*repeats, say("cautions.not_stated"), tried_sentence(content)]


def _repeats(content: ReportContent, row: Any) -> Text:
    """How far two scans of one condition lie apart over the longest pair."""
    who = f"{row.condition}: " if row.condition else ""
    name, _, factors = between(content)
    which = ", ".join([row.subject, *([w] if (w := named(content, "", row.model)) else [])])
    text: list[Any] = [say("precision.over_two_scans", who=who, span_mm=row.span_mm, which=which)]
    if not missing(row.r_limit):
        text += [
            say("precision.made_consecutively_differ_by"),
            strong_accent(quantity(row.r_limit)),
        ]
    if not missing(row.I_limit):
        text += [
            ", " if len(text) > 1 else say("precision.differ_by_less_than"),
            *([say("precision.with_another")] if len(text) > 1 else []),
            *(
                [say("precision.by_less_than", factors=factors.replace(" and ", " or "))]
                if len(text) > 1
                else []
            ),
            strong_accent(quantity(row.I_limit)),
        ]
    text += [
        say("precision.in_95_of_cases", row)
        if not missing(row.s_r)
        else say("precision.in_95_of_cases_2"),
        f", {name} {quantity(row.s_I)})." if not missing(row.s_I) else ").",
    ]
    first = text[0]
    return [first[0].upper() + first[1:], *text[1:]]


def _all_repeats(content: ReportContent, rows: list[Any]) -> Text:
    """The same for several conditions in one sentence."""
    shown = rows[:_MOST]
    more = say("precision.and_more_in_the", rows=len(rows) - _MOST) if len(rows) > _MOST else ""
    text: list[Any] = [say("precision.over_the_longest_pair")]
    text += _listed(shown, "r_limit")
    if any(not missing(r.I_limit) for r in shown):
        factors = between(content)[2].replace(" and ", " or ")
        text += [say("precision.with_another_by_less", factors=factors), *_listed(shown, "I_limit")]
    return [*text, say("precision.in_95_of_cases_3", more=more)]


def _listed(rows: list[Any], column: str) -> list[Any]:
    """A value a condition, in a sentence."""
    out: list[Any] = []
    for k, row in enumerate(rows):
        value = getattr(row, column)
        said = "unknown" if missing(value) else quantity(value)
        out += [
            "" if not k else say("precision.and") if k == len(rows) - 1 else ", ",
            strong_accent(said),
        ]
        out += [f" ({condition_name(row.condition)})"]
    return out


_SPREADS = ("s_r", "s_r_low", "s_r_high", "s_I", "s_I_low", "s_I_high")


def _by_condition(document: Document, content: ReportContent) -> None:
    """Scatter of every condition, a row each."""
    table = content.table("condition_summary")
    if not len(table):
        return
    name, index, _ = between(content)
    pairs = {str(r.condition): r for r in longest_pairs(content)}
    own = [pairs.get(str(c)) for c in table["condition"]]
    document.listed(
        "precision.summary_table",
        extended(
            table,
            **{c: [getattr(p, c, None) for p in own] for c in _SPREADS},
            gap=[largest_gap(content, str(c)) for c in table["condition"]],
        ),
        name=name,
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
    words = {
        "best-seat": say("precision.best_seat"),
        "terminal-screw": say("precision.one_screw_tightened"),
    }
    document.listed(
        "precision.misfit_table",
        table,
        wide=False,
        named={"seated": lambda way: words.get(str(way), str(way))},
    )
