"""Evidence of a validation: pairs, alignments, implants, scan after scan."""

from __future__ import annotations

import numpy as np
import pandas as pd

from accstudy.figures.arch import arch_chart, exaggeration
from accstudy.figures.pairs import alignment_chart, pair_chart
from accstudy.figures.runs import run_chart
from accstudy.figures.style import rows_of
from accstudy.reports.content import ReportContent
from accstudy.reports.document import Document, Heading, Text
from accstudy.reports.figure_tables import alignment_rows, arch_rows, arches, run_rows
from accstudy.reports.report_rows import (
    confidence_of,
    groups,
    is_scan,
    limit_of,
    longest_pair,
    named,
    pair_rows,
    slug,
)
from accstudy.reports.sentences import bias_sentence, condition_name, range_phrase, worst
from accstudy.reports.terms import alignment_name
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
    word = "mean difference" if is_scan(content) else "bias"
    confidence = confidence_of(content)
    document.heading("Pairs of implants")
    for (model,), every in groups(rows, ["model"]):
        shown = list(dict.fromkeys(every["condition"]))[:SHOWN]
        mine = every[every["condition"].isin(shown)]
        if len(set(mine["subject"])) > _MOST_PAIRS:
            continue
        text = (
            f"Inter-implant distances do not depend on an alignment. The {word} ranges from "
            f"{range_phrase(mine['bias'], signed=True)}"
        )
        spread = mine["s_r"].notna().any()
        text += (
            f", the repeatability standard deviation from {range_phrase(mine['s_r'])}."
            if spread
            else "; the scatter is unknown."
        )
        largest = worst(mine)
        if largest is not None:
            said = bias_sentence(largest, is_scan=is_scan(content), confidence=confidence)
            text += f" The largest: {_lower(said)}"
        document.lead(named(content, "", model).capitalize() or "Distances", text)
        known = int(mine["bias_low"].notna().sum())
        crossing = int(((mine["bias_low"] > 0) | (mine["bias_high"] < 0)).sum())
        document.figure(
            slug("pairs", model),
            pair_chart(mine, limit=limit_of(content, "distance_um"), bias_word=word),
            caption=f"Left, {word} of every pair with its {sure(confidence)} interval"
            + (f"; {crossing} of {known} exclude zero{_freedom(mine)}" if known else "")
            + ". Right, standard deviation of repeated scans. Pairs in order of span"
            + _limit_note(content, mine),
            alt=_alt_pairs(mine, word),
        )


def _freedom(rows: pd.DataFrame) -> str:
    """Few degrees of freedom of the intervals, where they are few."""
    least = rows["bias_df"].min()
    return f" (on {freedom(least)})" if least < _FEW_DF else ""


def _limit_note(content: ReportContent, rows: pd.DataFrame) -> str:
    limit = limit_of(content, "distance_um")
    reach = float(np.nanmax(np.abs(rows[["bias_low", "bias_high"]].to_numpy(float)), initial=0.0))
    if limit is None or limit >= 2.2 * reach:
        return "."
    return f"; dashed, the limit of {quantity(limit)} for a single scan."


def _lower(text: str) -> str:
    return text[0].lower() + text[1:]


def _alt_pairs(rows: pd.DataFrame, word: str) -> str:
    parts = [
        f"{r.subject} {number(r.bias, r.unit, signed=True)} "
        f"({interval(r.bias_low, r.bias_high, r.unit)})"
        for r in rows_of(rows.sort_values("span_mm"))
    ]
    return f"Dot chart, {word} of pairs by increasing span: " + "; ".join(parts[:30]) + "."


def alignments(document: Document, content: ReportContent) -> None:
    """The same scans by every alignment, side by side."""
    if not content.has("implant_deviations") or not content.has("implants"):
        return
    rows = alignment_rows(content.table("implant_deviations"), arches(content.table("implants")))
    rows["alignment"] = rows["alignment"].map(alignment_name)
    document.heading("The same scans by each alignment")
    document.lead(
        "Why several",
        "The alignment determines where an error appears, not whether it exists. Alignment over "
        "all implants distributes an error; alignment at the first implant accumulates it at the "
        "far end. None is wrong, but values from different alignments must not be compared.",
    )
    panel = rows.groupby("model", sort=False).ngroup()
    kept = rows["condition"].isin(list(dict.fromkeys(rows["condition"]))[:SHOWN])
    cut = [str(v) for v in dict.fromkeys(rows.loc[panel >= 6, "model"])]
    cut += [condition_name(v) for v in dict.fromkeys(rows.loc[~kept, "condition"])]
    means = [
        (key, float(np.sqrt((mine["rms_um"] ** 2).mean())))
        for key, mine in groups(rows, ["condition", "model", "alignment"])
    ]
    said = "; ".join(
        ", ".join(p for p in (named(content, c, m), a) if p) + f" {quantity(v)}"
        for (c, m, a), v in means
    )
    document.figure(
        "alignments",
        alignment_chart(rows[(panel < 6) & kept]),
        caption="Root mean square of the 3D deviation of every implant over all scans, by "
        "alignment. A 3D deviation has no sign and is never zero, even without bias."
        + (f" Not shown, but in the table: {joined(cut)}." if cut else ""),
        alt=f"Lines over the implants along the arch; root mean square by alignment: {said}.",
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
        "Root mean square of the 3D deviation over all implants and scans, µm.",
        [
            *([Heading("condition", "left", 1.6)] if several else []),
            Heading("model", "left", 0.8),
            *(Heading(a, width=1) for a in seen),
        ],
        rows,
        wide=False,
    )


def implants_from_above(document: Document, content: ReportContent) -> None:
    """Arrows of bias with ellipses of the scatter over the arch."""
    if not content.has("implant_deviations") or not content.has("implants"):
        return
    alignment = str(content.settings.get("analysis", {}).get("alignment", "all-implants"))
    singles = content.table("implant_deviations")
    aligned = singles[singles["alignment"] == alignment]
    if not len(aligned):
        return
    document.heading("Every implant, seen from above")
    share = float(content.settings.get("limits", {}).get("coverage", 0.95))
    text = (
        f"Aligned by {alignment_name(alignment)}. The arrow shows the mean deviation of all scans, "
        "the ellipse the region in which a further scan would lie with a probability of "
        f"{sure(share)}. The alignment of a scan is itself uncertain: in a single scan, the angle "
        "of an implant is known no better than the tilt of the alignment; means over scans are "
        "more precise."
    )
    document.lead("How to read it", text)
    order = arches(content.table("implants"))
    found = []
    for (condition, model), _ in groups(aligned, ["condition", "model"])[:6]:
        rows = arch_rows(
            singles, order[model], condition=condition, model=model, alignment=alignment,
            coverage=share,
        )  # fmt: skip
        if len(rows) >= 2:
            tilt = _alignment_tilt(content, condition, model)
            found.append((named(content, condition, model), slug(condition, model), rows, tilt))
    if not found:
        return
    times = exaggeration(pd.concat([rows for _, _, rows, _ in found]))
    width = 122.0 if len(found) == 1 else 80.0
    for k, (which, name, rows, tilt) in enumerate(found):
        _from_above(document, rows, which, name, times, width, sure(share), tilt)
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
    return f" Tilt of an alignment: u = {quantity(known.iloc[0], 'deg')} (median scan)."


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
    sizes = [f"{r.implant} {quantity(np.hypot(r.bias_x_um, r.bias_y_um))}" for r in rows_of(rows)]
    start = f"{which}: mean" if which else "Mean"
    ellipse = rows["major_um"].max()
    document.figure(
        slug("arch", name),
        arch_chart(rows, times=times, width_mm=width_mm),
        caption=f"{start} lateral deviation of each implant and {share} ellipse for a further "
        "scan, "
        f"both enlarged {times} times relative to the arch. Mean vertical deviations: "
        f"{range_phrase(rows['bias_vertical_um'], signed=True)}.{tilt}",
        alt=f"Arch seen from above. {start} lateral deviation: {joined(sizes)}. "
        + (
            "Too few scans for ellipses."
            if missing(ellipse)
            else f"Ellipses for a further scan have half axes of up to {quantity(ellipse)}."
        ),
    )


def scan_after_scan(document: Document, content: ReportContent) -> None:
    """Run chart of the scans in their order."""
    if not content.has("pair_deviations") or not content.has("scans"):
        return
    rows, model = run_rows(content.table("pair_deviations"), content.table("scans"))
    if len(rows) < 3:
        return
    mine = content.table("pair_deviations")
    mine = mine[mine["model"] == model]
    at = rows_of(mine.loc[[mine["span_mm"].idxmax()]])[0]
    pair = f"{at.implant_a}-{at.implant_b}, {quantity(at.span_mm, 'mm')}"
    longest = longest_pair(content)
    spread: Text = (
        ""
        if longest is None
        else " Scatter alone produces such variation; look for steps and slopes."
    )
    document.heading("Scans in order of time")
    doubt, word, lay = (
        "the bound on page 1",
        "deviation",
        "The deviation of the longest pair ranged",
    )
    if not content.referenced:
        doubt, word = "the statement on repeats on page 1", "distance minus its mean, that"
        lay = "The distance of the longest pair, minus its mean, ranged"
    document.lead(
        "Run chart",
        "A drift, a shift between sessions or a single faulty scan would appear here and would "
        f"invalidate {doubt}. {lay} "
        f"over {range_phrase(rows['longest_um'], signed=True)}.{spread}",
    )
    when = "by time" if "at" in rows and rows["at"].notna().any() else "in the order of the list"
    which = named(content, "", model)
    document.figure(
        "runs",
        run_chart(rows, limit_um=limit_of(content, "distance_um") if content.referenced else None),
        caption=f"{f'Scans of {which}' if which else 'Scans'} {when}; vertical lines separate the "
        f"cells. Top: {word} of the longest pair "
        f"({pair}). Bottom: root mean square over all pairs of the scan.",
        alt=f"Run chart of {len(rows)} scans; longest pair {pair}: "
        f"{range_phrase(rows['longest_um'], signed=True)}; root mean square of all pairs "
        f"{range_phrase(rows['rms_um'])}.",
    )
