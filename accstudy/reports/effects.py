"""What the design can tell apart, checks of the models, and the effects that they show."""

from __future__ import annotations

from typing import Any

import pandas as pd

from accstudy.figures.models import effect_chart, residual_page
from accstudy.figures.style import rows_of
from accstudy.models.decisions import log_base
from accstudy.models.formula import columns_of
from accstudy.models.responses import plain_response, unit_of_response
from accstudy.reports.common import confidence_of, flagged, groups, is_true, slug
from accstudy.reports.document import Document, ReportContent, Text, extended, strong_accent
from accstudy.reports.models import (
    contrast_name,
    ends_said,
    fits_section,
    held_phrase,
    level_contrasts,
    means_table,
    ratio_said,
    response_label,
    scatter,
    slope_said,
)
from accstudy.words.catalogue import choose, say, words
from accstudy.words.names import capital, condition_name, unit_name, variable_name
from accstudy.words.numbers import joined, number, quantity, sized, sure

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
            cell=joined([variable_name(c) for c in cell]),
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
        said = say("design.is_confounded_with", outer=variable_name(b), inner=variable_name(a))
        if len(rows) > _MOST_NAMED:
            blocks = rows["block"].nunique()
            out.append(say("design.their_levels_fall_into", said=said, blocks=blocks))
            continue
        each = []
        for _, mine in groups(rows, ["block"]):
            own, other = (list(map(str, mine.loc[mine["factor_of"] == f, "level"])) for f in (a, b))
            levels = named_levels(variable_name(b), other)
            each.append(say("design.only_with", own=joined(own), levels=levels))
        out.append(f"{said}: {', '.join(each)}")
    return out


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


_SIDES = ("left", "right")


def acting_section(document: Document, content: ReportContent) -> None:
    """Effect of angulation and implant count, or why nothing can be said of it."""
    notes, models = content.table("model_effect_notes"), content.table("models")
    if not len(notes) or (notes["n_levels"].astype(float) < 2).all():
        return
    document.heading(say("effects.effect_of_angulation_and"))
    document.lead(say("effects.two_questions"), say("effects.at_equal_arch_length"))
    columns = ("angulation_deg", "n_implants")
    for column in columns:
        document.lead(words("effects.titles")[column], *_paragraphs(content, column))
    _effect_table(document, content)
    for column in columns:
        _figure(document, content, column)
    if len(models):
        document.listed("effects.scanned_table", models, wide=False)


def _paragraphs(content: ReportContent, column: str) -> list[Text]:
    notes = content.table("model_effect_notes")
    mine = notes[notes["covariate"] == column]
    said: list[Text] = []
    for note in rows_of(mine):
        rows = _rows(content, column, note.scope)
        scope = capital(words("effects.scopes").get(note.scope, note.scope))
        lead: list[Text] = [
            say("effects.per_step", scope=scope, step=words("effects.steps")[column])
        ]
        if len(rows):
            text = [effect_sentence(r) for r in _leading(rows)]
            for k, part in enumerate(text):
                lead += ["; " if k else "", *([part] if isinstance(part, str) else part)]
            if note.why:
                lead.append(say("effects.caution_to_resolve_this", note))
        elif note.why:
            lead.append(say("effects.not_estimable_to_estimate", note))
            contrasts = _of_models(content)
            if contrasts and column == "n_implants" and note.n_levels > 1:
                lead.append(say("effects.for_these_models_only", contrasts=contrasts))
        else:
            lead.append(say("effects.not_estimated_in_this"))
        said.append([*lead, "."])
    return said


def _rows(content: ReportContent, column: str, scope: str) -> pd.DataFrame:
    table = content.table("model_effects")
    if not len(table):
        return table
    return table[(table["covariate"] == column) & (table["scope"] == scope)]


def _leading(rows: pd.DataFrame) -> list[pd.DataFrame]:
    """One frame a model, each response once."""
    first = rows.drop_duplicates("response")["model_name"]
    return [rows[rows["model_name"] == name] for name in dict.fromkeys(first)]


def effect_sentence(rows: pd.DataFrame) -> Text:
    """Say what one covariate does to one response, by level where that matters."""
    rows = flagged(rows, "applies")
    first = rows.iloc[0]
    label = response_label(str(first["response"]))
    if first["kind"] == "level":
        runs: list[Any] = []
        for k, r in enumerate(rows_of(rows)):
            said = f"{r.level} {effect_size(r)}"
            runs.append("" if k == 0 else say("effects.and") if k == len(rows) - 1 else ", ")
            runs.append(strong_accent(said) if is_true(r.shown) else said)
        factor = variable_name(str(first["factor"]))
        return [f"{label}, ", *runs, say("effects.depends_on", first, factor=factor)]
    shown, size = is_true(first["shown"]), effect_size(first)
    return [
        f"{label}, ",
        strong_accent(size) if shown else size,
        say("effects.df_df_p", first, df=_df(first["df"])),
        "" if shown else say("effects.no_effect_shown"),
    ]


def effect_size(row: Any, *, unit: bool = True) -> str:
    """Effect with its interval, as a ratio for log responses; with its unit if wanted."""
    if log_base(plain_response(str(row.response))) is not None:
        return f"× {ratio_said(row)}"
    of = unit_of_response(str(row.response))
    value = (sized if unit else number)(row.estimate, of, signed=True)
    return f"{value} ({ends_said(row.low, row.high, of)})"


def _df(value: Any) -> str:
    return number(value, "", decimals=0 if float(value) >= 9.95 else 1)


def _of_models(content: ReportContent) -> str:
    """Differences of the models themselves, for the leading response."""
    table = content.table("model_effects")
    mine = table[table["scope"] == "of these models"] if len(table) else table
    if not len(mine):
        return ""
    first = rows_of(mine[mine["response"] == mine["response"].iloc[0]])
    parts = [say("effects.minus_level_a_level_b", r, effect_size=effect_size(r)) for r in first]
    return f"{response_label(first[0].response)}, {joined(parts)}"


def _figure(document: Document, content: ReportContent, column: str) -> None:
    """Data, class means, fitted mean and band: a pair at equal path, the worst of a scan."""
    effects = content.table("model_effects")
    if not len(effects):
        return
    of = effects[
        (effects["covariate"] == column) & effects["scope"].isin(list(words("effects.scopes")))
    ]
    names = []
    for response in ("pair.distance_um", "scan.worst_distance_um"):
        own = of.loc[of["response"] == response, "model_name"]
        names += list(own.head(1))
    _draw(document, content, column, names, name=f"effect-{column.split('_')[0]}")


def path_section(document: Document, content: ReportContent, models: list[str]) -> None:
    """Deviation against the arch length, signed and by size."""
    lines = content.table("model_lines")
    names = [n for n in models if len(lines) and n in set(lines["model_name"])]
    if not names or not (lines["covariate"] == "path_mm").any():
        return
    document.heading(say("effects.effect_of_the_arch"))
    slopes = _arch_slopes(content, names)
    document.lead(
        say("effects.along_the_arch"),
        say("effects.errors_of_stitching"),
        " ".join(_slopes_shown(model, mine) for (model,), mine in groups(slopes, ["response"])),
    )
    _draw(document, content, "path_mm", names, name="effect-path")
    _slope_table(document, content, names)


def _draw(
    document: Document, content: ReportContent, column: str, models: list[str], *, name: str
) -> None:
    lines, classes = content.table("model_lines"), content.table("model_classes")
    if not len(lines):
        return
    fitted = lines[(lines["covariate"] == column) & lines["model_name"].isin(models)]
    if not len(fitted):
        return
    panels, points = [], []
    for model in dict.fromkeys(m for m in models if m in set(fitted["model_name"])):
        mine = fitted[fitted["model_name"] == model]
        response, factor = str(mine["response"].iloc[0]), str(mine["factor"].iloc[0])
        unit = unit_name(unit_of_response(response))
        sizes = log_base(plain_response(response)) is not None
        axis = words("effects.axes").get(column, variable_name(column))
        panels.append((model, axis, f"{response_label(response, size=True)} / {unit}", sizes))
        seen = content.table(
            "scan_deviations" if response.startswith("scan") else "pair_deviations"
        )
        plain = next((c for c in columns_of(plain_response(response)) if c in seen), "")
        if plain and column in seen:
            y = seen[plain].astype(float)
            level = seen[factor].astype(str) if factor in seen else ""
            points.append(
                pd.DataFrame(
                    {"x": seen[column].astype(float), "y": y.abs() if sizes else y}
                ).assign(panel=model, level=level)
            )
    shown = (
        classes[(classes["covariate"] == column) & classes["model_name"].isin(models)]
        if len(classes)
        else classes
    )
    means = pd.DataFrame(columns=["panel", "level", "x", "y"])
    if len(shown):
        means = shown.rename(
            columns={
                "model_name": "panel",
                "condition": "level",
                "value": "x",
                "observed_mean": "y",
            }
        )
    renamed = fitted.rename(columns={"model_name": "panel", "value": "x", "fitted": "y"})
    seen_as = list(
        dict.fromkeys(
            say("effects.every_scan") if "scan." in str(r) else say("effects.every_pair_of_every")
            for r in fitted["response"]
        )
    )
    if len(seen_as) == 2:
        seen_as = [f"{what} ({side})" for what, side in zip(seen_as, _SIDES, strict=True)]
    document.figure(
        name,
        effect_chart(
            pd.concat(points, ignore_index=True)
            if points
            else renamed[["panel", "level", "x", "y"]],
            renamed,
            means,
            pd.DataFrame(panels, columns=["panel", "x_axis", "y_axis", "sizes"]),
        ),
        caption=say(
            "effects.against_dots_large_marks",
            column=variable_name(column),
            seen_as=joined(seen_as),
            confidence_of=confidence_of(content),
            held_phrase=held_phrase(content, [str(m) for m, *_ in panels], skip=column),
        ),
        alt=say("effects.data_and_fitted_lines", column=variable_name(column))
        + "; ".join(_ends_of_line(fitted, m) for m in dict.fromkeys(fitted["model_name"]))
        + ".",
    )


def _ends_of_line(fitted: pd.DataFrame, model: str) -> str:
    mine = fitted[fitted["model_name"] == model]
    unit = unit_of_response(str(mine["response"].iloc[0]))
    parts = []
    for level, line in mine.groupby("level", sort=False):
        first, last = line.iloc[0], line.iloc[-1]
        parts.append(
            say(
                "effects.at_at",
                level=level,
                fitted=number(first.fitted, unit),
                value=first.value,
                fitted_2=number(last.fitted, unit),
                value_2=last.value,
            )
        )
    return f"{response_label(str(mine['response'].iloc[0]))}: {joined(parts)}"


def _effect_table(document: Document, content: ReportContent) -> None:
    table = content.table("model_effects")
    rows = flagged(
        table[table["kind"].isin(["average", "level"])] if len(table) else table, "applies"
    )
    if not len(rows):
        return
    shown = rows.sort_values("covariate", kind="stable")
    document.listed(
        "effects.effects_table",
        extended(
            shown,
            response=[_scoped(r) for r in rows_of(shown)],
            level=shown["level"].where(shown["level"] != "", "all"),
            size=[effect_size(r) for r in rows_of(shown)],
            p=shown["p"].where(shown["kind"] == "average", shown["p_holm"]),
        ),
        once=2,
        named={"df": _df},
        confidence_of=sure(confidence_of(content)),
    )


def _scoped(row: Any) -> str:
    """Response with its scope; that of a whole scan says so itself."""
    label, scope = response_label(str(row.response)), str(row.scope)
    return (
        label if scope == "as it comes" else f"{label}, {words('effects.scopes').get(scope, scope)}"
    )


def _arch_slopes(content: ReportContent, models: list[str]) -> pd.DataFrame:
    """Rows of table ``model_contrasts`` that are slopes against the arch length."""
    table = content.table("model_contrasts")
    if not len(table):
        return table
    own = (table["covariate"] == "path_mm") & (table["level_b"] == "")
    return table[own & table["model_name"].isin(models)]


def _slopes_shown(response: str, rows: pd.DataFrame) -> str:
    """Say for which conditions a slope against the arch length is shown."""
    shown = [
        f"{r.level_a or 'all'} ({_slope_cells(r)[0]})" for r in rows_of(flagged(rows, "shown"))
    ]
    label = response_label(response)
    if not shown:
        return say("effects.no_slope_shown", response=label)
    return say("effects.slope_shown", response=label, said=joined(shown))


def _slope_table(document: Document, content: ReportContent, models: list[str]) -> None:
    rows = _arch_slopes(content, models)
    if not len(rows):
        return
    slopes = [_slope_cells(s) for s in rows_of(rows)]
    document.listed(
        "effects.slopes_table",
        extended(rows, slope=[s[0] for s in slopes], ends=[s[1] for s in slopes]),
        once=1,
        wide=False,
        named={"response": response_label, "all": lambda level: str(level) or "all"},
        confidence_of=sure(confidence_of(content)),
    )


def _slope_cells(row: Any) -> list[Text]:
    if log_base(plain_response(str(row.response))) is not None:
        values = (row.ratio, row.ratio_low, row.ratio_high)
        texts = [number(v, "", decimals=3) for v in values]
        return [f"× {texts[0]}", say("list.range", low=texts[1], high=texts[2])]
    unit = unit_of_response(str(row.response))
    low, high = (
        number(v, "", signed=True, decimals=2 if unit == "um" else 4) for v in (row.low, row.high)
    )
    return [
        slope_said(row.estimate, unit) + choose("models.per", row.covariate),
        say("list.range", low=low, high=high),
    ]
