"""The design: which factors never cross, and what journals ask of a bench study."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pandas as pd

from accstudy.reports.document import Document, Heading, ReportContent, Text, heads, italic
from accstudy.reports.model_names import margin_name, response_label
from accstudy.reports.rows import groups
from accstudy.words.catalogue import say, words
from accstudy.words.numbers import NONE, joined, missing

__all__ = ["checklist", "checklist_rows", "design_section", "inseparable_sentences"]

_MOST_COLUMNS = 8
_MOST_ROWS = 24
_MOST_NAMED = 8


def inseparable_sentences(content: ReportContent) -> list[str]:
    """Say which factors the design cannot tell apart, from table ``model_confounding``.

    ``session is confounded with model: M2 and M6 only with session 1; ...``.
    """
    table, out = content.table("model_confounding"), []
    for (a, b), rows in groups(table, ["factor", "other_factor"]) if len(table) else []:
        said = say("design.is_confounded_with", outer=_name(b), inner=_name(a))
        if len(rows) > _MOST_NAMED:
            blocks = rows["block"].nunique()
            out.append(say("design.their_levels_fall_into", said=said, blocks=blocks))
            continue
        each = []
        for _, mine in groups(rows, ["block"]):
            own, with_ = (
                [str(v) for v in mine.loc[mine["factor_of"] == f, "level"]] for f in (a, b)
            )
            each.append(say("design.only_with", own=joined(own), levels=_levels(_name(b), with_)))
        out.append(f"{said}: {', '.join(each)}")
    return out


def _name(factor: str) -> str:
    return factor.replace("_", " ")


def _levels(name: str, levels: list[str]) -> str:
    said = joined(levels)
    return said if said.lower().startswith(name.lower()) else f"{name} {said}"


def design_section(document: Document, content: ReportContent) -> None:
    """Scans that were used by model, cell factor and condition, and what never crosses."""
    pairs = content.table("pair_deviations")
    scans = pairs.drop_duplicates("scan") if len(pairs) else pairs
    cell = [str(c) for c in content.settings.get("analysis", {}).get("cell") or ()]
    cell = [c for c in cell if c in scans]
    apart = inseparable_sentences(content)
    if not len(scans) or not cell:
        return
    document.heading(say("design.design"))
    document.lead(say("design.what_crosses"), _crossing(apart))
    wide = [c for c in cell if scans[c].nunique() <= _MOST_COLUMNS]
    across = max(wide, key=lambda c: scans[c].nunique()) if wide else ""
    down = ["model", *(c for c in cell if c != across)]
    rows = groups(scans.astype(dict.fromkeys(down, str)), down)
    if not across or len(rows) > _MOST_ROWS:
        return
    columns = sorted(scans[across].astype(str).unique())
    conditions = list(dict.fromkeys(scans["condition"].astype(str)))
    cells: list[list[Text]] = []
    before = ""
    for key, mine in rows:
        head: list[Text] = ["" if key[0] == before else key[0], *key[1:]]
        before = key[0]
        counts = [_counted(mine[mine[across].astype(str) == c], conditions) for c in columns]
        cells.append([*head, *counts, str(len(mine))])
    order = say("design.in_the_order", conditions=joined(conditions)) if len(conditions) > 1 else ""
    document.table(
        say("design.scans_used_of_every", cell=joined([_name(c) for c in cell]), order=order),
        [
            *(Heading(_name(c), "left", 0.6) for c in down),
            *(Heading(_levels(_name(across), [c]), "center", 1) for c in columns),
            *heads("design.columns_all"),
        ],
        cells,
    )


def _counted(mine: pd.DataFrame, conditions: list[str]) -> str:
    if not len(mine):
        return NONE
    return ", ".join(str(int((mine["condition"].astype(str) == c).sum())) for c in conditions)


def _crossing(apart: list[str]) -> str:
    if not apart:
        return say("design.the_factors_compared_the")
    said = "; ".join(apart)
    return say("design.differences_between_these_blocks", said=said[0].upper(), said_2=said[1:])


def checklist_rows(content: ReportContent) -> list[tuple[str, str, str]]:
    """Items with what the record says; ``for the author`` where it is silent."""
    rows = []
    for name, line in words("design.checklist").items():
        item, asked_by, answer = (part.strip() for part in line.split("|"))
        rows.append((item, asked_by, _ANSWERS[name](content) if name in _ANSWERS else answer))
    return rows


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


def _steps(content: ReportContent) -> str:
    factors = set(content.table("scans").columns)
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


def _order(content: ReportContent) -> str:
    factors = set(content.table("scans").columns)
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


_ANSWERS: dict[str, Callable[[ReportContent], str]] = {
    "hypotheses": _hypotheses,
    "materials": _steps,
    "outcomes": _outcomes,
    "sample_size": _sizes,
    "smallest_difference": _difference,
    "randomisation": _order,
    "implementation": _operators,
    "limitations": _limitations,
    "protocol": _protocol,
}


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
    document.listed("design.checklist_table", cells)
