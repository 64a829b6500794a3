"""A study without a reference is made and planned without a word of what it cannot say."""

from __future__ import annotations

import re

import pandas as pd
import pytest
from click.testing import CliRunner

from accstudy.cli import main
from accstudy.plan.protocol import load_protocol, protocol_names
from accstudy.plan.study_files import held_fixed, readme_text, study_text
from accstudy.study.toml import read_settings

SAID = re.compile(r"bias|truene|conform|tolerance bound|certificate|mpe_um", re.I)


def call(*words):
    return CliRunner().invoke(main, [str(w) for w in words])


@pytest.mark.parametrize("protocol", protocol_names())
def test_every_protocol_makes_a_study_without_a_reference(protocol, tmp_path):
    folder = tmp_path / "s"
    assert call("new", folder, "--protocol", protocol, "--without-reference").exit_code == 0
    settings = read_settings(folder / "study.toml")
    assert settings.reference.kind == "none"
    assert settings.limits.distance_um is None
    assert not (folder / "reference" / "implants.csv").exists()
    chosen = load_protocol(protocol)
    assert not SAID.search(study_text(chosen, referenced=False))
    text = readme_text(chosen, referenced=False)
    says = text.replace("Trueness, bias and conformity with your limits", "")
    for line in says.splitlines():
        frame = line.startswith(("- ISO", "Consulted for terms")) or "--without-reference" in line
        assert frame or not SAID.search(line), line
    assert not any("reference measured" in i["what"] for i in held_fixed(chosen, referenced=False))
    # what comes with a reference is as before
    assert 'kind = "cmm"' in study_text(chosen)
    assert "reference/implants.csv` has one row per implant" in readme_text(chosen)


def test_sizes_without_a_reference_are_those_of_precision(tmp_path):
    folder = tmp_path / "s"
    call("new", folder, "--without-reference")
    sized = call("plan", folder, "--s-r", 30, "--s-cell", 15, "--sizes-only")
    assert sized.exit_code == 0, sized.output
    assert "bias" not in sized.output
    table = pd.read_csv(folder / "plan" / "plan_precision_sizes.csv")
    assert "half_width" not in table
    assert (table["s_I_low"] < (30**2 + 15**2) ** 0.5).all()
    for more in (("--bias", 10), ("--limit", 100)):
        refused = call("plan", folder, "--s-r", 30, *more, "--sizes-only")
        assert refused.exit_code != 0
        assert "neither a bias nor a limit" in refused.output
