"""Trueness and precision of every pair, and the same scans by three alignments."""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from accstudy.figures.style import (
    FAINT,
    GREY,
    INK,
    legend_of,
    line_of,
    name_ticks,
    new_figure,
    printable,
    styled,
)
from accstudy.words.catalogue import say

__all__ = ["alignment_chart", "pair_chart"]


@styled
def pair_chart(
    rows: pd.DataFrame, *, limit: float | None = None, bias_word: str = "bias"
) -> Figure:
    """Draw bias with interval and both standard deviations of every pair.

    Parameters
    ----------
    rows : DataFrame
        Rows of table ``accuracy`` of one measurand and model, pairs only;
        at most four conditions.
    limit : float, optional
        The user's limit on the size of the deviation, in the unit of the rows.
    bias_word : str
        "bias", or "mean difference" where the reference is a scan.

    Returns
    -------
    Figure
        Left the bias, right the standard deviations; pairs by growing span.
    """
    unit = {"um": "µm", "deg": "°"}.get(str(rows["unit"].iloc[0]), "")
    pairs = rows.drop_duplicates("subject").sort_values(["span_mm", "subject"])
    place = {s: i for i, s in enumerate(pairs["subject"])}
    conditions = list(dict.fromkeys(rows["condition"]))
    height = 20 + max(3.9, 2.6 * len(conditions)) * len(pairs) + 5 * (len(conditions) > 1)
    figure = new_figure(166, min(height, 210))
    left, right = figure.subplots(1, 2, sharey=True, width_ratios=[1.35, 1])
    for number, condition in enumerate(conditions):
        mine = rows[rows["condition"] == condition]
        style = line_of(number, join=False)
        shift = (number - (len(conditions) - 1) / 2) * min(0.24, 0.8 / max(len(conditions), 1))
        y = mine["subject"].map(place).to_numpy(float) + shift
        left.hlines(y, mine["bias_low"], mine["bias_high"], color=style["color"], linewidth=1.3)
        left.plot(mine["bias"], y, **style, label=printable(condition or say("figures.all_scans")))
        right.hlines(y, mine["s_r"], mine["s_I"], color=FAINT, linewidth=1.5, zorder=1)
        hollow = {**style, "markerfacecolor": "none", "markersize": 7}  # shows around the other
        right.plot(mine["s_r"], y, **hollow, zorder=3, label=say("figures.within_a_cell"))
        right.plot(
            mine["s_I"], y, **style, zorder=2, label=say("figures.with_the_spread_between_cells")
        )
    left.axvline(0, color=INK, linewidth=0.7, zorder=1)
    ends = np.abs(rows[["bias", "bias_low", "bias_high"]].to_numpy(float))
    if limit is not None and limit < 2.2 * np.nanmax(ends, initial=0.0):
        for side in (-limit, limit):
            left.axvline(side, color=GREY, linewidth=0.8, linestyle=(0, (4, 2)), zorder=1)
    names = [
        f"{printable(s)}   {span:.1f} mm"
        for s, span in zip(pairs["subject"], pairs["span_mm"], strict=True)
    ]
    left.set_yticks(range(len(pairs)), names)
    left.set_ylim(len(pairs) - 0.4, -0.6)
    left.tick_params(axis="y", length=0)
    right.tick_params(axis="y", length=0)
    for axes in (left, right):
        axes.spines["left"].set_visible(False)
        for row in range(len(pairs)):
            axes.axhline(row, color=FAINT, linewidth=0.4, zorder=0)
        axes.margins(x=0.02)
    right.set_xlim(0, 1.06 * right.get_xlim()[1])
    left.set_title(say("figures.with_its_interval", bias_word=bias_word))
    left.set_xlabel(f"{bias_word} / {unit}")
    handles, labels = right.get_legend_handles_labels()
    right.legend(
        handles[:2], labels[:2], loc="lower left", bbox_to_anchor=(-0.03, 0.995), ncols=2,
        handletextpad=0.1, columnspacing=0.9, borderpad=0,
    )  # fmt: skip
    right.set_xlabel(say("figures.standard_deviation", unit=unit))
    if len(conditions) > 1:
        legend_of(figure, left)
    return figure


@styled
def alignment_chart(rows: pd.DataFrame, *, width_mm: float = 122) -> Figure:
    """Draw the size of the deviation of every implant by each alignment.

    Parameters
    ----------
    rows : DataFrame
        ``condition``, ``model``, ``alignment``, ``implant`` (in arch order),
        ``rms_um``: root mean square 3D deviation over the scans.
    width_mm : float
        Printed width.

    Returns
    -------
    Figure
        One panel a model, with one scale; colours are alignments, or conditions where
        there are several, and then dashes are alignments.
    """
    panels = [(str(m), part) for m, part in rows.groupby("model", sort=False)]
    conditions = list(dict.fromkeys(rows["condition"]))
    columns = 2 if len(panels) in (2, 4) else min(3, len(panels))
    lines = -(-len(panels) // columns)
    alone = columns == 1 and len(conditions) == 1
    figure = new_figure(width_mm if alone else 166, 10 + 50 * lines)
    grid = figure.subplots(lines, columns, sharey=True, squeeze=False)
    alignments = list(dict.fromkeys(rows["alignment"]))
    for axes, (model, mine) in zip(grid.flat, panels, strict=False):
        implants = list(dict.fromkeys(mine["implant"]))
        for (i, condition), (k, how) in product(enumerate(conditions), enumerate(alignments)):
            own = mine[(mine["alignment"] == how) & (mine["condition"] == condition)]
            line = own.set_index("implant")["rms_um"].reindex(implants)
            style, label = line_of(k), how
            if len(conditions) > 1:
                style = {**line_of(i), "linestyle": line_of(k)["linestyle"]}
                label = printable(f"{condition}, {how}")
            axes.plot(range(len(implants)), line, **style, label=label)
        name_ticks(axes, implants, 105 if alone else 150 / columns)
        axes.set_xlabel(say("figures.implant_along_the_arch"))
        if len(panels) > 1:
            axes.set_title(printable(say("figures.model", model=model)))
    for axes in list(grid.flat)[len(panels) :]:
        axes.remove()
    for line_axes in grid[:, 0]:
        line_axes.set_ylabel(say("figures.rms_3d_deviation_um"))
    grid[0, 0].set_ylim(0, 1.08 * float(rows["rms_um"].max()))
    legend_of(figure, grid[0, 0])
    return figure
