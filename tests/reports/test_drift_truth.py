"""Page 1 of the drift sample agrees with what was put in, in every number that it states."""

from __future__ import annotations

import re
from itertools import combinations

import numpy as np
import pandas as pd
import pytest
from samples import SAMPLES, analysed

from accstudy import read_results
from accstudy.accuracy.judge import ALL_PAIRS, REFUTED, VERIFIED
from accstudy.reports.document import ReportContent
from accstudy.reports.drift import answer
from accstudy.simulate.studies import DEVICES
from accstudy.words.names import pair_name
from accstudy.words.numbers import date

SAMPLE = SAMPLES / "drift"
A, B, C = DEVICES
DAYS_A_MONTH = 30.4375


@pytest.fixture(scope="module")
def tables(tmp_path_factory):
    return read_results(analysed("drift", tmp_path_factory.mktemp("sample")))


@pytest.fixture(scope="module")
def status(tables):
    return tables["drift_status"].set_index("device")


@pytest.fixture(scope="module")
def spans():
    """True distance of every pair, mm."""
    truth = pd.read_csv(SAMPLE / "truth/implants.csv").set_index("implant")
    at = truth[["x_mm", "y_mm", "z_mm"]]
    return {(a, b): np.linalg.norm(at.loc[a] - at.loc[b]) for a, b in combinations(at.index, 2)}


@pytest.fixture(scope="module")
def put_in():
    """Effects by device: name to its only value, and the scale of every session, ppm."""
    rows = pd.read_csv(SAMPLE / "truth/effects.csv", dtype={"level": str})
    found = {}
    for device, mine in rows.groupby("scanner"):
        sessions = mine[mine["effect"] == "session_scale_ppm"]
        by_session = dict(zip(sessions["level"].str.split(" / ").str[-1], sessions["value"],
                              strict=True))  # fmt: skip
        one = mine[mine["effect"] != "session_scale_ppm"].set_index("effect")
        found[device] = (one["value"].to_dict(), by_session, one["level"].to_dict())
    return found


def class_span(spans):
    """Mean true distance of the pairs 15 to 30 mm apart, mm."""
    return np.mean([span for span in spans.values() if 15 <= span < 30])


def true_um(put_in, spans, row):
    """True deviation of a pair in a session, um."""
    effects, sessions, levels = put_in[row.device]
    first = pd.Timestamp("2024-01-08")
    ppm = effects["scale_ppm"] + sessions[row.session]
    if "step" in effects and row.at >= pd.Timestamp(levels["step"]):
        ppm += effects["step"]
    months = (row.at.normalize() - first).days / DAYS_A_MONTH
    ppm += effects.get("drift_ppm_per_month", 0.0) * months
    return ppm * spans[row.implant_a, row.implant_b] / 1000


def test_the_devices_that_changed_are_those_that_were_changed(status):
    assert status["stands"].to_dict() == {A: True, B: True, C: False}
    assert status["change"].to_dict() == {A: "step", B: "ramp", C: ""}
    assert status.loc[C, "state"] == "no sign"


def test_the_step_has_its_size_and_day_and_no_trend_after_it(status, put_in, spans):
    row, (effects, _, levels) = status.loc[A], put_in[A]
    assert row["measurand"] == "distance of pairs 15 to 30 mm apart"
    true = effects["step"] * class_span(spans) / 1000
    assert row["size_low"] < true < row["size_high"]
    assert row["size_low"] < row["size"] < row["size_high"]
    day = pd.Timestamp(levels["step"])
    assert row["begins_low"] <= day + pd.Timedelta(days=13) <= row["begins_high"]
    assert row["begins_at"].normalize() in pd.date_range(day, periods=28)
    assert row["signalled_at"] >= day
    gap = (row["begins_at"].normalize() - day).days
    assert row["event"] == f"tip changed on {day.day} {day:%B %Y}, {gap} days before"
    assert row["slope_low_per_month"] < 0 < row["slope_high_per_month"]


def test_the_growth_has_its_slope_and_beginning(status, put_in, spans):
    row, (effects, _, _) = status.loc[B], put_in[B]
    assert row["measurand"] == "distance of pairs 15 to 30 mm apart"
    true = effects["drift_ppm_per_month"] * class_span(spans) / 1000
    assert row["size_low"] < true < row["size_high"]
    assert row["size"] == row["slope_per_month"]
    assert row["begins_low"].normalize() == pd.Timestamp("2024-01-08")
    assert row["signalled_at"] > row["first_at"]
    assert row["in_baseline"]
    assert row["starts_in_baseline"]
    rest = status.loc[C]
    assert rest["slope_low_per_month"] < 0 < rest["slope_high_per_month"]


def test_no_session_is_verified_or_refuted_wrongly_and_bounds_hold(tables, put_in, spans):
    held = tables["drift_limits"]
    pairs = held[held["scope"] != ALL_PAIRS]
    true = np.array([abs(true_um(put_in, spans, row)) for row in pairs.itertuples()])
    assert np.mean(pairs["bound_um"] >= true) >= 0.95
    assert (true[pairs["verdict"] == VERIFIED] <= 60).all()
    assert (true[pairs["verdict"] == REFUTED] > 60).all()
    together = held[held["scope"] == ALL_PAIRS].set_index(["device", "session"])
    worst = pairs.groupby(["device", "session"])["bound_um"].max()
    assert together["bound_um"].to_numpy() == pytest.approx(worst.loc[together.index].to_numpy())


def test_what_page_1_says_of_the_limit_is_the_last_session(tables, status):
    held = tables["drift_limits"]
    together = held[held["scope"] == ALL_PAIRS]
    for device, row in status.iterrows():
        mine = together[together["device"] == device].sort_values("at")
        last = mine.iloc[-1]
        assert row["limit_verdict"] == last["verdict"]
        assert row["worst_bound_um"] == last["bound_um"]
        assert row["worst_mean_um"] == last["mean_um"]
        open_ones = mine[mine["verdict"] != VERIFIED]
        assert row["n_not_verified"] == len(open_ones)
        if len(open_ones):
            good = mine[mine["at"] < open_ones["at"].iloc[0]]["at"].iloc[-1]
            assert row["reassess_from"] == good
        if row["action"] == "next session":  # sessions are held every second Monday
            assert row["due_at"] == last["at"].normalize() + pd.Timedelta(days=14)
        else:
            assert row["due_at"] == last["at"].normalize()


def test_the_bound_of_single_scans_covers_what_was_put_in(tables, status, put_in, spans):
    pairs = tables["drift_limits"]
    for device, row in status.iterrows():
        mine = pairs[(pairs["device"] == device) & (pairs["scope"] == row["single_pair"])]
        last = next(mine[mine["at"] == mine["at"].max()].itertuples())
        _, sessions, _ = put_in[device]
        span = spans[last.implant_a, last.implant_b]
        level = true_um(put_in, spans, last) - sessions[last.session] * span / 1000
        # noise of both implants alone; sessions and the arch length add to it
        noise = np.sqrt(2) * put_in[device][0]["position_um"]
        assert level + 1.645 * noise < row["single_bound_um"]
        assert row["single_bound_um"] > mine["bound_um"].iloc[-1]  # not the bound of the mean


def said(text):
    if isinstance(text, str):
        return text
    return "".join(said(run["t"]) if isinstance(run, dict) else said(run) for run in text)


def test_page_1_states_no_number_that_is_not_checked_above(tables, status):
    content = ReportContent("", {}, {**tables, "scans": pd.DataFrame()}, {}, "")
    text = " ".join(said(one) for one in answer(content))
    for row in status.itertuples():
        dates = (row.begins_at, row.begins_low, row.begins_high, row.signalled_at,
                 row.reassess_from)  # fmt: skip
        known = [date(at) for at in dates if pd.notna(at)]
        if row.event:
            known += [date(pd.Timestamp("2024-10-21")), row.event.rpartition(", ")[2]]
        numbers = (row.size, row.size_low, row.size_high, row.slope_per_month,
                   row.slope_low_per_month, row.slope_high_per_month)  # fmt: skip
        known += [f"{v:+.1f}".replace("-", "\u2212") for v in numbers if pd.notna(v)]
        known += [row.measurand, row.measurand[0].upper() + row.measurand[1:]]
        known += [f"not verified in {row.n_not_verified}\u00a0session"]
        known += [f"{pair_name(row.single_pair)}: {row.single_bound_um:.1f} \u00b5m"]
        changes = tables["drift_remarks"].query("kind == 'software'").itertuples()
        for change in changes:
            known += [f"software {change.subject} since {date(change.event_at)}"]
            known += [f"the baseline of {change.before}."]
        for one in sorted(known, key=len, reverse=True):
            text = text.replace(one, "#")
    assert "#" in text
    assert not re.search(r"\d", text), text
