import numpy as np

from accstudy.compare.arch import model_arches
from accstudy.reports.accuracy import alignment_rows, run_rows
from accstudy.reports.seating import gap_rows, seat_rows, typical_scan


def test_alignments_come_in_arch_order(contents):
    content = contents["validation"]
    table = content.tables["alignments"]
    rows = alignment_rows(table, model_arches(content.tables["implants"]))
    one = rows[(rows["alignment"] == "first-implant") & (rows["implant"] != "")]
    assert one["implant"].tolist() == ["I1", "I2", "I3", "I4", "I5", "I6"]
    ways = ["all-implants", "datum-implants", "first-implant"]
    assert list(dict.fromkeys(rows["alignment"])) == ways
    assert (rows["alignment"] != rows["alignment"].shift()).sum() == len(ways)  # not mixed


def test_run_rows_follow_time_and_not_the_list(contents):
    content = contents["validation"]
    scans = content.tables["scans"]
    rows, model = run_rows(content)
    at = scans.set_index("scan")["measured_at"]
    assert model == "M1"
    assert rows["scan"].map(at).tolist() == sorted(at.loc[rows["scan"]])
    assert rows["number"].tolist() == list(range(1, 13))
    whole = content.tables["scan_deviations"].set_index("scan")["rms_distance_um"]
    assert rows["rms_um"].tolist() == whole.loc[rows["scan"]].tolist()


def test_typical_scan_is_the_median_one_and_seats_follow_the_arch(contents):
    content = contents["validation"]
    seating, arch = content.tables["seating"], model_arches(content.tables["implants"])["M1"]
    kw = {"condition": seating["condition"].iloc[0], "model": "M1"}
    scan = typical_scan(seating, **kw)
    best = seating.drop_duplicates("scan").set_index("scan")["best_seat_um"]
    assert (best < best[scan]).sum() == (len(best) - 1) // 2
    rows = seat_rows(seating, arch, scan=scan)
    assert rows["tightened"].unique().tolist() == ["I1", "best-seat"]
    assert np.all(np.diff(rows.loc[rows["tightened"] == "I1", "path_mm"]) > 0)
    gaps = gap_rows(seating, content.tables["seating_implants"], arch, **kw)
    assert gaps["way"].unique().tolist() == [
        "one screw, at I1", "one screw, at I6", "all screws, best seat"
    ]  # fmt: skip
