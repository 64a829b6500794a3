"""A workbook to rows of text, one sheet of it."""

from __future__ import annotations

import contextlib
import io
import re
import zipfile
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime

from accstudy.errors import InputError, nearest, place
from accstudy.study.cells import Stored

__all__ = ["Area", "is_workbook", "sheet_names", "sheet_rows"]

_RATIO, _FREE_BYTES = 15, 20_000_000  # how large a workbook is, unpacked
_BYTES_EACH, _FREE_ENTRIES = 4, 400_000  # how many rows, cells and texts it has, by its size
_ENTRIES = (b"<row", b"<c ", b"<c>", b"<c/", b"<si", b"<t", b"<r>", b"<mergeCell ")
_MOST_TAGS, _MOST_NAMES = 60_000, 10_000  # of formats; of sheets, names and relations
_UNREAD = re.compile(
    r"docProps/|customXml/|xl/(theme|drawings|charts|chartsheets|media|comments|printerSettings"
    r"|pivot|externalLinks|tables|calcChain)"
)
_MOST_AREAS = 10_000
_ROW, _NUMBER_OF_ROW = re.compile(rb"<row\s([^>]*)>"), re.compile(rb'\br="(\d{1,7})"')
_HIDDEN = re.compile(rb'\bhidden="(?:1|true)"')
_AREA = re.compile(rb'<mergeCell\s[^>]*?ref="([A-Z]{1,3})(\d{1,7}):([A-Z]{1,3})(\d{1,7})"')

Area = tuple[int, int, int, int]
"""First row and column, last row and column of merged cells, from 0, the last included."""


def is_workbook(data: bytes, file: str) -> bool:
    """Whether a table file is a workbook rather than text, by its content or its name."""
    if data[:4] == b"\xd0\xcf\x11\xe0":
        raise InputError(
            "a workbook in the old .xls format", where=file, hint="save it as .xlsx or CSV UTF-8"
        )
    return data[:4] == b"PK\x03\x04" or file.lower().endswith((".xlsx", ".xlsm"))


def sheet_names(data: bytes, file: str) -> tuple[str, ...]:
    """Names of the sheets of a workbook, in order."""
    import openpyxl

    with _readable(file):
        packed = _parts(data, file, len(data) * 1000).packed
        book = openpyxl.load_workbook(packed, read_only=True, keep_links=False)
        try:
            return tuple(sheet.title for sheet in book.worksheets)
        finally:
            book.close()


def sheet_rows(
    data: bytes,
    file: str,
    *,
    sheet: str,
    max_bytes: int,
    bounded: Callable[[Iterable[list[str]]], list[list[str]]],
) -> tuple[list[list[str]], list[Area], list[int]]:
    """Rows of one sheet.

    Parameters
    ----------
    data : bytes
        The workbook.
    file : str
        How messages call it.
    sheet : str
        Name of the sheet; empty for the first.
    max_bytes : int
        Largest size, unpacked.
    bounded : callable
        Keeps rows as long as there are not too many cells.

    Returns
    -------
    rows : list of list of str
        Values as calculated when the workbook was saved; no formula is run.
    areas : list of tuple
        Merged cells.
    hidden : list of int
        Rows that the spreadsheet does not show, as it counts them.

    Raises
    ------
    InputError
        If it is no workbook, too large, has no such sheet, or a formula without a value.
    """
    import openpyxl

    with _readable(file), contextlib.ExitStack() as opened:
        parts = _parts(data, file, max_bytes)
        read = []
        areas: list[Area] = []
        hidden: list[int] = []
        for values in (True, False) if parts.formulas else (True,):  # as calculated, and as written
            book = openpyxl.load_workbook(
                parts.packed, read_only=True, data_only=values, keep_links=False
            )
            opened.callback(book.close)
            names = [one.title for one in book.worksheets]
            if sheet and sheet not in names:
                there = ", ".join(f'"{name}"' for name in names)
                hint = f"{nearest(sheet, names)}; there are {there}"
                raise InputError(f'there is no sheet "{sheet}"', where=file, hint=hint)
            one = book.worksheets[names.index(sheet) if sheet else 0]
            one.reset_dimensions()  # the size that it claims may be anything
            read.append(one.iter_rows(values_only=True))
            opened.callback(read[-1].close)
            path = str(getattr(one, "_worksheet_path", "")).lstrip("/")
            text = parts.sheets.get(path, b"")
            areas = _areas(text)
            hidden = _hidden_rows(text)
        if not parts.formulas:
            return bounded([_cell(v) for v in row] for row in read[0]), areas, hidden
        called = f"{file}[{sheet}]" if sheet else file
        return bounded(_values(read[0], read[1], called)), areas, hidden


@contextlib.contextmanager
def _readable(file: str) -> Iterator[None]:
    try:
        yield
    except InputError:
        raise
    except Exception as error:  # the workbook reader raises many kinds on broken files
        raise InputError(
            f"not a readable workbook ({type(error).__name__})",
            where=file,
            hint="save it again as .xlsx, or as CSV UTF-8",
        ) from None


@dataclass(frozen=True, slots=True)
class _Parts:
    """Those parts of a workbook that are read, packed again, and the text of its sheets."""

    packed: io.BytesIO
    sheets: dict[str, bytes]
    formulas: bool


def _parts(data: bytes, file: str, max_bytes: int) -> _Parts:
    """Take out what is read, never more than is stated; refuse what would take minutes."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        items = archive.infolist()
        size = sum(item.file_size for item in items)
        if size > min(max_bytes, max(_RATIO * len(data), _FREE_BYTES)):
            what = f"the unpacked workbook is too large: {size / 1e6:.0f} MB"
            raise InputError(what, where=file, hint="save the table as CSV UTF-8")
        inside = {}
        for item in items:
            if item.filename.endswith((".xml", ".rels")) and not _UNREAD.match(item.filename):
                with archive.open(item) as part:  # which checks the sum at the end
                    inside[item.filename] = part.read(item.file_size + 1)
    sheets = {name: text for name, text in inside.items() if "worksheets/" in name}
    rest = {name: text for name, text in inside.items() if name not in sheets}
    strings = [rest.pop(name) for name in list(rest) if name.endswith("sharedStrings.xml")]
    formulas = any(b"<f" in text for text in sheets.values())
    most = max(len(data) // _BYTES_EACH, _FREE_ENTRIES) // (2 if formulas else 1)
    entries, tags = (
        max((_count(text, marks) for text in sheets.values()), default=0)
        + sum(_count(text, marks) for text in strings)
        for marks in (_ENTRIES, (b"<",))
    )
    if entries > most or tags > 4.5 * most:
        what = (
            f"the workbook has more than {most} cells, rows and texts, most of them empty or alike"
        )
        raise InputError(what, where=file, hint="save the table as CSV UTF-8")
    formats = [rest.pop(name) for name in list(rest) if name.endswith("styles.xml")]
    few = sum(text.count(b"<") for text in rest.values())
    if few > _MOST_NAMES or sum(text.count(b"<") for text in formats) > _MOST_TAGS:
        what = "the workbook has more formats, sheets and names than any that is used"
        raise InputError(what, where=file, hint="save the table as CSV UTF-8")
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        for name, text in inside.items():
            archive.writestr(name, text)
    return _Parts(packed, sheets, formulas)


def _count(text: bytes, marks: Iterable[bytes]) -> int:
    return sum(text.count(mark) for mark in marks)


def _areas(text: bytes) -> list[Area]:
    found = []
    for k, match in enumerate(_AREA.finditer(text)):
        if k == _MOST_AREAS:
            break
        left, top, right, bottom = match.groups()
        found.append((int(top) - 1, _column(left), int(bottom) - 1, _column(right)))
    return found


def _hidden_rows(text: bytes) -> list[int]:
    """Numbers of the rows that are not shown."""
    tags = (match[1] for match in _ROW.finditer(text) if _HIDDEN.search(match[1]))
    numbers = (_NUMBER_OF_ROW.search(tag) for tag in tags)
    return [int(number[1]) for number in numbers if number]


def _column(letters: bytes) -> int:
    number = 0
    for letter in letters:
        number = 26 * number + letter - ord("A") + 1
    return number - 1


def _values(
    calculated: Iterable[tuple[object, ...]], written: Iterable[tuple[object, ...]], file: str
) -> Iterator[list[str]]:
    """Cells as text; a formula whose value is not in the file would read as empty."""
    head: list[str] = []
    for number, (row, source) in enumerate(zip(calculated, written, strict=True), start=1):
        cells = [_cell(v) for v in row]
        head = head or (cells if any(cells) else [])
        for k, (cell, text) in enumerate(zip(cells, source, strict=True)):
            if not cell and isinstance(text, str) and text.startswith("="):
                column = head[k] if k < len(head) else None
                raise InputError(
                    f'the formula "{text[:40]}" has no value in the file',
                    where=place(file, number, column),
                    hint="open it in the spreadsheet program and save it, or paste values",
                )
        yield cells


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, datetime):
        midnight = value.time() == datetime.min.time()
        return value.date().isoformat() if midnight else value.isoformat()
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return Stored(int(value))
    if isinstance(value, int | float):
        return Stored(value)
    return str(value).strip()
