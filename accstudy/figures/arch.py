"""The arch seen from above, with the deviations of every implant."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.patches import Circle, Ellipse

from accstudy.figures.style import ACCENT, FAINT, GREY, INK, new_axes, printable, rows_of, styled
from accstudy.words.catalogue import say

__all__ = ["arch_chart", "exaggeration"]

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
    ax: Axes | None = None,
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
        Printed width of a new figure.
    ax : Axes, optional
        Where to draw; a new figure by default.

    Returns
    -------
    Axes
        Equal scale on both axes; deviations enlarged as the picture says.
    """
    ax = new_axes(width_mm, min(84.0, 0.9 * width_mm)) if ax is None else ax
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
