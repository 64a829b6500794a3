"""Sizes, power, order and protocols."""

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from accstudy.accuracy.anova import one_way_table
from accstudy.accuracy.judge import ALL_PAIRS, EACH_PAIR, VERIFIED, Rule, judge
from accstudy.accuracy.measurands import Sample
from accstudy.errors import InputError
from accstudy.models.specs import ModelSpec
from accstudy.plan.components import Design, assumed_components, components_of, draw_studies
from accstudy.plan.power import Comparison, Known, known_from, planned_pairs, power_table
from accstudy.plan.protocol import (
    load_protocol,
    parse_protocol,
    protocol_names,
    protocol_schedule,
    schedule,
)
from accstudy.plan.size import (
    Asked,
    Cost,
    assurance,
    judge_many,
    planned_layouts,
    size_table,
    wanted,
)
from accstudy.selftest.precision import one_way
from accstudy.tables import TABLES, csv_bytes

RULE = Rule()


def study(rng, design, s_cell=7.0, s_scan=10.0, pairs=6, bias=4.0):
    """Deviations of pairs that move together: a common factor and one of their own."""
    shape = np.array([[1.0, 0.5, 0.2, -0.3, 0.8, 0.4], [0.0, 0.4, 0.9, 0.6, -0.5, 0.2]])[:, :pairs]
    cells = rng.normal(0, s_cell, (design.cells, 2))[design.cell_of_scan]
    scans = rng.normal(0, s_scan, (design.scans, 2))
    return bias + (cells + scans) @ shape + rng.normal(0, 3, (design.scans, pairs))


def sample(y, design, lowest=-np.inf):
    pairs = pd.DataFrame({"subject": [f"p{k}" for k in range(y.shape[1])]})
    pairs = pairs.assign(span_mm=20.0, path_mm=25.0, lowest=lowest)
    return Sample("device A", "M", "distance_um", y, design.grouping, "", pairs)


def table_of(s_r, cells, per_cell, **options):
    designs = [Design(1, p, m) for p in cells for m in per_cell]
    return size_table(assumed_components(s_r, options.pop("s_cell", 0.0)), designs, **options)


def test_what_n_buys():
    # half-width of the bias at s = 30 um and factors of the standard deviation, computed from
    # Student's t and chi-square
    n = [3, 5, 10, 15, 20, 30]
    found = table_of(30.0, [1], n)
    assert found["half_width"].to_numpy() == pytest.approx(
        [74.5, 37.2, 21.5, 16.6, 14.0, 11.2], abs=0.051
    )
    low, high = found["s_r_low"] / 30, found["s_r_high"] / 30
    assert low.to_numpy() == pytest.approx([0.52, 0.60, 0.69, 0.73, 0.76, 0.80], abs=0.0051)
    assert high.to_numpy() == pytest.approx([6.28, 2.87, 1.83, 1.58, 1.46, 1.34], abs=0.0051)
    assert found["s_I_low"].isna().all()
    assert found["assurance"].isna().all()


def test_a_planned_layout_shows_what_was_assumed():
    planned = planned_layouts([4], [5], bias=7.0, var_within=9.0, var_between=16.0)
    row = one_way_table(planned).iloc[0]
    assert (row["bias"], row["s_r"], row["s_cell"]) == pytest.approx((7.0, 3.0, 4.0))
    # data with exactly these figures give the same intervals
    cells = np.array([-1.0, -1, 1, 1]) * math.sqrt((16 + 9 / 5) * 3 / 4)
    within = np.array([-2.0, -1, 0, 1, 2]) * math.sqrt(9 * 4 / 10)
    data = 7.0 + cells[:, None] + within[None, :]
    same = one_way(data.ravel(), np.repeat(range(4), 5))
    assert same.bias_high == pytest.approx(row["bias_high"])
    assert same.s_R_high == pytest.approx(row["s_I_high"])
    with pytest.raises(InputError):
        planned_layouts([0], [5], var_within=1.0)


def test_more_cells_buy_more_than_more_scans():
    asked = Asked(60.0, np.zeros(1), RULE)
    found = table_of(
        10.0, [3, 6], [5, 10], s_cell=10.0, cost=Cost(8.0, 20.0), asked=asked
    ).set_index(["n_cells", "per_cell"])
    assert found.loc[(6, 5), "half_width"] < found.loc[(3, 10), "half_width"]
    assert found.loc[(6, 5), "assurance"] > found.loc[(3, 10), "assurance"] + 0.1
    assert found.loc[(6, 5), "chair_minutes"] == 6 * 5 * 8 + 6 * 20


@pytest.mark.parametrize(
    ("design", "u", "these"),
    [
        (Design(1, 6, 3), 2.0, False),
        (Design(1, 1, 12), 0.0, False),
        (Design(4, 2, 3), 3.0, False),
        (Design(4, 2, 3), 3.0, True),
        (Design(1, 62, 1), 2.0, False),
    ],
)
def test_many_studies_are_judged_as_each_of_them(design, u, these):
    """Plan and verdict cannot differ: the judge of a study says the same of every one."""
    rng = np.random.default_rng(11)
    rule = Rule(these_operators=these)
    found = components_of([sample(study(rng, design), design)])
    y = np.array([study(rng, design) for _ in range(40)])
    bounds = np.exp(-judge_many(y, found, design, Asked(1.0, np.full(6, u), rule)).together)
    limit = float(np.median(bounds))
    said = judge_many(y, found, design, Asked(limit, np.full(6, u), rule))
    own = [judge(one, design.grouping, limit=limit, u=u, rule=rule) for one in y]
    for margin, words in (
        (said.each, [j.each for j in own]),
        (said.together, [j.all for j in own]),
    ):
        bound = np.abs(margin) > 0.1  # 512 draws of the pivots where a study has more
        verified = (margin > 0) & ~said.barred
        same = verified == np.array([w == VERIFIED for w in words])
        assert same[bound].all()
        assert 0.0 < verified.mean() < 1.0


def test_components_are_those_of_the_layout():
    """Mean squares of every pair, against one_way; several models share their cells."""
    rng = np.random.default_rng(4)
    design = Design(1, 4, 3)
    y = study(rng, design)
    found = components_of([sample(y, design), sample(2 * y, design)])
    assert found.n_scans == 24
    assert found.design == design
    for k in range(6):
        one = one_way(y[:, k], design.cell_of_scan)
        scans, cells = found.scans[0], found.cells[0]
        assert (scans.rows[:, k] ** 2).sum() / scans.df == pytest.approx(one.ms_within)
        assert 3 * (cells.rows[:, k] ** 2).sum() / cells.df == pytest.approx(one.ms_between)
        assert 3 * (cells.rows[:, k + 6] ** 2).sum() / cells.df == pytest.approx(4 * one.ms_between)
    assert found.mean[:6] == pytest.approx(y.mean(axis=0))


def test_drawn_studies_scatter_as_the_pilot_does():
    """Mean squares and products of simulated studies are those of the pilot.

    Of cells and operators nearly: half of their share in a pair is that of all pairs.
    """
    rng = np.random.default_rng(5)
    design = Design(3, 4, 3)
    operators = np.repeat(rng.normal(0, 20, (3, 1)), 12, axis=0)
    y = study(rng, design, s_cell=15.0) + operators
    found = components_of([sample(y, design)])
    assert (found.operators[0].df, found.cells[0].df, found.scans[0].df) == (2, 9, 24)
    drawn = draw_studies(found, Design(200, 4, 3), kind="estimate", studies=8, seed=[1])
    again = components_of([sample(one, Design(200, 4, 3)) for one in drawn])
    k = slice(0, 6)
    for levels, near, close in (("scans", 0.1, 0.1), ("cells", 0.5, 0.3), ("operators", 0.5, 2.0)):
        own, new = getattr(found, levels)[0], getattr(again, levels)[0]
        squares, other = ((lv.rows[:, k].T @ lv.rows[:, k]) / lv.df for lv in (own, new))
        assert np.diag(other) == pytest.approx(np.diag(squares), rel=near)
        sizes = np.sqrt(np.diag(squares))
        assert np.abs((other - squares) / np.outer(sizes, sizes)).max() < close


def test_resampled_truths_scatter_as_estimates_do():
    """Variances of resampled truths follow chi-square: relative variance 2 / df."""
    design = Design(1, 5, 4)
    found = components_of([sample(study(np.random.default_rng(6), design), design)])
    level = found.scans[0]
    f = level.factor("resampled", 4000, np.random.default_rng(1))
    squares = (f**2).sum(axis=1)
    own = (level.rows**2).sum(axis=0) / level.df
    assert squares.mean(axis=0) == pytest.approx(own, rel=0.05)
    assert (squares.var(axis=0) / own**2) == pytest.approx(np.full(6, 2 / level.df), rel=0.2)


def test_angles_of_parallel_axes_stay_above_what_they_can_be():
    design = Design(1, 4, 3)
    y = np.abs(study(np.random.default_rng(7), design)) / 100
    found = components_of([sample(y, design, lowest=-0.05)])
    drawn = draw_studies(found, design, kind="resampled", studies=50, seed=[1])
    assert drawn.min() >= -0.05


def test_assurance_rises_and_the_search_finds_its_edge():
    design = Design(1, 5, 4)
    found = components_of([sample(study(np.random.default_rng(8), design, 4.0), design)])
    asked = Asked(70.0, np.full(6, 2.0), RULE)
    few, many = (assurance(found, Design(1, p, 4), asked)[ALL_PAIRS] for p in (4, 12))
    assert few.value < many.value
    assert few.low <= few.value <= few.high
    sizes = wanted(found, asked, [ALL_PAIRS, EACH_PAIR])
    design, expected = sizes[ALL_PAIRS]
    assert expected >= 0.8
    assert assurance(found, design, asked)[ALL_PAIRS].expected == expected
    before = Design(1, design.sessions - 1, 4)
    assert assurance(found, before, asked)[ALL_PAIRS].expected < 0.8
    assert sizes[EACH_PAIR][0].cells <= design.cells
    assert wanted(found, asked, [ALL_PAIRS]) == {ALL_PAIRS: sizes[ALL_PAIRS]}
    nothing = wanted(found, Asked(20.0, np.full(6, 2.0), RULE), [ALL_PAIRS])[ALL_PAIRS]
    assert nothing[0] is None
    assert nothing[1] < 0.1


def test_the_guard_is_part_of_the_promise():
    found = components_of(
        [sample(study(np.random.default_rng(8), Design(1, 5, 4)), Design(1, 5, 4))]
    )
    with_u, without = (
        assurance(found, Design(1, 6, 4), Asked(70.0, np.full(6, u), RULE))[ALL_PAIRS].value
        for u in (15.0, 0.0)
    )
    assert with_u < without - 0.1


def test_growing_adds_what_the_verdict_speaks_of():
    rng = np.random.default_rng(9)
    returning = Design(3, 2, 3)
    y = study(rng, returning)
    found = components_of([sample(y, returning)])
    limit = 3.0 * np.abs(y).max()
    others = wanted(found, Asked(limit, np.zeros(6), Rule()), [EACH_PAIR])[EACH_PAIR][0]
    assert (others.sessions, others.per_cell) == (2, 3)
    assert others.operators > 3
    these = Rule(these_operators=True)
    again = wanted(found, Asked(limit, np.zeros(6), these), [EACH_PAIR])[EACH_PAIR][0]
    assert (again.operators, again.per_cell) == (3, 3)
    assert again.sessions > 2
    one = Design(1, 1, 8)
    found = components_of([sample(study(rng, one), one)])
    grown = wanted(found, Asked(limit, np.zeros(6), RULE), [EACH_PAIR])[EACH_PAIR][0]
    assert (grown.cells, grown.per_cell > 8) == (1, True)


def test_assumed_figures_leave_nothing_open():
    asked = Asked(60.0, np.zeros(1), RULE)
    one = assurance(assumed_components(12.0, 5.0, 5.0), Design(1, 6, 3), asked)[EACH_PAIR]
    assert one.expected == pytest.approx(one.value, abs=0.02)
    assert one.high - one.low < 0.3
    with pytest.raises(InputError, match="negative"):
        assumed_components(-1.0)


SPREAD = {"scan": 6.0, "residual": 5.0, "operator": 6.0, "operator:session": 5.0, "pair": 5.0}
RANDOM = ("pair", "operator/session", "scan", "condition:pair", "operator:technique")


def known(random=RANDOM, levels=("A", "B"), **sds):
    sites = pd.DataFrame(
        {"model": "M", "implant_a": ["1", "1", "2"], "implant_b": ["2", "3", "3"], "path_mm": 20.0}
    )
    return Known(
        ModelSpec("distance", "pair.distance_um", "technique", random), "technique", sites,
        pd.DataFrame({"technique": list(levels)}), SPREAD | sds, None, "um",
    )  # fmt: skip


def test_power_of_a_comparison():
    found = power_table(
        [Comparison(2, 2, 2), Comparison(3, 2, 4)], known(), difference=8.0, margin=8.0,
        cost=Cost(8, 20),
    )  # fmt: skip
    assert found.columns.tolist() == TABLES["plan_power"].names
    assert found["power"][0] < found["power"][1]
    assert found["power_equivalence"][0] < found["power_equivalence"][1]
    assert found["n_scans"].tolist() == [16, 48]
    assert found["chair_minutes"].tolist() == [16 * 8 + 80, 48 * 8 + 120]


def test_models_take_turns_in_a_plan_as_they_did_in_the_pilot():
    two = pd.concat([known().sites.assign(model=m) for m in "PQRS"], ignore_index=True)
    shared = replace(known(), sites=two, turns=2)
    design = Comparison(4, 2, 3)
    rows = planned_pairs(shared, design)
    scans = rows.drop_duplicates("scan")
    found = power_table([design], shared, difference=8.0)
    assert found["n_scans"][0] == len(scans) == 4 * 2 * 3 * 2 * 2  # two models a session
    assert (scans.groupby(["operator", "session"])["model"].nunique() == 2).all()
    assert (scans.groupby("operator")["model"].nunique() == 4).all()  # nobody misses one
    assert (scans.groupby(["session", "model"])["operator"].nunique() > 0).all()
    once = planned_pairs(shared, Comparison(4, 1, 3))  # one session: nothing to take turns in
    assert once.drop_duplicates("scan").groupby("operator")["model"].nunique().eq(4).all()


def test_a_pilot_whose_models_take_turns_is_recognised():
    pilot = planned_pairs(
        replace(known(), sites=pd.concat([known().sites.assign(model=m) for m in "PQ"]), turns=2),
        Comparison(3, 2, 2),
    )  # fmt: skip
    pilot["distance_um"] = np.random.default_rng(2).normal(0, 8, len(pilot))
    assert known_from(known().spec, pilot).turns == 2


def test_power_of_a_balanced_design_is_that_of_its_stratum():
    """A single pair: the difference is tested in the stratum of scans, by noncentral t.

    o operators, both techniques in m scans each; variance 2 s^2 / (o m), and for
    operator by technique 2 (s_ot^2 / o + s^2 / (o m)) with o - 1 degrees of freedom
    (two-way mixed model, Searle, Casella and McCulloch, 1992, chapter 4).
    """
    o, m, s = 4, 5, 6.0
    one = known(random=("operator",))
    one = replace(one, sites=one.sites.head(1), sds={"operator": 4.0, "residual": s})
    row = power_table([Comparison(o, 1, m)], one, difference=6.0, margin=6.0).iloc[0]
    df = 2 * o * m - o - 1
    se = s * math.sqrt(2 / (o * m))
    assert (row["se"], row["df"]) == pytest.approx((se, df))
    expected = stats.nct.sf(stats.t.isf(0.025, df), df, 6 / se)
    assert row["power"] == pytest.approx(expected, abs=1e-3)
    crossed = replace(
        one, spec=replace(one.spec, random=("operator", "operator:technique")),
        sds={"operator": 4.0, "operator:technique": 3.0, "residual": s},
    )  # fmt: skip
    row = power_table([Comparison(o, 1, m)], crossed, difference=6.0, margin=6.0).iloc[0]
    se = math.sqrt(2 * (9.0 / o + s**2 / (o * m)))
    assert (row["se"], row["df"]) == pytest.approx((se, o - 1))
    rng = np.random.default_rng(1)
    estimate = rng.normal(0, se, 200_000)
    seen = se * np.sqrt(rng.chisquare(o - 1, 200_000) / (o - 1))
    shown = np.abs(estimate) < 6 - stats.t.isf(0.05, o - 1) * seen
    assert row["power_equivalence"] == pytest.approx(shown.mean(), abs=0.01)


@pytest.mark.parametrize(
    "term", ["operator:technique", "condition:pair", "path_mm | condition:cell"]
)
def test_every_term_that_varies_with_the_technique_costs_power(term):
    sites = known().sites.assign(path_mm=[10.0, 20.0, 45.0])
    spec = replace(
        known().spec, fixed="technique * path_mm", random=(*RANDOM, "path_mm | condition:cell")
    )
    least = replace(known(), sites=sites, spec=replace(spec, at=(("path_mm", 40.0),)))
    terms = SPREAD | {"operator:technique": 2.0, "condition:pair": 2.0}
    terms |= {"path_mm | condition:cell": 2.0}
    design = [Comparison(4, 2, 3)]
    without, with_it = (
        power_table(design, replace(least, sds={**terms, term: sd}), difference=12.0)["power"][0]
        for sd in (2.0, 12.0)
    )
    assert with_it < without - 0.05


def test_what_is_common_to_the_techniques_costs_none():
    design = [Comparison(4, 2, 3)]
    for term in ("operator", "operator:session", "pair"):
        one, two = (
            power_table(design, known(**{term: sd}), difference=8.0)["se"][0] for sd in (1.0, 30.0)
        )
        assert one == pytest.approx(two)


def test_without_a_difference_the_power_is_the_level():
    found = power_table([Comparison(3, 2, 3)], known(), difference=0.0)
    assert found["power"][0] == pytest.approx(0.05)
    three = power_table([Comparison(3, 2, 3)], known(levels="ABC"), difference=0.0)
    assert three["power"][0] == pytest.approx(0.05 / 3)
    none = power_table([Comparison(2, 2, 4)], known(), difference=0.0, margin=1.0)
    assert none["power_equivalence"][0] < 0.05


def test_a_comparison_needs_what_it_compares():
    with pytest.raises(InputError):
        Comparison(0, 1, 1)
    with pytest.raises(InputError, match='no random term "scam"'):
        power_table([Comparison(3, 2, 3)], known(scam=2.0), difference=1.0)


def test_a_pilot_comparison_gives_every_term_and_what_it_leaves_open():
    rng = np.random.default_rng(12)
    rows = planned_pairs(known(), Comparison(4, 2, 3))
    by = rows["operator"] + rows["technique"]
    y = (
        6 * rng.normal(size=8)[pd.factorize(by)[0]]
        + 5 * rng.normal(size=48)[pd.factorize(rows["scan"])[0]]
    )
    pilot = rows.assign(distance_um=y + rng.normal(0, 4, len(rows)))
    found = known_from(known().spec, pilot)
    assert found.factor == "technique"
    assert found.sds["operator:technique"] > 0
    row = power_table([Comparison(4, 2, 3)], found, difference=8.0, margin=8.0).iloc[0]
    # a pilot of the same design knows the variance of the difference as the study will
    assert row["df_pilot"] == pytest.approx(row["df"], rel=0.02)
    assert row["power_low"] <= row["power"] <= row["power_high"]
    with pytest.raises(InputError, match="no factor to compare"):
        known_from(known().spec, pilot[pilot["technique"] == "A"])


ORDER = {
    "models": ["M"],
    "operators": ["operator 1", "operator 2"],
    "sessions": ["day 1", "day 2"],
    "conditions": {"device": ["A", "B"], "technique": ["plain", "splinted"]},
    "repeats": 3,
}


def test_blocks_are_whole_and_the_order_within_is_random():
    plan = schedule(**ORDER, seed=7)
    scans = plan.scans
    assert len(scans) == 2 * 2 * 4 * 3
    assert scans["scan"].is_unique
    blocks = scans["session"] + scans["operator"]
    assert (blocks != blocks.shift()).sum() == 4
    for _, own in scans.groupby(["session", "operator"]):
        counts = own.groupby(["device", "technique"]).size()
        assert (counts == 3).all()
        assert own["technique"].tolist() != sorted(own["technique"])
        for _, alike in own.groupby(["device", "technique"]):
            assert alike["repeat"].tolist() == [1, 2, 3]  # as `check` expects them to follow
    assert "seed 7" in plan.words
    assert csv_bytes("scans", scans, factors=("device", "operator")).startswith(b"scan,model,file")


def test_models_that_take_turns_are_scanned_once_each_and_go_with_no_session():
    kinds = [f"{kind} {twin}" for kind in ("4", "6", "8") for twin in "ab"]
    order = ORDER | {"models": kinds, "operators": [f"operator {k}" for k in range(8)]}
    scans = schedule(**order, seed=5, turns=2).scans
    assert len(scans) == 6 * 8 * 2 * 4 * 3 // 2
    for _, own in scans.groupby(["session", "operator"]):
        assert sorted(m[0] for m in own["model"].unique()) == ["4", "6", "8"]
    for _, own in scans.groupby("operator"):
        assert set(own["model"]) == set(kinds)
        assert own.groupby("model")["session"].nunique().max() == 1
    assert scans.groupby("session")["model"].nunique().tolist() == [6, 6]
    alone = schedule(**(order | {"models": ["M"]}), seed=5, turns=2).scans
    assert alone.groupby("operator")["session"].nunique().tolist() == [2] * 8
    with pytest.raises(InputError, match="need 2 sessions"):
        schedule(**(order | {"sessions": ["day 1"]}), seed=5, turns=2)


def test_the_seed_is_the_order():
    one, same, other = (schedule(**ORDER, seed=s).scans for s in (7, 7, 8))
    assert one.equals(same)
    assert not one["technique"].equals(other["technique"])


def test_every_place_in_the_order_is_equally_likely():
    small = ORDER | {"sessions": ["day 1"], "repeats": 1}
    first = [schedule(**small, seed=s).scans.iloc[0] for s in range(150)]
    for column, level in (("technique", "plain"), ("operator", "operator 1")):
        share = np.mean([row[column] == level for row in first])
        assert share == pytest.approx(0.5, abs=0.13)


def test_the_bench_sheet_has_a_line_a_scan():
    plan = schedule(**ORDER, seed=7, reseat=False)
    sheet = plan.bench_sheet
    assert sheet.columns.tolist() == TABLES["bench_sheet"].names
    assert sheet["order"].tolist() == list(range(1, 49))
    assert sheet["scan"].tolist() == plan.scans["scan"].tolist()
    assert set(sheet["condition"]) == {
        "A / plain",
        "A / splinted",
        "B / plain",
        "B / splinted",
    }
    assert (sheet["body_seating"] == "leave").all()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"operators": []}, "operators is empty"),
        ({"sessions": ["a", "a"]}, 'names "a" twice'),
        ({"repeats": 0}, "repeats"),
        ({"conditions": {"scan": ["a"]}}, "cannot be a factor"),
    ],
)
def test_a_schedule_that_cannot_be(change, words):
    with pytest.raises(InputError, match=words):
        schedule(**(ORDER | change), seed=1)


@pytest.mark.parametrize("name", protocol_names())
def test_every_protocol_is_whole(name):
    protocol = load_protocol(name)
    assert protocol.name == name
    documents = " ".join(f["document"] for f in protocol.frame)
    for standard in ("ISO 20896-1", "ISO/TR 20896-2", "ISO 12836"):
        assert standard in documents
    assert all(limit["source"] for limit in protocol.limit)
    plan = protocol_schedule(protocol, seed=3, operators=("operator 7",))
    assert set(plan.scans["operator"]) == {"operator 7"}
    assert len(protocol_schedule(protocol, seed=3).scans) == protocol.n_scans
    recorded = " ".join(r["what"] for r in protocol.record)
    for word in ("instrument", "certificate", "temperature", "software"):
        assert word in recorded


def test_the_three_kinds_are_there():
    kinds = {load_protocol(n).kind for n in protocol_names()}
    assert kinds == {"validation", "comparison", "drift"}


def test_a_wrong_protocol_is_named():
    text = "name = 'x'\nkindd = 'drift'"
    with pytest.raises(InputError, match='did you mean "kind"'):
        parse_protocol(text)
    with pytest.raises(InputError, match="not readable"):
        parse_protocol("name = ")
    with pytest.raises(InputError, match="full_arch_validation"):
        load_protocol("full_arch_validatoin")
