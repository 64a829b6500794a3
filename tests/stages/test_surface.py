from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.spatial.transform import Rotation
from stl_files import stl_bytes

from accstudy.compare.surface import reference_surface
from accstudy.geometry.rigid import Rigid
from accstudy.mesh.model import Mesh
from accstudy.mesh.read import read_mesh
from accstudy.simulate.arch import frames, reference_model
from accstudy.simulate.scan import poses_from_frames
from accstudy.stages.references import at_reference_temperature, surface_tables
from accstudy.study.load import load_study

EXPANSION, SCANNED_AT_C = 75e-6, 25.0
SHEET_Z_MM = -20.0
LIFT_MM = {"A": 0.0, "B": 0.04}


def sheet(half_mm=30.0, steps=40):
    """A flat surface, so that a lift is the same everywhere; poses alone align it."""
    t = np.linspace(-half_mm, half_mm, steps + 1)
    x, y = (a.ravel() for a in np.meshgrid(t, t))
    corner = np.arange((steps + 1) ** 2).reshape(steps + 1, steps + 1)
    a, b, c, d = (
        s.ravel() for s in (corner[:-1, :-1], corner[:-1, 1:], corner[1:, 1:], corner[1:, :-1])
    )
    faces = np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])])
    return Mesh(np.column_stack([x, y, np.full(len(x), SHEET_Z_MM)]), faces.astype(np.int32))


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A study whose scans are the reference surface itself: moved, warm, and for B lifted."""
    folder = tmp_path_factory.mktemp("surface")
    for name in ("reference", "scans"):
        (folder / name).mkdir()
    model = reference_model(4, seed=2)
    model.to_csv(folder / "reference/implants.csv", index=False)
    plain = poses_from_frames(model, frames(model), known=[True] * len(model), scan="")
    mesh = sheet()
    (folder / "reference/model.stl").write_bytes(stl_bytes(mesh.vertices_mm, mesh.faces))
    rows, poses = [], []
    warm = 1 + EXPANSION * (SCANNED_AT_C - 20)
    for i, device in enumerate("ABAB"):
        rng = np.random.default_rng(10 + i)
        move = Rigid(Rotation.random(rng=rng).as_matrix(), rng.uniform(-40, 40, 3))
        truth = plain.copy()
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


def surfaces(study, poses):
    return surface_tables(study, at_reference_temperature(study, poses))


def test_conditions_are_found_as_they_were_made(made):
    folder, poses = made
    study = load_study(folder)
    tables, findings = surfaces(study, poses)
    assert not findings
    reference = reference_surface(read_mesh(folder / "reference/model.stl"))
    vertices = tables["surface_vertices"]
    for device, lift_mm in LIFT_MM.items():
        field = vertices[vertices["condition"] == device].set_index("vertex")
        xyz = field[["x_mm", "y_mm", "z_mm"]].to_numpy()
        np.testing.assert_allclose(xyz, reference.mesh.vertices_mm, atol=1e-6)
        there = field[field["n_scans"] == 2]
        assert len(there) == 39**2  # all but the open border
        np.testing.assert_allclose(there["mean_um"], 1000 * lift_mm + 5, atol=0.03)
        np.testing.assert_allclose(there["sd_um"], 10 / np.sqrt(2), atol=0.03)
    scans = tables["surface_scans"].set_index("scan")
    assert scans.index.tolist() == ["s0", "s1", "s2", "s3"]
    assert scans.loc["s0", "rms_um"] < 0.03  # single precision: the reference itself
    assert scans["coverage"].min() > 0.9
    assert tables["surface"]["condition"].tolist() == ["A", "B"]
    assert tables["surface"]["n_scans"].tolist() == [2, 2]


def test_without_the_temperature_the_scans_look_grown(made):
    folder, poses = made
    study = load_study(folder)
    cold = study.settings.scans.model_copy(update={"expansion_per_k": None})
    cold_study = replace(study, settings=study.settings.model_copy(update={"scans": cold}))
    tables, _ = surfaces(cold_study, poses)
    # the platforms' mean height keeps its place; the sheet lies below it and moves away
    below_mm = study.implants["z_mm"].mean() - SHEET_Z_MM
    expected = -1000 * EXPANSION * (SCANNED_AT_C - 20) * below_mm
    assert expected < -5
    mean = tables["surface_scans"].set_index("scan")["mean_um"]
    assert mean["s0"] == pytest.approx(expected, rel=0.05)


def test_scans_that_cannot_be_compared_are_named_and_the_others_kept(made):
    folder, poses = made
    whole = (folder / "scans/s3.stl").read_bytes()
    try:
        (folder / "scans/s3.stl").write_bytes(whole[:1000])
        lonely = poses[(poses["scan"] != "s1") | (poses.groupby("scan").cumcount() == 0)]
        tables, findings = surfaces(load_study(folder), lonely)
    finally:
        (folder / "scans/s3.stl").write_bytes(whole)
    assert any("s3.stl" in f.where for f in findings)
    assert [f.where for f in findings if f.code == "surface-not-aligned"] == ["scans/s1.stl"]
    assert tables["surface_scans"]["scan"].tolist() == ["s0", "s2"]


def test_without_a_surface_or_with_several_models_nothing_is_compared(made):
    folder, poses = made
    text = (folder / "study.toml").read_text()
    study = load_study(folder)
    scans = study.scans.assign(model=["M1", "M2", "M1", "M2"])
    tables, findings = surface_tables(replace(study, scans=scans), poses)
    assert [f.code for f in findings] == ["surface-models"]
    assert not tables
    try:
        (folder / "study.toml").write_text(text.replace('surface = "reference/model.stl"\n', ""))
        assert surface_tables(load_study(folder), poses) == ({}, ())
    finally:
        (folder / "study.toml").write_text(text)
