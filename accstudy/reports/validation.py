"""The validation report: may this workflow be used, and up to which span?"""

from __future__ import annotations

from typing import Any

import pandas as pd

from accstudy.accuracy.judge import ALL_PAIRS, EACH_PAIR
from accstudy.figures.span import supported_span_chart
from accstudy.figures.style import rows_of
from accstudy.reports import deviations, seating
from accstudy.reports.accuracy import (
    accuracy_tables,
    paper_figures,
    precision_relations,
    variance_parts,
)
from accstudy.reports.common import (
    holds_for,
    left_out,
    limits_of_use,
    methods_section,
    tried_sentence,
    words_section,
)
from accstudy.reports.document import (
    Document,
    Heading,
    ReportContent,
    Text,
    bold,
    heads,
    said_once,
    strong_accent,
)
from accstudy.reports.names import bias_sentence, condition_name, supported_sentence
from accstudy.reports.record import record_section, reference_section
from accstudy.reports.rows import (
    confidence_of,
    gap_limits,
    is_scan,
    levels,
    limit_of,
    longest_pair,
    own_limits,
    slug,
    span_points,
)
from accstudy.reports.seating import misfit
from accstudy.reports.statements import (
    assumption,
    basis_sentence,
    decision_rule,
    for_whom,
    lead_sentence,
    scope_words,
    verdict_words,
    what_next,
)
from accstudy.reports.verdicts import decision_table, leading
from accstudy.words.catalogue import say, words
from accstudy.words.numbers import joined, missing, number, quantity, stated, sure

__all__ = ["answer", "levels_sentences", "levels_table", "validation_report"]


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
    deviations.pairs(rest, content)
    deviations.alignments(rest, content)
    deviations.implants_from_above(rest, content)
    deviations.scan_after_scan(rest, content)
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
        if pair is None:
            return [say("validation.no_result_no_scan")]
        said = levels_sentences(content)
        return [one for one in (*said, bias, tried_sentence(content)) if one]
    said = [lead_sentence(rows), basis_sentence(rows), bias if len(rows) == 1 else ""]
    return [one for one in (*said, tried_sentence(content)) if one]


def _span_figure(document: Document, content: ReportContent, along: str) -> None:
    table = content.table("span_curve")
    if not len(table) or not content.has("pair_deviations"):
        return
    name = "span" if along == "span" else say("validation.arch_length")
    curve = table[table["against"] == f"{along}_mm"]
    conditions = list(dict.fromkeys(curve["condition"]))
    shown = conditions[: deviations.SHOWN]
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


def levels_sentences(content: ReportContent) -> list[Text]:
    """Without a limit of the user's: which span holds for which level."""
    rows = levels(content, scope=ALL_PAIRS)
    none = say(
        "validation.the_study_sets_no",
        on_distances=say("validation.on_distances") if gap_limits(content) else "",
    )
    if not len(rows):
        return [say("validation.so_nothing_can_be", none=none)]
    several = len(set(rows["condition"])) > 1
    first = rows_of(rows)[0]
    if rows["supported_mm"].isna().all():
        why = f": {first.note}" if first.note and not several else ""
        said: Text = [
            say("validation.and_none", none=none),
            strong_accent(say("validation.no_span_is_supported")),
            say("validation.at_any_level", why=why),
        ]
    elif several:
        said = say("validation.the_table_gives_the", none=none)
    else:
        spans = [
            supported_sentence("", r.level_um, r.supported_mm, r.longest_mm) for r in rows_of(rows)
        ]
        said = [
            say("validation.all_pairs_of_a", none=none),
            strong_accent(joined(spans)),
            f"{for_whom(first.holds_for)}.",
        ]
    return [said, say("validation.for_a_verdict_set")]


def levels_table(document: Document, content: ReportContent, *, brief: bool = False) -> None:
    """Supported span and arch length at each level."""
    axes = [(ALL_PAIRS, "span")]
    if not brief:
        axes += [(ALL_PAIRS, "path"), (EACH_PAIR, "span"), (EACH_PAIR, "path")]
    lengths = {(scope, along): levels(content, along, scope) for scope, along in axes}
    first = lengths[ALL_PAIRS, "span"]
    if not len(first):
        return
    wanted = sorted(set(first["level_um"]))
    several = len(set(first["condition"])) > 1
    rows: list[list[Text]] = []
    for condition in dict.fromkeys(first["condition"]):
        for k, ((scope, along), table) in enumerate(lengths.items()):
            mine = table[table["condition"] == condition].set_index("level_um")
            start: list[Text] = [condition_name(condition) if k == 0 else ""]
            name = say("validation.arch_length") if along == "path" else along
            row: list[Text] = [*(start if several else []), f"{name}, {scope}"]
            for level in wanted:
                at = mine.loc[level]
                row.append(_length(float(at["supported_mm"]), float(at["longest_mm"])))
            rows.append(row)
    one = rows_of(first)[0]
    notes = [n for n in dict.fromkeys(first["note"]) if n]
    document.table(
        say(
            "validation.supported_span_at_each",
            and_arch_length="" if brief else say("validation.and_arch_length"),
            coverage=sure(one.coverage),
            confidence=sure(one.confidence),
            and_for_each_pair="" if brief else say("validation.and_for_each_pair"),
            note=say("validation.note") + "; ".join(notes) + "." if notes else "",
        ),
        [
            *(heads("validation.columns_condition_2") if several else []),
            *heads("validation.columns"),
            *(Heading(f"{level:g} µm", width=1) for level in wanted),
        ],
        rows,
        wide=False,
    )


def _length(supported_mm: float, longest_mm: float) -> str:
    if missing(supported_mm):
        return "none"
    text = number(supported_mm, "mm")
    return say("validation.all_text", text=text) if supported_mm >= longest_mm - 0.05 else text
