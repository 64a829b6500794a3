"""A study whose reference comes as raw touch points of the measuring machine."""

import numpy as np
import pytest
from small_study import SETTINGS, write

from accstudy.errors import StudyError
from accstudy.geometry.rigid import angle_between_deg, frame_from_axis
from accstudy.study.load import load_study

TRUE = {
    "I1": ([0, 0, 0], [0.1, 0, 1]),
    "I2": ([20, 12, 0.5], [0, -0.2, 1]),
    "I3": ([40, 0, 1], [-0.1, 0.1, 1]),
}
TIP_MM = 0.5


def touch_rows(unit_mm=1.0, noise_mm=0.0):
    rng = np.random.default_rng(1)
    angle = np.linspace(0, 2 * np.pi, 8, endpoint=False)
    ring = np.column_stack([np.cos(angle), np.sin(angle), 0 * angle])
    lines = []
    for implant, (centre, axis) in TRUE.items():
        frame = frame_from_axis(axis)
        below = np.vstack([(2.0 + TIP_MM) * ring + [0, 0, h] for h in (-5, -3, -1)])
        top = 1.5 * ring + np.array([0, 0, TIP_MM])
        for feature, points in (("cylinder", below), ("plane", top)):
            seen = points @ frame.T + centre + rng.normal(0, noise_mm, points.shape)
            lines += [
                f"M,{implant},{feature},{x:.9f},{y:.9f},{z:.9f},{TIP_MM}"
                for x, y, z in seen / unit_mm
            ]
    return lines


@pytest.fixture
def folder(tmp_path):
    def made(lines, unit="mm"):
        head = "model,implant,feature,x_mm,y_mm,z_mm,probe_radius_mm\n"
        poses = "scan,model,implant,x_mm,y_mm,z_mm,axis_x,axis_y,axis_z\n"
        for implant, (centre, axis) in TRUE.items():
            numbers = [*centre, *(np.array(axis) / np.linalg.norm(axis))]
            poses += f"s1,M,{implant},{','.join(map(str, numbers))}\n"
        named = 'touch_points = "reference/touch_points.csv"\n'
        return write(
            tmp_path,
            study=f'{SETTINGS}{named}length_unit = "{unit}"\n',
            scans="scan,model\ns1,M\n",
            poses=poses,
            **{"reference/touch_points.csv": head + "\n".join(lines) + "\n"},
        )

    return made


@pytest.mark.parametrize(("unit", "unit_mm"), [("mm", 1.0), ("inch", 25.4)])
def test_the_reference_is_found_from_touch_points(folder, unit, unit_mm):
    implants = load_study(folder(touch_rows(unit_mm), unit)).implants
    for row in implants.itertuples():
        centre, axis = TRUE[row.implant]
        assert [row.x_mm, row.y_mm, row.z_mm] == pytest.approx(centre, abs=1e-6)
        assert angle_between_deg([row.axis_x, row.axis_y, row.axis_z], axis) < 1e-4
        assert row.angulation_deg > 0
    # exact points leave the machine alone: E at the largest distance, half its variance
    far = [40.01, np.sqrt(20**2 + 12**2 + 0.5**2), 40.01]
    told = [(1.9 + 4.0 * d / 1000) / np.sqrt(6) for d in far]
    assert implants["u_position_um"].tolist() == pytest.approx(told, abs=0.02)


def test_residuals_join_the_stated_uncertainty(folder):
    exact = load_study(folder(touch_rows())).implants
    noisy = load_study(folder(touch_rows(noise_mm=0.004))).implants
    assert (noisy["u_position_um"] > exact["u_position_um"] * 1.2).all()
    assert (noisy["u_axis_deg"] > exact["u_axis_deg"]).all()


def test_every_implant_whose_points_do_not_suffice_is_named(folder):
    lines = [r for r in touch_rows() if not ("I2" in r and "plane" in r)]
    lines = [r for r in lines if not ("I3" in r and "cylinder" in r)]
    with pytest.raises(StudyError) as caught:
        load_study(folder(lines))
    faults = [f for f in caught.value.findings if f.code == "touch-points"]
    assert ["I2" in f.what for f in faults] == [True, False]
    assert [f.where for f in faults] == [
        "reference/touch_points.csv:34",
        "reference/touch_points.csv:58",
    ]
    assert all(f.mend for f in faults)


def test_an_unknown_feature_is_named_at_its_row(folder):
    lines = touch_rows()
    lines[4] = lines[4].replace("cylinder", "cilinder")
    with pytest.raises(StudyError, match='"cilinder" is not a feature') as caught:
        load_study(folder(lines))
    assert "cylinder" in caught.value.findings[0].mend
    assert caught.value.findings[0].where == "reference/touch_points.csv:6:feature"
