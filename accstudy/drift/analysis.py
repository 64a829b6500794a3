"""The whole drift analysis: scans of all devices to charts, signals, trends and advice."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from accstudy.drift.designs import effective_number
from accstudy.drift.device import Device
from accstudy.drift.lookback import lookback_rows
from accstudy.drift.measurands import CROSS_ARCH, scan_measurands
from accstudy.drift.options import ALPHA, DriftOptions, Rows
from accstudy.drift.overview import between_devices, periods
from accstudy.drift.sessions import session_table
from accstudy.drift.status import Held, device_status
from accstudy.drift.trend import Trend
from accstudy.drift.verdicts import hold_limit
from accstudy.errors import Finding, Severity

__all__ = ["ALPHA", "DriftOptions", "DriftResult", "analyze_drift", "effective_number"]


@dataclass(frozen=True, slots=True)
class DriftResult:
    """Everything that follows from the sessions.

    Parameters
    ----------
    tables : dict
        Those whose name begins with ``drift_``, see `accstudy.tables`.
    findings : tuple of Finding
        What could not be done, and why.
    """

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
        As `accstudy.accuracy.reference.shared_uncertainty` gives it; the limit is guarded
        by it.

    Returns
    -------
    DriftResult

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
    is held against every pair in every session (`accstudy.drift.limits`).
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
        limits, found = hold_limit(pairs, whose, _known_u(reference_u), begins, own, settings)
        ahead = pd.DataFrame(found)
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
            findings += _neighbours_alike(one)
    if len(values):
        sessions = session_table(values)
        points = rows.so_far("drift_points")
        rows.add("drift_periods", periods(sessions, points, events, confidence=settings.confidence))
        rows.add("drift_devices", between_devices(sessions, confidence=settings.confidence))
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
            f'sessions of device "{one.device}" on model "{one.model}" are autocorrelated '
            f"(correlation {worst.rho:.1f} between neighbours): control limits are wider, and "
            "changes are detected later",
            mend="look for causes that persist over sessions, such as temperature or operator",
        )
    ]
