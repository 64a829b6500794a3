"""Where the misfit of a framework comes from, and what it depends on over the study."""

from __future__ import annotations

import numpy as np
import pandas as pd

from accstudy.figures.misfit import AGAINST, misfit_chart, varied_columns
from accstudy.reports.content import ReportContent
from accstudy.reports.document import Document, Heading, Text
from accstudy.reports.report_rows import groups, limit_of, named
from accstudy.words.numbers import NONE, joined, quantity
from accstudy.seating.contributions import contribution_sentence, main_origin
from accstudy.seating.summary import Told, told_from_none
from accstudy.seating.table import BEST_SEAT, CAUTIONS

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
        document.lead("Not included", " ".join(CAUTIONS))


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
        document.lead(
            "Origin of the misfit", *(_sentence(content, own) for *_, own in found), _least(content)
        )
        return
    rows: list[list[Text]] = []
    before = None
    for condition, seated, scan, own in found:
        origin = main_origin(own)
        told, apart = _told(content, condition, seated, scan)
        known = bool(origin.implant) and apart
        whence = f"{origin.implant}, {origin.part}" if known else "several implants"
        rows.append(
            [
                condition if condition != before else "",
                scan,
                _seated(own),
                f"{quantity(origin.misfit_um)} at {origin.at}",
                whence if apart else "not distinguishable",
                quantity(origin.without_um) if known else NONE,
                f"{told.n_not} of {told.n}" if told else NONE,
            ]
        )
        before = condition
    document.lead(
        "Origin of the misfit",
        "For the scan with the largest misfit of each condition: the implant whose error causes "
        "it, and the misfit without that error. The uncertainty of locating the scan bodies alone "
        "causes a misfit, even for a perfect framework; by chance, one scan in twenty exceeds its "
        "95 % value. No origin is given if the scans exceed it no more often, and by no more, "
        "than this. All scans are listed in the attached table of contributions.",
    )
    document.table(
        "Largest misfit of each condition and the implant that causes it; last column, number of "
        "scans whose misfit cannot be distinguished from that of a perfect framework.",
        [
            Heading("condition", "left", 1),
            Heading("scan", "left", 1),
            Heading("seated", "left", 1),
            Heading("misfit", "left", 0.9),
            Heading("mainly due to", "left", 1.3),
            Heading("without it", width=0.7),
            Heading("not distinguishable", width=0.8),
        ],
        rows,
    )


def _told(
    content: ReportContent, condition: str, seated: str, scan: str
) -> tuple[Told | None, bool]:
    """How many scans are not told from none, and whether this one is."""
    table = content.table("seating_scans")
    if not len(table):
        return None, True
    mine = table[(table["condition"] == condition) & (table["seated"] == seated)]
    told, own = told_from_none(mine), told_from_none(mine[mine["scan"] == scan])
    if told is None or own is None:
        return told, True
    return told, told.more_than_chance and not own.n_not


def _least(content: ReportContent) -> str:
    """How many scans of each condition and way of seating cannot be distinguished from none."""
    table = content.table("seating_scans")
    parts = []
    for (condition, seated), mine in groups(table, ["condition", "seated"]) if len(table) else []:
        told = told_from_none(mine)
        if told is not None:
            way = "at the best seat" if seated == BEST_SEAT else "with one screw"
            parts.append(" ".join(p for p in (condition, way, f"{told.n_not} of {told.n}") if p))
    if not parts:
        return ""
    return (
        "Scans whose misfit cannot be distinguished from that of a perfect framework, because the "
        f"uncertainty of locating alone causes as much: {joined(parts)}."
    )


def _seated(own: pd.DataFrame) -> str:
    tightened = own["tightened"].iloc[0]
    return "best seat" if own["seated"].iloc[0] == "best-seat" else f"one screw, at {tightened}"


def _sentence(content: ReportContent, own: pd.DataFrame) -> str:
    which = named(content, str(own["condition"].iloc[0]), str(own["model"].iloc[0]))
    start = f"{which}, scan" if which else "Scan"
    scan, seated = str(own["scan"].iloc[0]), str(own["seated"].iloc[0])
    if not _told(content, str(own["condition"].iloc[0]), seated, scan)[1]:
        origin = main_origin(own)
        said = (
            f"{origin.how}, the misfit of {origin.misfit_um:.0f} µm at implant {origin.at} cannot "
            "be distinguished from that of a perfect framework."
        )
    else:
        said = contribution_sentence(own)
    return f"{start[0].upper()}{start[1:]} {own['scan'].iloc[0]}: {said[0].lower()}{said[1:]}"


def _over_the_study(document: Document, content: ReportContent) -> None:
    limit = limit_of(content, "seat_gap_um")
    table = content.table("seating_scans")
    table = table[table["misfit_um"].notna()]
    varied = varied_columns(table)
    if not varied or table.empty:
        return
    keys = ["condition", "model", "seated"]
    medians = table.groupby(keys)["misfit_um"].median().rename("median_um").reset_index()
    best = medians[medians["seated"] == "best-seat"]
    told = [_range(str(name), own["median_um"]) for name, own in best.groupby("condition")]
    document.figure(
        "misfit-over-study",
        misfit_chart(table.merge(medians, on=keys, how="left"), limit_um=limit),
        caption=(
            "Misfit of every scan (the largest gap, or interference if larger) for every model, "
            "ordered by the factors that differ between the models; large marks, medians"
        )
        + ("" if limit is None else f"; dashed, the limit of {quantity(limit)}")
        + f".{_together(table)}",
        alt=f"Misfit against {joined([AGAINST[c].split(' / ')[0] for c in varied])}; medians at "
        f"the best seat: {joined(told)}.",
    )


def _together(table: pd.DataFrame) -> str:
    """Say which properties of a model do not occur in every combination."""
    varied = varied_columns(table)
    seen = table[varied].astype(float).round()
    if len(seen.drop_duplicates()) == int(np.prod([seen[c].nunique() for c in varied])):
        return ""
    names = joined([_PROPERTIES[c] for c in varied])
    return (
        f" {names[0].upper()}{names[1:]} do not occur in all combinations: a difference between "
        "two models cannot be attributed to one of them alone."
    )


_PROPERTIES = {"n_seats": "implant count", "span_mm": "span", "angulation_deg": "angulation"}


def _range(condition: str, medians: pd.Series) -> str:
    return f"{condition} {quantity(medians.min())} to {quantity(medians.max())}"
