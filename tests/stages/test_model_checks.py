"""What a model names is read against the scans before any of them is measured."""

import shutil
from pathlib import Path

import pandas as pd
import pytest

from accstudy.errors import Severity, StudyError
from accstudy.pipeline import run_study
from accstudy.stages import model_checks
from accstudy.stages.check import check_study
from accstudy.stages.model_checks import mixed_models, model_faults
from accstudy.study.load import load_study

SAMPLE = Path(__file__).parents[2] / "sample_study/comparison"

GOOD = {
    "name": '"distance"',
    "response": '"pair.distance_um"',
    "fixed": '"technique * path_mm"',
    "random": '["scan", "pair"]',
}


def sample(tmp_path):
    """The comparison sample with a scan of every model and technique."""
    text = (SAMPLE / "study.toml").read_text(encoding="utf-8")
    (tmp_path / "study.toml").write_text(text[: text.index("[[model]]")], encoding="utf-8")
    shutil.copytree(SAMPLE / "reference", tmp_path / "reference")
    scans = pd.read_csv(SAMPLE / "scans.csv", dtype=str)
    kept = scans[scans["status"].fillna("") != "failed"]
    kept = kept[::-1].drop_duplicates(["model", "technique"])[::-1]
    kept.to_csv(tmp_path / "scans.csv", index=False)
    poses = pd.read_csv(SAMPLE / "poses.csv", dtype=str)
    poses[poses["scan"].isin(kept["scan"])].to_csv(tmp_path / "poses.csv", index=False)
    return tmp_path


@pytest.fixture
def folder(tmp_path):
    return sample(tmp_path)


def add_model(folder, **changed):
    """Append a model and return the line on which each of its keys stands."""
    file = folder / "study.toml"
    lines = [*file.read_text(encoding="utf-8").splitlines(), "", "[[model]]"]
    rows = {}
    for key, value in {**GOOD, **changed}.items():
        lines.append(f"{key} = {value}")
        rows[key] = len(lines)
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return rows


def test_models_that_can_be_fitted_give_no_finding(folder):
    add_model(folder)
    add_model(folder, name='"angle"', response='"log(abs(pair.angle_deg))"', at='[["path_mm", 20]]')
    add_model(folder, name='"worst"', response='"scan.worst_distance_um"', fixed='"C(n_implants)"',
              random='["model", "operator/session"]')  # fmt: skip
    bent = '"technique + I(angulation_deg ** 2)"'
    add_model(folder, name='"own"', response='"implant.vertical_um"', fixed=bent,
              random='["scan by technique"]', residual_sd_by='"technique"')  # fmt: skip
    assert model_faults(load_study(folder)) == []


def test_what_the_design_cannot_tell_apart_is_found_without_a_model(folder, monkeypatch):
    file = folder / "study.toml"  # which leaves the cells to the default
    lines = file.read_text(encoding="utf-8").splitlines(keepends=True)
    file.write_text("".join(s for s in lines if not s.startswith("cell =")), encoding="utf-8")
    study = load_study(folder)
    monkeypatch.setattr(model_checks, "model_specs", lambda *_: [])
    scans = study.scans.assign(operator=study.scans["technique"])
    tables, findings = mixed_models(study, scans, scans)
    assert (list(tables), findings) == (["model_confounding"], ())
    apart = tables["model_confounding"].query("factor == 'technique'")
    assert set(apart["other_factor"]) == {"operator"}
    assert set(apart["block"]) == {1, 2, 3}  # the sample has three techniques


WRONG = (
    ("response", '"pair.distnce_um"', '"distnce_um"', 'did you mean "distance_um"?'),
    ("response", '"scan.worst_distance"', '"worst_distance"', '"worst_distance_um"'),
    ("response", '"sin(pair.distance_um)"', '"sin"', "use one of: log"),
    ("response", '"1"', "names no column", ""),
    ("response", '"pair.implant_a"', "does not contain numbers", ""),
    ("response", '"spread(pair.distnce_um)"', '"distnce_um"', ""),
    ("response", '"pair.distance_um + implant.vertical_um"', "mixes", "use one of them"),
    ("fixed", '"techniqe * path_mm"', '"techniqe"', 'did you mean "technique"?'),
    ("fixed", '"technique + log(pathmm)"', '"pathmm"', 'did you mean "path_mm"?'),
    ("fixed", '"technique *"', "ends too early", "join columns by"),
    ("fixed", '""', "write 1 for a mean", ""),
    ("fixed", '"technique + I(2)"', "names no column", ""),
    ("fixed", '"technique + (1 | scan)"', "random term", "move it to random"),
    ("fixed", '"technique + distance_um"', "the response", "leave it out"),
    ("fixed", '"log(technique)"', "does not contain numbers", ""),
    ("random", '["scan", "operatr/session"]', '"operatr"', 'did you mean "operator"?'),
    ("random", '["path | scan"]', '"path"', "path_mm"),
    ("random", '["technique | scan"]', "does not contain numbers", ""),
    ("random", '["scan ||"]', "cannot read", 'write "a"'),
    ("random", '["scan", "distance_um"]', "the response", "leave it out"),
    ("residual_sd_by", '"techniqe"', '"techniqe"', 'did you mean "technique"?'),
    ("at", '[["span_mm", 20]]', '"span_mm"', "path_mm"),
)  # fmt: skip


@pytest.fixture(scope="module")
def faults(tmp_path_factory):
    """Faults of a study with every wrong model, by name, and the line of what is wrong in each."""
    folder = sample(tmp_path_factory.mktemp("wrong"))
    add_model(folder)
    lines = [
        add_model(folder, name=f'"number {k}"', **{key: value})[key]
        for k, (key, value, _, _) in enumerate(WRONG)
    ]
    found = {}
    for fault in model_faults(load_study(folder)):
        found.setdefault(fault.what.partition(": ")[0], []).append(fault)
    return found, lines


def test_models_that_can_be_fitted_have_no_fault_beside_those_that_cannot(faults):
    assert set(faults[0]) == {f'model "number {k}"' for k in range(len(WRONG))}


@pytest.mark.parametrize("k", range(len(WRONG)), ids=[f"{w[0]} {w[1]}" for w in WRONG])
def test_what_can_never_be_fitted_is_an_error_with_its_line(faults, k):
    key, _, said, mend = WRONG[k]
    (found,) = faults[0][f'model "number {k}"']
    assert found.severity is Severity.ERROR
    assert said in found.what
    assert mend in found.mend
    assert found.where == f"study.toml:{faults[1][k]}:model.{key}"


def test_all_faults_of_all_models_come_at_once_and_nothing_is_measured(folder):
    add_model(folder, fixed='"techniqe * pth_mm"', random='["scn"]')
    add_model(folder, name='"second"', residual_sd_by='"divice"')
    named = ["techniqe", "pth_mm", "scn", "divice"]
    for name, fault in zip(named, model_faults(load_study(folder)), strict=True):
        assert f'"{name}"' in fault.what
    assert sum(f.where.startswith("study.toml:") for f in check_study(folder)) == len(named)
    with pytest.raises(StudyError, match="techniqe"):
        run_study(folder, until="measure")
    assert not (folder / "results").exists()


def test_two_models_of_one_name_are_refused(folder):
    add_model(folder)
    row = add_model(folder)["name"]
    (found,) = model_faults(load_study(folder))
    assert (found.severity, found.code) == (Severity.ERROR, "duplicate-model")
    assert found.where == f"study.toml:{row}:model.name"


def test_a_margin_of_a_log_response_is_a_ratio(folder):
    add_model(folder, response='"log(abs(pair.distance_um))"', equivalence_margin="0.5")
    (found,) = model_faults(load_study(folder))
    assert "ratio above 1" in found.what
    assert found.where.endswith("model.equivalence_margin")


def test_effects_that_the_scans_do_not_tell_apart_are_warnings(folder):
    add_model(folder, fixed='"technique + span_mm + I(span_mm / 1000)"')
    add_model(folder, name='"many"', response='"scan.worst_distance_um"', fixed='"scan"',
              random='["model"]')  # fmt: skip
    found = model_faults(load_study(folder))
    assert [(f.severity, f.code) for f in found] == [
        (Severity.WARNING, "aliased"),
        (Severity.WARNING, "too-few-rows"),
    ]
