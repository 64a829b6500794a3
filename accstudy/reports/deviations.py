"""Evidence of a validation: pairs, alignments, implants, scan after scan."""

from __future__ import annotations

import pandas as pd

from accstudy.compare.arch import model_arches
from accstudy.figures.arch import arch_chart, exaggeration
from accstudy.figures.pairs import alignment_chart, pair_chart
from accstudy.figures.runs import run_chart
from accstudy.figures.style import rows_of
from accstudy.reports.document import Document, Heading, ReportContent, Text, heads
from accstudy.reports.names import (
    alignment_name,
    bias_sentence,
    condition_name,
    range_phrase,
    worst,
)
from accstudy.reports.rows import (
    alignment_rows,
    confidence_of,
    groups,
    is_scan,
    limit_of,
    longest_pair,
    named,
    pair_rows,
    run_rows,
    slug,
)
from accstudy.words.catalogue import say
from accstudy.words.numbers import freedom, interval, joined, missing, number, quantity, sure

__all__ = ["SHOWN", "alignments", "implants_from_above", "pairs", "scan_after_scan"]

_FEW_DF = 5

SHOWN = 4
"""Conditions in one figure; more are in the tables."""

_MOST_PAIRS = 45


def pairs(document: Document, content: ReportContent) -> None:
    """Bias and standard deviations of every pair, a figure a model."""
    rows = pair_rows(content)
    if not len(rows):
        return
    word = say("deviations.mean_difference") if is_scan(content) else "bias"
    confidence = confidence_of(content)
    document.heading(say("deviations.pairs_of_implants"))
    for (model,), every in groups(rows, ["model"]):
        shown = list(dict.fromkeys(every["condition"]))[:SHOWN]
        mine = every[every["condition"].isin(shown)]
        if len(set(mine["subject"])) > _MOST_PAIRS:
            continue
        text = say(
            "deviations.inter_implant_distances_do",
            word=word,
            bias=range_phrase(mine["bias"], signed=True),
        )
        spread = mine["s_r"].notna().any()
        text += (
            say("deviations.the_repeatability_standard_deviation", s_r=range_phrase(mine["s_r"]))
            if spread
            else say("deviations.the_scatter_is_unknown")
        )
        largest = worst(mine)
        if largest is not None:
            said = bias_sentence(largest, is_scan=is_scan(content), confidence=confidence)
            text += say("deviations.the_largest", lower=_lower(said))
        document.lead(named(content, "", model).capitalize() or say("deviations.distances"), text)
        known = int(mine["bias_low"].notna().sum())
        crossing = int(((mine["bias_low"] > 0) | (mine["bias_high"] < 0)).sum())
        document.figure(
            slug("pairs", model),
            pair_chart(mine, limit=limit_of(content, "distance_um"), bias_word=word),
            caption=say("deviations.left_of_every_pair", word=word, confidence=confidence)
            + (
                say(
                    "deviations.of_exclude_zero",
                    crossing=crossing,
                    known=known,
                    freedom=_freedom(mine),
                )
                if known
                else ""
            )
            + say("deviations.right_standard_deviation_of")
            + _limit_note(content, mine),
            alt=_alt_pairs(mine, word),
        )


def _freedom(rows: pd.DataFrame) -> str:
    """Few degrees of freedom of the intervals, where they are few."""
    least = rows["bias_df"].min()
    return say("deviations.on_least", least=freedom(least)) if least < _FEW_DF else ""


def _limit_note(content: ReportContent, rows: pd.DataFrame) -> str:
    limit = limit_of(content, "distance_um")
    reach = float(rows[["bias_low", "bias_high"]].abs().max().max())
    if limit is None or limit >= 2.2 * reach:
        return "."
    return say("deviations.dashed_the_limit_of", limit=limit)


def _lower(text: str) -> str:
    return text[0].lower() + text[1:]


def _alt_pairs(rows: pd.DataFrame, word: str) -> str:
    parts = [
        f"{r.subject} {number(r.bias, r.unit, signed=True)} "
        f"({interval(r.bias_low, r.bias_high, r.unit)})"
        for r in rows_of(rows.sort_values("span_mm"))
    ]
    return say("deviations.dot_chart_of_pairs", word=word) + "; ".join(parts[:30]) + "."


def alignments(document: Document, content: ReportContent) -> None:
    """The same scans by every alignment, side by side."""
    if not content.has("alignments") or not content.has("implants"):
        return
    rows = alignment_rows(content.table("alignments"), model_arches(content.table("implants")))
    rows["alignment"] = rows["alignment"].map(alignment_name)
    document.heading(say("deviations.the_same_scans_by"))
    document.lead(say("deviations.why_several"), say("deviations.the_alignment_determines_where"))
    whole, rows = rows[rows["implant"] == ""], rows[rows["implant"] != ""]
    panel = rows.groupby("model", sort=False).ngroup()
    kept = rows["condition"].isin(list(dict.fromkeys(rows["condition"]))[:SHOWN])
    cut = [str(v) for v in dict.fromkeys(rows.loc[panel >= 6, "model"])]
    cut += [condition_name(v) for v in dict.fromkeys(rows.loc[~kept, "condition"])]
    means = [((r.condition, r.model, r.alignment), r.rms_um) for r in rows_of(whole)]
    said = "; ".join(
        ", ".join(p for p in (named(content, c, m), a) if p) + f" {quantity(v)}"
        for (c, m, a), v in means
    )
    document.figure(
        "alignments",
        alignment_chart(rows[(panel < 6) & kept]),
        caption=say("deviations.root_mean_square_of")
        + (say("deviations.not_shown_but_in", cut=joined(cut)) if cut else ""),
        alt=say("deviations.lines_over_the_implants", said=said),
    )
    _alignment_table(document, dict(means))


def _alignment_table(document: Document, means: dict[tuple[str, ...], float]) -> None:
    seen = dict.fromkeys(a for _, _, a in means)
    cases = list(dict.fromkeys((c, m) for c, m, _ in means))
    several = len({c for c, _ in cases}) > 1
    rows: list[list[Text]] = []
    before = None
    for c, m in cases:
        start: list[Text] = [condition_name(c) if c != before else ""] if several else []
        before = c
        rows.append([*start, m, *(number(means.get((c, m, a))) for a in seen)])
    document.table(
        say("deviations.root_mean_square_of_2"),
        [
            *(heads("deviations.columns_condition") if several else []),
            *heads("deviations.columns_model"),
            *(Heading(a, width=1) for a in seen),
        ],
        rows,
        wide=False,
    )


def implants_from_above(document: Document, content: ReportContent) -> None:
    """Arrows of bias with ellipses of the scatter over the arch."""
    table = content.table("implants_above")
    if not len(table):
        return
    document.heading(say("deviations.every_implant_seen_from"))
    one = rows_of(table)[0]
    share = sure(one.coverage)
    document.lead(
        say("deviations.how_to_read_it"),
        say(
            "deviations.aligned_by_the_arrow",
            alignment=alignment_name(str(one.alignment)),
            share=share,
        ),
    )
    found = []
    for (condition, model), rows in groups(table, ["condition", "model"])[:6]:
        if len(rows) >= 2:
            tilt = _alignment_tilt(content, condition, model)
            found.append((named(content, condition, model), slug(condition, model), rows, tilt))
    if not found:
        return
    times = exaggeration(pd.concat([rows for _, _, rows, _ in found]))
    width = 122.0 if len(found) == 1 else 80.0
    for k, (which, name, rows, tilt) in enumerate(found):
        _from_above(document, rows, which, name, times, width, share, tilt)
        if k % 2:
            document.beside()


def _alignment_tilt(content: ReportContent, condition: str, model: str) -> str:
    """How well a scan of one condition is aligned; empty where nothing is known."""
    table = content.table("implant_vectors")
    if not len(table):
        return ""
    mine = table[(table["condition"] == condition) & (table["model"] == model)]
    known = mine["u_alignment_tilt_deg"].dropna()
    if known.empty:
        return ""
    return say("deviations.tilt_of_an_alignment", known=known.iloc[0])


def _from_above(
    document: Document,
    rows: pd.DataFrame,
    which: str,
    name: str,
    times: int,
    width_mm: float,
    share: str,
    tilt: str,
) -> None:
    sizes = [f"{r.implant} {quantity(r.bias_lateral_um)}" for r in rows_of(rows)]
    start = say("deviations.mean_which", which=which) if which else say("deviations.mean")
    ellipse = rows["major_um"].max()
    document.figure(
        slug("arch", name),
        arch_chart(rows, times=times, width_mm=width_mm),
        caption=say(
            "deviations.lateral_deviation_of_each",
            start=start,
            share=share,
            times=times,
            bias_vertical_um=range_phrase(rows["bias_vertical_um"], signed=True),
            tilt=tilt,
        ),
        alt=say("deviations.arch_seen_from_above", start=start, sizes=joined(sizes))
        + (
            say("deviations.too_few_scans_for")
            if missing(ellipse)
            else say("deviations.ellipses_for_a_further", ellipse=ellipse)
        ),
    )


def scan_after_scan(document: Document, content: ReportContent) -> None:
    """Run chart of the scans in their order."""
    if not content.has("pair_deviations") or not content.has("scans"):
        return
    rows, model = run_rows(content)
    if len(rows) < 3:
        return
    mine = content.table("pair_deviations")
    mine = mine[mine["model"] == model]
    at = rows_of(mine.loc[[mine["span_mm"].idxmax()]])[0]
    pair = f"{at.implant_a}-{at.implant_b}, {quantity(at.span_mm, 'mm')}"
    longest = longest_pair(content)
    spread: Text = "" if longest is None else say("deviations.scatter_alone_produces_such")
    document.heading(say("deviations.scans_in_order_of"))
    doubt, word, lay = (
        say("deviations.the_bound_on_page"),
        "deviation",
        say("deviations.the_deviation_of_the"),
    )
    if not content.referenced:
        doubt, word = (
            say("deviations.the_statement_on_repeats"),
            say("deviations.distance_minus_its_mean"),
        )
        lay = say("deviations.the_distance_of_the")
    document.lead(
        say("deviations.run_chart"),
        say(
            "deviations.a_drift_a_shift",
            doubt=doubt,
            lay=lay,
            longest_um=range_phrase(rows["longest_um"], signed=True),
            spread=spread,
        ),
    )
    when = (
        say("deviations.by_time")
        if "at" in rows and rows["at"].notna().any()
        else say("deviations.in_the_order_of")
    )
    which = named(content, "", model)
    document.figure(
        "runs",
        run_chart(rows, limit_um=limit_of(content, "distance_um") if content.referenced else None),
        caption=say(
            "deviations.vertical_lines_separate_the",
            scans_of=say("deviations.scans_of", which=which) if which else say("deviations.scans"),
            when=when,
            word=word,
            pair=pair,
        ),
        alt=say(
            "deviations.run_chart_of_scans",
            rows=len(rows),
            pair=pair,
            longest_um=range_phrase(rows["longest_um"], signed=True),
            rms_um=range_phrase(rows["rms_um"]),
        ),
    )
