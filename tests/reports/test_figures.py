"""Every figure of the three reports, as it is printed."""

import io
import re

import numpy as np
import pytest
from matplotlib.colors import to_rgb
from matplotlib.text import Text
from PIL import Image

from accstudy.cli.options import FORMS
from accstudy.figures.style import (
    ACCENT,
    FAINT,
    FAMILY,
    FORMATS,
    GREY,
    INK,
    SERIES,
    TINTS,
    figure_bytes,
    new_figure,
    picture_bytes,
)

UNITLESS = re.compile(
    r"^(|implant|implant, along the arch|scan, in order|sessions until a signal|normal quantile"
    r"|fitted value|score|implants of the model"
    r"|SD of the logarithm"
    r"|scaled (residual|random effect)|µm|ppm|°)$"
)
HAS_UNIT = re.compile(r" / (µm|mm|°|ppm|s.d.)")


@pytest.fixture(scope="module", params=["validation", "comparison", "drift"])
def figures(request, built):
    _, first, rest = built[request.param]
    return {**first.figures, **rest.figures}


def texts(figure):
    return [t for t in figure.findobj(Text) if t.get_visible() and t.get_text().strip()]


def test_type_is_never_smaller_than_eight_points(figures):
    for name, figure in figures.items():
        for text in texts(figure):
            assert text.get_fontsize() >= 8, (name, text.get_text())


def test_type_is_the_shipped_family(figures):
    for name, figure in figures.items():
        assert {t.get_fontname() for t in texts(figure)} == {FAMILY}, name


def test_every_axis_names_its_unit(figures):
    for name, figure in figures.items():
        outer = [t.get_text() for t in figure.texts]
        label = figure._supylabel.get_text() if figure._supylabel else ""
        for ax in figure.axes:
            for axis in (ax.get_xlabel(), ax.get_ylabel()):
                assert UNITLESS.match(axis) or HAS_UNIT.search(axis), (name, axis)
            together = ax.get_shared_y_axes().get_siblings(ax)
            ticks = [t.get_text() for o in together for t in o.get_yticklabels()]
            named = any(re.search(r"[A-Za-z]", t) for t in ticks)
            shares = any(o.get_ylabel() for o in together)
            assert ax.get_ylabel() or named or shares or label or outer, name


def test_figures_fit_their_page(figures):
    for name, figure in figures.items():
        width, height = (25.4 * v for v in figure.get_size_inches())
        assert round(width) in (122, 166), name
        assert height < 225, name


def labels(figure):
    """Everything that is written beside the data: labels, titles, legends."""
    found = [t for legend in figure.legends for t in legend.get_texts()]
    for ax in figure.axes:
        found += [ax.xaxis.label, ax.yaxis.label, ax.title, ax._left_title]
        found += [] if ax.get_legend() is None else ax.get_legend().get_texts()
        found += [t for t in ax.texts if t.get_in_layout()]
    return [t for t in found if t.get_visible() and t.get_text().strip()]


def test_nothing_is_drawn_outside_its_figure(figures):
    for name, figure in figures.items():
        figure.draw_without_rendering()
        w, h = figure.bbox.width, figure.bbox.height
        for text in labels(figure):
            box = text.get_window_extent()
            assert box.x0 >= -2, (name, text.get_text())
            assert box.x1 <= w + 2, (name, text.get_text())
            assert box.y0 >= -2, (name, text.get_text())
            assert box.y1 <= h + 2, (name, text.get_text())


# colours that tests/figures/test_style.py holds against eyes and grey, and those of the ground
SERIES_RGB = {to_rgb(c) for c in SERIES}
GROUND_RGB = {to_rgb(c) for c in (INK, GREY, FAINT, ACCENT, *TINTS, "white")}


def test_series_have_tested_colours_and_a_mark_or_dash_of_their_own(figures):
    for name, figure in figures.items():
        for ax in figure.axes:
            looks = {}
            for line in ax.lines:
                blank = ("None", "none", "", None)
                drawn = line.get_linestyle() not in blank or line.get_marker() not in blank
                if not drawn or not len(line.get_xdata()):
                    continue
                colour = to_rgb(line.get_color())
                assert colour in SERIES_RGB | GROUND_RGB, (name, line.get_color())
                if line.get_label().startswith("_"):
                    continue
                dashes = str(line._unscaled_dash_pattern)
                look = (line.get_marker(), dashes, line.get_markerfacecolor() == "white")
                assert looks.setdefault(look, colour) == colour, (name, line.get_label())
            for patch in ax.patches:
                assert to_rgb(patch.get_facecolor()) in SERIES_RGB | GROUND_RGB, name


@pytest.mark.parametrize("form", FORMATS)
def test_a_figure_is_written_in_every_form_with_equal_bytes(form):
    def written():
        figure = new_figure(60, 30)
        figure.subplots().plot([0, 1], [0, 1])
        return figure_bytes(figure, form, dpi=600)

    once = written()
    assert once == written()
    if form in ("png", "tiff"):
        with Image.open(io.BytesIO(once)) as image:
            assert image.info["dpi"] == pytest.approx((600, 600), abs=0.1)
            assert image.size == pytest.approx((60 / 25.4 * 600, 30 / 25.4 * 600), abs=1)
    assert FORMATS == FORMS


def test_a_picture_keeps_its_pixels_as_tiff():
    png = figure_bytes(new_figure(20, 10), "png", dpi=100)
    tiff, one = (np.asarray(Image.open(io.BytesIO(b))) for b in (picture_bytes(png, "tiff"), png))
    assert np.array_equal(tiff, one)
