"""Do the drift charts alarm as rarely, and find shifts as soon, as they say?

Run: python tests/simulations/sim_drift.py [devices]

Three simulations with fixed seeds and known truth:
1. charts of one measurand after baselines of several lengths, nothing changes:
   share of series with an alarm within 24 sessions, against the designed one;
2. a shift after a long baseline: mean delay against the computed steady state;
3. whole steady devices (all measurands, all charts, change points): share with
   any sign within 18 sessions after the baseline.
"""

from __future__ import annotations

import sys
import time

import numpy as np
import pandas as pd

from accstudy.compare.deviations import implant_deviations, pair_deviations
from accstudy.drift.analysis import DriftOptions, analyze_drift
from accstudy.drift.estimated import HORIZON
from accstudy.drift.points import chart_points, chart_stretch
from accstudy.drift.runlength import cusum_run_length, ewma_run_length
from accstudy.tables import empty, shape

NAMES = {"device": "A", "model": "M", "measurand": "x", "unit": "um", "number": 1}
ARCH = np.array([[-20, 0, 0], [-9, 16, 0], [9, 16, 0], [20, 0, 0]], float)


def sessions(rng: np.random.Generator, shift: np.ndarray, n: int = 4) -> pd.DataFrame:
    """Session table of one measurand: 3 um between sessions, 8 um within."""
    scans = shift[:, None] + 3 * rng.standard_normal((len(shift), 1))
    scans = scans + 8 * rng.standard_normal((len(shift), n))
    return pd.DataFrame(
        {
            "session": [f"S{i}" for i in range(len(shift))],
            "at": pd.Timestamp("2024-01-01") + pd.to_timedelta(30 * np.arange(len(shift)), "D"),
            "n_scans": n,
            "mean": scans.mean(axis=1),
            "sd": scans.std(axis=1, ddof=1),
        }
    )


def false_alarms(repeats: int = 600, run_length: float = 100.0) -> None:
    """Print the share of quiet series that alarm within 24 sessions, by chart."""
    rng = np.random.default_rng(1)
    expected = 1 - (1 - 1 / run_length) ** HORIZON
    print(
        f"1. alarms within {HORIZON} quiet sessions, designed for one in {run_length:g}: ", end=""
    )
    print(f"about {expected:.3f} a chart; +-{2 * np.sqrt(0.21 * 0.79 / repeats):.3f}")
    for m in (6, 10, 20, 60):
        alarms: dict[str, int] = {}
        for _ in range(repeats):
            rows = sessions(rng, np.zeros(m + HORIZON))
            base = np.arange(len(rows)) < m
            stretch = chart_stretch(
                NAMES, rows, base, begins_with="", run_length=run_length, shift=6.0
            )
            points = chart_points(stretch)
            for chart, found in points.groupby("chart")["signal"].any().items():
                alarms[str(chart)] = alarms.get(str(chart), 0) + bool(found)
        both = alarms["cusum-high"] + alarms["cusum-low"]
        told = {k: v / repeats for k, v in alarms.items() if "cusum" not in k}
        print(f"   baseline {m:3d}: cusum up to {both / repeats:.3f}", end="")
        print("".join(f", {k} {v:.3f}" for k, v in told.items()))


def delays(repeats: int = 400, run_length: float = 370.0) -> None:
    """Print mean delays after a shift of 6 and of 12 um, long baseline."""
    rng = np.random.default_rng(2)
    print("2. mean delay after a long baseline (400 sessions) and 30 quiet sessions")
    for shift in (6.0, 12.0):
        found: dict[str, list[int]] = {"ewma": [], "cusum-high": []}
        computed: dict[str, list[float]] = {"ewma": [], "cusum-high": []}
        s = shift / np.sqrt(9 + 16)
        for _ in range(repeats):
            level = np.r_[np.zeros(430), np.full(120, shift)]
            rows = sessions(rng, level)
            stretch = chart_stretch(
                NAMES, rows, np.arange(550) < 400, begins_with="", run_length=run_length, shift=6.0
            )
            points = chart_points(stretch)
            one = stretch.limits  # the weight follows from each baseline's own spread
            assert one is not None
            ewma = ewma_run_length(one.lambda_, one.L, s, state="steady")
            computed["ewma"].append(ewma)
            computed["cusum-high"].append(cusum_run_length(one.k, one.h, s, state="steady"))
            for chart, into in found.items():
                mine = points[points["chart"] == chart]
                flags = mine["signal"].to_numpy(bool)[-150:]
                if flags[:30].any() or not flags.any():
                    continue
                into.append(int(np.argmax(flags)) - 29)
        for chart, each in found.items():
            error = 2 * np.std(each) / np.sqrt(len(each))
            print(
                f"   {shift:g} um, {chart}: {np.mean(each):.2f} +- {error:.2f} sessions, "
                f"computed {np.mean(computed[chart]):.2f}"
            )


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


def whole_devices(devices: int) -> None:
    """Print the share of steady devices on which anything is found."""
    rng = np.random.default_rng(3)
    implants = reference(ARCH, np.tile([0.0, 0.0, 1.0], (4, 1)))
    signs = {"signal": 0, "change-point": 0, "any": 0}
    for _ in range(devices):
        poses, scans = steady_device(rng, 24)
        found = analyze_drift(
            pair_deviations(poses, implants),
            implant_deviations(poses, implants),
            poses,
            implants,
            scans,
            empty("events"),
            options=DriftOptions(),
        )
        kinds = set(found.tables["drift_signals"]["kind"])
        for kind in ("signal", "change-point"):
            signs[kind] += kind in kinds
        signs["any"] += bool(kinds)
    expected = 1 - (1 - 1 / 370) ** 18
    print(f"3. steady devices with a sign within 18 sessions, of {devices}: {signs}")
    print(f"   designed: signals about {expected * devices:.1f}, change points about ", end="")
    print(f"{0.01 * devices:.1f}")


if __name__ == "__main__":
    start = time.perf_counter()
    false_alarms()
    delays()
    whole_devices(int(sys.argv[1]) if len(sys.argv) > 1 else 100)
    print(f"{time.perf_counter() - start:.0f} s")
