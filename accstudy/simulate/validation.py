"""An invented validation: one device, two operators, two sessions each, a 6-implant model."""

from __future__ import annotations

import pandas as pd

from accstudy.geometry.rigid import Rigid
from accstudy.simulate.arch import frames, measured_reference, reference_model
from accstudy.simulate.bodies import body_shape
from accstudy.simulate.effects import Scanner, Spread
from accstudy.simulate.files import FACTORS, gzip_bytes, plain_csv, settings, stl_bytes
from accstudy.simulate.scan import Noise, simulate_scan
from accstudy.simulate.scanner import (
    distance_bias,
    scanned_frames,
    simulate_positions,
)
from accstudy.tables import csv_bytes

__all__ = ["DEVICE", "validation_files"]

DEVICE = Scanner(
    walk_um=5.0,
    walk_deg=0.012,
    scale_ppm=420.0,
    curl_deg=0.006,
    operator=Spread(scale_ppm=120.0, curl_deg=0.004),
    session=Spread(scale_ppm=90.0, curl_deg=0.003),
    seat_um=3.0,
    seat_deg=0.03,
    thermal_ppm=57.5,
)
"""The invented device; the model of aluminium is 2.5 K warmer than at its measurement."""

_SHAPE = "cylinder-flat"


def validation_files(seed: int, *, n_triangles: int = 40_000) -> dict[str, bytes]:
    """Make the files of a validation study of 12 meshes and a failed scan.

    Parameters
    ----------
    seed : int
        Of everything.
    n_triangles : int
        Of each scan.

    Returns
    -------
    dict
        Relative path to content.
    """
    truth = reference_model(6, angulation_deg=22.0, model="M6", seed=seed)
    scans = _scan_list()
    files = {
        "study.toml": settings("validation"),
        "scans.csv": csv_bytes("scans", scans, factors=FACTORS),
        "reference/implants.csv": csv_bytes("implants", measured_reference(truth, seed=seed)),
        "scan_bodies/body.stl": stl_bytes(
            body_shape(_SHAPE).drawing(segment_mm=0.3).mesh, decimals=6
        ),
        "truth/implants.csv": csv_bytes("implants", truth),
        "truth/effects.csv": plain_csv(simulate_positions(truth, scans, DEVICE, seed=seed).put_in),
        "truth/distance_bias.csv": plain_csv(distance_bias(truth, DEVICE)),
    }
    surface = simulate_scan(
        truth,
        _SHAPE,
        n_triangles=n_triangles // 3,
        noise_um=2.0,
        edge_rounding_mm=0.08,
        pose=Rigid.identity(),
        scan="reference",
        seed=[seed, 1000],
    )
    files["reference/model.stl.gz"] = gzip_bytes(stl_bytes(surface.mesh))
    poses = []
    for number, record in enumerate(scans.to_dict("records")):
        if record["status"] == "failed":
            continue
        row = {str(name): value for name, value in record.items()}
        placed = scanned_frames(truth, DEVICE, row, seed=seed)
        displaced: dict[str, Rigid] = {
            name: true.inverse().after(shown)
            for name, true, shown in zip(truth["implant"], frames(truth), placed, strict=True)
        }
        scan = simulate_scan(
            truth,
            _SHAPE,
            n_triangles=n_triangles,
            noise=Noise(rms_um=7.0, correlation_mm=0.5, white_um=3.0),
            offset_um=24.0,
            edge_rounding_mm=0.08,
            holes=0.12,
            displaced=displaced,
            scan=str(row["scan"]),
            seed=[seed, number],
        )
        files[str(row["file"])] = gzip_bytes(stl_bytes(scan.mesh))
        poses.append(scan.truth)
    files["truth/poses.csv"] = csv_bytes("poses", pd.concat(poses, ignore_index=True))
    return files


def _scan_list() -> pd.DataFrame:
    """Two operators, two sessions each, three repeats; one scan failed and was repeated."""
    days = {
        ("operator 1", "1"): "2025-03-10",
        ("operator 2", "1"): "2025-03-11",
        ("operator 1", "2"): "2025-03-17",
        ("operator 2", "2"): "2025-03-18",
    }
    rows: list[dict[str, object]] = []
    for uses, ((operator, session), day) in enumerate(days.items(), start=1):
        failed = (operator, session) == ("operator 2", "1")
        for number in range(1, 5 if failed else 4):
            lost = failed and number == 2
            repeat = number - 1 if failed and number > 2 else number
            name = f"op{operator[-1]}_s{session}_r{repeat}" + ("_lost" if lost else "")
            rows.append(
                {
                    "scan": name,
                    "model": "M6",
                    "file": "" if lost else f"scans/{name}.stl.gz",
                    "status": "failed" if lost else "ok",
                    "reason": "the device lost tracking behind the last implant" if lost else "",
                    "device": "device A",
                    "software": "2.1",
                    "technique": "zigzag",
                    "operator": operator,
                    "session": session,
                    "repeat": repeat,
                    "measured_at": pd.Timestamp(f"{day}T09:{10 * number:02d}:00"),
                    "reseated": number == 1,
                    "body_uses": uses,
                }
            )
    return pd.DataFrame(rows)
