"""Parts of an uncertainty, scatter against length, scans in their order, and the supported span."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from accstudy.figures.style import (
    ACCENT,
    FAINT,
    GREY,
    INK,
    TINTS,
    legend_of,
    line_of,
    new_axes,
    new_figure,
    printable,
    rows_of,
    styled,
)
from accstudy.words.catalogue import say
from accstudy.words.names import component_name


@styled
def budget_chart(rows: pd.DataFrame) -> Axes:
    """Draw the parts of an uncertainty budget.

    Parameters
    ----------
    rows : DataFrame
        ``part``, ``u`` (µm) and ``share`` (of the variance), in the order of drawing;
        the last row is the combined standard uncertainty, its share empty.

    Returns
    -------
    Axes
    """
    ax = new_axes(122, 14 + 6.6 * len(rows))
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
            f"{value:.1f} µm{share}",
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
    ax.set_xlim(0, 1.28 * float(np.nanmax(rows["u"])))
    ax.tick_params(axis="y", length=0)
    ax.set_xlabel(say("figures.standard_uncertainty"))
    return ax


@styled
def share_chart(rows: pd.DataFrame) -> Axes:
    """Draw where the scatter of a model comes from.

    Parameters
    ----------
    rows : DataFrame
        Rows of table ``model_variances`` of one model.

    Returns
    -------
    Axes
        One bar a component, its standard deviation with profile interval, beside it its
        share of the variance.
    """
    ax = new_axes(122, 14 + (4.7 if len(rows) > 10 else 7) * len(rows))
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


@styled
def supported_lengths_chart(
    curve: pd.DataFrame,
    points: pd.DataFrame,
    levels: dict[str, pd.DataFrame],
    *,
    limit_um: float | None = None,
) -> Figure:
    """Draw the tolerance bound against the inter-implant distance, and beside it against the arch
    length.

    Parameters
    ----------
    curve, points : DataFrame
        Rows of tables ``span_curve`` and ``pair_deviations``.
    levels : dict of str to DataFrame
        For ``span`` and ``path``: ``condition``, ``level_um``, ``supported_mm`` (NaN: none),
        ``longest_mm``.
    limit_um : float, optional
        The user's own limit, drawn stronger.
    """
    figure = new_figure(166, _HEIGHT_MM)
    left, right = figure.subplots(1, 2, sharey=True)
    seen = {"condition": points["condition"], "abs_um": points["distance_um"].abs()}
    for ax, along in ((left, "span"), (right, "path")):
        single = pd.DataFrame({**seen, "at_mm": points[f"{along}_mm"]})
        mine = curve[curve["against"] == f"{along}_mm"]
        _bounds(ax, mine, single, levels[along], limit_um, named=ax is right)
    left.set_xlabel(say("figures.span_between_mm"))
    right.set_xlabel(say("figures.arch_length_mm"))
    left.set_ylabel(say("figures.deviation_um"))
    if len(curve["condition"].unique()) > 1:
        legend_of(figure, left)
    return figure


_HEIGHT_MM = 46.0


def _bounds(
    ax: Axes,
    curve: pd.DataFrame,
    points: pd.DataFrame,
    levels: pd.DataFrame,
    limit_um: float | None,
    *,
    named: bool,
) -> None:
    """Bounds of one pair, of each and of all pairs up to a length, and what single scans deviated
    by; the levels, with their values if `named`.
    """
    conditions = list(dict.fromkeys(curve["condition"]))
    right = 1.02 * float(np.nanmax([*curve["length_mm"], *points["at_mm"], 1.0]))
    top = _top(curve, points, levels, limit_um)
    for number, condition in enumerate(conditions):
        style = line_of(number, join=False)
        mine = points[points["condition"] == condition]
        ax.plot(mine["at_mm"], mine["abs_um"], **{**style, "markersize": 2.6}, alpha=0.45, zorder=2)
        own = curve[curve["condition"] == condition]
        for reach, line in (
            ("reach_each_um", {"linestyle": ":", "linewidth": 1.2}),
            (
                "reach_all_um",
                {
                    "linestyle": line_of(number)["linestyle"],
                    "linewidth": 2.0,
                    "label": printable(condition or say("figures.all_scans")),
                },
            ),
        ):
            ax.step(
                [*own["length_mm"], right],
                [*own[reach], *own[reach].tail(1)],
                where="post",
                color=style["color"],
                zorder=4,
                **line,
            )
        ax.plot(
            own["length_mm"],
            own["bound_um"],
            linestyle="none",
            marker="_",
            markersize=7,
            markeredgewidth=1.4,
            color=style["color"],
            zorder=3,
        )
    shown = sorted({float(v) for v in levels["level_um"] if v <= top})
    heights = _apart([v / top for v in shown], 4.5 / (_HEIGHT_MM - 16))
    for level, height in zip(shown, heights, strict=True):
        rows = levels[levels["level_um"] == level]
        _level(ax, rows, conditions, limit_um, height=height if named else None)
    ax.set_xlim(0, right)
    ax.set_ylim(0, top)


def _top(
    curve: pd.DataFrame, points: pd.DataFrame, levels: pd.DataFrame, limit_um: float | None
) -> float:
    """Upper end of the axis: above the data, the limit, and the next level if that is near."""
    seen = pd.concat([curve["reach_all_um"], points["abs_um"]]).dropna()
    highest = max(float(seen.max()) if len(seen) else 100.0, limit_um or 0.0)
    above = [v for v in sorted(levels["level_um"]) if v > highest]
    return 1.06 * (above[0] if above and above[0] < 1.8 * highest else highest)


def _apart(heights: list[float], least: float) -> list[float]:
    """Heights of labels, moved up where they would lie over each other."""
    out: list[float] = []
    for height in heights:
        out.append(max(height, out[-1] + least) if out else height)
    return out


def _level(
    ax: Axes,
    levels: pd.DataFrame,
    conditions: list[str],
    limit_um: float | None,
    *,
    height: float | None,
) -> None:
    """Draw a level and the lengths that it supports; its value beside it if a height is given."""
    rows = rows_of(levels)
    level = float(rows[0].level_um)
    own = limit_um is not None and bool(np.isclose(level, limit_um))
    ax.axhline(level, color=INK if own else GREY, linewidth=1.1 if own else 0.5, zorder=1)
    if height is not None:
        ax.annotate(
            f"{level:g} µm" + (" (limit)" if own else ""),
            (1.0, level),
            xycoords=("axes fraction", "data"),
            xytext=(1.02, height),
            textcoords="axes fraction",
            va="center",
            fontsize=8,
            fontweight="semibold" if own else "normal",
            annotation_clip=False,
            arrowprops={
                **{"arrowstyle": "-", "color": GREY, "linewidth": 0.5, "shrinkA": 1, "shrinkB": 0},
                "relpos": (0.0, 0.5),
            },
        )
    for row in rows:
        x = float(row.supported_mm)
        if not np.isfinite(x) or x >= float(row.longest_mm) - 0.05:
            continue
        if len(conditions) > 1 and not own:
            continue
        colour = line_of(conditions.index(str(row.condition)))["color"]
        ax.plot([x, x], [0, level], color=colour, linewidth=1.4 if own else 0.7, zorder=1.5)
        ax.plot([x], [level], marker="v", markersize=6, color=colour, zorder=5, clip_on=False)
