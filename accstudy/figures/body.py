"""A scan body with its axis, its flat and the possible positions of its origin."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from accstudy.figures.style import ACCENT, INK, new_figure, printable, styled
from accstudy.words.catalogue import say

__all__ = ["BodyView", "body_chart"]


@dataclass(frozen=True, slots=True)
class BodyView:
    """One view of the body.

    Parameters
    ----------
    title : str
        From where it is seen.
    shade : (h, w) ndarray
        Brightness, 0 to 1, rows from the top; 1 where nothing is seen.
    pixels_per_mm : float
        Scale.
    arrows : sequence of (start, end, text)
        Directions as pixels (column, row).
    marks : sequence of (place, text)
        Candidate origins as pixels.
    """

    title: str
    shade: NDArray[np.float64]
    pixels_per_mm: float
    arrows: Sequence[tuple[tuple[float, float], tuple[float, float], str]]
    marks: Sequence[tuple[tuple[float, float], str]]


@styled
def body_chart(views: Sequence[BodyView]) -> Figure:
    """Draw a scan body from several sides.

    Parameters
    ----------
    views : sequence of BodyView
        Beside each other.

    Returns
    -------
    Figure
        Each view with a bar of 2 mm.
    """
    figure = new_figure(160, 100)
    axes = np.atleast_1d(figure.subplots(1, len(views)))
    for ax, view in zip(axes, views, strict=True):
        _draw(ax, view)
    return figure


def _draw(ax: Axes, view: BodyView) -> None:
    grey = np.repeat(np.clip(view.shade, 0, 1)[..., None], 3, axis=2)
    image = 0.35 + 0.65 * grey
    image[view.shade >= 1.0] = 1.0
    ax.imshow(image, interpolation="lanczos", aspect="equal")
    for start, end, text in view.arrows:
        ax.annotate(
            "", end, xytext=start,
            arrowprops={"arrowstyle": "-|>", "color": ACCENT, "linewidth": 1.4},
        )  # fmt: skip
        away = np.sign(np.subtract(end, start))
        ax.annotate(
            printable(text), end, xytext=(6 * away[0], -6 * away[1]), textcoords="offset points",
            color=ACCENT, fontsize=8.5, fontweight="semibold",
            ha=("right", "center", "left")[int(away[0]) + 1],
            va=("bottom", "center", "top")[int(away[1]) + 1],
        )  # fmt: skip
    for place, text in view.marks:
        ax.plot(*place, marker="o", markersize=4.5, markerfacecolor="white",
                markeredgecolor=INK, linestyle="none")  # fmt: skip
        ax.annotate(
            printable(text), place, xytext=(9, 0), textcoords="offset points", va="center",
            fontsize=8.5, color=INK,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.8, "alpha": 0.8},
        )  # fmt: skip
    x, y = 0.04 * view.shade.shape[1], 0.98 * view.shade.shape[0]
    ax.plot([x, x + 2 * view.pixels_per_mm], [y, y], color=INK, linewidth=2,
            solid_capstyle="butt")  # fmt: skip
    ax.annotate(
        say("figures.2_mm"),
        (x, y),
        xytext=(0, 3),
        textcoords="offset points",
        fontsize=8,
        va="bottom",
    )
    ax.set_title(printable(view.title), fontsize=9)
    ax.set_axis_off()
