"""How long the seating of a large study takes: 1 000 scans x 6 implants x 200 draws.

Run: python tests/benchmarks/bench_seating.py [scans] [draws]
"""

from __future__ import annotations

import sys
import time

import numpy as np
import pandas as pd

from accstudy.seating.table import seating_table


def study(scans: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Invent an arch of six implants and scans of it with 30 um and 0.3 deg of scatter."""
    rng = np.random.default_rng(5)
    centres = np.array(
        [[-22, 0, 0], [-16, 14, 1], [-6, 21, 0.5], [6, 21, 0], [16, 14, 1], [22, 0, 0]], float
    )
    lean = np.radians([17, 5, 0, 3, 5, 25])
    axes = np.column_stack([-np.sin(lean) * np.sign(centres[:, 0]), 0 * lean, np.cos(lean)])
    names = [f"I{i}" for i in range(1, 7)]
    implants = pd.DataFrame({"model": "M", "implant": names, "angulation_deg": np.degrees(lean)})
    implants[["x_mm", "y_mm", "z_mm"]] = centres
    implants[["axis_x", "axis_y", "axis_z"]] = axes
    found = np.tile(centres, (scans, 1)) + rng.normal(0, 0.03, (6 * scans, 3))
    poses = pd.DataFrame(
        {"scan": np.repeat([f"s{i}" for i in range(scans)], 6), "model": "M", "status": "ok"}
    )
    poses["implant"] = names * scans
    poses[["x_mm", "y_mm", "z_mm"]] = found
    poses[["axis_x", "axis_y", "axis_z"]] = np.tile(axes, (scans, 1)) + rng.normal(
        0, 0.005, (6 * scans, 3)
    )
    poses[["u_x_um", "u_y_um", "u_z_um"]] = 6.0
    poses["u_axis_deg"] = 0.05
    return poses, implants


if __name__ == "__main__":
    n_scans = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    n_draws = int(sys.argv[2]) if len(sys.argv) > 2 else 200
    given = study(n_scans)
    start, busy = time.perf_counter(), time.process_time()
    table = seating_table(*given, draws=n_draws)
    took, busy = time.perf_counter() - start, time.process_time() - busy
    print(f"{n_scans} scans x 6 implants x {n_draws} draws, {len(table)} rows: ", end="")
    print(f"{took:.1f} s, {busy:.1f} s of one core")
