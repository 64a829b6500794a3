"""What all figures share: typeface, printed size, colours, marks and files.

Sizes are those on paper: a figure of 122 mm is printed 122 mm wide, so that
its 8 pt type is 8 pt there. A series has a colour, a marker and a line style,
any one of which tells it from the others.
"""

from __future__ import annotations

import collections
import functools
import io
import re
import textwrap
from collections.abc import Callable
from importlib.resources import as_file, files
from typing import Any, Literal, ParamSpec, TypeVar

import matplotlib as mpl
import numpy as np
import pandas as pd
from matplotlib import font_manager
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.ft2font import FT2Font
from matplotlib.layout_engine import ConstrainedLayoutEngine
from matplotlib.lines import Line2D

FAMILY = "Source Sans 3"
INK, GREY, FAINT = "#1F1B24", "#6B6670", "#D9D5DC"
ACCENT = "#561D4F"
TINTS = ("#B9A7B6", "#E9E2E8")
"""Tints of the accent for bars and bodies."""

SERIES = (ACCENT, "#2F6690", "#C06A1F", "#D9A72C")
"""Series colours; their lightness falls apart in grey and for the colour-blind."""

MARKERS = ("o", "s", "^", "D")
DASHES: tuple[Any, ...] = ("-", (0, (5, 1.6)), (0, (1.2, 1.4)), (0, (6, 1.5, 1.2, 1.5)))

P = ParamSpec("P")
R = TypeVar("R")

_RC: Any = {
    "font.family": FAMILY,
    "font.size": 8.5,
    "axes.labelsize": 8.5,
    "axes.titlesize": 9,
    "axes.titleweight": "semibold",
    "axes.titlelocation": "left",
    "axes.edgecolor": GREY,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.6,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.unicode_minus": True,
    "text.color": INK,
    "text.parse_math": False,  # a dollar sign in a user's label stays a dollar sign
    "xtick.labelsize": 8,
    "ytick.labelsize": 8,
    "ytick.alignment": "center",
    "xtick.color": GREY,
    "ytick.color": GREY,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "xtick.major.width": 0.6,
    "ytick.major.width": 0.6,
    "xtick.major.size": 3,
    "ytick.major.size": 3,
    "legend.frameon": False,
    "legend.fontsize": 8,
    "legend.handlelength": 2.4,
    "lines.linewidth": 1.3,
    "lines.markersize": 4.5,
    "patch.linewidth": 0.6,
    "hatch.linewidth": 0.6,
    "figure.facecolor": "white",
    "savefig.facecolor": "white",
    "svg.fonttype": "path",
    "svg.hashsalt": "accstudy",
    "svg.image_inline": True,
    "path.simplify": False,
}


@functools.cache
def _register() -> None:
    for font in sorted(files("accstudy.figures").joinpath("fonts").iterdir(), key=lambda f: f.name):
        if font.name.endswith(".ttf"):
            with as_file(font) as path:
                font_manager.fontManager.addfont(path)


def styled(draw: Callable[P, R]) -> Callable[P, R]:
    """Draw with the shared style, independent of the caller's settings."""

    @functools.wraps(draw)
    def inner(*args: P.args, **kwargs: P.kwargs) -> R:
        _register()
        with mpl.rc_context(_RC):
            return draw(*args, **kwargs)

    return inner


@styled
def new_figure(width_mm: float, height_mm: float) -> Figure:
    """Return an empty figure of a printed size."""
    room = ConstrainedLayoutEngine(w_pad=0.02, h_pad=0.02, wspace=0.04, hspace=0.06)
    return Figure(figsize=(width_mm / 25.4, height_mm / 25.4), layout=room)


@styled
def new_axes(width_mm: float, height_mm: float) -> Axes:
    """Return the axes of a new figure of a printed size."""
    return new_figure(width_mm, height_mm).subplots()


def line_of(number: int, *, join: bool = True) -> dict[str, Any]:
    """Colour, marker and line style of a series, from 0: hollow markers from the fifth on."""
    colour = SERIES[number % len(SERIES)]
    hollow = (number // len(SERIES)) % 2 == 1
    return {
        "color": colour,
        "marker": MARKERS[number % len(MARKERS)],
        "linestyle": DASHES[number % len(DASHES)] if join else "none",
        "markerfacecolor": "white" if hollow else colour,
        "markeredgecolor": INK if number % len(SERIES) == 3 else colour,
        "markeredgewidth": 0.8,
    }


def name_ticks(ax: Axes, names: list[str], room_mm: float) -> None:
    """Name the ticks 0, 1, ... of the x axis; upright where names are too long for `room_mm`."""
    shown = [printable(name) for name in names]
    crowded = max((len(n) for n in shown), default=0) * 1.7 > room_mm / max(len(shown), 1)
    ax.set_xticks(range(len(shown)), shown, rotation=90 if crowded else 0)


def wrapped(text: object, width: int = 26) -> str:
    """Text for a figure in lines of at most `width` characters, a longer word excepted."""
    return "\n".join(textwrap.wrap(printable(text), width, break_long_words=False))


Place = Literal["outside upper left", "outside lower right"]


def legend_of(figure: Figure, ax: Axes, *, place: Place = "outside upper left") -> None:
    """Explain the marks of a panel beside all of them, in as many columns as fit: four at most."""
    handles, labels = ax.get_legend_handles_labels()
    room = 25.4 * figure.get_figwidth()
    columns = 4
    while columns > 1:
        parts = np.array_split([len(label) for label in labels], columns)  # as matplotlib does
        longest = [int(part.max()) for part in parts if part.size]
        if sum(1.2 * n + 15 for n in longest) <= room:  # 8 pt type; a mark and gap of 15 mm
            break
        columns -= 1
    figure.legend(handles, labels, loc=place, ncols=columns)


def rows_of(frame: pd.DataFrame) -> list[Any]:
    """Rows of a table, a cell an attribute."""
    row = _row_of(tuple(frame.columns))
    return [row._make(cells) for cells in frame.to_numpy(object)]  # quicker than by columns


@functools.lru_cache(maxsize=1000)
def _row_of(columns: tuple[str, ...]) -> Any:
    """Class of the rows of a table: making it takes longer than most tables have rows."""
    return collections.namedtuple("Row", columns, rename=True)


@styled
def svg_bytes(figure: Figure) -> bytes:
    """Figure as SVG: letters as outlines, no date, equal bytes for equal figures."""
    buffer = io.BytesIO()  # `savefig` draws twice, the first time for the layout alone
    facts = {"Date": None, "Creator": "accstudy"}
    canvas: Any = FigureCanvasSVG(figure)
    canvas.print_svg(buffer, metadata=facts)
    return buffer.getvalue()


_CLOUD = 300
"""Points of a series beyond which a report shows them as a picture, which is quicker to print."""


def printed_svg(figure: Figure) -> bytes:
    """Figure as SVG for a report, series of many points as pictures in it; it stays as it was."""
    clouds: list[Line2D] = [
        line
        for line in figure.findobj(Line2D)
        if line.get_linestyle() == "None" and np.size(line.get_xdata()) > _CLOUD
    ]
    usual = figure.dpi
    figure.set_dpi(200)  # of these pictures
    for line in clouds:
        line.set_rasterized(True)
    data = svg_bytes(figure)
    for line in clouds:
        line.set_rasterized(False)
    figure.set_dpi(usual)
    return data


def picture_bytes(png: bytes, form: str) -> bytes:
    """Picture, PNG by nature, as PNG or TIFF."""
    from PIL import Image  # a part of matplotlib

    buffer = io.BytesIO()
    with Image.open(io.BytesIO(png)) as image:
        if form == "tiff":
            image.save(buffer, format="TIFF", compression="tiff_lzw")
    return png if form == "png" else buffer.getvalue()


FORMATS = ("pdf", "svg", "png", "tiff")
"""Forms in which figures can be written."""


@styled
def figure_bytes(figure: Figure, form: str, *, dpi: int = 300) -> bytes:
    """Figure in one of `FORMATS`, at its printed size; equal bytes for equal figures.

    Parameters
    ----------
    figure : Figure
        The figure.
    form : {"pdf", "svg", "png", "tiff"}
        TIFF is packed without loss (LZW).
    dpi : int
        Of PNG and TIFF.
    """
    if form == "svg":
        return svg_bytes(figure)
    if form == "png":
        return png_bytes(figure, dpi=dpi)
    buffer = io.BytesIO()
    if form == "pdf":
        figure.savefig(buffer, format="pdf", metadata={"CreationDate": None, "Creator": "accstudy"})
    else:
        packed = {"compression": "tiff_lzw"}
        figure.savefig(buffer, format="tiff", dpi=dpi, pil_kwargs=packed)
    return buffer.getvalue()


@styled
def png_bytes(figure: Figure, *, dpi: int = 300) -> bytes:
    """Figure as PNG at its printed size."""
    buffer, usual = io.BytesIO(), figure.dpi
    figure.set_dpi(dpi)
    canvas: Any = FigureCanvasAgg(figure)
    canvas.print_png(buffer, metadata={"Software": "accstudy"})
    figure.set_dpi(usual)
    return buffer.getvalue()


@functools.cache
def _known_characters() -> frozenset[int]:
    known = []
    for name in ("Regular", "It", "Semibold"):
        with as_file(files("accstudy.figures").joinpath(f"fonts/SourceSans3-{name}.ttf")) as path:
            known.append(frozenset(FT2Font(str(path)).get_charmap()))
    return frozenset.intersection(*known)


def printable(text: object) -> str:
    """Text in which every character that the typeface lacks is a question mark.

    Parameters
    ----------
    text : object
        Usually a user's label; tabs and line breaks become spaces.

    Returns
    -------
    str

    Examples
    --------
    >>> printable("device A, 50 µm")
    'device A, 50 µm'
    >>> printable("口腔 A")
    '?? A'
    """
    known = _known_characters()
    return "".join(c if ord(c) in known else "?" for c in _flat(text))


def lacking(text: object) -> str:
    """Characters of a text that the typeface lacks, each once.

    Examples
    --------
    >>> lacking("口腔 A, 口")
    '口腔'
    """
    known = _known_characters()
    return "".join(dict.fromkeys(c for c in _flat(text) if ord(c) not in known))


def _flat(text: object) -> str:
    """Text in one line."""
    return re.sub(r"[ \t\r\n\f\v]+", " ", str(text)).strip(" ")
