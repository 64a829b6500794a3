"""A small study as a page shows it, with whatever labels."""

import numpy as np
import pandas as pd

from accstudy.compare.deviations import implant_deviations, pair_deviations
from accstudy.mesh.model import Mesh
from accstudy.page.build import PageContent
from accstudy.reports.document import ReportContent, marked
from accstudy.stages.report import drift_charts

HOSTILE = "</script><script>window.hacked=1</script><img src=x onerror='hacked=1'>@@DATA@@\u2028\""

REFERENCE = pd.DataFrame(
    {
        "model": "M",
        "implant": ["I1", "I2", "I3"],
        "x_mm": [0.0, 20.0, 40.0],
        "y_mm": [0.0, 9.0, 0.0],
        "z_mm": 0.0,
        "axis_x": 0.0,
        "axis_y": 0.0,
        "axis_z": 1.0,
        "flat_x": np.nan,
        "flat_y": np.nan,
        "flat_z": np.nan,
        "angulation_deg": 0.0,
    }
)


def drift(bad=""):
    """Tables of a drift study of two devices, eight sessions each, with invented points."""
    at = pd.to_datetime("2026-01-05") + pd.to_timedelta([0, 14, 28, 42, 56, 112, 126, 140], "D")
    value = np.array([2.0, -1.5, 0.25, 1.0, 3.0, 9.5, 16.25, 17.0])
    points, held, status = [], [], []
    for device, size in ((f"device A{bad}", 1.0), ("device B", 0.3)):
        same = {"device": device, "model": "M", "session": [f"S{k}" for k in range(1, 9)], "at": at}
        for chart, unit, low, high in (
            ("mean", "um", -12.0, 12.5),
            ("cusum-high", "um", -5.0, 5.5),
            ("cusum-low", "um", -5.0, 5.5),
            ("ewma-sd", "um", -3.0, 3.25),
        ):
            points.append(
                pd.DataFrame(
                    {
                        **same,
                        "measurand": "cross-arch distance",
                        "unit": unit,
                        "chart": chart,
                        "n_scans": 3,
                        "value": size * value,
                        "centre": 0.5,
                        "lower": low,
                        "upper": high,
                        "baseline": np.arange(8) < 4,
                        "baseline_no": 1,
                        "signal": size * value > high,
                    }
                )
            )
        held.append(
            pd.DataFrame(
                {
                    **same,
                    "scope": "all pairs",
                    "implant_a": "I1",
                    "implant_b": "I3",
                    "mean_um": size * value,
                    "bound_um": size * abs(value) + 5.0,
                    "limit_um": 20.0,
                    "verdict": np.where(
                        size * abs(value) + 5 > 20, "conformity not verified", "conformity verified"
                    ),
                }
            )
        )
        status.append({"device": device, "model": "M", "chart": "mean" if size == 1 else "",
                       "measurand": "cross-arch distance"})  # fmt: skip
    signals = pd.DataFrame(
        {
            "device": f"device A{bad}",
            "model": "M",
            "measurand": "cross-arch distance",
            "kind": "signal",
            "chart": "mean",
            "at": at[6:7],
            "stands": True,
            "size": 14.5,
            "size_low": 7.25,
            "size_high": 21.0,
            "event": f"tip changed{bad}",
        }
    )
    tables = {
        "drift_points": pd.concat(points, ignore_index=True),
        "drift_limits": pd.concat(held, ignore_index=True),
        "drift_status": pd.DataFrame(status),
        "drift_signals": signals,
        "events": pd.DataFrame(
            {
                "at": [at[5] - pd.Timedelta("400D"), at[5], at[5] + pd.Timedelta("400D")],
                "device": f"device A{bad}",
                "kind": [f"installed{bad}", f"tip changed{bad}", f"put out of use{bad}"],
            }
        ),
    }
    return ReportContent("", {}, tables, {}, "")


def content(hostile=False, charts=False, **changes):
    """Two scans and a failed one of three implants; a page's content."""
    bad = HOSTILE if hostile else ""
    frames = []
    for i, scan in enumerate(["s1", "s2"]):
        frame = REFERENCE.drop(columns="angulation_deg").assign(scan=scan + bad)
        frame.loc[2, "x_mm"] += 0.0305 * (i + 1)
        frame.loc[1, "y_mm"] -= 0.02
        frame.loc[1, "z_mm"] += 0.004
        frames.append(frame)
    poses = pd.concat(frames, ignore_index=True)
    singles = implant_deviations(poses, REFERENCE)
    pairs = pair_deviations(poses, REFERENCE)
    names = [f"{s}{bad}" for s in ("s1", "s2", "s3")]
    condition = f"device A{bad}"
    table = {
        "type": "table",
        "caption": f"Conformity with each limit.{bad}",
        "columns": [
            {"title": "asked", "align": "left"},
            {"title": "limit", "align": "right"},
            {"title": "verdict", "align": "left"},
        ],
        "rows": [
            [f"each distance{bad}", "60 µm", [marked("not verified", "not-verified")]],
            ["", "150 µm", [marked("verified", "verified")]],
        ],
    }
    accuracy = pd.DataFrame(
        {
            "condition": condition,
            "model": "M",
            "measurand": "distance_um",
            "subject": ["I1-I2", "I1-I3", "I2-I3"],
            "span_mm": [21.93, 40.0, 21.93],
            "bias": [-8.2, 45.75, 30.123456],
            "bias_low": [-20.0, 1.0, 2.0],
            "bias_high": [4.0, 90.0, 60.0],
            "s_r": [1.0, 21.55, 2.0],
            "s_I": [1.5, 22.0, 3.0],
            "n_scans": 2,
            "n_cells": 2,
        }
    )
    values = {
        "title": f"A study{bad}",
        "kind": "Validation report",
        "subtitle": f"2 scans{bad}",
        "answer": [f"An answer.{bad}", "A second sentence."],
        "tables": [table],
        "identity": [("Laboratory", bad), ("Version", "accstudy 1")],
        "cautions": ("Not a medical device.",),
        "alignment": "all-implants",
        "scans": pd.DataFrame(
            {
                "scan": names,
                "model": "M",
                "condition": condition,
                "device": condition,
                "session": ["S1", "S2", "S3"],
                "measured_at": pd.to_datetime(["2026-01-05", "2026-01-19", "2026-02-02"]),
                "without": ["", "", f"failed: moisture{bad}"],
            }
        ),
        "pairs": pairs,
        "singles": singles[singles["alignment"] == "all-implants"],
        "accuracy": accuracy,
        "implants": {"M": REFERENCE},
        "meshes": {
            names[0]: Mesh(
                np.array([[0, 0, 0], [40, 0, 0], [20, 9, 0], [20, 3, 10.0]]),
                np.array([[0, 1, 3], [1, 2, 3], [2, 0, 3]], dtype=np.int32),
            )
        },
        "limits": {"distance_um": 60.0, "angle_deg": 0.4},
        "facts": {names[0]: [(f"largest deviation of a distance{bad}", 30.5, "µm")]},
        "drift": drift_charts(drift(bad)) if charts else {},
    }
    return PageContent(**(values | changes))
