"""The comparison report: what differs, by how much, and how angulation and path act."""

from __future__ import annotations

from typing import Any

import pandas as pd

from accstudy.figures.models import means_chart
from accstudy.figures.style import rows_of
from accstudy.models.decisions import log_base
from accstudy.models.responses import unit_of_response
from accstudy.reports import accuracy
from accstudy.reports.accuracy import outlier_tests, paper_figures
from accstudy.reports.common import (
    between,
    confidence_of,
    flagged,
    has_between,
    holds_for,
    is_true,
    left_out,
    limits_of_use,
    words_section,
)
from accstudy.reports.document import (
    Attachment,
    Document,
    ReportContent,
    Text,
    extended,
    plain,
    strong_accent,
)
from accstudy.reports.effects import (
    acting_section,
    design_section,
    effect_size,
    fit_caution,
    inseparable_sentences,
    model_evidence,
    path_section,
    residual_caution,
    scatter_caution,
)
from accstudy.reports.methods import checklist, methods_section
from accstudy.reports.models import (
    at_ends,
    contrast_ends,
    contrast_sentences,
    contrasts_section,
    finding,
    held_phrase,
    held_point,
    level_contrasts,
    levels_of,
    margin_name,
    means_rows,
    model_of,
    operators_section,
    response_label,
    shown_interactions,
    shown_models,
    term_tests,
)
from accstudy.reports.record import latex_table, record_section, reference_section
from accstudy.reports.seating import largest_gap, misfits
from accstudy.reports.verdicts import (
    decision_table,
    leading,
    levels_table,
    verdict_sentence,
    verdicts_table,
)
from accstudy.words.catalogue import choose, say, words
from accstudy.words.names import capital, unit_name
from accstudy.words.numbers import NONE, interval, joined, quantity, sure


def comparison_report(content: ReportContent) -> tuple[list[Text], Document, Document]:
    """Build the comparison report."""
    first, rest = Document(), Document()
    lead, models = model_of(content, "lead"), shown_models(content)
    differences_table(first, content, models)
    effects_table(first, content, lead)
    decision_table(first, content, lead_only=True)
    if not leading(content):
        levels_table(first, content, brief=True)
    _means(first, content)
    holds_for(first, content)
    rest.new_page()
    contrasts_section(rest, content, lead)
    operators_section(rest, content)
    _by_itself(rest, content)
    design_section(rest, content)
    acting_section(rest, content)
    path_section(rest, content, models)
    model_evidence(rest, content, lead, models)
    outlier_tests(rest, content, most=8)
    accuracy.alignments(rest, content)
    misfits(rest, content)
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
    document.heading(say("comparison.results_by_condition"))
    document.listed(
        "comparison.summary_table",
        extended(rows, gap=[largest_gap(content, str(c)) for c in rows["condition"]]),
        shown=["between"] if has_between(content) else [],
        between=say("comparison.and_with_the_spread", name=between(content)[0])
        if has_between(content)
        else "",
        index=between(content)[1],
    )
    if leading(content):
        document.heading(say("validation.verdict_for_each_limit"))
        verdicts_table(document, content)


def _means(document: Document, content: ReportContent) -> None:
    rows = means_rows(content, shown_models(content))
    if not len(rows) or not len(shown := rows[rows["estimate"].notna() & rows["low"].notna()]):
        return
    said = "; ".join(
        f"{r.panel}, {r.level}: {quantity(r.estimate, r.unit)} "
        f"({interval(r.low, r.high, r.unit, signed=False)})"
        for r in rows_of(shown)
    )
    also = say("comparison.right_of_deviation") if model_of(content, "size") else ""
    document.figure(
        "means",
        means_chart(shown),
        caption=say("comparison.estimated_means_with_their", also=also),
        alt=say("comparison.dots_with_intervals", said=said),
    )


_LATEX = {
    "models.contrasts_table": "contrasts",
    "models.means_table": "means",
    "models.tests_table": "tests",
    "accuracy.papers_table": "trueness",
}


def latex_attachments(document: Document) -> list[Attachment]:
    """The printed tables of a report as LaTeX."""
    found: list[Attachment] = []
    for block in document.blocks:
        name = _LATEX.get(block.get("key", ""))
        if name is not None:
            titles = [plain(c["title"]) for c in block["columns"]]
            rows = [[plain(cell) for cell in row] for row in block["rows"]]
            data = latex_table(plain(block["caption"]), titles, rows, label=f"tab:{name}")
            what = say("comparison.table_of_for_a", name=name)
            found.append(Attachment(f"{name}.tex", data, "application/x-tex", what))
    return found


_MOST = 6  # rows of a table on page 1; the rest stands in its chapter


def differences_table(document: Document, content: ReportContent, models: list[str]) -> None:
    """Every two conditions: difference of the mean, ratio of the sizes, what is shown."""
    table = content.table("model_contrasts")
    lead = level_contrasts(table, models[0]) if len(table) and models else table
    if not len(lead):
        return
    sizes = level_contrasts(table, models[1]) if len(models) > 1 else lead.iloc[:0]
    ratio_of = {levels_of(r): r for r in rows_of(sizes)}
    kind = "scatter" if model_of(content, "scatter") in models[1:] else "sizes"
    response = str(lead["response"].iloc[0])
    unit, logs = unit_of_response(response), log_base(response) is not None
    shown = lead.head(_MOST)
    pairs = [(r, ratio_of.get(levels_of(r))) for r in rows_of(shown)]
    margin = lead["margin"].dropna()
    both = sure(lead["equivalence_confidence"].iloc[0])
    document.listed(
        "comparison.differences_table",
        extended(
            shown,
            name=[" – ".join(levels_of(r)) for r, _ in pairs],
            ends=[contrast_ends(r) for r, _ in pairs],
            ratio_ends=[NONE if of is None else contrast_ends(of) for _, of in pairs],
            meaning=[_meaning(r, of, kind) for r, of in pairs],
        ),
        shown=[
            *(["plain"] if unit and not logs else ["logs"]),
            *(["sizes"] if len(sizes) else []),
        ],
        what=choose(
            "comparison.of", "logs" if logs else "plain", response=response_label(response)
        ),
        shorter=say("comparison.minus_shorter_not_better") * (response == "pair.distance_um"),
        sizes=words("comparison.ratios")[kind] if len(sizes) else "",
        kind=kind,
        level=sure(confidence_of(content)),
        equivalence=say(
            "comparison.in_brackets_for_equivalence",
            both=both,
            margin=margin_name(response, margin.iloc[0]),
        )
        if len(margin)
        else "",
        held=held_phrase(content, models[:2]),
        more=say("comparison.more_under_contrasts", lead=len(lead) - _MOST)
        if len(lead) > _MOST
        else "",
        unit=unit_name(unit),
    )


def _meaning(row: Any, ratio: Any, kind: str) -> Text:
    """What a contrast shows, and what the ratio of the sizes, or of the scatter, does."""
    sized = ratio is not None and is_true(ratio.shown)
    key = f"{finding(row)} and more" if sized else finding(row)
    said = choose("comparison.meaning", key, differ=words("comparison.differ")[kind])
    accent = sized or is_true(row.shown) or is_true(row.equivalent)
    return [strong_accent(said)] if accent else said


def effects_table(document: Document, content: ReportContent, lead: str) -> None:
    """What angulation and the number of implants do, at equal path and as it comes."""
    notes, table = content.table("model_effect_notes"), content.table("model_effects")
    if not len(notes):
        return
    own = table[table["model_name"] == lead] if len(table) else table
    response = str(own["response"].iloc[0]) if len(own) else "pair.distance_um"
    wanted = {"at equal path": response, "as it comes": "scan.worst_distance_um"}
    of = table[table["response"].isin(list(wanted.values()))] if len(table) else table
    cells: list[list[Text]] = []
    for column in ("angulation_deg", "n_implants"):
        mine = notes[notes["covariate"] == column]
        found = {scope: _by_level(of, column, scope, r) for scope, r in wanted.items()}
        levels = dict.fromkeys(v for by in found.values() for v in by)
        for level in (levels or [""]) if (mine["n_levels"] > 1).any() else ():
            effects = [
                by[level] if level in by else NONE if by else _unsaid(mine, scope)
                for scope, by in found.items()
            ]
            cells.append([words("effects.steps")[column], level or "all", *effects])
    if not cells:
        return
    models = list(of.drop_duplicates("response")["model_name"]) if len(of) else []
    aside = {p for m in models if (p := held_point(content, str(m)))} - {held_point(content, lead)}
    document.listed(
        "comparison.effects_table",
        cells,
        once=1,
        response=response_label(response),
        held=say("comparison.at_aside", aside=joined(sorted(aside))) if aside else "",
        level=sure(confidence_of(content)),
        unit=unit_name(unit_of_response(response)),
    )


def _unsaid(notes: pd.DataFrame, scope: str) -> str:
    """Why an effect is not stated."""
    for note in rows_of(notes[(notes["scope"] == scope) & ~notes["stated"].fillna(False)]):
        return say("comparison.not_estimable", note)
    return say("comparison.not_estimated_by_any")


def _by_level(table: pd.DataFrame, column: str, scope: str, response: str) -> dict[str, Text]:
    """Effect of a covariate by level; a single one without a name where levels are alike."""
    rows = flagged(table, "applies")
    if not len(rows):
        return {}
    rows = rows[(rows["covariate"] == column) & (rows["scope"] == scope)]
    rows = rows[rows["response"] == response].drop_duplicates("level")
    return {
        r.level: [strong_accent(t)] if is_true(r.shown) else t
            for r in rows_of(rows) if (t := effect_size(r, unit=False))}  # fmt: skip


_ON_FIRST_PAGE = 3


def answer(content: ReportContent, lead: str) -> list[Text]:
    """Say which condition is farther off, what differs with its sign, and the verdicts."""
    table = content.table("model_contrasts")
    if not len(table) or not len(level_contrasts(table, lead)):
        return [say("comparison.the_study_has_no"), verdict_sentence(content)]
    size = model_of(content, "size")
    sizes = _sizes(content, lead, size) if size else []
    said = sizes or contrast_sentences(content, lead)
    ends = (size and at_ends(content, size, most=1)) or at_ends(content, lead, most=1)
    means = _means_differ(content, lead) if sizes else []
    if means and ends:  # in one paragraph
        ends = [[*means, " ", *(ends[0] if isinstance(ends[0], list) else ends[:1])], *ends[1:]]
    else:
        said = [*said, *means]
    said = [*said, *ends]
    return [*said, *_cautions(content, lead)]


def _sizes(content: ReportContent, lead: str, model: str) -> list[Text]:
    """Say how much less one condition deviates than another, sign aside."""
    table, fits = content.table("model_contrasts"), content.table("model_fits")
    rows = level_contrasts(table, model)
    if not len(rows):
        return []
    column = str(fits.loc[fits["model_name"] == lead, "response"].iloc[0]).rpartition(".")[2]
    what = words("comparison.deviate").get(column, "results")
    rows = rows[rows["low"].notna()]
    if not len(rows):
        return [say("comparison.too_few", what=say("comparison.the_sizes_of", what=what))]
    shown = rows_of(flagged(rows, "shown"))
    if not shown:
        alone = [
            say("comparison.and_times", r, a=a, b=b)
            for r in rows_of(rows)[:_ON_FIRST_PAGE]
            for a, b in [levels_of(r)]
        ]
        return [say("comparison.no_difference_in_size", alone=joined(alone, last="or"))]
    runs: list[Any] = [say("comparison.the_typical_deviation", what=what)]
    for k, row in enumerate(shown[:_ON_FIRST_PAGE]):
        a, b = levels_of(row)
        runs += [", " if k else "", say("comparison.with_level", a=a)]
        runs += [strong_accent(say("comparison.times", row)), say("comparison.that_of", row, b=b)]
    more = len(rows) > _ON_FIRST_PAGE
    runs.append(
        say(
            "comparison.intervals",
            level=confidence_of(content),
            tilt=_tilt(content, model),
            more=say("comparison.more_under_contrasts_2") if more else "",
        )
    )
    return [runs]


def _means_differ(content: ReportContent, lead: str) -> list[Text]:
    """Say by how much the means differ where that is shown, in the unit of the response."""
    rows = level_contrasts(content.table("model_contrasts"), lead)
    shown = rows_of(flagged(rows, "shown"))[:_ON_FIRST_PAGE]
    if not shown or log_base(shown[0].response) is not None:
        return []
    said = [
        choose("comparison.minus", unit_of_response(r.response), r, a=a, b=b)
        for r in shown
        for a, b in [levels_of(r)]
    ]
    return [say("comparison.mean_deviations", said=", ".join(said))]


def _tilt(content: ReportContent, model: str) -> str:
    """Where a ratio holds, by the covariates with which it is shown to change."""
    changing = {r.covariate for r in shown_interactions(content.table("model_contrasts"), model)}
    point = held_point(content, model, only=changing)
    return say("comparison.at_point", point=point) if point else ""


def _cautions(content: ReportContent, lead: str) -> list[Text]:
    """All cautions in one paragraph."""
    apart = inseparable_sentences(content)
    said = [f"{'; '.join(apart)}."] if apart else []
    said += [*scatter_caution(content, lead), *fit_caution(content, lead)]
    for model in shown_models(content):
        said += residual_caution(content, model)
    said = [said[0], *map(capital, said[1:])] if said else []
    return [say("comparison.caution_said", said=" ".join(said))] if said else []
