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

__all__ = ["STANDARDS", "compile_pdf"]

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
        "report.json": json.dumps(shown, allow_nan=False, ensure_ascii=False).encode(),
        **pictures,
        **{a.name: a.data for a in attachments},
    }
    made: bytes = typst.compile(  # type: ignore[call-overload]
        inputs,  # a dict is taken, too, which the stubs do not say
        font_paths=_fonts(),
        format="pdf",
        pdf_standards=STANDARDS,
        timestamp=_stamp(data["date"]),
    )
    return made
