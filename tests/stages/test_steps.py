"""An analysis computes again what a change touches, and nothing that it does not."""

import json
import os
import shutil
from pathlib import Path

import pandas as pd
import pytest
from small_study import SETTINGS, write

from accstudy.pipeline import run_study
from accstudy.stages import steps
from accstudy.stages.analyze import analysis_steps
from accstudy.stages.steps import STAMPS, Analyzed, Stamps, Step
from accstudy.study.files import file_digest
from accstudy.study.load import load_study

LIMITS = """
[limits]
distance_um = { value = 100, source = "the example's own" }
seat_gap_um = { value = 150, source = "the example's own" }
"""
MODEL = "[[model]]\nname = 'm'\nresponse = 'pair.distance_um'\nfixed = 'path_mm'\n"


@pytest.fixture(scope="module")
def finished(tmp_path_factory):
    folder = tmp_path_factory.mktemp("steps") / "study"
    write(folder, study=SETTINGS + LIMITS)
    run_study(folder, until="analyze")
    return folder


@pytest.fixture
def study(finished, tmp_path):
    """A study that was run to the end."""
    return shutil.copytree(finished, tmp_path / "study")


@pytest.fixture
def computed(monkeypatch):
    """Names of the steps that are computed."""
    names = []
    compute = steps.compute

    def noted(step, study, tables):
        names.append(step.name)
        return compute(step, study, tables)

    monkeypatch.setattr(steps, "compute", noted)
    return names


def change(study, old, new):
    text = (study / "study.toml").read_text()
    assert text.count(old) == 1
    (study / "study.toml").write_text(text.replace(old, new))
    run_study(study, until="analyze")


def test_a_change_recomputes_what_reads_it_and_the_results_are_those_of_a_run_from_nothing(
    study, computed
):
    for old, new, expected in (
        ("title = ", "title = 'Another' # ", []),
        ("distance_um = { value = 100", "distance_um = { value = 90", ["conformity"]),
        ("seat_gap_um = { value = 150", "seat_gap_um = { value = 90", ["seating verdicts"]),
        ("[limits]", "[seating]\ndraws = 64\n[limits]", ["seating", "seating verdicts"]),
        ("[limits]", MODEL + "[limits]", ["models"]),
    ):
        computed.clear()
        change(study, old, new)
        assert computed == expected
    kept = {f.name: f.read_bytes() for f in (study / "results").glob("*.csv")}
    shutil.rmtree(study / "results")
    run_study(study, until="analyze")
    assert kept == {f.name: f.read_bytes() for f in (study / "results").glob("*.csv")}


def test_another_confidence_recomputes_everything(study, computed):
    change(study, "[limits]", "[limits]\nconfidence = 0.9")
    assert computed == [step.name for step in analysis_steps(load_study(study))]


@pytest.mark.parametrize("table", ["seating_summary", "seating_scans", "accuracy"])
def test_a_table_that_is_not_the_recorded_one_is_computed_again(study, computed, table):
    file = study / "results" / f"{table}.csv"
    before = file.read_bytes()
    file.write_bytes(before.replace(b"0", b"9"))
    run_study(study, until="analyze")
    assert file.read_bytes() == before
    assert len(computed) == 1


def one_step(run, **named):
    return Step("example", run, ("poses",), ("accuracy",), **named)


def test_a_step_gets_no_setting_that_it_does_not_declare(finished):
    study, poses = load_study(finished), pd.DataFrame()

    def reads(study, tables):
        return Analyzed({"accuracy": pd.DataFrame([study.settings.limits.coverage])}, ())

    with pytest.raises(RuntimeError, match=r"reads limits\.coverage without declaring it"):
        steps.run_steps([one_step(reads)], study, poses)
    done = steps.run_steps([one_step(reads, settings=("limits.coverage",))], study, poses)
    assert done.tables["accuracy"].iloc[0, 0] == 0.95


def test_a_step_writes_no_table_that_it_does_not_declare(finished):
    def writes(study, tables):
        return Analyzed({"models": pd.DataFrame()}, ())

    with pytest.raises(RuntimeError, match="models"):
        steps.run_steps([one_step(writes)], load_study(finished), pd.DataFrame())


def test_every_step_reads_the_tables_of_those_before_it(finished):
    study, written = load_study(finished), ["poses"]
    for step in analysis_steps(study):
        assert all(any(w == name for w in written) for name in step.reads), step.name
        written += step.writes


@pytest.fixture
def old(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A file that has long been there."""
    path = tmp_path / "scan.stl"
    path.write_bytes(b"solid")
    late = steps.time.time_ns() + 10 * steps._SETTLED_NS
    monkeypatch.setattr(steps.time, "time_ns", lambda: late)
    return path


def again(folder: Path) -> Stamps:
    """The state of the next run."""
    return Stamps(folder)


def remember(path: Path) -> None:
    stamps = Stamps(path.parent)
    assert stamps.digest(path) == file_digest(path)
    stamps.keep()


def stored_of(path: Path) -> dict[str, list[int | str]]:
    return dict(json.loads((path.parent / STAMPS).read_bytes()))


def never(path: Path) -> str:
    raise AssertionError(f"{path} was read")


def test_what_did_not_change_is_not_read(old: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    remember(old)
    expected = file_digest(old)
    monkeypatch.setattr(steps, "file_digest", never)
    assert again(old.parent).digest(old) == expected
    moved = old.rename(old.parent / "renamed.stl")
    with pytest.raises(AssertionError, match="was read"):  # its time of change is another
        again(old.parent).digest(moved)


@pytest.mark.skipif(os.name == "nt", reason="st_ctime is the time of creation there")
def test_a_change_shows_whatever_its_times_are_set_to(old: Path) -> None:
    times = old.stat()
    remember(old)
    old.write_bytes(b"SOLID")  # of the same length
    os.utime(old, ns=(times.st_atime_ns, times.st_mtime_ns))
    assert again(old.parent).digest(old) == file_digest(old)


def test_a_file_of_a_moment_ago_is_not_remembered(tmp_path: Path) -> None:
    path = tmp_path / "scan.stl"
    path.write_bytes(b"solid")
    remember(path)
    assert not (tmp_path / STAMPS).exists()


@pytest.mark.parametrize(
    "stored",
    [b"", b"\xff", b"[]", b"null", b'{"a": 1}', b'{"1:2": [1, 2, 3, "abc"]}', b"[" * 2000],
)
def test_a_damaged_state_is_none(old: Path, stored: bytes) -> None:
    (old.parent / STAMPS).write_bytes(stored)
    remember(old)
    assert [v[3] for v in stored_of(old).values()] == [file_digest(old)]


def test_what_is_not_asked_for_is_forgotten(old: Path) -> None:
    remember(old)
    stamps = again(old.parent)
    stamps.keep()
    assert stored_of(old) == {}
