"""Noise has the stated size and correlation."""

import numpy as np
import pytest

from accstudy.simulate.surface import cosine_of_turns, random_field


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
