"""The whole drift analysis: charts, signals and advice for every device, side by side."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from accstudy.accuracy.judge import ALL_PAIRS, VERIFIED
from accstudy.drift.conformity import hold_limit
from accstudy.drift.designs import DriftOptions, Rows
from accstudy.drift.device import Device, Found, welch
from accstudy.drift.measurands import CROSS_ARCH, scan_measurands, session_table
from accstudy.drift.status import Held, device_remarks, device_status
from accstudy.drift.stretch import Stretch
from accstudy.drift.trend import Trend
from accstudy.errors import Finding, Severity
from accstudy.words.catalogue import say
from accstudy.words.numbers import date

Charted = Mapping[str, Sequence[tuple[Stretch, Sequence[Found]]]]


def lookback_rows(
    device: str, scans: pd.DataFrame, charted: Charted, limits: pd.DataFrame
) -> pd.DataFrame:
    """Rows of table ``drift_lookback``: check scans of the sessions of a device that are not
    verified.

    With a limit (table ``drift_limits`` not empty), the sessions in which not every pair was
    verified, whether or not anything changed: a device that changed and still keeps the limit needs
    no reassessment. Without one, the sessions since the last that no standing signal may reach back
    to. `scans` has ``scan, model, device, session, at``. The study's own scans are listed; what
    else the device measured between the sessions verified before and after is to be reassessed as
    well.
    """
    mine = scans[scans["device"] == device]
    parts = []
    for model, rows in mine.groupby("model", sort=True):
        sessions = rows.groupby("session", sort=False)["at"].min().reset_index()
        sessions = sessions.sort_values(["at", "session"], kind="stable", ignore_index=True)
        standing = [(s, one) for s, found in charted.get(str(model), ()) for one in found]
        held = limits
        if len(limits):
            held = limits[(limits["device"] == device) & (limits["model"] == model)]
        if len(held):
            doubts = _against_the_limit(sessions, held[held["scope"] == ALL_PAIRS])
        else:
            doubts = _since_a_signal(sessions, standing)
        doubtful = doubts[doubts["doubt"] != ""]
        if not len(doubtful):
            continue
        out = rows[["device", "model", "scan", "session", "at"]].merge(
            doubtful.drop(columns="at"), on="session", how="inner"
        )
        signals = [one.row["at"] for _, one in standing if one.row["kind"] == "signal"]
        out["signal_at"] = min(signals, default=pd.NaT)
        out["because"] = "; ".join(
            dict.fromkeys(
                f"{s.measurand}: {one.row['kind']} {one.row['chart']}" for s, one in standing
            )
        )
        parts.append(out.sort_values(["at", "scan"], kind="stable"))
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


def _neighbours(sessions: pd.DataFrame) -> pd.DataFrame:
    """For every session the last before it and the first after it that is not in doubt."""
    good = sessions["doubt"] == ""
    out = sessions.copy()
    for column in ("session", "at"):
        kept = sessions[column].where(good)
        name = {"session": "proven_good", "at": "proven_good_at"}[column]
        out[name] = kept.ffill()
        out[name.replace("proven_good", "next_good")] = kept.bfill()
    for name in ("proven_good", "next_good"):
        out[name] = out[name].fillna("")
    return out


def _against_the_limit(sessions: pd.DataFrame, together: pd.DataFrame) -> pd.DataFrame:
    columns = [
        "session", "implant_a", "implant_b", "mean_um", "bound_um", "limit_um", "confidence",
        "verdict",
    ]  # fmt: skip
    found = sessions.merge(together[columns], on="session", how="left")
    verified = found["verdict"] == VERIFIED
    found["doubt"] = [
        "" if good else _beyond(row)
        for good, (_, row) in zip(verified, found.iterrows(), strict=True)
    ]
    return _neighbours(found)


def _beyond(row: pd.Series) -> str:
    """Why a session is not verified: mean and bound of its pair with the largest bound."""
    if pd.isna(row["bound_um"]):
        return say("drift_results.no_bound_for_every")
    return say(
        "drift_results.pair_mean_bound_limit",
        pair=f"{row['implant_a']}-{row['implant_b']}",
        mean=row["mean_um"],
        bound=row["bound_um"],
        limit_um=row["limit_um"],
        confidence=row["confidence"],
    )


def _since_a_signal(
    sessions: pd.DataFrame, standing: Sequence[tuple[Stretch, Found]]
) -> pd.DataFrame:
    found = sessions.assign(doubt="")
    if standing:
        stretch, first = min(standing, key=lambda one: _good_at(*one))
        since = _good_at(stretch, first)
        text = f"{stretch.measurand} may have changed since {date(first.row['low'])}"
        found.loc[found["at"] > since, "doubt"] = text
    return _neighbours(found)


def _good_at(stretch: Stretch, one: Found) -> pd.Timestamp:
    """Day of the last session that a finding leaves unaffected; the beginning of time for none."""
    if one.last_good < 0:
        return pd.Timestamp.min
    return pd.Timestamp(stretch.rows["at"].iloc[one.last_good])


_MEANS = "session means, Student's t"
_WELCH = "session means, Welch's t"
_LEAST = 3
"""Sessions below which a mean has no interval: with two, t = 12.7 makes it say nothing."""


def _periods(
    sessions: pd.DataFrame, points: pd.DataFrame, events: pd.DataFrame, *, confidence: float = 0.95
) -> pd.DataFrame:
    """Mean of every month and year; no interval from fewer than three sessions."""
    keys = ["device", "model", "measurand", "unit"]
    flagged = points[points["signal"].fillna(False).astype(bool)] if len(points) else points
    parts = []
    for kind, form in (("month", "%Y-%m"), ("year", "%Y")):
        frame = sessions.assign(period=sessions["at"].dt.strftime(form))
        found = frame.groupby([*keys, "period"], sort=False).agg(
            n_sessions=("session", "nunique"),
            n_scans=("n_scans", "sum"),
            mean=("mean", "mean"),
            sd=("mean", "std"),
        )
        found = found.reset_index().assign(kind=kind)
        if len(flagged):
            seen = flagged.assign(period=flagged["at"].dt.strftime(form))
            whose = ["device", "model", "period"]
            count = seen.groupby(whose)["session"].nunique().rename("n_signals")
            found = found.merge(count.reset_index(), on=whose, how="left")
        else:
            found["n_signals"] = 0
        found["n_events"] = [
            _events(events, str(d), str(p), form)
            for d, p in zip(found["device"], found["period"], strict=True)
        ]
        parts.append(found)
    table = pd.concat(parts, ignore_index=True)
    n = table["n_sessions"].to_numpy(float)
    half = stdtrit(np.maximum(n - 1, 1), 0.5 + confidence / 2) * table["sd"] / np.sqrt(n)
    half = half.where(n >= _LEAST)
    table["low"], table["high"] = table["mean"] - half, table["mean"] + half
    table["n_signals"] = table["n_signals"].fillna(0).astype("int64")
    table["confidence"], table["method"] = confidence, _MEANS
    return table


def _events(events: pd.DataFrame, device: str, period: str, form: str) -> int:
    if not len(events):
        return 0
    mine = events[events["device"].fillna("").isin(["", device])]
    return int((pd.to_datetime(mine["at"]).dt.strftime(form) == period).sum())


Spans = Mapping[tuple[str, str, str], Sequence[tuple[pd.Timestamp, pd.Timestamp]]]
"""By (device, model, measurand): when its level changed, from and to; a step has one day."""


def _changing(devices: Sequence[Device]) -> Spans:
    """Steps and drifts of the level, and new baselines, of every device."""
    out: dict[tuple[str, str, str], list[tuple[pd.Timestamp, pd.Timestamp]]] = {}
    for one in devices:
        for measurand in one.measurands:
            spans = out.setdefault((one.device, one.model, measurand), [])
            spans += [(day, day) for day, _ in one.starts]
            spans += one.changing.get(measurand, [])
    return out


def _changed(at: pd.Series, spans: Sequence[tuple[pd.Timestamp, pd.Timestamp]]) -> bool:
    """Whether sessions on these days are of more than one state."""
    return any(at.min() < until and since <= at.max() for since, until in spans)


def _between_devices(
    sessions: pd.DataFrame, changing: Spans, *, confidence: float = 0.95
) -> pd.DataFrame:
    """Difference of every two devices on a model: Welch, from two sessions on.

    Without interval and p where one of them changed within the period: its mean is that of no
    state.
    """
    rows: list[dict[str, Any]] = []
    for (model, measurand, unit), mine in sessions.groupby(
        ["model", "measurand", "unit"], sort=False
    ):
        years = mine["at"].dt.strftime("%Y")
        for period in [*sorted(set(years)), "all"]:
            part = mine if period == "all" else mine[years == period]
            for a, b in combinations(sorted(set(part["device"])), 2):
                own = {d: part[part["device"] == d] for d in (a, b)}
                x, y = (own[d]["mean"].to_numpy(float) for d in (a, b))
                names = {"model": model, "measurand": measurand, "unit": unit, "period": period}
                row = {**names, "device_a": a, "device_b": b, **_difference(x, y, confidence)}
                key = (str(model), str(measurand))
                unlike = [d for d in (a, b) if _changed(own[d]["at"], changing.get((d, *key), ()))]
                if unlike:
                    row |= dict.fromkeys(("low", "high", "p"), np.nan)
                    row["changed"] = ", ".join(unlike)
                rows.append(row)
    return pd.DataFrame(rows)


def _difference(
    x: np.ndarray[Any, Any], y: np.ndarray[Any, Any], confidence: float
) -> dict[str, Any]:
    return {
        "sessions_a": len(x),
        "sessions_b": len(y),
        "difference": float(y.mean() - x.mean()),
        "confidence": confidence,
        "method": _WELCH,
        **welch(x, y, confidence),
    }


@dataclass(frozen=True, slots=True)
class DriftResult:
    """Tables whose name begins with ``drift_``, and findings on what could not be done, and why."""

    tables: dict[str, pd.DataFrame]
    findings: tuple[Finding, ...]


def analyze_drift(
    pairs: pd.DataFrame,
    singles: pd.DataFrame,
    poses: pd.DataFrame,
    implants: pd.DataFrame,
    scans: pd.DataFrame,
    events: pd.DataFrame,
    *,
    options: DriftOptions | None = None,
    reference_u: pd.DataFrame | None = None,
) -> DriftResult:
    """Find out whether a device is still what it was, and since when not.

    Parameters
    ----------
    pairs, singles : DataFrame
        Tables ``pair_deviations`` and ``implant_deviations``.
    poses, implants : DataFrame
        Tables ``poses`` (at the temperature of the reference) and ``implants``.
    scans : DataFrame
        Usable scans: ``scan, model, measured_at`` and, where there are any,
        ``device`` and ``session``.
    events : DataFrame
        Table ``events``; may be empty.
    options : DriftOptions, optional
        Settings.
    reference_u : DataFrame, optional
        As `accstudy.accuracy.reference_uncertainty.shared_uncertainty` gives it; the limit is
        guarded by it.

    Raises
    ------
    InputError
        If a scan has no date.

    Notes
    -----
    Sessions are the subgroups: all charts, trends and change points of a level
    rest on session means, whose spread holds the variation between sessions.

    ``false_alarm_every`` is kept for a device and model as a whole. Its charts
    share the risk: each is designed for that number times the effective number
    of measurands (`effective_number`) times `CHARTS_COUNT`, as charts of one
    measurand react to much the same. Change points of level and spread of all
    measurands share the risk `ALPHA`, as if they were independent.

    Charts serve class means, in which pairs that err in opposite ways cancel. The limit
    is held against every pair in every session (`accstudy.drift.conformity`).
    """
    settings = options or DriftOptions()
    values = scan_measurands(
        pairs, singles, poses, implants, scans, span_edges_mm=settings.span_edges_mm
    )
    rows, findings = Rows(), list[Finding]()
    devices = [
        Device(str(device), str(model), mine, events, implants, pairs, settings)
        for (device, model), mine in values.groupby(["device", "model"], sort=True)
    ]
    for device in devices:
        device.fill(rows)
        findings += device.findings
    whose = values[["scan", "model", "device", "session", "at"]].drop_duplicates("scan")
    limits, ahead = pd.DataFrame(), pd.DataFrame()
    if settings.limit_um is not None:
        begins = {(d.device, d.model): d.charted[0].stretch.rows["at"].iloc[0] for d in devices}
        own = _pairs_by_themselves(devices, pairs)
        limits, ahead = hold_limit(pairs, whose, _known_u(reference_u), begins, own, settings)
        rows.add("drift_limits", limits)
        rows.add("drift_pairs", ahead)
    for name in dict.fromkeys(d.device for d in devices):
        mine = [d for d in devices if d.device == name]
        charted = {d.model: [(c.stretch, c.standing) for c in d.charted] for d in mine}
        back = lookback_rows(name, whose, charted, limits)
        rows.add("drift_lookback", back)
        for one in mine:
            held = Held(*(_of(table, one) for table in (limits, back, ahead)))
            rows.add("drift_status", [device_status(one, held)])
            rows.add("drift_remarks", _remarks(one, rows, events, scans))
            findings += _neighbours_alike(one)
    if len(values):
        sessions = session_table(values)
        points = rows.so_far("drift_points")
        rows.add(
            "drift_periods", _periods(sessions, points, events, confidence=settings.confidence)
        )
        rows.add(
            "drift_devices",
            _between_devices(sessions, _changing(devices), confidence=settings.confidence),
        )
    return DriftResult(rows.tables(), tuple(findings))


def _known_u(reference_u: pd.DataFrame | None) -> dict[tuple[str, str, str], float]:
    """Standard uncertainty of the reference of every pair's distance."""
    if reference_u is None or not len(reference_u):
        return {}
    mine = reference_u[reference_u["measurand"] == "distance_um"]
    out: dict[tuple[str, str, str], float] = {}
    for model, subject, u in mine[["model", "subject", "u"]].to_numpy():
        a, _, b = str(subject).partition("-")
        key = (str(model), a, b)
        out[key] = max(out.get(key, float(u)), float(u))
    return out


def _pairs_by_themselves(
    devices: list[Device], pairs: pd.DataFrame
) -> dict[tuple[str, ...], Trend]:
    """Trend of every pair that is charted as the cross-arch distance."""
    out: dict[tuple[str, ...], Trend] = {}
    for one in devices:
        mine = pairs[pairs["model"] == one.model]
        ends = mine.loc[mine["steps"] == mine["steps"].max(), ["implant_a", "implant_b"]]
        named = [c.trend for c in one.charted if c.stretch.measurand == CROSS_ARCH]
        if len(ends := ends.drop_duplicates()) == 1 and named and named[0] is not None:
            a, b = ends.iloc[0].astype(str)
            out[(one.device, one.model, a, b)] = named[0]
    return out


def _remarks(
    one: Device, rows: Rows, events: pd.DataFrame, scans: pd.DataFrame
) -> list[dict[str, Any]]:
    points, trends, signals, baselines = (
        _of(rows.so_far(f"drift_{name}"), one)
        for name in ("points", "trends", "signals", "baselines")
    )
    mine = events[events["device"].fillna("").isin(["", one.device])] if len(events) else events
    own = _of(scans, one) if "device" in scans else scans
    names = {"device": one.device, "model": one.model}
    found = device_remarks(points, mine, trends, signals, own, baselines)
    return [names | row for row in found]


def _of(table: pd.DataFrame, one: Device) -> pd.DataFrame:
    if not len(table):
        return table
    return table[(table["device"] == one.device) & (table["model"] == one.model)]


_CORRELATED = 0.01


def _neighbours_alike(one: Device) -> list[Finding]:
    """A warning where sessions resemble their neighbours."""
    series = [c.series for c in one.charted if np.isfinite(c.series.rho_p)]
    worst = min(series, key=lambda s: s.rho_p, default=None)
    if worst is None or worst.rho_p * len(series) > _CORRELATED:
        return []
    return [
        Finding(
            Severity.WARNING,
            "sessions-alike",
            say(
                "findings.sessions_of_device_on", device=one.device, model=one.model, rho=worst.rho
            ),
            mend=say("findings.look_for_causes_that"),
        )
    ]
