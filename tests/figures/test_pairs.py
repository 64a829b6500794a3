"""Pairs and alignments: every mark and line is a cell of the table."""

import pandas as pd
from drawn import all_shown, legend, lines, near, segments, through, ticks
from matplotlib.colors import to_rgb

from accstudy.figures.pairs import alignment_chart, pair_chart
from accstudy.figures.style import SERIES


def accuracy_rows():
    return pd.DataFrame(
        {
            "condition": ["A", "A", "B", "B"], "subject": ["I1-I3", "I1-I2"] * 2, "unit": "um",
            "span_mm": [40.0, 20.0] * 2, "bias": [10.0, -5.0, 8.0, 2.0],
            "bias_low": [6.0, -9.0, 4.0, -1.0], "bias_high": [14.0, -1.0, 12.0, 5.0],
            "s_r": [4.0, 3.0, 5.0, 2.0], "s_I": [6.0, 3.5, 9.0, 2.5],
        }
    )  # fmt: skip


def test_pairs_stand_by_span_with_bias_interval_and_both_deviations():
    rows = accuracy_rows()
    figure = pair_chart(rows, limit=25.0)
    left, right = figure.axes
    assert ticks(left.yaxis) == ["I1-I2   20.0 mm", "I1-I3   40.0 mm"]
    assert legend(figure) == ["A", "B"]
    assert all_shown(left, 2)
    place = {"I1-I2": 0, "I1-I3": 1}
    strokes = {"left": segments(left), "right": segments(right)}
    for n, condition in enumerate("AB"):
        own = rows[rows["condition"] == condition]
        at = [place[s] + (n - 0.5) * 0.24 for s in own["subject"]]
        [bias] = lines(left, marker="os"[n])
        assert bias == near(list(zip(own["bias"], at, strict=True)))
        within, wide = lines(right, marker="os"[n])
        assert within == near(list(zip(own["s_r"], at, strict=True)))
        assert wide == near(list(zip(own["s_I"], at, strict=True)))
        for name, low, high in (("left", "bias_low", "bias_high"), ("right", "s_r", "s_I")):
            expected = [[(a, y), (b, y)] for a, b, y in zip(own[low], own[high], at, strict=True)]
            assert strokes[name][2 * n : 2 * n + 2] == near(expected)
    assert all(through(left, x=x) for x in (0, 25.0, -25.0))
    far = pair_chart(rows, limit=31.0)  # more than 2.2 times the largest end, 14
    assert through(far.axes[0], x=0)
    assert not through(far.axes[0], x=31.0)
    assert "bias / µm" in left.get_xlabel()
    assert "mean difference" in pair_chart(rows, bias_word="mean difference").axes[0].get_xlabel()
    assert "°" in pair_chart(rows.assign(unit="deg")).axes[0].get_xlabel()


def test_alignments_are_lines_of_the_table_in_the_order_of_the_arch():
    rows = pd.DataFrame(
        [(c, m, how, i, 10.0 * n + k + len(m))
         for c in ("A", "B") for m in ("M", "N6") for n, how in enumerate(("all", "first"))
         for k, i in enumerate(("I2", "I1", "I3"))],
        columns=["condition", "model", "alignment", "implant", "rms_um"],
    )  # fmt: skip
    figure = alignment_chart(rows)
    assert [ax.get_title() or ax.get_title(loc="left") for ax in figure.axes] == [
        "model M", "model N6"
    ]  # fmt: skip
    assert legend(figure) == ["A, all", "A, first", "B, all", "B, first"]
    for ax, model in zip(figure.axes, ("M", "N6"), strict=True):
        assert ticks(ax.xaxis) == ["I2", "I1", "I3"]
        every = lines(ax)
        for k, (condition, how) in enumerate((c, h) for c in "AB" for h in ("all", "first")):
            mine = (rows["condition"] == condition) & (rows["model"] == model)
            own = rows[mine & (rows["alignment"] == how)]
            assert every[k] == near(list(enumerate(own["rms_um"])))
            assert to_rgb(ax.lines[k].get_color()) == to_rgb(SERIES["AB".index(condition)])
    assert figure.axes[0].get_ylim() == near((0, 1.08 * rows["rms_um"].max()))
    alone = alignment_chart(rows.query("condition == 'A' and model == 'M'"))
    assert legend(alone) == ["all", "first"]
    assert alone.get_size_inches()[0] * 25.4 == near(122)
