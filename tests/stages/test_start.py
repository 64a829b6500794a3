"""Meshes without a reference: bodies are found, named, and give what the reference would."""

from __future__ import annotations

import shutil

import numpy as np
import pandas as pd
import pytest

from accstudy.audit import audit_study
from accstudy.errors import StudyError
from accstudy.geometry.rigid import Rigid
from accstudy.mesh.model import Mesh
from accstudy.pipeline import run_study
from accstudy.simulate.arch import reference_model
from accstudy.simulate.bodies import body_shape
from accstudy.simulate.files import stl_bytes, write_folder
from accstudy.simulate.scan import simulate_scan
from accstudy.stages.check import check_study
from accstudy.tables import csv_bytes

POSITION = ["x_mm", "y_mm", "z_mm"]
SETTINGS = """\
[study]
title = "Four small scans"
kind = "validation"
[reference]
{reference}
[scans]
temperature_c = 20.0
expansion_per_k = 23e-6
[scan_body.default]
mesh = "scan_bodies/body.stl"
flat = [1, 0, 0]
[analysis]
cell = ["session"]
[seating]
draws = 0
"""
SCANS = ("s0", "s1", "s2", "s3")


@pytest.fixture(scope="module")
def files():
    """Four scans of four implants in two sessions; in the first scan an implant is not scanned."""
    reference = reference_model(4, angulation_deg=12.0, model="M", seed=4)
    body = body_shape("cylinder-flat").drawing(segment_mm=0.3).mesh
    rows = [
        {"scan": s, "model": "M", "file": f"scans/{s}.stl", "session": f"day {k // 2}"}
        for k, s in enumerate(SCANS)
    ]
    found = {
        "scans.csv": csv_bytes("scans", pd.DataFrame(rows), factors=("session",)),
        "reference/implants.csv": csv_bytes("implants", reference),
        "scan_bodies/body.stl": stl_bytes(body, decimals=6),
    }
    for k, s in enumerate(SCANS):
        shown = reference if k else reference.iloc[1:]
        scale = 1 + 1e-3 * k
        large = {
            name: Rigid(np.eye(3), (scale - 1) * at)
            for name, at in zip(shown["implant"], shown[POSITION].to_numpy(), strict=True)
        }
        scan = simulate_scan(shown, n_triangles=12_000, displaced=large, seed=[4, k])
        found[f"scans/{s}.stl"] = stl_bytes(scan.mesh)
    return found, reference


def study(folder, files, reference='kind = "none"', **more):
    text = SETTINGS.format(reference=reference).encode()
    return write_folder(folder, {**files, "study.toml": text, **more})


@pytest.fixture(scope="module")
def done(files, tmp_path_factory):
    """The study without its reference and with it, analysed; and the folder of the first."""
    folder = tmp_path_factory.mktemp("start")
    alone = {k: v for k, v in files[0].items() if not k.startswith("reference")}
    without = study(folder / "without", alone)
    measured = study(folder / "with", files[0], 'kind = "cmm"')
    return (run_study(without, until="analyze"), run_study(measured, until="analyze"), without)


def test_the_arrangement_is_that_of_the_model_numbered_counter_clockwise(done, files):
    found, reference = done[0].tables["arrangement"], files[1]
    assert found["implant"].tolist() == ["I1", "I2", "I3", "I4"]
    assert sorted(found["n_scans"]) == [3, 4, 4, 4]
    gaps = [_gaps(t[POSITION].to_numpy()) for t in (found, reference)]
    same = [np.abs(gaps[0] - g).max() for g in (gaps[1], gaps[1][::-1, ::-1])]
    assert min(same) < 0.15  # the scans are 0.15 % too large on average, 45 mm apart
    points = found[POSITION].to_numpy()  # in its own frame z points up, out of the bone
    steps = np.diff(points, axis=0)
    assert (steps[:-1, 0] * steps[1:, 1] > steps[:-1, 1] * steps[1:, 0]).all()
    assert "arrangement-learned" in {f.code for f in done[0].findings}


def _gaps(points):
    return np.linalg.norm(points[:, None] - points[None], axis=2)


def test_standard_deviations_are_those_with_the_reference(done):
    alone, reference = done[0].tables, done[1].tables
    order = reference["pair_deviations"].drop_duplicates("implant_a")["implant_a"].tolist()
    tables = {"alone": alone["precision"], "reference": reference["accuracy"]}
    pairs = {
        name: t[t["measurand"] == "distance_um"].sort_values("span_mm")[["span_mm", "s_r", "s_I"]]
        for name, t in tables.items()
    }
    assert len(pairs["alone"]) == len(order) * (len(order) + 1) / 2
    ratio = pairs["alone"].to_numpy() / pairs["reference"].to_numpy()
    assert np.abs(ratio[:, 0] - 1).max() < 3e-3  # 0.15 % too large on average
    assert np.abs(ratio[:, 1:] - 1).max() < 0.02


def test_a_second_run_measures_nothing_and_the_record_can_be_audited(done, tmp_path):
    path = shutil.copytree(done[2], tmp_path / "s")
    said = []
    run_study(path, until="analyze", say=said.append)
    assert {"measure: 0 scans measured, 4 up to date", "analyze: up to date"} <= set(said)
    assert audit_study(path).findings == []


def test_what_was_found_is_not_looked_for_again(done, tmp_path, monkeypatch):
    path = shutil.copytree(done[2], tmp_path / "s")

    def never(*_):
        raise AssertionError

    monkeypatch.setattr("accstudy.locate.unaided.find_bodies", never)
    assert (
        run_study(path, until="analyze").tables["arrangement"].equals(done[0].tables["arrangement"])
    )


def rough(reference, names, **change):
    frame = reference[["model", *POSITION[:2]]].round(0).assign(implant=names, **change)
    return frame[["model", "implant", "x_mm", "y_mm"]].to_csv(index=False).encode()


def test_a_sketch_names_the_implants(files, tmp_path):
    head = 'kind = "none"\nsketch = "reference/sketch.csv"'
    names = ["17", "14", "24", "27"]
    more = {"reference/sketch.csv": rough(files[1], names)}
    path = study(tmp_path / "s", files[0], head, **more)
    found = run_study(path, until="measure").tables["arrangement"].set_index("implant")
    true = _gaps(files[1][POSITION].to_numpy())
    assert np.abs(_gaps(found.loc[names, POSITION].to_numpy()) - true).max() < 0.15


@pytest.mark.parametrize(
    ("spoil", "code"),
    [
        (lambda r: rough(r.assign(x_mm=-r["x_mm"]), list("abcd")), "sketch-mirrored"),
        (lambda r: rough(pd.concat([r, r.tail(1).assign(x_mm=0.0, y_mm=0.0)]), list("abcde")),
         "sketch-differs"),
        (lambda r: rough(r.assign(x_mm=2 * r["x_mm"]), list("abcd")), "sketch-differs"),
    ],
)  # fmt: skip
def test_a_sketch_that_does_not_fit_is_an_error_that_says_why(files, tmp_path, spoil, code):
    head = 'kind = "none"\nsketch = "reference/sketch.csv"'
    path = study(tmp_path / "s", files[0], head, **{"reference/sketch.csv": spoil(files[1])})
    with pytest.raises(StudyError) as caught:
        run_study(path, until="measure")
    assert [f.code for f in caught.value.findings] == [code]
    assert code in {f.code for f in check_study(path)}
    assert not (path / "results").exists()


def test_datum_implants_are_held_against_the_names_that_were_learned(files, tmp_path, done):
    path = shutil.copytree(done[2], tmp_path / "s")
    text = (path / "study.toml").read_text()
    (path / "study.toml").write_text(text.replace("[analysis]", '[analysis]\ndatum = ["I1", "17"]'))
    (error,) = [f for f in check_study(path) if f.severity.value == "error"]
    assert error.code == "unknown-implant"
    assert '"17"' in error.what


def test_scans_without_scan_bodies_cannot_be_learned_from(files, tmp_path):
    plane = np.array([[x, y, 0.0] for x in range(40) for y in range(40)])
    corner = np.array([40 * x + y for x in range(39) for y in range(39)])
    faces = np.concatenate(
        [np.column_stack([corner, corner + 40, corner + 1]),
         np.column_stack([corner + 1, corner + 40, corner + 41])]
    )  # fmt: skip
    flat = {f"scans/{s}.stl": stl_bytes(Mesh(plane + np.array([0, 0, k]), faces.astype(np.int32)))
            for k, s in enumerate(SCANS)}  # fmt: skip
    path = study(tmp_path / "s", {**files[0], **flat})
    assert "no-arrangement" in {f.code for f in check_study(path)}
    with pytest.raises(StudyError, match="cannot be derived"):
        run_study(path, until="measure")
