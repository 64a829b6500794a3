import numpy as np
import pytest
import trimesh

from accstudy.mesh import read as reading
from accstudy.mesh.model import (
    Mesh,
    RawMesh,
    area_vectors,
    border_sides,
    vertex_areas,
    vertex_normals,
)


def ball(radius_mm=3.0):
    made = trimesh.creation.icosphere(subdivisions=3, radius=radius_mm)
    return Mesh(np.asarray(made.vertices), np.asarray(made.faces, np.int32))


def test_normals_and_areas_are_those_of_the_sphere():
    mesh = ball()
    vectors = area_vectors(mesh)
    n = len(mesh.vertices_mm)
    normals = vertex_normals(mesh.faces, vectors, n)
    outwards = np.einsum("ij,ij->i", normals, mesh.vertices_mm / 3.0)
    assert outwards.min() > np.cos(np.radians(1.0))
    areas = vertex_areas(mesh.faces, vectors, n)
    whole = trimesh.Trimesh(mesh.vertices_mm, mesh.faces, process=False).area
    assert areas.sum() == pytest.approx(whole, rel=1e-12)
    np.testing.assert_allclose(vectors.sum(axis=0), 0, atol=1e-12)  # closed


def test_a_vertex_without_triangle_has_no_normal_and_no_area():
    mesh = Mesh(np.vstack([ball().vertices_mm, [[9.0, 9, 9]]]), ball().faces)
    vectors = area_vectors(mesh)
    n = len(mesh.vertices_mm)
    assert vertex_normals(mesh.faces, vectors, n)[-1].tolist() == [0, 0, 0]
    assert vertex_areas(mesh.faces, vectors, n)[-1] == 0


def test_the_border_is_where_a_triangle_was_taken_away():
    mesh = ball()
    assert not border_sides(mesh).any()
    gone = mesh.faces[17]
    rest = Mesh(mesh.vertices_mm, np.delete(mesh.faces, 17, axis=0))
    sides = border_sides(rest)
    assert sides.sum() == 3
    for triangle, side in zip(*np.nonzero(sides), strict=True):
        ends = np.delete(rest.faces[triangle], side)
        assert set(ends.tolist()) < set(gone.tolist())


def test_corners_that_share_a_key_are_told_apart_all_the_same(monkeypatch):
    mesh = ball()
    raw = RawMesh(mesh.vertices_mm[mesh.faces].reshape(-1, 3), None)
    expected = reading.clean(raw, unit_mm=1.0, name="ball.stl")
    assert len(expected.vertices_mm) == len(mesh.vertices_mm)
    few = lambda bits: (bits[:, 0] % 7).astype(np.uint64)  # noqa: E731
    monkeypatch.setattr(reading, "_mix", few)
    found = reading.clean(raw, unit_mm=1.0, name="ball.stl")
    np.testing.assert_array_equal(found.vertices_mm, expected.vertices_mm)
    np.testing.assert_array_equal(found.faces, expected.faces)
