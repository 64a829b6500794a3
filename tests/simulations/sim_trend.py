"""Do intervals of slopes hold the truth, and is the limit of pairs verified as rarely as stated?

Run: OMP_NUM_THREADS=1 python tests/simulations/sim_trend.py [--devices 500]

Session means with a standard deviation of 5 um, every second week, fixed seeds:

1. 95 % intervals of the slope today, by scenario; *independent* sessions and sessions
   whose neighbours are correlated by 0.3 and 0.6;
2. share of sessions in which a device whose worst pair deviates by exactly the limit is
   verified to keep it (at most 5 %), and in which one that keeps it by far is.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator

import numpy as np
import pandas as pd

from accstudy.accuracy.judge import ALL_PAIRS, VERIFIED
from accstudy.drift.conformity import limit_rows, pair_sessions
from accstudy.drift.trend import slope_of

SESSIONS, SD, GROWTH, STEP = 36, 5.0, 1.7, 20.0
MONTHS = 14 / 30.436875 * np.arange(SESSIONS)
MIDDLE = SESSIONS // 2
LATE = np.arange(SESSIONS) >= MIDDLE
LAST = SESSIONS * 3 // 4


def _since(first: int, growth: float) -> tuple[np.ndarray, float]:
    """Growth a month since a session."""
    return growth * np.maximum(0.0, MONTHS - MONTHS[first]), growth


SCENARIOS = {
    "steady": (np.zeros(SESSIONS), 0.0),
    "growth from the first session": _since(0, GROWTH),
    "growth from the middle": _since(MIDDLE, GROWTH),
    "step": (STEP * LATE, 0.0),
    "step and growth from the first session": (STEP * LATE + GROWTH * MONTHS, GROWTH),
    "step and growth from there": (STEP * LATE + _since(MIDDLE, GROWTH)[0], GROWTH),
    "0.4 µm from the first session": _since(0, 0.4),
    "0.3 µm from the middle": _since(MIDDLE, 0.3),
    "0.6 µm from the middle": _since(MIDDLE, 0.6),
    "0.9 µm from the middle": _since(MIDDLE, 0.9),
    "1 µm in the last quarter": _since(LAST, 1.0),
    "4 µm in the last quarter": _since(LAST, 4.0),
}


def correlated(rng: np.random.Generator, rho: float) -> np.ndarray:
    """Noise of standard deviation 1 whose neighbours are correlated."""
    noise = rng.standard_normal(SESSIONS)
    for i in range(1, SESSIONS):
        noise[i] = rho * noise[i - 1] + np.sqrt(1 - rho**2) * noise[i]
    return noise


def coverage(devices: int, rho: float) -> pd.DataFrame:
    """Share of 95 % intervals that hold the slope, of those that lie above and below it."""
    rows = []
    for name, (level, truth) in SCENARIOS.items():
        rng = np.random.default_rng(11)
        ends = []
        for _ in range(devices):
            now = slope_of(level + SD * correlated(rng, rho), MONTHS).mixture
            ends.append((now.quantile(0.025), now.quantile(0.975)))
        low, high = np.array(ends).T
        held = (low <= truth) & (truth <= high)
        rows.append((name, held.mean(), (low > truth).mean(), np.median(high - low)))
    return pd.DataFrame(rows, columns=["scenario", "coverage", "above", "width"])


def verified(devices: int, worst_um: float, *, limit: float = 60.0, pairs: int = 6) -> float:
    """Share of sessions verified, of devices whose worst pair deviates by so much."""
    rng = np.random.default_rng(12)
    hits, count = 0, 0
    for _ in range(devices):
        sessions = {}
        for k in range(pairs):
            bias = worst_um if k == 0 else rng.uniform(-0.5, 0.5) * worst_um
            scans = bias + 4.0 * rng.standard_normal((12, 1)) + 8.0 * rng.standard_normal((12, 3))
            rows = pd.DataFrame(
                {
                    "session": [f"S{i}" for i in range(12)],
                    "at": pd.date_range("2025-01-06", periods=12, freq="14D"),
                    "n_scans": 3,
                    "mean": scans.mean(axis=1),
                    "sd": scans.std(axis=1, ddof=1),
                }
            )
            sessions[("A", "M", f"I{k}", "J")] = pair_sessions(rows)
        table = limit_rows(sessions, {}, limit=limit)
        mine = table[table["scope"] == ALL_PAIRS]
        hits += int((mine["verdict"] == VERIFIED).sum())
        count += len(mine)
    return hits / count


def _tables(devices: int) -> Iterator[str]:
    found = {rho: coverage(devices, rho).set_index("scenario") for rho in (0.0, 0.3, 0.6)}
    yield "| scenario | independent | above the truth | median width | 0.3 | 0.6 |"
    yield "|---|---|---|---|---|---|"
    for name in SCENARIOS:
        one = found[0.0].loc[name]
        others = " | ".join(f"{found[rho].loc[name, 'coverage']:.3f}" for rho in (0.3, 0.6))
        yield f"| {name} | {one.coverage:.3f} | {one.above:.3f} | {one.width:.2f} | {others} |"
    yield ""
    yield "| worst pair, limit 60 µm | sessions verified |"
    yield "|---|---|"
    for worst in (60.0, 50.0, 40.0, 30.0):
        yield f"| {worst:.0f} µm | {verified(max(devices // 4, 1), worst):.3f} |"


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description="Do intervals of slopes hold the truth?")
    parser.add_argument("--devices", type=int, default=500)
    asked = parser.parse_args()
    start = time.perf_counter()
    for line in _tables(asked.devices):
        print(line, flush=True)
    print(f"\n{time.perf_counter() - start:.0f} s")
