"""How well implants are found: every bar of the locating room, printed by one command.

    python tests/benchmarks/bench_locate.py --scans 504

Simulated scans with exactly known poses. Every scan body meets every class of noise; the rest
varies: 2 to 8 implants, 0 to 35 degrees, holes up to a third of a body, the surface 0 to 40 um
outside the drawing, edges rounded, drawings coarse and fine, 60 000 triangles and, one scan in
ten, 300 000. Long runs may go in pieces: ``--rows FILE`` adds the implants to a file, and
``--scans 0`` prints the tables of what stands there.

A position is wrong that is more than 50 um and three of its standard uncertainties off, or six
of them along an axis of the scan. The yardstick is the same least squares started at the truth,
with the true segmentation and a fine drawing: what is lost to it is lost by finding, segmenting
and weighting.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd

from accstudy.errors import AccstudyError
from accstudy.geometry.rigid import Rigid, rotation_about_deg
from accstudy.locate.locate import locate_scan
from accstudy.locate.one_body import cut_patches, linearise, moved, weighted_change
from accstudy.locate.prepared import prepare_body
from accstudy.simulate.arch import frames, reference_model
from accstudy.simulate.bodies import SHAPES as SHARP
from accstudy.simulate.bodies import Shape
from accstudy.simulate.scan import Noise, SimulatedScan, simulate_scan

sys.path.insert(0, str(Path(__file__).parents[1] / "shared"))
from rounded_bodies import ROUNDED, RoundedShape

N_WAVES = 2000  # of 400, some four alone make what moves a body: scans would differ by chance
CLASSES = {
    "white 4 µm": Noise(4.0, 0.0),
    "white 20 µm": Noise(20.0, 0.0),
    "0.2 mm, 8 µm": Noise(8.0, 0.2, n_waves=N_WAVES),
    "0.5 mm, 8 µm": Noise(8.0, 0.5, n_waves=N_WAVES),
    "0.5 mm rough, 8 µm": Noise(8.0, 0.5, kernel="exponential", n_waves=N_WAVES),
    "1.0 mm, 12 µm": Noise(12.0, 1.0, n_waves=N_WAVES),
    "1.5 mm, 20 µm": Noise(20.0, 1.5, n_waves=N_WAVES),
    "0.8 mm 6 µm + white 6 µm": Noise(6.0, 0.8, white_um=6.0, n_waves=N_WAVES),
}
SHAPES = {name: SHARP[name] for name in SHARP if name != "polygon-top-symmetric"} | ROUNDED
XYZ = ["x_mm", "y_mm", "z_mm"]
SHIFT, U, TILT = ["dx_um", "dy_um", "dz_um"], ["u_x_um", "u_y_um", "u_z_um"], ["tilt_1", "tilt_2"]
YARD, YARD_TILT = ["yard_x_um", "yard_y_um", "yard_z_um"], ["yard_tilt_1", "yard_tilt_2"]
WRONG_UM = 50.0
COLUMNS = [
    "class", "body", "seed", "implant", "status", "note", "ambiguous", "seconds", "findings",
    *SHIFT, *U, *YARD, *TILT, *YARD_TILT, "u_axis_deg", "height_um", "offset_um", "coverage",
    "doubled", "has_flat", "turn_deg", "yard_turn_deg",
]  # fmt: skip


def make_scan(noise: Noise, seed: int) -> tuple[SimulatedScan, pd.DataFrame, Shape, object]:
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


def yardstick(scan: SimulatedScan, truth: list[Rigid], shape: Shape) -> list[Rigid]:
    """Plain least squares from the truth on exactly the bodies' vertices."""
    fine = {"steps": 16} if isinstance(shape, RoundedShape) else {}
    prepared = prepare_body(shape.drawing(segment_mm=0.2, **fine))
    patches = cut_patches(scan.mesh, [(prepared, pose) for pose in truth])
    round_body = prepared.radial.unround_mm < 0.03
    free = (0, 1, 2, 3, 4, 6) if round_body else (0, 1, 2, 3, 4, 5, 6)
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


def measure(scan: SimulatedScan, reference: pd.DataFrame, shape: Shape, body) -> list[dict]:
    """Locate one scan: a row an implant, with its errors and those of the yardstick."""
    options = {"reference": reference, "bodies": {"default": body}}
    start, marks = time.process_time(), None
    try:
        try:
            located = locate_scan(scan.mesh, **options)
        except AccstudyError as error:
            if error.code != "ambiguous-arrangement":
                raise
            marks = scan.truth[["scan", "implant", *XYZ]].copy()
            marks[XYZ] += 1.0
            start = time.process_time()
            located = locate_scan(scan.mesh, **options, landmarks=marks)
    except AccstudyError as error:
        refused = {"status": error.code, "note": error.message}
        return [{"implant": i, **refused} for i in reference["implant"]]
    seconds = time.process_time() - start
    doubled = [f.what for f in located.findings if f.code == "doubled-surface"]
    rows = []
    truth = [scan.scan_from_model.after(frame) for frame in frames(reference)]
    for i, (true, yard) in enumerate(zip(truth, yardstick(scan, truth, shape), strict=True)):
        found = located.poses.iloc[i]
        row = {"implant": found["implant"], "status": found["status"], "note": found["note"]}
        said = " ".join(sorted({f.code for f in located.findings}))
        rows.append(row | {"ambiguous": marks is not None, "seconds": seconds, "findings": said})
        if found["status"] == "missing":
            continue
        row = rows[-1]
        shift = 1e3 * (found[XYZ].to_numpy(float) - true.translation_mm)
        axis = found[["axis_x", "axis_y", "axis_z"]].to_numpy(float)
        x, z = true.rotation[:, 0], true.rotation[:, 2]
        across = true.rotation[:, :2].T
        row |= dict(zip(SHIFT, shift, strict=True)) | found[U].to_dict()
        row |= dict(zip(YARD, 1e3 * (yard.translation_mm - true.translation_mm), strict=True))
        row |= dict(zip(TILT, np.degrees(across @ axis), strict=True))
        row |= dict(zip(YARD_TILT, np.degrees(across @ yard.rotation[:, 2]), strict=True))
        row |= {
            "u_axis_deg": found["u_axis_deg"],
            "height_um": shift @ z,
            "offset_um": found["offset_um"] - scan.truth["offset_um"].iloc[i],
            "coverage": found["coverage"],
            "doubled": any(found["implant"] in what for what in doubled),
            "has_flat": body.has_flat,
        }
        flat = found[["flat_x", "flat_y", "flat_z"]].to_numpy(float)
        if body.has_flat and np.isfinite(flat).all():
            row["turn_deg"] = float(rotation_about_deg(z, x, flat))
            row["yard_turn_deg"] = float(rotation_about_deg(z, x, yard.rotation[:, 0]))
    return rows


def rms(values: pd.DataFrame) -> float:
    """Root mean square length of the rows."""
    return float(np.sqrt(np.mean(np.sum(values.to_numpy(float) ** 2, axis=1))))


def summary(rows: pd.DataFrame) -> dict[str, object]:
    """The figures of one class or body."""
    seen = rows[rows["dx_um"].notna()]
    length = np.linalg.norm(seen[SHIFT].to_numpy(float), axis=1)
    z = np.abs(seen[SHIFT].to_numpy(float)) / seen[U].to_numpy(float)
    tilt_z = np.abs(seen[TILT].to_numpy(float)) / seen[["u_axis_deg"]].to_numpy(float)
    ok = (seen["status"] == "ok").to_numpy()
    u_length = np.linalg.norm(seen[U].to_numpy(float), axis=1)
    wrong = (length > np.maximum(WRONG_UM, 3 * u_length)) | (z > 6).any(axis=1)
    flats = seen[seen["has_flat"].astype(bool)]
    turns = flats["turn_deg"].dropna().abs()
    return {
        "scans": len(rows[["class", "seed"]].drop_duplicates()),
        "bodies": len(rows),
        "found_%": 100 * len(seen) / len(rows),
        "rms": rms(seen[SHIFT]),
        "yard": rms(seen[YARD]),
        "ratio": rms(seen[SHIFT]) / rms(seen[YARD]),
        "axis_ratio": rms(seen[TILT]) / rms(seen[YARD_TILT]),
        "worst": length.max(),
        "in95_pos": 100 * np.mean(z < 1.96),
        "in95_axis": 100 * np.mean(tilt_z < 1.96),
        "height": seen["height_um"].mean(),
        "offset": seen["offset_um"].mean(),
        "wrong_ok": int(np.sum(ok & wrong)),
        "ok_%": 100 * np.mean(ok),
        "doubled_%": 100 * seen["doubled"].astype(bool).mean(),
        "turn_%": 100 * len(turns) / len(flats) if len(flats) else np.nan,
        "<0.5deg_%": 100 * np.mean(turns < 0.5) if len(turns) else np.nan,
        "yard_%": 100 * np.mean(flats["yard_turn_deg"].dropna().abs() < 0.5)
        if len(turns)
        else np.nan,
        "s": seen["seconds"].mean(),
    }


def report(rows: pd.DataFrame) -> None:
    """Print the tables by class and by body, and what went wrong."""
    with pd.option_context("display.width", 250):
        for by in ("class", "body"):
            lines = {name: summary(part) for name, part in rows.groupby(by, sort=False)}
            print(
                pd.DataFrame({**lines, "all": summary(rows)}).T.to_string(
                    float_format=lambda v: f"{v:.3g}" if abs(v) < 100 else f"{v:.0f}"
                ),
                flush=True,
            )
            print()
        length = np.linalg.norm(rows[SHIFT].to_numpy(float), axis=1)
        odd = rows[~rows["status"].isin(["ok", "doubtful"]) | (length > WRONG_UM)]
        print(odd[["seed", "class", "body", "implant", "status", *SHIFT, *U, "note"]].to_string())
        said = rows.drop_duplicates(["class", "seed"])["findings"].fillna("").str.split()
        print("\nscans with each finding:", said.explode().value_counts().to_dict())


def main() -> int:
    """Run the benchmark."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--scans", type=int, default=208)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--skip", type=int, default=0, help="scans that another piece makes")
    parser.add_argument("--only", default="", help="part of a class name")
    parser.add_argument("--body", default="", help="part of a scan body's name")
    parser.add_argument("--rows", type=Path, help="file to which implants are added")
    given = parser.parse_args()
    names = [name for name in CLASSES if given.only in name]
    wanted = [k for k, name in enumerate(SHAPES) if given.body in name]
    parts: list[pd.DataFrame] = []
    for number in range(given.skip, given.skip + given.scans):
        # every class meets every shape: the seed runs within the class
        name, turn = names[number % len(names)], given.seed + number // len(names)
        seed = len(SHAPES) * (turn // len(wanted)) + wanted[turn % len(wanted)]
        seed += 60 * len(SHAPES) * list(CLASSES).index(name)
        scan, reference, shape, body = make_scan(CLASSES[name], seed)
        about = {"class": name, "body": shape.name, "seed": seed}
        measured = [about | row for row in measure(scan, reference, shape, body)]
        found = pd.DataFrame(measured).reindex(columns=COLUMNS)
        parts.append(found)
        if given.rows:  # at once: a long run may be broken off
            found.to_csv(given.rows, mode="a", header=not given.rows.exists(), index=False)
    report(pd.read_csv(given.rows) if given.rows else pd.concat(parts, ignore_index=True))
    return 0


if __name__ == "__main__":
    sys.exit(main())
