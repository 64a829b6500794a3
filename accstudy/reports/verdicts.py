"""Verdicts on every limit: in sentences, as the decision of page 1, and by condition."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from accstudy.accuracy.judge import ALL_PAIRS, EACH_PAIR, NOT_VERIFIED, REFUTED, VERIFIED
from accstudy.figures.style import rows_of
from accstudy.plan.size import size_words
from accstudy.reports.common import groups, is_true, longest_pairs
from accstudy.reports.document import (
    Document,
    ReportContent,
    Text,
    bold,
    extended,
    marked,
    strong_accent,
)
from accstudy.words.catalogue import choose, count, say, words
from accstudy.words.names import condition_name
from accstudy.words.numbers import (
    NONE,
    interval,
    joined,
    missing,
    percent,
    quantity,
    stated,
    sure,
)

VERDICT_MARKS = {VERIFIED: "verified", NOT_VERIFIED: "not-verified", REFUTED: "nonconformity"}
"""Name of the shape that stands beside a verdict."""

_MOST_NAMED = 4
_WORST_FIRST = ("nonconformity", "not-verified", "uninformative", "unbounded", "unstated")


def _gap_limits(content: ReportContent) -> pd.DataFrame:
    """Rows of table ``seating_summary`` with a limit of the user's, named as in ``conformity``."""
    table = content.table("seating_summary")
    if not len(table):
        return pd.DataFrame(columns=["condition", "seated"])
    table = table[(table["verdict"] != "") & table["limit_um"].notna()]
    names = {c: c.removesuffix("_um") for c in map(str, table) if c.endswith("_um")}
    table = table.rename(columns=names | {"max_um": "largest_seen"})
    return table.assign(unit="um", state=[VERDICT_MARKS[v] for v in table["verdict"]])


def _own_limits(content: ReportContent, *, others: bool = False) -> pd.DataFrame:
    """Rows of table ``conformity`` that lead, or those for other operators beside them.

    A bound that is not informative says that the cells are too few, and nothing of the device:
    it is left empty where nothing is verified.
    """
    table = content.table("conformity")
    if not len(table):
        return table
    rows = table[table["beside"].fillna(False).astype(bool) == others]
    useless = (rows["verdict"] != REFUTED) & ~rows["informative"].fillna(True).astype(bool)
    kept = rows[["tolerance_bound", "bound_with_guard"]].mask(useless)
    return rows.assign(**{str(c): kept[c] for c in kept}, state=_states(rows, useless))


def _states(rows: pd.DataFrame, useless: pd.Series) -> list[str]:
    """What can be said of every row: its verdict, or why there is none."""
    return [
        VERDICT_MARKS[REFUTED] if r.verdict == REFUTED
        else "uninformative" if vague
        else "unbounded" if missing(r.tolerance_bound)
        else VERDICT_MARKS.get(r.verdict, "unstated")
        for r, vague in zip(rows_of(rows), useless, strict=True)
    ]  # fmt: skip


def levels(
    content: ReportContent, scope: str, *, along: str = "span", others: bool = False
) -> pd.DataFrame:
    """Supported length of every condition at every level, the user's limit among them.

    For other operators beside those of the study if `others`.
    """
    names = {f"supported_{along}_mm": "supported_mm", f"longest_{along}_mm": "longest_mm",
             f"whole_{along}": "whole", f"n_pairs_{along}": "n_pairs"}  # fmt: skip
    table = content.table("supported_spans")
    if not len(table):
        return pd.DataFrame(columns=["condition", "level_um", *names.values()])
    mine = table[(table["beside"].fillna(False).astype(bool) == others) & (table["scope"] == scope)]
    kept = ["condition", "holds_for", "level_um", *names, "coverage", "confidence", "note"]
    return mine[kept].rename(columns=names).reset_index(drop=True)


def _reach(row: Any) -> str:
    """Whether a level is kept over no, some or every length studied."""
    return "none" if missing(row.supported_mm) else "whole" if row.whole else "part"


def supported_sentence(row: Any, *, along: str = "span") -> str:
    """Say up to which span, or arch length, a level is kept, from a row of `levels`."""
    start = f"{row.condition}: " if row.condition else ""
    a, name = ("a", "span") if along == "span" else ("an", say("names.arch_length"))
    return start + choose(
        "names.supported",
        _reach(row),
        row,
        a=a,
        name=name,
        supported_mm=row.supported_mm,
        longest_mm=row.longest_mm,
    )


def _for_whom(holds_for: str) -> str:
    """Conditions that a statement holds for, as it is said after the verdict."""
    if holds_for == "this cell":
        return say("verdicts.for_this_one_session")
    return "" if holds_for == "new cells" else say("verdicts.for_holds_for", holds_for=holds_for)


def _assumption(row: Any, *, brief: bool = False) -> str:
    """What the bound of a row of table ``conformity`` rests on, as a clause."""
    key = row.assumption
    if key == "normal scatter":
        untested = missing(row.p_normal)
        key = "untested" if untested else "contradicted" if is_true(row.not_normal) else "kept"
    if brief:
        return NONE if missing(row.tolerance_bound) else choose("verdicts.basis", key, row)
    return choose("verdicts.rests_on", key, row, name=str(row.normality_test).replace("-", "–"))


def _scope_words(row: Any, *, alike: bool) -> str:
    """What a row of table ``conformity`` is about; without their number where it differs."""
    if row.scope == EACH_PAIR:
        return say("verdicts.each_separately", row)
    if alike and row.n_pairs == 1:
        return say("verdicts.only_one_of_a_scan", row)
    return say("verdicts.all_of_a_scan", row, n=f"{int(row.n_pairs)} " if alike else "")


def lead_sentence(rows: Sequence[Any]) -> Text:
    """The verdict that a report leads with, one limit under all conditions."""
    first = rows[0]
    alike = len({int(r.n_pairs) for r in rows}) == 1
    what = _scope_words(first, alike=alike)
    if first.scope != EACH_PAIR and first.n_pairs > 1:
        what += say("verdicts.as_a_full_arch")
    limit = stated(first.limit, first.unit)
    if len(rows) == 1:
        start = say("verdicts.for_condition", first) if first.condition else ""
        said = start + choose("verdicts.alone", first.state, what=what, limit=limit)
        end = choose("verdicts.alone_end", first.state, first, whom=_for_whom(first.holds_for))
        word = words("verdicts.alone_word")[first.state]
        return [said[:1].upper() + said[1:], strong_accent(word), end]
    text: list[Any] = [
        say("verdicts.conformity_with_the_limit", limit=limit, what=what.rstrip(","))
    ]
    told: dict[str, list[str]] = {}
    for row in rows:
        told.setdefault(_short(row) + _for_whom(row.holds_for), []).append(str(row.condition))
    for said, names in told.items():
        text += ["; " if len(text) > 1 else "", strong_accent(said)]
        text.append(say("verdicts.for_names", names=_named(names, len(rows))))
    return [*text, "."]


def _models_differ(content: ReportContent) -> bool:
    """Whether models have different numbers of implants, so that no one number of pairs holds."""
    models = content.table("models")
    return bool(len(models)) and len(set(models["n_implants"])) > 1


def _short(row: Any) -> str:
    """Verdict of a row of table ``conformity`` in short, or why there is none."""
    return choose("verdicts.said", row.state, row)


def basis_sentence(rows: Sequence[Any]) -> str:
    """What the bounds of a limit mean, for whom they hold and what they assume."""
    known = [r for r in rows if not missing(r.tolerance_bound)]
    if not known:
        return ""
    told: dict[str, list[str]] = {}
    for row in known:
        told.setdefault(_assumption(row), []).append(str(row.condition))
    rests = "; ".join(
        f"{said}{f' ({joined(names)})' if len(told) > 1 else ''}" for said, names in told.items()
    )
    whom = dict.fromkeys(_for_whom(r.holds_for).strip() for r in known)
    holds = f" ({joined([w for w in whom if w])})" if any(whom) else ""
    first, alone = known[0], len(known) == 1
    bound = say("verdicts.this_bound", first) if alone else say("verdicts.the_bound")
    seen = say("verdicts.largest_observed", first) if alone else ""
    return say(
        "verdicts.with_confidence_of_future",
        first,
        bound=bound,
        holds=holds,
        rests=rests,
        seen=seen,
    )


def _what_next(row: Any, *, size: bool = True) -> list[str]:
    """What would settle a verdict."""
    if row.verdict == VERIFIED:
        return []
    said = [choose("verdicts.next", "unstated", row)] if not row.verdict else []
    if row.state == "uninformative":
        said.append(choose("verdicts.next", row.state, row))
    if row.state == "not-verified":
        if is_true(row.left_out_shown):
            said.append(choose("verdicts.next", "left out", row))
        if row.assumption != "none" and is_true(row.not_normal):
            said.append(choose("verdicts.next", "not normal", row))
    if row.verdict == NOT_VERIFIED and size and not missing(row.needed_assurance):
        said.append(_size(row))
    return said


def _size(row: Any) -> str:
    """The study that would verify conformity, as what to do next."""
    share = percent(row.needed_assurance)
    if missing(row.n_needed):
        return say("verdicts.no_number_of_such", share=share)
    size = size_words(
        int(row.n_needed),
        operators=int(row.needed_operators),
        cells=int(row.needed_cells),
        per_cell=int(row.needed_per_cell),
        n_now=int(row.n_scans),
    )
    return say("verdicts.likely_to_verify_it", size=size, share=share)


def leading(content: ReportContent) -> list[Any]:
    """Rows of table ``conformity`` that a report leads with, one a condition.

    All pairs of a scan together where that is judged, since a framework joins all implants;
    distances where they have a limit.
    """
    rows = _own_limits(content)
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
    The leading limit has a row a condition unless they are many; any other, a row a verdict.
    """
    rows, lead = rows_of(_own_limits(content)), leading(content)
    gaps = [] if lead_only else rows_of(_gap_limits(content))
    if not lead and not gaps:
        return
    beside = [r for r in rows_of(_own_limits(content, others=True)) if r.verdict]
    several = len({str(r.condition) for r in [*rows, *gaps]}) > 1
    first, differ = _asked(lead[0]) if lead else ("", ""), _models_differ(content)
    cells: list[list[Text]] = []
    for key in [first] if lead_only else dict.fromkeys([first, *map(_asked, _by_scope(rows))]):
        mine = [r for r in rows if _asked(r) == key]
        size = in_full or key == first
        reach = [_reach_words(content, r) for r in mine]
        if several and (key != first or len(mine) > _MOST_NAMED):
            what = _short_scope(mine[0], differ or len({int(r.n_pairs) for r in mine}) > 1)
            cells += _by_verdict(mine, what, reach, [_then(r, size=size) for r in mine])
            continue
        for r, one in zip(mine, reach, strict=True):
            then = _then(r, size=size)
            what = _short_scope(r, differ)
            cells.append(_decided([r], condition_name(r.condition), what, one, then))
            for other in beside if key == first and not lead_only else ():
                if (*_asked(other), other.condition, other.limit) == (*key, r.condition, r.limit):
                    asks, then = say("verdicts.the_same", other), _then(other, size=in_full)
                    one = _reach_words(content, other)
                    cells.append(_decided([other], condition_name(r.condition), asks, one, then))
    for seated in dict.fromkeys(str(r.seated) for r in gaps):
        mine = [r for r in gaps if r.seated == seated]
        what, n = words("verdicts.gaps").get(seated, seated), len(mine)
        cells += _by_verdict(mine, what, [NONE] * n, [say("verdicts.gap_alone")] * n)
    document.listed(
        "verdicts.decision_table",
        cells,
        shown=["several"] * several
        + ["asked"] * (not lead_only)
        + ["reach"] * any(row[6] != NONE for row in cells),
        said=_decision_caption([*lead, *gaps][0], lead if lead_only else rows or gaps, lead_only),
    )


def _decision_caption(first: Any, rows: list[Any], lead_only: bool) -> str:
    """How to read the decision, for whom it holds."""
    whom = [w for w in dict.fromkeys(_for_whom(str(r.holds_for)).strip() for r in rows) if w]
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


def _short_scope(row: Any, several: bool) -> str:
    """What a limit is held against, as page 1 asks it."""
    if row.scope != EACH_PAIR and row.n_pairs == 1:
        return say("verdicts.only_one", row)
    n = "" if several else f"{int(row.n_pairs)} "
    return choose("verdicts.asked", row.scope, row, n=n)


_BOUNDS = ("tolerance_bound", "bound_with_guard")
_VALUES = ("largest_seen", *_BOUNDS)


def _decided(rows: list[Any], who: str, what: str, reach: str, then: str) -> list[Text]:
    """Cells of one limit for those who share a verdict."""
    first = rows[0]
    return [
        who,
        what,
        stated(first.limit, first.unit),
        *(_range([getattr(r, c) for r in rows], first.unit) for c in _BOUNDS),
        [marked(_short(first), VERDICT_MARKS.get(first.verdict, ""))],
        reach,
        then,
    ]


def _range(values: Any, unit: str) -> str:
    """One value, or the smallest and the largest of a list where they print differently."""
    known = sorted(float(v) for v in np.atleast_1d(values) if not missing(v))
    ends = dict.fromkeys(quantity(v, unit) for v in [*known[:1], *known[-1:]])
    several = len(ends) > 1
    return interval(known[0], known[-1], unit, signed=False) if several else "".join(ends) or NONE


def _by_verdict(rows: list[Any], what: str, reach: list[str], then: list[str]) -> list[list[Text]]:
    """Cells of one limit, a row a verdict, the least favourable first."""
    order = {state: k for k, state in enumerate(_WORST_FIRST)}
    told: dict[str, list[tuple[Any, str, str]]] = {}
    for row, *one in sorted(
        zip(rows, reach, then, strict=True), key=lambda each: order.get(each[0].state, len(order))
    ):
        told.setdefault(f"{row.state} {_short(row)}", []).append((row, *one))
    out = []
    for group in told.values():
        mine = [row for row, _, _ in group]
        names = [_where(rows, row) for row in mine]
        who = say("verdicts.all_of_them") if len(told) == 1 else _named(names, len(rows))
        out.append(_decided(mine, who, what, *(_shared([g[k] for g in group]) for k in (1, 2))))
    return out


def _shared(said: list[str]) -> str:
    """What all say, or where each is told."""
    return said[0] if len({*said}) == 1 else say("verdicts.see_verdict_for_each")


def _where(rows: list[Any], row: Any) -> str:
    """Condition and model of a row, as far as the rows have several."""
    named = [c for c in ("condition", "model") if len({getattr(r, c, "") for r in rows}) > 1]
    return say("verdicts.on").join(str(getattr(row, c)) for c in named)


def _named(names: Sequence[str], n: int) -> str:
    """Names as a list; where they are many, how many of all there are."""
    if len(names) <= _MOST_NAMED:
        return joined(names)
    return say("verdicts.so_many_of", m=len(names), n=n)


def _then(row: Any, *, size: bool) -> str:
    """What to do next, with the study that would settle it if wanted."""
    waits = say("verdicts.see_verdict_for_each") if not missing(row.n_needed) else NONE
    return "; ".join(_what_next(row, size=size)) or waits


def _reach_words(content: ReportContent, row: Any) -> str:
    """Span up to which a limit is kept meanwhile."""
    if row.verdict == VERIFIED or missing(row.tolerance_bound) or row.unit != "um":
        return NONE
    table = levels(content, row.scope, others=is_true(row.beside))
    mine = table[(table["condition"] == row.condition) & (table["level_um"] == row.limit)]
    return next(
        (
            choose("verdicts.reach", _reach(r), r, supported_mm=r.supported_mm)
            for r in rows_of(mine)
        ),
        NONE,
    )


def verdicts_table(document: Document, content: ReportContent) -> None:
    """Every limit under every condition, for other operators too, with bounds and verdicts."""
    rows = pd.concat([_own_limits(content), _own_limits(content, others=True)]).sort_index()
    gaps, alike = _gap_limits(content), not _models_differ(content)
    if len(rows):
        rows = extended(
            rows,
            what=[f"{_scope_words(r, alike=alike)}{_for_whom(r.holds_for)}" for r in rows_of(rows)],
            basis=[_assumption(r, brief=True) for r in rows_of(rows)],
            notes=[_notes(*_what_next(r), r.note) for r in rows_of(rows)],
        )
    told = _gap_rows(gaps)
    every = pd.concat([t for t in (rows, told) if len(t)])
    every = every.sort_values("condition", kind="stable")
    scans = sorted(set(every["n_scans"].dropna().astype(int)))
    document.listed(
        "verdicts.verdicts_table",
        extended(
            every,
            stated=[stated(r.limit, r.unit) for r in rows_of(every)],
            **{c: [_range(getattr(r, c), r.unit) for r in rows_of(every)] for c in _VALUES},
            said=[[bold(_short(r))] for r in rows_of(every)],
        ),
        once=1,
        shown=["several"] * (len(set(every["condition"])) > 1),
        alike=say("verdicts.gaps_share_a_row") if len(gaps) > len(told) else "",
        scans=joined([*map(str, scans[:-1][:1]), count(scans[-1], "scan")], last="to"),
    )


def _gap_rows(gaps: pd.DataFrame) -> pd.DataFrame:
    """A row a model; models that share a verdict, if many, share a row with the range of values."""
    out = []
    for _, mine in groups(gaps, ["condition", "seated"]):
        for _, alike in groups(mine, ["state"]):
            told = rows_of(alike)
            out += (
                [_gap_row([r], len(mine)) for r in told]
                if len(told) < _MOST_NAMED
                else [_gap_row(told, len(mine))]
            )
    return pd.DataFrame(out, columns=None if out else [*gaps.columns])


def _gap_row(rows: list[Any], n: int) -> dict[str, Any]:
    """One row about one of `n` models, or several of them."""
    key = "named" if len(rows) <= _MOST_NAMED else "many"
    models = _named([str(r.model) for r in rows], n)
    basis = [_gap_basis(r) for r in rows]
    notes = dict.fromkeys(note for r in rows for note in _notes(r.note).split("; ") if note)
    return {
        **rows[0]._asdict(),
        "what": choose("verdicts.gap_of", key, rows[0], models=models, n=len(rows)),
        "basis": basis[0] if len({*basis}) == 1 else _gap_bases(rows),
        "notes": "; ".join(notes),
        **{c: [getattr(r, c) for r in rows] for c in _VALUES},
    }


def _gap_bases(rows: list[Any]) -> str:
    """What the bounds of several gaps assume, without their p values."""
    known = [r for r in rows if not missing(r.tolerance_bound)]
    return joined([*dict.fromkeys(choose("verdicts.basis", "gaps", r) for r in known)], last="or")


def _gap_basis(row: Any) -> str:
    """What the bound of a gap assumes, in brief."""
    if missing(row.tolerance_bound):
        return NONE
    key = "none" if row.assumption == "none" else "gaps" if missing(row.p_normal) else "tested gaps"
    return choose("verdicts.basis", key, row)


def _notes(*notes: Any) -> str:
    return "; ".join(str(note) for note in notes if note and not missing(note))


def verdict_sentence(content: ReportContent) -> Text:
    """The verdict that a report leads with, or without a limit which span holds for which level."""
    rows = leading(content)
    return lead_sentence(rows) if rows else levels_sentences(content)[0]


def levels_sentences(content: ReportContent) -> list[Text]:
    """Without a limit of the user's: which span holds for which level."""
    if not longest_pairs(content):
        return [say("validation.no_result_no_scan")]
    rows = levels(content, ALL_PAIRS)
    none = say(
        "validation.the_study_sets_no",
        on_distances=say("validation.on_distances") if len(_gap_limits(content)) else "",
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
        spans = [supported_sentence(r._replace(condition="")) for r in rows_of(rows)]
        said = [
            say("validation.all_pairs_of_a", none=none),
            strong_accent(joined(spans)),
            f"{_for_whom(first.holds_for)}.",
        ]
    return [said, say("validation.for_a_verdict_set")]


def levels_table(document: Document, content: ReportContent, *, brief: bool = False) -> None:
    """Supported span and arch length at each level."""
    rows = levels(content, ALL_PAIRS)
    if not len(rows):
        return
    lengths = {
        f"{along}_{scope}".replace(" ", "_"): [
            choose("verdicts.length", _reach(r), supported_mm=r.supported_mm)
            for r in rows_of(levels(content, scope, along=along))
        ]
        for along in ("span", "path")
        for scope in (ALL_PAIRS, EACH_PAIR)
    }
    notes = [n for n in dict.fromkeys(rows["note"]) if n]
    several = len(set(rows["condition"])) > 1
    document.listed(
        "verdicts.levels_table",
        extended(rows, **lengths),
        once=1,
        wide=False,
        shown=["several"] * several + ["full"] * (not brief),
        coverage=sure(rows["coverage"].iloc[0]),
        confidence=sure(rows["confidence"].iloc[0]),
        note=say("validation.note", notes="; ".join(notes)) if notes else "",
    )
