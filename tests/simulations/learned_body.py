"""Scan bodies learned from a scan of the model instead of drawn: what is lost, and what is stated.

    python tests/simulations/learned_body.py --seeds 6 --scans 3

For every body, reference scans of models with 3 to 6 implants are simulated (an industrial
scanner: 3 µm of noise, 0.5 mm long), a body is learned from each, and study scans (8 µm and 3 µm
white, 12 % of every body missing, surface 24 µm outside) are located with the drawing and with the
learned body. The reference scan lies 0.1 mm and 0.2 degrees off the frame of the reference, and the
reference has no flats.

Printed: errors of inter-implant distances and of axes, with the drawing and with the learned body
(root mean square) and their ratio; how many errors of a learned platform lie within 1.96 of their
stated standard uncertainties, by comparison of the learned surface with the true solid.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pandas as pd

from accstudy.geometry.rigid import Rigid, frame_from_axis, rotation_vector
from accstudy.locate.learn import LearnedBody, learn_body
from accstudy.locate.locate import locate_scan
from accstudy.locate.scan_body import ScanBody
from accstudy.simulate.arch import frames, measured_reference, reference_model
from accstudy.simulate.bodies import SHAPES as SHARP
from accstudy.simulate.bodies import Shape
from accstudy.simulate.scan import Noise, SimulatedScan, simulate_scan

sys.path.insert(0, str(Path(__file__).parents[1] / "shared"))
from rounded_bodies import ROUNDED

SHAPES = {n: SHARP[n] for n in SHARP if n != "polygon-top-symmetric"} | ROUNDED
FLAT = ["flat_x", "flat_y", "flat_z"]
POSITION, AXIS = ["x_mm", "y_mm", "z_mm"], ["axis_x", "axis_y", "axis_z"]


def learned(shape: Shape, seed: int, triangles: int) -> tuple[pd.DataFrame, LearnedBody]:
    """A model and the scan body that a scan of it gives."""
    rng = np.random.default_rng([seed, 5])
    truth = reference_model(3 + seed % 4, angulation_deg=float(rng.uniform(5, 30)), seed=seed)
    pose = Rigid(rotation_vector(rng.normal(0, 0.0035, 3)), rng.normal(0, 0.1, 3))
    noise = Noise(3.0, 0.5, white_um=1.0)
    scan = simulate_scan(
        truth, shape, n_triangles=triangles, noise=noise, edge_rounding_mm=0.05, pose=pose,
        seed=[seed, 1000],
    )  # fmt: skip
    reference = measured_reference(truth, seed=seed).drop(columns=FLAT)
    return truth, learn_body(scan.mesh, reference, use_above_mm=shape.use_above_mm)


def off_the_solid(body: LearnedBody, shape: Shape) -> tuple[np.ndarray, np.ndarray]:
    """Errors of platform (mm) and tilts (rad), and their stated standard uncertainties."""
    points = body.body.mesh.vertices_mm
    angle, best = 0.0, np.inf
    for turn in np.arange(0.0, 2 * np.pi, np.radians(5)):
        c, s = np.cos(turn), np.sin(turn)
        d = shape.distance(points[::7] @ np.array([[c, s, 0], [-s, c, 0], [0, 0, 1]]))[0]
        if np.median(np.abs(d)) < best:
            angle, best = turn, float(np.median(np.abs(d)))
    motion = Rigid(rotation_vector([0, 0, angle]), np.zeros(3))  # solid from learned
    for _ in range(8):
        at = motion.points(points)
        d, n = shape.distance(at)
        j = np.column_stack([n, np.cross(at, n), -np.ones(len(at))])
        use = np.abs(d - np.median(d)) < 0.02
        step = -np.linalg.lstsq(
            np.vstack([j[use], 1e-3 * np.eye(7)]), np.r_[d[use] - 0, np.zeros(7)], rcond=None
        )[0]
        motion = Rigid(rotation_vector(step[3:6]), step[:3]).after(motion)
    back = motion.inverse()
    # where the true platform and axis lie in the learned body
    error = np.r_[back.translation_mm, back.rotation[:2, 2]]
    return error, np.sqrt(np.diag(body.covariance))


def errors(scan: SimulatedScan, truth: pd.DataFrame, body: ScanBody) -> dict[str, np.ndarray]:
    """Errors of distances (um), of positions (um) and axes (deg) in one located scan."""
    unturned = truth.drop(columns=FLAT)  # x of a learned body is none of the reference's flats
    found = locate_scan(scan.mesh, reference=unturned, bodies={"default": body}).poses
    at, axes = found[POSITION].to_numpy(float), found[AXIS].to_numpy(float)
    true = [scan.scan_from_model.after(f) for f in frames(truth)]
    centres = np.array([t.translation_mm for t in true])
    i, j = np.triu_indices(len(at), 1)
    lengths = [np.linalg.norm(p[i] - p[j], axis=1) for p in (at, centres)]
    tilt = [frame_from_axis(t.rotation[:, 2])[:, :2].T @ a for t, a in zip(true, axes, strict=True)]
    return {
        "distance_um": 1e3 * (lengths[0] - lengths[1]),
        "position_um": (1e3 * (at - centres)).ravel(),
        "axis_deg": np.degrees(np.ravel(tilt)),
    }


def one(shape: Shape, seed: int, scans: int, triangles: int) -> dict[str, object]:
    """Sums of squares of one model, and z of its learned body."""
    truth, body = learned(shape, seed, triangles)
    error, u = off_the_solid(body, shape)
    row: dict[str, object] = {"body": shape.name, "seed": seed, "implants": len(truth)}
    for name, e, v in zip(("x", "y", "z", "tilt_x", "tilt_y"), error, u, strict=True):
        row |= {f"e_{name}": e, f"u_{name}": v}
    drawing = shape.drawing(segment_mm=0.3)
    for number in range(scans):
        scan = simulate_scan(
            truth, shape, n_triangles=60_000, noise=Noise(8.0, 0.5, white_um=3.0), offset_um=24.0,
            edge_rounding_mm=0.05, holes=0.12, seed=[seed, number],
        )  # fmt: skip
        for which, used in (("drawn", drawing), ("learned", body.body)):
            for what, values in errors(scan, truth, used).items():
                key = f"{which}_{what}"
                row[key] = float(row.get(key, 0.0)) + float(np.nansum(values**2))  # type: ignore[arg-type]
                row[f"n_{key}"] = int(row.get(f"n_{key}", 0)) + int(np.isfinite(values).sum())  # type: ignore[call-overload]
    return row


def table(rows: pd.DataFrame) -> str:
    """Markdown of all rows by body."""
    lines = [
        "| body | models | distance, drawing (µm) | learned | ratio | axis, drawing (deg) "
        "| learned | ratio | within 1.96 u: platform | tilts |",
        "|---|--:|--:|--:|--:|--:|--:|--:|--:|--:|",
    ]
    for name, mine in [*rows.groupby("body", sort=False), ("all", rows)]:
        rms = {
            k: float(np.sqrt(mine[k].sum() / mine[f"n_{k}"].sum()))
            for w in ("distance_um", "axis_deg")
            for k in (f"drawn_{w}", f"learned_{w}")
        }
        within: Mapping[str, float] = {
            group: float(np.mean([np.abs(mine[f"e_{k}"]) < 1.96 * mine[f"u_{k}"] for k in names]))
            for group, names in (("platform", "xyz"), ("tilts", ("tilt_x", "tilt_y")))
        }
        a, b = rms["drawn_distance_um"], rms["learned_distance_um"]
        c, d = rms["drawn_axis_deg"], rms["learned_axis_deg"]
        lines.append(
            f"| {name} | {len(mine)} | {a:.2f} | {b:.2f} | {b / a:.2f} | {c:.4f} | {d:.4f} | "
            f"{d / c:.2f} | {within['platform']:.2f} | {within['tilts']:.2f} |"
        )
    return "\n".join(lines)


def main() -> None:
    """Run the simulation."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=4)
    parser.add_argument("--scans", type=int, default=3)
    parser.add_argument("--triangles", type=int, default=160_000, help="of the reference scan")
    parser.add_argument("--body", default="", help="part of a scan body's name")
    parser.add_argument("--rows", type=Path, help="file for the rows")
    given = parser.parse_args()
    rows = []
    for name, shape in SHAPES.items():
        if given.body not in name:
            continue
        for seed in range(given.seeds):
            try:
                rows.append(one(shape, seed, given.scans, given.triangles))
            except Exception as error:
                print(f"{name}, seed {seed}: {type(error).__name__}: {error}", flush=True)
        print(table(pd.DataFrame(rows)), flush=True)
    if given.rows:
        pd.DataFrame(rows).to_csv(given.rows, index=False)


if __name__ == "__main__":
    main()
