"""The mixed models as a methods section names them: from their settings, as formulas."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import pandas as pd

from accstudy.figures.style import rows_of
from accstudy.models.decisions import DIFFERS
from accstudy.reports.content import ReportContent
from accstudy.reports.document import Text
from accstudy.reports.model_rows import engines_said, margin_name
from accstudy.words.catalogue import say, words
from accstudy.words.numbers import joined, missing

__all__ = ["model_rows", "models_paragraph", "random_formula"]


def models_paragraph(content: ReportContent, source: int) -> Text:
    """What was fitted and how it was tested, from the settings of every model."""
    fits = content.table("model_fits")
    if not len(fits):
        return ""
    means = content.table("model_means")
    factors = joined(sorted(set(means["factor"]))) if len(means) else "factors"
    text = say(
        "methods.linear_mixed_models_were",
        factors=factors,
        by_model=_by_model(fits, "method", words("methods.df")),
        source=source,
        by_model_2=_by_model(fits, "adjust", words("methods.adjusted")),
    )
    if not content.referenced:
        text += say("methods.without_a_reference_the")
    at_once = fits.loc[fits["simultaneous"].fillna(False).astype(bool), "model_name"]
    text += (
        say("methods.intervals_of_contrasts_in", named=_named(at_once))
        if len(at_once)
        else say("methods.intervals_apply_to_one")
    )
    if fits["equivalence_margin"].notna().any():
        text += say("methods.equivalence_is_assessed_by")
        one_sided = fits.loc[fits["non_inferiority"].fillna(False).astype(bool), "model_name"]
        text += say("methods.in_by_one_non", named=_named(one_sided)) if len(one_sided) else "."
    unequal = fits[fits["residual_sd_by"].fillna("") != ""]
    for column, mine in unequal.groupby("residual_sd_by"):
        text += say("methods.the_levels_of_have", column=column)
        text += f"{_named(mine['model_name'])}."
    if content.has("model_unequal"):
        text += say("methods.where_the_scatter_of")
    if len(content.table("model_operators")):
        text += say("methods.contrasts_are_also_given")
    boot = content.table("model_bootstrap")
    if len(boot):
        text += say(
            "methods.terms_of_were_also",
            named=_named(boot["model_name"]),
            draws=int(boot["draws"].max()),
        )
    other = fits["engine_difference"].dropna()
    if len(other):
        text += say(
            "methods.of_models_were_also",
            other=len(other),
            fits=len(fits),
            engines_said=engines_said(other.max()),
        )
        gain = fits["engine_gain"].dropna()
        if len(gain):
            more = "no" if gain.max() < DIFFERS else say("methods.a_by", gain=gain.max())
            text += say("methods.in_statsmodels_also_optimised", gain=len(gain), more=more)
    return text


def _by_model(fits: pd.DataFrame, column: str, words: Mapping[str, str]) -> str:
    """What a setting is, by model where models differ in it."""
    by = fits.groupby(column, sort=False)["model_name"].apply(list)
    if len(by) == 1:
        return words.get(str(by.index[0]), str(by.index[0]))
    return joined(
        [
            say("methods.in_get_named", get=words.get(str(k), str(k)), named=_named(v))
            for k, v in by.items()
        ]
    )


def _named(models: Iterable[object]) -> str:
    return joined([f"“{m}”" for m in dict.fromkeys(map(str, models))])


def random_formula(random: str) -> str:
    """Random part as a formula, an intercept or a slope by group in parentheses.

    Examples
    --------
    >>> random_formula("model + path_mm | scan + implants:condition + scan[technique A]")
    '(1 | model) + (0 + path_mm | scan) + (1 | implants:condition) + (1 | scan[technique A])'
    """
    parts = [p.partition(" | ") for p in random.split(" + ") if p]
    return " + ".join(f"(0 + {a} | {b})" if bar else f"(1 | {a})" for a, bar, b in parts)


def model_rows(content: ReportContent) -> list[list[str]]:
    """Name, fixed part, random part and margin of every model, as formulas."""
    fits = content.table("model_fits")
    return [
        [
            str(r.model_name),
            str(r.fixed),
            random_formula(str(r.random)),
            margin_name(str(r.response), r.equivalence_margin)
            if not missing(r.equivalence_margin)
            else "none",
        ]
        for r in rows_of(fits)
    ]
