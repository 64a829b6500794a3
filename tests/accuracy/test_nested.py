"""Nested layouts and robust estimates against published examples."""

import math

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from accstudy.accuracy.anova import layouts, nested_anova
from accstudy.accuracy.summary import (
    accuracy_table,
    algorithm_a,
    algorithm_s,
    made,
    robust_figures,
    robust_findings,
    variance_components,
)
from accstudy.errors import InputError
from accstudy.selftest.precision import one_way
from accstudy.selftest.published import case
from accstudy.tables import csv_bytes


def test_machines_and_operators_with_a_negative_middle():
    # NIST/SEMATECH e-Handbook 3.2.3.3
    c = case("iso5725", "nist_nested_machines")
    found = nested_anova(c.frame, "value", ["machine", "operator"])
    ss, ms, F = (found.table[k] for k in ("ss", "ms", "F"))
    got = {
        "ss_machine": ss[0],
        "ss_operator": ss[1],
        "ss_residual": ss[2],
        "ss_total": ss.sum(),
        "F_machine_fixed": ms[0] / ms[2],
        "F_operator": F[1],
        "F_machine_random": F[0],
        "var_residual": found.table["variance_raw"][2],
        "var_operator_raw": found.table["variance_raw"][1],
        "var_machine": found.table["variance_raw"][0],
    }
    for name, value in got.items():
        if name in c.published:
            assert value == pytest.approx(c.published[name], abs=c.tolerance[name]), name
        assert value == pytest.approx(c.computed[name], rel=1e-8), name
    assert found.table["variance"][1] == 0.0
    assert found.table["p"][0] == pytest.approx(0.0027, abs=5e-5)


@pytest.mark.parametrize("key", ["variance_balanced", "variance_unbalanced"])
def test_days_and_runs(key):
    # reference data of the CRAN package VCA
    c = case("iso5725", "vca_EP05A2_1")
    data = c.frame
    if key.endswith("unbalanced"):
        data = data[~data["row"].isin(c.params["drop_rows"])]
    found = nested_anova(data, "value", ["day", "run"])
    got = [found.total, *found.table["variance_raw"]]
    assert got == pytest.approx(c.published[key], abs=c.tolerance[key])
    assert found.table["df"].tolist() == c.computed[key.replace("variance", "df")]
    if key.endswith("unbalanced"):
        assert found.table["ss"].tolist() == pytest.approx(c.computed["ss_unbalanced"], rel=1e-10)
        e = found.expected
        assert [e[1, 1], e[0, 1], e[0, 0]] == pytest.approx(
            c.computed["ems_coefficients_unbalanced"], rel=1e-10
        )


def test_one_level_is_the_one_way_layout():
    c = case("iso5725", "vca_days_1")
    data = c.frame[~c.frame["row"].isin(c.params["drop_rows"])]
    found = nested_anova(data, "value", ["day"])
    one = one_way(data["value"], data["day"])
    assert found.sd_total == pytest.approx(one.s_R)
    assert found.table["F"][0] == pytest.approx(one.F)
    assert found.table["p"][0] == pytest.approx(one.p)
    assert found.mean == pytest.approx(one.bias)


def test_without_outer_scatter_the_total_has_the_interval_of_one_standard_deviation():
    # groups of one result each: the total is a single mean square with 11 degrees of freedom
    y = np.random.default_rng(1).normal(0, 4, 12)
    found = nested_anova(pd.DataFrame({"y": y, "g": range(12)}), "y", ["g"])
    s = y.std(ddof=1)
    low, high = (s * math.sqrt(11 / stats.chi2.ppf(q, 11)) for q in (0.975, 0.025))
    assert found.sd_total == pytest.approx(s)
    assert found.sd_total_low == pytest.approx(low)
    assert found.sd_total_high == pytest.approx(high)


def test_three_levels_find_what_was_put_in():
    rng = np.random.default_rng(6)
    rows = []
    for device in range(40):
        a = rng.normal(0, 3)
        for operator in range(rng.integers(2, 5)):
            b = rng.normal(0, 2)
            for session in range(rng.integers(1, 4)):
                d = rng.normal(0, 4)
                rows += [
                    (device, operator, session, a + b + d + rng.normal(0, 1))
                    for _ in range(rng.integers(1, 4))
                ]
    data = pd.DataFrame(rows, columns=["device", "operator", "session", "y"])
    found = nested_anova(data, "y", ["device", "operator", "session"])
    assert found.table["sd"].to_numpy() == pytest.approx([3, 2, 4, 1], rel=0.35)
    assert found.sd_total_low < math.sqrt(30) < found.sd_total_high
    shuffled = nested_anova(
        data.sample(frac=1, random_state=1), "y", ["device", "operator", "session"]
    )
    assert shuffled.table["variance_raw"].to_numpy() == pytest.approx(
        found.table["variance_raw"].to_numpy()
    )


def test_a_level_that_cannot_be_told_from_the_next_is_empty():
    data = pd.DataFrame({"operator": list("aabb"), "session": [1, 2, 1, 2], "y": [1.0, 2, 5, 7]})
    found = nested_anova(data, "y", ["operator", "session"])
    assert np.isnan(found.table["variance_raw"][2])
    assert found.table["variance_raw"][:2].notna().all()
    one = nested_anova(data.head(1), "y", ["operator", "session"])
    assert one.table["variance_raw"].isna().all()
    with pytest.raises(InputError, match="device"):
        nested_anova(data, "y", ["device"])


def test_atrazine():
    # ISO 13528:2022 Annex E.3
    c = case("iso5725", "iso13528_e3_atrazine")
    x = c.frame["value"].to_numpy()
    a = algorithm_a(x)
    got = {
        "mean": x.mean(),
        "sd": x.std(ddof=1),
        "u_mean": x.std(ddof=1) / math.sqrt(x.size),
        "median": np.median(x),
        "MADe": made(x),
        "x_star": a.mean,
        "s_star": a.sd,
        "u_x_star": a.u_mean,
    }
    for name, value in got.items():
        assert value == pytest.approx(c.published[name], abs=c.tolerance[name]), name
    assert a.mean == pytest.approx(c.computed["x_star"], abs=1e-10)
    assert a.sd == pytest.approx(c.computed["s_star"], abs=1e-10)


def test_robust_estimates_are_right_for_clean_and_nearly_so_for_dirty_data():
    rng = np.random.default_rng(8)
    x = rng.normal(100, 5, 20_000)
    assert algorithm_a(x).sd == pytest.approx(5, rel=0.02)
    x[:1000] += 200
    assert algorithm_a(x).mean == pytest.approx(100, abs=0.6)


def test_factors_of_algorithm_s_are_those_of_the_table():
    # ISO 13528 Table C.1, from memory: limit and adjustment factors
    for df, limit, adjust in ((1, 1.645, 1.097), (2, 1.517, 1.054), (3, 1.444, 1.039)):
        equal = np.ones(1000)  # none is cut
        assert algorithm_s(equal, df) == pytest.approx(adjust, abs=6e-4)
        far = np.r_[np.full(95, 1e-3), np.full(5, 1.0)]
        s = float(algorithm_s(far, df))  # five are cut to limit x s: s^2 = (95e-6 + 5 cut^2) / 100
        cut2 = (100 * (s / adjust) ** 2 - 95e-6) / 5
        assert np.sqrt(cut2) / s == pytest.approx(limit, rel=2e-3)


def test_algorithm_s_is_right_for_clean_and_nearly_so_for_dirty_cells_of_any_size():
    rng = np.random.default_rng(8)
    df = rng.integers(1, 6, 20_000)
    w = 5 * np.sqrt(rng.chisquare(df) / df)
    assert algorithm_s(w, df) == pytest.approx(5, rel=0.02)
    w[:1000] *= 20
    assert algorithm_s(w, df) == pytest.approx(5, rel=0.1)
    assert algorithm_s([0.0, 0.0, 0.0], 2) == 0.0


def test_robust_figures_of_many_layouts_are_those_of_each():
    rng = np.random.default_rng(3)
    sizes = [[3, 3, 2, 4], [6], [2, 2], [1, 1, 1, 1], [2]]
    group = np.repeat(range(5), [sum(s) for s in sizes])
    cell = np.concatenate([np.repeat(range(len(s)), s) for s in sizes])
    y = rng.normal(50, 10, len(group))
    order = rng.permutation(len(y))
    found = robust_figures(layouts(y[order], group[order], cell[order]), y[order], group[order])
    of = [[y[(group == g) & (cell == k)] for k in range(len(s))] for g, s in enumerate(sizes)]
    means = algorithm_a([c.mean() for c in of[0]])
    sds = algorithm_s([c.std(ddof=1) for c in of[0]], np.array(sizes[0]) - 1)
    one, singles = algorithm_a(of[1][0]), algorithm_a(np.concatenate(of[3]))
    nothing = np.nan
    assert found["bias_robust"].to_numpy() == pytest.approx(
        [means.mean, one.mean, nothing, singles.mean, nothing], nan_ok=True
    )
    assert found["s_r_robust"].to_numpy() == pytest.approx(
        [sds, one.sd, nothing, nothing, nothing], nan_ok=True
    )


def test_a_slip_is_told_and_does_not_move_the_robust_figures(study):
    pairs, implants = study
    before = accuracy_table(pairs, implants)
    assert not robust_findings(before)
    slipped = pairs.copy()
    scan = slipped["scan"].iloc[0]
    slipped.loc[slipped["scan"] == scan, "distance_um"] += 400.0
    after = accuracy_table(slipped, implants)
    mine = (after["measurand"] == "distance_um") & (
        after["condition"] == pairs["condition"].iloc[0]
    )
    assert (after["s_r"][mine] > 2 * before["s_r"][mine]).all()
    # an outlying cell is cut to 1.5 to 1.6 times the rest, and few cells are left
    assert (after["s_r"][mine] > 4 * after["s_r_robust"][mine]).all()
    (told,) = [f for f in robust_findings(after) if "repeatability" in f.what]
    worst = after[mine].assign(ratio=after["s_r"] / after["s_r_robust"]).nlargest(1, "ratio")
    assert f"{worst['s_r'].iloc[0]:.1f} µm" in told.what
    assert str(worst["subject"].iloc[0]).replace("-", "–") in told.what
    assert told.where == pairs["condition"].iloc[0]


def test_equal_results_have_no_spread():
    a = algorithm_a([4.0, 4.0, 4.0, 9.0])
    assert (a.mean, a.sd) == (4.0, 0.0)
    assert algorithm_a([4.0]).mean == 4.0


def test_components_of_every_pair(study):
    pairs, _ = study
    pairs = pairs.assign(operator=pairs["cell"], session=pairs["scan"].str[-1].map(int) // 2)
    found = variance_components(pairs, ["operator", "session"])
    assert len(found) == 2 * 15 * 4
    assert found["level"].head(4).tolist() == ["operator", "session", "residual", "total"]
    one = found[(found["condition"] == "device B") & (found["subject"] == "I2-I5")]
    own = pairs[
        (pairs["condition"] == "device B")
        & (pairs["implant_a"] == "I2")
        & (pairs["implant_b"] == "I5")
    ]
    alone = nested_anova(own, "distance_um", ["operator", "session"])
    assert one["sd"].iloc[-1] == pytest.approx(alone.sd_total)
    assert one["df"].tolist() == [2, 3, 6, 11]
    assert one["share"].iloc[:-1].sum() == pytest.approx(1.0)
    residual = one[one["level"] == "residual"].iloc[0]
    assert residual["sd_low"] < residual["sd"] < residual["sd_high"]
    single = variance_components(pairs.head(1), ["operator", "session"])
    assert single["note"].str.len().min() > 0
    assert b"nan" not in csv_bytes("variance_components", single).lower()
    with pytest.raises(InputError, match='did you mean "operator"'):
        variance_components(pairs, ["operater"])


def test_a_level_of_two_groups_is_tested_with_one_degree_of_freedom():
    rng = np.random.default_rng(9)
    data = pd.DataFrame({"top": np.repeat(["a", "b"], 12), "low": np.repeat(list("pqrstu"), 4)})
    data["y"] = rng.normal(0, 1, 24) + np.repeat(rng.normal(0, 2, 6), 4)
    table = nested_anova(data, "y", ["top", "low"]).table
    top = table.iloc[0]
    assert (table["df"].iloc[0], table["df"].iloc[1]) == (1, 4)
    assert top["p"] == pytest.approx(stats.f.sf(top["F"], 1, 4))
