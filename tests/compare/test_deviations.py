import math

import numpy as np
import pandas as pd
import pytest
from scipy.spatial.transform import Rotation

from accstudy.compare.align import PoseArrays, align_all
from accstudy.compare.arch import arch_of
from accstudy.compare.deviations import implant_deviations, pair_deviations
from accstudy.errors import ComputationError
from accstudy.geometry.rigid import rotation_vector, unit


def horseshoe(n=6, tilt_deg=15.0, shuffle=False):
    t = np.linspace(-1.2, 1.2, n)
    xyz = np.column_stack([22 * np.sin(t), 30 * np.cos(t) - 12, 0.5 * np.cos(3 * t)])
    rng = np.random.default_rng(5)
    lean = np.radians(tilt_deg) * rng.uniform(-1, 1, (n, 2))
    axes = np.column_stack([np.sin(lean), np.cos(np.linalg.norm(lean, axis=1))])
    axes /= np.linalg.norm(axes, axis=1, keepdims=True)
    flats = np.cross(np.tile([0.0, 1.0, 0.0], (n, 1)), axes)
    flats /= np.linalg.norm(flats, axis=1, keepdims=True)
    frame = pd.DataFrame(
        {
            "model": "M",
            "implant": [f"I{i + 1}" for i in range(n)],
            **{c: xyz[:, i] for i, c in enumerate(["x_mm", "y_mm", "z_mm"])},
            **{c: axes[:, i] for i, c in enumerate(["axis_x", "axis_y", "axis_z"])},
            **{c: flats[:, i] for i, c in enumerate(["flat_x", "flat_y", "flat_z"])},
            "angulation_deg": np.degrees(np.linalg.norm(lean, axis=1)),
        }
    )
    return frame.sample(frac=1, random_state=3).reset_index(drop=True) if shuffle else frame


def scan_of(reference, *, scan="s1", move=None, shift_mm=None, turn=None):
    xyz = reference[["x_mm", "y_mm", "z_mm"]].to_numpy()
    axes = reference[["axis_x", "axis_y", "axis_z"]].to_numpy()
    flats = reference[["flat_x", "flat_y", "flat_z"]].to_numpy()
    if shift_mm is not None:
        xyz = xyz + shift_mm
    if turn is not None:
        axes, flats = axes @ turn.T, flats @ turn.T
    if move is not None:
        rotation, translation = move
        xyz = xyz @ rotation.T + translation
        axes, flats = axes @ rotation.T, flats @ rotation.T
    out = reference[["model", "implant"]].copy()
    out["scan"] = scan
    out[["x_mm", "y_mm", "z_mm"]] = xyz
    out[["axis_x", "axis_y", "axis_z"]] = axes
    out[["flat_x", "flat_y", "flat_z"]] = flats
    return out


def noisy(reference, seed, sd_mm=0.03):
    rng = np.random.default_rng(seed)
    poses = scan_of(reference, scan=f"n{seed}", shift_mm=rng.normal(0, sd_mm, (len(reference), 3)))
    tilt = rng.normal(0, 0.004, (len(reference), 3))
    axes = poses[["axis_x", "axis_y", "axis_z"]].to_numpy() + tilt
    poses[["axis_x", "axis_y", "axis_z"]] = axes / np.linalg.norm(axes, axis=1, keepdims=True)
    return poses


def test_a_perfect_scan_in_any_pose_deviates_by_nothing():
    reference = horseshoe()
    move = (Rotation.from_euler("xyz", [40, -70, 160], degrees=True).as_matrix(), [500, -20, 7])
    poses = scan_of(reference, move=move)
    pairs = pair_deviations(poses, reference)
    assert len(pairs) == 15
    assert np.abs(pairs[["distance_um", "angle_deg", "relative_axis_deg"]]).max().max() < 1e-9
    singles = implant_deviations(poses, reference, datum=("I1", "I2", "I4"))
    assert set(singles["alignment"]) == {"all-implants", "first-implant", "datum-implants"}
    numbers = singles[["dx_um", "dy_um", "dz_um", "distance_um", "angle_deg", "rotation_deg"]]
    assert np.abs(numbers).max().max() < 1e-8


def test_moving_a_scan_changes_nothing_by_any_alignment():
    reference = horseshoe()
    still = noisy(reference, 1)
    rotation = rotation_vector([0.3, -2.0, 1.1])
    moved = still.copy()
    moved[["x_mm", "y_mm", "z_mm"]] = still[["x_mm", "y_mm", "z_mm"]] @ rotation.T + [9, 8, -7]
    for group in ("axis", "flat"):
        columns = [f"{group}_{c}" for c in "xyz"]
        moved[columns] = still[columns] @ rotation.T
    for table in (pair_deviations, implant_deviations):
        a, b = table(still, reference), table(moved, reference)
        for column in a.select_dtypes("number"):
            np.testing.assert_allclose(a[column].astype(float), b[column].astype(float), atol=1e-8)


def test_the_order_of_rows_changes_nothing_but_the_naming_direction():
    reference = horseshoe()
    mixed = horseshoe(shuffle=True)
    ordered = arch_of(mixed).implants
    assert ordered in (arch_of(reference).implants, arch_of(reference).implants[::-1])
    # the arch begins at the end that stands first in the table
    ends = {"I1", "I6"}
    assert ordered[0] == next(i for i in mixed["implant"] if i in ends)


def test_a_lengthened_arch_shows_in_its_pairs_and_components():
    reference = horseshoe(tilt_deg=0.0)
    shift = np.zeros((6, 3))
    shift[5] = [0.05, 0.0, 0.02]
    pairs = pair_deviations(scan_of(reference, shift_mm=shift), reference)
    touched = pairs["implant_b"] == "I6"
    assert np.abs(pairs.loc[~touched, "distance_um"]).max() < 1e-9
    a = reference[["x_mm", "y_mm", "z_mm"]].to_numpy()
    expected = [
        1000 * (np.linalg.norm(a[5] + shift[5] - a[i]) - np.linalg.norm(a[5] - a[i]))
        for i in range(5)
    ]
    np.testing.assert_allclose(pairs.loc[touched, "distance_um"], expected, atol=1e-9)


def test_first_implant_piles_the_error_up_and_all_implants_spreads_it():
    reference = horseshoe()
    turn = rotation_vector(np.radians(0.2) * np.array([0.0, 1.0, 0.0]))
    poses = scan_of(reference)
    first = poses["implant"] == "I1"
    poses.loc[first, ["axis_x", "axis_y", "axis_z"]] = (
        poses.loc[first, ["axis_x", "axis_y", "axis_z"]].to_numpy() @ turn.T
    )
    singles = implant_deviations(poses, reference).set_index(["alignment", "implant"])
    assert singles.loc[("first-implant", "I1"), "distance_um"] < 1e-9
    assert singles.loc[("first-implant", "I1"), "angle_deg"] < 1e-9
    # the far end, 41 mm away, swings by 0.2 deg
    far = singles.loc[("first-implant", "I6"), "distance_um"]
    assert far == pytest.approx(1000 * 41.0 * np.radians(0.2), rel=0.02)
    assert far > 5 * singles.loc[("all-implants", "I6"), "distance_um"]


def test_directions_are_right_angled_and_outwards_is_away_from_the_tongue():
    arch = arch_of(horseshoe(8))
    dots = [
        np.sum(a * b, axis=1)
        for a, b in (
            (arch.mesiodistal, arch.buccolingual),
            (arch.mesiodistal, arch.vertical),
            (arch.buccolingual, arch.vertical),
        )
    ]
    assert np.abs(dots).max() < 1e-12
    centre = arch.positions_mm.mean(axis=0) - [0, 8, 0]
    assert (np.sum((arch.positions_mm - centre) * arch.buccolingual, axis=1) > 0).all()
    assert arch.outward_known


def test_the_path_of_points_on_a_circle_is_the_arc():
    angle = np.radians(np.linspace(0, 180, 9))
    reference = horseshoe(9)
    reference[["x_mm", "y_mm", "z_mm"]] = np.column_stack(
        [25 * np.cos(angle), 25 * np.sin(angle), 0 * angle]
    )
    arch = arch_of(reference)
    assert arch.path_mm[-1] == pytest.approx(25 * np.pi, rel=2e-3)


def test_two_implants_are_aligned_by_their_axes():
    reference = horseshoe(2)
    poses = scan_of(reference, move=(rotation_vector([1.0, 2.0, 0.5]), [1, 2, 3]))
    singles = implant_deviations(poses, reference)
    assert singles["distance_um"].max() < 1e-8
    assert not arch_of(reference).outward_known


def test_an_implant_missing_from_a_scan_leaves_its_rows_out():
    reference = horseshoe()
    poses = scan_of(reference)
    poses.loc[poses["implant"] == "I3", ["x_mm", "y_mm", "z_mm"]] = np.nan
    pairs = pair_deviations(poses, reference)
    assert len(pairs) == 10
    assert not (pairs[["implant_a", "implant_b"]] == "I3").any().any()
    singles = implant_deviations(poses, reference)
    assert "I3" not in set(singles["implant"])
    assert singles["distance_um"].max() < 1e-8


def test_a_mirrored_scan_is_not_made_to_fit():
    reference = horseshoe()
    poses = scan_of(reference)
    poses["x_mm"], poses["axis_x"], poses["flat_x"] = (
        -poses["x_mm"],
        -poses["axis_x"],
        -poses["flat_x"],
    )
    assert implant_deviations(poses, reference)["distance_um"].max() > 500


def flat_square():
    frame = horseshoe(n=4, tilt_deg=0.0)
    frame[["x_mm", "y_mm"]] = [[-22.0, 0.0], [-10.0, 25.0], [10.0, 25.0], [22.0, 0.0]]
    return frame.assign(z_mm=0.0)


@pytest.mark.parametrize(
    "reference",
    [flat_square(), *(horseshoe(n=n) for n in (4, 6, 10))],
    ids=["4 flat", "4", "6", "10"],
)
@pytest.mark.parametrize("hinge_mm", [0.0, 6.0], ids=["free", "hinged"])
def test_the_tilt_of_an_alignment_is_covered_by_its_stated_uncertainty(reference, hinge_mm):
    # Truth by construction: scans are not turned, so what the alignment turns them by is its
    # error. Heights err by twice as much as places across; a hinged body turns about its middle.
    arch, scans = arch_of(reference), 3000
    n, rng = len(arch.implants), np.random.default_rng(7)
    turn = rng.normal(0, 0.004, (scans, n, 3))
    shift = rng.normal(0, [0.015, 0.015, 0.03], (scans, n, 3)) - hinge_mm * turn * [1, 1, 0]
    axes = arch.axes + turn - np.sum(turn * arch.axes, axis=2, keepdims=True) * arch.axes
    axes /= np.linalg.norm(axes, axis=2, keepdims=True)
    poses = PoseArrays(
        tuple(map(str, range(scans))), arch.positions_mm + shift, axes, np.full_like(axes, np.nan)
    )
    placed = align_all(poses, arch)
    vectors = Rotation.from_matrix(placed.rotation).as_rotvec(degrees=True)
    east = unit(np.cross(arch.common_axis, [0.3, 1.0, 0.0]))
    actual = np.stack([vectors @ east, vectors @ np.cross(arch.common_axis, east)], axis=1)
    inside = np.abs(actual) <= 1.96 * placed.tilt_u_deg[:, None]
    assert 0.93 < inside.mean() < 0.97
    rms = np.sqrt(np.mean(placed.tilt_u_deg**2) / np.mean(actual**2))
    assert 0.95 < rms < 1.25  # Student's t over the normal quantile, for 8 or more df


def test_two_implants_state_no_tilt_uncertainty():
    reference = horseshoe(n=2)
    singles = implant_deviations(noisy(reference, 1), reference)
    assert singles["u_alignment_tilt_deg"].isna().all()


def test_datum_needs_two_implants_of_the_model():
    reference = horseshoe()
    with pytest.raises(ComputationError, match="two or more"):
        implant_deviations(scan_of(reference), reference, datum=("I1",))


def test_a_pair_sees_errors_of_its_implants_along_its_direction_and_turns_about_its_normal():
    reference = horseshoe(4)
    rng = np.random.default_rng(8)
    shift, turn = rng.normal(0, 1e-4, (4, 3)), rng.normal(0, 1e-6, (4, 3))  # mm, rad
    poses = scan_of(reference, shift_mm=shift)
    axes = reference[["axis_x", "axis_y", "axis_z"]].to_numpy()
    poses[["axis_x", "axis_y", "axis_z"]] = axes + np.cross(turn, axes)
    pairs = pair_deviations(poses, reference)
    row = {name: i for i, name in enumerate(reference["implant"])}
    a, b = pairs["implant_a"].map(row), pairs["implant_b"].map(row)
    direction = pairs[["direction_x", "direction_y", "direction_z"]].to_numpy()
    normal = pairs[["normal_x", "normal_y", "normal_z"]].to_numpy()
    expected_um = 1000 * np.sum((shift[b] - shift[a]) * direction, axis=1)
    np.testing.assert_allclose(pairs["distance_um"], expected_um, atol=1e-5)
    expected_deg = np.degrees(np.sum((turn[b] - turn[a]) * normal, axis=1))
    np.testing.assert_allclose(pairs["angle_deg"], expected_deg, atol=1e-8)


def test_parallel_axes_have_no_common_normal():
    reference = horseshoe(3, tilt_deg=0.0)
    pairs = pair_deviations(scan_of(reference), reference)
    assert (pairs[["normal_x", "normal_y", "normal_z"]] == 0).all().all()


def test_divergence_is_the_angle_between_two_axes_and_angulation_the_larger_tilt():
    reference = horseshoe(n=3, tilt_deg=0.0)
    lean = np.radians([20.0, -10.0, 20.0])
    order = arch_of(reference).implants
    reference = reference.set_index("implant").loc[list(order)].reset_index()
    reference[["axis_x", "axis_y", "axis_z"]] = np.column_stack(
        [np.sin(lean), 0 * lean, np.cos(lean)]
    )
    reference["angulation_deg"] = [20.0, 10.0, np.nan]
    pairs = pair_deviations(scan_of(reference), reference)
    np.testing.assert_allclose(pairs["divergence_deg"], [30.0, 0.0, 30.0], atol=1e-9)
    np.testing.assert_allclose(pairs["angulation_deg"], [20.0, np.nan, np.nan])


@pytest.mark.parametrize("open_deg", [0.5, -0.5])
def test_axes_that_open_have_a_positive_angle_deviation(open_deg):
    reference = horseshoe(n=2, tilt_deg=0.0)
    reference[["axis_x", "axis_y", "axis_z"]] = [
        [0, 0, 1.0], [math.sin(math.radians(10)), 0, math.cos(math.radians(10))],
    ]  # fmt: skip
    poses = scan_of(reference)
    seen = math.radians(10 + open_deg)
    poses.loc[1, ["axis_x", "axis_y", "axis_z"]] = [math.sin(seen), 0, math.cos(seen)]
    pair = pair_deviations(poses, reference).iloc[0]
    assert pair["angle_deg"] == pytest.approx(open_deg, abs=1e-9)
    assert pair["relative_axis_deg"] == pytest.approx(0.5, abs=1e-9)
    assert pair["divergence_deg"] == pytest.approx(10.0, abs=1e-9)


def test_axes_of_any_length_are_directions():
    reference = horseshoe(n=4)
    poses = noisy(reference, 3)
    longer = poses.assign(**{c: 3.0 * poses[c] for c in ("axis_x", "axis_y", "axis_z")})
    pd.testing.assert_frame_equal(
        implant_deviations(longer, reference), implant_deviations(poses, reference)
    )
