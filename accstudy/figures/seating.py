"""A rigid framework on its implants: gaps and interference, and what its misfit depends on."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Polygon, Rectangle

from accstudy.figures.style import (
    ACCENT,
    FAINT,
    GREY,
    INK,
    TINTS,
    legend_of,
    line_of,
    name_ticks,
    new_figure,
    printable,
    rows_of,
    styled,
)
from accstudy.words.catalogue import say, words


@styled
def seat_chart(rows: pd.DataFrame, *, limit_um: float | None = None) -> Figure:
    """Draw the framework of one scan on the seats, unrolled along the arch.

    Parameters
    ----------
    rows : DataFrame
        ``tightened``, ``implant`` (in arch order), ``path_mm`` (from the first
        implant), ``gap_min_um``, ``gap_max_um``.
    limit_um : float, optional
        The user's limit of the gap.

    Returns
    -------
    Figure
        One panel a way of seating. Heights are gaps in um, widths are true in
        mm: the picture is stretched upwards. Feet are drawn slanted from their
        smallest to their largest gap; the true direction of the slant is not
        shown. Interference is hatched.
    """
    ways = list(dict.fromkeys(rows["tightened"]))
    figure = new_figure(166, 8 + (60 if _crowded(rows) else 40) * len(ways))
    grid = np.atleast_1d(figure.subplots(len(ways), 1, sharex=True, sharey=True))
    top = max(float(np.nanmax(rows["gap_max_um"])), limit_um or 0, 20.0)
    low = min(float(np.nanmin(rows["gap_min_um"])), 0.0)
    crowded = _crowded(rows)
    for ax, way in zip(grid, ways, strict=True):
        _seats(ax, rows[rows["tightened"] == way], top=top, upright=crowded)
        if limit_um is not None:
            ax.axhline(limit_um, color=GREY, linewidth=0.8, linestyle=(0, (4, 2)), zorder=1)
        ax.set_ylim(min(1.3 * low, -0.35 * top), (4.2 if crowded else 1.72) * top)
        ax.set_ylabel(say("figures.gap_um"))
        ax.set_title(
            say("figures.all_screws_best_seat")
            if way == "best-seat"
            else say("figures.one_screw_at", way=printable(way))
        )
    grid[-1].set_xlabel(say("figures.arch_length_mm"))
    return figure


def _crowded(rows: pd.DataFrame) -> bool:
    """Whether the texts over the seats would run into each other."""
    one = rows.drop_duplicates("implant").sort_values("path_mm")
    steps = one["path_mm"].diff().dropna()
    if steps.empty:
        return False
    per_mm = 140 / (float(one["path_mm"].iloc[-1] - one["path_mm"].iloc[0]) + 12)
    letters = int(one["implant"].str.len().max()) + 12
    return bool(float(steps.min()) * per_mm < 1.4 * letters)


def _seats(ax: Axes, rows: pd.DataFrame, *, top: float, upright: bool) -> None:
    half = 2.0
    first, last = float(rows["path_mm"].iloc[0]), float(rows["path_mm"].iloc[-1])
    foot = 1.30 * top
    ax.add_patch(
        Rectangle(
            (first - half, foot),
            last - first + 2 * half,
            0.18 * top,
            facecolor=TINTS[1],
            edgecolor=ACCENT,
            zorder=3,
        )
    )
    for row in rows_of(rows):
        x, small, large = float(row.path_mm), float(row.gap_min_um), float(row.gap_max_um)
        if not np.isfinite(large):
            continue
        ax.add_patch(
            Rectangle(
                (x - half, -3 * top), 2 * half, 3 * top, facecolor=FAINT, edgecolor=GREY, zorder=1
            )
        )
        ax.add_patch(
            Polygon(
                [(x - half, small), (x + half, large), (x + half, foot), (x - half, foot)],
                facecolor=TINTS[1],
                edgecolor=ACCENT,
                zorder=2,
            )
        )
        if small < 0:
            zero = x - half + 2 * half * (-small) / max(large - small, 1e-9)
            corners = [(x - half, small), (x - half, 0), (min(zero, x + half), 0)]
            if large < 0:
                corners.insert(0, (x + half, large))
            ax.add_patch(Polygon(corners, facecolor="white", edgecolor=INK, hatch="////", zorder=4))
        text = f"{large:.0f}" if small >= -0.5 else f"{large:.0f} / {small:.0f}".replace("-", "−")
        ax.annotate(
            f"{printable(row.implant)}: {text}",
            (x, 1.48 * top),
            xytext=(0, 2),
            textcoords="offset points",
            ha="center",
            va="bottom",
            rotation=90 if upright else 0,
            fontsize=8,
            zorder=5,
        )
    ax.axhline(0, color=INK, linewidth=0.7, zorder=1.5)
    ax.set_xlim(first - 6, last + 6)


@styled
def gap_chart(rows: pd.DataFrame, *, limit_um: float | None = None) -> Figure:
    """Draw the largest gap or interference at every implant over all scans.

    Parameters
    ----------
    rows : DataFrame
        ``way`` (one screw, or best seat), ``implant`` (in arch order), ``scan``,
        ``worst_um`` (negative: interference), ``median_um`` (over the scans of that implant
        and way).
    limit_um : float, optional
        The user's limit.

    Returns
    -------
    Figure
        One panel a way of seating, one scale.
    """
    ways = list(dict.fromkeys(rows["way"]))
    figure = new_figure(166, 62)
    grid = np.atleast_1d(figure.subplots(1, len(ways), sharey=True))
    for ax, way in zip(grid, ways, strict=True):
        mine = rows[rows["way"] == way]
        implants = list(dict.fromkeys(mine["implant"]))
        for i, implant in enumerate(implants):
            here = mine[mine["implant"] == implant]
            n = len(here)
            aside = i + (((np.arange(n) * 7) % 11) / 11 - 0.45) * 0.5  # spread, always the same
            ax.plot(
                aside,
                here["worst_um"],
                **{**line_of(0, join=False), "markersize": 3},
                alpha=0.6,
                zorder=2,
            )
            ax.hlines(
                float(here["median_um"].iloc[0]),
                i - 0.36,
                i + 0.36,
                color=INK,
                linewidth=1.8,
                zorder=3,
            )
        for limit in () if limit_um is None else (limit_um, -limit_um):
            if limit > 0 or float(rows["worst_um"].min()) < 0.5 * limit:
                ax.axhline(limit, color=GREY, linewidth=0.8, linestyle=(0, (4, 2)), zorder=1)
        name_ticks(ax, implants, 145 / len(ways))
        ax.set_xlim(-0.6, len(implants) - 0.4)
        ax.set_title(printable(way))
        ax.set_xlabel(say("figures.implant"))
    grid[0].set_ylabel(say("figures.gap_or_interference_um"))
    if float(rows["worst_um"].min()) >= -0.5:
        grid[0].set_ylim(bottom=0)
    else:
        for ax in grid:
            ax.axhline(0, color=INK, linewidth=0.7, zorder=1)
    return figure


_VARIED = ("n_seats", "span_mm", "angulation_deg")
"""What may differ between models."""

_MOST_LEVEL = 3  # models whose labels stand side by side without overlap


@styled
def misfit_chart(table: pd.DataFrame, *, limit_um: float | None = None) -> Figure:
    """Draw the misfit of every scan by model, one column per seating mode.

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
        Models are categories, in the order of what `_VARIED` names, and labelled with it.
    """
    varied = varied_columns(table)
    conditions = list(dict.fromkeys(table["condition"]))
    models = table.drop_duplicates("model")
    order = models[varied].astype(float).round().assign(model=models["model"].astype(str))
    models = models.loc[order.sort_values([*varied, "model"], kind="stable").index]
    places = {str(m): float(k) for k, m in enumerate(models["model"])}
    upright = len(places) > _MOST_LEVEL
    labels = [_label(row, varied, ", " if upright else "\n") for _, row in models.iterrows()]
    room = 1.7 * max(map(len, labels)) if upright else 4 * len(varied)
    figure = new_figure(166, 62 + room + 5 * (len(conditions) > 1))
    grid = figure.subplots(1, 2, sharey=True)
    for ax, (way, title) in zip(grid, words("figures.ways").items(), strict=True):
        mine = table[table["seated"] == way]
        for number, condition in enumerate(conditions):
            own = mine[mine["condition"] == condition]
            look = line_of(number, join=False)
            shift = (number - (len(conditions) - 1) / 2) * min(0.2, 0.7 / len(conditions))
            x = own["model"].astype(str).map(places).to_numpy(float) + shift
            ax.plot(x, own["misfit_um"], **{**look, "markersize": 2.6, "alpha": 0.45})
            medians = own.assign(at=x).drop_duplicates("model").sort_values("at")
            ax.plot(
                medians["at"],
                medians["median_um"],
                **{**look, "markersize": 5},
                label=printable(condition),
            )
        if limit_um is not None:
            ax.axhline(limit_um, color=GREY, linewidth=0.9, linestyle=(0, (4, 2)))
        ax.set_ylim(bottom=0)
        ax.set_xlim(-0.6, len(places) - 0.4)
        ax.set_xticks(list(places.values()), labels, rotation=90 if upright else 0)
        ax.tick_params(axis="x", length=0)
        ax.set_title(title, loc="left")
    grid[0].set_ylabel(say("figures.misfit_of_the_scan_um"))
    if len(conditions) > 1:
        legend_of(figure, grid[0])
    return figure


def varied_columns(table: pd.DataFrame) -> list[str]:
    """What differs between models, as far as a label shows it: whole mm and degrees.

    Parameters
    ----------
    table : DataFrame
        Table ``seating_scans``.

    Returns
    -------
    list of str
        Columns among those of `_VARIED`.
    """
    return [c for c in _VARIED if len(set(table[c].astype(float).round())) > 1]


def _label(row: pd.Series, varied: list[str], between: str) -> str:
    """Name of a model with what differs between models."""
    said = {c: say(f"figures.of_{c}", value=row[c]) for c in varied}
    return between.join([printable(str(row["model"])), *(said[c] for c in varied)])
