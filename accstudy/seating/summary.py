"""Summary over repeats: distribution, share within the limit, tolerance bound, conformity."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import scipy  # scipy.stats loads when it is first used
from numpy.typing import NDArray

from accstudy.accuracy.judge import (
    NOT_VERIFIED,
    TEST,
    VERIFIED,
    Rule,
    guard,
    normality_p,
    verdict,
    worst_bounds,
)
from accstudy.accuracy.measurands import grouping_of
from accstudy.seating.gaps import worst_seat
from accstudy.seating.table import BEST_SEAT
from accstudy.tables import TABLES, shape

Floats = NDArray[np.float64]

TERMINAL_SCREW = "terminal-screw"
"""What stands in column ``seated`` for the worse of the two ends tightened."""

NOT_NORMAL = "bound not valid: the logarithms of the gaps are not normally distributed"
"""Why a bound below the limit does not verify conformity."""

_RESOLUTION_UM = 0.01
_LOCATING = 0.05  # share of scans whose misfit exceeds the 95 % value by locating alone
_REJECTED = 0.05
_HOLDS = {True: "this cell", False: "new cells"}


def scan_misfits(
    seating: pd.DataFrame, implants: pd.DataFrame, *, locating: pd.DataFrame | None = None
) -> pd.DataFrame:
    """One number a scan and way of seating: the largest gap, or interference.

    Parameters
    ----------
    seating : DataFrame
        Table ``seating`` with its factor columns.
    implants : DataFrame
        Table ``implants`` of its models, in any order.
    locating : DataFrame, optional
        From `accstudy.seating.contributions.locating_misfits`.

    Returns
    -------
    DataFrame
        Table ``seating_scans``: for each scan a row ``terminal-screw``, the
        worse of the two ends of the framework tightened, and a row
        ``best-seat``.

    Notes
    -----
    With one screw tightened an implant may stand open or be pressed; the
    misfit is the larger of gap and interference in size. The best seat has no
    interference; there two or more implants share the largest gap as a rule, and
    the first of them along the arch is named. The ends of the framework are the
    first and the last implant of its rows in table ``seating``, which are in arch
    order.
    """
    own = TABLES["seating"].names
    factors = tuple(c for c in seating.columns if c not in own)
    if seating.empty:
        return shape("seating_scans", pd.DataFrame(), factors=factors)
    taken, found, extents = [], [], {}
    implant, tightened, model = (
        seating[c].to_numpy(object) for c in ("implant", "tightened", "model")
    )
    lowest = seating["gap_min_um"].to_numpy(float)
    size = np.maximum(seating["gap_max_um"].to_numpy(float), -lowest)
    codes = pd.factorize(seating["scan"])[0]
    for at in np.split(np.argsort(codes, kind="stable"), np.cumsum(np.bincount(codes))[:-1]):
        names = tuple(dict.fromkeys(implant[at]))
        place = model[at[0]], names
        if place not in extents:
            extents[place] = _extent(*place, implants)
        for seated, ways in ((TERMINAL_SCREW, (names[0], names[-1])), (BEST_SEAT, (BEST_SEAT,))):
            rows = at[[way in ways for way in tightened[at]]]
            if not len(rows):
                continue
            largest, where, _ = worst_seat(size[rows])
            worst = rows[int(where)]
            shared = int(worst_seat(size[rows[tightened[rows] == tightened[worst]]])[2])
            taken.append(worst)
            found.append(
                {
                    "implant": implant[worst] if shared else "",
                    "misfit_um": float(largest),
                    "n_worst": shared,
                    "interference_um": _interference(lowest[rows]),
                    "max_lateral_um": seating["lateral_um"].iloc[rows].max(),
                    "seated": seated,
                    **extents[place],
                }
            )
    frame = seating.iloc[taken].reset_index(drop=True)
    frame = frame.assign(u_misfit_um=frame["u_gap_max_um"], **pd.DataFrame(found))
    if locating is not None:
        frame = frame.merge(locating, on=["scan", "seated"], how="left", validate="one_to_one")
    return shape("seating_scans", _marked(frame), factors=factors)


def _marked(misfits: pd.DataFrame) -> pd.DataFrame:
    """Which misfits are told from none, which is the largest, and which the median one."""
    out = misfits.assign(told=True, largest=False, typical=False)
    for _, own in misfits.groupby(["condition", "seated"], sort=False):
        found = told_from_none(own)
        if found is not None:
            within = own["misfit_um"] <= own["locating_p95_um"]
            out.loc[own.index, "told"] = found & ~within
        ranked = own["misfit_um"].dropna().sort_values(kind="stable")
        out.loc[ranked.index[-1:], "largest"] = True
    for _, own in misfits.groupby(["condition", "model", "seated"], sort=False):
        ranked = own["misfit_um"].dropna().sort_values(kind="stable")
        out.loc[ranked.index[(len(ranked) - 1) // 2 :][:1], "typical"] = True
    return out


def seat_medians(seating: pd.DataFrame) -> pd.DataFrame:
    """Median over the scans of the gap of every implant, or of its interference.

    Parameters
    ----------
    seating : DataFrame
        Table ``seating``.

    Returns
    -------
    DataFrame
        Table ``seating_implants``. Of every scan the gap counts, or with a minus sign the
        interference where that is larger.
    """
    known = seating[seating["gap_max_um"].notna()]
    on = ["condition", "model", "tightened", "implant"]
    found = known.assign(median_um=known["worst_um"], n_scans=1).groupby(
        on, sort=False, observed=True
    )
    made = found.agg(n_scans=("n_scans", "sum"), median_um=("median_um", "median"))
    return shape("seating_implants", made.reset_index())


def _interference(gap_min_um: Floats) -> float:
    """Deepest place where a part would lie inside an implant, um; 0 for none."""
    lowest = float(np.nanmin(gap_min_um)) if np.isfinite(gap_min_um).any() else float("nan")
    return -lowest if lowest < -_RESOLUTION_UM else abs(0.0 * lowest)


def _extent(model: str, seats: tuple[str, ...], implants: pd.DataFrame) -> dict[str, Any]:
    mine = implants[(implants["model"] == model) & implants["implant"].isin(seats)]
    mine = mine.drop_duplicates("implant", keep="last")
    points = mine[["x_mm", "y_mm", "z_mm"]].to_numpy(float)
    apart = np.linalg.norm(points[:, None] - points[None], axis=2)
    lean = mine["angulation_deg"].max() if "angulation_deg" in mine else np.nan
    return {"n_seats": len(mine), "span_mm": float(apart.max()), "angulation_deg": lean}


def seat_summary(
    misfits: pd.DataFrame,
    *,
    limit_um: float | None = None,
    source: str = "",
    coverage: float = 0.95,
    confidence: float = 0.95,
    reference_u: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Distribution, share within the limit and share with interference; at the best seat a verdict.

    Parameters
    ----------
    misfits : DataFrame
        Table ``seating_scans``.
    limit_um : float, optional
        The user's limit of the gap; without it there is no share within it and no verdict.
    source : str
        Where the limit comes from.
    coverage, confidence : float
        Of the tolerance bound; `confidence` is that of the binomial interval
        and, one-sided, of the guard against the uncertainty, too.
    reference_u : DataFrame, optional
        ``condition``, ``model``, ``seated``, ``u_um``, from
        `accstudy.seating.contributions.reference_uncertainty`.

    Returns
    -------
    DataFrame
        Table ``seating_summary``.

    Notes
    -----
    The limit is judged at the best seat alone, which has no interference by construction.
    With one screw tightened parts press: that way is described, by the share of scans
    within the limit and the share with interference, and has neither bound nor verdict.

    Misfits are positive and skewed: the bound is that of their logarithms, never below
    the largest seen (`accstudy.accuracy.judge.worst_bounds`); nonconformity rests on
    counts alone. The scatter of the scans holds what locating adds to every scan; what
    all scans share guards the limit (ISO 14253-1). Where it is not stated there is no
    verdict.

    A scan whose framework does not seat within the clearance counts as beyond
    the limit; a bound is then not stated.

    References
    ----------
    Clopper and Pearson, Biometrika 26 (1934) 404-413, for the interval of the
    share.
    """
    rows = []
    if len(misfits):
        for key, group in misfits.groupby(["condition", "model", "seated"], sort=False):
            condition, model, seated = (str(part) for part in key)
            u = np.nan
            if reference_u is not None and len(reference_u):
                match = (
                    (reference_u["condition"] == condition)
                    & (reference_u["model"] == model)
                    & (reference_u["seated"] == seated)
                )
                u = float(reference_u.loc[match, "u_um"].iloc[0]) if match.any() else np.nan
            row = _distribution(group, limit_um, confidence)
            row.update(condition=condition, model=model, seated=seated, source=source, u_um=u)
            row.update(limit_um=limit_um, coverage=coverage, confidence=confidence)
            if seated == BEST_SEAT:
                _judge(row, group, limit_um)
            rows.append(row)
    return shape("seating_summary", pd.DataFrame(rows))


def _distribution(group: pd.DataFrame, limit_um: float | None, confidence: float) -> dict[str, Any]:
    computed = group[group["status"] != "not computed"]
    infeasible = int((computed["status"] == "infeasible").sum())
    values = computed["misfit_um"].dropna().to_numpy(float)
    full = group.iloc[int(np.argmax(group["n_seats"].astype(int)))]
    row: dict[str, Any] = {
        "n_seats": full["n_seats"],
        "span_mm": full["span_mm"],
        "angulation_deg": full["angulation_deg"],
        "n_scans": len(computed),
        "n_cells": computed["cell"].nunique(),
        "n_fewer_seats": int((group["n_seats"].astype(int) < int(full["n_seats"])).sum()),
        "n_infeasible": infeasible,
        "note": "",
    }
    if len(values):
        q25, median, q75 = np.quantile(values, [0.25, 0.5, 0.75])
        row.update(mean_um=values.mean(), q25_um=q25, median_um=median, q75_um=q75)
        row.update(max_um=values.max())
        pressed = computed["interference_um"].dropna()
        row.update(max_interference_um=pressed.max())
        row.update(max_lateral_um=computed.get("max_lateral_um", pd.Series(dtype=float)).max())
        row.update(_share("interference", int((pressed > 0).sum()), len(pressed), confidence))
    least = computed.get("locating_p95_um")
    if least is not None and least.notna().any():
        row.update(locating_p95_um=float(least.median()))
        row.update(n_not_told=int((computed["misfit_um"] <= least).sum()))
    if limit_um is not None and len(computed):
        row.update(_share("within", int((values <= limit_um).sum()), len(computed), confidence))
    return row


def told_from_none(misfits: pd.DataFrame) -> bool | None:
    """Whether misfits of a condition and way of seating can be told from a perfect framework's.

    By locating alone one scan in twenty exceeds its own 95 % value, so the largest of many scans
    does as a rule. A misfit is told where more scans exceed it than a binomial distribution allows,
    or where the largest lies beyond the limit of Bonferroni for so many scans, the upper tail taken
    as that of a half-normal distribution. None where the error of locating is not known.
    """
    if "locating_p95_um" not in misfits:
        return None
    known = misfits[misfits["misfit_um"].notna() & misfits["locating_p95_um"].notna()]
    if not len(known):
        return None
    beyond = int((known["misfit_um"] > known["locating_p95_um"]).sum())
    chance = float(scipy.stats.binom.sf(beyond - 1, len(known), _LOCATING))
    factor = float(
        scipy.stats.norm.isf(_REJECTED / (2 * len(known))) / scipy.stats.norm.isf(_LOCATING / 2)
    )
    outside = bool((known["misfit_um"] > factor * known["locating_p95_um"]).any())
    return outside or chance < _REJECTED


def _share(name: str, k: int, n: int, confidence: float) -> dict[str, float]:
    """Share of scans with its exact binomial interval."""
    exact = scipy.stats.binomtest(k, n).proportion_ci(confidence, method="exact")
    return {
        f"n_{name}": k,
        f"share_{name}": k / n,
        f"share_{name}_low": exact.low,
        f"share_{name}_high": exact.high,
    }


def _judge(row: dict[str, Any], group: pd.DataFrame, limit_um: float | None) -> None:
    notes = []
    if row["n_fewer_seats"]:
        notes.append(f"{row['n_fewer_seats']} of {len(group)} scans have fewer seats")
    seen = group[group["misfit_um"].notna()]
    if row["n_infeasible"]:
        notes.append("no bound: some frameworks cannot be seated within the clearance")
    elif len(seen) < 3:
        notes.append("no bound: fewer than three scans")
    else:
        grouping, returning = grouping_of(seen)
        rule = Rule(row["coverage"], row["confidence"], these_operators=bool(returning))
        values = np.maximum(seen["misfit_um"].to_numpy(float), _RESOLUTION_UM)[:, None]
        found = worst_bounds(values, grouping, rule)
        row["tolerance_bound_um"] = float(found.bound[0])
        p = float(normality_p(np.log(values), grouping)[0])
        free = found.distribution_free
        contradicted = not free and p < _REJECTED
        row.update(
            holds_for=f"these {returning}s" if returning else _HOLDS[row["n_cells"] == 1],
            assumption="none" if free else "lognormally distributed gaps",
            normality_test="" if np.isnan(p) else TEST,
            p_normal=p,
        )
        if returning:
            notes.append(f"holds for these {returning}s")
        if row["n_cells"] == 1:
            notes.append("one cell: the bound is valid only for its operator and session")
        if limit_um is not None:
            u = row["u_um"]
            if np.isnan(u):
                notes.append(
                    "no statement of conformity: the uncertainty of the reference is not stated"
                )
            width = float(guard(u, rule.confidence))
            row["bound_with_guard_um"] = float(found.bound[0]) + width
            row["verdict"] = verdict(
                float(found.bound[0]), float(found.bound_low[0]), limit_um, width
            )
            if contradicted and row["verdict"] == VERIFIED:
                row["verdict"] = NOT_VERIFIED
                notes.append(NOT_NORMAL)
    if limit_um is not None:
        row.setdefault("verdict", NOT_VERIFIED)
    row["note"] = "; ".join(notes)
