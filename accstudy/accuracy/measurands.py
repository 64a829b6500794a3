"""From deviation tables to layouts of every subject, matrices of scans and pairs, and ranges."""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special

from accstudy.accuracy.anova import Layouts, Witnesses, layouts, nested_codes
from accstudy.accuracy.bounds import Grouping, session_effects, shared_session_p
from accstudy.accuracy.judge import combined_p
from accstudy.quantities import BENCH_COLUMNS, SERIAL_COLUMN
from accstudy.tables import TABLES, empty, shape

PAIR_MEASURANDS = ("distance_um", "angle_deg")
"""Signed measurands of a pair."""

IMPLANT_MEASURANDS = (
    "mesiodistal_um",
    "buccolingual_um",
    "vertical_um",
    "tilt_mesiodistal_deg",
    "tilt_buccolingual_deg",
    "rotation_deg",
)
"""Signed measurands of an implant; lengths of deviations are not among them."""

KEYS = ["condition", "model", "measurand", "unit", "subject", "span_mm", "path_mm", "lowest"]


@dataclass(frozen=True)
class Results:
    """Results of a study, ready for layouts.

    `keys` has a row a layout, in a stable order; `group`, `cell` and `scan`, (N,), index layout,
    `cell_names` and `scan_names` of each result; `value`, (N,), are deviations, measured minus
    reference, in the unit of the key.
    """

    keys: pd.DataFrame
    group: npt.NDArray[np.int64]
    cell: npt.NDArray[np.int64]
    scan: npt.NDArray[np.int64]
    value: npt.NDArray[np.float64]
    cell_names: npt.NDArray[np.object_]
    scan_names: npt.NDArray[np.object_]

    def only(self, chosen: npt.NDArray[np.bool_]) -> Results:
        """The layouts that `chosen` (shape (G,)) picks, renumbered."""
        number = np.cumsum(chosen) - 1
        kept = chosen[self.group]
        return Results(
            keys=self.keys[chosen].reset_index(drop=True),
            group=number[self.group[kept]],
            cell=self.cell[kept],
            scan=self.scan[kept],
            value=self.value[kept],
            cell_names=self.cell_names,
            scan_names=self.scan_names,
        )


def pair_names(frame: pd.DataFrame) -> pd.Series:
    """Names of the pairs ``implant_a`` and ``implant_b``, as tables call them."""
    return frame["implant_a"].astype(str) + "-" + frame["implant_b"].astype(str)


def lowest(frame: pd.DataFrame, measurand: str) -> pd.Series:
    """Smallest deviation there can be: an angle between axes is never negative."""
    if measurand == "angle_deg" and "divergence_deg" in frame:
        return -frame["divergence_deg"].astype(float)
    return pd.Series(-np.inf, frame.index)


def pair_results(pair_deviations: pd.DataFrame) -> pd.DataFrame:
    """Long form of table ``pair_deviations``, one row a result, missing ones left out.

    ``condition``, ``model``, ``measurand``, ``unit``, ``subject``, ``span_mm``, ``path_mm``,
    ``lowest``, ``scan``, ``cell``, ``value``.
    """
    table = pair_deviations.assign(subject=pair_names(pair_deviations))
    return _long(table, PAIR_MEASURANDS)


def implant_results(
    implant_deviations: pd.DataFrame, *, alignment: str = "all-implants"
) -> pd.DataFrame:
    """Long form of table ``implant_deviations`` under one alignment, as `pair_results`, without
    lengths.
    """
    table = implant_deviations[implant_deviations["alignment"] == alignment]
    return _long(
        table.assign(subject=table["implant"].astype(str), span_mm=np.nan, path_mm=np.nan),
        IMPLANT_MEASURANDS,
    )


def _long(table: pd.DataFrame, measurands: Collection[str]) -> pd.DataFrame:
    parts: list[pd.DataFrame] = []
    for measurand in measurands:
        if measurand not in table:
            continue
        part = pd.DataFrame(
            {
                "condition": table["condition"],
                "model": table["model"],
                "measurand": measurand,
                "unit": measurand.rsplit("_", 1)[1],
                "subject": table["subject"],
                "span_mm": table["span_mm"].astype(float),
                "path_mm": table["path_mm"].astype(float),
                "lowest": lowest(table, measurand),
                "scan": table["scan"],
                "cell": table["cell"],
                "value": pd.to_numeric(table[measurand]).astype(float),
            }
        )
        parts.append(pd.DataFrame(part[np.isfinite(part["value"])]))
    columns = [*KEYS, "scan", "cell", "value"]
    if not parts:
        return pd.DataFrame({c: pd.Series(dtype=object) for c in columns})
    return pd.concat(parts, ignore_index=True)


def results(long: pd.DataFrame) -> Results:
    """Number the layouts, cells and scans of a long table as `pair_results` gives it.

    Layouts are sorted by condition, model, measurand (pairs before implants, lengths before angles)
    and subject, where 10 comes after 9. Within a layout results are sorted by cell, then scan, so
    that the order of the rows changes nothing, not even the last digit.
    """
    order = [*PAIR_MEASURANDS, *IMPLANT_MEASURANDS]
    subjects = {s: i for i, s in enumerate(sorted(long["subject"].unique(), key=natural))}
    cell_code, cell_names = pd.factorize(long["cell"].astype(str), sort=True)
    scan_code, scan_names = pd.factorize(long["scan"].astype(str), sort=True)
    code = pd.DataFrame(
        {
            "condition": pd.factorize(long["condition"].astype(str), sort=True)[0],
            "model": pd.factorize(long["model"].astype(str), sort=True)[0],
            "measurand": long["measurand"]
            .map({m: i for i, m in enumerate(order)})
            .fillna(len(order))
            .to_numpy(),
            "subject": long["subject"].map(subjects).to_numpy(),
        }
    )
    sizes = [int(code[c].max()) + 1 if len(code) else 1 for c in code]
    flat = np.ravel_multi_index(tuple(code[c].to_numpy(dtype=np.int64) for c in code), sizes)
    by = np.lexsort((scan_code, cell_code, flat))
    _, start, group = np.unique(flat[by], return_index=True, return_inverse=True)
    return Results(
        keys=long.iloc[by[start]][KEYS].reset_index(drop=True),
        group=group.astype(np.int64),
        cell=cell_code[by].astype(np.int64),
        scan=scan_code[by].astype(np.int64),
        value=long["value"].to_numpy(dtype=float)[by],
        cell_names=np.asarray(cell_names, dtype=object),
        scan_names=np.asarray(scan_names, dtype=object),
    )


def natural(name: str) -> tuple[tuple[bool, int, str], ...]:
    """Sort key under which digits count as numbers.

    Examples
    --------
    >>> sorted(["I10-I2", "I2-I10", "I2-I9"], key=natural)
    ['I2-I9', 'I2-I10', 'I10-I2']
    """
    parts = re.split(r"(\d+)", str(name))
    return tuple((not p.isdigit(), int(p) if p.isdigit() else 0, p) for p in parts if p)


Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

_RETURNING = ("operator", "laboratory", "device")
OCCASION = "session"
"""A factor whose levels do not return: no later scan belongs to a session of the study."""

_SHARED = 0.25
_NO_GROUPS = {
    "repeat", "measured_at", "reseated", "file", "status", "reason", "cast", *BENCH_COLUMNS
}  # fmt: skip


@dataclass(frozen=True)
class Sample:
    """Deviations of one measurand on one model under one condition.

    Parameters
    ----------
    condition, model, measurand : str
        What they are of.
    matrix : ndarray, shape (n, m)
        Signed deviations, a scan a row; NaN where a pair was not seen.
    grouping : Grouping
        Of the scans.
    returning : str
        Factor whose levels return in several cells; empty without one.
    pairs : DataFrame, m rows
        ``subject``, ``span_mm``, ``path_mm``, ``lowest`` of the pairs.
    """

    condition: str
    model: str
    measurand: str
    matrix: Floats
    grouping: Grouping
    returning: str
    pairs: pd.DataFrame


def samples(
    pair_deviations: pd.DataFrame, measurand: str, *, cell_columns: Sequence[str] = ()
) -> list[Sample]:
    """Matrices of a measurand, sorted by condition and model; pairs in natural order, scans by cell
    and name.

    Where sessions of several operators carry one label (a day, say) they may share an effect. It is
    tested against the interaction, or against the cells where no operator has several, the p
    values of the pairs combined; unless p is above 0.25 it counts as shared. That is the level of
    preliminary tests at which what follows keeps its own level best (Bozivich, Bancroft and
    Hartley, Ann Math Stat 27 (1956) 1017-1043).
    """
    table = pair_deviations.assign(
        subject=pair_names(pair_deviations),
        value=pd.to_numeric(pair_deviations[measurand]).astype(float),
    )
    table = table[np.isfinite(table["value"])]
    out = []
    for (condition, model), own in table.groupby(["condition", "model"], sort=True):
        wide = own.pivot_table(index=["cell", "scan"], columns="subject", values="value")
        wide = wide[sorted(wide.columns, key=natural)]
        one = own.drop_duplicates("subject").set_index("subject").loc[wide.columns]
        pairs = pd.DataFrame(
            {
                "subject": [str(s) for s in wide.columns],
                "span_mm": one["span_mm"].to_numpy(dtype=float),
                "path_mm": one["path_mm"].to_numpy(dtype=float),
                "lowest": lowest(one, measurand).to_numpy(dtype=float),
            }
        )
        scans = own.drop_duplicates("scan").set_index("scan").loc[wide.index.get_level_values(1)]
        grouping, returning = grouping_of(scans, cell_columns)
        found = wide.to_numpy(dtype=float)
        if grouping.session is not None and grouping.operator is not None:
            # sessions belong to their operators unless the data say otherwise
            p = combined_p(shared_session_p(found, grouping))
            if not p <= _SHARED:
                grouping = Grouping(grouping.cell, grouping.operator)
        out.append(Sample(str(condition), str(model), measurand, found, grouping, returning, pairs))
    return _by_session(out)


def _by_session(found: list[Sample]) -> list[Sample]:
    """Where no operator has several sessions: group by those that share an effect.

    One answer for all models of a condition.
    """
    out = []
    for one in found:
        if one.grouping.operator is None and one.grouping.session is not None:
            own = [s for s in found if s.condition == one.condition]
            p = combined_p(np.concatenate([shared_session_p(s.matrix, s.grouping) for s in own]))
            cell, session = one.grouping.cell, one.grouping.session
            shared = p <= _SHARED
            by = Grouping(cell, session) if shared else Grouping(cell)
            one = replace(one, grouping=by, returning=OCCASION if shared else "")
        out.append(one)
    return out


def grouping_of(scans: pd.DataFrame, cell_columns: Sequence[str] = ()) -> tuple[Grouping, str]:
    """Which scans belong together, and which factor returns in several cells.

    Of a table with a row a scan. A factor returns where one of its levels made several cells: an
    operator who scanned in two sessions. Operators come before other factors. Sessions are
    occasions: no later scan is taken in one of these, so they are never what a statement holds for.
    """
    cell = pd.factorize(scans["cell"].astype(str), sort=True)[0].astype(np.int64)
    known = [c for c in (*_RETURNING, *cell_columns) if c in scans]
    found: dict[str, Ints] = {}
    for column in dict.fromkeys(known):
        code = pd.factorize(scans[column].astype(str), sort=True)[0].astype(np.int64)
        cells = np.unique(np.column_stack([cell, code]), axis=0)
        constant = len(cells) == len(np.unique(cell))
        if constant and len(cells) > len(np.unique(code)) > 1:
            found[str(column)] = code
    if not found:
        return Grouping(cell), ""
    if [*found] == [OCCASION]:
        return Grouping(cell, None, found[OCCASION]), ""
    first = next(c for c in found if c != OCCASION)
    others = [c for c in found if c != first]
    return Grouping(cell, found[first], found[others[0]] if others else None), first


def factors_left_out(
    pair_deviations: pd.DataFrame, cell_columns: Sequence[str], condition_columns: Sequence[str]
) -> list[str]:
    """Recorded factors of the scans that define neither cells nor conditions; no counts, times,
    notes.
    """
    used = {*TABLES["pair_deviations"].names, *cell_columns, *condition_columns, *_NO_GROUPS}
    return [
        str(c)
        for c in pair_deviations.columns
        if c not in used and not str(c).startswith(SERIAL_COLUMN)
    ]


def left_out_p(
    pair_deviations: pd.DataFrame, factors: Collection[str], measurand: str
) -> dict[str, tuple[str, float]]:
    """Do scans of one cell differ by a known factor that the cell leaves out?

    By condition the factor with the smallest p value, and that p value times the number of factors
    tested (Bonferroni). Analysis of variance of the factor's levels within cells, pair by pair, the
    p values combined after Liu and Xie. Scans of one cell count as repeats of each other: where
    operators or sessions are hidden in a cell, a bound from its scatter is too small.
    """
    out: dict[str, tuple[str, float]] = {}
    for condition, own in pair_deviations.groupby("condition", sort=True):
        found: dict[str, float] = {}
        for factor in factors:
            p = _nested_p(own.dropna(subset=[factor]), factor, measurand)
            if np.isfinite(p):
                found[str(factor)] = p
        if found:
            worst = min(found, key=lambda f: found[f])
            out[str(condition)] = (worst, min(1.0, len(found) * found[worst]))
    return out


def _nested_p(own: pd.DataFrame, factor: str, measurand: str) -> float:
    """Combined p value over pairs of a factor within cells."""
    y = pd.to_numeric(own[measurand]).to_numpy(float)
    frame = own[np.isfinite(y)]
    if not len(frame):
        return float("nan")
    y = y[np.isfinite(y)]
    levels = ["model", "implant_a", "implant_b", "cell", factor]
    pair, cell, fine = nested_codes(frame, levels)[2:]
    cell_mean, fine_mean = ((np.bincount(c, y) / np.bincount(c))[c] for c in (cell, fine))
    n = np.bincount(pair)
    # cells, and levels of the factor in cells, of each pair
    cells, parts = (np.bincount(pair[np.unique(c, return_index=True)[1]]) for c in (cell, fine))
    between = np.bincount(pair, (fine_mean - cell_mean) ** 2)
    within = np.bincount(pair, (y - fine_mean) ** 2)
    df_b, df_w = parts - cells, n - parts
    ok = (df_b > 0) & (df_w > 0) & (within > 0)
    if not ok.any():
        return float("nan")
    F = (between[ok] / df_b[ok]) / (within[ok] / df_w[ok])
    return combined_p(special.fdtrc(df_b[ok], df_w[ok], F))


def witnesses(found: Results, table: pd.DataFrame, cell_columns: Sequence[str] = ()) -> Witnesses:
    """Results in the groups that stand for themselves: cells, or operators who return.

    Where operators return, each layout holds one result an operator: the mean of its cells. Else
    the layouts of the cells. Where operators share sessions, their part of the variance stands
    beside (see `samples` for when they count as shared). `table` is a deviation table of the same
    scans.
    """
    sums = layouts(found.value, found.group, found.cell)
    none = np.zeros(len(sums.n))
    operator: dict[str, str] = {}
    session: dict[str, str] = {}
    who = ""
    scans = table.drop_duplicates("scan")
    for _, own in scans.groupby(["condition", "model"], sort=False):
        grouping, returning = grouping_of(own, cell_columns)
        names = own["cell"].astype(str)
        if grouping.operator is None and grouping.session is not None:  # may be shared: stay safe
            grouping, returning = Grouping(grouping.cell, grouping.session), OCCASION
        if grouping.operator is not None:
            who = f"{returning}s"
            operator |= dict(zip(names, own[returning].astype(str), strict=True))
        if grouping.session is not None:
            session |= dict(zip(names, grouping.session.astype(str), strict=True))
    if not operator:
        return Witnesses(sums, none, none + 1)
    cells = [str(c) for c in found.cell_names[sums.cell_label]]
    means = pd.DataFrame(
        {
            "layout": sums.cell_layout,
            "who": [operator.get(c, c) for c in cells],
            "when": [session.get(c, "") for c in cells],
            "mean": sums.cell_mean,
        }
    )
    single = means.groupby("layout")["who"].transform("nunique") < 2
    # one operator, or one cell: the cells speak for themselves
    means["who"] = means["who"].where(~single, [f"{c} {k}" for k, c in enumerate(cells)])
    code = pd.factorize(means["who"], sort=True)[0]
    by = means.assign(who=code).groupby(["layout", "who"], sort=True)["mean"].mean().reset_index()
    nested = layouts(by["mean"], by["layout"], by["who"])
    alone = sums.cells == 1
    whole = nested if not alone.any() else _mixed(nested, sums, alone)
    shared = _shared_sessions(means[~single & (means["when"] != "")], found.keys)
    return Witnesses(whole, *shared, who)


def _shared_sessions(means: pd.DataFrame, keys: pd.DataFrame) -> tuple[Floats, Floats]:
    """Variance of each layout's mean from sessions that its operators share, and its df.

    Least squares of cell means on operators and sessions; a session's weight is its part
    in the mean of the operators' means.
    """
    variance, df, p = np.zeros(len(keys)), np.ones(len(keys)), np.full(len(keys), np.nan)
    layout = means["layout"].to_numpy(dtype=int)
    for at in np.unique(layout):
        own = means[layout == at]
        who, when = pd.factorize(own["who"])[0], pd.factorize(own["when"])[0]
        found = session_effects(own[["mean"]].to_numpy(dtype=float), who, when)
        if found.df < 1 or found.df_rest < 1:
            continue
        operators = np.bincount(who)
        weight = np.bincount(when, weights=1.0 / operators[who]) / len(operators)
        variance[at] = found.effect.var(axis=0, ddof=0)[0] * len(found.effect) / found.df
        variance[at] *= (weight**2).sum()
        df[at], p[at] = found.df, found.p()[0]
    # one answer for the pairs of a model, as in `samples`
    for rows in keys.groupby(["measurand", "condition", "model"], sort=False).indices.values():
        if not combined_p(p[rows]) <= _SHARED:
            variance[rows], df[rows] = 0.0, 1.0
    return variance, df


def _mixed(nested: Layouts, sums: Layouts, alone: npt.NDArray[np.bool_]) -> Layouts:
    """Layouts of operators, but those of one cell as they are."""
    chosen = {
        name: np.where(alone, getattr(sums, name), getattr(nested, name))
        for name in (
            "n", "cells", "mean", "mean_of_cells", "ss_within", "ss_between", "ss_cell_means",
            "sum_n2", "harmonic_n",
        )
    }  # fmt: skip
    return replace(nested, **chosen)


def range_table(
    accuracy: pd.DataFrame,
    pairs: pd.DataFrame,
    poses: pd.DataFrame,
    run: pd.DataFrame,
    scans: pd.DataFrame,
    *,
    factors: Sequence[str],
    temperature_c: pd.Series,
) -> pd.DataFrame:
    """Lowest and highest value of what a report states of a whole study or model.

    Parameters
    ----------
    accuracy : DataFrame
        Table ``accuracy`` or ``precision``.
    pairs, poses, run, scans : DataFrame
        Tables ``pair_deviations``, ``poses`` and ``run_chart``, and the scan list; scans without
        pairs are passed over.
    factors : sequence of str
        Columns of the scan list whose levels are counted.
    temperature_c : Series
        Temperature of every scan, by its name.

    Returns
    -------
    DataFrame
        Table ``ranges``.
    """
    if pairs.empty:
        return empty("ranges")
    mine = scans[scans["scan"].isin(set(pairs["scan"]))]
    rows = [
        *(_row(name, mine[name]) for name in ("scan", "model") if name in mine),
        _row("scans of a condition", pairs.groupby("condition")["scan"].nunique()),
        *(_row(name, mine[name]) for name in factors if name in mine and name != "temperature_c"),
        _row("temperature_c", temperature_c[temperature_c.index.isin(mine["scan"])], "c"),
        *(_row(name, pairs[name], "mm") for name in ("span_mm", "path_mm")),
        *(_row(name, run[name], "um") for name in ("longest_um", "rms_um") if len(run)),
    ]
    if "fit_rms_um" in poses:
        rows.append(_row("fit_rms_um", poses["fit_rms_um"], "um"))
    distances = accuracy[(accuracy["measurand"] == "distance_um") & accuracy["span_mm"].notna()]
    for model, own in distances.groupby("model", sort=False):
        rows += _of_pairs(own, str(model))
    return shape("ranges", pd.DataFrame([r for r in rows if r["n_values"]]))


def _of_pairs(own: pd.DataFrame, model: str) -> list[dict[str, Any]]:
    """Bias, where there is a reference, and repeatability of the pairs of a model."""
    rows = [_row("s_r", own["s_r"], "um", model)]
    if "bias" in own:
        known = own[own["bias_low"].notna()]
        beyond = known[known["excludes_zero"].fillna(False).astype(bool)]
        rows += [
            _row("bias", own["bias"], "um", model),
            _row("bias_df", known["bias_df"], "", model),
            _row("bias, zero excluded", beyond["bias"], "um", model),
        ]
    return rows


def _row(quantity: str, values: pd.Series, unit: str = "", model: str = "") -> dict[str, Any]:
    """Row of a quantity; lowest and highest only of numbers."""
    known = values.dropna()
    known = known[known.astype(str) != ""]
    numbers = pd.api.types.is_numeric_dtype(known) and not pd.api.types.is_bool_dtype(known)
    ends = {"lowest": known.min(), "highest": known.max()} if numbers and len(known) else {}
    return {
        "model": model,
        "quantity": quantity,
        "unit": unit,
        "n_values": len(known),
        "n_levels": known.nunique(),
        **ends,
    }


def run_table(
    accuracy: pd.DataFrame, pairs: pd.DataFrame, whole: pd.DataFrame, at: pd.Series
) -> pd.DataFrame:
    """Scans of the model with the longest pair in the order in which they were taken.

    Parameters
    ----------
    accuracy : DataFrame
        Table ``accuracy`` or ``precision``.
    pairs, whole : DataFrame
        Tables ``pair_deviations`` and ``scan_deviations``.
    at : Series
        When every scan was taken, by its name; scans without a date follow in their order.

    Returns
    -------
    DataFrame
        Table ``run_chart``.
    """
    longest = accuracy[accuracy["longest"].fillna(False).astype(bool)]
    longest = longest[longest["measurand"] == "distance_um"]
    if longest.empty or whole.empty:
        return empty("run_chart")
    first = longest.iloc[0]
    own = pairs[pairs["model"] == first["model"]]
    own = own[pair_names(own) == first["subject"]].set_index("scan")
    out = whole[whole["model"] == first["model"]]
    out = out.assign(
        pair=first["subject"],
        span_mm=first["span_mm"],
        at=out["scan"].map(at),
        longest_um=out["scan"].map(own["distance_um"]),
        rms_um=out["rms_distance_um"],
    ).sort_values("at", kind="stable", na_position="last")
    return shape("run_chart", out.assign(number=range(1, len(out) + 1)))
