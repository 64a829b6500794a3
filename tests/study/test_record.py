"""Writing leaves the old results or the new ones, whole."""

import json
import math
import os
import shutil
import signal
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import pytest

import accstudy
from accstudy.errors import NotOursError, OutputError
from accstudy.study.files import digest, file_digest, recover, replace_folder
from accstudy.study.record import json_bytes, program_digest


def files(folder):
    return {p.name: p.read_text() for p in folder.iterdir()}


def test_a_folder_is_replaced_as_a_whole(tmp_path):
    folder = tmp_path / "results"
    for round_ in ("one", "two"):
        with replace_folder(folder) as new:
            (new / f"{round_}.csv").write_text(round_)
        assert files(folder) == {f"{round_}.csv": round_}
    assert [p.name for p in tmp_path.iterdir()] == ["results"]


def test_what_the_user_put_there_stays(tmp_path):
    folder = tmp_path / "results"
    (folder / "mine").mkdir(parents=True)
    (folder / "mine" / "notes.txt").write_text("keep")
    (folder / "old.csv").write_text("the tool's")
    with replace_folder(folder, own=lambda name: name.endswith(".csv")) as new:
        (new / "new.csv").write_text("the tool's")
    assert sorted(p.name for p in folder.iterdir()) == ["mine", "new.csv"]
    assert (folder / "mine" / "notes.txt").read_text() == "keep"


def test_an_error_while_writing_leaves_the_old_folder(tmp_path):
    folder = tmp_path / "results"
    with replace_folder(folder) as new:
        (new / "a.csv").write_text("old")

    def interrupted():
        with replace_folder(folder) as new:
            (new / "a.csv").write_text("half")
            raise RuntimeError

    with pytest.raises(RuntimeError):
        interrupted()
    assert files(folder) == {"a.csv": "old"}
    recover(folder)
    assert [p.name for p in tmp_path.iterdir()] == ["results"]


def test_a_disk_error_is_told_with_a_way_out(tmp_path):
    folder = tmp_path / "results"
    with (
        pytest.raises(OutputError, match="cannot be written"),
        replace_folder(folder),
    ):
        raise OSError(28, "No space left on device")


@pytest.mark.skipif(os.name == "nt", reason="needs SIGKILL")
def test_a_killed_writer_leaves_old_or_new(tmp_path):
    folder = tmp_path / "results"
    with replace_folder(folder) as new:
        for i in range(20):
            (new / f"{i}.csv").write_text("0")
    script = textwrap.dedent(
        f"""
        from pathlib import Path
        from accstudy.study.files import replace_folder
        n = 0
        while True:
            n += 1
            with replace_folder(Path({str(folder)!r})) as new:
                for i in range(20):
                    (new / f"{{i}}.csv").write_text(str(n))
        """
    )
    for delay in (0.13, 0.171, 0.2, 0.237, 0.3):
        process = subprocess.Popen([sys.executable, "-c", script])
        time.sleep(delay)
        process.send_signal(signal.SIGKILL)
        process.wait()
        recover(folder)
        found = files(folder)
        assert len(found) == 20
        assert len(set(found.values())) == 1


def test_json_is_stable_and_has_no_nan():
    first = json_bytes({"b": math.nan, "a": [1.5, math.inf]})
    assert json.loads(first) == {"a": [1.5, None], "b": None}
    assert first == json_bytes({"a": [1.5, math.inf], "b": math.nan})


def test_digests_agree_with_the_published_test_vector(tmp_path):
    # FIPS 180-4 example: SHA-256 of "abc"
    expected = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    (tmp_path / "x").write_bytes(b"abc")
    assert digest(b"abc") == file_digest(tmp_path / "x") == expected


def test_folders_of_the_users_beside_the_results_stay(tmp_path):
    folder = tmp_path / "results"
    for name in ("results.old", "results.new", "reports.old"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "mine.txt").write_text("keep")
    with replace_folder(folder) as new:
        (new / "a.csv").write_text("one")
    recover(folder)
    assert sorted(p.name for p in tmp_path.iterdir()) == [
        "reports.old",
        "results",
        "results.new",
        "results.old",
    ]
    assert all((tmp_path / n / "mine.txt").read_text() == "keep" for n in ("results.old",))


def test_a_file_of_the_users_is_neither_deleted_nor_overwritten(tmp_path):
    folder = tmp_path / "results"
    (folder / "figures").mkdir(parents=True)
    (folder / "figures" / "mine.png").write_text("keep")
    (folder / "scans.csv").write_text("the user's")
    with replace_folder(folder, own=lambda name: name == "a.csv") as new:
        (new / "a.csv").write_text("ours")
    assert (folder / "figures" / "mine.png").read_text() == "keep"

    def over_it():
        with replace_folder(folder, own=lambda name: name == "a.csv") as new:
            (new / "scans.csv").write_text("ours")

    with pytest.raises(NotOursError, match=r'"scans.csv" was not written'):
        over_it()
    assert (folder / "scans.csv").read_text() == "the user's"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["results"]


@pytest.mark.skipif(os.name == "nt", reason="links need a right of their own")
@pytest.mark.parametrize("kind", ["link", "file"])
def test_a_link_or_a_file_in_place_of_the_folder_is_refused(tmp_path, kind):
    folder, elsewhere = tmp_path / "results", tmp_path / "elsewhere"
    elsewhere.mkdir()
    (elsewhere / "mine.txt").write_text("keep")
    if kind == "link":
        folder.symlink_to(elsewhere)
    else:
        folder.write_text("mine")
    for call in (lambda: recover(folder), lambda: replace_folder(folder).__enter__()):
        with pytest.raises(NotOursError, match=f"is a {kind}"):
            call()
    assert files(elsewhere) == {"mine.txt": "keep"}
    assert folder.is_symlink() == (kind == "link")


def test_the_digest_of_the_program_covers_its_code_its_tables_and_its_texts(tmp_path, monkeypatch):
    package = Path(accstudy.__file__).parent
    names = ("tables.py", "tables.toml", "words/en/verdicts.toml", "page/page.js")
    for name in ("study/record.py", *names):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(package / name, tmp_path / name)
    monkeypatch.setattr("accstudy.study.record.__file__", str(tmp_path / "study/record.py"))
    known = {program_digest.__wrapped__()}
    for name in names:
        (tmp_path / name).write_text("# other\n")
        known.add(program_digest.__wrapped__())
    assert len(known) == 1 + len(names)
    (tmp_path / "notes.csv").write_text("a\n")
    (tmp_path / "protocols").mkdir()
    (tmp_path / "protocols/own.toml").write_text("a = 1\n")
    assert program_digest.__wrapped__() in known
