"""Bars of a budget and of variance components."""

import pandas as pd
from drawn import NAN, all_shown, near, segments, texts, through, ticks
from matplotlib.colors import to_rgb
from matplotlib.patches import Rectangle

from accstudy.figures.budget import budget_chart, share_chart
from accstudy.figures.style import ACCENT, TINTS


def test_the_budget_is_drawn_part_by_part_with_its_total_last():
    rows = pd.DataFrame({"part": ["reference", "repeats", "combined"], "u": [3.0, 4.0, 5.0],
                         "share": [0.36, 0.64, NAN]})  # fmt: skip
    ax = budget_chart(rows, unit="°")
    bars = [p for p in ax.patches if isinstance(p, Rectangle)]
    assert [b.get_width() for b in bars] == [3, 4, 5]
    middles = [b.get_y() + b.get_height() / 2 for b in bars]
    assert middles == near([0, 1, 2.25])
    assert [to_rgb(b.get_facecolor()) for b in bars] == [to_rgb(TINTS[0])] * 2 + [to_rgb(ACCENT)]
    assert texts(ax) == ["3.0 °   36 %", "4.0 °   64 %", "5.0 °"]
    assert [t.xy for t in ax.texts] == near(list(zip(rows["u"], middles, strict=True)))
    assert ticks(ax.yaxis) == rows["part"].tolist()
    assert ax.get_xlim() == near((0, 6.4))
    assert through(ax, y=1.6)
    assert ax.get_ylim()[0] > 2.25  # the first part is on top
    assert ax.get_ylim()[1] < 0
    assert budget_chart(rows, largest=10.0).get_xlim() == near((0, 12.8))


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
