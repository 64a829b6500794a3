"""A simulated comparison: three techniques on eight models, given as positions."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pandas as pd

from accstudy.compare.deviations import pair_deviations, scan_deviations
from accstudy.simulate.arch import measured_reference, reference_model
from accstudy.simulate.effects import Scanner, Spread
from accstudy.simulate.files import FACTORS, plain_csv, settings
from accstudy.simulate.scanner import distance_bias, simulate_positions
from accstudy.tables import csv_bytes

__all__ = ["TECHNIQUES", "comparison_files"]

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
        "study.toml": settings("comparison"),
        "scans.csv": csv_bytes("scans", scans, factors=FACTORS),
        "poses.csv": csv_bytes("poses", found.poses),
        "reference/implants.csv": csv_bytes("implants", measured_reference(truth, seed=seed)),
        "truth/implants.csv": csv_bytes("implants", truth),
        "truth/effects.csv": plain_csv(found.put_in),
        "truth/distance_bias.csv": plain_csv(bias),
        "truth/expected.csv": plain_csv(_expected(models, bias, seed)),
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
