"""The whole drift analysis: scans of all devices to charts, signals, trends and advice."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from accstudy.drift.designs import effective_number
from accstudy.drift.device import Device, limits_of
from accstudy.drift.lookback import lookback_rows
from accstudy.drift.measurands import scan_measurands
from accstudy.drift.options import ALPHA, DriftOptions, Rows
from accstudy.drift.signals import Found
from accstudy.drift.stretch import Stretch
from accstudy.errors import Finding

__all__ = ["ALPHA", "DriftOptions", "DriftResult", "analyze_drift", "effective_number"]


@dataclass(frozen=True, slots=True)
class DriftResult:
    """Everything that follows from the sessions.

    Parameters
    ----------
    tables : dict
        ``drift_points``, ``drift_signals``, ``drift_baselines``,
        ``drift_run_lengths``, ``drift_trends``, ``drift_comparisons``,
        ``drift_lookback``, ``drift_advice``, ``drift_next_checks``.
    sentences : dict
        For each (device, model): what was found, most important first.
    findings : tuple of Finding
        What could not be done, and why.
    """

    tables: dict[str, pd.DataFrame]
    sentences: dict[tuple[str, str], tuple[str, ...]]
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

    After a change the trend is that of the sessions since. Its p value does not
    know that the beginning was chosen from the same data, so it is too small
    there; the change point's own p value knows.
    """
    settings = options or DriftOptions()
    values = scan_measurands(
        pairs, singles, poses, implants, scans, span_edges_mm=settings.span_edges_mm
    )
    rows, sentences = Rows(), {}
    findings: list[Finding] = []
    whose = values[["scan", "model", "device", "session", "at"]].drop_duplicates("scan")
    charted: dict[str, dict[str, list[tuple[Stretch, list[Found]]]]] = {}
    for (device, model), mine in values.groupby(["device", "model"], sort=True):
        one = Device(str(device), str(model), mine, events, implants, pairs, settings)
        charted.setdefault(str(device), {})[str(model)] = one.fill(rows)
        findings += one.findings
        sentences[(str(device), str(model))] = tuple(one.sentences)
    limits = limits_of(settings, values)
    for device, models in charted.items():
        rows.add("drift_lookback", lookback_rows(device, whose, models, limits))
    return DriftResult(rows.tables(), sentences, tuple(findings))
