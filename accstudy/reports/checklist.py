"""What journals ask of a bench study, answered from the record or left for the author.

The items are put in our own words after the CRIS guideline (Krithikadatta, Gopikrishna and
Datta, J Conserv Dent 2014;17:301-304) and the checklist for in vitro studies modified from
CONSORT (Faggion, J Evid Based Dent Pract 2012;12:182-189).
"""

from __future__ import annotations

import pandas as pd

from accstudy.reports.content import ReportContent
from accstudy.reports.crossing import inseparable_sentences
from accstudy.reports.document import Document, Heading, Text, italic
from accstudy.reports.modelled import margin_name, response_label
from accstudy.reports.wording import count, joined, missing

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
        ("Abstract with aim, design, outcomes and main numbers", "CONSORT 1", _AUTHOR),
        ("Background and reason for the study", "CONSORT 2a", _AUTHOR),
        ("Aim, and the hypothesis that is tested", "CONSORT 2b", _hypotheses(content)),
        ("Materials, devices, versions and steps, so that others can repeat them",
         "CRIS, CONSORT 3", _steps(factors)),
        ("Outcomes, defined beforehand and how they were measured", "CONSORT 4",
         _outcomes(content)),
        ("Why this many scans", "CRIS, CONSORT 5", _sizes(content)),
        ("Smallest difference that matters", "CRIS", _difference(content)),
        ("How the order of the scans was drawn", "CRIS, CONSORT 6", _order(factors)),
        ("How the next condition was kept from the operator", "CONSORT 7", _AUTHOR),
        ("Who drew the order and who took the scans", "CONSORT 8", _operators(content)),
        ("Who was blinded, and how", "CRIS, CONSORT 9",
         _AUTHOR),
        ("Statistical methods", "CRIS, CONSORT 10", "section Methods"),
        ("Losses, with reasons", "CRIS", "section What was left out, and why"),
        ("Result of every group, effect and its interval", "CONSORT 11",
         "sections Means of every model, Contrasts; attached tables"),
        ("Limitations and sources of bias", "CONSORT 12",
         _limitations(content)),
        ("Funding and interests", "CONSORT 13", _AUTHOR),
        ("Where the protocol can be read", "CONSORT 14", _protocol(content)),
    ]  # fmt: skip


def _limitations(content: ReportContent) -> str:
    if inseparable_sentences(content):
        return (
            "sections Design (what cannot be told apart), Limits of use; the rest: for the author"
        )
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
    return f"{said} scans a condition; the reason: for the author"


def _difference(content: ReportContent) -> str:
    table = content.table("model_contrasts")
    margins = table["margin"].dropna().unique() if len(table) else ()
    if len(margins) == 0:
        return "none set in the study; for the author"
    return "margin of equivalence " + joined([_sized(table, m) for m in sorted(margins)])


def _sized(table: pd.DataFrame, margin: float) -> str:
    return margin_name(str(table.loc[table["margin"] == margin, "response"].iloc[0]), margin)


def _order(factors: set[str]) -> str:
    if "planned_order" in factors or "order" in factors:
        return "order recorded in the scan list; how it was drawn: for the author"
    return _AUTHOR


def _operators(content: ReportContent) -> str:
    scans = content.table("scans")
    if "operator" not in scans:
        return _AUTHOR
    people = {str(r) for r in scans["operator"] if not missing(r)}
    return f"{count(len(people), 'operator')} took scans; who drew the order: for the author"


def _protocol(content: ReportContent) -> str:
    name = content.settings.get("study", {}).get("protocol", "")
    return (
        f"protocol “{name}” of accstudy; where it was registered: for the author"
        if name
        else _AUTHOR
    )


def checklist(document: Document, content: ReportContent) -> None:
    """The checklist as a section."""
    rows = checklist_rows(content)
    open_items = sum(answer.endswith(_AUTHOR) for _, _, answer in rows)
    document.heading("Checklist for a paper")
    document.lead(
        "What it is",
        "Items that reporting guidelines for bench studies ask for, in our own words (CRIS; "
        f"CONSORT as modified for in vitro studies; see Sources). "
        f"{open_items} of {len(rows)} need the author.",
    )
    cells: list[list[Text]] = [
        [item, source, [italic(answer)] if answer == _AUTHOR else answer]
        for item, source, answer in rows
    ]
    document.table(
        "Items, where they come from, and what this study's record says.",
        [Heading("item", "left", 2.2), Heading("asked by", "left", 0.9),
         Heading("answer", "left", 2.4)],
        cells,
    )  # fmt: skip
