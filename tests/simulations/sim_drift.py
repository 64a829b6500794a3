"""Do the drift charts alarm as rarely, and find changes as soon, as they say?

Run: OMP_NUM_THREADS=1 python tests/simulations/sim_drift.py [--repeats 1000] [--devices 200]

Simulations with fixed seeds and known truth, printed as tables:

1. known parameters: mean run length of every chart, in control and after a change,
   from the start (zero state) and after a quiet time (steady state), against the
   computed one;
2. parameters estimated from 6 to 60 baseline sessions: false alarms of every chart
   over those it was designed for, those of all charts together over those of
   independent ones, and the delay of a shift;
3. steady sessions whose neighbours are correlated: series with any signal of their level;
4. whole steady devices, all measurands, charts and change points: share with any
   sign within 18 sessions after the baseline.

Sessions have four scans: 3 um between sessions, 8 um within, so that a session mean
has a standard deviation of 5 um.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial

import numpy as np
import pandas as pd

from accstudy.compare.deviations import implant_deviations, pair_deviations
from accstudy.drift.analysis import analyze_drift
from accstudy.drift.control_limits import (
    HORIZON,
    MeanLimits,
    ScoreBaseline,
    SpreadLimits,
    largest_cusum,
    largest_ewma,
    mean_limits,
    sd_factors,
    sd_run_length,
)
from accstudy.drift.designs import CHARTS_COUNT, DriftOptions
from accstudy.drift.measurands import Baseline
from accstudy.drift.runlength import (
    NormalStep,
    ScoreStep,
    Step,
    cusum_limit,
    cusum_run_length,
    ewma_limit,
    ewma_run_length,
    range_limit,
    range_run_length,
    shewhart_limit,
    shewhart_run_length,
)
from accstudy.drift.stretch import OF_SD, Spread, Stretch, chart_points, chart_stretch
from accstudy.tables import empty, shape

NAMES = {"device": "A", "model": "M", "measurand": "x", "unit": "um", "number": 1}
ARCH = np.array([[-20, 0, 0], [-9, 16, 0], [9, 16, 0], [20, 0, 0]], float)
BETWEEN, WITHIN, N_SCANS = 3.0, 8.0, 4
SD_OF_MEAN = 5.0
LAMBDA, K, RATIO = 0.2, 0.5, 1.5


def sessions(
    rng: np.random.Generator,
    shift: np.ndarray,
    *,
    ratio: np.ndarray | float = 1.0,
    n: int = N_SCANS,
) -> pd.DataFrame:
    """Session table of one measurand whose mean and spread in each session are given."""
    spread = WITHIN * np.broadcast_to(ratio, shift.shape)
    scans = (shift + BETWEEN * rng.standard_normal(len(shift)))[:, None]
    scans = scans + spread[:, None] * rng.standard_normal((len(shift), n))
    return pd.DataFrame(
        {
            "session": [f"S{i}" for i in range(len(shift))],
            "at": pd.Timestamp("2024-01-01") + pd.to_timedelta(np.arange(len(shift)), "D"),
            "n_scans": n,
            "mean": scans.mean(axis=1),
            "sd": scans.std(axis=1, ddof=1) if n > 1 else np.nan,
        }
    )


def known_limits(run_length: float) -> tuple[MeanLimits, SpreadLimits]:
    """Limits of known parameters, with that in-control run length."""
    one, jump = shewhart_limit(run_length), range_limit(run_length)
    L, h = ewma_limit(LAMBDA, run_length), cusum_limit(K, run_length)
    means = MeanLimits(one, jump, L, h, one, jump, L, h, LAMBDA, K, 1000)
    return means, SpreadLimits(one, jump, L, h, one, jump, L, h, LAMBDA, K)


def known_stretch(rows: pd.DataFrame, run_length: float) -> Stretch:
    """Sessions with charts that know the truth."""
    means, scores = known_limits(run_length)
    return Stretch(
        device="A",
        model="M",
        measurand="x",
        unit="um",
        number=1,
        begins_with="",
        rows=rows,
        in_baseline=np.zeros(len(rows), bool),
        baseline=Baseline(("true",), 0.0, SD_OF_MEAN, WITHIN, 10**8, BETWEEN**2, 1 / N_SCANS),
        limits=means,
        spread=Spread(N_SCANS, ScoreBaseline(0.0, 1.0), scores, RATIO),
        run_length=run_length,
        shift=SD_OF_MEAN,
        note="",
    )


def computed(run_length: float, shift: float, ratio: float) -> dict[str, Callable[..., float]]:
    """Computed run length of every chart, as a function of the state."""
    means, scores = known_limits(run_length)
    low, high = (float(side) for side in sd_factors(N_SCANS, np.inf, run_length))

    def memoryless(length: float) -> Callable[..., float]:
        return lambda state: length

    # more spread within sessions spreads their means, too
    wider = np.sqrt(BETWEEN**2 + (ratio * WITHIN) ** 2 / N_SCANS) / SD_OF_MEAN
    mean: Step = NormalStep(shift / SD_OF_MEAN)
    score = ScoreStep(N_SCANS - 1, ratio)
    out = {
        "sd": memoryless(sd_run_length(N_SCANS, low, high, ratio)),
        "individuals-sd": memoryless(shewhart_run_length(scores.single, score)),
        "moving-range-sd": partial(range_run_length, scores.jump, score),
        "ewma-sd": partial(ewma_run_length, LAMBDA, scores.L, score),
        "cusum-sd": partial(cusum_run_length, K, scores.h, score),
    }
    if wider == 1:
        out |= {
            "mean": memoryless(shewhart_run_length(means.shewhart, mean)),
            "moving-range": partial(range_run_length, means.jump, mean),
            "ewma": partial(ewma_run_length, LAMBDA, means.L, mean),
            "cusum": partial(cusum_run_length, K, means.h, mean),
        }
    return out


def first_signals(points: pd.DataFrame, rows: pd.DataFrame, since: int) -> dict[str, float]:
    """Sessions from `since` to the first signal of every chart; NaN if it alarmed before."""
    order = {session: i for i, session in enumerate(rows["session"])}
    chart = points["chart"].str.removesuffix("-high").str.removesuffix("-low")
    signals = points[points["signal"]]
    at = signals["session"].map(order).groupby(chart).min()
    return {
        str(name): float(at.get(name, len(rows)) - since + 1) if at.get(name, since) >= since
        else np.nan
        for name in chart.unique()
    }  # fmt: skip


def run_lengths(
    *,
    shift: float,
    ratio: float,
    state: str,
    repeats: int,
    run_length: float = 50.0,
    quiet: int = 40,
    seed: int = 1,
) -> pd.DataFrame:
    """Simulated and computed run length of every chart with known parameters.

    Parameters
    ----------
    shift : float
        Of the mean, um.
    ratio : float
        Growth of the standard deviation within sessions.
    state : {"zero", "steady"}
        The change is there from the start, or comes after quiet sessions.
    repeats : int
        Series.
    run_length : float
        In-control run length of the charts.
    quiet : int
        Quiet sessions before a change in the steady state.
    seed : int
        Of the series.

    Returns
    -------
    DataFrame
        ``chart, found, error`` (one standard error), ``computed``.
    """
    rng = np.random.default_rng(seed)
    quiet = quiet if state == "steady" else 0
    changed = np.arange(quiet + 12 * int(run_length)) >= quiet
    found: dict[str, list[float]] = {}
    for _ in range(repeats):
        rows = sessions(rng, shift * changed, ratio=np.where(changed, ratio, 1.0))
        points = chart_points(known_stretch(rows, run_length))
        for chart, length in first_signals(points, rows, quiet).items():
            found.setdefault(chart, []).append(length)
    out = []
    for chart, length_at in computed(run_length, shift, ratio).items():
        values = np.array(found[chart])
        values = values[np.isfinite(values)]
        error = values.std(ddof=1) / np.sqrt(len(values))
        out.append((chart, values.mean(), error, length_at(state=state)))
    return pd.DataFrame(out, columns=["chart", "found", "error", "computed"])


def false_alarms(
    sessions_of_baseline: int, *, repeats: int, n: int = N_SCANS, run_length: float = 100.0
) -> pd.DataFrame:
    """False alarms of charts with an estimated baseline, over those of known parameters.

    Returns
    -------
    DataFrame
        ``chart, found, error, designed``: signals a session of charts of single
        values, and for EWMA and CUSUM the share of series that alarm within
        `HORIZON` sessions, which is what each is designed for; ``all`` is the
        share with any alarm, designed for `CHARTS_COUNT` independent charts.
    """
    rng = np.random.default_rng(sessions_of_baseline)
    count = sessions_of_baseline + HORIZON
    seen: dict[str, list[float]] = {"all": []}
    for _ in range(repeats):
        stretch = chart_stretch(
            NAMES,
            sessions(rng, np.zeros(count), n=n),
            np.arange(count) < sessions_of_baseline,
            begins_with="",
            run_length=run_length,
            shift=None,
        )
        points = chart_points(stretch)
        chart = points["chart"].str.removesuffix("-high").str.removesuffix("-low")
        signals = points["signal"].groupby([chart, points["session"]]).any()
        seen["all"].append(float(points["signal"].any()))
        for name, flags in signals.groupby(level=0):
            memory = str(name).startswith(("ewma", "cusum"))
            value = float(flags.any()) if memory else float(flags.sum()) / HORIZON
            seen.setdefault(str(name), []).append(value)
    designed = designed_for(stretch, run_length)
    out = [
        (chart, np.mean(v), np.std(v) / np.sqrt(len(v)), designed.get(chart, 1 / run_length))
        for chart, v in seen.items()
    ]
    return pd.DataFrame(out, columns=["chart", "found", "error", "designed"])


def designed_for(stretch: Stretch, run_length: float) -> dict[str, float]:
    """Risk of an alarm within the horizon of EWMA and CUSUM that know their parameters."""
    z = np.random.default_rng(7).standard_normal((200_000, HORIZON))
    out = {"all": 1 - (1 - 1 / run_length) ** (HORIZON * CHARTS_COUNT)}
    for end, limits in (("", stretch.limits), ("-sd", stretch.spread and stretch.spread.limits)):
        if limits is not None:
            average, sums = largest_ewma(z, limits.lambda_), largest_cusum(z, limits.k)
            out[f"ewma{end}"] = float(np.mean(average > limits.L_known))
            out[f"cusum{end}"] = float(np.mean(sums > limits.h_known))
    return out


def estimated_delays(
    sessions_of_baseline: int, *, repeats: int, shift: float = 10.0, run_length: float = 100.0
) -> pd.DataFrame:
    """Mean delay after ten quiet sessions with an estimated baseline, and as computed.

    Returns
    -------
    DataFrame
        ``chart, found, error, computed``: computed as the report does it, from the
        widened limits and as if the baseline's estimates were the truth.
    """
    rng = np.random.default_rng(sessions_of_baseline)
    m, quiet = sessions_of_baseline, 10
    level = np.r_[np.zeros(m + quiet), np.full(200, shift)]
    found: dict[str, list[float]] = {"ewma": [], "cusum": []}
    told: dict[str, list[float]] = {"ewma": [], "cusum": []}
    for _ in range(repeats):
        rows = sessions(rng, level)
        base = np.arange(len(rows)) < m
        stretch = chart_stretch(
            NAMES, rows, base, begins_with="", run_length=run_length, shift=shift
        )
        assert stretch.limits is not None
        assert stretch.baseline is not None
        s, one = round(shift / stretch.baseline.sd_of_means, 2), stretch.limits
        lengths = first_signals(chart_points(stretch), rows, m + quiet)
        for chart, length in (
            ("ewma", ewma_run_length(one.lambda_, one.L, s, state="steady")),
            ("cusum", cusum_run_length(one.k, one.h, s, state="steady")),
        ):
            if np.isfinite(lengths[chart]):
                found[chart].append(lengths[chart])
                told[chart].append(length)
    out = [
        (chart, np.mean(v), np.std(v) / np.sqrt(len(v)), np.mean(told[chart]))
        for chart, v in found.items()
    ]
    return pd.DataFrame(out, columns=["chart", "found", "error", "computed"])


def correlated_alarms(
    rho: float, *, repeats: int, baseline: int = 10, after: int = 18, every: float = 370.0
) -> tuple[float, float]:
    """Share of steady series with a signal of their level within `after` sessions.

    Neighbouring sessions are correlated by `rho`. The second share is that of the same
    charts had they no correlation to allow for.
    """
    rng = np.random.default_rng(round(100 * rho) + 5)
    count = baseline + after
    alarms = np.zeros(2)
    for _ in range(repeats):
        noise = rng.standard_normal(count)
        for i in range(1, count):
            noise[i] = rho * noise[i - 1] + np.sqrt(1 - rho**2) * noise[i]
        rows = sessions(rng, np.zeros(count)).assign(mean=SD_OF_MEAN * noise)
        stretch = chart_stretch(
            NAMES,
            rows,
            np.arange(count) < baseline,
            begins_with="",
            run_length=every * CHARTS_COUNT,
            shift=SD_OF_MEAN,
        )
        assert stretch.limits is not None
        plain = mean_limits(baseline, stretch.run_length, stretch.limits.lambda_, stretch.limits.k)
        for k, one in enumerate((stretch, replace(stretch, limits=plain))):
            points = chart_points(one)
            alarms[k] += points.loc[~points["chart"].isin(OF_SD), "signal"].any()
    return float(alarms[0] / repeats), float(alarms[1] / repeats)


def steady_device(rng: np.random.Generator, count: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Poses and scan list of a device that does not change."""
    poses, scans = [], []
    for i in range(count):
        common = 60e-6 * rng.standard_normal()
        for r in range(4):
            centres = ARCH * (1 + common) + rng.normal(0, 0.008, ARCH.shape)
            axes = np.array([0.0, 0.0, 1.0]) + rng.normal(0, 0.001, ARCH.shape)
            frame = reference(centres, axes / np.linalg.norm(axes, axis=1, keepdims=True))
            poses.append(frame.assign(scan=f"{i}_{r}", status="ok"))
            day = pd.Timestamp("2024-01-08") + pd.Timedelta(days=30 * i, minutes=r)
            scans.append((f"{i}_{r}", "M", "A", f"S{i}", day))
    columns = ["scan", "model", "device", "session", "measured_at"]
    return shape("poses", pd.concat(poses)), pd.DataFrame(scans, columns=columns)


def reference(centres: np.ndarray, axes: np.ndarray) -> pd.DataFrame:
    """Rows of table implants."""
    table = pd.DataFrame({"model": "M", "implant": ["I1", "I2", "I3", "I4"], "angulation_deg": 0.0})
    table[["x_mm", "y_mm", "z_mm"]] = centres
    table[["axis_x", "axis_y", "axis_z"]] = axes
    return shape("implants", table)


def whole_devices(devices: int, *, baseline: int = 6) -> pd.DataFrame:
    """Steady devices on which anything is found within 18 sessions after the baseline."""
    rng = np.random.default_rng(3)
    implants = reference(ARCH, np.tile([0.0, 0.0, 1.0], (4, 1)))
    signs = {"signal": 0, "change-point": 0}
    for _ in range(devices):
        poses, scans = steady_device(rng, baseline + 18)
        found = analyze_drift(
            pair_deviations(poses, implants),
            implant_deviations(poses, implants),
            poses,
            implants,
            scans,
            empty("events"),
            options=DriftOptions(baseline_sessions=baseline, false_alarm_every=370.0),
        )
        kinds = set(found.tables["drift_signals"]["kind"])
        for kind in signs:
            signs[kind] += kind in kinds
    designed = {"signal": 1 - (1 - 1 / 370) ** 18, "change-point": 0.01}
    rows = [
        (
            kind,
            k / devices,
            np.sqrt(designed[kind] * (1 - designed[kind]) / devices),
            designed[kind],
        )
        for kind, k in signs.items()
    ]
    return pd.DataFrame(rows, columns=["chart", "found", "error", "designed"])


def _markdown(rows: list[list[str]]) -> Iterator[str]:
    yield "| " + " | ".join(rows[0]) + " |"
    yield "|" + "---|" * len(rows[0])
    for row in rows[1:]:
        yield "| " + " | ".join(row) + " |"


def _tables(repeats: int, devices: int) -> Iterator[str]:
    yield "Known parameters, run length 50 in control: found +- two standard errors / computed\n"
    cases = {
        "in control, zero state": {"shift": 0.0, "ratio": 1.0, "state": "zero"},
        "mean + 5 µm, zero state": {"shift": 5.0, "ratio": 1.0, "state": "zero"},
        "mean + 5 µm, steady state": {"shift": 5.0, "ratio": 1.0, "state": "steady"},
        "spread x 1.5, zero state": {"shift": 0.0, "ratio": 1.5, "state": "zero"},
        "spread x 1.5, steady state": {"shift": 0.0, "ratio": 1.5, "state": "steady"},
    }
    found = {
        name: run_lengths(repeats=repeats, seed=i, **case).set_index("chart")
        for i, (name, case) in enumerate(cases.items(), start=1)
    }
    charts = ["mean", "moving-range", "ewma", "cusum", *(c for c in OF_SD if "cusum" not in c)]
    rows = [["chart", *cases]]
    for chart in [*charts, "cusum-sd"]:
        told = (table.loc[chart] if chart in table.index else None for table in found.values())
        cells = [
            "" if r is None else f"{r.found:.1f} +- {2 * r.error:.1f} / {r.computed:.1f}"
            for r in told
        ]
        rows.append([chart, *cells])
    yield from _markdown(rows)
    yield "\nEstimated baselines: false alarms found over designed, +- two standard errors\n"
    columns = {}
    for m in (6, 10, 20, 60):
        columns[f"{m} sessions"] = false_alarms(m, repeats=repeats).set_index("chart")
        columns[f"{m} of one scan"] = false_alarms(m, repeats=repeats, n=1).set_index("chart")
    several = [name for name in columns if "one" not in name]
    rows = [["chart", *several]]
    parts = (
        (list(columns[several[0]].index), several, ""),
        (
            ["individuals", "moving-range", "ewma", "cusum"],
            [name for name in columns if "one" in name],
            ", sessions of one scan",
        ),
    )
    for charts, shown, which in parts:
        for chart in charts:
            cells = []
            for name in shown:
                r = columns[name].loc[chart]
                cells.append(f"{r.found / r.designed:.2f} +- {2 * r.error / r.designed:.2f}")
            rows.append([chart + which, *cells])
    yield from _markdown(rows)
    yield "\nDelay of a shift of 10 µm after an estimated baseline: found / computed\n"
    rows = [["chart", "10 sessions", "20 sessions", "60 sessions"], ["ewma"], ["cusum"]]
    for m in (10, 20, 60):
        for k, r in enumerate(estimated_delays(m, repeats=repeats).itertuples(), start=1):
            rows[k].append(f"{r.found:.1f} +- {2 * r.error:.1f} / {r.computed:.1f}")
    yield from _markdown(rows)
    yield "\nCorrelated neighbours: series with a signal of their level within 18 sessions\n"
    rows = [["correlation", "as charted", "without allowance"]]
    for rho in (0.0, 0.3, 0.6):
        allowed, plain = correlated_alarms(rho, repeats=repeats)
        rows.append([f"{rho:g}", f"{allowed:.3f}", f"{plain:.3f}"])
    yield from _markdown(rows)
    yield f"\nSteady devices with a sign within 18 sessions, of {devices}\n"
    rows = [["sign", "found", "designed"]]
    for r in whole_devices(devices).itertuples():
        rows.append([str(r.chart), f"{r.found:.3f} +- {2 * r.error:.3f}", f"{r.designed:.3f}"])
    yield from _markdown(rows)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description="Do drift charts alarm as they say?")
    parser.add_argument("--repeats", type=int, default=1000)
    parser.add_argument("--devices", type=int, default=200)
    asked = parser.parse_args()
    start = time.perf_counter()
    for line in _tables(asked.repeats, asked.devices):
        print(line, flush=True)
    print(f"\n{time.perf_counter() - start:.0f} s")
