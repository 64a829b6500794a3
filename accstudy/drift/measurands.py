"""What is charted: one signed number per scan and measurand, with sessions as subgroups."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from accstudy.compare.align import pose_arrays
from accstudy.compare.arch import arch_of
from accstudy.drift.trend import within_sessions
from accstudy.errors import InputError
from accstudy.tables import shape, valid_since

Floats = NDArray[np.float64]

CROSS_ARCH = "cross-arch distance"
SCALE = "scale"
SPLAY = "axis splay"

_ALIGNMENT = "all-implants"


def main_measurand(points: pd.DataFrame) -> str:
    """The measurand that leads: the cross-arch distance, or the first of table ``drift_points``."""
    names = list(dict.fromkeys(points["measurand"])) if len(points) else []
    return CROSS_ARCH if CROSS_ARCH in names else (names or [""])[0]


def scan_measurands(
    pairs: pd.DataFrame,
    singles: pd.DataFrame,
    poses: pd.DataFrame,
    implants: pd.DataFrame,
    scans: pd.DataFrame,
    *,
    span_edges_mm: Sequence[float] = (15.0, 30.0),
) -> pd.DataFrame:
    """Condense every scan into the signed numbers that are charted, a row each.

    From tables ``pair_deviations``, ``implant_deviations``, ``poses`` and ``implants``; of several
    references of a model (``valid_from``) the one that held is used. `scans` has ``scan``,
    ``model``, ``measured_at``, and ``device`` and ``session`` where there are any; InputError if a
    scan has no date. Measurands: mean distance deviation of the pairs of each span class
    (`span_edges_mm` are the borders), deviation of the two ends of the arch, scale by a similarity
    fit (ppm), splay of the axes (mean tilt outwards, deg; no alignment undoes it). A scan that
    lacks an implant has no value for what depends on it: a mean is always over the same pairs.
    """
    info = _info(scans)
    parts = [
        *_span_classes(pairs, span_edges_mm),
        _cross_arch(pairs),
        _scale(poses, implants, scans),
        _splay(singles),
    ]
    frame = pd.concat([p for p in parts if len(p)], ignore_index=True) if parts else pd.DataFrame()
    if frame.empty:
        return pd.DataFrame(columns=[*info.columns, "measurand", "unit", "value"])
    merged = frame.merge(info, on="scan", how="inner", validate="many_to_one")
    columns = ["scan", "model", "device", "session", "at", "measurand", "unit", "value"]
    return merged.loc[merged["value"].notna(), columns].reset_index(drop=True)


def _info(scans: pd.DataFrame) -> pd.DataFrame:
    out = scans[["scan", "model"]].copy()
    if "measured_at" not in scans:
        raise InputError(
            "a drift analysis needs the date of every scan",
            where="scans.csv::measured_at",
            hint="add a column measured_at with ISO dates",
        )
    out["at"] = pd.to_datetime(scans["measured_at"])
    if out["at"].isna().any():
        scan = out.loc[out["at"].isna(), "scan"].iloc[0]
        raise InputError(
            f'scan "{scan}" has no date',
            where="scans.csv::measured_at",
            hint="fill measured_at, or exclude the scan with its reason",
        )
    out["device"] = scans["device"].astype(str) if "device" in scans else ""
    day = out["at"].dt.strftime("%Y-%m-%d")
    if "session" in scans:
        named = scans["session"]
        text = named.astype(object).where(named.notna(), "").astype(str)
        out["session"] = text.where(text != "", day)
    else:
        out["session"] = day
    return out


def _number_of_pairs(rows: pd.DataFrame) -> pd.Series:
    """Pairs that a complete scan of each model has among `rows`."""
    named = rows["implant_a"] + "|" + rows["implant_b"]
    return named.groupby(rows["model"]).nunique()


def _span_classes(pairs: pd.DataFrame, edges: Sequence[float]) -> Iterator[pd.DataFrame]:
    # the class of a pair is fixed by its first reference, lest a new one move it
    span = pairs.groupby(["model", "implant_a", "implant_b"])["span_mm"].transform("first")
    bounds = [0.0, *edges, np.inf]
    for low, high in itertools.pairwise(bounds):
        rows = pairs[(span >= low) & (span < high)]
        if rows.empty:
            continue
        name = f"distance of pairs {low:g} to {high:g} mm apart"
        if low == 0:
            name = f"distance of pairs up to {high:g} mm apart"
        elif np.isinf(high):
            name = f"distance of pairs over {low:g} mm apart"
        grouped = rows.groupby(["scan", "model"], sort=False)["distance_um"]
        found = grouped.agg(["mean", "count"]).reset_index()
        whole = found["model"].map(_number_of_pairs(rows)) == found["count"]
        yield _part(found["scan"], name, "um", found["mean"].where(whole))


def _cross_arch(pairs: pd.DataFrame) -> pd.DataFrame:
    if pairs.empty:
        return _part([], CROSS_ARCH, "um", [])
    ends = pairs.groupby("model")["steps"].transform("max") == pairs["steps"]
    rows = pairs[ends]
    return _part(rows["scan"], CROSS_ARCH, "um", rows["distance_um"])


def _splay(singles: pd.DataFrame) -> pd.DataFrame:
    rows = singles[singles["alignment"] == _ALIGNMENT]
    grouped = rows.groupby(["scan", "model"], sort=False)
    found = grouped.agg(
        value=("tilt_buccolingual_deg", "mean"),
        count=("implant", "count"),
        all=("n_implants", "first"),
    ).reset_index()
    whole = found["count"] == found["all"]
    return _part(found["scan"], SPLAY, "deg", found["value"].where(whole))


def _scale(poses: pd.DataFrame, implants: pd.DataFrame, scans: pd.DataFrame) -> pd.DataFrame:
    at = pd.to_datetime(scans.set_index("scan")["measured_at"])
    parts = []
    for model, reference in implants.groupby("model", sort=False):
        mine = poses[poses["model"] == model]
        versions = _versions(reference)
        since = np.array([day for day, _ in versions])
        names = [s for s in dict.fromkeys(mine["scan"]) if s in at.index]
        which = np.clip(np.searchsorted(since, at.loc[names].to_numpy(), side="right") - 1, 0, None)
        for number, (_, rows) in enumerate(versions):
            chosen = [s for s, k in zip(names, which, strict=True) if k == number]
            if len(rows) < 2 or not chosen:
                continue
            arch = arch_of(shape("implants", rows))
            arrays = pose_arrays(shape("poses", mine), arch, chosen)
            parts.append(
                _part(chosen, SCALE, "ppm", scale_ppm(arrays.positions_mm, arch.positions_mm))
            )
    return pd.concat(parts, ignore_index=True) if parts else _part([], SCALE, "ppm", [])


def _versions(reference: pd.DataFrame) -> list[tuple[pd.Timestamp, pd.DataFrame]]:
    """References of one model with the day from which each holds."""
    by = reference.groupby(valid_since(reference))
    return [(pd.Timestamp(str(day)), rows) for day, rows in by]


def scale_ppm(positions_mm: Floats, reference_mm: Floats) -> Floats:
    """Scale of scans, (s, n, 3), against the reference, (n, 3), less one, in ppm.

    A scan that lacks a platform (NaN) has none.

    References
    ----------
    Umeyama, IEEE PAMI 13 (1991) 376-380: least-squares similarity that maps the
    reference onto the scan.

    Examples
    --------
    >>> square = np.array([[0.0, 0, 0], [10, 0, 0], [10, 10, 0], [0, 10, 0]])
    >>> scale_ppm(1.001 * square[None], square).round(6).tolist()
    [1000.0]
    """
    a = reference_mm - reference_mm.mean(axis=0)
    b = positions_mm - positions_mm.mean(axis=1, keepdims=True)
    whole = np.isfinite(b).all(axis=(1, 2))
    out = np.full(len(b), np.nan)
    u, s, vt = np.linalg.svd(np.einsum("ski,kj->sij", b[whole], a))
    sign = np.where(np.linalg.det(u @ vt) < 0, -1.0, 1.0)
    trace = s[:, 0] + s[:, 1] + sign * s[:, 2]
    out[whole] = 1e6 * (trace / np.sum(a * a) - 1)
    return out


def _part(scan: object, measurand: str, unit: str, value: object) -> pd.DataFrame:
    frame = pd.DataFrame({"scan": np.asarray(scan, dtype=object)})
    frame["measurand"], frame["unit"] = measurand, unit
    frame["value"] = np.asarray(value, float)
    return frame


MIN_SESSIONS = 3
"""Sessions below which a baseline says nothing about the spread between them."""


def session_table(values: pd.DataFrame) -> pd.DataFrame:
    """Condense scans into sessions, in order of time.

    ``device, model, measurand, unit, session, at`` (first scan), ``n_scans, mean, sd`` (empty for
    one scan).
    """
    keys = ["device", "model", "measurand", "unit", "session"]
    found = values.groupby(keys, sort=False).agg(
        at=("at", "min"), n_scans=("value", "size"), mean=("value", "mean"), sd=("value", "std")
    )
    order = {name: i for i, name in enumerate(dict.fromkeys(values["measurand"]))}
    found = found.reset_index()
    found["order"] = found["measurand"].map(order)
    found = found.sort_values(["device", "model", "order", "at", "session"], kind="stable")
    return found.drop(columns="order").reset_index(drop=True)


def starts(
    device: str, model: str, events: pd.DataFrame, implants: pd.DataFrame
) -> list[tuple[pd.Timestamp, str]]:
    """Dates at which the charts of a device and model restart, and why, without the beginning.

    Rows of `events` with ``new_baseline`` of this device or of all, and every later ``valid_from``
    of the model: a reference that was measured again moves every deviation by a step that nobody
    can tell from the device's without assuming one of them steady.
    """
    out: dict[pd.Timestamp, str] = {}
    if len(events) and "new_baseline" in events:
        mine = events["new_baseline"].fillna(False).astype(bool)
        mine &= events["device"].fillna("").isin(["", device])
        for row in events[mine].itertuples():
            out[pd.Timestamp(str(row.at))] = str(row.kind)
    if "valid_from" in implants:
        since = pd.to_datetime(implants.loc[implants["model"] == model, "valid_from"]).dropna()
        for day in sorted(since.unique())[0 if _has_undated(implants, model) else 1 :]:
            out.setdefault(pd.Timestamp(str(day)), "reference measured again")
    return sorted(out.items())


def _has_undated(implants: pd.DataFrame, model: str) -> bool:
    return bool(implants.loc[implants["model"] == model, "valid_from"].isna().any())


@dataclass(frozen=True, slots=True)
class Baseline:
    """Baseline of one measurand: mean and standard deviation of its session means.

    ``sd_within`` is pooled within sessions (``df_within``), NaN for single scans, ``var_between``
    the variance between sessions beyond what the scans explain, ``per_scan`` the mean of 1 / n.
    """

    sessions: tuple[str, ...]
    centre: float
    sd_of_means: float
    sd_within: float
    df_within: int
    var_between: float
    per_scan: float

    @property
    def m(self) -> int:
        """Number of sessions."""
        return len(self.sessions)

    def sd_of_mean(self, n_scans: NDArray[np.int64]) -> Floats:
        """Standard deviation of the mean of a session of `n_scans` scans.

        The variation between sessions is part of it. For sessions as large as
        those of the baseline it is the standard deviation of the baseline's
        session means.
        """
        n = np.asarray(n_scans, float)
        if np.isnan(self.sd_within):
            return np.full(len(n), self.sd_of_means)
        if self.var_between >= 0:
            return np.sqrt(self.var_between + self.sd_within**2 / n)
        return self.sd_of_means * np.sqrt(1 / n / self.per_scan)


def baseline_of(rows: pd.DataFrame) -> Baseline:
    """Estimate a baseline from its rows of the session table (3 or more).

    Notes
    -----
    Scans of a session share its conditions, so centre and spread come from
    session means; scans only tell the spread within.
    """
    means, n = rows["mean"].to_numpy(float), rows["n_scans"].to_numpy(float)
    within, df = within_sessions(rows)
    sd_of_means = float(means.std(ddof=1))
    per_scan = float(np.mean(1 / n))
    return Baseline(
        sessions=tuple(rows["session"]),
        centre=float(means.mean()),
        sd_of_means=sd_of_means,
        sd_within=within,
        df_within=df,
        var_between=sd_of_means**2 - within**2 * per_scan,
        per_scan=per_scan,
    )
