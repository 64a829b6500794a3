"""Tables are written the same way every time and read back as they were."""

import io

import pandas as pd
import pytest

from accstudy.tables import TABLES, csv_bytes, read_csv, shape


@pytest.mark.parametrize("name", list(TABLES))
def test_columns_are_plain_identifiers_with_a_meaning(name):
    table = TABLES[name]
    assert len(set(table.names)) == len(table.names)
    for column in table.columns:
        assert column.name.isidentifier()
        assert len(column.meaning) > 3
        if column.name.endswith("_um"):
            assert column.unit == "µm"


RANGES = {"model_covariates", "model_classes"}  # limits of classes and of what was seen


@pytest.mark.parametrize("name", sorted({*TABLES} - RANGES))
def test_an_interval_never_stands_without_its_level(name):
    names = TABLES[name].names
    ends = [n for n in names if n in ("low", "high") or n.endswith(("_low", "_high"))]
    assert not ends or "confidence" in names


@pytest.mark.parametrize("name", sorted({*TABLES} - {"implants"}))
def test_no_two_columns_differ_in_case_only(name):
    assert len({n.lower() for n in TABLES[name].names}) == len(TABLES[name].names)


def frame():
    return pd.DataFrame(
        {
            "scan": ["s1", "s2"],
            "model": ["M", "M"],
            "implant_a": ["=A1", "1"],
            "implant_b": ["B", "2"],
            "condition": ["x", ""],
            "cell": ["c", "c"],
            "span_mm": [12.3456789, float("nan")],
            "steps": [1, pd.NA],
            "distance_um": [-0.0000001, 1e7],
            "device": ["A", "B"],
        }
    )


def test_a_table_survives_writing_and_reading():
    data = csv_bytes("pair_deviations", frame(), factors=("device",))
    back = read_csv("pair_deviations", io.BytesIO(data))
    assert back["span_mm"].iloc[0] == pytest.approx(12.345679, abs=1e-9)
    assert back["implant_a"].tolist() == ["=A1", "1"]
    assert back["device"].tolist() == ["A", "B"]
    assert csv_bytes("pair_deviations", back, factors=("device",)) == data


def test_numbers_are_rounded_to_a_millionth_and_nothing_is_nan():
    text = csv_bytes("pair_deviations", frame()).decode()
    assert "nan" not in text.lower()
    assert "10000000" in text
    assert "device" not in text


def test_text_that_a_spreadsheet_would_run_is_written_as_text():
    text = csv_bytes("pair_deviations", frame()).decode()
    assert ",'=A1," in text


def test_shape_adds_what_is_absent_and_drops_what_is_unknown():
    shaped = shape("findings", pd.DataFrame({"what": ["x"], "colour": ["red"]}))
    assert shaped.columns.tolist() == TABLES["findings"].names
    assert shaped.loc[0, "severity"] == ""
