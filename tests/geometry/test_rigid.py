"""Rigid motions: no scale, no reflection, nothing undetermined; answers are in the selftest."""

import numpy as np
import pytest

from accstudy.errors import ComputationError
from accstudy.geometry.rigid import Rigid, fit_rigid
from accstudy.selftest.published import case


def test_points_on_a_line_are_refused():
    frame = case("geometry", "collinear").frame
    source, target = (
        frame[[f"{way}_{c}" for c in "xyz"]].to_numpy(float) for way in ("src", "dst")
    )
    with pytest.raises(ComputationError, match="line"):
        fit_rigid(source, target)


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
