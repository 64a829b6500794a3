"""Tables are read as they were exported, or the lines are proposed that make them readable."""

import io
import re
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from small_study import SETTINGS, write

from accstudy.errors import InputError, Severity, StudyError
from accstudy.stages.plan import appended
from accstudy.study.exported import Said, arranged
from accstudy.study.load import load_study
from accstudy.study.settings import Poses, Reference, Scans
from accstudy.study.typed_rows import typed

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
    sheet = arranged(
        file.read_bytes(), "implants", Reference(**settings),
        file="reference/machine.csv", said=Said("reference"),
    )  # fmt: skip
    return sheet, list(sheet.notes)


def test_names_are_translated_the_model_is_filled_in_and_the_rest_is_named(tmp_path):
    sheet, notes = read(tmp_path, columns=NAMES, model="M6")
    frame, faults = typed(sheet, "implants")
    assert faults == []
    pd.testing.assert_series_equal(frame["x_mm"], pd.Series([-0.5, 0.5], name="x_mm"))
    assert frame["model"].tolist() == ["M6", "M6"]
    assert frame["row"].tolist() == [2, 3]
    assert [n.what for n in notes] == ['not used: "Datum"']


def test_wrong_names_on_either_side_are_told_at_once(tmp_path):
    wrong = {**NAMES, "implant": "Elemnt", "x_m": "X"}
    with pytest.raises(StudyError) as caught:
        read(tmp_path, columns=wrong, model="M6", rows={"Typ": "Kreis"}, label=())
    said = [f"{f.code} {f.what} {f.mend}" for f in caught.value.findings]
    assert any('"Elemnt"' in s and 'did you mean "Element"' in s for s in said)
    assert any('"x_m" is not a column' in s and 'did you mean "x_mm"' in s for s in said)
    assert any('"Typ" that rows' in s for s in said)


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


HERE = {"16": (0.0, 0.0, 1.25), "14": (20.5, 5.0, 0.0), "24": (40.0, 0.5, 0.0)}
AXIS = {"16": (0.0, 0.6, 0.8), "14": (0.0, 0.0, 1.0), "24": (0.0, 0.28, 0.96)}
STUDY = f'{SETTINGS}implants = "FILE"\n'
SCANS = "scan,model,device,operator,session\ns1,model 1,A,1,1\ns2,model 1,A,2,1\n"
LETTERS = ("X", "Y", "Z", "I", "J", "K")


def numbers(implant):
    return (*HERE[implant], *AXIS[implant])


def poses(scan, off):
    return [
        [scan, "model 1", implant, HERE[implant][0] + off, *numbers(implant)[1:]]
        for implant in HERE
    ]


def csv_text(rows, delimiter=",", comma=False):
    def text(cell):
        return str(cell).replace(".", ",") if comma and isinstance(cell, float) else str(cell)

    return "".join(delimiter.join(map(text, row)) + "\n" for row in rows)


def workbook(sheets, merged=()):
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, rows in sheets.items():
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append([None if c == "" else c for c in row])
    for area in merged:
        book.worksheets[-1].merge_cells(area)
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


def plain(head=("Element", *LETTERS)):
    return [list(head), *([i, *numbers(i)] for i in HERE)]


def feature_rows():
    """A row a feature: the circle has the position, the cylinder the axis."""
    rows = [["Feature", *LETTERS]]
    for i in HERE:
        rows.append([f"{i}_CIRCLE", *HERE[i], 0.0, 0.0, 1.0])
        rows.append([f"{i}_CYL", HERE[i][0], HERE[i][1], -7.0, *AXIS[i]])
    return rows


def value_rows():
    """A row a value, named in one cell, with nominal values and deviations beside."""
    rows = [["Characteristic", "Nominal", "Actual", "Deviation"]]
    for i in HERE:
        for letter, value in zip(("x", "y", "z"), HERE[i], strict=True):
            rows.append([f"{i} circle {letter}", 99.0, value, 0.01])
        for letter, value in zip(("i", "j", "k"), AXIS[i], strict=True):
            rows.append([f"{i} cylinder axis {letter}", 99.0, value, 0.01])
    return rows


def stacked_rows():
    """Feature, characteristic and value, the feature's name in the first of its rows."""
    rows = [["Feature", "Axis", "Measured"]]
    for i in HERE:
        for k, letter in enumerate(LETTERS):
            rows.append([i if k == 0 else "", letter, numbers(i)[k]])
    return rows


def in_columns():
    """A column an implant."""
    return [
        ["Characteristic", *HERE],
        *([letter, *(numbers(i)[k] for i in HERE)] for k, letter in enumerate(LETTERS)),
    ]


def one_row():
    return [
        ["Part", *(f"{i} {letter}" for i in HERE for letter in LETTERS)],
        ["model 1", *(n for i in HERE for n in numbers(i))],
        ["mean", *(n for i in HERE for n in numbers(i))],
    ]


TITLE = [["Measuring report"], ["Date", "2025-01-31"], []]
BLOCK = [
    ["Messbericht Prüfstelle"],
    ["", "Position", "", "", "Axis", "", ""],
    ["Implant", "X", "Y", "Z", "X", "Y", "Z"],
    *([i, *numbers(i)] for i in HERE),
]
EXPORTS = {
    "other names": ("cmm.csv", csv_text(plain()).encode()),
    "title lines": ("cmm.csv", csv_text([*TITLE, *plain()]).encode()),
    "semicolons, decimal commas, Windows-1252": (
        "cmm.csv", csv_text([["Prüfbericht 7, Halle 2"], [], *plain()], ";", True).encode("cp1252"),
    ),
    "tabs, UTF-16": ("cmm.txt", csv_text(plain(), "\t", True).encode("utf-16")),
    "units in the header": (
        "cmm.csv", csv_text(plain(("Id", "X [mm]", "Y [mm]", "Z [mm]", "I", "J", "K"))).encode(),
    ),
    "two header rows": ("cmm.csv", csv_text(BLOCK).encode()),
    "merged header, second sheet": (
        "cmm.xlsx",
        workbook({"Cover": [["Report", 7]], "Results": BLOCK}, ["A1:G1", "B2:D2", "E2:G2"]),
    ),
    "a row a feature": ("cmm.csv", csv_text(feature_rows()).encode()),
    "a row a feature, in a column of its own": (
        "cmm.csv",
        csv_text(
            [["Name", "Type", *LETTERS]]
            + [[*row[0].split("_"), *row[1:]] for row in feature_rows()[1:]]
        ).encode(),
    ),
    "a row a value": ("cmm.csv", csv_text([*TITLE, *value_rows()]).encode()),
    "stacked": ("cmm.csv", csv_text(stacked_rows(), ";", True).encode()),
    "stacked, merged": (
        "cmm.xlsx", workbook({"R": stacked_rows()}, ["A2:A7", "A8:A13", "A14:A19"]),
    ),
    "a column an implant": ("cmm.csv", csv_text(in_columns()).encode()),
}  # fmt: skip


def study(folder: Path, file: str, data: bytes, more="", poses_file=None):
    head = ["scan", "model", "implant", "x_mm", "y_mm", "z_mm", "axis_x", "axis_y", "axis_z"]
    rows = [*poses("s1", 0.01), *poses("s2", 0.02)]
    given = poses_file or csv_text([head, *rows])
    settings = STUDY.replace("FILE", file) + more
    own = {"study": settings, "scans": SCANS, "poses": given, file: data}
    return write(folder, own)


def proposed(folder):
    """Lines that the errors of a study propose, and the section below which they go."""
    with pytest.raises(StudyError) as caught:
        load_study(folder)
    (found,) = [f for f in caught.value.findings if f.severity is Severity.ERROR]
    assert found.code == "missing-column", str(found)
    first, *lines = found.mend.splitlines()
    assert lines, str(found)
    return re.search(r"\[(\w+)\]", first), lines


def paste(folder):
    below, lines = proposed(folder)
    text = (folder / "study.toml").read_text(encoding="utf-8")
    block = "\n".join(lines) + "\n"
    text = text.replace(f"{below[0]}\n", f"{below[0]}\n{block}") if below else text + "\n" + block
    (folder / "study.toml").write_text(text, encoding="utf-8")
    return load_study(folder)


@pytest.mark.parametrize("form", EXPORTS)
def test_the_lines_that_are_proposed_make_an_export_readable(tmp_path, form):
    file, data = EXPORTS[form]
    read_study = paste(study(tmp_path, file, data))
    found = read_study.implants.set_index("implant")
    assert set(found.index) == set(HERE)
    for implant in HERE:
        assert tuple(found.loc[implant, ["x_mm", "y_mm", "z_mm"]]) == HERE[implant]
        axis = tuple(found.loc[implant, ["axis_x", "axis_y", "axis_z"]])
        assert axis == pytest.approx(AXIS[implant])
    assert set(found["model"]) == {"model 1"}


def test_a_poses_table_with_a_row_a_scan_needs_no_model(tmp_path):
    head = ["Scan", *(f"{i} {letter}" for i in HERE for letter in LETTERS)]
    rows = [
        [s, *(n for p in poses(s, off) for n in p[3:])] for s, off in (("s1", 0.01), ("s2", 0.02))
    ]
    text = csv_text([head, *rows]).encode()
    implants = csv_text(plain(("implant", "x_mm", "y_mm", "z_mm", "axis_x", "axis_y", "axis_z")))
    folder = study(tmp_path, "i.csv", implants.encode(), 'model = "model 1"\n', text)
    given = paste(folder).given_poses
    assert given["scan"].tolist() == ["s1"] * 3 + ["s2"] * 3
    assert set(given["model"]) == {"model 1"}
    assert given.set_index(["scan", "implant"]).loc[("s2", "24"), "x_mm"] == pytest.approx(40.02)


def test_a_scan_list_with_names_of_its_own(tmp_path):
    implants = csv_text(plain(("implant", "x_mm", "y_mm", "z_mm", "axis_x", "axis_y", "axis_z")))
    folder = study(tmp_path, "i.csv", implants.encode(), 'model = "model 1"\n')
    text = SCANS.replace("scan,model,device,operator,session", "Scan No.,Cast,Scanner,User,Session")
    (folder / "scans.csv").write_text("Scans of May\n\n" + text, encoding="utf-8")
    read_study = paste(folder)
    assert read_study.scans["scan"].tolist() == ["s1", "s2"]
    assert {"device", "operator", "session"} <= set(read_study.factors)


def test_a_fault_in_a_mapped_table_stands_at_the_users_own_cell(tmp_path):
    rows = value_rows()
    rows[3][2] = "n/a"
    book = workbook({"Cover": [["x"]], "CMM": [["Report"], *rows]})
    more = (
        'sheet = "CMM"\nheader_row = 2\nmodel = "model 1"\nlabel = "Characteristic"\n'
        "[reference.columns]\n"
        + "".join(f'{c}_mm = "{{implant}} circle {c} | Actual"\n' for c in "xyz")
        + "".join(
            f'axis_{c} = "{{implant}} cylinder axis {v} | Actual"\n'
            for c, v in zip("xyz", "ijk", strict=True)
        )
    )
    with pytest.raises(StudyError) as caught:
        load_study(study(tmp_path, "cmm.xlsx", book, more))
    (found,) = [f for f in caught.value.findings if f.severity is Severity.ERROR]
    assert (found.code, found.where) == ("not-a-number", "cmm.xlsx[CMM]:5:Actual")


@pytest.mark.parametrize(
    ("more", "code", "said"),
    [
        ('sheet = "Result"', "input", 'did you mean "Results"'),
        ("header_row = 9", "input", "row 9 is empty"),
        ('rows = { Part = "B" }', "no-rows", 'it has "A"'),
        ('rows = { Prat = "A" }', "missing-column", 'did you mean "Part"'),
        ('label = "Element"\ncolumns.x_mm = "{implant} X"', "nothing-fits", '"16 | X"'),
        ('columns.x_mm = "{implnt} X"', "unknown-column", 'did you mean "implant"'),
        ('columns.x_mm = "X"\ncolumns.y_mm = "X"', "column-twice", "both x_mm and y_mm"),
    ],
)
def test_what_study_toml_says_wrongly_of_a_table_is_told(tmp_path, more, code, said):
    rows = [[*row, "Part" if k == 0 else "A"] for k, row in enumerate(plain())]
    with pytest.raises(StudyError) as caught:
        load_study(study(tmp_path, "cmm.xlsx", workbook({"Results": rows}), more + "\n"))
    assert any(said in str(f) for f in caught.value.findings), [
        str(f) for f in caught.value.findings
    ]
    assert code == "input" or code in {f.code for f in caught.value.findings}


def test_a_value_that_is_there_twice_is_refused(tmp_path):
    rows = [*value_rows(), ["16 circle x", 99.0, 0.5, 0.0]]
    more = 'model = "model 1"\nlabel = ["Characteristic"]\n[reference.columns]\n' + "".join(
        f'{own} = "{{implant}} {name} | Actual"\n'
        for own, name in zip(
            ("x_mm", "y_mm", "z_mm", "axis_x", "axis_y", "axis_z"),
            ("circle x", "circle y", "circle z", *(f"cylinder axis {v}" for v in "ijk")),
            strict=True,
        )
    )
    with pytest.raises(StudyError, match=r"occurs twice, 0\.0 in row 2 and 0\.5"):
        load_study(study(tmp_path, "cmm.csv", csv_text(rows).encode(), more))


def test_text_that_is_neither_utf8_nor_windows_1252_is_refused(tmp_path):
    for broken in (b"\xc3\xbc and \xfc", b"\x01\xfc", b"\x81\x8d"):
        with pytest.raises(StudyError, match="not UTF-8"):
            load_study(study(tmp_path, "cmm.csv", csv_text(plain()).encode() + broken))


def test_the_first_of_several_sheets_is_named(tmp_path):
    rows = plain(("implant", "x_mm", "y_mm", "z_mm", "axis_x", "axis_y", "axis_z"))
    data = workbook({"First": rows, "Second": rows})
    read_study = load_study(study(tmp_path, "cmm.xlsx", data, 'model = "model 1"\n'))
    (said,) = [f.what for f in read_study.findings if f.code == "several-sheets"]
    assert said == 'sheet "First" is read; there are "Second", too'


def test_rows_are_added_to_a_list_under_the_names_that_it_has(tmp_path):
    file = tmp_path / "scans.csv"
    before = "Prüfliste\n\nNr;Gerät\ns1;A\n".encode("cp1252")
    file.write_bytes(before)
    layout = Scans(header_row=3, columns={"scan": "Nr", "device": "Gerät"}, model="model 1")
    new = {"scan": "s2", "device": "Ä", "model": "model 1"}
    assert appended(file, [new], file="scans.csv", layout=layout) == before + "s2;Ä\n".encode(
        "cp1252"
    )
    with pytest.raises(InputError, match="no column operator"):
        appended(file, [{**new, "operator": "1"}], file="scans.csv", layout=layout)


def test_implants_that_a_row_of_a_wide_table_leaves_empty_are_not_there(tmp_path):
    names = {"x_mm": "X", "y_mm": "Y", "z_mm": "Z", "axis_x": "I", "axis_y": "J", "axis_z": "K"}
    columns = {"scan": "Scan"} | {own: f"{{implant}} {n}" for own, n in names.items()}
    head = ["Scan", *(f"{i} {n}" for i in ("I1", "I2", "I5") for n in names.values())]
    values = "0,0,0,0,0,1,20,5,0,0,0,1"
    text = "\n".join([",".join(head), f"s1,{values},,,,,,", f"s2,{values},40,0,0,0,0,1"])
    sheet = arranged(
        text.encode(), "poses", Poses(columns=columns), file="p.csv", said=Said("poses"),
        models={"s1": "M4", "s2": "M5"},
    )  # fmt: skip
    frame, faults = typed(sheet, "poses")
    assert faults == []
    assert frame.groupby("scan")["implant"].apply(list).to_dict() == {
        "s1": ["I1", "I2"], "s2": ["I1", "I2", "I5"],
    }  # fmt: skip


def test_a_list_in_german_is_proposed_with_its_factors(tmp_path):
    head = ["Nr.", "Modell", "Gerät", "Bediener", "Wdh", "Datum", "Körper neu gesetzt", "Temp °C"]
    rows = [head, ["s1", "model 1", "A", "Huber", "1", "31.03.2025", "ja", "22,5"],
            ["s2", "model 1", "A", "Meier", "2", "10.03.2025", "nein", "22,5"]]  # fmt: skip
    named = plain(("implant", "x_mm", "y_mm", "z_mm", "axis_x", "axis_y", "axis_z"))
    rows_of = [["model", *named[0]], *(["model 1", *row] for row in named[1:])]
    folder = study(tmp_path, "reference.csv", csv_text(rows_of).encode())
    (folder / "scans.csv").write_text(csv_text(rows, ";"), encoding="utf-8")
    scans = paste(folder).scans
    assert scans["operator"].tolist() == ["Huber", "Meier"]
    assert scans["reseated"].tolist() == ["true", "false"]
    assert scans["temperature_c"].tolist() == [22.5, 22.5]
    assert scans["measured_at"].dt.day.tolist() == [31, 10]


def test_a_unit_that_is_named_above_the_columns_is_proposed(tmp_path):
    rows = [[row[0], *(v / 25.4 for v in row[1:4]), *row[4:]] for row in plain()[1:]]
    for k, said in enumerate(("Units: inch", "Einheit: Zoll", "Unità (inches)")):
        table = csv_text([["Report", said], [], *[list(plain()[0])], *rows]).encode()
        (tmp_path / str(k)).mkdir()
        folder = study(tmp_path / str(k), "cmm.csv", table)
        found = paste(folder).implants.set_index("implant")
        assert found.loc["14", "x_mm"] == pytest.approx(HERE["14"][0])
