"""Evidence of a validation: uncertainty budget, seating of a framework, views of the scans."""

from __future__ import annotations

import pandas as pd

from accstudy.compare.arch import Arch
from accstudy.figures.budget import budget_chart
from accstudy.figures.seats import gap_chart, seat_chart
from accstudy.figures.style import rows_of
from accstudy.figures.views import PRINTED_MM
from accstudy.reports.content import ReportContent
from accstudy.reports.document import Document, Text, heads
from accstudy.reports.figure_tables import arches, gap_rows, seat_rows, typical_scan
from accstudy.reports.report_rows import confidence_of, groups, limit_of, named, slug
from accstudy.reports.sentences import condition_name
from accstudy.words.catalogue import say, words
from accstudy.words.numbers import (
    NONE,
    freedom,
    joined,
    missing,
    number,
    percent,
    quantity,
    sure,
)

__all__ = ["budget", "pictures", "seating"]

_MOST_SEATS, _MOST_BUDGETS = 3, 4


def budget(document: Document, content: ReportContent) -> None:
    """Parts of the uncertainty of the bias of the longest pair, a figure a condition."""
    table = content.table("uncertainty_budget")
    if not len(table):
        return
    document.heading(say("seating.uncertainty_budget"))
    longest = []
    for key, rows in groups(table, ["condition", "model"]):
        longest.append((key, rows[rows["span_mm"] == rows["span_mm"].max()]))
    largest = max(float(rows.loc[rows["part"] == "combined", "u_um"].max()) for _, rows in longest)
    for (condition, model), rows in longest[:_MOST_BUDGETS]:
        _one_budget(
            document,
            rows,
            named(content, condition, model),
            slug(condition, model),
            largest,
            sure(confidence_of(content)),
        )


def _one_budget(
    document: Document,
    rows: pd.DataFrame,
    which: str,
    name: str,
    largest: float,
    confidence: str,
) -> None:
    subject = str(rows["subject"].iloc[0])
    rows = rows[rows["subject"] == subject]
    counted = rows["counted"].fillna(True).astype(bool)
    parts = rows[~rows["part"].isin(["combined", "expanded"]) & counted & rows["u_um"].notna()]
    total = rows_of(rows[rows["part"] == "combined"])
    if not total or not len(parts):
        return
    expanded = rows_of(rows[rows["part"] == "expanded"])
    top = rows_of(parts.loc[[parts["u_um"].idxmax()]])[0]
    text = say(
        "seating.in_the_bias_of",
        subject=subject,
        span_mm=quantity(total[0].span_mm, "mm"),
        part=top.part,
        share=percent(top.share),
    )
    if expanded and not missing(expanded[0].u_um):
        text += (
            say(
                "seating.the_expanded_uncertainty_is",
                u_um=number(expanded[0].u_um),
                confidence=confidence,
                k=number(expanded[0].k, "", decimals=2),
            )
            + ("" if missing(expanded[0].df) else f", {freedom(expanded[0].df)}")
            + ")."
        )
    known = rows["u_um"].notna() & ~rows["part"].isin(["combined", "expanded"])
    if not (known & (rows["part"] == "repeatability")).any():
        text += say("seating.repeatability_cannot_be_estimated")
    held = rows[known & ~counted]
    if len(held):
        names = joined([str(p) for p in held["part"]])
        text += say("seating.already_contained_in_the", names=names)
    document.lead(which or say("seating.budget"), text)
    drawn = pd.concat([parts, rows[rows["part"] == "combined"]]).rename(columns={"u_um": "u"})
    said = joined([f"{r.part} {number(r.u_um)}" for r in rows_of(parts)])
    document.figure(
        slug("budget", name, subject),
        budget_chart(drawn, largest=largest),
        caption=(say("seating.standard_uncertainty_of_the", subject=subject)),
        alt=say("seating.bars_m_combined_m", said=said, u_um=number(total[0].u_um)),
    )


def seating(document: Document, content: ReportContent) -> None:
    """How a rigid framework made from the scans would seat."""
    table = content.table("seating")
    if not len(table) or not content.has("implants"):
        return
    document.heading(say("seating.predicted_seating_of_a"))
    document.lead(
        say("seating.interpretation"),
        say("seating.a_perfectly_rigid_and"),
        say("seating.interference_is_not_a"),
    )
    order = arches(content.table("implants"))
    for (condition, model), mine in groups(table, ["condition", "model"])[:_MOST_SEATS]:
        arch = order[model]
        _one_scan(document, content, mine, arch, condition, model)
        _all_scans(document, content, mine, arch, condition, model)
    _summary(document, content)


def _one_scan(
    document: Document,
    content: ReportContent,
    table: pd.DataFrame,
    arch: Arch,
    condition: str,
    model: str,
) -> None:
    scan = typical_scan(table, condition=condition, model=model)
    if not scan:
        return
    rows = seat_rows(table, arch, scan=scan)
    best = rows.loc[rows["tightened"] == "best-seat", "gap_max_um"].max()
    one = rows[rows["tightened"] != "best-seat"]
    which = named(content, condition, model)
    alt = say("seating.framework_of_scan_on", scan=scan, best=quantity(best))
    if one["gap_max_um"].notna().any():
        alt += say(
            "seating.one_screw_at_gaps",
            implants=arch.implants[0],
            gap_min_um=quantity(one["gap_min_um"].min()),
            gap_max_um=quantity(one["gap_max_um"].max()),
        )
    document.figure(
        slug("seat", condition, model),
        seat_chart(rows, limit_um=limit_of(content, "seat_gap_um")),
        caption=(
            say(
                "seating.framework_of_scan_the",
                the_which=say("seating.the_which", which=which) if which else say("seating.the"),
                scan=scan,
                sideways=quantity(_sideways(rows)),
            )
        ),
        alt=alt,
    )


def _sideways(seats: pd.DataFrame) -> float:
    """Largest offset sideways at the best seat, um."""
    return float(seats.loc[seats["tightened"] == "best-seat", "lateral_um"].max())


def _all_scans(
    document: Document,
    content: ReportContent,
    table: pd.DataFrame,
    arch: Arch,
    condition: str,
    model: str,
) -> None:
    rows = gap_rows(table, arch, condition=condition, model=model)
    if not len(rows):
        return
    limit = limit_of(content, "seat_gap_um")
    ends = rows.groupby("way", sort=False)["worst_um"].agg(["min", "max"])
    said = joined(
        [
            say("seating.to_way_low", way=way, low=number(low), high=quantity(high))
            for way, low, high in ends.itertuples(name=None)
        ]
    )
    which = named(content, condition, model)
    document.figure(
        slug("gaps", condition, model),
        gap_chart(rows, limit_um=limit),
        caption=(
            say(
                "seating.gap_at_the_rim",
                largest_which=say("seating.largest_which", which=which)
                if which
                else say("seating.largest"),
            )
        )
        + ("." if limit is None else say("seating.dashed_the_limit_of_2", limit=quantity(limit))),
        alt=say("seating.dots_of_the_largest", said=said),
    )


def _summary(document: Document, content: ReportContent) -> None:
    table = content.table("seating_summary")
    if not len(table):
        return
    several = len(set(table["condition"])) > 1
    seats = content.table("seating")
    rows: list[list[Text]] = []
    for r in rows_of(table):
        within = NONE
        if not missing(r.limit_um) and not missing(r.n_within):
            within = say(
                "seating.of_n_within_n_scans", n_within=int(r.n_within), n_scans=int(r.n_scans)
            )
        pressed = NONE
        if not missing(r.n_interference):
            pressed = say(
                "seating.of_n_interference_n_scans",
                n_interference=int(r.n_interference),
                n_scans=int(r.n_scans),
            )
            if r.n_interference:
                pressed += say(
                    "seating.to_max_interference_um",
                    max_interference_um=number(r.max_interference_um, decimals=0),
                )
        share = NONE
        if within != NONE:
            share = say(
                "seating.to_share_within_low_share_within_high",
                share_within_low=percent(r.share_within_low),
                share_within_high=percent(r.share_within_high),
            )
        cells: list[Text] = [condition_name(r.condition)] if several else []
        mine = seats[(seats["condition"] == r.condition) & (seats["model"] == r.model)]
        rows.append(
            [
                *cells,
                str(r.model),
                words("seating.ways").get(r.seated, str(r.seated)),
                number(r.median_um, decimals=0),
                number(r.max_um, decimals=0),
                within,
                share,
                pressed,
                number(r.tolerance_bound_um, decimals=0),
                str(r.verdict) if r.verdict else NONE,
                number(_sideways(mine), decimals=0) if r.seated == "best-seat" else NONE,
            ]
        )
    document.table(
        say("seating.vertical_misfit_largest_gap", confidence_of=sure(confidence_of(content))),
        [
            *(heads("seating.columns_condition") if several else []),
            *heads("seating.columns_model_seated_median"),
        ],
        rows,
    )


def pictures(document: Document, content: ReportContent) -> None:
    """Views of the scans that were computed elsewhere."""
    if not content.pictures:
        return
    shown = [n for n in words("seating.picture_captions") if n in content.pictures]
    document.heading(say("seating.scan_surfaces"))
    text = say("seating.the_located_scan_shows")
    if "surface-trueness" in shown:
        text += say("seating.the_surface_comparison_also")
    document.lead(say("seating.how_to_read_it"), text)
    for name in shown:
        note = content.picture_notes.get(name) or words("seating.picture_captions")[name]
        document.picture(
            name, content.pictures[name], caption=note, alt=note, width_mm=PRINTED_MM[name]
        )
    if {"surface-trueness", "surface-precision"} <= set(shown):
        document.beside()
