"""Cost and memory of whole studies of small meshes against their number of scans.

python tests/benchmarks/bench_large.py [SCANS ...]      default 10 100 1000 2000

Each command runs in a process of its own; seconds are those of the processor, and
the memory is that of the largest process, so a busy machine changes neither much.
`again` measures a study of which nothing has changed.

On two busy cores of a virtual x86-64 machine, one process, 8 000 triangles a scan:

    scans     check s    MB   measure s    MB     again s    MB   analyze s    MB    report s    MB
       10         0.9   117         3.5   233         1.8   157         2.4   167         7.4   714
      100         1.0   117        11.7   236         2.0   158         4.9   174         7.3   716
     1000         6.3   118       118.5   263        12.4   175        33.0   235        11.5   731
     2000         9.4   118       234.0   295        22.1   190        57.8   304        14.4   906

Since this table was made, `check` locates one scan of every model on trial: 1.5 s and 90 MB more,
whatever the number of scans (10 scans 2.3 s, 100 scans 2.7 s), 0.7 s of it to load open3d and
0.8 s to prepare the scan body.
"""

from __future__ import annotations

import os
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
from accstudy.tables import csv_bytes

SETTINGS = """\
[study]
title = "Many scans"
kind = "validation"
[scans]
list = "scans.csv"
temperature_c = 20.0
[scan_body.default]
mesh = "scan_bodies/body.stl"
[limits]
distance_um = { value = 100, source = "benchmark" }
"""
SHAPES = 10
"""Scans that are simulated; the others are these, each in another place."""


def write_study(folder: Path, n: int, *, triangles: int = 8_000) -> None:
    """Write a study of n scans of a model with four implants."""
    reference = reference_model(4, angulation_deg=15.0, model="M", seed=3)
    shown = [
        simulate_scan(reference, n_triangles=triangles, seed=[7, i]).mesh
        for i in range(min(n, SHAPES))
    ]
    for name in ("reference", "scan_bodies", "scans"):
        (folder / name).mkdir(parents=True)
    (folder / "study.toml").write_text(SETTINGS)
    (folder / "reference/implants.csv").write_bytes(csv_bytes("implants", reference))
    body = body_shape("cylinder-flat").drawing(segment_mm=0.4).mesh
    (folder / "scan_bodies/body.stl").write_bytes(stl_bytes(body, decimals=6))
    rng = np.random.default_rng(1)
    rows = []
    for i in range(n):
        mesh = shown[i % SHAPES]
        turn = Rotation.random(random_state=i)
        moved = turn.apply(mesh.vertices_mm) + rng.normal(0, 20, 3)
        name = f"s{i:04d}"
        (folder / f"scans/{name}.stl").write_bytes(stl_bytes(Mesh(moved, mesh.faces)))
        rows.append(
            {
                "scan": name,
                "model": "M",
                "file": f"scans/{name}.stl",
                "device": "AB"[i % 2],
                "operator": str(i % 5),
            }
        )
    table = csv_bytes("scans", pd.DataFrame(rows), factors=("device", "operator"))
    (folder / "scans.csv").write_bytes(table)


def cost(*words: str) -> tuple[float, float]:
    """Processor seconds of a command and MB of its largest process."""
    command = [sys.executable, "-m", "accstudy", *words, "--jobs", "1", "--quiet"]
    process = subprocess.Popen(command, stderr=subprocess.DEVNULL)
    _, status, used = os.wait4(process.pid, 0)
    if os.waitstatus_to_exitcode(status) not in (0, 4):
        raise SystemExit(f"{' '.join(words)} failed")
    return used.ru_utime + used.ru_stime, used.ru_maxrss / 1024


def main() -> None:
    """Print a row for every number of scans."""
    names = ("check", "measure", "again", "analyze", "report")
    print("scans  " + "  ".join(f"{n + ' s':>10} {'MB':>5}" for n in names), flush=True)
    for n in [int(a) for a in sys.argv[1:]] or [10, 100, 1000, 2000]:
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name) / "study"
            write_study(folder, n)
            row = [cost(c, str(folder)) for c in
                   ("check", "measure", "measure", "analyze", "report")]  # fmt: skip
        print(f"{n:5d}  " + "  ".join(f"{s:10.1f} {mb:5.0f}" for s, mb in row), flush=True)


if __name__ == "__main__":
    main()
