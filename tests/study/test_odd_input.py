"""Odd input is found by `check`, all of it at once, each at its file, row and column.

A sound study of positions and one of meshes; every case spoils one thing in it.
"""

import csv
import gzip
import io
import os
import zipfile

import numpy as np
import openpyxl
import pandas as pd
import pytest
from small_study import DRIFT, EVENTS, LANDMARKS, write
from small_study import DRIFT_IMPLANTS as IMPLANTS
from small_study import DRIFT_POSES as POSES
from small_study import DRIFT_SCANS as SCANS
from small_study import DRIFT_SETTINGS as SETTINGS

from accstudy.errors import InputError, Severity
from accstudy.geometry.rigid import unit
from accstudy.mesh.model import Mesh
from accstudy.mesh.stl_obj import stl_bytes
from accstudy.simulate.arch import reference_model
from accstudy.simulate.bodies import body_shape
from accstudy.stages.check import check_study
from accstudy.study.cells import parse_number
from accstudy.study.implants import check_sketch
from accstudy.study.layout import read_sheet
from accstudy.study.load import load_study
from accstudy.study.positions import Positions, find_slip
from accstudy.tables import csv_bytes


def found(folder):
    return {(f.code, f.where): f for f in check_study(folder)}


def test_the_sound_study_has_no_finding(tmp_path):
    assert found(write(tmp_path, DRIFT)) == {}


def swapped(text, *pairs):
    for old, new in pairs:
        assert old in text
        text = text.replace(old, new)
    return text


def with_column(name, *cells):
    """The scan list with one more column, and as many rows as cells."""
    head, *rows = SCANS.splitlines()
    rows += [f"s{k},M,device A,1,3,{k},2026-03-01" for k in range(4, len(cells) + 1)]
    lines = [f"{row},{cell}" for row, cell in zip(rows, cells, strict=True)]
    return "\n".join([f"{head},{name}", *lines]) + "\n"


def with_temperature(*cells):
    return with_column("temperature_c", *cells)


def scaled(factor):
    """The positions of every scan in another unit."""
    head, *rows = POSES.splitlines()
    cells = [row.split(",") for row in rows]
    lines = [",".join([*c[:3], *(repr(float(v) * factor) for v in c[3:6]), *c[6:]]) for c in cells]
    return "\n".join([head, *lines]) + "\n"


LAST = POSES.splitlines()[-1] + "\n"
COPIED = POSES.replace(
    "".join(x + "\n" for x in POSES.splitlines()[4:7]),
    "".join(x.replace("s1", "s2") + "\n" for x in POSES.splitlines()[1:4]),
)
ODD = {
    "duplicate row of a position": (
        {"poses": POSES + LAST}, "duplicate-implant", "poses.csv:11:implant", '"I3" twice'),
    "duplicate row of a scan": (
        {"scans": SCANS + SCANS.splitlines()[-1] + "\n"}, "duplicate-scan", "scans.csv:5:scan",
        "already listed in row 4"),
    "duplicate implant": (
        {"implants": IMPLANTS + "M,I3,60,0,0,0,0,1,1,0,0,\n"}, "duplicate-implant",
        "reference/implants.csv:5:implant", '"I3"'),
    "duplicate landmark": (
        {"landmarks": LANDMARKS + "s1,I1,0,0,1\n"}, "duplicate-implant",
        "landmarks.csv:3:implant", '"I1" twice'),
    "duplicate event": (
        {"events": EVENTS + EVENTS.splitlines()[-1] + "\n"}, "duplicate-event",
        "events.csv:3:at", "already listed in row 2"),
    "the same positions under another name": (
        {"poses": COPIED}, "same-scan-twice", "poses.csv:5:scan", 'same positions as "s1"'),
    "unknown model": (
        {"scans": swapped(SCANS, ("s3,M", "s3,N"))}, "unknown-model", "scans.csv:4:model", '"N"'),
    "another model in the positions": (
        {"poses": swapped(POSES, ("s3,M,I3", "s3,N,I3"))}, "model-differs", "poses.csv:10:model",
        '"N"'),
    "scan that is not in the list": (
        {"poses": swapped(POSES, ("s3,M,I3", "s9,M,I3"))}, "unknown-scan", "poses.csv:10:scan",
        '"s9"'),
    "implant missing from the reference": (
        {"poses": swapped(POSES, ("s3,M,I3", "s3,M,I9"))}, "unknown-implant",
        "poses.csv:10:implant", '"I9"'),
    "implant missing from a scan": (
        {"poses": POSES.removesuffix(LAST)}, "missing-implant", "poses.csv:8:implant", "I3"),
    "landmark of no implant": (
        {"landmarks": LANDMARKS + "s1,I8,0,0,1\n"}, "unknown-implant", "landmarks.csv:3:implant",
        '"I8"'),
    "axis of another length": (
        {"implants": swapped(IMPLANTS, ("48,0,2,0,0,1", "48,0,2,0,0,1.1"))}, "axis-length",
        "reference/implants.csv:4:axis_x", "1.1"),
    "axis of no length": (
        {"implants": swapped(IMPLANTS, ("48,0,2,0,0,1", "48,0,2,0,0,0"))}, "axis-length",
        "reference/implants.csv:4:axis_x", "length 0"),
    "axis of another length in a scan": (
        {"poses": swapped(POSES, ("48.05,0,2,0,0,1", "48.05,0,2,0,0,0.5"))}, "axis-length",
        "poses.csv:10:axis_x", "0.5"),
    "inward axis": (
        {"implants": swapped(IMPLANTS, ("48,0,2,0,0,1", "48,0,2,0,0,-1"))}, "inward-axis",
        "reference/implants.csv:4:axis_x", '"I3"'),
    "inward axis in a scan": (
        {"poses": swapped(POSES, ("48.05,0,2,0,0,1", "48.05,0,2,0,0,-1"))}, "inward-axis",
        "poses.csv:10:axis_x", '"I3"'),
    "all axes inward": (
        {"implants": IMPLANTS.replace(",0,0,1,1,", ",0,0,-1,1,")}, "mirrored",
        "poses.csv:2:x_mm", "all axes reversed"),
    "left-handed coordinates": (
        {"poses": POSES.replace(",5,0,0,0,1", ",-5,0,0,0,1")}, "mirrored", "poses.csv:2:x_mm",
        "mirror image"),
    "flat along the axis": (
        {"implants": IMPLANTS.replace("48,0,2,0,0,1,1,0,0", "48,0,2,0,0,1,0,0,1")},
        "flat-along-axis", "reference/implants.csv:4:flat_x", "0°"),
    "flat along the axis in a scan": (
        {"poses": swapped(POSES, ("48.05,0,2,0,0,1,1,0,0", "48.05,0,2,0,0,1,0.1,0,1"))},
        "flat-along-axis", "poses.csv:10:flat_x", "6°"),
    "flat given in part": (
        {"implants": IMPLANTS.replace("48,0,2,0,0,1,1,0,0", "48,0,2,0,0,1,1,,0")},
        "flat-incomplete", "reference/implants.csv:4:flat_y", "flat_y"),
    "coincident implants": (
        {"implants": IMPLANTS + "M,I4,48.2,0,2,0,0,1,1,0,0,\n"}, "coincident-implants",
        "reference/implants.csv:5:x_mm", "0.2 mm"),
    "level by case": (
        {"scans": swapped(SCANS, ("s3,M,device A", "s3,M,Device A"))}, "level-spelling",
        "scans.csv:4:device", '"Device A"'),
    "level by blanks": (
        {"scans": swapped(SCANS, ("s3,M,device A", "s3,M,deviceA"))}, "level-spelling",
        "scans.csv:4:device", '"deviceA"'),
    "level by a blank that cannot be broken": (
        {"scans": swapped(SCANS, ("s3,M,device A", "s3,M,device\u00a0A"))}, "level-spelling",
        "scans.csv:4:device", "device"),
    "level by a hyphen": (
        {"scans": swapped(SCANS, ("s3,M,device A", "s3,M,device-A"))}, "level-spelling",
        "scans.csv:4:device", '"device-A"'),
    "level by a leading zero": (
        {"scans": swapped(SCANS, (",1,2,1,2026", ",01,2,1,2026"))}, "level-spelling",
        "scans.csv:4:operator", '"01"'),
    "level by one letter": (
        {"scans": SCANS + "".join(f"s{k},M,device A,1,2,{k},2026-02-01\n" for k in (4, 5, 6))
         + "s7,M,devise A,1,2,7,2026-02-01\n"}, "level-misspelt", "scans.csv:8:device",
        '"devise A"'),
    "name of a scan by case": (
        {"scans": SCANS.replace("s3", "S2")}, "level-spelling", "scans.csv:4:scan", '"S2"'),
    "name of an implant by case": (
        {"implants": IMPLANTS + "M,i3,60,0,0,0,0,1,1,0,0,\n"}, "level-spelling",
        "reference/implants.csv:5:implant", '"i3"'),
    "day in the future": (
        {"scans": swapped(SCANS, ("2026-02-01", "2226-02-01"))}, "future-date",
        "scans.csv:4:measured_at", "2226-02-01"),
    "day long past": (
        {"scans": swapped(SCANS, ("2026-01-01T10:00", "1926-01-01"))}, "early-date",
        "scans.csv:2:measured_at", "1926-01-01"),
    "repeats against the time": (
        {"scans": swapped(SCANS, ("T10:20", "T09:20"))}, "date-order", "scans.csv:3:measured_at",
        "before repeat 1 (row 2"),
    "sessions against the time": (
        {"scans": swapped(SCANS, ("2026-02-01", "2025-02-01"))}, "date-order",
        "scans.csv:4:measured_at", 'before session "1"'),
    "event in the future": (
        {"events": swapped(EVENTS, ("2026-01-15", "2226-01-15"))}, "future-date", "events.csv:2:at",
        "2226"),
    "event of an unknown device": (
        {"events": swapped(EVENTS, ("device A", "device B"))}, "unknown-device",
        "events.csv:2:device", '"device B"'),
    "reference due before it was measured": (
        {"study": SETTINGS + "measured_on = 2025-02-01\ndue_on = 2024-02-01\n"}, "date-order",
        "study.toml::reference.due_on", "2024-02-01"),
    "scan before its reference": (
        {"implants": IMPLANTS.replace(",1,0,0,\n", ",1,0,0,2026-01-20\n")}, "before-reference",
        "scans.csv:2:measured_at", "2026-01-20"),
    "name that a spreadsheet runs": (
        {"scans": SCANS.replace("s3", "@s3")}, "unsafe-name", "scans.csv:4:scan", '"@s3"'),
    "line break in a name": (
        {"scans": swapped(SCANS, ("s3,M,device A", 's3,M,"device\nA"'))}, "control-character",
        "scans.csv:4:device", "control"),
    "decimal commas and points in one table": (
        {"poses": POSES.replace(",", ";").replace("48.05", "48,05")}, "mixed-decimals",
        "poses.csv:2:x_mm", '"48,05"'),
    "thousands": (
        {"poses": POSES.replace(",", ";").replace("48.05", "1.048,05")}, "not-a-number",
        "poses.csv:10:x_mm", "ambiguous"),
    "thousands in quotation marks": (
        {"poses": POSES.replace("48.05", '"1,048.05"')}, "not-a-number", "poses.csv:10:x_mm",
        "ambiguous"),
    "absolute path": (
        {"study": swapped(SETTINGS, ('"poses.csv"', '"/etc/passwd"'))}, "outside",
        "study.toml::scans.poses", "/etc/passwd"),
    "path that climbs out": (
        {"study": swapped(SETTINGS, ('"events.csv"', '"../events.csv"'))}, "outside",
        "study.toml::drift.events", "../events.csv"),
    "temperature in words": (
        {"scans": with_temperature("23", "#N/A", "22.5")}, "not-a-number",
        "scans.csv:3:temperature_c", "#N/A"),
    "temperature with a decimal comma in quotation marks": (
        {"scans": with_temperature("23", '"30,0"', "22.5")}, "not-a-number",
        "scans.csv:3:temperature_c", "30,0"),
    "temperature with its unit": (
        {"scans": with_temperature("23", "30 °C", "22.5")}, "not-a-number",
        "scans.csv:3:temperature_c", "30 °C"),
    "a duration in minutes and seconds": (
        {"scans": with_column("scan_time_s", "95", "01:35", "95")}, "not-a-number",
        "scans.csv:3:scan_time_s", "01:35"),
    "temperature in full-width digits": (
        {"scans": with_temperature("23", "２２", "22.5")}, "not-a-number",
        "scans.csv:3:temperature_c", "２２"),
    "temperature left blank": (
        {"scans": with_temperature("23", "", "22.5")}, "no-temperature",
        "scans.csv:3:temperature_c", '"s2"'),
    "temperature of one scan in Fahrenheit": (
        {"scans": with_temperature("23", "72.5", "22.5")}, "implausible-value",
        "scans.csv:3:temperature_c", "72.5"),
    "temperature in Fahrenheit": (
        {"study": swapped(SETTINGS, ("temperature_c = 20.0", "temperature_c = 72.5"))},
        "implausible-value", "study.toml:7:scans.temperature_c", "72.5"),
    "temperature in kelvin": (
        {"study": swapped(SETTINGS, ("temperature_c = 20.0", "temperature_c = 295.65"))},
        "implausible-value", "study.toml:7:scans.temperature_c", "295.65"),
    "expansion in parts per million": (
        {"study": swapped(SETTINGS, ("75e-6", "23"))}, "implausible-value",
        "study.toml:8:scans.expansion_per_k", "23"),
    "a truth value for a limit": (
        {"study": SETTINGS + '[limits]\ndistance_um = { value = true, source = "s" }\n'},
        "bad-value", "study.toml:14:limits.distance_um.value", "found true"),
    "a limit in millimetres": (
        {"study": SETTINGS + '[limits]\ndistance_um = { value = 0.1, source = "s" }\n'},
        "implausible-value", "study.toml:14:limits.distance_um.value", "0.1"),
    "a percentage for a share": (
        {"study": SETTINGS + "[limits]\nconfidence = 95\n"},
        "implausible-value", "study.toml:14:limits.confidence", "95"),
    "a number in quotation marks": (
        {"study": swapped(SETTINGS, ("constant = 1.9", 'constant = "1.9"'))},
        "bad-value", "study.toml:12:reference.mpe_um.constant", "'1.9'"),
    "a reference in inches": (
        {"implants": swapped(
            IMPLANTS, ("I2,20,5", "I2,.787402,.19685"), ("I3,48,0,2", "I3,1.889764,0,.0787402"))},
        "wrong-unit", "study.toml::reference.length_unit", "looks like inches"),
    "positions in cm": (
        {"poses": scaled(0.1)}, "wrong-unit", "poses.csv:2:x_mm", "centimetres"),
    "positions in inches": (
        {"poses": scaled(1 / 25.4)}, "wrong-unit", "poses.csv:2:x_mm", "inches"),
    "positions in um": (
        {"poses": scaled(1000.0)}, "implausible-value", "poses.csv:3:x_mm", "20010"),
    "positions in no unit": (
        {"poses": scaled(100.0)}, "other-arrangement", "poses.csv:2:x_mm", "mm off"),
    "a coordinate off by ten": (
        {"poses": swapped(POSES, ("s3,M,I2,20.03", "s3,M,I2,200.3"))}, "wild-position",
        "poses.csv:9:x_mm", "200.3, expected about 20.0"),
    "a coordinate off by two millimetres": (
        {"poses": swapped(POSES, ("s3,M,I3,48.05,0,2", "s3,M,I3,48.05,0,5"))}, "wild-position",
        "poses.csv:10:z_mm", "5, expected about 2"),
    "a coordinate without bounds": (
        {"poses": swapped(POSES, ("s3,M,I3,48.05", "s3,M,I3,999999999999"))},
        "implausible-value", "poses.csv:10:x_mm", "1e+12"),
    "two implants exchanged in a scan": (
        {"poses": swapped(
            POSES, ("s3,M,I2", "s3,M,Q"), ("s3,M,I1", "s3,M,I2"), ("s3,M,Q", "s3,M,I1"))},
        "exchanged-implants", "poses.csv:8:implant", '"I1" and "I2" exchanged'),
    "two implants exchanged in the reference": (
        {"implants": swapped(IMPLANTS, ("M,I2", "M,Q"), ("M,I1", "M,I2"), ("M,Q", "M,I1"))},
        "exchanged-implants", "reference/implants.csv:3:x_mm", '"I1" and "I2" exchanged'),
    "a wild coordinate in the reference": (
        {"implants": swapped(IMPLANTS, ("M,I3,48,0,2", "M,I3,48,0,20"))}, "wild-position",
        "reference/implants.csv:4:x_mm", '"I3"'),
    "axes that nobody measured": (
        {"implants": swapped(IMPLANTS, ("0,0,0,0,0,1", "0,0,0,0.28,0,0.96"))}, "wild-axis",
        "reference/implants.csv:2:x_mm", '"I1"'),
    "a truth value that is none": (
        {"scans": with_column("reseated", "true", "maybe", "false")}, "not-a-flag",
        "scans.csv:3:reseated", '"maybe"'),
    "a Cyrillic letter in a name": (
        {"scans": swapped(SCANS, ("s3,M,device A", "s3,M,dеvice A"))}, "mixed-scripts",
        "scans.csv:4:device", "cyrillic"),
    "a name all in look-alike letters": (
        {"scans": swapped(SCANS, ("s3,M,device A", "s3,M,device А"))}, "level-spelling",
        "scans.csv:4:device", "look-alike"),
    "an invisible character in a name": (
        {"poses": swapped(POSES, ("s3,M,I3", "s3,M,I\u200b3"))}, "invisible-character",
        "poses.csv:10:implant", "zero width space"),
    "full-width letters in a name": (
        {"scans": swapped(SCANS, ("s3,M,device A", "s3,M,device Ａ"))}, "full-width",
        "scans.csv:4:device", "full-width"),
    "nearly a column of numbers": (
        {"scans": with_column("load", *("12345"), "n/a", *("6789"))}, "nearly-a-number",
        "scans.csv:7:load", '"n/a"'),
    "path with a NUL": (
        {"study": swapped(SETTINGS, ('"poses.csv"', '"a\\u0000b"'))}, "outside",
        "study.toml::scans.poses", "not a usable file name"),
}  # fmt: skip


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("72.5 °F", "22.5 °C"),
        ("295.65 K", "22.5 °C"),
        ("01:35", "(95 s)"),
        ("1:02:03", "(3723 s)"),
        ("12.5 mm", "in that of the column: 12.5"),
        ("#DIV/0!", "leave the cell empty"),
    ],
)
def test_the_hint_for_a_cell_never_asks_for_a_number_in_another_unit(text, said):
    with pytest.raises(InputError) as caught:
        parse_number(text, comma_decimals=False)
    assert said in caught.value.hint


@pytest.mark.parametrize("height", [10.0, -8.5])
def test_positions_at_another_height_are_named_with_the_height(height):
    rng = np.random.default_rng(1)
    points = rng.uniform(-20, 20, (4, 3))
    axes = unit(np.array([0.0, 0.0, 1.0]) + rng.uniform(-0.3, 0.3, (4, 3)))
    seen = Positions(points + height * axes + rng.normal(0, 0.02, (4, 3)), axes)
    slip = find_slip(seen, Positions(points, axes))
    assert slip.code == "tops-as-platforms"
    assert slip.off_mm == pytest.approx(height, abs=0.2)
    # parallel axes: nothing is off, as a common height is a motion
    up = np.tile([0.0, 0.0, 1.0], (4, 1))
    assert find_slip(Positions(points + height * up, up), Positions(points, up)) is None


def test_warnings_that_only_follow_from_an_error_in_a_cell_are_left_out(tmp_path):
    poses = swapped(POSES, ("s3,M,I3,48.05", "s3,M,I3,n/a"))
    assert {code for code, _ in found(write(tmp_path, DRIFT, poses=poses))} == {"not-a-number"}


TOUCHES = "model,implant,feature,x_mm,y_mm,z_mm\n" + "".join(
    f"M,I{i},{kind},{x + 20 * i:.4f},{y:.4f},{z:.4f}\n"
    for i in (1, 2)
    for kind, points in (
        ("plane", [(0, 0, 0), (1, 0, 0), (0, 1, 0), (1, 1, 0.001)]),
        ("cylinder", [(2 * np.cos(t), 2 * np.sin(t), t) for t in np.linspace(0.1, 6, 9)]),
    )
    for x, y, z in points
)
PROBED = DRIFT | {
    "study": swapped(SETTINGS, ("[reference]", '[reference]\ntouch_points = "touch_points.csv"')),
    "touch_points": TOUCHES,
}


@pytest.mark.parametrize("table", ["poses", "implants", "touch_points"])
def test_a_number_whose_square_overflows_is_told_and_not_reckoned_with(tmp_path, table):
    lines = PROBED[table].splitlines()
    of = PROBED if table == "touch_points" else DRIFT
    columns = lines[0].split(",")
    for k, column in enumerate(columns):
        if column.endswith(("_mm", "_x", "_y", "_z")):
            cells = lines[1].split(",")
            cells[k] = "-1e200"
            text = "\n".join([lines[0], ",".join(cells), *lines[2:]])
            codes = {code for code, _ in found(write(tmp_path, of, **{table: text}))}
            assert "implausible-value" in codes, column


def test_rows_that_the_spreadsheet_hides_are_read_and_told(tmp_path):
    book = openpyxl.Workbook()
    for row in csv.reader(io.StringIO(IMPLANTS)):
        book.active.append([float(c) if c[:1].isdigit() else c for c in row])
    book.active.row_dimensions[3].hidden = True
    book.save(tmp_path / "implants.xlsx")
    settings = swapped(SETTINGS, ("[reference]\n", '[reference]\nimplants = "implants.xlsx"\n'))
    told = found(write(tmp_path, DRIFT, study=settings))
    assert list(told) == [("hidden-rows", "implants.xlsx:3")]


def test_a_list_that_names_files_without_their_folder_is_read_and_told(meshes, tmp_path):
    with twin_in(meshes, tmp_path, "s2.stl", (meshes / "scans/s2.stl").read_bytes()) as folder:
        text = (folder / "scans.csv").read_text()
        (folder / "scans.csv").write_text(text.replace("scans/", ""))
        told = [f for f in found(folder).values() if f.code == "files-in-scans"]
        assert load_study(folder).scans["file"].str.startswith("scans/").all()
    assert "are in the folder scans: s1.stl, s2.stl" in told[0].what


def test_cells_parted_by_another_sign_are_told_so(tmp_path):
    told = found(write(tmp_path, DRIFT, implants=IMPLANTS.replace(",", "|")))
    assert 'separated by "|"' in told["missing-column", "reference/implants.csv:1:model"].mend


@pytest.mark.parametrize("case", list(ODD))
def test_an_odd_thing_is_found_at_its_place_with_its_value_and_a_hint(tmp_path, case):
    files, code, where, value = ODD[case]
    finding = found(write(tmp_path, DRIFT, **files))[code, where]
    assert value in finding.what
    assert finding.mend


def test_odd_things_of_all_files_come_at_once_warnings_too(tmp_path):
    everything = found(
        write(
            tmp_path,
            DRIFT,
            scans=swapped(SCANS, ("s3,M,device A", "s3,N,Device A"), ("T10:20", "T09:20")),
            implants=swapped(IMPLANTS, ("48,0,2,0,0,1", "48,0,2,0,0,-1")),
            poses=swapped(POSES, ("s2,M,I2", "s2,M,I9")),
            events=EVENTS + "2226-01-15,device B,service,,false\n",
        )
    )
    assert {where for _, where in everything} >= {
        "scans.csv:4:model",
        "scans.csv:4:device",
        "scans.csv:3:measured_at",
        "reference/implants.csv:4:axis_x",
        "poses.csv:6:implant",
        "events.csv:3:at",
        "events.csv:3:device",
    }
    rank = [f.severity is Severity.ERROR for f in everything.values()]
    assert rank == sorted(rank, reverse=True)


@pytest.mark.parametrize(
    ("one", "other"),
    [("1-1", "11"), ("4.01", "4.1"), ("device A", "device B"), ("A", "AA"), ("north", "south")],
)
def test_levels_that_differ_in_more_are_two_levels(tmp_path, one, other):
    rows = "".join(
        f"s{k},M,device A,{one if k < 3 else other},1,{k},2026-01-01\n" for k in (1, 2, 3)
    )
    assert not found(write(tmp_path, DRIFT, scans=SCANS.splitlines()[0] + "\n" + rows))


def test_a_line_break_in_a_sentence_is_a_blank(tmp_path):
    folder = write(tmp_path, DRIFT, events=EVENTS.replace("tip", '"new tip,\r\nsee sheet 3"'))
    assert found(folder) == {}


def test_more_faults_than_anybody_reads_are_counted(tmp_path):
    rows = "".join(f"t{k},M,device A,1,1,1,yesterday\n" for k in range(1500))
    everything = found(write(tmp_path, DRIFT, scans=SCANS + rows))
    days = [where for code, where in everything if code == "not-a-date"]
    assert len(days) == 1000
    assert "500 more errors" in everything["more-faults", "scans.csv::measured_at"].what


@pytest.fixture(scope="module")
def meshes(tmp_path_factory):
    """Three scans of three implants as small meshes."""
    folder = tmp_path_factory.mktemp("meshes")
    reference = reference_model(3, angulation_deg=5.0, model="M", seed=5)
    body = body_shape("cylinder-flat").drawing(segment_mm=0.6).mesh
    scans = "scan,file,model,device\n" + "".join(f"s{k},scans/s{k}.stl,M,A\n" for k in (1, 2, 3))
    write(
        folder,
        study='[study]\ntitle = "x"\nkind = "validation"\n[scans]\ntemperature_c = 20.0\n'
        "expansion_per_k = 7e-5\n[reference]\nmpe_um = { constant = 1.9 }\n"
        '[scan_body.default]\nmesh = "body.stl"\naxis = [0, 0, 1]\n',
        scans=scans,
        implants=csv_bytes("implants", reference),
    )
    (folder / "body.stl").write_bytes(stl_bytes(body, decimals=6))
    (folder / "scans").mkdir()
    for k in (1, 2, 3):
        moved = Mesh(body.vertices_mm + np.array([k, 2.0, 3.0]), body.faces)
        (folder / f"scans/s{k}.stl").write_bytes(stl_bytes(moved, decimals=6))
    assert not [f for f in check_study(folder) if f.severity is Severity.ERROR]
    return folder


def ply_of(stl):
    """The same triangles as an ASCII PLY, in another order."""
    from accstudy.mesh.read import read_mesh

    mesh = read_mesh(stl)
    points = mesh.vertices_mm.astype(np.float32)
    lines = [" ".join(repr(float(v)) for v in p) for p in points]
    lines += [f"3 {a} {b} {c}" for b, c, a in mesh.faces[::-1]]
    head = (
        f"ply\nformat ascii 1.0\nelement vertex {len(points)}\nproperty float x\n"
        f"property float y\nproperty float z\nelement face {len(mesh.faces)}\n"
        "property list uchar int vertex_indices\nend_header\n"
    )
    return (head + "\n".join(lines) + "\n").encode()


@pytest.mark.parametrize("how", ["copy", "other header", "packed", "other format"])
def test_the_same_triangles_under_another_name_are_found(meshes, tmp_path, how):
    data = (meshes / "scans/s1.stl").read_bytes()
    name, twin = {
        "copy": ("s2.stl", data),
        "other header": ("s2.stl", b"another".ljust(80, b"\0") + data[80:]),
        "packed": ("s2.stl.gz", gzip.compress(data)),
        "other format": ("s2.ply", ply_of(meshes / "scans/s1.stl")),
    }[how]
    with twin_in(meshes, tmp_path, name, twin) as folder:
        finding = found(folder)["same-scan-twice", "scans.csv:3:file"]
    assert f'"scans/{name}"' in finding.what
    assert '"scans/s1.stl"' in finding.what


def twin_in(meshes, tmp_path, name, data):
    import contextlib
    import shutil

    @contextlib.contextmanager
    def copied():
        folder = shutil.copytree(meshes, tmp_path / "study")
        (folder / "scans" / name).write_bytes(data)
        text = (folder / "scans.csv").read_text()
        (folder / "scans.csv").write_text(text.replace("scans/s2.stl", f"scans/{name}"))
        yield folder

    return copied()


def test_faults_of_meshes_and_of_tables_come_at_once(meshes, tmp_path):
    data = (meshes / "scans/s1.stl").read_bytes()
    with twin_in(meshes, tmp_path, "s2.stl", data[:-7]) as folder:
        (folder / "scans.csv").write_text(
            (folder / "scans.csv").read_text() + "s4,scans/s4.stl,N,a\n"
        )
        everything = found(folder)
    assert {code for code, _ in everything} >= {
        "mesh",
        "unknown-model",
        "no-file",
        "level-spelling",
    }


def test_a_scan_body_that_stands_on_its_head_is_found(meshes, tmp_path):
    with twin_in(meshes, tmp_path, "s2.stl", (meshes / "scans/s2.stl").read_bytes()) as folder:
        text = (folder / "study.toml").read_text().replace("[0, 0, 1]", "[0, 0, -1]")
        (folder / "study.toml").write_text(text + "use_above_mm = 0\n")
        finding = next(f for (code, _), f in found(folder).items() if code != "no-temperature")
    assert finding.where.startswith("study.toml::scan_body.default")
    assert "below" in finding.what


@pytest.mark.skipif(os.name == "nt", reason="links need a right of their own there")
def test_a_link_out_of_the_study_is_refused_unless_allowed(tmp_path):
    folder = write(tmp_path / "study", DRIFT)
    (tmp_path / "poses.csv").write_text(POSES)
    (folder / "poses.csv").unlink()
    (folder / "poses.csv").symlink_to(tmp_path / "poses.csv")
    assert list(found(folder)) == [("outside", "study.toml::scans.poses")]
    assert check_study(folder, allow_outside=True) == ()


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="pipes of POSIX")
@pytest.mark.parametrize("name", ["study.toml", "scans.csv", "poses.csv"])
def test_a_pipe_in_place_of_a_file_does_not_hang(tmp_path, name):
    folder = write(tmp_path, DRIFT)
    (folder / name).unlink()
    os.mkfifo(folder / name)
    finding = next(iter(found(folder).values()))
    assert "not a file" in finding.what
    assert name in finding.where


def workbook(path, *, cells=(), dimension="A1:B2", rows=""):
    """Write a workbook by hand, so that it may say what no program would write."""
    kinds = "application/vnd.openxmlformats-officedocument.spreadsheetml"
    listed = "".join(f'<c r="{at}" {more}>{inner}</c>' for at, more, inner in cells)
    files = {
        "[Content_Types].xml": '<Types xmlns="http://schemas.openxmlformats.org/package/2006/'
        'content-types"><Default Extension="rels" ContentType="application/vnd.openxmlformats-'
        'package.relationships+xml"/><Override PartName="/xl/workbook.xml" ContentType="'
        f'{kinds}.sheet.main+xml"/><Override PartName="/xl/worksheets/sheet1.xml" ContentType="'
        f'{kinds}.worksheet+xml"/></Types>',
        "_rels/.rels": '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/'
        'relationships"><Relationship Id="r1" Type="http://schemas.openxmlformats.org/'
        'officeDocument/2006/relationships/officeDocument" Target="xl/workbook.xml"/>'
        "</Relationships>",
        "xl/workbook.xml": '<workbook xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/'
        'main" xmlns:r="http://schemas.openxmlformats.org/officeDocument/2006/relationships">'
        '<sheets><sheet name="a" sheetId="1" r:id="r1"/></sheets></workbook>',
        "xl/_rels/workbook.xml.rels": '<Relationships xmlns="http://schemas.openxmlformats.org/'
        'package/2006/relationships"><Relationship Id="r1" Type="http://schemas.openxmlformats.'
        'org/officeDocument/2006/relationships/worksheet" Target="worksheets/sheet1.xml"/>'
        "</Relationships>",
        "xl/worksheets/sheet1.xml": '<worksheet xmlns="http://schemas.openxmlformats.org/'
        f'spreadsheetml/2006/main"><dimension ref="{dimension}"/><sheetData>'
        f'<row r="1">{listed}</row>{rows}</sheetData></worksheet>',
    }
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, text in files.items():
            archive.writestr(name, text)
    return path


def text_cell(at, text):
    return at, 't="inlineStr"', f"<is><t>{text}</t></is>"


def test_a_workbook_that_claims_a_whole_sheet_costs_no_time(tmp_path):
    far = '<row r="1048576"><c r="XFD1048576"><v>7</v></c></row>'
    path = workbook(
        tmp_path / "a.xlsx",
        cells=[text_cell("A1", "scan")],
        dimension="A1:XFD1048576",
        rows='<row r="2"><c r="A2" t="inlineStr"><is><t>s1</t></is></c></row>' + far,
    )
    from accstudy.errors import InputError

    with pytest.raises(InputError, match="cells"):
        read_sheet(path, file="a.xlsx")


def test_a_formula_without_a_value_is_refused_and_one_with_a_value_is_read(tmp_path):
    from accstudy.errors import InputError

    head = [text_cell("A1", "scan"), text_cell("B1", "repeat")]
    row = (
        '<row r="2"><c r="A2" t="inlineStr"><is><t>s1</t></is></c><c r="B2"><f>1+1</f>{}</c></row>'
    )
    read = read_sheet(
        workbook(tmp_path / "a.xlsx", cells=head, rows=row.format("<v>2</v>")), file="a.xlsx"
    )
    assert read.rows == (("s1", "2"),)
    bare = workbook(tmp_path / "b.xlsx", cells=head, rows=row.format(""))
    with pytest.raises(InputError, match="formula") as caught:
        read_sheet(bare, file="b.xlsx")
    assert caught.value.where == "b.xlsx:2:repeat"


def test_a_workbook_that_unpacks_to_much_is_refused(tmp_path):
    from accstudy.errors import InputError

    path = tmp_path / "a.xlsx"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/worksheets/sheet1.xml", bytes(120_000_000))
    with pytest.raises(InputError, match="unpacked workbook is too large"):
        read_sheet(path, file="a.xlsx")


def test_a_table_of_very_many_cells_is_refused(tmp_path):
    from accstudy.errors import InputError

    path = tmp_path / "a.csv"
    path.write_text("a,b\n" + "1,2\n" * 3_000_000)
    with pytest.raises(InputError, match="cells"):
        read_sheet(path, file="a.csv")


@pytest.mark.parametrize(
    ("names", "said"),
    [
        ([f"I{k}" for k in range(101)], "101 implants"),
        (["I1"] * 2_001, "2001 rows"),
    ],
)
def test_a_sketch_without_end_is_refused_before_it_is_compared(names, said):
    """Gaps between 200,000 rows would have taken 600 GB."""
    rows = pd.DataFrame({"model": "M", "implant": names, "x_mm": 0.0, "y_mm": 0.0, "z_mm": 0.0})
    [finding] = check_sketch(rows.assign(row=range(2, len(rows) + 2)), file="sketch.csv")
    assert finding.code == "too-many-implants"
    assert said in finding.what


def test_a_date_of_thousands_of_digits_is_told(tmp_path):
    """Python converts no integer of more than 4,300 digits."""
    events = EVENTS.replace("2026-01-15", "1" * 5_000)
    told = found(write(tmp_path, DRIFT, events=events))
    assert ("not-a-date", "events.csv:2:at") in told
