"""Scan lists as spreadsheets leave them, exports of odd shape, calls at the same time, kills."""

from __future__ import annotations

import csv
import os
import signal
import subprocess
import sys
import time

import pandas as pd
import pytest
from click.testing import CliRunner
from stl_files import stl_bytes

from accstudy.cli import main
from accstudy.simulate.arch import reference_model
from accstudy.tables import csv_bytes

ROWS = (
    ("a1", "scans/a1.stl", "M", "device A", "1", "week 1", "1", "2025-01-06T09:00:00", "ok", "x"),
    ("a2", "scans/a2.stl", "M", "device A", "1", "week 1", "2", "2025-01-06T09:10:00", "ok", ""),
)
COLUMNS = ("scan", "file", "model", "device", "operator", "session", "repeat", "measured_at",
           "status", "remarks")  # fmt: skip
CORNERS = [[0, 0, 0], [10, 0, 0], [0, 10, 0], [0, 0, 10]]
FACES = [[0, 2, 1], [0, 1, 3], [1, 2, 3], [2, 0, 3]]


def call(*words):
    return CliRunner().invoke(main, [str(w) for w in words], catch_exceptions=False)


def mesh(file, size, day="2025-01-13"):
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_bytes(stl_bytes(pd.DataFrame(CORNERS).to_numpy(float) * size,
                               pd.DataFrame(FACES).to_numpy("int32")))  # fmt: skip
    at = pd.Timestamp(f"{day} 10:00").timestamp()
    os.utime(file, (at, at))
    return file


@pytest.fixture
def study(tmp_path):
    folder = tmp_path / "study"
    (folder / "reference").mkdir(parents=True)
    model = reference_model(4, model="M", seed=4)
    (folder / "reference/implants.csv").write_bytes(csv_bytes("implants", model))
    (folder / "study.toml").write_text(
        '[study]\ntitle = "hostile"\nkind = "drift"\n[scan_body.default]\n'
        "cylinder = { radius_mm = 2, height_mm = 8, flat_offset_mm = 1.5, flat_from_mm = 4 }\n"
    )
    for k in (1, 2):
        mesh(folder / f"scans/a{k}.stl", k)
    write(folder)
    return folder


def write(study, columns=COLUMNS, *, delimiter=",", quote=csv.QUOTE_MINIMAL, end="\n",
          encoding="utf-8", rows=ROWS):  # fmt: skip
    with (study / "scans.csv").open("w", encoding=encoding, newline="") as stream:
        writer = csv.writer(stream, delimiter=delimiter, quoting=quote, lineterminator=end)
        writer.writerow(columns)
        writer.writerows([dict(zip(COLUMNS, row, strict=True)).get(c, "") for c in columns]
                         for row in rows)  # fmt: skip


def listed(study, *, delimiter=",", encoding="utf-8"):
    text = (study / "scans.csv").read_bytes().decode(encoding)
    return list(csv.DictReader(text.splitlines(), delimiter=delimiter))


def add(study, *files, session="week 2"):
    words = ("--session", session) if session else ()
    return call("add", study, *files, *words, "--expect", "0")


FORMS = {
    "semicolons, CRLF, a byte order mark": {
        "delimiter": ";",
        "end": "\r\n",
        "encoding": "utf-8-sig",
    },
    "every cell quoted": {"quote": csv.QUOTE_ALL, "end": "\r\n"},
    "tabs and UTF-16": {"delimiter": "\t", "encoding": "utf-16"},
    "another order of the columns": {"columns": COLUMNS[::-1]},
}


@pytest.mark.parametrize("form", FORMS.values(), ids=FORMS.keys())
def test_lists_as_spreadsheets_leave_them_keep_every_byte(study, tmp_path, form):
    write(study, **form)
    before = (study / "scans.csv").read_bytes()
    done = add(study, mesh(tmp_path / "export/arch.stl", 3))
    assert done.exit_code == 0, done.output
    assert (study / "scans.csv").read_bytes().startswith(before)
    rows = listed(
        study, delimiter=form.get("delimiter", ","), encoding=form.get("encoding", "utf-8")
    )
    assert len(rows) == 3
    assert rows[-1]["scan"] == "arch"
    assert rows[-1]["session"] == "week 2"
    assert rows[-1]["device"] == "device A"
    assert rows[-1]["operator"] == "1"
    assert rows[-1]["measured_at"] == "2025-01-13T10:00:00"
    assert call("check", study, "--quiet").exit_code == 0


def test_a_list_without_the_columns_it_need_not_have_can_be_added_to(study, tmp_path):
    write(study, [c for c in COLUMNS if c not in ("repeat", "status", "remarks", "operator")])
    done = call("add", study, mesh(tmp_path / "e/arch.stl", 3), "--session", "week 2")
    assert done.exit_code == 0, done.output
    assert "without a column status" in done.output
    assert len(listed(study)) == 3


def test_a_list_that_lacks_what_every_session_needs_is_left_alone(study, tmp_path):
    write(study, [c for c in COLUMNS if c != "session"])
    before = (study / "scans.csv").read_bytes()
    done = add(study, mesh(tmp_path / "e/arch.stl", 3))
    assert done.exit_code == 3
    assert "no column session" in done.output
    assert (study / "scans.csv").read_bytes() == before
    assert len(list((study / "scans").rglob("*.stl"))) == 2


def test_files_of_one_name_in_folders_of_their_own(study, tmp_path):
    export = tmp_path / "export"
    for k, jaw in enumerate(("scan 1/upper", "scan 2/upper"), start=3):
        mesh(export / jaw / "arch.stl", k)
    done = add(study, export)
    assert done.exit_code == 0, done.output
    files = [row["file"] for row in listed(study)[2:]]
    assert files == ["scans/week_2_device_A/scan 1/upper/arch.stl",
                     "scans/week_2_device_A/scan 2/upper/arch.stl"]  # fmt: skip
    assert len({row["scan"] for row in listed(study)}) == 4
    one, two = (mesh(tmp_path / "more" / n / "arch.stl", k) for k, n in enumerate("pq", start=5))
    done = add(study, one, two, session="week 3")
    assert done.exit_code == 0, done.output
    assert {row["file"] for row in listed(study)[4:]} == {
        "scans/week_3_device_A/arch.stl", "scans/week_3_device_A/q_arch.stl",
    }  # fmt: skip


def test_the_same_name_every_week_without_a_session(study, tmp_path):
    for k, day in enumerate(("2025-01-13", "2025-01-20"), start=3):
        done = add(study, mesh(tmp_path / "arch.stl", k, day), session="")
        assert done.exit_code == 0, done.output
    assert [row["session"] for row in listed(study)[2:]] == ["2025-01-13", "2025-01-20"]
    done = add(study, mesh(tmp_path / "arch.stl", 5, "2025-01-20"), session="")
    assert done.exit_code == 3
    assert "already exists" in done.output
    assert len(listed(study)) == 4


def test_a_device_that_the_list_does_not_know_is_said(study, tmp_path):
    done = call("add", study, mesh(tmp_path / "arch.stl", 3), "--session", "week 2",
                "--device", "devcie A", "--set", "operator=1", "--expect", "0")  # fmt: skip
    assert done.exit_code == 0, done.output
    assert 'device "devcie A" is new' in done.output
    assert "the scan list has device A" in done.output
    assert "is new" not in call("add", study, mesh(tmp_path / "b/arch.stl", 4), "--session", "w 3",
                                "--device", "device A", "--expect", "0").output  # fmt: skip


def test_a_second_file_that_cannot_be_copied_takes_the_first_back(study, tmp_path):
    taken = mesh(study / "scans/week_2_device_A/b.stl", 9)
    before = (study / "scans.csv").read_bytes()
    one, two = mesh(tmp_path / "a.stl", 3), mesh(tmp_path / "b.stl", 4)
    done = add(study, one, two)
    assert done.exit_code == 3
    assert "already exists" in done.output
    assert sorted(p.name for p in taken.parent.iterdir()) == ["b.stl"]
    assert (study / "scans.csv").read_bytes() == before


def start(study, *files, **more):
    words = [sys.executable, "-m", "accstudy", "add", str(study), *map(str, files), "--session",
             "week 2", "--expect", "0", "--device", "device A"]  # fmt: skip
    return subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
                            **more)  # fmt: skip


def test_two_additions_at_a_time_do_not_lose_rows(study, tmp_path):
    files = [mesh(tmp_path / f"s{k}.stl", k) for k in (3, 4)]
    running = [start(study, file) for file in files]
    said = [one.communicate(timeout=120)[0] for one in running]
    codes = [one.returncode for one in running]
    for file, code, text in zip(files, codes, said, strict=True):
        if code:
            assert "is working on this study" in text
            assert add(study, file).exit_code == 0
    assert sorted(row["scan"] for row in listed(study)) == ["a1", "a2", "s3", "s4"]
    assert sorted(row["repeat"] for row in listed(study)[2:]) == ["1", "2"]


@pytest.mark.skipif(sys.platform == "win32", reason="kills by signal")
@pytest.mark.parametrize(
    "delay_s",
    [pytest.param(0.6, marks=pytest.mark.slow), 1.2, pytest.param(1.8, marks=pytest.mark.slow)],
)
def test_a_call_that_is_killed_can_be_made_again(study, tmp_path, delay_s):
    export = tmp_path / "export"
    for k in range(3, 15):
        mesh(export / f"s{k:02d}.stl", k)
    before = (study / "scans.csv").read_bytes()
    running = start(study, export)
    time.sleep(delay_s)
    running.send_signal(signal.SIGKILL)
    running.communicate()
    after = (study / "scans.csv").read_bytes()
    assert after.startswith(before)
    assert len(listed(study)) in (2, 14)  # nothing, or all
    if len(listed(study)) == 2:
        assert add(study, export).exit_code == 0
    assert len(listed(study)) == 14
    assert all((study / row["file"]).is_file() for row in listed(study))
    assert call("check", study, "--quiet").exit_code == 0
