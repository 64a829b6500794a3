"""Checks of the leading model: its residuals, and scatter that differs."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from accstudy.figures.models import residual_page
from accstudy.figures.style import rows_of
from accstudy.models.decisions import log_base
from accstudy.reports.content import ReportContent
from accstudy.reports.document import Document, Heading, Text
from accstudy.reports.headline import scatter_caution
from accstudy.reports.model_rows import level_contrasts, model_unit, response_label
from accstudy.reports.report_rows import slug
from accstudy.reports.terms import contrast_name, variable_name
from accstudy.words.numbers import count, joined, number, p_value, quantity, unit_name

__all__ = ["lack_of_fit_section", "residual_checks", "unequal_scatter"]


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
    beyond = int((mine["residual_scaled"].abs() > 3).sum())
    expected = 2 * len(mine) * float(stats.norm.sf(3))
    normal = number(expected, "", decimals=0 if expected >= 1 else 1)
    if first:
        document.heading("Model checks")
    document.lead(
        "Residuals" if first else "Residuals of the size",
        "Points should scatter evenly about zero, with the same width from left to right, and lie "
        f"near the line of normal quantiles. {beyond} of {count(len(mine), 'residual')} lie beyond "
        f"three standard deviations; a normal distribution would give about {normal}.",
    )
    document.figure(
        "residuals" if first else f"residuals-{slug(lead)}",
        residual_page(mine, own, unit=unit),
        caption="Residuals, each divided by its standard deviation, against fitted values and "
        "against "
        f"arch length (model “{lead}”), with dashed lines at two standard deviations; "
        "residuals and random effects against normal quantiles.",
        alt=f"Four panels of residual checks of model {lead}; {beyond} of {len(mine)} scaled "
        f"residuals beyond 3, largest {number(largest, '', decimals=1)}.",
    )


def unequal_scatter(document: Document, content: ReportContent, lead: str) -> None:
    """Contrasts of the leading model beside those that let the levels scatter differently."""
    other = content.table("model_unequal")
    if len(other):
        other = other[other["model_name"] == lead]
    said = scatter_caution(content, lead)
    if said:
        document.lead("Unequal scatter", *(f"{t[0].upper()}{t[1:]}" for t in said))
    if not len(other):
        return
    used = level_contrasts(content.table("model_contrasts"), lead).set_index("contrast")
    unit = model_unit(str(used["response"].iloc[0]))
    cells: list[list[Text]] = []
    for own in rows_of(other[other["contrast"].isin(list(used.index))]):
        for k, (name, r) in enumerate((("one", used.loc[own.contrast]), ("by level", own))):
            cells.append(
                [
                    contrast_name(own) if k == 0 else "",
                    name,
                    number(r.estimate, unit, signed=True),
                    joined([number(v, unit, signed=True) for v in (r.low, r.high)], last="to"),
                    p_value(r.p_holm),
                    p_value(r.p_equivalence),
                ]
            )
    factor = variable_name(str(other["residual_sd_by"].iloc[0]))
    document.table(
        "Allowance for unequal scatter: differences with one residual standard deviation, as "
        f"used, and with a separate one for each level of {factor}"
        + (f", {unit_name(unit)}." if unit else "."),
        [
            Heading("contrast", "left", 1.8),
            Heading("residual SD", "left", 0.8),
            Heading("estimate", width=0.8),
            Heading("interval", width=1.2),
            Heading([{"t": "p", "s": "i"}], width=0.6),
            Heading([{"t": "p", "s": "i"}, " equiv."], width=0.8),
        ],
        cells,
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
        mine = tests[(tests["model_name"] == model) & (tests["p_holm"] < 0.05)]
        own = classes[classes["model_name"] == model] if len(classes) else classes
        response = str(tests.loc[tests["model_name"] == model, "response"].iloc[0])
        logs = log_base(response) is not None
        what = joined([f"{r.missing} of {variable_name(r.covariate)}" for r in rows_of(mine)])
        verdict = f"lack of fit is shown: {what}" if what else "no lack of fit is shown"
        said = f"In {'the logarithm of ' * logs}the {response_label(response)} {verdict}."
        lines.append(said + _largest_miss(own, response))
    document.lead("Lack of fit", *lines)
    document.table(
        "Lack of fit of the fixed part: classes of a covariate in every condition, its square, or "
        "its slope by condition added to the model; p adjusted by Holm's method within the model.",
        [
            Heading("response", "left", 1.8),
            Heading("covariate", "left", 1.1),
            Heading("added term", "left", 1.4),
            Heading([{"t": "F", "s": "i"}], width=0.6),
            Heading("df", width=0.4),
            Heading("df, den.", width=0.6),
            Heading([{"t": "p", "s": "i"}], width=0.6),
        ],
        [
            [
                response_label(r.response),
                variable_name(r.covariate),
                r.missing,
                number(r.F, "", decimals=2),
                number(r.num_df, "", decimals=0),
                number(r.den_df, "", decimals=1),
                p_value(r.p_holm),
            ]
            for r in rows_of(tests)
        ],
    )


def _largest_miss(classes: pd.DataFrame, response: str) -> str:
    """Where fitted and observed means are farthest apart; of a logarithm taken back."""
    if not len(classes):
        return ""
    worst = classes.sort_values("difference", key=np.abs, kind="stable").iloc[-1]
    unit, base = model_unit(response), log_base(response)
    column = str(worst["covariate"])
    of = {"deg": "°", "mm": "\u00a0mm"}.get(column.rsplit("_", 1)[-1], "")
    ends = [number(worst[c], "", decimals=1) for c in ("class_low", "class_high")]
    seen, fitted = (
        quantity(v if base is None else base ** float(v), unit)
        for v in (worst["observed"], worst["fitted"])
    )
    return (
        f" Largest difference: {worst['condition'] or 'all scans'}, {variable_name(column)} "
        f"{' to '.join(dict.fromkeys(ends))}{of}, observed {seen}, fitted {fitted}."
    )
