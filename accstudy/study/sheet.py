"""A user's table file to rows of text: CSV in its dialects, and .xlsx."""

from __future__ import annotations

import contextlib
import csv
import io
import zipfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path

from accstudy.errors import InputError, place
from accstudy.study.files import read_bytes

__all__ = ["MAX_BYTES", "Sheet", "csv_dialect", "read_sheet", "sheet_of"]

MAX_BYTES = 100_000_000
"""Largest table file, also unpacked."""

_RATIO, _FREE_BYTES = 15, 20_000_000  # how large a workbook is, unpacked
_MAX_CELLS = 5_000_000
_MAX_COLUMNS = 500


@dataclass(frozen=True, slots=True)
class Sheet:
    """Rows of text with the place each came from.

    Parameters
    ----------
    file : str
        Path as the user knows it, relative to the study.
    header : tuple of str
        Column names, stripped.
    rows : tuple of tuple of str
        Cells, stripped, as many as the header has.
    numbers : tuple of int
        Row number of each row; the header is row 1.
    comma_decimals : bool
        Whether a decimal comma may be meant (``;`` or tab between cells).
    """

    file: str
    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: tuple[int, ...]
    comma_decimals: bool


def read_sheet(path: Path, *, file: str) -> Sheet:
    """Read a table file without interpreting its cells.

    Parameters
    ----------
    path : Path
        ``.csv``, ``.tsv``, ``.txt`` or ``.xlsx``. CSV may be UTF-8 (with or
        without byte order mark) or UTF-16, with ``,``, ``;`` or tab between
        cells. Of a workbook the first sheet is read, of a formula the value that
        stands in the file; none is run.
    file : str
        How messages call it.

    Returns
    -------
    Sheet

    Raises
    ------
    InputError
        If it is no table, too large (100 MB, also unpacked, or five million
        cells), has no header or doubled columns.
    """
    return sheet_of(read_bytes(path, file=file, max_bytes=MAX_BYTES), file=file)


def sheet_of(data: bytes, *, file: str) -> Sheet:
    """Part the bytes of a table file into cells, as `read_sheet` does."""
    if file.lower().endswith((".xlsx", ".xlsm")):
        return _sheet(file, _workbook_rows(data, file), comma_decimals=False)
    text = _decode(data, file)
    delimiter = _delimiter(text)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    try:
        rows = _bounded(reader, file)
    except csv.Error as error:
        raise InputError(
            f"not a readable CSV: {error}",
            where=place(file, reader.line_num),
            hint="look for a quotation mark that is opened and not closed",
        ) from None
    return _sheet(file, rows, comma_decimals=delimiter != ",")


def _bounded(rows: Iterable[list[str]], file: str) -> list[list[str]]:
    """Read rows as long as their cells fit into memory."""
    kept, cells = [], 0
    for number, row in enumerate(rows, start=1):
        cells += len(row) + 1
        if cells > _MAX_CELLS:
            what = f"the table has more than {_MAX_CELLS} cells"
            raise InputError(what, where=place(file, number), hint="part it into several studies")
        kept.append(row)
    return kept


def csv_dialect(data: bytes, file: str) -> tuple[str, str, str]:
    """Encoding, cell and line end of a CSV file.

    Parameters
    ----------
    data : bytes
        Its content.
    file : str
        How messages call it.

    Returns
    -------
    tuple of str
        For a file in UTF-16 the encoding names the byte order, so that what is added has
        no mark of its own.
    """
    text = _decode(data, file)
    encoding = {b"\xff\xfe": "utf-16-le", b"\xfe\xff": "utf-16-be"}.get(data[:2], "utf-8-sig")
    return encoding, _delimiter(text), "\r\n" if "\r\n" in text else "\n"


def _decode(data: bytes, file: str) -> str:
    encoding = "utf-16" if data[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig"
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError as error:
        row = data[: error.start].count(b"\n") + 1
        raise InputError(
            "a character is not UTF-8", where=place(file, row), hint='save it as "CSV UTF-8"'
        ) from None
    if "\0" in text:
        row = text[: text.index("\0")].count("\n") + 1
        raise InputError("a NUL character: not a text table", where=place(file, row))
    return text


def _delimiter(text: str) -> str:
    first = text.lstrip("\ufeff").split("\n", 1)[0]
    counts = {d: first.count(d) for d in (";", "\t", ",")}
    best = max(counts, key=lambda d: counts[d])
    return best if counts[best] else ","


def _workbook_rows(data: bytes, file: str) -> list[list[str]]:
    import openpyxl

    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            size = sum(item.file_size for item in archive.infolist())
            if size > min(MAX_BYTES, max(_RATIO * len(data), _FREE_BYTES)):
                what = f"the workbook unpacks to more than it should: {size / 1e6:.0f} MB"
                raise InputError(what, where=file, hint="save the table as CSV UTF-8")
            inside = [n for n in archive.namelist() if "worksheets/" in n]
            formulas = any(b"<f" in archive.read(n) for n in inside)
        with contextlib.ExitStack() as opened:
            sheets = []
            for values in (
                (True, False) if formulas else (True,)
            ):  # as calculated when it was saved, and as written
                book = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=values)
                opened.callback(book.close)
                sheet = book.worksheets[0]
                sheet.reset_dimensions()  # the size that it claims may be anything
                sheets.append(sheet.iter_rows(values_only=True))
                opened.callback(sheets[-1].close)
            if not formulas:
                return _bounded(([_cell(v) for v in row] for row in sheets[0]), file)
            return _bounded(_values(sheets[0], sheets[1], file), file)
    except InputError:
        raise
    except Exception as error:  # the workbook reader raises many kinds on broken files
        raise InputError(
            f"not a readable workbook ({type(error).__name__})",
            where=file,
            hint="save it again as .xlsx, or as CSV UTF-8",
        ) from None


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
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    if isinstance(value, bool):
        return "true" if value else "false"
    return str(value)


def _sheet(file: str, rows: list[list[str]], *, comma_decimals: bool) -> Sheet:
    cells = [[cell.strip() for cell in row] for row in rows]
    head = next((i for i, row in enumerate(cells) if any(row)), None)
    if head is None:
        raise InputError("the table is empty", where=file, hint="its first row names the columns")
    header = cells[head]
    while header and not header[-1]:
        header.pop()
    if len(header) > _MAX_COLUMNS:
        raise InputError(f"more than {_MAX_COLUMNS} columns", where=place(file, head + 1))
    for name in header:
        if not name:
            raise InputError("a column has no name", where=place(file, head + 1))
        if header.count(name) > 1:
            raise InputError(f'column "{name}" is there twice', where=place(file, head + 1))
    body, numbers = [], []
    for number, row in enumerate(cells[head + 1 :], start=head + 2):
        if not any(row):
            continue
        if any(row[len(header) :]):
            raise InputError(
                f"a row has {len(row)} cells, the header {len(header)}",
                where=place(file, number),
                hint="a decimal comma in a table parted by commas makes two cells out of one",
            )
        body.append(tuple(row[: len(header)] + [""] * (len(header) - len(row))))
        numbers.append(number)
    return Sheet(file, tuple(header), tuple(body), tuple(numbers), comma_decimals)
