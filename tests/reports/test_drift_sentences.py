"""What the drift report says of limits, run lengths and the work in doubt."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import pandas as pd
import pytest

from accstudy.drift.status import device_remarks
from accstudy.reports.common import flagged
from accstudy.reports.drift import limit_met, remark
from accstudy.reports.methods import methods


def trend(reached, limit=60.0, horizon="2025-12-08"):
    return SimpleNamespace(
        limit=limit,
        reached_at=pd.Timestamp(reached) if reached else pd.NaT,
        since=pd.Timestamp("2025-01-06"),
        until=pd.Timestamp("2025-06-23"),
        horizon=pd.Timestamp(horizon) if horizon else pd.NaT,
        exceeded=reached == "2025-06-23",
    )


def test_the_limit_is_exceeded_ahead_or_out_of_sight():
    assert limit_met(trend("2025-06-23")) == "bound above limit already"
    assert limit_met(trend("2025-09-01")) == "2025-09-01"
    assert limit_met(trend(None)) == "after 2025-12-08 (end of projection)"
    assert limit_met(trend(None, horizon=None)) == "no trend shown"


def test_the_reference_is_described_by_the_uncertainty_that_was_used(contents):
    content = contents["drift"]
    mpe = {"mpe_um": {"constant": 1.5, "per_metre": 3.0}}
    settings = {**content.settings, "reference": mpe}
    described = {}
    for name, u_from in (("certified", "certificate"), ("machine", "MPE")):
        pairs = content.table("reference_pairs").assign(u_from=u_from)
        tables = {**content.tables, "reference_pairs": pairs}
        told = dict(methods(replace(content, tables=tables, settings=settings)))
        described[name] = told["Reference"]
    assert "certified standard uncertainties" in described["certified"]
    assert "per metre, is treated as a rectangular" not in described["certified"]
    assert "per metre, is treated as a rectangular" in described["machine"]
    assert "certified standard" not in described["machine"]


def test_the_time_to_a_signal_is_that_of_the_limits_in_use(contents, built):
    table = contents["drift"].table("drift_run_lengths")
    asked = table[(table["chart"] == "ewma") & (table["limits"] == "used") & table["wanted"]]
    asked = asked[asked["measurand"] == "cross-arch distance"].set_index("device")
    (block,) = [
        b for b in built["drift"][2].blocks if b["type"] == "lead" and b["heading"] == "Run lengths"
    ]
    said = [p.replace("\u00a0", " ") for p in block["paragraphs"]]
    slow = flagged(table[table["measurand"] == "cross-arch distance"], "insensitive")
    *told, hint = said[1:]
    assert hint.startswith("Run lengths take the estimates of the baseline as true")
    assert len(told) == (len(slow) > 0) == 1
    assert "marked “insensitive”" in told[0]
    (rows,) = [
        b["rows"] for b in built["drift"][2].blocks if b.get("key") == "fleet.run_lengths_table"
    ]
    printed, device = {}, ""
    for name, chart, _, sessions, time, note in rows:
        device = name or device
        printed[device, chart] = (sessions, time.replace("\u00a0", " "), note)
    assert len(asked) == 2
    for device, row in asked.iterrows():
        days = f"{row['steady_state_days']:.0f} days"
        assert printed[device, "EWMA of the means"] == (f"{row['steady_state']:.1f}", days, "–")
    for _, row in slow.iterrows():
        assert printed[row["device"], "session means"][2] == "insensitive"
    assert sum(note == "insensitive" for _, _, note in printed.values()) == len(slow)


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
    ).assign(shown=[True, True, False], baseline_no=1, autocorrelation_p=[0.4, 0.5, 0.003])
    limits = {
        "measurand": trends["measurand"],
        "baseline_no": 1,
        "autocorrelation": [0.0, 0.0, 0.4],
    }
    baselines = pd.DataFrame(limits).assign(widened=1.62)
    none = pd.DataFrame()
    signals = pd.DataFrame({"measurand": ["scale"]})
    scans = pd.DataFrame({"body_uses": [1.0, 60.0, 117.0]})
    gap, event, trend, alike, wear = device_remarks(
        points, events, trends, signals, scans, baselines
    )
    assert gap == {"kind": "gap", "at": at[2], "until": at[3]}
    assert event == {"kind": "event", "at": at[1], "subject": "service", "baseline_no": 1}
    assert trend == {"kind": "trend", "subject": "axis splay", "p": 0.023}
    assert alike == {
        "kind": "correlated", "subject": "other", "correlation": 0.4, "p": 0.003, "widened": 1.62,
    }  # fmt: skip
    assert wear == {"kind": "bodies", "fewest": 1.0, "most": 117.0}
    stricter = device_remarks(points, events, trends.assign(shown=False), signals, scans, none)
    assert stricter == [gap, event, wear]
    updated = pd.DataFrame({"measured_at": at, "software": ["2.0"] * 4 + ["2.1"]})
    quiet = trends.iloc[2:]
    told = device_remarks(points, events.iloc[:0], quiet, signals, updated, none)[-1]
    change = {"kind": "software", "at": at[4], "subject": "2.1", "before": "2.0"}
    assert told == change | {"event_at": pd.NaT}
    dated = pd.DataFrame(
        [(at[4] - pd.Timedelta(days=3), "Software update")], columns=["at", "kind"]
    )
    told = device_remarks(points, dated, quiet, signals, updated, none)[-1]
    assert told == change | {"event_at": dated["at"][0]}
    even = points.iloc[:3]
    assert device_remarks(even, events.iloc[1:], quiet, signals, scans.iloc[:1], none) == []


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ({"kind": "gap", "at": "2024-01-29", "until": "2024-03-25"},
         "No session between 29 January 2024 and 25 March 2024; lines are interrupted there."),
        ({"kind": "event", "at": "2024-01-15", "subject": "service", "baseline_no": 1},
         "Baseline 1 spans an event (service, 15 January 2024); if"),
        ({"kind": "trend", "subject": "axis splay", "p": 0.023},
         "The trend of axis splay has p = 0.023, but no chart signals"),
        ({"kind": "bodies", "fewest": 1.0, "most": 117.0}, "used 1 to 117 times"),
        ({"kind": "software", "at": "2024-04-08", "subject": "2.1", "before": "2.0",
          "event_at": None},
         "Software 2.1 since the session of 8 April 2024, without a new baseline: centre line and "
         "limits are those of 2.0."),
        ({"kind": "software", "at": "2024-04-08", "subject": "2.1", "before": "2.0",
          "event_at": "2024-04-05"},
         "Software 2.1 since 5 April 2024 (first session 8 April 2024), without a new baseline"),
        ({"kind": "correlated", "subject": "scale", "correlation": 0.4, "p": 0.003,
          "widened": 1.62},
         "Neighbouring sessions of scale correlate (r\u00a0=\u00a00.4, p = 0.003): the limits"),
    ],
)  # fmt: skip
def test_every_remark_is_said(row, said):
    assert said in remark(SimpleNamespace(**row))


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
