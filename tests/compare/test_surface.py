import numpy as np
import pandas as pd
import pytest
import trimesh
from scipy.spatial.transform import Rotation

from accstudy.compare.surface import (
    _summary,
    reference_from_scans,
    reference_surface,
    surface_deviation,
    surface_fields,
    surface_scans_table,
    surface_table,
)
from accstudy.errors import ComputationError, InputError
from accstudy.geometry.rigid import Rigid
from accstudy.mesh.model import Mesh
from accstudy.simulate.arch import reference_model
from accstudy.simulate.scan import simulate_scan

IDENTITY = Rigid.identity()


def sphere(radius_mm=10.0, *, subdivisions=4, turn=None):
    ball = trimesh.creation.icosphere(subdivisions=subdivisions, radius=radius_mm)
    vertices = np.asarray(ball.vertices)
    return Mesh(vertices if turn is None else vertices @ turn.T, np.asarray(ball.faces, np.int32))


def sheet(*, z_mm=0.0, half_mm=5.0, steps=20, slope=0.0, hole=None):
    t = np.linspace(-half_mm, half_mm, steps + 1)
    x, y = (a.ravel() for a in np.meshgrid(t, t))
    corner = np.arange((steps + 1) ** 2).reshape(steps + 1, steps + 1)
    a, b, c, d = (
        s.ravel() for s in (corner[:-1, :-1], corner[:-1, 1:], corner[1:, 1:], corner[1:, :-1])
    )
    faces = np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])])
    vertices = np.column_stack([x, y, z_mm + slope * x])
    if hole is not None:
        faces = faces[~hole(vertices[faces].mean(axis=1))]
    return Mesh(vertices, faces.astype(np.int32))


def motion(seed):
    rng = np.random.default_rng(seed)
    return Rigid(Rotation.random(rng=rng).as_matrix(), rng.uniform(-40, 40, 3))


@pytest.fixture(scope="module")
def turned():
    return Rotation.from_rotvec([0.3, -0.2, 0.1]).as_matrix()


@pytest.mark.parametrize("grown_um", [20.0, -35.0])
def test_a_sphere_scanned_larger_deviates_by_as_much_everywhere(grown_um, turned):
    reference = reference_surface(sphere())
    scan = sphere(10.0 + grown_um / 1000, subdivisions=7, turn=turned)
    p = scan.vertices_mm[scan.faces]
    normals = np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0])
    planes_mm = np.einsum("ij,ij->i", normals, p[:, 0]) / np.linalg.norm(normals, axis=1)
    chord_um = 1000 * (10.0 - planes_mm.min()) + grown_um  # triangles lie within their sphere
    assert chord_um < 0.2
    found = surface_deviation(scan, IDENTITY, reference)
    assert np.isfinite(found).all()
    assert found.max() <= grown_um + 0.02
    assert found.min() >= grown_um - chord_um - 0.02


def test_moving_the_scan_with_its_implants_changes_nothing(turned):
    reference = reference_surface(sphere())
    scan = sphere(10.02, subdivisions=5, turn=turned)
    here = surface_deviation(scan, IDENTITY, reference)
    for seed in range(3):
        away = motion(seed)
        moved = Mesh(away.points(scan.vertices_mm), scan.faces)
        found = surface_deviation(moved, away.inverse(), reference)
        np.testing.assert_allclose(found, here, atol=0.02)  # single precision


def test_deviations_agree_with_an_independent_search_in_double_precision(turned):
    rng = np.random.default_rng(2)
    reference = reference_surface(sphere(subdivisions=3))
    plain = sphere(10.0, subdivisions=4, turn=turned)
    scan = Mesh(plain.vertices_mm + rng.normal(0, 0.03, plain.vertices_mm.shape), plain.faces)
    found = surface_deviation(scan, IDENTITY, reference)
    other = trimesh.Trimesh(scan.vertices_mm, scan.faces, process=False)
    expected = -1000 * trimesh.proximity.signed_distance(other, reference.mesh.vertices_mm)
    # trimesh: positive inside the scan, where the scan lies outside the reference
    np.testing.assert_allclose(found, -expected, atol=0.02)


def test_a_scan_turned_inside_out_is_compared_all_the_same(turned):
    reference = reference_surface(sphere())
    scan = sphere(10.02, subdivisions=5, turn=turned)
    flipped = Mesh(scan.vertices_mm, scan.faces[:, ::-1].copy())
    np.testing.assert_allclose(
        surface_deviation(flipped, IDENTITY, reference),
        surface_deviation(scan, IDENTITY, reference),
        atol=0.02,  # single precision
    )


def test_what_the_scan_does_not_show_has_no_deviation():
    reference = reference_surface(sheet())
    x, y, _ = reference.mesh.vertices_mm.T
    half = surface_deviation(sheet(z_mm=0.05, half_mm=2.6, steps=30), IDENTITY, reference)
    assert np.isnan(half[(np.abs(x) > 2.61) | (np.abs(y) > 2.61)]).all()
    np.testing.assert_allclose(half[(np.abs(x) < 2.59) & (np.abs(y) < 2.59)], 50, atol=0.01)

    holed = sheet(z_mm=0.05, steps=90, hole=lambda p: np.hypot(p[:, 0], p[:, 1]) < 1.2)
    found = surface_deviation(holed, IDENTITY, reference)
    away = np.hypot(x, y)
    assert np.isnan(found[away < 1.0]).all()
    rest = (away > 1.4) & (np.abs(x) < 4.9) & (np.abs(y) < 4.9)
    np.testing.assert_allclose(found[rest], 50, atol=0.01)

    far = surface_deviation(sheet(z_mm=1.2), IDENTITY, reference)
    assert np.isnan(far).all()
    elsewhere = surface_deviation(sheet(), Rigid(np.eye(3), np.full(3, 500.0)), reference)
    assert np.isnan(elsewhere).all()


def test_a_wall_that_faces_the_other_way_is_not_the_same_surface():
    # a thin wall: its front at 0 was scanned, its back at -0.4 was not
    front, back = sheet(), sheet(z_mm=-0.4)
    wall = Mesh(
        np.concatenate([front.vertices_mm, back.vertices_mm]),
        np.concatenate([front.faces, back.faces[:, ::-1] + len(front.vertices_mm)]),
    )
    found = surface_deviation(sheet(z_mm=0.03, half_mm=6), IDENTITY, reference_surface(wall))
    n = len(front.vertices_mm)
    np.testing.assert_allclose(found[:n], 30, atol=0.01)
    assert np.isnan(found[n:]).all()


def test_lengths_are_brought_to_the_temperature_of_the_reference():
    reference = reference_surface(sphere())
    expansion, warmer_k = 75e-6, 5.0
    factor = 1 + expansion * warmer_k
    warm = Mesh(sphere().vertices_mm * factor, sphere().faces)
    grown = surface_deviation(warm, IDENTITY, reference)
    np.testing.assert_allclose(grown, 10_000 * (factor - 1), atol=0.02)
    found = surface_deviation(warm, IDENTITY, reference, scale=1 / factor)
    np.testing.assert_allclose(found, 0, atol=0.02)


def test_mean_and_standard_deviation_over_repeats_are_those_of_numpy():
    rng = np.random.default_rng(7)
    values = rng.normal(30, 8, (6, 50))
    values[rng.random(values.shape) < 0.3] = np.nan
    values[:, 0] = np.nan
    values[1:, 1] = np.nan
    values[0, 1] = 5.0
    (field,) = surface_fields(("A", f"s{i}", v) for i, v in enumerate(values))
    there = np.isfinite(values)
    assert (field.n == there.sum(axis=0)).all()
    assert np.isnan(field.mean_um[0])
    assert field.mean_um[1] == 5.0
    assert np.isnan(field.sd_um[[0, 1]]).all()
    usable = field.n > 1
    np.testing.assert_allclose(field.mean_um[usable], np.nanmean(values[:, usable], axis=0))
    np.testing.assert_allclose(field.sd_um[usable], np.nanstd(values[:, usable], axis=0, ddof=1))


def test_conditions_are_kept_apart_in_the_order_of_the_scans():
    one, two = np.zeros(4), np.full(4, 10.0)
    fields = surface_fields([("B", "s1", one), ("A", "s2", two), ("B", "s3", two)])
    assert [(f.condition, f.scans) for f in fields] == [("B", ("s1", "s3")), ("A", ("s2",))]
    assert fields[0].mean_um.tolist() == [5.0] * 4


def test_tables_weigh_by_area_not_by_the_net():
    # half of the area has a net five times as fine
    fine = sheet(half_mm=2.5, steps=25)
    coarse = sheet(half_mm=2.5, steps=5)
    mesh = Mesh(
        np.concatenate([fine.vertices_mm, coarse.vertices_mm + np.array([6.0, 0, 0])]),
        np.concatenate([fine.faces, coarse.faces + len(fine.vertices_mm)]),
    )
    reference = reference_surface(mesh)
    assert reference.areas_mm2.sum() == pytest.approx(50.0)
    values = np.where(np.arange(len(mesh.vertices_mm)) < len(fine.vertices_mm), 10.0, 30.0)
    scans = surface_scans_table([("A", "s1", values)], reference, model="M")
    assert scans.loc[0, "mean_um"] == pytest.approx(20.0)
    assert scans.loc[0, "rms_um"] == pytest.approx(np.sqrt(500.0))
    assert scans.loc[0, "coverage"] == 1.0
    half = np.where(values > 20, np.nan, values)
    fields = surface_fields([("A", "s1", half), ("A", "s2", half + 4)])
    table = surface_table(fields, reference, model="M")
    row = table.iloc[0]
    assert row["coverage"] == row["coverage_twice"] == pytest.approx(0.5)
    assert row["mean_um"] == pytest.approx(12.0)
    assert row["sd_rms_um"] == pytest.approx(np.sqrt(8.0))
    assert row["n_scans"] == 2
    nothing = surface_fields([("A", "s1", np.full(len(values), np.nan))])
    assert surface_table(nothing, reference, model="M").loc[0, "coverage"] == 0.0


def test_quantiles_of_equal_areas_are_those_of_the_middles_of_steps():
    values = np.random.default_rng(7).normal(0, 20, 13)
    found = _summary(values, np.full(13, 0.3))
    expected = np.quantile(values, [0.05, 0.5, 0.95], method="hazen")
    assert [found[q] for q in ("p05", "median", "p95")] == pytest.approx(expected)


def model_and_poses():
    model = reference_model(5, seed=3)
    scans = [
        simulate_scan(model, n_triangles=8_000, noise_um=0, pose=motion(i), seed=i, scan=f"s{i}")
        for i in range(2)
    ]
    return model, pd.concat([s.truth for s in scans], ignore_index=True), scans


def test_scans_are_aligned_by_their_implants_not_by_their_surfaces():
    model, poses, scans = model_and_poses()
    for alignment in ("all-implants", "first-implant", "datum-implants"):
        datum = tuple(model["implant"][:3])
        moves = reference_from_scans(poses, model, alignment=alignment, datum=datum)
        assert list(moves) == ["s0", "s1"]
        for scan in scans:
            expected = scan.scan_from_model.inverse()
            found = moves[scan.truth["scan"].iloc[0]]
            np.testing.assert_allclose(found.rotation, expected.rotation, atol=1e-9)
            np.testing.assert_allclose(found.translation_mm, expected.translation_mm, atol=1e-7)
    # lift the surface by 40 um along z and leave the implants where they are: it must show
    lifted = scans[0].scan_from_model.vectors([0, 0, 0.04])
    raised = Mesh(scans[0].mesh.vertices_mm + lifted, scans[0].mesh.faces)
    plain = Mesh(scans[0].scan_from_model.inverse().points(scans[0].mesh.vertices_mm), raised.faces)
    reference = reference_surface(plain)
    found = surface_deviation(raised, reference_from_scans(poses, model)["s0"], reference)
    upwards = reference.normals[:, 2] > 0.99
    assert np.nanmedian(found[upwards]) == pytest.approx(40.0, abs=0.5)


def test_scans_that_cannot_be_aligned_are_left_out_and_wrong_wishes_refused():
    model, poses, _ = model_and_poses()
    lonely = poses[(poses["scan"] == "s0") | (poses["implant"] == poses["implant"].iloc[0])]
    assert list(reference_from_scans(lonely, model)) == ["s0"]
    with pytest.raises(ComputationError, match="two or more"):
        reference_from_scans(poses, model, alignment="datum-implants", datum=("I1",))
    with pytest.raises(InputError, match="no alignment"):
        reference_from_scans(poses, model, alignment="best")
