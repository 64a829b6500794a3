"""The data dictionary names every column; results read back typed."""

import json

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
