"""Figures of tables at the edges of what is usual, every artist as somebody has approved it.

The figures of usual tables are approved with the pages that show them: tests/reports.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from approved import compare
from drawn import NAN
from kept_studies import drawn

from accstudy.figures.accuracy import (
    budget_chart,
    precision_chart,
    run_chart,
    share_chart,
    supported_lengths_chart,
)
from accstudy.figures.deviations import alignment_chart, arch_chart, exaggeration, pair_chart
from accstudy.figures.drift import (
    chart_panels,
    gaps_after,
    limit_chart,
    run_length_chart,
    state_chart,
)
from accstudy.figures.models import contrast_chart, effect_chart, means_chart, residual_page
from accstudy.figures.seating import gap_chart, misfit_chart, seat_chart, varied_columns
from accstudy.figures.views import BodyView, body_chart, view_chart

CASES = {}


def case(function):
    CASES[function.__name__.replace("_", "-")] = function
    return function


def frame(**columns):
    return pd.DataFrame(columns)


@case
def arches():
    rows = frame(implant=["a", "b", "long name", "d"], x_mm=[0.0, 10, 30, 40],
                 y_mm=[0.0, 20, 20, 0], bias_x_um=[0.0, 3, -60, 12], bias_y_um=[0.0, 0, 20, -5],
                 major_um=[40.0, NAN, 30, 90], minor_um=[20.0, NAN, 10, 8],
                 turn_deg=[0.0, NAN, 30, -75])  # fmt: skip
    for wide in (122.0, 80.0, 94.0):
        yield arch_chart(rows, width_mm=wide)
    yield arch_chart(rows.assign(major_um=NAN), times=200)
    yield arch_chart(rows.iloc[[1]], times=199)  # 0.6 mm: as short as an arrow may be


@case
def bodies():
    shade = np.linspace(0.3, 1.05, 200).reshape(20, 10)
    arrows = [((2.0, 15.0), (8.0, 5.0), "axis"), ((8.0, 5.0), (2.0, 5.0), "flat"),
              ((5.0, 5.0), (5.0, 15.0), "down")]  # fmt: skip
    marks = [((3.0, 9.0), "A"), ((6.0, 4.0), "B: rim")]
    yield body_chart([BodyView("front", shade, 2.0, arrows, marks),
                      BodyView("above", shade, 3.0, [], [])])  # fmt: skip
    yield body_chart([BodyView("front", shade, 2.5, arrows[:1], [])])


@case
def views():
    shade = np.full((60, 80), 0.6)
    shade[:6] = 1.0
    values = np.where(shade < 1, np.linspace(-30, 20, 80), NAN)
    place = [(20.0, 30.0, "I1"), (60.0, 50.0, "I2")]
    yield view_chart(shade, (40.0, 30.0), values=values, label="x / µm", marks=place)
    yield view_chart(shade, (40.0, 30.0), values=values, largest=120.0, width_mm=20.0)
    yield view_chart(shade, (40.0, 30.0), values=0 * values, width_mm=80.0)
    yield view_chart(shade, (40.0, 30.0), values=abs(values), signed=False, label="y")
    yield view_chart(shade, (80.0, 20.0), highlight=shade < 1)


@case
def budgets():
    rows = frame(part=["a", "b", "c", "combined"], u=[3.25, NAN, 1.0, 4.04],
                 share=[0.655, NAN, 0.345, NAN])  # fmt: skip
    yield budget_chart(rows)
    shares = frame(component=[f"x{k}" for k in range(11)], sd=np.arange(11.0),
                   share=np.arange(11) / 55, low=0.5, high=[12.0, NAN] + [9.5] * 9)  # fmt: skip
    yield share_chart(shares)
    yield share_chart(shares.head(10))


def points(days, **columns):
    n = len(days)
    base = {"at": pd.Timestamp("2025-03-03") + pd.to_timedelta(days, "D"), "chart": "mean",
            "value": np.linspace(-2, 5, n), "centre": 0.5, "lower": -4.0, "upper": 4.0,
            "session": [f"S{k}" for k in range(n)], "baseline": [k < 2 for k in range(n)],
            "baseline_no": 1, "signal": [k == n - 1 for k in range(n)]}  # fmt: skip
    return pd.DataFrame(base | columns)


NONE = frame(at=[], kind=[])


@case
def drifts():
    events = frame(at=pd.to_datetime(["2025-03-20", "2025-03-10", "2025-03-12", "2025-06-01"]),
                   kind=["tip changed", "service of the device", "moved", "x"])  # fmt: skip
    weeks, months = points(np.arange(8) * 7), points(np.arange(8) * 31)
    for rows in (
        points([0]),
        points([0, 1, 2]),
        points([0, 1, 2.5]),
        points(np.arange(6) * 3),
        weeks,
        months,
        points(np.arange(8) * 120),
        points([0, 7, 14, 21, 90, 97, 150]),
    ):
        yield state_chart([("Device A, long: mean", "µm", rows, events)])
    both = pd.concat([weeks, weeks.assign(chart="ewma", upper=3.0, baseline=None, signal=None)])
    cusum = pd.concat(
        [weeks.assign(chart=f"cusum-{s}", baseline_no=[1] * 4 + [2] * 4) for s in ("high", "low")]
    )
    yield chart_panels([[("one", "µm", both), ("two", "µm", cusum)], [("three", "score", weeks)]],
                       events)  # fmt: skip
    yield chart_panels([[("one", "µm", months)]], NONE, panel_mm=14)
    yield state_chart([("a", "µm", weeks, NONE), ("b", "score", months, events)])
    held = frame(at=weeks["at"], mean_um=[-4.0, 5, 6, -7, 8, 9, 10, 11], bound_um=range(8, 16),
                 limit_um=13.0, verdict=["ok"] * 5 + ["open"] * 3)  # fmt: skip
    yield limit_chart(held, events, verified="ok")
    yield limit_chart(held, NONE, verified="ok")
    lengths = pd.concat(
        [frame(name=f"device {k}", chart_name=c, shift=[0.0, 5, 10], steady_state=[80, 9, 2 + k])
         for k in range(5) for c in ("mean", "EWMA")]
    )  # fmt: skip
    yield run_length_chart(lengths, unit="µm")
    yield run_length_chart(lengths[lengths["name"].eq("device 0")], unit="ppm")


def seat(tightened, low, high, names="abcd", step=12.0):
    return frame(tightened=tightened, implant=list(names), path_mm=np.arange(len(names)) * step,
                 gap_min_um=low, gap_max_um=high)  # fmt: skip


@case
def seats():
    best = seat("best-seat", [0.0, -0.5, -0.51, NAN], [12.0, 30.0, 4.0, NAN])
    pressed = seat("a", [-40.0, -3.0, 5.0, 0.0], [-10.0, 3.0, 60.0, 0.0])
    yield seat_chart(pd.concat([pressed, best]))
    yield seat_chart(best, limit_um=150.0)
    for step in (18.9, 19.0, 4.0):
        yield seat_chart(seat("best-seat", 0.0, 9.0, ["implant 1", "implant 2"], step))
    yield seat_chart(seat("best-seat", [1.0], [2.0], "a"))
    gaps = frame(way=["one"] * 6 + ["best"] * 3, implant=list("aabbcc") + list("abc"),
                 worst_um=[10.0, -0.5, 30, 20, 5, 6, 7, 8, 9],
                 median_um=[5.0, 5, 25, 25, 5, 5, 7, 8, 9])  # fmt: skip
    yield gap_chart(gaps)
    for worst in (-0.51, -75.0, -75.1):
        yield gap_chart(gaps.assign(worst_um=gaps["worst_um"].replace(-0.5, worst)), limit_um=150.0)


@case
def misfits():
    rows = pd.DataFrame(
        [{"model": f"M{m}", "condition": c, "seated": way, "misfit_um": 10.0 * m + k + 1,
          "median_um": 10.0 * m, "n_seats": 4 + m % 2, "span_mm": 30.4 + 0.2 * m,
          "angulation_deg": 5.0}
         for m in range(4) for c in ("x", "y") for way in ("best-seat", "terminal-screw")
         for k in (0, 4)]
    )  # fmt: skip
    yield misfit_chart(rows, limit_um=33.0)
    few = rows[rows["model"].ne("M3")]
    yield misfit_chart(few)
    yield misfit_chart(few[few["condition"].eq("x")].assign(angulation_deg=few["misfit_um"]))


@case
def comparisons():
    means = frame(panel=["A", "A", "B"], axis=["mean / µm", "mean / µm", "ratio"], zero=[1, 1, 0],
                  level=["x", "y", "y"], estimate=[3.0, -2, 5], low=[1.0, -9, 0],
                  high=[5.0, 4, 11])  # fmt: skip
    yield means_chart(means.astype({"zero": bool}))
    rows = frame(contrast=["x − y", "x − z"], estimate=[1.0, -4], low=[-2.0, -6], high=[4.0, -2],
                 margin=[NAN, 3.5], equivalence_low=[-1.0, -5.5],
                 equivalence_high=[3.0, -2.5])  # fmt: skip
    yield contrast_chart(rows, axis="difference / µm")
    yield contrast_chart(rows.assign(margin=NAN), axis="difference")
    n = np.arange(9)
    at = [("1", "a", n * 1.0), ("1", "b", n + 2.0), ("2", "a", n % 8 * 1.0), ("3", "a", n / 2)]
    seen = pd.concat([frame(panel=p, level=v, x=x, y=n - 1.5) for p, v, x in at])
    lines = frame(panel=list("112334"), level=list("abaaba"), x=1.0, y=2.0, low=0.5, high=3.0)
    panels = frame(
        panel=list("1234"), x_axis="x / mm", y_axis="y", sizes=[False, True, False, True]
    )
    yield effect_chart(seen, lines, seen.iloc[::4], panels)
    one = panels.head(1).assign(panel="2")
    yield effect_chart(seen, lines[lines["panel"].eq("2")].assign(level=""), seen.head(0), one)
    left = frame(fitted=[1.0, 2], residual_scaled=[-1.0, 3], path_mm=[10.0, 20], condition="")
    ordered = frame(component=["residual", "scan", "pair", "a", "b", "c"], normal=0.5, value=0.25)
    yield residual_page(left, ordered)
    yield residual_page(left.assign(condition=["x", "y"]), ordered.head(1), unit="µm")


@case
def accuracies():
    rows = frame(subject=["a-b", "a-c", "b-c"], span_mm=[20.0, 30, 10], unit="um",
                 bias=[3.0, -8, 1], bias_low=[1.0, -20, NAN], bias_high=[5.0, 2, NAN],
                 s_r=[2.0, 3, NAN],
                 s_I=[2.5, 3, NAN], condition="")  # fmt: skip
    for limit in (None, 43.99, 44.0):
        yield pair_chart(rows, limit=limit)
    several = pd.concat([rows.assign(condition=f"device {k}", unit="deg") for k in range(4)])
    yield pair_chart(several, limit=1.0, bias_word="mean difference")
    yield pair_chart(several[several["condition"].isin(["device 0", "device 1"])])
    yield pair_chart(pd.concat([rows.assign(subject=f"{k}") for k in range(60)]))
    aligned = pd.concat(
        [frame(model=f"M{m}", condition=c, alignment=h, implant=["I1", "an implant of long name"],
               rms_um=[4.0 + m, 9.0]) for m in range(6) for c in "xy" for h in ("all", "first")]
    )  # fmt: skip
    for n in (1, 2, 3, 4, 5):
        own = aligned[aligned["model"].isin([f"M{k}" for k in range(n)])]
        yield alignment_chart(own if n < 4 else own[own["condition"].eq("x")])
    yield alignment_chart(aligned[aligned["model"].eq("M0") & aligned["condition"].eq("x")])
    scatter = frame(condition="", span_mm=[10.0, 20], path_mm=[11.0, 25], s_r=[0.2, 0.4], s_I=NAN)
    fits = frame(condition="", which="s_r", against="path_mm", at_mm=[11.0, 25], value=[0.2, 0.4])
    yield precision_chart(scatter, fits, names=("repeats", "all"))
    yield precision_chart(scatter.assign(s_r=NAN, s_I=[3.0, NAN]), fits, names=("repeats", "all"))
    yield precision_chart(pd.concat([scatter, scatter.assign(condition="x", s_I=2.0)]),
                          fits.assign(condition="x"), names=("repeats", "all"))  # fmt: skip


@case
def runs():
    def scans(n, per_cell, **more):
        k = np.arange(n)
        base = {"number": k + 1, "scan": [f"s{i}" for i in k], "condition": "",
                "cell": [f"cell {i // per_cell}" for i in k], "longest_um": 10 * np.sin(k),
                "rms_um": 5.0}  # fmt: skip
        return pd.DataFrame(base | more)

    for n, per_cell in ((20, 5), (21, 7), (80, 40), (81, 7), (24, 2), (26, 2), (12, 1), (13, 1)):
        yield run_chart(scans(n, per_cell))
    rows = scans(6, 3, longest_um=[1.0, 2, 3, -10, 4, 5], condition=["x"] * 3 + ["y"] * 3)
    for limit in (19.99, 20.0):
        yield run_chart(rows, limit_um=limit)
    long_name = "operator with a name / first session of the day"
    yield run_chart(scans(4, 2, cell=[long_name] * 2 + [""] * 2))


@case
def spans():
    curve = frame(condition="", length_mm=[10.0, 20, 40], bound_um=[30.0, 40, NAN],
                  reach_all_um=[35.0, 60, NAN], reach_each_um=[30.0, 40, NAN])  # fmt: skip
    seen = frame(condition="", span_mm=[10.0, 40], path_mm=[12.0, 50], distance_um=[5.0, -50])
    levels = frame(condition="", level_um=[50.0, 55, 100, 108, 200], longest_mm=40.0,
                   supported_mm=[10.0, 39.95, 39.94, 40, NAN])  # fmt: skip

    def chart(curve, seen, span, path, **more):
        curve = pd.concat([curve.assign(against=f"{a}_mm") for a in ("span", "path")])
        return supported_lengths_chart(curve, seen, {"span": span, "path": path}, **more)

    yield chart(curve, seen, levels, levels.head(2), limit_um=100.0)
    close = levels.assign(level_um=levels["level_um"] * 1.08)
    yield chart(curve, seen, levels.head(2), close)
    yield chart(curve.assign(reach_all_um=NAN), seen.head(0), levels, levels)
    curve, seen, levels = (pd.concat([t.assign(condition="a"), t.assign(condition="b")])
                           for t in (curve, seen, levels))  # fmt: skip
    yield chart(curve, seen, levels, levels, limit_um=50.0)


@pytest.mark.parametrize("name", list(CASES))
def test_figures_of_rare_tables_are_as_approved(name):
    """Run with ``APPROVE=1`` after a change on purpose, and read what git says."""
    figures = [getattr(one, "figure", None) or one for one in CASES[name]()]
    found = "\n".join("\n".join([f"==== {k}", *drawn(f)]) for k, f in enumerate(figures, 1)) + "\n"
    compare(Path(__file__).parent / "approved" / f"{name}.txt", found)


def test_deviations_are_enlarged_by_the_largest_round_number_that_fits():
    one = frame(x_mm=[0.0, 40.0], y_mm=[0.0, 0.0], bias_x_um=[0.0, 0.0], bias_y_um=0.0,
                major_um=[NAN, 1.0])  # fmt: skip
    found = {size: exaggeration(one.assign(major_um=[NAN, size])) for size in (
        6.79, 6.81, 33.9, 34.1, 67.9, 68.1, 90.6, 90.7, 339.0, 341.0, 5000.0)}  # fmt: skip
    # 0.17 of the arch: 6.8 mm
    assert found == {6.79: 1000, 6.81: 750, 33.9: 200, 34.1: 150, 67.9: 100, 68.1: 75, 90.6: 75,
                     90.7: 50, 339.0: 20, 341.0: 15, 5000.0: 10}  # fmt: skip
    assert exaggeration(one.assign(bias_y_um=[3.0, 34.1], bias_x_um=0.0)) == 150
    assert exaggeration(one.assign(x_mm=0.0, y_mm=[0.0, 0.5], major_um=1.0)) == 150  # of 1 mm


def test_a_gap_is_longer_than_two_and_a_half_usual_steps():
    start = pd.Timestamp("2025-01-01")
    at = [start + pd.Timedelta(hours=h) for h in (0, 10, 20, 45, 55, 80.1, 90)]
    assert gaps_after(pd.Series(at)) == [4]
    assert gaps_after(pd.Series(at[:1])) == []
    assert gaps_after(pd.Series([start] * 3)) == []


def test_what_differs_by_less_than_a_label_shows_does_not_vary():
    table = frame(n_seats=[4, 6], span_mm=[30.6, 31.4], angulation_deg=[4.4, 4.6])
    assert varied_columns(table) == ["n_seats", "angulation_deg"]
    assert varied_columns(table.assign(n_seats=4, span_mm=[30.4, 31.4])) == [
        "span_mm", "angulation_deg"
    ]  # fmt: skip
