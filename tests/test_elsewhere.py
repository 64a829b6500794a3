"""What Windows and macOS do otherwise, forced here: locks, renames, names, consoles, line ends.

Neither system is tried by these tests; only what the program does where theirs differ.
"""

import errno
import fcntl
import importlib.util
import os
import shutil
import subprocess
import sys
import types
from pathlib import Path

import pytest
from click.testing import CliRunner

from accstudy.cli import main
from accstudy.errors import NotOursError, OutputError
from accstudy.stages.check import check_study
from accstudy.study import files
from accstudy.study.files import recover, replace_folder, write_files

pytestmark = pytest.mark.skipif(os.name == "nt", reason="imitates what is real there")

STUDY = '[study]\ntitle = "Ünïcode ≤ − Ω"\nkind = "validation"\n[scans]\nposes = "poses.csv"\n'
FILES = {
    "study.toml": STUDY,
    "scans.csv": "scan,model,device\n" + "".join(f"s{i},M,Gerät Ω\n" for i in range(3)),
    "reference/implants.csv": "model,implant,x_mm,y_mm,z_mm,axis_x,axis_y,axis_z\n"
    "M,I1,0,0,0,0,0,1\nM,I2,20,5,0,0,0,1\n",
    "poses.csv": "scan,model,implant,x_mm,y_mm,z_mm,axis_x,axis_y,axis_z\n"
    + "".join(f"s{i},M,I1,0,0,0,0,0,1\ns{i},M,I2,20.0{i},5,0,0,0,1\n" for i in range(3)),
}


def write(folder, ends="\n"):
    for name, text in FILES.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(text.replace("\n", ends).encode())
    return folder


def call(*words):
    return CliRunner().invoke(main, [str(w) for w in words])


def tables(study):
    return {p.name: p.read_bytes() for p in (study / "results").glob("*.csv")}


@pytest.fixture
def refused(monkeypatch):
    """Renaming and deleting are refused as Windows does for a file that another program shows."""
    held: list[Path] = []

    def holds(path):
        return any(h == Path(path) or Path(path) in h.parents for h in held)

    def guarded(call):
        def guard(first, *more, **named):
            if holds(first) or any(holds(m) for m in more if isinstance(m, str | os.PathLike)):
                raise PermissionError(errno.EACCES, "Permission denied", str(first))
            return call(first, *more, **named)

        return guard

    for name in ("replace", "rename", "unlink", "remove"):
        monkeypatch.setattr(os, name, guarded(getattr(os, name)))
    monkeypatch.setattr(files, "exchange", lambda one, other: False)  # Linux and macOS only
    monkeypatch.setattr(files, "_PATIENCE_S", (0.0,))
    return held


def put(folder, word):
    with replace_folder(folder) as new:
        for name in ("a.csv", "b.csv"):
            (new / name).write_text(word)


def words(folder):
    return {p.read_text() for p in folder.iterdir() if not p.name.startswith(".")}


def test_a_table_that_a_spreadsheet_shows_stops_the_exchange_and_nothing_is_lost(tmp_path, refused):
    folder = tmp_path / "results"
    put(folder, "old")
    refused.append(folder / "a.csv")
    with pytest.raises(OutputError, match="Permission denied") as caught:
        put(folder, "new")
    assert "close the programs that show a file of it" in caught.value.hint
    assert words(folder) == {"old"}
    refused.clear()
    put(folder, "new")
    assert words(folder) == {"new"}
    assert [p.name for p in tmp_path.iterdir()] == ["results"]


def test_where_the_new_folder_cannot_be_put_in_place_the_old_one_comes_back(tmp_path, refused):
    folder = tmp_path / "results"
    put(folder, "old")
    refused.append(tmp_path / ".results.accstudy-new" / "a.csv")  # a virus scanner reads it
    with pytest.raises(OutputError):
        put(folder, "new")
    assert words(folder) == {"old"}
    refused.clear()
    recover(folder)
    assert words(folder) == {"old"}
    assert [p.name for p in tmp_path.iterdir()] == ["results"]


def test_a_file_that_is_held_for_a_moment_is_waited_for(tmp_path, refused, monkeypatch):
    folder = tmp_path / "results"
    put(folder, "old")
    refused.append(folder / "a.csv")
    monkeypatch.setattr(files.time, "sleep", lambda seconds: refused.clear())
    put(folder, "new")
    assert words(folder) == {"new"}


def test_a_mark_or_a_copy_that_cannot_be_deleted_does_no_harm(tmp_path, refused):
    folder = tmp_path / "results"
    put(folder, "old")
    refused.append(folder / ".accstudy-complete")
    before = os.replace
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "replace", lambda a, b: (refused.clear(), before(a, b)))
        patch.setattr(files.shutil, "rmtree", lambda *_, **__: None)
        put(folder, "new")
    assert words(folder) == {"new"}
    put(folder, "newer")
    assert words(folder) == {"newer"}
    assert [p.name for p in tmp_path.iterdir()] == ["results"]


def test_a_list_that_a_spreadsheet_shows_is_not_half_written(tmp_path, refused):
    (tmp_path / "scans.csv").write_text("mine")
    refused.append(tmp_path / "scans.csv")
    with pytest.raises(OutputError, match=r'"scans.csv" cannot be written') as caught:
        write_files(tmp_path, {"scans.csv": b"new"})
    assert "close the programs" in caught.value.hint
    assert [p.name for p in tmp_path.iterdir()] == ["scans.csv"]
    assert (tmp_path / "scans.csv").read_text() == "mine"


def test_a_whole_run_says_what_to_close_and_goes_on_afterwards(tmp_path, refused):
    study = write(tmp_path / "study")
    assert call("measure", study).exit_code == 0
    before = tables(study)
    (study / "poses.csv").write_text(FILES["poses.csv"].replace("20.01", "20.05"))
    refused.append(study / "results" / "poses.csv")
    done = call("measure", study)
    assert done.exit_code == 1
    assert "close the programs that show a file of it" in done.output
    assert tables(study) == before
    refused.clear()
    assert call("measure", study).exit_code == 0
    assert tables(study) != before


def test_files_are_put_on_the_disk_through_handles_that_may_write(tmp_path, monkeypatch):
    """On Windows `os.fsync` fails for a handle that may only read."""
    fsync = os.fsync

    def strict(handle):
        if fcntl.fcntl(handle, fcntl.F_GETFL) & os.O_ACCMODE == os.O_RDONLY:
            raise OSError(errno.EBADF, "Bad file descriptor")
        fsync(handle)

    monkeypatch.setattr(os, "fsync", strict)
    sync = files._sync
    monkeypatch.setattr(files, "_sync", lambda path: None if path.is_dir() else sync(path))
    put(tmp_path / "results", "new")
    write_files(tmp_path, {"a.csv": b"new"})
    assert words(tmp_path / "results") == {"new"}


def test_one_file_under_two_names_is_one(tmp_path):
    """As scans/a.stl and Scans/A.STL are, where case does not count."""
    study = write(tmp_path)
    (study / "a.stl").write_bytes(b"solid\nendsolid\n")
    os.link(study / "a.stl", study / "A.STL")
    (study / "scans.csv").write_text("scan,model,file\ns1,M,a.stl\ns2,M,A.STL\ns3,M,./a.stl\n")
    found = [f for f in check_study(study) if f.code == "file-twice"]
    assert [f.where for f in found] == ["scans.csv:3:file", "scans.csv:4:file"]


def test_a_users_file_whose_name_differs_by_case_only_is_not_lost(tmp_path, monkeypatch):
    folder = tmp_path / "results"
    put(folder, "old")
    (folder / "A.CSV").write_text("mine")
    exists = os.path.lexists

    def any_case(path):
        path = Path(path)
        if path.parent.is_dir():
            return path.name.lower() in {p.name.lower() for p in path.parent.iterdir()}
        return exists(path)

    def again():
        with replace_folder(folder, own=lambda name: name in ("a.csv", "b.csv")) as new:
            (new / "a.csv").write_text("new")

    with monkeypatch.context() as patch:
        patch.setattr(os.path, "lexists", any_case)
        with pytest.raises(NotOursError, match=r'"A.CSV" was not written'):
            again()
    assert (folder / "A.CSV").read_text() == "mine"
    assert (folder / "a.csv").read_text() == "old"


HOLDER = """\
import fcntl, os, sys
handle = os.open(sys.argv[1], os.O_RDWR | os.O_CREAT)
os.write(handle, b"process 7 on another machine\\n")
os.lseek(handle, 1000, os.SEEK_SET)
fcntl.lockf(handle, fcntl.LOCK_EX | fcntl.LOCK_NB, 1, 0, os.SEEK_CUR)
print("held", flush=True)
sys.stdin.read()
"""


@pytest.fixture
def windows_lock(monkeypatch):
    """The module of the lock as Windows loads it, with what `msvcrt` does: a byte is locked."""

    def locking(handle, mode, n):
        assert mode == 2
        fcntl.lockf(handle, fcntl.LOCK_EX | fcntl.LOCK_NB, n, 0, os.SEEK_CUR)

    monkeypatch.setitem(sys.modules, "msvcrt", types.SimpleNamespace(locking=locking, LK_NBLCK=2))
    monkeypatch.delattr(os, "O_NOFOLLOW")
    spec = importlib.util.spec_from_file_location("windows_lock", files.__file__)
    module = importlib.util.module_from_spec(spec)
    with monkeypatch.context() as patch:
        patch.setattr(sys, "platform", "win32")
        patch.setitem(sys.modules, "fcntl", None)
        spec.loader.exec_module(module)
    return module


def test_the_lock_of_windows_names_its_holder_and_goes_away_with_it(tmp_path, windows_lock):
    with windows_lock.study_lock(tmp_path):
        file = tmp_path / ".accstudy" / "lock"
        assert f"process {os.getpid()} on" in file.read_text()
    with subprocess.Popen(
        [sys.executable, "-c", HOLDER, file], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as holder:
        assert holder.stdout.readline() == b"held\n"
        with (
            pytest.raises(windows_lock.StudyInUseError, match="process 7 on another machine"),
            windows_lock.study_lock(tmp_path),
        ):
            pass
        holder.kill()
    with windows_lock.study_lock(tmp_path):
        pass


def test_the_lock_of_windows_follows_no_link(tmp_path, windows_lock):
    (tmp_path / ".accstudy").mkdir()
    (tmp_path / "mine").write_text("mine")
    (tmp_path / ".accstudy" / "lock").symlink_to(tmp_path / "mine")
    with (
        pytest.raises(NotOursError, match="a link, a folder or a device"),
        windows_lock.study_lock(tmp_path),
    ):
        pass
    assert (tmp_path / "mine").read_text() == "mine"


def test_a_console_that_lacks_letters_shows_them_otherwise_and_nothing_stops(tmp_path):
    study = write(tmp_path / "Ω study")
    (study / "scans.csv").write_text("scan,model,device\ns1,M,Ω ≤\ns2,M,Ω≤\nş,N,−\n")
    done = subprocess.run(
        [sys.executable, "-m", "accstudy", "check", study],
        env=os.environ | {"PYTHONIOENCODING": "cp1252", "PYTHONUTF8": "0"},
        capture_output=True,
    )
    said = (done.stdout + done.stderr).decode("cp1252")
    assert done.returncode == 3, said
    assert "\\u03a9 \\u2264" in said  # Ω ≤
    assert "bug" not in said


def test_line_ends_of_windows_change_nothing(tmp_path):
    here, there = write(tmp_path / "a"), write(tmp_path / "b", ends="\r\n")
    for study in (here, there):
        assert call("measure", study).exit_code == 0
        assert call("audit", study).exit_code == 0
    assert tables(here) == tables(there)
    shutil.rmtree(there / "results")
    (there / "plan").mkdir()
    (there / "plan/order.json").write_bytes(b'{"seed": 1,\r\n"order": []}\r\n')
    assert call("measure", there).exit_code == 0
