"""Simulated studies with known truth, written as whole study folders."""

from __future__ import annotations

import gzip
import io
from collections.abc import Callable, Collection, Mapping
from dataclasses import replace
from importlib.resources import files as packaged
from itertools import product
from pathlib import Path

import numpy as np
import pandas as pd

from accstudy.compare.deviations import pair_deviations, scan_deviations
from accstudy.errors import InputError, nearest
from accstudy.geometry.rigid import Rigid
from accstudy.mesh.stl_obj import stl_bytes
from accstudy.simulate.arch import frames, measured_reference, reference_model
from accstudy.simulate.bodies import body_shape
from accstudy.simulate.scan import Noise, simulate_scan
from accstudy.simulate.scanner import (
    Scanner,
    Spread,
    distance_bias,
    scanned_frames,
    simulate_positions,
)
from accstudy.study.files import replace_folder
from accstudy.tables import csv_bytes, shape

FACTORS = (
    "device",
    "software",
    "technique",
    "operator",
    "session",
    "repeat",
    "measured_at",
    "reseated",
    "body_uses",
)
"""Factor columns of the invented scan lists, in their order; a study has those it needs."""

_KEPT = ("results", "reports", ".accstudy")

_STEADY = Scanner(
    position_um=6.0,
    axis_deg=0.06,
    rotation_deg=0.15,
    walk_um=4.0,
    walk_deg=0.008,
    scale_ppm=-450.0,
    scale_ppm_per_implant=150.0,
    angulation_um_per_deg=0.5,
    operator=Spread(scale_ppm=150.0),
    session=Spread(scale_ppm=80.0),
)

TECHNIQUES = {
    "technique A": _STEADY,
    "technique B": _STEADY,
    "technique C": replace(
        _STEADY,
        position_um=9.0,
        axis_deg=0.10,
        rotation_deg=0.25,
        walk_um=6.0,
        walk_deg=0.012,
        scale_ppm=-150.0,
        angulation_um_per_deg=1.6,
    ),
}
"""A and B are the same; C is longer by 300 ppm and tilted implants shift it three times as far.
An implant more stretches every technique by 150 ppm, so technique and count do not interact.
Operators and sessions act on all three alike."""

_KINDS = tuple(product((4, 6), (15.0, 30.0)))
"""Implants and tilt of the end implants: two models of each kind."""

_INNER_DEG = (1.0, 0.5, 1.5, 0.8)
_REACH = 0.40
_FIRST_SESSION = ((0, 0, 0, 0), (1, 1, 1, 1), (0, 0, 1, 1), (1, 1, 0, 0))
"""Which of the two models of each kind an operator scans in the first of two sessions."""

_DRAWN = 60  # scans of each model and technique behind the truth about whole scans


def comparison_files(seed: int) -> dict[str, bytes]:
    """Make the files (path to content) of a comparison study of 192 scans and two failed ones."""
    models = _models(seed)
    truth = pd.concat(models.values(), ignore_index=True).drop(columns="scan_body")
    scans = _scan_list()
    found = simulate_positions(truth, scans, TECHNIQUES, seed=seed)
    bias = pd.concat(
        [
            distance_bias(group, scanner).assign(condition=technique)
            for technique, scanner in TECHNIQUES.items()
            for group in models.values()
        ],
        ignore_index=True,
    )
    return {
        "study.toml": _settings("comparison"),
        "scans.csv": csv_bytes("scans", scans, factors=FACTORS),
        "poses.csv": csv_bytes("poses", found.poses),
        "reference/implants.csv": csv_bytes("implants", measured_reference(truth, seed=seed)),
        "truth/implants.csv": csv_bytes("implants", truth),
        "truth/effects.csv": _plain_csv(found.put_in),
        "truth/distance_bias.csv": _plain_csv(bias),
        "truth/expected.csv": _plain_csv(_expected(models, bias, seed)),
    }


def _models(seed: int) -> dict[str, pd.DataFrame]:
    """Two models of each kind, all with the same span."""
    out = {}
    for k, (n, tilt) in enumerate(_KINDS):
        for twin in range(2):
            name = f"M{n}-{tilt:.0f}{'ab'[twin]}"
            tilts = [tilt, *_INNER_DEG[: n - 2], tilt]
            out[name] = reference_model(
                n, angulation_deg=tilts, model=name, reach=_REACH, seed=100 * seed + 2 * k + twin
            )
    return out


def _expected(models: dict[str, pd.DataFrame], bias: pd.DataFrame, seed: int) -> pd.DataFrame:
    """What the models of the study estimate, from the exact bias and from many more scans.

    Pairs: least squares on the exact bias of every pair. Whole scans: the same on mean worst and
    r.m.s. pair of further invented scans, each with an operator of its own.
    """
    pairs = pd.concat([_undisturbed(m) for m in models.values()], ignore_index=True)
    keys = ["model", "implant_a", "implant_b"]
    seen = bias.merge(
        pairs.drop(columns=["distance_um", "condition"]), on=keys, validate="many_to_one"
    )
    out = _slopes_of(seen, "pair.distance_um", ["angulation_deg", "path_mm", "n_implants"])
    rows = [
        {"scan": f"{t[-1]} {m} {r}", "model": m, "technique": t, "operator": f"{r}", "session": "1"}
        for t in TECHNIQUES
        for m in models
        for r in range(_DRAWN)
    ]
    scans = pd.DataFrame(rows)
    truth = pd.concat(models.values(), ignore_index=True)
    poses = simulate_positions(truth, scans, TECHNIQUES, seed=seed + 1, any_pose=False).poses
    every = pd.concat(
        [pair_deviations(poses[poses["model"] == m], group) for m, group in models.items()],
        ignore_index=True,
    )
    whole = scan_deviations(every).drop(columns=["condition"])
    whole = whole.merge(scans[["scan", "technique"]], on="scan")
    whole = whole.rename(columns={"technique": "condition"})
    for column in ("worst_distance_um", "rms_distance_um"):
        named = whole.assign(distance_um=whole[column])
        out += _slopes_of(named, f"scan.{column}", ["angulation_deg", "n_implants"])
    names = ["response", "condition", "effect", "per", "value_um"]
    return pd.DataFrame(out, columns=names).round({"value_um": 3})


def _undisturbed(model: pd.DataFrame) -> pd.DataFrame:
    """Pairs of a model with what is known of them."""
    return pair_deviations(model.assign(scan="truth", status="ok"), model)


def _slopes_of(
    seen: pd.DataFrame, response: str, covariates: list[str]
) -> list[tuple[str, str, str, str, float]]:
    """Mean at the mean of the covariates and slopes, by least squares, a condition at a time."""
    steps = {"angulation_deg": 10.0, "path_mm": 1.0, "n_implants": 1.0}
    centre = seen[covariates].astype(float).mean()
    out = []
    for condition, mine in seen.groupby("condition", sort=True):
        x = mine[covariates].astype(float) - centre
        design = np.column_stack([np.ones(len(x)), x.to_numpy(float)])
        found = np.linalg.lstsq(design, mine["distance_um"].to_numpy(float), rcond=None)[0]
        out.append((response, str(condition), "mean", "", float(found[0])))
        for name, value in zip(covariates, found[1:], strict=True):
            per = {"angulation_deg": "10 deg", "path_mm": "mm", "n_implants": "implant"}[name]
            out.append((response, str(condition), name, per, float(value) * steps[name]))
    return out


def _scan_list() -> pd.DataFrame:
    """Four operators scan every model with every technique twice.

    Each has two sessions with one model of every kind in each, not the same ones as the
    next operator, so that models, operators and sessions can be told apart.
    """
    rows: list[dict[str, object]] = []
    lost = {("technique C", "M6-30a", 2): "the device lost tracking between implants 4 and 5"}
    lost["technique A", "M6-15b", 3] = "moisture on a scan body noticed too late"
    for o, twins in enumerate(_FIRST_SESSION):
        for session in range(2):
            day = pd.Timestamp("2025-02-03") + pd.Timedelta(days=o + 14 * session)
            minutes = 9 * 60
            for k, (n, tilt) in enumerate(_KINDS):
                model = f"M{n}-{tilt:.0f}{'ab'[(twins[k] + session) % 2]}"
                for shift in range(3):
                    technique = list(TECHNIQUES)[(shift + o + k) % 3]
                    reason = lost.get((technique, model, o))
                    attempts = [(1, ""), (2, reason or "")] + ([(2, "")] if reason else [])
                    for repeat, why in attempts:
                        name = f"{technique[-1]}_{model}_op{o + 1}_r{repeat}"
                        rows.append(
                            {
                                "scan": name + ("_lost" if why else ""),
                                "model": model,
                                "file": "",
                                "status": "failed" if why else "ok",
                                "reason": why,
                                "device": "device A",
                                "software": "2.1",
                                "technique": technique,
                                "operator": f"operator {o + 1}",
                                "session": str(session + 1),
                                "repeat": repeat,
                                "measured_at": day + pd.Timedelta(minutes=minutes),
                                "reseated": repeat == 1,
                                "body_uses": 1 + o + 4 * session,
                            }
                        )
                        minutes += 8
    return pd.DataFrame(rows)


_DEVICE = Scanner(
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


def _validation_files(seed: int, *, n_triangles: int = 40_000) -> dict[str, bytes]:
    """Make the files (path to content) of a validation study of 12 meshes and a failed scan."""
    truth = reference_model(6, angulation_deg=22.0, model="M6", seed=seed)
    scans = _validation_scans()
    files = {
        "study.toml": _settings("validation"),
        "scans.csv": csv_bytes("scans", scans, factors=FACTORS),
        "reference/implants.csv": csv_bytes("implants", measured_reference(truth, seed=seed)),
        "scan_bodies/body.stl": stl_bytes(
            body_shape(_SHAPE).drawing(segment_mm=0.3).mesh, decimals=6
        ),
        "truth/implants.csv": csv_bytes("implants", truth),
        "truth/effects.csv": _plain_csv(
            simulate_positions(truth, scans, _DEVICE, seed=seed).put_in
        ),
        "truth/distance_bias.csv": _plain_csv(distance_bias(truth, _DEVICE)),
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
    files["reference/model.stl.gz"] = _gzip_bytes(stl_bytes(surface.mesh))
    poses = []
    for number, record in enumerate(scans.to_dict("records")):
        if record["status"] == "failed":
            continue
        row = {str(name): value for name, value in record.items()}
        placed = scanned_frames(truth, _DEVICE, row, seed=seed)
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
        files[str(row["file"])] = _gzip_bytes(stl_bytes(scan.mesh))
        poses.append(scan.truth)
    files["truth/poses.csv"] = csv_bytes("poses", pd.concat(poses, ignore_index=True))
    return files


def _validation_scans() -> pd.DataFrame:
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


_START, _SESSIONS, _EVERY_DAYS = "2024-01-08", 39, 14
_STEP, _UPDATE = "2024-10-21", "2024-11-25"


def _drift_device(**more: object) -> Scanner:
    usual: dict[str, object] = {
        "position_um": 6.0,
        "axis_deg": 0.05,
        "rotation_deg": 0.15,
        "walk_um": 4.0,
        "scale_ppm": 120.0,
        "session": Spread(scale_ppm=50.0),
    }
    return Scanner(**(usual | more))  # type: ignore[arg-type]


DEVICES = {
    "device A": _drift_device(steps=((_STEP, 600.0),)),
    "device B": _drift_device(drift_ppm_per_month=45.0, drift_from=_START),
    "device C": _drift_device(),
}
"""A steps by 600 ppm (27 um on 45 mm) when its tip is changed; B grows by 45 ppm a month
(36 um on 45 mm in 18 months); C stays as it was, also over a software update."""


def _drift_files(seed: int) -> dict[str, bytes]:
    """Make the files (path to content) of a drift study of about 340 scans."""
    truth = reference_model(4, angulation_deg=12.0, model="M4", seed=seed)
    truth = truth.drop(columns="scan_body")
    scans = _drift_scans()
    found = simulate_positions(truth, scans, DEVICES, by="device", seed=seed)
    return {
        "study.toml": _settings("drift"),
        "scans.csv": csv_bytes("scans", scans, factors=FACTORS),
        "poses.csv": csv_bytes("poses", found.poses),
        "events.csv": csv_bytes("events", _events()),
        "reference/implants.csv": csv_bytes("implants", measured_reference(truth, seed=seed)),
        "truth/implants.csv": csv_bytes("implants", truth),
        "truth/effects.csv": _plain_csv(found.put_in),
    }


def _events() -> pd.DataFrame:
    rows = [
        ("2024-05-06", "device B", "service", "annual service, nothing adjusted"),
        (_STEP, "device A", "tip changed", "new tip, checked on the manufacturer's target"),
        (_UPDATE, "device C", "software update", "2.0 to 2.1"),
    ]
    frame = pd.DataFrame(rows, columns=["at", "device", "kind", "note"])
    return shape("events", frame.assign(new_baseline=False))


def _drift_scans() -> pd.DataFrame:
    """A session every second Monday; device B pauses in summer, C misses three sessions."""
    gaps = {"device B": range(14, 18), "device C": (7, 22, 23)}
    rows: list[dict[str, object]] = []
    for device in DEVICES:
        for i in range(_SESSIONS):
            if i in gaps.get(device, ()):
                continue
            day = pd.Timestamp(_START) + pd.Timedelta(days=i * _EVERY_DAYS)
            updated = device == "device C" and day >= pd.Timestamp(_UPDATE)
            for repeat in (1, 2, 3):
                lost = (device, i, repeat) == ("device A", 11, 3)
                rows.append(
                    {
                        "scan": f"{device[-1]}_{i + 1:02d}_r{repeat}",
                        "model": "M4",
                        "file": "",
                        "status": "failed" if lost else "ok",
                        "reason": "the device lost tracking behind the last implant"
                        if lost
                        else "",
                        "device": device,
                        "software": "2.1" if updated else "2.0",
                        "operator": f"operator {1 + i % 2}",
                        "session": f"S{i + 1:02d}",
                        "repeat": repeat,
                        "measured_at": day + pd.Timedelta(hours=9, minutes=10 * (repeat - 1)),
                        "body_uses": 3 * i + repeat,
                    }
                )
    return pd.DataFrame(rows)


KINDS: dict[str, Callable[[int], dict[str, bytes]]] = {
    "validation": _validation_files,
    "comparison": comparison_files,
    "drift": _drift_files,
}
"""What makes the files of each kind of study."""

SAMPLE_SEEDS = {"validation": 1, "comparison": 2, "drift": 3}
"""Seeds of the studies that come with the project."""


def _settings(kind: str) -> bytes:
    """File study.toml of the simulated study of a kind."""
    return packaged("accstudy.simulate").joinpath(f"{kind}.toml").read_bytes()


def _gzip_bytes(data: bytes) -> bytes:
    """Pack without name, time or system, so that equal data give equal bytes."""
    buffer = io.BytesIO()
    with gzip.GzipFile("", "wb", compresslevel=6, fileobj=buffer, mtime=0) as packed:
        packed.write(data)
    return buffer.getvalue()


def _plain_csv(frame: pd.DataFrame) -> bytes:
    """Write a table of the truth as CSV, numbers to 1e-6."""
    out = frame.copy()
    for column in out.select_dtypes("float"):
        out[column] = out[column].map(lambda v: f"{v + 0.0:.6f}".rstrip("0").rstrip("."))
    return out.to_csv(index=False, lineterminator="\n").encode()


def write_folder(folder: Path, files: Mapping[str, bytes], *, anew: bool = False) -> Path:
    """Write a folder whole, or not at all.

    `files` maps relative paths with ``/`` to content. With `anew` a folder that holds nothing
    but such files may be written again; its ``results`` and ``reports`` stay. `InputError` if the
    folder holds anything that would be lost.
    """
    _check_target(folder, files if anew else None)
    with replace_folder(folder, own=files.__contains__) as new:
        for name, content in files.items():
            target = new / name
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(content)
    return folder


def _check_target(folder: Path, files: Collection[str] | None = None) -> None:
    """`InputError` if a folder holds anything; with `files`, anything but them and results."""
    if not folder.exists():
        return
    if not folder.is_dir():
        raise InputError(f'"{folder}" is a file', hint="name a folder that does not exist yet")
    names = [p.relative_to(folder).as_posix() for p in folder.rglob("*") if not p.is_dir()]
    if names and files is None:
        raise InputError(
            f'folder "{folder}" is not empty', hint="name a folder that does not exist yet"
        )
    lost = [n for n in names if n not in (files or ()) and n.split("/")[0] not in _KEPT]
    if lost:
        raise InputError(
            f'folder "{folder}" holds "{sorted(lost)[0]}", which is not one of the files to be '
            "written",
            hint="move it away, or name another folder",
        )


def simulate_study(kind: str, folder: Path, *, seed: int = 1) -> Path:
    """Write a simulated study with known truth, which is recorded in its ``truth/``.

    Parameters
    ----------
    kind : {"validation", "comparison", "drift"}
        Meshes of a 6-implant model; positions of three techniques on eight
        models; positions of three devices over 18 months.
    folder : Path
        Where; not there yet, or empty.
    seed : int
        Another seed, another study; the same seed, the same bytes.

    Raises
    ------
    InputError
        If the kind is unknown or the folder holds files.
    """
    if kind not in KINDS:
        raise InputError(f'unknown kind of study "{kind}"', hint=nearest(kind, list(KINDS)))
    _check_target(folder)  # before the work
    return write_folder(folder, KINDS[kind](seed))


def write_samples(folder: Path) -> list[Path]:
    """Write the studies that come with the project anew, byte for byte.

    Their results and reports stay; `InputError` if a folder holds files of another origin.
    """
    return [
        write_folder(folder / kind, make(SAMPLE_SEEDS[kind]), anew=True)
        for kind, make in KINDS.items()
    ]
