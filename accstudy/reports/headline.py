"""Page 1 of a comparison: how far off each condition is, what differs, what may mislead."""

from __future__ import annotations

import re
from typing import Any

import pandas as pd

from accstudy.accuracy.judge import ALL_PAIRS, EACH_PAIR
from accstudy.figures.style import rows_of
from accstudy.models.means import log_base
from accstudy.reports.acting import held_phrase, lead_effects
from accstudy.reports.content import ReportContent
from accstudy.reports.crossing import inseparable_sentences
from accstudy.reports.document import Text, strong_accent
from accstudy.reports.modelled import (
    contrast_sentence,
    contrasts_sentence,
    is_true,
    level_contrasts,
    levels_of,
    means_rows,
    range_sentence,
    shown_interactions,
)
from accstudy.reports.select import confidence_of, limit_of, own_limits, supported_at
from accstudy.reports.statements import for_whom
from accstudy.reports.validation import answer as validation_answer
from accstudy.reports.wording import joined, missing, number, quantity, sure, unit_name

__all__ = ["answer", "at_ends", "fit_caution", "scatter_caution", "shown_models", "size_sentences"]

_ON_FIRST_PAGE = 3
_SHARES = {
    0.1: "a tenth", 0.2: "a fifth", 0.25: "a quarter", 1 / 3: "a third", 0.5: "half",
    2 / 3: "two thirds", 0.75: "three quarters",
}  # fmt: skip
_NEAR = 0.08  # relative distance from a share up to which "about" is said
_DEVIATE = {"distance_um": "distances", "angle_deg": "angles", "vertical_um": "heights"}


def answer(content: ReportContent, lead: str) -> list[Text]:
    """Say which condition is farther off, what differs with its sign, and the verdicts.

    Parameters
    ----------
    content : ReportContent
        Tables of a comparison.
    lead : str
        Model on the plain response that answers the question.

    Returns
    -------
    list of Text
    """
    table = content.table("model_contrasts")
    rows = level_contrasts(table, lead) if len(table) else table
    if not len(rows):
        return [
            "The study has no model that compares conditions. What a single one does:",
            *validation_answer(content)[:1],
        ]
    plain = log_base(str(rows["response"].iloc[0])) is None
    said = size_sentences(content, lead)
    said += (
        [contrasts_sentence(rows_of(rows))]
        if plain and len(rows) > 1
        else [contrast_sentence(r) for r in rows_of(rows)[:_ON_FIRST_PAGE]]
    )
    said += _where(content, lead, str(rows["response"].iloc[0]))
    said += _conformity(content)
    return [*said, *_cautions(content, lead)]


def shown_models(means: pd.DataFrame, lead: str) -> list[str]:
    """Name the leading model, and one on the size of the same response if there is one."""
    column = str(means.loc[means["model_name"] == lead, "response"].iloc[0])
    for row in rows_of(means.drop_duplicates("model_name")):
        if row.model_name != lead and column in row.response and log_base(row.response):
            return [lead, str(row.model_name)]
    return [lead]


def size_sentences(content: ReportContent, lead: str) -> list[Text]:
    """Say how much less one condition deviates than another, sign aside.

    Parameters
    ----------
    content : ReportContent
        Tables ``model_means``, ``model_contrasts``, ``pair_deviations``.
    lead : str
        Model whose response is meant; one on the logarithm of its size must be there.

    Returns
    -------
    list of Text
        Empty without such a model.
    """
    means = content.table("model_means")
    models = shown_models(means, lead) if len(means) else [lead]
    rows = level_contrasts(content.table("model_contrasts"), models[-1])
    if len(models) < 2 or not len(rows):
        return []
    base = log_base(str(rows["response"].iloc[0])) or 1.0
    column = str(means.loc[means["model_name"] == lead, "response"].iloc[0]).rpartition(".")[2]
    larger: dict[str, list[tuple[str, float, str]]] = {}
    alike = []
    for row in rows_of(rows):
        a, b = levels_of(row)
        ratio, ends = float(row.ratio), [base ** float(row.low), base ** float(row.high)]
        if not is_true(row.shown):
            alike.append(f"{a} and {b}, {_times(ratio, ends)} times")
            continue
        if ratio > 1:
            a, b, ratio, ends = b, a, 1 / ratio, [1 / v for v in reversed(ends)]
        larger.setdefault(b, []).append((a, ratio, _times(ratio, ends)))
    what = _DEVIATE.get(column, "results")
    said: list[Text] = []
    for b, mine in list(larger.items())[:_ON_FIRST_PAGE]:
        names = joined([a for a, _, _ in mine])
        said.append(
            [
                f"With {names} {what} deviate ",
                strong_accent(_share([ratio for _, ratio, _ in mine])),
                f" as much as with {b}: {joined([t for _, _, t in mine])} times (ratios of the "
                f"geometric means of |deviation|, {sure(confidence_of(content))} intervals"
                f"{held_phrase(content, models[-1])}).",
            ]
        )
    if alike:
        named = alike[:_ON_FIRST_PAGE]
        rest = len(alike) - len(named)
        more = f"; nor in {rest} more (Contrasts)" if rest else ""
        said.append(f"No difference in size is shown between {'; '.join(named)}{more}.")
    if len(larger) > _ON_FIRST_PAGE:
        said.append("Further differences in size stand under Contrasts.")
    ends = at_ends(content, models[-1])[:1] if larger else []
    return said + ends + _sizes(means, models[1])


def _times(ratio: float, ends: list[float]) -> str:
    low, high = (number(v, "", decimals=2) for v in ends)
    return f"{number(ratio, '', decimals=2)} ({low} to {high})"


def _share(ratios: list[float]) -> str:
    """``about a third`` where all are near it; else ``0.42 to 0.61 times``.

    Examples
    --------
    >>> _share([0.31, 0.33]), _share([0.42]), _share([0.31, 0.6])
    ('about a third', '0.42 times', '0.31 to 0.60 times')
    """
    for share, word in _SHARES.items():
        if all(abs(r / share - 1) <= _NEAR for r in ratios):
            return f"about {word}"
    ends = list(dict.fromkeys(number(v, "", decimals=2) for v in (min(ratios), max(ratios))))
    return f"{' to '.join(ends)} times"


def _sizes(means: pd.DataFrame, model: str) -> list[Text]:
    """Geometric means of the size, with their intervals."""
    rows = means_rows(means, [model])
    rows = rows[rows["estimate"].notna()]
    if not len(rows):
        return []
    unit = str(rows["unit"].iloc[0])
    parts = []
    for row in rows_of(rows):
        ends = [number(v, unit) for v in (row.low, row.high)]
        parts.append(f"{row.level} {number(row.estimate, unit)} ({ends[0]} to {ends[1]})")
    return [f"Geometric mean of |deviation| / {unit_name(unit)}: {'; '.join(parts)}."]


def _where(content: ReportContent, lead: str, response: str) -> list[Text]:
    """Where the covariates are held, and what the differences are at both ends of one."""
    at = held_phrase(content, lead).removeprefix(", held ")
    case = at or "over all cases"
    said: list[Text] = [
        f"A minus means shorter distances, not smaller errors; the means hold {case}."
        if response == "pair.distance_um"
        else f"These means hold {case}."
    ]
    acting = lead_effects(content, lead)
    return said + (acting or at_ends(content, lead))


def at_ends(content: ReportContent, model: str) -> list[Text]:
    """What a difference is at both ends of a covariate with which it is shown to change."""
    table = content.table("model_contrasts_at")
    if not len(table):
        return []
    mine = table[table["model_name"] == model]
    ends = []
    for row in shown_interactions(content.table("model_contrasts"), model)[:_ON_FIRST_PAGE]:
        same = mine["level_a"].eq(row.level_a) & mine["level_b"].eq(row.level_b)
        rows = rows_of(mine[same & mine["covariate"].eq(row.covariate)].sort_values("value"))
        if len(rows) > 1:
            ends.append(range_sentence(rows))
    text = "; ".join(ends)
    return [f"{text[0].upper()}{text[1:]}."] if text else []


def _conformity(content: ReportContent) -> list[Text]:
    """Say of every condition whether all distances of a scan keep to the limit, and each."""
    limit, rows = limit_of(content, "distance_um"), own_limits(content)
    if limit is None or not len(rows):
        return []
    said: list[Text] = []
    names = {ALL_PAIRS: "all distances of a scan together", EACH_PAIR: "each distance by itself"}
    for scope, name in names.items():
        mine = rows[(rows["measurand"] == "distance_um") & (rows["scope"] == scope)]
        parts = [f"{r.condition} {_judged(content, r)}" for r in rows_of(mine)]
        if parts:
            said.append(
                f"Conformity of {name} with the limit of {quantity(limit)}: {'; '.join(parts)}."
            )
    return said


def _judged(content: ReportContent, row: Any) -> str:
    length = supported_at(content, row)
    upto = "no span supported" if missing(length) else f"supported span {quantity(length, 'mm')}"
    short = str(row.verdict).removeprefix("conformity ")
    return f"{short or 'cannot be stated'}{for_whom(row.holds_for)} ({upto})"


def _cautions(content: ReportContent, lead: str) -> list[Text]:
    apart = inseparable_sentences(content)
    said: list[Text] = [f"Caution: {'; '.join(apart)}."] if apart else []
    said += [f"Caution: {t}" for t in scatter_caution(content, lead)]
    return said + [f"Caution: {t}" for t in fit_caution(content, lead)]


def fit_caution(content: ReportContent, lead: str) -> list[str]:
    """Say where the fitted means miss what was seen, or are not stated for want of overlap."""
    findings = content.table("findings")
    if not len(findings):
        return []
    mine = findings[
        findings["code"].isin(["lack-of-fit", "no-overlap"])
        & (findings["where"] == f'model "{lead}"')
    ]
    return [f"{what}." for what in mine["what"]]


def scatter_caution(content: ReportContent, lead: str) -> list[str]:
    """Say where scatter differs between levels, and whether allowing for it changes anything.

    Parameters
    ----------
    content : ReportContent
        Tables ``findings``, ``model_contrasts``, ``model_unequal``.
    lead : str
        The model.

    Returns
    -------
    list of str
        Empty where scatter is alike.
    """
    findings = content.table("findings")
    if not len(findings):
        return []
    mine = findings[
        (findings["severity"] == "warning")
        & findings["what"].str.startswith("the scatter of the residuals depends on")
        & (findings["where"] == f'model "{lead}"')
    ]
    out = []
    for what in mine["what"]:
        found = re.search(r"depends on (\S+) \(largest over smallest ([\d.]+)", what)
        if found:
            name, ratio = found.groups()
            out.append(
                f"scatter differs between levels of {name} by up to {ratio} times; "
                + _allowed(content, lead, name)
            )
    return out


def _allowed(content: ReportContent, lead: str, factor: str) -> str:
    other = content.table("model_unequal")
    if len(other):
        other = other[(other["model_name"] == lead) & (other["residual_sd_by"] == factor)]
    if not len(other):
        return (
            "the model does not allow for it (residual_sd_by in study.toml gives each level a "
            "scatter of its own)."
        )
    used = level_contrasts(content.table("model_contrasts"), lead).set_index("contrast")
    changed = [
        str(row.contrast)
        for row in rows_of(other)
        if row.contrast in used.index and _verdicts(row) != _verdicts(used.loc[row.contrast])
    ]
    if changed:
        return f"a model that allows for it changes the verdict on {joined(changed)}."
    return "a model that allows for it leads to the same verdicts."


def _verdicts(row: Any) -> tuple[bool, bool]:
    return is_true(row.shown), is_true(row.equivalent)
