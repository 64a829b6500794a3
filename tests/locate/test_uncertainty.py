import numpy as np
import pytest

from accstudy.locate.locate import locate_scan
from accstudy.locate.uncertainty import (
    RANGES_MM,
    Blocks,
    correct,
    estimate_noise,
)
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
    return Blocks(left, jacobian, growth, still, size, apart, kernels), -fit


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
