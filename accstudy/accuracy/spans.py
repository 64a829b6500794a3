"""The bound of every pair against its span and path, and the longest that stays within a limit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special

from accstudy.accuracy.measurands import Results, pair_results, results
from accstudy.accuracy.oneway import Layouts, layouts
from accstudy.accuracy.summary import shared_u
from accstudy.accuracy.tolerance import needed_scans, tolerance_bounds
from accstudy.tables import empty, shape

__all__ = [
    "class_bounds",
    "guard",
    "span_curve",
    "supported",
    "worst_bounds",
    "worst_needed",
    "worst_of_scans",
]

AXES = ("span_mm", "path_mm")


def guard(u: npt.ArrayLike, confidence: float) -> npt.NDArray[np.float64]:
    """Width by which a limit is drawn in because the reference is uncertain.

    Parameters
    ----------
    u : array_like
        Standard uncertainty that all scans share, unit of the limit.
    confidence : float
        One-sided.

    Returns
    -------
    ndarray

    References
    ----------
    ISO 14253-1:2017: conformity is proven within the limits drawn in by the
    uncertainty, one-sided because only one limit is near.

    Examples
    --------
    >>> guard(2.0, 0.95).round(2)
    np.float64(3.29)
    """
    return np.asarray(u, dtype=float) * special.ndtri(confidence)


def span_curve(
    pair_deviations: pd.DataFrame,
    *,
    coverage: float = 0.95,
    confidence: float = 0.95,
    reference_u: pd.DataFrame | Mapping[str, float] | None = None,
) -> pd.DataFrame:
    """Tolerance bound of every pair's distance against span and against path.

    Parameters
    ----------
    pair_deviations : DataFrame
        Table ``pair_deviations``.
    coverage, confidence : float, optional
        Of the bounds.
    reference_u : DataFrame or mapping, optional
        As for `accstudy.accuracy.summary.accuracy_table`.

    Returns
    -------
    DataFrame
        Table ``span_curve``, sorted by condition, axis and length. ``reach_um`` is
        the largest guarded bound up to that length: the curve that a limit is
        held against.
    """
    long = pair_results(pair_deviations)
    long = long[long["measurand"] == "distance_um"]
    if not len(long):
        return empty("span_curve")
    found = results(long)
    sums = layouts(found.value, found.group, found.cell)
    bounds = tolerance_bounds(sums, coverage=coverage, confidence=confidence)
    u = shared_u(found.keys, reference_u)
    one = pd.DataFrame(
        {
            "condition": found.keys["condition"],
            "model": found.keys["model"],
            "subject": found.keys["subject"],
            "span_mm": found.keys["span_mm"],
            "path_mm": found.keys["path_mm"],
            "bound_um": bounds["bound"],
            "bound_low_um": bounds["bound_low"],
            "estimate_um": bounds["estimate"],
            "bias_um": sums.mean,
            "largest_um": _largest(found),
            "u_reference_um": u,
            "guard_um": guard(u, confidence),
            "n_scans": sums.n,
            "n_cells": sums.cells,
        }
    )
    parts = []
    for axis in AXES:
        part = one.assign(against=axis, length_mm=one[axis].astype(float)).sort_values(
            ["condition", "length_mm", "model", "subject"], kind="stable"
        )
        guarded = part["bound_um"] + part["guard_um"]
        part["reach_um"] = guarded.fillna(np.inf).groupby(part["condition"]).cummax()
        part["reach_um"] = part["reach_um"].where(np.isfinite(part["reach_um"]))
        parts.append(part)
    # span before path within a condition: the parts were appended in that order
    table = pd.concat(parts, ignore_index=True).sort_values("condition", kind="stable")
    return shape("span_curve", table)


def _largest(found: Results) -> npt.NDArray[np.float64]:
    out = np.zeros(len(found.keys))
    np.maximum.at(out, found.group, np.abs(found.value))
    return out


def supported(curve: pd.DataFrame, limit_um: float, *, against: str = "span_mm") -> float:
    """Longest length up to which every pair's bound stays within a limit.

    Parameters
    ----------
    curve : DataFrame
        Table ``span_curve`` of one condition.
    limit_um : float
        The limit.
    against : {"span_mm", "path_mm"}, optional
        Which length.

    Returns
    -------
    float
        mm; NaN where not even the shortest pair stays within. Never more than the
        longest pair studied.

    Notes
    -----
    Each pair up to that length is within the limit with the confidence, so all of
    them are, with the same confidence: a claim that holds only if every part does
    needs no correction for the number of parts (intersection-union test).
    """
    own = curve[curve["against"] == against]
    beyond = own.loc[~(own["reach_um"] <= limit_um), "length_mm"]
    shorter = own["length_mm"] < (beyond.min() if len(beyond) else np.inf)
    return float(own.loc[shorter, "length_mm"].max()) if shorter.any() else float("nan")


def worst_of_scans(table: pd.DataFrame, value: str) -> pd.DataFrame:
    """Largest absolute value of a column in every scan.

    Parameters
    ----------
    table : DataFrame
        Rows with ``condition``, ``model``, ``cell``, ``scan`` and `value`, such as
        table ``pair_deviations`` or ``seating``.
    value : str
        Column.

    Returns
    -------
    DataFrame
        ``condition``, ``model``, ``cell``, ``scan``, ``value``, ``parts`` (how many
        values stand behind it). A value that stands alone in its scan keeps its sign.
    """
    keys = ["condition", "model", "cell", "scan"]
    seen = table.assign(value=pd.to_numeric(table[value]).astype(float)).dropna(subset=["value"])
    seen["size"] = seen["value"].abs()
    out = seen.groupby(keys, sort=True).agg(
        value=("size", "max"), parts=("size", "size"), signed=("value", "first")
    )
    out["value"] = out["value"].where(out["parts"] > 1, out.pop("signed"))
    return out.reset_index()


def worst_bounds(
    worst: pd.DataFrame,
    *,
    coverage: float = 0.95,
    confidence: float = 0.95,
) -> pd.DataFrame:
    """Tolerance bound of the worst value of a single future scan.

    Parameters
    ----------
    worst : DataFrame
        From `worst_of_scans`.
    coverage, confidence : float, optional
        Of the bounds.

    Returns
    -------
    DataFrame
        ``condition``, ``model``, ``n_scans``, ``n_cells``, ``bound``, ``bound_low``,
        ``estimate``; one row a condition and model.

    Notes
    -----
    The largest of several absolute values is no normal variable. Its logarithm
    comes near one from the side of its long lower tail, so bounds of the logarithm
    are on the safe side: simulated coverage 0.96 or more for 3 to 28 pairs, 10 to
    30 scans, independent and random-walk errors, with and without bias. The logarithm
    of a single value that may be zero has no upper end to speak of: a model with one
    pair gets the bound of that pair.
    """
    found, sums, alone, signed = _logarithms(worst)
    logs = tolerance_bounds(sums, coverage=coverage, confidence=confidence, kind="upper")
    plain = tolerance_bounds(signed, coverage=coverage, confidence=confidence)
    bounds = pd.DataFrame({name: np.where(alone, plain[name], np.exp(logs[name])) for name in logs})
    return pd.concat(
        [
            found.keys[["condition", "model"]],
            pd.DataFrame({"n_scans": sums.n, "n_cells": sums.cells}),
            bounds,
        ],
        axis=1,
    )


def _logarithms(
    worst: pd.DataFrame,
) -> tuple[Results, Layouts, npt.NDArray[np.bool_], Layouts]:
    """Layouts of the logarithms, which of them hold one value a scan, and layouts of the values."""
    long = worst.assign(measurand="worst", unit="", subject="", span_mm=np.nan, path_mm=np.nan)
    found = results(long.assign(lowest=0.0))
    most = worst.groupby(["condition", "model"])["parts"].max()
    alone = most.reindex(pd.MultiIndex.from_frame(found.keys[["condition", "model"]])) == 1
    size = np.abs(found.value)
    floor = size[size > 0].min() / 2 if (size > 0).any() else 1.0
    logs = layouts(np.log(np.maximum(size, floor)), found.group, found.cell)
    return found, logs, alone.to_numpy(), layouts(found.value, found.group, found.cell)


def worst_needed(
    worst: pd.DataFrame, limit: float, *, coverage: float = 0.95, confidence: float = 0.95
) -> pd.Series:
    """Scans that would bring the bound of the worst value within a limit.

    Parameters
    ----------
    worst : DataFrame
        From `worst_of_scans`.
    limit : float
        Above zero.
    coverage, confidence : float, optional
        Of the bounds.

    Returns
    -------
    Series
        In the order of `worst_bounds`; NaN where no number would do.
    """
    _, sums, alone, signed = _logarithms(worst)
    if limit <= 0:
        return pd.Series(np.full(len(sums.n), np.nan))
    logs = needed_scans(
        sums, float(np.log(limit)), coverage=coverage, confidence=confidence, kind="upper"
    )
    plain = needed_scans(signed, limit, coverage=coverage, confidence=confidence)
    return pd.Series(np.where(alone, plain, logs))


def class_bounds(
    pair_deviations: pd.DataFrame,
    *,
    edges_mm: Sequence[float],
    against: str = "span_mm",
    coverage: float = 0.95,
    confidence: float = 0.95,
) -> pd.DataFrame:
    """Tolerance bound of the worst pair of a future scan, span class by span class.

    Parameters
    ----------
    pair_deviations : DataFrame
        Table ``pair_deviations``.
    edges_mm : sequence of float
        Edges of the classes, rising; a pair belongs to the class above the edge
        that it does not exceed.
    against : {"span_mm", "path_mm"}, optional
        Which length.
    coverage, confidence : float, optional
        Of the bounds.

    Returns
    -------
    DataFrame
        ``condition``, ``model``, ``low_mm``, ``high_mm``, ``n_scans``, ``n_cells``,
        ``bound``, ``bound_low``, ``estimate`` in um. Classes without pairs are absent.
    """
    parts = []
    for low, high in pairwise(edges_mm):
        chosen = pair_deviations[
            (pair_deviations[against] > low) & (pair_deviations[against] <= high)
        ]
        if len(chosen):
            worst = worst_of_scans(chosen, "distance_um")
            bounds = worst_bounds(worst, coverage=coverage, confidence=confidence)
            parts.append(bounds.assign(low_mm=low, high_mm=high))
    columns = ["condition", "model", "low_mm", "high_mm", "n_scans", "n_cells"]
    columns += ["bound", "bound_low", "estimate"]
    if not parts:
        return pd.DataFrame({c: pd.Series(dtype=float) for c in columns})
    table = pd.concat(parts, ignore_index=True)[columns]
    return table.sort_values(["condition", "model", "low_mm"], ignore_index=True)
