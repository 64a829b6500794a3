"""Tests on cells against the tables and the worked example of ISO 5725-2."""

import numpy as np
import pandas as pd
import pytest

from accstudy.accuracy import outliers
from accstudy.accuracy.anova import layouts
from accstudy.accuracy.outliers import _pick, cell_tests, extremes, outlier_table
from accstudy.selftest.published import case, table

COAL = case("iso5725", "iso5725_2_coal")


def of_table(row):
    p, n = int(row.p), row.n
    return {
        "cochran": lambda: outliers.cochran_critical(row.alpha, p, n),
        "grubbs_single": lambda: outliers.grubbs_critical(row.alpha, p),
        "grubbs_double": lambda: outliers.grubbs_double_critical(row.alpha, p),
        "mandel_h": lambda: outliers.mandel_h_critical(row.alpha, p),
        "mandel_k": lambda: outliers.mandel_k_critical(row.alpha, p, n),
    }[row.test]()


@pytest.mark.parametrize(
    "row",
    list(table("iso5725", "critical_values").itertuples()),
    ids=lambda r: f"{r.test}-{r.p}-{r.alpha}",
)
def test_critical_values_are_those_of_the_tables(row):
    # ISO 5725-2:1994, Tables 4 to 7; printed values differ from the exact ones by 0.001 at most,
    # Mandel's h is printed to two decimals
    found = float(of_table(row))
    # the simulated column carries its own Monte Carlo error, up to 6e-4
    bar = 1e-3 if row.how == "simulated" else 5.1e-6
    assert found == pytest.approx(row.computed, abs=bar)
    if not np.isnan(row.published):
        printed = {"mandel_h": 5.1e-3, "grubbs_double": 1.2e-4}.get(row.test, 1e-3)
        assert found == pytest.approx(row.published, abs=printed)


def test_two_extremes_by_integration_agree_with_simulation():
    rng = np.random.default_rng(3)
    x = np.sort(rng.standard_normal((200_000, 6)), axis=1)
    kept = x[:, :-2]
    ratio = ((kept - kept.mean(1, keepdims=True)) ** 2).sum(1)
    ratio /= ((x - x.mean(1, keepdims=True)) ** 2).sum(1)
    for r in (0.02, 0.1, 0.3, 0.6):
        share = (ratio < r).mean()
        error = 4 * np.sqrt(share * (1 - share) / ratio.size)
        assert outliers.grubbs_double_probability(r, 6) == pytest.approx(share, abs=error)
    assert outliers.grubbs_double_probability(1.0, 6) == pytest.approx(1.0, abs=1e-6)


@pytest.mark.parametrize("level", [1, 2, 3, 4])
def test_coal_statistics_as_worked_out(level):
    # ISO 5725-2:1994 Annex B.1
    data = COAL.frame.query("level == @level")
    sums = layouts(data["value"], np.zeros(len(data), int), data["lab"])
    found = cell_tests(sums)
    i = level - 1
    assert found.cochran[0] == pytest.approx(COAL.computed["cochran_C"][i], rel=1e-9)
    assert sums.cell_label[found.cochran_at[0]] == COAL.computed["cochran_lab"][i]
    assert (found.cochran_cells[0], found.cochran_n[0]) == (8, 3)
    m = found.means
    for name, value in {
        "grubbs_high": m.high,
        "grubbs_low": m.low,
        "double_high": m.double_high,
        "double_low": m.double_low,
    }.items():
        assert value[0] == pytest.approx(COAL.computed[name][i], rel=1e-9), name
    assert found.h == pytest.approx(COAL.computed[f"h_level{level}"], abs=5.1e-5)
    assert found.k == pytest.approx(COAL.computed[f"k_level{level}"], abs=5.1e-5)


def test_nine_materials_h_and_k():
    # ASTM E691-05 Table 8; computed values
    c = case("iso5725", "e691_pentosans")
    codes = c.frame["material"].map(ord) - 65
    sums = layouts(c.frame["value"], codes, c.frame["lab"])
    found = cell_tests(sums)
    assert found.cochran == pytest.approx(c.computed["cochran_C"], rel=1e-9)
    for i, letter in enumerate(c.computed["material"]):
        own = sums.cell_layout == i
        assert found.h[own] == pytest.approx(c.computed[f"h_{letter}"], abs=5.1e-4)
        assert found.k[own] == pytest.approx(c.computed[f"k_{letter}"], abs=5.1e-4)
    assert outliers.mandel_h_critical(0.005, 7) == pytest.approx(
        c.computed["h_critical_half_percent"], rel=1e-9
    )
    assert outliers.mandel_k_critical(0.005, 7, 3) == pytest.approx(
        c.computed["k_critical_half_percent"], rel=1e-9
    )


def test_uranium_counts_is_one_sided():
    # NIST/SEMATECH e-Handbook 1.3.5.17.1
    c = case("iso5725", "nist_grubbs_uranium")
    e = extremes(c.frame["value"], np.zeros(8, int))
    assert e.high[0] == pytest.approx(c.published["G"], abs=c.tolerance["G"])
    assert e.high[0] == pytest.approx(c.computed["G"], rel=1e-9)
    assert float(outliers.grubbs_critical(0.05, 8, sides=1)) == pytest.approx(
        c.published["critical_one_sided_5pct"], abs=c.tolerance["critical_one_sided_5pct"]
    )
    assert float(outliers.grubbs_critical(0.05, 8)) == pytest.approx(
        c.computed["critical_two_sided_5pct"], rel=1e-9
    )


def pairs_of(values, cells, scans=None, measurand="distance_um"):
    n = len(values)
    return pd.DataFrame(
        {
            "scan": scans or [f"s{i}" for i in range(n)],
            "model": "M",
            "implant_a": "I1",
            "implant_b": "I2",
            "condition": "device A",
            "cell": cells,
            "span_mm": 20.0,
            "path_mm": 22.0,
            "divergence_deg": 10.0,
            measurand: values,
        }
    )


def test_decisions_of_the_coal_example():
    # level 3: laboratory 5 is a Cochran straggler; level 2: the two high means are stragglers
    three = COAL.frame.query("level == 3")
    found = outlier_table(pairs_of(three["value"].to_numpy(), three["lab"].astype(str).to_numpy()))
    cochran = found[found["test"] == "cochran"].iloc[0]
    assert (cochran["cell"], cochran["verdict"]) == ("5", "straggler")
    two = COAL.frame.query("level == 2")
    found = outlier_table(pairs_of(two["value"].to_numpy(), two["lab"].astype(str).to_numpy()))
    verdicts = found.set_index("test")["verdict"]
    assert verdicts["grubbs"] == "nothing"
    assert verdicts["grubbs-double"] == "straggler"
    assert found.set_index("test")["cell"]["grubbs-double"] == "6 and 3"


def test_a_wild_scan_is_named_in_one_cell_and_within_a_wild_cell():
    rng = np.random.default_rng(5)
    values = rng.normal(0, 10, 10)
    values[4] = 300.0
    one = outlier_table(pairs_of(values, ["op 1"] * 10))
    wild = one[one["verdict"] == "outlier"].iloc[0]
    assert (wild["test"], wild["scan"]) == ("grubbs", "s4")
    many = rng.normal(0, 10, 40)
    many[13] = 300.0
    found = outlier_table(pairs_of(many, np.repeat(["a", "b", "c", "d"], 10)))
    assert found[found["test"] == "cochran"]["cell"].tolist() == ["b"]
    scans = found[found["scan"] != ""]
    assert scans["scan"].tolist() == ["s13"]
    assert scans["verdict"].tolist() == ["outlier"]


@pytest.mark.parametrize(
    ("values", "cells"),
    [
        ([3.0], ["a"]),
        ([3.0, 4.0], ["a", "a"]),
        ([3.0] * 8, ["a"] * 8),
        ([3.1] * 8, list("aabbccdd")),
        ([1.0, 2.0, 4.0, 8.0], list("abcd")),
    ],
)
def test_degenerate_layouts_give_no_empty_statistics(values, cells):
    found = outlier_table(pairs_of(values, cells))
    assert found["statistic"].notna().all()
    assert found["critical_1"].notna().all()
    assert set(found["verdict"]) <= {"nothing"}


def test_false_alarms_stay_at_their_level():
    rng = np.random.default_rng(11)
    groups, cells = np.repeat(np.arange(4000), 18), np.tile(np.repeat(np.arange(6), 3), 4000)
    found = cell_tests(layouts(rng.normal(size=groups.size), groups, cells))
    e = found.means
    assert (found.cochran > outliers.cochran_critical(0.05, 6, 3)).mean() == pytest.approx(
        0.05, abs=0.014
    )
    worst = np.fmax(e.high, e.low)
    assert (worst > outliers.grubbs_critical(0.05, 6)).mean() == pytest.approx(0.05, abs=0.014)
    ratio = np.fmin(e.double_high, e.double_low)
    assert (ratio < outliers.grubbs_double_critical(0.05, 6)).mean() == pytest.approx(
        0.05, abs=0.014
    )
    assert (np.abs(found.h) > outliers.mandel_h_critical(0.05, 6)).mean() == pytest.approx(
        0.05, abs=0.008
    )
    assert (found.k > outliers.mandel_k_critical(0.05, 6, 3)).mean() == pytest.approx(
        0.05, abs=0.008
    )


def test_of_two_ends_alike_the_upper_one_is_tested():
    e = extremes([1.0, 2.0, 3.0, 4.0, 5.0], [0] * 5)
    single, at, double, first, second = _pick(e)
    assert (at[0], first[0], second[0]) == (4, 4, 3)
    assert single[0] == pytest.approx(2 / np.std([1, 2, 3, 4, 5], ddof=1))
    assert double[0] == pytest.approx(2.0 / 10.0)  # sums of squares of 1, 2, 3 and of all
