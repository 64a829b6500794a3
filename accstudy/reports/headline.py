"""Page 1 of a comparison: how far off each condition is, what differs, what may mislead."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from typing import Any

import pandas as pd

from accstudy.figures.style import rows_of
from accstudy.models.decisions import log_base
from accstudy.reports.document import ReportContent, Text, strong_accent
from accstudy.reports.model_names import (
    contrast_sentence,
    contrasts_sentence,
    is_true,
    level_contrasts,
    levels_of,
    range_sentence,
    response_label,
    shown_interactions,
)
from accstudy.reports.names import variable_name
from accstudy.reports.rows import confidence_of, groups
from accstudy.reports.validation import answer as validation_answer
from accstudy.words.catalogue import say, words
from accstudy.words.numbers import joined, number, p_said

__all__ = [
    "answer",
    "at_ends",
    "factor_levels",
    "factor_name",
    "fit_caution",
    "held_phrase",
    "held_point",
    "held_points",
    "inseparable_sentences",
    "residual_caution",
    "scatter_caution",
    "shown_models",
    "size_sentences",
]

_ON_FIRST_PAGE = 3
_MOST_NAMED = 8  # levels of two factors
_NEAR = 0.08  # relative distance from a share up to which "about" is said


def answer(content: ReportContent, lead: str) -> list[Text]:
    """Say which condition is farther off, what differs with its sign, and the verdicts."""
    table = content.table("model_contrasts")
    rows = level_contrasts(table, lead) if len(table) else table
    if not len(rows):
        return [say("comparison.the_study_has_no"), *validation_answer(content)[:1]]
    said = size_sentences(content, lead)
    stated = rows_of(rows[rows["low"].notna()])
    if not said and len(stated) > 1 and log_base(str(rows["response"].iloc[0])) is None:
        said = [contrasts_sentence(stated)]
    elif not said:
        said = [
            contrast_sentence(stated[0])
            if stated
            else say("comparison.too_few", what=say("comparison.conditions"))
        ]
    models = shown_models(content.table("model_means"), lead)
    said += at_ends(content, models[-1], most=1) or at_ends(content, lead, most=1)
    return [*said, *_cautions(content, lead)]


def shown_models(means: pd.DataFrame, lead: str) -> list[str]:
    """Name the leading model, and one on the size of the same response if there is one."""
    column = str(means.loc[means["model_name"] == lead, "response"].iloc[0])
    for row in rows_of(means.drop_duplicates("model_name")):
        size = log_base(row.response) and "spread(" not in row.response
        if row.model_name != lead and column in row.response and size:
            return [lead, str(row.model_name)]
    return [lead]


def size_sentences(content: ReportContent, lead: str) -> list[Text]:
    """Say how much less one condition deviates than another, sign aside."""
    means = content.table("model_means")
    models = shown_models(means, lead) if len(means) else [lead]
    rows = level_contrasts(content.table("model_contrasts"), models[-1])
    if len(models) < 2 or not len(rows):
        return []
    column = str(means.loc[means["model_name"] == lead, "response"].iloc[0]).rpartition(".")[2]
    larger: dict[str, list[tuple[str, float, str]]] = {}
    alike = []
    for row in rows_of(rows[rows["low"].notna()]):
        a, b = levels_of(row)
        ratio, ends = float(row.ratio), [row.ratio_low, row.ratio_high]
        if not is_true(row.shown):
            alike.append(say("comparison.and_times", a=a, b=b, times=_times(ratio, ends)))
            continue
        if ratio > 1:
            a, b, ratio = b, a, float(row.inverse_ratio)
            ends = [row.inverse_low, row.inverse_high]
        larger.setdefault(b, []).append((a, ratio, _times(ratio, ends)))
    what = words("comparison.deviate").get(column, "results")
    said: list[Any] = []
    for b, mine in list(larger.items())[:_ON_FIRST_PAGE]:
        names, values = joined([a for a, _, _ in mine]), joined([t for _, _, t in mine])
        said += [
            say("comparison.with_the_typical_deviation", names=names, what=what),
            strong_accent(_share([ratio for _, ratio, _ in mine])),
            say(
                "comparison.that_of_interval",
                b=b,
                values=values,
                confidence_of=confidence_of(content),
                n=len(mine),
                tilt=_tilt(content, models[-1]),
            ),
        ]
    if not larger and not alike:
        return [say("comparison.too_few", what=say("comparison.the_sizes_of", what=what))]
    if not larger:
        alone = joined(alike[:_ON_FIRST_PAGE], last="or")
        said.append(say("comparison.no_difference_in_size", alone=alone))
    if len(larger) + len(alike) > _ON_FIRST_PAGE:
        said.append(say("comparison.more_under_contrasts"))
    return [[*said[:-1], said[-1].rstrip()]]


def _tilt(content: ReportContent, model: str) -> str:
    """Where a ratio holds, by the covariates with which it is shown to change."""
    table = content.table("model_covariates")
    changing = {r.covariate for r in shown_interactions(content.table("model_contrasts"), model)}
    if not changing or not len(table):
        return ""
    own = table[(table["model_name"] == model) & table["covariate"].isin(changing)]
    point = held_point(content, model, only=set(own["covariate"]))
    return say("comparison.at_point", point=point) if point else ""


def _times(ratio: float, ends: list[float]) -> str:
    low, high = (number(v, "", decimals=2) for v in ends)
    return say("comparison.to_ratio_low", ratio=ratio, low=low, high=high)


def _share(ratios: list[float]) -> str:
    """``about a third`` where all are near it; else ``0.42 to 0.61 times``.

    Examples
    --------
    >>> _share([0.31, 0.33]), _share([0.42]), _share([0.31, 0.6])
    ('about a third', '0.42 times', '0.31 to 0.60 times')
    """
    for share, word in words("comparison.shares").items():
        if all(abs(r / float(Fraction(share)) - 1) <= _NEAR for r in ratios):
            return say("comparison.about_word", word=word)
    ends = list(dict.fromkeys(number(v, "", decimals=2) for v in (min(ratios), max(ratios))))
    return say("comparison.times_ends", ends=say("comparison.to").join(ends))


def at_ends(content: ReportContent, model: str, *, most: int = _ON_FIRST_PAGE) -> list[Text]:
    """What a difference is at both ends of a covariate with which it is shown to change."""
    table = content.table("model_contrasts_at")
    if not len(table):
        return []
    mine = table[table["model_name"] == model]
    ends = []
    for row in shown_interactions(content.table("model_contrasts"), model)[:most]:
        same = mine["level_a"].eq(row.level_a) & mine["level_b"].eq(row.level_b)
        rows = rows_of(mine[same & mine["covariate"].eq(row.covariate)].sort_values("value"))
        if len(rows) > 1:
            ends.append(range_sentence(rows))
    text = "; ".join(ends)
    return [f"{text[0].upper()}{text[1:]}."] if text else []


def _cautions(content: ReportContent, lead: str) -> list[Text]:
    """All cautions in one paragraph."""
    apart = inseparable_sentences(content)
    said = [f"{'; '.join(apart)}."] if apart else []
    said += [*scatter_caution(content, lead), *fit_caution(content, lead)]
    for model in shown_models(content.table("model_means"), lead):
        said += residual_caution(content, model)
    said = [said[0], *(f"{s[0].upper()}{s[1:]}" for s in said[1:])] if said else []
    return [say("comparison.caution_said", said=" ".join(said))] if said else []


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
            levels = factor_levels(factor_name(b), other)
            each.append(say("design.only_with", own=joined(own), levels=levels))
        out.append(f"{said}: {', '.join(each)}")
    return out


def factor_name(factor: str) -> str:
    """Factor in words."""
    return factor.replace("_", " ")


def factor_levels(name: str, levels: list[str]) -> str:
    """Levels with the name of their factor, unless they begin with it."""
    said = joined(levels)
    return said if said.lower().startswith(name.lower()) else f"{name} {said}"


def fit_caution(content: ReportContent, lead: str) -> list[str]:
    """Say where the fitted means miss what was seen, or are not stated for want of overlap."""
    out = []
    tests, ranges = content.table("model_lack_of_fit"), content.table("model_covariates")
    if len(tests):
        mine = tests[(tests["model_name"] == lead) & tests["shown"].map(is_true)]
        for column in dict.fromkeys(mine["covariate"]):
            p = p_said(mine.loc[mine["covariate"] == column, "p_holm"].min())
            out.append(
                say("comparison.fitted_means_depart_from", column=variable_name(column), p=p)
            )
    if len(ranges):
        mine = ranges[ranges["model_name"] == lead]
        apart = mine.loc[mine["common_low"] > mine["common_high"], "covariate"]
        out += [say("comparison.conditions_have_no_in", c=variable_name(c)) for c in apart]
    return out


def residual_caution(content: ReportContent, model: str) -> list[str]:
    """Say what warnings of the analysis tell of the residuals of a model on page 1."""
    uneven, fits = _warned(content, model), content.table("model_fits")
    uneven = uneven[uneven["against"] == "fitted"] if len(uneven) else uneven
    known = [say("comparison.scatter_unequally_fold", r) for r in rows_of(uneven)]
    for fit in rows_of(fits[fits["model_name"] == model]) if len(fits) else []:
        if is_true(fit.heavy_tails):
            share = say("comparison.of_n_beyond_3sd_n_rows", fit)
            known.append(say("comparison.have_heavy_tails_beyond", share=share))
    if not known:
        return []
    means = content.table("model_means")
    response = str(means.loc[means["model_name"] == model, "response"].iloc[0])
    of = say("comparison.ratios_of_sizes") if log_base(response) is not None else "differences"
    told = joined(known).rstrip(",")
    return [say("comparison.residuals_behind_the", of=of, told=told)]


def _warned(content: ReportContent, model: str) -> pd.DataFrame:
    """Rows of table ``model_spread`` of a model that the analysis warns of."""
    table = content.table("model_spread")
    if not len(table):
        return table
    return table[(table["model_name"] == model) & table["warned"].map(is_true)]


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
    used = level_contrasts(content.table("model_contrasts"), lead).set_index("contrast")
    changed = [
        str(row.contrast)
        for row in rows_of(other)
        if row.contrast in used.index and _verdicts(row) != _verdicts(used.loc[row.contrast])
    ]
    if changed:
        return say("comparison.a_model_that_allows", changed=joined(changed))
    return say("comparison.a_model_that_allows_2")


def _verdicts(row: Any) -> tuple[bool, bool]:
    return is_true(row.shown), is_true(row.equivalent)


_UNITS = {"deg": "°", "mm": " mm"}


def held_point(
    content: ReportContent, model: str, *, skip: str = "", only: set[str] | None = None
) -> str:
    """Say where one model holds its covariates, all but one or only some.

    Examples
    --------
    >>> import pandas as pd
    >>> table = pd.DataFrame({"model_name": "m", "held": [12.7256, 4.0, 2.5],
    ...                       "covariate": ["angulation_deg", "n_implants", "steps"]})
    >>> held_point(ReportContent("", {}, {"model_covariates": table}, {}, ""), "m")
    'angulation 12.7°, number of implants 4 and steps along the arch 2.5'
    """
    table = content.table("model_covariates")
    if not len(table):
        return ""
    parts = []
    for row in rows_of(table[table["model_name"] == model]):
        if row.covariate == skip or (only is not None and row.covariate not in only):
            continue
        unit = _UNITS.get(str(row.covariate).rsplit("_", 1)[-1], "")
        held = f"{float(row.held):.1f}"
        held = held if unit else held.removesuffix(".0")  # a count
        parts.append(f"{variable_name(str(row.covariate))} {held}{unit}")
    return joined(parts)


def held_points(content: ReportContent, models: Sequence[str], *, skip: str = "") -> str:
    """Say where some models hold their covariates, each response by name where they differ.

    Examples
    --------
    >>> import pandas as pd
    >>> table = pd.DataFrame({"model_name": ["p", "s"], "covariate": "angulation_deg",
    ...                       "held": [15.4, 22.5],
    ...                       "response": ["pair.distance_um", "scan.worst_distance_um"]})
    >>> held_points(ReportContent("", {}, {"model_covariates": table}, {}, ""), ["p", "s"])
    'angulation 15.4° (deviation of the distance); angulation 22.5° (worst distance of a scan)'
    """
    points = {m: held_point(content, m, skip=skip) for m in models}
    told = list(dict.fromkeys(p for p in points.values() if p))
    if len(told) == 1 and all(points.values()):
        return told[0]
    table = content.table("model_covariates")
    said = []
    for point in told:
        mine = [m for m, p in points.items() if p == point]
        own = table[table["model_name"].isin(mine)]
        names = [response_label(str(r)) for r in own["response"]] if "response" in own else mine
        said.append(f"{point} ({joined(list(dict.fromkeys(names)))})")
    return "; ".join(said)


def held_phrase(content: ReportContent, models: Sequence[str], *, skip: str = "") -> str:
    """Put `held_points` as the end of a sentence; empty where nothing is held.

    Examples
    --------
    >>> import pandas as pd
    >>> table = pd.DataFrame({"model_name": ["m"], "covariate": "path_mm", "held": 32.1913})
    >>> held_phrase(ReportContent("", {}, {"model_covariates": table}, {}, ""), ["m"])
    ', held at arch length 32.2 mm'
    """
    points = held_points(content, models, skip=skip)
    return say("models.held_at", points=points) if points else ""
