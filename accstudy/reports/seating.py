"""Evidence on seating: budget, gaps of a framework, origin of its misfit, views of scans."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from accstudy.compare.arch import Arch, model_arches
from accstudy.figures.accuracy import budget_chart
from accstudy.figures.seating import gap_chart, misfit_chart, seat_chart, varied_columns
from accstudy.figures.style import rows_of
from accstudy.figures.views import PRINTED_MM
from accstudy.reports.common import confidence_of, groups, limit_of, named, slug
from accstudy.reports.document import Document, ReportContent, Text, extended
from accstudy.seating.contributions import contribution_sentence, main_origin
from accstudy.seating.summary import Told, told_from_none
from accstudy.seating.table import BEST_SEAT
from accstudy.words.catalogue import say, words
from accstudy.words.numbers import NONE, freedom, joined, missing, number, quantity, sure

__all__ = [
    "budget",
    "gap_rows",
    "largest_gap",
    "misfit",
    "pictures",
    "seat_rows",
    "seating",
    "typical_scan",
]


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
    document: Document, rows: pd.DataFrame, which: str, name: str, largest: float, confidence: str
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
    text = say("seating.in_the_bias_of", top, subject=subject, span_mm=total[0].span_mm)
    if expanded and not missing(expanded[0].u_um):
        text += (
            say(
                "seating.the_expanded_uncertainty_is",
                u_um=expanded[0].u_um,
                confidence=confidence,
                k=expanded[0].k,
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
        alt=say("seating.bars_m_combined_m", said=said, u_um=total[0].u_um),
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
    order = model_arches(content.table("implants"))
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
    alt = say("seating.framework_of_scan_on", scan=scan, best=best)
    if one["gap_max_um"].notna().any():
        alt += say(
            "seating.one_screw_at_gaps",
            implants=arch.implants[0],
            gap_min_um=one["gap_min_um"].min(),
            gap_max_um=one["gap_max_um"].max(),
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
    rows = gap_rows(
        table, content.table("seating_implants"), arch, condition=condition, model=model
    )
    if not len(rows):
        return
    limit = limit_of(content, "seat_gap_um")
    ends = rows.groupby("way", sort=False)["worst_um"].agg(["min", "max"])
    said = joined(
        [
            say("seating.to_way_low", way=way, low=low, high=high)
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
        + ("." if limit is None else say("seating.dashed_the_limit_of_2", limit=limit)),
        alt=say("seating.dots_of_the_largest", said=said),
    )


def _summary(document: Document, content: ReportContent) -> None:
    table = content.table("seating_summary")
    if not len(table):
        return
    several = len(set(table["condition"])) > 1
    seats = content.table("seating")
    sideways, deepest = [], []
    for r in rows_of(table):
        mine = seats[(seats["condition"] == r.condition) & (seats["model"] == r.model)]
        sideways.append(_sideways(mine) if r.seated == "best-seat" else None)
        pressed = not missing(r.n_interference) and r.n_interference
        deepest.append(r.max_interference_um if pressed else None)
    limited = table["limit_um"].notna()
    document.listed(
        "seating.summary_table",
        extended(table, sideways=sideways, deepest=deepest).assign(
            n_within=table["n_within"].where(limited),
            share_within_low=table["share_within_low"].where(limited),
        ),
        shown=["several"] if several else [],
        confidence_of=confidence_of(content),
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


_MOST = 2


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
    for condition, seated, scan, own in found:
        origin = main_origin(own)
        told, apart = _told(content, condition, seated, scan)
        known = bool(origin.implant) and apart
        whence = f"{origin.implant}, {origin.part}" if known else say("seating.several_implants")
        rows.append(
            [
                condition,
                scan,
                _seated(own),
                say("seating.at_misfit_um_at", origin),
                whence if apart else say("seating.not_distinguishable"),
                quantity(origin.without_um) if known else NONE,
                say("seating.of_n_not_n", n_not=told.n_not, n=told.n) if told else NONE,
            ]
        )
    document.lead(say("seating.origin_of_the_misfit"), say("seating.for_the_scan_with"))
    document.listed("seating.origins_table", rows, once=1)


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
                f"{condition} {way}, ".lstrip()
                + say("seating.of_n_not_n", n_not=told.n_not, n=told.n)
            )
    if not parts:
        return ""
    return say("seating.scans_whose_misfit_cannot", parts="; ".join(parts))


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
        said = say("seating.the_misfit_of_m", origin)
    else:
        said = contribution_sentence(own)
    return f"{start[0].upper()}{start[1:]} {own['scan'].iloc[0]}: {said[0].lower()}{said[1:]}"


def _over_the_study(document: Document, content: ReportContent) -> None:
    limit = limit_of(content, "seat_gap_um")
    table = content.table("seating_scans")
    table = table[table["misfit_um"].notna()]
    varied = varied_columns(table)
    if not varied or table.empty or not content.has("seating_summary"):
        return
    keys = ["condition", "model", "seated"]
    medians = content.table("seating_summary")[[*keys, "median_um"]]
    best = medians[medians["seated"] == "best-seat"]
    told = [_range(str(name), own["median_um"]) for name, own in best.groupby("condition")]
    document.figure(
        "misfit-over-study",
        misfit_chart(table.merge(medians, on=keys, how="left"), limit_um=limit),
        caption=(say("seating.misfit_of_every_scan"))
        + ("" if limit is None else say("seating.dashed_the_limit_of", limit=limit))
        + f".{_together(table)}",
        alt=say(
            "seating.misfit_against_medians_at",
            varied=joined([words("figures.varied")[c] for c in varied]),
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
        medians=medians.min(),
        medians_2=medians.max(),
    )


def largest_gap(content: ReportContent, condition: str) -> Any:
    """Largest gap of a condition at the best seat, of all its models, um; None without any."""
    seats = content.table("seating_summary")
    if not len(seats):
        return None
    best = (seats["condition"] == condition) & (seats["seated"] == "best-seat")
    return seats.loc[best, "max_um"].max()


def typical_scan(seating: pd.DataFrame, *, condition: str, model: str) -> str:
    """Scan whose best seat is the median one (the lower of two); empty without any."""
    rows = seating[(seating["condition"] == condition) & (seating["model"] == model)]
    best = rows.drop_duplicates("scan").set_index("scan")["best_seat_um"].dropna()
    if best.empty:
        return ""
    ranked = best.sort_values(kind="stable")
    return str(ranked.index[(len(ranked) - 1) // 2])


def seat_rows(seating: pd.DataFrame, arch: Arch, *, scan: str) -> pd.DataFrame:
    """One scan's framework with the first implant's screw tightened, and best seated."""
    rows = seating[
        (seating["scan"] == scan) & seating["tightened"].isin([arch.implants[0], "best-seat"])
    ]
    path = dict(zip(arch.implants, arch.path_mm, strict=True))
    rows = rows.assign(path_mm=rows["implant"].map(path)).dropna(subset=["path_mm"])
    last = (rows["tightened"] == "best-seat").astype(int)
    return (
        rows.assign(last=last).sort_values(["last", "path_mm"], kind="stable").drop(columns="last")
    )


def gap_rows(
    seating: pd.DataFrame, medians: pd.DataFrame, arch: Arch, *, condition: str, model: str
) -> pd.DataFrame:
    """Gaps of all scans: first implant tightened, last implant tightened, best seat.

    Column ``worst_um`` is the largest gap at the rim, or the largest interference (negative)
    where that is larger.
    """
    rows = seating[(seating["condition"] == condition) & (seating["model"] == model)]
    first, last = arch.implants[0], arch.implants[-1]
    names = {
        first: say("seating.one_screw_at", first=first),
        last: say("seating.one_screw_at_2", last=last),
        "best-seat": say("seating.all_screws_best_seat"),
    }
    rows = rows[rows["tightened"].isin(names) & rows["gap_max_um"].notna()]
    rows = rows.assign(way=rows["tightened"].map(names))
    place = {implant: k for k, implant in enumerate(arch.implants)}
    order = {way: k for k, way in enumerate(names.values())}
    rows = rows.assign(a=rows["way"].map(order), b=rows["implant"].map(place))
    rows = rows.sort_values(["a", "b"], kind="stable").drop(columns=["a", "b"])
    gap = rows["gap_max_um"] >= -rows["gap_min_um"]
    rows = rows.assign(worst_um=rows["gap_max_um"].where(gap, rows["gap_min_um"]))
    on = ["condition", "model", "tightened", "implant"]
    return rows.merge(medians[[*on, "median_um"]], on=on, how="left")
