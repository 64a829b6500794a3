"""A sketch laid over bodies that were found: which is which, and when it does not say."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.spatial.transform import Rotation

from accstudy.locate.locate import FoundBodies, match_sketch, seen_again

ARCH = np.array(
    [[-21, -9, 0.5], [-15, 3, 0], [-5, 11, -0.5], [6, 10, 0], [16, 2, 0.3], [20, -10, 0]], float
)


def bodies(points, *, seed=0, order=None):
    """Upright bodies at these places, the whole turned anyhow in space and shuffled."""
    rng = np.random.default_rng(seed)
    pose = Rotation.random(random_state=seed)
    lean = rng.normal(0, 0.15, points.shape) * [1, 1, 0] + [0, 0, 1]
    order = rng.permutation(len(points)) if order is None else np.asarray(order)
    axes = lean / np.linalg.norm(lean, axis=1, keepdims=True)
    nothing = np.full(points.shape, np.nan)
    found = FoundBodies(pose.apply(points) + 30, pose.apply(axes), nothing, ("b",) * len(points))
    return found.of(order.tolist()), order


def sketch(points, **columns):
    frame = pd.DataFrame(points[:, :2], columns=["x_mm", "y_mm"])
    return frame.assign(**columns)


@pytest.mark.parametrize("seed", range(8))
def test_a_rough_sketch_names_every_body_however_it_is_turned(seed):
    rng = np.random.default_rng(seed)
    found, order = bodies(ARCH, seed=seed)
    rough = ARCH + rng.uniform(-2, 2, ARCH.shape)
    turn = Rotation.from_euler("z", rng.uniform(0, 360), degrees=True)
    match = match_sketch(found, sketch(turn.apply(rough) + np.array([100, -40, 0])))
    assert match.fits
    assert not match.rival
    assert not match.mirrored
    assert [order[b] for b in match.bodies] == list(range(6))
    assert match.off_mm < 4


def test_a_body_that_the_sketch_does_not_have_is_left_out():
    found, order = bodies(ARCH, seed=3)
    match = match_sketch(found, sketch(ARCH[[0, 1, 3, 5]]))
    assert [order[b] for b in match.bodies] == [0, 1, 3, 5]


def test_a_sketch_from_below_is_told_apart():
    found, _ = bodies(ARCH)
    assert match_sketch(found, sketch(ARCH * [1, -1, 1])).mirrored


def test_too_many_implants_or_another_arch_do_not_fit():
    found, _ = bodies(ARCH[:4])
    assert not match_sketch(found, sketch(ARCH)).fits
    found, _ = bodies(ARCH)
    assert not match_sketch(found, sketch(ARCH * 2)).fits


def test_a_rectangle_looks_the_same_after_half_a_turn():
    rectangle = np.array([[0, 0, 0], [30, 0, 0], [30, 12, 0], [0, 12, 0]], float)
    found, _ = bodies(rectangle)
    match = match_sketch(found, sketch(rectangle))
    assert match.fits
    assert match.rival


def test_kinds_of_scan_body_decide_where_they_are_named():
    rectangle = np.array([[0, 0, 0], [30, 0, 0], [30, 12, 0], [0, 12, 0]], float)
    plain, _ = bodies(rectangle, order=range(4))
    found = FoundBodies(plain.points_mm, plain.axes, plain.flats, ("a", "b", "b", "b"))
    match = match_sketch(found, sketch(rectangle, scan_body=["a", "b", "b", "b"]))
    assert match.bodies == (0, 1, 2, 3)
    assert not match.rival


def test_what_only_one_scan_shows_is_no_implant():
    tooth = np.vstack([ARCH, [[-4, -12, 0]]])
    one, order = bodies(tooth, seed=1)
    other, _ = bodies(ARCH, seed=1)
    assert sorted(order[seen_again(one, [other])]) == list(range(6))
    assert seen_again(other, [one]) == list(range(6))
    assert seen_again(one, []) == []
