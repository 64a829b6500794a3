"""The data dictionary names every column; results read back typed."""

import contextlib
import json
import sqlite3

import pandas as pd
import pytest

import accstudy
from accstudy.dictionary import data_package
from accstudy.tables import TABLES, csv_bytes


def pairs():
    return pd.DataFrame(
        {"scan": ["s1"], "model": ["M"], "steps": [2], "distance_um": [12.5], "device": ["A"]}
    )


def test_every_column_has_type_and_meaning():
    package = data_package({"pair_deviations": pairs(), "drift_points": pd.DataFrame()})
    (_, resource) = package["resources"]
    fields = {f["name"]: f for f in resource["schema"]["fields"]}
    assert list(fields)[: len(TABLES["pair_deviations"].names)] == TABLES["pair_deviations"].names
    assert fields["distance_um"]["unit"] == "µm"
    assert fields["distance_um"]["type"] == "number"
    assert fields["device"]["description"].startswith("factor")
    json.dumps(package, allow_nan=False)


def test_results_read_back_typed(tmp_path):
    (tmp_path / "results").mkdir()
    data = csv_bytes("pair_deviations", pairs(), factors=("device",))
    (tmp_path / "results/pair_deviations.csv").write_bytes(data)
    found = accstudy.read_results(tmp_path)["pair_deviations"]
    assert found["distance_um"].tolist() == [12.5]
    assert found["device"].tolist() == ["A"]
    with pytest.raises(FileNotFoundError, match="accstudy run"):
        accstudy.read_results(tmp_path / "elsewhere")


def test_covariates_of_the_scan_list_read_back_as_numbers_and_labels_as_text(tmp_path):
    (tmp_path / "results").mkdir()
    more = {"scan_time_s": "61.5", "session": "1", "batch": "07a"}
    data = csv_bytes("pair_deviations", pairs().assign(**more), factors=tuple(more))
    (tmp_path / "results/pair_deviations.csv").write_bytes(data)
    found = accstudy.read_results(tmp_path)["pair_deviations"]
    assert found["scan_time_s"].tolist() == [61.5]
    assert (found["session"].tolist(), found["batch"].tolist()) == (["1"], ["07a"])


def filled(name):
    """Two rows of a table, the second empty where a cell may be."""
    values = {"text": "a", "number": 1.25, "integer": 3, "flag": True,
              "date": pd.Timestamp("2025-03-01 10:30")}  # fmt: skip
    return pd.DataFrame(
        {c.name: [values[c.kind], None] for c in TABLES[name].columns}, dtype=object
    )


@pytest.fixture(scope="module")
def every_result(tmp_path_factory):
    """A results folder with every table that is ever written there."""
    folder = tmp_path_factory.mktemp("study") / "results"
    folder.mkdir()
    for name in TABLES:
        if name not in ("implants", "scans", "touch_points", "landmarks", "events", "sketch"):
            (folder / f"{name}.csv").write_bytes(csv_bytes(name, filled(name)))
    return accstudy.read_results(folder)


def test_every_results_table_goes_into_a_database_and_back(every_result):
    with contextlib.closing(sqlite3.connect(":memory:")) as base:
        for name, table in every_result.items():
            table.to_sql(name, base, index=False)  # names that differ in case only would fail
            back = pd.read_sql(f'SELECT * FROM "{name}"', base)
            assert back.columns.tolist() == table.columns.tolist()
            for column in TABLES[name].columns:
                if column.kind in ("number", "integer"):
                    assert pd.api.types.is_numeric_dtype(back[column.name]), (name, column.name)


def test_every_results_table_goes_into_parquet_and_back_with_its_types(every_result, tmp_path):
    pytest.importorskip("pyarrow")  # not among the tools: it changes what pandas calls text
    for table in every_result.values():
        table.to_parquet(tmp_path / "t.parquet")
        pd.testing.assert_frame_equal(pd.read_parquet(tmp_path / "t.parquet"), table)
