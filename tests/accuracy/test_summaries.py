"""Summaries for print, each against the rows that it sums up, worked out apart."""

import numpy as np
import pandas as pd
import pytest

from accstudy.accuracy.along_arch import (
    RELATIONS,
    alignment_table,
    implants_above,
    precision_curve,
    prediction_ellipse,
)
from accstudy.accuracy.outliers import outlier_counts
from accstudy.accuracy.summary import condition_summary
from accstudy.compare.arch import arch_of
from accstudy.seating.summary import seat_medians


@pytest.mark.parametrize("share", [0.8, 0.95])
def test_prediction_ellipse_holds_a_further_scan_as_often_as_said(share):
    # simulated: bivariate normal scans of one implant; the share is known by construction
    rng = np.random.default_rng(8)
    covariance = np.array([[400.0, 150.0], [150.0, 100.0]])
    inside = 0
    trials = 4000
    for _ in range(trials):
        seen = rng.multivariate_normal([5.0, -3.0], covariance, size=9)
        major, minor, turn = prediction_ellipse(seen[:8], share)
        angle = np.radians(turn)
        d = seen[8] - seen[:8].mean(axis=0)
        a = d @ [np.cos(angle), np.sin(angle)] / major
        b = d @ [-np.sin(angle), np.cos(angle)] / minor
        inside += a * a + b * b <= 1
    assert inside / trials == pytest.approx(share, abs=3.5 * np.sqrt(share * (1 - share) / trials))


ARCH = pd.DataFrame(
    {
        "model": "M1",
        "implant": ["I1", "I2", "I3", "I4"],
        "x_mm": [-20.0, -8.0, 8.0, 20.0],
        "y_mm": [-12.0, 10.0, 10.0, -12.0],
        "z_mm": 0.0,
        "axis_x": 0.0,
        "axis_y": 0.0,
        "axis_z": 1.0,
        "flat_x": 1.0,
        "flat_y": 0.0,
        "flat_z": 0.0,
        "angulation_deg": 0.0,
    }
)


def singles(n=6, seed=2):
    rng = np.random.default_rng(seed)
    rows = []
    for alignment in ("all-implants", "first-implant"):
        for scan in range(n):
            for implant in ARCH["implant"]:
                d = rng.normal([5.0, -20.0, 3.0], 4.0)
                rows.append(
                    dict(zip(("dx_um", "dy_um", "dz_um"), d, strict=True))
                    | {
                        "condition": "A",
                        "model": "M1",
                        "alignment": alignment,
                        "scan": f"s{scan}",
                        "implant": implant,
                        "distance_um": float(np.linalg.norm(d)),
                    }
                )
    return pd.DataFrame(rows)


def test_arch_opens_downwards_whatever_the_frame():
    turned = ARCH.assign(x_mm=-ARCH["y_mm"], y_mm=ARCH["x_mm"], flat_x=0.0, flat_y=1.0)
    mine = singles()
    moved = mine.assign(dx_um=-mine["dy_um"], dy_um=mine["dx_um"])
    first = implants_above(mine, {"M1": arch_of(ARCH)})
    second = implants_above(moved, {"M1": arch_of(turned)})
    for column in ("x_mm", "y_mm", "bias_x_um", "bias_y_um", "major_um", "minor_um"):
        assert second[column].to_numpy() == pytest.approx(first[column].to_numpy(), abs=1e-9)
    assert first["y_mm"].iloc[1:-1].mean() > first["y_mm"].iloc[[0, -1]].mean()


def test_deviations_seen_from_above_keep_their_signs():
    # put in: 5 um towards +x, 20 um towards -y, 3 um up; the view has x to the right or, with
    # y, turned by half
    mine = singles(n=40)
    rows = implants_above(mine, {"M1": arch_of(ARCH)}, coverage=0.9)
    assert (rows["n_scans"] == 40).all()
    assert (rows["coverage"] == 0.9).all()
    turn = np.sign(rows["x_mm"].to_numpy() * np.array([-1, -1, 1, 1]))
    assert rows["bias_x_um"].to_numpy() * turn == pytest.approx(np.full(4, 5.0), abs=2.5)
    assert rows["bias_y_um"].to_numpy() * turn == pytest.approx(np.full(4, -20.0), abs=2.5)
    assert rows["bias_vertical_um"].to_numpy() == pytest.approx(np.full(4, 3.0), abs=2.5)
    both = np.hypot(rows["bias_x_um"], rows["bias_y_um"])
    assert rows["bias_lateral_um"].to_numpy() == pytest.approx(both.to_numpy())
    assert implants_above(singles(n=3), {"M1": arch_of(ARCH)})["major_um"].isna().all()


def test_alignments_are_root_mean_squares_and_the_whole_counts_each_implant_once():
    mine = singles()
    rows = alignment_table(mine).set_index(["alignment", "implant"])["rms_um"]
    one = mine[(mine["alignment"] == "first-implant") & (mine["implant"] == "I3")]
    assert rows["first-implant", "I3"] == pytest.approx(np.sqrt((one["distance_um"] ** 2).mean()))
    each = rows["first-implant"].drop("")
    assert rows["first-implant", ""] == pytest.approx(np.sqrt((each**2).mean()))


def accuracy():
    return pd.DataFrame(
        {
            "condition": ["A", "A", "A", "B"],
            "measurand": ["distance_um", "distance_um", "angle_deg", "distance_um"],
            "unit": ["um", "um", "deg", "um"],
            "span_mm": [10.0, 30.0, 30.0, 30.0],
            "path_mm": [11.0, 40.0, 40.0, 40.0],
            "n_scans": [12, 11, 12, 9],
            "n_cells": [4, 4, 4, 3],
            "bias": [-3.0, 8.0, 0.1, -5.0],
            "s_r": [2.0, 6.0, 0.2, 4.0],
            "s_I": [3.0, 9.0, 0.3, 5.0],
        }
    )


def test_condition_summary_is_of_the_distances_of_one_condition():
    pairs = pd.DataFrame({"condition": ["A"] * 3 + ["B"], "distance_um": [-1.0, 4.0, -12.0, 30.0]})
    row = condition_summary(accuracy(), pairs).set_index("condition").loc["A"]
    assert (row["n_scans"], row["n_cells"]) == (12, 4)
    assert (row["bias_lowest_um"], row["bias_highest_um"]) == (-3.0, 8.0)
    assert (row["median_size_um"], row["largest_size_um"]) == (4.0, 12.0)
    assert (row["s_r_median_um"], row["s_I_median_um"]) == (4.0, 6.0)
    unknown = condition_summary(accuracy().drop(columns="bias"), pairs)
    assert not {"median_size_um", "bias_lowest_um"} & set(unknown)


def test_outlier_counts_are_shares_of_all_statistics_and_end_with_the_whole():
    verdicts = ["nothing"] * 6 + ["straggler", "outlier"] + ["nothing"] * 2
    table = pd.DataFrame({"condition": ["A"] * 8 + ["B"] * 2, "model": "M1", "verdict": verdicts})
    rows = outlier_counts(table)
    assert rows["condition"].tolist() == ["A", "B", ""]
    assert rows["n_statistics"].tolist() == [8, 2, 10]
    assert rows["n_beyond_5"].tolist() == [2, 0, 2]
    assert rows["n_beyond_1"].tolist() == [1, 0, 1]
    assert rows["share_beyond_5"].tolist() == [0.25, 0.0, 0.2]
    assert rows["share_beyond_1"].tolist() == [0.125, 0.0, 0.1]


def test_a_drawn_relation_is_that_of_its_coefficients_between_the_ends():
    relations = pd.DataFrame(
        {
            "condition": ["A", "A", "B"],
            "measurand": "distance_um",
            "which": "s_r",
            "against": ["span_mm", "path_mm", "span_mm"],
            "relation": [RELATIONS[1], RELATIONS[3], RELATIONS[0]],
            "intercept": [1.0, 0.0, 0.0],
            "slope": [0.2, 1.0, 0.1],
            "best": [True, False, True],
        }
    )
    curve = precision_curve(relations, accuracy())
    mine = curve[curve["condition"] == "A"]
    assert (mine["unit"] == "um").all()
    assert (mine["against"] == "span_mm").all()
    assert mine["at_mm"].iloc[[0, -1]].tolist() == [10.0, 30.0]
    assert mine["value"].iloc[[0, -1]].tolist() == pytest.approx([3.0, 7.0])


def test_median_gap_of_an_implant_takes_the_larger_of_gap_and_interference():
    seating = pd.DataFrame(
        {
            "condition": "A",
            "model": "M1",
            "tightened": "I1",
            "implant": "I4",
            "gap_max_um": [10.0, 30.0, 5.0],
            "gap_min_um": [-2.0, 1.0, -40.0],
            "worst_um": [10.0, 30.0, -40.0],
        }
    )
    row = seat_medians(seating).iloc[0]
    assert (row["n_scans"], row["median_um"]) == (3, 10.0)  # of 10, 30 and -40
