"""The sentences of a report, from the rows of its tables.

They say no more than the row does: what is not known is said to be unknown,
and conformity has the three words of ISO 14253-1.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from accstudy.accuracy.spans import guard
from accstudy.reports.document import Text, strong_accent
from accstudy.reports.wording import (
    count,
    interval,
    joined,
    missing,
    number,
    percent,
    quantity,
    sure,
    unit_name,
)

__all__ = [
    "bias_sentence",
    "condition_name",
    "difference_word",
    "failure_sentence",
    "decision_rule",
    "measurand_name",
    "supported_sentence",
    "together_sentence",
    "verdict_sentence",
]

PROVEN = "conformity proven"
NOT_PROVEN = "conformity not proven"
NON_CONFORMITY = "non-conformity proven"

_MEASURANDS = {
    "distance_um": "distance between two implants",
    "angle_deg": "angle between two implants",
    "seat_gap_um": "largest predicted gap",
    "gap_max_um": "largest predicted gap",
    "mesiodistal_um": "position along the arch",
    "buccolingual_um": "position across the arch",
    "vertical_um": "height",
    "tilt_mesiodistal_deg": "tilt along the arch",
    "tilt_buccolingual_deg": "tilt across the arch",
    "rotation_deg": "rotation about the axis",
}


def measurand_name(measurand: str) -> str:
    """What a measurand is called in a sentence.

    Examples
    --------
    >>> measurand_name("distance_um")
    'distance between two implants'
    """
    name, _, rest = measurand.partition(",")
    said = _MEASURANDS.get(name, name.replace("_", " "))
    return f"{said},{rest}" if rest else said


def difference_word(*, is_scan: bool) -> str:
    """Trueness is said of a reference that is better than the scans; else it is agreement.

    Examples
    --------
    >>> difference_word(is_scan=True)
    'agreement'
    """
    return "agreement" if is_scan else "trueness"


def condition_name(condition: str) -> str:
    """Name a condition; a study without condition factors has but one.

    Examples
    --------
    >>> condition_name(""), condition_name("A / splinted")
    ('the workflow studied', 'A / splinted')
    """
    return str(condition) if condition else "the workflow studied"


def verdict_sentence(
    row: Any, *, longest_mm: float | None = None, supported_mm: float | None = None
) -> Text:
    """Say what one row of table ``conformity`` says.

    Parameters
    ----------
    row : row of table ``conformity``
        A limit of the user's under one condition.
    longest_mm : float, optional
        Longest span of the study, to tell "all of it" from a part.
    supported_mm : float, optional
        Supported span at that limit: NaN where none is; None where the limit is
        not one of a distance.

    Returns
    -------
    Text
        One or two sentences; verdict and bound in the accent colour.
    """
    limit = quantity(row.limit, row.unit)
    single = row.measurand == "distance_um"
    what = ("each single " if single else "the ") + measurand_name(row.measurand)
    start = f"For {row.condition}, c" if row.condition else "C"
    if missing(row.tolerance_bound) or not row.verdict:
        more = (
            ""
            if missing(row.n_needed)
            else f"; about {count(int(row.n_needed), 'scan')} in all would be needed"
        )
        return [
            f"{start[:-1]}{'w' if row.condition else 'W'}hether {what} stays within {limit} ",
            strong_accent("cannot be said"),
            f" from {count(int(row.n_scans), 'scan')}{more}.",
        ]
    if row.verdict == NON_CONFORMITY:
        start = f"For {row.condition}, non-c" if row.condition else "Non-c"
    where = _where(row, longest_mm)
    text: list[Any] = [
        f"{start}onformity with the limit of {limit} on {what} is ",
        strong_accent("not proven" if row.verdict == NOT_PROVEN else "proven"),
        where,
        *_bound(row, f"{percent(row.coverage)} of future scans deviate"),
    ]
    if row.verdict != PROVEN and supported_mm is not None:
        text.append(" " + _partly(limit, supported_mm))
    return [*text, *_needed(row)]


def together_sentence(row: Any, n_pairs: int) -> Text:
    """Say whether all distances of a scan together stay within the limit.

    Parameters
    ----------
    row : row of table ``conformity``
        The worst pair of a scan under one condition.
    n_pairs : int
        Pairs of a scan; 0 where models differ in it.
    """
    start = f"For {row.condition}, " if row.condition else ""
    what = f"all {n_pairs} distances" if n_pairs else "all distances"
    asked = f"{what} of a scan together, which a framework on all implants asks for"
    if missing(row.tolerance_bound) or not row.verdict:
        said: list[Any] = [f"{start}whether {asked}, stay within the limit "]
        said += [strong_accent("cannot be said"), f" from {count(int(row.n_scans), 'scan')}."]
        return _capital(said)
    word = "non-conformity" if row.verdict == NON_CONFORMITY else "conformity"
    text: list[Any] = [
        f"{start}{word} with the limit of {quantity(row.limit, row.unit)} on {asked}, is ",
        strong_accent("not proven" if row.verdict == NOT_PROVEN else "proven"),
        *_bound(row, f"in {percent(row.coverage)} of future scans the worst distance deviates"),
    ]
    return _capital([*text, *_needed(row)])


def _capital(text: list[Any]) -> list[Any]:
    """The sentence with a capital at its start."""
    return [text[0][:1].upper() + text[0][1:], *text[1:]]


def _bound(row: Any, what: str) -> list[Any]:
    """With which confidence what stays within which bound, and from how many scans."""
    return [
        f": with {percent(row.confidence)} confidence, {what} by no more than ",
        strong_accent(quantity(row.tolerance_bound, row.unit)),
        f" ({count(int(row.n_scans), 'scan')}).",
    ]


def _needed(row: Any) -> list[str]:
    """How many scans would prove what is not proven yet; nothing where that is not known."""
    if row.verdict != NOT_PROVEN or missing(row.n_needed):
        return []
    needed = count(int(row.n_needed), "scan")
    return [f" About {needed} in all, in more cells, would prove it if the estimates hold."]


def decision_rule(confidence: float) -> str:
    """The rule of decision, in one wording for every place that states it.

    Parameters
    ----------
    confidence : float
        One-sided, of the guard.

    Examples
    --------
    >>> "1.64 times" in decision_rule(0.95)
    True
    """
    return (
        "Conformity is proven when the bound and the guard together lie within the limit; "
        "non-conformity is proven when the lower confidence bound for the same share of scans, "
        "less the guard, lies outside. Between the two, or with too few scans, neither is proven. "
        f"The guard is {float(guard(1.0, confidence)):.2f} times the standard uncertainty of the "
        f"reference (one-sided, {percent(confidence)})"
    )


def _where(row: Any, longest_mm: float | None) -> str:
    if missing(row.span_mm):
        return ""
    span = quantity(row.span_mm, "mm")
    if longest_mm is not None and float(row.span_mm) >= longest_mm - 0.05:
        return f" over every span studied, up to {span}"
    return f" up to a span of {span}"


def _partly(limit: str, supported_mm: float) -> str:
    if missing(supported_mm) or float(supported_mm) <= 0:
        return f"Not even the shortest span studied is supported at {limit}."
    return f"Spans up to {quantity(supported_mm, 'mm')} are supported at {limit}."


def supported_sentence(
    condition: str, level_um: float, supported_mm: Any, longest_mm: float, *, along: str = "span"
) -> str:
    r"""Say up to which span, or path, a level is kept.

    Examples
    --------
    >>> supported_sentence("A", 100, 31.4, 45.0)
    'A: 100\xa0µm up to a span of 31.4\xa0mm'
    >>> supported_sentence("", 200, 80.0, 80.0, along="path")
    '200\xa0µm over every path studied (80.0\xa0mm)'
    >>> supported_sentence("A", 50, float("nan"), 45.0)
    'A: 50\xa0µm over no span studied'
    """
    start = (f"{condition}: " if condition else "") + quantity(level_um)
    if missing(supported_mm) or float(supported_mm) <= 0:
        return f"{start} over no {along} studied"
    if float(supported_mm) >= longest_mm - 0.05:
        return f"{start} over every {along} studied ({quantity(longest_mm, 'mm')})"
    return f"{start} up to a {along} of {quantity(supported_mm, 'mm')}"


def bias_sentence(row: Any, *, is_scan: bool, confidence: float = 0.95) -> str:
    """Say how one pair is measured on average and how much it scatters.

    Parameters
    ----------
    row : row of table ``accuracy``
        A pair.
    is_scan : bool
        Whether the reference is a scan.
    confidence : float
        Of the interval.
    """
    where = f"Over {row.subject}" + (
        "" if missing(row.span_mm) else f" ({quantity(row.span_mm, 'mm')})"
    )
    word = "mean difference" if is_scan else "bias"
    bias = quantity(row.bias, row.unit, signed=True)
    if missing(row.bias_low):
        text = f"{where} the {word} is {bias}; its uncertainty cannot be said"
    else:
        ends = interval(row.bias_low, row.bias_high, row.unit)
        text = f"{where} the {word} is {bias} ({sure(confidence)} interval {ends})"
    if missing(row.s_r) and not missing(row.s_R):
        spread = (
            f"single scans scatter by {quantity(row.s_R, row.unit)} (standard deviation, cells "
            "included); with one scan a cell, the share of repeats in it is unknown"
        )
    elif missing(row.s_r):
        spread = f"the spread cannot be said from {count(int(row.n_scans), 'scan')}"
    elif missing(row.s_R) or int(row.n_cells) < 2:
        spread = (
            f"repeated scans scatter by {quantity(row.s_r, row.unit)} (standard deviation); with "
            "one cell, other operators and sessions are not covered"
        )
    elif float(row.s_R) <= float(row.s_r):
        spread = (
            f"repeats within a cell scatter by {quantity(row.s_r, row.unit)} (standard deviation); "
            f"no spread between the {count(int(row.n_cells), 'cell')} is detected; too few cells "
            "to exclude it"
        )
    else:
        spread = (
            f"single scans scatter by {quantity(row.s_R, row.unit)} (standard deviation, cells "
            f"included), repeats within a cell by {quantity(row.s_r, row.unit)}"
        )
    return f"{text}; {spread}."


def failure_sentence(row: Any) -> str:
    """Say how many scans could not be used.

    Parameters
    ----------
    row : row of table ``failures``
    """
    n_failed, n_all, low, high = int(row.failed), int(row.total), row.low, row.high
    if n_all == 0:
        return ""
    small = int(0 < n_failed < 0.1 * n_all)
    low_said, high_said = (percent(v, decimals=small) for v in (low, high))
    ends = f"{sure(row.confidence)} interval {low_said} to {high_said}"
    if n_failed == 0:
        return f"All {n_all} scans could be used ({ends} for the share of failures)."
    share = percent(n_failed / n_all, decimals=small)
    return f"{n_failed} of {n_all} scans could not be used: {share} ({ends})."


def worst(rows: pd.DataFrame, column: str = "bias") -> Any:
    """Row with the largest size of a column; None without any."""
    sizes = rows[column].abs()
    if not sizes.notna().any():
        return None
    return next(rows.loc[[sizes.idxmax()]].itertuples())


def range_phrase(values: pd.Series, unit: str = "um", *, signed: bool = False) -> str:
    r"""Say from where to where a column goes.

    Examples
    --------
    >>> range_phrase(pd.Series([12.0, 31.2]))
    '12 to 31\xa0µm'
    """
    known = values.dropna()
    if known.empty:
        return "unknown"
    low, high = float(known.min()), float(known.max())
    decimals = {"um": 0, "deg": 2, "mm": 1}.get(unit, 2)
    if np.isclose(low, high):
        return quantity(low, unit, signed=signed)
    ends = joined(
        [number(v, unit, signed=signed, decimals=decimals) for v in (low, high)], last="to"
    )
    return ends + ("" if unit == "deg" else "\u00a0") + unit_name(unit)
