"""Parts of an uncertainty or of a variance, as bars."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from accstudy.figures.style import ACCENT, GREY, INK, TINTS, new_axes, printable, rows_of, styled
from accstudy.words.catalogue import say
from accstudy.words.names import component_name

__all__ = ["budget_chart", "share_chart"]


@styled
def budget_chart(
    rows: pd.DataFrame, *, unit: str = "µm", largest: float | None = None, ax: Axes | None = None
) -> Axes:
    """Draw the parts of an uncertainty budget.

    Parameters
    ----------
    rows : DataFrame
        ``part``, ``u`` and ``share`` (of the variance), in the order of drawing;
        the last row is the combined standard uncertainty, its share empty.
    unit : str
        Unit of ``u`` as printed.
    largest : float, optional
        Largest ``u`` of all budgets that are compared, which sets the scale.
    ax : Axes, optional
        Where to draw; a new figure by default.

    Returns
    -------
    Axes
    """
    ax = new_axes(122, 14 + 6.6 * len(rows)) if ax is None else ax
    y = np.arange(len(rows), dtype=float)
    y[-1] += 0.25
    last = len(rows) - 1
    for i, row in enumerate(rows_of(rows)):
        total = i == last
        value = float(row.u)
        ax.barh(
            y[i],
            value,
            height=0.62,
            color=ACCENT if total else TINTS[0],
            edgecolor=ACCENT,
            linewidth=0.6,
        )
        share = "" if total or not np.isfinite(row.share) else f"   {100 * float(row.share):.0f} %"
        ax.annotate(
            f"{value:.1f} {unit}{share}",
            (value, y[i]),
            xytext=(4, 0),
            textcoords="offset points",
            va="center",
            fontsize=8,
            fontweight="semibold" if total else "normal",
            annotation_clip=False,
        )
    ax.set_yticks(y, [printable(p) for p in rows["part"]])
    ax.get_yticklabels()[-1].set_fontweight("semibold")
    ax.axhline(last - 0.4, color=GREY, linewidth=0.5)
    ax.set_ylim(y[-1] + 0.6, -0.6)
    ax.set_xlim(0, 1.28 * (float(np.nanmax(rows["u"])) if largest is None else largest))
    ax.tick_params(axis="y", length=0)
    ax.set_xlabel(say("figures.standard_uncertainty", unit=unit))
    return ax


@styled
def share_chart(rows: pd.DataFrame, *, ax: Axes | None = None) -> Axes:
    """Draw where the scatter of a model comes from.

    Parameters
    ----------
    rows : DataFrame
        Rows of table ``model_variances`` of one model.
    ax : Axes, optional
        Where to draw; a new figure by default.

    Returns
    -------
    Axes
        One bar a component, its standard deviation with profile interval, beside it its
        share of the variance.
    """
    ax = new_axes(122, 14 + (4.7 if len(rows) > 10 else 7) * len(rows)) if ax is None else ax
    y = np.arange(len(rows), dtype=float)
    sd = rows["sd"].to_numpy(float)
    ax.barh(y, sd, height=0.6, color=TINTS[0], edgecolor=ACCENT, linewidth=0.6)
    low, high = rows["low"].to_numpy(float), rows["high"].to_numpy(float)
    ends = np.where(np.isfinite(high), high, sd)
    ax.hlines(y, low, high, color=INK, linewidth=1.2)
    for i, share in enumerate(rows["share"].to_numpy(float)):
        ax.annotate(
            f"{100 * share:.0f} %",
            (max(ends[i], sd[i]), y[i]),
            xytext=(5, 0),
            textcoords="offset points",
            va="center",
            fontsize=8,
            annotation_clip=False,
        )
    ax.set_yticks(y, [printable(component_name(c)) for c in rows["component"]])
    ax.set_ylim(len(rows) - 0.4, -0.6)
    ax.set_xlim(0, 1.45 * float(np.nanmax(np.maximum(ends, sd))))
    ax.tick_params(axis="y", length=0)
    return ax
