"""Views of a surface: values on it, places marked in it, the axis and the flat of a scan body."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap, TwoSlopeNorm
from matplotlib.figure import Figure
from numpy.typing import NDArray

from accstudy.figures.style import ACCENT, INK, new_figure, printable, styled
from accstudy.words.catalogue import say


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


PRINTED_MM = {"located": 100.0, "surface-trueness": 80.0, "surface-precision": 80.0}
"""Printed width of every view; the two of the surface stand side by side."""

DIVERGING = LinearSegmentedColormap.from_list(
    "accstudy-diverging", ["#1F4F7F", "#8FB4D3", "#F4F2F3", "#E0B48A", "#8F4A0E"]
)
"""Signed values: blue below zero, near white at zero, brown above; apart for every eye."""

SEQUENTIAL = LinearSegmentedColormap.from_list(
    "accstudy-sequential", ["#F4F2F3", "#D9A9C6", "#9A5C8C", ACCENT]
)
"""Sizes: darker is larger."""


@styled
def view_chart(
    shade: NDArray[np.float64],
    extent_mm: tuple[float, float],
    *,
    values: NDArray[np.float64] | None = None,
    label: str = "",
    largest: float | None = None,
    signed: bool = True,
    marks: Sequence[tuple[float, float, str]] = (),
    highlight: NDArray[np.bool_] | None = None,
    width_mm: float = 100.0,
) -> Figure:
    """Draw a shaded view, coloured by a value where there is one.

    Parameters
    ----------
    shade : (h, w) ndarray
        Brightness, 0 to 1, rows from the top; 1 where nothing is seen.
    extent_mm : (float, float)
        Width and height of what is seen.
    values : (h, w) ndarray, optional
        What colours the surface; NaN leaves it grey.
    label : str
        Of the colour bar, with unit.
    largest : float, optional
        Value at which the colours end; the largest size by default.
    signed : bool
        Diverging colours with zero in the middle, or growing ones from zero.
    marks : sequence of (column, row, text)
        Pixels to be named, such as implants.
    highlight : (h, w) ndarray of bool, optional
        Pixels in the accent colour, such as located bodies.
    width_mm : float
        Printed width.

    Returns
    -------
    Figure
        With a bar of 10 mm as its scale.
    """
    height = width_mm * extent_mm[1] / extent_mm[0]
    figure = new_figure(width_mm, height + (12 if values is not None else 2))
    ax = figure.subplots()
    grey = np.repeat(np.clip(shade, 0, 1)[..., None], 3, axis=2)
    image = 0.15 + 0.85 * grey
    image[shade >= 1.0] = 1.0
    if values is not None:
        end = float(np.nanmax(np.abs(values))) if largest is None else largest
        end = end if end > 0 else 1.0
        norm: mpl.colors.Normalize = (
            TwoSlopeNorm(0.0, -end, end) if signed else mpl.colors.Normalize(0.0, end)
        )
        colours = DIVERGING if signed else SEQUENTIAL
        known = np.isfinite(values)
        tint = colours(norm(np.where(known, values, 0.0)))[..., :3]
        image[known] = (tint * (0.55 + 0.45 * grey))[known]
        bar = figure.colorbar(
            mpl.cm.ScalarMappable(norm=norm, cmap=colours), ax=ax, orientation="horizontal",
            fraction=0.05, pad=0.02, aspect=30, extend="both" if signed else "max",
        )  # fmt: skip
        below = signed and bool((values[known] < -end / 4).any())
        bar.set_label(printable(label) + (f"; dotted: below −{end / 4:g}" if below else ""))
        bar.outline.set_linewidth(0.5)
    if highlight is not None:
        image[highlight] = (np.array(mpl.colors.to_rgb(ACCENT)) * 0.45 + image * 0.55)[highlight]
    ax.imshow(image, interpolation="bilinear", aspect="equal")
    if values is not None and signed:
        _dot_below(ax, values, -end / 4, shade.shape[1] / width_mm)
    per_mm = shade.shape[1] / extent_mm[0]
    for column, row, text in marks:
        ax.annotate(
            printable(text), (column, row), xytext=(0, 10), textcoords="offset points",
            ha="center", va="bottom", fontsize=8.5, fontweight="semibold", color=INK,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0, "alpha": 0.8},
            arrowprops={"arrowstyle": "-", "color": INK, "linewidth": 0.8},
        )  # fmt: skip
    x, y = 0.5 * shade.shape[1] - 5 * per_mm, 0.97 * shade.shape[0]  # where an arch is open
    ax.plot([x, x + 10 * per_mm], [y, y], color=INK, linewidth=2, solid_capstyle="butt")
    ax.annotate(say("figures.10_mm"), (x, y), xytext=(0, 3), textcoords="offset points", fontsize=8,
                va="bottom")  # fmt: skip
    ax.set_axis_off()
    return figure


def _dot_below(ax: Axes, values: NDArray[np.float64], level: float, pixels_per_mm: float) -> None:
    """Dot what lies below a level, so that its sign is seen without colour."""
    every = max(round(1.3 * pixels_per_mm), 1)
    reach = max(every // 3, 1)
    spots = []
    for k, row in enumerate(range(every // 2, values.shape[0] - reach, every)):
        for column in range(every // 2 + (k % 2) * every // 2, values.shape[1] - reach, every):
            near = values[
                max(row - reach, 0) : row + reach, max(column - reach, 0) : column + reach
            ]
            if np.isfinite(values[row, column]) and np.nanmedian(near) < level:
                spots.append((column, row))
    if spots:
        ax.plot(*zip(*spots, strict=True), linestyle="none", marker=".", markersize=1.6, color=INK)
