"""Means, contrasts, effects and residuals are drawn as the tables hold them."""

import numpy as np
import pandas as pd
import pytest
from drawn import NAN, all_shown, legend, lines, near, segments, through, ticks

from accstudy.figures.models import contrast_chart, effect_chart, means_chart, residual_page


def test_means_and_contrasts_are_estimates_with_their_intervals():
    rows = pd.DataFrame(
        {"panel": ["bias"] * 2 + ["size"] * 2, "axis": ["bias / µm"] * 2 + ["size"] * 2,
         "level": ["A", "B"] * 2, "estimate": [1.0, -2.0, 5.0, 6.0], "low": [0.5, -3.0, 4.0, 5.0],
         "high": [2.0, -1.0, 6.0, 8.0], "zero": [True, True, False, False]}
    )  # fmt: skip
    bias, size = means_chart(rows).axes
    assert [ax.get_title() or ax.get_title(loc="left") for ax in (bias, size)] == [
        "bias / µm", "size"
    ]  # fmt: skip
    assert segments(bias) == [[(0.5, 0), (2, 0)], [(-3, 1), (-1, 1)]]
    assert segments(size) == [[(4, 0), (6, 0)], [(5, 1), (8, 1)]]
    assert lines(bias, marker="o") == [[(1, 0)]]
    assert lines(bias, marker="s") == [[(-2, 1)]]
    assert lines(size, marker="s") == [[(6, 1)]]
    assert through(bias, x=0)
    assert not through(size, x=0)
    assert size.get_xlim() == near((0, 8.64))
    assert ticks(bias.yaxis) == ["A", "B"]
    assert all_shown(bias, 2)
    contrasts = pd.DataFrame(
        {"contrast": ["A - B", "A - C"], "estimate": [1.0, -4.0], "low": [-1.0, -6.0],
         "high": [3.0, -2.0], "margin": [NAN, 5.0], "equivalence_low": [-0.5, -5.5],
         "equivalence_high": [2.5, -2.5]}
    )  # fmt: skip
    ax = contrast_chart(contrasts, axis="difference / µm")
    assert segments(ax) == [[(-1, 0), (3, 0)], [(-0.5, 0), (2.5, 0)], [(-6, 1), (-2, 1)],
                            [(-5.5, 1), (-2.5, 1)]]  # fmt: skip
    assert lines(ax, marker="o") == [[(1, 0)], [(-4, 1)]]
    assert all(through(ax, x=x) for x in (-5, 0, 5))
    [region] = ax.patches
    assert (region.get_x(), region.get_width()) == (-5, 10)
    assert ticks(ax.yaxis) == ["A - B", "A - C"]
    assert all_shown(ax, 2)
    plain = contrast_chart(contrasts.assign(margin=NAN), axis="x")
    assert segments(plain) == [[(-1, 0), (3, 0)], [(-6, 1), (-2, 1)]]
    assert not plain.patches


def test_effects_are_drawn_with_data_classes_lines_and_bands():
    x = [0.0, 10.0, 20.0]
    points = pd.DataFrame({"panel": "p", "level": ["A"] * 3 + ["B"] * 3, "x": x * 2,
                           "y": [1.0, 2, 3, 4, 5, 6]})  # fmt: skip
    fitted = points.assign(y=points["y"] * 2, low=points["y"], high=points["y"] * 3)
    classes = points.assign(y=points["y"] + 10)
    panels = pd.DataFrame({"panel": ["p"], "x_axis": ["x / mm"], "y_axis": ["y / µm"],
                           "sizes": [False]})  # fmt: skip
    figure = effect_chart(points, fitted, classes, panels)
    [ax] = figure.axes
    assert legend(figure) == ["A", "B"]
    for n, level in enumerate("AB"):
        aside = (n - 0.5) * 0.018 * 20
        seen, means = lines(ax, marker="os"[n])
        for found, table in ((seen, points), (means, classes)):
            own = table[table["level"] == level]
            assert found == near(list(zip(own["x"] + aside, own["y"], strict=True)))
        own = fitted[fitted["level"] == level]
        [line] = lines(ax, label=level)
        assert line == list(zip(own["x"], own["y"], strict=True))
        corners = {tuple(p) for p in ax.collections[n].get_paths()[0].vertices}
        for side in ("low", "high"):
            assert set(zip(own["x"], own[side], strict=True)) <= corners
    assert through(ax, y=0)
    assert list(ax.get_xticks()) == x
    assert (ax.get_xlabel(), ax.get_ylabel()) == ("x / mm", "y / µm")
    sizes = effect_chart(points, fitted, classes, panels.assign(sizes=True)).axes[0]
    assert sizes.get_yscale() == "log"
    assert sizes.get_ylim()[0] == near(points["y"].quantile(0.02))
    assert not through(sizes, y=0)
    odd = effect_chart(points.assign(x=points["x"] + 0.5), fitted, classes, panels).axes[0]
    assert list(odd.get_xticks()) != [0.5, 10.5, 20.5]
    one = points[points["level"] == "A"], fitted[fitted["level"] == "A"], classes, panels
    assert not effect_chart(*one).legends


def test_residuals_and_their_quantiles_are_those_of_the_tables():
    residuals = pd.DataFrame({"fitted": [1.0, 2, 3], "residual_scaled": [0.5, -1, 2.5],
                              "path_mm": [10.0, 20, 30], "condition": ["A", "A", "B"]})  # fmt: skip
    quantiles = pd.DataFrame(
        {"component": ["residual"] * 2 + ["scan", "pair"], "normal": [-1.0, 1, 0.2, 0.3],
         "value": [-1.1, 0.9, 0.4, 0.5]}
    )  # fmt: skip
    figure = residual_page(residuals, quantiles, unit="µm")
    a, b, c, d = figure.axes
    for ax, column in ((a, "fitted"), (b, "path_mm")):
        assert lines(ax, marker="o") == [
            list(zip(residuals[column][:2], residuals["residual_scaled"][:2], strict=True))
        ]
        assert lines(ax, marker="s") == [[(residuals[column][2], 2.5)]]
        assert all(through(ax, y=y) for y in (-2, 0, 2))
    assert [ax.get_xlabel() for ax in figure.axes] == [
        "fitted value / µm", "arch length / mm", "normal quantile", "normal quantile"
    ]  # fmt: skip
    assert lines(c, marker="o") == [[(-1, -1.1), (1, 0.9)]]
    assert lines(d, marker="o") == [[(0.2, 0.4)]]
    assert lines(d, marker="s") == [[(0.3, 0.5)]]
    for ax in (c, d):
        [line] = [x for x in ax.lines if type(x).__name__ == "AxLine"]
        assert (line.get_xy1(), line.get_slope()) == ((0, 0), 1)
    assert legend(figure) == ["scan", "pair"]
    assert legend(figure, 1) == ["A", "B"]
    assert residual_page(residuals, quantiles).axes[0].get_xlabel() == "fitted value"


@pytest.mark.parametrize("high", [np.inf, np.nan])
def test_a_size_without_an_upper_limit_is_drawn(high):
    rows = pd.DataFrame(
        {"panel": "size", "axis": "size, °", "level": ["A", "B"], "estimate": [0.2, 0.3],
         "low": 0.0, "high": [high, high], "zero": False}
    )  # fmt: skip
    figure = means_chart(rows)
    figure.draw_without_rendering()
    assert figure.axes[0].get_xlim() == pytest.approx((0, 1.08 * 0.3))
