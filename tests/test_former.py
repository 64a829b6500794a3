"""Sessions that were recorded once cannot change unnoticed; the bundle verifies by itself."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import zipfile

import pytest
import small_study
from click.testing import CliRunner

from accstudy.cli import main
from accstudy.study.record import changed_sessions, first_recorded, news

HEAD = "scan,model,device,session,operator,measured_at\n"


def rows(weeks):
    return "".join(
        f"s{w}{r},M,A,W{w},1,2025-{1 + w // 4:02d}-{1 + 7 * (w % 4):02d}T09:0{r}:00\n"
        for w in weeks
        for r in (1, 2)
    )


def poses(weeks):
    head = "scan,model,implant,x_mm,y_mm,z_mm,axis_x,axis_y,axis_z\n"
    return head + "".join(
        f"s{w}{r},M,{name},{x + 0.0003 * (2 * w + r) + 0.001 * (k * (w + r) % 3):.4f},{y},0,0,0,1\n"
        for w in weeks
        for r in (1, 2)
        for k, (name, x, y) in enumerate([("I1", 0, 0), ("I2", 20, 5), ("I3", 40, 0)])
    )


def write(folder, weeks):
    (folder / "scans.csv").write_text(HEAD + rows(weeks))
    (folder / "poses.csv").write_text(poses(weeks))


def call(*words):
    return CliRunner().invoke(main, [str(w) for w in words], catch_exceptions=False)


@pytest.fixture
def study(tmp_path):
    settings = '[study]\ntitle = "x"\nkind = "drift"\n[scans]\nposes = "poses.csv"\n'
    small_study.write(tmp_path, study=settings)
    write(tmp_path, range(4))
    assert call("measure", tmp_path).exit_code == 0
    return tmp_path


def test_added_sessions_are_no_fault(study):
    write(study, range(6))
    done = call("audit", study)
    assert done.exit_code == 0, done.output
    assert "added since the last run: A, M, W4; A, M, W5" in done.output
    assert "4 sessions compared" in done.output


def test_a_former_session_that_changed_is_named_also_after_a_further_run(study):
    write(study, range(6))
    text = (study / "poses.csv").read_text()
    (study / "poses.csv").write_text(re.sub(r"(s11,M,I2,20\.)\d", r"\g<1>1", text, count=1))
    assert text != (study / "poses.csv").read_text()
    for _ in range(2):
        done = call("audit", study)
        assert done.exit_code == 3
        assert "session A, M, W1 has changed since it was first recorded" in done.output
        assert "W2 has changed" not in done.output
        assert call("measure", study).exit_code == 0  # makes a record of what stands there now


def test_a_session_that_is_gone_is_named(study):
    write(study, [0, 1, 3])
    assert "session A, M, W2, first recorded on" in call("audit", study).output


def test_order_of_rows_and_empty_columns_change_no_session(study):
    lines = (HEAD + rows(range(4))).splitlines()
    turned = [lines[0] + ",remarks", *(line + "," for line in reversed(lines[1:]))]
    (study / "scans.csv").write_text("\n".join(turned) + "\n")
    assert "session-changed" not in call("audit", study).output


def test_a_history_that_was_deleted_is_said(study):
    (study / "results/history.jsonl").unlink()
    write(study, range(5))
    assert call("measure", study).exit_code == 0
    done = call("audit", study)
    assert done.exit_code == 3
    assert "missing from the history" in done.output


def test_the_history_holds_a_session_once(study):
    write(study, range(5))
    call("measure", study)
    call("measure", study)
    lines = [json.loads(x) for x in (study / "results/history.jsonl").read_text().splitlines()]
    assert [sorted(line["sessions"]) for line in lines] == [
        [f"A, M, W{w}" for w in range(4)],
        ["A, M, W4"],
        [],
    ]


@pytest.mark.skipif(sys.platform == "win32", reason="sha256sum is no part of Windows")
def test_the_bundle_verifies_with_sha256sum_alone(study, tmp_path):
    bundle = tmp_path / "out" / "bundle.zip"
    assert call("audit", study, "--bundle", bundle).exit_code == 0
    first = bundle.read_bytes()
    assert call("audit", study, "--bundle", bundle).exit_code == 0
    assert bundle.read_bytes() == first
    folder = tmp_path / "unpacked"
    with zipfile.ZipFile(bundle) as archive:
        archive.extractall(folder)
    names = {p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()}
    assert {"VERIFY.txt", "SHA256SUMS", "INPUTS.sha256", "audit.txt", "results/record.json",
            "results/history.jsonl", "results/poses.csv"} <= names  # fmt: skip
    check = ["sha256sum", "--check", "--quiet", "--strict"]
    assert subprocess.run([*check, "SHA256SUMS"], cwd=folder, check=False).returncode == 0
    inputs = folder / "INPUTS.sha256"
    assert subprocess.run([*check, str(inputs)], cwd=study, check=False).returncode == 0
    (folder / "results/poses.csv").write_text("other")
    assert subprocess.run([*check, "SHA256SUMS"], cwd=folder, check=False).returncode != 0


def test_first_digest_counts_and_the_last_decides_what_is_news():
    history = b'{"at": "2025-01-06", "sessions": {"W1": "a"}}\n{"sessions": {"W1": "b"}}\nbroken\n'
    assert first_recorded(history) == {"W1": ("a", "2025-01-06")}
    assert news(history, {"W1": "b", "W2": "c"}) == {"W2": "c"}
    found, added = changed_sessions(history, {"W1": "b", "W2": "c"})
    assert [f.code for f in found] == ["session-changed"]
    assert added == ("W2",)
