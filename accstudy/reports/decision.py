"""Page 1 of a comparison as a decision: what was asked, what was found, what that means."""

from __future__ import annotations

from typing import Any

import pandas as pd

from accstudy.figures.style import rows_of
from accstudy.models.decisions import log_base
from accstudy.reports.content import ReportContent
from accstudy.reports.covariates_held import held_phrase, held_point
from accstudy.reports.document import Document, Heading, Text, strong_accent
from accstudy.reports.effects import STEPS, effect_size, varies
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
from accstudy.words.numbers import NONE, joined, missing, sure, unit_name

__all__ = ["differences_table", "effects_table"]

_MOST = 6  # rows of a table on page 1; the rest stands in its chapter


def differences_table(document: Document, content: ReportContent, models: list[str]) -> None:
    """Every two conditions: difference of the mean, ratio of the sizes, what is shown.

    Parameters
    ----------
    document : Document
        Gets the table; nothing where no model compares conditions.
    content : ReportContent
        Tables ``model_contrasts`` and ``model_covariates``.
    models : list of str
        The leading model and, where there is one, that of the size of its response.
    """
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
        cells.append([f"{a} – {b}", contrast_ends(row), *([_ratio(ratio)] if len(sizes) else []),
                      _meaning(row, ratio, "scatter differs" if scatter else "")])  # fmt: skip
    level, both = sure(confidence_of(content)), sure(2 * confidence_of(content) - 1)
    said = f"Difference of the mean {response_label(response)}, first minus second"
    if logs:
        said = f"Ratio of the {response_label(response)}, first over second"
    elif response == "pair.distance_um":
        said += " (minus: shorter, not better)"
    if len(sizes):
        said += f"; ratio of the {'scatter' if scatter else 'geometric means of |deviation|'}"
    said += f"; {level} intervals"
    if len(lead["margin"].dropna()):
        said += f", in brackets {both}, for equivalence within "
        said += margin_name(response, lead["margin"].dropna().iloc[0])
    more = f" {len(lead) - _MOST} more under Contrasts." if len(lead) > _MOST else ""
    document.table(
        f"{said}{held_phrase(content, models[:2])}.{more}",
        [
            Heading("between", "left", 1.4),
            Heading(
                f"difference / {unit_name(unit)}" if unit and not logs else "ratio", "left", 1.5
            ),
            *(
                [Heading(f"ratio of {'scatter' if scatter else 'sizes'}", "left", 1.1)]
                if len(sizes)
                else []
            ),
            Heading("shown", "left", 1.6),
        ],
        cells,
    )


def _ratio(row: Any) -> Text:
    return NONE if row is None else contrast_ends(row)


def _meaning(row: Any, ratio: Any, scatter: str = "") -> Text:
    """What a contrast shows, and what the ratio of the sizes, or of the scatter, does."""
    differ = scatter or "sizes differ"
    sized = ratio is not None and is_true(ratio.shown)
    if is_true(row.shown):
        both = f"means differ, {scatter}" if scatter else "means and sizes differ"
        said = both if sized else "means differ"
    elif missing(row.low):
        said = "nothing"
    elif not missing(row.margin) and is_true(row.equivalent):
        said = "means equivalent" + (f", {differ}" if sized else "")
    elif sized:
        said = differ
    else:
        said = (
            "no difference shown; not equivalence"
            if missing(row.margin)
            else "neither difference nor equivalence"
        )
    return [strong_accent(said)] if sized or is_true(row.shown) or is_true(row.equivalent) else said


def effects_table(document: Document, content: ReportContent, lead: str) -> None:
    """What angulation and the number of implants do, at equal path and as it comes.

    Parameters
    ----------
    document : Document
        Gets the table; nothing where neither varies.
    content : ReportContent
        Tables ``model_effects`` and ``model_effect_notes``.
    lead : str
        The leading model.
    """
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
            one: list[Text] = [STEPS[column] if k == 0 else "", name or "all"]
            for scope, by in found.items():
                said = by.get(name, "")
                if not by and k == 0:
                    said = _unsaid(mine[mine["scope"] == scope])
                elif "" in by and k == 0:
                    said = ["all: " if name else "", by[""]]
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
    held = f" (at {joined(aside)})" if aside else ""
    document.table(
        f"Effects on the {response_label(response)} and on the worst distance of a scan{held}, "
        f"{level} intervals; by condition where they differ. Coloured: shown.",
        [
            Heading("effect of", "left", 1.4),
            Heading("condition", "left", 1.0),
            Heading(f"pair, at equal arch length / {unit}", "left", 1.6),
            Heading("whole scan, worst pair / µm", "left", 1.5),
        ],
        cells,
    )


def _unsaid(notes: pd.DataFrame) -> str:
    """Why an effect is not stated."""
    for note in rows_of(notes):
        if not is_true(note.stated):
            return f"not estimable: {note.why}"
    return "not estimated by any model"


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
