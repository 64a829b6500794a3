"""Bounds, single scans and supported spans."""

import numpy as np
import pandas as pd
from drawn import NAN, legend, lines, near
from matplotlib.colors import to_rgb

from accstudy.figures.span import supported_span_chart
from accstudy.figures.style import SERIES

CURVE = pd.DataFrame(
    {"condition": "A", "length_mm": [10.0, 20.0, 40.0], "bound_um": [30.0, 50.0, 45.0],
     "reach_all_um": [32.0, 55.0, 70.0], "reach_each_um": [30.0, 50.0, 50.0]}
)  # fmt: skip


SINGLES = pd.DataFrame({"condition": "A", "at_mm": [10.0, 41.0], "abs_um": [12.0, 65.0]})


LEVELS = pd.DataFrame(
    {"condition": "A", "level_um": [25.0, 60.0, 80.0, 500.0],
     "supported_mm": [NAN, 20.0, 40.0, 40.0], "longest_mm": 40.0}
)  # fmt: skip


def test_bounds_and_supported_spans_are_those_of_the_tables():
    ax = supported_span_chart(CURVE, SINGLES, LEVELS, limit_um=60.0)
    right = 1.02 * 41
    assert lines(ax, marker="o") == [[(10, 12), (41, 65)]]
    assert lines(ax, marker="_") == [list(zip(CURVE["length_mm"], CURVE["bound_um"], strict=True))]
    steps = [line for line in ax.lines if line.get_drawstyle() == "steps-post"]
    assert [list(s.get_ydata()) for s in steps] == [[30, 50, 50, 50], [32, 55, 70, 70]]
    assert list(steps[0].get_xdata()) == near([10, 20, 40, right])
    assert [s.get_linestyle() for s in steps] == [":", "-"]
    assert ax.get_xlim() == near((0, right))
    assert ax.get_ylim() == near((0, 1.06 * 80))  # the next level above the data is near
    assert [t.get_text() for t in ax.texts] == [
        "25 µm: none", "60 µm (limit): up to 20.0 mm", "80 µm: all"
    ]  # fmt: skip
    assert [t.xy for t in ax.texts] == [(1.0, 25), (1.0, 60), (1.0, 80)]
    assert [t.get_fontweight() for t in ax.texts] == ["normal", "semibold", "normal"]
    heights = [t.xyann[1] for t in ax.texts]
    assert heights[0] == near(25 / (1.06 * 80))
    assert min(np.diff(heights)) >= 4.5 / 64 - 1e-9  # lines of text do not overlap
    assert lines(ax, marker="v") == [[(20, 60)]]
    assert [(20, 0), (20, 60)] in lines(ax)
    assert ax.get_xlabel() == "span between two implants / mm"
    assert supported_span_chart(CURVE, SINGLES, LEVELS, along="path").get_xlabel() == (
        "arch length / mm"
    )
    low = supported_span_chart(CURVE, SINGLES, LEVELS[LEVELS["level_um"] != 80.0])
    assert low.get_ylim() == near((0, 1.06 * 70))  # 500 is too far to be shown


def test_labels_of_levels_that_lie_close_do_not_overlap():
    close = LEVELS.assign(level_um=[58.0, 60.0, 62.0, 500.0])
    ax = supported_span_chart(CURVE, SINGLES, close)
    heights = [t.xyann[1] for t in ax.texts]
    assert np.diff(heights) == near([4.5 / 64] * 2)  # a line of 3.3 mm and 1.2 mm between


def test_spans_of_several_conditions_are_marked_at_the_limit_alone():
    both = [pd.concat([t, t.assign(condition="B")]) for t in (CURVE, SINGLES, LEVELS)]
    both[2].loc[(both[2]["condition"] == "B") & (both[2]["level_um"] == 60.0), "supported_mm"] = 10
    ax = supported_span_chart(*both, limit_um=60.0)
    assert [t.get_text() for t in ax.texts] == ["25 µm", "60 µm (limit)", "80 µm"]
    assert lines(ax, marker="v") == [[(20, 60)], [(10, 60)]]
    marks = [line for line in ax.lines if line.get_marker() == "v"]
    assert [to_rgb(m.get_color()) for m in marks] == [to_rgb(c) for c in SERIES[:2]]
    assert legend(ax.figure) == ["A", "B"]
    assert not lines(supported_span_chart(*both), marker="v")
    assert len([x for x in ax.lines if x.get_drawstyle() == "steps-post"]) == 4
