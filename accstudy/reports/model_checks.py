"""Checks of the models: residuals, influence of single scans, scatter that differs, lack of fit."""

from __future__ import annotations

import numpy as np
import pandas as pd

from accstudy.figures.models import residual_page
from accstudy.figures.style import rows_of
from accstudy.models.decisions import log_base
from accstudy.reports.document import Document, ReportContent, Text
from accstudy.reports.headline import scatter_caution
from accstudy.reports.model_names import is_true, level_contrasts, model_unit, response_label
from accstudy.reports.names import contrast_name, variable_name
from accstudy.reports.rows import slug
from accstudy.words.catalogue import say
from accstudy.words.numbers import joined, number, quantity, unit_name

__all__ = ["influence_section", "lack_of_fit_section", "residual_checks", "unequal_scatter"]


def residual_checks(
    document: Document, content: ReportContent, lead: str, *, first: bool = True
) -> None:
    """Residual checks of one model; the first one begins the section."""
    residuals, quantiles = content.table("model_residuals"), content.table("model_quantiles")
    if not len(residuals) or not len(quantiles):
        return
    mine = residuals[residuals["model_name"] == lead]
    own = quantiles[quantiles["model_name"] == lead]
    if len(mine) < 3:
        return
    means = content.table("model_means")
    means = means[means["model_name"] == lead] if len(means) else means
    response = str(means["response"].iloc[0]) if len(means) else ""
    logs = log_base(response) is not None
    unit = "" if logs or not response else unit_name(model_unit(response))
    largest = mine["residual_scaled"].abs().max()
    fits = content.table("model_fits")
    beyond = int(fits.loc[fits["model_name"] == lead, "n_beyond_3sd"].iloc[0])
    if first:
        document.heading(say("models.model_checks"))
    document.lead(
        say("models.residuals") if first else say("models.residuals_of_the_size"),
        say("models.points_should_scatter_evenly", beyond=beyond, mine=len(mine)),
    )
    document.figure(
        "residuals" if first else f"residuals-{slug(lead)}",
        residual_page(mine, own, unit=unit),
        caption=say("models.residuals_each_divided_by", lead=lead),
        alt=say(
            "models.four_panels_of_residual",
            lead=lead,
            beyond=beyond,
            mine=len(mine),
            largest=largest,
        ),
    )


def influence_section(document: Document, content: ReportContent, lead: str) -> None:
    """Which single scan changes a difference of the leading model most."""
    table = content.table("model_influence")
    if len(table):
        table = table[(table["model_name"] == lead) & table["change_in_se"].notna()]
    if not len(table):
        return
    row = rows_of(table.loc[[table["change_in_se"].abs().idxmax()]])[0]
    contrasts = content.table("model_contrasts")
    response = contrasts.loc[contrasts["model_name"] == lead, "response"].iloc[0]
    document.lead(
        say("models.influence"),
        say(
            "models.leaving_out_one_scan",
            scan=row.scan,
            contrast=str(row.contrast).replace(" - ", " − "),
            change=quantity(row.change, model_unit(str(response)), signed=True),
            se=row.change_in_se,
        ),
    )


def unequal_scatter(document: Document, content: ReportContent, lead: str) -> None:
    """Contrasts of the leading model beside those that let the levels scatter differently."""
    other = content.table("model_unequal")
    if len(other):
        other = other[other["model_name"] == lead]
    said = scatter_caution(content, lead)
    if said:
        document.lead(say("models.unequal_scatter"), *(f"{t[0].upper()}{t[1:]}" for t in said))
    if not len(other):
        return
    used = level_contrasts(content.table("model_contrasts"), lead).set_index("contrast")
    unit = model_unit(str(used["response"].iloc[0]))
    pooled = used.reset_index()
    both = [pooled.assign(sd="one"), other.assign(sd=say("models.by_level"))]
    rows = pd.concat([b[b["contrast"].isin(used.index) & b["contrast"].isin(other["contrast"])]
                      for b in both])  # fmt: skip
    order = {name: k for k, name in enumerate(other["contrast"])}
    rows = rows.assign(unit=unit, order=rows["contrast"].map(order))
    rows = rows.sort_values("order", kind="stable")
    document.listed(
        "models.unequal_table",
        rows.assign(contrast=[contrast_name(r) for r in rows_of(rows)]),
        once=1,
        factor=variable_name(str(other["residual_sd_by"].iloc[0])),
        unit=f", {unit_name(unit)}." if unit else ".",
    )


def lack_of_fit_section(document: Document, content: ReportContent, models: list[str]) -> None:
    """What was seen against the fitted means, by condition and class of every covariate."""
    tests, classes = content.table("model_lack_of_fit"), content.table("model_classes")
    if len(tests):
        tests = tests[tests["model_name"].isin(models)]
    if not len(tests):
        return
    lines: list[Text] = []
    for model in dict.fromkeys(tests["model_name"]):
        mine = tests[(tests["model_name"] == model) & tests["shown"].map(is_true)]
        own = classes[classes["model_name"] == model] if len(classes) else classes
        response = str(tests.loc[tests["model_name"] == model, "response"].iloc[0])
        what = joined(
            [
                say(
                    "models.of_missing_covariate",
                    missing=r.missing,
                    covariate=variable_name(r.covariate),
                )
                for r in rows_of(mine)
            ]
        )
        verdict = say("models.lack_of_fit_is", what=what) if what else say("models.no_lack_of_fit")
        said = say(
            "models.in_the",
            response=response_label(response),
            verdict=verdict,
        )
        lines.append(said + _largest_miss(own, response))
    document.lead(say("models.lack_of_fit"), *lines)
    document.listed("models.misses_table", tests, once=2, named={"response": response_label})


def _largest_miss(classes: pd.DataFrame, response: str) -> str:
    """Where fitted and observed means are farthest apart; of a logarithm taken back."""
    if not len(classes):
        return ""
    worst = classes.sort_values("difference", key=np.abs, kind="stable").iloc[-1]
    unit = model_unit(response)
    column = str(worst["covariate"])
    of = {"deg": "°", "mm": "\u00a0mm"}.get(column.rsplit("_", 1)[-1], "")
    ends = [number(worst[c], "", decimals=1) for c in ("class_low", "class_high")]
    seen, fitted = (quantity(worst[c], unit) for c in ("observed_mean", "fitted_mean"))
    return say(
        "models.largest_difference_observed_fitted",
        condition=worst["condition"] or say("models.all_scans"),
        column=variable_name(column),
        fromkeys=say("models.to").join(dict.fromkeys(ends)),
        of=of,
        seen=seen,
        fitted=fitted,
    )
