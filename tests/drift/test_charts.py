"""Charts against the printed examples of the handbooks."""

from __future__ import annotations

import numpy as np
import pytest

from accstudy.drift.charts import constants, cusum, ewma, individuals
from accstudy.selftest.published import case, table


@pytest.mark.parametrize("row", table("iso5725", "chart_constants").to_dict("records"), ids=str)
def test_chart_factors(row):
    n = int(row["n"])
    found = constants(n)
    assert found.d2 == pytest.approx(row["d2_exact"], abs=6e-6)
    assert found.d3 == pytest.approx(row["d3_exact"], abs=6e-6)
    assert found.c4 == pytest.approx(row["c4_exact"], abs=6e-6)
    # printed factors (Montgomery, Appendix VI) are rounded or cut in the last digit
    assert 3 / (found.d2 * np.sqrt(n)) == pytest.approx(row["A2"], abs=6e-4)
    assert max(0.0, 1 - 3 * found.d3 / found.d2) == pytest.approx(row["D3"], abs=6e-4)
    assert 1 + 3 * found.d3 / found.d2 == pytest.approx(row["D4"], abs=7e-4)


def test_individuals_of_the_flow_rates():
    example = case("iso5725", "nist_imr_flowrate")  # NIST e-Handbook 6.3.2.2, d2 = 1.128
    found = individuals(example.frame["value"], d2=1.128)
    for name, value in (
        ("mean", found.centre),
        ("mr_bar", found.mean_range),
        ("ucl", found.upper),
        ("lcl", found.lower),
    ):
        assert value == pytest.approx(example.published[name], abs=example.tolerance[name])
    exact = individuals(example.frame["value"])
    assert exact.upper == pytest.approx(example.computed["ucl_exact_d2"], abs=1e-6)


def test_ewma_of_the_handbook():
    example = case("iso5725", "nist_ewma")  # NIST e-Handbook 6.3.2.4, steady-state limits
    p = example.params
    found = ewma(
        example.frame["value"], start=p["start"], sigma=p["sigma"], lambda_=p["lambda_"], L=p["L"]
    )
    assert found.average == pytest.approx(
        example.published["ewma"], abs=example.tolerance["ewma"] + 1e-9
    )
    assert found.upper == pytest.approx(example.published["ucl"], abs=example.tolerance["ucl"])
    assert found.lower == pytest.approx(example.published["lcl"], abs=example.tolerance["lcl"])
    assert not found.signals.any()


def test_ewma_with_limits_from_the_start():
    example = case("iso5725", "montgomery_ewma")  # Montgomery 2009, example 9.2
    p = example.params
    found = ewma(
        example.frame.iloc[:, -1],
        start=p["start"],
        sigma=p["sigma"],
        lambda_=p["lambda_"],
        L=p["L"],
        from_the_start=True,
    )
    at = np.array(example.published["z_index"]) - 1
    assert found.average[at] == pytest.approx(example.published["z"], abs=5.1e-5)
    assert found.upper[-1] == pytest.approx(example.published["ucl_30"], abs=5e-5)
    assert found.lower[-1] == pytest.approx(example.published["lcl_30"], abs=5e-5)
    assert (np.flatnonzero(found.signals) + 1).tolist() == example.published["signals"]


def test_cusum_of_the_handbook():
    example = case("iso5725", "montgomery_cusum")  # Montgomery 2009, tables 9.1 and 9.2
    p = example.params
    found = cusum(
        example.frame.iloc[:, -1], target=p["target"], sigma=p["sigma"], k=p["k"], h=p["h"]
    )
    first = int(np.argmax(found.signals))
    assert first + 1 == example.published["first_signal"]
    assert found.high[28] == pytest.approx(example.published["c_plus_29"], abs=0.005)
    assert found.since_high[28] == example.published["n_plus_29"]
    assert found.high[:6] == pytest.approx(example.published["c_plus_1_to_6"], abs=0.005)
    assert p["target"] + p["sigma"] * found.shift(first) == pytest.approx(
        example.published["shifted_mean_estimate"], abs=0.005
    )
    assert found.low[:3] == pytest.approx(example.computed["c_minus_1_to_3"], abs=1e-9)


def test_unequal_spread_reaches_the_limits_of_equal_spread():
    x = np.zeros(40)
    equal = ewma(x, start=0.0, sigma=2.0, lambda_=0.2, L=3.0)
    mixed = ewma(x, start=0.0, sigma=np.r_[np.full(5, 4.0), np.full(35, 2.0)], lambda_=0.2, L=3.0)
    assert equal.upper == pytest.approx(6.0 / 3.0)
    assert mixed.upper[4] == pytest.approx(4.0)
    assert mixed.upper[-1] == pytest.approx(2.0, rel=1e-3)
