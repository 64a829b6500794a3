import numpy as np
import pytest

from accstudy.reports.rows import (
    alignment_rows,
    arch_rows,
    arches,
    gap_rows,
    run_rows,
    seat_rows,
    typical_scan,
)


@pytest.mark.parametrize("share", [0.8, 0.95])
def test_prediction_ellipse_holds_a_further_scan_as_often_as_said(share):
    # simulated: bivariate normal scans of one implant; the share is known by construction
    rng = np.random.default_rng(8)
    covariance = np.array([[400.0, 150.0], [150.0, 100.0]])
    from accstudy.reports.rows import _prediction_ellipse

    inside = 0
    trials = 4000
    for _ in range(trials):
        seen = rng.multivariate_normal([5.0, -3.0], covariance, size=9)
        major, minor, turn = _prediction_ellipse(seen[:8], share)
        angle = np.radians(turn)
        d = seen[8] - seen[:8].mean(axis=0)
        a = d @ [np.cos(angle), np.sin(angle)] / major
        b = d @ [-np.sin(angle), np.cos(angle)] / minor
        inside += a * a + b * b <= 1
    assert inside / trials == pytest.approx(share, abs=3.5 * np.sqrt(share * (1 - share) / trials))


def test_arch_opens_downwards_whatever_the_frame(contents):
    content = contents["validation"]
    implants = content.tables["implants"]
    turned = implants.copy()
    for a, b in (("x_mm", "y_mm"), ("axis_x", "axis_y"), ("flat_x", "flat_y")):
        turned[a], turned[b] = -implants[b], implants[a]
    singles = content.tables["implant_deviations"].copy()
    moved = singles.assign(dx_um=-singles["dy_um"], dy_um=singles["dx_um"])
    kw = {"condition": singles["condition"].iloc[0], "model": "M1"}
    first = arch_rows(singles, arches(implants)["M1"], **kw)
    second = arch_rows(moved, arches(turned)["M1"], **kw)
    for column in ("x_mm", "y_mm", "bias_x_um", "bias_y_um", "major_um", "minor_um"):
        assert second[column].to_numpy() == pytest.approx(first[column].to_numpy(), abs=1e-9)
    ends = first["y_mm"].iloc[[0, -1]].mean()
    assert first["y_mm"].iloc[1:-1].mean() > ends


def test_alignment_rows_are_root_mean_squares_in_arch_order(contents):
    content = contents["validation"]
    singles = content.tables["implant_deviations"]
    rows = alignment_rows(singles, arches(content.tables["implants"]))
    one = rows[rows["alignment"] == "first-implant"]
    assert one["implant"].tolist() == ["I1", "I2", "I3", "I4", "I5", "I6"]
    mine = singles[(singles["alignment"] == "first-implant") & (singles["implant"] == "I6")]
    assert one["rms_um"].iloc[-1] == pytest.approx(np.sqrt((mine["distance_um"] ** 2).mean()))
    assert one["rms_um"].iloc[0] == pytest.approx(0, abs=1e-6)


def test_run_rows_follow_time_and_not_the_list(contents):
    content = contents["validation"]
    scans = content.tables["scans"]
    rows, model = run_rows(content.tables["pair_deviations"], scans)
    at = scans.set_index("scan")["measured_at"]
    assert model == "M1"
    assert rows["scan"].map(at).tolist() == sorted(at.loc[rows["scan"]])
    assert rows["number"].tolist() == list(range(1, 13))


def test_typical_scan_is_the_median_one_and_seats_follow_the_arch(contents):
    content = contents["validation"]
    seating, arch = content.tables["seating"], arches(content.tables["implants"])["M1"]
    kw = {"condition": seating["condition"].iloc[0], "model": "M1"}
    scan = typical_scan(seating, **kw)
    best = seating.drop_duplicates("scan").set_index("scan")["best_seat_um"]
    assert (best < best[scan]).sum() == (len(best) - 1) // 2
    rows = seat_rows(seating, arch, scan=scan)
    assert rows["tightened"].unique().tolist() == ["I1", "best-seat"]
    assert np.all(np.diff(rows.loc[rows["tightened"] == "I1", "path_mm"]) > 0)
    gaps = gap_rows(seating, arch, **kw)
    assert gaps["way"].unique().tolist() == [
        "one screw, at I1", "one screw, at I6", "all screws, best seat"
    ]  # fmt: skip
