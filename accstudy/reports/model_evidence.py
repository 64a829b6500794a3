"""Evidence of a comparison: contrasts, effects, means, scatter, residuals, tests."""

from __future__ import annotations

import re
from typing import Any

import pandas as pd

from accstudy.figures.budget import share_chart
from accstudy.figures.models import contrast_chart
from accstudy.figures.style import component_name, rows_of
from accstudy.models.decisions import log_base
from accstudy.reports.content import ReportContent
from accstudy.reports.covariates_held import held_points
from accstudy.reports.document import Document, Heading, Text
from accstudy.reports.headline import at_ends
from accstudy.reports.model_rows import (
    level_contrasts,
    means_rows,
    model_unit,
    response_label,
)
from accstudy.reports.report_rows import confidence_of
from accstudy.reports.terms import contrast_name, term_name
from accstudy.words.numbers import (
    NONE,
    interval,
    joined,
    missing,
    number,
    p_value,
    percent,
    quantity,
    sure,
    unit_name,
)

__all__ = [
    "contrasts_section",
    "estimate_cells",
    "means_table",
    "scatter",
    "term_tests",
]


def contrasts_section(document: Document, content: ReportContent, lead: str) -> None:
    """Differences of conditions with their equivalence bounds, and those of every model."""
    table = content.table("model_contrasts")
    rows = level_contrasts(table, lead) if len(table) else table
    if not len(rows):
        return
    document.heading("Contrasts")
    unit = model_unit(str(rows["response"].iloc[0]))
    label = response_label(str(rows["response"].iloc[0]))
    margin = rows["margin"].dropna()
    confidence = confidence_of(content)
    level, both = sure(confidence), sure(2 * confidence - 1)
    fits = content.table("model_fits")
    own = fits[fits["model_name"] == lead] if len(fits) else fits
    at_once = len(own) > 0 and bool(own["simultaneous"].fillna(False).any())
    raised = not (rows["adjust"] == "none").any()
    text = (
        "A difference is shown when the p value"
        + (" adjusted by Holm's method" if raised else " not adjusted")
        + f" is below {1 - confidence:.2g}; intervals "
        + ("in the table are simultaneous. " if at_once else "are not adjusted. ")
        + "Equivalence is shown when two one-sided tests exclude both bounds, that is, when the "
        f"{both} interval lies between them. Absence of a shown difference does not mean "
        "equivalence. All statements refer to the mean case, with covariates at their means."
    )
    if not len(margin):
        text += " This study sets no equivalence margin."
    document.lead("How to read it", text)
    along = at_ends(content, lead)
    if along:
        document.lead("Along a covariate", *along)
    bounds = f" between bounds of ±{quantity(margin.iloc[0], unit)}" if len(margin) else ""
    said = "; ".join(
        f"{contrast_name(r)} {quantity(r.estimate, unit, signed=True)} "
        f"({interval(r.low, r.high, unit)})"
        for r in rows_of(rows)
    )
    document.figure(
        "contrasts",
        contrast_chart(
            rows.head(15).assign(contrast=[contrast_name(r) for r in rows_of(rows.head(15))]),
            axis=f"difference of the {label} / {unit_name(unit)}",
        ),
        caption=f"Differences of the mean {label} with their {level} intervals"
        + (f" (thick: {both}); grey, equivalence region{bounds}." if bounds else "."),
        alt=f"Dots with intervals{bounds}: {said}.",
    )
    others = [m for m in dict.fromkeys(table["model_name"]) if len(level_contrasts(table, m))]
    _contrast_table(document, content, others)


def _contrast_table(document: Document, content: ReportContent, models: list[str]) -> None:
    table, fits = content.table("model_contrasts"), content.table("model_fits")
    at_once = fits.loc[fits["simultaneous"].fillna(False).astype(bool), "model_name"]
    plain = table.loc[table["adjust"] == "none", "model_name"]
    cells: list[list[Text]] = []
    for model in models:
        for k, r in enumerate(rows_of(level_contrasts(table, model))):
            label = response_label(r.response)
            cells.append(
                [
                    label if k == 0 else "",
                    contrast_name(r),
                    *estimate_cells(r, simultaneous=model in set(at_once)),
                    number(r.df, "", decimals=1),
                    p_value(r.p if model in set(plain) else r.p_holm),
                    p_value(r.p_equivalence),
                ]
            )
    document.table(
        "Contrasts of every model: difference, or ratio of geometric means; interval"
        + _which(at_once, models, ", simultaneous for all contrasts of a factor")
        + "; degrees of freedom; p adjusted by Holm's method"
        + _which(plain, models, " (not adjusted)")
        + "; p of equivalence if a margin is set.",
        [
            Heading("response", "left", 1.7),
            Heading("contrast", "left", 1.7),
            Heading("estimate", width=0.9),
            Heading("interval", width=1.2),
            Heading([{"t": "df", "s": "i"}], width=0.5),
            Heading([{"t": "p", "s": "i"}], width=0.6),
            Heading([{"t": "p", "s": "i"}, " equiv."], width=0.8),
        ],
        cells,
    )


def _which(named: pd.Series, models: list[str], said: str) -> str:
    """What holds for some models, with their names unless it holds for all."""
    some = [m for m in models if m in set(named)]
    if not some:
        return ""
    return said if len(some) == len(models) else f"{said} in {joined([f'“{m}”' for m in some])}"


def estimate_cells(row: Any, *, simultaneous: bool) -> list[str]:
    """Difference with its unit, or ratio, and its limits."""
    ends = [row.simultaneous_low, row.simultaneous_high] if simultaneous else [row.low, row.high]
    base = log_base(row.response)
    if base is not None:
        value = f"× {number(row.ratio, '', decimals=2)}"
        texts = [number(base ** float(v), "", decimals=2) for v in ends]
    else:
        unit = model_unit(row.response)
        value = f"{number(row.estimate, unit, signed=True)} {unit_name(unit)}"
        texts = [number(v, unit, signed=True) for v in ends]
    return [value, joined(texts, last="to")]


def means_table(document: Document, content: ReportContent) -> None:
    """Estimated means of every model."""
    means = content.table("model_means")
    if not len(means):
        return
    document.heading("Means of every model")
    rows = means_rows(means, list(dict.fromkeys(means["model_name"])))
    points = held_points(content, list(dict.fromkeys(map(str, means["model_name"]))))
    cells: list[list[Text]] = []
    before = ""
    for r in rows_of(rows):
        cells.append(
            [
                "" if r.panel == before else r.panel,
                str(r.level),
                number(r.estimate, r.unit),
                number(_median_size(content, means, r), r.unit),
                NONE if missing(r.low) else f"{number(r.low, r.unit)} to {number(r.high, r.unit)}",
                unit_name(r.unit),
                number(r.df, "", decimals=1),
            ]
        )
        before = r.panel
    document.table(
        "Estimated marginal means, averaged equally over the other factors, with covariates at "
        "their mean"
        + (f": {points}" if points else "")
        + ". Means of log responses are back-transformed (geometric means); for comparison, the "
        "median |deviation| of all pairs and scans.",
        [
            Heading("response", "left", 2),
            Heading("level", "left", 1.6),
            Heading("mean", width=0.8),
            Heading("median size", width=0.9),
            Heading("interval", width=1.4),
            Heading("unit", "left", 0.5),
            Heading([{"t": "df", "s": "i"}], width=0.6),
        ],
        cells,
    )


def _median_size(content: ReportContent, means: pd.DataFrame, row: Any) -> float:
    """Median size of what a log response is about at one level; NaN for other responses."""
    mine = means[means["model_name"] == row.model_name].iloc[0]
    found = re.search(r"(pair|implant)\.(\w+)", str(mine["response"]))
    if log_base(str(mine["response"])) is None or found is None:
        return float("nan")
    table = content.table(f"{found.group(1)}_deviations")
    factor, column = str(mine["factor"]), found.group(2)
    if column not in table or factor not in table or "spread(" in str(mine["response"]):
        return float("nan")
    if "alignment" in table:
        wanted = content.settings.get("analysis", {}).get("alignment", "all-implants")
        table = table[table["alignment"] == wanted]
    return float(table.loc[table[factor].astype(str) == str(row.level), column].abs().median())


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
            document.heading("Components of variance")
        top = rows_of(mine.loc[[mine["share"].idxmax()]])[0]
        logs = log_base(response) is not None
        unit = "" if logs else unit_name(model_unit(response))
        said = (
            f"Of the scatter of the {response_label(response)} the largest component is "
            f"{_component(top.component)}, with {percent(top.share)} of the variance."
        )
        said += (
            " A component whose interval includes zero may be absent."
            if not logs
            else " Standard deviations on the log scale: 0.1 corresponds to about 10 %."
        )
        document.lead("Variance shares", said)
        axes = share_chart(mine)
        axes.set_xlabel(f"SD / {unit}" if unit else "SD of the logarithm")
        each = joined(
            [
                f"{component_name(r.component)} {number(r.sd, '', decimals=2)} ({percent(r.share)})"
                for r in rows_of(mine)
            ]
        )
        document.figure(
            "variance-shares" if k == 0 else f"variance-shares-{k + 1}",
            axes,
            caption=(
                "Standard deviation of every random component with its profile likelihood "
                f"interval, and its share of the variance (model “{model}”)."
            ),
            alt=f"Bars, standard deviation{f' in {unit}' if unit else ''} and share: {each}.",
        )


def _component(component: str) -> str:
    if str(component).startswith("residual"):
        return "the residual (variation not attributed to any factor)"
    return f"that of {component_name(component)}"


def term_tests(document: Document, content: ReportContent) -> None:
    """F tests of every model."""
    table = content.table("model_tests")
    if not len(table):
        return
    document.heading("Tests of the terms")
    drawn = content.table("model_bootstrap")
    by_draws = {(r.model_name, r.term): r.p for r in rows_of(drawn)} if len(drawn) else {}
    cells: list[list[Text]] = []
    before = ""
    for r in rows_of(table):
        name = response_label(r.response)
        cells.append(
            [
                "" if name == before else name,
                term_name(str(r.term)),
                number(r.F, "", decimals=2),
                number(r.num_df, "", decimals=0),
                number(r.den_df, "", decimals=1),
                p_value(r.p),
                *([p_value(by_draws.get((r.model_name, r.term)))] if by_draws else []),
            ]
        )
        before = name
    document.table(
        "F tests of the fixed terms of every model"
        + ("; last column, p of the parametric bootstrap." if by_draws else "."),
        [
            Heading("response", "left", 2),
            Heading("term", "left", 2),
            Heading([{"t": "F", "s": "i"}], width=0.8),
            Heading("df", width=0.5),
            Heading("df, den.", width=0.8),
            Heading([{"t": "p", "s": "i"}], width=0.8),
            *([Heading([{"t": "p", "s": "i"}, " boot."], width=0.8)] if by_draws else []),
        ],
        cells,
    )
