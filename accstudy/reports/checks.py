"""What a reviewer checks: the design, the residuals, the fit, and what journals ask."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd

from accstudy.figures.models import residual_page
from accstudy.figures.style import rows_of
from accstudy.models.decisions import log_base
from accstudy.reports.document import Document, Heading, ReportContent, Text, heads, italic
from accstudy.reports.headline import (
    factor_levels,
    factor_name,
    inseparable_sentences,
    scatter_caution,
)
from accstudy.reports.model_names import (
    is_true,
    level_contrasts,
    margin_name,
    model_unit,
    response_label,
)
from accstudy.reports.names import contrast_name, variable_name
from accstudy.reports.rows import groups, slug
from accstudy.words.catalogue import say, words
from accstudy.words.numbers import NONE, joined, missing, number, quantity, unit_name

__all__ = [
    "checklist",
    "checklist_rows",
    "design_section",
    "influence_section",
    "lack_of_fit_section",
    "residual_checks",
    "unequal_scatter",
]


_MOST_COLUMNS = 8
_MOST_ROWS = 24


def design_section(document: Document, content: ReportContent) -> None:
    """Scans that were used by model, cell factor and condition, and what never crosses."""
    pairs = content.table("pair_deviations")
    scans = pairs.drop_duplicates("scan") if len(pairs) else pairs
    cell = [str(c) for c in content.settings.get("analysis", {}).get("cell") or ()]
    cell = [c for c in cell if c in scans]
    apart = inseparable_sentences(content)
    if not len(scans) or not cell:
        return
    document.heading(say("design.design"))
    document.lead(say("design.what_crosses"), _crossing(apart))
    wide = [c for c in cell if scans[c].nunique() <= _MOST_COLUMNS]
    across = max(wide, key=lambda c: scans[c].nunique()) if wide else ""
    down = ["model", *(c for c in cell if c != across)]
    rows = groups(scans.astype(dict.fromkeys(down, str)), down)
    if not across or len(rows) > _MOST_ROWS:
        return
    columns = sorted(scans[across].astype(str).unique())
    conditions = list(dict.fromkeys(scans["condition"].astype(str)))
    cells: list[list[Text]] = []
    before = ""
    for key, mine in rows:
        head: list[Text] = ["" if key[0] == before else key[0], *key[1:]]
        before = key[0]
        counts = [_counted(mine[mine[across].astype(str) == c], conditions) for c in columns]
        cells.append([*head, *counts, str(len(mine))])
    order = say("design.in_the_order", conditions=joined(conditions)) if len(conditions) > 1 else ""
    document.table(
        say("design.scans_used_of_every", cell=joined([factor_name(c) for c in cell]), order=order),
        [
            *(Heading(factor_name(c), "left", 0.6) for c in down),
            *(Heading(factor_levels(factor_name(across), [c]), "center", 1) for c in columns),
            *heads("design.columns_all"),
        ],
        cells,
    )


def _counted(mine: pd.DataFrame, conditions: list[str]) -> str:
    if not len(mine):
        return NONE
    return ", ".join(str(int((mine["condition"].astype(str) == c).sum())) for c in conditions)


def _crossing(apart: list[str]) -> str:
    if not apart:
        return say("design.the_factors_compared_the")
    said = "; ".join(apart)
    return say("design.differences_between_these_blocks", said=said[0].upper(), said_2=said[1:])


def checklist_rows(content: ReportContent) -> list[tuple[str, str, str]]:
    """Items with what the record says; ``for the author`` where it is silent."""
    rows = []
    for name, line in words("design.checklist").items():
        item, asked_by, answer = (part.strip() for part in line.split("|"))
        rows.append((item, asked_by, _ANSWERS[name](content) if name in _ANSWERS else answer))
    return rows


def _limitations(content: ReportContent) -> str:
    if inseparable_sentences(content):
        return say("design.sections_design_confounding_limits")
    return say("design.section_limits_of_use")


def _hypotheses(content: ReportContent) -> str:
    names = dict.fromkeys(content.table("model_contrasts").get("factor", ()))
    said = joined([str(n) for n in names if str(n)])
    return (
        say("design.no_difference_between_levels", said=said)
        if said
        else say("design.for_the_author")
    )


def _steps(content: ReportContent) -> str:
    factors = set(content.table("scans").columns)
    known = [
        f
        for f in ("device", "software", "technique", "scan_body_type", "light", "splint")
        if f in factors
    ]
    said = joined([k.replace("_", " ") for k in known])
    return say("design.recorded_the_rest_for", said=said) if known else say("design.for_the_author")


def _outcomes(content: ReportContent) -> str:
    models = content.settings.get("model") or ()
    if models:
        said = joined(list(dict.fromkeys(response_label(str(m["response"])) for m in models)))
        return say("design.set_in_the_study", said=said)
    return say("design.the_usual_responses_of")


def _sizes(content: ReportContent) -> str:
    pairs = content.table("pair_deviations")
    if not len(pairs):
        return say("design.for_the_author")
    counts = pairs.groupby("condition")["scan"].nunique()
    low, high = int(counts.min()), int(counts.max())
    said = str(low) if low == high else say("design.to_low_high", low=low, high=high)
    planned = [str(order["order"]).partition(" scans; ")[0] for order in _orders(content)]
    text = say("design.scans_per_condition", said=said)
    if planned:
        text = say("design.scans_planned_used", planned=joined(planned), text=text)
    return say("design.rationale_for_the_author", text=text)


def _orders(content: ReportContent) -> list[dict[str, Any]]:
    """Orders that `accstudy plan` randomised, with their seeds."""
    return list(content.settings.get("orders") or ())


def _difference(content: ReportContent) -> str:
    table = content.table("model_contrasts")
    margins = table["margin"].dropna().unique() if len(table) else ()
    if len(margins) == 0:
        return say("design.none_set_in_the")
    return say("design.equivalence_margin") + joined([_sized(table, m) for m in sorted(margins)])


def _sized(table: pd.DataFrame, margin: float) -> str:
    return margin_name(str(table.loc[table["margin"] == margin, "response"].iloc[0]), margin)


def _order(content: ReportContent) -> str:
    factors = set(content.table("scans").columns)
    orders = _orders(content)
    if orders:
        said = say("design.then").join(str(order["order"]) for order in orders)
        return say("design.randomised_by_accstudy", said=said)
    if "planned_order" in factors or "order" in factors:
        return say("design.order_recorded_in_the")
    return say("design.for_the_author")


def _operators(content: ReportContent) -> str:
    scans = content.table("scans")
    if "operator" not in scans:
        return say("design.for_the_author")
    people = {str(r) for r in scans["operator"] if not missing(r)}
    return say("design.made_the_scans_who", people=len(people))


def _protocol(content: ReportContent) -> str:
    name = content.settings.get("study", {}).get("protocol", "")
    return (
        say("design.protocol_of_accstudy_registration", name=name)
        if name
        else say("design.for_the_author")
    )


_ANSWERS: dict[str, Callable[[ReportContent], str]] = {
    "hypotheses": _hypotheses,
    "materials": _steps,
    "outcomes": _outcomes,
    "sample_size": _sizes,
    "smallest_difference": _difference,
    "randomisation": _order,
    "implementation": _operators,
    "limitations": _limitations,
    "protocol": _protocol,
}


def checklist(document: Document, content: ReportContent) -> None:
    """The checklist as a section."""
    rows = checklist_rows(content)
    open_items = sum(answer.endswith(say("design.for_the_author")) for _, _, answer in rows)
    document.heading(say("design.checklist_for_a_paper"))
    document.lead(
        say("design.what_it_is"),
        say("design.items_required_by_reporting", open_items=open_items, rows=len(rows)),
    )
    cells: list[list[Text]] = [
        [item, source, [italic(answer)] if answer == say("design.for_the_author") else answer]
        for item, source, answer in rows
    ]
    document.listed("design.checklist_table", cells)


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
