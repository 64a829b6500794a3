"""What the desk writes: only what was changed, in the form that the user's file has."""

import pytest
from click.testing import CliRunner
from small_study import DRIFT, STUDY, write

pytest.importorskip("tomlkit")

from accstudy.cli import main
from accstudy.desk import inputs, planning, settings, sheets
from accstudy.errors import InputError, StudyError
from accstudy.stages.drawings import Lesson
from accstudy.study.toml import read_settings


def quiet(said):
    """Nobody listens."""


@pytest.mark.parametrize(
    ("text", "encoding"),
    [
        ("scan,model,device,operator,session\n{0}s2,M,A,2,1\n", "utf-8"),
        ("scan;model;device;operator;session\r\n{0}s2;M;Müller;2;1\r\n", "cp1252"),
        ("scan\tmodel\tdevice\toperator\tsession\r\n{0}s2\tM\tÄ\t2\t1\r\n", "utf-16"),
        ('scan,model,device,operator,session\n{0}"s2",M,"A ""x""",  2 ,1', "utf-8-sig"),
        ("a title\n\nscan,model,device,operator,session\n{0}s2,M,A,2,1\n", "utf-8"),
    ],
)
def test_a_cell_is_changed_and_every_other_byte_stays(tmp_path, text, encoding):
    mark = next(m for m in ";\t," if m in text)
    end = "\r\n" if "\r\n" in text else "\n"

    def whole(device):
        return text.format(mark.join(("s1", "M", device, "1", "1")) + end).encode(encoding)

    titled = "" if not text.startswith("a title") else "header_row = 3\n"
    folder = write(tmp_path, STUDY, scans=whole("A"),
                   study=STUDY["study"].replace("[scans]\n", f"[scans]\n{titled}"))  # fmt: skip
    found = sheets.sheet(folder)
    row = found["rows"][0]["number"]
    sheets.edit_sheet(folder, found["version"], {f"{row}:device": "B", f"{row}:model": "M"}, [])
    assert (folder / "scans.csv").read_bytes() == whole("B")


def test_columns_of_other_names_are_changed_where_they_are(tmp_path):
    text = STUDY["study"].replace("[scans]\n", '[scans]\ncolumns = { device = "Gerät" }\n')
    folder = write(tmp_path, STUDY, study=text, scans=STUDY["scans"].replace("device", "Gerät"))
    found = sheets.sheet(folder)
    sheets.edit_sheet(folder, found["version"], {"3:device": "B"}, [2], added="light_source")
    assert (folder / "scans.csv").read_text() == (
        "scan,model,Gerät,operator,session,light_source\ns2,M,B,2,1,\n"
    )
    with pytest.raises(InputError, match="changed meanwhile"):
        sheets.edit_sheet(folder, found["version"], {"3:device": "C"}, [])
    with pytest.raises(InputError, match="cannot be the name"):
        sheets.edit_sheet(folder, "", {}, [], added="light source")
    with pytest.raises(InputError, match="one line"):
        sheets.edit_sheet(folder, "", {"2:device": "a\nb"}, [])


def test_a_scan_is_left_out_or_excluded_with_a_reason_only(tmp_path):
    head, *rows = STUDY["scans"].splitlines()
    listed = "\n".join([f"{head},status,reason", *(f"{r},ok," for r in rows)]) + "\n"
    folder = write(tmp_path, STUDY, scans=listed)
    with pytest.raises(InputError, match="the reason is missing"):
        sheets.leave_out(folder, "s1", " ")
    sheets.leave_out(folder, "s1", "tip fogged")
    assert "s1,M,A,1,1,failed,tip fogged" in (folder / "scans.csv").read_text()
    before = (folder / "study.toml").read_text()
    settings.exclude(folder, "s2", "body loose")
    with pytest.raises(InputError, match="excluded already"):
        settings.exclude(folder, "s2", "again")
    assert read_settings(folder / "study.toml").exclusions[0].reason == "body loose"
    settings.exclude(folder, "s2", "")
    assert (folder / "study.toml").read_text().strip() == before.strip()


def test_settings_that_would_not_be_understood_are_not_written(tmp_path):
    folder = write(tmp_path, STUDY)
    before = (folder / "study.toml").read_bytes()
    version = settings.form(folder, "scans")["version"]
    for given, said in (("7,2,1", "number"), ("72", "Fahrenheit"), ("9" * 3000, "characters")):
        with pytest.raises(StudyError, match=said) as refused:
            settings.save(folder, version, {"scans.temperature_c": given}, "scans")
        assert refused.value.findings[0].where.endswith("scans.temperature_c")
    settings.save(folder, version, {"study.title": "of another screen"}, "scans")
    assert (folder / "study.toml").read_bytes() == before


def test_an_example_line_becomes_the_setting(tmp_path):
    text = (
        '[study]\ntitle = "A"\nkind = "validation"\n[reference]\n'
        "# from the certificate:\n# mpe_um = { constant = 1.9, per_metre = 4.0 }\n"
        '# instrument = "contact CMM"   # kind of machine\n'
    )
    folder = write(tmp_path, STUDY, study=text)
    given = {"reference.mpe_um.constant": "2,5", "reference.instrument": "ours"}
    settings.save(folder, settings.form(folder, "reference")["version"], given, "reference")
    assert (folder / "study.toml").read_text() == (
        '[study]\ntitle = "A"\nkind = "validation"\n[reference]\n'
        "# from the certificate:\nmpe_um = {constant = 2.5}\n"
        'instrument = "ours"   # kind of machine\n'
    )


FOLDED = (
    "Report;1\nFeature;Characteristic;Actual\n"
    + "".join(
        f"P{k} Circle;{c};{v}\n"
        for k, x in ((1, 0), (2, 20), (3, 40))
        for c, v in (("X", x), ("Y", 5), ("Z", 0), ("I", 0), ("J", 0), ("K", 1))
    )
)  # fmt: skip


def test_a_table_of_features_is_recognised_and_can_be_matched_by_hand(tmp_path):
    folder = write(tmp_path, STUDY, **{"reference/report.csv": FOLDED})
    inputs.take_table(folder, "implants", "reference/report.csv")
    found = inputs.tables(folder, "implants")
    assert found["faults"] == []
    assert [row[1] for row in found["read"]["rows"]] == ["P1", "P2", "P3"]
    own = "Name,Rechts,Vor,Hoch,A,B,C\n1,0,0,0,0,0,1\n2,20,5,0,0,0,1\n"
    (folder / "reference" / "own.csv").write_text(own)
    inputs.take_table(folder, "implants", "reference/own.csv")
    found = inputs.tables(folder, "implants")
    assert found["read"] is None
    names = ("implant", "x_mm", "y_mm", "z_mm", "axis_x", "axis_y", "axis_z")
    given = {
        f"columns.{n}": user for n, user in zip(names, own.split("\n")[0].split(","), strict=True)
    }
    inputs.match(folder, "implants", given | {"model": "M", "header_row": "1"})
    found = inputs.tables(folder, "implants")
    assert found["read"]["rows"][1] == ["M", "2", "20", "5", "0", "0", "0", "1"]


def test_an_event_is_added_at_the_end(tmp_path):
    folder = write(tmp_path, DRIFT)
    start = planning.session(folder, quiet)
    assert start["last"]["device"] == "device A"
    given = {"at": "31.3.2026", "device": "device A", "kind": "new tip", "new_baseline": "yes"}
    planning.event(folder, given, quiet)
    assert (folder / "events.csv").read_text() == (
        DRIFT["events"] + "2026-03-31,device A,new tip,,true\n"
    )
    with pytest.raises(InputError, match="the event is missing"):
        planning.event(folder, given | {"kind": ""}, quiet)
    with pytest.raises(InputError, match="can be read as 2026-02-03 or 2026-03-02"):
        planning.event(folder, given | {"at": "3.2.2026"}, quiet)


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({}, "the standard deviation of repeats is missing"),
        ({"s_r": "-3"}, "the standard deviation of repeats is missing"),
        ({"s_r": "ten"}, "standard deviation of repeats: "),
        ({"s_r": "20", "cells": "2, x"}, "cells: write whole numbers"),
    ],
)
def test_assumptions_that_are_none_are_refused(tmp_path, given, said):
    folder = write(tmp_path, STUDY)
    with pytest.raises(InputError, match=said):
        planning.sizes(folder, given, quiet)
    assert not (folder / "plan").exists()


def test_a_scan_body_of_another_name_is_the_one_that_is_set(tmp_path):
    text = STUDY["study"] + "[scan_body.tall]\ncylinder = { radius_mm = 2, height_mm = 8 }\n"
    folder = write(tmp_path, STUDY, study=text)
    found = settings.form(folder, "body")
    key = "scan_body.tall.cylinder.height_mm"
    settings.save(folder, found["version"], {key: "9.50"}, "body")
    assert (folder / "study.toml").read_text() == text.replace("height_mm = 8", "height_mm = 9.50")
    several = text + "[scan_body.short]\ncylinder = { radius_mm = 2, height_mm = 4 }\n"
    (folder / "study.toml").write_text(several)
    found = settings.form(folder, "body", "short")
    assert found["bodies"] == ["tall", "short"]
    key = "scan_body.short.cylinder.height_mm"
    settings.save(folder, found["version"], {key: "5"}, "body", "short")
    again = several.replace("height_mm = 4", "height_mm = 5")
    assert (folder / "study.toml").read_text() == again
    before = (folder / "reference" / "implants.csv").read_text().splitlines()
    sheets.carry(folder, {"2": "tall", "3": "short", "4": "none of ours"})
    after = (folder / "reference" / "implants.csv").read_text().splitlines()
    assert after == [f"{row},{body}" for row, body in
                     zip(before, ("scan_body", "tall", "short", ""), strict=True)]  # fmt: skip
    assert [c["scan_body"] for c in sheets.carriers(folder)] == ["tall", "short", ""]


def test_models_of_a_comparison_are_asked_for_without_a_formula(tmp_path):
    text = STUDY["study"].replace('"validation"', '"comparison"')
    text += '[analysis]\ncondition = ["device"]\ncell = ["operator", "session"]\n'
    scans = STUDY["scans"].replace("session\n", "session,light_lux\n").replace(",1\n", ",1,300\n")
    folder = write(tmp_path, STUDY, study=text, scans=scans)
    assert planning.models(folder)["asked"] == []
    given = {"name": "light", "response": "pair.distance_um", "margin": "20",
             "effect.path_mm": "by", "effect.light_lux": "own"}  # fmt: skip
    planning.change_model(folder, given)
    (model,) = read_settings(folder / "study.toml").model
    assert (model.fixed, model.equivalence_margin) == ("device * path_mm + light_lux", 20)
    assert {"scan by device", "condition:cell", "path_mm | scan by device"} <= set(model.random)
    assert planning.models(folder)["asked"][0]["fixed"] == "device × arch length + light lux"
    with pytest.raises(InputError, match="already"):
        planning.change_model(folder, given)
    with pytest.raises(InputError, match="pairs of implants"):
        planning.change_model(folder, given | {"name": "b", "response": "implant.vertical_um"})
    planning.change_model(folder, {"do": "margin", "name": "light", "margin": ""})
    assert read_settings(folder / "study.toml").model[0].equivalence_margin is None
    planning.change_model(folder, {"do": "remove", "name": "light"})
    assert (folder / "study.toml").read_text().strip() == text.strip()


def test_a_cylinder_takes_the_place_of_a_drawing(tmp_path):
    text = STUDY["study"] + '[scan_body.default]\nmesh = "scan_bodies/body.stl"\n'
    folder = write(tmp_path, STUDY, study=text)
    given = {f"scan_body.default.cylinder.{k}": v for k, v in
             (("radius_mm", "2,1"), ("height_mm", "8"))}  # fmt: skip
    settings.save(folder, settings.form(folder, "body")["version"], given, "body")
    body = read_settings(folder / "study.toml").scan_body["default"]
    assert (body.mesh, body.cylinder.radius_mm, body.cylinder.height_mm) == ("", 2.1, 8.0)


def test_what_is_learned_takes_the_place_of_the_drawing(tmp_path, monkeypatch):
    """The learning itself is tested in tests/stages/test_learn.py."""
    text = STUDY["study"] + (
        '[scan_body.default]\nmesh = "scan_bodies/body.stl"\norigin_mm = [1, 0, 0]  # ours\n'
    )
    folder = write(tmp_path, STUDY, study=text)
    learned = {"scan": "reference/m.stl", "copies": 3, "u_height_um": 2.4, "u_aside_um": 1.1,
               "u_axis_deg": 0.012}  # fmt: skip
    values = {"mesh": "scan_bodies/learned.stl", "use_above_mm": 2.5, "learned": learned}

    def learn(study, **given):
        assert given == {"scan": "reference/m.stl", "model": "M", "name": "default"}
        return Lesson("default", [], values, [])

    monkeypatch.setattr(inputs, "learn_drawing", learn)
    inputs.learn(folder, "default", "reference/m.stl", "M")
    body = read_settings(folder / "study.toml").scan_body["default"]
    assert body.learned.model_dump() == learned
    assert (body.mesh, body.origin_mm) == ("scan_bodies/learned.stl", (0, 0, 0))


def test_power_is_that_of_the_command(tmp_path):
    text = STUDY["study"].replace('"validation"', '"comparison"')
    text += '[analysis]\ncondition = ["technique"]\n[limits]\nconfidence = 0.95\n'
    text += '[[model]]\nname = "d"\nresponse = "pair.distance_um"\nfixed = "technique"\n'
    one = write(tmp_path / "one", STUDY, study=text)
    other = write(tmp_path / "other", STUDY, study=text)
    given = {"difference": "20", "sd.residual": "9", "sd.scan": "5", "operators": "3",
             "per_cell": "2", "margin": "15,5"}  # fmt: skip
    shown = planning.power(one, given, quiet)
    words = ["plan", other, "--sizes-only", "--difference", "20", "--margin", "15.5", "--sd",
             "scan=5", "--sd", "residual=9", "--operators", "3", "--per-cell", "2"]  # fmt: skip
    done = CliRunner().invoke(main, [str(w) for w in words])
    assert done.exit_code == 0, done.output
    made = "plan/plan_power.csv"
    assert (one / made).read_bytes() == (other / made).read_bytes()
    assert len(shown["rows"][0]) == len(shown["header"])
    with pytest.raises(InputError, match="standard deviation of single distances"):
        planning.power(one, {"difference": "20"}, quiet)
    with pytest.raises(InputError, match="difference to detect"):
        planning.power(one, {"sd.residual": "9"}, quiet)


def test_a_table_of_positions_takes_the_place_of_probed_points(tmp_path):
    text = STUDY["study"] + 'touch_points = "reference/touches.csv"\n'
    folder = write(tmp_path, STUDY, study=text)
    assert inputs.tables(folder, "implants")["other"] == "reference/touches.csv"
    inputs.take_table(folder, "implants", "reference/implants.csv")
    assert len(inputs.tables(folder, "implants")["read"]["rows"]) == 3


def test_empty_columns_that_group_nothing_are_not_shown_at_first(tmp_path):
    head, *rows = STUDY["scans"].splitlines()
    wider = [f"{head},software,light_lux,status", *(f"{row},2.0,," for row in rows)]
    found = sheets.sheet(write(tmp_path, STUDY, scans="\n".join(wider) + "\n"))
    assert set(found["header"]) - set(found["used"]) == {"light_lux"}
