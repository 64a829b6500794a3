"""Measuring does not depend on processes, on the order of the list, or on what is cached."""

import shutil

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from special_models import symmetric_model
from stl_files import stl_bytes

import accstudy.locate.locate as locating
from accstudy.cli import main
from accstudy.errors import Finding, Severity
from accstudy.mesh.read import read_mesh
from accstudy.simulate.arch import reference_model
from accstudy.simulate.bodies import body_shape
from accstudy.simulate.scan import simulate_scan
from accstudy.stages.measure import assembled, measure_scans
from accstudy.stages.references import arch_findings
from accstudy.stages.steps import Cache, ScanResult
from accstudy.study.load import load_study
from accstudy.tables import csv_bytes, empty


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Three scans of four implants, written as a study; and their true poses."""
    folder = tmp_path_factory.mktemp("measure")
    for name in ("reference", "scans", "scan_bodies"):
        (folder / name).mkdir()
    model = reference_model(4, seed=4)
    (folder / "reference/implants.csv").write_bytes(csv_bytes("implants", model))
    body = body_shape("cylinder-flat").drawing(segment_mm=0.3).mesh
    (folder / "scan_bodies/body.stl").write_bytes(stl_bytes(body.vertices_mm, body.faces))
    truth = []
    for i in range(3):
        scan = simulate_scan(model, n_triangles=20_000, scan=f"s{i}", seed=i)
        mesh = scan.mesh
        (folder / f"scans/s{i}.stl").write_bytes(stl_bytes(mesh.vertices_mm, mesh.faces))
        truth.append(scan.truth)
    (folder / "study.toml").write_text(
        '[study]\ntitle = "x"\nkind = "validation"\n[scan_body.default]\n'
        'mesh = "scan_bodies/body.stl"\nflat = [1, 0, 0]\n'
    )
    name = model["model"].iloc[0]
    rows = [f"s{i},scans/s{i}.stl,{name},A\n" for i in range(3)]
    return folder, rows, pd.concat(truth, ignore_index=True)


def study_of(folder, rows):
    (folder / "scans.csv").write_text("scan,file,model,device\n" + "".join(rows))
    return load_study(folder)


def test_every_implant_is_found_where_it_is(made):
    folder, rows, truth = made
    found = measure_scans(study_of(folder, rows))
    assert not found.left_out
    both = found.poses.merge(truth, on=["scan", "implant"], suffixes=("", "_true"))
    assert len(both) == 12
    for c in "xyz":
        assert (1000 * (both[f"{c}_mm"] - both[f"{c}_mm_true"])).abs().max() < 50


def test_what_is_said_of_a_drawing_is_said_once(made):
    folder, rows, _ = made
    said = Finding(Severity.NOTE, "untold-size", "of the drawing", "study.toml::scan_body.default")
    own = [Finding(Severity.WARNING, "missing-body", f"of s{i}", f"scans/s{i}.stl") for i in (0, 1)]
    results = {f"s{i}": ScanResult(empty("poses"), (said, own[i])) for i in (0, 1)}
    found = assembled(study_of(folder, rows), results, parts={})
    assert found.findings == (said, own[0], own[1])


def test_processes_and_order_change_nothing(made):
    folder, rows, _ = made
    one = measure_scans(study_of(folder, rows)).poses
    other = measure_scans(study_of(folder, rows[::-1]), jobs=2).poses
    other = other.set_index("scan").loc[["s0", "s1", "s2"]].reset_index()
    assert csv_bytes("poses", one) == csv_bytes("poses", other)


def test_what_is_cached_is_not_measured_again_unless_it_changed(made, tmp_path):
    folder, rows, _ = made
    cache = Cache(tmp_path / "cache")
    first = measure_scans(study_of(folder, rows), cache=cache)
    assert first.measured == ("s0", "s1", "s2")
    again = measure_scans(study_of(folder, rows), cache=cache)
    assert again.measured == ()
    assert csv_bytes("poses", again.poses) == csv_bytes("poses", first.poses)
    data = (folder / "scans/s1.stl").read_bytes()
    try:
        (folder / "scans/s1.stl").write_bytes(b"changed header".ljust(80, b"\0") + data[80:])
        changed = measure_scans(study_of(folder, rows), cache=cache)
    finally:
        (folder / "scans/s1.stl").write_bytes(data)
    assert changed.measured == ("s1",)
    assert changed.parts["s1"]["file"] != first.parts["s1"]["file"]
    (tmp_path / "cache" / next((tmp_path / "cache").iterdir()).name).write_text("{broken")
    assert len(measure_scans(study_of(folder, rows), cache=cache).measured) <= 2


def test_a_scan_that_cannot_be_read_is_left_out_and_named(made):
    folder, rows, _ = made
    data = (folder / "scans/s2.stl").read_bytes()
    try:
        (folder / "scans/s2.stl").write_bytes(data[:-7])
        found = measure_scans(study_of(folder, rows))
    finally:
        (folder / "scans/s2.stl").write_bytes(data)
    assert found.left_out == ("s2",)
    assert set(found.poses["scan"]) == {"s0", "s1"}
    assert any("scans/s2.stl" in f.where for f in found.findings)


@pytest.mark.parametrize(
    "stages",
    [
        ("search", "fit_candidates"),
        ("same_bodies", "spare_bodies"),
        ("recover", "refine_fits"),
        ("judge_body", "fit_lines"),
    ],
)
def test_scans_that_break_a_stage_are_left_out_and_the_other_measured(made, monkeypatch, stages):
    folder, rows, _ = made
    now = [""]
    locate = locating.locate_scan

    def named(mesh, **options):
        now[0] = options["scan"]
        return locate(mesh, **options)

    def breaking(scan, stage):
        def called(*given, **options):
            if now[0] == scan:
                raise np.linalg.LinAlgError(f"Singular matrix in {scan}")
            return stage(*given, **options)

        return called

    monkeypatch.setattr(locating, "locate_scan", named)
    for scan, stage in zip(("s0", "s1"), stages, strict=True):
        monkeypatch.setattr(locating, stage, breaking(scan, getattr(locating, stage)))
    study_of(folder, rows)
    shutil.rmtree(folder / ".accstudy", ignore_errors=True)
    call = ["measure", str(folder), "--jobs", "1"]
    assert CliRunner().invoke(main, call).exit_code == 4
    findings = pd.read_csv(folder / "results/findings.csv").set_index("where")
    found = findings[findings["code"] == "locating-failed"]
    assert found.index.tolist() == ["scans/s0.stl", "scans/s1.stl"]
    for scan in ("s0", "s1"):
        assert f"LinAlgError: Singular matrix in {scan}" in found.loc[f"scans/{scan}.stl", "what"]
    assert set(pd.read_csv(folder / "results/poses.csv")["scan"]) == {"s2"}
    monkeypatch.undo()  # a failure is not kept: the next run tries again
    assert CliRunner().invoke(main, call).exit_code == 0


def test_given_positions_are_analyzed_without_measuring(made, tmp_path):
    folder, _, truth = made
    shutil.copytree(folder / "reference", tmp_path / "reference")
    (tmp_path / "poses.csv").write_bytes(csv_bytes("poses", truth))
    name = truth["model"].iloc[0]
    (tmp_path / "scans.csv").write_text(
        "scan,model,device\n" + "".join(f"s{i},{name},A\n" for i in range(3))
    )
    (tmp_path / "study.toml").write_text(
        '[study]\ntitle = "x"\nkind = "validation"\n[scans]\nposes = "poses.csv"\n'
    )
    done = CliRunner().invoke(main, ["analyze", str(tmp_path)])
    assert done.exit_code == 0, done.output
    assert len(pd.read_csv(tmp_path / "results/poses.csv")) == 12


def test_a_scan_turned_inside_out_is_told_once(made):
    folder, rows, _ = made
    mesh = read_mesh(folder / "scans/s0.stl")
    flipped = stl_bytes(mesh.vertices_mm, np.ascontiguousarray(mesh.faces[:, ::-1]))
    (folder / "scans/turned.stl").write_bytes(flipped)
    row = rows[0].replace("s0,scans/s0.stl", "turned,scans/turned.stl")
    found = measure_scans(study_of(folder, [row]))
    assert [f.code for f in found.findings].count("inside-out") == 1
    assert (found.poses["status"] == "ok").all()


@pytest.mark.parametrize("model", ["row", "rectangle", "arch"])
def test_a_model_that_is_its_own_mirror_image_is_warned_about_once(made, tmp_path, model):
    folder, rows, _ = made
    reference = reference_model(4, seed=4) if model == "arch" else symmetric_model(model)
    for name in ("scans", "scan_bodies", "study.toml"):
        copy = shutil.copytree if (folder / name).is_dir() else shutil.copy
        copy(folder / name, tmp_path / name)
    (tmp_path / "reference").mkdir()
    (tmp_path / "reference/implants.csv").write_bytes(csv_bytes("implants", reference))
    name = reference["model"].iloc[0]
    study = study_of(tmp_path, [",".join([*row.split(",")[:2], name, "A\n"]) for row in rows])
    told = [f for f in arch_findings(study) if f.code == "own-mirror-image"]
    assert len(told) == (model != "arch")
