"""Table ``conformity``: is a limit kept, proven by the data and their uncertainty?

The words are those of ISO 14253-1: conformity proven, conformity not proven,
non-conformity proven. Nothing is ever said to have passed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from accstudy.accuracy.measurands import Results, pair_results, results
from accstudy.accuracy.oneway import Layouts, layouts
from accstudy.accuracy.spans import (
    guard,
    span_curve,
    supported,
    worst_bounds,
    worst_needed,
    worst_of_scans,
)
from accstudy.accuracy.summary import shared_u
from accstudy.accuracy.tolerance import needed_scans, tolerance_bounds
from accstudy.tables import empty, shape

__all__ = [
    "NOT_PROVEN",
    "PROVEN",
    "REFUTED",
    "LimitOf",
    "conformity_table",
    "verdict",
]

PROVEN = "conformity proven"
NOT_PROVEN = "conformity not proven"
REFUTED = "non-conformity proven"

WORST = ", worst pair of a scan"


@dataclass(frozen=True, slots=True)
class LimitOf:
    """A limit that the user set.

    Parameters
    ----------
    measurand : str
        Column of table ``pair_deviations``: ``distance_um`` or ``angle_deg``; or of
        the table of gaps.
    value : float
        The limit of the absolute value, in the unit of the measurand.
    source : str
        Where it comes from, in the user's words.
    """

    measurand: str
    value: float
    source: str


def verdict(bound: float, bound_low: float, limit: float, guard_width: float = 0.0) -> str:
    """Judge a limit.

    Parameters
    ----------
    bound : float
        Upper tolerance bound; NaN where there is none.
    bound_low : float
        Lower confidence bound of the quantile that `bound` bounds from above.
    limit : float
        The limit.
    guard_width : float, optional
        Guard for the shared uncertainty, see `accstudy.accuracy.spans.guard`.

    Returns
    -------
    str
        One of three sentences.

    References
    ----------
    ISO 14253-1:2017, decision rules.

    Examples
    --------
    >>> verdict(80.0, 40.0, 100.0, 5.0)
    'conformity proven'
    >>> verdict(120.0, 60.0, 100.0, 5.0)
    'conformity not proven'
    >>> verdict(250.0, 130.0, 100.0, 5.0)
    'non-conformity proven'
    """
    if bound + guard_width <= limit:
        return PROVEN
    if bound_low - guard_width > limit:
        return REFUTED
    return NOT_PROVEN


def conformity_table(
    pair_deviations: pd.DataFrame,
    *,
    limits: Sequence[LimitOf],
    spans_at_um: Sequence[float] = (50.0, 100.0, 150.0, 200.0),
    gaps: pd.DataFrame | None = None,
    coverage: float = 0.95,
    confidence: float = 0.95,
    reference_u: pd.DataFrame | Mapping[str, float] | None = None,
) -> pd.DataFrame:
    """Hold every condition against the limits, and say which span it supports.

    Parameters
    ----------
    pair_deviations : DataFrame
        Table ``pair_deviations``.
    limits : sequence of LimitOf
        The user's limits.
    spans_at_um : sequence of float, optional
        Limits of the distance for which the supported span is said.
    gaps : DataFrame, optional
        Rows with ``condition``, ``model``, ``cell``, ``scan`` and the columns that
        limits of gaps name, such as table ``seating``.
    coverage, confidence : float, optional
        Of the bounds.
    reference_u : DataFrame or mapping, optional
        As for `accstudy.accuracy.summary.accuracy_table`.

    Returns
    -------
    DataFrame
        Table ``conformity``. A limit of a pair's measurand gets two rows: each pair
        for itself (the largest bound counts), and the worst pair of a scan. Every
        value of `spans_at_um` gets one row.

    Notes
    -----
    "Each pair" is proven when every pair is, which needs no correction for their
    number; it is refuted when one pair is, for which the level is shared among
    them (Bonferroni).

    The worst pair of a scan is never better than a pair: where its own bound comes
    out below the largest bound of a pair, it is raised to that, and it is proven
    only where every pair is. A raised upper bound still holds.
    """
    if not len(pair_deviations):
        return empty("conformity")
    options = {"coverage": coverage, "confidence": confidence}
    rows: list[dict[str, Any]] = []
    found = results(pair_results(pair_deviations))
    u = shared_u(found.keys, reference_u)
    for limit in limits:
        if limit.measurand in set(found.keys["measurand"]):
            pairs = _each_pair(found, u, limit, coverage, confidence)
            worst = worst_of_scans(pair_deviations, limit.measurand)
            chosen = (found.keys["measurand"] == limit.measurand).to_numpy()
            largest_u = found.keys[chosen].assign(u=u[chosen]).groupby("condition")["u"].max()
            together = _worst(worst, limit, WORST, largest_u.to_dict(), coverage, confidence)
            rows += pairs + _coherent(pairs, together)
        elif gaps is not None and limit.measurand in gaps:
            worst = worst_of_scans(gaps, limit.measurand)
            rows += _worst(worst, limit, ", worst of a scan", {}, coverage, confidence)
    curve = span_curve(pair_deviations, reference_u=reference_u, **options)
    for condition, own in curve.groupby("condition", sort=True):
        for limit_um in spans_at_um:
            rows.append(_span_row(str(condition), own, found, limit_um, coverage, confidence))
    table = pd.DataFrame(rows).assign(coverage=coverage, confidence=confidence)
    table["_order"] = np.arange(len(table))
    return shape("conformity", table.sort_values(["condition", "_order"], kind="stable"))


def _each_pair(
    found: Results, u: npt.NDArray[np.float64], limit: LimitOf, coverage: float, confidence: float
) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = []
    keys = found.keys
    for condition in sorted(keys["condition"].unique()):
        chosen = (
            (keys["condition"] == condition) & (keys["measurand"] == limit.measurand)
        ).to_numpy()
        if not chosen.any():
            continue
        own = found.only(chosen)
        sums = layouts(own.value, own.group, own.cell)
        bounds = tolerance_bounds(
            sums,
            coverage=coverage,
            confidence=confidence,
            confidence_low=1 - (1 - confidence) / int(chosen.sum()),
        )
        g = guard(u[chosen], confidence)
        words = [
            verdict(b, low, limit.value, w)
            for b, low, w in zip(bounds["bound"], bounds["bound_low"], g, strict=True)
        ]
        at = int(np.argmax(np.nan_to_num(bounds["bound"].to_numpy() + g, nan=np.inf)))
        says = PROVEN if set(words) == {PROVEN} else REFUTED if REFUTED in words else NOT_PROVEN
        rows.append(
            {
                "condition": condition,
                "measurand": limit.measurand,
                "limit": limit.value,
                "unit": limit.measurand.rsplit("_", 1)[1],
                "source": limit.source,
                "span_mm": own.keys["span_mm"].max(),
                "tolerance_bound": bounds["bound"].iloc[at],
                "u": u[chosen][at],
                "verdict": says,
                "n_scans": int(np.unique(own.scan).size),
                **_needed(sums, limit.value - g, says, coverage, confidence, own, at),
            }
        )
    return rows


def _needed(
    sums: Layouts,
    limit: npt.NDArray[np.float64],
    says: str,
    coverage: float,
    confidence: float,
    own: Results,
    at: int,
) -> dict[str, object]:
    """How many scans would do, and what is to be said of the data."""
    notes = [f"largest bound at pair {own.keys['subject'].iloc[at]}"]
    scatter = np.sqrt((sums.ss_within + sums.ss_between) / sums.n)
    if (sums.mean - 2 * scatter < own.keys["lowest"].to_numpy(dtype=float)).any():
        notes.append(
            "axes nearly parallel in the reference: their deviation is no normal variable, so "
            "the row of the worst pair is the safer one"
        )
    if sums.n.min() < 2:
        notes.append("a pair was seen in one scan only: there is no bound for it")
    elif sums.cells.max() == 1:
        notes.append("one cell: the bound holds for that cell's conditions only")
    if says != NOT_PROVEN:
        return {"n_needed": None, "note": "; ".join(notes)}
    if sums.n.min() < 2:
        notes.append("more scans are needed to say how many")
        return {"n_needed": None, "note": "; ".join(notes)}
    counts = needed_scans(sums, limit, coverage=coverage, confidence=confidence)
    needed, words = _words_of_need(counts, bool(sums.cells.max() == 1))
    return {"n_needed": needed, "note": "; ".join(notes + words)}


def _words_of_need(counts: npt.NDArray[np.float64], one_cell: bool) -> tuple[int | None, list[str]]:
    """The number of scans that would do for all, and how it is said."""
    if np.isnan(counts).any():
        return None, [
            "no number of scans like these would prove it: an estimate lies beyond the limit"
        ]
    needed = int(counts.max())
    cells = "" if one_cell else ", in more cells of the same size,"
    return needed, [
        "not enough scans to say",
        f"about {needed} scans{cells} would do if the estimates hold",
    ]


def _worst(
    worst: pd.DataFrame,
    limit: LimitOf,
    words: str,
    u_of: Mapping[object, float],
    coverage: float,
    confidence: float,
) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = []
    bounds = worst_bounds(worst, coverage=coverage, confidence=confidence)
    for condition, own in bounds.groupby("condition", sort=True):
        u = float(u_of.get(condition, 0.0))
        g = float(guard(u, confidence))
        said = [
            verdict(b, low, limit.value, g)
            for b, low in zip(own["bound"], own["bound_low"], strict=True)
        ]
        at = int(np.argmax(np.nan_to_num(own["bound"].to_numpy(), nan=np.inf)))
        notes = [f"largest bound with model {own['model'].iloc[at]}"] if len(own) > 1 else []
        if own["n_scans"].min() < 2:
            notes.append("one scan: there is no bound")
        elif own["n_cells"].max() == 1:
            notes.append("one cell: the bound holds for that cell's conditions only")
        says = PROVEN if set(said) == {PROVEN} else REFUTED if REFUTED in said else NOT_PROVEN
        needed = None
        if says == NOT_PROVEN and own["n_scans"].min() > 1:
            counts = worst_needed(
                worst[worst["condition"] == condition],
                limit.value - g,
                coverage=coverage,
                confidence=confidence,
            )
            needed, words_of = _words_of_need(counts.to_numpy(), bool(own["n_cells"].max() == 1))
            notes += words_of
        rows.append(
            {
                "condition": condition,
                "measurand": limit.measurand + words,
                "limit": limit.value,
                "unit": limit.measurand.rsplit("_", 1)[1],
                "source": limit.source,
                "tolerance_bound": own["bound"].iloc[at],
                "u": u,
                "verdict": says,
                "n_needed": needed,
                "n_scans": int(own["n_scans"].sum()),
                "note": "; ".join(notes),
            }
        )
    return rows


def _coherent(pairs: list[dict[str, Any]], together: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Rows of the worst pair, none of them better than a pair by itself."""
    of = {row["condition"]: row for row in pairs}
    return [_no_better(row, of[row["condition"]]) for row in together]


def _no_better(worst: dict[str, Any], pair: dict[str, Any]) -> dict[str, Any]:
    notes = [str(worst["note"])] if worst["note"] else []
    row = dict(worst)
    if worst["tolerance_bound"] < pair["tolerance_bound"]:
        row["tolerance_bound"] = pair["tolerance_bound"]
        notes.append("the bound is that of a pair by itself, which the worst pair cannot better")
    order = [PROVEN, NOT_PROVEN, REFUTED]
    if order.index(str(pair["verdict"])) > order.index(str(worst["verdict"])):
        row["verdict"] = pair["verdict"]
        notes.append(f"{pair['verdict']} for a pair by itself, so for all together")
        row["n_needed"] = pair.get("n_needed")
    row["note"] = "; ".join(notes)
    return row


def _span_row(
    condition: str,
    curve: pd.DataFrame,
    found: Results,
    limit_um: float,
    coverage: float,
    confidence: float,
) -> dict[str, object]:
    span = supported(curve, limit_um, against="span_mm")
    path = supported(curve, limit_um, against="path_mm")
    straight = curve[curve["against"] == "span_mm"]
    longest = float(straight["length_mm"].max())
    inside = straight[straight["length_mm"] <= span] if np.isfinite(span) else straight.head(1)
    row: dict[str, object] = {
        "condition": condition,
        "measurand": "distance_um",
        "limit": limit_um,
        "unit": "um",
        "source": "supported span",
        "span_mm": span,
        "tolerance_bound": inside["bound_um"].max(),
        "u": inside["u_reference_um"].max(),
        "supported_span_mm": span,
        "supported_path_mm": path,
        "n_scans": int(straight["n_scans"].max()),
    }
    if span == longest:
        row["verdict"] = PROVEN
        row["note"] = "the longest span studied; nothing is said beyond it"
        return row
    row["verdict"] = PROVEN if np.isfinite(span) else NOT_PROVEN
    keys = found.keys
    chosen = ((keys["condition"] == condition) & (keys["measurand"] == "distance_um")).to_numpy()
    own = found.only(chosen)
    sums = layouts(own.value, own.group, own.cell)
    beyond = (
        (own.keys["span_mm"] > span).to_numpy()
        if np.isfinite(span)
        else np.ones(len(own.keys), dtype=bool)
    )
    width = straight.set_index(["model", "subject"])["guard_um"].reindex(
        pd.MultiIndex.from_frame(own.keys[["model", "subject"]])
    )
    needed = needed_scans(
        sums, limit_um - width.to_numpy(), coverage=coverage, confidence=confidence
    )[beyond]
    first = "no span is proven" if not np.isfinite(span) else "longer spans are not proven"
    if np.isnan(needed).any():
        row["note"] = first
        shorter = needed[np.isfinite(needed)]
        if shorter.size < needed.size:
            row["note"] = f"{first}: for some pairs the estimate itself lies beyond the limit"
    else:
        row["n_needed"] = int(needed.max())
        row["note"] = (
            f"{first}: not enough scans to say; about {int(needed.max())} scans would do for "
            "every span studied if the estimates hold"
        )
    return row
