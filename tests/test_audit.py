"""What an audit sees: forged results, other machines, and nothing where nothing differs."""

import json
import shutil
from types import SimpleNamespace

import pytest
from click.testing import CliRunner
from small_study import SIX, write

from accstudy.cli import main
from accstudy.stages.work import ReportOptions, Work, history_entry
from accstudy.study.files import digest
from accstudy.study.record import add_run, json_bytes, read_record


def call(*words):
    return CliRunner().invoke(main, [str(w) for w in words])


@pytest.fixture(scope="module")
def finished(tmp_path_factory):
    study = write(tmp_path_factory.mktemp("finished") / "study", SIX)
    assert call("analyze", study).exit_code == 0
    return study


@pytest.fixture
def study(finished, tmp_path):
    return shutil.copytree(finished, tmp_path / "study")


def forge(study, change):
    """Change results, and make record and history agree with the change."""
    results = study / "results"
    record = json.loads((results / "record.json").read_bytes())
    change(results, record)
    for file in results.glob("*.csv"):
        if file.name in record["outputs"]:
            record["outputs"][file.name] = digest(file.read_bytes())
    (results / "record.json").write_bytes(json_bytes(record))
    entry = {**history_entry(record), "sessions": record["sessions"]}
    (results / "history.jsonl").write_bytes(add_run(b"", entry))


def by_steps(results, column, steps):
    """Move the first number of a column of pair_deviations.csv by steps of its grid."""
    file = results / "pair_deviations.csv"
    lines = [line.split(",") for line in file.read_text().splitlines()]
    at = lines[0].index(column)
    lines[1][at] = f"{float(lines[1][at]) + steps * 1e-6:.6f}"
    file.write_text("\n".join(",".join(line) for line in lines) + "\n")


def test_a_last_digit_that_another_machine_rounds_otherwise_is_no_forgery(study):
    def elsewhere(results, record):
        by_steps(results, "distance_um", 1)
        record["computer"]["linear algebra"] = "openblas 0.3.1 Other"

    forge(study, elsewhere)
    done = call("audit", study)
    assert done.exit_code == 0, done.output
    assert "1 numbers differ by one unit in the last digit" in done.output
    assert "linear algebra openblas 0.3.1 Other then" in done.output
    assert "everything is as recorded" in done.output


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda r, _: by_steps(r, "distance_um", 2), "results/pair_deviations.csv:2:distance_um"),
        (
            lambda r, _: (r / "accuracy.csv").write_text(
                (r / "accuracy.csv").read_text().replace("I1-I2", "I1-I9", 1)
            ),
            '"I1-I9" then, "I1-I2" now',
        ),
        (lambda r, _: (r / "accuracy.csv").write_bytes(b"\xff\x00"), "not a readable table"),
        (lambda _, record: record["outputs"].pop("accuracy.csv"), "missing from the record"),
    ],
)
def test_forged_results_do_not_follow_from_the_inputs(study, change, says):
    forge(study, change)
    done = call("audit", study)
    assert done.exit_code == 3
    assert says in done.output


def test_an_interrupt_ends_with_130_and_says_what_is_kept(study, monkeypatch):
    def interrupted(*_, **__):
        raise KeyboardInterrupt

    monkeypatch.setattr("accstudy.pipeline.load_study", interrupted)
    done = call("measure", study)
    assert done.exit_code == 130
    assert "scans measured so far are kept" in done.output


def test_a_record_of_before_the_resolution_could_be_chosen_is_read_and_gives_the_same_key(tmp_path):
    before = {"figures": "", "page": False, "who": "", "issued": ""}
    report = {"made_from": "0" * 64, **before, "files": {}}
    (tmp_path / "record.json").write_text(json.dumps({"accstudy": "0.1.0", "report": report}))
    found = read_record(tmp_path)["report"]
    options = ReportOptions(*(found[name] for name in before), found.get("dpi"))
    printed = {"accstudy": "0.1.0"}
    key = Work.report_key(SimpleNamespace(_printed=lambda: printed), options)
    assert key == digest(json_bytes(printed) + json_bytes(before))
    assert options.chosen() == before
