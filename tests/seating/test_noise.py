import numpy as np
import pandas as pd
import pytest

from accstudy.seating.contributions import locating_misfits
from accstudy.seating.summary import TERMINAL_SCREW, scan_misfits
from accstudy.seating.table import BEST_SEAT, seating_table
from accstudy.simulate.arch import frames, reference_model
from accstudy.simulate.scan import poses_from_frames, random_pose

MODEL = reference_model(5, angulation_deg=15, seed=3)


def located(u_um, u_deg, count, seed=0):
    """Poses of perfect scans, each in a frame of its own, located with these uncertainties."""
    rng = np.random.default_rng(seed)
    parts = []
    for k in range(count):
        place = random_pose(rng)
        poses = poses_from_frames(
            MODEL, [place.after(f) for f in frames(MODEL)], known=[True] * 5, scan=f"s{k}"
        )
        poses[["x_mm", "y_mm", "z_mm"]] += rng.normal(0, u_um / 1000, (5, 3))
        axis = poses[["axis_x", "axis_y", "axis_z"]].to_numpy(float)
        turn = rng.normal(0, np.radians(u_deg), (5, 3))
        turn -= np.sum(turn * axis, axis=1, keepdims=True) * axis
        axis = axis + np.cross(turn, axis)
        poses[["axis_x", "axis_y", "axis_z"]] = axis / np.linalg.norm(axis, axis=1, keepdims=True)
        poses[["u_x_um", "u_y_um", "u_z_um"]] = u_um
        poses["u_axis_deg"] = u_deg
        parts.append(poses)
    return pd.concat(parts, ignore_index=True)


def test_perfect_scans_show_what_locating_alone_is_said_to_show():
    poses = located(4.0, 0.03, 120)
    said = locating_misfits(poses, MODEL)
    seen = scan_misfits(seating_table(poses, MODEL), MODEL, locating=said)
    for way in (TERMINAL_SCREW, BEST_SEAT):
        mine = seen[seen["seated"] == way]
        median, high = mine["locating_median_um"], mine["locating_p95_um"]
        assert mine["misfit_um"].median() == pytest.approx(median.iloc[0], rel=0.12)
        # 120 scans: the share's standard error is 2 %
        assert 0.89 < (mine["misfit_um"] < high).mean() <= 0.99


def test_a_scan_located_twice_as_badly_shows_twice_as_much():
    poses = located(4.0, 0.03, 2)
    worse = poses["scan"] == "s1"
    poses.loc[worse, ["u_x_um", "u_y_um", "u_z_um", "u_axis_deg"]] *= 2
    said = locating_misfits(poses, MODEL).set_index(["seated", "scan"])["locating_p95_um"]
    for way in (TERMINAL_SCREW, BEST_SEAT):
        assert said[way, "s1"] == pytest.approx(2 * said[way, "s0"])


def test_scans_of_unknown_uncertainty_have_no_row():
    poses = located(4.0, 0.03, 2).drop(columns=["u_axis_deg"])
    assert locating_misfits(poses, MODEL).empty
