"""Trueness, precision and outlier tests as tables."""

from __future__ import annotations

from typing import Any

import pandas as pd

from accstudy.figures.precision import precision_chart
from accstudy.figures.style import component_name, rows_of
from accstudy.reports.document import Document, ReportContent, Text, extended, symbol
from accstudy.reports.names import condition_name, measurand_name
from accstudy.reports.rows import (
    between,
    confidence_of,
    groups,
    is_scan,
    longest_pairs,
    named,
    pair_rows,
)
from accstudy.words.catalogue import say
from accstudy.words.numbers import NONE, number, sure, unit_name

__all__ = [
    "accuracy_tables",
    "outlier_tests",
    "paper_figures",
    "precision_figure",
    "precision_relations",
    "variance_parts",
]

_MOST_ROWS = 90
_S_R: Text = [{"t": "s", "s": "i"}, {"t": "r", "s": "sub"}]


def accuracy_tables(document: Document, content: ReportContent) -> None:
    """Every measurand of table ``accuracy`` or ``precision``, and the outlier tests."""
    accuracy = content.table("accuracy")
    if not len(accuracy):
        return
    document.heading(say("accuracy.tables"))
    name, index, factors = between(content)
    big = symbol("s", index)
    document.lead(
        say("accuracy.symbols"),
        [
            *_S_R,
            say("accuracy.standard_deviation_of_repeats"),
            *big,
            say("accuracy.the_same_including_the", name=name, factors=factors),
            *_S_R,
            say("accuracy.within_a_cell_and"),
            *big,
            say("accuracy.between_cells_iso_5725", confidence_of=confidence_of(content)),
        ],
    )
    for (measurand,), mine in groups(accuracy, ["measurand"]):
        _measurand(document, content, measurand, mine)
    outlier_tests(document, content)


def _measurand(
    document: Document, content: ReportContent, measurand: str, mine: pd.DataFrame
) -> None:
    is_pair = bool(mine["span_mm"].notna().any())
    several, models = len(set(mine["condition"])) > 1, len(set(mine["model"])) > 1
    unit, name = str(mine["unit"].iloc[0]), measurand_name(measurand)
    which = {
        "several": several,
        "models": models,
        "pair": is_pair,
        "referenced": content.referenced,
        "unreferenced": not content.referenced,
    }
    document.listed(
        "accuracy.main_table",
        mine.head(_MOST_ROWS),
        once=several + models,
        shown=[column for column, wanted in which.items() if wanted],
        index=between(content)[1],
        what="pair" if is_pair else "implant",
        bias="difference" if is_scan(content) else "bias",
        name=f"{name[0].upper()}{name[1:]}",
        unit={"um": "µm", "deg": "degrees"}.get(unit, unit_name(unit)),
        cut=""
        if len(mine) <= _MOST_ROWS
        else say("accuracy.first_of_rows", most=_MOST_ROWS, mine=len(mine)),
    )


def outlier_tests(document: Document, content: ReportContent, *, most: int = 20) -> None:
    """What the tests for outliers say, and the first of what they found."""
    table, counts = content.table("outliers"), content.table("outlier_counts")
    if not len(table) or not len(counts):
        return
    whole = rows_of(counts.tail(1))[0]
    document.lead(
        say("accuracy.outlier_tests"),
        say(
            "accuracy.of_cochran_grubbs_mandel",
            n=int(whole.n_statistics),
            beyond_5=whole.n_beyond_5,
            share_5=whole.share_beyond_5,
            beyond_1=whole.n_beyond_1,
            share_1=whole.share_beyond_1,
        ),
    )
    seen = table[table["verdict"] != "nothing"]
    if not len(seen):
        return
    several = len(counts) > 2
    if several:
        _outlier_counts(document, counts.iloc[:-1])
    shown = _most_extreme(seen, most)
    more = (
        "." if len(seen) <= most else say("accuracy.of_the_most_extreme", most=most, seen=len(seen))
    )
    document.listed(
        "accuracy.outliers_table",
        extended(
            shown,
            whose=[
                ", ".join(p for p in (named(content, r.condition, r.model), r.subject) if p)
                for r in rows_of(shown)
            ],
            where=shown["scan"].where(shown["scan"].fillna("") != "", shown["cell"]),
        ),
        more=more,
        wide_as="2.2" if several else "0.9",
    )


def _most_extreme(seen: pd.DataFrame, most: int) -> pd.DataFrame:
    """First the most extreme row of every test, then the second ones."""
    ratio = seen["statistic"].abs() / seen["critical_1"].abs()
    # Grubbs' test of two is a ratio of sums of squares: the smaller, the farther out
    ratio = ratio.where(seen["test"] != "grubbs-double", 1 / ratio.clip(lower=1e-12))
    ranked = seen.assign(place=ratio.groupby(seen["test"]).rank(ascending=False, method="first"))
    return ranked.sort_values("place", kind="stable").head(most)


def _outlier_counts(document: Document, counts: pd.DataFrame) -> None:
    """How many statistics lie beyond their critical values, by condition and model."""
    document.listed("accuracy.counts_table", counts, once=1, wide=False)


def paper_figures(document: Document, content: ReportContent) -> None:
    """Trueness and precision as commonly reported, beside the figures of ISO 5725."""
    rows = content.table("field_figures")
    if not len(rows):
        return
    document.heading(say("accuracy.as_commonly_reported"))
    rows = pd.concat([mine for _, mine in groups(rows, ["measurand"])])
    document.listed("accuracy.papers_table", rows, once=2, index=between(content)[1])


def precision_figure(document: Document, content: ReportContent, *, most: int) -> None:
    """Standard deviations against the length between two implants, and the best relation."""
    rows, curve = pair_rows(content), content.table("precision_curve")
    if not len(rows) or not len(curve):
        return
    shown = list(dict.fromkeys(rows["condition"]))[:most]
    name = between(content)[0]
    lines = curve[(curve["measurand"] == "distance_um") & curve["condition"].isin(shown)]
    rows = rows[rows["condition"].isin(shown)]
    said = [
        say("precision.and_condition_subject", r, condition=condition_name(r.condition))
        for r in longest_pairs(content)
        if r.condition in shown
    ]
    document.figure(
        "precision",
        precision_chart(
            rows, lines, names=(say("precision.repeats"), f"{name[0].upper()}{name[1:]}")
        ),
        caption=say("precision.standard_deviation_of_the", name=name),
        alt=say("precision.dots_by_length_longest", said="; ".join(said)),
    )


def precision_relations(
    document: Document, content: ReportContent, *, figure: bool = False
) -> None:
    """The relation of standard deviation and length that fits best, with its figure if wanted."""
    table = content.table("precision_vs_span")
    best = table[
        (table["measurand"] == "distance_um") & table["best"].fillna(False).astype(bool)
    ] if len(table) else table  # fmt: skip
    if not len(best):
        return
    document.heading(say("precision.precision_along_the_arch"))
    document.lead(say("precision.how_to_read_it"), say("precision.the_three_relations_of"))
    if figure:
        precision_figure(document, content, most=4)
    of = {"s_r": say("precision.repeats").lower(), "s_I": between(content)[0]}
    document.listed(
        "precision.relations_table",
        best.assign(intercept=best["intercept"].mask(best["relation"] == "s = b m")),
        wide=False,
        named={"of": of.__getitem__},
    )


def variance_parts(document: Document, content: ReportContent) -> None:
    """Which level of the study the scatter of the longest pair comes from."""
    table = content.table("variance_components")
    if not len(table):
        return
    longest = {(str(r.condition), str(r.model), str(r.subject)) for r in longest_pairs(content)}
    mine = table[(table["measurand"] == "distance_um") & (table["level"] != "total")]
    rows = [r for r in rows_of(mine) if (str(r.condition), str(r.model), str(r.subject)) in longest]
    if not rows:
        return
    ranked = mine[mine["sd"].notna()].sort_values("sd", ascending=False, kind="stable")
    most = {(r.condition, r.level): r for r in reversed(rows_of(ranked))}
    document.heading(say("precision.components_of_variance"))
    document.listed(
        "precision.parts_table",
        extended(
            pd.DataFrame(rows), most=[_largest(most.get((r.condition, r.level))) for r in rows]
        ),
        once=2,
        wide=False,
        named={"level": _level},
        confidence=sure(rows[0].confidence),
    )


def _level(level: str) -> str:
    return say("precision.repeats").lower() if level == "residual" else component_name(level)


def _largest(row: Any) -> str:
    return NONE if row is None else f"{number(row.sd)} ({row.subject})"
