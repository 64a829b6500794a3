"""What a report is made from, and a report as plain data: blocks of text, figures and tables."""

from __future__ import annotations

import base64
import functools
import re
import struct
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from accstudy.figures.style import printable, printed_svg, rows_of
from accstudy.study.settings import Settings
from accstudy.tables import TABLES, UNREFERENCED, empty, shape
from accstudy.words.catalogue import cell, marked_up, rich, words


@dataclass(frozen=True, slots=True)
class ReportContent:
    """Everything a report is made from; no files, no clock.

    Parameters
    ----------
    title : str
        Title of the study.
    settings : mapping
        Settings as used (``Settings.as_used()``).
    tables : mapping of str to DataFrame
        Finished result tables by name, as `accstudy.tables` has them. Absent or
        empty ones leave their section out.
    record : mapping
        The record: ``inputs``, ``outputs`` (name to SHA-256), ``versions``,
        ``accstudy``.
    generated : str
        Date of the data, not of the clock, as YYYY-MM-DD: that of the last scan.
        Empty when no scan is dated.
    issued : str
        Date of issue as YYYY-MM-DD where it is not that of the settings.
    who : str
        Who ran it; may be empty.
    pictures : mapping of str to bytes
        Ray-cast views as PNG by name: ``located``, ``surface-trueness``,
        ``surface-precision``.
    picture_notes : mapping of str to str
        What each picture shows, with its numbers: caption and alternative text.
    files : mapping of str to bytes
        Tables as they stand in their files, by name; those that are not given are written
        anew for the attachments.
    """

    title: str
    settings: Mapping[str, Any]
    tables: Mapping[str, pd.DataFrame]
    record: Mapping[str, Any]
    generated: str
    issued: str = ""
    who: str = ""
    pictures: Mapping[str, bytes] = field(default_factory=dict)
    picture_notes: Mapping[str, str] = field(default_factory=dict)
    files: Mapping[str, bytes] = field(default_factory=dict)

    @property
    def referenced(self) -> bool:
        """Whether there is a reference, so that trueness can be spoken of."""
        return str(self.settings.get("reference", {}).get("kind", "")) != "none"

    def table(self, name: str) -> pd.DataFrame:
        """A table, or what stands in its place without a reference; empty if there is none."""
        found = self.tables.get(name)
        if found is None and not self.referenced and name in UNREFERENCED:
            found = self.tables.get(UNREFERENCED[name])
            if found is not None:  # what only a reference could tell is empty
                own = TABLES[name].names
                extra = tuple(c for c in found.columns if c not in own)
                found = shape(name, found, factors=extra)
        return _empty(name) if found is None else found

    def setting(self, part: str, key: str) -> Any:
        """A setting as used; the program's default where none is given."""
        given = self.settings.get(part, {}).get(key)
        return getattr(Settings.model_fields[part].default, key) if given is None else given

    def has(self, name: str) -> bool:
        """Whether a table has rows."""
        return len(self.table(name)) > 0


@dataclass(frozen=True, slots=True)
class ReportFiles:
    """A finished report.

    Parameters
    ----------
    pdf : bytes
        The report.
    figures : dict of str to bytes
        Its figures by file name: SVG, and PNG where asked for.
    data : dict
        The blocks of the report, as the template got them.
    """

    pdf: bytes
    figures: dict[str, bytes]
    data: dict[str, Any]


Text = str | list[Any]
"""A string, or a list of strings and runs; a run is a dict made by `bold` and its like."""


def bold(text: str) -> dict[str, str]:
    """Run of strong text."""
    return {"t": printable(text), "s": "b"}


def marked(text: str, mark: str, *, style: str = "b") -> dict[str, str]:
    """Run that a page draws a shape beside: a verdict's, of `VERDICT_MARKS`, or ``signal``."""
    return {"t": printable(text), "s": style, "mark": mark}


def strong_accent(text: str) -> dict[str, str]:
    """Run in the accent colour, for the numbers of the answer."""
    return {"t": printable(text), "s": "accent"}


def italic(text: str) -> dict[str, str]:
    """Run of italic text."""
    return {"t": printable(text), "s": "i"}


def symbol(letter: str, index: str) -> list[dict[str, str]]:
    """Runs of a symbol with its index, such as s_R."""
    return [{"t": letter, "s": "i"}, {"t": index, "s": "sub"}]


@dataclass(frozen=True, slots=True)
class Attachment:
    """A file that travels inside the PDF."""

    name: str
    data: bytes
    mime: str
    description: str


@dataclass(frozen=True, slots=True)
class Heading:
    """Column of a printed table: title, alignment and share of the width (0: as needed)."""

    title: Text
    align: str = "right"
    width: float = 0


def heads(key: str, /, **fields: Any) -> list[Heading]:
    """Columns of a printed table, as the catalogue lists them, parted by bars.

    Behind the last colon of each stand its alignment (``<`` left, ``^`` centred) and its share
    of the width.

    Examples
    --------
    >>> [(h.title, h.align, h.width) for h in heads("list.columns_p")]
    [([{'t': 'p', 's': 'i'}], 'right', 0.6)]
    """
    columns: list[list[Any]] = [[]]
    for run in rich(key, **fields):
        first, *others = run.split(" | ") if isinstance(run, str) else [run]
        columns[-1].append(first)
        columns += [[one] for one in others]
    return [_heading(runs) for runs in columns]


def _heading(runs: list[Any]) -> Heading:
    last, _, how = str(runs[-1]).rpartition(":")
    align = {"<": "left", "^": "center"}.get(how[:1], "right")
    title = [run for run in (*runs[:-1], last) if run]
    plain_title = title[0] if len(title) == 1 and isinstance(title[0], str) else title
    return Heading(plain_title or "", align, float(how.lstrip("<^") or 0))


_ONLY = re.compile(r"\((\w+)\) ")


def said_once(rows: Sequence[Sequence[Text]], columns: int) -> list[list[Text]]:
    """Rows whose first cells are empty where they and those before them repeat the row above.

    Examples
    --------
    >>> said_once([["a", "1"], ["a", "2"], ["b", "2"]], 1)
    [['a', '1'], ['', '2'], ['b', '2']]
    """
    out: list[list[Text]] = []
    for k, row in enumerate(rows):
        same = 0
        while k and same < columns and row[: same + 1] == rows[k - 1][: same + 1]:
            same += 1
        out.append([*[""] * same, *row[same:]])
    return out


def _ready(template: str, row: Any, formats: Mapping[str, Callable[[Any], str]]) -> Text:
    """Cell of a row; runs that a column holds stay runs."""
    held = getattr(row, template.strip("{}"), None)
    return held if isinstance(held, list) else cell(template, row, formats)


def extended(frame: pd.DataFrame, **columns: Iterable[Any]) -> pd.DataFrame:
    """A table with further columns of any kind, for print."""
    return frame.assign(
        **{k: pd.Series(list(v), index=frame.index, dtype=object) for k, v in columns.items()}
    )


_empty = functools.cache(empty)


class Document:
    """Collects blocks, numbers figures and keeps their files."""

    def __init__(self) -> None:
        self.blocks: list[dict[str, Any]] = []
        self.files: dict[str, bytes] = {}
        self.figures: dict[str, Figure] = {}

    def heading(self, text: str) -> None:
        """Begin a section."""
        self.blocks.append({"type": "heading", "text": printable(text)})

    def lead(self, heading: str, *paragraphs: Text, long: bool = False) -> None:
        """Paragraphs with a heading beside them; `long` ones may break over pages."""
        self.blocks.append(
            {
                "type": "lead",
                "heading": printable(heading),
                "paragraphs": [clean(p) for p in paragraphs if p],
                "long": long,
                "sticky": False,
                "moved": "",
            }
        )

    def figure(self, name: str, drawn: Axes | Figure, *, caption: Text, alt: str) -> None:
        """Place a figure at its printed size; `alt` says what it shows, numbers included.

        Its name is that of its file, and the label that `see` refers to.
        """
        found = drawn if isinstance(drawn, Figure) else drawn.figure
        assert isinstance(found, Figure)
        self.figures[name] = found
        self.files[f"{name}.svg"] = printed_svg(found)
        self._image(f"{name}.svg", name, found.get_figwidth() * 25.4, caption, alt)

    def picture(self, name: str, png: bytes, *, caption: Text, alt: str, width_mm: float) -> None:
        """Place a picture that was computed elsewhere."""
        self.files[f"{name}.svg"] = _wrapped(png)
        self._image(f"{name}.svg", name, width_mm, caption, alt)

    def _image(self, file: str, name: str, width: float, caption: Text, alt: str) -> None:
        self._keep_with_next()
        self.blocks.append(
            {
                "type": "figure",
                "file": file,
                "id": name,
                "width": round(width, 3),
                "caption": clean(caption),
                "alt": printable(alt),
            }
        )

    def beside(self) -> None:
        """Set the last two figures, each at most 80 mm wide, side by side."""
        right, left = self.blocks.pop(), self.blocks.pop()
        self.blocks.append({"type": "beside", "figures": [left, right]})

    def _keep_with_next(self) -> None:
        """Let the paragraphs before a figure or table stay on its page."""
        if self.blocks and self.blocks[-1]["type"] == "lead":
            self.blocks[-1]["sticky"] = True

    def table(
        self,
        caption: Text,
        columns: Sequence[Heading],
        rows: Sequence[Sequence[Text]],
        *,
        once: int = 0,
        wide: bool = True,
        roomy: bool = False,
    ) -> None:
        """Place a table.

        A wide one takes the whole width, its caption above it; a roomy one leaves space to
        write by hand. `once` is as for `listed`.
        """
        self._keep_with_next()
        self.blocks.append(
            {
                "type": "table",
                "caption": clean(caption),
                "columns": [
                    {"title": clean(c.title), "align": c.align, "width": c.width} for c in columns
                ],
                "rows": [[clean(cell) for cell in row] for row in said_once(rows, once)],
                "groups": [[clean(cell) for cell in row[:once]] for row in rows],
                "wide": wide,
                "roomy": roomy,
                "keep": True,
            }
        )

    def listed(
        self,
        key: str,
        rows: pd.DataFrame | Sequence[Sequence[Text]],
        *,
        once: int = 0,
        wide: bool = True,
        roomy: bool = False,
        shown: Sequence[str] = (),
        named: Mapping[str, Callable[[Any], str]] = MappingProxyType({}),
        **fields: Any,
    ) -> None:
        """Place a table that the catalogue declares: caption, and a line a column.

        Parameters
        ----------
        key : str
            Its entry: ``caption`` and ``columns``. A line of these is the title with its width
            (see `heads`), and behind `` = `` the cell, see `accstudy.words.catalogue.cell`.
        rows : DataFrame or sequence of sequence
            A result table; or ready cells, one for every line, those of columns that are not
            shown included.
        once : int
            In how many of the first columns a cell is left empty that repeats the row above, unless
            that is on the page before.
        wide : bool
            Whether it takes the whole width.
        shown : sequence of str
            Which of the columns are shown whose line begins with a word in parentheses.
        named : mapping of str to function
            Formats of cells beside those of the catalogue.
        **fields
            Of the caption and the titles.
        """
        declared, columns, cells, kept = words(key), [], [], []
        for k, line in enumerate(declared["columns"].strip().splitlines()):
            title, _, content = line.strip().partition(" = ")
            only = _ONLY.match(title)
            if only is None or only[1] in shown:
                columns.append(_heading(marked_up(_ONLY.sub("", title), fields)))
                cells.append(content)
                kept.append(k)
        made: list[list[Text]]
        if isinstance(rows, pd.DataFrame):
            made = [[_ready(c, r, named) for c in cells] for r in rows_of(rows)]
        else:
            made = [[row[k] for k in kept] for row in rows]
        caption = marked_up(declared["caption"], fields)
        plain_caption = caption[0] if len(caption) == 1 else caption
        self.table(plain_caption, columns, made, once=once, wide=wide, roomy=roomy)
        self.blocks[-1]["key"] = key

    def terms(self, pairs: Sequence[tuple[str, Text]], *, heading: str = "") -> None:
        """Words with what they stand for, a line each."""
        kept = [[printable(k), clean(v)] for k, v in pairs if v]
        self.blocks.append({"type": "terms", "pairs": kept, "heading": heading, "keep": True})

    def items(self, items: Sequence[Text], *, heading: str = "") -> None:
        """Place a list, with a heading beside it if wanted."""
        shown = [clean(i) for i in items]
        self.blocks.append({"type": "list", "items": shown, "heading": heading, "keep": True})

    def new_page(self) -> None:
        """Go on at the top of a page."""
        self.blocks.append({"type": "break"})


def plain(text: Text) -> str:
    """Text without its marks."""
    if isinstance(text, str):
        return text
    out = ""
    for run in text:
        out += plain(run) if isinstance(run, (str, list)) else str(run.get("t", ""))
    return out


def clean(text: Text) -> Text:
    """Text without characters that the typeface lacks; lists of lists become flat."""
    if isinstance(text, str):
        return printable_keeping_edges(text)
    out: list[Any] = []
    for run in text:
        if isinstance(run, list):
            out += clean(run)
        elif isinstance(run, str):
            out.append(printable_keeping_edges(run))
        else:
            out.append(run)
    return out


_MONTHS = "|".join(words("list.months").values())

_NO_BREAK = re.compile(
    rf"(?<=\d) (?=(?:%|µm|mm|°C|ppm)(?:\W|$)|(?:{_MONTHS}) \d{{4}})"
    r"|(?<=\bp) (?=[<=>])|(?<=p [<=>]) (?=\d)"
)
"""Blanks between a number and its unit or month, and around the sign of a p value."""


def printable_keeping_edges(text: str) -> str:
    """As `printable`, keeping a blank at either end, where a run begins or ends."""
    inner = _NO_BREAK.sub("\u00a0", printable(text))
    if not inner:
        return " " if text[:1].isspace() else ""
    return (" " if text[0] == " " else "") + inner + (" " if text[-1] == " " else "")


def _wrapped(png: bytes) -> bytes:
    """PNG inside an SVG: the compiler takes its files as text only."""
    width, height = struct.unpack(">II", png[16:24])
    data = base64.b64encode(png).decode("ascii")
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" '
        f'width="{width}" height="{height}"><image width="{width}" height="{height}" '
        f'href="data:image/png;base64,{data}"/></svg>'
    ).encode()
