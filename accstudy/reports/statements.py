"""Statements of conformity in sentences, with what they rest on and for whom they hold."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from accstudy.accuracy.judge import EACH_PAIR, NOT_VERIFIED, REFUTED, VERIFIED, guard
from accstudy.plan.size import size_words
from accstudy.reports.document import Text, strong_accent
from accstudy.reports.sentences import measurand_name
from accstudy.words.numbers import count, joined, missing, p_value, percent, quantity, sure

__all__ = [
    "assumption",
    "basis_sentence",
    "decision_rule",
    "for_whom",
    "lead_sentence",
    "scope_words",
    "verdict_words",
    "what_next",
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


def _p(p: Any) -> str:
    text = p_value(p)
    return f"p {text}" if text.startswith("<") else f"p = {text}"


def scope_words(row: Any) -> str:
    """What a row of table ``conformity`` is about.

    Parameters
    ----------
    row : row of table ``conformity``
        A statement.
    """
    if row.scope == EACH_PAIR:
        return f"each {measurand_name(row.measurand)} separately"
    things = "distances" if row.unit == "um" else "angles"
    return f"all {int(row.n_pairs)} {things} of a scan together"


def verdict_words(row: Any) -> str:
    """Verdict of a row of table ``conformity``, or why there is none."""
    if missing(row.tolerance_bound) and row.verdict != REFUTED:
        return f"cannot be said from {count(int(row.n_scans), 'scan')}"
    return str(row.verdict) or "cannot be stated"


def lead_sentence(rows: Sequence[Any]) -> Text:
    """The verdict that a report leads with, one limit under all conditions.

    Parameters
    ----------
    rows : sequence of rows of table ``conformity``
        A limit and scope, a row a condition.

    Returns
    -------
    Text
        The verdict in the accent colour.
    """
    first = rows[0]
    what = scope_words(first)
    if len({int(r.n_pairs) for r in rows}) > 1:
        what = what.replace(f"all {int(first.n_pairs)} ", "all ")
    if first.scope != EACH_PAIR:
        what += ", as a full-arch framework requires,"
    limit = quantity(first.limit, first.unit)
    if len(rows) == 1:
        return _alone(first, what, limit)
    text: list[Any] = [f"Conformity with the limit of {limit} on {what.rstrip(',')}: "]
    told: dict[str, list[str]] = {}
    for row in rows:
        said = verdict_words(row).removeprefix("conformity ") + for_whom(row.holds_for)
        told.setdefault(said, []).append(str(row.condition))
    for said, names in told.items():
        text += ["; " if len(text) > 1 else "", strong_accent(said), f" for {joined(names)}"]
    return [*text, "."]


def _alone(row: Any, what: str, limit: str) -> Text:
    """The leading verdict of a study with one condition."""
    start = f"For {row.condition}, " if row.condition else ""
    whom = for_whom(row.holds_for)
    said: list[Any]
    if row.verdict == REFUTED:
        beyond = f"{int(row.n_beyond)} of {count(int(row.n_scans), 'scan')}"
        said = [f"{start}nonconformity with the limit of {limit} on {what} is ",
                strong_accent("verified"),
                f"{whom}: {beyond} lay beyond it, more than chance would explain."]  # fmt: skip
    elif missing(row.tolerance_bound):
        said = [f"{start}whether {what} stay within the limit of {limit} ",
                strong_accent("cannot be said"),
                f" from {count(int(row.n_scans), 'scan')}."]  # fmt: skip
        if row.scope == EACH_PAIR:
            said[0] = said[0].replace(" stay ", " stays ")
    elif not row.verdict:
        said = [f"{start}conformity of {what} with the limit of {limit} ",
                strong_accent("cannot be stated"),
                f"{whom}: the uncertainty of the reference is not stated."]  # fmt: skip
    else:
        word = "not verified" if row.verdict == NOT_VERIFIED else "verified"
        said = [f"{start}conformity with the limit of {limit} on {what} is ",
                strong_accent(word), f"{whom}."]  # fmt: skip
    return [said[0][:1].upper() + said[0][1:], *said[1:]]


def basis_sentence(rows: Sequence[Any]) -> str:
    """What the bounds of a limit mean, for whom they hold and what they assume.

    Parameters
    ----------
    rows : sequence of rows of table ``conformity``
        A limit and scope, a row a condition.

    Returns
    -------
    str
        Empty where no row has a bound.
    """
    known = [r for r in rows if not missing(r.tolerance_bound)]
    if not known:
        return ""
    first = known[0]
    told: dict[str, list[str]] = {}
    for row in known:
        told.setdefault(assumption(row), []).append(str(row.condition))
    rests = "; ".join(
        f"{said}{f' ({joined(names)})' if len(told) > 1 else ''}" for said, names in told.items()
    )
    whom = dict.fromkeys(for_whom(r.holds_for).strip() for r in known)
    holds = f" ({joined([w for w in whom if w])})" if any(whom) else ""
    return (
        f"With {sure(first.confidence)} confidence, {sure(first.coverage)} of future scans stay "
        f"within the bound{holds}, {rests}."
    )


def what_next(row: Any, supported_mm: float | None = None, *, size: bool = True) -> list[str]:
    """What would settle a verdict, and up to which span the limit is kept meanwhile.

    Parameters
    ----------
    row : row of table ``conformity``
        A statement.
    supported_mm : float, optional
        Supported span in its scope: NaN where none is; None where the limit is not one of
        a distance.
    size : bool, optional
        Name the study that would verify it.

    Returns
    -------
    list of str
        Clauses; empty where conformity is verified over all that was studied.
    """
    if row.verdict == VERIFIED:
        return []
    said = []
    if not row.verdict:
        said.append("state the uncertainty of the reference")
    if row.verdict == NOT_VERIFIED and not missing(row.tolerance_bound):
        if not missing(row.p_left_out) and float(row.p_left_out) < _REJECTED:
            said.append(
                f"add {row.left_out} to analysis.cell: scans of one cell differ by it "
                f"({_p(row.p_left_out)}), so the bound is too small and nothing is verified"
            )
        if row.assumption != "none" and not missing(row.p_normal) and row.p_normal < _REJECTED:
            said.append(
                f"{int(row.n_without_assumption)} independent scans decide without the "
                f"assumption of normal scatter, which these contradict ({_p(row.p_normal)})"
            )
    if row.verdict == NOT_VERIFIED and size:
        said += _size(row)
    if supported_mm is not None and not missing(row.tolerance_bound):
        if missing(supported_mm) or float(supported_mm) <= 0:
            said.append("verified for no span studied")
        else:
            said.append(f"verified for spans up to {quantity(supported_mm, 'mm')}")
    return said


def _size(row: Any) -> list[str]:
    """The study that would verify conformity, as what to do next."""
    if missing(row.needed_assurance):
        return []
    share = percent(row.needed_assurance)
    if missing(row.n_needed):
        return [f"no number of such scans is 80 % likely to verify it (at most {share})"]
    size = size_words(
        int(row.n_needed),
        operators=int(row.needed_operators),
        cells=int(row.needed_cells),
        per_cell=int(row.needed_per_cell),
        n_now=int(row.n_scans),
    )
    return [f"{size}: {share} likely to verify it"]


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
        "Conformity is verified if the bound plus the guard band lies within the limit and the "
        "scans do not contradict the assumptions of the bound; nonconformity is verified if more "
        "scans than chance explains exceed the limit by more than the guard band. Otherwise, or "
        "with too few scans, neither is verified. "
        f"The guard band is {float(guard(1.0, confidence)):.3f} times the standard uncertainty "
        f"common to all scans (one-sided, {sure(confidence)}); for nonconformity, its risk is "
        "divided among the pairs"
    )
