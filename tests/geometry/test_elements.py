"""Elements hold in any place and turn and state true uncertainties; answers are in the selftest."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from accstudy.errors import ComputationError, InputError
from accstudy.geometry.elements import (
    fit_circle,
    fit_cone,
    fit_cylinder,
    fit_plane,
    fit_sphere,
)
from accstudy.selftest.geometry import FITS, element_answer, element_points
from accstudy.selftest.published import cases

ELEMENTS = cases("geometry", "element")


@pytest.mark.parametrize("example", [e for e in ELEMENTS if e.id.startswith("ns_")], ids=str)
def test_made_pairs_are_met_to_a_millionth_of_a_micrometre(example):
    found = FITS[example.params["element"]](element_points(example))
    for key, told in example.published.items():
        assert np.abs(element_answer(found, key, told) - np.asarray(told)).max() <= 1e-9, key


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("name", ["ns_cylinder_full", "ns_cone_8deg", "ns_sphere_cap", "ns_plane"])
def test_an_element_moves_with_its_points(name, seed):
    example = next(e for e in ELEMENTS if e.id == name)
    rng = np.random.default_rng(seed)
    turn, shift = Rotation.random(rng=rng).as_matrix(), rng.normal(0, 200, 3)
    fit = FITS[example.params["element"]]
    here, there = fit(element_points(example)), fit(element_points(example) @ turn.T + shift)
    assert there.rms_mm == pytest.approx(here.rms_mm, rel=1e-9)
    for key in ("centre_mm", "apex_mm"):
        if hasattr(here, key):
            assert getattr(there, key) == pytest.approx(turn @ getattr(here, key) + shift, abs=1e-7)
    for key in ("direction", "normal"):
        if hasattr(here, key):
            turned = turn @ getattr(here, key)
            assert abs(turned @ getattr(there, key)) == pytest.approx(1.0, abs=1e-12)


def u(found, *index):
    """Standard uncertainties of local parameters."""
    return np.sqrt(np.diagonal(found.covariance)[list(index)])


def cylinder(rng, *, n, noise, arc=2 * np.pi, radius=2.5, height=6.0):
    angle, z = rng.uniform(0, arc, n), rng.uniform(0, height, n)
    r = radius + rng.normal(0, noise, n)
    return np.column_stack([r * np.cos(angle), r * np.sin(angle), z])


def cone(rng, *, n, noise, slope=0.2, radius=2.5, height=6.0):
    angle, z = rng.uniform(0, 2 * np.pi, n), rng.uniform(0, height, n)
    out = rng.normal(0, noise, n)
    c, s = np.cos(np.arctan(slope)), np.sin(np.arctan(slope))
    r = radius + slope * z + out * c
    return np.column_stack([r * np.cos(angle), r * np.sin(angle), z - out * s])


def test_stated_uncertainties_are_the_scatter_of_repeats():
    rng = np.random.default_rng(3)
    shifts, tilts, radii, stated = [], [], [], []
    for _ in range(100):
        f = fit_cylinder(cylinder(rng, n=24, noise=0.002))
        foot = f.point_mm - f.point_mm[2] / f.direction[2] * f.direction
        middle = foot + 3.0 / f.direction[2] * f.direction
        shifts.append(middle[:2])
        tilts.append(f.direction[:2] * np.sign(f.direction[2]))
        radii.append(f.radius_mm)
        stated.append([np.mean(u(f, 0, 1)), np.degrees(np.mean(u(f, 2, 3))), u(f, 4)[0]])
    u_point, u_tilt, u_radius = np.sqrt(np.mean(np.square(stated), axis=0))
    # 100 repeats know a standard deviation to 7 %, 200 values to 5 %: three times that is allowed
    assert np.std(shifts) / u_point == pytest.approx(1.0, abs=0.15)
    assert np.degrees(np.std(tilts)) / u_tilt == pytest.approx(1.0, abs=0.15)
    assert np.std(radii) / u_radius == pytest.approx(1.0, abs=0.21)


def test_plane_and_line_uncertainties_are_the_scatter_of_repeats():
    rng = np.random.default_rng(4)
    base = np.column_stack([rng.uniform(-2, 2, (12, 2)), np.zeros(12)])
    heights, tilts, told = [], [], []
    for _ in range(600):
        f = fit_plane(
            base + [0, 0, 5] + rng.normal(0, 0.003, (12, 1)) * [0, 0, 1], outward=[0, 0, 1]
        )
        heights.append(f.point_mm[2])
        tilts.append(np.degrees(f.normal[:2]))
        told.append([u(f, 0)[0], np.degrees(np.sqrt(np.sum(u(f, 1, 2) ** 2)))])
    u_height, u_tilt = np.sqrt(np.mean(np.square(told), axis=0))
    assert np.std(heights) / u_height == pytest.approx(1.0, abs=0.09)
    assert np.sqrt(np.sum(np.var(tilts, axis=0))) / u_tilt == pytest.approx(1.0, abs=0.09)


def test_the_tip_radius_is_taken_off_exactly():
    rng = np.random.default_rng(5)
    tip = 0.75
    body = cylinder(rng, n=30, noise=0.0)
    out = body * [1, 1, 0] / 2.5
    found = fit_cylinder(body + tip * out, probe_radius_mm=tip)
    assert found.radius_mm == pytest.approx(2.5, abs=1e-10)

    body = cone(rng, n=40, noise=0.0)
    flat = body * [1, 1, 0] / np.linalg.norm(body[:, :2], axis=1)[:, None]
    lean = np.arctan(0.2)
    out = flat * np.cos(lean) - np.sin(lean) * np.array([0, 0, 1])
    found = fit_cone(body + tip * out, probe_radius_mm=tip)
    assert found.apex_mm == pytest.approx([0, 0, -12.5], abs=1e-8)
    assert found.half_angle_deg == pytest.approx(np.degrees(lean), abs=1e-9)

    ball = rng.normal(size=(20, 3))
    ball /= np.linalg.norm(ball, axis=1)[:, None]
    found = fit_sphere(ball * (3 + tip) + 7, probe_radius_mm=tip)
    assert found.radius_mm == pytest.approx(3.0, abs=1e-10)


def test_a_plane_under_a_tip_lies_below_its_centres():
    grid = np.array([[0, 0, 1], [4, 0, 1], [0, 4, 1], [4, 4, 1.0]])
    assert fit_plane(grid, probe_radius_mm=0.5, outward=[0.1, 0, 1]).point_mm[2] == 0.5
    assert fit_plane(grid, probe_radius_mm=0.5, outward=[0, 0, -1]).point_mm[2] == 1.5
    with pytest.raises(InputError, match="away from the material"):
        fit_plane(grid, probe_radius_mm=0.5)


@pytest.mark.parametrize("seed", range(8))
def test_a_fifth_of_a_cylinder_with_few_touches_is_found_from_anywhere(seed):
    rng = np.random.default_rng(seed)
    turn = Rotation.random(rng=rng).as_matrix()
    body = cylinder(rng, n=10, noise=0.0, arc=1.3) @ turn.T + rng.normal(0, 50, 3)
    found = fit_cylinder(body)
    assert found.radius_mm == pytest.approx(2.5, abs=1e-6)
    assert abs(found.direction @ turn[:, 2]) == pytest.approx(1.0, abs=1e-9)


@pytest.mark.parametrize(
    ("fit", "points"),
    [
        (fit_plane, [[i, 2 * i, -i] for i in range(6)]),
        (fit_plane, [[0, 0, 0], [1, 0, 0.0]]),
        (fit_circle, [[i, 3 * i] for i in range(6)]),
        (fit_sphere, [[i, j, 0] for i in range(3) for j in range(3)]),
        (fit_cylinder, [[i, 0, 0] for i in range(9)]),
        (fit_cylinder, [[np.cos(a), np.sin(a), 0] for a in range(8)]),
        (fit_cone, [[np.cos(a), np.sin(a), 0] for a in range(9)]),
        (fit_cone, [[np.cos(a), np.sin(a), a / 3] for a in range(9)]),
    ],
)
def test_points_that_leave_the_element_open_are_refused(fit, points):
    with pytest.raises(ComputationError):
        fit(points)


@pytest.mark.parametrize("fit", [fit_plane, fit_circle, fit_sphere, fit_cylinder, fit_cone])
def test_numbers_that_are_none_are_refused(fit):
    with pytest.raises(InputError, match="finite"):
        fit([[np.nan, 0, 0]] * 9)
    with pytest.raises(InputError, match="coordinates"):
        fit(np.zeros((9, 4)))


def test_nothing_left_over_means_no_stated_uncertainty():
    found = fit_sphere([[1, 0, 0], [0, 1, 0], [0, 0, 1], [0, 0, -1.0]])
    assert found.radius_mm == pytest.approx(1.0)
    assert np.isnan(u(found, 0, 1, 2)).all()
