"""Odd settings, names and workbooks end soon, with an error that names the place."""

import os
import time
import tracemalloc
import zipfile
from collections import Counter

import openpyxl
import pytest
from click.testing import CliRunner
from openpyxl.chart import LineChart, Reference

from accstudy.cli import main
from accstudy.errors import InputError, StudyError
from accstudy.study.files import ChangedFileError, Files, MissingFileError, digest, read_bytes
from accstudy.study.layout import read_sheet
from accstudy.study.load import survey_study
from accstudy.study.record import drawn_orders
from accstudy.study.toml import read_settings

HEAD = '[study]\ntitle = "x"\nkind = "validation"\n'


@pytest.mark.parametrize(
    "text",
    [
        HEAD + "[" + ".".join(["a"] * 100_000) + "]\n",
        HEAD + ".".join(["a"] * 100_000) + " = 1\n",
        HEAD + "".join("[" + ".".join([f"a{i}"] + ["a"] * 190) + "]\n" for i in range(300)),
        HEAD + "[limits]\ncoverage = " + "9" * 5_000 + "\n",
        HEAD + "a = " + "[" * 100_000 + "\n",
        HEAD + "".join(f"[[model]]\nname='{k}'\nresponse='pair.distance_um'\n" for k in range(60)),
        HEAD + "#\n" * 300_000,
    ],
    ids=[
        "table of many parts",
        "key of many parts",
        "many tables",
        "digits",
        "brackets",
        "models",
        "lines",
    ],
)
def test_settings_without_end_are_refused_soon(tmp_path, text):
    (tmp_path / "study.toml").write_text(text)
    start = time.process_time()
    with pytest.raises(StudyError) as caught:
        read_settings(tmp_path / "study.toml")
    assert time.process_time() - start < 5.0
    assert "study.toml" in caught.value.where


def test_a_long_list_costs_no_more_than_its_rows(tmp_path):
    """Files that are not there, names that are not known and slips of the pen."""
    n = 8_000
    (tmp_path / "reference").mkdir()
    (tmp_path / "reference/implants.csv").write_text(
        "model,implant,x_mm,y_mm,z_mm,axis_x,axis_y,axis_z\nM,I1,0,0,0,0,0,1\nM,I2,20,0,0,0,0,1\n"
    )
    body = "[scan_body.b]\ncylinder = { radius_mm = 2, height_mm = 8 }\n"
    (tmp_path / "study.toml").write_text(HEAD + body)
    rows = "".join(
        f"s{k},{'M' if k % 2 else f'N{k}'},operator{k % 3},session {k},{k % 9},"
        f"2026-01-{k % 28 + 1:02d},scans/s{k}.stl\n"
        for k in range(n)
    )
    (tmp_path / "scans.csv").write_text(
        "scan,model,operator,session,repeat,measured_at,file\n" + rows
    )
    start = time.process_time()
    found = survey_study(tmp_path).findings
    assert (
        time.process_time() - start < 8.0
    )  # it was minutes; 100,000 rows take 8 s on a quiet machine
    codes = Counter(f.code for f in found)
    assert codes["no-file"] == n
    assert codes["unknown-model"] == n / 2


def test_links_in_a_circle_and_to_nowhere_are_named_and_the_others_checked(tmp_path):
    for name in ("a.csv", "reference/implants.csv"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).symlink_to(tmp_path / name)
    (tmp_path / "study.toml").write_text(HEAD + '[scans]\nlist = "a.csv"\nposes = "gone.csv"\n')
    for command in ("check", "run", "audit", "measure"):
        done = CliRunner().invoke(main, [command, str(tmp_path)])
        assert done.exit_code == 3, done.output
    done = CliRunner().invoke(main, ["check", str(tmp_path)])
    for name in ("a.csv", "reference/implants.csv"):
        assert f'"{name}" is a link to a file that does not exist' in done.output
    assert 'no file "gone.csv"' in done.output


def test_a_pipe_is_not_waited_for(tmp_path):
    os.mkfifo(tmp_path / "a.csv")
    with pytest.raises(InputError, match="folder or a pipe"):
        read_sheet(tmp_path / "a.csv", file="a.csv")
    with pytest.raises(InputError, match="folder or a pipe"):
        read_bytes(tmp_path, file="folder", max_bytes=9)


def test_a_file_is_hashed_as_it_is_read_and_must_stay_the_same(tmp_path):
    (tmp_path / "a").write_bytes(b"one")
    files = Files(tmp_path)
    assert files.read("a", max_bytes=9) == b"one"
    (tmp_path / "a").write_bytes(b"two")
    assert files.digest("a") == digest(b"one")
    with pytest.raises(ChangedFileError, match="no longer the file"):
        files.read("a", max_bytes=9)
    with pytest.raises(ChangedFileError):
        files.only(["a"]).read("a", max_bytes=9)
    assert Files(tmp_path).read("a", max_bytes=3) == b"two"
    with pytest.raises(InputError, match="larger"):
        Files(tmp_path).read("a", max_bytes=2)
    with pytest.raises(MissingFileError):
        files.read("b", max_bytes=9)


def test_a_name_that_is_not_utf8_is_refused_by_its_name(tmp_path):
    (tmp_path / "scans").mkdir()
    try:
        (tmp_path / "scans" / os.fsdecode(b"\xff\xfe.stl")).write_bytes(b"x")
    except OSError:
        pytest.skip("this file system has no such names")
    done = CliRunner().invoke(main, ["list-scans", str(tmp_path / "scans")])
    assert done.exit_code == 3
    assert "not UTF-8" in done.output
    assert "udcff" in done.output


def test_a_chart_sheet_before_the_table_is_passed_over_and_one_alone_is_no_table(tmp_path):
    book = openpyxl.Workbook()
    sheet = book.active
    for row in (["scan", "model"], ["s1", "M"]):
        sheet.append(row)
    chart = LineChart()
    chart.add_data(Reference(sheet, min_col=1, min_row=1, max_row=2))
    book.create_chartsheet("c", 0).add_chart(chart)
    book.save(tmp_path / "a.xlsx")
    assert read_sheet(tmp_path / "a.xlsx", file="a.xlsx").rows == (("s1", "M"),)
    book.remove(sheet)
    book.active = 0
    book.save(tmp_path / "b.xlsx")
    with pytest.raises(InputError, match="not a readable workbook"):
        read_sheet(tmp_path / "b.xlsx", file="b.xlsx")


PARTS = {
    "strings": ("sharedStrings", b"</sst>", b"<si><t>x</t></si>" * 1_000_000),
    "rows": ("sheet1", b"</sheetData>", b"<row/>" * 3_000_000),
    "cells": ("sheet1", b"</sheetData>", b"<row>" + b"<c/>" * 4_000_000 + b"</row>"),
    "formulas": ("sheet1", b"</sheetData>", b"<row><c><f>1</f><v>1</v></c></row>" * 400_000),
    "styles": ("styles", b"</cellXfs>", b"<xf/>" * 3_000_000),
    "formats": ("styles", b"</cellXfs>", b'<xf numFmtId="14"/>' * 100_000),
    "fonts": ("styles", b"</fonts>", b"<font/>" * 100_000),
    "sheets": ("workbook", b"</sheets>", b'<sheet name="s" sheetId="2" r:id="rId1"/>' * 12_000),
    "merged": ("sheet1", b"</sheetData>", b'<mergeCell ref="A1:B2"/>' * 500_000),
    "nested": ("sheet1", b"</sheetData>", b"<a>" * 4_000_000),
    "two million strings": ("sharedStrings", b"</sst>", b"<si><t>x</t></si>" * 2_000_000),
}


@pytest.mark.parametrize("name", list(PARTS))
def test_a_workbook_with_endless_parts_is_refused_soon(tmp_path, name):
    part, end, more = PARTS[name]
    book = openpyxl.Workbook()
    book.active.append(["scan", "model"])
    book.save(tmp_path / "a.xlsx")
    with (
        zipfile.ZipFile(tmp_path / "a.xlsx") as given,
        zipfile.ZipFile(tmp_path / "b.xlsx", "w", zipfile.ZIP_DEFLATED, compresslevel=1) as made,
    ):
        for file in given.namelist():
            text = given.read(file)
            if file.endswith(f"{part}.xml"):
                assert end in text
                text = text.replace(end, more + end)
            made.writestr(file, text)
        if part == "sharedStrings" and not any(part in file for file in given.namelist()):
            made.writestr("xl/sharedStrings.xml", b"<sst>" + more + end)
    assert (tmp_path / "b.xlsx").stat().st_size < 2_000_000
    start = time.process_time()
    with pytest.raises(InputError, match=r"the (unpacked workbook|workbook has more)"):
        read_sheet(tmp_path / "b.xlsx", file="b.xlsx")
    assert time.process_time() - start < 5.0


def test_a_workbook_of_many_rows_is_read(tmp_path):
    book = openpyxl.Workbook(write_only=True)
    sheet = book.create_sheet("a")
    for k in range(2_000):
        sheet.append([f"s{k}", "M", k / 7])
    book.save(tmp_path / "a.xlsx")
    assert len(read_sheet(tmp_path / "a.xlsx", file="a.xlsx").rows) == 1_999


def changed_book(path, change):
    """A workbook of two rows, its parts changed by their names."""
    book = openpyxl.Workbook()
    for row in (["scan", "model"], ["s1", "M"]):
        book.active.append(row)
    book.save(path)
    with zipfile.ZipFile(path) as given:
        parts = {name: given.read(name) for name in given.namelist()}
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as made:
        for name, text in (parts | change(parts)).items():
            made.writestr(name, text)


def test_parts_of_a_workbook_that_are_not_needed_are_not_read(tmp_path):
    path = tmp_path / "a.xlsx"
    changed_book(path, lambda _: {"docProps/core.xml": b"<a>" * 100, "xl/theme/theme1.xml": b"<"})
    assert read_sheet(path, file="a.xlsx").rows == (("s1", "M"),)


def test_merged_cells_without_end_are_refused_soon(tmp_path):
    path, sheet = tmp_path / "a.xlsx", "xl/worksheets/sheet1.xml"
    rows = b"<row><c><v>1</v></c></row>" * 2_000
    merged = b"<mergeCells>" + b'<mergeCell ref="A1:A1048576"/>' * 2_000 + b"</mergeCells>"
    end = b"</sheetData>"
    changed_book(path, lambda parts: {sheet: parts[sheet].replace(end, rows + end + merged)})
    with pytest.raises(InputError, match="merged cells cover more"):
        read_sheet(path, file="a.xlsx")


def test_a_part_that_unpacks_to_more_than_it_states_is_no_workbook(tmp_path):
    path = tmp_path / "a.xlsx"
    changed_book(path, lambda _: {"xl/worksheets/sheet1.xml": bytes(9_000_000)})
    data = bytearray(path.read_bytes())
    size = (9_000_000).to_bytes(4, "little")
    assert data.count(size) == 2
    path.write_bytes(data.replace(size, (100).to_bytes(4, "little")))
    tracemalloc.start()
    with pytest.raises(InputError, match="not a readable workbook"):
        read_sheet(path, file="a.xlsx")
    assert tracemalloc.get_traced_memory()[1] < 3_000_000
    tracemalloc.stop()


@pytest.mark.parametrize("text", ["[" * 100_000, '{"a":' * 100_000, "9" * 5_000, "\udcff", "[]"])
def test_an_order_that_is_none_is_a_file_of_the_users(tmp_path, text):
    (tmp_path / "plan").mkdir()
    (tmp_path / "plan/order.json").write_bytes(text.encode("utf-8", "surrogateescape"))
    (tmp_path / "plan/order_2.json").write_text('{"seed": 1, "order": []}')
    assert list(drawn_orders(Files(tmp_path))) == ["plan/order_2.json"]


def test_rows_without_end_are_refused_and_a_thousand_errors_of_a_column_are_enough(
    tmp_path, monkeypatch
):
    path = tmp_path / "a.csv"
    path.write_text("scan,model\n" + "a\n" * 4_000)
    monkeypatch.setattr("accstudy.study.sheet._MAX_ROWS", 4_000)
    with pytest.raises(InputError, match="4000 rows"):
        read_sheet(path, file="a.csv")
    (tmp_path / "study.toml").write_text(HEAD)
    (tmp_path / "reference").mkdir()
    (tmp_path / "reference/implants.csv").write_text(
        "model,implant,x_mm,y_mm,z_mm,axis_x,axis_y,axis_z\n" + "M,I1,0,0,0,0,0,1\n" * 9
    )
    (tmp_path / "scans.csv").write_text("scan,model\n" + "a\n" * 3_000)
    codes = Counter(f.code for f in survey_study(tmp_path).findings if "scans.csv" in f.where)
    assert codes == {"empty-cell": 1000, "more-faults": 1}
    (tmp_path / "scans.csv").write_text("scan,model\n" + "a,M\n" * 3_000)
    codes = Counter(f.code for f in survey_study(tmp_path).findings if "scans" in f.where)
    assert codes["duplicate-scan"] == 1000
    assert codes["more-faults"] == 1


@pytest.mark.parametrize(
    ("row", "says"),
    [
        (lambda k: f"M,I{k},{2 * k},0,0,0,0,1\n", "implants; at most 100"),
        (lambda k: f"M{k},I1,0,0,0,0,0,1\n", "models; at most"),
        (lambda k: f"M{k % 9},I{k},0,0,0,0,0,1\n" * 20, "rows of 9 models; at most"),
        (lambda k: "M,I1,0,0,0,0,0,1\n", "is listed 300 times"),
    ],
    ids=["implants", "models", "rows", "the same"],
)
def test_a_reference_without_end_is_refused_soon(tmp_path, row, says):
    (tmp_path / "reference").mkdir()
    (tmp_path / "study.toml").write_text(HEAD)
    (tmp_path / "scans.csv").write_text("scan,model\ns1,M\n")
    head = "model,implant,x_mm,y_mm,z_mm,axis_x,axis_y,axis_z\n"
    (tmp_path / "reference/implants.csv").write_text(head + "".join(map(row, range(300))))
    start = time.process_time()
    found = survey_study(tmp_path).findings
    assert time.process_time() - start < 3.0
    assert any(says in f.what for f in found)
