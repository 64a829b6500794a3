"""Picking from a report's tables: limits, levels, the pair that matters most."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from accstudy.accuracy.judge import EACH_PAIR, REFUTED
from accstudy.figures.style import rows_of
from accstudy.reports.content import ReportContent
from accstudy.words.catalogue import say

__all__ = [
    "between",
    "confidence_of",
    "for_others",
    "gap_limits",
    "groups",
    "is_scan",
    "levels",
    "limit_of",
    "longest_pair",
    "named",
    "own_limits",
    "pair_rows",
    "slug",
    "supported_at",
]


_USELESS = 10.0


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
    return float(content.settings.get("limits", {}).get("confidence", 0.95))


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

    A bound that is more than ten times what any scan deviated by says that the cells are
    too few, and nothing of the device: it is left empty where nothing is verified.
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
    useless = (rows["verdict"] != REFUTED) & (
        rows["tolerance_bound"] > _USELESS * rows["largest_seen"]
    )
    kept = rows[["tolerance_bound", "bound_with_guard"]].mask(useless)
    return rows.assign(**{str(c): kept[c] for c in kept})


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


def named(content: ReportContent, condition: str, model: str = "") -> str:
    """Condition and model, as far as the study has several; empty else."""
    pairs = content.table("pair_deviations")
    parts = []
    if condition and len(set(pairs.get("condition", ()))) > 1:
        parts.append(condition)
    if model and len(set(pairs.get("model", ()))) > 1:
        parts.append(say("names.model_model", model=model))
    return ", ".join(parts)


def slug(*parts: str) -> str:
    """File name from labels.

    Examples
    --------
    >>> slug("pairs", "Model 1")
    'pairs-model-1'
    """
    text = "-".join(p for p in parts if p).lower()
    return "".join(c if c.isascii() and c.isalnum() else "-" for c in text)
