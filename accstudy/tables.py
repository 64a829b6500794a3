"""Every table once, as ``tables.toml`` says, and the grid that its numbers are written on.

Checks, files, the data dictionary and the documentation are fed from here.
Deviations are measured minus reference, everywhere. Units stand in the column
name (``_mm``, ``_um``, ``_deg``, ``_ppm``); a column whose unit depends on the
row has a ``unit`` column beside it.
"""

from __future__ import annotations

import csv
import io
import re
import tomllib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from decimal import Decimal
from importlib.resources import files
from pathlib import Path
from typing import Any, BinaryIO, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from accstudy.errors import InputError
from accstudy.words.names import unit_of_column

Floats = NDArray[np.float64]

DECIMALS = 6
"""Decimals of a number, unless its column says otherwise."""

_DIGITS, _MOST_DIGITS = 6, 10
_GUARD = 4  # digits beyond the grid in which a tie still counts as a tie


def step_of(values: Floats, decimals: int | None = DECIMALS) -> Floats:
    """Step of the grid at some numbers.

    Parameters
    ----------
    values : ndarray
        Numbers; not finite ones have the step of zero.
    decimals : int or None
        Of their column: up to 6, the step is this decimal. More, or None (any
        number), is for numbers that may be very small, such as p values:
        these keep six significant digits, but no more decimals than that.

    Returns
    -------
    ndarray
        Powers of ten. No number has more than ten significant digits.

    Examples
    --------
    >>> step_of(np.array([0.5, 12.0, 2.5e9])).tolist()
    [1e-06, 1e-06, 1.0]
    >>> step_of(np.array([0.5, 0.00123]), None).tolist()
    [1e-06, 1e-08]
    """
    return np.asarray(10.0 ** _exponent(np.asarray(values, float), decimals), float)


def on_grid(values: Floats, decimals: int | None = DECIMALS) -> Floats:
    """Round numbers to their grid.

    Parameters
    ----------
    values, decimals
        As of `step_of`.

    Returns
    -------
    ndarray
        The nearest doubles to the rounded numbers. Ties go away from zero, and
        what is a tie but for the last bits of a double counts as one: these bits
        depend on the processor.

    Examples
    --------
    >>> on_grid(np.array([1.2345675000000001, 1.2345674999999999, 3.6e-12])).tolist()
    [1.234568, 1.234568, 0.0]
    """
    values = np.asarray(values, float)
    exponent = _exponent(values, decimals)
    with np.errstate(invalid="ignore", over="ignore"):
        finer = np.rint(_scaled(np.abs(values), _GUARD - exponent))
        steps = np.floor(finer / 10.0**_GUARD + 0.5)
        return np.copysign(_scaled(steps, exponent), values) + 0.0  # + 0.0 turns -0 into 0


def number_texts(values: Floats, decimals: int | None = DECIMALS) -> list[str]:
    """Write numbers on their grid, as of `step_of`; empty where they are not finite.

    Examples
    --------
    >>> number_texts(np.array([2.0, -0.25, 0.00006, 1e-9, np.nan]))
    ['2', '-0.25', '6e-05', '0', '']
    >>> number_texts(np.array([3.456789123e-53]), None)
    ['3.45679e-53']
    """
    rounded = on_grid(values, decimals)
    known = zip(rounded.tolist(), np.isfinite(rounded).tolist(), strict=True)
    return [repr(value).removesuffix(".0") if finite else "" for value, finite in known]


def _exponent(values: Floats, decimals: int | None) -> NDArray[np.int64]:
    """Exponent of the step, a power of ten."""
    size = np.abs(np.where(np.isfinite(values), values, 0.0))
    with np.errstate(divide="ignore"):
        leading = np.floor(np.log10(size))
    leading = np.where(size > 0, leading, -DECIMALS).astype(np.int64)
    if decimals is not None and decimals <= DECIMALS:
        step = np.full(values.shape, -decimals, np.int64)
    else:
        finest = -300 if decimals is None else -decimals
        step = np.clip(leading + 1 - _DIGITS, finest, -DECIMALS)
    return np.asarray(np.maximum(step, leading + 1 - _MOST_DIGITS), np.int64)


def _scaled(values: Floats, exponent: NDArray[np.int64]) -> Floats:
    """Values times a power of ten, rounded once: powers up to 1e22 are exact doubles."""
    near = np.clip(exponent, -22, 22)
    power = 10.0 ** np.abs(near)
    scaled = np.where(near >= 0, values * power, values / power)
    for far in np.argwhere(near != exponent):
        at = tuple(far)
        scaled[at] = float(Decimal(float(values[at])).scaleb(int(exponent[at])))
    return scaled


Kind = Literal["text", "number", "integer", "flag", "date"]


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table.

    Parameters
    ----------
    name : str
        Plain identifier, with the unit at its end.
    kind : {"text", "number", "integer", "flag", "date"}
        What a cell holds; a ``flag`` is written ``true`` or ``false``.
    meaning : str
        What the number means, in a phrase.
    required : bool
        Whether an input table must have it; result tables always have it.
    decimals : int or None
        Of a number: how finely it is written, see `accstudy.tables.step_of`.
    inner : bool
        Whether it is for the program itself: left out of a file where it holds nothing.
    """

    name: str
    kind: Kind
    meaning: str
    required: bool = True
    decimals: int | None = DECIMALS
    inner: bool = False

    @property
    def unit(self) -> str:
        """Unit from the name; empty for counts, ratios and labels."""
        return unit_of_column(self.name)


@dataclass(frozen=True, slots=True)
class Table:
    """One table: what a row is and which columns it has.

    Parameters
    ----------
    name : str
        File name without ending.
    row : str
        What a row is.
    columns : tuple of Column
        In the order in which they are written.
    factors : bool
        Whether the scan's factor columns (device, technique, ...) follow.
    """

    name: str
    row: str
    columns: tuple[Column, ...]
    factors: bool = False

    @property
    def names(self) -> list[str]:
        """Column names in order."""
        return [c.name for c in self.columns]


_KINDS: dict[str, Kind] = {
    "t": "text", "i": "integer", "f": "flag", "d": "date", "n": "number", "p": "number",
}  # fmt: skip


def _read() -> tuple[dict[str, Table], dict[str, str]]:
    """Tables of ``tables.toml`` by name, and what stands in place of what."""
    said = tomllib.loads(files("accstudy").joinpath("tables.toml").read_text(encoding="utf-8"))
    shared = said.pop("shared")
    blocks = {line.split()[0]: line for line in shared.pop("columns").splitlines()} | shared
    tables: dict[str, Table] = {}
    instead: dict[str, str] = {}
    for name, entry in said.items():
        columns = [
            replace(column, required=part == "columns", inner=part == "inner")
            for part in ("columns", "optional", "inner")
            for column in _columns(entry.get(part, ""), blocks)
        ]
        factors = entry.get("factors", False)
        if not columns:
            like = tables[entry.get("like") or entry["instead_of"]]
            meant = {c.name: c.meaning for c in _columns(entry.get("meanings", ""), blocks)}
            without = {*entry.get("without", "").split()}
            assert {*meant, *without} <= {*like.names}, name
            kept = (c for c in like.columns if c.name not in without)
            columns = [replace(c, meaning=meant.get(c.name, c.meaning)) for c in kept]
            factors = like.factors
        tables[name] = Table(name, entry["row"], tuple(columns), factors)
        if "instead_of" in entry:
            instead[entry["instead_of"]] = name
    return tables, instead


def _columns(text: str, blocks: Mapping[str, str]) -> Iterator[Column]:
    """Columns as lines of ``tables.toml`` tell them."""
    for line in text.splitlines():
        name, *rest = line.split(None, 2)
        if not rest:
            yield from _columns(blocks[name], {})
            continue
        kind, meaning = rest
        decimals = None if kind == "p" else int(kind[1:] or DECIMALS)
        for letter in "xyz" if "[xyz]" in name else " ":
            each = name.replace("[xyz]", letter)
            yield Column(each, _KINDS[kind[0]], meaning, decimals=decimals)


TABLES, UNREFERENCED = _read()
"""Every table by name; and what stands in place of a table where there is no reference."""


def empty(name: str) -> pd.DataFrame:
    """Return a table without rows, with its columns in order.

    Examples
    --------
    >>> empty("findings").columns.tolist()
    ['severity', 'code', 'where', 'what', 'mend']
    """
    return shape(name, pd.DataFrame())


def shape(name: str, frame: pd.DataFrame, *, factors: tuple[str, ...] = ()) -> pd.DataFrame:
    """Bring a frame into the shape of a table: columns, order and types.

    Parameters
    ----------
    name : str
        Name of the table.
    frame : DataFrame
        Rows; columns that the table does not have are dropped unless named in
        `factors`, columns that are absent become empty.
    factors : tuple of str
        Factor columns of the scan list that follow the table's own.

    Returns
    -------
    DataFrame
        With a fresh index.
    """
    return pd.DataFrame(_arrays(name, dict(frame.items()), len(frame), factors))


def _arrays(
    name: str, known: Mapping[Any, Any], n: int, factors: tuple[str, ...]
) -> dict[str, Any]:
    """Arrays of a table's columns and of `factors`, in order, from n cells of those `known`."""
    table = TABLES[name]
    absent: dict[Kind, Any] = {}
    out: dict[str, Any] = {}
    for column in table.columns:
        if column.name in known:
            out[column.name] = _typed(known[column.name], column.kind)
            continue
        if column.kind not in absent:
            absent[column.kind] = _typed(pd.Series([None] * n, dtype=object), column.kind)
        out[column.name] = absent[column.kind]  # copied by the frame
    if table.factors:
        for factor in factors:
            if factor not in out and factor in known:
                out[factor] = pd.Series(known[factor]).array
    return out


_DTYPES: dict[Kind, Any] = {
    "number": np.dtype("float64"),
    "integer": pd.Int64Dtype(),
    "flag": pd.BooleanDtype(),
}


def _typed(given: Any, kind: Kind) -> Any:
    """Array of the type of a kind; values that have it stay as they are."""
    there = given.array if isinstance(given, pd.Series) else given
    if kind in _DTYPES and given.dtype == _DTYPES[kind]:
        return there
    if kind == "text" and str(there.dtype) == "str" and not there.isna().any():
        return there
    values = pd.Series(given)
    if kind == "number":
        return pd.to_numeric(values).astype(float).array
    if kind == "integer":
        return pd.to_numeric(values).astype("Int64").array
    if kind == "flag":
        return values.astype("boolean").array
    if kind == "date":
        return pd.to_datetime(values, format="ISO8601").array
    if values.hasnans:
        return values.astype(object).where(values.notna(), "").astype(str).array
    if pd.api.types.is_string_dtype(values.dtype):
        return values.astype(str).array
    return values.astype(object).astype(str).array


_FORMULA, _ESCAPED = re.compile(r"^[=+\-@\t\r]"), re.compile(r"^'(?=[=+\-@])")


def csv_bytes(name: str, frame: pd.DataFrame, *, factors: tuple[str, ...] = ()) -> bytes:
    """Write a table as CSV: UTF-8, one header row, numbers on the grid of their columns.

    Parameters
    ----------
    name : str
        Name of the table.
    frame : DataFrame
        Its rows, in their final order.
    factors : tuple of str
        Factor columns that follow.

    Returns
    -------
    bytes
        The same for the same input. Text that a spreadsheet would run as a
        formula gets a leading apostrophe.

    Notes
    -----
    `accstudy.tables` says how numbers are rounded; as a rule to 1e-6 of their unit.
    """
    shaped = _arrays(name, dict(frame.items()), len(frame), factors)
    for column in TABLES[name].columns:
        if column.inner and not _holds(pd.Series(shaped[column.name])).any():
            del shaped[column.name]
    decimals = {column.name: column.decimals for column in TABLES[name].columns}
    out: dict[str, Any] = {}
    for column_name, values in shaped.items():
        kind = values.dtype.kind
        if kind == "b":
            out[column_name] = _each_once(values, lambda v: "true" if v else "false")
        elif kind in "iu":
            out[column_name] = _each_once(values, lambda v: str(int(v)))
        elif kind == "f":
            places = decimals.get(column_name, DECIMALS)
            out[column_name] = number_texts(values.to_numpy(float), places)
        elif kind == "M":
            out[column_name] = _each_once(values, _date)
        else:
            out[column_name] = _each_once(values, _text)
    buffer = io.StringIO()
    write = csv.writer(buffer, lineterminator="\n")
    write.writerow(out)
    write.writerows(zip(*out.values(), strict=True))
    return buffer.getvalue().encode("utf-8")


def _holds(values: pd.Series) -> pd.Series:
    """Which cells hold something."""
    return values.notna() & (values.astype(str) != "")


def _each_once(values: Any, write: Callable[[Any], str]) -> NDArray[np.object_]:
    """Write values as text, each that differs once; empty where there is none."""
    codes, known = pd.factorize(values)
    return np.array([*map(write, known), ""], object)[codes]


def _date(value: pd.Timestamp) -> str:
    return value.strftime("%Y-%m-%d" if value == value.normalize() else "%Y-%m-%dT%H:%M:%S")


def _text(value: object) -> str:
    if value is None or (isinstance(value, float) and np.isnan(value)) or value is pd.NA:
        return ""
    text = str(value)
    if _FORMULA.match(text) and not re.fullmatch(r"-?\d+(\.\d+)?", text):
        return "'" + text
    return text


BEGINNING = pd.Timestamp("1900-01-01")
"""Day from which a reference without a ``valid_from`` holds."""


def valid_since(rows: pd.DataFrame) -> pd.Series:
    """Day from which each row of a reference holds; `BEGINNING` where none is stated.

    Examples
    --------
    >>> valid_since(pd.DataFrame({"valid_from": ["2025-03-01", None]})).dt.year.tolist()
    [2025, 1900]
    """
    if "valid_from" not in rows:
        return pd.Series(BEGINNING, rows.index)
    return pd.to_datetime(rows["valid_from"]).fillna(BEGINNING)


LABEL_FACTORS = frozenset(
    {"device", "software", "technique", "operator", "session", "material", "scan_body", "splint"}
    | {"laboratory", "serial", "serial_number"}
)
"""Factor columns that are labels even when they look like numbers."""


def read_csv(name: str, path: Path | BinaryIO) -> pd.DataFrame:
    """Read a result table that the tool wrote, with its types.

    Parameters
    ----------
    name : str
        Name of the table.
    path : Path or binary file
        The CSV file.

    Returns
    -------
    DataFrame
        The table's columns typed; factor columns as text.

    Raises
    ------
    InputError
        If it is no such table.
    """
    try:
        return _as_written(
            name, pd.read_csv(path, dtype=object, keep_default_na=False, encoding="utf-8")
        )
    except (ValueError, TypeError, KeyError, OverflowError) as error:
        where = f"results/{path.name}" if isinstance(path, Path) else f"{name}.csv"
        raise InputError(
            f'"{name}.csv" is not a readable table',
            where=where,
            hint="recompute the results with `accstudy run`",
        ) from error


def _as_written(name: str, raw: pd.DataFrame) -> pd.DataFrame:
    """Table from cells of text."""
    table = TABLES[name]
    kinds: dict[str, Kind] = {column.name: column.kind for column in table.columns}
    cells = raw.to_numpy(object)
    cells[pd.isna(cells)] = ""  # where a row ends too early
    read = zip(raw.columns, cells.T, strict=True)
    out = {c: _read_column(column, kinds.get(str(c), "text")) for c, column in read}
    own = table.names
    factors = tuple(c for c in raw.columns if c not in own)
    return pd.DataFrame(_arrays(name, out, len(raw), factors))


def _read_column(cells: NDArray[np.object_], kind: Kind) -> Any:
    """Column from cells of text, of which an empty one is a missing value."""
    if kind == "text":
        quoted = [text.startswith("'") for text in cells]
        if any(quoted):
            cells = cells.copy()
            cells[quoted] = [_ESCAPED.sub("", text) for text in cells[quoted]]
        return pd.array(cells, dtype="str")
    there = cells != ""
    if kind == "date":
        return pd.Series(cells).where(there, None)
    if kind == "flag":
        yes = cells == "true"
        return pd.arrays.BooleanArray(yes, ~yes & (cells != "false"))
    numbers = np.full(len(cells), np.nan)
    if there.any():
        numbers[there] = pd.to_numeric(cells[there])
    return numbers
