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
from accstudy.models.responses import unit_of_response
from accstudy.reports.common import confidence_of, flagged, is_true
from accstudy.reports.document import Document, ReportContent, Text, extended, strong_accent
from accstudy.words.catalogue import choose, say, words
from accstudy.words.names import capital, component_name, unit_name, variable_name
from accstudy.words.numbers import (
    NONE,
    interval,
    joined,
    missing,
    number,
    percent,
    quantity,
    sized,
    sure,
)

_NAMED = 4  # contrasts of one kind in the sentence of page 1


def model_of(content: ReportContent, role: str) -> str:
    """Name of the model with a role of table ``model_fits``; empty without one."""
    fits = content.table("model_fits")
    return str(next(iter(fits.loc[fits["role"] == role, "model_name"]), "")) if len(fits) else ""


def shown_models(content: ReportContent) -> list[str]:
    """The models of page 1: the leading one, and that of sizes, or of scatter."""
    roles = ("lead", "size" if content.referenced else "scatter")
    return [name for role in roles if (name := model_of(content, role))]


def response_label(response: str, *, size: bool = False) -> str:
    """What a response is called; dots of a log response are sizes, not their means.

    Examples
    --------
    >>> response_label("log(abs(pair.distance_um))")
    'geometric mean of |deviation of the distance|'
    >>> response_label("implant.mesiodistal_um"), response_label("implant.angle_deg")
    ('mesiodistal deviation', 'tilt of the axis')
    >>> response_label("abs(pair.distance_um)"), response_label("pair.bone_height_mm")
    ('|deviation of the distance|', 'bone height')
    """
    named = re.search(r"(?:(pair|implant|scan)\.)?([^\W\d]\w*)(?![\w(.])", response)
    table, column = named.groups() if named else ("", response)
    known = words("models.responses")
    said = known.get(f"{table}_{column}", known.get(column, variable_name(column)))
    if "spread(" in response:
        return say("models.scatter_of_the", said=said)
    if log_base(response) is None:
        return choose("models.logs", "size", said=said) if "abs(" in response else said
    return choose("models.logs", "size" if size else "mean", said=said)


def means_rows(content: ReportContent, models: list[str]) -> pd.DataFrame:
    """Estimated means in their own unit, as `accstudy.figures.models.means_chart` wants them.

    Means of a log response are taken back; they are then geometric means.
    """
    means, parts = content.table("model_means"), []
    for name in models if len(means) else ():
        mine = means[means["model_name"] == name]
        if not len(mine):
            continue
        response = str(mine["response"].iloc[0])
        unit, label = unit_of_response(response), response_label(response)
        part = mine[["level", "mean", "mean_low", "mean_high", "se", "df"]].rename(
            columns={"mean": "estimate", "mean_low": "low", "mean_high": "high"}
        )
        axis = say("models.estimated_mean", unit=unit) if unit else say("models.estimated_mean_2")
        zero = log_base(response) is None
        parts.append(
            part.assign(
                response=label, panel=capital(label), axis=axis, zero=zero,
                unit=unit, model_name=name,
            )
        )  # fmt: skip
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


def level_contrasts(contrasts: pd.DataFrame, model: str) -> pd.DataFrame:
    """Differences between levels of one model, slopes left out."""
    return contrasts[(contrasts["model_name"] == model) & (contrasts["covariate"] == "")]


def levels_of(row: Any) -> tuple[str, str]:
    """The two levels of a contrast, the second with the stratum in which they are compared."""
    return row.level_a, row.level_b + (say("models.at_stratum", row) if row.stratum else "")


def finding(row: Any) -> str:
    """What a contrast shows, in a word of the catalogue."""
    if missing(row.low):
        return "nothing"
    if is_true(row.shown):
        return "difference"
    if is_true(row.equivalent):
        return "equivalence"
    return "no difference" if missing(row.margin) else "neither"


def contrast_sentences(content: ReportContent, model: str) -> list[Text]:
    """Say which contrasts show a difference, with its sign, or that there is no telling."""
    rows = level_contrasts(content.table("model_contrasts"), model)
    stated = rows_of(rows[rows["low"].notna()])
    if not stated:
        return [say("comparison.too_few", what=say("comparison.conditions"))]
    if len(stated) == 1 or log_base(stated[0].response) is not None:
        return [contrast_sentence(stated[0])]
    return [contrasts_sentence(stated)]


def contrast_sentence(row: Any) -> Text:
    """Say what one contrast shows: difference, interval, p after Holm, equivalence."""
    a, b = levels_of(row)
    logs, shown = log_base(row.response) is not None, is_true(row.shown)
    key = "logs" if logs else "plain"
    if shown and row.response == "pair.distance_um":
        key = "longer" if row.estimate > 0 else "shorter"
    label = response_label(row.response)
    how = choose("models.differs", key, a=a, b=b, label=label)
    text: list[Any] = [capital(how)]
    text.append(strong_accent(say("models.times_ratio", row) if logs else _sized(row)))
    text.append(say("models.that_of_2", b=b) if logs else "")
    text.append(choose("models.by_p", row.adjust, row))
    text.append(strong_accent(words("models.shown")["true" if shown else "false"]))
    if missing(row.margin):
        return [*text, "." if shown else say("models.which_does_not_imply")]
    margin = margin_name(row.response, row.margin)
    if is_true(row.beyond):
        larger = say("models.larger_than", margin=margin.removeprefix("±"))
        return [*text, say("models.and_it_is"), strong_accent(larger), "."]
    text.append(say("models.and_equivalence_within_is", margin=margin))
    text.append(strong_accent("shown" if is_true(row.equivalent) else say("models.not_shown")))
    level = "" if logs or missing(row.equivalence_low) else f" ({_ends(row, equivalence=True)})"
    return [*text, level, "."]


def contrasts_sentence(rows: list[Any]) -> Text:
    """Say in one sentence which contrasts show a difference, which equivalence, which neither."""
    response = rows[0].response
    found: dict[str, list[Any]] = {kind: [] for kind in words("models.found")}
    for row in rows:
        found[finding(row)].append(row)
    text: list[Any] = [say("models.in_the_mean", response=response_label(response))]
    for kind, mine in ((kind, mine) for kind, mine in found.items() if mine):
        margin = "" if missing(mine[0].margin) else margin_name(response, mine[0].margin)
        text.append(
            f"{'; ' if len(text) > 1 else ''}{choose('models.found', kind, margin=margin)} "
        )
        for i, row in enumerate(mine[:_NAMED]):
            a, b = levels_of(row)
            text.append("" if i == 0 else say("models.and") if i == len(mine) - 1 else ", ")
            text.append(say("models.and_a_b", a=a, b=b))
            text.append(strong_accent(_valued(row)))
            text.append(f" ({_ends(row, equivalence=kind == 'equivalence')})")
        if len(mine) > _NAMED:
            text.append(say("models.and_more", mine=len(mine) - _NAMED))
    level = sure(rows[0].confidence)
    return [*text, say("models.first_minus_second_intervals", level=level)]


def _valued(row: Any) -> str:
    """Value with as many decimals as the tables of contrasts have."""
    return sized(row.estimate, unit_of_response(row.response), signed=True)


def contrast_ends(row: Any) -> str:
    """Difference, or ratio, with its interval and no unit; in brackets that of equivalence.

    Nothing where less than one degree of freedom leaves no interval.
    """
    if missing(row.low):
        return say("models.no_interval_less_than")
    if log_base(row.response) is not None:
        return ratio_said(row)
    unit = unit_of_response(row.response)
    said = f"{number(row.estimate, unit, signed=True)} ({_ends(row)})"
    if missing(row.margin) or missing(row.equivalence_low) or is_true(row.shown):
        return said
    return f"{said} [{ends_said(row.equivalence_low, row.equivalence_high, unit)}]"


def _ends(row: Any, *, equivalence: bool = False) -> str:
    """Interval of a contrast; for equivalence the one that the two one-sided tests look at."""
    unit = unit_of_response(row.response)
    if equivalence and not missing(row.equivalence_low):
        ends = ends_said(row.equivalence_low, row.equivalence_high, unit)
        return f"{sure(row.equivalence_confidence)}: {ends}"
    return ends_said(row.low, row.high, unit)


def at_ends(content: ReportContent, model: str, *, most: int = 3) -> list[Text]:
    """What a difference is at both ends of a covariate with which it is shown to change."""
    table = content.table("model_contrasts_at")
    if not len(table):
        return []
    mine, ends = table[table["model_name"] == model], []
    for row in shown_interactions(content.table("model_contrasts"), model)[:most]:
        same = mine["level_a"].eq(row.level_a) & mine["level_b"].eq(row.level_b)
        rows = rows_of(mine[same & mine["covariate"].eq(row.covariate)].sort_values("value"))
        if len(rows) > 1:
            logs = log_base(row.response) is not None
            said = [say("models.at_sized_value", r, sized=_sized(r)) for r in rows]
            key = "logs" if logs else "plain"
            ends.append(choose("models.changes", key, rows[0], values=said[0], values_2=said[-1]))
    text = "; ".join(ends)
    return [f"{capital(text)}."] if text else []


def ratio_said(row: Any) -> str:
    """Ratio of a log response with its interval, two decimals each."""
    key = "alone" if missing(row.ratio_low) else "interval"
    return choose("models.ratio", key, row)


def ends_said(low: Any, high: Any, unit: str) -> str:
    """Interval of a difference, in brackets behind it; that there is none."""
    if missing(low) or missing(high):
        return say("models.no_interval")
    return joined([number(v, unit, signed=True) for v in (low, high)], last="to")


def _sized(row: Any) -> str:
    """Difference with its interval; of a log response the ratio."""
    if log_base(row.response) is not None:
        return ratio_said(row)
    return f"{_valued(row)} ({_ends(row)})"


def slope_said(value: Any, unit: str) -> str:
    """Slope with the unit of its response; a finer one than values, since it is per unit."""
    places = 2 if unit == "um" else 4
    return f"{number(value, '', signed=True, decimals=places)}\u00a0{unit_name(unit)}"


def margin_name(response: str, margin: float) -> str:
    """Margin of equivalence as printed.

    Examples
    --------
    >>> margin_name("log(abs(pair.distance_um))", 1.25)
    'a factor of 1.25'
    """
    if log_base(response) is not None:
        return say("models.a_factor_of", margin=margin)
    return f"±{quantity(margin, unit_of_response(response))}"


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
    ...                       "response": ["pair.distance_um", "pair.angle_deg"]})
    >>> held_points(ReportContent("", {}, {"model_covariates": table}, {}, ""), ["p", "s"])
    'angulation 15.4° (deviation of the distance); angulation 22.5° (deviation of the angle)'
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
    unit = unit_of_response(str(rows["response"].iloc[0]))
    label = response_label(str(rows["response"].iloc[0]))
    margin = rows["margin"].dropna()
    confidence = confidence_of(content)
    level, both = sure(confidence), sure(rows["equivalence_confidence"].iloc[0])
    fits = content.table("model_fits")
    at_once = len(flagged(fits[fits["model_name"] == lead], "simultaneous")) > 0
    text = choose("models.p_adjusted", rows["adjust"].iloc[0], confidence=1 - confidence)
    text += say("models.in_the_table_are") if at_once else say("models.are_not_adjusted")
    text += say("models.equivalence_is_shown_when", both=both)
    text += "" if len(margin) else say("models.this_study_sets_no")
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
    at_once = flagged(fits, "simultaneous")["model_name"]
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
        ),
        once=1,
        named={"response": response_label},
        at_once=_which(at_once, models, "simultaneous"),
        plain=_which(plain, models, "not adjusted"),
    )


def _which(named: pd.Series, models: list[str], key: str) -> str:
    """What holds for some models, with their names unless it holds for all."""
    some = [m for m in models if m in set(named)]
    if not some:
        return ""
    names = joined([f"“{m}”" for m in some])
    said = "" if len(some) == len(models) else say("models.in_some", some=names)
    return choose("models.of_some", key, some=said)


def estimate_cells(row: Any, *, simultaneous: bool) -> list[str]:
    """Difference with its unit, or ratio, and its limits."""
    which = "simultaneous_" * simultaneous
    if log_base(row.response) is not None:
        value = f"× {number(row.ratio, '', decimals=2)}"
        ends = (getattr(row, f"ratio_{which}{end}") for end in ("low", "high"))
        texts = [number(v, "", decimals=2) for v in ends]
    else:
        unit = unit_of_response(row.response)
        value = sized(row.estimate, unit, signed=True)
        ends = (getattr(row, f"{which}{end}") for end in ("low", "high"))
        texts = [number(v, unit, signed=True) for v in ends]
    return [value, NONE if texts == [NONE, NONE] else joined(texts, last="to")]


def means_table(document: Document, content: ReportContent) -> None:
    """Estimated means of every model."""
    models = list(dict.fromkeys(content.table("model_means").get("model_name", ())))
    rows = means_rows(content, models)
    if not len(rows):
        return
    document.heading(say("models.means_of_every_model"))
    points = held_points(content, models)
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
        top = next(iter(rows_of(flagged(mine, "largest"))))
        logs = log_base(response) is not None
        unit = "" if logs else unit_name(unit_of_response(response))
        said = say(
            "models.of_the_scatter_of",
            response=response_label(response),
            component=_component(top.component),
            share=top.share,
        )
        said += choose("models.sd_scale", "logs" if logs else "plain")
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
            caption=say(
                "models.standard_deviation_of_every",
                model=model,
                slopes=slopes_scale(content, [model], mine),
            ),
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
        named={"response": response_label},
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


def slopes_scale(content: ReportContent, models: list[str], parts: pd.DataFrame) -> str:
    """What the components that are slopes are given per: a standard deviation of the covariate."""
    sloped = {str(c).partition(" | ")[0] for c in parts["component"] if " | " in str(c)}
    table = content.table("model_covariates")
    rows = table[table["model_name"].isin(models) & table["covariate"].isin(sloped)]
    said = [
        f"{variable_name(str(r.covariate))} {number(r.sd, '', decimals=1)}"
        f"{_HELD_UNITS.get(str(r.covariate).rsplit('_', 1)[-1], '')}"
        for r in rows_of(rows)
    ]
    return say("models.slopes_per_sd", said=joined([*dict.fromkeys(said)])) if said else ""


def fits_section(document: Document, content: ReportContent, models: list[str]) -> None:
    """Intraclass correlations, shares explained, and what a statsmodels finds."""
    fits, parts = content.table("model_fits"), content.table("model_variances")
    if not len(fits):
        return
    if len(parts):
        shown = parts[parts["model_name"].isin(models) & (parts["sd"] > 0)]
        units = ["" if log_base(r) is not None else unit_of_response(r) for r in shown["response"]]
        document.listed(
            "models.components_table",
            extended(shown, unit=units),
            slopes=slopes_scale(content, list(dict.fromkeys(shown["model_name"])), shown),
            once=1,
            named={"response": response_label, "sd_unit": lambda u: unit_name(u) if u else "log"},
        )
    document.listed("models.fits_table", fits, named={"engines": engines_said})
