"""The report of a study without a reference: how scans scatter, and how conditions differ."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from accstudy.accuracy.precision import Relation
from accstudy.figures.precision import precision_chart
from accstudy.figures.style import component_name, rows_of
from accstudy.reports import deviations, seating
from accstudy.reports.accuracy import accuracy_tables, interval_of, outlier_tests
from accstudy.reports.common import (
    holds_for,
    left_out,
    limits_of_use,
    methods_section,
    tried_sentence,
    words_section,
)
from accstudy.reports.comparison import differences_table
from accstudy.reports.design import checklist, design_section
from accstudy.reports.document import Document, ReportContent, Text, heads, strong_accent
from accstudy.reports.effects import lack_of_fit_section, residual_checks, unequal_scatter
from accstudy.reports.headline import at_ends
from accstudy.reports.model_names import contrast_sentence, contrasts_sentence, level_contrasts
from accstudy.reports.models import (
    contrasts_section,
    fits_section,
    means_table,
    operators_section,
    scatter,
    term_tests,
)
from accstudy.reports.names import condition_name
from accstudy.reports.record import record_section
from accstudy.reports.rows import between, confidence_of, groups, named, pair_rows
from accstudy.words.catalogue import say
from accstudy.words.numbers import NONE, missing, number, percent, quantity, sure

__all__ = ["answer", "unreferenced_report"]

_POINTS = 25
_MOST = 5


def unreferenced_report(content: ReportContent) -> tuple[list[Text], Document, Document]:
    """Build the report of a validation or comparison without a reference."""
    first, rest = Document(), Document()
    lead, models = _lead(content), _models(content)
    if lead:
        differences_table(first, content, models)
    _by_condition(first, content)
    _precision_figure(first, content)
    holds_for(first, content)
    rest.new_page()
    _relations(rest, content)
    if lead:
        contrasts_section(rest, content, lead)
        operators_section(rest, content)
        design_section(rest, content)
        means_table(rest, content)
        scatter(rest, content, models)
        fits_section(rest, content, models)
        for model in models:
            residual_checks(rest, content, model, first=model == lead)
        lack_of_fit_section(rest, content, models)
        unequal_scatter(rest, content, lead)
        term_tests(rest, content)
    deviations.scan_after_scan(rest, content)
    _components(rest, content)
    _seating(rest, content)
    seating.pictures(rest, content)
    if lead:
        outlier_tests(rest, content, most=8)
        checklist(rest, content)
    else:
        accuracy_tables(rest, content)
    left_out(rest, content)
    words_section(rest, content)
    methods_section(rest, content)
    limits_of_use(rest, content)
    record_section(rest, content)
    return answer(content), first, rest


def _lead(content: ReportContent) -> str:
    """First model of a signed response that compares conditions; empty without one."""
    table = content.table("model_contrasts")
    for row in rows_of(table.drop_duplicates("model_name")) if len(table) else ():
        if not str(row.response).startswith("spread(") and len(
            level_contrasts(table, str(row.model_name))
        ):
            return str(row.model_name)
    return ""


def _models(content: ReportContent) -> list[str]:
    """The leading model and the first one of scatter."""
    table = content.table("model_contrasts")
    if not len(table):
        return []
    spread = table[table["response"].str.startswith("spread(")]["model_name"]
    return [m for m in (_lead(content), *spread.head(1)) if m]


def answer(content: ReportContent) -> list[Text]:
    """Sentences of page 1."""
    rows = _longest(content)
    if not rows:
        return [say("precision.no_result_no_two"), say("cautions.not_stated")]
    lead = _lead(content)
    compared: list[Text] = []
    if lead:
        table = content.table("model_contrasts")
        stated = rows_of(level_contrasts(table, lead).dropna(subset=["low"]))
        if stated:
            several = len(stated) > 1
            compared = [contrasts_sentence(stated) if several else contrast_sentence(stated[0])]
        compared += at_ends(content, lead, most=1)
        return [*compared, say("cautions.not_stated"), tried_sentence(content)]
    repeats = [_repeats(content, rows[0])] if len(rows) == 1 else [_all_repeats(content, rows)]
    return [*repeats, say("cautions.not_stated"), tried_sentence(content)]


def _longest(content: ReportContent) -> list[Any]:
    """The longest pair of every condition."""
    rows = pair_rows(content)
    if not len(rows):
        return []
    longest = rows.loc[rows.groupby("condition", sort=False)["span_mm"].idxmax()]
    return [r for r in rows_of(longest) if not missing(r.s_r) or not missing(r.s_I)]


def _repeats(content: ReportContent, row: Any) -> Text:
    """How far two scans of one condition lie apart over the longest pair."""
    who = f"{row.condition}: " if row.condition else ""
    name, _, factors = between(content)
    which = ", ".join([row.subject, *([w] if (w := named(content, "", row.model)) else [])])
    text: list[Any] = [
        say("precision.over_two_scans", who=who, span_mm=quantity(row.span_mm, "mm"), which=which)
    ]
    if not missing(row.r_limit):
        text += [
            say("precision.made_consecutively_differ_by"),
            strong_accent(quantity(row.r_limit)),
        ]
    if not missing(row.I_limit):
        text += [
            ", " if len(text) > 1 else say("precision.differ_by_less_than"),
            *([say("precision.with_another")] if len(text) > 1 else []),
            *(
                [say("precision.by_less_than", factors=factors.replace(" and ", " or "))]
                if len(text) > 1
                else []
            ),
            strong_accent(quantity(row.I_limit)),
        ]
    text += [
        say("precision.in_95_of_cases", s_r=quantity(row.s_r))
        if not missing(row.s_r)
        else say("precision.in_95_of_cases_2"),
        f", {name} {quantity(row.s_I)})." if not missing(row.s_I) else ").",
    ]
    first = text[0]
    return [first[0].upper() + first[1:], *text[1:]]


def _all_repeats(content: ReportContent, rows: list[Any]) -> Text:
    """The same for several conditions in one sentence."""
    shown = rows[:_MOST]
    more = say("precision.and_more_in_the", rows=len(rows) - _MOST) if len(rows) > _MOST else ""
    text: list[Any] = [say("precision.over_the_longest_pair")]
    text += _listed(shown, "r_limit")
    if any(not missing(r.I_limit) for r in shown):
        factors = between(content)[2].replace(" and ", " or ")
        text += [say("precision.with_another_by_less", factors=factors), *_listed(shown, "I_limit")]
    return [*text, say("precision.in_95_of_cases_3", more=more)]


def _listed(rows: list[Any], column: str) -> list[Any]:
    """A value a condition, in a sentence."""
    out: list[Any] = []
    for k, row in enumerate(rows):
        value = getattr(row, column)
        said = "unknown" if missing(value) else quantity(value)
        out += [
            "" if not k else say("precision.and") if k == len(rows) - 1 else ", ",
            strong_accent(said),
        ]
        out += [f" ({condition_name(row.condition)})"]
    return out


def _by_condition(document: Document, content: ReportContent) -> None:
    """Scatter of every condition, a row each."""
    rows = pair_rows(content)
    if not len(rows):
        return
    name, index, _ = between(content)
    seats = content.table("seating_summary")
    cells: list[list[Text]] = []
    for (condition,), mine in groups(rows, ["condition"]):
        longest = rows_of(mine.loc[[mine["span_mm"].idxmax()]])[0]
        gap = NONE
        if len(seats):
            best = (seats["condition"] == condition) & (seats["seated"] == "best-seat")
            gap = number(seats.loc[best, "max_um"].max())
        cells.append(
            [
                condition_name(condition),
                say(
                    "precision.in_n_scans_n_cells",
                    n_scans=int(mine["n_scans"].max()),
                    n_cells=int(mine["n_cells"].max()),
                ),
                number(mine["s_r"].median()),
                number(mine["s_I"].median()),
                number(longest.s_r),
                interval_of(longest.s_r_low, longest.s_r_high, "um"),
                number(longest.s_I),
                interval_of(longest.s_I_low, longest.s_I_high, "um"),
                gap,
            ]
        )
    document.table(
        say(
            "precision.scatter_of_the_distance",
            name=name,
            confidence_of=sure(confidence_of(content)),
        ),
        heads("precision.columns_condition_sr_median_s_longest_sr", index=index),
        cells,
    )


def _precision_figure(document: Document, content: ReportContent) -> None:
    """Standard deviations against the length between two implants."""
    rows = pair_rows(content)
    if not len(rows):
        return
    shown = list(dict.fromkeys(rows["condition"]))[: deviations.SHOWN]
    rows = rows[rows["condition"].isin(shown)]
    name = between(content)[0]
    lines = _lines(content, rows)
    said = [
        say(
            "precision.and_condition_subject",
            condition=condition_name(r.condition),
            subject=r.subject,
            s_r=quantity(r.s_r),
            s_I=quantity(r.s_I),
        )
        for r in _longest(content)
    ]
    document.figure(
        "precision",
        precision_chart(
            rows, lines, names=(say("precision.repeats"), f"{name[0].upper()}{name[1:]}")
        ),
        caption=(say("precision.standard_deviation_of_the", name=name)),
        alt=say("precision.dots_by_length_longest", said="; ".join(said)),
    )


def _best(content: ReportContent) -> pd.DataFrame:
    table = content.table("precision_vs_span")
    if not len(table):
        return table
    return table[(table["measurand"] == "distance_um") & table["best"].fillna(False).astype(bool)]


def _lines(content: ReportContent, rows: pd.DataFrame) -> pd.DataFrame:
    """Values of the best relations between zero and the longest pair."""
    parts = []
    best = _best(content)
    for which in ("s_r", "s_I"):
        mine = best[best["which"] == which] if len(best) else best
        if not len(mine):
            continue
        for r in rows_of(mine[mine["against"] == mine["against"].mode().iloc[0]]):
            own = rows.loc[rows["condition"] == r.condition, r.against]
            if not len(own):
                continue
            at = np.linspace(own.min(), own.max(), _POINTS)
            relation = Relation(r.relation, r.intercept, r.slope, np.nan, 0)
            parts.append(
                pd.DataFrame(
                    {
                        "condition": r.condition,
                        "which": which,
                        "against": r.against,
                        "at_mm": at,
                        "value": relation.predict(at),
                    }
                )
            )
    columns = ["condition", "which", "against", "at_mm", "value"]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=columns)


def _relations(document: Document, content: ReportContent) -> None:
    """The relation of standard deviation and length that fits best."""
    best = _best(content)
    if not len(best):
        return
    document.heading(say("precision.precision_along_the_arch"))
    document.lead(
        say("precision.how_to_read_it"),
        say("precision.the_three_relations_of"),
    )
    words = {"s_r": "repeats", "s_I": between(content)[0]}
    document.table(
        say("precision.standard_deviation_of_the_2"),
        heads("precision.columns_condition_of_relation"),
        [
            [
                condition_name(r.condition),
                words[r.which],
                str(r.relation),
                NONE if r.relation == "s = b m" else f"{r.intercept:.3g}",
                f"{r.slope:.3g}",
                str(int(r.n_points)),
            ]
            for r in rows_of(best)
        ],
        wide=False,
    )


def _components(document: Document, content: ReportContent) -> None:
    """Which level of the study scatter comes from."""
    table = content.table("variance_components")
    if not len(table):
        return
    mine = table[(table["measurand"] == "distance_um") & (table["level"] != "total")]
    if not len(mine):
        return
    document.heading(say("precision.components_of_variance"))
    rows: list[list[Text]] = []
    before = None
    for (condition, level), own in groups(mine, ["condition", "level"]):
        rows.append(
            [
                condition_name(condition) if condition != before else "",
                "repeats" if level == "residual" else component_name(level),
                number(own["sd"].median()),
                number(own["sd"].max()),
                percent(own["share"].median()),
            ]
        )
        before = condition
    document.table(
        say("precision.components_of_the_standard"),
        heads("precision.columns_condition_part_median"),
        rows,
        wide=False,
    )


def _seating(document: Document, content: ReportContent) -> None:
    """Predicted seating from the scatter of scans alone."""
    table = content.table("seating_summary")
    if not len(table):
        return
    document.heading(say("precision.misfit_of_a_framework"))
    document.lead(
        say("precision.how_to_read_it"),
        say("precision.a_rigid_framework_made"),
    )
    words = {
        "best-seat": say("precision.best_seat"),
        "terminal-screw": say("precision.one_screw_tightened"),
    }
    document.table(
        say("precision.largest_gap_or_interference"),
        heads("precision.columns_condition_model_seated"),
        [
            [
                condition_name(r.condition),
                str(r.model),
                words.get(str(r.seated), str(r.seated)),
                str(int(r.n_scans)),
                number(r.median_um),
                number(r.q75_um),
                number(r.max_um),
            ]
            for r in rows_of(table)
        ],
        wide=False,
    )
