"""The mixed models as a methods section names them: from their settings, as formulas."""

from __future__ import annotations

from collections.abc import Iterable

import pandas as pd

from accstudy.figures.style import rows_of
from accstudy.models.decisions import DIFFERS
from accstudy.reports.content import ReportContent
from accstudy.reports.document import Text
from accstudy.reports.model_rows import engines_said, margin_name
from accstudy.words.numbers import count, joined, missing

__all__ = ["model_rows", "models_paragraph", "random_formula"]

_DF = {"kenward-roger": "Kenward and Roger", "satterthwaite": "Satterthwaite"}


def models_paragraph(content: ReportContent, source: int) -> Text:
    """What was fitted and how it was tested, from the settings of every model.

    Parameters
    ----------
    content : ReportContent
        Table ``model_fits`` and those of what else was worked out.
    source : int
        Number of the source of the degrees of freedom.
    """
    fits = content.table("model_fits")
    if not len(fits):
        return ""
    means = content.table("model_means")
    factors = joined(sorted(set(means["factor"]))) if len(means) else "factors"
    text = (
        "Linear mixed models were fitted by restricted maximum likelihood, with independent random "
        f"effects; the table of models lists the formulas. Factors ({factors}) use treatment "
        "coding, "
        "with the first level in sorted order as reference level. Terms are tested by type III F "
        "tests: levels averaged equally over the other factors, with covariates centred at their "
        "means. Degrees of freedom and standard "
        f"errors are those of {_by_model(fits, 'method', _DF)} [{source}]. "
        "A family of contrasts consists of all pairs of levels of a factor, within each level of "
        "the factors crossed with it, or of all slopes of a covariate by level and their "
        f"differences; within a family, p values are {_by_model(fits, 'adjust', _ADJUSTED)}."
    )
    if not content.referenced:
        text += (
            " Without a reference, the true distances are unknown: every pair has its own fixed "
            "effect, which is not reported, and only differences between scans of the same pair "
            "are. Models of scatter need no reference."
        )
    at_once = fits.loc[fits["simultaneous"].fillna(False).astype(bool), "model_name"]
    text += (
        f" Intervals of contrasts in {_named(at_once)} are simultaneous (Bonferroni); the others "
        "apply to one contrast each."
        if len(at_once)
        else " Intervals apply to one contrast each."
    )
    if fits["equivalence_margin"].notna().any():
        text += " Equivalence is assessed by two one-sided tests"
        one_sided = fits.loc[fits["non_inferiority"].fillna(False).astype(bool), "model_name"]
        text += f", in {_named(one_sided)} by one (non-inferiority)." if len(one_sided) else "."
    unequal = fits[fits["residual_sd_by"].fillna("") != ""]
    for column, mine in unequal.groupby("residual_sd_by"):
        text += f" The levels of {column} have separate residual standard deviations in "
        text += f"{_named(mine['model_name'])}."
    if content.has("model_unequal"):
        text += (
            " Where the scatter of the residuals differs at least twofold between levels of a "
            "compared factor, contrasts were recomputed with a separate residual standard "
            "deviation for each level."
        )
    if len(content.table("model_operators")):
        text += (
            " Contrasts are also given for the operators of the study only, with operators and "
            "their interactions with the fixed part as fixed effects."
        )
    boot = content.table("model_bootstrap")
    if len(boot):
        text += (
            f" Terms of {_named(boot['model_name'])} were also tested by a parametric bootstrap "
            f"({int(boot['draws'].max())} data sets simulated without the term)."
        )
    other = fits["engine_difference"].dropna()
    if len(other):
        text += (
            f" {len(other)} of {len(fits)} models were also fitted by statsmodels at the same "
            "variance components; the largest relative difference of coefficients and log "
            f"likelihood is {engines_said(other.max())}."
        )
        gain = fits["engine_gain"].dropna()
        if len(gain):
            more = "no" if gain.max() < DIFFERS else f"a by {gain.max():.1g}"
            text += (
                f" In {count(len(gain), 'model')} statsmodels also optimised the components, from "
                f"two starting points, and found {more} higher likelihood."
            )
    return text


_ADJUSTED = {"holm": "adjusted by Holm's method", "none": "not adjusted"}


def _by_model(fits: pd.DataFrame, column: str, words: dict[str, str]) -> str:
    """What a setting is, by model where models differ in it."""
    by = fits.groupby(column, sort=False)["model_name"].apply(list)
    if len(by) == 1:
        return words.get(str(by.index[0]), str(by.index[0]))
    return joined([f"{words.get(str(k), str(k))} in {_named(v)}" for k, v in by.items()])


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
