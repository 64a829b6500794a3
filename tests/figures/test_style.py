import itertools

import numpy as np
import pytest
from matplotlib.colors import to_rgb

from accstudy.figures.style import (
    ACCENT,
    SERIES,
    figure_bytes,
    line_of,
    new_axes,
    png_bytes,
    printable,
    printed_svg,
    styled,
    svg_bytes,
)
from accstudy.figures.views import DIVERGING, SEQUENTIAL

# sRGB to CIE XYZ, IEC 61966-2-1; simulation of full dichromacy on linear RGB: Machado, Oliveira
# and Fernandes, IEEE Trans Vis Comput Graph 15 (2009) 1291, severity 1 (matrices from memory)
TO_XYZ = np.array(
    [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750],
     [0.0193339, 0.1191920, 0.9503041]]
)  # fmt: skip
EYES = {
    "usual": np.eye(3),
    "protan": np.array([[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216],
                        [-0.003882, -0.048116, 1.051998]]),
    "deutan": np.array([[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413],
                        [-0.011820, 0.042940, 0.968881]]),
    "tritan": np.array([[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602],
                        [0.004733, 0.691367, 0.303900]]),
}  # fmt: skip


def lab(colour, eye="usual"):
    c = np.array(to_rgb(colour))
    linear = np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)
    xyz = TO_XYZ @ np.clip(EYES[eye] @ linear, 0, 1) / np.array([0.95047, 1.0, 1.08883])
    f = np.where(xyz > 0.008856, np.cbrt(xyz), 7.787 * xyz + 16 / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def test_lab_of_white_and_mid_grey():
    assert lab("#FFFFFF")[0] == pytest.approx(100, abs=0.05)
    assert lab("#777777")[0] == pytest.approx(50, abs=0.3)


@pytest.mark.parametrize("eye", EYES)
def test_series_stay_apart_for_every_eye(eye):
    for a, b in itertools.combinations(SERIES, 2):
        assert np.linalg.norm(lab(a, eye) - lab(b, eye)) > 18


def test_series_stay_apart_in_grey():
    light = sorted(lab(c)[0] for c in SERIES)
    assert min(np.diff(light)) > 11
    assert light[-1] < 75  # still seen on white paper


def test_neither_accent_nor_series_is_a_traffic_light():
    for colour in SERIES:
        _, a, b = lab(colour)
        hue = np.degrees(np.arctan2(b, a)) % 360
        assert not 120 < hue < 200  # green
        assert not (hue < 40 and np.hypot(a, b) > 60)  # signal red
    assert SERIES[0] == ACCENT


@pytest.mark.parametrize("eye", EYES)
def test_maps_grow_evenly_for_every_eye(eye):
    sizes = [lab(SEQUENTIAL(x)[:3], eye)[0] for x in np.linspace(0, 1, 21)]
    assert np.all(np.diff(sizes) < 0)
    below = [lab(DIVERGING(x)[:3], eye)[0] for x in np.linspace(0, 0.5, 11)]
    above = [lab(DIVERGING(x)[:3], eye)[0] for x in np.linspace(0.5, 1, 11)]
    assert np.all(np.diff(below) > 0)
    assert np.all(np.diff(above) < 0)
    _, a, b = lab(DIVERGING(0.5)[:3])
    assert np.hypot(a, b) < 4  # neutral at zero
    assert np.linalg.norm(lab(DIVERGING(0.0)[:3], eye) - lab(DIVERGING(1.0)[:3], eye)) > 25


def test_eight_series_differ_without_colour():
    marks = {
        (str(s["marker"]), s["markerfacecolor"] == "white", str(s["linestyle"]))
        for s in map(line_of, range(8))
    }
    assert len(marks) == 8


def drawn():
    ax = styled(lambda: new_axes(80, 50))()
    ax.plot([0, 1, 2], [1, 3, 2], **line_of(0))
    ax.set_xlabel("span $5 / mm")
    return ax.figure


def test_svg_bytes_are_equal_and_hold_no_date():
    first, second = svg_bytes(drawn()), svg_bytes(drawn())
    assert first == second
    assert b"dc:date" not in first


def test_a_cloud_is_a_picture_in_print_alone():
    assert printed_svg(drawn()) == svg_bytes(drawn())  # few points
    figure = drawn()
    figure.axes[0].plot(range(301), range(301), **line_of(1, join=False))
    usual = figure.dpi
    assert b"<image" in printed_svg(figure)
    assert figure.dpi == usual
    assert b"<image" not in svg_bytes(figure)
    assert b"/Subtype /Image" not in figure_bytes(figure, "pdf")


def test_png_has_its_printed_size_at_300_dpi():
    data = png_bytes(drawn())
    width, height = (int.from_bytes(data[k : k + 4], "big") for k in (16, 20))
    assert width == pytest.approx(80 / 25.4 * 300, abs=1)
    assert height == pytest.approx(50 / 25.4 * 300, abs=1)


def test_own_settings_of_the_caller_do_not_change_a_figure():
    import matplotlib as mpl

    plain = svg_bytes(drawn())
    with mpl.rc_context({"font.size": 20, "axes.linewidth": 5, "svg.hashsalt": "x"}):
        assert svg_bytes(drawn()) == plain


def test_printable_keeps_what_the_typeface_has():
    assert printable("  a\tb\n c ") == "a b c"
    assert printable("µ ≤ − ° ² Ž Я β □") == "µ ≤ − ° ² Ž Я β □"
    assert printable("x\u4e2dy") == "x?y"
