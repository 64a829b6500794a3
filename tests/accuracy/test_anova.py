"""One-way layouts against published examples, and what degenerate ones say."""

import math

import numpy as np
import pytest
from scipy import stats

from accstudy.accuracy.anova import layouts, one_way_table
from accstudy.errors import InputError
from accstudy.selftest.precision import one_way
from accstudy.selftest.published import case


def correct_digits(found, certified):
    return 15.0 if found == certified else -math.log10(abs(found - certified) / abs(certified))


@pytest.mark.parametrize("level", [1, 2, 3, 4])
def test_coal_as_printed(level):
    # ISO 5725-2:1994 Annex B.1
    c = case("iso5725", "iso5725_2_coal")
    data = c.frame.query("level == @level")
    found = one_way(data["value"], data["lab"])
    for name, value in (("m", found.bias), ("s_r", found.s_r), ("s_R", found.s_R)):
        assert value == pytest.approx(c.published[name][level - 1], abs=c.tolerance[name])
        assert value == pytest.approx(c.computed[name][level - 1], rel=1e-10)
    assert found.s_cell2_raw == pytest.approx(c.computed["s_L2"][level - 1], rel=1e-9)
    assert found.n_bar == pytest.approx(c.computed["n_bar"][level - 1], rel=1e-10)
    assert found.s_R_low < found.s_R < found.s_R_high


def test_coal_sums_as_worked_by_hand():
    # ISO 5725-2:1994 Annex B.1, level 1: the printed sums follow from cell means and standard
    # deviations rounded to three decimals, so cells with exactly these are rebuilt
    c = case("iso5725", "iso5725_2_coal")
    values, labs = [], []
    for lab, own in c.frame.query("level == 1").groupby("lab"):
        pattern = np.arange(len(own)) - (len(own) - 1) / 2
        spread = round(own["value"].std(ddof=1), 3)
        values += list(round(own["value"].mean(), 3) + spread * pattern / pattern.std(ddof=1))
        labs += [lab] * len(own)
    sums = layouts(values, np.zeros(len(values), int), labs)
    n, mean = sums.cell_n, sums.cell_mean
    T = [(n * mean).sum(), (n * mean**2).sum(), n.sum(), (n**2).sum(), sums.ss_within[0]]
    assert T[:4] == pytest.approx(c.published["T_level1"][:4], abs=c.tolerance["T_level1"])
    assert T[4] == pytest.approx(c.published["T_level1"][4], abs=5e-7)
    one = one_way(values, labs)
    assert one.s_r**2 == pytest.approx(c.published["s_r2_level1"], abs=c.tolerance["s_r2_level1"])
    assert one.s_R**2 == pytest.approx(c.published["s_R2_level1"], abs=c.tolerance["s_R2_level1"])


def test_nine_materials_at_once():
    # ASTM E691-05 Table 8
    c = case("iso5725", "e691_pentosans")
    data = c.frame
    found = one_way_table(layouts(data["value"], data["material"].map(ord) - 65, data["lab"]))
    names = {
        "mean": "bias",
        "s_r": "s_r",
        "s_R": "s_I",
        "repeatability_limit_r": "r_limit",
        "reproducibility_limit_R": "I_limit",
    }
    for theirs, ours in names.items():
        np.testing.assert_allclose(found[ours], c.computed[theirs], rtol=1e-10)


# The bars are what double precision leaves: 1e12 + 0.1 is itself stored to 4 digits of the 0.1.
@pytest.mark.parametrize(
    ("name", "digits"), [("nist_SiRstv", 12.9), ("nist_SmLs01", 13.9), ("nist_SmLs07", 4.2)]
)
def test_nist_reference_data_keep_their_digits(name, digits):
    c = case("iso5725", name)
    found = one_way(c.frame["value"], c.frame["group"])
    assert found.df_between == c.published["df_between"]
    assert found.df_within == c.published["df_within"]
    pairs = {
        "ss_between": found.ss_between,
        "ms_between": found.ms_between,
        "ss_within": found.ss_within,
        "ms_within": found.ms_within,
        "F": found.F,
        "residual_sd": found.s_r,
        "r_squared": found.ss_between / (found.ss_between + found.ss_within),
    }
    for key, value in pairs.items():
        assert correct_digits(value, c.published[key]) > digits - 1, key
    assert correct_digits(found.F, c.published["F"]) > digits


def test_days_and_replicates_balanced_and_not():
    # reference data of the CRAN package VCA
    c = case("iso5725", "vca_days_1")
    for data, key in (
        (c.frame, "variance_balanced"),
        (c.frame[~c.frame["row"].isin(c.params["drop_rows"])], "variance_unbalanced"),
    ):
        found = one_way(data["value"], data["day"])
        got = [found.s_R**2, found.s_cell2_raw, found.s_r**2]
        assert got == pytest.approx(c.published[key], abs=c.tolerance[key])


def test_homogeneity_from_duplicates():
    # ISO 13528:2022 Annex E.2
    c = case("iso5725", "iso13528_e2_homogeneity")
    found = one_way(c.frame["value"], c.frame["item"])
    assert found.bias == pytest.approx(c.published["mean"], abs=c.tolerance["mean"])
    assert found.s_r == pytest.approx(c.published["s_w"], abs=c.tolerance["s_w"])
    assert found.s_cell == pytest.approx(c.published["s_s"], abs=c.tolerance["s_s"])
    assert math.sqrt(found.ms_between / 2) == pytest.approx(
        c.published["s_x"], abs=c.tolerance["s_x"]
    )


def test_voltage_standard_from_daily_summaries():
    # JCGM 100:2008 H.5: five readings a day are rebuilt with the printed mean and spread
    c = case("iso5725", "gum_h5_voltage")
    pattern = np.array([-2.0, -1.0, 0.0, 1.0, 2.0]) / math.sqrt(2.5)
    rows = c.frame
    values = np.add(
        ((rows["mean_V"] - 10.0) * 1e6).to_numpy()[:, None],
        rows["sd_uV"].to_numpy()[:, None] * pattern,
    )
    found = one_way(values.ravel(), np.repeat(rows["day"], 5))
    got = {
        "mean": 10 + found.bias * 1e-6,
        "s_of_daily_means_uV": math.sqrt(found.ms_between / 5),
        "s_a_uV": math.sqrt(found.ms_between),
        "s_b_uV": found.s_r,
        "F": found.F,
        "u_uV": found.u_bias,
        "df": found.bias_df,
        "u_pooled_uV": math.sqrt((found.ss_between + found.ss_within) / 49 / 50),
        "df_pooled": found.df_between + found.df_within,
        "s_B_uV": found.s_cell,
    }
    for key, value in got.items():
        assert value == pytest.approx(c.published[key], abs=c.tolerance[key] + 1e-12), key
    assert pytest.approx(c.computed["F"], rel=1e-7) == found.F
    assert found.p == pytest.approx(c.computed["p"], rel=1e-8)


def test_one_cell_says_nothing_of_the_spread_between():
    found = one_way([1.0, 2.0, 4.0], ["a", "a", "a"])
    assert found.s_r == pytest.approx(np.std([1, 2, 4], ddof=1))
    assert found.u_bias == pytest.approx(found.s_r / math.sqrt(3))
    assert found.bias_df == pytest.approx(2)
    assert math.isnan(found.s_cell)
    assert math.isnan(found.s_R)
    assert math.isnan(found.s_R_high)


def test_one_result_in_each_cell_says_nothing_of_repeatability():
    found = one_way([1.0, 2.0, 4.0], ["a", "b", "c"])
    assert math.isnan(found.s_r)
    assert math.isnan(found.s_cell)
    assert found.s_R == pytest.approx(np.std([1, 2, 4], ddof=1))
    # the interval is then the plain chi-square one
    assert found.s_R_low == pytest.approx(found.s_R * math.sqrt(2 / 7.377758908), rel=1e-8)


def test_one_result_and_equal_results():
    one = one_way([3.0], ["a"])
    assert one.bias == 3.0
    assert math.isnan(one.u_bias)
    same = one_way([5.0] * 6, ["a", "a", "b", "b", "c", "c"], u_reference=2.0)
    assert (same.s_r, same.s_R, same.s_cell) == (0.0, 0.0, 0.0)
    assert same.u_bias == 2.0
    assert same.bias_high - same.bias == pytest.approx(1.959964 * 2, rel=1e-6)


def test_a_negative_spread_between_cells_is_kept_raw_and_cut_to_zero():
    found = one_way([1.0, 9.0, 2.0, 8.0], ["a", "a", "b", "b"])
    assert found.s_cell2_raw < 0
    assert found.s_cell == 0.0
    assert found.s_R == found.s_r


def test_layouts_do_not_touch_each_other_and_their_order_does_not_matter():
    rng = np.random.default_rng(1)
    values, groups = rng.normal(50, 20, 120), np.repeat(np.arange(6), 20)
    cells = rng.integers(0, 4, 120)
    table = one_way_table(layouts(values, groups, cells))
    order = rng.permutation(120)
    shuffled = one_way_table(layouts(values[order], groups[order], cells[order]))
    np.testing.assert_allclose(table, shuffled, rtol=1e-10)
    for g in range(6):
        alone = one_way(values[groups == g], cells[groups == g])
        assert alone.s_R_high == pytest.approx(table["s_I_high"][g])
        assert alone.u_bias == pytest.approx(table["u_bias"][g])


def test_interval_of_s_R_is_that_of_graybill_and_wang_for_unequal_cells():
    # Burdick and Graybill, Confidence Intervals on Variance Components (1992): the modified
    # large-sample limits of theta_1 + c theta_2, written out for three cells by hand.
    cells = [[10.0, 14.0, 12.0], [21.0, 19.0], [8.0, 5.0, 9.0, 6.0]]
    values, names = np.concatenate(cells), np.repeat(list("abc"), [3, 2, 4])
    found = one_way(values, names, confidence=0.9)
    means = np.array([12.0, 20.0, 7.0])
    theta_1 = ((means - 13.0) ** 2).sum() / 2  # 43
    theta_2 = (8.0 + 2.0 + 10.0) / 6  # sums of squares within, 6 degrees of freedom
    c = 1 - (1 / 3 + 1 / 2 + 1 / 4) / 3  # one less the reciprocal of the harmonic mean size
    upper, lower = stats.chi2.ppf(0.95, [2, 6]), stats.chi2.ppf(0.05, [2, 6])
    df = np.array([2.0, 6.0])
    g, h = 1 - df / upper, df / lower - 1
    parts = np.array([theta_1, c * theta_2])
    assert found.s_R_low**2 == pytest.approx(max(parts.sum() - np.hypot(*(g * parts)), 0.0))
    assert found.s_R_high**2 == pytest.approx(parts.sum() + np.hypot(*(h * parts)))
    assert found.bias_df == pytest.approx(2)


def test_interval_of_s_R_covers_the_truth_as_often_as_said():
    rng = np.random.default_rng(12)
    studies, p, n = 3000, 6, 4
    for s_cell in (0.0, 2.0):
        x = rng.normal(0, s_cell, (studies, p, 1)) + rng.normal(0, 1.0, (studies, p, n))
        group = np.repeat(np.arange(studies), p * n)
        cell = np.tile(np.repeat(np.arange(p), n), studies)
        found = one_way_table(layouts(x.ravel(), group, cell))
        truth = math.hypot(1.0, s_cell)
        held = (found["s_I_low"] <= truth) & (truth <= found["s_I_high"])
        # the method is nearly exact with spread between cells and on the safe side without
        assert 0.94 < held.mean() < (0.965 if s_cell else 1.0)


@pytest.mark.parametrize("groups", [[0, 0], [[0, 0, 0]]])
def test_lengths_that_differ_are_refused(groups):
    with pytest.raises(InputError, match="differ in length"):
        layouts([1.0, 2.0, 3.0], groups, [0, 0, 1])
