"""Rows of the result tables that a report shows, selected and put in order."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from accstudy.accuracy.judge import EACH_PAIR, REFUTED
from accstudy.compare.arch import Arch
from accstudy.figures.style import rows_of
from accstudy.reports.document import ReportContent
from accstudy.words.catalogue import say
from accstudy.words.numbers import missing

__all__ = [
    "between",
    "confidence_of",
    "for_others",
    "gap_limits",
    "gap_rows",
    "groups",
    "is_scan",
    "largest_gap",
    "levels",
    "limit_of",
    "longest_pair",
    "longest_pairs",
    "named",
    "own_limits",
    "pair_rows",
    "seat_rows",
    "slug",
    "span_points",
    "supported_at",
    "typical_scan",
]


def groups(frame: pd.DataFrame, keys: list[str]) -> list[tuple[tuple[str, ...], pd.DataFrame]]:
    """Groups of a table in the order of their first row, keys as text."""
    out = []
    for key, rows in frame.groupby(keys, sort=False):
        out.append((tuple(str(k) for k in key), rows))
    return out


def is_scan(content: ReportContent) -> bool:
    """Whether the reference is itself a scan."""
    return bool(content.settings.get("reference", {}).get("kind") == "scan")


def limit_of(content: ReportContent, key: str) -> float | None:
    """A limit of the user's; None where the study sets none."""
    found = content.settings.get("limits", {}).get(key)
    return float(found["value"]) if found else None


def confidence_of(content: ReportContent) -> float:
    """Confidence of bounds and intervals."""
    return float(content.setting("limits", "confidence"))


def gap_limits(content: ReportContent) -> list[Any]:
    """Rows of table ``seating_summary`` that were held against a limit of the user's."""
    table = content.table("seating_summary")
    if not len(table):
        return []
    return [r for r in rows_of(table) if r.verdict and r.limit_um == r.limit_um]


def between(content: ReportContent) -> tuple[str, str, str]:
    """What the spread between cells makes of a standard deviation."""
    analysis = content.settings.get("analysis", {})
    cell = [str(c) for c in analysis.get("cell") or ()]
    factors = say("names.and").join(cell) or say("names.nothing_that_the_study")
    scans, laboratory = content.table("scans"), analysis.get("laboratory")
    if laboratory in cell and laboratory in scans and len(set(scans[laboratory])) > 1:
        return "reproducibility", "R", factors
    return say("names.intermediate_precision"), "I", factors


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


def pair_rows(content: ReportContent, measurand: str = "distance_um") -> pd.DataFrame:
    """Rows of table ``accuracy`` about pairs."""
    table = content.table("accuracy")
    if not len(table):
        return table
    return table[(table["measurand"] == measurand) & table["span_mm"].notna()]


def longest_pair(content: ReportContent, condition: str | None = None) -> Any:
    """Row of table ``accuracy`` of the longest pair; None without any."""
    rows = pair_rows(content)
    if condition is not None and len(rows):
        rows = rows[rows["condition"] == condition]
    if not len(rows) or not np.isfinite(rows["span_mm"].max()):
        return None
    return rows_of(rows.loc[[rows["span_mm"].idxmax()]])[0]


def longest_pairs(content: ReportContent) -> list[Any]:
    """Rows of table ``accuracy`` or ``precision`` of the longest pair of every condition."""
    rows = pair_rows(content)
    if not len(rows):
        return []
    longest = rows.loc[rows.groupby("condition", sort=False)["span_mm"].idxmax()]
    return [r for r in rows_of(longest) if not missing(r.s_r) or not missing(r.s_I)]


def largest_gap(content: ReportContent, condition: str) -> Any:
    """Largest gap of a condition at the best seat, of all its models, um; None without any."""
    seats = content.table("seating_summary")
    if not len(seats):
        return None
    best = (seats["condition"] == condition) & (seats["seated"] == "best-seat")
    return seats.loc[best, "max_um"].max()


def named(content: ReportContent, condition: str, model: str = "") -> str:
    """Condition and model, as far as the study has several; empty else."""
    pairs = content.table("pair_deviations")
    parts = []
    if condition and _several(pairs, "condition"):
        parts.append(condition)
    if model and _several(pairs, "model"):
        parts.append(say("names.model_model", model=model))
    return ", ".join(parts)


def _several(pairs: pd.DataFrame, column: str) -> bool:
    return column in pairs and len(pairs[column].unique()) > 1


def slug(*parts: str) -> str:
    """File name from labels.

    Examples
    --------
    >>> slug("pairs", "Model 1")
    'pairs-model-1'
    """
    text = "-".join(p for p in parts if p).lower()
    return "".join(c if c.isascii() and c.isalnum() else "-" for c in text)


def alignment_rows(table: pd.DataFrame, order: dict[str, Arch]) -> pd.DataFrame:
    """Rows of table ``alignments`` in the order of the ways to align and along the arch."""
    rank = {(m, i): k for m, arch in order.items() for k, i in enumerate(arch.implants)}
    how = {"all-implants": 0, "datum-implants": 1, "first-implant": 2}
    out = table.assign(
        rank=[rank.get((m, i), 99) for m, i in zip(table["model"], table["implant"], strict=True)],
        how=table["alignment"].map(how).fillna(3),
    )
    out = out.sort_values(["condition", "model", "how", "rank"], kind="stable")
    return out.drop(columns=["rank", "how"]).reset_index(drop=True)


def run_rows(content: ReportContent) -> tuple[pd.DataFrame, str]:
    """Two figures of every scan of the model with most scans, in the order they were taken.

    Returns
    -------
    rows : DataFrame
        As `accstudy.figures.runs.run_chart` wants it.
    model : str
        Whose scans.
    """
    pairs, scans = content.table("pair_deviations"), content.table("scans")
    if not content.has("scan_deviations"):
        return pairs.iloc[:0], ""
    model = str(pairs.drop_duplicates("scan")["model"].mode(dropna=True).iloc[0])
    mine = pairs[pairs["model"] == model]
    longest = mine[mine["span_mm"] == mine["span_mm"].max()].set_index("scan")
    out = mine.drop_duplicates("scan")[["scan", "condition", "cell"]].reset_index(drop=True)
    whole = content.table("scan_deviations").set_index("scan")["rms_distance_um"]
    out["rms_um"] = out["scan"].map(whole)
    out["longest_um"] = out["scan"].map(longest["distance_um"])
    if "measured_at" in scans:
        at = pd.to_datetime(scans.set_index("scan")["measured_at"], errors="coerce")
        out["at"] = out["scan"].map(at)
        out = out.sort_values("at", kind="stable", na_position="last").reset_index(drop=True)
    out["number"] = range(1, len(out) + 1)
    return out, model


def span_points(pair_deviations: pd.DataFrame, *, along: str = "span") -> pd.DataFrame:
    """Size of every deviation of a distance, against span or path."""
    return pd.DataFrame(
        {
            "condition": pair_deviations["condition"],
            "at_mm": pair_deviations[f"{along}_mm"],
            "abs_um": pair_deviations["distance_um"].abs(),
        }
    )


def typical_scan(seating: pd.DataFrame, *, condition: str, model: str) -> str:
    """Scan whose best seat is the median one (the lower of two); empty without any."""
    rows = seating[(seating["condition"] == condition) & (seating["model"] == model)]
    best = rows.drop_duplicates("scan").set_index("scan")["best_seat_um"].dropna()
    if best.empty:
        return ""
    ranked = best.sort_values(kind="stable")
    return str(ranked.index[(len(ranked) - 1) // 2])


def seat_rows(seating: pd.DataFrame, arch: Arch, *, scan: str) -> pd.DataFrame:
    """One scan's framework with the first implant's screw tightened, and best seated."""
    rows = seating[
        (seating["scan"] == scan) & seating["tightened"].isin([arch.implants[0], "best-seat"])
    ]
    path = dict(zip(arch.implants, arch.path_mm, strict=True))
    rows = rows.assign(path_mm=rows["implant"].map(path)).dropna(subset=["path_mm"])
    last = (rows["tightened"] == "best-seat").astype(int)
    return (
        rows.assign(last=last).sort_values(["last", "path_mm"], kind="stable").drop(columns="last")
    )


def gap_rows(
    seating: pd.DataFrame, medians: pd.DataFrame, arch: Arch, *, condition: str, model: str
) -> pd.DataFrame:
    """Gaps of all scans: first implant tightened, last implant tightened, best seat.

    Column ``worst_um`` is the largest gap at the rim, or the largest interference (negative)
    where that is larger.
    """
    rows = seating[(seating["condition"] == condition) & (seating["model"] == model)]
    first, last = arch.implants[0], arch.implants[-1]
    names = {
        first: say("seating.one_screw_at", first=first),
        last: say("seating.one_screw_at_2", last=last),
        "best-seat": say("seating.all_screws_best_seat"),
    }
    rows = rows[rows["tightened"].isin(names) & rows["gap_max_um"].notna()]
    rows = rows.assign(way=rows["tightened"].map(names))
    place = {implant: k for k, implant in enumerate(arch.implants)}
    order = {way: k for k, way in enumerate(names.values())}
    rows = rows.assign(a=rows["way"].map(order), b=rows["implant"].map(place))
    rows = rows.sort_values(["a", "b"], kind="stable").drop(columns=["a", "b"])
    gap = rows["gap_max_um"] >= -rows["gap_min_um"]
    rows = rows.assign(worst_um=rows["gap_max_um"].where(gap, rows["gap_min_um"]))
    on = ["condition", "model", "tightened", "implant"]
    return rows.merge(medians[[*on, "median_um"]], on=on, how="left")
