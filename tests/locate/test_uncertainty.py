import numpy as np
import pytest
from rounded_bodies import ROUNDED
from scipy.sparse import coo_matrix
from scipy.spatial import cKDTree

from accstudy.locate.locate import locate_scan
from accstudy.locate.prepared import prepare_body
from accstudy.locate.surface import FILTER_MM
from accstudy.locate.uncertainty import (
    RANGES_MM,
    Blocks,
    correct,
    estimate_noise,
)
from accstudy.mesh.model import Mesh
from accstudy.simulate.arch import reference_model
from accstudy.simulate.bodies import scan_body
from accstudy.simulate.scan import Noise, simulate_scan


def blocks_on_a_cylinder(rng, noise_mm):
    """Blocks spread over a side of radius 2.5 mm and height 6 mm, and a top."""
    n = 260
    angle, z = rng.uniform(0, 2 * np.pi, n), rng.uniform(0, 6, n)
    side = np.column_stack([2.5 * np.cos(angle), 2.5 * np.sin(angle), z])
    normal = np.column_stack([np.cos(angle), np.sin(angle), 0 * z])
    r = 2.3 * np.sqrt(rng.uniform(0, 1, 50))
    a = rng.uniform(0, 2 * np.pi, 50)
    top = np.column_stack([r * np.cos(a), r * np.sin(a), np.full(50, 6.0)])
    points = np.concatenate([side, top])
    normal = np.concatenate([normal, np.tile([0.0, 0.0, 1.0], (50, 1))])
    jacobian = np.column_stack([normal, np.cross(points, normal)[:, :2], -np.ones(len(points))])
    apart = np.linalg.norm(points[:, None] - points[None], axis=2)
    kernels = tuple(np.exp(-((apart / reach) ** 2)) for reach in RANGES_MM)
    size = rng.integers(4, 12, len(points)).astype(float)
    white, long = noise_mm
    covariance = np.diag(white**2 / size) + long**2 * kernels[2]
    residual = np.linalg.cholesky(covariance + 1e-14 * np.eye(len(size))) @ rng.normal(
        size=len(size)
    )
    # what a least-squares fit leaves of it
    weighted = jacobian.T * size
    fit = np.linalg.solve(weighted @ jacobian, weighted @ residual)
    growth = -np.sum(points * normal, axis=1)
    still = np.zeros(len(points))
    left = residual - jacobian @ fit
    return Blocks(left, jacobian, growth, still, still > 0, size, apart, kernels), -fit


def test_noise_is_estimated_without_the_bias_of_the_fit():
    rng = np.random.default_rng(3)
    white, long = [], []
    for _ in range(12):
        model = estimate_noise([blocks_on_a_cylinder(rng, (0.02, 0.006))[0] for _ in range(5)])
        white.append(model.white_mm2)
        long.append(sum(model.sills_mm2))
    assert np.sqrt(np.mean(white)) == pytest.approx(0.02, rel=0.1)
    # the fit alone takes away a good part of this variance; sums are unbiased up to
    # their scatter, about 10 % of the variance over 60 bodies
    assert np.sqrt(np.mean(long)) == pytest.approx(0.006, rel=0.15)


def cells_on_a_cylinder(rng, white_mm, long_mm):
    """Blocks 0.75 mm apart on a side of radius 2.5 mm and height 6 mm, many of them cut."""
    angle, z = (a.ravel() for a in np.meshgrid(np.arange(0, 6.2, 0.3), np.arange(0, 6, 0.75)))
    normal = np.column_stack([np.cos(angle), np.sin(angle), 0 * z])
    points = 2.5 * normal + [0, 0, 1] * z[:, None]
    jacobian = np.column_stack([normal[:, :2], np.cross(points, normal)[:, :2], -np.ones(len(z))])
    apart = np.linalg.norm(points[:, None] - points[None], axis=2)
    kernels = tuple(np.exp(-((apart / reach) ** 2)) for reach in RANGES_MM)
    size = rng.integers(2, 11, len(z)).astype(float)
    covariance = np.diag(white_mm**2 / size) + long_mm**2 * np.exp(-((apart / 0.8) ** 2))
    residual = np.linalg.cholesky(covariance) @ rng.normal(size=len(z))
    still = np.zeros(len(z))
    return Blocks(residual, jacobian, z, still, still > 0, size, apart, kernels)


def test_independent_noise_is_told_from_noise_shorter_than_a_block():
    # neighbouring blocks alone tell nothing of it: what small ones have more than large ones does
    rng = np.random.default_rng(5)
    scans = ([cells_on_a_cylinder(rng, 0.012, 0.006) for _ in range(5)] for _ in range(12))
    white = [np.sqrt(estimate_noise(scan).white_mm2) for scan in scans]
    # 0.0012 and down to nothing before sizes were told apart; 5 bodies of 168 blocks scatter
    assert np.mean(white) == pytest.approx(0.012, rel=0.3)
    assert min(white) > 0.004


def test_generalised_least_squares_beats_plain_and_states_its_error():
    rng = np.random.default_rng(4)
    plain, better, stated = [], [], []
    for _ in range(25):
        made = [blocks_on_a_cylinder(rng, (0.01, 0.008)) for _ in range(4)]
        model = estimate_noise([blocks for blocks, _ in made])
        for blocks, error in made:
            correction = correct(blocks, model)
            plain.append(error[:3])
            better.append(error[:3] + correction.change[:3])
            stated.append(np.sqrt(np.diag(correction.covariance)[:3]))
    plain, better, stated = (np.array(a) for a in (plain, better, stated))
    assert np.mean(better**2) < 0.7 * np.mean(plain**2)
    inside = np.mean(np.abs(better) < 1.96 * stated)
    # 300 values, four bodies of a draw share a noise estimate: standard error near 1.5 %
    assert 0.90 < inside < 0.99


@pytest.mark.slow
@pytest.mark.parametrize("correlation_mm", [0.0, 0.5, 1.5])
def test_stated_uncertainties_of_whole_scans_hold(correlation_mm, pose_errors):
    reference = reference_model(6, angulation_deg=20.0, seed=2)
    body = {"default": scan_body("cylinder-flat", segment_mm=0.25)}
    z = []
    for seed in range(25):
        scan = simulate_scan(
            reference, n_triangles=40_000, correlation_mm=correlation_mm, holes=0.2, seed=seed
        )
        poses = locate_scan(scan.mesh, reference=reference, bodies=body).poses
        for c in "xyz":
            shift = 1e3 * (poses[f"{c}_mm"] - scan.truth[f"{c}_mm"])
            z.extend(shift / poses[f"u_{c}_um"])
    # 450 values, correlated within a body: standard error near 1.2 %
    assert 0.92 < np.mean(np.abs(z) < 1.96) < 0.98


@pytest.mark.parametrize(("length_mm", "told"), [(1.5, False), (5.0, True)])
def test_noise_as_long_as_the_bodies_is_told(six, length_mm, told):
    scan = simulate_scan(six, "tapered", n_triangles=30_000, noise=Noise(12.0, length_mm), seed=1)
    bodies = {"default": scan_body("tapered")}
    located = locate_scan(scan.mesh, reference=six, bodies=bodies)
    assert ("long-noise" in {f.code for f in located.findings}) == told


def filtered(mesh, width_mm):
    """The surface after a Gaussian low-pass filter, as scanners' programs apply."""
    tree = cKDTree(mesh.vertices_mm)
    near = tree.sparse_distance_matrix(tree, 3 * width_mm, output_type="coo_matrix")
    weight = np.exp(-0.5 * (near.data / width_mm) ** 2)
    mean = coo_matrix((weight, (near.row, near.col)), near.shape).tocsr()
    total = np.asarray(mean.sum(axis=1)).ravel() + 1.0  # each vertex itself
    return Mesh((mean @ mesh.vertices_mm + mesh.vertices_mm) / total[:, None], mesh.faces)


def test_the_rounding_of_a_filtered_scan_is_taken_out_of_heights(pose_errors):
    reference = reference_model(4, angulation_deg=15.0, seed=1)
    shape = ROUNDED["square-rounded"]  # 10 um too low if it is left in
    scan = simulate_scan(
        reference, shape, n_triangles=80_000, noise=Noise(20.0, 0.0), offset_um=15.0, seed=1
    )
    located = locate_scan(
        filtered(scan.mesh, 0.15),
        reference=reference,
        bodies={"default": shape.drawing(segment_mm=0.5)},
    )
    assert set(located.poses["status"]) == {"ok"}
    assert abs(pose_errors(located.poses, scan.truth)["height_um"].mean()) < 2.5


def test_a_filter_moves_a_cylinder_by_its_curvature():
    # mean curvature flow: sigma^2 / 2 over the radius, for small sigma; flat faces rest
    prepared = prepare_body(scan_body("cylinder-round", segment_mm=0.25))
    side = np.array([[2.4 * np.cos(a), 2.4 * np.sin(a), 5.0] for a in np.linspace(0, 6, 40)])
    top = np.array([[r, 0.3, 9.0] for r in np.linspace(-1.5, 1.5, 20)])
    expected_um = -1e3 * FILTER_MM**2 / 2 / 2.4
    assert 1e3 * prepared.rounding.at(side).mean() == pytest.approx(expected_um, rel=0.1)
    assert np.abs(1e3 * prepared.rounding.at(top)).max() < 0.1
