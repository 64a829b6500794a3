"""What journals ask of a bench study, answered from the record or left for the author.

The items are put in our own words after the CRIS guideline (Krithikadatta, Gopikrishna and
Datta, J Conserv Dent 2014;17:301-304) and the checklist for in vitro studies modified from
CONSORT (Faggion, J Evid Based Dent Pract 2012;12:182-189).
"""

from __future__ import annotations

from typing import Any

import pandas as pd

from accstudy.reports.content import ReportContent
from accstudy.reports.crossing import inseparable_sentences
from accstudy.reports.document import Document, Text, heads, italic
from accstudy.reports.model_rows import margin_name, response_label
from accstudy.words.catalogue import say
from accstudy.words.numbers import joined, missing

__all__ = ["checklist", "checklist_rows"]


def checklist_rows(content: ReportContent) -> list[tuple[str, str, str]]:
    """Items with what the record says; ``for the author`` where it is silent."""
    scans = content.table("scans")
    factors = {str(c) for c in scans.columns}
    return [
        (
            say("design.structured_abstract_with_aim"),
            say("design.consort_1"),
            say("design.for_the_author"),
        ),
        (
            say("design.scientific_background_and_rationale"),
            say("design.consort_2a"),
            say("design.for_the_author"),
        ),
        (say("design.objectives_and_hypotheses"), say("design.consort_2b"), _hypotheses(content)),
        (
            say("design.materials_devices_versions_and"),
            say("design.cris_consort_3"),
            _steps(factors),
        ),
        (say("design.outcomes_predefined_and_how"), say("design.consort_4"), _outcomes(content)),
        (say("design.sample_size_rationale"), say("design.cris_consort_5"), _sizes(content)),
        (say("design.smallest_relevant_difference"), "CRIS", _difference(content)),
        (
            say("design.method_of_randomisation"),
            say("design.cris_consort_6"),
            _order(content, factors),
        ),
        (
            say("design.allocation_concealment"),
            say("design.consort_7"),
            say("design.for_the_author"),
        ),
        (
            say("design.implementation_who_randomised_and"),
            say("design.consort_8"),
            _operators(content),
        ),
        (say("design.blinding"), say("design.cris_consort_9"), say("design.for_the_author")),
        (
            say("design.statistical_methods"),
            say("design.cris_consort_10"),
            say("design.section_methods"),
        ),
        (
            say("design.losses_and_exclusions_with"),
            "CRIS",
            say("design.section_exclusions_and_failures"),
        ),
        (
            say("design.results_for_every_group"),
            say("design.consort_11"),
            say("design.sections_means_of_every"),
        ),
        (say("design.limitations_and_sources_of"), say("design.consort_12"), _limitations(content)),
        (
            say("design.funding_and_conflicts_of"),
            say("design.consort_13"),
            say("design.for_the_author"),
        ),
        (say("design.access_to_the_protocol"), say("design.consort_14"), _protocol(content)),
    ]


def _limitations(content: ReportContent) -> str:
    if inseparable_sentences(content):
        return say("design.sections_design_confounding_limits")
    return say("design.section_limits_of_use")


def _hypotheses(content: ReportContent) -> str:
    names = dict.fromkeys(content.table("model_contrasts").get("factor", ()))
    said = joined([str(n) for n in names if str(n)])
    return (
        say("design.no_difference_between_levels", said=said)
        if said
        else say("design.for_the_author")
    )


def _steps(factors: set[str]) -> str:
    known = [
        f
        for f in ("device", "software", "technique", "scan_body_type", "light", "splint")
        if f in factors
    ]
    said = joined([k.replace("_", " ") for k in known])
    return say("design.recorded_the_rest_for", said=said) if known else say("design.for_the_author")


def _outcomes(content: ReportContent) -> str:
    models = content.settings.get("model") or ()
    if models:
        said = joined(list(dict.fromkeys(response_label(str(m["response"])) for m in models)))
        return say("design.set_in_the_study", said=said)
    return say("design.the_usual_responses_of")


def _sizes(content: ReportContent) -> str:
    pairs = content.table("pair_deviations")
    if not len(pairs):
        return say("design.for_the_author")
    counts = pairs.groupby("condition")["scan"].nunique()
    low, high = int(counts.min()), int(counts.max())
    said = str(low) if low == high else say("design.to_low_high", low=low, high=high)
    planned = [str(order["order"]).partition(" scans; ")[0] for order in _orders(content)]
    text = say("design.scans_per_condition", said=said)
    if planned:
        text = say("design.scans_planned_used", planned=joined(planned), text=text)
    return say("design.rationale_for_the_author", text=text)


def _orders(content: ReportContent) -> list[dict[str, Any]]:
    """Orders that `accstudy plan` randomised, with their seeds."""
    return list(content.settings.get("orders") or ())


def _difference(content: ReportContent) -> str:
    table = content.table("model_contrasts")
    margins = table["margin"].dropna().unique() if len(table) else ()
    if len(margins) == 0:
        return say("design.none_set_in_the")
    return say("design.equivalence_margin") + joined([_sized(table, m) for m in sorted(margins)])


def _sized(table: pd.DataFrame, margin: float) -> str:
    return margin_name(str(table.loc[table["margin"] == margin, "response"].iloc[0]), margin)


def _order(content: ReportContent, factors: set[str]) -> str:
    orders = _orders(content)
    if orders:
        said = say("design.then").join(str(order["order"]) for order in orders)
        return say("design.randomised_by_accstudy", said=said)
    if "planned_order" in factors or "order" in factors:
        return say("design.order_recorded_in_the")
    return say("design.for_the_author")


def _operators(content: ReportContent) -> str:
    scans = content.table("scans")
    if "operator" not in scans:
        return say("design.for_the_author")
    people = {str(r) for r in scans["operator"] if not missing(r)}
    return say("design.made_the_scans_who", people=len(people))


def _protocol(content: ReportContent) -> str:
    name = content.settings.get("study", {}).get("protocol", "")
    return (
        say("design.protocol_of_accstudy_registration", name=name)
        if name
        else say("design.for_the_author")
    )


def checklist(document: Document, content: ReportContent) -> None:
    """The checklist as a section."""
    rows = checklist_rows(content)
    open_items = sum(answer.endswith(say("design.for_the_author")) for _, _, answer in rows)
    document.heading(say("design.checklist_for_a_paper"))
    document.lead(
        say("design.what_it_is"),
        say("design.items_required_by_reporting", open_items=open_items, rows=len(rows)),
    )
    cells: list[list[Text]] = [
        [item, source, [italic(answer)] if answer == say("design.for_the_author") else answer]
        for item, source, answer in rows
    ]
    document.table(
        say("design.items_their_sources_and"),
        heads("design.columns_item_asked_by_answer"),
        cells,
    )
