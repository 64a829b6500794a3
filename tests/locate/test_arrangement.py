import numpy as np
import pytest

from accstudy.geometry.rigid import Rigid, rotation_vector, unit
from accstudy.locate.arrangement import Lines, match_arrangement


def lines(points, axes=None):
    points = np.array(points, float)
    axes = np.tile([0.0, 0.0, 1.0], (len(points), 1)) if axes is None else unit(axes)
    return Lines(points, axes, np.zeros(len(points), int))


ARCH = [[-20, 5, 0], [-12, 20, 1], [0, 27, 0], [11, 21, -0.5], [21, 4, 0.5]]
MOTION = Rigid(rotation_vector([0.3, 2.0, -0.7]), np.array([5.0, -40.0, 12.0]))


def moved(model):
    return Lines(MOTION.points(model.points_mm), MOTION.vectors(model.axes), model.kinds)


def test_a_shuffled_moved_arrangement_with_strangers_is_found():
    model = lines(ARCH, [[0.1, 0, 1], [0, 0.2, 1], [0.3, 0.1, 1], [-0.2, 0, 1], [0, -0.3, 1]])
    scan = moved(model)
    order = np.array([3, 0, 4, 2, 1])
    strangers = np.array([[0.0, 0.0, 0.0], [8.0, -30.0, 20.0]])
    found = Lines(
        np.concatenate([strangers, scan.points_mm[order]]),
        np.concatenate([np.tile([1.0, 0.0, 0.0], (2, 1)), scan.axes[order]]),
        np.zeros(7, int),
    )
    best = match_arrangement(model, found)[0]
    assert best.candidate == (3, 6, 5, 2, 4)
    assert best.misfit_mm < 1e-9
    assert best.scan_from_model.rotation == pytest.approx(MOTION.rotation)


def test_two_parallel_implants_fit_both_ways():
    model = lines([[0, 0, 0], [20, 0, 0]])
    ways = match_arrangement(model, moved(model))
    assert sorted(way.candidate for way in ways) == [(0, 1), (1, 0)]


def test_no_reflection_is_offered():
    model = lines(ARCH, [[0.1, 0, 1], [0, 0.2, 1], [0.3, 0.1, 1], [-0.2, 0, 1], [0, -0.3, 1]])
    mirror = np.array([-1.0, 1.0, 1.0])
    found = Lines(model.points_mm * mirror, model.axes * mirror, model.kinds)
    assert all(way.matched < 4 for way in match_arrangement(model, found))


def test_kinds_must_agree():
    model = lines([[0, 0, 0], [20, 0, 0], [5, 15, 0]])
    found = moved(model)
    other = Lines(found.points_mm, found.axes, np.array([0, 1, 0]))
    # two parallel implants remain, and fit both ways
    ways = match_arrangement(model, other)
    assert sorted(way.candidate for way in ways) == [(0, -1, 2), (2, -1, 0)]
