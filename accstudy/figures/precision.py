"""Scatter of the scans against the length between two implants."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from accstudy.figures.style import legend_of, line_of, new_figure, printable, styled
from accstudy.words.catalogue import say

__all__ = ["precision_chart"]


@styled
def precision_chart(points: pd.DataFrame, lines: pd.DataFrame, *, names: tuple[str, str]) -> Figure:
    """Draw standard deviations of the distance against span and path.

    Parameters
    ----------
    points : DataFrame
        A row a pair: ``condition``, ``span_mm``, ``path_mm``, ``s_r``, ``s_I`` in µm.
    lines : DataFrame
        Values of the fitted relations: ``condition``, ``which`` (``s_r`` or ``s_I``),
        ``against`` (``span_mm`` or ``path_mm``), ``at_mm``, ``value``.
    names : (str, str)
        What the two standard deviations are called.

    Returns
    -------
    Figure
        Left within cells, right with the spread between cells, where there is any.
    """
    shown = [w for w in ("s_r", "s_I") if points[w].notna().any()] or ["s_r"]
    figure = new_figure(166, 46)
    grid = figure.subplots(1, len(shown), sharey=True, squeeze=False)[0]
    conditions = list(dict.fromkeys(points["condition"]))
    for axes, which in zip(grid, shown, strict=True):
        against = _against(lines, which)
        for number, condition in enumerate(conditions):
            style = line_of(number, join=False)
            mine = points[points["condition"] == condition]
            axes.plot(
                mine[against],
                mine[which],
                **{**style, "markersize": 4},
                label=printable(condition or say("figures.all_scans")),
                zorder=3,
            )
            own = lines[(lines["condition"] == condition) & (lines["which"] == which)]
            axes.plot(
                own["at_mm"],
                own["value"],
                color=style["color"],
                linestyle=line_of(number)["linestyle"],
                linewidth=1.2,
                zorder=2,
            )
        axes.set_xlim(left=0)
        axes.set_ylim(0, 1.08 * float(np.nanmax([*points[list(shown)].to_numpy().ravel(), 1.0])))
        axes.set_xlabel(
            say("figures.span_mm" if against == "span_mm" else "figures.arch_length_mm")
        )
        axes.set_title(printable(names[0] if which == "s_r" else names[1]), loc="left")
    grid[0].set_ylabel(say("figures.standard_deviation_um"))
    if len(conditions) > 1:
        legend_of(figure, grid[0])
    return figure


def _against(lines: pd.DataFrame, which: str) -> str:
    """The length against which the relation of most conditions is best."""
    mine = lines.loc[lines["which"] == which, ["condition", "against"]].drop_duplicates()
    return str(mine["against"].mode().iloc[0]) if len(mine) else "span_mm"
