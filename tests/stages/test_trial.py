"""One scan on trial tells a wrong reference or drawing before anything is measured."""

import shutil
from pathlib import Path

import pandas as pd
import pytest

from accstudy.errors import Severity
from accstudy.stages.check import check_study, try_scans
from accstudy.study.load import load_study

SAMPLE = Path(__file__).parents[2] / "sample_study/validation"
POSITION = ["x_mm", "y_mm", "z_mm"]
AXIS = ["axis_x", "axis_y", "axis_z"]


@pytest.fixture
def folder(tmp_path):
    """The sample with its first scan only."""
    shutil.copy(SAMPLE / "study.toml", tmp_path / "study.toml")
    for part in ("reference", "scan_bodies"):
        shutil.copytree(SAMPLE / part, tmp_path / part)
    scans = pd.read_csv(SAMPLE / "scans.csv", dtype=str).head(1)
    scans.to_csv(tmp_path / "scans.csv", index=False)
    (tmp_path / "scans").mkdir()
    shutil.copy(SAMPLE / scans["file"][0], tmp_path / scans["file"][0])
    return tmp_path


def with_reference(folder, change):
    file = folder / "reference/implants.csv"
    rows = pd.read_csv(file)
    change(rows)
    rows.to_csv(file, index=False)


def reverse(rows):
    rows[AXIS] = -rows[AXIS]


def raise_to_tops(rows):
    rows[POSITION] = rows[POSITION].to_numpy() + 9.0 * rows[AXIS].to_numpy()


def test_a_sound_study_gives_no_finding(folder):
    assert try_scans(load_study(folder)) == []


@pytest.mark.parametrize(
    ("change", "code", "column"),
    [(reverse, "inward-axis", "axis_x"), (raise_to_tops, "tops-as-platforms", "x_mm")],
)
def test_a_reference_that_is_meant_otherwise_is_told(folder, change, code, column):
    with_reference(folder, change)
    (found,) = try_scans(load_study(folder))
    assert found.code == code
    assert found.where == f"reference/implants.csv::{column}"
    assert "0 of the 6 implants" in found.what


def displace_one(rows):
    rows.loc[rows["implant"] == "I3", "x_mm"] += 21.0


def test_implants_that_are_not_found_are_named_where_nothing_explains_it(folder):
    with_reference(folder, displace_one)
    (found,) = try_scans(load_study(folder))
    assert (found.severity, found.code) == (Severity.WARNING, "implants-not-found")
    assert "shows 5 of the 6 implants" in found.what
    assert found.what.endswith("not found: I3")


def test_an_origin_one_millimetre_off_is_told_with_what_to_write(folder):
    file = folder / "study.toml"
    text = file.read_text()
    assert "origin_mm = [0, 0, 0]" in text
    file.write_text(text.replace("origin_mm = [0, 0, 0]", "origin_mm = [0, 0, 1.0]"))
    (found,) = try_scans(load_study(folder))
    assert found.code == "scan-body-origin"
    assert found.where == "study.toml::scan_body.default.origin_mm"
    written = [float(v) for v in found.mend.split("[")[1].split("]")[0].split(",")]
    assert written == pytest.approx([0, 0, 0], abs=0.05)


def test_names_that_reports_cannot_print_are_found(folder):
    scans = pd.read_csv(folder / "scans.csv", dtype=str)
    scans.assign(operator="田中", technique="Grüße Ж").to_csv(folder / "scans.csv", index=False)
    file = folder / "study.toml"
    text = file.read_text().replace('title = "', 'title = "口腔 ', 1)
    file.write_text(text)
    found = [f for f in check_study(folder) if f.code == "not-printable"]
    assert [f.where for f in found] == ["study.toml::study.title", "scans.csv::operator"]
    assert all(f.severity is Severity.WARNING for f in found)
    assert '"田中"' in found[1].what
    assert "(田 中)" in found[1].what
