"""Verdicts: bounds with and without a distribution, levels, tests, and what they may claim."""

import itertools
import math

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from scipy.special import ndtr

from accstudy.accuracy.anova import half_width
from accstudy.accuracy.bounds import (
    Grouping,
    beyond_p,
    lower_bounds,
    normal_bounds,
    shared_session_p,
    upper_ranks,
)
from accstudy.accuracy.conformity import LimitOf, cases, conformity_tables
from accstudy.accuracy.judge import (
    NOT_VERIFIED,
    REFUTED,
    VERIFIED,
    Rule,
    combined_p,
    guard,
    independent_scans,
    judge,
    normality_p,
    shapiro_wilk_z,
    single_bounds,
)
from accstudy.accuracy.measurands import grouping_of, left_out_p, samples
from accstudy.accuracy.reference_uncertainty import seated_once, shared_uncertainty

ONE = {n: Grouping(np.zeros(n, dtype=np.int64)) for n in (10, 20, 30, 60, 93)}


@pytest.mark.parametrize("n", [5, 8, 11, 12, 30, 200])
def test_shapiro_and_wilk_as_in_a_general_library(n):
    # scipy.stats.shapiro: algorithm AS R94 in another program
    rng = np.random.default_rng(n)
    x = np.column_stack([rng.normal(size=n), rng.exponential(size=n), rng.uniform(size=n)])
    expected = [stats.shapiro(column).pvalue for column in x.T]
    assert ndtr(-shapiro_wilk_z(x)) == pytest.approx(expected, abs=2e-4)


@pytest.mark.parametrize("sizes", [(5, 5, 5, 5, 5, 5), (2,) * 10, (3, 8, 1, 9)])
def test_the_test_of_residuals_keeps_its_level_whatever_the_cells(sizes):
    cell = np.repeat(np.arange(len(sizes)), sizes)
    y = np.random.default_rng(3).normal(size=(len(cell), 2000)) + 9.0 * cell[:, None]
    assert np.mean(normality_p(y, Grouping(cell)) < 0.05) == pytest.approx(0.05, abs=0.015)


def test_p_values_are_combined_whatever_their_dependence():
    assert combined_p([0.02] * 15) == pytest.approx(0.02)
    rng = np.random.default_rng(1)
    found = [combined_p(row) for row in rng.uniform(size=(2000, 15))]
    assert np.mean(np.array(found) < 0.05) == pytest.approx(0.05, abs=0.015)
    assert combined_p([0.001, 1.0 - 1e-12]) < 0.05
    assert math.isnan(combined_p([np.nan]))


def test_counts_are_judged_by_the_exact_binomial_test():
    # scipy.stats.binomtest in a general library
    for n, k in ((10, 3), (30, 4), (60, 7)):
        share = np.array([1.0] * k + [0.0] * (n - k))
        expected = stats.binomtest(k, n, 0.05, alternative="greater").pvalue
        assert beyond_p(share) == pytest.approx(expected)


def test_scans_of_one_cell_are_no_independent_witnesses():
    # six cells, one of them wholly beyond: 5 of 30 scans, but one witness of six
    sizes = np.repeat([50.0, 50, 50, 50, 50, 200], 5)[:, None]
    cell = np.repeat(np.arange(6), 5)
    assert lower_bounds(sizes, np.arange(30))[0] == 200
    assert lower_bounds(sizes, cell)[0] == 50
    rng = np.random.default_rng(2)
    false = 0
    for _ in range(400):
        y = np.abs(rng.normal(size=6)[cell] + 0.3 * rng.normal(size=30))
        shares = pd.Series(y > 1.96 * math.sqrt(1.09)).groupby(cell).mean().to_numpy()
        false += beyond_p(shares) <= 0.05
    assert false / 400 <= 0.05 + 0.022


def test_order_statistics_decide_from_as_many_scans_as_the_table_says():
    # 59 and 93: Wilks 1941
    x = np.arange(1.0, 94.0)[:, None]
    assert [upper_ranks(x[:n], n)[1] for n in (58, 59)] == [False, True]
    assert upper_ranks(x[:92], 92)[0][0] == 92
    assert upper_ranks(x, 93)[0][0] == 92
    # 93 scans in 60 cells: 60 are independent, so the largest of all counts
    assert upper_ranks(x, 60) == (np.array([93.0]), True)


@pytest.mark.parametrize("bias", [0.0, 2.0])
@pytest.mark.parametrize("kind", ["slips", "t3", "lognormal"])
def test_sixty_scans_hold_the_level_whatever_the_shape(kind, bias):
    rng = np.random.default_rng(8)

    def draw(size):
        if kind == "slips":
            return rng.normal(size=size) + 6 * (rng.random(size) < 0.08)
        if kind == "t3":
            return rng.standard_t(3, size)
        return np.exp(0.8 * rng.normal(size=size)) - math.exp(0.32)

    truth = np.quantile(np.abs(bias + draw(400_000)), 0.95)
    y = bias + draw((60, 600))
    found = single_bounds(y, ONE[60], Rule(log2_draws=10, lower=False))
    assert found.distribution_free
    assert (found.bound < truth).mean() <= 0.05 + 2 * math.sqrt(0.05 * 0.95 / 600)
    # and normal theory alone does not: the test above can fail
    if kind == "slips":
        assert (normal_bounds(y, ONE[60], log2_draws=10)[0] < truth).mean() > 0.2


def test_a_slip_seen_in_few_scans_is_no_proof_of_conformity():
    rng = np.random.default_rng(5)
    y = rng.normal(0, 15, (30, 6))
    assert judge(y, ONE[30], limit=100.0).all == VERIFIED
    y[7, 2] = 95.0
    found = judge(y, ONE[30], limit=100.0)
    assert found.p_normal < 0.05
    assert (found.contradicted, found.each, found.all) == (True, NOT_VERIFIED, NOT_VERIFIED)
    assert found.together.bound[0] >= 95.0


@pytest.mark.parametrize(
    ("sizes", "crossed"),
    [([(4, 4)] * 3, False), ([(2, 4), (1, 3, 5), (3,), (2, 2)], False), ([(3, 3, 3)] * 4, True)],
    ids=["nested", "unbalanced", "crossed"],
)
def test_operators_who_return_are_not_taken_for_independent_cells(sizes, crossed):
    rng = np.random.default_rng(11)
    op = np.repeat(np.arange(len(sizes)), [len(s) for s in sizes])
    cell = np.repeat(np.arange(len(op)), [k for s in sizes for k in s])
    day = np.concatenate([np.arange(len(s)) for s in sizes])
    studies = 400
    of_op = math.sqrt(0.7) * rng.normal(size=(len(sizes), studies))
    of_cell = 0.4 * rng.normal(size=(len(op), studies))
    if crossed:
        of_cell = 0.4 * rng.normal(size=(len(sizes[0]), studies))[day]
    sd = math.sqrt(1 - 0.7 - 0.16)
    y = 1.0 + (of_op[op] + of_cell)[cell] + sd * rng.normal(size=(len(cell), studies))
    by = Grouping(cell, op[cell], day[cell] if crossed else None)
    new, _ = normal_bounds(y, by)
    error = 2 * math.sqrt(0.05 * 0.95 / studies)
    assert (ndtr(new - 1) - ndtr(-new - 1) >= 0.95).mean() >= 0.95 - error
    these, _ = normal_bounds(y, by, these_operators=True)
    left = math.sqrt(0.3)
    worst = np.min(ndtr((these - 1 - of_op) / left) - ndtr((-these - 1 - of_op) / left), axis=0)
    assert (worst >= 0.95).mean() >= 0.95 - error
    if not crossed:
        naive, _ = normal_bounds(y, Grouping(cell))
        assert (ndtr(naive - 1) - ndtr(-naive - 1) >= 0.95).mean() < 0.93


def test_which_factor_returns_is_seen_from_the_scans():
    rows = [(f"{o}{s}", o, s) for o, s in itertools.product("ABC", "12")]
    scans = pd.DataFrame(rows, columns=["cell", "operator", "session"])
    found, returning = grouping_of(scans, ["operator", "session"])
    assert returning == "operator"
    assert found.operator.tolist() == [0, 0, 1, 1, 2, 2]
    assert independent_scans(found) == 3
    assert independent_scans(found, these_operators=True) == 6
    alone = scans[scans["session"] == "1"]
    assert grouping_of(alone, ["operator", "session"])[1] == ""
    day = Grouping(found.cell, found.operator, np.tile([0, 1], 3))
    y = np.tile([[0.0], [50.0]], (3, 1)) + np.random.default_rng(1).normal(size=(6, 1))
    assert shared_session_p(y, day)[0] < 0.01


@pytest.mark.parametrize("share", [0.0, 0.5, 1.0])
def test_bounds_hold_where_operators_with_one_session_may_share_their_days(share):
    # truth known: four operators on two days, two scans each; a study answers for all pairs
    rng, studies, pairs = np.random.default_rng(5), 20, 6
    day = np.array([0, 1, 0, 1])
    factors = {
        "operator": np.repeat(list("abcd"), 2), "session": np.repeat(day, 2).astype(str),
        "cell": np.repeat(list("abcd"), 2), "condition": ["c"] * 8,
    }  # fmt: skip
    held, told = [], set()
    for _ in range(studies):
        of_cell = math.sqrt(0.6 * (1 - share)) * rng.normal(size=(4, pairs))
        of_cell += math.sqrt(0.6 * share) * rng.normal(size=(2, pairs))[day]
        y = np.repeat(of_cell, 2, axis=0) + math.sqrt(0.4) * rng.normal(size=(8, pairs))
        table = pairs_of(y, factors, names=("I1", "I2", "I3", "I4")).assign(model="M")
        (sample,) = samples(table, "distance_um", cell_columns=["operator", "session"])
        bound = single_bounds(sample.matrix, sample.grouping).bound
        held.append(ndtr(bound) - ndtr(-bound) >= 0.95)
        told.add(sample.returning)
        found = cases(table, "distance_um", None, Rule(), ["operator", "session"])
        said = "new sessions" if sample.returning else "new cells"
        assert [(c.holds_for, c.beside) for c in found] == [(said, False)]
    assert told == {"", "session"}
    assert np.mean(held) >= 0.95


def pairs_of(y, factors, names=("I1", "I2", "I3")):
    """Table of pairs from deviations (scans, pairs)."""
    a, b = zip(*itertools.combinations(names, 2), strict=True)
    rows = [
        {"scan": f"s{i:03d}", "implant_a": a[j], "implant_b": b[j], "distance_um": y[i, j],
         **{k: v[i] for k, v in factors.items()}}
        for i, j in np.ndindex(*y.shape)
    ]  # fmt: skip
    span = {p: 10.0 * (k + 1) for k, p in enumerate(zip(a, b, strict=True))}
    table = pd.DataFrame(rows).assign(condition="A", model="M")
    table["span_mm"] = [span[p] for p in zip(table["implant_a"], table["implant_b"], strict=True)]
    return table.assign(path_mm=table["span_mm"])


def test_factors_left_out_of_the_cell_are_tested_and_forbid_a_verdict():
    rng = np.random.default_rng(4)
    operator = np.repeat(list("ABCD"), 5)
    y = 25 * rng.normal(size=4)[np.repeat(range(4), 5)][:, None] + rng.normal(0, 3, (20, 3))
    table = pairs_of(y, {"cell": ["all"] * 20, "operator": operator, "repeat": range(20)})
    factor, p = left_out_p(table, ["operator"], "distance_um")["A"]
    assert (factor, p < 0.001) == ("operator", True)
    held = conformity_tables(
        table, limits=[LimitOf("distance_um", 150.0, "x")], reference_u={"distance_um": 1.0}
    ).conformity
    assert (held["verdict"] == NOT_VERIFIED).all()
    assert held["note"].str.contains("differ by operator").all()
    quiet = pairs_of(rng.normal(0, 3, (20, 3)), {"cell": ["all"] * 20, "operator": operator})
    held = conformity_tables(
        quiet, limits=[LimitOf("distance_um", 150.0, "x")], reference_u={"distance_um": 1.0}
    ).conformity
    assert (held["verdict"] == VERIFIED).all()
    assert (held["holds_for"] == "this cell").all()


@pytest.mark.parametrize("studies", [40, pytest.param(150, marks=pytest.mark.slow)])
def test_guard_and_level_are_shared_when_one_pair_of_many_is_refuted(studies):
    rng = np.random.default_rng(6)
    u, m, refuted = 8.0, 28, 0
    for _ in range(studies):
        y = rng.normal(0, 20, (60, m)) + u * rng.normal(size=m)
        found = judge(y, ONE[60], limit=1.96 * 20, u=u, rule=Rule(log2_draws=8))
        refuted += found.each == REFUTED
    assert refuted / studies <= 0.05 + 2 * math.sqrt(0.05 * 0.95 / studies)
    assert found.guard_low[0] == pytest.approx(guard(8.0, 1 - 0.05 / 28))


@pytest.mark.parametrize("studies", [40, pytest.param(120, marks=pytest.mark.slow)])
def test_pure_stretch_within_the_limit_is_not_refuted(studies):
    rng = np.random.default_rng(7)
    length = np.linspace(0.3, 1.0, 15)
    truth = np.quantile(np.abs(20 * rng.normal(size=200_000) + 20), 0.95)
    said = []
    for _ in range(studies):
        y = (20 * rng.normal(size=(60, 1)) + 20) * length + 2 * rng.normal(size=(60, 15))
        said.append(judge(y, ONE[60], limit=1.01 * truth, rule=Rule(log2_draws=8)).all)
    assert np.mean([s == REFUTED for s in said]) <= 0.05 + 2 * math.sqrt(0.05 * 0.95 / studies)


@pytest.mark.parametrize("seed", range(12))
def test_no_report_can_hold_verdicts_that_contradict_each_other(seed):
    rng = np.random.default_rng(seed)
    n, cells = int(rng.choice([6, 12, 30, 60])), int(rng.choice([1, 3, 6]))
    kind = rng.choice(["move as one", "alone", "slips"])
    y = rng.normal(0, 20, (n, 3))
    if kind == "move as one":
        y = rng.normal(10, 20, (n, 1)) * [0.5, 0.8, 1.0]
    if kind == "slips":
        y = y + 90 * (rng.random((n, 3)) < 0.05)
    cell = np.arange(n) % cells
    table = pairs_of(y, {"cell": [f"c{k}" for k in cell]})
    rank = {VERIFIED: 0, NOT_VERIFIED: 1, REFUTED: 2}
    before = None
    for limit in (10.0, 30.0, 50.0, 70.0, 110.0, 300.0):
        held = conformity_tables(
            table, limits=[LimitOf("distance_um", limit, "x")], reference_u={"distance_um": 2.0}
        )
        each, whole = (
            held.conformity.set_index("scope").loc[["each pair", "all pairs"]].itertuples()
        )
        assert rank[whole.verdict] >= rank[each.verdict]
        assert not (each.verdict == VERIFIED and whole.verdict == REFUTED and n < 93)
        assert whole.tolerance_bound >= each.tolerance_bound >= each.largest_seen - 1e-9
        for row in (each, whole):
            assert row.informative == (row.tolerance_bound <= 10 * row.largest_seen)
            if row.verdict == VERIFIED:
                assert row.bound_with_guard <= limit
                assert row.share_beyond <= 0.05
                assert row.assumption == "none" or not row.p_normal < 0.05
            if row.verdict == REFUTED:
                assert row.share_beyond > 0.05
        spans = held.supported_spans
        at = spans[spans["level_um"] == limit].set_index("scope")
        for row in (each, whole):
            span = at.loc[row.Index]
            every = span["supported_span_mm"] == span["longest_span_mm"]
            assert every == (row.verdict == VERIFIED)
        assert (
            not at.loc["all pairs", "supported_span_mm"] > at.loc["each pair", "supported_span_mm"]
        )
        # a wider limit is never judged worse
        now = (rank[each.verdict], rank[whole.verdict])
        assert before is None or (now[0] <= before[0] and now[1] <= before[1])
        before = now


def test_a_span_says_why_it_is_not_supported_and_what_it_assumes():
    y = np.random.default_rng(1).normal(0, 5, (12, 3))
    table = pairs_of(y, {"cell": [f"c{k % 4}" for k in range(12)]})
    told = conformity_tables(table, limits=[], reference_u={"distance_um": 2.0}).supported_spans
    assert set(told["note"]) == {""}
    assert set(told["assumption"]) == {"normal scatter"}
    assert told["p_normal"].between(0, 1).all()
    assert told["supported_span_mm"].notna().any()
    unknown = conformity_tables(table, limits=[], reference_u=None).supported_spans
    assert unknown["supported_span_mm"].isna().all()
    assert unknown["note"].str.contains("uncertainty of the reference is not stated").all()


def test_seating_of_bodies_is_counted_once():
    rng = np.random.default_rng(3)
    implants = pd.DataFrame(
        {"model": "M", "implant": ["I1", "I2", "I3"], "x_mm": [0.0, 10.0, 20.0], "y_mm": 0.0,
         "z_mm": 0.0, "u_position_um": 1.0, "u_axis_deg": 0.01}
    )  # fmt: skip
    cell = np.repeat(range(6), 3)
    factors = {"cell": [f"c{k}" for k in cell], "reseated": np.tile([True, False, False], 6)}
    anew = pairs_of(rng.normal(size=(18, 3)), factors)
    once = anew.assign(reseated=False)
    unknown = anew.drop(columns="reseated")
    assert [float(seated_once(t)["A"]) for t in (anew, once, unknown)] == [0.0, 1.0, 1.0]
    u = [
        shared_uncertainty(implants, t, seating_um=20.0)
        .query("measurand == 'distance_um'")["u"]
        .iloc[0]
        for t in (anew, once)
    ]
    assert u == pytest.approx([math.sqrt(2), math.sqrt(2 + 800)])


@pytest.mark.parametrize("cells", [2, 3, 6])
@pytest.mark.parametrize("part", [0.0, 0.3])
def test_one_uncertainty_covers_from_two_cells_on(cells, part):
    rng = np.random.default_rng(5)
    scatter = rng.normal(size=(20_000, cells)) * math.sqrt((1 - part) * cells)
    mean = scatter.mean(axis=1) + math.sqrt(part) * rng.normal(size=20_000)
    s = scatter.std(axis=1, ddof=1) / math.sqrt(cells)
    covered = np.abs(mean) <= half_width(s, cells - 1.0, math.sqrt(part))
    assert 0.945 <= covered.mean() <= 0.985
