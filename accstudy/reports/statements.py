"""Statements of conformity in sentences, with what they rest on and for whom they hold."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from accstudy.accuracy.judge import EACH_PAIR, NOT_VERIFIED, REFUTED, TEST_LEVEL, VERIFIED
from accstudy.plan.size import size_words
from accstudy.reports.document import Text, strong_accent
from accstudy.reports.names import measurand_name
from accstudy.words.catalogue import say
from accstudy.words.numbers import joined, missing, percent, stated

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


def for_whom(holds_for: str) -> str:
    """Conditions that a statement holds for, as it is said after the verdict.

    Examples
    --------
    >>> for_whom("these operators"), for_whom("this cell"), for_whom("new cells")
    (' for these operators', ' for this one session only', '')
    """
    if holds_for == "this cell":
        return say("verdicts.for_this_one_session")
    return "" if holds_for == "new cells" else say("verdicts.for_holds_for", holds_for=holds_for)


def assumption(row: Any) -> str:
    """What the bound of a row of table ``conformity`` rests on, as a clause."""
    if row.assumption == "none":
        return say("verdicts.whatever_the_distribution_of")
    if row.assumption == "cells differ normally":
        return say("verdicts.assuming_that_the_means")
    if missing(row.p_normal):
        return say("verdicts.assuming_normally_distributed_scatter")
    name = str(row.normality_test).replace("-", "–")
    test = say("verdicts.test_normality_test_p", row, name=name)
    if float(row.p_normal) < TEST_LEVEL:
        return say("verdicts.for_normally_distributed_scatter", test=test)
    return say("verdicts.assuming_normally_distributed_scatter_2", test=test)


def scope_words(row: Any) -> str:
    """What a row of table ``conformity`` is about."""
    if row.scope == EACH_PAIR:
        return say("verdicts.each_separately", measurand=measurand_name(row.measurand))
    things = "distances" if row.unit == "um" else "angles"
    return say("verdicts.all_of_a_scan", n_pairs=row.n_pairs, things=things)


def uninformative(row: Any) -> bool:
    """Whether a row has a bound that is too wide to say anything of the device."""
    return bool(getattr(row, "uninformative", False))


def verdict_words(row: Any) -> str:
    """Verdict of a row of table ``conformity``, or why there is none."""
    if missing(row.tolerance_bound) and row.verdict != REFUTED and not uninformative(row):
        return say("verdicts.cannot_be_said_from", row)
    return str(row.verdict) or say("verdicts.cannot_be_stated")


def lead_sentence(rows: Sequence[Any]) -> Text:
    """The verdict that a report leads with, one limit under all conditions."""
    first = rows[0]
    what = scope_words(first)
    if len({int(r.n_pairs) for r in rows}) > 1:
        what = what.replace(f"all {int(first.n_pairs)} ", "all ")
    if first.scope != EACH_PAIR:
        what += say("verdicts.as_a_full_arch")
    limit = stated(first.limit, first.unit)
    if len(rows) == 1:
        return _alone(first, what, limit)
    text: list[Any] = [
        say("verdicts.conformity_with_the_limit", limit=limit, what=what.rstrip(","))
    ]
    told: dict[str, list[str]] = {}
    for row in rows:
        said = verdict_words(row).removeprefix("conformity ") + for_whom(row.holds_for)
        told.setdefault(said, []).append(str(row.condition))
    for said, names in told.items():
        text += [
            "; " if len(text) > 1 else "",
            strong_accent(said),
            say("verdicts.for_names", names=joined(names)),
        ]
    return [*text, "."]


def _alone(row: Any, what: str, limit: str) -> Text:
    """The leading verdict of a study with one condition."""
    start = say("verdicts.for_condition", row) if row.condition else ""
    whom = for_whom(row.holds_for)
    said: list[Any]
    if row.verdict == REFUTED:
        beyond = say("verdicts.of_n_beyond_n_scans", row)
        said = [
            say("verdicts.nonconformity_with_the_limit", start=start, limit=limit, what=what),
            strong_accent(say("verdicts.verified")),
            say("verdicts.lay_beyond_it_more", whom=whom, beyond=beyond),
        ]
    elif uninformative(row):
        said = [
            say("verdicts.conformity_with_the_limit_2", start=start, limit=limit, what=what),
            strong_accent(say("verdicts.not_verified")),
            say("verdicts.give_no_informative_bound", row),
        ]
    elif missing(row.tolerance_bound):
        said = [
            say("verdicts.whether_stay_within_the", start=start, what=what, limit=limit),
            strong_accent(say("verdicts.cannot_be_said")),
            say("verdicts.from_n_scans", row),
        ]
        if row.scope == EACH_PAIR:
            said[0] = said[0].replace(" stay ", " stays ")
    elif not row.verdict:
        said = [
            say("verdicts.conformity_of_with_the", start=start, what=what, limit=limit),
            strong_accent(say("verdicts.cannot_be_stated")),
            say("verdicts.the_uncertainty_of_the", whom=whom),
        ]
    else:
        word = say("verdicts.not_verified") if row.verdict == NOT_VERIFIED else "verified"
        said = [
            say("verdicts.conformity_with_the_limit_2", start=start, limit=limit, what=what),
            strong_accent(word),
            f"{whom}.",
        ]
    return [said[0][:1].upper() + said[0][1:], *said[1:]]


def basis_sentence(rows: Sequence[Any]) -> str:
    """What the bounds of a limit mean, for whom they hold and what they assume."""
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
    return say("verdicts.with_confidence_of_future", first, holds=holds, rests=rests)


def what_next(row: Any, supported_mm: float | None = None, *, size: bool = True) -> list[str]:
    """What would settle a verdict, and up to which span the limit is kept meanwhile."""
    if row.verdict == VERIFIED:
        return []
    said = []
    if not row.verdict:
        said.append(say("verdicts.state_the_uncertainty_of"))
    if uninformative(row):
        said.append(say("verdicts.no_informative_bound", row))
    if row.verdict == NOT_VERIFIED and not missing(row.tolerance_bound):
        if not missing(row.p_left_out) and float(row.p_left_out) < TEST_LEVEL:
            said.append(say("verdicts.add_to_analysis_cell", row))
        if row.assumption != "none" and not missing(row.p_normal) and row.p_normal < TEST_LEVEL:
            said.append(say("verdicts.independent_scans_decide_without", row))
    if row.verdict == NOT_VERIFIED and size:
        said += _size(row)
    if supported_mm is not None and not missing(row.tolerance_bound):
        if missing(supported_mm) or float(supported_mm) <= 0:
            said.append(say("verdicts.verified_for_no_span"))
        else:
            said.append(say("verdicts.verified_for_spans_up", supported_mm=supported_mm))
    return said


def _size(row: Any) -> list[str]:
    """The study that would verify conformity, as what to do next."""
    if missing(row.needed_assurance):
        return []
    share = percent(row.needed_assurance)
    if missing(row.n_needed):
        return [say("verdicts.no_number_of_such", share=share)]
    size = size_words(
        int(row.n_needed),
        operators=int(row.needed_operators),
        cells=int(row.needed_cells),
        per_cell=int(row.needed_per_cell),
        n_now=int(row.n_scans),
    )
    return [say("verdicts.likely_to_verify_it", size=size, share=share)]


def decision_rule(confidence: float) -> str:
    """The rule of decision, in one wording for every place that states it.

    Parameters
    ----------
    confidence : float
        One-sided, of the guard.

    Examples
    --------
    >>> "one-sided 95" in decision_rule(0.95)
    True
    """
    return say("verdicts.conformity_is_verified_if", confidence=confidence)
