"""A framework on its seats, and the gaps of all scans."""

import pandas as pd
from drawn import NAN, legend, lines, near, segments, texts, through, ticks
from matplotlib.patches import Polygon

from accstudy.figures.seating import gap_chart, misfit_chart, seat_chart, varied_columns

SEATS = pd.DataFrame(
    {"tightened": ["I1"] * 3 + ["best-seat"] * 3, "implant": ["I1", "I2", "I3"] * 2,
     "path_mm": [0.0, 30.0, 60.0] * 2, "gap_min_um": [0.0, 10.0, -20.0, -5.0, 0.0, -30.0],
     "gap_max_um": [5.0, 30.0, 20.0, 5.0, 8.0, -10.0]}
)  # fmt: skip


def test_a_framework_gapes_and_interferes_as_the_table_says():
    figure = seat_chart(SEATS, limit_um=40.0)
    assert [ax.get_title() or ax.get_title(loc="left") for ax in figure.axes] == [
        "one screw, at I1", "best seat"
    ]  # fmt: skip
    one, best = figure.axes
    assert texts(one) == ["I1: 5", "I2: 30", "I3: 20 / −20"]
    assert texts(best) == ["I1: 5 / −5", "I2: 8", "I3: −10 / −30"]
    assert [t.xy[0] for t in one.texts] == [0, 30, 60]
    feet = [p.get_xy()[:2].tolist() for p in one.patches if isinstance(p, Polygon)
            and not p.get_hatch()]  # fmt: skip
    assert feet == [[[-2, 0], [2, 5]], [[28, 10], [32, 30]], [[58, -20], [62, 20]]]
    hatched = [p.get_xy()[:-1].tolist() for p in one.patches if p.get_hatch()]
    assert hatched == [[[58, -20], [58, 0], [60, 0]]]  # half of the foot lies below zero
    deep = [p.get_xy()[:-1].tolist() for p in best.patches if p.get_hatch()]
    assert deep == [[[-2, -5], [-2, 0], [0, 0]], [[62, -10], [58, -30], [58, 0], [62, 0]]]
    bar = one.patches[0]
    assert (bar.get_x(), bar.get_width()) == (-2, 64)
    assert bar.get_y() == near(1.3 * 40)
    assert all(through(ax, y=y) for ax in (one, best) for y in (0, 40.0))
    assert one.get_xlim() == (-6, 66)
    assert one.get_ylim() == near((-0.975 * 40, 1.72 * 40)) or one.get_ylim()[0] == near(-39)
    missing = SEATS.assign(gap_max_um=[NAN, *SEATS["gap_max_um"][1:]])
    assert texts(seat_chart(missing).axes[0]) == ["I2: 30", "I3: 20 / −20"]
    close = SEATS.assign(path_mm=[0.0, 5.0, 60.0] * 2)
    assert {t.get_rotation() for t in seat_chart(close).axes[0].texts} == {90.0}
    assert {t.get_rotation() for t in one.texts} == {0.0}


def test_worst_gaps_of_all_scans_are_dots_and_their_median_a_line():
    rows = pd.DataFrame(
        [(way, i, f"s{k}", float(10 * n + k), 10.0 * n + 1)
         for way in ("one screw", "best seat") for n, i in enumerate(("I1", "I2"))
         for k in range(3)],
        columns=["way", "implant", "scan", "worst_um", "median_um"],
    )  # fmt: skip
    figure = gap_chart(rows, limit_um=15.0)
    assert [ax.get_title() or ax.get_title(loc="left") for ax in figure.axes] == [
        "one screw", "best seat"
    ]  # fmt: skip
    for ax in figure.axes:
        assert ticks(ax.xaxis) == ["I1", "I2"]
        for n, dots in enumerate(lines(ax, marker="o")):
            assert [y for _, y in dots] == [10 * n, 10 * n + 1, 10 * n + 2]
            assert all(abs(x - n) <= 0.25 for x, _ in dots)
            assert len({x for x, _ in dots}) == 3
        assert segments(ax) == [[near((-0.36, 1)), near((0.36, 1))],
                                [near((0.64, 11)), near((1.36, 11))]]  # fmt: skip
        assert through(ax, y=15.0)
        assert not through(ax, y=-15.0)  # nothing interferes
        assert ax.get_ylim()[0] == 0
    deep = gap_chart(rows.assign(worst_um=-rows["worst_um"]), limit_um=15.0)
    assert all(through(ax, y=y) for ax in deep.axes for y in (-15.0, 0, 15.0))
    shallow = gap_chart(rows.assign(worst_um=-rows["worst_um"]), limit_um=25.0)
    assert not through(shallow.axes[0], y=-25.0)
    assert not through(gap_chart(rows).axes[0], y=15.0)


MISFIT = pd.DataFrame(
    [
        (condition, model, way, seats, 40.0, tilt, base + k, base + 1.0)
        for way, up in (("terminal-screw", 100.0), ("best-seat", 0.0))
        for n, condition in enumerate(("A", "B"))
        for model, seats, tilt, level in (("M6", 6, 15.2, 40.0), ("M4", 4, 15.4, 20.0))
        for base in (up + level + 3 * n,)
        for k in (0.0, 1.0, 2.0)
    ],
    columns=["condition", "model", "seated", "n_seats", "span_mm", "angulation_deg", "misfit_um",
             "median_um"],
)  # fmt: skip


def test_misfits_stand_at_their_model_in_the_panel_of_their_seating():
    assert varied_columns(MISFIT) == ["n_seats"]  # angles are alike in whole degrees
    figure = misfit_chart(MISFIT, limit_um=60.0)
    assert [ax.get_title(loc="left") for ax in figure.axes] == [
        "one screw, worse end", "best seat"
    ]  # fmt: skip
    assert legend(figure) == ["A", "B"]
    for ax, way in zip(figure.axes, ("terminal-screw", "best-seat"), strict=True):
        assert ticks(ax.xaxis) == ["M4\n4 implants", "M6\n6 implants"]
        assert through(ax, y=60.0)
        assert ax.get_ylim()[0] == 0
        for n, condition in enumerate("AB"):
            single, median = lines(ax, marker="os"[n])
            own = MISFIT[(MISFIT["seated"] == way) & (MISFIT["condition"] == condition)]
            at = {m: k + (n - 0.5) * 0.2 for k, m in enumerate(("M4", "M6"))}
            assert single == near([(at[r.model], r.misfit_um) for r in own.itertuples()])
            expected = [(at[m], own[own["model"] == m]["median_um"].iloc[0]) for m in at]
            assert median == near(expected)
    one = misfit_chart(MISFIT[MISFIT["condition"] == "A"])
    assert not one.legends
    assert {x for x, _ in lines(one.axes[0], marker="o")[0]} == {0.0, 1.0}
    many = pd.concat([MISFIT.assign(model=MISFIT["model"] + s) for s in "ab"], ignore_index=True)
    assert [t.get_rotation() for t in misfit_chart(many).axes[0].get_xticklabels()] == [90] * 4
