"""The whole drift analysis: scans of all devices to charts, signals, trends and advice."""

from __future__ import annotations

import datetime as dt
import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from accstudy.drift.comparisons import compare_baselines
from accstudy.drift.lookback import lookback_rows
from accstudy.drift.measurands import CROSS_ARCH, SCALE, scan_measurands
from accstudy.drift.points import Stretch, chart_points, chart_stretch
from accstudy.drift.projection import next_check, project, sample_advice
from accstudy.drift.rules import RULES, rule_run_lengths
from accstudy.drift.runlength import (
    cusum_run_length,
    ewma_run_length,
    shewhart_run_length,
)
from accstudy.drift.sentences import device_sentence, run_length_sentence, trend_sentence
from accstudy.drift.sessions import MIN_SESSIONS, session_table, starts
from accstudy.drift.signals import (
    Found,
    change_signals,
    chart_signals,
    precision_changes,
    series_changes,
)
from accstudy.drift.trend import mann_kendall, mixed_trend, theil_sen
from accstudy.errors import Finding, Severity
from accstudy.tables import shape

__all__ = ["ALPHA", "DriftOptions", "DriftResult", "analyze_drift", "effective_number"]

ALPHA = 0.01
"""Risk, a device and model, that change points are seen where there are none."""

TABLE_NAMES = (
    "drift_points",
    "drift_signals",
    "drift_baselines",
    "drift_run_lengths",
    "drift_trends",
    "drift_comparisons",
    "drift_lookback",
    "drift_advice",
    "drift_next_checks",
)


@dataclass(frozen=True, slots=True)
class DriftOptions:
    """Settings of the analysis.

    Parameters
    ----------
    baseline_sessions : int
        Sessions of every baseline.
    baseline_until : date, optional
        Last day of the first baseline, instead of the number.
    false_alarm_every : float
        Sessions between false alarms of a device, all its charts together.
    shift_um : float
        Shift that should be found soon.
    run_rules : bool
        Look for runs, trends and alternation, too.
    limit_um : float, optional
        Limit of distances.
    span_edges_mm : tuple of float
        Borders of the span classes.
    coverage, confidence : float
        Of tolerance bounds and intervals.
    """

    baseline_sessions: int = 6
    baseline_until: dt.date | None = None
    false_alarm_every: float = 370.0
    shift_um: float = 20.0
    run_rules: bool = False
    limit_um: float | None = None
    span_edges_mm: tuple[float, ...] = (15.0, 30.0)
    coverage: float = 0.95
    confidence: float = 0.95


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


@dataclass
class _Rows:
    """Rows of all tables as they are found."""

    frames: dict[str, list[pd.DataFrame]] = field(
        default_factory=lambda: {name: [] for name in TABLE_NAMES}
    )

    def add(self, name: str, frame: pd.DataFrame | Sequence[dict[str, Any]]) -> None:
        rows = frame if isinstance(frame, pd.DataFrame) else pd.DataFrame(list(frame))
        if len(rows):
            self.frames[name].append(shape(name, rows))

    def tables(self) -> dict[str, pd.DataFrame]:
        return {
            name: shape(name, pd.concat(found, ignore_index=True) if found else pd.DataFrame())
            for name, found in self.frames.items()
        }


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
    share the risk: each is designed for that number times twice the effective
    number of measurands (`effective_number`; twice for location and precision).
    Charts of one measurand react to the same changes and count once. Change
    points share the risk `ALPHA` in the same way.

    After a change the trend is that of the sessions since. Its p value does not
    know that the beginning was chosen from the same data, so it is too small
    there; the change point's own p value knows.
    """
    settings = options or DriftOptions()
    values = scan_measurands(
        pairs, singles, poses, implants, scans, span_edges_mm=settings.span_edges_mm
    )
    rows, sentences = _Rows(), {}
    findings: list[Finding] = []
    whose = values[["scan", "model", "device", "session", "at"]].drop_duplicates("scan")
    standing: dict[str, list[tuple[Stretch, list[Found]]]] = {}
    for (device, model), mine in values.groupby(["device", "model"], sort=True):
        one = _Device(str(device), str(model), mine, events, implants, pairs, settings)
        stands = one.fill(rows)
        standing.setdefault(str(device), []).extend(stands)
        findings += one.findings
        sentences[(str(device), str(model))] = tuple(one.sentences)
    for device, stands in standing.items():
        if stands:
            limits = _limits(settings, values)
            rows.add("drift_lookback", lookback_rows(device, whose, stands, limits))
    return DriftResult(rows.tables(), sentences, tuple(findings))


def effective_number(values: pd.DataFrame) -> int:
    """Number of independent measurands that the correlated ones amount to.

    Parameters
    ----------
    values : DataFrame
        ``scan, session, measurand, value`` of one device and model.

    Returns
    -------
    int
        From 1 to the number of measurands, rounded up; from the correlation of
        scans within their sessions, which no drift between sessions touches.

    References
    ----------
    Galwey, Genetic Epidemiology 33 (2009) 559-568: the squared sum of the roots
    of the eigenvalues over the sum of the eigenvalues.
    """
    count = max(values["measurand"].nunique(), 1)
    wide = values.set_index(["scan", "measurand"])["value"].unstack().dropna()  # noqa: PD010
    session = values.drop_duplicates("scan").set_index("scan")["session"].loc[wide.index]
    within = wide - wide.groupby(session).transform("mean")
    if len(wide) - session.nunique() < 2 * count or (within.std() <= 0).any():
        return count
    eigen = np.maximum(np.linalg.eigvalsh(within.corr().to_numpy()), 0.0)
    return int(np.ceil(np.sum(np.sqrt(eigen)) ** 2 / np.sum(eigen) - 1e-9))


def _limits(settings: DriftOptions, values: pd.DataFrame) -> dict[str, float]:
    if settings.limit_um is None:
        return {}
    lengths = values.loc[values["unit"] == "um", "measurand"].unique()
    return {str(name): settings.limit_um for name in lengths}


class _Device:
    """Analysis of one device on one model."""

    def __init__(
        self,
        device: str,
        model: str,
        values: pd.DataFrame,
        events: pd.DataFrame,
        implants: pd.DataFrame,
        pairs: pd.DataFrame,
        settings: DriftOptions,
    ) -> None:
        self.device, self.model = device, model
        self.values, self.events, self.settings = values, events, settings
        self.sessions = session_table(values)
        self.starts = starts(device, model, events, implants)
        self.limits = _limits(settings, values)
        self.measurands = list(dict.fromkeys(self.sessions["measurand"]))
        self.family = 2 * effective_number(self._first_baseline())
        spans = pairs.loc[pairs["model"] == model, "span_mm"]
        self.span_mm = float(spans.max()) if len(spans) else np.nan
        self.findings: list[Finding] = []
        self.sentences: list[str] = []

    def _first_baseline(self) -> pd.DataFrame:
        """Scans of the first baseline: what is designed from them stays as it is."""
        order = self.sessions.sort_values("at", kind="stable").drop_duplicates("session")
        until = self.settings.baseline_until
        chosen = order.head(self.settings.baseline_sessions)
        if until is not None:
            chosen = order[order["at"].dt.normalize() <= pd.Timestamp(until)]
        return self.values[self.values["session"].isin(chosen["session"])]

    def fill(self, rows: _Rows) -> list[tuple[Stretch, list[Found]]]:
        """Add this device's rows to all tables; return what stands."""
        stands: list[tuple[Stretch, list[Found]]] = []
        told: list[Found] = []
        checks: list[dict[str, Any]] = []
        compared: list[dict[str, Any]] = []
        current: list[Stretch] = []
        trends: list[dict[str, Any]] = []
        for measurand in self.measurands:
            stretches = list(self._stretches(measurand))
            compared += [compare_baselines(a, b) for a, b in itertools.pairwise(stretches)]
            for stretch in stretches:
                last = stretch is stretches[-1]
                found, trend, check = self._stretch(stretch, rows, last=last)
                told += found
                trends += trend
                if last:
                    current.append(stretch)
                    checks += check
                    open_ones = [one for one in found if one.stands]
                    if open_ones:
                        stands.append((stretch, open_ones))
        rows.add("drift_comparisons", compared)
        rows.add("drift_trends", trends)
        if checks:
            rows.add("drift_next_checks", [min(checks, key=lambda c: c["day"])])
        self._speak(told, stands, compared, trends, current, checks)
        return stands

    def _stretches(self, measurand: str) -> Iterator[Stretch]:
        mine = self.sessions[self.sessions["measurand"] == measurand]
        unit = str(mine["unit"].iloc[0])
        days = np.array([day for day, _ in self.starts], dtype="datetime64[ns]")
        number = np.searchsorted(days, mine["at"].to_numpy("datetime64[ns]"), side="right")
        for count, k in enumerate(np.unique(number), start=1):
            rows = mine[number == k].reset_index(drop=True)
            in_baseline = np.arange(len(rows)) < self.settings.baseline_sessions
            until = self.settings.baseline_until
            if count == 1 and until is not None:
                in_baseline = (rows["at"].dt.normalize() <= pd.Timestamp(until)).to_numpy()
            yield chart_stretch(
                {
                    "device": self.device,
                    "model": self.model,
                    "measurand": measurand,
                    "unit": unit,
                    "number": count,
                },
                rows,
                in_baseline,
                begins_with=self.starts[k - 1][1] if k else "",
                run_length=self.settings.false_alarm_every * self.family,
                shift=self._shift(measurand, unit),
            )

    def _shift(self, measurand: str, unit: str) -> float | None:
        """Shift to be found, in the unit; None: one standard deviation of a session mean."""
        if unit == "um":
            return self.settings.shift_um
        if measurand == SCALE and self.span_mm > 0:
            return 1000 * self.settings.shift_um / self.span_mm
        return None

    def _stretch(
        self, stretch: Stretch, rows: _Rows, *, last: bool
    ) -> tuple[list[Found], list[dict[str, Any]], list[dict[str, Any]]]:
        points = chart_points(stretch, run_rules=self.settings.run_rules)
        rows.add("drift_points", points)
        rows.add("drift_baselines", [_baseline_row(stretch)])
        if stretch.baseline is None and stretch.measurand == self.measurands[0]:
            self.findings.append(
                Finding(
                    Severity.WARNING,
                    "no-baseline",
                    f'device "{stretch.device}" on model "{stretch.model}" has no charts from '
                    f"{stretch.rows['at'].iloc[0]:%Y-%m-%d} on: {stretch.note}",
                    mend=f"hold {MIN_SESSIONS} sessions or more before judging",
                )
            )
        alpha = ALPHA / self.family
        series = series_changes(stretch, alpha=alpha)
        found = list(chart_signals(stretch, points, self.events))
        found += change_signals(stretch, series, stretch.rows, self.events, of_sd=False)
        spread, spread_rows = precision_changes(stretch, alpha=alpha)
        if spread is not None:
            found += change_signals(stretch, spread, spread_rows, self.events, of_sd=True)
        since = series.changes[-1].index if series.changes else 0
        trend, check = self._trend(stretch, since, [f for f in found if f.stands], points)
        rows.add("drift_signals", [f.row for f in found])
        if last:
            rows.add("drift_run_lengths", _run_length_rows(stretch))
            rows.add("drift_advice", sample_advice(stretch))
        return found, trend, check

    def _trend(
        self, stretch: Stretch, since: int, standing: list[Found], points: pd.DataFrame
    ) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
        regime = stretch.rows.iloc[since:]
        limit = self.limits.get(stretch.measurand)
        scans = self.values[
            (self.values["measurand"] == stretch.measurand)
            & self.values["session"].isin(regime["session"])
        ]
        trend = mixed_trend(scans, confidence=self.settings.confidence)
        projection = None
        last = pd.Timestamp(regime["at"].iloc[-1])
        rows: list[dict[str, Any]] = []
        if trend is not None:
            days = (regime["at"] - regime["at"].iloc[0]).dt.total_seconds() / 86_400
            times = days.to_numpy(float) / 30.436875
            robust = theil_sen(regime["mean"], times, confidence=self.settings.confidence)
            kendall = mann_kendall(regime["mean"].to_numpy(float), times)
            if limit is not None:
                projection = project(
                    trend,
                    last,
                    limit,
                    coverage=self.settings.coverage,
                    confidence=self.settings.confidence,
                )
            grows = trend.p < 1 - self.settings.confidence
            row = {
                **stretch.names,
                "since": regime["at"].iloc[0],
                "until": last,
                "n_sessions": trend.sessions,
                "n_scans": trend.scans,
                "slope_per_month": trend.slope,
                "slope_low_per_month": trend.low,
                "slope_high_per_month": trend.high,
                "p": trend.p,
                "theil_sen_per_month": robust.slope,
                "theil_sen_low_per_month": robust.low,
                "theil_sen_high_per_month": robust.high,
                "mann_kendall_s": kendall.S,
                "mann_kendall_p": kendall.p,
                "limit": limit,
            }
            if projection is not None and (grows or projection.reached):
                row["reached_at"] = last if projection.reached else projection.at
                row["reached_low"], row["reached_high"] = projection.low, projection.high
            row["what"] = trend_sentence(stretch, trend, projection, limit, grows=grows)
            rows.append(row)
        day, why = next_check(stretch, trend, projection, limit, stands=bool(standing))
        check = {
            "device": self.device,
            "model": self.model,
            "measurand": stretch.measurand,
            "day": day,
            "why": why,
        }
        return rows, [check]

    def _speak(
        self,
        told: list[Found],
        stands: list[tuple[Stretch, list[Found]]],
        compared: list[dict[str, Any]],
        trends: list[dict[str, Any]],
        current: list[Stretch],
        checks: list[dict[str, Any]],
    ) -> None:
        sessions = self.sessions.drop_duplicates("session")
        self.sentences.append(
            device_sentence(self.device, self.model, sessions, told, bool(stands))
        )
        self.sentences += [f.row["what"] for f in told if f.row["kind"] == "change-point"]
        self.sentences += [row["what"] for row in compared]
        told_trends = [row for row in trends if row["measurand"] == CROSS_ARCH] or trends[:1]
        self.sentences += [row["what"] for row in told_trends[-1:]]
        spoken = [s for s in current if s.measurand == CROSS_ARCH and s.limits is not None]
        for stretch in spoken[:1]:
            self.sentences.append(run_length_sentence(stretch, self.settings.false_alarm_every))
        if checks:
            self.sentences.append(str(min(checks, key=lambda c: c["day"])["why"]))


def _baseline_row(stretch: Stretch) -> dict[str, Any]:
    base = stretch.rows[stretch.in_baseline]
    row: dict[str, Any] = {
        **stretch.names,
        "begins_with": stretch.begins_with,
        "n_sessions": len(base),
        "n_scans": int(base["n_scans"].sum()),
        "run_length": stretch.run_length,
        "note": stretch.note,
    }
    if len(base):
        row.update(
            first_session=base["session"].iloc[0],
            last_session=base["session"].iloc[-1],
            until=base["at"].iloc[-1],
        )
    baseline, limits = stretch.baseline, stretch.limits
    if baseline is not None and limits is not None:
        between = max(baseline.var_between, 0.0)  # NaN for single scans stays NaN
        row.update(
            centre=baseline.centre,
            sd_of_means=baseline.sd_of_means,
            sd_within=baseline.sd_within,
            sd_between=np.nan if np.isnan(baseline.var_between) else np.sqrt(between),
            shewhart_limit=limits.shewhart,
            lambda_=limits.lambda_,
            ewma_limit=limits.L,
            k=limits.k,
            h=limits.h,
            widened=limits.L / limits.L_known,
        )
    return row


def _run_length_rows(stretch: Stretch) -> list[dict[str, Any]]:
    """In-control and out-of-control run lengths of the charts as designed and as used."""
    baseline, limits = stretch.baseline, stretch.limits
    if baseline is None or limits is None:
        return []
    single = bool((stretch.rows["n_scans"] == 1).all())
    shifts = [0.0, *(f * baseline.sd_of_means for f in (0.5, 1.0, 2.0, 3.0)), stretch.shift]
    rows = []
    for which in ("known", "used"):
        known = which == "known"
        L, h, one = (
            (limits.L_known, limits.h_known, limits.shewhart_known)
            if known
            else (limits.L, limits.h, limits.shewhart)
        )
        for shift in sorted(set(shifts)):
            s = round(shift / baseline.sd_of_means, 4)
            lengths = {
                "individuals" if single else "mean": (shewhart_run_length(one, s),) * 2,
                "ewma": tuple(_ewma_both(limits.lambda_, L, s)),
                "cusum": tuple(_cusum_both(limits.k, h, s)),
            }
            rows += [
                {
                    **stretch.names,
                    "chart": chart,
                    "shift": shift,
                    "shift_sigma": s,
                    "zero_state": zero if zero < _UNTOLD else np.inf,
                    "steady_state": steady if steady < _UNTOLD else np.inf,
                    "limits": which,
                }
                for chart, (zero, steady) in lengths.items()
            ]
    prices = rule_run_lengths(limits.shewhart_known)
    rows += [
        {
            **stretch.names,
            "chart": rule,
            "shift": 0.0,
            "shift_sigma": 0.0,
            "zero_state": prices[rule],
            "limits": "known",
        }
        for rule in RULES
    ]
    return rows


_UNTOLD = 1e9  # run lengths beyond are lost in rounding and of no interest


def _ewma_both(lambda_: float, L: float, shift: float) -> Iterator[float]:
    for state in ("zero", "steady"):
        found = ewma_run_length(lambda_, L, shift, state=state)
        yield found if found > 0 else np.inf


def _cusum_both(k: float, h: float, shift: float) -> Iterator[float]:
    for state in ("zero", "steady"):
        found = cusum_run_length(k, h, shift, state=state)
        yield found if found > 0 else np.inf
