"""Bars of a budget and of variance components."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from drawn import NAN, all_shown, legend, lines, near, segments, texts, through, ticks
from matplotlib.colors import to_rgb
from matplotlib.patches import Rectangle

from accstudy.figures.accuracy import (
    budget_chart,
    precision_chart,
    run_chart,
    share_chart,
    supported_lengths_chart,
)
from accstudy.figures.style import ACCENT, SERIES, TINTS


def test_the_budget_is_drawn_part_by_part_with_its_total_last():
    rows = pd.DataFrame({"part": ["reference", "repeats", "combined"], "u": [3.0, 4.0, 5.0],
                         "share": [0.36, 0.64, NAN]})  # fmt: skip
    ax = budget_chart(rows)
    bars = [p for p in ax.patches if isinstance(p, Rectangle)]
    assert [b.get_width() for b in bars] == [3, 4, 5]
    middles = [b.get_y() + b.get_height() / 2 for b in bars]
    assert middles == near([0, 1, 2.25])
    assert [to_rgb(b.get_facecolor()) for b in bars] == [to_rgb(TINTS[0])] * 2 + [to_rgb(ACCENT)]
    assert texts(ax) == ["3.0 µm   36 %", "4.0 µm   64 %", "5.0 µm"]
    assert [t.xy for t in ax.texts] == near(list(zip(rows["u"], middles, strict=True)))
    assert ticks(ax.yaxis) == rows["part"].tolist()
    assert ax.get_xlim() == near((0, 6.4))
    assert through(ax, y=1.6)
    assert ax.get_ylim()[0] > 2.25  # the first part is on top
    assert ax.get_ylim()[1] < 0


def test_components_are_bars_of_standard_deviations_with_intervals_and_shares():
    rows = pd.DataFrame({"component": ["scan", "condition:pair"], "sd": [4.0, 2.0],
                         "low": [3.0, 0.0], "high": [6.0, NAN], "share": [0.8, 0.2]})  # fmt: skip
    ax = share_chart(rows)
    assert [(p.get_width(), p.get_y() + p.get_height() / 2) for p in ax.patches] == near(
        [(4, 0), (2, 1)]
    )
    assert segments(ax)[0] == [(3, 0), (6, 0)]
    assert [(t.get_text(), t.xy) for t in ax.texts] == [("80 %", (6, 0)), ("20 %", (2, 1))]
    assert ticks(ax.yaxis) == ["scan", "pair within condition"]
    assert ax.get_xlim() == near((0, 8.7))
    assert all_shown(ax, 2)


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


def relations(against_r="span_mm", against_R="path_mm"):
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
    figure = precision_chart(points(), relations(), names=("Repeats", "Intermediate precision"))
    left, right = figure.axes
    assert (left.get_title(loc="left"), left.get_xlabel()) == ("Repeats", "span / mm")
    assert right.get_xlabel() == "arch length / mm"
    for axes, which, against in ((left, "s_r", "span_mm"), (right, "s_I", "path_mm")):
        for k, condition in enumerate("AB"):
            dots, line = axes.lines[2 * k : 2 * k + 2]
            mine = points()[points()["condition"] == condition]
            assert dots.get_xdata() == pytest.approx(mine[against])
            assert dots.get_ydata() == pytest.approx(mine[which])
            own = relations()[
                (relations()["condition"] == condition) & (relations()["which"] == which)
            ]
            assert line.get_ydata() == pytest.approx(own["value"])
    assert left.get_ylim()[0] == 0
    assert [t.get_text() for t in figure.legends[0].get_texts()] == ["A", "B"]


def test_without_a_spread_between_cells_there_is_one_panel():
    figure = precision_chart(
        points().assign(s_I=np.nan), relations().query("which == 's_r'"), names=("Repeats", "x")
    )
    assert [a.get_title(loc="left") for a in figure.axes] == ["Repeats"]


def test_without_a_relation_the_span_is_the_axis():
    figure = precision_chart(points(), relations().iloc[:0], names=("Repeats", "x"))
    assert {a.get_xlabel() for a in figure.axes} == {"span / mm"}


def test_scans_stand_in_their_order_and_cells_are_parted_and_named():
    rows = pd.DataFrame(
        {"number": range(1, 7), "scan": list("abcdef"), "condition": ["A"] * 4 + ["B"] * 2,
         "cell": ["op 1"] * 2 + ["op 2"] * 2 + ["op 1"] * 2,
         "longest_um": [5.0, -8.0, 3.0, 2.0, 9.0, -20.0], "rms_um": [3.0, 4.0, 2.0, 1.0, 5.0, 9.0]}
    )  # fmt: skip
    figure = run_chart(rows, limit_um=39.0)
    above, below = figure.axes
    for ax, column in ((above, "longest_um"), (below, "rms_um")):
        for marker, condition in (("o", "A"), ("s", "B")):
            own = rows[rows["condition"] == condition]
            assert lines(ax, marker=marker) == [list(zip(own["number"], own[column], strict=True))]
        assert [through(ax, x=x) for x in (0.5, 2.5, 4.5, 6.5)] == [False, True, True, False]
    assert [(t.get_text(), t.xy) for t in above.texts] == [
        ("op 1", (1.5, 1.0)), ("op 2", (3.5, 1.0)), ("op 1", (5.5, 1.0))
    ]  # fmt: skip
    assert through(above, y=39.0)
    assert through(above, y=-39.0)
    assert not through(run_chart(rows, limit_um=41.0).axes[0], y=41.0)  # beyond twice the largest
    assert below.get_ylim()[0] == 0
    assert legend(figure) == ["A", "B"]
    assert list(below.get_xticks()) == list(rows["number"])
    long = pd.concat([rows] * 4, ignore_index=True).assign(number=range(1, 25), cell="op 1")
    assert list(run_chart(long).axes[1].get_xticks()) == [5, 10, 15, 20]
    longer = pd.concat([rows] * 15, ignore_index=True).assign(number=range(1, 91))
    assert list(run_chart(longer).axes[1].get_xticks()) == list(range(10, 91, 10))
    assert not run_chart(longer).axes[0].texts  # 45 runs are not named


CURVE = pd.DataFrame(
    {"condition": "A", "length_mm": [10.0, 20.0, 40.0], "bound_um": [30.0, 50.0, 45.0],
     "reach_all_um": [32.0, 55.0, 70.0], "reach_each_um": [30.0, 50.0, 50.0]}
)  # fmt: skip


SINGLES = pd.DataFrame(
    {"condition": "A", "span_mm": [10.0, 41.0], "path_mm": [12.0, 50.0],
     "distance_um": [12.0, -65.0]}
)  # fmt: skip


LEVELS = pd.DataFrame(
    {"condition": "A", "level_um": [25.0, 60.0, 80.0, 500.0],
     "supported_mm": [NAN, 20.0, 40.0, 40.0], "longest_mm": 40.0}
)  # fmt: skip


def lengths_chart(curve, points, levels, **more):
    """Both panels, the same curve and levels in each."""
    both = pd.concat([curve.assign(against="span_mm"), curve.assign(against="path_mm")])
    figure = supported_lengths_chart(both, points, {"path": levels, "span": levels}, **more)
    return figure.axes


def test_bounds_and_supported_spans_are_those_of_the_tables():
    axes = lengths_chart(CURVE, SINGLES, LEVELS, limit_um=60.0)
    for ax, at in zip(axes, ((10, 41), (12, 50)), strict=True):
        right = 1.02 * at[1]
        assert lines(ax, marker="o") == [[(at[0], 12), (at[1], 65)]]
        bounds = list(zip(CURVE["length_mm"], CURVE["bound_um"], strict=True))
        assert lines(ax, marker="_") == [bounds]
        steps = [line for line in ax.lines if line.get_drawstyle() == "steps-post"]
        assert [list(s.get_ydata()) for s in steps] == [[30, 50, 50, 50], [32, 55, 70, 70]]
        assert list(steps[0].get_xdata()) == near([10, 20, 40, right])
        assert [s.get_linestyle() for s in steps] == [":", "-"]
        assert ax.get_xlim() == near((0, right))
        assert ax.get_ylim() == near((0, 1.06 * 80))  # the next level above the data is near
        assert lines(ax, marker="v") == [[(20, 60)]]
        assert [(20, 0), (20, 60)] in lines(ax)
    assert not axes[0].texts
    texts = axes[1].texts
    assert [t.get_text() for t in texts] == ["25 µm", "60 µm (limit)", "80 µm"]
    assert [t.xy for t in texts] == [(1.0, 25), (1.0, 60), (1.0, 80)]
    assert [t.get_fontweight() for t in texts] == ["normal", "semibold", "normal"]
    heights = [t.xyann[1] for t in texts]
    assert heights[0] == near(25 / (1.06 * 80))
    assert min(np.diff(heights)) >= 4.5 / 30 - 1e-9  # lines of text do not overlap
    assert [ax.get_xlabel() for ax in axes] == [
        "span between two implants / mm", "arch length / mm"
    ]  # fmt: skip
    low = lengths_chart(CURVE, SINGLES, LEVELS[LEVELS["level_um"] != 80.0])[0]
    assert low.get_ylim() == near((0, 1.06 * 70))  # 500 is too far to be shown


def test_labels_of_levels_that_lie_close_do_not_overlap():
    close = LEVELS.assign(level_um=[58.0, 60.0, 62.0, 500.0])
    heights = [t.xyann[1] for t in lengths_chart(CURVE, SINGLES, close)[1].texts]
    assert np.diff(heights) == near([4.5 / 30] * 2)  # a line of 3.3 mm and 1.2 mm between


def test_spans_of_several_conditions_are_marked_at_the_limit_alone():
    both = [pd.concat([t, t.assign(condition="B")]) for t in (CURVE, SINGLES, LEVELS)]
    both[2].loc[(both[2]["condition"] == "B") & (both[2]["level_um"] == 60.0), "supported_mm"] = 10
    ax = lengths_chart(*both, limit_um=60.0)[0]
    assert lines(ax, marker="v") == [[(20, 60)], [(10, 60)]]
    marks = [line for line in ax.lines if line.get_marker() == "v"]
    assert [to_rgb(m.get_color()) for m in marks] == [to_rgb(c) for c in SERIES[:2]]
    assert legend(ax.figure) == ["A", "B"]
    assert not lines(lengths_chart(*both)[0], marker="v")
    assert len([x for x in ax.lines if x.get_drawstyle() == "steps-post"]) == 4
