"""Evidence of a comparison: contrasts, means, components, fits and tests."""

from __future__ import annotations

from typing import Any

import pandas as pd

from accstudy.figures.budget import share_chart
from accstudy.figures.models import contrast_chart
from accstudy.figures.style import component_name, rows_of
from accstudy.models.decisions import log_base
from accstudy.reports.document import Document, Heading, ReportContent, extended, heads
from accstudy.reports.headline import at_ends, held_points
from accstudy.reports.model_names import (
    engines_said,
    level_contrasts,
    means_rows,
    model_unit,
    response_label,
)
from accstudy.reports.names import contrast_name, term_name
from accstudy.reports.rows import confidence_of
from accstudy.words.catalogue import say
from accstudy.words.numbers import (
    NONE,
    interval,
    joined,
    missing,
    number,
    percent,
    quantity,
    sure,
    unit_name,
)

__all__ = [
    "contrasts_section",
    "estimate_cells",
    "fits_section",
    "means_table",
    "operators_section",
    "scatter",
    "term_tests",
]


def contrasts_section(document: Document, content: ReportContent, lead: str) -> None:
    """Differences of conditions with their equivalence bounds, and those of every model."""
    table = content.table("model_contrasts")
    rows = level_contrasts(table, lead) if len(table) else table
    if not len(rows):
        return
    document.heading(say("models.contrasts"))
    unit = model_unit(str(rows["response"].iloc[0]))
    label = response_label(str(rows["response"].iloc[0]))
    margin = rows["margin"].dropna()
    confidence = confidence_of(content)
    level, both = sure(confidence), sure(rows["equivalence_confidence"].iloc[0])
    fits = content.table("model_fits")
    own = fits[fits["model_name"] == lead] if len(fits) else fits
    at_once = len(own) > 0 and bool(own["simultaneous"].fillna(False).any())
    raised = not (rows["adjust"] == "none").any()
    text = (
        say("models.a_difference_is_shown")
        + (say("models.adjusted_by_holms_method") if raised else say("models.not_adjusted"))
        + say("models.is_below_intervals", confidence=1 - confidence)
        + (say("models.in_the_table_are") if at_once else say("models.are_not_adjusted"))
        + say("models.equivalence_is_shown_when", both=both)
    )
    if not len(margin):
        text += say("models.this_study_sets_no")
    document.lead(say("models.how_to_read_it"), text)
    along = at_ends(content, lead)
    if along:
        document.lead(say("models.along_a_covariate"), *along)
    bounds = (
        say("models.between_bounds_of", margin=quantity(margin.iloc[0], unit))
        if len(margin)
        else ""
    )
    said = "; ".join(
        f"{contrast_name(r)} {quantity(r.estimate, unit, signed=True)} "
        f"({interval(r.low, r.high, unit)})"
        for r in rows_of(rows)
    )
    document.figure(
        "contrasts",
        contrast_chart(
            rows.head(15).assign(contrast=[contrast_name(r) for r in rows_of(rows.head(15))]),
            axis=say("models.difference_of_the", label=label, unit=unit_name(unit)),
        ),
        caption=say("models.differences_of_the_mean", label=label, level=level)
        + (
            say("models.thick_grey_equivalence_region", both=both, bounds=bounds) if bounds else "."
        ),
        alt=say("models.dots_with_intervals", bounds=bounds, said=said),
    )
    others = [m for m in dict.fromkeys(table["model_name"]) if len(level_contrasts(table, m))]
    _contrast_table(document, content, others)


def _contrast_table(document: Document, content: ReportContent, models: list[str]) -> None:
    table, fits = content.table("model_contrasts"), content.table("model_fits")
    at_once = fits.loc[fits["simultaneous"].fillna(False).astype(bool), "model_name"]
    plain = table.loc[table["adjust"] == "none", "model_name"]
    rows = pd.concat([level_contrasts(table, model) for model in models])
    made = [estimate_cells(r, simultaneous=r.model_name in set(at_once)) for r in rows_of(rows)]
    document.listed(
        "models.contrasts_table",
        extended(
            rows,
            name=[contrast_name(r) for r in rows_of(rows)],
            value=[value for value, _ in made],
            ends=[ends for _, ends in made],
            p=rows["p"].where(rows["model_name"].isin(plain), rows["p_holm"]),
        ),
        once=1,
        named={"response": response_label},
        at_once=_which(at_once, models, say("models.simultaneous_for_all_contrasts")),
        plain=_which(plain, models, say("models.not_adjusted_2")),
    )


def _which(named: pd.Series, models: list[str], said: str) -> str:
    """What holds for some models, with their names unless it holds for all."""
    some = [m for m in models if m in set(named)]
    if not some:
        return ""
    return (
        said
        if len(some) == len(models)
        else say("models.in_said_some", said=said, some=joined([f"“{m}”" for m in some]))
    )


def estimate_cells(row: Any, *, simultaneous: bool) -> list[str]:
    """Difference with its unit, or ratio, and its limits."""
    which = "simultaneous_" * simultaneous
    if log_base(row.response) is not None:
        value = f"× {number(row.ratio, '', decimals=2)}"
        ends = (getattr(row, f"ratio_{which}{end}") for end in ("low", "high"))
        texts = [number(v, "", decimals=2) for v in ends]
    else:
        unit = model_unit(row.response)
        gap = "" if unit == "deg" else " "
        value = f"{number(row.estimate, unit, signed=True)}{gap}{unit_name(unit)}"
        ends = (getattr(row, f"{which}{end}") for end in ("low", "high"))
        texts = [number(v, unit, signed=True) for v in ends]
    return [value, NONE if texts == [NONE, NONE] else joined(texts, last="to")]


def means_table(document: Document, content: ReportContent) -> None:
    """Estimated means of every model."""
    means = content.table("model_means")
    if not len(means):
        return
    document.heading(say("models.means_of_every_model"))
    rows = means_rows(means, list(dict.fromkeys(means["model_name"])))
    points = held_points(content, list(dict.fromkeys(map(str, means["model_name"]))))
    document.listed("models.means_table", rows, once=1, held=f": {points}" if points else "")


def scatter(document: Document, content: ReportContent, models: list[str]) -> None:
    """Shares of the variance of the models that carry page 1."""
    table = content.table("model_variances")
    if not len(table):
        return
    shown = [m for m in models if table.loc[table["model_name"] == m, "share"].notna().any()]
    for k, model in enumerate(shown):
        mine = table[table["model_name"] == model]
        response = str(mine["response"].iloc[0])
        if k == 0:
            document.heading(say("models.components_of_variance"))
        top = rows_of(mine.loc[[mine["share"].idxmax()]])[0]
        logs = log_base(response) is not None
        unit = "" if logs else unit_name(model_unit(response))
        said = say(
            "models.of_the_scatter_of",
            response=response_label(response),
            component=_component(top.component),
            share=top.share,
        )
        said += (
            say("models.a_component_whose_interval")
            if not logs
            else say("models.standard_deviations_on_the")
        )
        title = say("models.variance_shares_of_the_size") if logs else say("models.variance_shares")
        document.lead(title, said)
        axes = share_chart(mine)
        axes.set_xlabel(
            say("models.sd_unit", unit=unit) if unit else say("models.sd_of_the_logarithm")
        )
        each = joined(
            [
                f"{component_name(r.component)} {number(r.sd, '', decimals=2)} ({percent(r.share)})"
                for r in rows_of(mine)
            ]
        )
        document.figure(
            "variance-shares" if k == 0 else f"variance-shares-{k + 1}",
            axes,
            caption=(say("models.standard_deviation_of_every", model=model)),
            alt=say(
                "models.bars_standard_deviation_and",
                in_unit=say("models.in_unit", unit=unit) if unit else "",
                each=each,
            ),
        )


def _component(component: str) -> str:
    if str(component).startswith("residual"):
        return say("models.the_residual_variation_not")
    return say("models.that_of", component=component_name(component))


def term_tests(document: Document, content: ReportContent) -> None:
    """F tests of every model."""
    table = content.table("model_tests")
    if not len(table):
        return
    document.heading(say("models.tests_of_the_terms"))
    drawn = content.table("model_bootstrap")
    by_draws = {(r.model_name, r.term): r.p for r in rows_of(drawn)} if len(drawn) else {}
    document.listed(
        "models.tests_table",
        extended(table, p_drawn=[by_draws.get((r.model_name, r.term)) for r in rows_of(table)]),
        once=1,
        shown=["drawn"] if by_draws else [],
        named={"response": response_label, "term": term_name},
        last=say("models.last_column_p_of") if by_draws else ".",
    )


def operators_section(document: Document, content: ReportContent) -> None:
    """Differences for the operators of the study alone, beside those for operators in general."""
    own, general = content.table("model_operators"), content.table("model_contrasts")
    if not len(own):
        return
    document.lead(
        say("models.for_these_operators_only"), say("models.with_few_operators_conclusions")
    )
    key = ["model_name", "contrast"]
    every = general.drop_duplicates(key).set_index(key)
    made = []
    for r in rows_of(own):
        at = (r.model_name, r.contrast)
        others = every.loc[at] if at in every.index else None
        all_ = [NONE, NONE] if others is None else estimate_cells(others, simultaneous=False)
        df = None if others is None else others["df"]
        made.append([*all_, df, *estimate_cells(r, simultaneous=False), contrast_name(r)])
    names = ["value", "ends", "general_df", "own_value", "own_ends", "name"]
    cells = pd.DataFrame(made, columns=names, index=own.index)
    document.listed(
        "models.operators_table",
        pd.concat([own, cells], axis=1),
        once=1,
        named={"response": response_label},
    )


def fits_section(document: Document, content: ReportContent, models: list[str]) -> None:
    """Intraclass correlations, shares explained, and what a statsmodels finds."""
    fits, parts = content.table("model_fits"), content.table("model_variances")
    if not len(fits):
        return
    _components(document, parts, [m for m in models if m in set(parts["model_name"])])
    document.listed("models.fits_table", fits, named={"engines": engines_said})


def _components(document: Document, parts: pd.DataFrame, models: list[str]) -> None:
    """Standard deviation, interval and ICC of every component, a group of columns a model."""
    shown = parts[parts["model_name"].isin(models) & (parts["sd"] > 0)]
    if not len(shown):
        return
    cells = []
    for name in dict.fromkeys(shown["component"]):
        row = [component_name(name)]
        for model in models:
            mine = shown[(shown["model_name"] == model) & (shown["component"] == name)]
            row += _component_cells(rows_of(mine))
        cells.append(row)
    columns = heads("models.columns_component")
    named = []
    for model in models:
        response = str(parts.loc[parts["model_name"] == model, "response"].iloc[0])
        unit = "" if log_base(response) is not None else unit_name(model_unit(response))
        columns += [
            Heading(f"SD / {unit}" if unit else "SD of log", width=0.7),
            *heads("models.columns_interval_icc"),
        ]
        named.append(response_label(response))
    document.table(say("models.components_of_the_not", named=_beside(named)), columns, cells)


def _beside(named: list[str]) -> str:
    return (
        named[0]
        if len(named) < 2
        else say("models.left_and_right", left=joined(named[:-1]), right=named[-1])
    )


def _component_cells(found: list[Any]) -> list[str]:
    for r in found:
        unit = "" if log_base(r.response) is not None else model_unit(r.response)
        low, high = number(r.low, unit), number(r.high, unit)
        span = (
            NONE
            if missing(r.low) or missing(r.high)
            else say("models.to_low_high", low=low, high=high)
        )
        return [number(r.sd, unit), span, number(r.share, "", decimals=3)]
    return [NONE, NONE, NONE]
