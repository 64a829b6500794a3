"""Evidence of a validation: uncertainty budget, seating of a framework, views of the scans."""

from __future__ import annotations

import pandas as pd

from accstudy.compare.arch import Arch
from accstudy.figures.budget import budget_chart
from accstudy.figures.seats import gap_chart, seat_chart
from accstudy.figures.style import rows_of
from accstudy.figures.views import PRINTED_MM
from accstudy.reports.content import ReportContent
from accstudy.reports.document import Document, Heading, Text
from accstudy.reports.figure_tables import arches, gap_rows, seat_rows, typical_scan
from accstudy.reports.report_rows import confidence_of, groups, limit_of, named, slug
from accstudy.reports.sentences import condition_name
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
    document.heading("Uncertainty budget")
    longest = []
    for key, rows in groups(table, ["condition", "model"]):
        longest.append((key, rows[rows["span_mm"] == rows["span_mm"].max()]))
    largest = max(float(rows.loc[rows["part"] == "combined", "u_um"].max()) for _, rows in longest)
    for (condition, model), rows in longest[:_MOST_BUDGETS]:
        _one_budget(document, rows, named(content, condition, model), slug(condition, model),
                    largest, sure(confidence_of(content)))  # fmt: skip


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
    text = (
        f"In the bias of the distance {subject} ({quantity(total[0].span_mm, 'mm')}) the largest "
        f"contribution is {top.part}, with {percent(top.share)} of the variance."
    )
    if expanded and not missing(expanded[0].u_um):
        text += (
            f" The expanded uncertainty is {number(expanded[0].u_um)} µm "
            f"({confidence}, coverage factor "
            f"{number(expanded[0].k, '', decimals=2)}"
            + ("" if missing(expanded[0].df) else f", {freedom(expanded[0].df)}")
            + ")."
        )
    known = rows["u_um"].notna() & ~rows["part"].isin(["combined", "expanded"])
    if not (known & (rows["part"] == "repeatability")).any():
        text += " Repeatability cannot be estimated from so few scans and is not included."
    held = rows[known & ~counted]
    if len(held):
        names = joined([str(p) for p in held["part"]])
        text += f" Already contained in the scatter of the scans, and not counted twice: {names}."
    document.lead(which or "Budget", text)
    drawn = pd.concat([parts, rows[rows["part"] == "combined"]]).rename(columns={"u_um": "u"})
    said = joined([f"{r.part} {number(r.u_um)}" for r in rows_of(parts)])
    document.figure(
        slug("budget", name, subject),
        budget_chart(drawn, largest=largest),
        caption=(
            f"Standard uncertainty of the bias of the distance {subject}, by contribution (JCGM "
            "100). Contributions are combined in quadrature."
        ),
        alt=f"Bars: {said} µm; combined {number(total[0].u_um)} µm.",
    )


def seating(document: Document, content: ReportContent) -> None:
    """How a rigid framework made from the scans would seat."""
    table = content.table("seating")
    if not len(table) or not content.has("implants"):
        return
    document.heading("Predicted seating of a rigid framework")
    document.lead(
        "Interpretation",
        "A perfectly rigid and perfectly made framework with the implant arrangement of the scan "
        "is seated on the reference. Gaps are vertical, for non-engaging components; lateral "
        "misfit is listed but not assessed. They result from the impression alone, without "
        "manufacture, screw preload, bone or soft tissue.",
        "Interference is not a good fit: the component would overlap the implant and could not be "
        "seated. These results do not show passive fit.",
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
    alt = f"Framework of scan {scan} on its implants. Best seat: largest gap {quantity(best)}."
    if one["gap_max_um"].notna().any():
        alt += (
            f" One screw at {arch.implants[0]}: gaps from {quantity(one['gap_min_um'].min())} "
            f"to {quantity(one['gap_max_um'].max())}."
        )
    document.figure(
        slug("seat", condition, model),
        seat_chart(rows, limit_um=limit_of(content, "seat_gap_um")),
        caption=(
            f"{f'{which}: the' if which else 'The'} framework of scan {scan}, the median scan at "
            "its best seat, on the implants, unrolled along the arch. Vertical scale in µm, "
            "horizontal scale in mm; numbers are the largest and, below zero, the smallest gap, "
            "and the base of each component slants between them. Hatched: overlap with the "
            "implant (interference), so the component could not be seated. Lateral misfit is not "
            f"drawn; at the best seat it is up to {quantity(_sideways(rows))}."
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
            f"{way}, {number(low)} to {quantity(high)}"
            for way, low, high in ends.itertuples(name=None)
        ]
    )
    which = named(content, condition, model)
    document.figure(
        slug("gaps", condition, model),
        gap_chart(rows, limit_um=limit),
        caption=(
            f"{f'{which}: largest' if which else 'Largest'} gap at the rim of every implant in "
            "every scan, or interference if larger: below zero, part of the rim would overlap the "
            "implant, and the component could not be seated. Bars: medians"
        )
        + ("." if limit is None else f"; dashed, the limit of {quantity(limit)}."),
        alt=f"Dots of the largest gap or, negative, interference at every implant: {said}.",
    )


_WAYS = {"terminal-screw": "one-screw test, worse end", "best-seat": "best seat"}


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
            within = f"{int(r.n_within)} of {int(r.n_scans)}"
        pressed = NONE
        if not missing(r.n_interference):
            pressed = f"{int(r.n_interference)} of {int(r.n_scans)}"
            if r.n_interference:
                pressed += f", to {number(r.max_interference_um, decimals=0)}"
        share = NONE
        if within != NONE:
            share = f"{percent(r.share_within_low)} to {percent(r.share_within_high)}"
        cells: list[Text] = [condition_name(r.condition)] if several else []
        mine = seats[(seats["condition"] == r.condition) & (seats["model"] == r.model)]
        rows.append(
            [
                *cells,
                str(r.model),
                _WAYS.get(r.seated, str(r.seated)),
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
        "Vertical misfit: largest gap or interference of a scan in µm, whichever is larger; scans "
        f"within the limit with the {sure(confidence_of(content))} interval of their proportion; "
        "scans with interference, and the deepest in µm. Conformity is assessed at the best seat, "
        "which has no interference; the one-screw test is descriptive. Bound: for future scans. "
        "Lateral: largest offset of a platform at the best seat in any scan, not assessed.",
        [
            *([Heading("condition", "left", 1)] if several else []),
            Heading("model", "left", 0.6),
            Heading("seated", "left", 1.5),
            Heading("median", width=0.7),
            Heading("largest", width=0.7),
            Heading("within", width=0.9),
            Heading("share", width=1.2),
            Heading("interference", width=1.1),
            Heading("bound", width=0.7),
            Heading("verdict", "left", 1.6),
            Heading("lateral", width=0.9),
        ],
        rows,
    )


_PICTURES = {
    "located": "One scan with the scan bodies at the positions found",
    "surface-trueness": "Surface of the scans against the reference surface",
    "surface-precision": "Surface of the scans against each other",
}


def pictures(document: Document, content: ReportContent) -> None:
    """Views of the scans that were computed elsewhere."""
    if not content.pictures:
        return
    shown = [n for n in _PICTURES if n in content.pictures]
    document.heading("Scan surfaces")
    text = "The located scan shows whether the scan bodies were found at the correct positions."
    if "surface-trueness" in shown:
        text += (
            " The surface comparison also includes soft tissue and model; the results of this "
            "report are based on the scan bodies alone. Scanned surfaces lie slightly outside the "
            "true surface of a scan body on all sides; this offset is fitted together with each "
            "pose and does not shift it."
        )
    document.lead("How to read it", text)
    for name in shown:
        note = content.picture_notes.get(name) or _PICTURES[name]
        document.picture(
            name, content.pictures[name], caption=note, alt=note, width_mm=PRINTED_MM[name]
        )
    if {"surface-trueness", "surface-precision"} <= set(shown):
        document.beside()
