"""Blocks to pages and pages to one PDF that archives and reads aloud."""

from __future__ import annotations

import datetime as dt
import functools
import json
import re
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.resources import as_file, files
from itertools import pairwise
from typing import Any

import typst

from accstudy.reports.document import Attachment

PAGE_MM = 246.0
"""Height of the text on a page: A4 less its margins."""


SPACE_MM = {
    "heading": (11.0, 4.5),
    "lead": (5.0, 4.0),
    "figure": (5.0, 6.0),
    "beside": (5.0, 6.0),
    "table": (6.0, 4.0),
    "terms": (4.0, 4.0),
    "list": (4.0, 4.0),
    "break": (0.0, 0.0),
}
"""Space above and below every kind of block; between two blocks the larger one counts."""


_WHOLE_MM = {"table": 100.0, "terms": 70.0, "list": 90.0}  # lower ones are not parted

_PART_MM = 25.0  # what can be parted begins on a page only where this much is left

_LOST_MM = 4.0  # about what stays empty below the last whole line of a page

_MOST_WAITING = 2

_FILLED = 2 / 3  # of a page, from which on figures that wait go before the next section

_FLOATS = {"figure": "figure", "beside": "figure", "table": "table"}


Block = dict[str, Any]


@dataclass(slots=True)
class _Item:
    """A block, or a heading with the block that it must not leave."""

    blocks: list[Block]
    heights: list[float]
    head_mm: float  # what its last block repeats on every page

    @property
    def last(self) -> Block:
        return self.blocks[-1]

    @property
    def floats(self) -> str:
        """Kind of sequence it must keep to when it is moved; empty for what is never moved."""
        if len(self.blocks) > 1 or not _whole(self.last):
            return ""
        return _FLOATS.get(self.last["type"], "")


@dataclass(slots=True)
class _Page:
    """How far a page is filled, and what has been set on it."""

    used: float = 0.0
    below: float = 0.0

    def room_for(self, item: _Item, *, all_of_it: bool = False) -> bool:
        end = self._after(item)[0]
        if all_of_it or _whole(item.last):
            return end <= PAGE_MM
        return end - item.heights[-1] + min(item.heights[-1], _PART_MM) <= PAGE_MM

    def _after(self, item: _Item) -> tuple[float, float]:
        used, below = self.used, self.below
        for block, height in zip(item.blocks, item.heights, strict=True):
            over, under = SPACE_MM[block["type"]]
            used += (max(below, over) if used else 0.0) + height
            below = under
        return used, below

    def put(self, item: _Item) -> None:
        self.used, self.below = self._after(item)
        while self.used > PAGE_MM and not _whole(item.last):
            self.used += item.head_mm + _LOST_MM - PAGE_MM


def _whole(block: Block) -> bool:
    """Whether a block stays on one page."""
    if block["type"] in _WHOLE_MM:
        return bool(block["keep"])
    return not block.get("long", False)


def arranged(blocks: Sequence[Block], heights_mm: Sequence[tuple[float, float]]) -> list[Block]:
    """Blocks, as `Document` collects them, in the order in which they fill the pages.

    What stands before the first break keeps its place, since where its page begins is not known.
    `heights_mm` are the printed height of each, and of the head that a table repeats on every page.
    The blocks are copies: tables and lists know whether they stay whole (``keep``), paragraphs
    whether they stay with what follows (``sticky``) or where it went (``moved``).
    """
    known = [
        {**b, "keep": h < _WHOLE_MM[b["type"]]} if b["type"] in _WHOLE_MM else dict(b)
        for b, (h, _) in zip(blocks, heights_mm, strict=True)
    ]
    out: list[Block] = []
    part: list[int] = []
    started = False
    for i, block in enumerate(known):
        if block["type"] != "break":
            part.append(i)
            continue
        out += _filled(known, heights_mm, part) if started else [known[k] for k in part]
        out.append(block)
        part, started = [], True
    return out + (_filled(known, heights_mm, part) if started else [known[k] for k in part])


def _filled(
    known: list[Block], heights: Sequence[tuple[float, float]], part: list[int]
) -> list[Block]:
    """One run of pages, from the top of the first."""
    pages: list[list[Block]] = [[]]
    page = _Page()
    todo, waiting = _items(known, heights, part), list[_Item]()
    leads = _leads(todo)

    def put(item: _Item) -> None:
        page.put(item)
        pages[-1].extend(item.blocks)

    while todo or waiting:
        item = todo[0] if todo else None
        # what is parted would take the next page from those that wait for it
        room = item is not None and page.room_for(item, all_of_it=bool(waiting))
        fits = item is not None and room and not _must_wait(item, waiting, page)
        if item is not None and (fits or not page.used):  # what is higher than a page goes, too
            put(todo.pop(0))
        elif item is not None and item.floats and len(waiting) < _MOST_WAITING:
            waiting.append(todo.pop(0))
        else:
            page = _Page()
            pages.append([])
            while waiting and (not page.used or page.room_for(waiting[0])):
                put(waiting.pop(0))
    at = {id(block): number for number, one in enumerate(pages) for block in one}
    for lead, moved in leads:
        if at[id(lead)] != at[id(moved)]:
            _part(lead, moved)
    return [block for one in pages for block in one]


def _must_wait(item: _Item, waiting: list[_Item], page: _Page) -> bool:
    """Whether it would overtake one of its kind, or begin a section before the last one ends."""
    full = len(waiting) == _MOST_WAITING or page.used > PAGE_MM * _FILLED
    if item.blocks[0]["type"] == "heading" and waiting and full:
        return True
    kinds = {_FLOATS.get(b["type"], "") for b in item.blocks} - {""}
    return any(late.floats in kinds for late in waiting)


def _items(
    known: list[Block], heights: Sequence[tuple[float, float]], part: list[int]
) -> list[_Item]:
    out: list[_Item] = []
    glued = False
    for i in part:
        if glued:
            out[-1].blocks.append(known[i])
            out[-1].heights.append(heights[i][0])
            out[-1].head_mm = heights[i][1]
        else:
            out.append(_Item([known[i]], [heights[i][0]], heights[i][1]))
        follows = known[i + 1]["type"] if i + 1 < len(known) else ""
        lists = known[i]["type"] == "lead" and follows == "list" and not known[i + 1].get("heading")
        glued = known[i]["type"] == "heading" or lists
    return out


def _leads(items: list[_Item]) -> list[tuple[Block, Block]]:
    """Paragraphs with the figure or table that stands right after them."""
    return [
        (before.last, item.last)
        for before, item in pairwise(items)
        if before.last["type"] == "lead" and item.last["type"] in _FLOATS
    ]


def _part(lead: Block, moved: Block) -> None:
    """Let a paragraph go without the figure that has moved, and say where that is."""
    lead["sticky"] = False
    first = moved["figures"][0] if moved["type"] == "beside" else moved
    lead["moved"] = first.get("id", "")


_HEIGHT = "<height>"

_FRAME = re.compile(rb"(\A(?:<\?xml.*?\?>\s*)?(?:<!DOCTYPE.*?>\s*)?<svg\b[^>]*>).*", re.DOTALL)
"""A drawing, of which only the size matters when heights are measured."""


STANDARDS = ["a-3a", "ua-1"]
"""PDF standards that the compiler checks: archiving with attachments, accessibility."""


@functools.cache
def _fonts() -> typst.Fonts:
    with as_file(files("accstudy.figures").joinpath("fonts")) as folder:
        return typst.Fonts(
            include_system_fonts=False, include_embedded_fonts=False, font_paths=[str(folder)]
        )


def _stamp(date: Sequence[int]) -> dt.datetime:
    """Noon of the day of the data; the day of the oldest record where it is unknown."""
    year, month, day = date or (2000, 1, 1)
    return dt.datetime(year, month, day, 12, tzinfo=dt.UTC)


def compile_pdf(
    data: dict[str, Any],
    pictures: dict[str, bytes],
    attachments: Sequence[Attachment],
) -> bytes:
    """Compile the template of reports with its data: the same bytes for the same input.

    `data` are plain JSON values, no NaN; `pictures` the SVG and PNG files that they name;
    `attachments` travel inside the PDF. The compiler sees nothing but what it is handed: no folder,
    no network, no fonts of the machine. Its time stamp is the date of the data.
    """
    names = [a.name for a in attachments]
    if len(set(names)) != len(names):
        raise ValueError("two attachments have one name")
    shown = {
        **data,
        "space": SPACE_MM,
        "measuring": False,
        "attachments": [
            {
                "name": a.name,
                "mime": a.mime,
                "description": a.description,
            }
            for a in attachments
        ],
    }
    inputs = {
        "main.typ": files("accstudy.reports").joinpath("templates/report.typ").read_bytes(),
        **pictures,
        **{a.name: a.data for a in attachments},
    }
    heights = _heights_mm(inputs, shown)
    shown["blocks"] = arranged(shown["blocks"], heights)
    made: bytes = typst.compile(  # type: ignore[call-overload]
        {**inputs, "report.json": _json(shown)},  # a dict is taken, too, which the stubs do not say
        font_paths=_fonts(),
        format="pdf",
        pdf_standards=STANDARDS,
        timestamp=_stamp(data["date"]),
    )
    return made


def _heights_mm(inputs: dict[str, bytes], shown: dict[str, Any]) -> list[tuple[float, float]]:
    """Printed height of every block, and of what a table repeats on every page."""
    frames = {name: _FRAME.sub(rb"\1</svg>", data, 1) for name, data in inputs.items()}
    said: str = typst.query(  # type: ignore[type-var]
        {**frames, "report.json": _json({**shown, "measuring": True})},
        _HEIGHT,
        field="value",
        one=True,
        font_paths=_fonts(),
    )
    return [(float(height), float(head)) for height, head in json.loads(said)]


def _json(shown: dict[str, Any]) -> bytes:
    return json.dumps(shown, allow_nan=False, ensure_ascii=False).encode()
