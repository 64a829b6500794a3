"""A user's table file to rows of text: CSV in its dialects, and .xlsx."""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from accstudy.errors import Finding, InputError, Severity, place
from accstudy.study.workbook import Area, is_workbook, sheet_names, sheet_rows
from accstudy.words.catalogue import say

__all__ = ["MAX_BYTES", "Cells", "Sheet", "TableFile", "csv_dialect"]

MAX_BYTES = 100_000_000
"""Largest table file, also unpacked."""

_MAX_CELLS, _MAX_ROWS = 5_000_000, 250_000
_QUOTED = re.compile(r'"[^"\n]*"')
_MOST_LOOKED_AT = 50
"""Lines that are looked at to tell what stands between cells."""


@dataclass(frozen=True, slots=True)
class Sheet:
    """Rows of text under a header, with the place each cell came from.

    Parameters
    ----------
    file : str
        Path as the user knows it, relative to the study, and the sheet.
    header : tuple of str
        Column names, stripped.
    rows : tuple of tuple of str
        Cells, stripped, as many as the header has.
    numbers : tuple of int
        Row number of each row, as a spreadsheet counts.
    comma_decimals : bool
        Whether a comma in a number is a decimal one, as with ``;`` or tab between cells.
    head : int
        Row number of the header.
    called : mapping of str to str
        What the user calls a column, where that differs.
    cells : mapping of str to sequence of (int, str)
        Row number and column in the file of every cell of a column, where a row was put
        together from several.
    notes : tuple of Finding
        What the user should know about how the file was read.
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
    """All cells of one table as they lie in the file.

    Parameters
    ----------
    file : str
        How messages call it.
    rows : list of list of str
        Cells, stripped.
    comma_decimals : bool
        Whether a decimal comma may be meant.
    merged : list of tuple
        Merged cells of a workbook.
    is_text : bool
        Whether the file is text, in which merged cells are empty but for the first.
    notes : tuple of Finding
        What the user should know about how the file was read.
    """

    file: str
    rows: list[list[str]]
    comma_decimals: bool
    merged: list[Area] = field(default_factory=list)
    is_text: bool = True
    notes: tuple[Finding, ...] = ()


class TableFile:
    """A table file, of whose sheets one is read.

    Parameters
    ----------
    data : bytes
        Its content. CSV may be UTF-8 (with or without byte order mark), UTF-16 or
        Windows-1252, with ``,``, ``;`` or tab between cells.
    file : str
        How messages call it.

    Raises
    ------
    InputError
        If it is an old or broken workbook.
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

        Returns
        -------
        Cells

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
    return (Finding(Severity.WARNING, "hidden-rows", what, place(file, filled[0]), mend),)


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
    """Encoding, cell and line end of a CSV file.

    Parameters
    ----------
    data : bytes
        Its content.
    file : str
        How messages call it.
    head : int, optional
        Row of its header.

    Returns
    -------
    tuple of str
        For a file in UTF-16 the encoding names the byte order, so that what is added has
        no mark of its own.
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
        notes = (Finding(Severity.NOTE, "windows-1252", what, place(file, row), hint),)
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
