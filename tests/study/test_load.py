"""A study folder is read whole, and every fault is named at its place."""

import datetime as dt
import math
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from small_study import IMPLANTS, POSES, SCANS, SETTINGS, write

from accstudy.errors import InputError, Severity, StudyError
from accstudy.geometry.rigid import DESIGNED, PLATFORMS, STATED, occlusal_direction
from accstudy.study.files import resolve
from accstudy.study.implants import at_platforms
from accstudy.study.load import load_study, reference_versions


@pytest.fixture
def folder(tmp_path: Path):
    """Write a small study; named files replace its own."""
    return partial(write, tmp_path)


def faults(path):
    with pytest.raises(StudyError) as caught:
        load_study(path, today=dt.date(2026, 6, 1))
    return {(f.code, f.where) for f in caught.value.findings}


def test_a_sound_study_is_read_with_its_groups(folder):
    study = load_study(folder())
    assert study.scans["condition"].tolist() == ["A", "A"]
    assert study.scans["cell"].tolist() == ["1 / 1", "2 / 1"]
    assert study.factors == ("device", "operator", "session")
    assert study.findings == ()


@pytest.mark.parametrize(
    ("bad", "code", "where"),
    [
        (
            "[study]\ntitle='x'\nkind='validation'\n[anlysis]\n",
            "unknown-key",
            "study.toml:4:anlysis",
        ),
        (
            "[study]\ntitle='x'\nkind='validation'\n[analysis]\nalignement='all-implants'\n",
            "unknown-key",
            "study.toml:5:analysis.alignement",
        ),
        ("[study]\ntitle='x'\nkind='audit'\n", "bad-value", "study.toml:3:study.kind"),
        (
            SETTINGS + "[scan_body.default]\nmesh='b.stl'\nflat=[0, 0, 2]\n",
            "bad-value",
            "study.toml:13:scan_body.default",
        ),
        ("[study]\nkind='validation'\n", "missing-key", "study.toml:1:study.title"),
        ("[study\n", "not-toml", "study.toml:1"),
        (
            "[study]\ntitle='x'\nkind='validation'\n[limits]\ndistance_um={value=-1,source='s'}\n",
            "implausible-value",
            "study.toml:5:limits.distance_um.value",
        ),
        (
            "[study]\ntitle='x'\nkind='validation'\n[analysis]\nalignment='datum-implants'\n",
            "bad-value",
            "study.toml:4:analysis",
        ),
    ],
)
def test_faults_of_the_settings_stand_at_their_line(folder, bad, code, where):
    assert (code, where) in faults(folder(study=bad))


def test_an_unknown_key_names_the_nearest_one(folder):
    path = folder(study=SETTINGS + "[limits]\ndistanse_um = { value = 100, source = 'x' }\n")
    with pytest.raises(StudyError, match='did you mean "distance_um"'):
        load_study(path)


def test_all_faults_of_all_files_come_at_once(folder):
    path = folder(
        scans="scan,model,device,operator,session,measured_at\n"
        "s1,M,A,1,1,2026-01-01\ns1,N,A,1,1,01.02.2026\ns3,M,a,1,1,2027-01-01\n",
        implants=IMPLANTS.replace("20,5,0,0,0,1", "20,5,0,0,0,2").replace("40,0,0", "x,0,0"),
        poses=POSES.replace("s2,M,I2", "s2,M,I9"),
    )
    found = faults(path)
    assert found >= {
        ("duplicate-scan", "scans.csv:3:scan"),
        ("unknown-model", "scans.csv:3:model"),
        ("not-a-date", "scans.csv:3:measured_at"),
        ("level-spelling", "scans.csv:4:device"),
        ("axis-length", "reference/implants.csv:3:axis_x"),
        ("not-a-number", "reference/implants.csv:4:x_mm"),
        ("unknown-scan", "poses.csv:5:scan"),
        ("no-data", "scans.csv:4:file"),
    }


@pytest.mark.parametrize(
    ("implants", "code", "where"),
    [
        (IMPLANTS + "M,I4,40.2,0,0,0,0,1\n", "coincident-implants",
         "reference/implants.csv:5:x_mm"),
        (IMPLANTS + "M,I3,60,0,0,0,0,1\n", "duplicate-implant", "reference/implants.csv:5:implant"),
        (
            IMPLANTS + "M,I4,60,0,0,0,0,-1\n",
            "inward-axis",
            "reference/implants.csv:5:axis_x",
        ),
        ("model,implant,x_mm\nM,I1,0\n", "missing-column", "reference/implants.csv:1:y_mm"),
        (IMPLANTS.replace("implant,", "implant,colour,", 1), "unknown-column",
         "reference/implants.csv:1:colour"),
    ],
)  # fmt: skip
def test_a_reference_that_cannot_be_is_refused(folder, implants, code, where):
    assert (code, where) in faults(folder(implants=implants))


@pytest.mark.parametrize(
    "convert",
    [
        lambda s: s.encode("utf-8-sig"),
        lambda s: s.encode("utf-16"),
        lambda s: s.replace("\n", "\r\n").encode(),
        lambda s: s.replace(",", "\t").encode(),
        lambda s: s.replace(",", ";").replace(".", ",").encode(),
    ],
    ids=["bom", "utf-16", "crlf", "tab", "semicolon with decimal comma"],
)
def test_dialects_of_csv_read_the_same(folder, convert):
    plain = load_study(folder()).given_poses
    other = load_study(folder(poses=convert(POSES))).given_poses
    assert other.equals(plain)


def test_a_workbook_reads_like_its_csv(folder, tmp_path):
    openpyxl = pytest.importorskip("openpyxl")
    path = folder(study=SETTINGS.replace('poses = "poses.csv"', 'poses = "poses.xlsx"'))
    book = openpyxl.Workbook()
    for line in POSES.strip().splitlines():
        book.active.append([float(c) if c[0].isdigit() else c for c in line.split(",")])
    book.save(path / "poses.xlsx")
    assert load_study(path).given_poses["x_mm"].tolist() == [0, 20.01, 40.03, 0, 20.01, 40.04]


@pytest.mark.parametrize(
    ("cell", "says"),
    [
        ("1.234,5", "ambiguous"),
        ("1 234", "ambiguous"),
        ("1e999", "too large"),
        ("nan", "not a number"),
    ],
)
def test_numbers_that_could_mean_two_things_are_refused(folder, cell, says):
    path = folder(poses=POSES.replace(",", ";").replace("20.01", cell, 1))
    with pytest.raises(StudyError, match=says):
        load_study(path)


@pytest.mark.parametrize(
    "file", ["/etc/passwd", "../x.stl", "a/../../x.stl", "C:\\x.stl", "..\\x.stl"]
)
def test_files_outside_the_study_are_refused(tmp_path, file):
    with pytest.raises(InputError, match="outside"):
        resolve(tmp_path, file)


def test_a_link_that_leads_out_is_refused(tmp_path):
    inside = tmp_path / "study"
    inside.mkdir()
    (tmp_path / "secret.stl").write_text("x")
    (inside / "link.stl").symlink_to(tmp_path / "secret.stl")
    with pytest.raises(InputError, match="outside"):
        resolve(inside, "link.stl")
    assert resolve(inside, "link.stl", allow_outside=True).exists()


def test_names_that_a_spreadsheet_would_run_are_refused(folder):
    assert ("unsafe-name", "scans.csv:2:scan") in faults(folder(scans=SCANS.replace("s1", "=1+1")))


def test_missing_temperature_and_reference_uncertainty_are_warned_of(folder):
    study = load_study(
        folder(study="[study]\ntitle='x'\nkind='validation'\n[scans]\nposes='poses.csv'\n")
    )
    assert {f.code for f in study.findings} == {"no-temperature", "no-reference-uncertainty"}
    assert all(f.severity is Severity.WARNING for f in study.findings)


def test_a_remeasured_reference_has_versions(folder):
    lines = IMPLANTS.strip().splitlines()
    rows = [
        lines[0] + ",valid_from",
        *(r + "," for r in lines[1:]),
        *(r + ",2026-03-01" for r in lines[1:]),
    ]
    study = load_study(folder(implants="\n".join(rows) + "\n"))
    versions = reference_versions(study.implants, "M")
    assert [len(rows) for _, rows in versions] == [3, 3]


def test_an_exclusion_needs_a_scan_and_a_reason(folder):
    good = SETTINGS + '[[exclusions]]\nscan = "s2"\nreason = "body not seated"\n'
    assert load_study(folder(study=good)).usable["scan"].tolist() == ["s1"]
    bad = SETTINGS + '[[exclusions]]\nscan = "s9"\nreason = "body not seated"\n'
    assert ("unknown-scan", "study.toml::exclusions") in faults(folder(study=bad))


@pytest.mark.parametrize(
    ("line", "hint"),
    [
        ('list = "scans\\list.csv"', "write / in paths"),
        ("temperature_c = 22,5  # room", "decimal point"),
        ("temperature_c = True", "lower case"),
        ("title = Full arch", "quotation marks"),
    ],
)
def test_a_line_that_is_no_toml_gets_the_hint_that_mends_it(folder, line, hint):
    with pytest.raises(StudyError) as caught:
        load_study(folder(study=SETTINGS + f"[seating]\n{line}\n"))
    (fault,) = caught.value.findings
    assert fault.code == "not-toml"
    assert hint in fault.mend


def test_a_study_of_positions_needs_no_drawing_of_a_scan_body(folder):
    body = '[scan_body.default]\nmesh = "scan_bodies/body.stl"\n'
    study = load_study(folder(study=SETTINGS + body))
    assert study.bodies == {}
    scans = SCANS.replace("session\n", "session,file\n").replace("1,1\n", "1,1,scans/s1.stl\n")
    scans = scans.replace("2,1\n", "2,1,\n")
    poses = "".join(line for line in POSES.splitlines(keepends=True) if not line.startswith("s1"))
    assert ("no-file", "study.toml::scan_body.default.mesh") in faults(
        folder(study=SETTINGS + body, scans=scans, poses=poses)
    )


def test_two_devices_that_are_not_compared_are_told(folder):
    scans = SCANS.replace("s2,M,A,2,1", "s2,M,B,1,1")
    apart = SETTINGS + '[analysis]\ncondition = ["device"]\n'
    mixed = SETTINGS + '[analysis]\ncondition = ["operator"]\n'
    assert scans != SCANS
    assert not [f for f in load_study(folder(study=apart, scans=scans)).findings
                if f.code == "pooled-levels"]  # fmt: skip
    (found,) = [f for f in load_study(folder(study=mixed, scans=scans)).findings
                if f.code == "pooled-levels"]  # fmt: skip
    assert found.where == "study.toml::analysis.condition"
    assert "differ in device (A, B)" in found.what


def test_a_drift_study_needs_the_time_of_every_scan(folder):
    drift = SETTINGS.replace('kind = "validation"', 'kind = "drift"')
    assert drift != SETTINGS
    assert ("missing-column", "scans.csv:1:measured_at") in faults(folder(study=drift))
    some = SCANS.replace("session\n", "session,measured_at\n").replace("1,1\n", "1,1,2025-01-01\n")
    some = some.replace("2,1\n", "2,1,\n")
    assert faults(folder(study=drift, scans=some)) == {("empty-factor", "scans.csv:3:measured_at")}


def test_a_position_measured_at_the_top_is_moved_down_along_its_own_axis(folder):
    implants = load_study(folder()).implants
    implants.loc[2, ["axis_x", "axis_y", "axis_z"]] = [0.6, 0.0, 0.8]
    found = at_platforms(implants, 10.0)
    assert found.loc[0, ["x_mm", "y_mm", "z_mm"]].tolist() == pytest.approx([0, 0, -10])
    assert found.loc[2, ["x_mm", "y_mm", "z_mm"]].tolist() == pytest.approx([34, 0, -8])


def test_the_height_of_a_row_counts_before_that_of_all_and_tilts_add_uncertainty(folder):
    head, *rows = IMPLANTS.splitlines()
    more = ["0,3,0.1", ",3,0.1", "2,,"]
    lines = [f"{head},height_mm,u_position_um,u_axis_deg"]
    lines += [f"{row},{extra}" for row, extra in zip(rows, more, strict=True)]
    poses = POSES.replace(",5,0,0,0,1", ",5,-10,0,0,1").replace("3,0,0,0,0,1", "3,0,-2,0,0,1")
    poses = poses.replace("4,0,0,0,0,1", "4,0,-2,0,0,1")
    study = SETTINGS + "height_mm = 10.0\n"
    found = load_study(folder(implants="\n".join(lines) + "\n", study=study, poses=poses)).implants
    assert found["z_mm"].tolist() == pytest.approx([0, -10, -2])
    lever_um = 10_000 * np.radians(0.1)
    assert found["u_position_um"].tolist()[:2] == pytest.approx([3, np.hypot(3, lever_um)])


def leaning(tilts, *, occlusal="", designed=None):
    """A reference whose implants lean by `tilts` in the x-z plane, 20 mm behind each other."""
    places = [(0, 0), (40, 0), (40, 20), (0, 20)][: len(tilts)]
    rows = [
        f"M,I{k + 1},{x},{y},0,{math.sin(math.radians(t))},0,{math.cos(math.radians(t))},"
        f"{'' if designed is None else designed[k]}"
        for k, ((x, y), t) in enumerate(zip(places, tilts, strict=True))
    ]
    columns = "model,implant,x_mm,y_mm,z_mm,axis_x,axis_y,axis_z,angulation_deg"
    poses = "scan,model,implant,x_mm,y_mm,z_mm,axis_x,axis_y,axis_z\n"
    for scan, off in (("s1", 0.01), ("s2", 0.02)):
        for row in rows:
            model, implant, x, *rest = row.split(",")[:8]
            poses += ",".join([scan, model, implant, f"{float(x) * (1 + off / 40)}", *rest]) + "\n"
    return {
        "implants": "\n".join([columns, *rows]) + "\n",
        "poses": poses,
        "study": SETTINGS + (f"occlusal = {occlusal}\n" if occlusal else ""),
    }


def test_angulation_is_measured_from_the_occlusal_plane_not_from_the_mean_axis(folder):
    implants = load_study(folder(**leaning([0, 0, 30, 30]))).implants
    assert implants["angulation_deg"].tolist() == pytest.approx([0, 0, 30, 30], abs=1e-5)
    assert implants["angulation_by"].unique().tolist() == [PLATFORMS]


def test_the_designed_angulation_goes_before_any_computed_one(folder):
    study = leaning([0, 0, 30, 30], designed=["", "2", "", "28"], occlusal="[0, 0, 1]")
    implants = load_study(folder(**study)).implants
    assert implants["angulation_deg"].tolist() == pytest.approx([0, 2, 30, 28], abs=1e-5)
    assert implants["angulation_by"].tolist() == [STATED, DESIGNED, STATED, DESIGNED]


def test_two_implants_have_an_angulation_only_by_what_the_user_states(folder):
    known = load_study(folder(**leaning([0, 15], occlusal="[0, 0, 2]"))).implants
    assert known["angulation_deg"].tolist() == pytest.approx([0, 15], abs=1e-5)
    study = load_study(folder(**leaning([0, 15])))
    assert study.implants["angulation_deg"].isna().all()
    assert "angulation-unknown" not in {f.code for f in study.findings}  # nothing asks for it
    asked = leaning([0, 15])
    asked["study"] += (
        '[[model]]\nname = "d"\nresponse = "pair.distance_um"\nfixed = "angulation_deg"\n'
    )
    found = [f for f in load_study(folder(**asked)).findings if f.code == "angulation-unknown"]
    assert [f.where for f in found] == ["reference/implants.csv:2:angulation_deg"]


def test_an_occlusal_direction_of_length_zero_is_refused(folder):
    with pytest.raises(StudyError, match="occlusal must not be zero"):
        load_study(folder(**leaning([0, 15], occlusal="[0, 0, 0]")))


def test_a_plane_across_the_axes_is_no_occlusal_plane():
    wall = np.array([[0.0, 0, 0], [30, 0, 0], [30, 0, 15], [0, 0, 15]])
    assert occlusal_direction(wall, np.tile([0.0, 0, 1], (4, 1))) == (None, "")
    assert occlusal_direction(wall[:, [0, 2, 1]] * [1, 0.6, 1], np.eye(3)[[2, 2, 2, 2]])[0] is None


def test_the_laboratory_is_a_column_of_the_cell(folder):
    base = SETTINGS + '\n[analysis]\ncell = ["operator", "session"]\nlaboratory = '
    assert load_study(folder(study=base + '"session"\n')).settings.analysis.laboratory == "session"
    with pytest.raises(StudyError, match='did you mean "session"'):
        load_study(folder(study=base + '"sesion"\n'))


@pytest.mark.parametrize(("unit", "factor"), [("inch", 25.4), ("cm", 10.0), ("m", 1000.0)])
def test_a_reference_in_another_unit_is_told_with_the_line_to_write(folder, unit, factor):
    places = {"I1": (0.0, 0.0), "I2": (8.0, 4.0), "I3": (40.0, 0.0)}
    rows = [f"M,{i},{x / factor!r},{y / factor!r},0,0,0,1" for i, (x, y) in places.items()]
    text = "\n".join([IMPLANTS.splitlines()[0], *rows])
    with pytest.raises(StudyError) as caught:
        load_study(folder(implants=text))
    (found,) = [f for f in caught.value.findings if f.code == "coincident-implants"]
    assert f'length_unit = "{unit}"' in found.mend
    poses = POSES.replace(",20.01,5,", ",8.01,4,")
    read = folder(implants=text, poses=poses, study=f'{SETTINGS}length_unit = "{unit}"\n')
    assert load_study(read).implants["x_mm"].tolist() == pytest.approx([0.0, 8.0, 40.0])
