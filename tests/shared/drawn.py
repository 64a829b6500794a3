"""What matplotlib was told to draw, as numbers and text that a test can hold against a table."""

import math

import numpy as np
import pytest
from matplotlib.collections import LineCollection
from matplotlib.dates import date2num

NAN = math.nan


def lines(ax, **wanted):
    """Points of every line that has these properties, in the order of drawing."""
    return [
        list(zip(np.asarray(line.get_xdata(), float), np.asarray(line.get_ydata(), float),
                 strict=True))
        for line in ax.lines
        if all(getattr(line, f"get_{name}")() == value for name, value in wanted.items())
    ]  # fmt: skip


def segments(ax):
    """Ends of every horizontal or vertical stroke that is no line of its own."""
    found = [c for c in ax.collections if isinstance(c, LineCollection)]
    return [[tuple(p) for p in part] for c in found for part in c.get_segments()]


def through(ax, *, x=None, y=None):
    """Whether a line crosses the whole panel at a value."""
    wanted = ([x, x], [0, 1]) if x is not None else ([0, 1], [y, y])
    return any((list(line.get_xdata()), list(line.get_ydata())) == wanted for line in ax.lines)


def all_shown(ax, n):
    """Whether rows 0 to n - 1 lie on the panel, the first on top."""
    low, high = ax.get_ylim()
    return low > n - 1 and high < 0


def ticks(axis):
    return [t.get_text() for t in axis.get_ticklabels()]


def texts(ax):
    return [t.get_text() for t in ax.texts if t.get_text()]


def legend(figure, number=0):
    return [t.get_text() for t in figure.legends[number].get_texts()]


def near(value):
    exact = np.asarray(value, float) if np.ndim(value) else value
    return pytest.approx(exact, abs=1e-9, nan_ok=True)


def days(ax, **wanted):
    """As `lines`, with dates as days since the first."""
    first = date2num(np.datetime64("2025-01-01"))
    return [
        list(zip(np.asarray(line.get_xdata(), float) - first,
                 np.asarray(line.get_ydata(), float), strict=True))
        for line in ax.lines
        if all(getattr(line, f"get_{name}")() == value for name, value in wanted.items())
    ]  # fmt: skip
