"""Numbers, dates and truth values as spreadsheets of several countries have them."""

import csv
import datetime as dt
import io

import openpyxl
import pandas as pd
import pytest
from small_study import DRIFT, write
from small_study import DRIFT_POSES as POSES
from small_study import DRIFT_SCANS as SCANS
from small_study import DRIFT_SETTINGS as SETTINGS

from accstudy.errors import InputError
from accstudy.stages.check import check_study
from accstudy.study.cells import read_dates, read_day, read_flag
from accstudy.study.load import load_study

TOUCHES = "model,implant,feature,x_mm,y_mm,z_mm\n" + "".join(
    f"M,{name},{feature},{x + a},{y + b},{z + 2 + c}\n"
    for name, x, y, z in (("I1", 0, 0, 0), ("I2", 20.5, 5, 0), ("I3", 48, 0, 2))
    for feature, points in (
        ("plane", [(1.5, 0, -2), (0, 1.5, -2), (-1.5, 0, -2), (0.5, -1.5, -2)]),
        (
            "cylinder",
            [(2 * u, 2 * v, h) for u, v in ((1, 0), (0, 1), (-1, 0), (0, -1)) for h in (0, 5)],
        ),
    )
    for a, b, c in points
)
FILES = DRIFT | {
    "scans": SCANS.replace("measured_at", "measured_at,reseated,temperature_c,depth")
    .replace("10:00\n", "10:00,true,20.5,1.25\n")
    .replace("10:20\n", "10:20,false,21.5,2.5\n")
    .replace("2026-02-01\n", "2026-02-28,true,20.5,3.5\n"),
    "landmarks": DRIFT["landmarks"].replace(",0,0,0", ",0.5,0.25,0"),
}
TABLES = [name for name in FILES if name != "study"]
LANGUAGES = {
    "German": ("ja", "nein", "{d}.{m}.{y}"),
    "French": ("oui", "non", "{d}/{m}/{y}"),
    "Italian": ("Sì", "No", "{d}-{m}-{y}"),
    "Spanish": ("sí", "no", "{d}/{m}/{y}"),
}


def found(folder):
    return {(f.code, f.where): f for f in check_study(folder)}


def localised(cell, words):
    """A cell as a spreadsheet of another country has it as text."""
    yes, no, date = words
    if cell in ("true", "false"):
        return yes if cell == "true" else no
    if cell.startswith("202"):
        day, _, time = cell.partition("T")
        y, m, d = day.split("-")
        return (date.format(y=y, m=m, d=d) + " " + time).strip()
    return cell.replace(".", ",")


def rows_of(text):
    return list(csv.reader(io.StringIO(text)))


def book(rows):
    """A workbook of text cells, but for what is a number already."""
    made = openpyxl.Workbook()
    for row in rows:
        made.active.append(row)
    stream = io.BytesIO()
    made.save(stream)
    return stream.getvalue()


def as_text(rows, delimiter=";"):
    stream = io.StringIO(newline="")
    csv.writer(stream, delimiter=delimiter).writerows(rows)
    return stream.getvalue()


def tables(study):
    return {
        "scans": study.scans, "implants": study.implants, "poses": study.given_poses,
        "landmarks": study.landmarks, "events": study.events,
    }  # fmt: skip


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    return tables(load_study(write(tmp_path_factory.mktemp("plain"), FILES)))


@pytest.mark.parametrize("form", ["xlsx", ";", ","])
@pytest.mark.parametrize("language", LANGUAGES)
def test_a_study_reads_the_same_in_the_spelling_of_another_country(plain, tmp_path, language, form):
    names = {"implants": "reference/implants.csv"}
    given = {}
    for name in TABLES:
        rows = [[localised(c, LANGUAGES[language]) for c in row] for row in rows_of(FILES[name])]
        file = names.get(name, f"{name}.csv")
        given[name] = (file, book(rows) if form == "xlsx" else as_text(rows, form))
    settings = SETTINGS
    if form == "xlsx":
        for name, (file, _) in given.items():
            settings = settings.replace(file, f"{file[:-3]}xlsx")
            given[name] = (f"{file[:-3]}xlsx", given[name][1])
        settings = settings.replace("[scans]\n", '[scans]\nlist = "scans.xlsx"\n')
        settings = settings.replace(
            "[reference]", '[reference]\nimplants = "reference/implants.xlsx"'
        )
    write(tmp_path, DRIFT, study=settings)
    for file, data in given.values():
        (tmp_path / file).write_bytes(data if isinstance(data, bytes) else data.encode())
    study = load_study(tmp_path, today=dt.date(2026, 3, 1))
    for name, table in tables(study).items():
        pd.testing.assert_frame_equal(table, plain[name], obj=name)
    assert {f.code for f in study.findings} == {"date-read"}


def test_touch_points_read_the_same_in_the_spelling_of_another_country(tmp_path):
    settings = SETTINGS.replace("[reference]", '[reference]\ntouch_points = "reference/touches.{}"')
    positions = []
    for form in ("csv", "xlsx"):
        folder = write(tmp_path / form, DRIFT, study=settings.replace("{}", form))
        rows = rows_of(TOUCHES)
        data = (
            TOUCHES.encode()
            if form == "csv"
            else book([[c.replace(".", ",") for c in row] for row in rows])
        )
        (folder / f"reference/touches.{form}").write_bytes(data)
        positions.append(load_study(folder).implants)
    pd.testing.assert_frame_equal(*positions)


def test_numbers_of_a_workbook_keep_their_point_beside_text_with_commas(tmp_path):
    rows = [
        [
            float(c) if i and k > 2 and (i + k) % 2 else c.replace(".", ",")
            for k, c in enumerate(row)
        ]
        for i, row in enumerate(rows_of(POSES))
    ]
    write(tmp_path, DRIFT, study=SETTINGS.replace("poses.csv", "poses.xlsx"))
    (tmp_path / "poses.xlsx").write_bytes(book(rows))
    assert not check_study(tmp_path)


AMBIGUOUS = {
    "thousands or decimals": ("poses", {"x_mm": "1,234"}, "not-a-number", "thousands"),
    "points as text beside commas": (
        "poses", {"y_mm": "0,5", "x_mm": "1.234"}, "not-a-number", "decimal comma"),
    "both signs in one number": ("poses", {"x_mm": "1.234,5"}, "not-a-number", "ambiguous"),
    "a number that became a date": (
        "poses", {"x_mm": dt.datetime(2026, 5, 1)}, "not-a-number", "made a date"),
    "a day of two meanings": (
        "scans", {"measured_at": "10.03.2026"}, "not-a-date", "2026-03-10 or 2026-10-03"),
    "a year of two digits": (
        "events", {"at": "01-02-26"}, "not-a-date", "2026-02-01 or 2026-01-02 or 2001-02-26"),
    "a date without its format": ("scans", {"measured_at": 46032}, "not-a-date", "2026-01-10"),
    "a day that is none": ("implants", {"valid_from": "31.02.2026"}, "not-a-date", "2025-03-31"),
    "a mark in place of a word": ("scans", {"reseated": "x"}, "not-a-flag", "true or false"),
    "a word of an event": ("events", {"new_baseline": "maybe"}, "not-a-flag", "true or false"),
}  # fmt: skip


@pytest.mark.parametrize("case", AMBIGUOUS)
def test_what_can_be_read_two_ways_is_an_error_that_says_what_to_write(tmp_path, case):
    table, cells, code, said = AMBIGUOUS[case]
    head, *rows = rows_of(FILES[table])
    rows[0] = [cells.get(name, cell) for name, cell in zip(head, rows[0], strict=True)]
    settings = SETTINGS.replace(f"{table}.csv", f"{table}.xlsx")
    settings = settings.replace(
        "[scans]", '[scans]\nlist = "scans.xlsx"' if table == "scans" else "[scans]"
    )
    if table == "implants":
        settings = settings.replace("[reference]", '[reference]\nimplants = "implants.xlsx"')
    write(tmp_path, FILES, study=settings)
    (tmp_path / f"{table}.xlsx").write_bytes(book([head, *rows]))
    there = found(tmp_path)
    (one,) = [
        f for (c, where), f in there.items() if c == code and f":2:{next(iter(cells))}" in where
    ]
    assert said in f"{one.what}; {one.mend}"


def test_faults_of_all_kinds_in_all_tables_come_at_once(tmp_path):
    spoilt = {
        "scans": FILES["scans"].replace("2026-01-01T10:00,true", "02/03/2026,vielleicht"),
        "poses": FILES["poses"].replace("20.01", "20.01 mm"),
        "landmarks": FILES["landmarks"].replace("0.25", '"1,000.5"'),
        "events": FILES["events"].replace("2026-01-15", "yesterday").replace("false", "nicht"),
        "implants": FILES["implants"].replace("20,5", '"2,345",5'),
    }
    codes = sorted(
        (where.partition(":")[0], code) for code, where in found(write(tmp_path, DRIFT, **spoilt))
    )
    assert codes == [
        ("events.csv", "not-a-date"), ("events.csv", "not-a-flag"),
        ("landmarks.csv", "not-a-number"), ("poses.csv", "not-a-number"),
        ("reference/implants.csv", "not-a-number"),
        ("scans.csv", "not-a-date"), ("scans.csv", "not-a-flag"),
    ]  # fmt: skip


def test_a_factor_with_decimal_commas_is_numbers_or_an_error(tmp_path):
    head, *rows = rows_of(SCANS)
    with_comma = [[*head, "depth"], *([*row, f"{k},5"] for k, row in enumerate(rows))]
    for form in (";", ","):
        folder = write(tmp_path / f"form{ord(form)}", DRIFT, scans=as_text(with_comma, form))
        assert load_study(folder).scans["depth"].tolist() == [0.5, 1.5, 2.5]
    beside = [[*with_comma[0], "temperature_c"], *([*row, "20.5"] for row in with_comma[1:])]
    there = found(write(tmp_path, DRIFT, scans=as_text(beside, ",")))
    assert [code for code, _ in there] == ["not-a-number"]


def test_exchanged_days_and_months_are_suspected(tmp_path):
    scans = SCANS.replace("2026-02-01", "28/01/2026")
    assert "day-and-month" in {code for code, _ in found(write(tmp_path, DRIFT, scans=scans))}


DATES = {
    "2026-03-31": "2026-03-31", "20260331": "2026-03-31", "2026/3/1": "2026-03-01",
    "2026.03.31 9:05": "2026-03-31T09:05", "2026-03-31T14:30:15.25+01:00": "2026-03-31T14:30:15.25",
    "31.3.2026": "2026-03-31", "31. 3. 2026": "2026-03-31", "03/31/2026": "2026-03-31",
    "31/03/2026 02:30 pm": "2026-03-31T14:30", "12/31/2026 12:00 a.m.": "2026-12-31",
    "31.03.2026, 14:30 Uhr": "2026-03-31T14:30", "05.05.2026": "2026-05-05",
    "31.03.26": "2026-03-31", "10. März 2026": "2026-03-10", "10 mars 2026": "2026-03-10",
    "Mar 10, 2026": "2026-03-10", "10-Okt-2026": "2026-10-10", "1er août 2026": "2026-08-01",
    "10 giugno 2026": "2026-06-10", "3rd December 2026": "2026-12-03",
}  # fmt: skip


def test_dates_that_can_be_read_one_way_only_are_read():
    for text, iso in DATES.items():
        values, told = read_dates([text])
        assert not told, text
        assert values[text] == pd.Timestamp(iso), text


def test_others_are_not():
    for text in (
        "32.13.2026", "2026-13-01", "10.03.2026 25:00", "10.03", "2026", "10 jui 2026",
        "March 2026", "1.2.3.2026", "2026-W10", "10 ma 2026", "13:00 pm", "-1", "",
    ):  # fmt: skip
        assert not read_dates([text])[0], text
    with pytest.raises(InputError) as raised:
        read_day("10.03.2026")
    assert raised.value.hint == "write 2026-03-10 or 2026-10-03"


def test_a_column_settles_what_a_cell_leaves_open():
    values, told = read_dates(["10.03.2026", "31.03.2026"])
    assert [v.day for v in values.values()] == [10, 31]
    assert not told
    values, told = read_dates(["10/03/2026", "31/03/2026", "03/31/2026"])
    assert list(told) == ["10/03/2026"]


def test_words_for_yes_and_no():
    for word in ("true", "TRUE", "Yes", "1", "ja", "Oui", "sí", "sì", "si", "wahr", "vrai", "y"):
        assert read_flag(word) is True, word
    for word in ("false", "No", "0", "nein", "NON", "falsch", "faux", "falso", "n"):
        assert read_flag(word) is False, word
    for word in ("", "x", "-", "o", "oder", "nine", "2"):
        assert read_flag(word) is None, word


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("measured_on = 10.03.2026", "write 2026-03-10 or 2026-10-03"),
        ('measured_on = "10.03.2026"', "write 2026-03-10 or 2026-10-03"),
        ("measured_on = 31.03.2026", "write 2026-03-31"),
        ("measured_on = 2026", "write 2025-03-31"),
        ('temperature_c = "20,5"', "with a decimal point"),
        ("temperature_c = 20,5", "with a decimal point"),
        ("temperature_c = ja", "write true, in lower case"),
    ],
)
def test_study_toml_says_what_to_write(tmp_path, line, said):
    settings = SETTINGS.replace("[reference]\n", f"[reference]\n{line}\n")
    with pytest.raises(Exception, match=r"\S") as raised:
        load_study(write(tmp_path, DRIFT, study=settings))
    (fault,) = raised.value.findings
    assert said in fault.mend
    assert fault.where.startswith("study.toml:12")


def test_study_toml_reads_a_quoted_date_that_can_be_read_one_way_only(tmp_path):
    settings = SETTINGS.replace("[reference]\n", '[reference]\nmeasured_on = "31.12.2025"\n')
    study = load_study(write(tmp_path, DRIFT, study=settings))
    assert study.settings.reference.measured_on == dt.date(2025, 12, 31)
