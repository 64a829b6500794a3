"""Odd settings, names and workbooks end soon, with an error that names the place."""

import os
import time
import zipfile

import openpyxl
import pytest
from click.testing import CliRunner
from openpyxl.chart import LineChart, Reference

from accstudy.cli import main
from accstudy.errors import InputError, StudyError
from accstudy.study.files import ChangedFileError, Files, MissingFileError, read_bytes
from accstudy.study.header import read_sheet
from accstudy.study.record import digest
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
    ],
    ids=["table of many parts", "key of many parts", "many tables", "digits", "brackets"],
)
def test_settings_without_end_are_refused_soon(tmp_path, text):
    (tmp_path / "study.toml").write_text(text)
    start = time.process_time()
    with pytest.raises(StudyError) as caught:
        read_settings(tmp_path / "study.toml")
    assert time.process_time() - start < 5.0
    assert "study.toml" in caught.value.where


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


def test_a_workbook_of_two_million_shared_strings_is_refused_soon(tmp_path):
    book = openpyxl.Workbook()
    book.active.append(["scan", "model"])
    book.save(tmp_path / "a.xlsx")
    strings = b'<sst xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">'
    with (
        zipfile.ZipFile(tmp_path / "a.xlsx") as given,
        zipfile.ZipFile(tmp_path / "b.xlsx", "w", zipfile.ZIP_DEFLATED) as made,
    ):
        for name in given.namelist():
            if "sharedStrings" not in name:
                made.writestr(name, given.read(name))
        made.writestr(
            "xl/sharedStrings.xml", strings + b"<si><t>x</t></si>" * 2_000_000 + b"</sst>"
        )
    assert (tmp_path / "b.xlsx").stat().st_size < 2_000_000
    start = time.process_time()
    with pytest.raises(InputError, match="unpacked workbook is too large"):
        read_sheet(tmp_path / "b.xlsx", file="b.xlsx")
    assert time.process_time() - start < 5.0
