"""Before the first scan: new, check, plan and list-scans as a user types them."""

import csv
import datetime as dt
import importlib.metadata
import io
import itertools
import json
import os
import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner
from pdf_text import text_of

from accstudy.cli import main
from accstudy.errors import Finding, InputError, Severity, StudyError
from accstudy.plan.protocol import load_protocol, protocol_names
from accstudy.plan.study_files import ScanFile, propose_scans, scan_columns, study_text
from accstudy.reports.verdicts import _size
from accstudy.stages.analyze import _tolerance
from accstudy.stages.check import split_missing
from accstudy.stages.references import deviations
from accstudy.stages.sizes import pilot_of
from accstudy.study.load import load_study
from accstudy.study.settings import Settings
from accstudy.study.toml import read_settings
from accstudy.tables import csv_bytes, read_csv

SAMPLES = Path(__file__).parents[2] / "sample_study"

IMPLANTS = "M,I1,0,0,0,0,0,1,,,,,,,\nM,I2,20,5,0,0,0,1,,,,,,,\nM,I3,40,0,0,0,0,1,,,,,,,\n"


def call(*words):
    return CliRunner().invoke(main, [str(w) for w in words], catch_exceptions=False)


def made(tmp_path, protocol="full_arch_validation"):
    assert call("new", tmp_path / "s", "--protocol", protocol).exit_code == 0
    return tmp_path / "s"


def rows(study):
    return list(csv.DictReader(io.StringIO((study / "scans.csv").read_text(encoding="utf-8"))))


def with_reference(study):
    with (study / "reference/implants.csv").open("a") as stream:
        stream.write(IMPLANTS)


def missing(study):
    lines = call("check", study).output.splitlines()
    return [line.strip() for line in lines if line.startswith("  ") and line.strip()[0].isdigit()]


@pytest.mark.parametrize("protocol", protocol_names())
def test_a_new_study_is_readable_as_it_is_and_with_every_offered_line(tmp_path, protocol):
    study = made(tmp_path, protocol)
    chosen = load_protocol(protocol)
    settings = read_settings(study / "study.toml")
    assert settings.study.kind == chosen.kind
    assert settings.study.protocol == protocol
    for limit in chosen.limit:
        found = getattr(settings.limits, limit["measurand"])
        assert (found.value, found.source) == (limit["value"], limit["source"])
    assert (study / "scans.csv").read_text().strip().split(",") == list(scan_columns(chosen))
    # every line that is offered as a comment is a key that is understood, with such a value
    text = (study / "study.toml").read_text(encoding="utf-8")
    offered = re.sub(r"^# (?=\[\[|[a-z_]+ = )", "", text, flags=re.MULTILINE)
    assert offered.count("\n# ") < text.count("\n# ") - 8
    text = offered.replace('mesh = "scan_bodies/body.stl"', "")
    given = Settings.model_validate(tomllib.loads(text))
    assert given.reference.mpe_um is not None
    assert given.scans.expansion_per_k == 75e-6
    assert given.scan_body["default"].cylinder is not None
    assert given.exclusions[0].scan == "s007"


def test_every_line_of_study_toml_is_explained():
    lines = study_text(load_protocol("full_arch_validation")).splitlines()
    for before, line in itertools.pairwise(lines):
        if "=" in line and not line.startswith("# "):
            assert "  # " in line or before.startswith("# "), line


def test_a_title_is_kept_whatever_it_holds(tmp_path):
    title = 'Füße "and" back\\slash = # 1'
    call("new", tmp_path / "s", "--title", title)
    assert read_settings(tmp_path / "s/study.toml").study.title == title
    assert call("new", tmp_path / "t", "--title", "two\nlines").exit_code == 3
    assert not (tmp_path / "t").exists()


def test_new_overwrites_nothing(tmp_path):
    study = tmp_path / "s"
    (study / "scans").mkdir(parents=True)
    (study / "scans/a.stl").write_text("mine")
    (study / "README.md").write_text("mine")
    done = call("new", study)
    assert done.exit_code == 3
    assert "already has a README.md; nothing was written" in done.output
    assert sorted(p.name for p in study.rglob("*")) == ["README.md", "a.stl", "scans"]
    (study / "README.md").unlink()
    assert call("new", study).exit_code == 0
    assert (study / "scans/a.stl").read_text() == "mine"
    wrong = call("new", tmp_path / "t", "--protocol", "monthly")
    assert wrong.exit_code == 3
    assert 'did you mean "monthly_drift"' in wrong.output


def test_check_leads_from_an_empty_folder_to_the_first_scan(tmp_path):
    study = made(tmp_path)
    steps = missing(study)
    words = ["implants", "mpe_um", "scan_bodies/body.stl", "temperature_c", "Fill scans.csv"]
    assert len(steps) == len(words)
    assert all(word in step for word, step in zip(words, steps, strict=True))
    with_reference(study)
    assert len(missing(study)) == len(words) - 1
    (study / "scan_bodies/body.stl").write_text("x")
    text = (study / "study.toml").read_text()
    for key in ("mpe_um", "temperature_c = 22.5", "expansion_per_k"):
        text = text.replace(f"# {key}", key)
    (study / "study.toml").write_text(text)
    assert [s.split(":")[0] for s in missing(study)] == ["1. Fill scans.csv"]
    done = call("plan", study, "--operator", "A", "--seed", "3", "--repeats", "2")
    assert done.exit_code == 0
    (step,) = missing(study)
    assert step.startswith("1. Make the scans (all 4 scans are planned")
    assert call("check", study).exit_code == 3


def test_certified_implants_need_no_machine_error(tmp_path):
    study = made(tmp_path)
    rows_with_u = IMPLANTS.replace(",,,,,,,", ",,,,,,0.8,0.01")
    with (study / "reference/implants.csv").open("a") as stream:
        stream.write(rows_with_u)
    text = (study / "study.toml").read_text().replace("# poses =", "poses =")
    (study / "study.toml").write_text(text)
    (study / "scan_bodies/body.stl").write_text("x")
    (study / "scans.csv").write_text("scan,model,device,technique,operator,session\ns,M,A,x,o,1\n")
    head = "scan,model,implant,x_mm,y_mm,z_mm,axis_x,axis_y,axis_z\n"
    (study / "poses.csv").write_text(head + "s,M,I1,0,0,0,0,0,1\n")
    codes = {f.code for f in load_study(study).findings}
    assert "no-temperature" in codes
    assert "no-reference-uncertainty" not in codes
    bare = (study / "reference/implants.csv").read_text().replace("0.8", "", 1)
    (study / "reference/implants.csv").write_text(bare)
    assert "no-reference-uncertainty" in {f.code for f in load_study(study).findings}


def test_what_is_wrong_is_told_beside_what_is_missing():
    wrong = Finding(Severity.ERROR, "unknown-model", "model", "scans.csv:2:model")
    cells = [
        Finding(Severity.ERROR, "empty-factor", "e", f"scans.csv:{r}:operator") for r in (3, 4)
    ]
    room = Finding(Severity.WARNING, "no-temperature", "t", "study.toml::scans.temperature_c")
    steps, others = split_missing([wrong, *cells, room])
    assert others == (wrong,)
    assert "expansion_per_k" in steps[0][0]
    said = "Fill in column operator in scans.csv (2 rows, from row 3 on)."
    assert steps[1] == (said, "scans.csv:3:operator")
    # a warning alone is no step: the study can be computed without it
    assert split_missing([wrong, room]) == ((), (wrong, room))


def test_planned_scans_wait_until_they_are_made(tmp_path):
    study = made(tmp_path, "monthly_drift")
    with_reference(study)
    text = (study / "study.toml").read_text().replace("# poses =", "poses =")
    (study / "study.toml").write_text(text)
    call("plan", study, "--seed", "1")
    with pytest.raises(StudyError, match="none has been made yet"):
        load_study(study)
    listed = rows(study)
    made_so_far = [row["scan"] for row in listed[:5]]
    body = "".join(
        f"{s},M,I{k},{20 * k + i / 100},{5 * (k == 2)},0,0,0,1\n"
        for i, s in enumerate(made_so_far) for k in (1, 2, 3)
    )  # fmt: skip
    (study / "poses.csv").write_text(
        "scan,model,implant,x_mm,y_mm,z_mm,axis_x,axis_y,axis_z\n" + body
    )
    with pytest.raises(StudyError, match="measured_at is empty"):
        load_study(study)
    table = pd.read_csv(study / "scans.csv", dtype=str)
    table.loc[table["scan"].isin(made_so_far), "measured_at"] = "2025-03-01"
    table.to_csv(study / "scans.csv", index=False)
    found = load_study(study)
    assert found.scans["scan"].tolist() == made_so_far
    assert set(found.scans["status"]) == {"ok"}
    (waiting,) = [f for f in found.findings if f.code == "scans-planned"]
    assert "45 of 50 scans are planned" in waiting.what
    assert waiting.severity is Severity.NOTE


def test_plan_draws_the_recorded_order_once(tmp_path):
    study = made(tmp_path, "technique_comparison")
    with_reference(study)
    words = ["--operator", "Ä", "--operator", "B", "--level", "technique=one",
             "--level", "technique=two", "--repeats", "2"]  # fmt: skip
    done = call("plan", study, *words)
    assert done.exit_code == 0
    record = json.loads((study / "plan/order.json").read_text())
    listed = rows(study)
    assert len(listed) == 1 * 2 * 2 * 2 * 2  # model of the reference, operators, sessions, levels
    assert {r["model"] for r in listed} == {"M"}
    assert {r["technique"] for r in listed} == {"one", "two"}
    assert {r["status"] for r in listed} == {"planned"}
    text = text_of(study / "plan/bench_sheet.pdf")
    assert str(record["seed"]) in text
    assert all(r["scan"] in text for r in listed)
    first = (study / "scans.csv").read_bytes()
    again = call("plan", study, *words)
    assert "already has 16 rows and is left unchanged" in again.output
    assert (study / "scans.csv").read_bytes() == first
    other = made(tmp_path / "b", "technique_comparison")
    with_reference(other)
    call("plan", other, *words, "--seed", record["seed"])
    assert (other / "scans.csv").read_bytes() == first
    wrong = call("plan", made(tmp_path / "c"), "--level", "techniqe=x")
    assert wrong.exit_code == 3
    assert 'did you mean "technique"' in wrong.output
    assert call("plan", study, "--level", "technique").exit_code == 2


def test_plan_says_what_sizes_show_and_what_a_limit_needs(tmp_path):
    study = made(tmp_path)
    done = call("plan", study, "--s-r", "10", "--bias", "5", "--cells", "1,4", "--per-cell", "5",
                "--simulations", "20", "--sizes-only")  # fmt: skip
    assert done.exit_code == 0
    table = pd.read_csv(study / "plan/plan_sizes.csv")
    # half-width of a mean of 5 with s = 10: t(0.975, 4) s / sqrt(5) = 2.7764 * 10 / 2.2361,
    # from Student's t
    assert table["half_width"][0] == pytest.approx(12.42, abs=0.005)
    # the protocol's 8 minutes a scan and 20 a block
    assert table["chair_minutes"].tolist() == [5 * 8 + 20, 20 * 8 + 4 * 20]
    assert set(table["limit"]) == {100}
    assert "each pair, 100\u00a0µm: " in done.output
    assert "; a study of that size verifies it with " in done.output
    assert rows(study) == []
    assert "no sample size: give --s-r" in call("plan", study, "--sizes-only").output
    assert call("plan", study, "--difference", "20").exit_code == 2
    assert call("plan", study, "--cells", "0").exit_code == 2


def test_plan_finds_a_large_difference_and_misses_none(tmp_path):
    study = made(tmp_path, "technique_comparison")
    done = call("plan", study, "--sizes-only", "--difference", "15", "--sd", "scan=8",
                "--sd", "residual=10", "--operators", "2,8", "--per-cell", "2")  # fmt: skip
    assert done.exit_code == 0
    power = pd.read_csv(study / "plan/plan_power.csv")
    few, many = power["power"]
    assert few < many
    assert many > 0.95
    assert power["chair_minutes"].tolist() == [16 * 8 + 4 * 20, 64 * 8 + 16 * 20]
    wrong = call("plan", study, "--difference", "60", "--sd", "scam=8", "--sd", "residual=1")
    assert 'no random term "scam"' in wrong.output
    assert call("plan", study, "--difference", "60", "--sd", "scan").exit_code == 2
    without = call("plan", study, "--difference", "60", "--sd", "scan=8")
    assert "--sd residual=15" in without.output


def test_a_plan_and_the_report_of_its_pilot_name_one_size(tmp_path):
    """conformity.csv, the sentence of the report and `plan` take it from one function."""
    pilot = tmp_path / "pilot"
    written = shutil.ignore_patterns("results", "reports", ".accstudy")
    shutil.copytree(SAMPLES / "comparison", pilot, ignore=written)
    settings = (
        pilot / "study.toml"
    )  # a comparison is sized by its power, a validation by its verdict
    settings.write_text(settings.read_text().replace('kind = "comparison"', 'kind = "validation"'))
    done = load_study(pilot)
    poses = read_csv("poses", pilot / "poses.csv")
    pairs = deviations(done, poses)[0].query("technique == 'technique A' and model == 'M6-30a'")
    conformity = _tolerance(done, pairs.reset_index(drop=True))["conformity"]
    (pilot / "results").mkdir()
    data = csv_bytes("pair_deviations", pairs, factors=done.factors)
    (pilot / "results/pair_deviations.csv").write_bytes(data)
    named = conformity[(conformity["measurand"] == "distance_um") & conformity["n_needed"].notna()]
    row = named[~named["holds_for"].str.startswith("new op")].iloc[0]
    study = made(tmp_path)
    done = call("plan", study, "--pilot", pilot, "--pilot-condition", row["condition"],
                "--cells", "4", "--per-cell", "3", "--simulations", "20",
                "--sizes-only")  # fmt: skip
    assert done.exit_code == 0
    more = int(row["n_needed"] - row["n_scans"])
    share = f"{100 * row['needed_assurance']:.0f} %"
    start = f"{row['scope']}, 100\u00a0µm: "
    line = next(x for x in done.output.splitlines() if x.startswith(start))
    assert f"{more} more scans, for a total of" in line
    assert line.endswith(f"verifies it with a probability of {share}")
    assert f"{more} more scans, for a total of" in _size(row)
    with pytest.raises(InputError, match="contains no results"):
        pilot_of(tmp_path / "none", read_settings(study / "study.toml"))
    with pytest.raises(InputError, match='no condition "technique B"'):
        pilot_of(pilot, read_settings(study / "study.toml"), condition="technique B")


def test_rows_are_proposed_from_names_and_times():
    noon = dt.datetime(2025, 3, 2, 12)
    later = noon + dt.timedelta(hours=1)
    files = [
        ScanFile("scans/Löwe op2 r2.stl", later),
        ScanFile("scans/Löwe op2 r1.STL.gz", noon),
        ScanFile("scans/op1_2025-03-01T09-30.ply", later),
        ScanFile("scans/sub/op1_2025-03-01T09-30.ply", later),
    ]
    found = propose_scans(files, model="M6")
    table = found.scans
    assert table["scan"].tolist() == [
        "op1_2025-03-01T09-30 (1)", "op1_2025-03-01T09-30 (2)", "Löwe op2 r1", "Löwe op2 r2",
    ]  # fmt: skip
    assert table["operator"].tolist() == ["operator 1"] * 2 + ["operator 2"] * 2
    assert table["session"].tolist() == ["2025-03-01"] * 2 + ["2025-03-02"] * 2
    assert table["measured_at"][0] == "2025-03-01T09:30:00"
    assert table["repeat"].tolist() == [1, 2, 1, 2]
    assert any("2 of 4 from the file name" in note for note in found.notes)
    with pytest.raises(InputError, match="no mesh files"):
        propose_scans([])


@pytest.mark.parametrize(
    "name",
    [
        "Bediener 2_Sitzung 3_Aufnahme 1", "Opérateur-2 séance-3 numérisation-1",
        "OPERADOR_2_SESIÓN_3_ESCANEO_01", "operatore 2 sessione 3 scansione 1",
        "operador2 sessão3 repetição1", "op2 s3 r1",
        "Ope\u0301rateur 2 se\u0301ance 3 mesure 1",  # letters and accents apart, as macOS writes
    ],
)  # fmt: skip
def test_words_of_several_languages_are_known_in_file_names(name):
    found = propose_scans([ScanFile(f"scans/{name}.stl", dt.datetime(2025, 3, 2))], model="M")
    row = found.scans.iloc[0]
    assert (row["operator"], row["session"], row["repeat"]) == ("operator 2", "session 3", 1)


def test_a_link_among_the_scans_is_listed_by_its_own_name(tmp_path):
    study = made(tmp_path)
    (study / "scans").mkdir(exist_ok=True)
    outside = tmp_path / "elsewhere.stl"
    outside.write_bytes(b"solid")
    (study / "scans/here.stl").symlink_to(outside)
    done = call("list-scans", study)
    assert done.exit_code == 0, done.output
    assert "scans/here.stl" in done.output
    assert "elsewhere" not in done.output


def test_list_scans_prints_rows_and_adds_each_once(tmp_path):
    study = made(tmp_path)
    with_reference(study)
    for k, name in enumerate(["op1 s1 r1.stl", "op1 s1 r2.stl.gz", "notes.txt"]):
        (study / "scans" / name).write_text(str(k))
        os.utime(study / "scans" / name, (1.7e9, 1.7e9 + 60 * k))
    done = call("list-scans", study / "scans")
    assert done.exit_code == 0
    listed = list(csv.DictReader(io.StringIO(done.stdout)))
    assert [r["file"] for r in listed] == ["scans/op1 s1 r1.stl", "scans/op1 s1 r2.stl.gz"]
    assert [r["model"] for r in listed] == ["M", "M"]
    assert [r["repeat"] for r in listed] == ["1", "2"]
    assert [r["device"] for r in listed] == ["", ""]  # the study groups scans by it
    assert "technique: fill in" in done.stderr
    assert rows(study) == []
    said = ["--same", "device=device A", "--same", "technique="]
    assert call("list-scans", study, *said).exit_code == 2
    assert call("list-scans", study, "--write", *said[:2]).exit_code == 0
    assert {r["device"] for r in rows(study)} == {"device A"}
    assert "Fill in column technique in scans.csv (2 rows, from row 2 on)." in missing(study)[-1]
    assert [r["file"] for r in rows(study)] == [r["file"] for r in listed]
    again = call("list-scans", study, "--write")
    assert again.exit_code == 3
    assert "all 2 mesh files there are already listed" in again.output


def test_version_names_what_computes_and_loads_none_of_it():
    code = (
        "import sys; from accstudy.cli import main\n"
        "try: main(['--version'])\n"
        "except SystemExit: pass\n"
        "print([m for m in ('numpy', 'scipy', 'statsmodels', 'open3d') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    for name in ("numpy", "scipy", "statsmodels"):
        assert f"{name} {importlib.metadata.version(name)}\n" in done.stdout
    assert "open3d" in done.stdout
    assert done.stdout.splitlines()[-1] == "[]"


def test_a_study_just_made_is_checked_without_a_crash(tmp_path):
    # its reference has a head and no row yet
    made = CliRunner().invoke(main, ["new", str(tmp_path / "s")])
    assert made.exit_code == 0
    done = CliRunner().invoke(main, ["check", str(tmp_path / "s")])
    assert done.exit_code == 3, done.output
