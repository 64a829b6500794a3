import numpy as np


def test_alignments_come_in_arch_order(contents):
    rows = contents["validation"].tables["alignments"]
    one = rows[(rows["alignment"] == "first-implant") & (rows["implant"] != "")]
    assert one["implant"].tolist() == ["I1", "I2", "I3", "I4", "I5", "I6"]
    ways = ["all-implants", "datum-implants", "first-implant"]
    assert list(dict.fromkeys(rows["alignment"])) == ways
    assert (rows["alignment"] != rows["alignment"].shift()).sum() == len(ways)  # not mixed


def test_the_run_chart_follows_time_and_not_the_list(contents):
    content = contents["validation"]
    scans, pairs = content.tables["scans"], content.tables["pair_deviations"]
    rows = content.tables["run_chart"]
    at = scans.set_index("scan")["measured_at"]
    assert set(zip(rows["model"], rows["pair"], strict=True)) == {("M1", "I1-I6")}
    assert rows["scan"].map(at).tolist() == sorted(at.loc[rows["scan"]])
    assert rows["number"].tolist() == list(range(1, 13))
    whole = content.tables["scan_deviations"].set_index("scan")["rms_distance_um"]
    assert rows["rms_um"].tolist() == whole.loc[rows["scan"]].tolist()
    own = pairs[(pairs["implant_a"] == "I1") & (pairs["implant_b"] == "I6")].set_index("scan")
    assert rows["longest_um"].tolist() == own.loc[rows["scan"], "distance_um"].tolist()


def test_the_typical_scan_is_the_median_one_and_seats_follow_the_arch(contents):
    tables = contents["validation"].tables
    scans, seating = tables["seating_scans"], tables["seating"]
    best = scans[scans["seated"] == "best-seat"].set_index("scan")["misfit_um"]
    (scan,) = scans.loc[scans["typical"] & (scans["seated"] == "best-seat"), "scan"]
    assert (best < best[scan]).sum() == (len(best) - 1) // 2
    one = seating[(seating["scan"] == scan) & (seating["tightened"] == "I1")]
    assert one["implant"].tolist() == ["I1", "I2", "I3", "I4", "I5", "I6"]
    assert np.all(np.diff(one["path_mm"]) > 0)
    pressed = -seating["gap_min_um"] > seating["gap_max_um"]
    assert pressed.any()
    assert (seating.loc[pressed, "worst_um"] == seating.loc[pressed, "gap_min_um"]).all()
    assert (seating.loc[~pressed, "worst_um"] == seating.loc[~pressed, "gap_max_um"]).all()
