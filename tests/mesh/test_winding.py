"""Surfaces turned inside out, wholly or in patches, are told; sound ones are not."""

import numpy as np
import pytest
import trimesh
from stl_files import stl_bytes

from accstudy.mesh.model import Mesh, area_vectors
from accstudy.mesh.read import look_at_winding, read_mesh
from accstudy.simulate.arch import reference_model
from accstudy.simulate.scan import simulate_scan


def codes(vertices, faces):
    faces = np.asarray(faces, np.int32)
    vertices = np.asarray(vertices, float)
    found = look_at_winding(vertices, faces, area_vectors(Mesh(vertices, faces)))
    return [f.code for f in found]


@pytest.fixture(scope="module")
def scan():
    return simulate_scan(
        reference_model(4, angulation_deg=15.0, seed=1), n_triangles=12_000, seed=3
    ).mesh


@pytest.mark.parametrize("shift", [0.0, 500.0])
def test_a_scan_is_sound_and_its_reverse_is_inside_out(scan, shift):
    vertices = scan.vertices_mm + np.array([shift, -shift, shift])
    assert codes(vertices, scan.faces) == []
    assert codes(vertices, scan.faces[:, ::-1]) == ["inside-out"]


def test_a_closed_body_is_told_by_its_volume():
    ball = trimesh.creation.icosphere(subdivisions=2, radius=4.0)
    assert codes(ball.vertices + 90, ball.faces) == []
    assert codes(ball.vertices + 90, ball.faces[:, ::-1]) == ["inside-out"]


def test_a_flat_open_sheet_has_no_inside():
    x, y = np.meshgrid(np.arange(9.0), np.arange(9.0), indexing="ij")
    points = np.column_stack([x.ravel(), y.ravel(), 0.01 * np.sin(x * y).ravel()])
    i = np.arange(81).reshape(9, 9)
    a, b, c, d = i[:-1, :-1].ravel(), i[1:, :-1].ravel(), i[1:, 1:].ravel(), i[:-1, 1:].ravel()
    faces = np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)])
    assert codes(points, faces) == []
    assert codes(points, faces[:, ::-1]) == []


def test_a_patch_of_turned_triangles_is_told_with_its_edges(scan):
    faces = scan.faces.copy()
    patch = np.argsort(np.linalg.norm(scan.vertices_mm[faces[:, 0]] - scan.vertices_mm[0], axis=1))
    faces[patch[:600]] = faces[patch[:600], ::-1]
    assert codes(scan.vertices_mm, faces) == ["winding"]


def test_the_reader_passes_it_on(scan, tmp_path):
    path = tmp_path / "a.stl"
    path.write_bytes(stl_bytes(scan.vertices_mm, scan.faces[:, ::-1]))
    assert "inside-out" in [f.code for f in read_mesh(path).findings]
