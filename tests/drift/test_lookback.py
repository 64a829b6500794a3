"""What has to be reassessed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from accstudy.drift.lookback import largest_means, lookback_rows, session_doubts
from accstudy.drift.signals import Found, event_near
from accstudy.drift.stretch import chart_stretch
from accstudy.tables import empty, shape

DAYS = pd.Timestamp("2025-01-06") + pd.to_timedelta(30 * np.arange(8), unit="D")


def stretch_of(means):
    rows = pd.DataFrame(
        {"session": [f"S{i}" for i in range(8)], "at": DAYS, "n_scans": 3, "mean": means, "sd": 2.0}
    )
    names = {"device": "A", "model": "M", "measurand": "x", "unit": "um", "number": 1}
    return chart_stretch(
        names, rows, np.arange(8) < 4, begins_with="", run_length=370.0, shift=10.0
    )


def found_at(last_good, day):
    low = DAYS[max(last_good, 0)]
    row = {"kind": "signal", "chart": "ewma", "at": DAYS[day], "low": low}
    return Found(row, last_good=last_good, stands=True)


def scans():
    rows = [(f"s{i}{r}", "M", "A", f"S{i}", DAYS[i]) for i in range(8) for r in range(3)]
    rows += [("b", "M", "B", "S7", DAYS[7])]
    return pd.DataFrame(rows, columns=["scan", "model", "device", "session", "at"])


def rows_of(charted, limits=None):
    return shape("drift_lookback", lookback_rows("A", scans(), charted, limits or {}))


LEVEL = [1.0, -1.0, 1.0, -1.0, 0.0, 0.0, 20.0, 20.0]


def test_everything_since_the_earliest_doubt():
    stretch = stretch_of(LEVEL)
    table = rows_of({"M": [(stretch, [found_at(5, 7), found_at(3, 6)])]})
    assert table["scan"].tolist() == [f"s{i}{r}" for i in range(4, 8) for r in range(3)]
    assert set(table["proven_good"]) == {"S3"}
    assert set(table["signal_at"]) == {DAYS[6]}
    assert set(table["doubt"]) == {f"x may have changed since {DAYS[3]:%Y-%m-%d}"}


def test_a_session_near_the_limit_is_not_proven_good():
    # standard deviation of the baseline's means: 1.1547; Student's t, 3 df, 95 %: 2.3534;
    # so a mean of 8.5 may be as large as 11.217
    stretch = stretch_of([1.0, -1.0, 1.0, -1.0, 8.5, 8.5, 20.0, 20.0])
    assert largest_means(stretch)[4] == pytest.approx(11.2174, abs=1e-3)
    charted = [(stretch, [found_at(5, 7)])]
    doubts = session_doubts(charted, {"x": 11.3}).set_index("session")["doubt"]
    assert (doubts[["S4", "S5"]] == "").all()
    doubts = session_doubts(charted, {"x": 10.7}).set_index("session")["doubt"]
    assert doubts["S5"] == "x up to 11.2 µm, 0.5 µm beyond the limit"
    assert doubts["S6"].startswith(f"x may have changed since {DAYS[5]:%Y-%m-%d}; x up to 22.7 µm")
    assert set(rows_of({"M": charted}, {"x": 10.7})["proven_good"]) == {"S3"}


def test_a_measurand_without_signs_must_keep_its_limit_too():
    changed = stretch_of(LEVEL)
    other = replace(stretch_of([1.0, -1.0, 1.0, -1.0, 0.0, 9.0, 0.0, 0.0]), measurand="y")
    charted = {"M": [(changed, [found_at(5, 7)]), (other, [])]}
    assert set(rows_of(charted, {"x": 10.0})["proven_good"]) == {"S5"}
    table = rows_of(charted, {"y": 10.0})
    assert set(table["proven_good"]) == {"S4"}
    assert table["doubt"].iloc[0] == "y up to 11.7 µm, 1.7 µm beyond the limit"


def test_without_a_good_session_every_scan_is_listed_with_its_reason():
    stretch = stretch_of(LEVEL)
    table = rows_of({"M": [(stretch, [found_at(-1, 6)])]})
    assert len(table) == 24
    assert set(table["proven_good"]) == {""}
    assert table["proven_good_at"].isna().all()
    assert set(table["doubt"]) == {f"x may have changed since {DAYS[0]:%Y-%m-%d}"}


def test_nothing_standing_leaves_nothing_to_reassess():
    assert rows_of({"M": [(stretch_of(LEVEL), [])]}, {"x": 1.0}).empty


def test_an_event_before_the_change_comes_before_one_after():
    rows = [
        ("2025-03-03", "A", "service"),
        ("2025-03-09", "A", "tip changed"),
        ("2025-03-05", "B", "other device"),
        ("2025-06-01", "", "room moved"),
    ]
    events = shape("events", pd.DataFrame(rows, columns=["at", "device", "kind"]))
    low, high = pd.Timestamp("2025-02-05"), pd.Timestamp("2025-03-07")
    near = event_near(events, "A", low, high, high)
    assert near == "service on 2025-03-03, 4 days before"
    after = event_near(events.iloc[1:], "A", low, high, high)
    assert after == "tip changed on 2025-03-09, 2 days after"
    later = event_near(events, "A", low, high, high, counted_from=pd.Timestamp("2025-03-17"))
    assert later == "service on 2025-03-03, 14 days before"
    swapped = event_near(events.iloc[1:], "A", low, high, high, counted_from=DAYS[3])
    assert swapped == "tip changed on 2025-03-09, 28 days before"
    assert event_near(events.iloc[2:], "A", low, high, high) == ""
    assert event_near(empty("events"), "A", low, high, high) == ""
