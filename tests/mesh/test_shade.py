import numpy as np
import pytest
import trimesh

from accstudy.errors import InputError
from accstudy.mesh.model import Mesh
from accstudy.mesh.scene import fit_view, seen_from_above, shade


def sphere(radius_mm=5.0, centre_mm=(0.0, 0.0, 0.0)):
    ball = trimesh.creation.icosphere(subdivisions=4, radius=radius_mm)
    return Mesh(np.asarray(ball.vertices) + centre_mm, np.asarray(ball.faces, np.int32))


def square(z_mm, half_mm=4.0):
    x, y = np.array([-1, 1, 1, -1]) * half_mm, np.array([-1, -1, 1, 1]) * half_mm
    return Mesh(
        np.column_stack([x, y, np.full(4, z_mm)]), np.array([[0, 1, 2], [0, 2, 3]], np.int32)
    )


@pytest.fixture
def down():
    return dict(zip(("direction", "up"), seen_from_above(0.0), strict=True))


def test_a_sphere_is_seen_as_a_disc_of_its_own_area(down):
    ball = sphere()
    view = fit_view(ball.vertices_mm, width_px=400, **down)
    seen = shade(ball, view)
    pixel_mm = view.extent_mm[0] / view.size_px[0]
    assert seen.hit.sum() * pixel_mm**2 == pytest.approx(np.pi * 25, rel=0.005)


def test_every_pixel_names_its_triangle_and_the_place_in_it(down):
    ball = sphere(centre_mm=(100.0, -30.0, 7.0))
    view = fit_view(ball.vertices_mm, width_px=200, **down)
    seen = shade(ball, view)
    rows, columns = np.nonzero(seen.hit)
    corners = ball.vertices_mm[seen.vertices[seen.hit]]
    points = np.einsum("ij,ijk->ik", seen.barycentric[seen.hit], corners)
    place = view.project(points)
    np.testing.assert_allclose(place, np.column_stack([columns, rows]), atol=0.01)
    depth = (points - view.centre_mm) @ view.ahead
    np.testing.assert_allclose(depth, seen.depth_mm[seen.hit], atol=1e-4)
    assert (depth < 0.05).all()  # the half that faces the viewer


def test_values_of_vertices_become_pixels(down):
    ball = sphere()
    view = fit_view(ball.vertices_mm, width_px=100, **down)
    seen = shade(ball, view)
    x = seen.vertex_values(ball.vertices_mm[:, 0])
    assert np.isnan(x[~seen.hit]).all()
    middle = x[len(x) // 2]
    inner = middle[np.isfinite(middle)]
    assert (np.diff(inner) > 0).all()
    assert inner[[0, -1]] == pytest.approx([-5, 5], abs=0.1)
    hidden = np.where(ball.vertices_mm[:, 0] > 0, np.nan, 1.0)
    assert np.isnan(seen.vertex_values(hidden)[seen.hit]).mean() == pytest.approx(0.5, abs=0.05)


@pytest.mark.parametrize("order", [(0, 1), (1, 0)])
def test_the_nearer_of_two_meshes_is_seen(down, order):
    pair = [square(1.0), square(0.0, half_mm=8.0)]
    meshes = [pair[i] for i in order]
    view = fit_view(pair[1].vertices_mm, width_px=160, margin=0.0, **down)
    seen = shade(meshes, view)
    assert seen.hit.all()
    near = order.index(0)
    assert (seen.mesh == near).mean() == pytest.approx(0.25, abs=0.01)
    assert seen.mesh[80, 80] == near
    assert seen.mesh[5, 5] == 1 - near


def test_light_comes_from_above_and_depth_and_inside_are_darker(down):
    ball = sphere()
    seen = shade(ball, fit_view(ball.vertices_mm, width_px=100, **down))
    assert seen.shade[20, 50] > seen.shade[80, 50] + 0.2
    assert seen.shade[50, 20] > seen.shade[50, 80]
    two = shade(
        [square(0.0, 2.0), square(-5.0, 8.0)],
        fit_view(square(0, 8).vertices_mm, width_px=100, **down),
    )
    assert two.shade[two.mesh == 0].min() > two.shade[two.mesh == 1].max()
    turned = Mesh(ball.vertices_mm, ball.faces[:, ::-1].copy())
    inside = shade(turned, fit_view(ball.vertices_mm, width_px=100, **down))
    assert (inside.shade[inside.hit] < seen.shade[inside.hit]).all()


def test_a_flat_face_beside_a_crease_is_evenly_lit(down):
    box = trimesh.creation.box((8.0, 8.0, 8.0))
    mesh = Mesh(np.asarray(box.vertices), np.asarray(box.faces, np.int32))
    seen = shade(mesh, fit_view(mesh.vertices_mm, width_px=80, margin=0.0, **down))
    assert np.ptp(seen.shade[10:70, 10:70]) < 0.01


def test_the_view_shows_everything_whatever_the_shape_of_the_picture():
    rng = np.random.default_rng(4)
    points = rng.normal(size=(500, 3)) * [20, 8, 3] + 50
    direction, up = seen_from_above(40.0, turn_deg=20.0)
    for height in (None, 100, 900):
        view = fit_view(points, direction=direction, up=up, width_px=300, height_px=height)
        place = view.project(points)
        assert (place > -0.5).all()
        assert (place < np.array(view.size_px) - 0.5).all()
        w, h = view.size_px
        assert view.extent_mm[0] / w == pytest.approx(view.extent_mm[1] / h)
        frame = np.column_stack([view.right, view.up, -view.ahead])
        np.testing.assert_allclose(frame.T @ frame, np.eye(3), atol=1e-12)
        assert np.linalg.det(frame) == pytest.approx(1.0)


def test_up_along_the_viewing_direction_is_refused():
    with pytest.raises(InputError, match="up lies along"):
        fit_view(np.eye(3), direction=[0, 0, -1], up=[0, 0, 1])


def test_nothing_in_view_is_an_empty_picture(down):
    view = fit_view(square(0.0).vertices_mm, width_px=40, **down)
    seen = shade(sphere(centre_mm=(500.0, 0, 0)), view)
    assert not seen.hit.any()
