import numpy as np
import pandas as pd
import pytest
from small_study import write

from accstudy.reports.common import left_out
from accstudy.reports.document import Document, ReportContent
from accstudy.stages.analyze import analyze_poses
from accstudy.stages.references import at_reference_temperature, deviations
from accstudy.study.load import load_study

POSITION = ["x_mm", "y_mm", "z_mm"]
RESIN_PER_K = 75e-6  # common practice, no source


def study_of(folder, *, scans, settings, stretch):
    """Two implants 50 mm apart; every scan shows them stretched by a factor."""
    head = "model,implant,x_mm,y_mm,z_mm,axis_x,axis_y,axis_z\n"
    ends = {"I1": (3.0, 1.0, 2.0), "I2": (53.0, 1.0, 2.0)}
    rows = [f"M,{n},{x},{y},{z},0,0,1\n" for n, (x, y, z) in ends.items()]
    lines = [
        f"{scan},M,{n},{','.join(repr(v * factor) for v in end)},0,0,1\n"
        for scan, factor in stretch.items()
        for n, end in ends.items()
    ]
    text = (
        '[study]\ntitle = "Warm"\nkind = "validation"\n'
        f'[reference]\ntemperature_c = 20.0\n[scans]\nposes = "poses.csv"\n{settings}'
    )
    tables = {"implants": head + "".join(rows), "poses": "scan," + head + "".join(lines)}
    return load_study(write(folder, study=text, scans=scans, **tables))


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


def test_verdicts_are_shown_with_and_without_the_scans_left_out(tmp_path):
    rng = np.random.default_rng(4)
    stretch = {f"s{k:02d}": 1 + 1e-6 * 100 * rng.normal() for k in range(12)}  # 5 um over 50 mm
    stretch["s12"] = 1 + 1e-6 * 8000  # 400 um
    scans = "scan,model,operator,session\n" + "".join(
        f"{scan},M,{k % 6 + 1},1\n" for k, scan in enumerate(stretch)
    )
    study = study_of(
        tmp_path,
        scans=scans,
        settings='[reference.mpe_um]\nconstant = 1.0\n'
        '[limits]\ndistance_um = { value = 100, source = "chosen here" }\n'
        '[seating]\ndraws = 0\n[[exclusions]]\nscan = "s12"\nreason = "the body came loose"\n'
        '[[model]]\nname = "d"\nresponse = "pair.distance_um"\n',
        stretch=stretch,
    )  # fmt: skip
    found = analyze_poses(study, study.given_poses).tables
    kept, every = found["conformity"], found["conformity_with_excluded"]
    mine = [t[(t["limit"] == 100) & (t["source"] == "chosen here")].iloc[0] for t in (kept, every)]
    assert [row["n_scans"] for row in mine] == [12, 13]
    assert mine[0]["verdict"] != mine[1]["verdict"]
    assert mine[1]["tolerance_bound"] > 400 > 100 > mine[0]["tolerance_bound"]
    failures = found["failures"].iloc[-1]
    assert (failures["failed"], failures["total"]) == (0, 13)  # left out is not failed
    document = Document()
    settings = {"exclusions": [{"scan": "s12", "reason": "the body came loose"}]}
    left_out(document, ReportContent("x", settings, {**found, "scans": study.scans}, {}, ""))
    rows = next(b for b in document.blocks if "and with them" in str(b.get("caption")))["rows"]
    assert any(
        str(mine[0]["verdict"]) in str(row[3]) and str(mine[1]["verdict"]) in str(row[4])
        for row in rows
    )
