"""A user's table file to rows of text: CSV in its dialects, and one sheet of a workbook."""

from __future__ import annotations

import contextlib
import csv
import io
import re
import zipfile
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime

from accstudy.errors import Finding, InputError, nearest, place, remark, warning
from accstudy.study.cells import Stored
from accstudy.words.catalogue import say

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
    """Rows of one sheet of a workbook, its merged cells, and the rows that the spreadsheet does not
    show.

    Values as calculated when the workbook was saved; no formula is run. `bounded` keeps rows as
    long as there are not too many cells. `InputError` if it is no workbook, too large unpacked, has
    no such sheet, or a formula without a value.
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
        what = f"the workbook has more than {most} cells, rows and texts, most empty or identical"
        raise InputError(what, where=file, hint="save the table as CSV UTF-8")
    formats = [rest.pop(name) for name in list(rest) if name.endswith("styles.xml")]
    few = sum(text.count(b"<") for text in rest.values())
    if few > _MOST_NAMES or sum(text.count(b"<") for text in formats) > _MOST_TAGS:
        what = "the workbook has more formats, sheets and names than any real workbook"
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


MAX_BYTES = 100_000_000
"""Largest table file, also unpacked."""

_MAX_CELLS, _MAX_ROWS = 5_000_000, 250_000
_QUOTED = re.compile(r'"[^"\n]*"')
_MOST_LOOKED_AT = 50
"""Lines that are looked at to tell what stands between cells."""


@dataclass(frozen=True, slots=True)
class Sheet:
    """Rows of text under a header, with the place each cell came from.

    ``file`` is as the user knows it, with the sheet; ``head`` and ``numbers`` are the rows of
    header and cells, as a spreadsheet counts. ``comma_decimals``: a comma in a number is a decimal
    one. ``called`` holds what the user calls a column, where that differs; ``cells`` the row and
    column in the file of every cell of a column, where a row was put together from several.
    """

    file: str
    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: tuple[int, ...]
    comma_decimals: bool
    head: int = 1
    called: Mapping[str, str] = field(default_factory=dict)
    cells: Mapping[str, Sequence[tuple[int, str]]] = field(default_factory=dict)
    notes: tuple[Finding, ...] = ()

    def where(self, index: int, column: str) -> str:
        """Place of a cell in the user's file: row `index` from 0, column as named here."""
        if column in self.cells:
            return place(self.file, *self.cells[column][index])
        return place(self.file, self.numbers[index], self.called.get(column, column))


@dataclass(frozen=True, slots=True)
class Cells:
    """All cells of one table as in the file, stripped.

    ``is_text``: in a text file merged cells are empty but for the first.
    """

    file: str
    rows: list[list[str]]
    comma_decimals: bool
    merged: list[Area] = field(default_factory=list)
    is_text: bool = True
    notes: tuple[Finding, ...] = ()


class TableFile:
    """A table file, of whose sheets one is read.

    CSV may be UTF-8 (with or without byte order mark), UTF-16 or Windows-1252, with ``,``, ``;`` or
    tab between cells. `InputError` if it is an old or broken workbook.
    """

    def __init__(self, data: bytes, file: str) -> None:
        self.data = data
        self.file = file
        self.is_workbook = is_workbook(data, file)

    @property
    def sheets(self) -> tuple[str, ...]:
        """Names of its sheets; none of a text file."""
        return sheet_names(self.data, self.file) if self.is_workbook else ()

    def cells(self, sheet: str = "", *, head: int | None = None) -> Cells:
        """Part it into cells.

        Parameters
        ----------
        sheet : str
            Of a workbook; the first by default.
        head : int, optional
            Row of the header, where it is known: what stands between its cells counts.

        Raises
        ------
        InputError
            If it is no table, or too large (100 MB, also unpacked, or five million cells).
        """
        file = self.file
        if self.is_workbook:
            called = f"{file}[{sheet}]" if sheet else file
            rows, merged, hidden = sheet_rows(
                self.data, file, sheet=sheet, max_bytes=MAX_BYTES,
                bounded=lambda rows: _bounded(rows, called),
            )  # fmt: skip
            notes = _hidden(rows, hidden, called)
            return Cells(called, rows, False, merged, notes=notes, is_text=False)
        if sheet:
            raise InputError(
                f'a text file has no sheet "{sheet}"', where=file, hint="remove the key sheet"
            )
        text, _, notes = _decode(self.data, file)
        delimiter = _delimiter(text, head)
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
        try:
            rows = _bounded(reader, file)
        except csv.Error as error:
            raise InputError(
                f"not a readable CSV: {error}",
                where=place(file, reader.line_num),
                hint="look for a quotation mark that is opened and not closed",
            ) from None
        stripped = [[cell.strip() for cell in row] for row in rows]
        return Cells(file, stripped, delimiter != ",", notes=notes)


def _hidden(rows: list[list[str]], hidden: list[int], file: str) -> tuple[Finding, ...]:
    """Say that rows which the spreadsheet does not show are read."""
    filled = [k for k in hidden if k <= len(rows) and any(rows[k - 1])]
    if not filled:
        return ()
    few = ", ".join(map(str, filled[:5])) + (", ..." if len(filled) > 5 else "")
    what = say("findings.hidden_rows_are_read", filled=len(filled), few=few)
    mend = say("findings.delete_the_rows_that")
    return (warning("hidden-rows", what, place(file, filled[0]), mend),)


def _bounded(rows: Iterable[list[str]], file: str) -> list[list[str]]:
    """Read rows as long as their cells fit into memory."""
    kept, cells = [], 0
    for number, row in enumerate(rows, start=1):
        cells += len(row) + 1
        if cells > _MAX_CELLS or number > _MAX_ROWS:
            what = f"the table has more than {_MAX_CELLS} cells or {_MAX_ROWS} rows"
            raise InputError(what, where=place(file, number), hint="split it into several studies")
        kept.append(row)
    return kept


def csv_dialect(data: bytes, file: str, *, head: int | None = None) -> tuple[str, str, str]:
    """Encoding, cell and line end of a CSV file whose header stands in row `head`.

    For a file in UTF-16 the encoding names the byte order, so that what is added has no mark of its
    own.
    """
    text, encoding, _ = _decode(data, file)
    if encoding == "utf-16":
        encoding = {b"\xff\xfe": "utf-16-le", b"\xfe\xff": "utf-16-be"}[data[:2]]
    return encoding, _delimiter(text, head), "\r\n" if "\r\n" in text else "\n"


def _decode(data: bytes, file: str) -> tuple[str, str, tuple[Finding, ...]]:
    """Text of a file, its encoding, and a note where that is a guess."""
    encoding = "utf-16" if data[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig"
    notes: tuple[Finding, ...] = ()
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError as error:
        row = data[: error.start].count(b"\n") + 1
        hint = say("findings.save_it_as_csv")
        broken = InputError("a character is not UTF-8", where=place(file, row), hint=hint)
        if encoding == "utf-16" or not (text := _western(data)):
            raise broken from None
        encoding = "cp1252"
        word = next((w for w in re.findall(r"\w+", text) if not w.isascii()), "")
        shown = f', such as "{word[:30]}"' if word else ""
        what = say("findings.the_file_is_not", shown=shown)
        notes = (remark("windows-1252", what, place(file, row), hint),)
    if "\0" in text:
        row = text[: text.index("\0")].count("\n") + 1
        raise InputError("a NUL character: not a text table", where=place(file, row))
    return text, encoding, notes


def _western(data: bytes) -> str:
    """Text in Windows-1252, or nothing where that is no text: control characters, broken UTF-8."""
    try:
        text = data.decode("cp1252")
    except UnicodeDecodeError:
        return ""
    odd = re.search(r"[\x00-\x08\x0b\x0e-\x1f\x7f]", text)
    broken = re.search("[ÃÂ][\x80-\xbf€‚ƒ„…†‡ˆ‰Š‹Œ‘’“”•–—˜™š›œžŸ]|â€", text)
    return "" if odd or broken else text


def _delimiter(text: str, head: int | None = None) -> str:
    """What stands between cells: by the header, unless more of the lines agree on another."""
    lines = text.lstrip("\ufeff").split("\n", _MOST_LOOKED_AT + (head or 0))
    marks = (";", "\t", ",")
    if head and head <= len(lines):
        counts = {d: lines[head - 1].count(d) for d in marks}
        return max(marks, key=lambda d: counts[d]) if any(counts.values()) else ","
    filled = [_QUOTED.sub("", line) for line in lines[:_MOST_LOOKED_AT] if line.strip()]
    if not filled:
        return ","
    first = max(marks, key=filled[0].count)
    agree = {d: Counter(line.count(d) for line in filled if d in line) for d in marks}
    most = {d: max(agree[d].values(), default=0) for d in marks}
    often = max(marks, key=lambda d: most[d])
    return often if most[often] > most[first] else (first if first in filled[0] else ",")
