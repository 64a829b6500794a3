"""How well implants are found: every bar of the locating room, printed by one command.

    python tests/benchmarks/bench_locate.py --scans 208

Simulated scans with exactly known poses, in classes of noise; within a class
everything else varies: 2 to 8 implants, 0 to 35 degrees, seventeen scan bodies with and without
fillets, holes up to a third of a body, the surface 0 to 40 um outside the drawing, edges
rounded, drawings coarse and fine, 60 000 triangles and, one scan in ten, 300 000.

The yardstick is the same least squares started at the truth, with the true
segmentation and a fine drawing: what is lost to it is lost by finding,
segmenting and weighting.
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import dataclass, field, fields

import numpy as np

from accstudy.errors import AccstudyError
from accstudy.geometry.rigid import Rigid, rotation_about_deg
from accstudy.locate.fit import linearise, moved, weighted_change
from accstudy.locate.locate import locate_scan
from accstudy.locate.prepared import prepare_body
from accstudy.locate.segment import cut_patches
from accstudy.simulate.arch import frames, reference_model
from accstudy.simulate.bodies import SHAPES as SHARP
from accstudy.simulate.rounded import ROUNDED, RoundedShape, Shape
from accstudy.simulate.scan import Noise, SimulatedScan, simulate_scan

CLASSES = {
    "white 4 µm": Noise(4.0, 0.0),
    "white 20 µm": Noise(20.0, 0.0),
    "0.2 mm, 8 µm": Noise(8.0, 0.2),
    "0.5 mm, 8 µm": Noise(8.0, 0.5),
    "0.5 mm rough, 8 µm": Noise(8.0, 0.5, kernel="exponential"),
    "1.0 mm, 12 µm": Noise(12.0, 1.0),
    "1.5 mm, 20 µm": Noise(20.0, 1.5),
    "0.8 mm 6 µm + white 6 µm": Noise(6.0, 0.8, white_um=6.0),
}
SHAPES = {name: SHARP[name] for name in SHARP if name != "polygon-top-symmetric"} | ROUNDED
XYZ = ["x_mm", "y_mm", "z_mm"]


@dataclass
class Tally:
    """Errors of one class; rows are implants."""

    implants: int = 0
    found: int = 0
    scans: int = 0
    ambiguous: int = 0
    position_um: list[np.ndarray] = field(default_factory=list)  # x, y, z in the scan frame
    u_um: list[np.ndarray] = field(default_factory=list)
    tilt_deg: list[np.ndarray] = field(default_factory=list)  # two components
    u_axis_deg: list[float] = field(default_factory=list)
    height_um: list[float] = field(default_factory=list)
    offset_um: list[float] = field(default_factory=list)
    yard_um: list[np.ndarray] = field(default_factory=list)
    yard_deg: list[np.ndarray] = field(default_factory=list)
    turn_deg: list[float] = field(default_factory=list)
    yard_turn_deg: list[float] = field(default_factory=list)
    with_flat: int = 0
    wrong_but_ok: int = 0  # more than 50 um off with status ok
    doubtful: int = 0
    seconds: list[float] = field(default_factory=list)

    def add(self, other: Tally) -> None:
        """Take in the counts and errors of another."""
        for one in fields(self):
            setattr(self, one.name, getattr(self, one.name) + getattr(other, one.name))


def make_scan(noise: Noise, seed: int) -> tuple[SimulatedScan, object, Shape, object]:
    """One scan with everything but the noise left to chance."""
    rng = np.random.default_rng([seed, 77])
    shape = list(SHAPES.values())[seed % len(SHAPES)]
    reference = reference_model(
        int(rng.integers(2, 9)), angulation_deg=float(rng.uniform(0, 35)), seed=seed
    )
    scan = simulate_scan(
        reference,
        shape,
        n_triangles=300_000 if seed % 10 == 9 else 60_000,
        noise=noise,
        offset_um=float(rng.uniform(0, 40)),
        edge_rounding_mm=float(rng.choice([0.0, 0.05, 0.1])),
        holes=float(rng.uniform(0, 1 / 3)),
        seed=seed,
    )
    fineness = {"segment_mm": float(rng.choice([0.2, 0.5, 0.8]))}
    if isinstance(shape, RoundedShape):
        fineness["steps"] = int(rng.choice([3, 4, 6, 16]))
    return scan, reference, shape, shape.drawing(**fineness)


def yardstick(scan: SimulatedScan, shape: Shape) -> list[Rigid]:
    """Plain least squares from the truth on exactly the bodies' vertices."""
    fine = {"steps": 16} if isinstance(shape, RoundedShape) else {}
    prepared = prepare_body(shape.drawing(segment_mm=0.2, **fine))
    truth = frames(scan.truth)
    patches = cut_patches(scan.mesh, [(prepared, pose) for pose in truth])
    free = (0, 1, 2, 3, 4, 5, 6) if prepared.body.has_flat else (0, 1, 2, 3, 4, 6)
    out = []
    for i, (pose, patch) in enumerate(zip(truth, patches, strict=True)):
        height = pose.inverse().points(patch.points_mm)[:, 2]
        mine = (scan.part[patch.index] == i) & (height > prepared.body.use_above_mm)
        rows, offset = np.flatnonzero(mine), 0.0
        for _ in range(4):
            line = linearise(prepared, patch, pose, rows, 1.0, heed_edges=False)
            change = weighted_change(
                line.jacobian, line.distance - offset, np.ones(len(line.rows)), free
            )
            pose, offset = moved(pose, change), offset + change[6]
        out.append(pose)
    return out


def measure(tally: Tally, scan: SimulatedScan, reference, shape: Shape, body) -> str:
    """Locate one scan and add its errors; returns what went wrong, if anything."""
    tally.scans += 1
    tally.implants += len(reference)
    options = {"reference": reference, "bodies": {"default": body}}
    start = time.process_time()
    try:
        located = locate_scan(scan.mesh, **options)
    except AccstudyError as error:
        if error.code != "ambiguous-arrangement":
            return f"{error.code}: {error.message}"
        tally.ambiguous += 1
        landmarks = scan.truth[["scan", "implant", *XYZ]].copy()
        landmarks[XYZ] += 1.0
        located = locate_scan(scan.mesh, **options, landmarks=landmarks)
    tally.seconds.append(time.process_time() - start)
    truth, yard = frames(scan.truth), yardstick(scan, shape)
    worst = ""
    for i, true in enumerate(truth):
        row = located.poses.iloc[i]
        if row["status"] == "missing":
            worst += f" {row['implant']} missing;"
            continue
        tally.found += 1
        tally.doubtful += int(row["status"] == "doubtful")
        shift = 1e3 * (row[XYZ].to_numpy(float) - true.translation_mm)
        axis = row[["axis_x", "axis_y", "axis_z"]].to_numpy(float)
        tally.position_um.append(shift)
        tally.u_um.append(row[["u_x_um", "u_y_um", "u_z_um"]].to_numpy(float))
        tally.tilt_deg.append(np.degrees(true.rotation[:, :2].T @ axis))
        tally.u_axis_deg.append(float(row["u_axis_deg"]))
        tally.height_um.append(float(shift @ true.rotation[:, 2]))
        tally.offset_um.append(float(row["offset_um"] - scan.truth["offset_um"].iloc[i]))
        tally.yard_um.append(1e3 * (yard[i].translation_mm - true.translation_mm))
        tally.yard_deg.append(np.degrees(true.rotation[:, :2].T @ yard[i].rotation[:, 2]))
        tally.wrong_but_ok += int(np.linalg.norm(shift) > 50 and row["status"] == "ok")
        if np.linalg.norm(shift) > 100:
            worst += f" {row['implant']} {np.linalg.norm(shift):.0f} um off ({row['status']});"
        if body.has_flat:
            tally.with_flat += 1
            flat = row[["flat_x", "flat_y", "flat_z"]].to_numpy(float)
            if np.isfinite(flat).all():
                z, x = true.rotation[:, 2], true.rotation[:, 0]
                tally.turn_deg.append(float(rotation_about_deg(z, x, flat)))
                tally.yard_turn_deg.append(float(rotation_about_deg(z, x, yard[i].rotation[:, 0])))
    return worst


def rms(values: list) -> float:
    """Root mean square length of the rows."""
    a = np.array(values, float).reshape(len(values), -1)
    return float(np.sqrt(np.mean(np.sum(a**2, axis=1))))


def report(tallies: dict[str, Tally]) -> None:
    """Print a line for every class and the bars."""
    print(
        f"{'noise':26s} scans bodies found  worst    rms  yard ratio | axis ratio | inside 95 %:"
        "  position  axis | height offset bias | turn known <0.5 deg (yard)  s/scan"
    )
    for name, t in tallies.items():
        if not t.position_um:
            continue
        shift, u = np.array(t.position_um), np.array(t.u_um)
        tilt, ua = np.array(t.tilt_deg), np.array(t.u_axis_deg)[:, None]
        position = np.mean(np.abs(shift) < 1.96 * u)
        axis = np.mean(np.abs(tilt) < 1.96 * ua)
        worst = np.linalg.norm(shift, axis=1).max()
        turn, yard_turn = np.abs(t.turn_deg), np.abs(t.yard_turn_deg)
        print(
            f"{name:26s} {t.scans:5d} {t.implants:6d} {100 * t.found / t.implants:5.1f} "
            f"{worst:6.1f} {rms(t.position_um):6.2f} {rms(t.yard_um):5.2f} "
            f"{rms(t.position_um) / rms(t.yard_um):5.3f} | "
            f"{rms(t.tilt_deg) / rms(t.yard_deg):10.3f} | {'':12s} {100 * position:8.1f} "
            f"{100 * axis:6.1f} | {np.mean(t.height_um):6.2f} {np.mean(t.offset_um):11.2f} | "
            f"{100 * len(turn) / max(t.with_flat, 1):10.1f} "
            f"{100 * np.mean(turn < 0.5) if len(turn) else np.nan:8.1f} "
            f"({100 * np.mean(yard_turn < 0.5) if len(turn) else np.nan:.1f}) "
            f"{np.mean(t.seconds):8.2f}",
            flush=True,
        )
    every = list(tallies.values())
    n, found = sum(t.implants for t in every), sum(t.found for t in every)
    worst = max(np.linalg.norm(s) for t in every for s in t.position_um)
    print(
        f"\nall: {sum(t.scans for t in every)} scans, {found} of {n} implants found, "
        f"worst {worst:.1f} um, {sum(t.doubtful for t in every)} doubtful, "
        f"{sum(t.wrong_but_ok for t in every)} wrong with status ok; "
        f"{sum(t.ambiguous for t in every)} scans were ambiguous by themselves and settled by "
        "landmarks"
    )


def main() -> int:
    """Run the benchmark."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--scans", type=int, default=208)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--only", default="", help="part of a class name")
    parser.add_argument("--limit-s", type=float, default=np.inf, help="stop after so long")
    given = parser.parse_args()
    tallies = {name: Tally() for name in CLASSES if given.only in name}
    bodies: dict[str, Tally] = {}
    start = time.monotonic()
    for number in range(given.scans):
        name = list(tallies)[number % len(tallies)]
        # every class meets every shape: the seed runs within the class
        seed = given.seed + number // len(tallies) + 1000 * list(CLASSES).index(name)
        scan, reference, shape, body = make_scan(CLASSES[name], seed)
        one = Tally()
        wrong = measure(one, scan, reference, shape, body)
        tallies[name].add(one)
        bodies.setdefault(shape.name, Tally()).add(one)
        if wrong:
            print(f"seed {seed} {name} {shape.name} {len(reference)}: {wrong}", flush=True)
        if time.monotonic() - start > given.limit_s:
            break
    report(tallies)
    print()
    report(bodies)
    return 0


if __name__ == "__main__":
    sys.exit(main())
