"""What the drift report says of limits, run lengths and the work in doubt."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd

from accstudy.figures.drift import gaps_after
from accstudy.reports.drift_cautions import device_cautions
from accstudy.reports.drift_charts import limit_met
from accstudy.reports.drift_duties import found_after, why_not_later
from accstudy.reports.methods import methods
from accstudy.reports.sessions import since_good, when_changed


def trend(reached, limit=60.0):
    return SimpleNamespace(
        limit=limit,
        reached_at=pd.Timestamp(reached) if reached else pd.NaT,
        since=pd.Timestamp("2025-01-06"),
        until=pd.Timestamp("2025-06-23"),
        horizon=pd.Timestamp("2025-12-08"),
    )


def test_the_limit_is_exceeded_ahead_out_of_sight_or_not_set():
    assert limit_met(trend("2025-06-23")) == "exceeded already"
    assert limit_met(trend("2025-09-01")) == "2025-09-01"
    assert limit_met(trend(None)) == "not by 2025-12-08"
    assert limit_met(trend(None, limit=float("nan"))) == "no limit set"


def test_the_time_to_a_signal_is_that_of_the_limits_in_use():
    names = {"device": "device A", "model": "M", "unit": "um"}
    lengths = pd.DataFrame(
        [
            {**names, "chart": "ewma", "shift": 15.0, "steady_state": 29.7},
            {**names, "chart": "ewma", "shift": 10.0, "steady_state": 80.0},
            {**names, "chart": "mean", "shift": 15.0, "steady_state": 50.0},
        ]
    )
    advice = pd.DataFrame([{**names, "n_scans": 3, "delay_sessions": 7.5, "delay_days": 105.0}])
    said = found_after(lengths, advice, "device A", "M", 15.0, "scale").replace("\u00a0", " ")
    assert said == (
        "device A: with the limits in use the EWMA finds a shift of 15 µm in the scale after 29.7 "
        "sessions on average, that is 416 days at the present rhythm of 14 days."
    )
    assert "not known" in found_after(lengths, advice, "device A", "M", 12.0, "scale")


def test_both_dates_of_a_change_and_the_time_in_doubt():
    day = pd.Timestamp
    look = pd.DataFrame({"proven_good_at": [day("2024-09-30")], "signal_at": [day("2024-10-28")]})
    signals = pd.DataFrame(
        [
            ("change-point", day("2024-07-08"), day("2024-04-29"), day("2024-09-16")),  # over
            ("change-point", day("2024-10-28"), day("2024-09-30"), day("2024-11-11")),
            ("signal", day("2025-02-03"), pd.NaT, pd.NaT),
            ("signal", day("2024-12-23"), pd.NaT, pd.NaT),
        ],
        columns=["kind", "at", "low", "high"],
    )
    assert when_changed(look, signals) == (
        "change estimated to begin about 28 October 2024 (30 September 2024 to 11 November 2024), "
        "charts signalled first on 23 December 2024"
    )
    assert since_good(look) == "after 30 September 2024"
    none = look.assign(proven_good_at=pd.NaT)
    assert since_good(none) == "so far"


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
    )
    signals = pd.DataFrame({"measurand": ["scale"]})
    scans = pd.DataFrame({"body_uses": [1.0, 60.0, 117.0]})
    gap, event, p, wear = device_cautions(points, events, trends, signals, scans)
    assert gap.startswith("no session between 29 January 2024 and 25 March 2024")
    assert "spans an event (service, 15 January 2024)" in event
    assert "axis splay has a trend with p = 0.023" in p
    assert "1 to 117 times" in wear
    even = points.iloc[:3]
    assert device_cautions(even, events.iloc[1:], trends.iloc[2:], signals, scans.iloc[:1]) == []


def test_lines_break_in_gaps():
    at = pd.Series(pd.to_datetime(["2024-01-01", "2024-01-15", "2024-01-29", "2024-03-25"]))
    assert gaps_after(at) == [2]
    assert gaps_after(at[:3]) == []
    assert gaps_after(at[:1]) == []


def test_methods_describe_no_result_that_the_drift_report_lacks(contents):
    content = contents["drift"]
    table = pd.DataFrame({"condition": ["device A"]})
    with_means = replace(content, tables={**content.tables, "accuracy": table, "outliers": table})
    titles = [title for title, _ in methods(with_means)]
    assert "Charts" in titles
    assert "Attached only" in titles
    assert not {"Outliers", "Trueness and precision", "Agreement"} & set(titles)
    assert "Attached only" not in [title for title, _ in methods(content)]


def look(proven_good, doubts):
    at = pd.Timestamp("2025-01-06") + pd.to_timedelta(14 * np.arange(len(doubts)), unit="D")
    return pd.DataFrame(
        {
            "session": [f"S{k}" for k in range(4, 4 + len(doubts))],
            "at": at,
            "proven_good": proven_good,
            "proven_good_at": pd.Timestamp("2024-12-23") if proven_good else pd.NaT,
            "doubt": doubts,
        }
    )


def test_the_reason_why_no_later_session_is_proven_good_is_that_of_the_next_one():
    doubts = ["scale may have changed since 2024-12-23", "x up to 62.3 µm, 2.3 µm beyond the limit"]
    said = why_not_later(look("S3", doubts))
    assert said == (
        "Last proven good: session S3, 23 December 2024. The next, session S4 of 6 January 2025, "
        "is not: scale may have changed since 23 December 2024."
    )
    said = why_not_later(look("", doubts[1:]))
    assert said == (
        "No session is proven good, not even the first, session S4 of 6 January 2025: x up to "
        "62.3 µm, 2.3 µm beyond the limit."
    )
