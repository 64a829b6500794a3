"""The supported span: how far apart implants may be within a limit."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from accstudy.figures.style import (
    GREY,
    INK,
    legend_of,
    line_of,
    new_axes,
    printable,
    rows_of,
    styled,
)
from accstudy.words.catalogue import say

__all__ = ["supported_span_chart"]


@styled
def supported_span_chart(
    curve: pd.DataFrame,
    points: pd.DataFrame,
    levels: pd.DataFrame,
    *,
    limit_um: float | None = None,
    along: str = "span",
    height_mm: float = 80.0,
    width_mm: float = 166.0,
    ax: Axes | None = None,
) -> Axes:
    """Draw the tolerance bound against the inter-implant distance.

    Parameters
    ----------
    curve : DataFrame
        Rows of table ``span_curve`` against one length: ``condition``,
        ``length_mm``, ``bound_um`` of the pair, ``reach_all_um`` of all pairs up to
        there together and ``reach_each_um``, the largest of them (NaN where nothing
        can be said).
    points : DataFrame
        ``condition``, ``at_mm``, ``abs_um``: what single scans deviated by.
    levels : DataFrame
        ``condition``, ``level_um``, ``supported_mm`` (NaN: none), ``longest_mm``.
    limit_um : float, optional
        The user's own limit, drawn stronger.
    along : {"span", "path"}
        Straight distance, or length along the arch.
    height_mm, width_mm : float
        Printed size.
    ax : Axes, optional
        Where to draw; a new figure by default.

    Returns
    -------
    Axes
    """
    ax = new_axes(width_mm, height_mm) if ax is None else ax
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
    heights = _apart([v / top for v in shown], 4.5 / max(height_mm - 16, 20))
    for level, height in zip(shown, heights, strict=True):
        rows = levels[levels["level_um"] == level]
        _level(ax, rows, conditions, limit_um=limit_um, height=height)
    ax.set_xlim(0, right)
    ax.set_ylim(0, top)
    ax.set_xlabel(say("figures.span_between_mm" if along == "span" else "figures.arch_length_mm"))
    ax.set_ylabel(say("figures.deviation_um"))
    if len(conditions) > 1:
        figure = ax.get_figure(root=True)
        assert figure is not None
        legend_of(figure, ax)
    return ax


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
    *,
    limit_um: float | None,
    height: float,
) -> None:
    """Draw a level, and write beside it what it supports."""
    rows = rows_of(levels)
    level = float(rows[0].level_um)
    own = limit_um is not None and bool(np.isclose(level, limit_um))
    ax.axhline(level, color=INK if own else GREY, linewidth=1.1 if own else 0.5, zorder=1)
    text = f"{level:g} µm" + (" (limit)" if own else "")
    if len(conditions) == 1:
        text += f": {_supported(rows[0])}"
    ax.annotate(
        text,
        (1.0, level),
        xycoords=("axes fraction", "data"),
        xytext=(1.02, height),
        textcoords="axes fraction",
        va="center",
        fontsize=8,
        fontweight="semibold" if own else "normal",
        annotation_clip=False,
        arrowprops={"arrowstyle": "-", "color": GREY, "linewidth": 0.5, "shrinkA": 1, "shrinkB": 0},
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


def _supported(row: object) -> str:
    x, longest = float(row.supported_mm), float(row.longest_mm)  # type: ignore[attr-defined]
    if not np.isfinite(x):
        return "none"
    return say("figures.all") if x >= longest - 0.05 else say("figures.up_to_mm", x=x)
