"""The comparison report: do conditions differ, and how do angulation and path act?"""

from __future__ import annotations

from typing import Any

import pandas as pd

from accstudy.figures.models import means_chart
from accstudy.figures.style import rows_of
from accstudy.models.means import log_base
from accstudy.reports import evidence
from accstudy.reports.checklist import checklist
from accstudy.reports.content import ReportContent
from accstudy.reports.document import Attachment, Document, Heading, Text, plain, symbol
from accstudy.reports.latex import latex_table
from accstudy.reports.misfit import misfit
from accstudy.reports.model_evidence import (
    contrasts_section,
    effects,
    means_table,
    residual_checks,
    scatter,
    term_tests,
)
from accstudy.reports.modelled import (
    contrast_sentence,
    contrasts_sentence,
    lead_model,
    level_contrasts,
    means_rows,
    range_sentence,
    shown_interactions,
)
from accstudy.reports.recorded import record_section
from accstudy.reports.select import (
    TOGETHER,
    between,
    groups,
    limit_of,
    own_limits,
    pair_rows,
    slug,
)
from accstudy.reports.sentences import condition_name, range_phrase
from accstudy.reports.shared import (
    holds_for,
    left_out,
    limits_of_use,
    methods_section,
    words_section,
)
from accstudy.reports.tabulated import outlier_tests
from accstudy.reports.validation import answer as validation_answer
from accstudy.reports.wording import (
    NONE,
    count,
    interval,
    joined,
    missing,
    number,
    quantity,
)

__all__ = ["comparison_report", "latex_attachments"]

_ON_FIRST_PAGE = 3


def comparison_report(content: ReportContent) -> tuple[list[Text], Document, Document]:
    """Build the comparison report.

    Parameters
    ----------
    content : ReportContent
        Finished tables; those that are absent leave their section out.

    Returns
    -------
    answer : list of Text
        The question answered, a sentence a contrast.
    first : Document
        Rest of page 1.
    rest : Document
        Evidence, checklist, losses, methods, limits, record.
    """
    first, rest = Document(), Document()
    means = content.table("model_means")
    lead = lead_model(means)
    _means(first, content, lead)
    holds_for(first, content)
    rest.new_page()
    contrasts_section(rest, content, lead)
    _by_itself(rest, content)
    effects(rest, content, lead)
    means_table(rest, content)
    scatter(rest, content, lead)
    residual_checks(rest, content, lead)
    outlier_tests(rest, content, most=8)
    evidence.alignments(rest, content)
    if content.has("seating"):
        rest.heading("How a rigid framework would seat")
        misfit(rest, content)
    term_tests(rest, content)
    checklist(rest, content)
    left_out(rest, content)
    words_section(rest, content)
    methods_section(rest, content)
    limits_of_use(rest, content)
    record_section(rest, content)
    return answer(content, lead), first, rest


def answer(content: ReportContent, lead: str) -> list[Text]:
    """Sentences of page 1: the contrasts of the leading model."""
    table = content.table("model_contrasts")
    rows = level_contrasts(table, lead) if len(table) else table
    if not len(rows):
        return [
            "The study has no model that compares conditions. What a single one does:",
            *validation_answer(content)[:1],
        ]
    plain_ = log_base(str(rows["response"].iloc[0])) is None
    said: list[Text] = (
        [contrasts_sentence(rows_of(rows))]
        if plain_ and len(rows) > 1
        else [contrast_sentence(r) for r in rows_of(rows)[:_ON_FIRST_PAGE]]
    )
    at = _mean_case(content.table("model_means"), lead)
    case = f"at {at}" if at else "over all cases"
    distance = str(rows["response"].iloc[0]) == "pair.distance_um"
    differ = shown_interactions(table, lead)
    ends = [t for t in (_ends(content, r, lead) for r in differ[:1]) if t]
    said_ends = "; ".join(ends)
    left = len(differ) - len(ends)
    more = f"; {count(left, 'more difference')} of slopes on later pages" if left else ""
    said.append(
        f"A minus means shorter distances, not smaller errors; the means hold {case or 'as said'}."
        if distance
        else f"These means hold {case}."
    )
    if said_ends:
        said.append(f"{said_ends[0].upper()}{said_ends[1:]}{more}.")
    said += _sizes(content, lead)
    said += _warned(content, lead)
    return said


def _mean_case(means: pd.DataFrame, lead: str) -> str:
    """Where the covariates are held, in words; empty without any."""
    mine = means[means["model_name"] == lead] if len(means) else means
    return _held(str(mine["at"].iloc[0])).removeprefix(", held at ") if len(mine) else ""


def _ends(content: ReportContent, row: Any, lead: str) -> str:
    means, pairs = content.table("model_means"), content.table("pair_deviations")
    mine = means[means["model_name"] == lead] if len(means) else means
    if not len(mine) or row.covariate not in pairs:
        return ""
    seen = pairs[row.covariate]
    return range_sentence(
        row,
        content.table("model_contrasts"),
        str(mine["at"].iloc[0]),
        (float(seen.min()), float(seen.max())),
    )


def _sizes(content: ReportContent, lead: str) -> list[str]:
    """Shown ratios of typical sizes: which condition is farther off, sign aside."""
    means, table = content.table("model_means"), content.table("model_contrasts")
    models = _shown_models(means, lead) if len(means) else [lead]
    if len(models) < 2:
        return []
    rows = level_contrasts(table, models[1])
    parts = [
        f"{a} {number(r.ratio, '', decimals=2)} times {b}"
        for r in rows_of(rows[rows["p_holm"] < 0.05])[:_ON_FIRST_PAGE]
        for a, _, b in [str(r.contrast).partition(" - ")]
    ]
    return [f"Typical size of the deviation, sign aside: {'; '.join(parts)}."] if parts else []


def _warned(content: ReportContent, lead: str) -> list[str]:
    """Warnings about the scatter of the leading model."""
    findings = content.table("findings")
    if not len(findings):
        return []
    mine = findings[
        (findings["severity"] == "warning")
        & findings["what"].str.startswith("the scatter of the residuals depends on")
        & (findings["where"] == f'model "{lead}"')
    ]
    found = mine["what"].str.extract(r"depends on (\S+) \(largest over smallest ([\d.]+)").dropna()
    return [
        f"Caution: scatter differs between levels of {name} by up to {ratio} times, which the "
        "model does not allow for."
        for name, ratio in found.itertuples(index=False)
    ]


def _by_itself(document: Document, content: ReportContent) -> None:
    """What every condition does against the reference, a row a condition."""
    rows = pair_rows(content)
    if not len(rows):
        return
    limits, index = own_limits(content), between(content)[1]
    cells: list[list[Text]] = []
    for (condition,), mine in groups(rows, ["condition"]):
        own = limits[limits["condition"] == condition] if len(limits) else limits
        said = {str(r.measurand): r for r in rows_of(own)}
        each, joint = said.get("distance_um"), said.get(TOGETHER)
        cells.append(
            [
                condition_name(condition),
                range_phrase(mine["bias"], signed=True),
                number(mine["s_r"].median()),
                number(mine["s_R"].median()),
                _judged(each),
                _judged(joint),
                _gaps(content, condition),
            ]
        )
    limit = limit_of(content, "distance_um")
    document.heading("Every condition by itself")
    document.table(
        "Distances of all pairs against the reference, µm: range of the bias; median standard "
        f"deviation of repeats and with the spread between cells ({between(content)[0]}); bound "
        "for future scans"
        + (
            ""
            if limit is None
            else f" and verdict on conformity with the limit of {quantity(limit)}"
        )
        + ", for each pair and for all pairs of a scan together, the largest over all models (wide "
        "where a model has few scans); largest gap or interference in µm at "
        "the best seat (vertical, not engaging).",
        [
            Heading("condition", "left", 1.1),
            Heading("bias", "left", 1.0),
            Heading(symbol("s", "r"), width=0.4),
            Heading(symbol("s", index), width=0.4),
            Heading("each pair", "left", 1.8),
            Heading("all together", "left", 1.8),
            Heading("gap", width=0.5),
        ],
        cells,
    )


def _judged(row: Any) -> str:
    if row is None or missing(row.tolerance_bound) or not row.verdict:
        return NONE
    return f"{quantity(row.tolerance_bound, row.unit)}, {row.verdict.removeprefix('conformity ')}"


def _gaps(content: ReportContent, condition: str) -> str:
    table = content.table("seating_summary")
    if not len(table):
        return NONE
    mine = table[(table["condition"] == condition) & (table["seated"] == "best-seat")]
    return quantity(mine["max_um"].max()) if len(mine) else NONE


def _shown_models(means: pd.DataFrame, lead: str) -> list[str]:
    """The leading model, and one on the size of the same response if there is one."""
    column = str(means.loc[means["model_name"] == lead, "response"].iloc[0])
    for row in rows_of(means.drop_duplicates("model_name")):
        if row.model_name != lead and column in row.response and log_base(row.response):
            return [lead, str(row.model_name)]
    return [lead]


def _means(document: Document, content: ReportContent, lead: str) -> None:
    means = content.table("model_means")
    if not len(means):
        return
    models = _shown_models(means, lead)
    rows = means_rows(means, models)
    shown = rows[rows["estimate"].notna()]
    if not len(shown):
        return
    said = "; ".join(
        f"{r.panel}, {r.level}: {quantity(r.estimate, r.unit)} "
        f"({interval(r.low, r.high, r.unit, signed=False)})"
        for r in rows_of(shown)
    )
    held = str(means.loc[means["model_name"] == lead, "at"].iloc[0])
    also = " Right, typical size, sign aside (geometric mean)." if len(models) > 1 else ""
    document.figure(
        "means",
        means_chart(shown),
        caption=f"Estimated means with their intervals{_held(held)}.{also} "
        "Overlap of two intervals says nothing about their difference.",
        alt=f"Dots with intervals. {said}.",
    )


def _held(text: str) -> str:
    parts = []
    for part in text.split("; "):
        name, _, value = part.partition(" = ")
        if value:
            unit = {"deg": "°", "mm": " mm"}.get(name.rsplit("_", 1)[-1], "")
            parts.append(f"{name.rsplit('_', 1)[0].replace('_', ' ')} {float(value):.1f}{unit}")
    return f", held at {joined(parts)}" if parts else ""


def latex_attachments(document: Document) -> list[Attachment]:
    """The printed tables of a report as LaTeX.

    Parameters
    ----------
    document : Document
        A finished report.

    Returns
    -------
    list of Attachment
        One file a table whose caption speaks of contrasts, means or tests.
    """
    wanted = {"Contrasts": "contrasts", "Estimated means": "means", "F tests": "tests"}
    found = []
    for block in document.blocks:
        if block["type"] != "table":
            continue
        caption = plain(block["caption"])
        for start, name in wanted.items():
            if caption.startswith(start):
                titles = [plain(c["title"]) for c in block["columns"]]
                rows = [[plain(cell) for cell in row] for row in block["rows"]]
                data = latex_table(caption, titles, rows, label=f"tab:{slug(name)}")
                what = f"Table of {name} for a paper"
                found.append(Attachment(f"{name}.tex", data, "application/x-tex", what))
    return found
