"""Where the misfit of a framework comes from, and what it depends on over the study."""

from __future__ import annotations

import numpy as np
import pandas as pd

from accstudy.figures.misfit import AGAINST, misfit_chart, varied_columns
from accstudy.reports.content import ReportContent
from accstudy.reports.document import Document, Text, heads
from accstudy.reports.report_rows import groups, limit_of, named
from accstudy.seating.contributions import contribution_sentence, main_origin
from accstudy.seating.summary import Told, told_from_none
from accstudy.seating.table import BEST_SEAT, CAUTIONS
from accstudy.words.catalogue import say, words
from accstudy.words.numbers import NONE, joined, quantity

__all__ = ["misfit"]

_MOST = 2


def misfit(document: Document, content: ReportContent) -> None:
    """Name the implants that a misfit comes from, and show it over the models."""
    if content.has("seating_contributions"):
        _origins(document, content)
    if content.has("seating_scans"):
        _over_the_study(document, content)
    if content.has("seating"):
        document.lead(say("seating.not_included"), " ".join(CAUTIONS))


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
            say("seating.origin_of_the_misfit"),
            *(_sentence(content, own) for *_, own in found),
            _least(content),
        )
        return
    rows: list[list[Text]] = []
    before = None
    for condition, seated, scan, own in found:
        origin = main_origin(own)
        told, apart = _told(content, condition, seated, scan)
        known = bool(origin.implant) and apart
        whence = f"{origin.implant}, {origin.part}" if known else say("seating.several_implants")
        rows.append(
            [
                condition if condition != before else "",
                scan,
                _seated(own),
                say("seating.at_misfit_um_at", misfit_um=quantity(origin.misfit_um), at=origin.at),
                whence if apart else say("seating.not_distinguishable"),
                quantity(origin.without_um) if known else NONE,
                say("seating.of_n_not_n", n_not=told.n_not, n=told.n) if told else NONE,
            ]
        )
        before = condition
    document.lead(
        say("seating.origin_of_the_misfit"),
        say("seating.for_the_scan_with"),
    )
    document.table(
        say("seating.largest_misfit_of_each"),
        heads("seating.columns_condition_scan_seated"),
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
            way = (
                say("seating.at_the_best_seat")
                if seated == BEST_SEAT
                else say("seating.with_one_screw")
            )
            parts.append(
                " ".join(
                    p
                    for p in (condition, way, say("seating.of_n_not_n", n_not=told.n_not, n=told.n))
                    if p
                )
            )
    if not parts:
        return ""
    return say("seating.scans_whose_misfit_cannot", parts=joined(parts))


def _seated(own: pd.DataFrame) -> str:
    tightened = own["tightened"].iloc[0]
    return (
        say("seating.best_seat")
        if own["seated"].iloc[0] == "best-seat"
        else say("seating.one_screw_at_3", tightened=tightened)
    )


def _sentence(content: ReportContent, own: pd.DataFrame) -> str:
    which = named(content, str(own["condition"].iloc[0]), str(own["model"].iloc[0]))
    start = say("seating.scan_which", which=which) if which else say("seating.scan")
    scan, seated = str(own["scan"].iloc[0]), str(own["seated"].iloc[0])
    if not _told(content, str(own["condition"].iloc[0]), seated, scan)[1]:
        origin = main_origin(own)
        said = say(
            "seating.the_misfit_of_m", how=origin.how, misfit_um=origin.misfit_um, at=origin.at
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
        caption=(say("seating.misfit_of_every_scan"))
        + ("" if limit is None else say("seating.dashed_the_limit_of", limit=quantity(limit)))
        + f".{_together(table)}",
        alt=say(
            "seating.misfit_against_medians_at",
            varied=joined([AGAINST[c].split(" / ")[0] for c in varied]),
            told=joined(told),
        ),
    )


def _together(table: pd.DataFrame) -> str:
    """Say which properties of a model do not occur in every combination."""
    varied = varied_columns(table)
    seen = table[varied].astype(float).round()
    if len(seen.drop_duplicates()) == int(np.prod([seen[c].nunique() for c in varied])):
        return ""
    names = joined([words("seating.properties")[c] for c in varied])
    return say("seating.do_not_occur_in", names=names[0].upper(), names_2=names[1:])


def _range(condition: str, medians: pd.Series) -> str:
    return say(
        "seating.to_condition_medians",
        condition=condition,
        medians=quantity(medians.min()),
        medians_2=quantity(medians.max()),
    )
