"""A coordinate measuring machine's own table is read as it is, or it is said what to write."""

import pandas as pd
import pytest

from accstudy.errors import StudyError
from accstudy.study.machine import named_as_here
from accstudy.study.settings import Reference
from accstudy.study.sheet import read_sheet
from accstudy.study.typed import typed

TABLE = """Element;Datum;X;Y;Z;I;J;K
I1;31.01.2025;-0,5;0;0,1;0;0;1
I2;31.01.2025;0,5;0;0;0;0;1
"""
NAMES = {
    "implant": "Element", "x_mm": "X", "y_mm": "Y", "z_mm": "Z",
    "axis_x": "I", "axis_y": "J", "axis_z": "K",
}  # fmt: skip


def read(tmp_path, text=TABLE, **settings):
    file = tmp_path / "machine.csv"
    file.write_text(text, encoding="utf-8")
    sheet = read_sheet(file, file="reference/machine.csv")
    return named_as_here(sheet, "implants", Reference(**settings))


def test_names_are_translated_the_model_is_filled_in_and_the_rest_is_named(tmp_path):
    sheet, notes = read(tmp_path, columns=NAMES, model="M6")
    frame, faults = typed(sheet, "implants")
    assert faults == []
    pd.testing.assert_series_equal(frame["x_mm"], pd.Series([-0.5, 0.5], name="x_mm"))
    assert frame["model"].tolist() == ["M6", "M6"]
    assert frame["row"].tolist() == [2, 3]
    assert [n.what for n in notes] == ['not used: "Datum"']


def test_a_table_with_other_names_gets_one_fault_that_says_what_to_write(tmp_path):
    with pytest.raises(StudyError) as caught:
        read(tmp_path)
    (fault,) = caught.value.findings
    assert fault.code == "missing-column"
    assert '"Element", "Datum", "X"' in fault.what
    assert 'reference.model = "model 1"' in fault.mend
    assert '[reference.columns], then a line for each, such as implant = "Element"' in fault.mend


def test_what_the_hint_says_mends_it(tmp_path):
    with pytest.raises(StudyError, match="no column model;"):
        read(tmp_path, columns=NAMES)
    with pytest.raises(StudyError, match=r'reference\.columns\.implant .* did you mean "Element"'):
        read(tmp_path, columns={**NAMES, "implant": "Elemnt"}, model="M6")
    with pytest.raises(StudyError, match='did you mean "x_mm"'):
        read(tmp_path, columns={**NAMES, "x_m": "X"}, model="M6")


def test_a_table_with_the_names_of_here_stays_as_it_is(tmp_path):
    text = "model,implant,x_mm,y_mm,z_mm,axis_x,axis_y,axis_z,colour\nM,I1,0,0,0,0,0,1,red\n"
    sheet, notes = read(tmp_path, text, model="other")
    assert sheet.rows[0][0] == "M"
    assert "colour" in sheet.header  # an unknown column without a mapping is a fault later
    assert notes == []


def test_a_column_of_the_machine_beats_one_of_the_same_name_here(tmp_path):
    text = TABLE.replace("Datum", "x_mm").replace("31.01.2025", "99")
    sheet, notes = read(tmp_path, text, columns=NAMES, model="M6")
    frame, faults = typed(sheet, "implants")
    assert faults == []
    assert frame["x_mm"].tolist() == [-0.5, 0.5]
    assert notes[0].what == 'not used: "x_mm"'
