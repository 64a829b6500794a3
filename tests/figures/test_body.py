"""A scan body with its directions and candidate origins."""

import numpy as np
from drawn import lines, near, texts

from accstudy.figures.body import BodyView, body_chart


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
