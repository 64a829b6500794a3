"""Page 1 of a comparison as a decision: what was asked, what was found, what that means."""

from __future__ import annotations

from typing import Any

import pandas as pd

from accstudy.figures.style import rows_of
from accstudy.models.decisions import log_base
from accstudy.reports.content import ReportContent
from accstudy.reports.covariates_held import held_phrase, held_point
from accstudy.reports.document import Document, Heading, Text, heads, strong_accent
from accstudy.reports.effects import effect_size, varies
from accstudy.reports.model_rows import (
    contrast_ends,
    is_true,
    level_contrasts,
    levels_of,
    margin_name,
    model_unit,
    response_label,
)
from accstudy.reports.report_rows import confidence_of
from accstudy.words.catalogue import say, words
from accstudy.words.numbers import NONE, joined, missing, sure, unit_name

__all__ = ["differences_table", "effects_table"]

_MOST = 6  # rows of a table on page 1; the rest stands in its chapter


def differences_table(document: Document, content: ReportContent, models: list[str]) -> None:
    """Every two conditions: difference of the mean, ratio of the sizes, what is shown."""
    table = content.table("model_contrasts")
    lead = level_contrasts(table, models[0]) if len(table) else table
    if not len(lead):
        return
    sizes = level_contrasts(table, models[1]) if len(models) > 1 else lead.iloc[:0]
    ratio_of = {levels_of(r): r for r in rows_of(sizes)}
    scatter = len(sizes) > 0 and str(sizes["response"].iloc[0]).startswith("spread(")
    response = str(lead["response"].iloc[0])
    unit, logs = model_unit(response), log_base(response) is not None
    cells: list[list[Text]] = []
    for row in rows_of(lead)[:_MOST]:
        a, b = levels_of(row)
        ratio = ratio_of.get((a, b))
        cells.append(
            [
                f"{a} – {b}",
                contrast_ends(row),
                *([_ratio(ratio)] if len(sizes) else []),
                _meaning(row, ratio, say("comparison.scatter_differs") if scatter else ""),
            ]
        )
    level, both = sure(confidence_of(content)), sure(2 * confidence_of(content) - 1)
    said = say("comparison.difference_of_the_mean", response=response_label(response))
    if logs:
        said = say("comparison.ratio_of_the_first", response=response_label(response))
    elif response == "pair.distance_um":
        said += say("comparison.minus_shorter_not_better")
    if len(sizes):
        said += say(
            "comparison.ratio_of_the",
            geometric_means_of_deviation="scatter"
            if scatter
            else say("comparison.geometric_means_of_deviation"),
        )
    said += say("comparison.intervals_level", level=level)
    if len(lead["margin"].dropna()):
        said += say("comparison.in_brackets_for_equivalence", both=both)
        said += margin_name(response, lead["margin"].dropna().iloc[0])
    more = (
        say("comparison.more_under_contrasts_2", lead=len(lead) - _MOST)
        if len(lead) > _MOST
        else ""
    )
    document.table(
        f"{said}{held_phrase(content, models[:2])}.{more}",
        [
            *heads("comparison.columns_between"),
            Heading(
                f"difference / {unit_name(unit)}" if unit and (not logs) else "ratio", "left", 1.5
            ),
            *(
                [Heading(f"ratio of {('scatter' if scatter else 'sizes')}", "left", 1.1)]
                if len(sizes)
                else []
            ),
            *heads("comparison.columns_shown"),
        ],
        cells,
    )


def _ratio(row: Any) -> Text:
    return NONE if row is None else contrast_ends(row)


def _meaning(row: Any, ratio: Any, scatter: str = "") -> Text:
    """What a contrast shows, and what the ratio of the sizes, or of the scatter, does."""
    differ = scatter or say("comparison.sizes_differ")
    sized = ratio is not None and is_true(ratio.shown)
    if is_true(row.shown):
        both = (
            say("comparison.means_differ", scatter=scatter)
            if scatter
            else say("comparison.means_and_sizes_differ")
        )
        said = both if sized else say("comparison.means_differ_2")
    elif missing(row.low):
        said = "nothing"
    elif not missing(row.margin) and is_true(row.equivalent):
        said = say("comparison.means_equivalent") + (f", {differ}" if sized else "")
    elif sized:
        said = differ
    else:
        said = (
            say("comparison.no_difference_shown_not")
            if missing(row.margin)
            else say("comparison.neither_difference_nor_equivalence")
        )
    return [strong_accent(said)] if sized or is_true(row.shown) or is_true(row.equivalent) else said


def effects_table(document: Document, content: ReportContent, lead: str) -> None:
    """What angulation and the number of implants do, at equal path and as it comes."""
    notes, table = content.table("model_effect_notes"), content.table("model_effects")
    if not len(notes):
        return
    own = table[table["model_name"] == lead] if len(table) else table
    response = str(own["response"].iloc[0]) if len(own) else "pair.distance_um"
    wanted = {"at equal path": response, "as it comes": "scan.worst_distance_um"}
    cells: list[list[Text]] = []
    for column in ("angulation_deg", "n_implants"):
        mine = notes[notes["covariate"] == column]
        if not len(mine) or int(mine["n_levels"].max()) < 2:
            continue
        found = {s: _effects(table, column, s, r) for s, r in wanted.items()}
        levels = list(dict.fromkeys(v for by in found.values() for v in by if v))
        for k, name in enumerate(levels or [""]):
            one: list[Text] = [words("effects.steps")[column] if k == 0 else "", name or "all"]
            for scope, by in found.items():
                said = by.get(name, "")
                if not by and k == 0:
                    said = _unsaid(mine[mine["scope"] == scope])
                elif "" in by and k == 0:
                    said = [say("comparison.all") if name else "", by[""]]
                one.append(said)
            cells.append(one)
    if not cells:
        return
    unit = unit_name(model_unit(response))
    level = sure(confidence_of(content))
    of = table[table["response"].isin(list(wanted.values()))] if len(table) else table
    models = list(of.drop_duplicates("response")["model_name"]) if len(of) else []
    points = {held_point(content, str(m)): str(m) for m in models}
    aside = [p for p, m in points.items() if p and held_point(content, lead) != p]
    held = say("comparison.at_aside", aside=joined(aside)) if aside else ""
    document.table(
        say(
            "comparison.effects_on_the_and",
            response=response_label(response),
            held=held,
            level=level,
        ),
        heads("comparison.columns_effect_of_condition_pair_at_equa", unit=unit),
        cells,
    )


def _unsaid(notes: pd.DataFrame) -> str:
    """Why an effect is not stated."""
    for note in rows_of(notes):
        if not is_true(note.stated):
            return say("comparison.not_estimable", why=note.why)
    return say("comparison.not_estimated_by_any")


def _effects(table: pd.DataFrame, column: str, scope: str, response: str) -> dict[str, Text]:
    """Effect of a covariate by level; a single one without a name where levels are alike."""
    if not len(table):
        return {}
    rows = table[
        (table["covariate"] == column) & (table["scope"] == scope) & (table["response"] == response)
    ]
    if not len(rows):
        return {}
    rows = rows[rows["model_name"] == rows["model_name"].iloc[0]]
    kind = "level" if varies(rows) else "average"
    alpha = 1 - float(rows["confidence"].iloc[0])
    out: dict[str, Text] = {}
    for row in rows_of(rows[rows["kind"] == kind]):
        p = row.p_holm if kind == "level" else row.p
        said = effect_size(row, unit=False)
        out[str(row.level) if kind == "level" else ""] = (
            [strong_accent(said)] if not missing(p) and float(p) < alpha else said
        )
    return out
