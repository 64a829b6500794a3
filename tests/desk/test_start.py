"""How the desk starts: quickly, small, by a double click, and only where its libraries are."""

import contextlib
import os
import re
import subprocess
import sys
import threading
import time

import psutil
import pytest
from click.testing import CliRunner
from small_study import STUDY, write

from accstudy.cli import main

pytest.importorskip("starlette")


def test_start_files_start_the_desk_whatever_the_folder_is_called(tmp_path, monkeypatch):
    home = tmp_path / 'Praxis 100 % "M" & O\'N $x'
    home.mkdir()
    done = CliRunner().invoke(main, ["desk", str(home), "--shortcut", str(tmp_path / "on desktop")])
    assert done.exit_code == 0
    made = {p.suffix: p for p in (tmp_path / "on desktop").iterdir()}
    assert set(made) == {".cmd", ".command", ".desktop"}
    assert os.access(made[".command"], os.X_OK)
    fake = tmp_path / "python"
    fake.write_text('#!/bin/sh\nfor word in "$@"; do echo "$word"; done\n')
    fake.chmod(0o755)
    text = made[".command"].read_text().replace(sys.executable, str(fake))
    words = subprocess.run(["sh", "-c", text], capture_output=True, text=True, check=True).stdout
    assert words.splitlines() == ["-m", "accstudy", "desk", str(home)]
    line = re.search(r"^Exec=(.*)$", made[".desktop"].read_text(), re.MULTILINE)[1]
    assert desktop_words(line) == [sys.executable, "-m", "accstudy", "desk", str(home)]
    assert "100 %% " in made[".cmd"].read_text()


def desktop_words(line):
    """Arguments as the Desktop Entry Specification 1.5 reads them: strings, then quotes, then %."""
    text = line.replace("\\\\", "\\")
    words = [re.sub(r"\\(.)", r"\1", w) for w in re.findall(r'"((?:\\.|[^"\\])*)"', text)]
    return [w.replace("%%", "%") for w in words]


def test_without_its_libraries_the_command_says_what_to_install(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "uvicorn", None)
    monkeypatch.delitem(sys.modules, "accstudy.desk.server", raising=False)
    done = CliRunner().invoke(main, ["desk", str(tmp_path)])
    assert done.exit_code == 1
    assert 'pip install "accstudy[desk]"' in done.output


@pytest.mark.slow
def test_a_hundred_scans_are_listed_and_checked_while_screens_come_at_once(started, tmp_path):
    rows = "".join(f"s{k},M,A,{k % 3},{k // 3}\n" for k in range(100))
    poses = "".join(
        f"s{k},M,{implant},{x * (1 + 1e-6 * k):.6f},{y},0,0,0,1\n"
        for k in range(100)
        for implant, x, y in (("I1", 0, 0), ("I2", 20, 5), ("I3", 40, 0))
    )
    head = STUDY["poses"].partition("\n")[0]
    write(tmp_path / "many", STUDY, scans=f"{STUDY['scans'].partition(chr(10))[0]}\n{rows}",
          poses=f"{head}\n{poses}")  # fmt: skip
    began = time.monotonic()
    with started(tmp_path) as desk:
        desk.enter()
        study = re.search(r"/s/[0-9a-f]{12}/", desk.ask("GET", "/").text)[0]
        usable = time.monotonic() - began
        server = psutil.Process(desk.process.pid)
        waits, over = [], threading.Event()

        def looks():
            while not over.is_set():
                at = time.monotonic()
                desk.ask("GET", "/")
                desk.ask("GET", f"{study}job")
                waits.append((time.monotonic() - at) / 2)
                time.sleep(0.05)

        watcher = threading.Thread(target=looks)
        watcher.start()
        try:
            assert desk.ask("GET", f"{study}scans").text.count("<tr id=") == 100
            end = time.monotonic() + 60
            while "Nothing is missing" not in desk.ask("GET", f"{study}check").text:
                assert time.monotonic() < end
        finally:
            over.set()
            watcher.join()
        family = (server, *server.children(recursive=True))
        met, memory = [], 0
        for process in family:
            with contextlib.suppress(psutil.NoSuchProcess):  # the check's own has ended
                met += [c.raddr.ip for c in process.net_connections() if c.raddr]
                memory += process.memory_info().rss
        assert all(ip == "127.0.0.1" for ip in met)
    assert memory < 300e6
    print(f"usable after {usable:.2f} s, longest wait {max(waits):.3f} s, {memory / 1e6:.0f} MB")
    assert sorted(waits)[len(waits) // 2] < 0.2


def test_two_windows_do_not_undo_each_other(started, tmp_path):
    folder = write(tmp_path / "one", STUDY)
    with started(tmp_path) as desk:
        desk.enter()
        study = re.search(r"/s/[0-9a-f]{12}/", desk.ask("GET", "/").text)[0]
        version = re.search(r'name="version" value="(\w+)"', desk.ask("GET", f"{study}scans").text)
        first = f"version={version[1]}&c%3A2%3Adevice=B".encode()
        assert desk.ask("POST", f"{study}sheet", first).status == 303
        second = f"version={version[1]}&c%3A3%3Adevice=C".encode()
        answer = desk.ask("POST", f"{study}sheet", second)
        assert answer.status == 422
        assert "changed meanwhile" in answer.text
    assert (folder / "scans.csv").read_text() == STUDY["scans"].replace("s1,M,A", "s1,M,B")


def test_hand_edits_of_the_settings_survive(started, tmp_path):
    folder = write(tmp_path / "one", STUDY)
    text = (folder / "study.toml").read_text()
    text += "\n# our own remark\n[drift]   # and another\nrun_rules = true\n"
    text += '\n[[exclusions]]\nscan = "s2"\nreason = "loose"\n'
    (folder / "study.toml").write_text(text)
    with started(tmp_path) as desk:
        desk.enter()
        study = re.search(r"/s/[0-9a-f]{12}/", desk.ask("GET", "/").text)[0]
        shown = desk.ask("GET", f"{study}question").text
        version = re.search(r'name="version" value="(\w+)"', shown)[1]
        given = f"version={version}&study.laboratory=Lab+1&limits.distance_um.value=80"
        answer = desk.ask("POST", f"{study}question", given.encode())
        assert answer.status == 422
        assert "limits.distance_um.source" in answer.text
        assert (folder / "study.toml").read_text() == text
        given += "&limits.distance_um.source=ours"
        assert desk.ask("POST", f"{study}question", given.encode()).status == 303
    new = (folder / "study.toml").read_text()
    added = [line for line in new.splitlines() if line not in text.splitlines()]
    assert added == ['laboratory = "Lab 1"', "[limits]",
                     'distance_um = {value = 80, source = "ours"}']  # fmt: skip
    assert [line for line in text.splitlines() if line not in new.splitlines()] == []
