"""Scans in their order, cells and limits."""

import pandas as pd
from drawn import legend, lines, through

from accstudy.figures.runs import run_chart


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
