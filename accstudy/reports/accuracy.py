"""Trueness, precision and outlier tests as tables."""

from __future__ import annotations

from typing import Any

import pandas as pd

from accstudy.figures.precision import precision_chart
from accstudy.figures.style import component_name, rows_of
from accstudy.reports.document import Document, Heading, ReportContent, Text, heads, symbol
from accstudy.reports.names import condition_name, measurand_name
from accstudy.reports.rows import (
    between,
    confidence_of,
    groups,
    is_scan,
    longest_pairs,
    named,
    once,
    pair_rows,
)
from accstudy.words.catalogue import say, words
from accstudy.words.numbers import (
    NONE,
    missing,
    number,
    percent,
    quantity,
    significant,
    sure,
    unit_name,
)

__all__ = [
    "accuracy_tables",
    "interval_of",
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
            say("accuracy.between_cells_iso_5725", confidence_of=sure(confidence_of(content))),
        ],
    )
    for (measurand,), mine in groups(accuracy, ["measurand"]):
        _measurand(document, content, measurand, mine)
    outlier_tests(document, content)


def _measurand(
    document: Document, content: ReportContent, measurand: str, mine: pd.DataFrame
) -> None:
    is_pair = bool(mine["span_mm"].notna().any())
    several = len(set(mine["condition"])) > 1
    models = len(set(mine["model"])) > 1
    unit = str(mine["unit"].iloc[0])
    bias = "difference" if is_scan(content) else "bias"
    index = between(content)[1]
    columns = heads("accuracy.columns_condition") if several else []
    columns += heads("accuracy.columns_model") if models else []
    columns += [Heading("pair" if is_pair else "implant", "left", 1.0)]
    columns += heads("accuracy.columns_span_mm") if is_pair else []
    columns += heads("accuracy.columns_scans_cells")
    if content.referenced:
        columns += [Heading(bias, width=1.0), *heads("accuracy.columns_interval")]
        columns += heads("accuracy.columns_sr_s", index=index)
    else:
        columns += heads("accuracy.columns_sr_interval")
        columns += heads("accuracy.columns_s_interval", index=index)
    columns += heads("accuracy.columns_2_8_sr_2_8_s", index=index)
    rows: list[list[Text]] = []
    before: tuple[str, str] | None = None
    for r in rows_of(mine.head(_MOST_ROWS)):
        new = (r.condition, r.model) != before
        before = (r.condition, r.model)
        cells: list[Text] = [condition_name(r.condition) if new else ""] if several else []
        cells += [str(r.model) if new else ""] if models else []
        numbers = _numbers if content.referenced else _spreads
        rows.append([*cells, str(r.subject), *numbers(r, unit, is_pair=is_pair)])
    cut = (
        ""
        if len(mine) <= _MOST_ROWS
        else say("accuracy.first_of_rows", MOST_ROWS=_MOST_ROWS, mine=len(mine))
    )
    name = measurand_name(measurand)
    words = {"um": "µm", "deg": "degrees"}.get(unit, unit_name(unit))
    document.table(
        say("accuracy.in_name_name_2", name=name[0].upper(), name_2=name[1:], words=words, cut=cut),
        columns,
        rows,
    )


def _numbers(row: Any, unit: str, *, is_pair: bool) -> list[Text]:
    ends = [number(v, unit, signed=True) for v in (row.bias_low, row.bias_high)]
    return [
        *([number(row.span_mm, "mm")] if is_pair else []),
        str(int(row.n_scans)),
        str(int(row.n_cells)),
        number(row.bias, unit, signed=True),
        NONE
        if missing(row.bias_low)
        else say("accuracy.to_ends_ends_2", ends=ends[0], ends_2=ends[1]),
        *(number(v, unit) for v in (row.s_r, row.s_I, row.r_limit, row.I_limit)),
    ]


def _spreads(row: Any, unit: str, *, is_pair: bool) -> list[Text]:
    """The same without a reference: standard deviations with their intervals."""
    return [
        *([number(row.span_mm, "mm")] if is_pair else []),
        str(int(row.n_scans)),
        str(int(row.n_cells)),
        number(row.s_r, unit),
        interval_of(row.s_r_low, row.s_r_high, unit),
        number(row.s_I, unit),
        interval_of(row.s_I_low, row.s_I_high, unit),
        *(number(v, unit) for v in (row.r_limit, row.I_limit)),
    ]


def interval_of(low: Any, high: Any, unit: str) -> str:
    """Interval of a standard deviation without its unit."""
    return (
        NONE
        if missing(low) or missing(high)
        else say("accuracy.to_low_high", low=number(low, unit), high=number(high, unit))
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
            beyond_5=int(whole.n_beyond_5),
            share_5=percent(whole.share_beyond_5, decimals=1),
            beyond_1=int(whole.n_beyond_1),
            share_1=percent(whole.share_beyond_1, decimals=1),
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
    document.table(
        say("accuracy.results_beyond_a_critical", more=more),
        [
            *heads("accuracy.columns_verdict_test_measurand"),
            Heading("subject", "left", 2.2 if several else 0.9),
            *heads("accuracy.columns_cell_or_scan_statistic_5"),
        ],
        [
            [
                r.verdict,
                words("names.outlier_tests").get(str(r.test), str(r.test)),
                measurand_name(r.measurand),
                ", ".join(p for p in (named(content, r.condition, r.model), r.subject) if p),
                r.scan or r.cell,
                *(significant(v, 4) for v in (r.statistic, r.critical_5, r.critical_1)),
            ]
            for r in rows_of(shown)
        ],
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
    document.table(
        say("accuracy.statistics_beyond_the_critical"),
        heads("accuracy.columns_condition_model_statistics"),
        once(
            [
                [
                    condition_name(r.condition),
                    str(r.model),
                    str(int(r.n_statistics)),
                    str(int(r.n_beyond_5)),
                    percent(r.share_beyond_5, decimals=1),
                    str(int(r.n_beyond_1)),
                    percent(r.share_beyond_1, decimals=1),
                ]
                for r in rows_of(counts)
            ]
        ),
        wide=False,
    )


def paper_figures(document: Document, content: ReportContent) -> None:
    """Trueness and precision as papers print them, beside the figures of ISO 5725."""
    rows = content.table("field_figures")
    if not len(rows):
        return
    _, index, _ = between(content)
    document.heading(say("accuracy.figures_as_papers_print"))
    for (measurand,), mine in groups(rows, ["measurand"]):
        unit = str(mine["unit"].iloc[0])
        document.table(
            say(
                "accuracy.trueness_and_precision_as",
                measurand=measurand_name(measurand),
                unit=unit_name(unit),
            ),
            heads("accuracy.columns_condition_sr_s", index=index),
            [
                [
                    condition_name(str(r.condition)),
                    str(r.model),
                    str(r.n_scans),
                    _with_sd(r.trueness_mean, r.trueness_sd, unit),
                    number(r.rms, unit),
                    _with_sd(r.precision_mean, r.precision_sd, unit),
                    number(r.bias_rms, unit),
                    number(r.s_r_rms, unit),
                    number(r.s_I_rms, unit),
                ]
                for r in rows_of(mine)
            ],
        )


def _with_sd(mean: float, sd: float, unit: str) -> str:
    return number(mean, unit) if missing(sd) else f"{number(mean, unit)} ± {number(sd, unit)}"


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
        say(
            "precision.and_condition_subject",
            condition=condition_name(r.condition),
            subject=r.subject,
            s_r=quantity(r.s_r),
            s_I=quantity(r.s_I),
        )
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
    document.table(
        say("precision.standard_deviation_of_the_2"),
        heads("precision.columns_condition_of_relation"),
        [
            [
                condition_name(r.condition),
                of[r.which],
                str(r.relation),
                NONE if r.relation == "s = b m" else f"{r.intercept:.3g}",
                f"{r.slope:.3g}",
                str(int(r.n_points)),
            ]
            for r in rows_of(best)
        ],
        wide=False,
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
    document.table(
        say("precision.components_of_the_standard", confidence=sure(rows[0].confidence)),
        heads("precision.columns_condition_pair_part"),
        once(
            [
                [
                    condition_name(r.condition),
                    str(r.subject),
                    say("precision.repeats").lower()
                    if r.level == "residual"
                    else component_name(r.level),
                    number(r.sd),
                    interval_of(r.sd_low, r.sd_high, "um"),
                    percent(r.share),
                    _largest(most.get((r.condition, r.level))),
                ]
                for r in rows
            ],
            2,
        ),
        wide=False,
    )


def _largest(row: Any) -> str:
    return NONE if row is None else f"{number(row.sd)} ({row.subject})"
