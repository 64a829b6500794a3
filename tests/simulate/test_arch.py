"""Invented models: reproducible, free of collisions, symmetric only on request."""

import numpy as np
import pytest
from special_models import symmetric_model

from accstudy.errors import InputError
from accstudy.geometry.rigid import angle_between_deg, fit_rigid
from accstudy.simulate.arch import Ridge, cosine_of_turns, frames, random_field, reference_model

XYZ = ["x_mm", "y_mm", "z_mm"]
AXIS = ["axis_x", "axis_y", "axis_z"]


@pytest.mark.parametrize("n_implants", range(2, 9))
@pytest.mark.parametrize("angulation_deg", [0.0, 15.0, 35.0])
def test_models_are_proper(n_implants, angulation_deg):
    table = reference_model(n_implants, angulation_deg=angulation_deg, seed=4)
    axis = table[AXIS].to_numpy()
    flat = table[["flat_x", "flat_y", "flat_z"]].to_numpy()
    np.testing.assert_allclose(np.linalg.norm(axis, axis=1), 1.0, atol=2e-9)
    np.testing.assert_allclose(np.sum(axis * flat, axis=1), 0.0, atol=3e-9)
    np.testing.assert_allclose(
        table["angulation_deg"], angle_between_deg(axis, [0, 0, 1]), atol=1e-6
    )
    tilts = table["angulation_deg"].to_numpy()
    assert tilts[0] == pytest.approx(angulation_deg, abs=1e-6)
    assert tilts[-1] == pytest.approx(angulation_deg, abs=1e-6)
    assert tilts.max() <= angulation_deg + 1e-6
    # posterior implants lean back: away from the front of the arch, which lies at +y
    assert angulation_deg == 0 or (axis[[0, -1], 1] < 0).all()
    t = np.linspace(0, 10, 11)[:, None, None]
    lines = table[XYZ].to_numpy() + t * axis
    for i in range(n_implants):
        for j in range(i):
            gap = np.linalg.norm(lines[:, None, i] - lines[None, :, j], axis=2).min()
            assert gap > 6.9


def test_tilts_can_be_given_one_by_one():
    table = reference_model(3, angulation_deg=[5.0, 0.0, 20.0])
    np.testing.assert_allclose(table["angulation_deg"], [5.0, 0.0, 20.0], atol=1e-6)
    with pytest.raises(InputError):
        reference_model(4, angulation_deg=[5.0, 0.0, 20.0])
    with pytest.raises(InputError):
        reference_model(9)


def test_seed_decides_the_model():
    one = reference_model(5, seed=1)
    assert one.equals(reference_model(5, seed=1))
    assert not one.equals(reference_model(5, seed=2))


def test_default_arrangement_fits_itself_in_one_way_only():
    p = reference_model(4, angulation_deg=0.0, seed=0)[XYZ].to_numpy()
    for order in ([3, 2, 1, 0], [1, 0, 3, 2], [2, 3, 0, 1]):
        moved = fit_rigid(p, p[order]).points(p)
        assert np.linalg.norm(moved - p[order], axis=1).max() > 0.5


@pytest.mark.parametrize(
    ("kind", "order"),
    [("parallel-pair", [1, 0]), ("rectangle", [2, 3, 0, 1]), ("row", [3, 2, 1, 0])],
)
def test_symmetric_arrangements_come_onto_themselves_after_half_a_turn(kind, order):
    table = symmetric_model(kind)
    centre = table[XYZ].to_numpy().mean(axis=0)
    half = np.diag([-1.0, -1.0, 1.0])
    placed = frames(table)
    for frame, other in zip(placed, [placed[i] for i in order], strict=True):
        np.testing.assert_allclose(
            half @ (frame.translation_mm - centre) + centre, other.translation_mm, atol=1e-9
        )
        np.testing.assert_allclose(half @ frame.rotation, other.rotation, atol=1e-9)
    marked = frames(symmetric_model(kind, marked=True))
    assert np.allclose(marked[0].rotation, marked[-1].rotation)


def test_ridge_gradient_is_its_slope():
    ridge, step = Ridge.invent(3), 1e-6
    rng = np.random.default_rng(0)
    points = rng.uniform([-26, -5, -8], [26, 40, 2], (2000, 3))
    value, gradient = ridge.distance(points)
    near = np.abs(value) < 1.5
    assert near.sum() > 200
    for axis, e in enumerate(np.eye(3)):
        slope = (ridge.distance(points[near] + step * e)[0] - value[near]) / step
        np.testing.assert_allclose(slope, gradient[near, axis], atol=2e-5)


def test_cosine_is_right():
    turns = np.linspace(-7.3, 7.3, 20_001)
    np.testing.assert_allclose(cosine_of_turns(turns), np.cos(2 * np.pi * turns), atol=2e-8)


@pytest.mark.parametrize(
    ("kernel", "power"), [("gaussian", 2.0), ("exponential", 1.0)], ids=["gaussian", "exponential"]
)
def test_field_has_unit_variance_and_the_stated_correlation(kernel, power):
    length, draws = 0.6, 20_000
    gaps = length * np.array([0.0, 0.25, 0.5, 1.0, 1.5, 2.5])
    way = np.array([0.6, -0.64, 0.48])  # unit vector
    points = np.array([3.0, 30.0, -2.0]) + gaps[:, None] * way
    fields = np.array(
        [
            random_field(
                points,
                np.random.default_rng([5, i]),
                correlation_mm=length,
                kernel=kernel,
                n_waves=50,
            )
            for i in range(draws)
        ]
    )
    expected = np.exp(-((gaps / length) ** power))
    found = fields.T @ fields[:, 0] / draws
    # standard error of a correlation of normal variables is at most 1.5 / sqrt(draws)
    np.testing.assert_allclose(found, expected, atol=4 * 1.5 / np.sqrt(draws))
    assert fields.mean(axis=0) == pytest.approx(0.0, abs=4 / np.sqrt(draws))


def test_white_field_has_no_correlation():
    points = np.zeros((20_000, 3))  # even in one place
    field = random_field(points, np.random.default_rng(0), correlation_mm=0.0)
    assert field.std() == pytest.approx(1.0, abs=0.03)
    assert abs(np.corrcoef(field[:-1], field[1:])[0, 1]) < 0.03
