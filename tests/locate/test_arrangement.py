import numpy as np
import pytest

from accstudy.errors import AccstudyError
from accstudy.geometry.rigid import Rigid, rotation_vector, unit
from accstudy.locate.arrangement import (
    Arrangement,
    Lines,
    ReferenceModel,
    joined,
    match_arrangement,
)
from accstudy.locate.judge import choose


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


def settled(model, found, ways, landmarks):
    unknown = np.full((len(model.points_mm), 3), np.nan)
    names = tuple(f"I{i + 1}" for i in range(len(model.points_mm)))
    reference = ReferenceModel("M", names, model, unknown, (), ())
    return choose(reference, found, unknown, ways, landmarks)


def test_readings_that_leave_out_different_bodies_are_one():
    model = lines(ARCH)
    found = moved(model)
    ways = [Arrangement(MOTION, one, 0.1) for one in [(0, -1, 2, 3, 4), (-1, 1, 2, 3, 4)]]
    (whole,) = joined(ways, model, found)
    assert whole.candidate == (0, 1, 2, 3, 4)
    assert whole.misfit_mm < 1e-9
    # the second body lies 3 mm off: it belongs to no reading of all five, and nothing is in doubt
    shift = 3.0 * np.eye(5)[1][:, None] * [1.0, 0.0, 0.0]
    off = Lines(found.points_mm + shift, found.axes, found.kinds)
    kept = joined(ways, model, off)
    assert [way.candidate for way in kept] == [(0, -1, 2, 3, 4), (-1, 1, 2, 3, 4)]
    assert settled(model, off, kept, {}).candidate == (0, -1, 2, 3, 4)


def test_other_names_for_the_same_bodies_stay_two_readings():
    model = lines([[0, 0, 0], [20, 0, 0]])
    ways = joined(match_arrangement(model, moved(model)), model, moved(model))
    assert sorted(way.candidate for way in ways) == [(0, 1), (1, 0)]
    with pytest.raises(AccstudyError) as error:
        settled(model, moved(model), ways, {})
    assert error.value.code == "ambiguous-arrangement"


def test_the_landmark_of_a_body_that_is_missing_counts_where_it_should_be():
    model = lines([[0, 0, 0], [20, 0, 0], [40, 0, 0]])
    found = moved(lines([[0, 0, 0], [20, 0, 0]]))
    ways = match_arrangement(model, found)
    at = MOTION.points(model.points_mm) + 0.5
    for marked in ([2], [0, 1, 2]):
        choice = settled(model, found, ways, {i: at[i] for i in marked})
        assert choice.candidate == (0, 1, -1)
