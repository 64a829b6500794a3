"""An invented drift study: three devices, 18 months of sessions with three scans."""

from __future__ import annotations

import pandas as pd

from accstudy.simulate.arch import measured_reference, reference_model
from accstudy.simulate.effects import Scanner, Spread
from accstudy.simulate.files import FACTORS, plain_csv, settings
from accstudy.simulate.scanner import simulate_positions
from accstudy.tables import csv_bytes, shape

__all__ = ["DEVICES", "drift_files"]

_START, _SESSIONS, _EVERY_DAYS = "2024-01-08", 39, 14
_STEP, _UPDATE = "2024-10-21", "2024-11-25"


def _device(**more: object) -> Scanner:
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
    "device A": _device(steps=((_STEP, 600.0),)),
    "device B": _device(drift_ppm_per_month=45.0, drift_from=_START),
    "device C": _device(),
}
"""A steps by 600 ppm (27 um on 45 mm) when its tip is changed; B grows by 45 ppm a month
(36 um on 45 mm in 18 months); C stays as it was, also over a software update."""


def drift_files(seed: int) -> dict[str, bytes]:
    """Make the files of a drift study of about 340 scans.

    Parameters
    ----------
    seed : int
        Of everything.

    Returns
    -------
    dict
        Relative path to content.
    """
    truth = reference_model(4, angulation_deg=12.0, model="M4", seed=seed)
    truth = truth.drop(columns="scan_body")
    scans = _scan_list()
    found = simulate_positions(truth, scans, DEVICES, by="device", seed=seed)
    return {
        "study.toml": settings("drift"),
        "scans.csv": csv_bytes("scans", scans, factors=FACTORS),
        "poses.csv": csv_bytes("poses", found.poses),
        "events.csv": csv_bytes("events", _events()),
        "reference/implants.csv": csv_bytes("implants", measured_reference(truth, seed=seed)),
        "truth/implants.csv": csv_bytes("implants", truth),
        "truth/effects.csv": plain_csv(found.put_in),
    }


def _events() -> pd.DataFrame:
    rows = [
        ("2024-05-06", "device B", "service", "annual service, nothing adjusted"),
        (_STEP, "device A", "tip changed", "new tip, checked on the manufacturer's target"),
        (_UPDATE, "device C", "software update", "2.0 to 2.1"),
    ]
    frame = pd.DataFrame(rows, columns=["at", "device", "kind", "note"])
    return shape("events", frame.assign(new_baseline=False))


def _scan_list() -> pd.DataFrame:
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
