import numpy as np
import pandas as pd
import pytest

from accstudy.errors import InputError
from accstudy.geometry.rigid import Rigid, rotation_vector
from accstudy.locate.locate import locate_scan
from accstudy.mesh.model import Mesh
from accstudy.simulate.arch import reference_model
from accstudy.simulate.bodies import scan_body
from accstudy.simulate.scan import simulate_scan

N = 30_000


@pytest.mark.parametrize(
    ("n_implants", "tilt_deg", "shape"),
    [
        (4, 0.0, "cylinder-flat"),
        (5, 30.0, "polygon-top"),
        (8, 30.0, "tapered"),
        (6, 15.0, "low-wide"),
        (6, 30.0, "cylinder-round"),
    ],
)
def test_every_implant_is_found_within_50_um(n_implants, tilt_deg, shape, pose_errors):
    reference = reference_model(n_implants, angulation_deg=tilt_deg, seed=n_implants)
    scan = simulate_scan(reference, shape, n_triangles=N, noise_um=8.0, seed=7)
    located = locate_scan(
        scan.mesh, reference=reference, bodies={"default": scan_body(shape)}, scan="S"
    )
    assert located.poses["status"].tolist() == ["ok"] * n_implants
    found = pose_errors(located.poses, scan.truth)
    assert found["distance_um"].max() < 50.0
    assert found["angle_deg"].max() < 0.3
    if shape == "cylinder-round":
        assert located.poses["flat_x"].isna().all()
    else:
        # a rotation is given where its standard uncertainty is under 0.25 deg
        assert found["turn_deg"].notna().mean() > 0.7
        assert found["turn_deg"].abs().max() < 3 * 0.25


def test_offset_and_rounded_edges_do_not_reach_the_height(six, pose_errors):
    scan = simulate_scan(
        six, n_triangles=N, noise_um=6.0, offset_um=35.0, edge_rounding_mm=0.12, holes=0.2, seed=3
    )
    located = locate_scan(scan.mesh, reference=six, bodies={"default": scan_body("cylinder-flat")})
    found = pose_errors(located.poses, scan.truth)
    assert located.poses["offset_um"].to_numpy() == pytest.approx(35.0, abs=6.0)
    assert np.abs(found["height_um"].mean()) < 3.0
    assert found["distance_um"].max() < 25.0


@pytest.mark.slow
def test_a_coarse_drawing_gives_the_same_height_as_a_fine_one(six, pose_errors):
    # chords of 0.8 mm lie up to 32 um inside a radius of 2.5 mm
    scan = simulate_scan(six, n_triangles=N, noise_um=4.0, seed=4)
    heights = {}
    for segment_mm in (0.8, 0.1):
        body = scan_body("cylinder-flat", segment_mm=segment_mm)
        located = locate_scan(scan.mesh, reference=six, bodies={"default": body})
        heights[segment_mm] = pose_errors(located.poses, scan.truth)["height_um"].to_numpy()
    assert heights[0.8] == pytest.approx(heights[0.1], abs=1.5)


def test_the_result_does_not_depend_on_what_was_located_before(six):
    scan = simulate_scan(six, n_triangles=N, seed=5)
    bodies = {"default": scan_body("cylinder-flat")}
    first = locate_scan(scan.mesh, reference=six, bodies=bodies).poses
    other = reference_model(4, seed=8)
    locate_scan(
        simulate_scan(other, "tapered", n_triangles=N, seed=6).mesh,
        reference=other,
        bodies={"default": scan_body("tapered")},
    )
    again = locate_scan(scan.mesh, reference=six, bodies=bodies).poses
    pd.testing.assert_frame_equal(first, again, check_exact=True)


def test_moving_the_scan_moves_the_poses_with_it(six):
    scan = simulate_scan(six, n_triangles=N, seed=9)
    motion = Rigid(rotation_vector([0.4, -1.1, 2.0]), np.array([1000.0, -300.0, 50.0]))
    moved = Mesh(motion.points(scan.mesh.vertices_mm), scan.mesh.faces)
    bodies = {"default": scan_body("cylinder-flat")}
    here = locate_scan(scan.mesh, reference=six, bodies=bodies).poses
    there = locate_scan(moved, reference=six, bodies=bodies).poses
    xyz = ["x_mm", "y_mm", "z_mm"]
    expected = motion.points(here[xyz].to_numpy())
    assert there[xyz].to_numpy() == pytest.approx(expected, abs=1.5e-3)


def test_the_reference_rows_may_come_in_any_order(six):
    scan = simulate_scan(six, n_triangles=N, seed=10)
    bodies = {"default": scan_body("cylinder-flat")}
    straight = locate_scan(scan.mesh, reference=six, bodies=bodies).poses.set_index("implant")
    shuffled = six.sample(frac=1.0, random_state=1)
    other = locate_scan(scan.mesh, reference=shuffled, bodies=bodies).poses
    assert other["implant"].tolist() == shuffled["implant"].tolist()
    other = other.set_index("implant").loc[straight.index]
    assert other["x_mm"].to_numpy() == pytest.approx(straight["x_mm"].to_numpy(), abs=1e-3)


def test_a_scan_body_that_is_not_described_is_named(six):
    scan = simulate_scan(six, n_triangles=10_000, seed=1)
    reference = six.assign(scan_body="short")
    with pytest.raises(InputError, match='"short"'):
        locate_scan(scan.mesh, reference=reference, bodies={"shorter": scan_body("low-wide")})


def test_uncertainties_tell_seen_from_hidden(six):
    clear = simulate_scan(six, n_triangles=N, noise_um=8.0, seed=11)
    holed = simulate_scan(six, n_triangles=N, noise_um=8.0, holes=0.33, seed=11)
    bodies = {"default": scan_body("cylinder-flat")}
    u_clear = locate_scan(clear.mesh, reference=six, bodies=bodies).poses["u_x_um"]
    u_holed = locate_scan(holed.mesh, reference=six, bodies=bodies).poses["u_x_um"]
    assert u_holed.mean() > 1.1 * u_clear.mean()
