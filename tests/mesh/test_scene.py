"""Distances to a surface meet closed forms and an independent library, open surfaces too."""

import subprocess
import sys

import numpy as np
import pytest
import trimesh

from accstudy.errors import InputError, MissingLibraryError
from accstudy.mesh import scene as room
from accstudy.mesh.model import Mesh
from accstudy.mesh.scene import Scene
from accstudy.selftest.published import table


def mesh_of(shape):
    return Mesh(np.asarray(shape.vertices, float), np.asarray(shape.faces, np.int32))


BOX = mesh_of(trimesh.creation.box(extents=[20, 10, 6]))


def single(value):
    """Half of the spacing of single precision at a value, some steps of arithmetic allowed."""
    return 4 * np.spacing(np.float32(value))


def test_distances_to_a_box_meet_the_closed_form():
    # selftest/data/geometry/cases.toml, distance_box: derived
    rows = table("geometry", "distance_box")
    points = rows[["x", "y", "z"]].to_numpy(float)
    distance, _, nearest = Scene(BOX).closest(points)
    told = rows["signed_distance"].to_numpy(float)
    reach = np.abs(points).max()
    assert np.abs(np.abs(distance) - np.abs(told)).max() < single(reach)
    clear = np.abs(told) > 1e-5
    assert (np.sign(distance) == np.sign(told))[clear].all()
    one = (rows["region"] != "inside-tie").to_numpy()
    assert np.abs(nearest - rows[["cx", "cy", "cz"]].to_numpy())[one].max() < single(reach)


def test_distances_to_single_triangles_meet_exact_arithmetic():
    # selftest/data/geometry/cases.toml, distance_triangle: exact rational arithmetic
    rows = table("geometry", "distance_triangle")
    asked = refused = 0
    for row in rows.itertuples():
        corners = np.array(
            [[row.ax, row.ay, row.az], [row.bx, row.by, row.bz], [row.cx, row.cy, row.cz]]
        )
        mesh = Mesh(corners, np.array([[0, 1, 2]], np.int32))
        point = np.array([[row.x, row.y, row.z]])
        area = np.linalg.norm(np.cross(corners[1] - corners[0], corners[2] - corners[0]))
        if area == 0:
            with pytest.raises(InputError, match="area"):
                Scene(mesh)
            refused += 1
            continue
        try:
            scene = Scene(mesh)
        except InputError:  # a sliver below the limit of what has a normal
            refused += 1
            continue
        distance, _, nearest = scene.closest(point)
        reach = max(np.abs(corners).max(), np.abs(point).max())
        assert abs(abs(distance[0]) - row.distance) < 2 * single(reach), row
        assert np.abs(nearest[0] - [row.qx, row.qy, row.qz]).max() < 4 * single(reach), row
        asked += 1
    assert asked > 30
    assert refused < 10


@pytest.mark.parametrize("shift", [0.0, 1000.0])
def test_distances_agree_with_an_independent_library_far_from_the_origin_too(shift):
    rng = np.random.default_rng(2)
    ball = trimesh.creation.icosphere(subdivisions=3, radius=8.0)
    ball.apply_translation(np.array([shift, -shift, shift]))
    middle = np.array([shift, -shift, shift])
    points = rng.normal(0, 7, (300, 3)) + middle
    distance, _, _ = Scene(mesh_of(ball)).closest(points)
    _, told, _ = trimesh.proximity.closest_point(ball, points)
    assert np.abs(np.abs(distance) - told).max() < 1e-5  # 0.01 um
    inside = np.linalg.norm(points - middle, axis=1) < 7.8
    assert (distance[inside] < 0).all()


def test_the_sign_on_an_open_surface_is_the_side_of_the_nearest_triangle():
    n = 12
    x, y = np.meshgrid(np.linspace(-10, 10, n), np.linspace(-10, 10, n), indexing="ij")
    points = np.column_stack([x.ravel(), y.ravel(), 0.02 * (x**2 + y**2).ravel()])
    i = np.arange(n * n).reshape(n, n)
    a, b, c, d = i[:-1, :-1].ravel(), i[1:, :-1].ravel(), i[1:, 1:].ravel(), i[:-1, 1:].ravel()
    faces = np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)]).astype(np.int32)
    rng = np.random.default_rng(1)
    where = rng.uniform(-8, 8, (200, 2))
    height = 0.02 * np.sum(where**2, axis=1)
    for off in (0.6, -0.6):
        asked = np.column_stack([where, height + off])
        distance, _, _ = Scene(Mesh(points, faces)).closest(asked)
        assert (np.sign(distance) == np.sign(off)).all()


def test_triangles_without_area_are_left_out_and_numbers_stay_those_of_the_mesh():
    corners = np.array([[0, 0, 0], [1, 0, 0], [2, 0, 0], [0, 5, 0.0]])
    faces = np.array([[0, 1, 2], [0, 1, 1], [0, 2, 3]], np.int32)
    scene = Scene(Mesh(corners, faces))
    distance, which, nearest = scene.closest(np.array([[0.5, 1.0, 2.0]]))
    assert distance == pytest.approx([2.0])
    assert which.tolist() == [2]
    assert nearest == pytest.approx(np.array([[0.5, 1.0, 0.0]]))
    along, hit = scene.cast(np.array([[0.5, 1, 3], [9, 9, 3.0]]), np.array([[0, 0, -1.0]] * 2))
    assert along == pytest.approx([3.0, np.inf], abs=1e-6)
    assert hit.tolist() == [2, -1]
    assert scene.hits(np.array([[0.5, 1, 3.0]]), np.array([[0, 0, 1.0]])).tolist() == [False]


def test_a_missing_system_library_is_named_with_its_package(monkeypatch):
    room.open3d.cache_clear()

    def broken(name, *args, **kwargs):
        if name.split(".")[0] == "open3d":
            raise OSError("libGL.so.1: cannot open shared object file: No such file or directory")
        return original(name, *args, **kwargs)

    import builtins

    original = builtins.__import__
    monkeypatch.setattr(builtins, "__import__", broken)
    try:
        with pytest.raises(MissingLibraryError) as caught:
            room.open3d()
    finally:
        monkeypatch.undo()
        room.open3d.cache_clear()
    assert "libGL.so.1" in caught.value.message
    assert "libgl1" in caught.value.hint


def test_open3d_is_loaded_only_when_asked_for_and_without_a_word():
    code = (
        "import sys, warnings; warnings.simplefilter('error'); import accstudy.mesh.scene as s; "
        "import accstudy.mesh.read; assert 'open3d' not in sys.modules; s.open3d(); "
        "assert 'open3d' in sys.modules"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
