"""Table ``uncertainty_budget``: contributions to the uncertainty of the bias of a distance."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd
import scipy  # scipy.stats loads when it is first used
from scipy import special

from accstudy.accuracy.anova import Layouts, Witnesses, half_width, layouts, variance_of_mean
from accstudy.accuracy.measurands import pair_names, pair_results, results, witnesses
from accstudy.accuracy.reference_uncertainty import pair_reference_u, seated_once, temperature_u_um
from accstudy.errors import InputError
from accstudy.tables import empty, shape

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Part:
    """One part of an uncertainty budget.

    `u` is the standard uncertainty of the result from this part (sensitivity included), `df` its
    degrees of freedom; `shape` the distribution for the check, where "normal" with finite `df`
    becomes Student's t; a part that another one holds already is not `counted`: shown, not summed;
    `how` says where the number comes from.
    """

    name: str
    u: float
    df: float = math.inf
    shape: Literal["normal", "rectangular"] = "normal"
    counted: bool = True
    how: str = ""


def propagate(
    parts: Sequence[Part], *, confidence: float = 0.95, log2_draws: int = 17
) -> tuple[float, float]:
    """Propagate the distributions of the parts: the check on their combination.

    Standard deviation of the draws (infinite in truth, and then large, for a part with one or two
    degrees of freedom), and half the width of the probabilistically symmetric interval. Student's t
    for a part known from repeats, with the standard uncertainty as its scale (JCGM 101:2008, 6.4.9
    and clause 7). Draws are evenly spread points that never change.
    """
    if not 0 < confidence < 1:
        raise InputError("confidence must lie between 0 and 1")
    chosen = [p for p in parts if p.counted and p.u > 0]
    if not chosen:
        return 0.0, 0.0
    sampler = scipy.stats.qmc.Sobol(
        len(chosen), scramble=True, rng=np.random.default_rng(19_930_101)
    )
    points = np.clip(sampler.random_base2(log2_draws).T, 1e-12, 1 - 1e-12)
    draws = np.stack([_draw(p, x) for p, x in zip(chosen, points, strict=True)])
    result = draws.sum(axis=0)
    low, high = np.quantile(result, [(1 - confidence) / 2, (1 + confidence) / 2])
    return float(result.std()), float((high - low) / 2)


def _draw(part: Part, uniform: Floats) -> Floats:
    if part.shape == "rectangular":
        return np.asarray(part.u * math.sqrt(3) * (2 * uniform - 1))
    if math.isinf(part.df):
        return np.asarray(part.u * special.ndtri(uniform))
    return np.asarray(part.u * special.stdtrit(part.df, uniform))


@dataclass(frozen=True, slots=True)
class SeatingOfBodies:
    """How well a scan body comes back to its place.

    Parameters
    ----------
    u_um : float
        Standard uncertainty of one body's position along a line, um.
    df : float
        Its degrees of freedom.
    source : str
        Where it comes from.
    """

    u_um: float
    df: float
    source: str


def seating_from_data(pair_deviations: pd.DataFrame) -> SeatingOfBodies | None:
    """Seating of the scan bodies, from scans with and without reseating.

    Parameters
    ----------
    pair_deviations : DataFrame
        Table ``pair_deviations`` with the factor column ``reseated`` (true for scans
        before which the bodies were taken off and put on again).

    Returns
    -------
    SeatingOfBodies or None
        None where the study does not tell the two apart: it needs cells of two
        scans or more of either kind.

    Notes
    -----
    Variance within cells of reseated scans minus that of the others, pooled over
    conditions and pairs, halved because a pair has two bodies. Cut at zero. Pairs
    share implants, so the degrees of freedom are those of one pair.
    """
    if "reseated" not in pair_deviations:
        return None
    yes = pair_deviations["reseated"].astype(str).str.lower() == "true"
    pooled = []
    for chosen in (pair_deviations[yes], pair_deviations[~yes]):
        long = pair_results(chosen)
        long = long[long["measurand"] == "distance_um"]
        if not len(long):
            return None
        found = results(long)
        sums = layouts(found.value, found.group, found.cell)
        df = int(sums.df_within.sum())
        if df == 0:
            return None
        pairs = found.keys.groupby("condition").size().mean()
        pooled.append((float(sums.ss_within.sum()) / df, df / pairs))
    (with_, df_with), (without, df_without) = pooled
    variance = max(0.0, with_ - without)
    spread = with_**2 / df_with + without**2 / df_without
    return SeatingOfBodies(
        u_um=math.sqrt(variance / 2),
        df=max(1.0, variance**2 / spread) if spread > 0 else math.inf,
        source="scans with and without reseating the scan bodies"
        + ("" if variance > 0 else "; the difference is negative"),
    )


def uncertainty_budget(
    pair_deviations: pd.DataFrame,
    implants: pd.DataFrame,
    *,
    mpe_constant_um: float | None = None,
    mpe_per_metre_um: float = 0.0,
    expansion_per_k: float = 0.0,
    temperature_tolerance_k: float = 0.0,
    seating: SeatingOfBodies | None = None,
    poses: pd.DataFrame | None = None,
    cell_columns: Sequence[str] = (),
    confidence: float = 0.95,
    runs: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Uncertainty budget of the bias of every pair's distance.

    Parameters
    ----------
    pair_deviations : DataFrame
        Table ``pair_deviations``; with ``reseated`` where known.
    implants : DataFrame
        Table ``implants``.
    mpe_constant_um, mpe_per_metre_um : float, optional
        Maximum permissible error of the CMM, where there is no certificate.
    expansion_per_k, temperature_tolerance_k : float, optional
        Linear expansion of the model, and how well its temperature is known.
    seating : SeatingOfBodies, optional
        Entered with its source, or from `seating_from_data`.
    poses : DataFrame, optional
        Table ``poses``, for the uncertainty of the location fit.
    cell_columns : sequence of str, optional
        Factor columns that make a cell, to see which operators return.
    confidence : float, optional
        Of the expanded uncertainty.
    runs : DataFrame, optional
        Table ``reference_runs``, where the reference is the mean of several runs.

    Returns
    -------
    DataFrame
        Table ``uncertainty_budget``: a row for each part, one for the combined and
        one for the expanded uncertainty of every pair under every condition.

    Notes
    -----
    The parts add up in squares to the standard uncertainty of the bias in table
    ``accuracy``, and the expanded one is half of its interval: one bias, one interval,
    one U. What scatters from scan to scan or from cell to cell is within the scatter
    already: the location fit always, the seating of the bodies when they were seated
    anew in every cell (`seated_once`). Such parts are shown, and not counted twice. A
    seating that was never repeated adds in full, however many scans there are.
    """
    long = pair_results(pair_deviations)
    long = long[long["measurand"] == "distance_um"]
    if not len(long):
        return empty("uncertainty_budget")
    found = results(long)
    sums = layouts(found.value, found.group, found.cell)
    means = witnesses(found, pair_deviations, cell_columns)
    one = pair_deviations.assign(subject=pair_names(pair_deviations)).drop_duplicates(
        ["model", "subject"]
    )
    reference = pair_reference_u(
        implants,
        one[["model", "subject", "implant_a", "implant_b", "span_mm"]],
        mpe_constant_um=mpe_constant_um,
        mpe_per_metre_um=mpe_per_metre_um,
        runs=runs,
    )
    reference_of = {(r["model"], r["subject"]): r for r in reference.to_dict("records")}
    once = seated_once(pair_deviations)
    fit = _fit_u(pair_deviations, poses)
    rows: list[dict[str, object]] = []
    names = ["condition", "model", "subject", "span_mm"]
    for g, head in enumerate(found.keys[names].to_dict("records")):
        condition, model, subject = (str(head[n]) for n in names[:3])
        span, n = float(head["span_mm"]), int(sums.n[g])
        parts = [
            *_reference_parts(reference_of[head["model"], head["subject"]]),
            _temperature_part(span, expansion_per_k, temperature_tolerance_k),
            _seating_part(seating, bool(once[condition]), n),
            _fit_part(fit.get((condition, model, subject)), n),
            *_spread_parts(sums, means, g),
        ]
        rows += [{**{n: head[n] for n in names}, **row} for row in _rows(parts, confidence)]
    return shape("uncertainty_budget", pd.DataFrame(rows))


def _rows(parts: list[Part], confidence: float) -> list[dict[str, object]]:
    known = [p for p in parts if p.counted and not math.isnan(p.u)]
    largest = max(known, key=lambda one: one.u, default=None)
    squares: dict[float, float] = {}
    for p in known:
        squares[p.df] = squares.get(p.df, 0.0) + p.u**2
    shared = math.sqrt(squares.pop(math.inf, 0.0))
    df = min((d for d, square in squares.items() if square > 0), default=math.inf)
    u = math.sqrt(shared**2 + sum(squares.values()))
    # sources with degrees of freedom of their own keep their own factor
    halves = [half_width(math.sqrt(square), d, 0.0, confidence) for d, square in squares.items()]
    expanded = math.hypot(*map(float, halves), float(half_width(0.0, 1.0, shared, confidence)))
    rows: list[dict[str, object]] = [
        {
            "part": p.name,
            "u_um": p.u,
            "df": p.df if math.isfinite(p.df) else math.nan,
            "share": p.u**2 / u**2 if p in known and u > 0 else math.nan,
            "counted": p.counted,
            "largest": p is largest,
            "how": p.how,
        }
        for p in parts
    ]
    found = df if math.isfinite(df) else math.nan
    rows.append(
        {
            "part": "combined",
            "u_um": u,
            "df": found,
            "share": 1.0 if u > 0 else math.nan,
            "how": "root sum of squares; degrees of freedom of the scatter",
        }
    )
    together = [Part("scatter", math.sqrt(square), d) for d, square in squares.items()]
    rest = [p for p in known if math.isinf(p.df)]
    drawn = propagate([*together, *rest], confidence=confidence, log2_draws=13)
    rows.append(
        {
            "part": "expanded",
            "u_um": expanded,
            "df": found,
            "k": expanded / u if u > 0 else math.nan,
            "monte_carlo_um": drawn[1],
            "how": (
                f"{100 * confidence:g} %: Student's t for scatter and the normal factor for known "
                "uncertainties, combined in quadrature; half width of the interval of the bias"
            ),
        }
    )
    return rows


def _reference_parts(ref: Mapping[Hashable, Any]) -> list[Part]:
    how = {
        "certificate": "certified uncertainty of both positions",
        "MPE": "maximum permissible error of the instrument divided by sqrt(3)",
        "nothing": "not stated: not included, so conformity cannot be stated",
    }[str(ref["u_from"])]
    parts = [
        Part(
            "CMM",
            float(ref["u_instrument_um"]),
            shape="rectangular" if ref["u_from"] == "MPE" else "normal",
            how=how,
        )
    ]
    if not math.isnan(ref["u_runs_um"]):
        how = f"mean of {ref['n_runs']:.0f} measurements, s = {ref['s_runs_um']:.2g} µm, widened"
        parts.append(Part("CMM repeats", float(ref["u_runs_um"]), how=how))
    if not math.isnan(ref["u_body_um"]):
        how = "platform and axis of scan bodies derived from a scan, without CAD geometry"
        parts.append(Part("learned scan body", float(ref["u_body_um"]), how=how))
    return parts


def _temperature_part(span_mm: float, expansion: float, tolerance: float) -> Part:
    u = temperature_u_um(span_mm, expansion_per_k=expansion, tolerance_k=tolerance)
    how = (
        f"expansion {1e6 * expansion:g}e-6/K, temperature known to {tolerance:.3g} K, divided by "
        "sqrt(3)"
        if expansion and tolerance
        else "not given: taken as zero"
    )
    return Part("temperature", u, shape="rectangular", how=how)


def _seating_part(seated: SeatingOfBodies | None, once: bool, n: int) -> Part:
    name = "scan body seating"
    if seated is None:
        return Part(name, math.nan, counted=False, how="not known: neither studied nor entered")
    u = math.sqrt(2) * seated.u_um
    if not once:
        how = f"{seated.source}; reseated between the scans, so part of their scatter"
        return Part(name, u / math.sqrt(n), seated.df, counted=False, how=how)
    return Part(name, u, how=f"{seated.source}; seated once, so not averaged")


def _fit_u(pairs: pd.DataFrame, poses: pd.DataFrame | None) -> dict[tuple[str, str, str], float]:
    """Standard uncertainty of one scan's distance from the location fit, per condition and pair."""
    if poses is None or "u_x_um" not in poses:
        return {}
    along = [poses[c].astype(float) ** 2 for c in ("u_x_um", "u_y_um", "u_z_um")]
    known = pd.DataFrame(
        {"scan": poses["scan"], "implant": poses["implant"], "u2": sum(along) / 3.0}
    )
    both = pairs[["scan", "condition", "model", "implant_a", "implant_b"]]
    for end in ("a", "b"):
        right = known.rename(columns={"implant": f"implant_{end}", "u2": f"u2_{end}"})
        both = both.merge(right, on=["scan", f"implant_{end}"], how="left")
    both = both.assign(u2=both["u2_a"] + both["u2_b"], subject=pair_names(both)).dropna(
        subset=["u2"]
    )
    mean = both.groupby(["condition", "model", "subject"])["u2"].mean().reset_index()
    return {
        (str(c), str(m), str(s)): math.sqrt(v)
        for c, m, s, v in mean.itertuples(index=False, name=None)
    }


def _fit_part(u: float | None, n: int) -> Part:
    if u is None:
        return Part("location fit", math.nan, counted=False, how="not known")
    return Part(
        "location fit",
        u / math.sqrt(n),
        counted=False,
        how="mean uncertainty of the fits; varies between scans, so part of the repeatability",
    )


def _spread_parts(sums: Layouts, means: Witnesses, g: int) -> list[Part]:
    """Scatter of the bias: the variance of cell means, and how much of it repeats explain.

    Both parts rest on the same cell means (or operators' means) and their degrees of
    freedom; in squares they add up, with what operators' sessions share, to the variance
    behind the interval of the bias.
    """
    witnesses = means.layouts
    n, p = int(sums.n[g]), int(witnesses.cells[g])
    if n == 1:
        unknown = "one scan: cannot be estimated"
        return [
            Part("repeatability", math.nan, counted=False, how=unknown),
            Part("cells", math.nan, counted=False, how=unknown),
        ]
    variances, dfs = variance_of_mean(witnesses)
    whole, df = float(variances[g]), float(dfs[g])
    if sums.cells[g] == 1:
        how = "one cell: cannot be estimated and is not included"
        return [
            Part("repeatability", math.sqrt(whole), df, how=f"s_r over root n, {n} scans"),
            Part("cells", math.nan, counted=False, how=how),
        ]
    days = []
    if means.shared[g] > 0:
        how = "scatter of the sessions that the operators share"
        u_days = math.sqrt(float(means.shared[g]))
        days = [Part("shared sessions", u_days, float(means.shared_df[g]), how=how)]
    who = "cells" if p == int(sums.cells[g]) else means.who
    if sums.df_within[g] == 0:
        how = f"scatter of the means of {p} {who}, one scan per cell"
        return [
            Part(
                "repeatability",
                math.nan,
                counted=False,
                how="one scan per cell: included in the cells",
            ),
            Part(who, math.sqrt(whole), df, how=how),
            *days,
        ]
    repeats, how = float(sums.var_within[g]) / n, f"s_r over root n, {n} scans"
    if repeats > whole:
        less = f"{how}; larger than the scatter of the means of {p} {who}, which is used"
        scatter = f"scatter of the means of {p} {who}, smaller than the repeats explain"
        return [
            Part("repeatability", math.sqrt(repeats), df, counted=False, how=less),
            Part(who, math.sqrt(whole), df, how=scatter),
            *days,
        ]
    beyond = f"scatter of the means of {p} {who} beyond repeatability"
    return [
        Part("repeatability", math.sqrt(repeats), df, how=how),
        Part(who, math.sqrt(whole - repeats), df, how=beyond),
        *days,
    ]
