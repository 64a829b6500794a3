"""What has to be reassessed."""

from __future__ import annotations

import numpy as np
import pandas as pd

from accstudy.accuracy.judge import ALL_PAIRS, verdict
from accstudy.drift.analysis import lookback_rows
from accstudy.drift.signals import Found, event_near
from accstudy.drift.stretch import chart_stretch
from accstudy.reports.device import work_in_doubt
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
    held = pd.DataFrame() if limits is None else limits
    return shape("drift_lookback", lookback_rows("A", scans(), charted, held))


def held(bounds, limit=10.0):
    rows = [
        {
            "device": "A",
            "model": "M",
            "session": f"S{i}",
            "scope": ALL_PAIRS,
            "implant_a": "I1",
            "implant_b": "I4",
            "bound_um": bound,
            "limit_um": limit,
            "confidence": 0.95,
            "verdict": verdict(bound, -np.inf, limit),
        }
        for i, bound in enumerate(bounds)
    ]
    return pd.DataFrame(rows)


LEVEL = [1.0, -1.0, 1.0, -1.0, 0.0, 0.0, 20.0, 20.0]


def test_without_a_limit_all_since_the_earliest_doubt():
    stretch = stretch_of(LEVEL)
    table = rows_of({"M": [(stretch, [found_at(5, 7), found_at(3, 6)])]})
    assert table["scan"].tolist() == [f"s{i}{r}" for i in range(4, 8) for r in range(3)]
    assert set(table["proven_good"]) == {"S3"}
    assert set(table["next_good"]) == {""}
    assert set(table["signal_at"]) == {DAYS[6]}
    assert set(table["doubt"]) == {f"x may have changed since {DAYS[3]:%Y-%m-%d}"}


def test_with_a_limit_only_sessions_that_are_not_verified():
    stretch = stretch_of(LEVEL)
    signs = {"M": [(stretch, [found_at(3, 6)])]}
    assert rows_of(signs, held([5.0] * 8)).empty  # changed, and still within the limit
    table = rows_of(signs, held([5, 5, 12, 5, 5, 5, 11, 14]))
    assert list(dict.fromkeys(table["session"])) == ["S2", "S6", "S7"]
    first, last = table.iloc[0], table.iloc[-1]
    assert (first["proven_good"], first["next_good"]) == ("S1", "S3")
    assert (last["proven_good"], last["next_good"]) == ("S5", "")
    assert last["doubt"] == "pair I1-I4 up to 14.0 µm, limit 10 µm"
    assert last["bound_um"] == 14.0
    told = work_in_doubt(table)
    assert told == (
        "Reassess the work scanned after 5 February 2025 and before 6 April 2025; "
        "after 5 June 2025."
    )


def test_a_limit_is_held_where_nothing_has_changed():
    table = rows_of({"M": [(stretch_of(LEVEL), [])]}, held([12.0] * 8))
    assert len(table) == 24
    assert table["signal_at"].isna().all()
    assert set(table["proven_good"]) == {""}


def test_without_a_good_session_every_scan_is_listed_with_its_reason():
    stretch = stretch_of(LEVEL)
    table = rows_of({"M": [(stretch, [found_at(-1, 6)])]})
    assert len(table) == 24
    assert set(table["proven_good"]) == {""}
    assert table["proven_good_at"].isna().all()
    assert set(table["doubt"]) == {f"x may have changed since {DAYS[0]:%Y-%m-%d}"}
    assert work_in_doubt(table) == "Reassess the work scanned so far."


def test_nothing_standing_leaves_nothing_to_reassess():
    assert rows_of({"M": [(stretch_of(LEVEL), [])]}).empty


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
