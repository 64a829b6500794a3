"""What stands behind the models: operators taken as fixed, ICC, R squared, a statsmodels."""

from __future__ import annotations

from typing import Any

import pandas as pd

from accstudy.figures.style import component_name, rows_of
from accstudy.models.decisions import log_base
from accstudy.reports.content import ReportContent
from accstudy.reports.document import Document, Heading, Text, heads
from accstudy.reports.model_evidence import estimate_cells
from accstudy.reports.model_rows import engines_said, model_unit, response_label
from accstudy.reports.terms import contrast_name
from accstudy.words.catalogue import say
from accstudy.words.numbers import NONE, joined, missing, number, unit_name

__all__ = ["fits_section", "operators_section"]


def operators_section(document: Document, content: ReportContent) -> None:
    """Differences for the operators of the study alone, beside those for operators in general."""
    own, general = content.table("model_operators"), content.table("model_contrasts")
    if not len(own):
        return
    cells: list[list[Text]] = []
    before = ""
    for r in rows_of(own):
        label = response_label(r.response)
        every = general[
            (general["model_name"] == r.model_name) & (general["contrast"] == r.contrast)
        ]
        mine = [*estimate_cells(r, simultaneous=False), number(r.df, "", decimals=1)]
        others = rows_of(every.head(1))
        all_ = estimate_cells(others[0], simultaneous=False) if others else [NONE, NONE]
        df = number(others[0].df, "", decimals=1) if others else NONE
        cells.append(
            ["" if label == before else label, contrast_name(r), all_[0], all_[1], df, *mine]
        )
        before = label
    document.lead(
        say("models.for_these_operators_only"),
        say("models.with_few_operators_conclusions"),
    )
    document.table(
        say("models.differences_for_operators_in"),
        heads("models.columns_response_df_these_only_interval"),
        cells,
    )


def fits_section(document: Document, content: ReportContent, models: list[str]) -> None:
    """Intraclass correlations, shares explained, and what a statsmodels finds."""
    fits, parts = content.table("model_fits"), content.table("model_variances")
    if not len(fits):
        return
    _components(document, parts, [m for m in models if m in set(parts["model_name"])])
    document.table(
        say("models.fit_of_each_model"),
        heads("models.columns_model_r_fixed_r_all_statsmodels"),
        [
            [
                str(r.model_name),
                number(r.n_rows, "", decimals=0),
                number(r.n_coefficients, "", decimals=0),
                number(r.r2_marginal, "", decimals=2),
                number(r.r2_conditional, "", decimals=2),
                engines_said(r.engine_difference),
            ]
            for r in rows_of(fits)
        ],
    )


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
    document.table(
        say("models.components_of_the_not", named=_beside(named)),
        columns,
        cells,
    )


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
