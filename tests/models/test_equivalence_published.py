"""Two one-sided tests against published results."""

import numpy as np
import pytest

from accstudy.models import fit_mixed
from accstudy.models.decisions import equivalence
from accstudy.models.means import contrasts
from accstudy.selftest.published import case


def test_one_sample():
    # reference results of the CRAN package TOSTER (Lakens 2017)
    c = case("iso5725", "tost_one_sample")
    q, n = c.params, np.array(c.params["n"])
    se = np.array(q["sd"]) / np.sqrt(n)
    difference = np.array(q["mean"]) - np.array(q["mu"])
    for i, (low, high) in enumerate(zip(q["low"], q["high"], strict=True)):
        one = slice(i, i + 1)
        found = equivalence(difference[one], se[one], n[one] - 1.0, low, high)[0]
        printed = {side: c.published[f"p_{side}"][i] for side in ("low", "high")}
        side = max(printed, key=printed.get)
        # seven digits are printed
        assert found == pytest.approx(printed[side], rel=5e-7)
        for side, bounds in (("low", (low, np.inf)), ("high", (-np.inf, high))):
            alone = equivalence(difference[one], se[one], n[one] - 1.0, *bounds)[0]
            assert alone == pytest.approx(printed[side], rel=5e-7)


def test_two_samples_of_equal_variance():
    # two-sample example of a general statistics manual, kept in the tests of TOSTER
    c = case("iso5725", "tost_yields")
    found = contrasts(fit_mixed("value ~ group", [], c.frame), "group", margin=c.params["high"])
    row = found.iloc[0]
    assert row["estimate"] == pytest.approx(c.published["difference"], abs=5e-8)
    assert row["df"] == pytest.approx(c.published["df_equal"], abs=1e-9)
    assert row["se"] == pytest.approx(c.published["se_equal"], abs=c.tolerance["se_equal"])
    larger = max(c.published["p_low_equal"], c.published["p_high_equal"])
    assert row["p_equivalence"] == pytest.approx(larger, abs=c.tolerance["p_low_equal"])
    limits = [row["low"], row["high"]]
    assert limits == pytest.approx(c.published["ci95_equal"], abs=c.tolerance["ci95_equal"])
