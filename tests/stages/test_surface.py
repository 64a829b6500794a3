from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from accstudy.geometry.rigid import Rigid
from accstudy.mesh.read import stl_bytes
from accstudy.simulate.arch import reference_model
from accstudy.simulate.scan import simulate_scan
from accstudy.stages.surface import compare_surfaces
from accstudy.study.load import load_study

EXPANSION, SCANNED_AT_C = 75e-6, 25.0
LIFT_MM = {"A": 0.0, "B": 0.04}


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A study whose scans are the reference surface itself: moved, warm, and for B lifted."""
    folder = tmp_path_factory.mktemp("surface")
    for name in ("reference", "scans"):
        (folder / name).mkdir()
    model = reference_model(4, seed=2)
    model.to_csv(folder / "reference/implants.csv", index=False)
    plain = simulate_scan(model, n_triangles=6_000, noise_um=0, pose=Rigid.identity(), seed=1)
    mesh = plain.mesh
    (folder / "reference/model.stl").write_bytes(stl_bytes(mesh.vertices_mm, mesh.faces))
    rows, poses = [], []
    warm = 1 + EXPANSION * (SCANNED_AT_C - 20)
    for i, device in enumerate("ABAB"):
        move = simulate_scan(model, n_triangles=2_000, seed=10 + i).scan_from_model
        truth = plain.truth.copy()
        axes, flats = ([f"{kind}_{c}" for c in "xyz"] for kind in ("axis", "flat"))
        xyz = ["x_mm", "y_mm", "z_mm"]
        truth[xyz] = warm * move.points(truth[xyz])
        truth[axes], truth[flats] = move.vectors(truth[axes]), move.vectors(truth[flats])
        poses.append(truth.assign(scan=f"s{i}"))
        surface = mesh.vertices_mm + np.array([0, 0, LIFT_MM[device] + (0.01 if i > 1 else 0)])
        scan = stl_bytes(warm * move.points(surface), mesh.faces)
        (folder / f"scans/s{i}.stl").write_bytes(scan)
        rows.append(f"s{i},scans/s{i}.stl,{model['model'].iloc[0]},{device}\n")
    (folder / "scans.csv").write_text("scan,file,model,device\n" + "".join(rows))
    (folder / "study.toml").write_text(
        '[study]\ntitle = "Surfaces"\nkind = "comparison"\n'
        '[reference]\nsurface = "reference/model.stl"\n'
        f"[scans]\ntemperature_c = {SCANNED_AT_C}\nexpansion_per_k = {EXPANSION}\n"
        "[scan_body.default]\n"
        "cylinder = { radius_mm = 2.25, height_mm = 8, flat_offset_mm = 1.6 }\n"
        '[analysis]\ncondition = ["device"]\n'
    )
    return folder, pd.concat(poses, ignore_index=True)


def test_conditions_are_found_as_they_were_made(made):
    folder, poses = made
    found = compare_surfaces(load_study(folder), poses)
    assert [f.condition for f in found.fields] == ["A", "B"]
    upwards = found.reference.normals[:, 2] > 0.999  # facets slope more: up to 1 um is missing
    for field in found.fields:
        expected = 1000 * LIFT_MM[field.condition] + 5
        there = upwards & (field.n == 2)
        assert np.median(field.mean_um[there]) == pytest.approx(expected, abs=1.0)
        assert np.median(field.sd_um[there]) == pytest.approx(10 / np.sqrt(2), abs=0.2)
    scans = found.tables["surface_scans"].set_index("scan")
    assert list(scans.index) == ["s0", "s1", "s2", "s3"]
    assert scans.loc["s0", "rms_um"] < 0.5  # float32 of the files: the reference itself
    assert scans["coverage"].min() > 0.9
    assert found.tables["surface"]["n_scans"].tolist() == [2, 2]


def test_the_result_does_not_depend_on_the_number_of_processes(made):
    folder, poses = made
    study = load_study(folder)
    one, two = compare_surfaces(study, poses), compare_surfaces(study, poses, jobs=2)
    for name in one.tables:
        pd.testing.assert_frame_equal(one.tables[name], two.tables[name], check_exact=True)


def test_scans_that_cannot_be_compared_are_named_and_the_others_kept(made):
    folder, poses = made
    whole = (folder / "scans/s3.stl").read_bytes()
    try:
        (folder / "scans/s3.stl").write_bytes(whole[:1000])
        lonely = poses[(poses["scan"] != "s1") | (poses.groupby("scan").cumcount() == 0)]
        found = compare_surfaces(load_study(folder), lonely)
    finally:
        (folder / "scans/s3.stl").write_bytes(whole)
    codes = {f.code: f.what for f in found.findings}
    assert '"s1"' in codes["surface-not-aligned"]
    assert "surface-unreadable" in codes
    assert found.tables["surface_scans"]["scan"].tolist() == ["s0", "s2"]


def test_without_a_surface_or_with_several_models_nothing_is_compared(made):
    folder, poses = made
    text = (folder / "study.toml").read_text()
    study = load_study(folder)
    scans = study.scans.assign(model=["M1", "M2", "M1", "M2"])
    several = compare_surfaces(replace(study, scans=scans), poses)
    assert [f.code for f in several.findings] == ["surface-models"]
    assert not several.tables
    try:
        (folder / "study.toml").write_text(text.replace('surface = "reference/model.stl"\n', ""))
        assert compare_surfaces(load_study(folder), poses).reference is None
    finally:
        (folder / "study.toml").write_text(text)
