"""The last step: blocks and files to one PDF that archives and reads aloud."""

from __future__ import annotations

import datetime as dt
import functools
import json
from collections.abc import Sequence
from importlib.resources import as_file, files
from typing import Any

import typst

from accstudy.reports.document import Attachment
from accstudy.reports.pages import SPACE_MM, arranged

__all__ = ["STANDARDS", "compile_pdf"]

_HEIGHT = "<height>"

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
    *,
    template: str = "report.typ",
) -> bytes:
    """Compile a template with its data.

    Parameters
    ----------
    data : dict
        What the template shows; plain JSON values, no NaN.
    pictures : dict of str to bytes
        SVG and PNG files that the data name.
    attachments : sequence of Attachment
        Files that travel inside the PDF.
    template : str
        A file of ``templates/``.

    Returns
    -------
    bytes
        The same for the same input.

    Notes
    -----
    The compiler sees nothing but what it is handed: no folder, no network, no
    fonts of the machine. Its time stamp is the date of the data.
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
                "relationship": a.relationship,
            }
            for a in attachments
        ],
    }
    inputs = {
        "main.typ": files("accstudy.reports").joinpath("templates", template).read_bytes(),
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
    said: str = typst.query(  # type: ignore[type-var]
        {**inputs, "report.json": _json({**shown, "measuring": True})},
        _HEIGHT,
        field="value",
        one=True,
        font_paths=_fonts(),
    )
    return [(float(height), float(head)) for height, head in json.loads(said)]


def _json(shown: dict[str, Any]) -> bytes:
    return json.dumps(shown, allow_nan=False, ensure_ascii=False).encode()
