"""Rows added at the end of a user's table, which otherwise stays as it is, byte for byte."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from pathlib import Path

from accstudy.errors import InputError
from accstudy.study.header import read_sheet
from accstudy.study.layout import Layout
from accstudy.study.sheet import csv_dialect

__all__ = ["appended"]


def appended(path: Path, rows: Sequence[Mapping[str, str]], *, file: str, layout: Layout) -> bytes:
    """Content of a CSV file with rows more.

    Parameters
    ----------
    path : Path
        The file; it need not exist.
    rows : sequence of mapping
        Column to text. Columns that the file has and a row has not stay empty.
    file : str
        How messages call it.
    layout : Layout
        Where the table lies in it, and what its columns are called there.

    Returns
    -------
    bytes
        The file's bytes, a line end where the last line had none, and the new rows in
        its encoding, with its cell and line ends.

    Raises
    ------
    InputError
        If it is no CSV file, its rows are put together from several, or it has rows and
        lacks a column that a new one fills.
    """
    if path.suffix.lower() not in (".csv", ".tsv", ".txt"):
        raise InputError(
            f"{file} is not a CSV file; rows cannot be added to it",
            where=file,
            hint='save it as CSV UTF-8 and name that: scans.list = "scans.csv"',
        )
    if any("{" in name for name in layout.columns.values()):
        raise InputError(
            f"{file} does not have one row per scan; rows cannot be added to it",
            where=file,
            hint="add the rows by hand, like the others",
        )
    rows = [{layout.columns.get(own, own): text for own, text in row.items()} for row in rows]
    columns = list(dict.fromkeys(name for row in rows for name in row))
    if not path.is_file() or not path.read_bytes().strip():
        return _lines([columns, *([row.get(c, "") for c in columns] for row in rows)], ",", "\n")
    before = path.read_bytes()
    sheet = read_sheet(path, file=file, layout=layout)
    there = {*sheet.header, "model"} if layout.model else set(sheet.header)
    lacking = [c for c in columns if c not in there and any(row.get(c) for row in rows)]
    if lacking and (sheet.rows or sheet.head > 1):
        raise InputError(
            f"{file} has no column {', '.join(lacking)}", where=f"{file}:1",
            hint="add the column to the header, or omit the value",
        )  # fmt: skip
    encoding, delimiter, end = csv_dialect(before, file, head=sheet.head)
    bare = encoding.removesuffix("-sig")
    header = [*sheet.header, *lacking]
    new = _lines([[row.get(c, "") for c in header] for row in rows], delimiter, end)
    if lacking:  # no row is there yet: the header may grow
        return (_lines([header], delimiter, end) + new).decode().encode(bare)
    gap = "" if before.decode(encoding)[-1:] == "\n" else end
    return before + gap.encode(bare) + new.decode().encode(bare)


def _lines(rows: Sequence[Sequence[str]], delimiter: str, end: str) -> bytes:
    stream = io.StringIO(newline="")
    csv.writer(stream, delimiter=delimiter, lineterminator=end).writerows(rows)
    return stream.getvalue().encode()
