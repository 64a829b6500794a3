import numpy as np
import pandas as pd
import pytest

from accstudy.stages.compare import at_reference_temperature, deviations
from accstudy.study.load import load_study

POSITION = ["x_mm", "y_mm", "z_mm"]
RESIN_PER_K = 75e-6  # common practice, no source


def study_of(folder, *, scans, settings, stretch):
    """Two implants 50 mm apart; every scan shows them stretched by a factor."""
    (folder / "reference").mkdir(exist_ok=True)
    head = "model,implant,x_mm,y_mm,z_mm,axis_x,axis_y,axis_z\n"
    ends = {"I1": (3.0, 1.0, 2.0), "I2": (53.0, 1.0, 2.0)}
    rows = [f"M,{n},{x},{y},{z},0,0,1\n" for n, (x, y, z) in ends.items()]
    (folder / "reference/implants.csv").write_text(head + "".join(rows))
    (folder / "scans.csv").write_text(scans)
    lines = [
        f"{scan},M,{n},{','.join(repr(v * factor) for v in end)},0,0,1\n"
        for scan, factor in stretch.items()
        for n, end in ends.items()
    ]
    (folder / "poses.csv").write_text("scan," + head + "".join(lines))
    (folder / "study.toml").write_text(
        '[study]\ntitle = "Warm"\nkind = "validation"\n'
        f'[reference]\ntemperature_c = 20.0\n[scans]\nposes = "poses.csv"\n{settings}'
    )
    return load_study(folder)


def distance_um(study, poses):
    pairs, _ = deviations(study, poses)
    return pairs.set_index("scan")["distance_um"]


def test_five_kelvin_on_fifty_millimetres_of_resin_are_taken_off(tmp_path):
    # 50 mm x 75e-6 /K x 5 K = 18.75 um
    warm = 1 + RESIN_PER_K * 5
    study = study_of(
        tmp_path,
        scans="scan,model\ns1,M\n",
        settings=f"temperature_c = 25\nexpansion_per_k = {RESIN_PER_K}\n",
        stretch={"s1": warm},
    )
    poses = study.given_poses
    assert distance_um(study, poses)["s1"] == pytest.approx(18.75, abs=1e-4)
    assert distance_um(study, at_reference_temperature(study, poses))["s1"] == pytest.approx(
        0.0, abs=1e-6
    )


def test_the_temperature_of_a_scan_counts_before_that_of_all(tmp_path):
    at = {"s1": 15.0, "s2": 25.0, "s3": 30.0}
    study = study_of(
        tmp_path,
        scans="scan,model,temperature_c\ns1,M,15\ns2,M,\ns3,M,30\n",
        settings=f"temperature_c = 25\nexpansion_per_k = {RESIN_PER_K}\n",
        stretch={scan: 1 + RESIN_PER_K * (t - 20) for scan, t in at.items()},
    )
    before = distance_um(study, study.given_poses)
    assert before.tolist() == pytest.approx([-18.75, 18.75, 37.5], abs=1e-4)
    after = distance_um(study, at_reference_temperature(study, study.given_poses))
    assert after.to_numpy() == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("settings", ["temperature_c = 25\n", "expansion_per_k = 75e-6\n"])
def test_without_temperature_or_expansion_nothing_is_changed(tmp_path, settings):
    study = study_of(
        tmp_path, scans="scan,model\ns1,M\n", settings=settings, stretch={"s1": 1.0004}
    )
    poses = study.given_poses
    pd.testing.assert_frame_equal(at_reference_temperature(study, poses), poses)


def test_only_lengths_change(tmp_path):
    study = study_of(
        tmp_path,
        scans="scan,model\ns1,M\n",
        settings=f"temperature_c = 25\nexpansion_per_k = {RESIN_PER_K}\n",
        stretch={"s1": 1.0},
    )
    before, after = study.given_poses, at_reference_temperature(study, study.given_poses)
    pd.testing.assert_frame_equal(after.drop(columns=POSITION), before.drop(columns=POSITION))
    ratio = after[POSITION].to_numpy() / before[POSITION].to_numpy()
    np.testing.assert_allclose(ratio, 1 / (1 + RESIN_PER_K * 5), rtol=1e-14)
