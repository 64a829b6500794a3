"""The arch: arrows, ellipses and names are those of the table."""

import math

import numpy as np
import pandas as pd
from drawn import NAN, lines, near, texts
from matplotlib.patches import Circle, Ellipse

from accstudy.figures.arch import arch_chart, exaggeration

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
