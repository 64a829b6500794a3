"""An invented comparison: three techniques on four models, given as positions."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd

from accstudy.simulate.arch import reference_model
from accstudy.simulate.effects import Scanner, Spread
from accstudy.simulate.files import FACTORS, plain_csv
from accstudy.simulate.reference import measured_reference
from accstudy.simulate.scanner import distance_bias, simulate_positions
from accstudy.tables import csv_bytes

__all__ = ["TECHNIQUES", "comparison_files"]

_STEADY = Scanner(
    position_um=7.0,
    axis_deg=0.06,
    rotation_deg=0.15,
    walk_um=4.0,
    walk_deg=0.008,
    scale_ppm=150.0,
    operator=Spread(scale_ppm=250.0),
    session=Spread(scale_ppm=150.0),
)

TECHNIQUES = {
    "technique A": _STEADY,
    "technique B": replace(_STEADY, scale_ppm=180.0),
    "technique C": replace(
        _STEADY,
        position_um=11.0,
        axis_deg=0.10,
        rotation_deg=0.25,
        walk_um=9.0,
        walk_deg=0.02,
        scale_ppm=900.0,
        angulation_um_per_deg=1.2,
        angulation_scatter=0.4,
    ),
}
"""A and B are as good as equal (30 ppm apart: 1.4 um on 45 mm); C is worse, the more so on
tilted implants. Operators and sessions act on all three alike."""

_ANGULATION: dict[str, float] = {"M2": 10.0, "M4": 30.0, "M6": 20.0, "M8": 12.0}
_SETTINGS = """\
# An invented study. Nothing in it was measured; truth/ says what was put in.
[study]
title = "Invented data: three techniques on models of 2, 4, 6 and 8 implants"
kind = "comparison"

[reference]
implants = "reference/implants.csv"
instrument = "invented contact CMM"
measured_on = 2025-01-20
due_on = 2026-01-20
mpe_um = { constant = 1.5, per_metre = 3.0 }
temperature_c = 20.0

[scans]
list = "scans.csv"
poses = "poses.csv"                # positions instead of meshes
temperature_c = 20.0
expansion_per_k = 23e-6            # aluminium

[analysis]
condition = ["technique"]
cell = ["operator", "session"]

[limits]
distance_um = { value = 100, source = "chosen for this example; the literature agrees on none" }
angle_deg = { value = 0.4, source = "chosen for this example; the literature agrees on none" }
seat_gap_um = { value = 150, source = "chosen for this example; half of a thread pitch of 0.3 mm" }

[[model]]
name = "distance"
response = "pair.distance_um"
fixed = "technique * angulation_deg + path_mm"
random = ["model", "pair", "condition:pair", "operator/session", "scan",
  "angulation_deg | scan", "path_mm | scan"]
equivalence_margin = 20

[[model]]
name = "size of the distance deviation"
response = "log(abs(pair.distance_um))"
fixed = "technique * angulation_deg + path_mm"
random = ["model", "pair", "condition:pair", "operator/session", "scan",
  "angulation_deg | scan", "path_mm | scan"]
"""


def comparison_files(seed: int) -> dict[str, bytes]:
    """Make the files of a comparison study of 120 scans and two failed ones.

    Parameters
    ----------
    seed : int
        Of everything.

    Returns
    -------
    dict
        Relative path to content.
    """
    models = [
        reference_model(int(name[1:]), angulation_deg=tilt, model=name, seed=seed)
        for name, tilt in _ANGULATION.items()
    ]
    truth = pd.concat(models, ignore_index=True).drop(columns="scan_body")
    scans = _scan_list()
    found = simulate_positions(truth, scans, TECHNIQUES, seed=seed)
    bias = [
        distance_bias(group, scanner).assign(condition=technique)
        for technique, scanner in TECHNIQUES.items()
        for group in models
    ]
    return {
        "study.toml": _SETTINGS.encode(),
        "scans.csv": csv_bytes("scans", scans, factors=FACTORS),
        "poses.csv": csv_bytes("poses", found.poses),
        "reference/implants.csv": csv_bytes("implants", measured_reference(truth, seed=seed)),
        "truth/implants.csv": csv_bytes("implants", truth),
        "truth/effects.csv": plain_csv(found.put_in),
        "truth/distance_bias.csv": plain_csv(pd.concat(bias, ignore_index=True)),
    }


def _scan_list() -> pd.DataFrame:
    """Five operators scan every model with every technique twice; two sessions each.

    A session covers two of the models, so that operators and sessions can be
    told apart although a cell holds two repeats.
    """
    rows: list[dict[str, object]] = []
    lost = {("technique C", "M8", "operator 3"): "the device lost track between implants 4 and 5"}
    lost[("technique A", "M6", "operator 5")] = "moisture on a scan body was seen too late"
    for o in range(5):
        operator = f"operator {o + 1}"
        for session, models in (("1", ("M2", "M6")), ("2", ("M4", "M8"))):
            day = pd.Timestamp("2025-02-03") + pd.Timedelta(days=o + 14 * (session == "2"))
            minutes = 9 * 60
            for model in models:
                for shift in range(3):
                    technique = list(TECHNIQUES)[(shift + o) % 3]
                    reason = lost.get((technique, model, operator))
                    attempts = [(1, ""), (2, reason or "")] + ([(2, "")] if reason else [])
                    for repeat, why in attempts:
                        name = f"{technique[-1]}_{model}_op{o + 1}_r{repeat}" + (
                            "_lost" if why else ""
                        )
                        rows.append(
                            {
                                "scan": name,
                                "model": model,
                                "file": "",
                                "status": "failed" if why else "ok",
                                "reason": why,
                                "device": "device A",
                                "software": "2.1",
                                "technique": technique,
                                "operator": operator,
                                "session": session,
                                "repeat": repeat,
                                "measured_at": day + pd.Timedelta(minutes=minutes),
                                "reseated": repeat == 1,
                                "body_uses": 1 + o + 5 * (session == "2"),
                            }
                        )
                        minutes += 8
    return pd.DataFrame(rows)
