"""Statements of conformity in sentences, with what they rest on and for whom they hold."""

from __future__ import annotations

from typing import Any

from accstudy.accuracy.judge import NOT_VERIFIED, REFUTED, guard
from accstudy.plan.size import size_words
from accstudy.reports.document import Text, strong_accent
from accstudy.reports.sentences import measurand_name
from accstudy.reports.wording import count, missing, p_value, percent, quantity, sure

__all__ = [
    "assumption",
    "decision_rule",
    "for_whom",
    "premise",
    "together_sentence",
    "verdict_sentence",
]

_REJECTED = 0.05


def for_whom(holds_for: str) -> str:
    """Conditions that a statement holds for, as it is said after the verdict.

    Examples
    --------
    >>> for_whom("these operators"), for_whom("this cell"), for_whom("new cells")
    (' for these operators', ' for this one session only', '')
    """
    if holds_for == "this cell":
        return " for this one session only"
    return "" if holds_for == "new cells" else f" for {holds_for}"


def assumption(row: Any) -> str:
    """What the bound of a row of table ``conformity`` rests on, as a clause.

    Parameters
    ----------
    row : row of table ``conformity``
        A statement.
    """
    if row.assumption == "none":
        return "whatever the distribution of the scatter"
    if row.assumption == "cells differ normally":
        return "assuming that the means of cells differ normally"
    if missing(row.p_normal):
        return "assuming normally distributed scatter, which these scans are too few to test"
    test = f"{row.normality_test} test, {_p(row.p_normal)}"
    if float(row.p_normal) < _REJECTED:
        return f"for normally distributed scatter, which these scans contradict ({test})"
    return f"assuming normally distributed scatter (not contradicted by these scans: {test})"


def premise(row: Any) -> str:
    """For whom a verdict holds and what it assumes, in a few words.

    Parameters
    ----------
    row : row of table ``conformity`` or ``seating_summary``
        A statement.
    """
    who = for_whom(str(row.holds_for)).strip() or "for new cells"
    if row.assumption == "none":
        return f"{who}, whatever the distribution"
    return f"{who}, assuming {row.assumption}"


def _p(p: Any) -> str:
    text = p_value(p)
    return f"p {text}" if text.startswith("<") else f"p = {text}"


def verdict_sentence(
    row: Any,
    *,
    longest_mm: float | None = None,
    supported_mm: float | None = None,
    brief: bool = False,
) -> Text:
    """Say what one row of table ``conformity`` says of each pair by itself.

    Parameters
    ----------
    row : row of table ``conformity``
        A limit of the user's under one condition.
    longest_mm : float, optional
        Longest span of the study, to tell "all of it" from a part.
    supported_mm : float, optional
        Supported span of each pair at that limit: NaN where none is; None where the
        limit is not one of a distance.
    brief : bool, optional
        Beside the sentence on all pairs together: its assumption and the scans wanted
        are not said again.

    Returns
    -------
    Text
        Verdict and bound in the accent colour.
    """
    what = f"each single {measurand_name(row.measurand)}"
    deviate = "of future scans deviate"
    text = _stated(row, what, _where(row, longest_mm), deviate, share="", brief=brief)
    text += _partly(row, supported_mm, "each pair by itself")
    return text if brief else [*text, *_next(row)]


def together_sentence(row: Any, *, supported_mm: float | None = None, other: Any = None) -> Text:
    """Say whether all pairs of a scan together stay within the limit.

    Parameters
    ----------
    row : row of table ``conformity``
        All pairs of a scan under one condition.
    supported_mm : float, optional
        Supported span of all pairs together.
    other : row of table ``conformity``, optional
        The same for other operators than these.
    """
    things = "distances" if row.unit == "um" else "angles"
    what = (
        f"all {int(row.n_pairs)} {things} of a scan together, as a framework on all implants "
        "requires,"
    )
    worst = f"of future scans the worst {things[:-1]} deviates"
    text = _stated(row, what, "", worst, share="in ")
    text += [*_partly(row, supported_mm, "all pairs together"), *_next(row)]
    if other is not None and other.verdict:
        bound = (
            "no bound"
            if missing(other.tolerance_bound)
            else (f"bound {quantity(other.tolerance_bound, other.unit)}")
        )
        who = str(other.holds_for).replace("new ", "other ")
        text.append(f" For {who}: {other.verdict} ({bound}).")
    return text


def _stated(
    row: Any, what: str, where: str, deviates: str, *, share: str, brief: bool = False
) -> list[Any]:
    start = f"For {row.condition}, " if row.condition else ""
    limit = quantity(row.limit, row.unit)
    if missing(row.tolerance_bound):
        stay = "stay" if share else "stays"
        said: list[Any] = [f"{start}whether {what} {stay} within the limit of {limit} "]
        said += [strong_accent("cannot be said"), f" from {count(int(row.n_scans), 'scan')}."]
        return _capital(said)
    bound = [
        f"with {sure(row.confidence)} confidence, {share}{sure(row.coverage)} {deviates} by "
        "no more than ",
        strong_accent(quantity(row.tolerance_bound, row.unit)),
        "." if brief else f" ({count(int(row.n_scans), 'scan')}), {assumption(row)}.",
    ]
    if not row.verdict:
        said = [f"{start}conformity of {what.rstrip(',')} with the limit of {limit} "]
        said += [
            strong_accent("cannot be stated"),
            ": the uncertainty of the reference is not stated. The bound",
            f"{for_whom(row.holds_for)}: ",
            *bound,
        ]
        return _capital(said)
    word = "nonconformity" if row.verdict == REFUTED else "conformity"
    said = [
        f"{start}{word} with the limit of {limit} on {what} is ",
        strong_accent("not verified" if row.verdict == NOT_VERIFIED else "verified"),
        f"{for_whom(row.holds_for)}{where}: ",
    ]
    if row.verdict == REFUTED:
        beyond = f"{int(row.n_beyond)} of {count(int(row.n_scans), 'scan')}"
        return _capital([*said, f"{beyond} lay beyond it, more than chance would explain."])
    return _capital([*said, *bound])


def _capital(text: list[Any]) -> list[Any]:
    """The sentence with a capital at its start."""
    return [text[0][:1].upper() + text[0][1:], *text[1:]]


def _next(row: Any) -> list[str]:
    """What stands against a verdict, and how many scans would settle it."""
    if row.verdict != NOT_VERIFIED:
        return []
    said = []
    if not missing(row.p_left_out) and float(row.p_left_out) < _REJECTED:
        said.append(
            f" Scans of one cell differ by {row.left_out} ({_p(row.p_left_out)}), which "
            "the cells do not tell apart: the bound is too small, and nothing is verified."
        )
    if row.assumption != "none" and not missing(row.p_normal) and row.p_normal < _REJECTED:
        said.append(
            f" {int(row.n_without_assumption)} independent scans would decide without the "
            "assumption."
        )
    said.append(_size(row))
    return said


def _size(row: Any) -> str:
    """The study that would verify conformity, as what to do next."""
    if missing(row.needed_assurance):
        return ""
    share = percent(row.needed_assurance)
    if missing(row.n_needed):
        return (
            " No number of such scans verifies it with 80 % probability: these leave open whether "
            f"it is kept at all (at most {share})."
        )
    size = size_words(
        int(row.n_needed),
        operators=int(row.needed_operators),
        cells=int(row.needed_cells),
        per_cell=int(row.needed_per_cell),
        n_now=int(row.n_scans),
    )
    return (
        f" Next: {size}; if the device is as these scans suggest, a study of that size verifies it "
        f"with a probability of {share}."
    )


def decision_rule(confidence: float) -> str:
    """The rule of decision, in one wording for every place that states it.

    Parameters
    ----------
    confidence : float
        One-sided, of the guard.

    Examples
    --------
    >>> "1.645 times" in decision_rule(0.95)
    True
    """
    return (
        "Conformity is verified when the bound and the guard together lie within the limit and "
        "the scans do not contradict what the bound assumes; nonconformity is verified when more "
        "scans lie beyond the limit, drawn out by the guard, than chance explains. Between the "
        "two, or with too few scans, neither is verified. "
        f"The guard is {float(guard(1.0, confidence)):.3f} times the standard uncertainty that "
        f"all scans share (one-sided, {sure(confidence)}); for nonconformity it is shared among "
        "the pairs"
    )


def _where(row: Any, longest_mm: float | None) -> str:
    if missing(row.span_mm):
        return ""
    span = quantity(row.span_mm, "mm")
    if longest_mm is not None and float(row.span_mm) >= longest_mm - 0.05:
        return f" over every span studied, up to {span}"
    return f" up to a span of {span}"


def _partly(row: Any, supported_mm: float | None, scope: str) -> list[str]:
    """Up to which span a limit is kept that is not kept over all of them."""
    if row.verdict != NOT_VERIFIED or supported_mm is None or missing(row.tolerance_bound):
        return []
    limit = quantity(row.limit, row.unit)
    if missing(supported_mm) or float(supported_mm) <= 0:
        return [f" Not even the shortest span studied is supported at {limit}."]
    return [f" Spans up to {quantity(supported_mm, 'mm')} are supported for {scope}."]
