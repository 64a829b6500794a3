"""Verdicts on every limit: the decision of page 1, and all of them by condition."""

from __future__ import annotations

from typing import Any

import pandas as pd

from accstudy.accuracy.judge import ALL_PAIRS, NOT_VERIFIED, REFUTED, VERIFIED
from accstudy.figures.style import rows_of
from accstudy.reports.document import Document, Heading, ReportContent, Text, heads, marked
from accstudy.reports.names import condition_name, measurand_name
from accstudy.reports.rows import for_others, gap_limits, levels, limit_of, own_limits, supported_at
from accstudy.reports.statements import for_whom, verdict_words, what_next
from accstudy.seating.summary import NOT_NORMAL
from accstudy.words.catalogue import say, words
from accstudy.words.numbers import NONE, joined, missing, p_said, quantity, stated

__all__ = ["VERDICT_MARKS", "decision_table", "leading", "verdict_table"]

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
