"""Numbers are rounded to their column's grid, alike on every machine."""

from decimal import ROUND_HALF_UP, Decimal

import numpy as np
import pandas as pd
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from accstudy.dictionary import table_difference
from accstudy.tables import TABLES, csv_bytes, number_texts, on_grid, step_of

SIZES = st.floats(-1e9, 1e9).filter(lambda v: v == 0 or abs(v) > 1e-290)


@given(SIZES, st.sampled_from([2, 6, 12, None]))
def test_a_number_is_the_nearest_of_its_grid_as_decimal_arithmetic_rounds_it(value, decimals):
    # the decimal module follows the General Decimal Arithmetic specification (Cowlishaw)
    step = Decimal(f"1e{round(float(np.log10(step_of(np.array([value]), decimals)[0])))}")
    exact = Decimal(value)
    rounded = Decimal(number_texts(np.array([value]), decimals)[0])
    assert rounded % step == 0
    assert abs(rounded - exact) <= step * Decimal("0.50006")
    near_a_tie = abs(abs(exact) / step % 1 - Decimal("0.5")) < Decimal("0.0001")
    if not near_a_tie:
        assert rounded == exact.quantize(step, ROUND_HALF_UP)


@given(SIZES, st.integers(-40, 40), st.sampled_from([2, 6, 12, None]))
def test_last_bits_change_no_text_where_the_number_is_a_tie_or_written_already(value, n, decimals):
    step = step_of(np.array([value]), decimals)[0]
    for start in (on_grid(np.array([value]), decimals)[0], (np.rint(value / step) + 0.5) * step):
        moved = start + n * np.spacing(start)
        # beyond some 1e7 steps, so many last bits are more than rounding
        assume(abs(moved - start) < 4e-5 * step)
        texts = number_texts(np.array([start, moved]), decimals)
        assert texts[0] == texts[1]


@pytest.mark.parametrize(
    ("value", "decimals", "text"),
    [
        (3.6e-12, 6, "0"),
        (-3.6e-12, 6, "0"),
        (0.0000005, 6, "1e-06"),
        (-12.3456789, 6, "-12.345679"),
        (1234567.891234567, 6, "1234567.891"),
        (0.045, 2, "0.05"),
        (1.21762e-53, None, "1.21762e-53"),
        (0.000123456789, None, "0.000123457"),
        (4.84334321e-05, 12, "4.84334e-05"),
        (3e-14, 12, "0"),
        (float("inf"), 6, ""),
    ],
)
def test_numbers_as_they_are_written(value, decimals, text):
    assert number_texts(np.array([value]), decimals) == [text]


def test_noise_of_the_last_bits_is_not_written_and_small_p_values_are():
    # a deviation that is zero but for 3.6e-12 um; a p value that is truly small
    rows = pd.DataFrame({"scan": ["s"], "dx_um": [-3.55271e-12], "angle_deg": [1.6e-14]})
    line = csv_bytes("implant_deviations", rows).decode().splitlines()[1].split(",")
    names = TABLES["implant_deviations"].names
    assert (line[names.index("dx_um")], line[names.index("angle_deg")]) == ("0", "0")
    assert b"5.22274e-06" in csv_bytes("model_tests", pd.DataFrame({"p": [5.22274e-06]}))


def pairs(**columns):
    return csv_bytes("pair_deviations", pd.DataFrame({"scan": ["s1", "s2"], **columns}))


def test_one_step_is_rounding_and_two_are_a_difference():
    then = pairs(distance_um=[1.0, 2.5])
    one = table_difference("pair_deviations", then, pairs(distance_um=[1.0, 2.500001]))
    assert (one.cells, one.rounding) == (0, 1)
    two = table_difference("pair_deviations", then, pairs(distance_um=[1.0, 2.500002]))
    assert (two.cells, two.rounding) == (1, 0)
    assert (two.row, two.column) == (3, "distance_um")
    assert two.first == '"2.5" then, "2.500002" now'


@pytest.mark.parametrize(
    ("column", "other"),
    [("scan", ["s1", "s3"]), ("distance_um", [1.0, np.nan]), ("steps", [1, 2])],
)
def test_texts_gaps_and_counts_have_no_slack(column, other):
    then = {"distance_um": [1.0, 2.5], "steps": [1, 1]}
    found = table_difference("pair_deviations", pairs(**then), pairs(**{**then, column: other}))
    assert (found.cells, found.column, found.row) == (1, column, 3)


def test_other_rows_and_other_columns_are_differences():
    then = pairs(distance_um=[1.0, 2.5])
    fewer = b"\n".join(then.splitlines()[:2]) + b"\n"
    assert table_difference("pair_deviations", then, fewer).first == "2 rows then, 1 now"
    renamed = then.replace(b"distance_um", b"distance_mm")
    assert table_difference("pair_deviations", then, renamed).cells == 1


def test_the_slack_of_a_small_p_value_is_of_its_last_digit():
    def tests(p):
        return csv_bytes("model_tests", pd.DataFrame({"p": [p]}))

    assert not table_difference("model_tests", tests(3.45678e-20), tests(3.45679e-20)).cells
    assert table_difference("model_tests", tests(3.45678e-20), tests(3.4568e-20)).cells
