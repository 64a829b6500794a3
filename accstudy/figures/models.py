"""Results of the mixed models: means, contrasts, effects and model checks."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import ScalarFormatter

from accstudy.figures.style import (
    ACCENT,
    FAINT,
    GREY,
    INK,
    legend_of,
    line_of,
    new_axes,
    new_figure,
    printable,
    rows_of,
    styled,
    wrapped,
)
from accstudy.words.catalogue import say
from accstudy.words.names import component_name


@styled
def means_chart(rows: pd.DataFrame) -> Figure:
    """Draw estimated means with their intervals, a panel a response.

    Parameters
    ----------
    rows : DataFrame
        ``panel`` (title), ``axis`` (label with unit), ``level``, ``estimate``,
        ``low``, ``high``; ``zero``: whether zero is a reference in that panel.

    Returns
    -------
    Figure
    """
    panels = list(dict.fromkeys(rows["panel"]))
    levels = list(dict.fromkeys(rows["level"]))
    names = [wrapped(level, 26 if len(levels) < 5 else 36) for level in levels]
    longest = max(len(line) for name in names for line in name.split("\n"))
    room_mm = (160 - 1.6 * longest) / len(panels)
    titles = [wrapped(_titled(rows, panel), int(room_mm / 1.4)) for panel in panels]
    lines = len(levels) * _most_lines(names) + _most_lines(titles) - 1
    figure = new_figure(166, 11 + 4.2 * lines)
    grid = np.atleast_1d(figure.subplots(1, len(panels), sharey=True))
    for ax, panel, title in zip(grid, panels, titles, strict=True):
        mine = rows[rows["panel"] == panel]
        for row in rows_of(mine):
            number = levels.index(row.level)
            ax.hlines(number, row.low, row.high, color=line_of(number)["color"], linewidth=2.0)
            ax.plot(row.estimate, number, **{**line_of(number, join=False), "markersize": 6})
        if bool(mine["zero"].iloc[0]):
            ax.axvline(0, color=INK, linewidth=0.7, zorder=0)
        else:
            # few degrees of freedom can leave a size without an upper limit
            ends = mine[["estimate", "high"]].to_numpy(float)
            ax.set_xlim(0, 1.08 * float(ends[np.isfinite(ends)].max()))
        ax.set_title(title)
        ax.tick_params(axis="y", length=0)
        ax.spines["left"].set_visible(False)
        for number in range(len(levels)):
            ax.axhline(number, color=FAINT, linewidth=0.4, zorder=0)
    grid[0].set_yticks(range(len(levels)), names)
    grid[0].set_ylim(len(levels) - 0.4, -0.6)
    return figure


def _most_lines(texts: list[str]) -> int:
    return max((1 + text.count("\n") for text in texts), default=1)


def _titled(rows: pd.DataFrame, panel: str) -> str:
    """What a panel shows, with the unit of its axis."""
    unit = str(rows.loc[rows["panel"] == panel, "axis"].iloc[0]).partition(" / ")[2]
    return f"{panel} / {unit}" if unit else panel


@styled
def contrast_chart(rows: pd.DataFrame, *, axis: str) -> Axes:
    """Draw differences of means with their intervals and the equivalence bounds.

    Parameters
    ----------
    rows : DataFrame
        ``contrast``, ``estimate``, ``low``, ``high``, ``margin`` (NaN: none set),
        ``equivalence_low`` and ``equivalence_high``: drawn thick where a margin is set.
    axis : str
        Label of the axis, with unit.

    Returns
    -------
    Axes
        The equivalence region is grey between two dashed bounds.
    """
    names = [wrapped(contrast, 40) for contrast in rows["contrast"]]
    ax = new_axes(166, 20 + max(7, 4 * _most_lines(names)) * len(rows))
    margin = rows["margin"].dropna()
    if len(margin):
        m = float(margin.iloc[0])
        ax.axvspan(-m, m, color=FAINT, alpha=0.45, linewidth=0, zorder=0)
        for side in (-m, m):
            ax.axvline(side, color=GREY, linewidth=0.9, linestyle=(0, (4, 2)), zorder=1)
    ax.axvline(0, color=INK, linewidth=0.7, zorder=1)
    for number, row in enumerate(rows_of(rows)):
        ax.hlines(number, row.low, row.high, color=ACCENT, linewidth=1.2, zorder=3)
        if len(margin):
            ax.hlines(number, row.equivalence_low, row.equivalence_high,
                      color=ACCENT, linewidth=3.2, zorder=3)  # fmt: skip
        ax.plot(row.estimate, number, marker="o", color=ACCENT, markersize=6, zorder=4)
    ax.set_yticks(range(len(rows)), names)
    ax.set_ylim(len(rows) - 0.4, -0.6)
    ax.tick_params(axis="y", length=0)
    ax.spines["left"].set_visible(False)
    ax.margins(x=0.06)
    ax.set_xlabel(printable(axis))
    return ax


@styled
def effect_chart(
    points: pd.DataFrame, lines: pd.DataFrame, means: pd.DataFrame, panels: pd.DataFrame
) -> Figure:
    """Draw data, class means and fitted lines with their bands against a covariate.

    Parameters
    ----------
    points : DataFrame
        ``panel``, ``level``, ``x``, ``y``: what was seen.
    lines : DataFrame
        ``panel``, ``level``, ``x``, ``y``, ``low``, ``high``: points of each fitted line
        and of its band.
    means : DataFrame
        ``panel``, ``level``, ``x``, ``y``: means of what was seen, by class.
    panels : DataFrame
        ``panel``, ``x_axis``, ``y_axis`` (labels with unit), ``sizes`` (whether values
        are sizes, drawn on a logarithmic axis).

    Returns
    -------
    Figure
        One panel a row of `panels`.
    """
    levels = list(dict.fromkeys(lines["level"]))
    figure = new_figure(166, 78)
    grid = np.atleast_1d(figure.subplots(1, len(panels)))
    for ax, panel in zip(grid, rows_of(panels), strict=True):
        seen, fitted, classes = (t[t["panel"] == panel.panel] for t in (points, lines, means))
        reach = float(seen["x"].max() - seen["x"].min()) if len(seen) else 1.0
        for number, level in enumerate(levels):
            style, dots = line_of(number), line_of(number, join=False)
            aside = (number - (len(levels) - 1) / 2) * 0.018 * reach
            mine, line, own = (t[t["level"] == level] for t in (seen, fitted, classes))
            ax.plot(
                mine["x"] + aside, mine["y"], **{**dots, "markersize": 1.6, "alpha": 0.16}, zorder=2
            )
            ax.fill_between(
                line["x"], line["low"], line["high"],
                color=style["color"], alpha=0.16, linewidth=0, zorder=3,
            )  # fmt: skip
            ax.plot(line["x"], line["y"], color="white", linewidth=3.6, zorder=4)
            ax.plot(
                line["x"], line["y"], color=style["color"], linestyle=style["linestyle"],
                linewidth=1.9, zorder=5, label=printable(level or say("figures.all_scans")),
            )  # fmt: skip
            ax.plot(
                own["x"] + aside, own["y"], zorder=6,
                **{**dots, "markersize": 5, "markeredgecolor": "white", "markeredgewidth": 0.7},
            )  # fmt: skip
        if bool(panel.sizes):
            ax.set_yscale("log")
            shown = seen.loc[seen["y"] > 0, "y"]
            if len(shown):  # sizes near nothing would stretch the axis over many decades
                ax.set_ylim(bottom=float(shown.quantile(0.02)))
            ax.yaxis.set_major_formatter(ScalarFormatter())
        else:
            ax.axhline(0, color=INK, linewidth=0.6, zorder=1)
        whole = seen["x"].nunique() <= 8 and bool((seen["x"] % 1 == 0).all())
        if whole:
            ax.set_xticks(sorted(seen["x"].unique()))
        ax.set_xlabel(printable(panel.x_axis))
        ax.set_ylabel(printable(panel.y_axis))
    if len(levels) > 1:
        legend_of(figure, grid[0])
    return figure


@styled
def residual_page(residuals: pd.DataFrame, quantiles: pd.DataFrame, *, unit: str = "") -> Figure:
    """Draw the residual checks of one model.

    Parameters
    ----------
    residuals : DataFrame
        ``fitted``, ``residual_scaled``, ``path_mm``, ``condition``.
    quantiles : DataFrame
        ``component``, ``normal``, ``value``: ordered effects and residuals beside
        normal quantiles.
    unit : str
        Of the fitted values; empty without any.

    Returns
    -------
    Figure
        Residuals against fitted values and against the path; residuals and
        random effects against normal quantiles.
    """
    figure = new_figure(166, 104)
    ((a, b), (c, d)) = figure.subplots(2, 2)
    conditions = list(dict.fromkeys(residuals["condition"]))
    for ax, column, label in (
        (a, "fitted", say("figures.fitted_value", unit=f" / {unit}" if unit else "")),
        (b, "path_mm", say("figures.arch_length_mm")),
    ):
        for number, condition in enumerate(conditions):
            mine = residuals[residuals["condition"] == condition]
            ax.plot(
                mine[column],
                mine["residual_scaled"],
                **{**line_of(number, join=False), "markersize": 2.6, "alpha": 0.5},
                label=printable(condition or say("figures.all_scans")),
            )
        ax.axhline(0, color=INK, linewidth=0.7, zorder=1)
        for side in (-2, 2):
            ax.axhline(side, color=GREY, linewidth=0.6, linestyle=(0, (4, 2)), zorder=1)
        ax.set_xlabel(label)
        ax.set_ylabel(say("figures.scaled_residual"))
    own = quantiles[quantiles["component"] == "residual"]
    rest = quantiles[quantiles["component"] != "residual"]
    c.plot(own["normal"], own["value"], **{**line_of(0, join=False), "markersize": 2.6})
    for number, name in enumerate(list(dict.fromkeys(rest["component"]))[:4]):
        mine = rest[rest["component"] == name]
        d.plot(
            mine["normal"],
            mine["value"],
            **{**line_of(number, join=False), "markersize": 4},
            label=printable(component_name(name)),
        )
    for ax, what in ((c, "residual"), (d, "random effect")):
        ax.axline((0, 0), slope=1, color=INK, linewidth=0.7, zorder=1)
        ax.set_xlabel(say("figures.normal_quantile"))
        ax.set_ylabel(say("figures.scaled_what", what=what))
    if len(rest):
        legend_of(figure, d, place="outside lower right")
    if len(conditions) > 1:
        legend_of(figure, a)
    return figure
