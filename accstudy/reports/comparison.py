"""The comparison report: what differs, by how much, and how angulation and path act."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import pandas as pd

from accstudy.figures.models import means_chart
from accstudy.figures.style import rows_of
from accstudy.models.decisions import log_base
from accstudy.reports import accuracy
from accstudy.reports.accuracy import outlier_tests, paper_figures
from accstudy.reports.common import (
    between,
    confidence_of,
    holds_for,
    left_out,
    limits_of_use,
    slug,
    words_section,
)
from accstudy.reports.document import (
    Attachment,
    Document,
    Heading,
    ReportContent,
    Text,
    extended,
    heads,
    plain,
    strong_accent,
)
from accstudy.reports.effects import (
    acting_section,
    design_section,
    effect_size,
    fit_caution,
    influence_section,
    inseparable_sentences,
    lack_of_fit_section,
    path_section,
    residual_caution,
    residual_checks,
    scatter_caution,
    shown_models,
    unequal_scatter,
    varies,
)
from accstudy.reports.methods import checklist, methods_section
from accstudy.reports.models import (
    at_ends,
    contrast_ends,
    contrast_sentence,
    contrasts_section,
    contrasts_sentence,
    fits_section,
    held_phrase,
    held_point,
    is_true,
    lead_model,
    level_contrasts,
    levels_of,
    margin_name,
    means_rows,
    means_table,
    model_unit,
    operators_section,
    response_label,
    scatter,
    shown_interactions,
    term_tests,
)
from accstudy.reports.record import latex_table, record_section, reference_section
from accstudy.reports.seating import largest_gap, misfit
from accstudy.reports.verdicts import (
    decision_table,
    leading,
    levels_table,
    verdict_sentence,
    verdict_table,
)
from accstudy.words.catalogue import say, words
from accstudy.words.numbers import (
    NONE,
    interval,
    joined,
    missing,
    number,
    quantity,
    sure,
    unit_name,
)

__all__ = [
    "answer",
    "comparison_report",
    "differences_table",
    "effects_table",
    "latex_attachments",
    "size_sentences",
]


def comparison_report(content: ReportContent) -> tuple[list[Text], Document, Document]:
    """Build the comparison report."""
    first, rest = Document(), Document()
    means = content.table("model_means")
    lead = lead_model(means)
    models = shown_models(means, lead) if len(means) else [lead]
    differences_table(first, content, models)
    effects_table(first, content, lead)
    decision_table(first, content, lead_only=True)
    if not leading(content):
        levels_table(first, content, brief=True)
    _means(first, content, lead)
    holds_for(first, content)
    rest.new_page()
    contrasts_section(rest, content, lead)
    operators_section(rest, content)
    _by_itself(rest, content)
    design_section(rest, content)
    acting_section(rest, content)
    path_section(rest, content, models)
    means_table(rest, content)
    scatter(rest, content, models)
    fits_section(rest, content, models)
    for model in models:
        residual_checks(rest, content, model, first=model == lead)
    influence_section(rest, content, lead)
    lack_of_fit_section(rest, content, models)
    unequal_scatter(rest, content, lead)
    outlier_tests(rest, content, most=8)
    accuracy.alignments(rest, content)
    if content.has("seating"):
        rest.heading(say("comparison.predicted_seating_of_a"))
        misfit(rest, content)
    term_tests(rest, content)
    paper_figures(rest, content)
    checklist(rest, content)
    reference_section(rest, content)
    left_out(rest, content)
    words_section(rest, content)
    methods_section(rest, content)
    limits_of_use(rest, content)
    record_section(rest, content)
    return answer(content, lead), first, rest


def _by_itself(document: Document, content: ReportContent) -> None:
    """What every condition does against the reference, a row a condition."""
    rows = content.table("condition_summary")
    if not len(rows):
        return
    index = between(content)[1]
    document.heading(say("comparison.results_by_condition"))
    document.listed(
        "comparison.summary_table",
        extended(rows, gap=[largest_gap(content, str(c)) for c in rows["condition"]]),
        between=between(content)[0],
        index=index,
    )
    verdict_table(document, content, but_leading=True)


def _means(document: Document, content: ReportContent, lead: str) -> None:
    means = content.table("model_means")
    if not len(means):
        return
    models = shown_models(means, lead)
    rows = means_rows(means, models)
    shown = rows[rows["estimate"].notna() & rows["low"].notna()]
    if not len(shown):
        return
    said = "; ".join(
        f"{r.panel}, {r.level}: {quantity(r.estimate, r.unit)} "
        f"({interval(r.low, r.high, r.unit, signed=False)})"
        for r in rows_of(shown)
    )
    also = say("comparison.right_of_deviation") if len(models) > 1 else ""
    document.figure(
        "means",
        means_chart(shown),
        caption=say("comparison.estimated_means_with_their", also=also),
        alt=say("comparison.dots_with_intervals", said=said),
    )


def latex_attachments(document: Document) -> list[Attachment]:
    """The printed tables of a report as LaTeX."""
    wanted = {
        "Contrasts": "contrasts",
        "Estimated means": "means",
        "F tests": "tests",
        "Trueness and precision as commonly reported": "trueness",
    }
    found: list[Attachment] = []
    for block in document.blocks:
        if block["type"] != "table":
            continue
        caption = plain(block["caption"])
        for start, name in wanted.items():
            if caption.startswith(start):
                titles = [plain(c["title"]) for c in block["columns"]]
                rows = [[plain(cell) for cell in row] for row in block["rows"]]
                before = sum(a.name.startswith(name) for a in found)
                file = f"{name}_{before + 1}" if before else name
                data = latex_table(caption, titles, rows, label=f"tab:{slug(file)}")
                what = say("comparison.table_of_for_a", name=name)
                found.append(Attachment(f"{file}.tex", data, "application/x-tex", what))
    return found


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
    level, both = sure(confidence_of(content)), sure(lead["equivalence_confidence"].iloc[0])
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
    document.listed(
        "comparison.effects_table",
        cells,
        response=response_label(response),
        held=held,
        level=level,
        unit=unit,
    )


def _unsaid(notes: pd.DataFrame) -> str:
    """Why an effect is not stated."""
    for note in rows_of(notes):
        if not is_true(note.stated):
            return say("comparison.not_estimable", note)
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
    out: dict[str, Text] = {}
    for row in rows_of(rows[rows["kind"] == kind]):
        said = effect_size(row, unit=False)
        out[str(row.level) if kind == "level" else ""] = (
            [strong_accent(said)] if is_true(row.shown) else said
        )
    return out


_ON_FIRST_PAGE = 3

_NEAR = 0.08  # relative distance from a share up to which "about" is said


def answer(content: ReportContent, lead: str) -> list[Text]:
    """Say which condition is farther off, what differs with its sign, and the verdicts."""
    table = content.table("model_contrasts")
    rows = level_contrasts(table, lead) if len(table) else table
    if not len(rows):
        return [say("comparison.the_study_has_no"), verdict_sentence(content)]
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


def _cautions(content: ReportContent, lead: str) -> list[Text]:
    """All cautions in one paragraph."""
    apart = inseparable_sentences(content)
    said = [f"{'; '.join(apart)}."] if apart else []
    said += [*scatter_caution(content, lead), *fit_caution(content, lead)]
    for model in shown_models(content.table("model_means"), lead):
        said += residual_caution(content, model)
    said = [said[0], *(f"{s[0].upper()}{s[1:]}" for s in said[1:])] if said else []
    return [say("comparison.caution_said", said=" ".join(said))] if said else []
