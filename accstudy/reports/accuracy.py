"""Pairs, alignments, implants and scans as figures; trueness, precision and outliers as tables."""

from __future__ import annotations

from typing import Any

import pandas as pd

from accstudy.accuracy.measurands import PAIR_MEASURANDS
from accstudy.figures.accuracy import precision_chart, run_chart
from accstudy.figures.deviations import alignment_chart, arch_chart, exaggeration, pair_chart
from accstudy.figures.style import rows_of
from accstudy.reports.common import (
    between,
    confidence_of,
    flagged,
    groups,
    has_between,
    is_scan,
    limit_of,
    longest_pairs,
    named,
    pair_rows,
    range_of,
    range_phrase,
    ranging,
    several,
    slug,
)
from accstudy.reports.document import Document, ReportContent, Text, extended, symbol
from accstudy.words.catalogue import choose, say
from accstudy.words.names import (
    alignment_name,
    capital,
    component_name,
    condition_name,
    measurand_name,
    pair_name,
    unit_name,
)
from accstudy.words.numbers import freedom, interval, joined, missing, number, quantity, sure

SHOWN, _MOST_PANELS = 4, 9
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
            bias=ranging(range_of(content, "bias", model), signed=True),
        )
        spread = range_of(content, "s_r", model)
        text += (
            say("deviations.the_scatter_is_unknown")
            if spread is None
            else say("deviations.the_repeatability_standard_deviation", s_r=ranging(spread))
        )
        document.lead(capital(named(content, "", model)) or say("deviations.distances"), text)
        known, beyond = (
            range_of(content, name, model) for name in ("bias_df", "bias, zero excluded")
        )
        zero = (
            ""
            if known is None
            else say(
                "deviations.of_exclude_zero",
                crossing=0 if beyond is None else beyond.n_values,
                known=known.n_values,
                least=freedom(known.lowest),
            )
        )
        limit = limit_of(content, "distance_um")
        line = "." if limit is None else say("deviations.dashed_the_limit_of", limit=limit)
        document.figure(
            slug("pairs", model),
            pair_chart(mine, limit=limit, bias_word=word),
            caption=say("deviations.left_of_every_pair", word=word, confidence=confidence)
            + zero
            + say(
                "deviations.right_standard_deviation_of",
                between=say("deviations.hollow_and_filled")
                if has_between(content)
                else " (hollow)",
            )
            + line,
            alt=_alt_pairs(content, mine, word),
        )


def _alt_pairs(content: ReportContent, rows: pd.DataFrame, word: str) -> str:
    parts = []
    for (condition,), mine in groups(rows.sort_values("span_mm").head(30), ["condition"]):
        said = "; ".join(
            f"{pair_name(r.subject)} {number(r.bias, r.unit, signed=True)} "
            f"({interval(r.bias_low, r.bias_high, r.unit)})"
            for r in rows_of(mine)
        )
        name = named(content, condition)
        parts.append(f"{name}: {said}" if name else said)
    return say("deviations.dot_chart_of_pairs", word=word) + "; ".join(parts) + "."


def alignments(document: Document, content: ReportContent) -> None:
    """The same scans by every alignment, side by side."""
    if not content.has("alignments") or not content.has("implants"):
        return
    rows = content.table("alignments")
    rows = rows.assign(alignment=rows["alignment"].map(alignment_name))
    document.heading(say("deviations.the_same_scans_by"))
    document.lead(say("deviations.why_several"), say("deviations.the_alignment_determines_where"))
    whole, rows = rows[rows["implant"] == ""], rows[rows["implant"] != ""]
    models, conditions = (list(dict.fromkeys(rows[c])) for c in ("model", "condition"))
    cut = models[_MOST_PANELS:] + [condition_name(c) for c in conditions[SHOWN:]]
    kept = rows["model"].isin(models[:_MOST_PANELS]) & rows["condition"].isin(conditions[:SHOWN])
    said = "; ".join(
        ", ".join(p for p in (named(content, r.condition, r.model), r.alignment) if p)
        + f" {quantity(r.rms_um)}"
        for r in rows_of(whole)
    )
    document.figure(
        "alignments",
        alignment_chart(rows[kept]),
        caption=say("deviations.root_mean_square_of")
        + (say("deviations.only_in_the_table", cut=joined(cut)) if cut else ""),
        alt=say("deviations.lines_over_the_implants", said=said),
    )
    both = several(content, "condition")
    shown = ["several"] * both
    document.listed("deviations.alignments_table", whole, once=1 + both, shown=shown, wide=False)


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
    sizes = [
        choose("deviations.lateral", "alone" if missing(r.major_um) else "ellipse", r)
        for r in rows_of(rows)
    ]
    heights = [say("deviations.height", r) for r in rows_of(rows)]
    start = say("deviations.mean_which", which=which) if which else say("deviations.mean")
    document.figure(
        slug("arch", name),
        arch_chart(rows, times=times, width_mm=width_mm),
        caption=say(
            "deviations.lateral_deviation_of_each",
            start=start,
            share=share,
            times=times,
            heights=joined(heights),
            tilt=tilt,
        ),
        alt=say("deviations.arch_seen_from_above", start=start, sizes=joined(sizes)),
    )


def scan_after_scan(document: Document, content: ReportContent) -> None:
    """Run chart of the scans in their order."""
    rows = content.table("run_chart")
    if len(rows) < 3:
        return
    at = rows_of(rows)[0]
    longest, rms = (range_of(content, name) for name in ("longest_um", "rms_um"))
    pair = f"{pair_name(at.pair)}, {quantity(at.span_mm, 'mm')}"
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
            longest_um=range_phrase(longest, signed=True),
        ),
    )
    when = (
        say("deviations.by_time") if rows["at"].notna().any() else say("deviations.in_the_order_of")
    )
    which = named(content, "", at.model)
    limit = limit_of(content, "distance_um") if content.referenced else None
    document.figure(
        "runs",
        run_chart(rows, limit_um=limit),
        caption=say(
            "deviations.vertical_lines_separate_the",
            scans_of=say("deviations.scans_of", which=which) if which else say("deviations.scans"),
            when=when,
            word=word,
            pair=pair,
            line="" if limit is None else say("deviations.dashed_the_limit", limit=limit),
        ),
        alt=say(
            "deviations.run_chart_of_scans",
            rows=len(rows),
            pair=pair,
            longest_um=range_phrase(longest, signed=True),
            rms_um=range_phrase(rms),
        ),
    )


_MOST_ROWS = 90

_S_R: Text = [{"t": "s", "s": "i"}, {"t": "r", "s": "sub"}]


def accuracy_tables(document: Document, content: ReportContent) -> None:
    """Every measurand of table ``accuracy`` or ``precision``, and the outlier tests."""
    accuracy = content.table("accuracy")
    if not len(accuracy):
        return
    document.heading(say("accuracy.tables"))
    name, index, factors = between(content)
    big, known = symbol("s", index), has_between(content)
    document.lead(
        say("accuracy.symbols"),
        [
            *_S_R,
            say("accuracy.standard_deviation_of_repeats"),
            *(big if known else []),
            say("accuracy.the_same_including_the", name=name, factors=joined(factors))
            if known
            else say("accuracy.only_repeatability", name=name),
            say("accuracy.two_single_scans"),
            *_S_R,
            say("accuracy.within_a_cell"),
            *([say("accuracy.and_2_8"), *big, say("accuracy.between_cells")] if known else []),
            say("accuracy.iso_5725_intervals", confidence_of=confidence_of(content)),
        ],
    )
    for (measurand,), mine in groups(accuracy, ["measurand"]):
        _measurand(document, content, measurand, mine)
    outlier_tests(document, content)


def _measurand(
    document: Document, content: ReportContent, measurand: str, mine: pd.DataFrame
) -> None:
    is_pair = bool(mine["span_mm"].notna().any())
    several, models = len(set(mine["condition"])) > 1, len(set(mine["model"])) > 1
    unit, name = str(mine["unit"].iloc[0]), measurand_name(measurand)
    which = {
        "several": several,
        "models": models,
        "pair": is_pair,
        "referenced": content.referenced,
        "unreferenced": not content.referenced,
        "between": has_between(content),
        "between_unreferenced": has_between(content) and not content.referenced,
    }
    document.listed(
        "accuracy.main_table",
        mine.head(_MOST_ROWS),
        once=several + models,
        shown=[column for column, wanted in which.items() if wanted],
        index=between(content)[1],
        named={"named": pair_name if is_pair else str},
        what="pair" if is_pair else "implant",
        bias="difference" if is_scan(content) else "bias",
        name=capital(name),
        unit={"um": "µm", "deg": "degrees"}.get(unit, unit_name(unit)),
        cut=""
        if len(mine) <= _MOST_ROWS
        else say("accuracy.first_of_rows", most=_MOST_ROWS, mine=len(mine)),
    )


def outlier_tests(document: Document, content: ReportContent, *, most: int = 20) -> None:
    """What the tests for outliers say, and the first of what they found."""
    table, counts = content.table("outliers"), content.table("outlier_counts")
    if not len(table) or not len(counts):
        return
    whole = rows_of(counts.tail(1))[0]
    document.lead(
        say("accuracy.outlier_tests"),
        say(
            "accuracy.of_cochran_grubbs_mandel",
            n=int(whole.n_statistics),
            beyond_5=whole.n_beyond_5,
            share_5=whole.share_beyond_5,
            beyond_1=whole.n_beyond_1,
            share_1=whole.share_beyond_1,
        ),
    )
    seen = table[table["verdict"] != "nothing"]
    if not len(seen):
        return
    several = len(counts) > 2
    if several:
        _outlier_counts(document, counts.iloc[:-1])
    shown = seen.sort_values("place", kind="stable").head(most)
    more = "."
    if len(shown) < len(seen):
        more = say("accuracy.of_the_most_extreme", most=most, seen=len(seen))
    document.listed(
        "accuracy.outliers_table",
        extended(
            shown,
            whose=[
                ", ".join(p for p in (named(content, r.condition, r.model), _subject(r)) if p)
                for r in rows_of(shown)
            ],
            where=shown["scan"].where(shown["scan"].fillna("") != "", shown["cell"]),
        ),
        more=more,
        wide_as="2.2" if several else "0.9",
    )


def _subject(row: Any) -> str:
    """Pair or implant that a row of table ``outliers`` is about."""
    return pair_name(row.subject) if row.measurand in PAIR_MEASURANDS else str(row.subject)


def _outlier_counts(document: Document, counts: pd.DataFrame) -> None:
    """How many statistics lie beyond their critical values, by condition and model."""
    document.listed("accuracy.counts_table", counts, once=1, wide=False)


def paper_figures(document: Document, content: ReportContent) -> None:
    """Trueness and precision as commonly reported, beside the figures of ISO 5725."""
    rows = content.table("field_figures")
    if not len(rows):
        return
    document.heading(say("accuracy.as_commonly_reported"))
    rows = pd.concat([mine for _, mine in groups(rows, ["measurand"])])
    document.listed(
        "accuracy.papers_table",
        rows,
        once=2,
        shown=["between"] if has_between(content) else [],
        index=between(content)[1],
        s_between=say("accuracy.and_with_the_spread") if has_between(content) else "",
    )


def precision_figure(document: Document, content: ReportContent, *, most: int) -> None:
    """Standard deviations against the length between two implants, and the best relation."""
    rows, curve = pair_rows(content), content.table("precision_curve")
    if not len(rows) or not len(curve):
        return
    shown = list(dict.fromkeys(rows["condition"]))[:most]
    name = between(content)[0]
    lines = curve[(curve["measurand"] == "distance_um") & curve["condition"].isin(shown)]
    rows = rows[rows["condition"].isin(shown)]
    said = [
        say("precision.and_condition_subject", r, condition=condition_name(r.condition))
        for r in longest_pairs(content)
        if r.condition in shown
    ]
    document.figure(
        "precision",
        precision_chart(rows, lines, names=(say("precision.repeats"), capital(name))),
        caption=say(
            "precision.standard_deviation_of_the",
            what=say("precision.repeats_and", name=name) if has_between(content) else "repeats",
        ),
        alt=say("precision.dots_by_length_longest", said="; ".join(said)),
    )


def precision_relations(
    document: Document, content: ReportContent, *, figure: bool = False
) -> None:
    """The relation of standard deviation and length that fits best, with its figure if wanted."""
    table = content.table("precision_vs_span")
    best = flagged(table[table["measurand"] == "distance_um"] if len(table) else table, "best")
    if not len(best):
        return
    document.heading(say("precision.precision_along_the_arch"))
    document.lead(say("precision.how_to_read_it"), say("precision.the_three_relations_of"))
    if figure:
        precision_figure(document, content, most=4)
    of = {"s_r": say("precision.repeats").lower(), "s_I": between(content)[0]}
    document.listed(
        "precision.relations_table",
        best.assign(intercept=best["intercept"].mask(best["relation"] == "s = b m")),
        wide=False,
        named={"of": of.__getitem__},
    )


def variance_parts(document: Document, content: ReportContent) -> None:
    """Which level of the study the scatter of the longest pair comes from."""
    table = content.table("variance_components")
    if not len(table):
        return
    longest = {(str(r.condition), str(r.model), str(r.subject)) for r in longest_pairs(content)}
    mine = table[(table["measurand"] == "distance_um") & (table["level"] != "total")]
    rows = [r for r in rows_of(mine) if (str(r.condition), str(r.model), str(r.subject)) in longest]
    if not rows:
        return
    document.heading(say("precision.components_of_variance"))
    document.listed(
        "precision.parts_table",
        pd.DataFrame(rows),
        once=2,
        wide=False,
        named={"level": _level},
        confidence=sure(rows[0].confidence),
    )


def _level(level: str) -> str:
    return say("precision.repeats").lower() if level == "residual" else component_name(level)
