"""Mixed models: what they are called, their contrasts in sentences, and their tables."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

import pandas as pd

from accstudy.figures.accuracy import share_chart
from accstudy.figures.models import contrast_chart
from accstudy.figures.style import rows_of
from accstudy.models.decisions import log_base
from accstudy.reports.common import confidence_of
from accstudy.reports.document import (
    Document,
    Heading,
    ReportContent,
    Text,
    extended,
    heads,
    strong_accent,
)
from accstudy.words.catalogue import say, words
from accstudy.words.names import component_name, term_name, variable_name
from accstudy.words.numbers import (
    NONE,
    interval,
    joined,
    missing,
    number,
    percent,
    quantity,
    sure,
    unit_name,
)

__all__ = [
    "contrast_ends",
    "contrast_name",
    "contrast_sentence",
    "contrasts_section",
    "contrasts_sentence",
    "ends_said",
    "engines_said",
    "estimate_cells",
    "fits_section",
    "held_phrase",
    "held_point",
    "held_points",
    "is_true",
    "lead_model",
    "level_contrasts",
    "levels_of",
    "margin_name",
    "means_rows",
    "means_table",
    "model_unit",
    "operators_section",
    "range_sentence",
    "ratio_said",
    "response_label",
    "scatter",
    "shown_interactions",
    "term_tests",
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


def at_ends(content: ReportContent, model: str, *, most: int = 3) -> list[Text]:
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


def contrast_name(row: Any) -> str:
    """Contrast with a minus sign between its levels."""
    where = say("names.at_stratum", row) if row.stratum else ""
    return f"{row.level_a} − {row.level_b}{where}"


_HELD_UNITS = {"deg": "°", "mm": " mm"}


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
        unit = _HELD_UNITS.get(str(row.covariate).rsplit("_", 1)[-1], "")
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


def contrasts_section(document: Document, content: ReportContent, lead: str) -> None:
    """Differences of conditions with their equivalence bounds, and those of every model."""
    table = content.table("model_contrasts")
    rows = level_contrasts(table, lead) if len(table) else table
    if not len(rows):
        return
    document.heading(say("models.contrasts"))
    unit = model_unit(str(rows["response"].iloc[0]))
    label = response_label(str(rows["response"].iloc[0]))
    margin = rows["margin"].dropna()
    confidence = confidence_of(content)
    level, both = sure(confidence), sure(rows["equivalence_confidence"].iloc[0])
    fits = content.table("model_fits")
    own = fits[fits["model_name"] == lead] if len(fits) else fits
    at_once = len(own) > 0 and bool(own["simultaneous"].fillna(False).any())
    raised = not (rows["adjust"] == "none").any()
    text = (
        say("models.a_difference_is_shown")
        + (say("models.adjusted_by_holms_method") if raised else say("models.not_adjusted"))
        + say("models.is_below_intervals", confidence=1 - confidence)
        + (say("models.in_the_table_are") if at_once else say("models.are_not_adjusted"))
        + say("models.equivalence_is_shown_when", both=both)
    )
    if not len(margin):
        text += say("models.this_study_sets_no")
    document.lead(say("models.how_to_read_it"), text)
    along = at_ends(content, lead)
    if along:
        document.lead(say("models.along_a_covariate"), *along)
    bounds = (
        say("models.between_bounds_of", margin=quantity(margin.iloc[0], unit))
        if len(margin)
        else ""
    )
    said = "; ".join(
        f"{contrast_name(r)} {quantity(r.estimate, unit, signed=True)} "
        f"({interval(r.low, r.high, unit)})"
        for r in rows_of(rows)
    )
    document.figure(
        "contrasts",
        contrast_chart(
            rows.head(15).assign(contrast=[contrast_name(r) for r in rows_of(rows.head(15))]),
            axis=say("models.difference_of_the", label=label, unit=unit_name(unit)),
        ),
        caption=say("models.differences_of_the_mean", label=label, level=level)
        + (
            say("models.thick_grey_equivalence_region", both=both, bounds=bounds) if bounds else "."
        ),
        alt=say("models.dots_with_intervals", bounds=bounds, said=said),
    )
    others = [m for m in dict.fromkeys(table["model_name"]) if len(level_contrasts(table, m))]
    _contrast_table(document, content, others)


def _contrast_table(document: Document, content: ReportContent, models: list[str]) -> None:
    table, fits = content.table("model_contrasts"), content.table("model_fits")
    at_once = fits.loc[fits["simultaneous"].fillna(False).astype(bool), "model_name"]
    plain = table.loc[table["adjust"] == "none", "model_name"]
    rows = pd.concat([level_contrasts(table, model) for model in models])
    made = [estimate_cells(r, simultaneous=r.model_name in set(at_once)) for r in rows_of(rows)]
    document.listed(
        "models.contrasts_table",
        extended(
            rows,
            name=[contrast_name(r) for r in rows_of(rows)],
            value=[value for value, _ in made],
            ends=[ends for _, ends in made],
            p=rows["p"].where(rows["model_name"].isin(plain), rows["p_holm"]),
        ),
        once=1,
        named={"response": response_label},
        at_once=_which(at_once, models, say("models.simultaneous_for_all_contrasts")),
        plain=_which(plain, models, say("models.not_adjusted_2")),
    )


def _which(named: pd.Series, models: list[str], said: str) -> str:
    """What holds for some models, with their names unless it holds for all."""
    some = [m for m in models if m in set(named)]
    if not some:
        return ""
    return (
        said
        if len(some) == len(models)
        else say("models.in_said_some", said=said, some=joined([f"“{m}”" for m in some]))
    )


def estimate_cells(row: Any, *, simultaneous: bool) -> list[str]:
    """Difference with its unit, or ratio, and its limits."""
    which = "simultaneous_" * simultaneous
    if log_base(row.response) is not None:
        value = f"× {number(row.ratio, '', decimals=2)}"
        ends = (getattr(row, f"ratio_{which}{end}") for end in ("low", "high"))
        texts = [number(v, "", decimals=2) for v in ends]
    else:
        unit = model_unit(row.response)
        gap = "" if unit == "deg" else " "
        value = f"{number(row.estimate, unit, signed=True)}{gap}{unit_name(unit)}"
        ends = (getattr(row, f"{which}{end}") for end in ("low", "high"))
        texts = [number(v, unit, signed=True) for v in ends]
    return [value, NONE if texts == [NONE, NONE] else joined(texts, last="to")]


def means_table(document: Document, content: ReportContent) -> None:
    """Estimated means of every model."""
    means = content.table("model_means")
    if not len(means):
        return
    document.heading(say("models.means_of_every_model"))
    rows = means_rows(means, list(dict.fromkeys(means["model_name"])))
    points = held_points(content, list(dict.fromkeys(map(str, means["model_name"]))))
    document.listed("models.means_table", rows, once=1, held=f": {points}" if points else "")


def scatter(document: Document, content: ReportContent, models: list[str]) -> None:
    """Shares of the variance of the models that carry page 1."""
    table = content.table("model_variances")
    if not len(table):
        return
    shown = [m for m in models if table.loc[table["model_name"] == m, "share"].notna().any()]
    for k, model in enumerate(shown):
        mine = table[table["model_name"] == model]
        response = str(mine["response"].iloc[0])
        if k == 0:
            document.heading(say("models.components_of_variance"))
        top = rows_of(mine.loc[[mine["share"].idxmax()]])[0]
        logs = log_base(response) is not None
        unit = "" if logs else unit_name(model_unit(response))
        said = say(
            "models.of_the_scatter_of",
            response=response_label(response),
            component=_component(top.component),
            share=top.share,
        )
        said += (
            say("models.a_component_whose_interval")
            if not logs
            else say("models.standard_deviations_on_the")
        )
        title = say("models.variance_shares_of_the_size") if logs else say("models.variance_shares")
        document.lead(title, said)
        axes = share_chart(mine)
        axes.set_xlabel(
            say("models.sd_unit", unit=unit) if unit else say("models.sd_of_the_logarithm")
        )
        each = joined(
            [
                f"{component_name(r.component)} {number(r.sd, '', decimals=2)} ({percent(r.share)})"
                for r in rows_of(mine)
            ]
        )
        document.figure(
            "variance-shares" if k == 0 else f"variance-shares-{k + 1}",
            axes,
            caption=(say("models.standard_deviation_of_every", model=model)),
            alt=say(
                "models.bars_standard_deviation_and",
                in_unit=say("models.in_unit", unit=unit) if unit else "",
                each=each,
            ),
        )


def _component(component: str) -> str:
    if str(component).startswith("residual"):
        return say("models.the_residual_variation_not")
    return say("models.that_of", component=component_name(component))


def term_tests(document: Document, content: ReportContent) -> None:
    """F tests of every model."""
    table = content.table("model_tests")
    if not len(table):
        return
    document.heading(say("models.tests_of_the_terms"))
    drawn = content.table("model_bootstrap")
    by_draws = {(r.model_name, r.term): r.p for r in rows_of(drawn)} if len(drawn) else {}
    document.listed(
        "models.tests_table",
        extended(table, p_drawn=[by_draws.get((r.model_name, r.term)) for r in rows_of(table)]),
        once=1,
        shown=["drawn"] if by_draws else [],
        named={"response": response_label, "term": term_name},
        last=say("models.last_column_p_of") if by_draws else ".",
    )


def operators_section(document: Document, content: ReportContent) -> None:
    """Differences for the operators of the study alone, beside those for operators in general."""
    own, general = content.table("model_operators"), content.table("model_contrasts")
    if not len(own):
        return
    document.lead(
        say("models.for_these_operators_only"), say("models.with_few_operators_conclusions")
    )
    key = ["model_name", "contrast"]
    every = general.drop_duplicates(key).set_index(key)
    made = []
    for r in rows_of(own):
        at = (r.model_name, r.contrast)
        others = every.loc[at] if at in every.index else None
        all_ = [NONE, NONE] if others is None else estimate_cells(others, simultaneous=False)
        df = None if others is None else others["df"]
        made.append([*all_, df, *estimate_cells(r, simultaneous=False), contrast_name(r)])
    names = ["value", "ends", "general_df", "own_value", "own_ends", "name"]
    cells = pd.DataFrame(made, columns=names, index=own.index)
    document.listed(
        "models.operators_table",
        pd.concat([own, cells], axis=1),
        once=1,
        named={"response": response_label},
    )


def fits_section(document: Document, content: ReportContent, models: list[str]) -> None:
    """Intraclass correlations, shares explained, and what a statsmodels finds."""
    fits, parts = content.table("model_fits"), content.table("model_variances")
    if not len(fits):
        return
    _components(document, parts, [m for m in models if m in set(parts["model_name"])])
    document.listed("models.fits_table", fits, named={"engines": engines_said})


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
    document.table(say("models.components_of_the_not", named=_beside(named)), columns, cells)


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
