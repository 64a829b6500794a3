"""The chart of standard deviations draws what the tables hold."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from accstudy.figures.precision import precision_chart


def points():
    return pd.DataFrame(
        {
            "condition": ["A", "A", "A", "B", "B", "B"],
            "span_mm": [10.0, 20.0, 30.0] * 2,
            "path_mm": [11.0, 25.0, 44.0] * 2,
            "s_r": [4.0, 6.0, 9.0, 5.0, 7.0, 8.0],
            "s_I": [5.0, 8.0, 12.0, 6.0, 9.0, 13.0],
        }
    )


def lines(against_r="span_mm", against_R="path_mm"):
    parts = []
    for which, against in (("s_r", against_r), ("s_I", against_R)):
        for condition, slope in (("A", 0.3), ("B", 0.4)):
            at = np.array([10.0, 20.0, 30.0])
            parts.append(
                pd.DataFrame(
                    {"condition": condition, "which": which, "against": against, "at_mm": at,
                     "value": slope * at}
                )
            )  # fmt: skip
    return pd.concat(parts, ignore_index=True)


def test_dots_and_lines_are_values_of_the_tables():
    figure = precision_chart(points(), lines(), names=("Repeats", "Intermediate precision"))
    left, right = figure.axes
    assert (left.get_title(loc="left"), left.get_xlabel()) == ("Repeats", "span / mm")
    assert right.get_xlabel() == "arch length / mm"
    for axes, which, against in ((left, "s_r", "span_mm"), (right, "s_I", "path_mm")):
        for k, condition in enumerate("AB"):
            dots, line = axes.lines[2 * k : 2 * k + 2]
            mine = points()[points()["condition"] == condition]
            assert dots.get_xdata() == pytest.approx(mine[against])
            assert dots.get_ydata() == pytest.approx(mine[which])
            own = lines()[(lines()["condition"] == condition) & (lines()["which"] == which)]
            assert line.get_ydata() == pytest.approx(own["value"])
    assert left.get_ylim()[0] == 0
    assert [t.get_text() for t in figure.legends[0].get_texts()] == ["A", "B"]


def test_without_a_spread_between_cells_there_is_one_panel():
    figure = precision_chart(
        points().assign(s_I=np.nan), lines().query("which == 's_r'"), names=("Repeats", "x")
    )
    assert [a.get_title(loc="left") for a in figure.axes] == ["Repeats"]


def test_without_a_relation_the_span_is_the_axis():
    figure = precision_chart(points(), lines().iloc[:0], names=("Repeats", "x"))
    assert {a.get_xlabel() for a in figure.axes} == {"span / mm"}
