"""Simulated scans: the truth is exact, and every option does what it says and no more."""

import numpy as np
import pandas as pd
import pytest
import trimesh
from scipy.spatial import cKDTree
from special_models import placed_bodies

from accstudy.errors import InputError
from accstudy.geometry.rigid import Rigid, angle_between_deg, rotation_vector
from accstudy.simulate.arch import frames, reference_model
from accstudy.simulate.bodies import SHAPES, body_shape
from accstudy.simulate.scan import Blob, Noise, random_pose, simulate_scan

XYZ = ["x_mm", "y_mm", "z_mm"]
N = 12_000


def model(n=3, **options):
    return reference_model(n, angulation_deg=20.0, seed=2, **options)


def height_over_truth(scan, shape, *, row=0, edge_rounding_mm=0.0):
    """Distance of a body's scanned vertices from the solid at its true pose, mm."""
    place = frames(scan.truth)[row]
    vertices = scan.mesh.vertices_mm[scan.part == row]
    own = place.inverse().points(vertices)
    value, _ = shape.distance(own, edge_rounding_mm=edge_rounding_mm)
    return value, own


@pytest.mark.parametrize("name", [n for n, s in SHAPES.items() if s.has_flat])
def test_noise_free_vertices_lie_on_the_body_at_its_true_pose(name):
    scan = simulate_scan(model(), name, n_triangles=N, noise_um=0.0, seed=3)
    for row in range(3):
        value, own = height_over_truth(scan, body_shape(name), row=row)
        assert len(own) > 150
        assert np.abs(value).max() < 1e-9


def test_round_bodies_have_no_flat_in_the_truth_but_lie_right():
    scan = simulate_scan(model(), "cylinder-round", n_triangles=N, noise_um=0.0, seed=3)
    assert scan.truth[["flat_x", "flat_y", "flat_z"]].isna().all(axis=None)
    value, _ = height_over_truth(scan, body_shape("cylinder-round"))
    assert np.abs(value).max() < 1e-9


def test_vertices_are_not_the_drawings_and_triangles_are_well_shaped():
    scan = simulate_scan(model(), n_triangles=40_000, noise_um=0.0, seed=3)
    mesh = trimesh.Trimesh(scan.mesh.vertices_mm, scan.mesh.faces, process=False)
    assert len(mesh.faces) == pytest.approx(40_000, rel=0.1)
    assert mesh.is_winding_consistent
    smallest = np.degrees(mesh.face_angles.min(axis=1))
    assert np.quantile(smallest, 0.01) > 15
    edges = mesh.edges_unique_length
    assert np.quantile(edges, 0.99) < 3 * np.quantile(edges, 0.01)
    own = frames(scan.truth)[0].inverse().points(scan.mesh.vertices_mm[scan.part == 0])
    drawing = body_shape("cylinder-flat").drawing().mesh.vertices_mm
    nearest = np.linalg.norm(own[:, None] - drawing[None], axis=2).min(axis=1)
    assert np.mean(nearest < 1e-6) < 0.01


def test_faces_point_outwards():
    scan = simulate_scan(model(), n_triangles=N, noise_um=0.0, seed=3)
    corners = scan.mesh.vertices_mm[scan.mesh.faces[(scan.part == 1)[scan.mesh.faces].all(axis=1)]]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    place = frames(scan.truth)[1]
    middle = place.inverse().points(corners.mean(axis=1))
    _, slope = body_shape("cylinder-flat").distance(middle)
    assert np.mean(np.sum(normal * place.vectors(slope), axis=1) > 0) > 0.995


@pytest.mark.parametrize("correlation_mm", [0.0, 0.5])
def test_noise_has_the_stated_rms_and_correlation_on_the_body(correlation_mm):
    pooled, near = [], []
    for seed in range(6):
        scan = simulate_scan(
            model(), n_triangles=N, noise_um=12.0, correlation_mm=correlation_mm, seed=seed
        )
        value, own = height_over_truth(scan, body_shape("cylinder-flat"))
        side = (own[:, 2] < 7.0) & (own[:, 2] > 2.0)  # far from edges, where normals are plain
        value, own = value[side] * 1e3, own[side]
        pooled.append(value)
        gap = np.linalg.norm(own[:, None] - own[None], axis=2)
        i, j = np.nonzero(np.triu((gap > 0.45) & (gap < 0.55), 1))
        near.append(np.mean(value[i] * value[j]))
    rms = np.sqrt(np.mean(np.concatenate(pooled) ** 2))
    assert rms == pytest.approx(12.0, rel=0.08)
    expected = np.exp(-1.0) if correlation_mm else 0.0
    assert np.mean(near) / rms**2 == pytest.approx(expected, abs=0.16)  # 4 standard errors


def test_white_noise_can_come_on_top():
    noise = Noise(rms_um=3.0, correlation_mm=1.0, white_um=4.0)
    scan = simulate_scan(model(), n_triangles=40_000, noise=noise, seed=1)
    value, own = height_over_truth(scan, body_shape("cylinder-flat"))
    side = own[:, 2] < 7.0
    assert value[side].std() * 1e3 == pytest.approx(5.0, rel=0.1)


def test_offset_moves_the_surface_outwards_and_not_the_truth():
    plain = simulate_scan(model(), n_triangles=N, noise_um=0.0, seed=3)
    grown = simulate_scan(model(), n_triangles=N, noise_um=0.0, offset_um=35.0, seed=3)
    value, own = height_over_truth(grown, body_shape("cylinder-flat"))
    face = (own[:, 2] < 7.0) | (np.hypot(own[:, 0], own[:, 1]) < 1.5)
    np.testing.assert_allclose(value[face], 0.035, atol=1e-9)
    pd.testing.assert_frame_equal(plain.truth[XYZ], grown.truth[XYZ])
    assert (grown.truth["offset_um"] == 35.0).all()


def test_edges_are_rounded_on_request():
    shape = body_shape("cylinder-flat")
    scan = simulate_scan(model(), n_triangles=N, noise_um=0.0, edge_rounding_mm=0.2, seed=3)
    rounded, _ = height_over_truth(scan, shape, edge_rounding_mm=0.2)
    sharp, _ = height_over_truth(scan, shape)
    assert np.abs(rounded).max() < 1e-9
    assert sharp.min() < -0.02  # material is missing at the edges
    assert np.mean(np.abs(sharp) < 1e-9) > 0.8  # and nowhere else


def test_pose_of_the_scan_changes_no_distance_and_no_angle():
    table = model(4)
    scan = simulate_scan(table, n_triangles=4000, seed=8)
    a, b = table[XYZ].to_numpy(), scan.truth[XYZ].to_numpy()
    gaps = [np.linalg.norm(p[:, None] - p[None], axis=2) for p in (a, b)]
    np.testing.assert_allclose(gaps[0], gaps[1], atol=1e-9)
    axes = [t[["axis_x", "axis_y", "axis_z"]].to_numpy() for t in (table, scan.truth)]
    angles = [angle_between_deg(u[:, None], u[None]) for u in axes]
    np.testing.assert_allclose(angles[0], angles[1], atol=1e-6)
    back = scan.scan_from_model.inverse().points(b)
    np.testing.assert_allclose(back, a, atol=1e-9)
    assert np.linalg.norm(a - b, axis=1).min() > 1.0


def test_same_seed_same_scan():
    one, again, other = (simulate_scan(model(), n_triangles=3000, seed=s) for s in (4, 4, 5))
    assert np.array_equal(one.mesh.vertices_mm, again.mesh.vertices_mm)
    assert np.array_equal(one.mesh.faces, again.mesh.faces)
    assert one.truth.equals(again.truth)
    assert not np.array_equal(one.truth[XYZ], other.truth[XYZ])


def test_noise_leaves_the_pose_and_the_net_alone():
    quiet = simulate_scan(model(), n_triangles=3000, noise_um=0.0, seed=4)
    loud = simulate_scan(model(), n_triangles=3000, noise_um=20.0, seed=4)
    assert quiet.truth.equals(loud.truth)
    assert np.array_equal(quiet.mesh.faces, loud.mesh.faces)
    gap = np.linalg.norm(quiet.mesh.vertices_mm - loud.mesh.vertices_mm, axis=1)
    assert np.sqrt(np.mean(gap**2)) == pytest.approx(0.020, rel=0.15)


@pytest.mark.parametrize("side", ["hidden", "interproximal", "undercut", "one"])
def test_holes_take_the_stated_share(side):
    whole = simulate_scan(model(), n_triangles=N, seed=4)
    holed = simulate_scan(model(), n_triangles=N, holes=0.33, hole_side=side, seed=4)
    assert (whole.truth["coverage"] > 0.95).all()
    ratio = holed.truth["coverage"] / whole.truth["coverage"]
    np.testing.assert_allclose(ratio, 0.67, atol=0.02)
    np.testing.assert_array_equal(whole.truth[XYZ], holed.truth[XYZ])


def test_undercut_holes_face_down():
    table = reference_model(2, angulation_deg=30.0, seed=1)
    whole = simulate_scan(table, n_triangles=N, pose=Rigid.identity(), seed=4)
    holed = simulate_scan(
        table, n_triangles=N, holes=0.3, hole_side="undercut", pose=Rigid.identity(), seed=4
    )

    def down(scan):
        own = frames(scan.truth)[0].inverse().points(scan.mesh.vertices_mm[scan.part == 0])
        under = frames(scan.truth)[0].rotation.T @ [0.0, 0.0, -1.0]
        across = own[:, :2] @ under[:2] / np.linalg.norm(own[:, :2], axis=1)
        return np.count_nonzero((across > 0.4) & (own[:, 2] > 3) & (own[:, 2] < 7))

    assert down(holed) < 0.25 * down(whole)


def test_displaced_bodies_are_where_the_truth_says():
    loose = Rigid(rotation_vector([0.0, np.radians(2.0), 0.0]), np.array([0.3, 0.0, 0.0]))
    scan = simulate_scan(model(), n_triangles=N, noise_um=0.0, displaced={"I2": loose}, seed=4)
    plain = simulate_scan(model(), n_triangles=N, noise_um=0.0, seed=4)
    value, _ = height_over_truth(scan, body_shape("cylinder-flat"), row=1)
    assert np.abs(value).max() < 1e-9
    moved = np.linalg.norm(scan.truth[XYZ].to_numpy() - plain.truth[XYZ].to_numpy(), axis=1)
    np.testing.assert_allclose(moved, [0.0, 0.3, 0.0], atol=1e-9)
    axis = ["axis_x", "axis_y", "axis_z"]
    tilt = angle_between_deg(scan.truth[axis].to_numpy(), plain.truth[axis].to_numpy())
    np.testing.assert_allclose(tilt, [0.0, 2.0, 0.0], atol=1e-9)


def test_missing_and_extra_bodies():
    shape = body_shape("cylinder-flat")
    place = Rigid(np.eye(3), np.array([0.0, 5.0, 0.0]))
    scan = simulate_scan(
        model(), n_triangles=N, noise_um=0.0, missing=["I2"], extra=[("low-wide", place)], seed=4
    )
    assert scan.truth["implant"].tolist() == ["I1", "I3"]
    assert set(np.unique(scan.part)) == {-3, -1, 0, 2}
    back = scan.scan_from_model.inverse()
    own = place.inverse().points(back.points(scan.mesh.vertices_mm[scan.part == -3]))
    assert np.abs(body_shape("low-wide").distance(own)[0]).max() < 1e-9
    third = frames(scan.truth)[1].inverse().points(scan.mesh.vertices_mm[scan.part == 2])
    assert np.abs(shape.distance(third)[0]).max() < 1e-9


def test_mixed_bodies_follow_the_table():
    table = model(2, scan_body=["tall", "low"])
    bodies = {"tall": body_shape("tapered"), "low": body_shape("low-wide")}
    scan = simulate_scan(table, bodies, n_triangles=N, noise_um=0.0, seed=4)
    for row, key in enumerate(["tall", "low"]):
        value, _ = height_over_truth(scan, bodies[key], row=row)
        assert np.abs(value).max() < 1e-9
    with pytest.raises(InputError, match="low"):
        simulate_scan(table, {"tall": bodies["tall"]}, n_triangles=1000)


def test_half_arch_and_blobs():
    half = simulate_scan(
        model(4), n_triangles=N, keep=([1, 0, 0], 0.0), pose=Rigid.identity(), noise_um=0, seed=4
    )
    assert half.mesh.vertices_mm[:, 0].min() >= 0.0
    assert half.truth["coverage"].iloc[0] == 0.0
    assert half.truth["coverage"].iloc[-1] > 0.9
    top = frames(model(4))[0].points([0.0, 0.0, 9.0])
    hidden = simulate_scan(
        model(4), n_triangles=N, blobs=[Blob(tuple(top), 4.0)], pose=Rigid.identity(), seed=4
    )
    assert np.any(hidden.part == -2)
    assert hidden.truth["coverage"].iloc[0] < 0.6
    plain = simulate_scan(model(4), n_triangles=N, pose=Rigid.identity(), seed=4)
    assert hidden.truth["coverage"].iloc[1] > 0.95 * plain.truth["coverage"].iloc[1]


def test_doubled_layer_lies_beside_the_first():
    one = simulate_scan(model(), n_triangles=N, seed=4)
    two = simulate_scan(model(), n_triangles=N, doubled_mm=0.1, seed=4)
    first, n = one.mesh.vertices_mm, len(one.mesh.vertices_mm)
    np.testing.assert_array_equal(two.mesh.vertices_mm[:n], first)
    second = two.mesh.vertices_mm[n:]
    assert 0.3 * n < len(second) < 0.7 * n
    gap, same = cKDTree(first).query(second)
    assert gap.max() < 0.1 + 1e-9
    assert len(two.part) == len(two.mesh.vertices_mm)
    assert np.mean(two.part[n:] == one.part[same]) > 0.98


def test_mirrored_scan_is_no_rigid_copy():
    plain = simulate_scan(model(), n_triangles=3000, seed=4)
    mirror = simulate_scan(model(), n_triangles=3000, mirrored=True, seed=4)
    np.testing.assert_allclose(mirror.mesh.vertices_mm * [-1, 1, 1], plain.mesh.vertices_mm)

    def volume(scan):
        p = scan.truth[XYZ].to_numpy()
        axis = scan.truth[["axis_x", "axis_y", "axis_z"]].to_numpy()
        return np.linalg.det([p[1] - p[0], p[2] - p[0], axis.mean(axis=0)])

    assert volume(mirror) == pytest.approx(-volume(plain))


@pytest.mark.parametrize("unit_mm", [1000.0, 25.4])
def test_other_units_and_far_places(unit_mm):
    plain = simulate_scan(model(), n_triangles=3000, seed=4)
    scaled = simulate_scan(model(), n_triangles=3000, unit_mm=unit_mm, seed=4)
    np.testing.assert_allclose(scaled.mesh.vertices_mm * unit_mm, plain.mesh.vertices_mm)
    assert scaled.truth.equals(plain.truth)
    turn = random_pose(np.random.default_rng(0)).rotation
    far = simulate_scan(model(), n_triangles=3000, pose=Rigid(turn, np.array([1e3, 0, 0])), seed=4)
    assert far.truth["x_mm"].min() > 900


def test_placed_drawings_are_rigid_copies():
    table = model(3)
    drawing = body_shape("cylinder-flat").drawing().mesh
    scan = placed_bodies(table, drawing, seed=5, single=False)
    assert len(scan.mesh.faces) == 3 * len(drawing.faces)
    for row, place in enumerate(frames(scan.truth)):
        copy = scan.mesh.vertices_mm[scan.part == row]
        np.testing.assert_allclose(place.inverse().points(copy), drawing.vertices_mm, atol=1e-9)
    rounded = placed_bodies(table, drawing, seed=5).mesh.vertices_mm
    assert np.array_equal(rounded, rounded.astype(np.float32))


@pytest.mark.parametrize(
    "wrong",
    [{"holes": 0.6}, {"hole_side": "top"}, {"missing": ["I9"]}, {"displaced": {"X": None}}],
)
def test_impossible_options_are_refused(wrong):
    with pytest.raises(InputError):
        simulate_scan(model(), n_triangles=1000, **wrong)
