"""Numbers that can be true by themselves and not beside the others are asked about."""

import pytest

from accstudy.errors import Severity
from accstudy.study.load import survey_study

STUDY = """[study]
title = "A check"
kind = "validation"

[scans]
poses = "poses.csv"
temperature_c = 20.0
expansion_per_k = 75e-6

[reference]
mpe_um = {{ constant = 1.9, per_metre = 4.0 }}
{more}
"""
PLACES = {"I1": (0, 0), "I2": (20, 25), "I3": (40, 0)}


def found(folder, more="", column="", values=("", "", ""), temperatures=(20, 21)):
    (folder / "reference").mkdir()
    (folder / "study.toml").write_text(STUDY.format(more=more), encoding="utf-8")
    head = "x_mm,y_mm,z_mm,axis_x,axis_y,axis_z"
    rows = [f"M,{i},{x},{y},0,0,0.5,0.8660254" for i, (x, y) in PLACES.items()]
    table = [
        f"model,implant,{head},{column or 'k'}",
        *map(",".join, zip(rows, values, strict=True)),
    ]
    (folder / "reference/implants.csv").write_text("\n".join(table), encoding="utf-8")
    (folder / "scans.csv").write_text(
        "scan,model,device,operator,session,temperature_c\n"
        + "".join(f"s{k},M,A,{k},1,{t}\n" for k, t in enumerate(temperatures, start=1)),
        encoding="utf-8",
    )
    poses = [
        f"s{k},M,{i},{x + 0.01 * k * (i == 'I3')},{y},0,0,0.5,0.8660254"
        for k in (1, 2)
        for i, (x, y) in PLACES.items()
    ]
    text = "\n".join([f"scan,model,implant,{head}", *poses])
    (folder / "poses.csv").write_text(text, encoding="utf-8")
    return [f for f in survey_study(folder).findings if f.severity is not Severity.NOTE]


def test_the_sound_study_has_no_finding(tmp_path):
    assert found(tmp_path, column="angulation_deg", values=("30", "30", "28")) == []


@pytest.mark.parametrize(
    ("given", "code", "said"),
    [
        ({"column": "u_position_um", "values": ("0.002",) * 3}, "implausible-value", "write 2"),
        ({"column": "u_axis_deg", "values": ("0.0002",) * 3}, "implausible-value", "radians"),
        (
            {"column": "angulation_deg", "values": ("0.52",) * 3},
            "angulation-differs",
            "not radians",
        ),
        ({"column": "angulation_deg", "values": ("30", "3", "30")}, "angulation-differs", '"I2"'),
        ({"more": "occlusal = [0, 0, -1]"}, "inward-axis", "reverse it"),
        ({"temperatures": (22, 42)}, "temperatures-apart", "20 K apart"),
    ],
)
def test_a_doubtful_number_is_told_with_its_likely_cause(tmp_path, given, code, said):
    told = [f for f in found(tmp_path, **given) if f.code == code]
    assert told
    assert said in str(told[0])
