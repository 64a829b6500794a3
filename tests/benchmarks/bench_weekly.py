"""Cost of a weekly session more, after 14 months of them.

python tests/benchmarks/bench_weekly.py [TRIANGLES]      default 100000

Two devices, three scans a session, 60 weeks. The history has been measured before (its
poses are put where `measure` keeps them, from a simulation); the last session of both
devices, six scans, is new. Times are those of one process on one core, `accstudy run`
whole: what is new is measured, everything analyzed, the report made.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.spatial.transform import Rotation

from accstudy.mesh.model import Mesh
from accstudy.mesh.stl_obj import stl_bytes
from accstudy.simulate.arch import reference_model
from accstudy.simulate.bodies import body_shape
from accstudy.simulate.scan import simulate_scan
from accstudy.simulate.scanner import Scanner, Spread, simulate_positions
from accstudy.stages.measure import scan_parts
from accstudy.stages.steps import Cache, ScanResult, entry_key
from accstudy.study.load import load_study
from accstudy.tables import csv_bytes, shape

WEEKS, DEVICES, REPEATS = 60, ("device A", "device B"), 3
SETTINGS = """\
[study]
title = "A year of Mondays"
kind = "drift"
[scans]
temperature_c = 20.0
[scan_body.default]
mesh = "scan_bodies/body.stl"
[limits]
distance_um = { value = 100, source = "benchmark" }
[drift]
shift_um = 20
"""


def write_study(folder: Path, triangles: int) -> pd.DataFrame:
    """Write the study; all but the last week count as measured. Return its scan list."""
    model = reference_model(4, angulation_deg=15.0, model="M", seed=3)
    for name in ("reference", "scan_bodies", "scans"):
        (folder / name).mkdir(parents=True)
    (folder / "study.toml").write_text(SETTINGS)
    (folder / "reference/implants.csv").write_bytes(csv_bytes("implants", model))
    body = body_shape("cylinder-flat").drawing(segment_mm=0.4).mesh
    (folder / "scan_bodies/body.stl").write_bytes(stl_bytes(body, decimals=6))
    shown = [simulate_scan(model, n_triangles=triangles, seed=[7, i]).mesh for i in range(6)]
    rng, rows = np.random.default_rng(1), []
    for week in range(WEEKS):
        for k, device in enumerate(DEVICES):
            for repeat in range(REPEATS):
                name = f"{device[-1]}_{week + 1:02d}_r{repeat + 1}"
                mesh = shown[3 * k + repeat]
                moved = Rotation.random(random_state=week).apply(mesh.vertices_mm)
                moved = moved + rng.normal(0, 0.003, moved.shape)
                (folder / f"scans/{name}.stl").write_bytes(stl_bytes(Mesh(moved, mesh.faces)))
                at = pd.Timestamp("2024-01-08 09:00") + pd.Timedelta(weeks=week, minutes=repeat)
                rows.append((name, f"scans/{name}.stl", "M", device, f"S{week + 1:02d}", at))
    columns = ["scan", "file", "model", "device", "session", "measured_at"]
    scans = pd.DataFrame(rows, columns=columns)
    list_scans(folder, scans)
    usual = Scanner(position_um=6.0, axis_deg=0.05, rotation_deg=0.15, walk_um=4.0,
                    session=Spread(scale_ppm=50.0))  # fmt: skip
    poses = simulate_positions(model, scans, dict.fromkeys(DEVICES, usual), by="device", seed=5)
    cache = Cache(folder / ".accstudy" / "measured")
    parts = scan_parts(load_study(folder))
    old = scans.loc[scans["session"] != scans["session"].iloc[-1], "scan"]
    for scan in old:
        found = poses.poses[poses.poses["scan"] == scan].assign(status="ok")
        cache.put(entry_key(scan, parts[scan]), ScanResult(shape("poses", found), ()))
    return scans


def list_scans(folder: Path, scans: pd.DataFrame) -> None:
    """Write the scan list."""
    factors = ("device", "session", "measured_at")
    (folder / "scans.csv").write_bytes(csv_bytes("scans", scans, factors=factors))


def run(folder: Path, command: str) -> float:
    """Seconds of the processor that a command takes."""
    one = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    call = [sys.executable, "-m", "accstudy", command, str(folder), "--jobs", "1"]
    subprocess.run(call, env=one, check=False)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


if __name__ == "__main__":
    triangles = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    with tempfile.TemporaryDirectory() as place:
        study = Path(place) / "study"
        scans = write_study(study, triangles)
        list_scans(study, scans[scans["session"] != scans["session"].iloc[-1]])
        print(f"all weeks but one, measured before: {run(study, 'run'):.1f} s")
        list_scans(study, scans)
        print(f"a session more: {run(study, 'run'):.1f} s")
        print(f"nothing new: {run(study, 'run'):.1f} s")
