"""Verdicts on every limit: in sentences, as the decision of page 1, and by condition."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pandas as pd

from accstudy.accuracy.judge import (
    ALL_PAIRS,
    EACH_PAIR,
    NOT_VERIFIED,
    REFUTED,
    TEST_LEVEL,
    VERIFIED,
)
from accstudy.figures.style import rows_of
from accstudy.plan.size import size_words
from accstudy.reports.common import limit_of, longest_pair
from accstudy.reports.document import (
    Document,
    Heading,
    ReportContent,
    Text,
    heads,
    marked,
    strong_accent,
)
from accstudy.seating.summary import NOT_NORMAL
from accstudy.words.catalogue import say, words
from accstudy.words.names import condition_name, measurand_name
from accstudy.words.numbers import (
    NONE,
    joined,
    missing,
    number,
    p_said,
    percent,
    quantity,
    stated,
    sure,
)

__all__ = [
    "verdict_sentence",
    "VERDICT_MARKS",
    "assumption",
    "basis_sentence",
    "decision_rule",
    "decision_table",
    "for_others",
    "for_whom",
    "gap_limits",
    "lead_sentence",
    "leading",
    "levels",
    "levels_sentences",
    "levels_table",
    "own_limits",
    "scope_words",
    "supported_at",
    "supported_sentence",
    "verdict_table",
    "verdict_words",
    "what_next",
]


def gap_limits(content: ReportContent) -> list[Any]:
    """Rows of table ``seating_summary`` that were held against a limit of the user's."""
    table = content.table("seating_summary")
    if not len(table):
        return []
    return [r for r in rows_of(table) if r.verdict and r.limit_um == r.limit_um]


def own_limits(content: ReportContent) -> pd.DataFrame:
    """Rows of table ``conformity`` that lead: where operators return, those for them.

    A bound that is not informative says that the cells are too few, and nothing of the device:
    it is left empty where nothing is verified.
    """
    table = content.table("conformity")
    if not len(table):
        return table
    return _telling(table[~_of_others(table)])


def for_others(content: ReportContent, row: Any) -> Any:
    """The same statement for other operators than these; None where there is none."""
    table = content.table("conformity")
    mine = table[
        _of_others(table)
        & (table["condition"] == row.condition)
        & (table["measurand"] == row.measurand)
        & (table["scope"] == row.scope)
        & (table["limit"] == row.limit)
    ]
    return rows_of(_telling(mine))[0] if len(mine) else None


def _of_others(table: pd.DataFrame) -> pd.Series:
    """Rows for new operators beside which there are rows for these."""
    returning = table.loc[table["holds_for"].str.startswith("these "), "condition"]
    return table["holds_for"].str.startswith("new ") & table["condition"].isin(set(returning))


def _telling(rows: pd.DataFrame) -> pd.DataFrame:
    useless = (rows["verdict"] != REFUTED) & ~rows["informative"].fillna(True).astype(bool)
    kept = rows[["tolerance_bound", "bound_with_guard"]].mask(useless)
    return rows.assign(**{str(c): kept[c] for c in kept}, uninformative=useless)


def levels(content: ReportContent, along: str = "span", scope: str = EACH_PAIR) -> pd.DataFrame:
    """Supported length of every condition at every level, the user's limit among them."""
    table = content.table("supported_spans")
    if not len(table):
        return pd.DataFrame(columns=["condition", "level_um", "supported_mm", "longest_mm"])
    mine = table[~_of_others(table) & (table["scope"] == scope)]
    names = {f"supported_{along}_mm": "supported_mm", f"longest_{along}_mm": "longest_mm"}
    lengths = [
        c for c in map(str, table) if c.startswith(("supported_", "longest_")) and c not in names
    ]
    return mine.drop(columns=lengths).rename(columns=names).reset_index(drop=True)


def supported_at(content: ReportContent, row: Any) -> float | None:
    """Supported span at the limit and in the scope of a row of table ``conformity``."""
    table = levels(content, scope=row.scope)
    mine = table[(table["condition"] == row.condition) & (table["level_um"] == row.limit)]
    return float(mine["supported_mm"].iloc[0]) if len(mine) and row.unit == "um" else None


def supported_sentence(
    condition: str, level_um: float, supported_mm: Any, longest_mm: float, *, along: str = "span"
) -> str:
    r"""Say up to which span, or arch length, a level is kept.

    Examples
    --------
    >>> supported_sentence("A", 100, 31.4, 45.0)
    'A: 100\xa0µm up to a span of 31.4\xa0mm'
    >>> supported_sentence("", 200, 80.0, 80.0, along="path")
    '200\xa0µm over every arch length studied (80.0\xa0mm)'
    >>> supported_sentence("A", 50, float("nan"), 45.0), supported_sentence("", 50, 0.0, 45.0)
    ('A: 50\xa0µm over no span studied', '50\xa0µm over no span studied')
    """
    a, name = ("a", "span") if along == "span" else ("an", say("names.arch_length"))
    start = (f"{condition}: " if condition else "") + quantity(level_um)
    if missing(supported_mm) or float(supported_mm) <= 0:
        return say("names.over_no_studied", start=start, name=name)
    if float(supported_mm) >= longest_mm - 0.05:
        return say("names.over_every_studied", start=start, name=name, longest_mm=longest_mm)
    return say("names.up_to_a_of", start=start, a=a, name=name, supported_mm=supported_mm)


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


VERDICT_MARKS = {VERIFIED: "verified", NOT_VERIFIED: "not-verified", REFUTED: "nonconformity"}
"""Name of the shape that stands beside a verdict."""


_MOST_BESIDE = 4

_MOST_NAMED = 4

_WORDS = (REFUTED, NOT_VERIFIED, VERIFIED)


def leading(content: ReportContent) -> list[Any]:
    """Rows of table ``conformity`` that a report leads with, one a condition.

    All pairs of a scan together where that is judged, since a framework joins all implants;
    distances where they have a limit.
    """
    rows = own_limits(content)
    for column, first in (("measurand", "distance_um"), ("scope", ALL_PAIRS)):
        if len(rows):
            mine = rows[rows[column] == first]
            rows = mine if len(mine) else rows[rows[column] == rows[column].iloc[0]]
    return rows_of(rows)


def decision_table(
    document: Document, content: ReportContent, *, lead_only: bool = False, in_full: bool = False
) -> None:
    """What is asked, the limit, what was found, the verdict and what to do next.

    Notes
    -----
    With several conditions the leading limit has a row a condition, each other one a row.
    """
    rows, lead = rows_of(own_limits(content)), leading(content)
    gaps = [] if lead_only else gap_limits(content)
    if not lead and not gaps:
        return
    several = len({str(r.condition) for r in [*rows, *gaps]}) > 1
    first = (lead[0].measurand, lead[0].scope) if lead else ("", "")
    asked = [first] if lead_only else dict.fromkeys([first, *map(_asked, _by_scope(rows))])
    cells: list[list[Text]] = []
    for key in asked:
        mine = [r for r in rows if _asked(r) == key]
        if several and key != first:
            cells.append(["all", *_together(mine)])
            continue
        for r in mine:
            who: list[Text] = [condition_name(r.condition)] if several else []
            decided = _decided(content, r, size=in_full or key == first)
            cells.append([*who, *decided[lead_only:]])
            other = for_others(content, r) if key == first and not lead_only else None
            if other is not None and other.verdict:
                cells.append([*who, _others(other), *_decided(None, other, size=in_full)[1:]])
    for seated in dict.fromkeys(str(r.seated) for r in gaps):
        own = [r for r in gaps if str(r.seated) == seated]
        cells.append([*(["all"] if several else []), *_gap_decided(seated, own)])
    document.table(
        _decision_caption([*lead, *gaps][0], lead if lead_only else rows or gaps, lead_only),
        [
            *(heads("verdicts.columns_condition") if several else []),
            *([] if lead_only else heads("verdicts.columns_asked")),
            *heads("verdicts.columns_limit_bound_with_guard"),
        ],
        cells,
    )


def _decision_caption(first: Any, rows: list[Any], lead_only: bool) -> str:
    """How to read the decision, for whom it holds."""
    whom = [w for w in dict.fromkeys(for_whom(str(r.holds_for)).strip() for r in rows) if w]
    holds = f", {joined(whom)}" if whom else ""
    what = (
        say("verdicts.the_limit_on", short_scope=_short_scope(first, True))
        if lead_only
        else say("verdicts.each_limit")
    )
    said = say("verdicts.conformity_with_bound_for", first, what=what, holds=holds)
    if any(not missing(getattr(r, "n_needed", None)) for r in rows):
        said += say("verdicts.numbers_of_scans_assume")
    return said


def _asked(row: Any) -> tuple[str, str]:
    return str(row.measurand), str(row.scope)


def _by_scope(rows: list[Any]) -> list[Any]:
    """Distances before angles, all pairs together before each by itself."""
    return sorted(rows, key=lambda r: (r.measurand != "distance_um", r.scope != ALL_PAIRS))


def _short_scope(row: Any, several: bool = False) -> str:
    """What a limit is held against, as page 1 asks it."""
    things = "distances" if row.unit == "um" else "angles"
    if row.scope == ALL_PAIRS:
        return say(
            "verdicts.all_together", value="" if several else f"{int(row.n_pairs)} ", things=things
        )
    return say("verdicts.each_things", things=things[:-1])


def _others(row: Any) -> str:
    return say("verdicts.the_same", holds_for=str(row.holds_for).replace("new ", "other "))


def _decided(content: ReportContent | None, row: Any, *, size: bool = False) -> list[Text]:
    """Cells of one limit under one condition.

    With the supported span where the content is given, with the study that would settle it
    if wanted.
    """
    reach = None if content is None else supported_at(content, row)
    return [
        _short_scope(row),
        stated(row.limit, row.unit),
        quantity(row.tolerance_bound, row.unit),
        quantity(row.bound_with_guard, row.unit),
        [_verdict(_short(verdict_words(row)), str(row.verdict))],
        "; ".join(what_next(row, reach, size=size)) or _elsewhere(row),
    ]


def _elsewhere(row: Any) -> str:
    """Where the study that would settle a verdict is named."""
    return NONE if missing(getattr(row, "n_needed", None)) else say("verdicts.see_verdict_for_each")


def _together(rows: list[Any]) -> list[Text]:
    """Cells of one limit under all conditions."""
    first = rows[0]
    return [
        _short_scope(first, len({int(r.n_pairs) for r in rows}) > 1),
        stated(first.limit, first.unit),
        *(_up_to([getattr(r, c) for r in rows], first.unit) for c in _BOUNDS),
        *_by_verdict([(verdict_words(r), str(r.condition)) for r in rows]),
    ]


_BOUNDS = ("tolerance_bound", "bound_with_guard")


def _gap_decided(seated: str, rows: list[Any]) -> list[Text]:
    """Cells of the limit of the gap, over all models."""
    return [
        words("names.gaps").get(seated, seated).removeprefix("largest "),
        quantity(rows[0].limit_um),
        *(_up_to([getattr(r, f"{c}_um") for r in rows], "um") for c in _BOUNDS),
        *_by_verdict([(str(r.verdict), _where(rows, r)) for r in rows]),
    ]


def _where(rows: list[Any], row: Any) -> str:
    """Condition and model of a row, as far as the rows have several."""
    parts = [
        str(getattr(row, c))
        for c in ("condition", "model")
        if len({getattr(r, c) for r in rows}) > 1
    ]
    return say("verdicts.on").join(parts)


def _up_to(values: list[Any], unit: str) -> str:
    known = [float(v) for v in values if not missing(v)]
    if not known:
        return NONE
    return f"{'up to ' if len(known) > 1 else ''}{quantity(max(known), unit)}"


def _by_verdict(verdicts: list[tuple[str, str]]) -> list[Text]:
    """The verdict that all share; else the least favourable, and who has which."""
    told: dict[str, list[str]] = {}
    for verdict, who in verdicts:
        told.setdefault(verdict, []).append(who)
    if len(told) == 1:
        only = next(iter(told))
        return [[_verdict(_short(only), only)], NONE]
    worst = next((w for w in _WORDS if w in told), next(iter(told)))
    named = {
        v: joined(who)
        if len(who) <= _MOST_NAMED
        else say("verdicts.of_who_verdicts", who=len(who), verdicts=len(verdicts))
        for v, who in told.items()
    }
    return [
        [_verdict(say("verdicts.not_for_all") if worst != REFUTED else worst, worst)],
        "; ".join(f"{_short(v)}: {who}" for v, who in named.items()),
    ]


def verdict_table(document: Document, content: ReportContent, *, but_leading: bool = False) -> None:
    """Bound for future scans and verdict of every limit, a column a condition.

    The limit that page 1 leads with is left out on request, since page 1 prints it.
    """
    rows = own_limits(content)
    lead = {_asked(row) for row in leading(content)} if but_leading else set()
    found: dict[str, dict[str, str]] = {}
    first = rows.iloc[:1] if len(rows) else rows
    for row in rows_of(rows) if len(rows) else []:
        if _asked(row) in lead:
            continue
        name = (
            f"{_measurand(str(row.measurand))}, {row.scope}{for_whom(row.holds_for)}, "
            f"{stated(row.limit, row.unit)}"
        )
        found.setdefault(name, {})[str(row.condition)] = _pair_verdict(row)
    found |= _seats(content) if lead else _spans(content) | _seats(content)
    if not found:
        return
    conditions = list(dict.fromkeys(c for each in found.values() for c in each))
    floor = say("verdicts.the_verdict_on_all") if len(rows) else ""
    shares = (
        say(
            "verdicts.of_them_confidence",
            coverage=first["coverage"].iloc[0],
            confidence=first["confidence"].iloc[0],
        )
        if len(first)
        else ""
    )
    caption = say("verdicts.verdicts_on_conformity_with", shares=shares, floor=floor)
    caption += _basis(rows) + (say("verdicts.leading_on_page_1") if lead else "")
    if len(conditions) <= _MOST_BESIDE:
        columns = heads("verdicts.columns_limit")
        columns += [Heading(condition_name(c), "left", 1.3) for c in conditions]
        cells: list[list[Text]] = [
            [name, *(each.get(c, NONE) for c in conditions)] for name, each in found.items()
        ]
    else:
        columns = heads("verdicts.columns_limit_condition_verdict")
        cells = [
            [name if k == 0 else "", condition_name(c), said]
            for name, each in found.items()
            for k, (c, said) in enumerate(each.items())
        ]
    document.table(caption, columns, cells)


def _basis(rows: pd.DataFrame) -> str:
    """Whom verdicts on distances and angles hold for, and what they rest on."""
    if not len(rows):
        return ""
    said = ""
    for holds in dict.fromkeys(map(str, rows["holds_for"])):
        if holds.startswith("these "):
            said += say("verdicts.for_for_future_scans", holds=holds, holds_2=holds[6:])
    if "assumption" in rows and (rows["assumption"] == "normal scatter").any():
        said += say("verdicts.bounds_of_pairs_assume")
        known = [int(n) for n in rows.get("n_independent", pd.Series(dtype=float)).dropna()]
        if known:
            fewest, most = min(known), max(known)
            number = (
                f"{fewest}"
                if fewest == most
                else say("verdicts.to_fewest_most", fewest=fewest, most=most)
            )
            said += say("verdicts.and_are_based_on", number=number)
        said += "."
    return say("verdicts.the_limit_is_compared", said=said)


def _measurand(measurand: str) -> str:
    return {"distance_um": "distance", "angle_deg": "angle"}.get(
        measurand, measurand_name(measurand)
    )


def _pair_verdict(row: Any) -> str:
    bound = NONE if missing(row.tolerance_bound) else quantity(row.tolerance_bound, row.unit)
    if not row.verdict:
        return say("verdicts.no_statement", bound=bound)
    return f"{bound}, {_short(row.verdict)}"


def _verdict(said: str, verdict: str) -> dict[str, str]:
    return marked(said, VERDICT_MARKS.get(verdict, ""))


def _short(verdict: str) -> str:
    return str(verdict).removeprefix("conformity ")


def _spans(content: ReportContent) -> dict[str, dict[str, str]]:
    """Supported span at the limit of a distance."""
    limit, table = limit_of(content, "distance_um"), levels(content, scope=ALL_PAIRS)
    if limit is None or not len(table):
        return {}
    mine = table[table["level_um"] == limit]
    said = {
        str(r.condition): "none" if missing(r.supported_mm) else quantity(r.supported_mm, "mm")
        for r in rows_of(mine)
    }
    return {f"supported span, all pairs, {stated(limit)}": said}


def _seats(content: ReportContent) -> dict[str, dict[str, str]]:
    """Verdicts of every way of seating; models are named where they differ."""
    found: dict[str, dict[str, str]] = {}
    table = pd.DataFrame([r._asdict() for r in gap_limits(content)])
    if not len(table):
        return found
    for (seated, condition), mine in table.groupby(["seated", "condition"], sort=False):
        of = words("names.gaps").get(str(seated), str(seated))
        name = f"{of}, {quantity(mine['limit_um'].iloc[0])}"
        met = {w: m for w in _WORDS if len(m := mine[mine["verdict"] == w])}
        said = [_seat_verdict(w, m, alone=len(met) == 1) for w, m in met.items()]
        found.setdefault(name, {})[str(condition)] = "; ".join(said)
    return found


def _seat_verdict(word: str, rows: pd.DataFrame, *, alone: bool) -> str:
    """One verdict on the gaps: models with bound and reason; together where it is verified."""
    whole = rows.reindex(columns=[*rows.columns, *(c for c in _SEAT if c not in rows)])
    if word == VERIFIED:
        largest = whole["tolerance_bound_um"].max()
        bound = "" if missing(largest) else say("verdicts.up_to", largest=largest)
        return (
            f"{_short(word)}{'' if alone else ': ' + joined(list(map(str, rows['model'])))}{bound}"
        )
    each = [f"{r.model}{_seat_reason(r)}" for r in rows_of(whole)]
    return f"{_short(word)}: {joined(each)}"


_SEAT = ("tolerance_bound_um", "n_scans", "n_cells", "p_normal", "note")


def _seat_reason(row: Any) -> str:
    """Bound of a gap that was not verified, why, and what it rests on."""
    said = [] if missing(row.tolerance_bound_um) else [quantity(row.tolerance_bound_um)]
    if not missing(row.note) and row.note:
        reason = str(row.note)
        if not missing(row.p_normal) and NOT_NORMAL in reason:
            reason += f", {p_said(row.p_normal)}"
        said.append(reason)
    if not missing(row.n_scans):
        said.append(say("verdicts.in_n_scans_n_cells", row))
    return f" ({'; '.join(said)})" if said else ""


def verdict_sentence(content: ReportContent) -> Text:
    """The verdict that a report leads with, or without a limit which span holds for which level."""
    rows = leading(content)
    return lead_sentence(rows) if rows else levels_sentences(content)[0]


def levels_sentences(content: ReportContent) -> list[Text]:
    """Without a limit of the user's: which span holds for which level."""
    if longest_pair(content) is None:
        return [say("validation.no_result_no_scan")]
    rows = levels(content, scope=ALL_PAIRS)
    none = say(
        "validation.the_study_sets_no",
        on_distances=say("validation.on_distances") if gap_limits(content) else "",
    )
    if not len(rows):
        return [say("validation.so_nothing_can_be", none=none)]
    several = len(set(rows["condition"])) > 1
    first = rows_of(rows)[0]
    if rows["supported_mm"].isna().all():
        why = f": {first.note}" if first.note and not several else ""
        said: Text = [
            say("validation.and_none", none=none),
            strong_accent(say("validation.no_span_is_supported")),
            say("validation.at_any_level", why=why),
        ]
    elif several:
        said = say("validation.the_table_gives_the", none=none)
    else:
        spans = [
            supported_sentence("", r.level_um, r.supported_mm, r.longest_mm) for r in rows_of(rows)
        ]
        said = [
            say("validation.all_pairs_of_a", none=none),
            strong_accent(joined(spans)),
            f"{for_whom(first.holds_for)}.",
        ]
    return [said, say("validation.for_a_verdict_set")]


def levels_table(document: Document, content: ReportContent, *, brief: bool = False) -> None:
    """Supported span and arch length at each level."""
    axes = [(ALL_PAIRS, "span")]
    if not brief:
        axes += [(ALL_PAIRS, "path"), (EACH_PAIR, "span"), (EACH_PAIR, "path")]
    lengths = {(scope, along): levels(content, along, scope) for scope, along in axes}
    first = lengths[ALL_PAIRS, "span"]
    if not len(first):
        return
    wanted = sorted(set(first["level_um"]))
    several = len(set(first["condition"])) > 1
    rows: list[list[Text]] = []
    for condition in dict.fromkeys(first["condition"]):
        for k, ((scope, along), table) in enumerate(lengths.items()):
            mine = table[table["condition"] == condition].set_index("level_um")
            start: list[Text] = [condition_name(condition) if k == 0 else ""]
            name = say("validation.arch_length") if along == "path" else along
            row: list[Text] = [*(start if several else []), f"{name}, {scope}"]
            for level in wanted:
                at = mine.loc[level]
                row.append(_length(float(at["supported_mm"]), float(at["longest_mm"])))
            rows.append(row)
    one = rows_of(first)[0]
    notes = [n for n in dict.fromkeys(first["note"]) if n]
    document.table(
        say(
            "validation.supported_span_at_each",
            and_arch_length="" if brief else say("validation.and_arch_length"),
            coverage=sure(one.coverage),
            confidence=sure(one.confidence),
            and_for_each_pair="" if brief else say("validation.and_for_each_pair"),
            note=say("validation.note") + "; ".join(notes) + "." if notes else "",
        ),
        [
            *(heads("validation.columns_condition_2") if several else []),
            *heads("validation.columns"),
            *(Heading(f"{level:g} µm", width=1) for level in wanted),
        ],
        rows,
        wide=False,
    )


def _length(supported_mm: float, longest_mm: float) -> str:
    if missing(supported_mm):
        return "none"
    text = number(supported_mm, "mm")
    return say("validation.all_text", text=text) if supported_mm >= longest_mm - 0.05 else text
