"""A view can be read at its printed size, and its sign without colour."""

import io

import numpy as np
import pytest
from drawn import NAN, lines, near, texts
from matplotlib.colors import to_rgb
from matplotlib.image import imread
from matplotlib.text import Text

from accstudy.figures.style import ACCENT, png_bytes
from accstudy.figures.views import (
    DIVERGING,
    PRINTED_MM,
    SEQUENTIAL,
    BodyView,
    body_chart,
    view_chart,
)


def view(sign=1.0, **more):
    shade = np.full((300, 400), 0.9)
    shade[:40] = 1.0
    values = np.where(shade < 1, sign * 30.0, np.nan)
    return view_chart(shade, (60.0, 45.0), values=values, label="deviation / µm", largest=40.0,
                      marks=[(200, 150, "I1")], **more)  # fmt: skip


@pytest.mark.parametrize("width", sorted(set(PRINTED_MM.values())))
def test_type_of_a_view_is_at_least_eight_points_at_its_printed_size(width):
    figure = view(width_mm=width)
    assert figure.get_size_inches()[0] * 25.4 == pytest.approx(width)
    texts = [t for t in figure.findobj(Text) if t.get_visible() and t.get_text().strip()]
    assert {"I1", "10 mm", "deviation / µm"} <= {t.get_text() for t in texts}
    assert min(t.get_fontsize() for t in texts) >= 8


def grey(figure):
    picture = imread(io.BytesIO(png_bytes(figure, dpi=150)))[..., :3]
    return picture @ [0.2126, 0.7152, 0.0722]


def test_what_lies_below_is_told_from_what_lies_above_in_grey():
    above, below = (grey(view(sign)) for sign in (1.0, -1.0))
    field = slice(int(0.3 * len(above)), int(0.6 * len(above)))
    assert np.ptp(above[field, 60:200]) < 0.1  # one tone
    assert np.ptp(below[field, 60:200]) > 0.15  # with dots
    assert "dotted: below −10" in view(-1.0).axes[1].get_xlabel()
    assert "dotted" not in view(1.0).axes[1].get_xlabel()


def test_colours_of_a_view_are_those_of_its_values():
    shade = np.full((60, 80), 1.0)
    shade[10:50, 10:70] = 0.5
    values = np.full((60, 80), NAN)
    values[20:30, 20:30], values[20:30, 50:60] = 20.0, -10.0
    figure = view_chart(shade, (40.0, 30.0), values=values, label="x / µm",
                        marks=[(25, 25, "I1")], width_mm=80.0)  # fmt: skip
    ax, bar = figure.axes
    image = np.asarray(ax.images[0].get_array())
    assert image[0, 0] == near([1, 1, 1])
    assert image[15, 15] == near([0.575] * 3)
    lit = 0.55 + 0.45 * 0.5
    assert image[25, 25] == near(np.array(DIVERGING(1.0)[:3]) * lit)
    assert image[25, 55] == near(np.array(DIVERGING(0.25)[:3]) * lit)
    assert bar.get_xlim() == near((-20, 20))
    assert bar.get_xlabel() == "x / µm; dotted: below −5"
    assert texts(ax) == ["I1", "10 mm"]
    assert ax.texts[0].xy == (25, 25)
    scale = lines(ax, linewidth=2)[0]
    assert scale[1][0] - scale[0][0] == near(20)  # two pixels a millimetre
    assert (scale[0][0] + scale[1][0]) / 2 == near(40)
    sizes = view_chart(shade, (40.0, 30.0), values=np.abs(values), largest=40.0, signed=False)
    image = np.asarray(sizes.axes[0].images[0].get_array())
    assert image[25, 25] == near(np.array(SEQUENTIAL(0.5)[:3]) * lit)
    assert sizes.axes[1].get_xlim() == near((0, 40))
    spot = np.zeros_like(shade, dtype=bool)
    spot[25, 25] = True
    bright = np.asarray(
        view_chart(shade, (40.0, 30.0), highlight=spot).axes[0].images[0].get_array()
    )
    assert bright[25, 25] == near(np.array(to_rgb(ACCENT)) * 0.45 + 0.575 * 0.55)
    assert bright[25, 26] == near([0.575] * 3)


def test_a_body_shows_its_directions_and_the_places_of_its_origin():
    shade = np.full((100, 50), 0.5)
    shade[:10] = 1.0
    view = BodyView("from the front", shade, 5.0, [((20.0, 80.0), (40.0, 30.0), "axis")],
                    [((25.0, 90.0), "A: base")])  # fmt: skip
    figure = body_chart([view, BodyView("from above", shade, 10.0, [], [])])
    front, top = figure.axes
    assert [ax.get_title() or ax.get_title(loc="left") for ax in figure.axes] == [
        "from the front", "from above"
    ]  # fmt: skip
    image = np.asarray(front.images[0].get_array())
    assert image[0, 0] == near([1, 1, 1])
    assert image[50, 25] == near([0.675] * 3)
    [arrow] = [t for t in front.texts if t.arrow_patch is not None]
    assert (arrow.xyann, arrow.xy) == ((20, 80), (40, 30))
    label = next(t for t in front.texts if t.get_text() == "axis")
    assert label.xy == (40, 30)
    assert label.xyann == (6, 6)  # on: to the right and, pixels counting downwards, up
    assert (label.get_ha(), label.get_va()) == ("left", "bottom")
    assert lines(front, marker="o") == [[(25, 90)]]
    assert next(t for t in front.texts if t.get_text() == "A: base").xy == (25, 90)
    for ax, per_mm in ((front, 5), (top, 10)):
        bar = lines(ax, linewidth=2)[0]
        assert bar == near([(2, 98), (2 + 2 * per_mm, 98)])  # at the foot, on the left
        assert "2 mm" in texts(ax)
