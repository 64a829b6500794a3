"""Scans in their order: is the process stable from first to last?"""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from accstudy.figures.style import (
    FAINT,
    GREY,
    INK,
    legend_of,
    line_of,
    new_figure,
    printable,
    styled,
)
from accstudy.words.catalogue import say

__all__ = ["run_chart"]


@styled
def run_chart(rows: pd.DataFrame, *, limit_um: float | None = None) -> Figure:
    """Draw two figures of every scan in the order of the scans.

    Parameters
    ----------
    rows : DataFrame
        ``number`` (from 1), ``scan``, ``condition``, ``cell``, ``longest_um``
        (signed deviation of the longest pair) and ``rms_um`` (root mean square
        over all pairs of the scan).
    limit_um : float, optional
        The user's limit, drawn if near the data.

    Returns
    -------
    Figure
        Above the longest pair, below all pairs; changes of cell are marked.
    """
    figure = new_figure(166, 76)
    above, below = figure.subplots(2, 1, sharex=True, height_ratios=[1.25, 1])
    conditions = list(dict.fromkeys(rows["condition"]))
    for number, condition in enumerate(conditions):
        mine = rows[rows["condition"] == condition]
        style = line_of(number, join=False)
        for axes, column in ((above, "longest_um"), (below, "rms_um")):
            axes.plot(
                mine["number"],
                mine[column],
                **style,
                zorder=3,
                label=printable(condition or say("figures.all_scans")),
            )
            axes.plot(mine["number"], mine[column], color=style["color"], linewidth=0.5, zorder=2)
    above.axhline(0, color=INK, linewidth=0.7, zorder=1)
    highest = float(np.nanmax(np.abs(rows["longest_um"]))) if len(rows) else 0.0
    if limit_um is not None and limit_um < 2.0 * highest:
        for side in (-limit_um, limit_um):
            above.axhline(side, color=GREY, linewidth=0.8, linestyle=(0, (4, 2)), zorder=1)
    _cells(above, below, rows)
    above.set_ylabel(say("figures.longest_pair_um"))
    below.set_ylabel(say("figures.all_pairs_rms_um"))
    below.set_ylim(bottom=0)
    step = 1 if len(rows) <= 20 else 5 if len(rows) <= 80 else 10
    below.set_xticks(np.arange(step, len(rows) + 1, step) if step > 1 else rows["number"])
    below.set_xlabel(say("figures.scan_in_order"))
    below.set_xlim(0.4, len(rows) + 0.6)
    if len(conditions) > 1:
        legend_of(figure, above)
    return figure


def _cells(above: Axes, below: Axes, rows: pd.DataFrame) -> None:
    """Separate the runs of one cell, and name them where there is room."""
    run = (rows["cell"] != rows["cell"].shift()).cumsum()
    parts = rows.groupby(run)
    if len(parts) > 12:
        return
    for _, part in parts:
        first, last = float(part["number"].iloc[0]), float(part["number"].iloc[-1])
        for axes in (above, below):
            if first > 1:
                axes.axvline(first - 0.5, color=FAINT, linewidth=1.0, zorder=0)
        name = printable(part["cell"].iloc[0])
        if name and len(name) * 1.6 < (last - first + 1) / max(len(rows), 1) * 140:
            above.annotate(
                name,
                ((first + last) / 2, 1.0),
                xycoords=("data", "axes fraction"),
                xytext=(0, 3),
                textcoords="offset points",
                ha="center",
                va="bottom",
                fontsize=8,
                color=GREY,
            )
