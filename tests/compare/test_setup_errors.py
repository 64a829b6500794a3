"""An error in the description of the scan body is told from a bias of the device."""

import numpy as np
import pandas as pd
import pytest

from accstudy.compare.deviations import common_body_errors
from accstudy.geometry.rigid import frame_from_axis, rotation_vector, unit

POINTS = np.array(
    [[-22, -14, 0], [-17, 2, 0.6], [-7, 11, 1], [8, 11, 0.8], [17, 2, 0.2], [22, -14, 0]], float
)
AXES = unit([[0.3, 0, 1], [0.1, -0.2, 1], [0, 0.1, 1], [-0.1, 0, 1], [0, -0.3, 1], [-0.4, 0.2, 1]])
FLATS = unit(np.cross(AXES, [0.2, 1.0, 0.1]))
NAMES = [f"I{k}" for k in range(1, 7)]


def table(points, axes, flats, **more):
    columns = {}
    for name, values in (("{}_mm", points), ("axis_{}", axes), ("flat_{}", flats)):
        columns |= {name.format(c): values[:, k] for k, c in enumerate("xyz")}
    return pd.DataFrame({"implant": NAMES, "model": "M", **more, **columns})


def study(offset=(0.0, 0.0, 0.0), turn_deg=0.0, device_um=0.0, scans=8, seed=1):
    """Poses of several scans, each in a frame of its own, with 8 um noise."""
    rng = np.random.default_rng(seed)
    frames = np.array([frame_from_axis(a, f) for a, f in zip(AXES, FLATS, strict=True)])
    own = rng.normal(0, device_um / 1000, POINTS.shape)
    turned = np.array(
        [rotation_vector(np.radians(turn_deg) * a) @ f for a, f in zip(AXES, FLATS, strict=True)]
    )
    parts = []
    for k in range(scans):
        seen = POINTS + own + frames @ np.array(offset) + rng.normal(0, 0.008, POINTS.shape)
        axes = unit(AXES + rng.normal(0, 0.001, AXES.shape))
        rotation = rotation_vector(rng.normal(0, 1, 3))
        parts.append(
            table(seen @ rotation.T + 30, axes @ rotation.T, turned @ rotation.T, scan=f"s{k}")
        )
    return pd.concat(parts), table(POINTS, AXES, FLATS)


def test_an_origin_off_along_the_axis_is_found_with_sign_and_size():
    (found,) = common_body_errors(*study(offset=(0, 0, 1.0)))
    assert found.kind == "axial"
    assert found.offset_mm == pytest.approx([0, 0, 1.0], abs=0.02)
    assert found.before_um > 150
    assert found.after_um < 25


def test_it_is_found_beside_a_bias_of_the_device():
    (found,) = common_body_errors(*study(offset=(0, 0, -1.0), device_um=20))
    assert found.kind == "axial"
    assert found.offset_mm[2] == pytest.approx(-1.0, abs=0.15)


def test_an_origin_off_in_any_direction_is_found():
    (found,) = common_body_errors(*study(offset=(0.4, -0.3, 0.8)))
    assert found.kind == "offset"
    assert found.offset_mm == pytest.approx([0.4, -0.3, 0.8], abs=0.02)


def test_a_wrong_flat_is_found():
    (found,) = common_body_errors(*study(turn_deg=12.0))
    assert found.kind == "rotation"
    assert found.rotation_deg == pytest.approx(12.0, abs=0.3)


def test_without_flats_only_the_axial_shift_is_sought():
    poses, reference = study(offset=(0, 0, 1.0))
    flats = [f"flat_{c}" for c in "xyz"]
    (found,) = common_body_errors(poses, reference.drop(columns=flats))
    assert found.kind == "axial"


@pytest.mark.parametrize("device_um", [0, 30, 100, 300])
def test_a_bias_of_the_device_alone_is_not_taken_for_one(device_um):
    claims = sum(
        bool(common_body_errors(*study(device_um=device_um, seed=seed))) for seed in range(40)
    )
    assert claims <= 1


def test_stretch_and_bending_of_a_device_are_no_error_of_the_body():
    poses, reference = study()
    points = poses[["x_mm", "y_mm", "z_mm"]].to_numpy(copy=True)
    for part in np.split(np.arange(len(points)), len(points) // 6):
        centre = points[part].mean(axis=0)
        points[part] = centre + 1.004 * (points[part] - centre)
    poses[["x_mm", "y_mm", "z_mm"]] = points
    assert common_body_errors(poses, reference) == []
