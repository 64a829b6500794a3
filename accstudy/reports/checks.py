"""What the design can tell apart, and the checks of the models that carry page 1."""

from __future__ import annotations

from typing import Any

import pandas as pd

from accstudy.figures.models import residual_page
from accstudy.figures.style import rows_of
from accstudy.models.decisions import log_base
from accstudy.models.responses import unit_of_response
from accstudy.reports.common import flagged, groups, is_true, slug
from accstudy.reports.document import Document, ReportContent, Text
from accstudy.reports.models import (
    contrast_name,
    fits_section,
    level_contrasts,
    means_table,
    response_label,
    scatter,
    slope_said,
)
from accstudy.words.catalogue import choose, say
from accstudy.words.names import capital, condition_name, unit_name, variable_name
from accstudy.words.numbers import joined, number, quantity, sized

_MOST_ROWS = 24


def design_section(document: Document, content: ReportContent) -> None:
    """Scans of every cell, and what never crosses."""
    table = content.table("cells")
    cell = [str(c) for c in content.settings.get("analysis", {}).get("cell") or ()]
    if not len(table) or not cell:
        return
    document.heading(say("design.design"))
    document.lead(say("design.what_crosses"), _crossing(inseparable_sentences(content)))
    cells = groups(table, ["cell"])
    if len(cells) <= _MOST_ROWS:
        document.listed(
            "design.cells_table",
            [[key, "; ".join(_by_condition(own))] for (key,), own in cells],
            cell=joined([factor_name(c) for c in cell]),
        )


def _by_condition(cells: pd.DataFrame) -> list[str]:
    """Scans of every model of one cell, by condition."""
    return [
        f"{condition_name(condition)}: " + joined([f"{r.model} {r.n_scans}" for r in rows_of(own)])
        for (condition,), own in groups(cells, ["condition"])
    ]


def _crossing(apart: list[str]) -> str:
    if not apart:
        return say("design.the_factors_compared_the")
    said = "; ".join(apart)
    return say("design.differences_between_these_blocks", said=capital(said))


def model_evidence(
    document: Document, content: ReportContent, lead: str, models: list[str]
) -> None:
    """Means, components and fits of the models, and what their checks found."""
    means_table(document, content)
    scatter(document, content, models)
    fits_section(document, content, models)
    for model in models:
        residual_checks(document, content, model, first=model == lead)
    influence_section(document, content, lead)
    lack_of_fit_section(document, content, models)
    unequal_scatter(document, content, lead)


def residual_checks(
    document: Document, content: ReportContent, lead: str, *, first: bool = True
) -> None:
    """Residual checks of one model; the first one begins the section."""
    residuals, quantiles = content.table("model_residuals"), content.table("model_quantiles")
    if not len(residuals) or not len(quantiles):
        return
    mine = residuals[residuals["model_name"] == lead]
    own = quantiles[quantiles["model_name"] == lead]
    fits = content.table("model_fits")
    fit = rows_of(fits[fits["model_name"] == lead])[0]
    unit = "" if log_base(fit.response) is not None else unit_name(unit_of_response(fit.response))
    if first:
        document.heading(say("models.model_checks"))
    document.lead(
        say("models.residuals") if first else say("models.residuals_of_the_size"),
        say("models.points_should_scatter_evenly", fit),
    )
    document.figure(
        "residuals" if first else f"residuals-{slug(lead)}",
        residual_page(mine, own, unit=unit),
        caption=say("models.residuals_each_divided_by", lead=lead),
        alt=say("models.four_panels_of_residual", fit),
    )


def influence_section(document: Document, content: ReportContent, lead: str) -> None:
    """Which single scan changes a difference of the leading model most."""
    fits, table = content.table("model_fits"), content.table("model_influence")
    response_of = dict(zip(fits["model_name"], fits["response"], strict=True))
    for row in rows_of(flagged(table, "largest")):
        if row.model_name == lead:
            said = say(
                "models.leaving_out_one_scan",
                row,
                change=_change_said(row, response_of[lead]),
                contrast=_contrast_said(row),
            )
            document.lead(say("models.influence"), said)


def _contrast_said(row: Any) -> str:
    """Contrast of a row of table ``model_influence`` in words."""
    if row.covariate:
        return say("models.slope_of", row)
    if row.contrast == "mean":
        return say("models.mean_of_all")
    return str(row.contrast).replace(" - ", " − ")


def _change_said(row: Any, response: str) -> str:
    """Change of a contrast with its unit, per unit of the covariate for a slope."""
    logs, unit = log_base(response) is not None, unit_of_response(response)
    said = (
        sized(row.change, "" if logs else unit, signed=True)
        if logs or not row.covariate
        else slope_said(row.change, unit)
    )
    return said + choose("models.per", row.covariate) + say("models.on_the_log_scale") * logs


def unequal_scatter(document: Document, content: ReportContent, lead: str) -> None:
    """Contrasts of the leading model beside those that let the levels scatter differently."""
    other = content.table("model_unequal")
    if len(other):
        other = other[other["model_name"] == lead]
    said = scatter_caution(content, lead)
    if said:
        document.lead(say("models.unequal_scatter"), *map(capital, said))
    if not len(other):
        return
    used = level_contrasts(content.table("model_contrasts"), lead).set_index("contrast")
    unit = unit_of_response(str(used["response"].iloc[0]))
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
        lines.append(said + _largest_miss(own))
    document.lead(say("models.lack_of_fit"), *lines)
    document.listed("models.misses_table", tests, once=2, named={"response": response_label})


def _largest_miss(classes: pd.DataFrame) -> str:
    """Where fitted and observed means are farthest apart; of a logarithm taken back."""
    said = ""
    for row in rows_of(flagged(classes, "largest")):
        unit = unit_of_response(row.response)
        ends = dict.fromkeys(number(v, "", decimals=1) for v in (row.class_low, row.class_high))
        said += say(
            "models.largest_difference_observed_fitted",
            row,
            where=row.condition or say("models.all_scans"),
            ends=say("models.to").join(ends),
            seen=quantity(row.observed_mean, unit),
            expected=quantity(row.fitted_mean, unit),
        )
    return said


_MOST_NAMED = 8  # levels of two factors


def inseparable_sentences(content: ReportContent) -> list[str]:
    """Say which factors the design cannot tell apart, from table ``model_confounding``.

    ``session is confounded with model: M2 and M6 only with session 1; ...``.
    """
    table, out = content.table("model_confounding"), []
    for (a, b), rows in groups(table, ["factor", "other_factor"]) if len(table) else []:
        said = say("design.is_confounded_with", outer=factor_name(b), inner=factor_name(a))
        if len(rows) > _MOST_NAMED:
            blocks = rows["block"].nunique()
            out.append(say("design.their_levels_fall_into", said=said, blocks=blocks))
            continue
        each = []
        for _, mine in groups(rows, ["block"]):
            own, other = (list(map(str, mine.loc[mine["factor_of"] == f, "level"])) for f in (a, b))
            levels = named_levels(factor_name(b), other)
            each.append(say("design.only_with", own=joined(own), levels=levels))
        out.append(f"{said}: {', '.join(each)}")
    return out


def factor_name(factor: str) -> str:
    """Factor in words."""
    return factor.replace("_", " ")


def named_levels(name: str, levels: list[str]) -> str:
    """Levels with the name of their factor, unless they begin with it."""
    said = joined(levels)
    return said if said.lower().startswith(name.lower()) else f"{name} {said}"


def fit_caution(content: ReportContent, lead: str) -> list[str]:
    """Say where the fitted means miss what was seen, or are not stated for want of overlap."""
    tests, ranges = content.table("model_lack_of_fit"), content.table("model_covariates")
    out = [
        say("comparison.fitted_means_depart_from", r)
        for r in rows_of(flagged(tests, "shown"))
        if r.model_name == lead
    ]
    return list(dict.fromkeys(out)) + [
        say("comparison.conditions_have_no_in", c=variable_name(r.covariate))
        for r in rows_of(ranges)
        if r.model_name == lead and not is_true(r.overlaps)
    ]


def residual_caution(content: ReportContent, model: str) -> list[str]:
    """Say what warnings of the analysis tell of the residuals of a model on page 1."""
    uneven, fits = _warned(content, model), content.table("model_fits")
    known = [
        say("comparison.scatter_unequally_fold", r)
        for r in rows_of(uneven)
        if r.against == "fitted"
    ]
    fit = rows_of(fits[fits["model_name"] == model])[0]
    if is_true(fit.heavy_tails):
        known.append(say("comparison.have_heavy_tails_beyond", fit))
    if not known:
        return []
    of = choose("comparison.behind", "plain" if log_base(fit.response) is None else "logs")
    return [say("comparison.residuals_behind_the", of=of, told=joined(known).rstrip(","))]


def _warned(content: ReportContent, model: str) -> pd.DataFrame:
    """Rows of table ``model_spread`` of a model that the analysis warns of."""
    table = flagged(content.table("model_spread"), "warned")
    return table[table["model_name"] == model] if len(table) else table


def scatter_caution(content: ReportContent, lead: str) -> list[str]:
    """Say where scatter differs between levels, and whether allowing for it changes anything."""
    found, compared = _warned(content, lead), content.table("model_contrasts")
    if not len(found) or not len(compared):
        return []
    factors = set(compared.loc[compared["model_name"] == lead, "factor"])
    return [
        say("comparison.scatter_is_shown_to", name=name, allowed=_allowed(content, lead, name))
        for name in found["against"]
        if name in factors
    ]


def _allowed(content: ReportContent, lead: str, factor: str) -> str:
    other = content.table("model_unequal")
    if len(other):
        other = other[(other["model_name"] == lead) & (other["residual_sd_by"] == factor)]
    if not len(other):
        return say("comparison.the_model_does_not")
    changed = [contrast_name(r) for r in rows_of(flagged(other, "changed"))]
    if changed:
        return say("comparison.a_model_that_allows", changed=joined(changed))
    return say("comparison.a_model_that_allows_2")
