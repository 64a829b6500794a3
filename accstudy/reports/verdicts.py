"""Every limit of the study by condition, in one table."""

from __future__ import annotations

from typing import Any

import pandas as pd

from accstudy.accuracy.judge import ALL_PAIRS, NOT_VERIFIED, REFUTED, VERIFIED
from accstudy.figures.style import rows_of
from accstudy.reports.content import ReportContent
from accstudy.reports.document import Document, Heading, Text
from accstudy.reports.select import GAPS, gap_limits, levels, limit_of, own_limits
from accstudy.reports.sentences import condition_name, measurand_name
from accstudy.reports.statements import for_whom
from accstudy.reports.wording import NONE, count, joined, missing, p_value, quantity, sure
from accstudy.seating.summary import NOT_NORMAL

__all__ = ["verdict_table"]

_MOST_BESIDE = 4
_WORDS = (REFUTED, NOT_VERIFIED, VERIFIED)


def verdict_table(document: Document, content: ReportContent) -> None:
    """Bound for future scans and verdict of every limit, a column a condition.

    Parameters
    ----------
    document : Document
        Gets the table; nothing where the study sets no limit.
    content : ReportContent
        Tables ``conformity``, ``seating_summary`` and ``supported_spans``.
    """
    rows = own_limits(content)
    found: dict[str, dict[str, str]] = {}
    first = rows.iloc[:1] if len(rows) else rows
    for row in rows_of(rows) if len(rows) else []:
        name = (
            f"{_measurand(str(row.measurand))}, {row.scope}{for_whom(row.holds_for)}, "
            f"{quantity(row.limit, row.unit)}"
        )
        found.setdefault(name, {})[str(row.condition)] = _pair_verdict(row)
    found |= _spans(content) | _seats(content)
    if not found:
        return
    conditions = list(dict.fromkeys(c for each in found.values() for c in each))
    floor = " All pairs together are never judged better than each by itself." if len(rows) else ""
    shares = (
        f" ({sure(first['coverage'].iloc[0])} of them, {sure(first['confidence'].iloc[0])} "
        "confidence)"
        if len(first)
        else ""
    )
    caption = (
        f"Verdicts on conformity with every limit: bound for future scans{shares}, the largest "
        f"over all models; a dash: no bound that says anything.{floor}"
    )
    caption += _basis(rows)
    if len(conditions) <= _MOST_BESIDE:
        columns = [Heading("limit", "left", 1.7)]
        columns += [Heading(condition_name(c), "left", 1.3) for c in conditions]
        cells: list[list[Text]] = [
            [name, *(each.get(c, NONE) for c in conditions)] for name, each in found.items()
        ]
    else:
        columns = [
            Heading("limit", "left", 1.7),
            Heading("condition", "left", 1.3),
            Heading("verdict", "left", 1.7),
        ]
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
            said += (
                f" “For {holds}”: for scans to come of the {holds[6:]} of this study, no others."
            )
    if "assumption" in rows and (rows["assumption"] == "normal scatter").any():
        said += " Bounds of pairs assume normal scatter"
        known = [int(n) for n in rows.get("n_independent", pd.Series(dtype=float)).dropna()]
        if known:
            fewest, most = min(known), max(known)
            number = f"{fewest}" if fewest == most else f"{fewest} to {most}"
            said += f" and rest on {number} independent scans of a model"
        said += "."
    return f"{said} A limit is held against bound plus guard, for what all scans share."


def _measurand(measurand: str) -> str:
    return {"distance_um": "distance", "angle_deg": "angle"}.get(
        measurand, measurand_name(measurand)
    )


def _pair_verdict(row: Any) -> str:
    bound = NONE if missing(row.tolerance_bound) else quantity(row.tolerance_bound, row.unit)
    if not row.verdict:
        return f"{bound}, no statement"
    return f"{bound}, {_short(row.verdict)}"


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
    return {f"supported span, all pairs, {quantity(limit)}": said}


def _seats(content: ReportContent) -> dict[str, dict[str, str]]:
    """Verdicts of every way of seating; models are named where they differ."""
    found: dict[str, dict[str, str]] = {}
    table = pd.DataFrame([r._asdict() for r in gap_limits(content)])
    if not len(table):
        return found
    for (seated, condition), mine in table.groupby(["seated", "condition"], sort=False):
        name = f"{GAPS.get(str(seated), str(seated))}, {quantity(mine['limit_um'].iloc[0])}"
        met = {w: m for w in _WORDS if len(m := mine[mine["verdict"] == w])}
        said = [_seat_verdict(w, m, alone=len(met) == 1) for w, m in met.items()]
        found.setdefault(name, {})[str(condition)] = "; ".join(said)
    return found


def _seat_verdict(word: str, rows: pd.DataFrame, *, alone: bool) -> str:
    """One verdict on the gaps: models with bound and reason; together where it is verified."""
    whole = rows.reindex(columns=[*rows.columns, *(c for c in _SEAT if c not in rows)])
    if word == VERIFIED:
        largest = whole["tolerance_bound_um"].max()
        bound = "" if missing(largest) else f" (up to {quantity(largest)})"
        return (
            f"{_short(word)}{'' if alone else ' ' + joined(list(map(str, rows['model'])))}{bound}"
        )
    each = [f"{r.model}{_seat_reason(r)}" for r in rows_of(whole)]
    return f"{_short(word)} {joined(each)}"


_SEAT = ("tolerance_bound_um", "n_scans", "n_cells", "p_normal", "note")


def _seat_reason(row: Any) -> str:
    """Bound of a gap that was not verified, why, and what it rests on."""
    said = [] if missing(row.tolerance_bound_um) else [quantity(row.tolerance_bound_um)]
    if not missing(row.note) and row.note:
        reason = str(row.note)
        if not missing(row.p_normal) and NOT_NORMAL in reason:
            reason += f", p = {p_value(row.p_normal)}".replace("= <", "<")
        said.append(reason)
    if not missing(row.n_scans):
        said.append(f"{count(int(row.n_scans), 'scan')} in {count(int(row.n_cells), 'cell')}")
    return f" ({'; '.join(said)})" if said else ""
