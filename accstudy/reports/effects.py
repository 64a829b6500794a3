"""Effects of angulation, implant count and arch length: in sentences, tables and figures."""

from __future__ import annotations

from typing import Any

import pandas as pd

from accstudy.figures.models import effect_chart
from accstudy.figures.style import rows_of
from accstudy.models.decisions import log_base
from accstudy.models.formula import columns_of
from accstudy.models.responses import plain_response, unit_of_response
from accstudy.reports.common import confidence_of, flagged, groups, is_true
from accstudy.reports.document import Document, ReportContent, Text, extended, strong_accent
from accstudy.reports.models import (
    ends_said,
    held_phrase,
    ratio_said,
    response_label,
    slope_said,
)
from accstudy.words.catalogue import choose, say, words
from accstudy.words.names import capital, unit_name, variable_name
from accstudy.words.numbers import joined, number, sized, sure

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
