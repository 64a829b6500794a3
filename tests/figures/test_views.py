"""A view can be read at its printed size, and its sign without colour."""

import io

import numpy as np
import pytest
from matplotlib.image import imread
from matplotlib.text import Text

from accstudy.figures.style import png_bytes
from accstudy.figures.views import PRINTED_MM, view_chart


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
