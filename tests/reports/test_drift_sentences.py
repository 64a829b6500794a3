"""What the drift report says of limits, run lengths and the work in doubt."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd

from accstudy.figures.drift import gaps_after
from accstudy.reports.device import device_cautions, limit_met
from accstudy.reports.drift import found_after
from accstudy.reports.methods import methods


def trend(reached, limit=60.0, horizon="2025-12-08"):
    return SimpleNamespace(
        limit=limit,
        reached_at=pd.Timestamp(reached) if reached else pd.NaT,
        since=pd.Timestamp("2025-01-06"),
        until=pd.Timestamp("2025-06-23"),
        horizon=pd.Timestamp(horizon) if horizon else pd.NaT,
    )


def test_the_limit_is_exceeded_ahead_or_out_of_sight():
    assert limit_met(trend("2025-06-23")) == "already exceeded"
    assert limit_met(trend("2025-09-01")) == "2025-09-01"
    assert limit_met(trend(None)) == "not by 2025-12-08"
    assert limit_met(trend(None, horizon=None)) == "no trend shown"


def test_the_reference_is_described_by_the_uncertainty_that_was_used(contents):
    content = contents["drift"]
    mpe = {"mpe_um": {"constant": 1.5, "per_metre": 3.0}}
    settings = {**content.settings, "reference": mpe}
    implants = content.table("implants")
    described = {}
    for name, u in (("certified", 0.8), ("machine", None)):
        tables = {**content.tables, "implants": implants.assign(u_position_um=u)}
        told = dict(methods(replace(content, tables=tables, settings=settings)))
        described[name] = told["Reference"]
    assert "certified standard uncertainties" in described["certified"]
    assert "per metre, is treated as a rectangular" not in described["certified"]
    assert "per metre, is treated as a rectangular" in described["machine"]
    assert "certified standard" not in described["machine"]


def test_the_time_to_a_signal_is_that_of_the_limits_in_use():
    names = {"device": "device A", "model": "M", "unit": "um"}
    lengths = pd.DataFrame(
        [
            {
                **names,
                "chart": "ewma",
                "shift": 15.0,
                "steady_state": 29.7,
                "steady_state_days": 416.0,
            },
            {
                **names,
                "chart": "ewma",
                "shift": 10.0,
                "steady_state": 80.0,
                "steady_state_days": 800.0,
            },
            {
                **names,
                "chart": "mean",
                "shift": 15.0,
                "steady_state": 50.0,
                "steady_state_days": 700.0,
            },
        ]
    )
    said = found_after(lengths, "device A", "M", 15.0, "scale").replace("\u00a0", " ")
    assert said == (
        "Device A: with the limits in use the EWMA detects a shift of 15 µm in the scale after "
        "29.7 sessions on average, i.e. 416 days at the usual interval between sessions."
    )
    assert "not known" in found_after(lengths, "device A", "M", 12.0, "scale")
    alone = lengths.assign(steady_state_days=np.nan)
    assert "days" not in found_after(alone, "device A", "M", 15.0, "scale")


def test_gaps_events_in_a_baseline_small_p_and_worn_bodies_are_said():
    at = pd.to_datetime(["2024-01-01", "2024-01-15", "2024-01-29", "2024-03-25", "2024-04-08"])
    points = pd.DataFrame(
        {
            "session": ["S1", "S2", "S3", "S4", "S5"],
            "at": at,
            "baseline": [True, True, True, False, False],
            "baseline_no": 1,
        }
    )
    events = pd.DataFrame([(at[1], "service"), (at[4], "tip changed")], columns=["at", "kind"])
    trends = pd.DataFrame(
        [("axis splay", 0.023), ("scale", 0.001), ("other", 0.4)], columns=["measurand", "p"]
    ).assign(shown=[True, True, False])
    signals = pd.DataFrame({"measurand": ["scale"]})
    scans = pd.DataFrame({"body_uses": [1.0, 60.0, 117.0]})
    gap, event, p, wear = device_cautions(points, events, trends, signals, scans)
    assert gap.startswith("no session between 29 January 2024 and 25 March 2024")
    assert "spans an event (service, 15 January 2024)" in event
    assert "axis splay has a trend with p = 0.023" in p
    assert "1 to 117 times" in wear
    stricter = device_cautions(points, events, trends.assign(shown=False), signals, scans)
    assert stricter == [gap, event, wear]
    updated = pd.DataFrame({"measured_at": at, "software": ["2.0"] * 4 + ["2.1"]})
    said = device_cautions(points, events.iloc[:0], trends.iloc[2:], signals, updated)[-1]
    assert "2.0 from 1 January 2024 and 2.1 from 8 April 2024" in said
    assert "without a new baseline" in said
    even = points.iloc[:3]
    assert device_cautions(even, events.iloc[1:], trends.iloc[2:], signals, scans.iloc[:1]) == []


def test_lines_break_in_gaps():
    at = pd.Series(pd.to_datetime(["2024-01-01", "2024-01-15", "2024-01-29", "2024-03-25"]))
    assert gaps_after(at) == [2]
    assert gaps_after(at[:3]) == []
    assert gaps_after(at[:1]) == []


def test_methods_describe_no_result_that_the_drift_report_lacks(contents):
    content = contents["drift"]
    assert content.has("accuracy")
    titles = [title for title, _ in methods(content)]
    assert "Charts" in titles
    assert "Attached only" in titles
    assert not {"Outliers", "Trueness and precision", "Agreement"} & set(titles)
    kept = {k: t for k, t in content.tables.items() if k not in ("accuracy", "outliers")}
    titles = [title for title, _ in methods(replace(content, tables=kept))]
    assert "Attached only" not in titles
