"""Panels of control charts: their names and events stay clear of the lines."""

from __future__ import annotations

import math
from itertools import combinations

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import pytest
from drawn import days, legend, lines, near, segments, texts, through

from accstudy.drift.status import gaps_after
from accstudy.figures.drift import (
    _dates,
    chart_panels,
    limit_chart,
    run_length_chart,
    state_chart,
)
from accstudy.figures.style import ACCENT

AT = pd.Timestamp("2024-01-08") + pd.to_timedelta(14 * np.arange(30), unit="D")


def points(chart="mean", limit=30.0):
    rng = np.random.default_rng(1)
    return pd.DataFrame(
        {
            "at": AT,
            "chart": chart,
            "value": rng.normal(0, 8, 30),
            "centre": 0.0,
            "lower": -limit,
            "upper": limit,
            "baseline": np.arange(30) < 8,
            "baseline_no": 1,
            "signal": np.arange(30) == 20,
            "any_signal": False,
            "name": "device A",
        }
    )


EVENTS = pd.DataFrame(
    {
        "at": [AT[1], AT[3], AT[12]],
        "kind": ["service", "tip changed", "software update"],
        "name": "device A",
    }
)


def figures():
    columns = [
        [("session means", "um", points()), ("EWMA of the means", "um", points("ewma"))],
        [("moving range of the spread", "score", points("moving-range-sd"))],
    ]
    yield chart_panels(columns, EVENTS)
    yield chart_panels(columns[:1], EVENTS)
    yield state_chart([("device A: scale", "um", points(), EVENTS)])


@pytest.mark.parametrize("which", range(3), ids=["two columns", "one column", "state"])
def test_names_and_events_collide_with_nothing(which):
    figure = list(figures())[which]
    figure.draw_without_rendering()
    shown = [ax for ax in figure.axes if ax.get_visible()]
    for ax in shown:
        top = ax.get_window_extent().y1
        name = ax.get_title(loc="left")
        [title] = [t for t in ax.findobj() if getattr(t, "get_text", str)() == name and name]
        boxes = [title.get_window_extent(), *(t.get_window_extent() for t in ax.texts)]
        assert all(box.y0 >= top - 0.5 for box in boxes)
        assert not any(a.overlaps(b) for a, b in combinations(boxes, 2))


def test_a_short_column_leaves_no_empty_panel():
    both, _, _ = figures()
    assert [ax.get_visible() for ax in both.axes] == [True, True, True, False]


def drift_points(*, chart="mean", value=0.0):
    at = pd.Timestamp("2025-01-01") + pd.to_timedelta([0, 7, 14, 21, 60, 67], unit="D")
    return pd.DataFrame(
        {"at": at, "chart": chart, "value": value + np.arange(6.0), "centre": 1.0, "lower": -3.0,
         "upper": 6.0, "baseline": [True, True, False, False, False, None],
         "baseline_no": [1, 1, 1, 1, 2, 2], "signal": [False, False, False, True, False, False]}
    )  # fmt: skip


def test_sessions_are_points_baselines_hollow_and_signals_squares():
    points = drift_points()
    events = pd.DataFrame({"at": [pd.Timestamp("2025-01-10")], "kind": ["service"]})
    later = drift_points(value=10.0)
    figure = state_chart(
        [("device A", "µm", points, events), ("device B", "ppm", later, events[:0])]
    )
    first, second = figure.axes
    assert [a.get_title(loc="left") for a in figure.axes] == ["device A", "device B"]
    assert [a.get_ylabel() for a in figure.axes] == ["µm", "ppm"]
    dots = days(first, marker="o")
    assert dots == [[(0, 0), (7, 1)], [(14, 2), (60, 4), (67, 5)]]
    assert [line.get_markerfacecolor() for line in first.lines if line.get_marker() == "o"] == [
        "white", ACCENT
    ]  # fmt: skip
    assert days(first, marker="s") == [[(21, 3)]]
    stepped = days(first, drawstyle="steps-mid")
    assert [[y for _, y in part] for part in stepped] == [[-3] * 4, [6] * 4, [-3] * 2, [6] * 2]
    joined = days(first, color=ACCENT, marker="None")
    assert joined == [[(0, 0), (7, 1), (14, 2), (21, 3)], [(60, 4), (67, 5)]]
    assert [y for line in days(first, linewidth=0.7, marker="None", zorder=1) for _, y in line] == (
        [1.0] * 6
    )
    assert through(first, y=0)
    assert days(second, marker="s") == [[(21, 13)]]
    assert texts(first) == ["service"]
    assert not texts(second)
    [dotted] = [line for line in first.lines if line.get_linewidth() == 0.8
                and len(line.get_xdata()) == 2 and line.get_color() != ACCENT]  # fmt: skip
    assert dotted.get_xdata()[0] == near(first.texts[0].xy[0])


def test_lines_break_in_gaps_of_more_than_twice_and_a_half_the_usual_time():
    points = drift_points()
    assert gaps_after(points["at"]) == [3]
    assert gaps_after(points["at"][:4]) == []
    assert gaps_after(points["at"][:1]) == []
    at = pd.Series(pd.Timestamp("2025-01-01") + pd.to_timedelta([0, 10, 20, 45, 71], unit="D"))
    usual = 17.5  # the median of 10, 10, 25, 26
    assert [k for k, step in enumerate((10, 10, 25, 26)) if step > 2.5 * usual] == gaps_after(at)
    edge = pd.Series(pd.Timestamp("2025-01-01") + pd.to_timedelta([0, 10, 20, 45], unit="D"))
    assert gaps_after(edge) == []  # just two and a half times
    one = state_chart([("A", "µm", points.assign(baseline_no=1), pd.DataFrame())]).axes[0]
    [line] = days(one, color=ACCENT, marker="None")
    assert line[4][0] == near((21 + 60) / 2)
    assert math.isnan(line[4][1])
    assert [y for _, y in line if not math.isnan(y)] == list(points["value"])


def test_bounds_of_sessions_stand_against_the_limit():
    held = pd.DataFrame(
        {"at": drift_points()["at"], "bound_um": [20.0, 22, 24, 51, 26, 55],
         "mean_um": [10.0, -12, 14, 40, -16, 45], "limit_um": 50.0,
         "verdict": ["v", "v", "v", "no", "v", "no"]}
    )  # fmt: skip
    ax = limit_chart(held, pd.DataFrame(), verified="v").axes[0]
    assert [y for part in segments(ax) for _, y in part] == [10, 20, 12, 22, 14, 24, 40, 51, 16, 26,
                                                            45, 55]  # fmt: skip
    assert days(ax, marker="o") == [[(0, 10), (7, 12), (14, 14), (60, 16)]]
    assert days(ax, marker="s") == [[(21, 40), (67, 45)]]
    assert through(ax, y=50.0)
    assert ax.get_ylim()[0] == 0


def test_run_lengths_are_lines_of_the_table_a_panel_a_device():
    rows = pd.DataFrame(
        [(n, c, float(s), 400.0 / (1 + s + k))
         for n in "VWXYZ" for k, c in enumerate(("mean", "EWMA")) for s in range(3)],
        columns=["name", "chart_name", "shift", "steady_state"],
    )  # fmt: skip
    figure = run_length_chart(rows, unit="ppm")
    assert [ax.get_title() or ax.get_title(loc="left") for ax in figure.axes] == list("VWXY")
    assert legend(figure) == ["mean", "EWMA"]
    for ax in figure.axes:
        assert ax.get_yscale() == "log"
        assert ax.get_xlabel() == "shift of the mean / ppm"
        assert lines(ax) == [[(s, 400 / (1 + s + k)) for s in range(3)] for k in (0, 1)]
        assert ax.get_xlim()[0] == 0
    assert figure.axes[0].get_ylim() == near((0.8, 1e3))


@pytest.mark.parametrize("length_days", [0.3, 1.5, 5.0, 14.0, 40.0, 100.0, 240.0, 900.0])
@pytest.mark.parametrize("most", [5, 9])
def test_no_date_stands_twice_on_an_axis(length_days, most):
    _, ax = plt.subplots()
    start = pd.Timestamp("2026-02-03 08:00")
    ax.plot([start, start + pd.Timedelta(days=length_days)], [0, 1])
    _dates(ax, most=most)
    said = [label.get_text() for label in ax.get_xticklabels()]
    assert 1 <= len(set(said)) == len(said) <= most
    plt.close("all")
