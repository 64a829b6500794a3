"""One cell of a table, or value of study.toml, to a number, a date, a truth value or an error."""

from __future__ import annotations

import datetime as dt
import math
import re
import unicodedata
from collections.abc import Collection, Iterable, Mapping
from typing import Annotated

import pandas as pd
from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field
from pydantic_core import PydanticCustomError

from accstudy.errors import InputError
from accstudy.quantities import implausible


class Stored(str):
    """A number that a workbook stores as one: its decimal point is not the user's."""

    __slots__ = ()


POINT_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
COMMA_NUMBER = re.compile(r"[+-]?(\d+,\d*|,\d+)([eE][+-]?\d+)?", re.ASCII)
GROUPED = re.compile(r"[+-]?[1-9]\d{0,2}([.,' ’\xa0\u2009\u202f]\d{3})+([.,]\d+)?", re.ASCII)
"""A number that may have a separator between thousands."""

_WITH_UNIT = re.compile(r"([+-]?[\d.,]+)\s*([^\d\s.,+-].{0,7})", re.ASCII)
_CLOCK = re.compile(r"\d{1,3}:[0-5]\d(:[0-5]\d)?", re.ASCII)


def parse_number(text: str, *, comma_decimals: bool) -> float:
    """Read one finite number strictly; `comma_decimals`: whether ``1,5`` may mean 1.5.

    `InputError` if it is no number, not finite, or could mean two numbers (``1.234,5``; ``1 234``).

    Examples
    --------
    >>> parse_number("1,5", comma_decimals=True)
    1.5
    """
    if POINT_NUMBER.fullmatch(text):
        value = float(text)
    elif comma_decimals and COMMA_NUMBER.fullmatch(text):
        value = float(text.replace(",", "."))
    elif GROUPED.fullmatch(text):
        raise InputError(
            f'"{text}" is ambiguous: thousands may be grouped',
            hint="write the number with a decimal point and without separators between thousands; "
            "in a workbook, store the cell as a number, not as text",
        )
    elif COMMA_NUMBER.fullmatch(text):
        raise InputError(
            f'"{text}" has a decimal comma where a decimal point is expected',
            hint=f"write {text.replace(',', '.')}, or write the whole table with decimal commas",
        )
    else:
        raise InputError(f'"{text}" is not a number', hint=_meant(text))
    if not math.isfinite(value):
        raise InputError(f'"{text}" is too large a number')
    return value


def _meant(text: str) -> str:
    """What a cell that is no number was probably meant to be."""
    plain = unicodedata.normalize("NFKC", text).replace("\u2212", "-").strip()
    if plain != text and (POINT_NUMBER.fullmatch(plain) or COMMA_NUMBER.fullmatch(plain)):
        return f"it contains characters of another script: write {plain}"
    if time := _CLOCK.fullmatch(text):
        seconds = 0
        for part in time[0].split(":"):
            seconds = 60 * seconds + int(part)
        return f"it looks like a time: write it in the unit of the column ({seconds} s)"
    if _YEAR_FIRST.match(text):
        return "a spreadsheet may have made a date of a number such as 1.5: type it again as text"
    if with_unit := _WITH_UNIT.fullmatch(text):
        number, unit = with_unit[1], with_unit[2].strip().lower()
        if unit in ("°f", "f", "k") and POINT_NUMBER.fullmatch(number):
            celsius = float(number) - 273.15 if unit == "k" else (float(number) - 32) / 1.8
            return f"write it in the unit of the column: {celsius:.4g} °C"
        return f"write the number without its unit, in that of the column: {number}"
    if text.lower().lstrip("#") in ("n/a", "na", "nan", "none", "-", "?", "unknown", "div/0!"):
        return "leave the cell empty if the value is unknown"
    return "write digits with a decimal point"


# Yes and no, true and false in English, German, French, Italian, Spanish, Portuguese, Dutch
# and the Scandinavian languages, without accents; one letter where it means the same in all.
_YES = "yes ja oui si sim wahr vrai vero verdadero verdadeiro waar"
_NO = "no nein non nao nee nej nei falsch faux falso onwaar"
_TRUE = frozenset(["true", "1", "1.0", "y", "j", *_YES.split(" ")])
_FALSE = frozenset(["false", "0", "0.0", "n", *_NO.split(" ")])


def read_flag(text: str) -> bool | None:
    """Truth value of a cell, in the words of several languages; None if it is none of them.

    Examples
    --------
    >>> read_flag("Sí"), read_flag("nein"), read_flag("x")
    (True, False, None)
    """
    word = _plain(text)
    return True if word in _TRUE else False if word in _FALSE else None


def _plain(text: str) -> str:
    """Lower case without accents."""
    parts = unicodedata.normalize("NFKD", text.casefold())
    return "".join(c for c in parts if not unicodedata.combining(c))


_YEAR_FIRST = re.compile(r"(\d{4})([-./])(\d{1,2})\2(\d{1,2})(?!\d)", re.ASCII)
_BASIC = re.compile(r"(\d{4})(\d{2})(\d{2})", re.ASCII)
_YEAR_LAST = re.compile(r"(\d{1,2})([-./])\s?(\d{1,2})\2\s?(\d{4}|\d{2})", re.ASCII)
_DAY_NAMED = re.compile(r"(\d{1,2})(?:\.|st|nd|rd|th|er)?[\s-]*([^\W\d]{3,})\.?,?[\s-]*(\d{4})")
_NAMED_DAY = re.compile(r"([^\W\d]{3,})\.?\s+(\d{1,2})(?:st|nd|rd|th)?,?\s+(\d{4})")
_TIME = re.compile(
    r"(?P<hour>\d{1,2})[:.](?P<minute>\d{2})(?:[:.](?P<second>\d{2})(?P<part>[.,]\d{1,9})?)?"
    r"\s*(?P<half>[ap]\.?m\.?|uhr)?\s*(?:z|[+-]\d{2}:?\d{2})?",
    re.ASCII | re.IGNORECASE,
)
_BEFORE_TIME = re.compile(r"(?:(?<=\d)t|,?\s+)(?=\d{1,2}[:.]\d{2}(?!\d))(?!\d{1,2}\.\d{1,2}\.)",
                          re.ASCII | re.IGNORECASE)  # fmt: skip
_LONGEST = 40
_DAY_NUMBER = range(36526, 73051)
"""Days since 1899-12-30, as spreadsheets count them, of the years 2000 to 2099."""

# Months in English, German, French, Italian, Spanish; three letters or more of a name will do.
_MONTHS = tuple(
    names.split()
    for names in (
        "january januar janvier gennaio enero", "february februar fevrier febbraio febrero",
        "march marz maerz mrz mars marzo", "april avril aprile abril", "may mai maggio mayo",
        "june juni juin giugno junio", "july juli juillet luglio julio",
        "august aout agosto", "september sept septembre settembre septiembre setiembre",
        "october oktober octobre ottobre octubre", "november novembre noviembre",
        "december dezember decembre dicembre diciembre",
    )
)  # fmt: skip


def _months(word: str) -> list[int]:
    plain = _plain(word)
    return [
        k for k, names in enumerate(_MONTHS, start=1) if any(n.startswith(plain) for n in names)
    ]


def _readings(text: str) -> dict[str, dt.datetime]:
    """Every date that a cell can mean, by the order of its parts."""
    if len(text) > _LONGEST:
        return {}
    day, *after = _BEFORE_TIME.split(text, maxsplit=1)
    at = _time(after[0]) if after else dt.time()
    if at is None:
        return {}
    found: dict[str, tuple[int, int, int]] = {}
    if match := _YEAR_FIRST.fullmatch(day) or _BASIC.fullmatch(day):
        year, month, of_month = (int(part) for part in match.groups() if part.isdecimal())
        found["year first"] = (year, month, of_month)
    elif match := _YEAR_LAST.fullmatch(day):
        one, two, last = int(match[1]), int(match[3]), int(match[4])
        year = last if len(match[4]) == 4 else 2000 + last
        found = {"day first": (year, two, one), "month first": (year, one, two)}
        if len(match[4]) == 2 and match[2] == "-":
            found["year first"] = (2000 + one, two, last)
    elif match := _DAY_NAMED.fullmatch(day):
        found = {f"named {m}": (int(match[3]), m, int(match[1])) for m in _months(match[2])}
    elif match := _NAMED_DAY.fullmatch(day):
        found = {f"named {m}": (int(match[3]), m, int(match[2])) for m in _months(match[1])}
    out: dict[str, dt.datetime] = {}
    for order, parts in found.items():
        try:
            moment = dt.datetime.combine(dt.date(*parts), at)
        except ValueError:
            continue
        if moment not in out.values():
            out[order] = moment
    return out


def _time(text: str) -> dt.time | None:
    """Wall-clock time of the place where it was measured: the offset is dropped, not applied."""
    match = _TIME.fullmatch(text)
    if not match:
        return None
    hour, half = int(match["hour"]), (match["half"] or "").lower()
    if half[:1] in ("a", "p"):
        if not 1 <= hour <= 12:
            return None
        hour = hour % 12 + 12 * (half[0] == "p")
    part = round(1e6 * float("0." + (match["part"] or ".0")[1:]))
    try:
        return dt.time(hour, int(match["minute"]), int(match["second"] or 0), min(part, 999_999))
    except ValueError:
        return None


def is_iso(text: str) -> bool:
    """Whether a date is written with the year first."""
    return bool(_YEAR_FIRST.match(text) or _BASIC.fullmatch(text))


def read_day(text: str) -> dt.date:
    """Read one date, which must have one meaning.

    Parameters
    ----------
    text : str
        Such as ``2025-03-31``, or ``31.03.2025``, which can be read only one way.

    Raises
    ------
    InputError
        If it is no date, or could mean two.
    """
    values, told = read_dates([text])
    if text in told:
        raise InputError(told[text][0], hint=told[text][1])
    return values[text].date()


def read_dates(
    cells: Iterable[str],
) -> tuple[Mapping[str, pd.Timestamp], Mapping[str, tuple[str, str]]]:
    """Read the dates of one column, which are written alike: value by cell, and what is wrong with
    others.

    ISO 8601, or with the year last, dots, slashes or names of months; offsets of time zones are
    dropped. A cell that has two readings (``10.03.2025``) is read as the others of its column are,
    where these have only one (``31.03.2025``) and agree. Of a cell without a value it is told what
    is wrong and what to write.
    """
    readings = {cell: _readings(cell) for cell in dict.fromkeys(cells)}
    certain = {next(iter(r)) for cell, r in readings.items()
               if len(r) == 1 and _YEAR_LAST.match(cell)}  # fmt: skip
    values, told = {}, {}
    for cell, found in readings.items():
        if len(found) > 1 and len(certain) == 1 and (order := next(iter(certain))) in found:
            found = {order: found[order]}
        if len(found) == 1:
            values[cell] = pd.Timestamp(next(iter(found.values())))
        else:
            told[cell] = _no_date(cell, found.values())
    return values, told


def _no_date(cell: str, found: Collection[dt.datetime]) -> tuple[str, str]:
    if found:
        meanings = [_iso(moment) for moment in found]
        what = f'"{cell}" can be read as {" or ".join(m[:10] for m in meanings)}'
        return what, f"write {' or '.join(meanings)}"
    if cell.isdecimal() and len(cell) < 9 and int(cell) in _DAY_NUMBER:
        day = dt.date(1899, 12, 30) + dt.timedelta(int(cell))
        what = f'"{cell}" is a day number of a spreadsheet, not a date'
        return what, f"format the column as a date, or write {day.isoformat()} if that is the day"
    hint = "write 2025-03-31 or 2025-03-31T14:30; in a spreadsheet, format the column as text"
    return f'"{cell}" is not an ISO 8601 date', hint


def _iso(moment: dt.datetime) -> str:
    return moment.date().isoformat() if moment.time() == dt.time() else moment.isoformat()


def _number(value: object) -> object:
    """Refuse words and truth values where a number is meant: true is not 1."""
    if isinstance(value, bool | str):
        raise PydanticCustomError(
            "not_a_number",
            "a number is needed",
            {"hint": "write a number without quotation marks, with a decimal point"},
        )
    return value


def _day(value: object) -> object:
    """A date, also one in quotation marks, if it can be read only one way."""
    if isinstance(value, dt.datetime):
        return value.date()
    if isinstance(value, dt.date) or value is None:
        return value
    try:
        return read_day(str(value))
    except InputError as error:
        told = {"what": error.message, "hint": error.hint}
        raise PydanticCustomError("not_a_date", "{what}", told) from None


def _flag(value: object) -> object:
    """True or false, also in quotation marks or in another language."""
    found = read_flag(str(value))
    if found is None:
        raise PydanticCustomError(
            "not_a_flag", "neither true nor false", {"hint": "write true or false"}
        )
    return found


def in_range_of(key: str) -> AfterValidator:
    """Refuse a number outside the range in which this quantity can be true."""

    def check(value: float) -> float:
        doubt = implausible(key, value)
        if doubt:
            raise PydanticCustomError("implausible", "{what}", {"what": doubt[0], "hint": doubt[1]})
        return value

    return AfterValidator(check)


Number = Annotated[float, BeforeValidator(_number), Field(allow_inf_nan=False)]
Day = Annotated[dt.date, BeforeValidator(_day)]
Flag = Annotated[bool, BeforeValidator(_flag)]
Whole = Annotated[int, BeforeValidator(_number)]
Positive = Annotated[Number, Field(gt=0)]
TemperatureC = Annotated[Number, in_range_of("temperature_c")]
ExpansionPerK = Annotated[Number, in_range_of("expansion_per_k")]
LimitUm = Annotated[Number, in_range_of("limit_um")]
LimitDeg = Annotated[Number, in_range_of("limit_deg")]
Share = Annotated[Number, in_range_of("share")]
RadiusMm = Annotated[Number, in_range_of("radius_mm")]
HeightMm = Annotated[Number, in_range_of("height_mm")]
FromPlatformMm = Annotated[Number, in_range_of("from_platform_mm")]
CoordinateMm = Annotated[Number, in_range_of("coordinate_mm")]
Vector = tuple[Number, Number, Number]
PointMm = tuple[CoordinateMm, CoordinateMm, CoordinateMm]


class Section(BaseModel):
    """A table of study.toml: unknown keys are faults."""

    model_config = ConfigDict(extra="forbid", frozen=True)
