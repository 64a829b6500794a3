"""Deviations of implants on the arch and of pairs, and the same scans by three alignments."""

from __future__ import annotations

from itertools import product
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Ellipse

from accstudy.figures.style import (
    ACCENT,
    FAINT,
    GREY,
    INK,
    legend_of,
    line_of,
    name_ticks,
    new_axes,
    new_figure,
    printable,
    rows_of,
    styled,
)
from accstudy.words.catalogue import say
from accstudy.words.names import pair_name, unit_name

_SHORTEST_MM = 0.6


def exaggeration(rows: pd.DataFrame) -> int:
    """Return by how much deviations are enlarged, a round number.

    Parameters
    ----------
    rows : DataFrame
        As for `arch_chart`.
    """
    extent = max(float(np.ptp(rows["x_mm"])), float(np.ptp(rows["y_mm"])), 1.0)
    longest = float(
        np.nanmax(
            np.maximum(np.hypot(rows["bias_x_um"], rows["bias_y_um"]), rows["major_um"].fillna(0))
        )
    )
    wanted = 0.17 * extent / max(longest / 1000, 1e-6)
    steps = np.array([10, 15, 20, 30, 40, 50, 75, 100, 150, 200, 300, 400, 500, 750, 1000])
    return int(steps[steps <= max(wanted, 10)][-1])


@styled
def arch_chart(
    rows: pd.DataFrame,
    *,
    times: int | None = None,
    width_mm: float = 122.0,
) -> Axes:
    """Draw the mean deviation of every implant and the scatter of the scans.

    Parameters
    ----------
    rows : DataFrame
        One condition and model: ``implant`` (in arch order), ``x_mm``, ``y_mm``
        (seen along the arch's common axis), ``bias_x_um``, ``bias_y_um``, and
        the ellipse that holds a further scan: half axes ``major_um``,
        ``minor_um``, and ``turn_deg`` from x to the major axis.
    times : int, optional
        Enlargement of the deviations, the same for arches that are compared.
    width_mm : float
        Printed width.

    Returns
    -------
    Axes
        Equal scale on both axes; deviations enlarged as the picture says.
    """
    ax = new_axes(width_mm, min(84.0, 0.9 * width_mm))
    times = exaggeration(rows) if times is None else times
    scale = times / 1000
    x, y = rows["x_mm"].to_numpy(float), rows["y_mm"].to_numpy(float)
    ax.plot(x, y, color=FAINT, linewidth=1.0, zorder=0)
    centre = np.array([x.mean(), y.mean()])
    for row in rows_of(rows):
        at = np.array([float(row.x_mm), float(row.y_mm)])
        tip = at + scale * np.array([float(row.bias_x_um), float(row.bias_y_um)])
        ax.add_patch(Circle(tuple(at), 2.0, facecolor="white", edgecolor=GREY, zorder=1))
        if np.isfinite(row.major_um):
            ax.add_patch(
                Ellipse(
                    tuple(tip),
                    2 * scale * float(row.major_um),
                    2 * scale * float(row.minor_um),
                    angle=float(row.turn_deg),
                    facecolor=(*_rgb(ACCENT), 0.10),
                    edgecolor=ACCENT,
                    linestyle=(0, (3, 1.5)),
                    zorder=2,
                )
            )
        if np.linalg.norm(tip - at) > _SHORTEST_MM:  # else the head would be the arrow
            ax.annotate(
                "",
                xy=tuple(tip),
                xytext=tuple(at),
                annotation_clip=False,
                arrowprops={
                    "arrowstyle": "-|>",
                    "color": ACCENT,
                    "linewidth": 1.5,
                    "shrinkA": 0,
                    "shrinkB": 0,
                    "mutation_scale": 6,
                },
                zorder=4,
            )
        ax.plot(*at, marker=".", color=INK, markersize=3, zorder=5)
        outward = (at - centre) / max(float(np.linalg.norm(at - centre)), 1e-9)
        reach = max(2.0, float((tip - at) @ outward) + scale * _reach(row, outward))
        place = at + outward * (reach + 3.6)
        half = 0.55 * max(len(str(row.implant)), 5)
        # so that the axes reach the names
        ax.plot([place[0] - half, place[0] + half], [place[1]] * 2, linestyle="none")
        size = float(np.hypot(row.bias_x_um, row.bias_y_um))
        ax.annotate(
            f"{printable(row.implant)}\n{size:.0f} µm",
            tuple(place),
            ha="center",
            va="center",
            fontsize=8,
            linespacing=1.1,
            zorder=6,
        )
    tips = rows[["bias_x_um", "bias_y_um"]].to_numpy(float) * scale
    ax.plot(x + tips[:, 0], y + tips[:, 1], linestyle="none")  # so that the axes reach the tips
    ax.set_aspect("equal", adjustable="datalim")
    ax.margins(0.1)
    ax.set_xlabel(say("figures.x_seen_from_above_mm"))
    ax.set_ylabel(say("figures.y_mm"))
    ax.annotate(
        say("figures.arrows_and_ellipses_enlarged_times", times=times),
        (0.5, 0.02),
        xycoords="axes fraction",
        ha="center",
        va="bottom",
        fontsize=8,
        color=GREY,
    )
    ax.autoscale_view()
    return ax


def _reach(row: Any, direction: np.ndarray) -> float:
    """How far an ellipse goes from its centre in a direction, um."""
    if not np.isfinite(row.major_um):
        return 0.0
    turn = np.radians(float(row.turn_deg))
    along = direction @ np.array([np.cos(turn), np.sin(turn)])
    across = direction @ np.array([-np.sin(turn), np.cos(turn)])
    return float(np.hypot(row.major_um * along, row.minor_um * across))


def _rgb(colour: str) -> tuple[float, float, float]:
    r, g, b = (int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5))
    return r, g, b


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
    unit = unit_name(str(rows["unit"].iloc[0]))
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
        f"{printable(pair_name(s))}   {span:.1f} mm"
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
def alignment_chart(rows: pd.DataFrame) -> Figure:
    """Draw the size of the deviation of every implant by each alignment.

    Parameters
    ----------
    rows : DataFrame
        ``condition``, ``model``, ``alignment``, ``implant`` (in arch order),
        ``rms_um``: root mean square 3D deviation over the scans.

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
    figure = new_figure(122 if alone else 166, 10 + 50 * lines)
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
