"""Misfit of a rigid framework against what the study varied: span, implants, angulation."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from accstudy.figures.style import GREY, line_of, new_figure, printable, styled

__all__ = ["AGAINST", "misfit_chart"]

AGAINST = {
    "n_seats": "implants of the framework",
    "span_mm": "longest span / mm",
    "angulation_deg": "largest angulation / °",
}
"""Columns that a misfit may be drawn against, with their labels."""

_WAYS = {"terminal-screw": "one screw, worse end", "best-seat": "all screws, best seat"}


@styled
def misfit_chart(table: pd.DataFrame, *, limit_um: float | None = None) -> Figure:
    """Draw the misfit of every scan, one way of seating a column.

    Parameters
    ----------
    table : DataFrame
        Table ``seating_scans`` with ``median_um``, the median over the scans of
        the same condition, model and way of seating.
    limit_um : float, optional
        The user's limit.

    Returns
    -------
    Figure
        A row for each of `AGAINST` that varies, at most two.
    """
    varied = [c for c in AGAINST if len(table[c].unique()) > 1][:2]
    conditions = list(dict.fromkeys(table["condition"]))
    figure = new_figure(166, 46 * len(varied) + 8 + 5 * (len(conditions) > 1))
    grid = figure.subplots(len(varied), 2, sharey=True, squeeze=False)
    for row, column in enumerate(varied):
        width = float(np.ptp(table[column].to_numpy(float))) / 40
        for ax, (way, title) in zip(grid[row], _WAYS.items(), strict=True):
            mine = table[table["seated"] == way]
            for number, condition in enumerate(conditions):
                own = mine[mine["condition"] == condition]
                look = line_of(number, join=False)
                shift = (number - (len(conditions) - 1) / 2) * width
                x = own[column].to_numpy(float) + shift
                ax.plot(x, own["misfit_um"], **{**look, "markersize": 2.6, "alpha": 0.45})
                medians = own.drop_duplicates(["model", "median_um"]).sort_values(column)
                ax.plot(
                    medians[column].to_numpy(float) + shift,
                    medians["median_um"],
                    **{**line_of(number), "markersize": 5},
                    label=printable(condition),
                )
            if limit_um is not None:
                ax.axhline(limit_um, color=GREY, linewidth=0.9, linestyle=(0, (4, 2)))
            ax.set_ylim(bottom=0)
            ax.set_xlabel(AGAINST[column])
            if row == 0:
                ax.set_title(title, loc="left")
        grid[row][0].set_ylabel("misfit of the scan / µm")
    if len(conditions) > 1:
        handles = grid[0][0].get_legend_handles_labels()
        figure.legend(*handles, loc="outside upper left", ncols=4)
    return figure
