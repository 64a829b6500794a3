"""Mixed models in words: what was fitted, and its tables arranged for figures and sentences."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any

import pandas as pd

from accstudy.figures.style import rows_of
from accstudy.models.decisions import DIFFERS, log_base
from accstudy.reports.document import ReportContent, Text, strong_accent
from accstudy.words.catalogue import say, words
from accstudy.words.numbers import joined, missing, number, quantity, sure, unit_name

__all__ = [
    "contrast_ends",
    "contrast_sentence",
    "contrasts_sentence",
    "ends_said",
    "engines_said",
    "is_true",
    "lead_model",
    "level_contrasts",
    "levels_of",
    "margin_name",
    "means_rows",
    "model_rows",
    "model_unit",
    "models_paragraph",
    "random_formula",
    "range_sentence",
    "ratio_said",
    "response_label",
    "shown_interactions",
]

_NAMED = 4  # contrasts of one kind in the sentence of page 1


def lead_model(means: pd.DataFrame) -> str:
    """Name of the model that answers the question: the first one on a plain response."""
    for row in rows_of(means.drop_duplicates("model_name")):
        if log_base(row.response) is None and not re.match(r"spread\(|scan\.", row.response):
            return str(row.model_name)
    return str(means["model_name"].iloc[0]) if len(means) else ""


def model_unit(response: str) -> str:
    """Unit of what a response is about, back from its logarithm.

    Examples
    --------
    >>> model_unit("log(abs(pair.distance_um))"), model_unit("pair.angle_deg")
    ('um', 'deg')
    """
    found = re.search(r"_(um|deg|mm|ppm)\b", response)
    return found.group(1) if found else ""


def response_label(response: str) -> str:
    """What a response is called.

    Examples
    --------
    >>> response_label("log(abs(pair.distance_um))")
    'geometric mean of |deviation of the distance|'
    >>> response_label("implant.vertical_um")
    'deviation of the vertical position'
    """
    column = re.search(r"(?:pair|implant|scan)\.(\w+)", response)
    name = column.group(1) if column else response
    said = words("models.responses").get(name, name.rsplit("_", 1)[0].replace("_", " "))
    if response.startswith("implant.distance") or "implant.distance" in response:
        said = say("models.3d_deviation_of_an")
    if "spread(" in response:
        return say("models.scatter_of_the", said=said)
    return say("models.geometric_mean_of", said=said) if log_base(response) is not None else said


def means_rows(means: pd.DataFrame, models: list[str]) -> pd.DataFrame:
    """Estimated means in their own unit, as `accstudy.figures.models.means_chart` wants them.

    Means of a log response are taken back; they are then geometric means.
    """
    parts = []
    for name in models:
        mine = means[means["model_name"] == name]
        if not len(mine):
            continue
        response = str(mine["response"].iloc[0])
        unit = unit_name(model_unit(response))
        part = mine[["level", "mean", "mean_low", "mean_high", "se", "df"]].rename(
            columns={"mean": "estimate", "mean_low": "low", "mean_high": "high"}
        )
        label = response_label(response)
        part["response"] = label
        part["panel"] = label[0].upper() + label[1:]
        part["axis"] = (
            say("models.estimated_mean", unit=unit) if unit else say("models.estimated_mean_2")
        )
        part["zero"] = log_base(response) is None and "spread(" not in response
        part["unit"], part["model_name"] = model_unit(response), name
        parts.append(part)
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


def level_contrasts(contrasts: pd.DataFrame, model: str) -> pd.DataFrame:
    """Differences between levels of one model, slopes left out."""
    mine = contrasts[contrasts["model_name"] == model]
    return mine[mine["covariate"] == ""]


def levels_of(row: Any) -> tuple[str, str]:
    """The two levels of a contrast, the second with the stratum in which they are compared."""
    where = say("models.at_stratum", row) if row.stratum else ""
    return str(row.level_a), f"{row.level_b}{where}"


def is_true(flag: Any) -> bool:
    """A flag of a table that may be empty."""
    return not missing(flag) and bool(flag)


def contrast_sentence(row: Any) -> Text:
    """Say what one contrast shows: difference, interval, p after Holm, equivalence."""
    a, b = levels_of(row)
    label, unit = response_label(row.response), model_unit(row.response)
    if log_base(row.response) is not None:
        ends = [number(v, "", decimals=2) for v in (row.ratio_low, row.ratio_high)]
        size = say("models.times_ratio", row)
        value = say("models.to_size_ends", size=size, ends=ends[0], ends_2=ends[1])
        how = say("models.the_of_is", label=label, a=a)
        tail = say("models.that_of_2", b=b)
    else:
        value = f"{_valued(row.estimate, unit)} ({_ends(row, unit, equivalence=False)})"
        how, tail = say("models.minus_the_mean_differs", a=a, b=b, label=label), ""
    shown = is_true(row.shown)
    if shown and row.response == "pair.distance_um":
        longer = "longer" if float(row.estimate) > 0 else "shorter"
        how = say("models.measures_distances_than", a=a, longer=longer, b=b)
    text: list[Any] = [how, strong_accent(value), f"{tail}, {_decides(row)}; "]
    text.append(
        strong_accent(
            say("models.a_difference_is_shown_2") if shown else say("models.no_difference_is_shown")
        )
    )
    if not missing(row.margin):
        margin = margin_name(row.response, row.margin)
        equal = is_true(row.equivalent)
        if _beyond(row):
            text += [
                say("models.and_it_is"),
                strong_accent(say("models.larger_than", margin=margin.removeprefix("±"))),
            ]
        else:
            text.append(say("models.and_equivalence_within_is", margin=margin))
            text.append(strong_accent("shown" if equal else say("models.not_shown")))
            judged = _ends(row, unit, equivalence=True)
            if log_base(row.response) is None and "%" in judged:
                text.append(f" ({judged})")
        text.append(".")
    else:
        text.append("." if shown else say("models.which_does_not_imply"))
    return [text[0][0].upper() + text[0][1:], *text[1:]]


def _decides(row: Any) -> str:
    """P value that decides about a contrast, with how it allows for their number."""
    if row.adjust == "none":
        return say("models.not_adjusted_3", row)
    return say("models.holm_adjusted", row)


def contrasts_sentence(rows: list[Any]) -> Text:
    """Say in one sentence which contrasts show a difference, which equivalence, which neither."""
    response = str(rows[0].response)
    unit = model_unit(response)
    found: dict[str, list[Any]] = {}
    for row in rows:
        if is_true(row.shown):
            what = say("models.a_difference_is_shown_3")
        elif is_true(row.equivalent):
            what = say(
                "models.equivalence_within_is_shown", margin_name=margin_name(response, row.margin)
            )
        elif not missing(row.margin):
            what = say("models.neither_difference_nor_equivalence")
        else:
            what = say("models.no_difference_is_shown_2")
        found.setdefault(what, []).append(row)
    text: list[Any] = [say("models.in_the_mean", response=response_label(response))]
    by_size = sorted(found.items(), key=lambda item: not item[0].startswith("a difference"))
    for k, (what, mine) in enumerate(by_size):
        text.append(f"; {what} " if k else f"{what} ")
        for i, row in enumerate(mine[:_NAMED]):
            a, b = levels_of(row)
            text.append(
                ("" if i == 0 else say("models.and") if i == len(mine) - 1 else ", ")
                + say("models.and_a_b", a=a, b=b)
            )
            equal = what.startswith("equivalence")
            text.append(strong_accent(_valued(row.estimate, unit)))
            text.append(f" ({_ends(row, unit, equivalence=equal)})")
        if len(mine) > _NAMED:
            text.append(say("models.and_more", mine=len(mine) - _NAMED))
    level = sure(rows[0].confidence)
    return [*text, say("models.first_minus_second_intervals", level=level)]


def _valued(value: Any, unit: str) -> str:
    """Value with as many decimals as the tables of contrasts have."""
    gap = "" if unit == "deg" else "\u00a0"
    return f"{number(value, unit, signed=True)}{gap}{unit_name(unit)}"


def contrast_ends(row: Any) -> str:
    """Difference, or ratio, with its interval and no unit; in brackets that of equivalence.

    Nothing where less than one degree of freedom leaves no interval.
    """
    if missing(row.low):
        return say("models.no_interval_less_than")
    if log_base(str(row.response)) is not None:
        return ratio_said(row)
    unit = model_unit(str(row.response))
    said = f"{number(row.estimate, unit, signed=True)} ({_ends(row, unit, equivalence=False)})"
    if missing(row.margin) or missing(row.equivalence_low) or is_true(row.shown):
        return said
    ends = [number(v, unit, signed=True) for v in (row.equivalence_low, row.equivalence_high)]
    return say("models.to_said_ends", said=said, ends=ends[0], ends_2=ends[1])


def _ends(row: Any, unit: str, *, equivalence: bool) -> str:
    """Interval of a contrast; for equivalence the one that the two one-sided tests look at."""
    low, high, level = row.low, row.high, ""
    if equivalence and not missing(row.equivalence_low):
        low, high = row.equivalence_low, row.equivalence_high
        level = f"{sure(row.equivalence_confidence)}: "
    ends = [number(v, unit, signed=True) for v in (low, high)]
    return say("models.to_level_ends", level=level, ends=ends[0], ends_2=ends[1])


def _beyond(row: Any) -> bool:
    """Whether the whole interval lies beyond the margin of a plain response."""
    if log_base(row.response) is not None or missing(row.low) or missing(row.high):
        return False
    return float(row.low) > float(row.margin) or float(row.high) < -float(row.margin)


def range_sentence(rows: list[Any]) -> str:
    """Say what a difference is at both ends of a covariate, with intervals."""
    first = rows[0]
    name, _, axis = (
        words("models.covariates").get(first.covariate, first.covariate).partition(" / ")
    )
    gap = "" if axis == "°" else "\u00a0"
    values = [
        say("models.at_sized_value", sized=_sized(r), value=float(r.value), gap=gap, axis=axis)
        for r in rows
    ]
    logs = log_base(str(first.response)) is not None
    low, high = values[0], values[-1]
    if logs:
        return say("models.ratio_at_ends", first, values=low, values_2=high, name=name)
    return say("models.changes_from_to_of", first, values=low, values_2=high, name=name)


def ratio_said(row: Any) -> str:
    """Ratio of a log response with its interval, two decimals each."""
    ends = [number(v, "", decimals=2) for v in (row.ratio_low, row.ratio_high)]
    said = say("models.no_interval") if missing(row.ratio_low) else joined(ends, last="to")
    return say("models.ratio_ends", row, ends=said)


def ends_said(low: Any, high: Any, unit: str) -> str:
    """Interval of a difference, in brackets behind it; that there is none."""
    if missing(low) or missing(high):
        return say("models.no_interval")
    return joined([number(v, unit, signed=True) for v in (low, high)], last="to")


def _sized(row: Any) -> str:
    """Difference with its interval; of a log response the ratio."""
    if log_base(str(row.response)) is not None:
        return ratio_said(row)
    unit = model_unit(str(row.response))
    return f"{_valued(row.estimate, unit)} ({_ends(row, unit, equivalence=False)})"


def margin_name(response: str, margin: float) -> str:
    """Margin of equivalence as printed.

    Examples
    --------
    >>> margin_name("log(abs(pair.distance_um))", 1.25)
    'a factor of 1.25'
    """
    if log_base(response) is not None:
        return say("models.a_factor_of", margin=margin)
    return f"±{quantity(margin, model_unit(response))}"


def shown_interactions(contrasts: pd.DataFrame, model: str) -> list[Any]:
    """Differences of slopes between levels that are shown."""
    mine = contrasts[contrasts["model_name"] == model]
    between = (mine["covariate"] != "") & (mine["level_b"] != "")
    return rows_of(mine[between & mine["shown"].fillna(False).astype(bool)])


def engines_said(difference: Any) -> str:
    r"""How far two programs differ, in the digits that the table has.

    Examples
    --------
    >>> engines_said(3e-15), engines_said(0.00021), engines_said(float("nan"))
    ('< 10⁻⁶', '2\xa0×\xa010⁻⁴', 'not computed')
    """
    if missing(difference):
        return say("models.not_computed")
    below = float(difference) < 1e-6
    return say("models.below_1e_06") if below else say("models.in_digits", difference=difference)


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
        say("methods.intervals_of_contrasts_in", named=_quoted(at_once))
        if len(at_once)
        else say("methods.intervals_apply_to_one")
    )
    if fits["equivalence_margin"].notna().any():
        text += say("methods.equivalence_is_assessed_by")
        one_sided = fits.loc[fits["non_inferiority"].fillna(False).astype(bool), "model_name"]
        text += say("methods.in_by_one_non", named=_quoted(one_sided)) if len(one_sided) else "."
    unequal = fits[fits["residual_sd_by"].fillna("") != ""]
    for column, mine in unequal.groupby("residual_sd_by"):
        text += say("methods.the_levels_of_have", column=column)
        text += f"{_quoted(mine['model_name'])}."
    if content.has("model_unequal"):
        text += say("methods.where_the_scatter_of")
    if len(content.table("model_operators")):
        text += say("methods.contrasts_are_also_given")
    boot = content.table("model_bootstrap")
    if len(boot):
        text += say(
            "methods.terms_of_were_also",
            named=_quoted(boot["model_name"]),
            draws=boot["draws"].max(),
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
            say("methods.in_get_named", get=words.get(str(k), str(k)), named=_quoted(v))
            for k, v in by.items()
        ]
    )


def _quoted(models: Iterable[object]) -> str:
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
