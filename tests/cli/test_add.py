"""Week by week through the command line, and all at once: the same results."""

from __future__ import annotations

import csv
import hashlib
import json
import os
import shutil
import zipfile

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from stl_files import stl_bytes

from accstudy.cli import main
from accstudy.mesh.read import read_mesh
from accstudy.simulate.arch import reference_model
from accstudy.simulate.bodies import body_shape
from accstudy.simulate.scan import simulate_scan
from accstudy.tables import csv_bytes

WEEKS = 8
MONDAYS = pd.date_range("2025-01-06", periods=WEEKS, freq="7D")


def call(*words):
    return CliRunner().invoke(main, [str(w) for w in words], catch_exceptions=False)


@pytest.fixture(scope="module")
def device(tmp_path_factory):
    """A study folder without scans, and a mesh of every week outside it."""
    folder = tmp_path_factory.mktemp("weekly")
    study = folder / "study"
    for name in ("reference", "scan_bodies"):
        (study / name).mkdir(parents=True)
    model = reference_model(4, seed=4)
    (study / "reference/implants.csv").write_bytes(csv_bytes("implants", model))
    body = body_shape("cylinder-flat").drawing(segment_mm=0.3).mesh
    (study / "scan_bodies/body.stl").write_bytes(stl_bytes(body.vertices_mm, body.faces))
    (study / "study.toml").write_text(
        '[study]\ntitle = "weekly"\nkind = "drift"\n[scan_body.default]\n'
        'mesh = "scan_bodies/body.stl"\nflat = [1, 0, 0]\n'
        '[limits]\ndistance_um = { value = 200, source = "test" }\n'
        "[drift]\nbaseline_sessions = 6\n"
    )
    (study / "scans.csv").write_bytes(
        b"scan;file;model;device;software;operator;session;repeat;measured_at;status;remarks\r\n"
    )
    mesh = simulate_scan(model, n_triangles=16_000, scan="s", seed=1).mesh
    rng = np.random.default_rng(7)
    export = folder / "export"
    for k, day in enumerate(MONDAYS):
        (export / f"week{k + 1}" / "upper").mkdir(parents=True)
        moved = mesh.vertices_mm * (1 + 5e-5 * rng.standard_normal())
        file = export / f"week{k + 1}" / "upper" / "arch.stl"
        file.write_bytes(stl_bytes(moved + rng.normal(0, 0.003, moved.shape), mesh.faces))
        os.utime(file, (day.timestamp(), day.timestamp()))
    return study, export


def results(study):
    names = sorted(p.name for p in (study / "results").iterdir())
    skip = ("history.jsonl", "record.json")
    return {n: (study / "results" / n).read_bytes() for n in names if n not in skip}


@pytest.fixture(scope="module")
def weekly(device):
    """An addition a week; what was said; the study with everything in it."""
    study, export = device
    said = []
    for k in range(WEEKS):
        before = (study / "scans.csv").read_bytes()
        done = call(
            "add", study, export / f"week{k + 1}", "--session", f"week {k + 1}",
            "--device", "device A", "--set", "software=2.0", "--set", "operator=1",
        )  # fmt: skip
        assert done.exit_code == 0, done.output
        after = (study / "scans.csv").read_bytes()
        assert after.startswith(before)  # no row that was there is touched
        said.append(call("measure", study, "--jobs", "1").output)
    return study, said


def test_only_the_new_session_is_measured(weekly):
    _, said = weekly
    assert "1 scan measured" in said[0]
    for k, text in enumerate(said[1:], start=1):
        assert f"1 scan measured, {k} up to date" in text


def test_the_list_keeps_its_form_and_its_columns(weekly):
    study, _ = weekly
    data = (study / "scans.csv").read_bytes()
    assert data.count(b"\r\n") == data.count(b"\n") == WEEKS + 1
    rows = list(csv.DictReader(data.decode().splitlines(), delimiter=";"))
    assert [row["session"] for row in rows] == [f"week {k + 1}" for k in range(WEEKS)]
    assert {row["device"] for row in rows} == {"device A"}
    assert {row["software"] for row in rows} == {"2.0"}
    assert len({row["scan"] for row in rows}) == WEEKS
    assert [row["measured_at"][:10] for row in rows] == [f"{day:%Y-%m-%d}" for day in MONDAYS]
    assert "remarks" in rows[0]
    assert all((study / row["file"]).is_file() for row in rows)


@pytest.mark.slow
def test_weekly_additions_give_the_results_of_one_run_over_all(weekly, tmp_path):
    study, _ = weekly
    one = tmp_path / "one"
    for name in ("reference", "scan_bodies", "scans"):
        (one / name).parent.mkdir(exist_ok=True)
        (one / name).symlink_to(study / name)
    for name in ("study.toml", "scans.csv"):
        (one / name).write_bytes((study / name).read_bytes())
    codes = [call(word, study, "--jobs", "1").exit_code for word in ("measure", "analyze")]
    again = [call(word, one, "--jobs", "1", "--allow-outside").exit_code
             for word in ("measure", "analyze")]  # fmt: skip
    assert codes == again
    mine, others = results(study), results(one)
    assert mine.keys() == others.keys()
    assert [n for n in mine if mine[n] != others[n]] == []
    status = json.loads(mine["status.json"])
    assert status["exit_code"] == codes[1]
    assert status["devices"][0]["n_sessions"] == WEEKS


def test_files_that_are_listed_or_copies_or_broken_change_nothing(weekly, tmp_path):
    study, _ = weekly
    before = {p: p.read_bytes() for p in study.rglob("*.csv")}
    listed = next((study / "scans").rglob("*.stl"))
    done = call("add", study, listed, "--session", "x")
    assert done.exit_code == 3
    assert "is already listed" in done.output
    copy = tmp_path / "copy.stl"
    copy.write_bytes(listed.read_bytes())
    done = call("add", study, copy, "--session", "x")
    assert done.exit_code == 3
    assert "is the same file as" in done.output
    broken = tmp_path / "broken.stl"
    broken.write_bytes(b"solid nothing")
    assert call("add", study, broken, "--session", "x").exit_code == 3
    assert {p: p.read_bytes() for p in study.rglob("*.csv")} == before


def test_a_new_device_is_told_which_columns_to_name_and_how(weekly, tmp_path):
    study, _ = weekly
    mesh = read_mesh(next((study / "scans").rglob("*.stl")))
    new = tmp_path / "new.stl"
    new.write_bytes(stl_bytes(mesh.vertices_mm + 0.5, mesh.faces))
    before = (study / "scans.csv").read_bytes()
    done = call("add", study, new, "--session", "first", "--device", "device B")
    assert done.exit_code == 3
    assert (
        "grouped by operator, which are missing in the new rows; the scan list has operator 1"
        in done.output
    )
    assert '--set operator="1"' in done.output
    assert (study / "scans.csv").read_bytes() == before


def test_a_session_with_a_scan_missing_leaves_a_planned_row(weekly, tmp_path):
    study, _ = weekly
    data = (study / "scans.csv").read_bytes()
    mesh = read_mesh(next((study / "scans").rglob("*.stl")))
    new = [tmp_path / f"r{k}.stl" for k in (1, 2)]
    for k, file in enumerate(new, start=1):
        file.write_bytes(stl_bytes(mesh.vertices_mm * (1 + 1e-5 * k), mesh.faces))
    try:
        done = call("add", study, new[0], "--session", "late", "--expect", "2")
        assert done.exit_code == 0, done.output
        assert "scans still to make: late device A r2" in done.output
        last = (study / "scans.csv").read_text().splitlines()[-1]
        assert "planned" in last
        assert (study / "plan/bench_sheet.pdf").is_file()
        assert call("check", study).exit_code == 0
        done = call("add", study, new[1], "--session", "late", "--expect", "2")
        assert done.exit_code == 0, done.output
        assert "scans still to make" not in done.output
        assert "planned" not in call("check", study, "--csv").output
    finally:
        (study / "scans.csv").write_bytes(data)
        shutil.rmtree(study / "scans" / "late_device_A")


def test_files_listed_already_are_not_proposed_twice(weekly):
    study, _ = weekly
    done = call("list-scans", study)
    assert done.exit_code == 3
    assert "already listed" in done.output


@pytest.mark.slow
def test_a_study_without_a_reference_grows_and_its_bundle_holds_what_the_audit_needs(
    device, tmp_path
):
    grown, export = device
    study = tmp_path / "study"
    study.mkdir()
    shutil.copytree(grown / "scan_bodies", study / "scan_bodies")
    given = (grown / "study.toml").read_text().split("[limits]")[0]
    (study / "study.toml").write_text(
        f'{given}[reference]\nkind = "none"\n[drift]\nbaseline_sessions = 3\n'
    )
    (study / "scans.csv").write_text("scan,file,model,device,session,repeat,measured_at\n")
    week = ("--session", "week 1", "--device", "device A", "--model", "M4")
    done = call("add", study, export / "week1", *week)
    assert done.exit_code == 0, done.output
    assert "scanned only once" in done.output  # said, but the next week mends it
    for k in (2, 3, 4):  # device and model are those of the list
        done = call("add", study, export / f"week{k}", "--session", f"week {k}")
        assert done.exit_code == 0, done.output
    assert call("run", study, "--jobs", "1").exit_code == 0
    results = {p.name for p in (study / "results").iterdir()}
    assert {"arrangement.csv", "precision.csv"} <= results
    assert not {"accuracy.csv", "conformity.csv"} & results
    bundle = tmp_path / "bundle.zip"
    done = call("audit", study, "--jobs", "1", "--bundle", bundle)
    assert done.exit_code == 0, done.output
    assert "everything is as recorded" in done.output
    with zipfile.ZipFile(bundle) as packed:
        names = set(packed.namelist())
        assert {f"results/{name}" for name in results} <= names
        assert "reports/drift.pdf" in names
        inputs = packed.read("INPUTS.sha256").decode()
        assert all(f"week_{k}_device_A/upper/arch.stl" in inputs for k in (1, 2, 3, 4))
        assert "implants.csv" not in inputs
        for line in packed.read("SHA256SUMS").decode().splitlines():
            known, name = line.split(maxsplit=1)
            assert hashlib.sha256(packed.read(name.lstrip("*"))).hexdigest() == known
    rows = (study / "scans.csv").read_text()
    (study / "scans.csv").write_text(rows.replace("week 4,1,", "week 4,2,"))
    done = call("audit", study, "--jobs", "1", "--bundle", bundle)
    assert done.exit_code == 3
    assert "session-changed" in done.output
    with zipfile.ZipFile(bundle) as packed:
        assert "something differs" in packed.read("audit.txt").decode()


def test_the_first_scan_of_a_study_without_a_reference_can_be_added(device, tmp_path):
    _, export = device
    study = tmp_path / "study"
    study.mkdir()
    (study / "study.toml").write_text(
        '[study]\ntitle = "x"\nkind = "drift"\n[reference]\nkind = "none"\n[scan_body.default]\n'
        "cylinder = { radius_mm = 2, height_mm = 8 }\n"
    )
    week = ("--session", "week 1", "--device", "A", "--model", "M4")
    done = call("add", study, export / "week1", *week)
    assert done.exit_code == 0, done.output
    assert "scanned only once" in done.output  # said; the next week mends it
    assert call("check", study).exit_code == 3
    assert call("add", study, export / "week2", "--session", "week 2").exit_code == 0
    assert "scanned-once" not in call("check", study).output
