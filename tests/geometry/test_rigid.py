"""Rigid motions and angles meet known answers: no scale, no reflection, nothing undetermined."""

import numpy as np
import pytest

from accstudy.errors import ComputationError
from accstudy.geometry.rigid import Rigid, angle_between_deg, fit_rigid
from accstudy.selftest.published import case, cases, table

RIGID = [c for c in cases("geometry", "registration") if c.params["kind"] == "rigid"]


def pairs(example):
    frame = example.frame
    source = frame[["src_x", "src_y", "src_z"]].to_numpy(float)
    target = frame[["dst_x", "dst_y", "dst_z"]].to_numpy(float)
    weight = frame["weight"].to_numpy(float) if "weight" in frame else None
    return source, target, weight


@pytest.mark.parametrize("example", [c for c in RIGID if c.id != "collinear"], ids=str)
def test_a_registration_without_scale_meets_its_known_answer(example):
    # sources stand beside the data, in selftest/data/geometry/cases.toml
    source, target, weight = pairs(example)
    found = fit_rigid(source, target, weights=weight)
    told, allowed = example.published, example.tolerance
    assert np.abs(found.rotation - told["rotation"]).max() <= max(allowed["rotation"], 1e-14)
    assert np.abs(found.translation_mm - told["translation"]).max() <= 10 * allowed["translation"]
    assert np.linalg.det(found.rotation) == pytest.approx(1.0, abs=1e-12)
    off = target - found.points(source)
    if "sum_of_squares" in told:
        assert np.sum(off**2) == pytest.approx(told["sum_of_squares"], abs=1e-11)
    if "rms" in told:
        assert np.sqrt(np.mean(np.sum(off**2, axis=1))) == pytest.approx(told["rms"], abs=1e-10)
    if "residual_of_point_4" in told:
        assert off[3] == pytest.approx(told["residual_of_point_4"], abs=1e-11)


def test_points_on_a_line_are_refused():
    source, target, _ = pairs(case("geometry", "collinear"))
    with pytest.raises(ComputationError, match="line"):
        fit_rigid(source, target)


def test_the_axes_of_the_arch_keep_their_exact_angles_and_residuals():
    source, target, _ = pairs(case("geometry", "arch5"))
    axes = case("geometry", "arch5_axes").frame
    found = fit_rigid(source, target)
    turned = found.vectors(axes[["src_ax", "src_ay", "src_az"]].to_numpy())
    angle = angle_between_deg(turned, axes[["dst_ax", "dst_ay", "dst_az"]].to_numpy())
    assert angle == pytest.approx(axes["angle_deg"].to_numpy(), abs=1e-9)
    off = target - found.points(source)
    assert off == pytest.approx(axes[["dev_x", "dev_y", "dev_z"]].to_numpy(), abs=1e-10)


def test_angles_are_right_down_to_the_smallest():
    frame = table("geometry", "axis_angles")
    a, b = frame[["ax", "ay", "az"]].to_numpy(), frame[["bx", "by", "bz"]].to_numpy()
    found = angle_between_deg(a, b)
    # the cross product of doubles keeps about 1e-16 rad, 6e-15 deg, and 1e-12 of the angle
    assert found == pytest.approx(frame["directed_deg"].to_numpy(), rel=1e-12, abs=3e-14)


@pytest.mark.parametrize("seed", range(5))
def test_a_motion_is_found_again_and_undone(seed):
    rng = np.random.default_rng(seed)
    q, _ = np.linalg.qr(rng.normal(size=(3, 3)))
    true = Rigid(q * np.sign(np.linalg.det(q)), rng.normal(0, 1000, 3))
    points = rng.normal(0, 20, (5, 3))
    found = fit_rigid(points, true.points(points))
    assert found.rotation == pytest.approx(true.rotation, abs=1e-12)
    same = found.inverse().after(found)
    assert same.points(points) == pytest.approx(points, abs=1e-9)


def test_a_mirror_image_is_never_fitted_by_mirroring():
    rng = np.random.default_rng(8)
    points = rng.normal(0, 20, (6, 3))
    found = fit_rigid(points, points * [1, 1, -1])
    assert np.linalg.det(found.rotation) == pytest.approx(1.0, abs=1e-12)
    assert np.abs(found.points(points) - points * [1, 1, -1]).max() > 1
