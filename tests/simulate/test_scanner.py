"""Invented scanners: each effect does what it says, alone, and is absent when off."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from accstudy.errors import InputError
from accstudy.geometry.rigid import angle_between_deg
from accstudy.simulate.arch import frames, reference_model
from accstudy.simulate.scanner import (
    Scanner,
    Spread,
    distance_bias,
    scanned_frames,
    simulate_positions,
)

XYZ = ["x_mm", "y_mm", "z_mm"]
AXIS = ["axis_x", "axis_y", "axis_z"]
EVERYTHING = Scanner(
    position_um=10,
    axis_deg=0.05,
    rotation_deg=0.2,
    walk_um=6,
    walk_deg=0.02,
    scale_ppm=300,
    scale_ppm_per_implant=20,
    curl_deg=0.01,
    bend_deg=0.01,
    angulation_um_per_deg=0.5,
    angulation_scatter=0.3,
    operator=Spread(100, 0.01, 0.01),
    session=Spread(50, 0.01, 0.01),
    seat_um=5,
    seat_deg=0.02,
    drift_ppm_per_month=10,
    drift_from="2025-01-01",
    steps=(("2025-06-01", 200),),
)


def model(n=5, tilt=20.0):
    return reference_model(n, angulation_deg=tilt, seed=6)


def scan_list(n, model="M1", **columns):
    names = [f"s{i:04d}" for i in range(n)]
    return pd.DataFrame({"scan": names, "model": model, **columns})


def positions(table, scanner, n, **columns):
    """Positions of n scans in the model's frame, (n, implants, 3)."""
    found = simulate_positions(table, scan_list(n, **columns), scanner, any_pose=False).poses
    return found[XYZ].to_numpy().reshape(n, len(table), 3), found


def test_a_perfect_scanner_returns_the_reference():
    table = model()
    shown, found = positions(table, Scanner(), 2)
    np.testing.assert_array_equal(shown[0], table[XYZ].to_numpy())
    np.testing.assert_allclose(found[AXIS].to_numpy()[:5], table[AXIS].to_numpy(), atol=2e-9)
    result = simulate_positions(table, scan_list(2), Scanner())
    assert result.put_in.empty
    p = result.poses[XYZ].to_numpy()[:5]
    gaps = [np.linalg.norm(q[:, None] - q[None], axis=2) for q in (p, shown[0])]
    np.testing.assert_allclose(gaps[0], gaps[1], atol=1e-9)
    assert np.linalg.norm(p - shown[0]) > 1.0


def test_every_effect_is_named_in_the_truth_and_none_that_is_off():
    scans = scan_list(4, operator=["A", "A", "B", "B"], session="1", measured_at="2025-03-01")
    effects = simulate_positions(model(), scans, EVERYTHING).put_in
    operators = effects[effects["effect"] == "operator_scale_ppm"]
    assert operators["level"].tolist() == ["A", "B"]
    alone = simulate_positions(model(), scans, Scanner(scale_ppm=100.0)).put_in
    assert alone[["effect", "value", "unit"]].to_numpy().tolist() == [["scale_ppm", 100.0, "ppm"]]
    named = set(effects["effect"])
    assert {"walk_um", "step", "session_curl_deg", "drift_ppm_per_month", "seat_um"} <= named


def test_switching_one_effect_off_leaves_the_others_as_they_were():
    table = model()
    levels = {"scan": "s1", "operator": "A", "session": "1", "measured_at": "2025-03-01"}

    def shown(scanner):
        return np.array([f.translation_mm for f in scanned_frames(table, scanner, levels)])

    full = shown(EVERYTHING)
    true = shown(Scanner())
    parts = {
        "walk": {"walk_um": 6.0, "walk_deg": 0.02},
        "scale": {"scale_ppm": 300.0, "scale_ppm_per_implant": 20.0},
        "operator": {"operator": EVERYTHING.operator},
    }
    for part in parts.values():
        off = {k: Spread() if isinstance(v, Spread) else 0.0 for k, v in part.items()}
        without = shown(replace(EVERYTHING, **off))
        alone = shown(Scanner(**part))
        # effects add but for the second order: a turn carries the seating error of some
        # 5 um along, 5 um * 0.2 deg = 0.02 um
        np.testing.assert_allclose(full - without, alone - true, atol=3e-5)


def test_scale_and_count_change_distances_in_proportion():
    table = model(6)
    true = table[XYZ].to_numpy()
    shown, _ = positions(table, Scanner(scale_ppm=200, scale_ppm_per_implant=50), 1)
    i, j = np.triu_indices(6, 1)
    gaps = [np.linalg.norm(q[j] - q[i], axis=1) for q in (shown[0], true)]
    np.testing.assert_allclose(gaps[0] / gaps[1], 1 + 400e-6, rtol=1e-9)


def test_curl_opens_the_arch_by_the_stated_angle():
    table = model(4, tilt=0.0)
    found = scanned_frames(table, Scanner(curl_deg=0.05), {"scan": "s"})
    true = frames(table)
    path = np.cumsum(np.linalg.norm(np.diff(table[XYZ].to_numpy(), axis=0), axis=1))
    for k in range(3):
        turn = found[k + 1].rotation @ true[k + 1].rotation.T
        angle = np.degrees(np.arctan2(turn[1, 0], turn[0, 0]))
        assert angle == pytest.approx(0.05 * path[k] / 10, rel=1e-6)
    opened = np.linalg.norm(found[-1].translation_mm - found[0].translation_mm)
    assert opened > np.linalg.norm(true[-1].translation_mm - true[0].translation_mm)


def test_walk_grows_along_the_path_as_the_formula_says():
    # equal steps on a line: SD^2 of a coordinate = tau^2 s/l + rho^2 s^3/(3 l), across the line
    table = model(5, tilt=0.0)
    table[XYZ] = np.column_stack([np.arange(5) * 15.0, np.zeros(5), np.zeros(5)])
    n, tau, rho = 3000, 5.0, 0.03
    shown, _ = positions(table, Scanner(walk_um=tau, walk_deg=rho), n)
    off = (shown - table[XYZ].to_numpy()) * 1e3
    s = np.arange(5) * 15.0
    across = np.sqrt(tau**2 * s / 10 + (np.radians(rho) * 1e3) ** 2 * s**3 / 30)
    along = tau * np.sqrt(s / 10)
    found = off.std(axis=0)
    np.testing.assert_allclose(found[:, 1], across, rtol=4 / np.sqrt(2 * n))
    np.testing.assert_allclose(found[:, 2], across, rtol=4 / np.sqrt(2 * n))
    np.testing.assert_allclose(found[:, 0], along, rtol=4 / np.sqrt(2 * n))


def test_own_scatter_grows_with_angulation_only_if_asked():
    table = model(3, tilt=30.0)
    n = 3000
    plain, found = positions(table, Scanner(position_um=10, axis_deg=0.1), n)
    assert plain.std(axis=0).mean(axis=1) * 1e3 == pytest.approx([10, 10, 10], rel=0.05)
    assert (found[["u_x_um", "u_y_um", "u_z_um"]] == 10).all(axis=None)
    tilt = angle_between_deg(found[AXIS].to_numpy().reshape(n, 3, 3), table[AXIS].to_numpy()[None])
    assert np.sqrt(np.mean(tilt**2)) == pytest.approx(0.1 * np.sqrt(2), rel=0.05)
    grown, _ = positions(table, Scanner(position_um=10, angulation_scatter=0.5), n)
    expected = 10 * (1 + 0.05 * table["angulation_deg"])
    assert grown.std(axis=0).mean(axis=1) * 1e3 == pytest.approx(expected.to_numpy(), rel=0.05)


def test_angulation_shifts_towards_the_lean():
    table = model(3, tilt=30.0)
    shown, _ = positions(table, Scanner(angulation_um_per_deg=2.0), 1)
    off = (shown[0] - table[XYZ].to_numpy()) * 1e3
    np.testing.assert_allclose(np.linalg.norm(off, axis=1), 2.0 * table["angulation_deg"])
    lean = table[["axis_x", "axis_y"]].to_numpy()
    assert (np.sum(off[:, :2] * lean, axis=1) > 0).all()
    np.testing.assert_allclose(off[:, 2], 0.0, atol=1e-9)


def test_operator_and_session_effects_have_the_stated_spread_and_hold_within_a_level():
    table = model(2)
    true = np.linalg.norm(np.diff(table[XYZ].to_numpy(), axis=0))
    n = 800
    operator = np.repeat([f"o{i}" for i in range(n // 2)], 2)
    for kind in ("operator", "session"):
        columns = {"operator": operator, "session": "1"}
        shown, _ = positions(table, Scanner(**{kind: Spread(scale_ppm=250.0)}), n, **columns)
        ppm = (np.linalg.norm(np.diff(shown, axis=1), axis=(1, 2)) / true - 1) * 1e6
        np.testing.assert_allclose(ppm[::2], ppm[1::2], atol=1e-6)
        assert ppm[::2].std() == pytest.approx(250.0, rel=4 / np.sqrt(n))


def test_drift_and_steps_follow_the_date():
    table = model(2)
    scanner = Scanner(
        drift_ppm_per_month=30.436875, drift_from="2025-01-01", steps=(("2025-02-01", 500.0),)
    )
    dates = ["2025-01-01T09:00", "2025-01-31", "2025-02-01", "2025-03-01"]
    shown, _ = positions(table, scanner, 4, measured_at=dates)
    true = np.linalg.norm(np.diff(table[XYZ].to_numpy(), axis=0))
    ppm = (np.linalg.norm(np.diff(shown, axis=1), axis=(1, 2)) / true - 1) * 1e6
    np.testing.assert_allclose(ppm, [0.375, 30.0, 531.0, 559.0], atol=1e-6)


def test_seating_holds_through_a_session():
    table = model(3)
    scans = {"operator": "A", "session": ["1", "1", "2"]}
    shown, _ = positions(table, Scanner(seat_um=20.0), 3, **scans)
    np.testing.assert_array_equal(shown[0], shown[1])
    assert np.linalg.norm(shown[0] - shown[2], axis=1).min() > 0.002


def test_bias_of_distances_is_the_mean_of_many_scans():
    table = model(4)
    scanner = Scanner(position_um=8, walk_um=4, scale_ppm=400, curl_deg=0.01)
    bias = distance_bias(table, scanner)
    n = 4000
    shown, _ = positions(table, scanner, n)
    i, j = np.triu_indices(4, 1)
    true = table[XYZ].to_numpy()
    off = np.linalg.norm(shown[:, j] - shown[:, i], axis=2) - np.linalg.norm(
        true[j] - true[i], axis=1
    )
    error = off.std(axis=0) * 1e3 / np.sqrt(n)
    assert (np.abs(off.mean(axis=0) * 1e3 - bias["distance_um"]) < 4 * error + 0.02).all()
    assert bias["distance_um"].abs().max() > 10


def test_seed_and_order_of_rows():
    table = model(3)
    scans = scan_list(6, operator=["A", "B"] * 3, session="1")
    scanner = Scanner(position_um=10, operator=Spread(100))
    one = simulate_positions(table, scans, scanner, seed=3).poses
    again = simulate_positions(table, scans.iloc[::-1], scanner, seed=3).poses
    pd.testing.assert_frame_equal(one, again.sort_values(["scan", "implant"], ignore_index=True))
    other = simulate_positions(table, scans, scanner, seed=4).poses
    assert not np.allclose(one[XYZ], other[XYZ])


def test_techniques_choose_their_scanner_and_failures_give_no_position():
    table = model(3)
    scans = scan_list(3, technique=["a", "b", "b"], status=["ok", "failed", "ok"])
    scanners = {"a": Scanner(), "b": Scanner(scale_ppm=1e4)}
    found = simulate_positions(table, scans, scanners, any_pose=False)
    assert found.poses["scan"].unique().tolist() == ["s0000", "s0002"]
    p = found.poses[XYZ].to_numpy().reshape(2, 3, 3)
    assert np.linalg.norm(p[1] - p[0]) > 0.1
    with pytest.raises(InputError, match="no scanner"):
        simulate_positions(table, scans, {"a": Scanner()})
    with pytest.raises(InputError, match="no model"):
        simulate_positions(table, scan_list(1, model="M9"), Scanner())


def test_a_null_study_shows_no_difference_and_a_real_one_does():
    table = model(4)
    n = 400
    scans = scan_list(2 * n, technique=["a"] * n + ["b"] * n)
    usual = Scanner(position_um=8, walk_um=4, scale_ppm=200)
    i, j = np.triu_indices(4, 1)

    def t_of_difference(scanners):
        found = simulate_positions(table, scans, scanners, seed=1).poses
        p = found[XYZ].to_numpy().reshape(2, n, 4, 3)
        gaps = np.linalg.norm(p[:, :, j] - p[:, :, i], axis=-1).mean(axis=2)
        error = np.sqrt(gaps.var(axis=1, ddof=1).sum() / n)
        return (gaps[1].mean() - gaps[0].mean()) / error

    assert abs(t_of_difference({"a": usual, "b": usual})) < 3.5
    assert t_of_difference({"a": usual, "b": replace(usual, scale_ppm=400)}) > 6
