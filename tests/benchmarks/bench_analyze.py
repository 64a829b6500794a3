"""How long analyzing takes against the number of scans of an 8-implant model.

python tests/benchmarks/bench_analyze.py [SCANS ...]
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from accstudy.stages.analyze import analyze_poses
from accstudy.study.load import load_study

IMPLANTS = 8


def write_study(folder: Path, scans: int, kind: str = "validation") -> None:
    """Write a study of positions: an arch of eight, two devices, five operators."""
    rng = np.random.default_rng(1)
    t = np.linspace(-1.25, 1.25, IMPLANTS)
    xyz = np.column_stack([22 * np.sin(t), 30 * np.cos(t), 0.3 * np.cos(4 * t)])
    tilt = rng.normal(0, 0.15, (IMPLANTS, 2))
    axes = np.column_stack([tilt, np.ones(IMPLANTS)])
    axes /= np.linalg.norm(axes, axis=1, keepdims=True)
    (folder / "reference").mkdir()
    (folder / "study.toml").write_text(
        f'[study]\ntitle = "Benchmark"\nkind = "{kind}"\n[scans]\nposes = "poses.csv"\n'
        "temperature_c = 22\nexpansion_per_k = 75e-6\n"
        "[limits]\ndistance_um = { value = 100, source = 'benchmark' }\n"
        "seat_gap_um = { value = 150, source = 'benchmark' }\n"
    )
    head = "model,implant,x_mm,y_mm,z_mm,axis_x,axis_y,axis_z\n"
    names = [f"I{i + 1}" for i in range(IMPLANTS)]
    (folder / "reference/implants.csv").write_text(
        head + "".join(
            f"M,{n}," + ",".join(f"{v:.6f}" for v in (*p, *a)) + "\n"
            for n, p, a in zip(names, xyz, axes, strict=True)
        )
    )  # fmt: skip
    lines, poses = ["scan,model,device,operator,session\n"], ["scan," + head]
    for i in range(scans):
        scan = f"s{i:05d}"
        lines.append(f"{scan},M,{'AB'[i % 2]},{i % 5},{i % 3}\n")
        p = xyz * (1 + 0.0004 * (i % 2)) + rng.normal(0, 0.02, xyz.shape)
        a = axes + rng.normal(0, 0.003, axes.shape)
        a /= np.linalg.norm(a, axis=1, keepdims=True)
        poses += [
            f"{scan},M,{n}," + ",".join(f"{v:.6f}" for v in (*q, *b)) + "\n"
            for n, q, b in zip(names, p, a, strict=True)
        ]
    (folder / "scans.csv").write_text("".join(lines))
    (folder / "poses.csv").write_text("".join(poses))


def main() -> None:
    """Print a row for every number of scans."""
    sizes = [int(a) for a in sys.argv[1:]] or [20, 200, 2000]
    print("scans  pair rows  load s  analyze s  peak MB so far")
    for scans in sizes:
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            write_study(folder, scans)
            start = time.perf_counter()
            study = load_study(folder)
            loaded = time.perf_counter()
            done = analyze_poses(study, study.given_poses)
            end = time.perf_counter()
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        rows = len(done.tables["pair_deviations"])
        print(
            f"{scans:5d}  {rows:9d}  {loaded - start:6.2f}  {end - loaded:9.2f}  {peak:7.0f}",
            flush=True,
        )


if __name__ == "__main__":
    main()
