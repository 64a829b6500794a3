"""How long the accuracy room takes: every table of 200 and of 2 000 scans, 8 implants, 28 pairs.

python tests/benchmarks/bench_accuracy.py [SCANS ...]
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

import numpy as np
import pandas as pd

from accstudy.accuracy.along_arch import implant_vectors, precision_vs_span
from accstudy.accuracy.budget import uncertainty_budget
from accstudy.accuracy.conformity import LimitOf, conformity_tables
from accstudy.accuracy.outliers import outlier_table
from accstudy.accuracy.summary import accuracy_table, variance_components

IMPLANTS = 8


def tables(scans: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Invented deviations: two devices, five operators, two sessions."""
    rng = np.random.default_rng(1)
    names = np.array([f"I{i + 1}" for i in range(IMPLANTS)])
    a, b = np.triu_indices(IMPLANTS, 1)
    number = np.arange(scans)
    base = pd.DataFrame(
        {
            "scan": [f"s{i:05d}" for i in number],
            "model": "M",
            "condition": np.where(number % 2, "device B", "device A"),
            "operator": (number // 2) % 5,
            "session": (number // 10) % 2,
            "n_implants": IMPLANTS,
        }
    )
    base["cell"] = base["operator"].astype(str) + " / " + base["session"].astype(str)
    pairs = base.loc[base.index.repeat(len(a))].reset_index(drop=True)
    pairs = pairs.assign(
        implant_a=np.tile(names[a], scans),
        implant_b=np.tile(names[b], scans),
        span_mm=np.tile((b - a) * 6.0, scans),
        path_mm=np.tile((b - a) * 9.0, scans),
        divergence_deg=10.0,
        distance_um=rng.normal(2, 15, scans * len(a)),
        angle_deg=rng.normal(0, 0.1, scans * len(a)),
    )
    single = base.loc[base.index.repeat(IMPLANTS)].reset_index(drop=True)
    single = single.assign(implant=np.tile(names, scans), alignment="all-implants")
    for column in ("mesiodistal_um", "buccolingual_um", "vertical_um"):
        single[column] = rng.normal(0, 12, len(single))
    for column in ("tilt_mesiodistal_deg", "tilt_buccolingual_deg", "rotation_deg"):
        single[column] = rng.normal(0, 0.1, len(single))
    return pairs, single


def main() -> None:
    """Time every table and print."""
    implants = pd.DataFrame(
        {"model": "M", "implant": [f"I{i + 1}" for i in range(IMPLANTS)], "u_position_um": 1.5}
    )
    limits = [LimitOf("distance_um", 100.0, "x"), LimitOf("angle_deg", 0.4, "x")]
    for scans in [int(s) for s in sys.argv[1:]] or [200, 2000]:
        pairs, single = tables(scans)
        accuracy = accuracy_table(pairs, single)
        work: dict[str, Callable[[], pd.DataFrame]] = {
            "accuracy": lambda p=pairs, s=single: accuracy_table(p, s),
            "outliers": lambda p=pairs, s=single: outlier_table(p, s),
            "precision_vs_span": lambda a=accuracy: precision_vs_span(a),
            "conformity": lambda p=pairs: conformity_tables(p, limits=limits),
            "uncertainty_budget": lambda p=pairs: uncertainty_budget(p, implants),
            "implant_vectors": lambda s=single: implant_vectors(s),
            "variance_components": lambda p=pairs: variance_components(p, ["operator", "session"]),
        }
        total = 0.0
        for name, call in work.items():
            start = time.perf_counter()
            call()
            took = time.perf_counter() - start
            total += took
            print(f"{scans:6d} scans  {name:20s} {took:7.3f} s")
        print(f"{scans:6d} scans  {'all':20s} {total:7.3f} s")


if __name__ == "__main__":
    main()
