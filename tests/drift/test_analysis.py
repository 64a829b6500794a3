"""The whole drift analysis on studies with known truth."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from samples import analysed

from accstudy import read_results
from accstudy.accuracy.judge import ALL_PAIRS, verdict
from accstudy.compare.deviations import implant_deviations, pair_deviations
from accstudy.drift.analysis import analyze_drift, lookback_rows
from accstudy.drift.designs import DriftOptions, effective_number
from accstudy.drift.device import Found, event_near
from accstudy.drift.measurands import (
    CROSS_ARCH,
    SCALE,
    baseline_of,
    scale_ppm,
    scan_measurands,
    session_table,
    starts,
)
from accstudy.drift.stretch import OF_SD, chart_stretch
from accstudy.errors import InputError
from accstudy.reports.drift import work_in_doubt
from accstudy.stages.references import reference_changes, references_that_differ
from accstudy.tables import TABLES, csv_bytes, empty, shape
from accstudy.words.numbers import date

ARCH = np.array([[-20, 0, 0], [-9, 16, 0], [9, 16, 0], [20, 0, 0]], float)
UP = np.array([0.0, 0.0, 1.0])


def implants_of(centres=ARCH, **more):
    table = pd.DataFrame(
        {"model": "M", "implant": ["I1", "I2", "I3", "I4"], "angulation_deg": 0.0, **more}
    )
    table[["x_mm", "y_mm", "z_mm"]] = centres
    table[["axis_x", "axis_y", "axis_z"]] = UP
    return shape("implants", table)


def study_of(rng, ppm, *, per_session=4, noise_um=8.0, session_ppm=60.0, device="A", days=30):
    """Poses and scan list of one device whose scale in each session is given."""
    centres, axes, scans = [], [], []
    for i, scale in enumerate(ppm):
        day = pd.Timestamp("2024-01-08") + pd.Timedelta(days=days * i)
        common = scale + session_ppm * rng.standard_normal()
        for r in range(per_session):
            name = f"{device}{i:02d}_{r}"
            centres.append(ARCH * (1 + common * 1e-6) + rng.normal(0, noise_um / 1000, ARCH.shape))
            axes.append(UP + rng.normal(0, 0.001, ARCH.shape))
            scans.append((name, "M", device, f"S{i:02d}", day + pd.Timedelta(minutes=9 * r)))
    columns = ["scan", "model", "device", "session", "measured_at"]
    listed = pd.DataFrame(scans, columns=columns)
    poses = pd.concat([implants_of()] * len(scans), ignore_index=True)
    poses["scan"] = np.repeat(listed["scan"].to_numpy(), len(ARCH))
    poses[["x_mm", "y_mm", "z_mm"]] = np.concatenate(centres)
    unit = np.concatenate(axes)
    poses[["axis_x", "axis_y", "axis_z"]] = unit / np.linalg.norm(unit, axis=1, keepdims=True)
    return shape("poses", poses.assign(status="ok")), listed


def events_of(*rows):
    columns = ["at", "device", "kind", "new_baseline"]
    return shape("events", pd.DataFrame(rows, columns=columns)) if rows else empty("events")


def run(poses, scans, *, implants=None, events=None, **options):
    reference = implants_of() if implants is None else implants
    first = reference.drop_duplicates("implant")
    return analyze_drift(
        pair_deviations(poses, first),
        implant_deviations(poses, first),
        poses,
        reference,
        scans,
        empty("events") if events is None else events,
        options=DriftOptions(**{"baseline_sessions": 6} | options),
    )


@pytest.fixture(scope="module")
def sample(tmp_path_factory):
    """Tables of the sample study of three devices."""
    return SimpleNamespace(tables=read_results(analysed("drift", tmp_path_factory.mktemp("d"))))


def changes(result, device, measurand):
    table = result.tables["drift_signals"]
    return table[
        (table["kind"] == "change-point")
        & (table["device"] == device)
        & (table["measurand"] == measurand)
        & (table["chart"] == "mean")
    ]


def test_the_step_is_found_at_its_date_and_beside_its_event(sample):
    # put in: 600 ppm when the tip is changed on 2024-10-21
    found = changes(sample, "device A", SCALE)
    assert len(found) == 1
    row = found.iloc[0]
    assert row["rule"] == "step"
    assert row["low"] < pd.Timestamp("2024-10-21") + pd.Timedelta(days=1)
    assert row["high"] >= pd.Timestamp("2024-10-21")
    assert abs(row["at"] - pd.Timestamp("2024-10-21")) <= pd.Timedelta(days=15)
    assert row["size_low"] < 600 < row["size_high"]
    assert row["event"].startswith("tip changed on 21 October 2024")
    charts = sample.tables["drift_signals"].query("device == 'device A' and kind == 'signal'")
    assert {"ewma", "cusum-high"} <= set(charts["chart"])
    assert (charts["at"] >= pd.Timestamp("2024-10-21")).all()


def test_the_slow_growth_is_found_with_its_slope(sample):
    # put in: 45 ppm a month from the first session on
    row = changes(sample, "device B", SCALE).iloc[0]
    assert row["rule"] == "ramp"
    assert row["low"] <= pd.Timestamp("2024-01-09")
    assert row["size_low"] < 45 < row["size_high"]
    assert row["stands"]
    trend = sample.tables["drift_trends"].query("device == 'device B' and measurand == @SCALE")
    slope = trend.iloc[0]
    assert slope["slope_low_per_month"] < 45 < slope["slope_high_per_month"]
    assert slope["theil_sen_low_per_month"] < 45 < slope["theil_sen_high_per_month"]
    assert slope["mann_kendall_p"] < 0.01
    assert slope["p"] < 0.01
    # one story: the change point tells what the trend tells
    same = ("slope_per_month", "slope_low_per_month", "slope_high_per_month")
    assert [row[k] for k in ("size", "size_low", "size_high")] == [slope[k] for k in same]
    assert row["at"] == slope["begins_at"]
    status = sample.tables["drift_status"].set_index("device").loc["device B"]
    assert status["change"] == "ramp"
    assert status["in_baseline"]
    assert "within the baseline" in status["what"]


def test_the_slope_of_the_cross_arch_pair_has_one_value(sample):
    trends = sample.tables["drift_trends"].query("measurand == @CROSS_ARCH").set_index("device")
    pairs = sample.tables["drift_pairs"].query("implant_a == 'I1' and implant_b == 'I4'")
    for row in pairs.itertuples():
        trend = trends.loc[row.device]
        assert row.p == trend["p"]
        assert row.slope_um_per_month == trend["slope_per_month"]
        assert row.since == trend["since"]
    assert len(pairs) == 3
    every = sample.tables["drift_trends"]
    assert (every["shown"] == (every["p"] < 0.05)).all()
    assert every["shown"].nunique() == 2


def test_what_may_lie_within_the_baseline_is_judged_by_its_interval(sample):
    base = sample.tables["drift_baselines"]
    until = base.drop_duplicates(["device", "measurand"]).set_index(["device", "measurand"])
    changes = sample.tables["drift_signals"].query("kind == 'change-point'")
    said = changes["what"].str.contains("may have started within the baseline|start lies within")
    inside = [
        row.low <= until.loc[(row.device, row.measurand), "until"] for row in changes.itertuples()
    ]
    assert said.tolist() == inside
    sure = changes["what"].str.contains("The estimated start lies within the baseline")
    assert sure.tolist() == [
        row.at <= until.loc[(row.device, row.measurand), "until"] for row in changes.itertuples()
    ]
    assert said.any()
    assert not said.all()


def test_nothing_is_found_where_nothing_is(sample):
    assert not (sample.tables["drift_signals"]["device"] == "device C").any()
    assert not (sample.tables["drift_lookback"]["device"] == "device C").any()
    status = sample.tables["drift_status"].set_index("device")
    assert status.loc["device C", "what"].startswith("No change is shown")


def test_a_changed_device_that_keeps_the_limit_has_nothing_to_reassess(sample):
    status = sample.tables["drift_status"].set_index("device")
    assert status.loc["device A", "stands"]
    assert status.loc["device A", "action"] == "check at once"
    duty = status.loc["device A", "duty_what"]
    assert "the mean of the last session is within the limit" in duty
    # two quantities: single scans to come spread more than a mean of three
    single, mean = status.loc["device A", ["single_bound_um", "worst_bound_um"]]
    assert single > 60 > mean
    assert "future single scans may not be" in duty
    assert "single scans" in status.loc["device C", "limit_what"]
    assert "below the limit" in status.loc["device C", "limit_what"]
    assert not (sample.tables["drift_lookback"]["device"] == "device A").any()
    held = sample.tables["drift_limits"].query("device == 'device A' and scope == 'all pairs'")
    assert (held["bound_um"] < 60).all()
    assert len(held) == 39


def test_pairs_that_cancel_in_a_mean_are_held_against_the_limit():
    rng = np.random.default_rng(21)
    bent = ARCH.copy()
    bent[1, 0] -= 0.110  # the first pair opens by about as much as the second one closes
    poses, scans = study_of(rng, np.zeros(12), session_ppm=10.0)
    shift = np.where(poses["implant"] == "I2", bent[1, 0] - ARCH[1, 0], 0.0)
    poses = poses.assign(x_mm=poses["x_mm"] + shift)
    found = run(poses, scans, limit_um=60.0)
    held = found.tables["drift_limits"]
    pair = held[held["scope"] == "I2-I3"]
    assert (pair["mean_um"] > 60).all()
    assert (pair["low_um"] > 60).all()
    together = held[held["scope"] == "all pairs"]
    assert set(together["verdict"]) == set(pair["verdict"])
    status = found.tables["drift_status"].iloc[0]
    assert status["action"] == "out of use until verified"
    assert status["n_not_verified"] == 12
    assert set(found.tables["drift_lookback"]["session"]) == set(scans["session"])


def test_the_reference_takes_its_share_of_the_limit():
    rng = np.random.default_rng(22)
    poses, scans = study_of(rng, np.zeros(12), session_ppm=10.0)
    pairs = pair_deviations(poses, implants_of())
    u = pairs.drop_duplicates(["implant_a", "implant_b"])[["implant_a", "implant_b"]]
    names = u["implant_a"] + "-" + u["implant_b"]
    known = pd.DataFrame({"model": "M", "measurand": "distance_um", "subject": names, "u": 15.0})
    held = {}
    for name, table in (("without", None), ("with", known)):
        found = analyze_drift(
            pairs, implant_deviations(poses, implants_of()), poses, implants_of(), scans,
            empty("events"), options=DriftOptions(limit_um=60.0), reference_u=table,
        )  # fmt: skip
        held[name] = found.tables["drift_limits"]
    both = held["with"].merge(held["without"], on=["session", "scope"], suffixes=("", "_0"))
    one = both[both["scope"] != "all pairs"]
    np.testing.assert_allclose(one["u_um"] ** 2, one["u_um_0"] ** 2 + 15.0**2, rtol=1e-9)
    assert (one["bound_um"] > one["bound_um_0"]).all()


def test_every_table_has_its_shape_and_can_be_written(sample):
    for name, table in sample.tables.items():
        if not name.startswith("drift_"):
            continue
        assert list(table.columns) == TABLES[name].names
        assert csv_bytes(name, table)
    points = sample.tables["drift_points"]
    assert not points.loc[points["baseline"].astype(bool), "signal"].astype(bool).any()
    level = {"mean", "moving-range", "ewma", "cusum-high", "cusum-low"}
    for _, one in points.groupby(["device", "measurand"]):
        assert set(one["chart"]) == level | set(OF_SD)


def test_run_lengths_and_advice_are_told(sample):
    table = sample.tables["drift_run_lengths"].query("device == 'device C' and limits == 'known'")
    for chart in ("mean", "ewma", "cusum"):
        mine = table[(table["chart"] == chart) & (table["measurand"] == CROSS_ARCH)]
        lengths = mine.sort_values("shift")["steady_state"].to_numpy()
        assert (np.diff(lengths) < 0).all()
    told = sample.tables["drift_run_lengths"][["zero_state", "steady_state"]].to_numpy().ravel()
    told = told[np.isfinite(told)]
    # beyond a million, or the sixth digit, the last bits of a linear solver would show
    assert told.max() < 1e6
    assert all(value == float(f"{value:.5g}") for value in told)
    days = table["steady_state_days"] / table["steady_state"]  # sessions lie two weeks apart
    assert days[np.isfinite(days)].to_numpy() == pytest.approx(14, abs=0.5)
    advice = sample.tables["drift_advice"].query(
        "device == 'device C' and measurand == @CROSS_ARCH"
    )
    assert advice["delay_sessions"].is_monotonic_decreasing
    status = sample.tables["drift_status"].set_index("device")
    assert "Next session by 7 July 2025" in status.loc["device C", "advice"]
    assert status.loc["device A", "advice"].startswith(
        "Check at once: a signal persists. Find the cause"
    )


def test_a_software_update_starts_a_new_baseline_and_is_compared():
    rng = np.random.default_rng(1)
    poses, scans = study_of(rng, np.r_[np.zeros(8), np.full(8, 900.0)])
    update = events_of(("2024-08-25", "A", "software update", True))
    found = run(poses, scans, events=update)
    assert set(found.tables["drift_baselines"]["baseline_no"]) == {1, 2}
    assert not (found.tables["drift_signals"]["kind"] == "change-point").any()
    row = found.tables["drift_comparisons"].query("measurand == @SCALE").iloc[0]
    assert row["low"] < 900 < row["high"]
    assert row["begins_with"] == "software update"
    assert row["sd_ratio_low"] < 1 < row["sd_ratio_high"]
    other = run(poses, scans, events=events_of(("2024-08-25", "B", "software update", True)))
    assert set(other.tables["drift_baselines"]["baseline_no"]) == {1}
    assert len(changes(other, "A", SCALE)) == 1


def test_a_reference_measured_again_is_no_drift():
    rng = np.random.default_rng(2)
    poses, scans = study_of(rng, np.zeros(16))
    again = implants_of(ARCH * 1.0006, valid_from=pd.Timestamp("2024-08-25"))
    both = pd.concat([implants_of(valid_from=pd.NaT), again], ignore_index=True)
    late = scans.loc[scans["measured_at"] >= pd.Timestamp("2024-08-25"), "scan"]
    is_late = poses["scan"].isin(late)
    pairs = pd.concat(
        [
            pair_deviations(poses[~is_late], implants_of()),
            pair_deviations(poses[is_late], again),
        ],
        ignore_index=True,
    )
    singles = implant_deviations(poses, implants_of())
    found = analyze_drift(
        pairs, singles, poses, both, scans, empty("events"),
        options=DriftOptions(baseline_sessions=6),
    )  # fmt: skip
    baselines = found.tables["drift_baselines"]
    assert set(baselines["begins_with"]) == {"", "reference measured again"}
    assert not len(found.tables["drift_signals"])
    unknown = reference_changes(both, mpe_constant_um=None)
    assert set(unknown["verdict"]) == {"uncertainty unknown"}
    changes = reference_changes(both, mpe_constant_um=2.0)
    table = changes.set_index(["implant_a", "implant_b"])
    ends = table.loc[("I1", "I4")]
    # 40 mm x 600 ppm; U of the difference = 2 sqrt(2) 2 um / sqrt(3) (ISO 13528:2022, 9.7)
    assert ends["difference_um"] == pytest.approx(24.0, abs=1e-6)
    assert ends["e_n"] == pytest.approx(24.0 / (2 * np.sqrt(2) * 2 / np.sqrt(3)), rel=1e-9)
    assert (table["verdict"] == "differs").all()
    told = references_that_differ(changes), references_that_differ(unknown)
    assert [[f.code for f in found] for found in told] == [
        ["reference-changed"],
        ["reference-uncertainty"],
    ]
    scale = baselines[baselines["measurand"] == SCALE].set_index("baseline_no")["centre"]
    assert scale[2] - scale[1] == pytest.approx(-600, abs=90)


def test_single_scans_get_individuals_charts():
    rng = np.random.default_rng(3)
    poses, scans = study_of(rng, np.r_[np.zeros(14), np.full(10, 1500.0)], per_session=1)
    found = run(poses, scans.drop(columns="session"), baseline_sessions=12, run_rules=True)
    points = found.tables["drift_points"]
    assert {"individuals", "moving-range", "ewma", "cusum-high", "cusum-low"} == set(
        points["chart"]
    )
    assert found.tables["drift_advice"].empty
    rules = points.loc[points["measurand"] == SCALE, "rule"]
    assert rules.str.contains("one-side-run").any()
    assert len(changes(found, "A", SCALE)) == 1


def test_worse_repeatability_is_found_and_better_is_not_reassessed():
    rng = np.random.default_rng(4)
    parts = [
        study_of(rng, np.zeros(10), noise_um=noise, per_session=6, session_ppm=0.0, device=device)
        for device, noise in (("A", 6.0), ("B", 18.0))
    ]
    late = [(p.copy(), s.copy()) for p, s in parts]
    for poses, scans in late:  # the same scans again, ten months later
        poses["scan"] = "x" + poses["scan"]
        scans["scan"] = "x" + scans["scan"]
        scans["session"] = "x" + scans["session"]
        scans["measured_at"] += pd.Timedelta(days=300)
    for first, then, worse in ((0, 1, True), (1, 0, False)):
        poses = pd.concat([parts[first][0], late[then][0]], ignore_index=True)
        scans = pd.concat([parts[first][1], late[then][1]], ignore_index=True).assign(device="D")
        found = run(poses, scans)
        table = found.tables["drift_signals"]
        spread = table[(table["chart"] == "sd") & (table["kind"] == "change-point")]
        assert len(spread)
        assert (spread["size"] > 0).all() == worse
        assert (spread["at"] == pd.Timestamp("2024-11-03")).all()
        assert bool(len(found.tables["drift_lookback"])) == worse
        if worse:
            assert {"sd", "ewma-sd"} & set(table.loc[table["kind"] == "signal", "chart"])


def test_a_growing_device_meets_its_limit_on_time():
    rng = np.random.default_rng(5)
    # 100 ppm a month on 40 mm: 4 um a month
    poses, scans = study_of(rng, 100.0 * np.arange(18), session_ppm=20.0)
    found = run(poses, scans, limit_um=120.0)
    row = found.tables["drift_pairs"].query("implant_a == 'I1' and implant_b == 'I4'").iloc[0]
    # 95 % of single scans lie within 120 um until mean + 1.645 s: s = 8 sqrt(2) um, 11.4 with
    # the sessions; the mean reaches 101.3 um after 25.3 months
    truth = pd.Timestamp("2024-01-08") + pd.Timedelta(days=30 * 25.3)
    assert row["reached_low"] < truth < row["reached_high"]
    assert row["reached_low"] <= row["reached_at"] < truth
    # the earliest day not excluded comes before that of slope and bound alone
    alone = (120.0 - row["bound_um"]) / row["slope_um_per_month"]
    assert row["reached_at"] < row["until"] + pd.Timedelta(days=30.44 * alone)
    short = run(poses, scans, limit_um=60.0)
    row = short.tables["drift_pairs"].query("implant_a == 'I1' and implant_b == 'I4'").iloc[0]
    assert row["reached_at"].normalize() == scans["measured_at"].max().normalize()
    assert row["bound_um"] > 60.0
    status = short.tables["drift_status"].iloc[0]
    assert status["action"] == "out of use until verified"
    assert status["due_at"] == scans["measured_at"].max().normalize()
    assert status["n_not_verified"] > 0


def test_a_steady_device_has_no_date_in_sight():
    rng = np.random.default_rng(6)
    poses, scans = study_of(rng, np.zeros(14))
    found = run(poses, scans, limit_um=100.0)
    pairs = found.tables["drift_pairs"]
    assert pairs["reached_at"].isna().all()
    assert len(pairs) == 6
    # what was not projected has no horizon either: no day is claimed for it
    assert (pairs["horizon"].notna() == (pairs["p_adjusted"] < 0.05)).all()
    assert pairs["horizon"].isna().any()


def test_of_many_slopes_only_those_that_stay_clear_after_adjustment_are_projected(sample):
    pairs = sample.tables["drift_pairs"]
    for _, mine in pairs.groupby("device"):
        p = mine["p"].sort_values()
        least = np.maximum.accumulate(p.to_numpy() * np.arange(len(p), 0, -1))
        assert mine["p_adjusted"].loc[p.index].tolist() == pytest.approx(
            np.minimum(least, 1), rel=1e-3
        )
    shown = pairs["p_adjusted"] < 0.05
    assert ((pairs["p"] < 0.05) & ~shown).any()  # by itself one of six looks like a trend
    assert pairs.loc[~shown, ["horizon", "reached_low", "reached_high"]].isna().all(axis=None)
    assert (pairs["reached_at"].notna() <= (shown | pairs["exceeded"])).all()
    beyond = pairs[pairs["exceeded"]]
    assert len(beyond)
    assert beyond[["reached_low", "reached_high"]].isna().all(axis=None)
    assert (beyond["bound_um"] > beyond["limit_um"]).all()


def test_devices_are_compared_with_a_p_value_only_where_neither_changed(sample):
    table = sample.tables["drift_devices"].query("measurand == @CROSS_ARCH")
    seen = table.set_index(["period", "device_a", "device_b"])
    assert seen.loc[("2025", "device A", "device C"), "changed"] == ""
    assert seen.loc[("2025", "device A", "device C"), "p"] < 0.001
    assert seen.loc[("2024", "device A", "device C"), "changed"] == "device A"  # stepped within it
    assert seen.loc[("all", "device A", "device B"), "changed"] == "device A, device B"
    changed = table["changed"] != ""
    assert table.loc[changed, ["low", "high", "p"]].isna().all(axis=None)
    assert table.loc[~changed, ["low", "high", "p"]].notna().all(axis=None)
    assert table["difference"].notna().all()


def test_a_period_counts_the_signals_of_any_measurand(sample):
    periods, points = (sample.tables[f"drift_{n}"] for n in ("periods", "points"))
    mine = points[points["signal"] & (points["device"] == "device A")]
    year = periods.query("device == 'device A' and period == '2024'")
    sessions = mine.loc[mine["at"].dt.year == 2024, "session"].nunique()
    assert set(year["n_signals"]) == {sessions}
    assert sessions > 0


def test_the_software_is_dated_by_its_event(sample):
    remarks = sample.tables["drift_remarks"]
    row = remarks[remarks["kind"] == "software"].iloc[0]
    assert (row["device"], row["subject"], row["before"]) == ("device C", "2.1", "2.0")
    assert row["event_at"] == pd.Timestamp("2024-11-25")
    assert row["at"].normalize() == pd.Timestamp("2024-12-09")


def test_a_chart_that_hardly_sees_the_shift_is_flagged(sample):
    table = sample.tables["drift_run_lengths"]
    means = table[table["chart"].eq("mean") & table["wanted"] & table["limits"].eq("used")]
    assert (means["insensitive"] == ~(means["steady_state"] <= 80)).all()  # empty: infinite
    assert means["insensitive"].nunique() == 2
    assert not table.loc[table["chart"] != "mean", "insensitive"].any()


def test_a_new_baseline_after_repair_leaves_no_signal_standing():
    rng = np.random.default_rng(23)
    poses, scans = study_of(rng, np.r_[np.zeros(8), np.full(8, 1500.0), np.zeros(8)])
    repair = events_of((scans["measured_at"].iloc[4 * 16].date().isoformat(), "A", "repair", True))
    status = run(poses, scans, events=repair).tables["drift_status"].iloc[0]
    assert not status["stands"]
    assert status["state"] == "none stands"
    assert status["baseline_begins_with"] == "repair"
    assert "the new baseline of" in status["what"]


def test_years_months_and_devices_are_told_side_by_side():
    rng = np.random.default_rng(24)
    one, two = (study_of(rng, np.full(10, ppm), device=d) for d, ppm in (("A", 0.0), ("B", 800.0)))
    poses, scans = (pd.concat(both, ignore_index=True) for both in zip(one, two, strict=True))
    found = run(poses, scans)
    devices = found.tables["drift_devices"].query("measurand == @SCALE and period == 'all'")
    a, b = (
        found.tables["drift_periods"].query(
            "device == @d and measurand == @SCALE and kind == 'year'"
        )
        for d in "AB"
    )
    row = devices.iloc[0]
    assert row["difference"] == pytest.approx(b["mean"].iloc[0] - a["mean"].iloc[0])
    assert row["low"] < 800 < row["high"]
    assert a["n_sessions"].iloc[0] == 10
    assert row["changed"] == ""
    months = found.tables["drift_periods"].query("kind == 'month'")
    few = months["n_sessions"] < 3  # of two sessions: t = 12.7
    assert few.any()
    assert months.loc[few, "low"].isna().all()


def test_sessions_that_resemble_their_neighbours_are_said():
    rng = np.random.default_rng(25)
    level = np.zeros(48)
    for i in range(1, 48):
        level[i] = 0.8 * level[i - 1] + 120 * rng.standard_normal()
    poses, scans = study_of(rng, level, session_ppm=0.0, noise_um=2.0)
    found = run(poses, scans)
    assert "sessions-alike" in [f.code for f in found.findings]
    trend = found.tables["drift_trends"].query("measurand == @SCALE").iloc[0]
    assert trend["autocorrelation"] > 0.3
    assert trend["autocorrelation_p"] < 0.01
    baseline = found.tables["drift_baselines"].query("measurand == @SCALE").iloc[0]
    assert baseline["autocorrelation"] >= 0.5  # 0.8 was put in
    assert baseline["widened"] > 1.5


@pytest.mark.parametrize("moved", [range(12, 20), range(14, 30), [*range(10, 14), *range(20, 25)]])
def test_a_device_that_moves_and_comes_back_is_not_taken_for_correlated_sessions(moved):
    rng = np.random.default_rng(27)
    level = np.zeros(30)
    level[list(moved)] = 500.0
    found = run(*study_of(rng, level, session_ppm=40.0))
    baseline = found.tables["drift_baselines"].query("measurand == @SCALE").iloc[0]
    assert baseline["autocorrelation"] <= (0.5 if len(moved) == 9 else 0)  # four steps hide some
    signals = found.tables["drift_signals"].query("measurand == @SCALE and kind == 'signal'")
    assert len(signals)


def test_every_interval_has_the_confidence_that_was_asked_for():
    rng = np.random.default_rng(26)
    level = np.where(np.arange(20) < 12, 0.0, 700.0)
    poses, scans = study_of(rng, level)
    reference = implants_of().assign(valid_from=pd.NaT)
    other, sure = (
        run(poses, scans, implants=reference, limit_um=30.0, confidence=c).tables
        for c in (0.95, 0.99)
    )
    for name, columns in (
        ("drift_trends", ("slope_low_per_month", "slope_high_per_month")),
        ("drift_signals", ("size_low", "size_high")),
        ("drift_periods", ("low", "high")),
        ("drift_pairs", ("slope_low_um", "slope_high_um")),
    ):
        narrow, wide = (t[name].dropna(subset=list(columns)) for t in (other, sure))
        low, high = columns
        assert len(wide) == len(narrow) > 0, name
        assert set(wide["confidence"]) == {0.99}
        assert ((wide[high] - wide[low]) > (narrow[high] - narrow[low])).all(), name
    for name in ("drift_limits", "drift_lookback", "drift_status"):
        assert set(sure[name]["confidence"]) == {0.99}
    assert (sure["drift_limits"]["bound_um"] > other["drift_limits"]["bound_um"]).all()


def test_few_sessions_are_said_and_not_charted():
    rng = np.random.default_rng(7)
    poses, scans = study_of(rng, np.zeros(2))
    found = run(poses, scans)
    assert found.tables["drift_points"].empty
    assert [f.code for f in found.findings] == ["no-baseline"]
    assert "needs 3 sessions" in found.findings[0].what


def test_the_order_of_rows_changes_nothing():
    rng = np.random.default_rng(8)
    poses, scans = study_of(rng, np.r_[np.zeros(8), np.full(5, 800.0)])
    one = run(poses, scans)
    other = run(poses.iloc[::-1], scans.sample(frac=1, random_state=1))
    for name in ("drift_points", "drift_signals", "drift_trends", "drift_lookback"):
        assert csv_bytes(name, one.tables[name]) == csv_bytes(name, other.tables[name])


def test_further_sessions_leave_baseline_and_limits_as_they_were():
    rng = np.random.default_rng(14)
    poses, scans = study_of(rng, np.r_[np.zeros(9), np.full(6, 800.0)])
    early = scans[scans["measured_at"] < pd.Timestamp("2024-08-25")]
    before = run(poses[poses["scan"].isin(early["scan"])], early)
    after = run(poses, scans)
    one, other = (r.tables["drift_baselines"] for r in (before, after))
    pd.testing.assert_frame_equal(one, other)


def test_scans_without_a_date_are_named():
    rng = np.random.default_rng(9)
    poses, scans = study_of(rng, np.zeros(4))
    scans.loc[3, "measured_at"] = pd.NaT
    with pytest.raises(InputError, match=scans.loc[3, "scan"]):
        run(poses, scans)
    with pytest.raises(InputError, match="date of every scan"):
        run(poses, scans.drop(columns="measured_at"))


def test_a_missing_implant_leaves_out_what_depends_on_it():
    rng = np.random.default_rng(10)
    poses, scans = study_of(rng, np.zeros(3))
    gone = poses[~((poses["scan"] == "A00_0") & (poses["implant"] == "I4"))]
    pairs = pair_deviations(gone, implants_of())
    singles = implant_deviations(gone, implants_of())
    values = scan_measurands(pairs, singles, gone, implants_of(), scans)
    seen = values.groupby("measurand")["scan"].nunique()
    assert seen[CROSS_ARCH] == seen[SCALE] == 11
    assert set(values.loc[values["scan"] == "A00_0", "measurand"]) == set()


def test_scale_is_free_of_position_and_rotation():
    rng = np.random.default_rng(11)
    turn = np.linalg.qr(rng.standard_normal((3, 3)))[0]
    turn *= np.sign(np.linalg.det(turn))
    moved = (ARCH @ turn.T) * 1.00025 + [5.0, -80.0, 3.0]
    broken = moved.copy()
    broken[1] = np.nan
    found = scale_ppm(np.stack([moved, broken]), ARCH)
    assert found[0] == pytest.approx(250.0, abs=1e-6)
    assert np.isnan(found[1])


def test_spread_between_sessions_is_part_of_the_limits():
    rows = pd.DataFrame(
        {
            "session": list("abcd"),
            "mean": [0.0, 10.0, 0.0, 10.0],
            "sd": [2.0, 2.0, 2.0, 2.0],
            "n_scans": [4, 4, 4, 4],
        }
    )
    base = baseline_of(rows)
    sd = np.std(rows["mean"], ddof=1)
    assert base.sd_of_mean(np.array([4]))[0] == pytest.approx(sd)
    # a larger session lessens only the part of its scans
    assert base.sd_of_mean(np.array([400]))[0] == pytest.approx(np.sqrt(sd**2 - 1 + 0.01))
    level = rows.assign(mean=[5.0, 5.1, 5.0, 5.1])
    assert baseline_of(level).var_between < 0
    assert baseline_of(level).sd_of_mean(np.array([4, 16])) == pytest.approx(
        np.std(level["mean"], ddof=1) * np.array([1.0, 0.5])
    )


def test_correlated_measurands_count_once():
    rng = np.random.default_rng(12)
    x = rng.standard_normal((60, 4))
    scans = [f"s{i}" for i in range(60)]

    def long(columns):
        frame = pd.DataFrame(columns, columns=list("abcd"), index=scans)
        out = frame.reset_index(names="scan").melt("scan", var_name="measurand")
        return out.assign(session=out["scan"].str[1:].astype(int) // 4)

    assert effective_number(long(x)) == 4
    alike = x[:, :1] + 0.01 * x
    assert effective_number(long(alike)) <= 2


def test_baselines_begin_at_events_of_the_device_or_of_all():
    table = events_of(
        ("2024-03-01", "A", "software update", True),
        ("2024-04-01", "", "room moved", True),
        ("2024-05-01", "A", "service", False),
        ("2024-06-01", "B", "software update", True),
    )
    found = starts("A", "M", table, implants_of())
    assert [(f"{day:%m-%d}", why) for day, why in found] == [
        ("03-01", "software update"),
        ("04-01", "room moved"),
    ]


def test_sessions_are_ordered_by_their_first_scan():
    rng = np.random.default_rng(13)
    poses, scans = study_of(rng, np.zeros(4))
    scans["session"] = scans["session"].map({"S00": "d", "S01": "c", "S02": "b", "S03": "a"})
    values = scan_measurands(
        pair_deviations(poses, implants_of()),
        implant_deviations(poses, implants_of()),
        poses,
        implants_of(),
        scans,
    )
    table = session_table(values)
    assert table.loc[table["measurand"] == SCALE, "session"].tolist() == ["d", "c", "b", "a"]


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
            "mean_um": 4.0 - bound,
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
    assert set(table["doubt"]) == {f"x may have changed since {date(DAYS[3])}"}


def test_with_a_limit_only_sessions_that_are_not_verified():
    stretch = stretch_of(LEVEL)
    signs = {"M": [(stretch, [found_at(3, 6)])]}
    assert rows_of(signs, held([5.0] * 8)).empty  # changed, and still within the limit
    table = rows_of(signs, held([5, 5, 12, 5, 5, 5, 11, 14]))
    assert list(dict.fromkeys(table["session"])) == ["S2", "S6", "S7"]
    first, last = table.iloc[0], table.iloc[-1]
    assert (first["proven_good"], first["next_good"]) == ("S1", "S3")
    assert (last["proven_good"], last["next_good"]) == ("S5", "")
    assert last["doubt"].replace("\u00a0", " ") == (
        "pair I1–I4: mean deviation −10.0 µm, upper bound of its size 14.0 µm "
        "(95 %, one-sided), limit 10 µm"
    )
    assert last["bound_um"] == 14.0
    assert last["mean_um"] == -10.0
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
    assert set(table["doubt"]) == {f"x may have changed since {date(DAYS[0])}"}
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
    assert near == "service on 3 March 2025, 4 days before"
    after = event_near(events.iloc[1:], "A", low, high, high)
    assert after == "tip changed on 9 March 2025, 2 days after"
    later = event_near(events, "A", low, high, high, counted_from=pd.Timestamp("2025-03-17"))
    assert later == "service on 3 March 2025, 14 days before"
    swapped = event_near(events.iloc[1:], "A", low, high, high, counted_from=DAYS[3])
    assert swapped == "tip changed on 9 March 2025, 28 days before"
    assert event_near(events.iloc[2:], "A", low, high, high) == ""
    assert event_near(empty("events"), "A", low, high, high) == ""
