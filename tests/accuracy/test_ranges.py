"""From where to where the values of a study go, and the scans in the order of time."""

import pandas as pd
import pytest

from accstudy.accuracy.measurands import range_table, run_table
from accstudy.tables import empty

SCANS = pd.DataFrame({
    "scan": ["s3", "s1", "s2", "lost"], "model": "M",
    "operator": ["o1", "o2", "o1", "o3"], "uses": [4, 0, 4, 9],
})  # fmt: skip
PAIRS = pd.DataFrame({
    "scan": ["s3", "s1", "s2"] * 2, "model": "M", "condition": ["a", "a", "b"] * 2,
    "implant_a": "I1", "implant_b": ["I2"] * 3 + ["I3"] * 3,
    "span_mm": [20.0] * 3 + [40.5] * 3, "path_mm": [21.0] * 3 + [55.0] * 3,
    "distance_um": [1.0, 2.0, 3.0, -7.0, 5.0, 0.5],
})  # fmt: skip
ACCURACY = pd.DataFrame({
    "model": "M", "condition": "a", "measurand": "distance_um", "subject": ["I1-I2", "I1-I3"],
    "span_mm": [20.0, 40.5], "longest": [False, True], "s_r": [1.5, None],
    "bias": [2.0, -3.0], "bias_low": [1.0, -9.0], "bias_df": [2.0, 5.0],
    "excludes_zero": [True, False],
})  # fmt: skip
WHOLE = pd.DataFrame({"scan": ["s3", "s1", "s2"], "model": "M", "condition": ["a", "a", "b"],
                      "cell": "c", "rms_distance_um": [5.0, 4.0, 2.0]})  # fmt: skip


@pytest.fixture
def run():
    at = pd.Series(pd.to_datetime(["2026-01-03", "2026-01-01", None]), ["s3", "s1", "s2"])
    return run_table(ACCURACY, PAIRS, WHOLE, at)


def test_the_run_follows_time_and_undated_scans_come_last(run):
    assert run["scan"].tolist() == ["s1", "s3", "s2"]
    assert run["number"].tolist() == [1, 2, 3]
    assert run["longest_um"].tolist() == [5.0, -7.0, 0.5]
    assert run["rms_um"].tolist() == [4.0, 5.0, 2.0]
    assert set(run["pair"]) == {"I1-I3"}
    assert set(run["span_mm"]) == {40.5}


def test_ranges_are_those_of_the_scans_that_gave_results(run):
    warm = pd.Series([21.0, None, 23.5, 30.0], SCANS["scan"])
    poses = pd.DataFrame({"fit_rms_um": [9.0, 12.0]})
    made = range_table(ACCURACY, PAIRS, poses, run, SCANS, factors=["operator", "uses"],
                       temperature_c=warm)  # fmt: skip
    rows = {(r.model or "", r.quantity): r for r in made.itertuples()}

    def ends(quantity, model=""):
        row = rows[model, quantity]
        return row.n_values, row.n_levels, row.lowest, row.highest

    assert rows["", "scan"].n_values == 3
    assert (rows["", "operator"].n_levels, rows["", "operator"].n_values) == (2, 3)
    assert pd.isna(rows["", "operator"].lowest)
    assert ends("uses") == (3, 2, 0, 4)
    assert ends("scans of a condition") == (2, 2, 1, 2)
    assert ends("temperature_c") == (2, 2, 21.0, 23.5)
    assert ends("span_mm") == (6, 2, 20.0, 40.5)
    assert ends("path_mm")[3] == 55.0
    assert ends("fit_rms_um") == (2, 2, 9.0, 12.0)
    assert ends("longest_um") == (3, 3, -7.0, 5.0)
    assert ends("rms_um") == (3, 3, 2.0, 5.0)
    assert ends("bias", "M") == (2, 2, -3.0, 2.0)
    assert ends("bias, zero excluded", "M") == (1, 1, 2.0, 2.0)
    assert ends("bias_df", "M") == (2, 2, 2.0, 5.0)
    assert ends("s_r", "M") == (1, 1, 1.5, 1.5)


def test_without_pairs_there_are_no_ranges_and_no_run():
    none = range_table(empty("accuracy"), PAIRS.head(0), empty("poses"), empty("run_chart"), SCANS,
                       factors=[], temperature_c=pd.Series(dtype=float))  # fmt: skip
    assert none.empty
    assert run_table(empty("accuracy"), PAIRS, WHOLE, pd.Series(dtype=object)).empty
