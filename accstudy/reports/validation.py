"""The validation report, with a reference or without one."""

from __future__ import annotations

from typing import Any

import pandas as pd

from accstudy.accuracy.judge import ALL_PAIRS
from accstudy.figures.accuracy import supported_span_chart
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
    holds_for,
    is_scan,
    left_out,
    limit_of,
    limits_of_use,
    longest_pair,
    longest_pairs,
    named,
    slug,
    tried_sentence,
    words_section,
)
from accstudy.reports.comparison import differences_table
from accstudy.reports.document import (
    Document,
    ReportContent,
    Text,
    bold,
    extended,
    said_once,
    strong_accent,
)
from accstudy.reports.effects import (
    design_section,
    influence_section,
    lack_of_fit_section,
    residual_checks,
    unequal_scatter,
)
from accstudy.reports.methods import checklist, methods_section
from accstudy.reports.models import (
    at_ends,
    contrast_sentence,
    contrasts_section,
    contrasts_sentence,
    fits_section,
    level_contrasts,
    means_table,
    operators_section,
    scatter,
    term_tests,
)
from accstudy.reports.record import record_section, reference_section
from accstudy.reports.seating import largest_gap, misfit
from accstudy.reports.verdicts import (
    assumption,
    basis_sentence,
    decision_rule,
    decision_table,
    for_whom,
    gap_limits,
    lead_sentence,
    leading,
    levels,
    levels_sentences,
    levels_table,
    own_limits,
    scope_words,
    supported_sentence,
    verdict_words,
    what_next,
)
from accstudy.words.catalogue import say, words
from accstudy.words.names import condition_name
from accstudy.words.numbers import joined, missing, quantity, stated, sure

__all__ = [
    "answer",
    "span_points",
    "unreferenced_answer",
    "unreferenced_report",
    "validation_report",
]


def validation_report(content: ReportContent) -> tuple[list[Text], Document, Document]:
    """Build the validation report."""
    first, rest = Document(), Document()
    decision_table(first, content)
    if not leading(content):
        levels_table(first, content)
    _span_figure(first, content, "span")
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
    rows, confidence = leading(content), confidence_of(content)
    pair = longest_pair(content)
    bias = bias_sentence(pair, is_scan=is_scan(content), confidence=confidence) if pair else ""
    if not rows:
        said = levels_sentences(content)
        return [one for one in (*said, bias, tried_sentence(content)) if one] if pair else said
    said = [lead_sentence(rows), basis_sentence(rows), bias if len(rows) == 1 else ""]
    return [one for one in (*said, tried_sentence(content)) if one]


def _span_figure(document: Document, content: ReportContent, along: str) -> None:
    table = content.table("span_curve")
    if not len(table) or not content.has("pair_deviations"):
        return
    name = "span" if along == "span" else say("validation.arch_length")
    curve = table[table["against"] == f"{along}_mm"]
    conditions = list(dict.fromkeys(curve["condition"]))
    shown = conditions[: accuracy.SHOWN]
    at = levels(content, along, ALL_PAIRS)
    points = span_points(content.table("pair_deviations"), along=along)
    drawn = supported_span_chart(
        curve[curve["condition"].isin(shown)],
        points[points["condition"].isin(shown)],
        at[at["condition"].isin(shown)],
        limit_um=limit_of(content, "distance_um"),
        along=along,
        height_mm=46,
    )
    said = joined(
        [
            supported_sentence(r.condition, r.level_um, r.supported_mm, r.longest_mm, along=along)
            for r in rows_of(at[at["condition"].isin(shown)])
        ]
    )
    left = len(conditions) - len(shown)
    more = say("validation.in_the_tables", left=left) if left else ""
    share, level = sure(content.setting("limits", "coverage")), sure(confidence_of(content))
    document.figure(
        slug("supported", along),
        drawn,
        caption=say(
            "validation.bars_bound_of_each",
            share=share,
            level=level,
            name=name,
            more=more,
        ),
        alt=say(
            "validation.chart_of_the_tolerance",
            name=name,
            said=said or say("validation.no_level_given"),
        ),
    )


def _verdicts(document: Document, content: ReportContent) -> None:
    rows = own_limits(content)
    if not len(rows):
        _span_figure(document, content, "path")
        return
    document.heading(say("validation.verdict_for_each_limit"))
    document.lead(
        say("validation.how_to_read_it"),
        say("validation.iso_14253_1_2017", decision_rule=decision_rule(confidence_of(content))),
    )
    _verdict_table(document, content, rows, gap_limits(content))
    levels_table(document, content)
    _span_figure(document, content, "path")


def _verdict_table(
    document: Document, content: ReportContent, rows: pd.DataFrame, gaps: list[Any]
) -> None:
    """What every verdict rests on; with several conditions the verdicts, too.

    With one condition page 1 has the bounds and verdicts of all limits.
    """
    several = len(set(rows["condition"])) > 1
    cells: list[list[Text]] = []
    for r in rows_of(rows):
        cells.append(
            [
                condition_name(r.condition),
                f"{scope_words(r)}{for_whom(r.holds_for)}",
                stated(r.limit, r.unit),
                *(quantity(v, r.unit) for v in (r.largest_seen, r.tolerance_bound)),
                quantity(r.bound_with_guard, r.unit),
                [bold(verdict_words(r))],
                _notes(assumption(r), *what_next(r), r.note),
            ]
        )
    cells = said_once(cells)
    for r in gaps:
        cells.append(
            [
                condition_name(r.condition),
                words("names.gaps").get(r.seated, str(r.seated)),
                stated(r.limit_um),
                *(quantity(v) for v in (r.max_um, r.tolerance_bound_um, r.bound_with_guard_um)),
                [bold(str(r.verdict))],
                _notes(say("validation.model_model", r), r.note),
            ]
        )
    if several:
        document.listed("validation.verdicts_table", cells, scans=_scans_of(rows))
    else:
        document.listed("validation.basis_table", cells, scans=_scans_of(rows))


def _notes(*notes: Any) -> str:
    return "; ".join(str(note) for note in notes if note and not missing(note))


def _scans_of(rows: pd.DataFrame) -> str:
    """How many scans the rows rest on."""
    counts = sorted({int(n) for n in rows["n_scans"]})
    text = (
        str(counts[0])
        if len(counts) == 1
        else say("validation.to_counts_counts_2", counts=counts[0], counts_2=counts[-1])
    )
    return (
        say("validation.from_scans_each", text=text)
        if counts[-1] > 1
        else say("validation.from_scan", text=text)
    )


def span_points(pair_deviations: pd.DataFrame, *, along: str = "span") -> pd.DataFrame:
    """Size of every deviation of a distance, against span or path."""
    return pd.DataFrame(
        {
            "condition": pair_deviations["condition"],
            "at_mm": pair_deviations[f"{along}_mm"],
            "abs_um": pair_deviations["distance_um"].abs(),
        }
    )


_MOST = 5


def unreferenced_report(content: ReportContent) -> tuple[list[Text], Document, Document]:
    """Build the report of a validation or comparison without a reference."""
    first, rest = Document(), Document()
    lead, models = _lead(content), _models(content)
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
        means_table(rest, content)
        scatter(rest, content, models)
        fits_section(rest, content, models)
        for model in models:
            residual_checks(rest, content, model, first=model == lead)
        influence_section(rest, content, lead)
        lack_of_fit_section(rest, content, models)
        unequal_scatter(rest, content, lead)
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


def unreferenced_answer(content: ReportContent) -> list[Text]:
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
