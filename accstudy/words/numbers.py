"""Numbers, dates and lists as they are printed; with `accstudy.words.catalogue.say`."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any

import pandas as pd

from accstudy.words.catalogue import count, say, words
from accstudy.words.names import unit_name

NONE = "–"
"""What stands in a cell of which nothing can be said."""

_DECIMALS = {"um": 1, "deg": 3, "mm": 1, "ppm": 0, "": 3}
_ROUND = {"um": 0, "deg": 2, "mm": 1, "ppm": 0, "": 2}


def missing(value: object) -> bool:
    """Whether a cell is empty.

    Examples
    --------
    >>> missing(pd.NaT), missing(float("nan")), missing(0.0), missing("")
    (True, True, False, False)
    """
    if value is None or value is pd.NA or value is pd.NaT:
        return True
    return isinstance(value, float) and math.isnan(value)


def number(
    value: Any, unit: str = "um", *, signed: bool = False, decimals: int | None = None
) -> str:
    r"""Write a number as a table shows it, without its unit.

    Parameters
    ----------
    value : float
        In `unit`; empty gives a dash.
    unit : str
        ``um``, ``deg``, ``mm`` or empty; decides the decimals.
    signed : bool
        Whether a plus is written.
    decimals : int, optional
        Other than usual for the unit.

    Examples
    --------
    >>> number(-12.345), number(3.0, signed=True), number(0.0412, "deg"), number(float("nan"))
    ('−12.3', '+3.0', '0.041', '–')
    >>> number(9999, decimals=0), number(12345.6)
    ('9999', '12\xa0345.6')
    """
    if missing(value):
        return NONE
    x = float(value)
    if not math.isfinite(x):
        return "∞" if x > 0 else "−∞"
    places = _DECIMALS.get(unit, 2) if decimals is None else decimals
    text = f"{x:.{places}f}"
    if float(text) == 0:
        text = f"{0:.{places}f}"
    elif signed and x > 0:
        text = "+" + text
    whole, point, rest = text.partition(".")
    if len(whole.lstrip("+-")) > 4:
        text = f"{int(whole):{'+' if signed else ''},}".replace(",", "\u00a0") + point + rest
    return text.replace("-", "−")


def quantity(value: Any, unit: str = "um", *, signed: bool = False) -> str:
    r"""Write a number with its unit as a sentence does: whole µm, 0.01°, 0.1 mm.

    Examples
    --------
    >>> quantity(-22.4), quantity(3.26), quantity(0.314, "deg"), quantity(31.44, "mm")
    ('−22\xa0µm', '3.3\xa0µm', '0.31°', '31.4\xa0mm')
    """
    if missing(value):
        return NONE
    if unit == "um" and abs(float(value)) >= 1e4:
        return _long_length(float(value))
    if unit == "deg" and abs(float(value)) >= 360:
        return say("list.over_turn")
    places = _ROUND.get(unit, 2)
    if unit == "um" and abs(float(value)) < 9.95:
        places = 1 if float(value) != round(float(value)) else 0
    text = number(value, unit, signed=signed, decimals=places)
    return text + _behind(unit)


def sized(value: Any, unit: str = "um", *, signed: bool = False) -> str:
    r"""Write a number with its unit, with as many decimals as a table shows.

    Examples
    --------
    >>> sized(-3.26), sized(0.0412, "deg", signed=True), sized(float("nan"))
    ('−3.3\xa0µm', '+0.041°', '–')
    """
    return number(value, unit, signed=signed) + ("" if missing(value) else _behind(unit))


def _behind(unit: str) -> str:
    """Unit as it follows its number: the degree sign without a blank."""
    return unit_name(unit) if unit in ("deg", "") else f"\u00a0{unit_name(unit)}"


def stated(value: Any, unit: str = "um") -> str:
    r"""Write what somebody chose, such as a limit, with its unit: no digit of it is lost.

    Examples
    --------
    >>> stated(100.0), stated(120.5), stated(0.4, "deg"), stated(0.375, "deg")
    ('100\xa0µm', '120.5\xa0µm', '0.40°', '0.375°')
    """
    if missing(value) or not abs(float(value)) < 1e4:
        return quantity(value, unit)
    own = len(f"{float(value):.6f}".rstrip("0").partition(".")[2])
    text = number(value, unit, decimals=max(_ROUND.get(unit, 2), own))
    return text + _behind(unit)


def _long_length(value_um: float) -> str:
    """Write a length that no scan deviates by: a bound from far too few scans."""
    if abs(value_um) >= 1e6:
        return say("list.over_metre")
    return f"{value_um / 1000:.0f}\u00a0mm".replace("-", "−")


def interval(low: Any, high: Any, unit: str = "um", *, signed: bool = True) -> str:
    r"""Write an interval as a sentence does.

    Examples
    --------
    >>> interval(-41.2, 3.3)
    '−41 to +3\xa0µm'
    >>> interval(float("nan"), 3.0)
    '–'
    """
    if missing(low) or missing(high):
        return NONE
    places = _ROUND.get(unit, 2)
    ends = [number(v, unit, signed=signed, decimals=places) for v in (low, high)]
    return say("list.range", low=ends[0], high=ends[1] + _behind(unit))


def percent(share: Any, *, decimals: int = 0) -> str:
    r"""Write a share in per cent.

    Examples
    --------
    >>> percent(0.95)
    '95\xa0%'
    """
    return NONE if missing(share) else f"{100 * float(share):.{decimals}f}\u00a0%"


def significant(value: Any, digits: int = 3) -> str:
    r"""Write a number without unit to so many significant digits, whole numbers in full.

    Examples
    --------
    >>> significant(1.7146), significant(0.000123456), significant(0), significant(31415.9)
    ('1.71', '1.23\xa0×\xa010⁻⁴', '0', '31\xa0416')
    """
    if missing(value):
        return NONE
    size = abs(float(value))
    if size == 0 or not math.isfinite(size):
        return number(value, "", decimals=0)
    if size < 1e-3:
        mantissa, exponent = f"{float(value):.{digits - 1}e}".split("e")
        return f"{mantissa}\u00a0×\u00a010{str(int(exponent)).translate(_RAISED)}".replace("-", "−")
    return number(value, "", decimals=max(digits - 1 - math.floor(math.log10(size)), 0))


def uncertainty(value: Any) -> str:
    """Write an uncertainty with two significant digits (JCGM 100:2008, 7.2.6).

    Examples
    --------
    >>> uncertainty(33.04), uncertainty(2.26), uncertainty(0.0117), uncertainty(0.997)
    ('33', '2.3', '0.012', '1.0')
    >>> uncertainty(123.4)
    '120'
    """
    return NONE if missing(value) else rounded_to(value, float(value))


def rounded_to(value: Any, uncertainty_of_it: float, *, signed: bool = False) -> str:
    """Write a value to the last digit of its uncertainty; to one decimal where that is not known.

    Examples
    --------
    >>> rounded_to(4.94, 33.04, signed=True), rounded_to(4.94, 2.26), rounded_to(246.3, 123.4)
    ('+5', '4.9', '250')
    """
    size = 0.0 if missing(uncertainty_of_it) else abs(uncertainty_of_it)
    if missing(value) or not size or not math.isfinite(size):
        return number(value, "", signed=signed, decimals=1)
    places = 1 - int(f"{size:.1e}".partition("e")[2])
    return number(round(float(value), places), "", signed=signed, decimals=max(places, 0))


_RAISED = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")


def wait(sessions: Any) -> str:
    r"""Write a mean number of sessions to two significant digits; long ones are not told apart.

    Examples
    --------
    >>> wait(3.456), wait(78.64), wait(653.4), wait(2616.5), wait(2e5)
    ('3.5', '79', '650', 'more than 1000', 'more than 1000')
    """
    if missing(sessions) or not float(sessions) <= 1e3:  # results leave out what is infinite
        return say("list.more_than_1000")
    if float(sessions) < 9.95:
        return number(sessions, "", decimals=1)
    return number(round(float(sessions), -1 if float(sessions) >= 99.5 else 0), "", decimals=0)


def lasting(days: Any) -> str:
    r"""Write a time given in days: in years from two years on, which no plan reaches from ten on.

    Examples
    --------
    >>> lasting(36.4), lasting(1), lasting(1000), lasting(81112)
    ('36\xa0days', '1\xa0day', '2.7\xa0years', 'more than 10\xa0years')
    """
    if missing(days) or not float(days) < 10 * DAYS_PER_YEAR:
        return say("list.over_10_years")
    if float(days) < 2 * DAYS_PER_YEAR:
        return count(round(float(days)), "day")
    return say("list.years", years=float(days) / DAYS_PER_YEAR)


DAYS_PER_YEAR = 365.2425
"""Of the Gregorian calendar."""


def sure(share: Any) -> str:
    r"""Write a confidence or a coverage in per cent, with every digit that it has.

    Examples
    --------
    >>> sure(0.95), sure(0.995)
    ('95\xa0%', '99.5\xa0%')
    """
    return NONE if missing(share) else f"{100 * float(share):g}\u00a0%"


def p_value(p: Any) -> str:
    r"""Write a p value; never 0.

    Examples
    --------
    >>> p_value(0.03217), p_value(0.00002), p_value(0.9996)
    ('0.032', '<\xa00.001', '>\xa00.999')
    """
    if missing(p):
        return NONE
    if float(p) < 0.001:
        return "<\u00a00.001"
    return ">\u00a00.999" if float(p) > 0.9994 else f"{float(p):.3f}"


def p_said(p: Any) -> str:
    r"""Write that a p value is, or is below, what it is.

    Examples
    --------
    >>> p_said(0.03217), p_said(0.00002)
    ('p = 0.032', 'p <\xa00.001')
    """
    text = p_value(p)
    return f"p {text}" if text[0] in "<>" else f"p = {text}"


def date(at: Any) -> str:
    """Write a day.

    Examples
    --------
    >>> date(pd.Timestamp("2026-03-02"))
    '2 March 2026'
    """
    if missing(at):
        return NONE
    day = pd.Timestamp(at)
    month = words("list.months")[str(day.month)]
    return say("list.date", day=day.day, month=month, year=day.year)


def day(at: Any) -> str:
    """Write a day as a table does.

    Examples
    --------
    >>> day(pd.Timestamp("2026-03-02T09:00"))
    '2026-03-02'
    """
    return NONE if missing(at) else f"{pd.Timestamp(at):%Y-%m-%d}"


def period(days: Iterable[Any]) -> str:
    """Write the first and the last of some days; empty without any.

    Examples
    --------
    >>> period(["2026-03-02", "2026-03-05"])
    '2 March 2026 to 5 March 2026'
    >>> period([])
    ''
    """
    known = pd.to_datetime(pd.Series(list(days), dtype=object), errors="coerce").dropna()
    if known.empty:
        return ""
    first, last = date(known.min()), date(known.max())
    return first if first == last else say("list.range", low=first, high=last)


def freedom(df: Any) -> str:
    r"""Write degrees of freedom.

    Examples
    --------
    >>> freedom(1.0), freedom(4.63)
    ('1\xa0degree of freedom', '4.6\xa0degrees of freedom')
    """
    text = f"{float(df):.1f}".removesuffix(".0")
    return say("list.degree_of_freedom" if text == "1" else "list.degrees_of_freedom", df=text)


def joined(parts: Sequence[str], *, last: str = "and") -> str:
    """Write a list of words, with ``and``, ``or`` or ``to`` before the last.

    Examples
    --------
    >>> joined(["a", "b", "c"])
    'a, b and c'
    """
    if len(parts) < 2:
        return "".join(parts)
    return say(f"list.join_{last}", others=", ".join(parts[:-1]), last=parts[-1])
