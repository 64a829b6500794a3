"""Effects of covariates, the design, and the checks of the models behind them."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from accstudy.figures.models import effect_chart, residual_page
from accstudy.figures.style import rows_of
from accstudy.models.decisions import log_base
from accstudy.models.formula import columns_of
from accstudy.models.responses import plain_response
from accstudy.reports.common import confidence_of, groups, slug
from accstudy.reports.document import (
    Document,
    Heading,
    ReportContent,
    Text,
    extended,
    heads,
    strong_accent,
)
from accstudy.reports.models import (
    contrast_name,
    ends_said,
    held_phrase,
    is_true,
    level_contrasts,
    model_unit,
    ratio_said,
    response_label,
)
from accstudy.words.catalogue import say, words
from accstudy.words.names import variable_name
from accstudy.words.numbers import NONE, joined, number, p_said, quantity, sure, unit_name

__all__ = [
    "acting_section",
    "design_section",
    "effect_sentence",
    "effect_size",
    "factor_name",
    "fit_caution",
    "influence_section",
    "inseparable_sentences",
    "lack_of_fit_section",
    "named_levels",
    "path_section",
    "residual_caution",
    "residual_checks",
    "scatter_caution",
    "shown_models",
    "unequal_scatter",
    "varies",
]


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
        _model_table(document, models)


def _paragraphs(content: ReportContent, column: str) -> list[Text]:
    notes = content.table("model_effect_notes")
    mine = notes[notes["covariate"] == column]
    said: list[Text] = []
    for note in rows_of(mine):
        rows = _rows(content, column, note.scope)
        scope = words("effects.scopes").get(note.scope, note.scope).capitalize()
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
            contrasts = _of_models(content, note.scope)
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
    whole = rows[rows["kind"] == "average"].iloc[0]
    label = response_label(str(whole["response"]))
    if varies(rows):
        each = rows[rows["kind"] == "level"]
        runs: list[Any] = []
        for k, r in enumerate(rows_of(each)):
            said = f"{r.level} {effect_size(r)}"
            runs.append("" if k == 0 else say("effects.and") if k == len(each) - 1 else ", ")
            runs.append(strong_accent(said) if is_true(r.shown) else said)
        factor = variable_name(str(whole["factor"]))
        return [f"{label}, ", *runs, say("effects.depends_on", whole, factor=factor)]
    shown = is_true(whole["shown"])
    return [
        f"{label}, ",
        strong_accent(effect_size(whole)) if shown else effect_size(whole),
        say("effects.df_df_p", df=_df(whole["df"]), p=whole["p"])
        + ("" if shown else say("effects.no_effect_shown")),
    ]


def varies(rows: pd.DataFrame) -> bool:
    """Whether the effect in rows of ``model_effects`` is shown to differ between levels."""
    return is_true(rows["interaction_shown"].iloc[0]) and bool((rows["kind"] == "level").any())


def effect_size(row: Any, *, unit: bool = True) -> str:
    """Effect with its interval, as a ratio for log responses; with its unit if wanted."""
    if log_base(plain_response(str(row.response))) is not None:
        return f"× {ratio_said(row)}"
    of = model_unit(str(row.response))
    gap = "" if of == "deg" else "\u00a0"
    value = number(row.estimate, of, signed=True) + (f"{gap}{unit_name(of)}" if unit else "")
    return f"{value} ({ends_said(row.low, row.high, of)})"


def _df(value: Any) -> str:
    return number(value, "", decimals=0 if float(value) >= 9.95 else 1)


def _of_models(content: ReportContent, scope: str) -> str:
    """Differences of the models themselves, for the leading response of a scope."""
    table = content.table("model_effects")
    if not len(table):
        return ""
    kind = "scan." if scope == "as it comes" else "pair."
    mine = table[(table["scope"] == "of these models") & table["response"].str.contains(kind)]
    if not len(mine):
        return ""
    first = mine[mine["response"] == mine["response"].iloc[0]]
    label = response_label(str(first["response"].iloc[0]))
    parts = [
        say("effects.minus_level_a_level_b", r, effect_size=effect_size(r)) for r in rows_of(first)
    ]
    return f"{label}, {joined(parts)}"


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
    document.lead(say("effects.along_the_arch"), say("effects.errors_of_stitching"))
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
        unit = unit_name(model_unit(response))
        sizes = log_base(plain_response(response)) is not None
        label = response_label(response)
        if sizes and "spread(" not in response:  # dots are sizes, lines their geometric means
            label = f"|{response_label(response.removeprefix('log(abs(').rstrip(')'))}|"
        panels.append(
            (
                model,
                words("effects.axes").get(column, variable_name(column)),
                f"{label} / {unit}",
                sizes,
            )
        )
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
    unit = model_unit(str(mine["response"].iloc[0]))
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
    rows = table[table["kind"].isin(["average", "level"])] if len(table) else table
    if not len(rows):
        return
    keep: list[pd.DataFrame] = []
    for _, mine in rows.groupby(["covariate", "model_name"], sort=False):
        keep.append(mine if varies(mine) else mine[mine["kind"] == "average"])
    keep.sort(key=lambda mine: str(mine["covariate"].iloc[0]))
    shown = pd.concat(keep)
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


def _model_table(document: Document, models: pd.DataFrame) -> None:
    document.listed("effects.scanned_table", models, wide=False)


def _slope_table(document: Document, content: ReportContent, models: list[str]) -> None:
    table = content.table("model_contrasts")
    rows = table[
        (table["covariate"] == "path_mm")
        & (table["level_b"] == "")
        & table["model_name"].isin(models)
    ]
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
    values = (row.estimate, row.low, row.high)
    unit = model_unit(str(row.response))
    texts = [number(v, "", signed=True, decimals=2 if unit == "um" else 4) for v in values]
    return [
        f"{texts[0]}\u00a0{unit_name(unit)}/mm",
        say("effects.to_texts_texts_2", texts=texts[1], texts_2=texts[2]),
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
            *(Heading(named_levels(factor_name(across), [c]), "center", 1) for c in columns),
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


_MOST_NAMED = 8  # levels of two factors


def shown_models(means: pd.DataFrame, lead: str) -> list[str]:
    """Name the leading model, and one on the size of the same response if there is one."""
    column = str(means.loc[means["model_name"] == lead, "response"].iloc[0])
    for row in rows_of(means.drop_duplicates("model_name")):
        size = log_base(row.response) and "spread(" not in row.response
        if row.model_name != lead and column in row.response and size:
            return [lead, str(row.model_name)]
    return [lead]


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
