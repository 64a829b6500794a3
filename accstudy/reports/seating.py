"""Evidence on seating: budget, gaps of a framework, origin of its misfit, views of scans."""

from __future__ import annotations

from typing import Any

import pandas as pd

from accstudy.figures.accuracy import budget_chart
from accstudy.figures.seating import gap_chart, misfit_chart, seat_chart, varied_columns
from accstudy.figures.style import rows_of
from accstudy.figures.views import PRINTED_MM
from accstudy.reports.common import (
    confidence_of,
    flagged,
    groups,
    limit_of,
    longest_pairs,
    named,
    several,
    slug,
)
from accstudy.reports.document import Document, ReportContent, extended
from accstudy.seating.table import BEST_SEAT
from accstudy.words.catalogue import choose, say, words
from accstudy.words.numbers import freedom, joined, missing, number, percent, sure

_MOST_SEATS, _MOST_BUDGETS = 3, 4


def budget(document: Document, content: ReportContent) -> None:
    """Parts of the uncertainty of the bias of the longest pair, a figure a condition."""
    table = content.table("uncertainty_budget")
    if not len(table):
        return
    document.heading(say("seating.uncertainty_budget"))
    known = table[table["u_um"].notna()]
    for pair in longest_pairs(content)[:_MOST_BUDGETS]:
        own = (known["condition"] == pair.condition) & (known["model"] == pair.model)
        _one_budget(document, content, known[own & (known["subject"] == pair.subject)], pair)


def _one_budget(document: Document, content: ReportContent, rows: pd.DataFrame, pair: Any) -> None:
    counted = rows["counted"].fillna(True).astype(bool)
    of_all = rows["part"].isin(["combined", "expanded"])
    parts, total = rows[counted & ~of_all], rows_of(rows[rows["part"] == "combined"])
    if not total or not len(parts):
        return
    text = "".join(
        say("seating.in_the_bias_of", r)
        for r in rows_of(parts[parts["largest"].fillna(False).astype(bool)])
    )
    for r in rows_of(rows[rows["part"] == "expanded"]):
        df = "" if missing(r.df) else f", {freedom(r.df)}"
        sure_of = sure(confidence_of(content))
        text += say("seating.the_expanded_uncertainty_is", r, confidence=sure_of, freedom=df)
    if not (rows["part"] == "repeatability").any():
        text += say("seating.repeatability_cannot_be_estimated")
    if held := list(map(str, rows.loc[~counted & ~of_all, "part"])):
        text += say("seating.already_contained_in_the", names=joined(held))
    which = named(content, pair.condition, pair.model)
    document.lead(which or say("seating.budget"), text)
    said = joined([f"{r.part} {number(r.u_um)}" for r in rows_of(parts)])
    drawn = pd.concat([parts, rows[rows["part"] == "combined"]]).rename(columns={"u_um": "u"})
    document.figure(
        slug("budget", pair.condition, pair.model, pair.subject),
        budget_chart(drawn),
        caption=say("seating.standard_uncertainty_of_the", pair),
        alt=say("seating.bars_m_combined_m", total[0], said=said),
    )


def seating(document: Document, content: ReportContent) -> None:
    """How a rigid framework made from the scans would seat."""
    table, scans = content.table("seating"), content.table("seating_scans")
    if not len(table):
        return
    document.heading(say("seating.predicted_seating_of_a"))
    _interpretation(document)
    typical = scans[scans["typical"].fillna(False).astype(bool) & (scans["seated"] == BEST_SEAT)]
    for one in rows_of(typical)[:_MOST_SEATS]:
        own = (table["condition"] == one.condition) & (table["model"] == one.model)
        _frameworks(document, content, table[own & table["path_mm"].notna()], one)
    _summary(document, content)


def _frameworks(
    document: Document, content: ReportContent, table: pd.DataFrame, typical: Any
) -> None:
    """The framework of the median scan, and the gaps of all scans."""
    which, limit = (
        named(content, typical.condition, typical.model),
        limit_of(content, "seat_gap_um"),
    )
    along = list(table.sort_values("path_mm", kind="stable")["implant"].drop_duplicates())
    ways = {
        along[0]: say("seating.one_screw_at", tightened=along[0]),
        along[-1]: say("seating.one_screw_at", tightened=along[-1]),
        BEST_SEAT: say("seating.all_screws_best_seat"),
    }
    every = table[table["tightened"].isin(ways)]
    every = every.assign(
        way=every["tightened"].map(ways),
        at=every["tightened"].map({w: k for k, w in enumerate(ways)}),
    )
    every = every.sort_values(["at", "path_mm"], kind="stable")
    rows = every[(every["scan"] == typical.scan) & (every["tightened"] != along[-1])]
    start = say("seating.which_the", which=which) if which else say("seating.the")
    document.figure(
        slug("seat", typical.condition, typical.model),
        seat_chart(rows, limit_um=limit),
        caption=say(
            "seating.framework_of_scan_the",
            typical,
            the_which=start,
            line="" if limit is None else say("seating.dashed_the_limit_of", limit=limit),
        ),
        alt=say("seating.framework_of_scan_on", typical, said=_by_way(rows, "gap_max_um")),
    )
    on = ["condition", "model", "tightened", "implant"]
    medians = content.table("seating_implants")[[*on, "median_um"]]
    every = every[every["worst_um"].notna()].merge(medians, on=on, how="left")
    line = "." if limit is None else say("seating.dashed_the_limit_of_2", limit=limit)
    start = say("seating.which_largest", which=which) if which else say("seating.largest")
    document.figure(
        slug("gaps", typical.condition, typical.model),
        gap_chart(every, limit_um=limit),
        caption=say("seating.gap_at_the_rim", largest_which=start) + line,
        alt=say(
            "seating.dots_of_the_largest",
            said=_by_way(every.drop_duplicates(["way", "implant"]), "median_um"),
        ),
    )


def _by_way(rows: pd.DataFrame, column: str) -> str:
    """A value of every implant, by way of seating."""
    return "; ".join(
        f"{way}: "
        + joined([f"{i} {number(v)}" for i, v in zip(own["implant"], own[column], strict=True)])
        for (way,), own in groups(rows, ["way"])
    )


def _summary(document: Document, content: ReportContent) -> None:
    table = content.table("seating_summary")
    table = table.sort_values("condition", kind="stable")
    judged = table["limit_um"].notna() & (table["seated"] == BEST_SEAT)
    document.listed(
        "seating.summary_table",
        table.assign(
            max_interference_um=table["max_interference_um"].where(table["n_interference"] > 0),
            n_within=table["n_within"].where(judged),
            share_within_low=table["share_within_low"].where(judged),
        ),
        shown=["several"] * several(content, "condition"),
        once=several(content, "condition") + 1,
        named={"bare": lambda share: percent(share).removesuffix("\u00a0%")},
        confidence_of=confidence_of(content),
    )


def pictures(document: Document, content: ReportContent) -> None:
    """Views of the scans that were computed elsewhere."""
    if not content.pictures:
        return
    shown = [n for n in PRINTED_MM if n in content.pictures]
    document.heading(say("seating.scan_surfaces"))
    text = say("seating.the_located_scan_shows")
    if "surface-trueness" in shown:
        text += say("seating.the_surface_comparison_also")
    document.lead(say("seating.how_to_read_it"), text)
    for name in shown:
        note = content.picture_notes[name]
        document.picture(
            name, content.pictures[name], caption=note, alt=note, width_mm=PRINTED_MM[name]
        )
    if {"surface-trueness", "surface-precision"} <= set(shown):
        document.beside()


def misfits(document: Document, content: ReportContent) -> None:
    """Predicted seating over a whole study: how to read it, origins, every model."""
    if content.has("seating"):
        document.heading(say("seating.predicted_seating_of_a"))
        _interpretation(document)
        misfit(document, content)


def _interpretation(document: Document) -> None:
    document.lead(
        say("seating.interpretation"),
        say("seating.a_perfectly_rigid_and"),
        say("seating.interference_is_not_a"),
    )


def misfit(document: Document, content: ReportContent) -> None:
    """Name the implants that a misfit comes from, and show it over the models."""
    if content.has("seating_contributions"):
        _origins(document, content)
    if content.has("seating_scans"):
        _over_the_study(document, content)
    if content.has("seating"):
        document.lead(
            say("seating.not_included"), " ".join(words("seating_results.cautions").values())
        )


def _origins(document: Document, content: ReportContent) -> None:
    """Where the largest misfit of every condition and way of seating comes from."""
    table, summary = content.table("seating_scans"), content.table("seating_summary")
    rows = flagged(table, "largest").sort_values(["condition", "seated"], kind="stable")
    if not len(rows):
        return
    on = ["condition", "model", "seated"]
    rows = rows.merge(summary[[*on, "n_not_told", "n_scans"]], on=on, how="left")
    due = ["none" if not r.told else "one" if r.origin else "several" for r in rows_of(rows)]
    document.lead(say("seating.origin_of_the_misfit"), say("seating.for_the_scan_with"))
    document.listed(
        "seating.origins_table",
        extended(
            rows,
            due=[choose("seating.due", d, r) for d, r in zip(due, rows_of(rows), strict=True)],
            without_um=rows["without_um"].where(rows["told"].astype(bool) & (rows["origin"] != "")),
            others=(rows["n_worst"] - 1).where(rows["n_worst"] > 1),
            screw=rows["tightened"].where(rows["seated"] != BEST_SEAT, ""),
        ),
        shown=["several"] * several(content, "condition"),
        once=int(several(content, "condition")),
    )


def _over_the_study(document: Document, content: ReportContent) -> None:
    limit, table = limit_of(content, "seat_gap_um"), content.table("seating_scans")
    table, summary = table[table["misfit_um"].notna()], content.table("seating_summary")
    varied = varied_columns(table)
    if not varied or table.empty or not len(summary):
        return
    keys = ["condition", "model", "seated"]
    best = summary[summary["seated"] == BEST_SEAT]
    line = "" if limit is None else say("seating.dashed_the_limit_of", limit=limit)
    names = joined([words("seating.properties")[c] for c in varied])
    document.figure(
        "misfit-over-study",
        misfit_chart(
            table.merge(summary[[*keys, "median_um"]], on=keys, how="left"), limit_um=limit
        ),
        caption=say("seating.misfit_of_every_scan", line=line)
        + (say("seating.do_not_occur_in", names=names) if len(varied) > 1 else ""),
        alt=say(
            "seating.misfit_against_medians_at",
            varied=joined([words("figures.varied")[c] for c in varied]),
            told=joined([say("seating.median_of", r) for r in rows_of(best)]),
        ),
    )


def largest_gap(content: ReportContent, condition: str) -> Any:
    """Largest gap of a condition at the best seat, um; None without any."""
    table = content.table("seating_scans")
    if not len(table):
        return None
    largest = table["largest"].fillna(False).astype(bool) & (table["seated"] == BEST_SEAT)
    return next(iter(table.loc[largest & (table["condition"] == condition), "misfit_um"]), None)
