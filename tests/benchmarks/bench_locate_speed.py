"""Speed of locating, beside a plain script that does the same with general libraries.

    python tests/benchmarks/bench_locate_speed.py

Scans of 300 000 triangles (``--triangles``) with five implants, read from binary STL. Times are
processor seconds of one core for each further scan, medians over rounds through all scans,
after a first round that pays for imports and for making the drawing ready. The
plain script loads with trimesh, registers the bodies' arrangement by FPFH and
RANSAC, then refines each body by one point-to-plane ICP; it does no rotation
search, no offset and no uncertainties; ``--plain`` runs it, too. Bars: 0.28 s a scan of
300 000 triangles, 1.2 s of 2 million, twice of what reading takes, a fifth of the plain script.
``--jobs`` compares two processes with one on 24 scans, their start-up counted (bar: 1.8 times);
it needs two idle cores.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from accstudy.geometry.rigid import Rigid
from accstudy.locate.locate import locate_scan
from accstudy.mesh.read import read_mesh
from accstudy.mesh.scene import open3d
from accstudy.simulate.arch import frames, reference_model
from accstudy.simulate.bodies import scan_body
from accstudy.simulate.scan import simulate_scan

REFERENCE = reference_model(5, angulation_deg=20.0, seed=3)
BODY = scan_body("cylinder-flat")


def write_scan(path: Path, triangles: int, seed: int) -> list[Rigid]:
    """Write a scan as a binary STL and return the true poses."""
    scan = simulate_scan(REFERENCE, n_triangles=triangles, noise_um=8.0, holes=0.2, seed=seed)
    corners = scan.mesh.vertices_mm[scan.mesh.faces].astype("<f4")
    record = np.zeros(len(corners), dtype=[("n", "<f4", 3), ("p", "<f4", (3, 3)), ("a", "<u2")])
    record["p"] = corners
    path.write_bytes(bytes(80) + np.uint32(len(corners)).tobytes() + record.tobytes())
    return frames(scan.truth)


def ours(path: Path) -> list[np.ndarray]:
    """Read and locate."""
    poses = locate_scan(read_mesh(path), reference=REFERENCE, bodies={"default": BODY}).poses
    return list(poses[["x_mm", "y_mm", "z_mm"]].to_numpy())


def plain(path: Path) -> list[np.ndarray]:
    """Load with trimesh, FPFH + RANSAC for all bodies, one ICP for each."""
    import trimesh

    o3d = open3d()
    registration = o3d.pipelines.registration
    loaded = trimesh.load(path, process=True)
    scan = o3d.geometry.TriangleMesh(
        o3d.utility.Vector3dVector(loaded.vertices), o3d.utility.Vector3iVector(loaded.faces)
    )
    scan.compute_vertex_normals()
    target = o3d.geometry.PointCloud(scan.vertices)
    target.normals = scan.vertex_normals
    body = o3d.geometry.TriangleMesh(
        o3d.utility.Vector3dVector(BODY.mesh.vertices_mm),
        o3d.utility.Vector3iVector(BODY.mesh.faces),
    )
    body.compute_vertex_normals()
    upper = body.sample_points_uniformly(10_000, use_triangle_normal=True)
    upper = upper.select_by_index(np.flatnonzero(np.asarray(upper.points)[:, 2] > 2.5))
    matrices = []
    whole = o3d.geometry.PointCloud()
    for frame in frames(REFERENCE):
        matrix = np.eye(4)
        matrix[:3, :3], matrix[:3, 3] = frame.rotation, frame.translation_mm
        matrices.append(matrix)
        whole += o3d.geometry.PointCloud(upper).transform(matrix)
    search = o3d.geometry.KDTreeSearchParamHybrid(radius=2.5, max_nn=100)
    clouds, features = [], []
    for cloud in (whole, target):
        few = cloud.voxel_down_sample(0.5)
        clouds.append(few)
        features.append(registration.compute_fpfh_feature(few, search))
    o3d.utility.random.seed(1)
    rough = registration.registration_ransac_based_on_feature_matching(
        *clouds, *features, True, 0.75,
        registration.TransformationEstimationPointToPoint(False), 3,
        [registration.CorrespondenceCheckerBasedOnDistance(0.75)],
        registration.RANSACConvergenceCriteria(100_000, 0.999),
    )  # fmt: skip
    out = []
    for matrix in matrices:
        fine = registration.registration_icp(
            upper, target, 0.5, rough.transformation @ matrix,
            registration.TransformationEstimationPointToPlane(),
        )  # fmt: skip
        out.append(np.asarray(fine.transformation)[:3, 3])
    return out


def median_s(action: Callable[[Path], object], paths: list[Path], rounds: int) -> float:
    """Median processor time a scan, over rounds through all scans."""
    for path in paths:
        action(path)
    times = []
    for _ in range(rounds):
        start = time.process_time()
        for path in paths:
            action(path)
        times.append((time.process_time() - start) / len(paths))
    return float(np.median(times))


def wall_s(paths: list[Path], jobs: int, count: int) -> float:
    """Wall time of many scans over some processes, from their start to their end."""
    start = time.perf_counter()
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        list(pool.map(ours, (paths * count)[:count]))
    return time.perf_counter() - start


def worst_um(found: list[np.ndarray], truth: list[Rigid]) -> float:
    """Largest distance from the truth."""
    return 1e3 * max(
        float(np.linalg.norm(f - t.translation_mm)) for f, t in zip(found, truth, strict=True)
    )


def main() -> int:
    """Run the benchmark."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=5, help="0: only what --jobs compares")
    parser.add_argument("--scans", type=int, default=4)
    parser.add_argument("--triangles", type=int, default=300_000)
    parser.add_argument("--plain", action="store_true", help="also run the plain script")
    parser.add_argument("--jobs", action="store_true", help="also compare two processes with one")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        paths = [Path(folder) / f"scan{k}.stl" for k in range(given.scans)]
        truths = [write_scan(path, given.triangles, 3 + k) for k, path in enumerate(paths)]
        both = list(zip(paths, truths, strict=True))
        if given.rounds:
            mine = median_s(ours, paths, given.rounds)
            read = median_s(read_mesh, paths, given.rounds)
            off = max(worst_um(ours(path), truth) for path, truth in both)
            print(f"read and locate     {mine:6.3f} s   worst {off:7.1f} um")
            print(f"read and merge only {read:6.3f} s   ratio {mine / read:.2f} (bar: at most 2)")
        if given.rounds and given.plain:
            other = median_s(plain, paths, max(2, given.rounds // 2))
            its = sorted(worst_um(plain(path), truth) for path, truth in both)
            print(f"plain script        {other:6.3f} s   worst {its[-1]:.1f} um, best {its[0]:.1f}")
            print(f"                             ratio {other / mine:.1f} (bar: at least 5)")
        if given.jobs:
            one, two = wall_s(paths, 1, 24), wall_s(paths, 2, 24)
            print(f"two processes over one: {one / two:.2f} (bar: at least 1.8)")
    return 0


if __name__ == "__main__":
    sys.exit(main())
