"""Where the misfit of a framework comes from, and what it depends on over the study."""

from __future__ import annotations

import pandas as pd

from accstudy.figures.misfit import AGAINST, misfit_chart
from accstudy.reports.content import ReportContent
from accstudy.reports.document import Document, Heading, Text
from accstudy.reports.select import groups, limit_of, named
from accstudy.reports.wording import NONE, joined, quantity
from accstudy.seating.contributions import contribution_sentence, main_origin
from accstudy.seating.table import CAUTIONS

__all__ = ["misfit"]

_MOST = 2


def misfit(document: Document, content: ReportContent) -> None:
    """Name the implants that a misfit comes from, and show it over the models.

    Parameters
    ----------
    document : Document
        Gets the paragraphs and the figure.
    content : ReportContent
        With tables ``seating_contributions`` and ``seating_scans``.
    """
    if content.has("seating_contributions"):
        _origins(document, content)
    if content.has("seating_scans"):
        _over_the_study(document, content)
    if content.has("seating"):
        document.lead("What it leaves out", " ".join(CAUTIONS))


def _origins(document: Document, content: ReportContent) -> None:
    """Say it of the scan with the largest misfit; with several conditions a row each."""
    table = content.table("seating_contributions")
    table = table[table["contribution_um"].notna()]
    found = []
    for (condition, seated), mine in groups(table, ["condition", "seated"]):
        scan = str(mine.sort_values("misfit_um", kind="stable")["scan"].iloc[-1])
        own = mine[mine["scan"] == scan]
        found.append((condition, seated, scan, own))
    if not found:
        return
    if len(found) <= _MOST:
        document.lead("Where it comes from", *(_sentence(content, own) for *_, own in found))
        return
    rows: list[list[Text]] = []
    before = None
    for condition, _, scan, own in found:
        origin = main_origin(own)
        known = bool(origin.implant)
        rows.append(
            [
                condition if condition != before else "",
                scan,
                _seated(own),
                f"{quantity(origin.misfit_um)} at {origin.at}",
                f"{origin.implant}, {origin.part}" if known else "several implants",
                quantity(origin.without_um) if known else NONE,
            ]
        )
        before = condition
    document.lead(
        "Where it comes from",
        "For the scan with the largest misfit of each condition: which implant's error it comes "
        "from, and what the misfit would be without that error. Every scan is in the attached "
        "table of contributions.",
    )
    document.table(
        "Largest misfit of each condition and the implant it comes from.",
        [
            Heading("condition", "left", 1),
            Heading("scan", "left", 1),
            Heading("seated", "left", 1),
            Heading("misfit", "left", 0.9),
            Heading("comes mainly from", "left", 1.3),
            Heading("without it", width=0.7),
        ],
        rows,
    )


def _seated(own: pd.DataFrame) -> str:
    tightened = own["tightened"].iloc[0]
    return "best seat" if own["seated"].iloc[0] == "best-seat" else f"one screw, at {tightened}"


def _sentence(content: ReportContent, own: pd.DataFrame) -> str:
    which = named(content, str(own["condition"].iloc[0]), str(own["model"].iloc[0]))
    start = f"{which}, scan" if which else "Scan"
    said = contribution_sentence(own)
    return f"{start[0].upper()}{start[1:]} {own['scan'].iloc[0]}: {said[0].lower()}{said[1:]}"


def _over_the_study(document: Document, content: ReportContent) -> None:
    limit = limit_of(content, "seat_gap_um")
    table = content.table("seating_scans")
    table = table[table["misfit_um"].notna()]
    varied = [c for c in AGAINST if len(table[c].unique()) > 1][:2]
    if not varied or table.empty:
        return
    keys = ["condition", "model", "seated"]
    medians = table.groupby(keys)["misfit_um"].median().rename("median_um").reset_index()
    best = medians[medians["seated"] == "best-seat"]
    told = [_range(str(name), own["median_um"]) for name, own in best.groupby("condition")]
    document.figure(
        "misfit-over-study",
        misfit_chart(table.merge(medians, on=keys, how="left"), limit_um=limit),
        caption="Misfit of every scan (the largest gap, or interference where that is larger) "
        "against what differs between the models; the line joins medians"
        + ("" if limit is None else f"; dashed, the limit of {quantity(limit)}")
        + ". Implant count, span and angulation of a model go together: no line shows the effect "
        "of one of them alone.",
        alt=f"Misfit against {joined([AGAINST[c].split(' / ')[0] for c in varied])}; medians at "
        f"the best seat: {joined(told)}.",
    )


def _range(condition: str, medians: pd.Series) -> str:
    return f"{condition} {quantity(medians.min())} to {quantity(medians.max())}"
