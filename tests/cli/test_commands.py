"""Commands as a user types them: messages, exit codes, files."""

import inspect
import shlex
import subprocess
import sys

import click
import pytest
from click.testing import CliRunner
from small_study import SIX, write

from accstudy.cli import main
from accstudy.study.files import study_lock


@pytest.fixture
def study(tmp_path):
    write(tmp_path, SIX)
    return tmp_path


def call(*words):
    return CliRunner().invoke(main, [str(w) for w in words])


def results(study):
    return {
        p.name: p.read_bytes() for p in (study / "results").iterdir() if p.name != "history.jsonl"
    }


def test_help_names_the_commands_and_the_exit_codes():
    text = call("--help").output
    for word in ("check", "measure", "analyze", "report", "run", "audit", "not a medical device"):
        assert word in text
    assert "..." not in text.split("Commands:")[1]  # no line is cut off


@pytest.mark.parametrize("command", main.commands)
def test_help_of_a_command_has_one_example_that_can_be_typed(command):
    examples = [
        line.strip()
        for line in call(command, "--help").output.splitlines()
        if line.strip().startswith("Example: accstudy")
    ]
    (line,) = examples
    words = shlex.split(line.removeprefix("Example: accstudy ").partition(" >")[0])
    assert words[0] == command
    main.commands[command].make_parser(click.Context(main.commands[command])).parse_args(words[1:])
    # an example that is broken over lines can neither be copied nor read
    assert line.endswith(inspect.cleandoc(main.commands[command].help).splitlines()[-1])


def test_the_tab_key_completes_commands_options_and_protocols():
    def offered(typed):
        words = typed.split(" ")
        env = {
            "_ACCSTUDY_COMPLETE": "bash_complete",
            "COMP_WORDS": typed,
            "COMP_CWORD": str(len(words) - 1),
        }
        shown = CliRunner().invoke(main, [], prog_name="accstudy", env=env).output
        return {line.split(",", 1)[1] for line in shown.splitlines()}

    assert offered("accstudy ch") == {"check"}
    assert offered("accstudy run --str") == {"--strict"}
    assert offered("accstudy new my_study --protocol mon") == {"monthly_drift"}


def test_help_loads_nothing_heavy():
    code = (
        "import sys; from accstudy.cli import main; "
        "print([m for m in ('numpy', 'pandas', 'scipy', 'open3d', 'matplotlib', 'pydantic') "
        "if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_a_run_loads_nothing_heavy_before_a_study_asks_for_it():
    # a study that is up to date needs neither statistics nor figures nor the page
    code = (
        "import sys; import accstudy.pipeline, accstudy.stages.check; "
        "print([m for m in ('scipy.stats', 'scipy.optimize', 'scipy.interpolate', 'statsmodels', "
        "'open3d', 'matplotlib', 'accstudy.page.build') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_check_changes_nothing_and_prints_findings_as_csv(study):
    before = sorted(p.name for p in study.rglob("*"))
    done = call("check", study, "--csv")
    assert done.exit_code == 0
    assert done.output.splitlines()[0] == "severity,code,where,what,mend"
    assert "no-temperature" in done.output
    assert sorted(p.name for p in study.rglob("*")) == before


def test_faults_exit_with_3_and_write_nothing(study):
    (study / "scans.csv").write_text(SIX["scans"].replace("s3,M", "s3,N").replace("s4,M", "s2,M"))
    done = call("measure", study)
    assert done.exit_code == 3
    assert "error[unknown-model]" in done.output
    assert "where: scans.csv:5:model" in done.output
    assert "error[duplicate-scan]" in done.output
    assert not (study / "results").exists()


def test_a_wrong_call_exits_with_2(study):
    assert call("measure", study / "nowhere").exit_code == 2
    assert call("measur", study).exit_code == 2


def test_measure_then_analyze_gives_the_tables_and_an_audit_confirms_them(study):
    assert call("measure", study).exit_code == 0
    assert call("analyze", study).exit_code == 0
    first = results(study)
    assert {"poses.csv", "pair_deviations.csv", "accuracy.csv", "record.json"} <= set(first)
    again = call("analyze", study)
    assert "up to date" in again.output
    assert results(study) == first
    audit = call("audit", study)
    assert audit.exit_code == 0
    assert "everything is as recorded" in audit.output


def test_an_audit_names_all_that_differs(study):
    call("measure", study)
    call("analyze", study)
    (study / "poses.csv").write_text(SIX["poses"].replace("I3,40.0", "I3,40.1"))
    (study / "results/accuracy.csv").unlink()
    (study / "results/outliers.csv").write_text("x\n")
    (study / "results/extra.csv").write_text("x\n")
    history = study / "results/history.jsonl"
    history.write_text(history.read_text().replace('"who": "', '"who": "me', 1))
    done = call("audit", study)
    assert done.exit_code == 3
    for says in (
        '"poses.csv" has changed',
        '"results/accuracy.csv" is missing',
        '"results/outliers.csv" has changed',
        '"extra.csv" is new',
        "was changed after it was written",
    ):
        assert says in done.output, done.output


def test_two_runs_at_once_are_refused_by_name(study):
    with study_lock(study):
        done = call("measure", study)
    assert done.exit_code == 3
    assert "is working on this study" in done.output
    assert call("measure", study).exit_code == 0


def test_a_bug_is_told_as_a_bug(study, monkeypatch):
    def broken(*_, **__):
        raise ZeroDivisionError("no")

    monkeypatch.setattr("accstudy.pipeline.load_study", broken)
    done = call("measure", study)
    assert done.exit_code == 1
    assert "This is a bug" in done.output
    assert "Traceback" not in done.output


@pytest.fixture
def titled(monkeypatch):
    """In place of the report its title: here it matters only whether it is made."""

    def report(study, *_, **__):
        return {"validation.pdf": study.settings.study.title.encode()}

    monkeypatch.setattr("accstudy.stages.report.make_report", report)


def test_a_report_refuses_tables_that_would_be_computed_otherwise_now(study, titled):
    settings, scans = study / "study.toml", study / "scans.csv"
    assert call("run", study).exit_code == 0
    (pdf,) = (study / "reports").glob("*.pdf")
    sound, was = settings.read_text(), pdf.read_bytes()
    settings.write_text(
        sound.replace('title = "', 'title = "Another ')
        + '\n[limits]\ndistance_um = { value = 77, source = "a trial" }\n'
    )
    listed = scans.read_text()
    scans.write_text(listed.rstrip("\n") + "\n\n")
    done = call("report", study)
    assert done.exit_code == 3
    assert done.output.count("results-outdated") == 2
    assert "these files have changed: scans.csv" in done.output
    assert "settings in study.toml have changed: limits" in done.output
    assert pdf.read_bytes() == was
    scans.write_text(listed)
    settings.write_text(sound.replace('title = "', 'title = "Another '))  # printed, not computed
    assert call("report", study).exit_code == 0
    assert pdf.read_bytes() != was


def test_results_of_another_program_are_not_reported(study, titled, monkeypatch):
    assert call("run", study).exit_code == 0
    monkeypatch.setattr("accstudy.stages.work.program_digest", lambda: "0" * 64)
    done = call("report", study)
    assert done.exit_code == 3
    assert "computed by another version of the program" in done.output
    assert call("analyze", study).exit_code == 0
    assert call("report", study).exit_code == 0


def test_mesh_scans_that_are_not_measured_cannot_be_analyzed(study):
    (study / "study.toml").write_text(
        '[study]\ntitle = "Meshes"\nkind = "validation"\n'
        "[scan_body.default]\ncylinder = { radius_mm = 2.0, height_mm = 8.0 }\n"
    )
    (study / "scans.csv").write_text("scan,model,file\ns0,M,s0.stl\n")
    (study / "s0.stl").write_bytes(b"not looked at")
    for command in ("analyze", "report"):
        done = call(command, study)
        assert done.exit_code == 3
        assert "there are no poses yet" in done.output
        assert not (study / "results").exists()
