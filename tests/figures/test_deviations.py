"""The arch: arrows, ellipses and names are those of the table."""

import math

import numpy as np
import pandas as pd
from drawn import NAN, all_shown, legend, lines, near, segments, texts, through, ticks
from matplotlib.colors import to_rgb
from matplotlib.patches import Circle, Ellipse

from accstudy.figures.deviations import alignment_chart, arch_chart, exaggeration, pair_chart
from accstudy.figures.style import SERIES

ARCH = pd.DataFrame(
    {
        "implant": ["I1", "I2", "I3"], "x_mm": [-20.0, 0.0, 20.0], "y_mm": [0.0, 15.0, 0.0],
        "bias_x_um": [30.0, 0.0, -40.0], "bias_y_um": [40.0, 0.0, 30.0],
        "major_um": [20.0, NAN, 10.0], "minor_um": [10.0, NAN, 5.0], "turn_deg": [30.0, NAN, 90.0],
    }
)  # fmt: skip


def test_the_arch_shows_every_bias_and_ellipse_enlarged_as_it_says():
    assert exaggeration(ARCH) == 100  # 0.17 x 40 mm over 50 um is 136: the round number below
    assert exaggeration(ARCH.assign(major_um=[100.0, NAN, NAN])) == 50  # the ellipse is larger
    assert exaggeration(ARCH.assign(y_mm=[0.0, 80.0, 0.0])) == 200  # the longer side counts
    assert exaggeration(ARCH.assign(bias_x_um=9e3)) == 10
    assert exaggeration(ARCH.assign(bias_x_um=0.0, bias_y_um=0.0, major_um=0.0)) == 1000
    ax = arch_chart(ARCH)
    arrows = [t for t in ax.texts if t.arrow_patch is not None]
    assert [a.xyann for a in arrows] == near([(-20, 0), (20, 0)])  # none where there is no bias
    assert [a.xy for a in arrows] == near([(-17, 4), (16, 3)])
    ellipses = [p for p in ax.patches if isinstance(p, Ellipse) and not isinstance(p, Circle)]
    assert [e.center for e in ellipses] == near([(-17, 4), (16, 3)])
    assert [(e.width, e.height, e.angle) for e in ellipses] == near([(4, 2, 30), (2, 1, 90)])
    assert [p.center for p in ax.patches if isinstance(p, Circle)] == [(-20, 0), (0, 15), (20, 0)]
    assert lines(ax)[0] == [(-20, 0), (0, 15), (20, 0)]
    assert texts(ax) == ["I1\n50 µm", "I2\n0 µm", "I3\n50 µm",
                         "arrows and ellipses enlarged 100 times"]  # fmt: skip
    ax.figure.draw_without_rendering()
    assert ax.get_aspect() == 1.0
    fixed = arch_chart(ARCH, times=20)
    assert [t.xy for t in fixed.texts if t.arrow_patch is not None] == near(
        [(-19.4, 0.8), (19.2, 0.6)]
    )


def test_names_of_the_arch_lie_outside_what_they_name():
    ax = arch_chart(ARCH)
    centre = np.array([0.0, 5.0])
    names = {t.get_text()[:2]: np.array(t.xy) for t in ax.texts if t.get_text().startswith("I")}
    for row in ARCH.itertuples():
        at = np.array([row.x_mm, row.y_mm])
        outward = (at - centre) / np.linalg.norm(at - centre)
        tip = 0.1 * np.array([row.bias_x_um, row.bias_y_um])
        turn = math.radians(row.turn_deg)
        axes = np.array([[math.cos(turn), math.sin(turn)], [-math.sin(turn), math.cos(turn)]])
        half = 0.1 * np.array([row.major_um, row.minor_um])
        reach = np.linalg.norm(half * (axes @ outward)) if math.isfinite(row.major_um) else 0.0
        away = (names[row.implant] - at) @ outward
        assert away == near(max(2.0, tip @ outward + reach) + 3.6)


def test_arrows_are_enlarged_by_a_round_number():
    found = set()
    for size in np.geomspace(0.01, 100.0, 200):
        sized = ARCH.assign(**{c: ARCH[c] * size for c in ("bias_x_um", "bias_y_um", "major_um")})
        found.add(int(exaggeration(sized)))
    leading = {f"{times:.1e}".split("e")[0] for times in found}
    assert leading <= {"1.0", "1.5", "2.0", "3.0", "4.0", "5.0", "7.5"}
    assert (min(found), max(found)) == (10, 1000)
    assert len(found) == 15


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
    assert ticks(left.yaxis) == ["I1–I2   20.0 mm", "I1–I3   40.0 mm"]
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
