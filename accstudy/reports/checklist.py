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
from accstudy.reports.document import Document, Heading, Text, italic
from accstudy.reports.model_rows import margin_name, response_label
from accstudy.words.numbers import count, joined, missing

__all__ = ["checklist", "checklist_rows"]

_AUTHOR = "for the author"


def checklist_rows(content: ReportContent) -> list[tuple[str, str, str]]:
    """Items with what the record says; ``for the author`` where it is silent.

    Parameters
    ----------
    content : ReportContent
        Tables and settings.

    Returns
    -------
    list of (item, source, answer)
    """
    scans = content.table("scans")
    factors = {str(c) for c in scans.columns}
    return [
        ("Structured abstract with aim, design, outcomes and main results", "CONSORT 1", _AUTHOR),
        ("Scientific background and rationale", "CONSORT 2a", _AUTHOR),
        ("Objectives and hypotheses", "CONSORT 2b", _hypotheses(content)),
        ("Materials, devices, versions and procedures, in sufficient detail for replication",
         "CRIS, CONSORT 3", _steps(factors)),
        ("Outcomes, predefined, and how they were measured", "CONSORT 4",
         _outcomes(content)),
        ("Sample size rationale", "CRIS, CONSORT 5", _sizes(content)),
        ("Smallest relevant difference", "CRIS", _difference(content)),
        ("Method of randomisation", "CRIS, CONSORT 6", _order(content, factors)),
        ("Allocation concealment", "CONSORT 7", _AUTHOR),
        ("Implementation: who randomised and who scanned", "CONSORT 8", _operators(content)),
        ("Blinding", "CRIS, CONSORT 9",
         _AUTHOR),
        ("Statistical methods", "CRIS, CONSORT 10", "section Methods"),
        ("Losses and exclusions, with reasons", "CRIS", "section Exclusions and failures"),
        ("Results for every group, effect sizes and their intervals", "CONSORT 11",
         "sections Means of every model, Contrasts; attached tables"),
        ("Limitations and sources of bias", "CONSORT 12",
         _limitations(content)),
        ("Funding and conflicts of interest", "CONSORT 13", _AUTHOR),
        ("Access to the protocol", "CONSORT 14", _protocol(content)),
    ]  # fmt: skip


def _limitations(content: ReportContent) -> str:
    if inseparable_sentences(content):
        return "sections Design (confounding), Limits of use; the rest: for the author"
    return "section Limits of use; those of the design: for the author"


def _hypotheses(content: ReportContent) -> str:
    names = dict.fromkeys(content.table("model_contrasts").get("factor", ()))
    said = joined([str(n) for n in names if str(n)])
    return f"no difference between levels of {said}; aim: for the author" if said else _AUTHOR


def _steps(factors: set[str]) -> str:
    known = [f for f in ("device", "software", "technique", "scan_body_type", "light", "splint")
             if f in factors]  # fmt: skip
    said = joined([k.replace("_", " ") for k in known])
    return f"recorded: {said}; the rest: for the author" if known else _AUTHOR


def _outcomes(content: ReportContent) -> str:
    models = content.settings.get("model") or ()
    if models:
        said = joined(list(dict.fromkeys(response_label(str(m["response"])) for m in models)))
        return f"set in the study: {said}; whether beforehand: for the author"
    return "the usual responses of a comparison, see Methods; whether beforehand: for the author"


def _sizes(content: ReportContent) -> str:
    pairs = content.table("pair_deviations")
    if not len(pairs):
        return _AUTHOR
    counts = pairs.groupby("condition")["scan"].nunique()
    low, high = int(counts.min()), int(counts.max())
    said = str(low) if low == high else f"{low} to {high}"
    planned = [str(order["order"]).partition(" scans; ")[0] for order in _orders(content)]
    text = f"{said} scans per condition"
    if planned:
        text = f"{joined(planned)} scans planned; {text} used"
    return f"{text}; rationale: for the author"


def _orders(content: ReportContent) -> list[dict[str, Any]]:
    """Orders that `accstudy plan` randomised, with their seeds."""
    return list(content.settings.get("orders") or ())


def _difference(content: ReportContent) -> str:
    table = content.table("model_contrasts")
    margins = table["margin"].dropna().unique() if len(table) else ()
    if len(margins) == 0:
        return "none set in the study; for the author"
    return "equivalence margin " + joined([_sized(table, m) for m in sorted(margins)])


def _sized(table: pd.DataFrame, margin: float) -> str:
    return margin_name(str(table.loc[table["margin"] == margin, "response"].iloc[0]), margin)


def _order(content: ReportContent, factors: set[str]) -> str:
    orders = _orders(content)
    if orders:
        said = "; then ".join(str(order["order"]) for order in orders)
        return f"randomised by accstudy: {said}"
    if "planned_order" in factors or "order" in factors:
        return "order recorded in the scan list; method of randomisation: for the author"
    return _AUTHOR


def _operators(content: ReportContent) -> str:
    scans = content.table("scans")
    if "operator" not in scans:
        return _AUTHOR
    people = {str(r) for r in scans["operator"] if not missing(r)}
    return (
        f"{count(len(people), 'operator')} made the scans; who randomised the order: for the author"
    )


def _protocol(content: ReportContent) -> str:
    name = content.settings.get("study", {}).get("protocol", "")
    return f"protocol “{name}” of accstudy; registration: for the author" if name else _AUTHOR


def checklist(document: Document, content: ReportContent) -> None:
    """The checklist as a section."""
    rows = checklist_rows(content)
    open_items = sum(answer.endswith(_AUTHOR) for _, _, answer in rows)
    document.heading("Checklist for a paper")
    document.lead(
        "What it is",
        "Items required by reporting guidelines for in vitro studies, paraphrased (CRIS; modified "
        f"CONSORT for in vitro studies; see Sources). {open_items} of {len(rows)} must be "
        "completed by the author.",
    )
    cells: list[list[Text]] = [
        [item, source, [italic(answer)] if answer == _AUTHOR else answer]
        for item, source, answer in rows
    ]
    document.table(
        "Items, their sources, and the entries recorded in this study.",
        [Heading("item", "left", 2.2), Heading("asked by", "left", 0.9),
         Heading("answer", "left", 2.4)],
        cells,
    )  # fmt: skip
