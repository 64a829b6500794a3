"""Sizes, power, order and protocols."""

import math

import numpy as np
import pandas as pd
import pytest

from accstudy.accuracy.oneway import one_way, one_way_table
from accstudy.accuracy.planned import planned_layouts
from accstudy.accuracy.summary import accuracy_table
from accstudy.errors import InputError
from accstudy.plan.power import Comparison, ComparisonSpread, power_table
from accstudy.plan.protocol import (
    load_protocol,
    parse_protocol,
    protocol_names,
    protocol_schedule,
)
from accstudy.plan.schedule import schedule
from accstudy.plan.size import Cost, Spread, assurance, from_pilot, scans_for_bound, size_table
from accstudy.tables import TABLES, csv_bytes


def test_what_n_buys():
    # half-width of the bias at s = 30 um and factors of the standard deviation, computed from
    # Student's t and chi-square
    n = [3, 5, 10, 15, 20, 30]
    found = size_table(Spread(30.0), cells=[1], per_cell=n)
    assert found["half_width"].to_numpy() == pytest.approx(
        [74.5, 37.2, 21.5, 16.6, 14.0, 11.2], abs=0.051
    )
    low, high = found["s_r_low"] / 30, found["s_r_high"] / 30
    assert low.to_numpy() == pytest.approx([0.52, 0.60, 0.69, 0.73, 0.76, 0.80], abs=0.0051)
    assert high.to_numpy() == pytest.approx([6.28, 2.87, 1.83, 1.58, 1.46, 1.34], abs=0.0051)
    assert found["s_R_low"].isna().all()


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
    assert same.s_R_high == pytest.approx(row["s_R_high"])
    with pytest.raises(InputError):
        planned_layouts([0], [5], var_within=1.0)


def test_more_cells_buy_more_than_more_scans():
    found = size_table(
        Spread(10.0, 10.0), cells=[3, 6], per_cell=[5, 10], cost=Cost(8.0, 20.0)
    ).set_index(["n_cells", "per_cell"])
    assert found.loc[(6, 5), "half_width"] < found.loc[(3, 10), "half_width"]
    assert found.loc[(6, 5), "bound"] < found.loc[(3, 10), "bound"]
    assert found.loc[(6, 5), "chair_minutes"] == 6 * 5 * 8 + 6 * 20


def test_assurance_rises_and_the_search_finds_its_edge():
    spread = Spread(12.0, 5.0, bias=5.0)
    options = {"limit": 60.0, "simulations": 80}
    few, many = (assurance(spread, p, 5, **options) for p in (3, 8))
    assert few < many
    cells = scans_for_bound(spread, per_cell=5, **options)
    assert assurance(spread, cells, 5, **options) >= 0.8
    assert assurance(spread, cells - 1, 5, **options) < 0.8
    assert scans_for_bound(spread, limit=20.0, simulations=20, at_most=8) is None
    table = size_table(spread, cells=[3], per_cell=[5], limit=60.0, simulations=80)
    assert table["assurance"][0] == few


def test_a_pilot_gives_the_assumptions(pilot):
    table = accuracy_table(pilot)
    found = from_pilot(table, condition="device A")
    own = table[table["measurand"] == "distance_um"]
    assert found.s_r == pytest.approx(math.sqrt((own["s_r"] ** 2).mean()))
    assert found.bias == own["bias"].abs().max()
    assert "9 scans in 3 cells" in found.source
    one = from_pilot(accuracy_table(pilot.assign(cell="x")), condition="device A")
    assert one.s_cell == 0
    assert "taken as zero" in one.source
    with pytest.raises(InputError, match="device B"):
        from_pilot(table, condition="device B")


@pytest.fixture
def pilot():
    rng = np.random.default_rng(3)
    return pd.DataFrame(
        {
            "scan": [f"s{i}" for i in range(9) for _ in range(2)],
            "cell": [f"c{i // 3}" for i in range(9) for _ in range(2)],
            "implant_a": ["I1", "I2"] * 9,
            "implant_b": "I3",
            "distance_um": rng.normal(4, 10, 18),
            "model": "M",
            "condition": "device A",
            "span_mm": 20.0,
            "path_mm": 20.0,
        }
    )


def test_power_of_a_comparison():
    designs = [Comparison(2, 2, 2), Comparison(3, 2, 4)]
    spread = ComparisonSpread(scan=12.0, residual=10.0, session=6.0, operator=6.0, pairs=3)
    found = power_table(
        designs, spread, difference=14.0, margin=14.0, simulations=40, cost=Cost(8, 20)
    )
    assert found.columns.tolist() == TABLES["plan_power"].names
    assert found["power"][0] < found["power"][1]
    assert found["power_equivalence"][0] < found["power_equivalence"][1]
    assert (found["power_low"] < found["power"]).all()
    assert found["n_scans"].tolist() == [16, 48]
    assert found["chair_minutes"].tolist() == [16 * 8 + 80, 48 * 8 + 120]


def test_without_a_difference_the_power_is_the_level():
    spread = ComparisonSpread(scan=10.0, residual=5.0, session=8.0, operator=8.0, pairs=2)
    options = {"difference": 0.0, "simulations": 100}
    found = power_table([Comparison(3, 2, 3)], spread, **options)
    assert found["power_low"][0] < 0.05 < found["power_high"][0]
    # one technique a session and few operators: the test errs to the safe side
    found = power_table([Comparison(3, 2, 3, crossed=False)], spread, **options)
    assert found["power_low"][0] < 0.05


def test_equivalence_is_hardly_shown_at_the_margin():
    spread = ComparisonSpread(scan=10.0, residual=5.0, pairs=2)
    found = power_table([Comparison(2, 2, 4)], spread, difference=0.0, margin=1.0, simulations=30)
    assert found["power_equivalence"][0] < 0.1


def test_a_comparison_needs_what_it_compares():
    with pytest.raises(InputError):
        Comparison(0, 1, 1)
    with pytest.raises(InputError, match="session of its own"):
        Comparison(2, 1, 1, crossed=False)


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
    assert "seed 7" in plan.words
    assert csv_bytes("scans", scans, factors=("device", "operator")).startswith(b"scan,model,file")


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
        ({"operators": []}, "operators names nothing"),
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
