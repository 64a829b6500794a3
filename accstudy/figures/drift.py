"""Sessions over time: charts with their limits, events, signals, trends and run lengths."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import matplotlib.dates as mdates
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from accstudy.drift.status import gaps_after
from accstudy.figures.style import (
    ACCENT,
    FAINT,
    GREY,
    INK,
    SERIES,
    legend_of,
    line_of,
    new_figure,
    printable,
    rows_of,
    styled,
)
from accstudy.words.catalogue import say

_SIGNAL = SERIES[2]
_DASHES = ((0, (4, 2)), (0, (1, 1.6)))


def _broken(points: pd.DataFrame) -> tuple[NDArray[np.float64], dict[str, NDArray[np.float64]]]:
    """Dates and values in order of time, with an empty point in every gap to break lines there."""
    rows = points.sort_values("at", kind="stable")
    at, gaps = _days(rows["at"]), [k + 1 for k in gaps_after(rows["at"])]
    middle = [(at[k - 1] + at[k]) / 2 for k in gaps]
    columns = {c: rows[c].to_numpy(float) for c in ("lower", "upper", "centre", "value")}
    return np.insert(at, gaps, middle), {
        c: np.insert(values, gaps, np.nan) for c, values in columns.items()
    }


def _days(at: pd.Series) -> NDArray[np.float64]:
    """Dates as numbers: as dates, every line would have them converted several times."""
    days: NDArray[np.float64] = mdates.date2num(pd.to_datetime(at))  # type: ignore[no-untyped-call]
    return days


@styled
def chart_panels(
    columns: Sequence[Sequence[tuple[str, str, pd.DataFrame]]],
    events: pd.DataFrame,
    *,
    panel_mm: float = 22.0,
) -> Figure:
    """Draw charts of one device in one column or two, with its events.

    Parameters
    ----------
    columns : sequence of sequences of (name, unit, DataFrame)
        For every column, from top to bottom: name of the panel, unit of its axis,
        and rows of table ``drift_points``: one chart, or several that share their
        values or the two sides of a CUSUM.
    events : DataFrame
        Table ``events`` of that device: ``at``, ``kind``.
    panel_mm : float
        Height of a panel.

    Returns
    -------
    Figure
        Hollow: baseline sessions. Squares: signals.
    """
    height = max(len(column) for column in columns)
    above_mm, below_mm = 5 + 8 * bool(len(events)), 7
    figure = Figure(figsize=(166 / 25.4, (above_mm + below_mm + panel_mm * height) / 25.4))
    grid = figure.subplots(height, len(columns), sharex=True, squeeze=False)
    _set(figure, above_mm=above_mm, below_mm=below_mm, columns=len(columns), panel_mm=panel_mm)
    for k, column in enumerate(columns):
        for ax, (name, unit, points) in zip(grid[:, k], column, strict=False):
            for number, (_, side) in enumerate(points.groupby("chart", sort=False)):
                _chart(ax, side, dashes=_DASHES[number % 2 if _shared(points) else 0])
            ax.set_ylabel(printable(unit))
            _name(ax, name)
        for ax in grid[len(column) :, k]:
            ax.set_visible(False)
        last = grid[len(column) - 1, k]
        last.xaxis.set_tick_params(labelbottom=True)
        _dates(last, most=9 if len(columns) == 1 else 5)
        _events(list(grid[: len(column), k]), events, width_mm=150 if len(columns) == 1 else 62)
    return figure


def _set(
    figure: Figure, *, above_mm: float, below_mm: float, columns: int, panel_mm: float
) -> None:
    """Place panels that are all alike; to work it out from the labels takes most of the drawing."""
    width, height = 25.4 * figure.get_size_inches()
    left, right, gap = 15.0, 6.0, 5.0
    each = (width - right - left * columns) / columns
    figure.subplots_adjust(
        left=left / width,
        right=1 - right / width,
        top=1 - above_mm / height,
        bottom=below_mm / height,
        wspace=left / each,
        hspace=gap / (panel_mm - gap),
    )


def _shared(points: pd.DataFrame) -> bool:
    """Whether the charts of a panel share their values, so that only limits tell them apart."""
    return not points["chart"].str.startswith("cusum").any()


def _chart(ax: Axes, points: pd.DataFrame, *, dashes: Any = (0, (4, 2))) -> None:
    """One chart: limits, centre, values, baseline hollow, signals square."""
    at, value = _days(points["at"]), points["value"].to_numpy(float)
    for _, part in points.groupby("baseline_no", sort=False, dropna=False):
        when, line = _broken(part)
        for column in ("lower", "upper"):
            ax.plot(
                when,
                line[column],
                color=GREY,
                linewidth=0.9,
                linestyle=dashes,
                zorder=1,
                drawstyle="steps-mid",
            )
        ax.plot(when, line["centre"], color=GREY, linewidth=0.7, zorder=1)
        ax.plot(when, line["value"], color=ACCENT, linewidth=0.8, zorder=2)
    ax.margins(y=0.2)  # whole squares at the edge of a low panel
    base = points["baseline"].fillna(False).astype(bool).to_numpy()
    signal = points["signal"].fillna(False).astype(bool).to_numpy()
    dot: dict[str, Any] = {"linestyle": "none", "color": ACCENT, "zorder": 3}
    ax.plot(at[base], value[base], marker="o", markersize=3.6,
            markerfacecolor="white", **dot)  # fmt: skip
    rest = ~base & ~signal
    ax.plot(at[rest], value[rest], marker="o", markersize=3.2, **dot)
    ax.plot(at[signal], value[signal], linestyle="none", marker="s", markersize=5,
            color=_SIGNAL, markeredgecolor=INK, markeredgewidth=0.6, zorder=4)  # fmt: skip


def _name(ax: Axes, name: str) -> None:
    """Write what a panel is about above it, clear of its lines."""
    ax.set_title(printable(name), loc="left", fontsize=8.5, fontweight="semibold", pad=2.5)


def _events(grid: list[Axes], events: pd.DataFrame, *, width_mm: float = 150.0) -> None:
    """Dotted lines through all panels, named above the first, clear of its name."""
    low, high = grid[0].get_xlim()
    letter = 1.7 * (high - low) / width_mm  # about the width of one, in days
    ends = [low + letter * (len(grid[0].get_title(loc="left")) + 2)]  # of every line of names
    for row in rows_of(events.sort_values("at")) if len(events) else []:
        x = float(mdates.date2num(pd.Timestamp(row.at)))  # type: ignore[no-untyped-call]
        for ax in grid:
            # ends below the name of the panel, which it would seem to cross
            ax.axvline(x, ymax=0.94, color=INK, linewidth=0.8, linestyle=(0, (1.2, 1.4)), zorder=0)
        level = next((k for k, end in enumerate(ends) if x > end), len(ends))
        ends[level:] = [x + letter * (len(str(row.kind)) + 1), *ends[level + 1 :]]
        grid[0].annotate(
            printable(row.kind),
            (x, 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(2, 2.5 + 11 * level),
            textcoords="offset points",
            fontsize=8,
            ha="left",
            va="bottom",
            annotation_clip=False,
        )


_A_MONTH = 28.0  # days


def _dates(ax: Axes, *, most: int = 9) -> None:
    low, high = ax.get_xlim()
    ticks, form = [(low + high) / 2], "%Y-%m-%d"  # all within a day or two
    if high - low > 2:
        locator = mdates.AutoDateLocator(minticks=3, maxticks=most)  # type: ignore[no-untyped-call]
        locator.intervald[mdates.MONTHLY] = [1, 2, 3, 4, 6, 12]
        ax.xaxis.set_major_locator(locator)
        ticks = [float(at) for at in ax.get_xticks() if low <= at <= high]
        if len(ticks) < 2 or min(np.diff(ticks)) >= _A_MONTH:
            form = "%Y-%m"
        else:  # no label twice: days, and fewer of them
            days = [float(at) for at in np.unique(np.ceil(ticks)) if at <= high]
            ticks = days[:: -(-len(days) // ((most + 1) // 2))]
    ax.set_xticks(ticks)  # found once: every drawing would search for them anew
    ax.xaxis.set_major_formatter(mdates.DateFormatter(form))  # type: ignore[no-untyped-call]


@styled
def state_chart(panels: Sequence[tuple[str, str, pd.DataFrame, pd.DataFrame]]) -> Figure:
    """Draw one chart of every device, each with its own events, on one scale for each unit.

    Parameters
    ----------
    panels : sequence of (name, unit, DataFrame, DataFrame)
        Name of the panel, unit of its axis, rows of table ``drift_points`` of one chart
        (or of both sides of a CUSUM), and of table ``events``.

    Returns
    -------
    Figure
    """
    figure = new_figure(166, 9 + 19 * len(panels))
    grid = np.atleast_1d(figure.subplots(len(panels), 1, sharex=True))
    for ax, (name, unit, points, events) in zip(grid, panels, strict=True):
        for _, side in points.groupby("chart", sort=False):
            _chart(ax, side)
        ax.axhline(0, color=FAINT, linewidth=0.7, zorder=0)
        ax.set_ylabel(printable(unit))
        _name(ax, name)
        _events([ax], events)
    for unit in dict.fromkeys(panel[1] for panel in panels):
        alike = [ax for ax, panel in zip(grid, panels, strict=True) if panel[1] == unit]
        ends = [ax.get_ylim() for ax in alike]
        for ax in alike:
            ax.set_ylim(min(low for low, _ in ends), max(high for _, high in ends))
    _dates(grid[-1])
    return figure


@styled
def limit_chart(held: pd.DataFrame, events: pd.DataFrame, *, verified: str) -> Figure:
    """Draw mean and upper bound of the worst pair of every session, against the limit.

    Parameters
    ----------
    held : DataFrame
        Rows of table ``drift_limits`` of all pairs of one device: ``at``, ``bound_um``,
        ``mean_um``, ``limit_um``, ``verdict``.
    events : DataFrame
        Table ``events`` of that device.
    verified : str
        Verdict of a session that keeps the limit.

    Returns
    -------
    Figure
        Points at the absolute mean, bars from there up to a cap at the bound; squares: sessions
        that are not verified.
    """
    figure = new_figure(166, 44 + 8 * bool(len(events)))
    ax = figure.subplots()
    at, good = _days(held["at"]), (held["verdict"] == verified).to_numpy()
    mean, bound = held["mean_um"].abs().to_numpy(float), held["bound_um"].to_numpy(float)
    limit = float(held["limit_um"].iloc[0])
    ax.vlines(at, mean, bound, color=GREY, linewidth=1.2, zorder=1)
    ax.plot(at, bound, linestyle="none", marker="_", markersize=5, color=GREY, zorder=2)
    ax.plot(at[good], mean[good], linestyle="none", marker="o", markersize=3.4,
            color=ACCENT, zorder=3)  # fmt: skip
    ax.plot(at[~good], mean[~good], linestyle="none", marker="s", markersize=5,
            color=_SIGNAL, markeredgecolor=INK, markeredgewidth=0.6, zorder=4)  # fmt: skip
    ax.axhline(limit, color=INK, linewidth=1.0, zorder=2)
    ax.set_ylim(bottom=0, top=1.15 * max(limit, float(np.nanmax([limit, *bound]))))
    ax.annotate(say("figures.limit_of", limit=limit), (1.0, limit),
                xycoords=("axes fraction", "data"), xytext=(3, 0), textcoords="offset points",
                fontsize=8, ha="left", va="center")  # fmt: skip
    ax.set_ylabel(say("figures.mean_and_bound_um"))
    _name(ax, say("figures.pair_with_the_largest_bound"))
    _events([ax], events)
    _dates(ax)
    return figure


@styled
def run_length_chart(rows: pd.DataFrame, *, unit: str) -> Figure:
    """Draw how many sessions pass until a chart signals a shift, a panel a device.

    Parameters
    ----------
    rows : DataFrame
        Rows of table ``drift_run_lengths`` of one measurand, limits as used, with
        ``name`` of the panel and ``chart_name``.
    unit : str
        Unit of the shift as printed.

    Returns
    -------
    Figure
        Logarithmic upwards, up to 1000 sessions; the same shifts in every panel.
    """
    names = list(dict.fromkeys(rows["name"]))[:4]
    figure = new_figure(166, 68)
    grid = np.atleast_1d(figure.subplots(1, len(names), sharex=True, sharey=True))
    for ax, name in zip(grid, names, strict=True):
        mine = rows[rows["name"] == name]
        for number, (chart, line) in enumerate(mine.groupby("chart_name", sort=False)):
            ax.plot(line["shift"], line["steady_state"], **line_of(number), label=str(chart))
        ax.set_yscale("log")
        ax.yaxis.set_major_formatter("{x:g}")
        ax.set_xlabel(say("figures.shift_of_the_mean", unit=unit))
        ax.set_title(printable(name))
        ax.set_xlim(left=0)
    grid[0].set_ylabel(say("figures.sessions_until_a_signal"))
    grid[0].set_ylim(0.8, 1e3)
    legend_of(figure, grid[0])
    return figure
