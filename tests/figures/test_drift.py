"""Panels of control charts: their names and events stay clear of the lines."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pandas as pd
import pytest

from accstudy.figures.drift import chart_panels, state_chart

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
