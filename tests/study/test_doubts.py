"""Numbers that can be true by themselves and not beside the others are asked about."""

import pytest
from small_study import SETTINGS, write

from accstudy.errors import Severity
from accstudy.study.load import survey_study

PLACES = {"I1": (0, 0), "I2": (20, 25), "I3": (40, 0)}


def found(folder, more="", column="", values=("", "", ""), temperatures=(20, 21)):
    head = "x_mm,y_mm,z_mm,axis_x,axis_y,axis_z"
    rows = [f"M,{i},{x},{y},0,0,0.5,0.8660254" for i, (x, y) in PLACES.items()]
    table = [
        f"model,implant,{head},{column or 'k'}",
        *map(",".join, zip(rows, values, strict=True)),
    ]
    scans = [f"s{k},M,A,{k},1,{t}" for k, t in enumerate(temperatures, start=1)]
    poses = [
        f"s{k},M,{i},{x + 0.01 * k * (i == 'I3')},{y},0,0,0.5,0.8660254"
        for k in (1, 2)
        for i, (x, y) in PLACES.items()
    ]
    write(
        folder,
        study=f"{SETTINGS}{more}\n",
        implants="\n".join(table),
        scans="\n".join(["scan,model,device,operator,session,temperature_c", *scans]),
        poses="\n".join([f"scan,model,implant,{head}", *poses]),
    )
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


def with_casts(folder, casts):
    found(folder)
    rows = [f"s{k},M,A,{o},1,20,{c}" for k, (o, c) in enumerate(casts, start=1)]
    head = "scan,model,device,operator,session,temperature_c,cast"
    (folder / "scans.csv").write_text("\n".join([head, *rows]), encoding="utf-8")
    poses = (folder / "poses.csv").read_text(encoding="utf-8").splitlines()
    more = [p.replace("s1,", f"s{k},") for k in range(3, len(casts) + 1) for p in poses[1:4]]
    (folder / "poses.csv").write_text("\n".join([*poses, *more]), encoding="utf-8")
    surveyed = survey_study(folder)
    return surveyed.scans, {f.code: f.what for f in surveyed.findings}


def test_measurements_of_one_cast_are_repeats_and_the_cast_is_the_result(tmp_path):
    scans, told = with_casts(tmp_path, [(1, "c1"), (2, "c1"), (1, "c2"), (1, ""), (1, "")])
    cells = scans.set_index("scan")["cell"]
    assert cells["s1"] == cells["s2"] != cells["s3"]
    assert cells["s4"] == cells["s5"] not in {cells["s1"], cells["s3"]}  # scans without a cast
    assert "3 scans show 2 casts" in told["casts-as-cells"]


def test_casts_that_were_measured_once_each_are_independent_anyway(tmp_path):
    scans, told = with_casts(tmp_path, [(1, "c1"), (1, "c2"), (1, "c3")])
    assert scans["cell"].nunique() == 1
    assert "casts-as-cells" not in told
