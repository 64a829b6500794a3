"""The invented scan bodies are what they say."""

import numpy as np
import pytest
import trimesh
from special_models import thinner

from accstudy.errors import InputError
from accstudy.simulate.bodies import SHAPES, BodyShape, body_shape, scan_body

ROUNDINGS = (0.0, 0.15)


@pytest.mark.parametrize("name", SHAPES)
@pytest.mark.parametrize("segment_mm", [1.0, 0.4])
@pytest.mark.parametrize("edge_rounding_mm", ROUNDINGS)
def test_drawing_is_closed_and_on_the_solid(name, segment_mm, edge_rounding_mm):
    body = scan_body(name, segment_mm=segment_mm, edge_rounding_mm=edge_rounding_mm)
    mesh = trimesh.Trimesh(body.mesh.vertices_mm, body.mesh.faces, process=False)
    assert mesh.is_watertight
    assert mesh.is_winding_consistent
    assert mesh.volume > 0
    assert mesh.area_faces.min() > 1e-6
    value, _ = body_shape(name).distance(body.mesh.vertices_mm, edge_rounding_mm=edge_rounding_mm)
    assert np.abs(value).max() < 1e-12
    assert body.mesh.vertices_mm[:, 2].min() == pytest.approx(0.0, abs=1e-12)
    assert body.mesh.vertices_mm[:, 2].max() == pytest.approx(body_shape(name).height_mm)


def test_finer_drawings_come_nearer_to_the_solid():
    # cylinder with plane cuts: volume by integration of the circular segments
    shape = body_shape("cylinder-flat")
    half = np.arccos(1.85 / 2.5)
    segment = 2.5**2 * (half - np.sin(2 * half) / 2)
    exact = np.pi * 2.5**2 * 10.0 - segment * (10.0 - 7.4)
    gaps = []
    for fine in (0.8, 0.4, 0.2):
        mesh = shape.drawing(segment_mm=fine).mesh
        volume = trimesh.Trimesh(mesh.vertices_mm, mesh.faces, process=False).volume
        gaps.append(exact - volume)
    assert gaps[0] > gaps[1] > gaps[2] > 0
    assert gaps[0] / gaps[2] == pytest.approx(16.0, rel=0.3)  # chords: error as the square


def test_distance_is_euclidean_beside_faces_and_right_angled_edges():
    shape = BodyShape("plain", 2.0, 8.0)
    points = np.array([[2.5, 0, 4], [0, 0, 8.3], [0, -1.0, 4], [2.3, 0, 8.4], [0.5, 0, 7.9]])
    value, _ = shape.distance(points)
    np.testing.assert_allclose(value, [0.5, 0.3, -1.0, 0.5, -0.1], atol=1e-12)


def test_rounded_edge_is_an_arc_of_the_stated_radius():
    shape, rho = BodyShape("plain", 2.0, 8.0), 0.3
    angle = np.linspace(0, np.pi / 2, 7)
    arc = np.column_stack(
        [2.0 - rho + rho * np.cos(angle), np.zeros(7), 8.0 - rho + rho * np.sin(angle)]
    )
    value, _ = shape.distance(arc, edge_rounding_mm=rho)
    np.testing.assert_allclose(value, 0.0, atol=1e-12)


@pytest.mark.parametrize("name", SHAPES)
@pytest.mark.parametrize("edge_rounding_mm", ROUNDINGS)
def test_gradient_is_the_slope_of_the_distance(name, edge_rounding_mm):
    rng = np.random.default_rng(1)
    points = rng.uniform([-4, -4, 0.5], [4, 4, 11], (500, 3))
    shape, step = body_shape(name), 1e-6
    value, gradient = shape.distance(points, edge_rounding_mm=edge_rounding_mm)
    slope = np.column_stack(
        [
            (shape.distance(points + step * e, edge_rounding_mm=edge_rounding_mm)[0] - value) / step
            for e in np.eye(3)
        ]
    )
    off = np.abs(slope - gradient).max(axis=1)
    assert np.mean(off < 1e-4) > 0.99  # the rest straddle a crease


@pytest.mark.parametrize(
    ("name", "fold"),
    [("cylinder-round", 0), ("cylinder-flat", 1), ("polygon-top", 1), ("polygon-top-symmetric", 6)],
)
def test_rotational_symmetry_is_known(name, fold):
    shape = body_shape(name)
    assert shape.fold == fold
    assert shape.has_flat == (fold == 1)
    if fold > 1:
        a = 2 * np.pi / fold
        turn = np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [0, 0, 1]])
        points = np.random.default_rng(0).uniform([-3, -3, 0], [3, 3, 9], (300, 3))
        np.testing.assert_allclose(
            shape.distance(points)[0], shape.distance(points @ turn.T)[0], atol=1e-12
        )


def test_thinner_body_is_thinner_all_round():
    shape = body_shape("cylinder-flat")
    thin = thinner(shape, 0.1)
    points = np.array([[-2.5, 0, 5.0], [1.85, 0, 9.0], [0, 0, 10.0]])
    np.testing.assert_allclose(thin.distance(points)[0], [0.05, 0.05, 0.0], atol=1e-12)


def test_unknown_shape_names_the_nearest():
    with pytest.raises(InputError, match="cylinder-flat"):
        body_shape("cylinder_flat")
