"""How long, and with how much memory, a scan of 300 000 triangles is read, merged and checked.

python tests/benchmarks/bench_mesh.py [RUNS]

Every reader works in a process of its own on one thread; they take turns, so
that a busy machine slows all alike. Time is that of the call (after imports and
one warm-up on a smaller file), memory what the process's peak grows by (Linux only).
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

READERS = {
    "accstudy (read, merged, checked)": """
from pathlib import Path
from accstudy.mesh.read import read_mesh
def job(path):
    mesh = read_mesh(Path(path))
    return len(mesh.vertices_mm), len(mesh.faces)
""",
    "trimesh (read, merged)": """
import trimesh
def job(path):
    mesh = trimesh.load_mesh(path)
    return len(mesh.vertices), len(mesh.faces)
""",
    "open3d (read, merged)": """
from accstudy.mesh.scene import open3d
o3d = open3d()
def job(path):
    mesh = o3d.io.read_triangle_mesh(path)
    mesh.remove_duplicated_vertices()
    return len(mesh.vertices), len(mesh.triangles)
""",
    "numpy (bytes to corners only)": """
import numpy as np
RECORD = np.dtype([("n", "<f4", 3), ("p", "<f4", (3, 3)), ("a", "<u2")])
def job(path):
    data = open(path, "rb").read()
    p = np.frombuffer(data, RECORD, offset=84)["p"].astype(float)
    return 3 * len(p), len(p)
""",
}

RUN = """
import sys, time

def memory(key):  # Linux; a child's resource usage would count its parent's memory
    lines = open("/proc/self/status").read().splitlines()
    return next(int(line.split()[1]) / 1024 for line in lines if line.startswith(key))

small, large = sys.argv[1:]
job(small)
open("/proc/self/clear_refs", "w").write("5")  # the peak starts anew
before = memory("VmRSS")
wall, cpu = time.perf_counter(), time.process_time()
vertices, faces = job(large)
wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
print(wall, cpu, memory("VmHWM") - before, vertices, faces)
"""


def write_scan(path: Path, rows: int) -> None:
    """Write a wavy sheet of 2 rows^2 triangles, as binary STL."""
    from accstudy.mesh.model import Mesh
    from accstudy.mesh.stl_obj import stl_bytes

    rng = np.random.default_rng(1)
    x, y = np.meshgrid(np.linspace(0, 60, rows + 1), np.linspace(0, 60, rows + 1))
    z = 4 * np.sin(x / 5) * np.cos(y / 7) + rng.normal(0, 0.01, x.shape)
    corner = np.arange((rows + 1) ** 2).reshape(rows + 1, rows + 1)
    a, b, c, d = (
        s.ravel() for s in (corner[:-1, :-1], corner[:-1, 1:], corner[1:, 1:], corner[1:, :-1])
    )
    faces = np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])])
    vertices = np.column_stack([x.ravel(), y.ravel(), z.ravel()])
    path.write_bytes(stl_bytes(Mesh(vertices, rng.permutation(faces)), decimals=None))


def main() -> None:
    """Measure and print."""
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 5
    one_thread = {f"{name}_NUM_THREADS": "1" for name in ("OMP", "OPENBLAS", "MKL")}
    found: dict[str, list[list[float]]] = {name: [] for name in READERS}
    with tempfile.TemporaryDirectory() as folder:
        small, large = Path(folder, "small.stl"), Path(folder, "large.stl")
        write_scan(small, 40)
        write_scan(large, 388)
        for _ in range(runs):
            for name, code in READERS.items():
                done = subprocess.run(
                    [sys.executable, "-c", code + RUN, str(small), str(large)],
                    env=os.environ | one_thread, capture_output=True, text=True, check=True,
                )  # fmt: skip
                found[name].append([float(v) for v in done.stdout.split()])
    own = statistics.median(row[0] for row in next(iter(found.values())))
    print(f"{'reader':34} wall s   cpu s  peak MB  vertices    faces  wall / accstudy's")
    for name, rows in found.items():
        wall, cpu, peak, vertices, faces = (statistics.median(c) for c in zip(*rows, strict=True))
        print(
            f"{name:34} {wall:6.3f}  {cpu:6.3f}  {peak:7.0f}  {vertices:8.0f} {faces:8.0f}"
            f"  {wall / own:8.2f}"
        )
    print("bars for accstudy: 0.25 s wall and 200 MB peak")


if __name__ == "__main__":
    main()
