"""An implant comes out of touched points where it is, with uncertainties that are true."""

import numpy as np
import pandas as pd
import pytest
from scipy.spatial.transform import Rotation

from accstudy.errors import ComputationError, InputError
from accstudy.geometry.rigid import angle_between_deg
from accstudy.geometry.touch import implant_from_touches, with_machine

CENTRE = np.array([21.0, -13.5, 4.25])
TURN = Rotation.from_rotvec([0.25, -0.18, 0.4]).as_matrix()
AXIS = TURN[:, 2]


def touches(rng=None, *, features, noise_um=0.0, tip_mm=0.0, centre=CENTRE, turn=TURN):
    """Points of a cylinder below a plane, of a cone, a circle and a sphere, as tip centres."""
    angle = np.linspace(0, 2 * np.pi, 8, endpoint=False)
    ring = np.column_stack([np.cos(angle), np.sin(angle), 0 * angle])
    up = np.array([0, 0, 1.0])
    surface, normal = {}, {}
    surface["cylinder"] = np.vstack([2.0 * ring + up * h for h in (-6, -4, -1.5)])
    normal["cylinder"] = np.vstack([ring] * 3)
    surface["plane"] = 1.5 * ring
    normal["plane"] = np.tile(up, (8, 1))
    lean = 0.15
    surface["cone"] = np.vstack([(2 - np.tan(lean) * h) * ring + up * h for h in (-5, -3, -1)])
    normal["cone"] = np.vstack([np.cos(lean) * ring + np.sin(lean) * up] * 3)
    surface["circle"], normal["circle"] = 2.05 * ring, ring
    ball = np.vstack([ring, [[0, 0, 1]], ring * 0.6 + 0.8 * up])
    surface["sphere"], normal["sphere"] = 1.5 * ball, ball
    frames = []
    for feature in features:
        out = np.full(len(normal[feature]), tip_mm)
        if rng is not None:
            out = out + rng.normal(0, noise_um * 1e-3, len(out))
        points = (surface[feature] + normal[feature] * out[:, None]) @ turn.T + centre
        frames.append(
            pd.DataFrame(points, columns=["x_mm", "y_mm", "z_mm"]).assign(feature=feature)
        )
    return pd.concat(frames, ignore_index=True).assign(probe_radius_mm=tip_mm)


@pytest.mark.parametrize("tip_mm", [0.0, 0.5])
@pytest.mark.parametrize(
    "features",
    [
        ("cylinder", "plane"),
        ("cone", "plane"),
        ("circle", "plane"),
        ("cylinder", "circle"),
        ("cylinder", "sphere"),
        ("plane", "sphere"),
        ("circle",),
        ("cylinder", "cone", "plane", "circle", "sphere"),
    ],
)
def test_centre_and_axis_are_found_from_every_sufficient_set_of_features(features, tip_mm):
    found = implant_from_touches(touches(features=features, tip_mm=tip_mm))
    assert found.position_mm == pytest.approx(CENTRE, abs=1e-8)
    assert angle_between_deg(found.axis, AXIS) == pytest.approx(0, abs=1e-7)


def test_the_order_of_rows_changes_nothing():
    given = touches(np.random.default_rng(1), features=("cylinder", "plane"), noise_um=3)
    one, two = (
        implant_from_touches(given),
        implant_from_touches(given.sample(frac=1, random_state=2)),
    )
    assert two.position_mm == pytest.approx(one.position_mm, abs=1e-9)
    assert two.u_position_um == pytest.approx(one.u_position_um, rel=1e-6)


@pytest.mark.parametrize(
    "features", [("cylinder", "plane"), ("plane", "circle"), ("plane", "sphere")]
)
def test_stated_uncertainties_are_the_scatter_of_repeats(features):
    rng = np.random.default_rng(6)
    off, tilt, told = [], [], []
    for _ in range(100):
        found = implant_from_touches(touches(rng, features=features, noise_um=4))
        off.append((found.position_mm - CENTRE) * 1e3)
        tilt.append(np.degrees((found.axis @ TURN)[:2]))
        told.append([np.trace(found.covariance_um2) / 3, found.u_axis_deg**2])
    u2_position, u2_axis = np.mean(told, axis=0)
    # 100 repeats of 3 or 2 numbers: 4 to 5 % of a standard deviation, three times that allowed
    assert np.sqrt(np.mean(np.square(off)) / u2_position) == pytest.approx(1.0, abs=0.13)
    assert np.sqrt(np.mean(np.square(tilt)) / u2_axis) == pytest.approx(1.0, abs=0.15)


def test_the_covariance_has_the_directions_of_the_scatter():
    rng = np.random.default_rng(7)
    runs = [
        implant_from_touches(touches(rng, features=("cylinder", "plane"), noise_um=4))
        for _ in range(100)
    ]
    local = np.array([(f.position_mm - CENTRE) @ TURN * 1e3 for f in runs])
    told = np.mean([TURN.T @ f.covariance_um2 @ TURN for f in runs], axis=0)
    assert np.std(local, axis=0) == pytest.approx(np.sqrt(np.diag(told)), rel=0.21)


def test_the_machine_joins_with_half_the_variance_of_a_length():
    given = touches(np.random.default_rng(1), features=("cylinder", "plane"), noise_um=2)
    bare = implant_from_touches(given)
    both = with_machine(bare, mpe_um=(1.9, 4.0), length_mm=50.0)
    mpe = (1.9 + 4.0 * 0.05) / np.sqrt(3)
    assert both.u_position_um**2 - bare.u_position_um**2 == pytest.approx(mpe**2 / 2)
    lever = bare.lever_mm
    assert lever == pytest.approx(4.5, abs=0.01)
    tilt = np.degrees((1.9 + 4.0 * lever / 1000) / np.sqrt(3) * 1e-3 / lever)
    assert both.u_axis_deg == pytest.approx(np.hypot(bare.u_axis_deg, tilt))


def test_no_more_points_than_parameters_leave_the_machine_alone():
    three = touches(features=("plane", "circle"))
    three = three.groupby("feature").nth([0, 2, 5])
    bare = implant_from_touches(three)
    assert np.isnan(bare.u_position_um)
    assert np.isnan(bare.u_axis_deg)
    told = with_machine(bare, mpe_um=(2.0, 0.0), length_mm=0.0)
    assert told.u_position_um == pytest.approx(2.0 / np.sqrt(6))


@pytest.mark.parametrize("features", [("cylinder",), ("cone",), ("plane",), ("sphere",)])
def test_features_that_do_not_suffice_are_refused(features):
    with pytest.raises(ComputationError, match=r"centre|axis"):
        implant_from_touches(touches(features=features))


def test_what_cannot_be_is_refused():
    given = touches(features=("cylinder", "plane"))
    with pytest.raises(InputError, match="torus"):
        implant_from_touches(given.assign(feature="torus"))
    mixed = given.assign(probe_radius_mm=np.where(given.index == 3, 0.5, 0.0))
    with pytest.raises(InputError, match="different probe radii"):
        implant_from_touches(mixed)
    with pytest.raises(ComputationError, match="sign"):
        implant_from_touches(given, outward=np.cross(AXIS, [1, 0, 0]) + 0.05 * AXIS)
    with pytest.raises(InputError, match="within the plane"):
        implant_from_touches(given, outward=np.cross(AXIS, [1, 0, 0]))


def test_the_axis_follows_the_direction_out_of_the_bone():
    given = touches(features=("cylinder", "plane"))
    assert implant_from_touches(given, outward=-AXIS).axis == pytest.approx(-AXIS, abs=1e-9)
