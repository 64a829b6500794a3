"""Uncertainty budgets against the GUM, and vectors against simulation."""

import math

import numpy as np
import pandas as pd
import pytest
from scipy.special import stdtrit

from accstudy.accuracy.along_arch import hotelling, implant_vectors
from accstudy.accuracy.budget import (
    Part,
    SeatingOfBodies,
    propagate,
    seating_from_data,
    uncertainty_budget,
)
from accstudy.selftest.precision import one_way
from accstudy.selftest.published import case
from accstudy.tables import TABLES, csv_bytes


def own_parts(table, subject):
    """Rows of one pair's budget."""
    return table[(table["condition"] == "device A") & (table["subject"] == subject)]


def test_sum_of_four_by_distributions():
    # JCGM 101:2008, 9.2.2 and 9.2.3
    example = case("iso5725", "jcgm101_additive_equal")
    for shape, key in (
        ("normal", "half_width95_gaussian"),
        ("rectangular", "half_width95_rectangular"),
    ):
        parts = [Part(str(i), 1.0, shape=shape) for i in range(4)]
        sd, half = propagate(parts)
        assert sd == pytest.approx(2.0, abs=0.002)
        assert half == pytest.approx(example.published[key], abs=example.tolerance[key])
        assert half == pytest.approx(example.computed[key], abs=0.003)
    # a part known from repeats is drawn from Student's t
    assert propagate([Part("a", 2.0, 5)])[1] == pytest.approx(2 * stdtrit(5, 0.975), rel=1e-3)


def test_nothing_known_has_no_spread():
    assert propagate([Part("a", 0.0)]) == (0.0, 0.0)


REFERENCE = pd.DataFrame(
    {"model": "M", "implant": [f"I{i + 1}" for i in range(6)], "u_position_um": 1.5}
)


def test_the_budget_adds_up_to_the_bias_of_the_accuracy_table(study):
    pairs, _ = study
    table = uncertainty_budget(pairs, REFERENCE, expansion_per_k=75e-6, temperature_tolerance_k=1)
    assert table.columns.tolist() == TABLES["uncertainty_budget"].names
    one = own_parts(table, "I1-I6").set_index("part")
    counted = one[one["counted"].fillna(False).astype(bool)]
    assert (counted["u_um"] ** 2).sum() == pytest.approx(one.loc["combined", "u_um"] ** 2)
    assert counted["share"].sum() == pytest.approx(1.0)
    assert one.loc["CMM", "u_um"] == pytest.approx(1.5 * math.sqrt(2))
    assert one.loc["temperature", "how"].startswith("expansion 75e-6/K, temperature known to 1 K")
    assert one.loc["combined", "share"] == 1.0
    span = one.loc["temperature", "span_mm"]
    assert one.loc["temperature", "u_um"] == pytest.approx(span * 0.075 / math.sqrt(3))
    own = pairs[
        (pairs["condition"] == "device A")
        & (pairs["implant_a"] == "I1")
        & (pairs["implant_b"] == "I6")
    ]
    shared = math.hypot(one.loc["CMM", "u_um"], one.loc["temperature", "u_um"])
    bias = one_way(own["distance_um"], own["cell"], u_reference=shared)
    # one bias, one interval, one U
    assert one.loc["combined", "u_um"] == pytest.approx(bias.u_bias)
    assert one.loc["expanded", "u_um"] == pytest.approx((bias.bias_high - bias.bias_low) / 2)
    squares = (counted["u_um"] ** 2).sum()
    assert one.loc["combined", "u_um"] ** 2 == pytest.approx(squares)
    ratio = one.loc["expanded", "monte_carlo_um"] / one.loc["expanded", "u_um"]
    assert 0.6 < ratio < 1.4
    assert b",nan" not in csv_bytes("uncertainty_budget", table).lower()


def test_a_seating_never_repeated_adds_in_full(study):
    pairs, _ = study
    entered = SeatingOfBodies(6.0, math.inf, "the maker's sheet")
    once = uncertainty_budget(pairs.assign(reseated=False), REFERENCE, seating=entered)
    anew = uncertainty_budget(pairs.assign(reseated=True), REFERENCE, seating=entered)
    a, b = (own_parts(t, "I1-I2").set_index("part").loc["scan body seating"] for t in (once, anew))
    assert (bool(a["counted"]), bool(b["counted"])) == (True, False)
    assert a["u_um"] == pytest.approx(6 * math.sqrt(2))
    assert b["u_um"] == pytest.approx(6 * math.sqrt(2 / 12))
    assert "maker's sheet" in a["how"]


def test_seating_is_found_in_a_reseating_study():
    rng = np.random.default_rng(2)
    rows = []
    for reseated, sd in ((False, 6.0), (True, math.sqrt(36 + 2 * 64))):
        for cell in range(5):
            for scan in range(6):
                for a, b in (("1", "2"), ("3", "4"), ("5", "6")):
                    rows.append((f"{reseated}{cell}{scan}", reseated, f"c{cell}{reseated}", a, b))
                    rows[-1] += (rng.normal(0, sd),)
    pairs = pd.DataFrame(
        rows, columns=["scan", "reseated", "cell", "implant_a", "implant_b", "distance_um"]
    ).assign(condition="A", model="M", span_mm=10.0, path_mm=10.0)
    found = seating_from_data(pairs)
    assert found.u_um == pytest.approx(8.0, rel=0.2)
    assert 10 < found.df < 25
    assert seating_from_data(pairs.drop(columns="reseated")) is None
    assert seating_from_data(pairs[pairs["reseated"]]) is None


def test_the_location_fit_is_shown_and_not_counted_twice(study):
    pairs, _ = study
    scans = pairs["scan"].unique()
    poses = pd.DataFrame(
        {
            "scan": np.repeat(scans, 6),
            "implant": np.tile([f"I{i + 1}" for i in range(6)], len(scans)),
            "u_x_um": 3.0,
            "u_y_um": 3.0,
            "u_z_um": 3.0,
        }
    )
    table = uncertainty_budget(pairs, REFERENCE, poses=poses)
    fit = own_parts(table, "I1-I2").set_index("part").loc["location fit"]
    assert fit["u_um"] == pytest.approx(3 * math.sqrt(2 / 12))
    assert not bool(fit["counted"])


@pytest.mark.parametrize("scans", [1, 2])
def test_budgets_of_next_to_nothing(study, scans):
    pairs, _ = study
    few = pairs[pairs["scan"].isin(pairs["scan"].unique()[:scans])]
    text = csv_bytes("uncertainty_budget", uncertainty_budget(few, REFERENCE)).decode().lower()
    assert "cannot be estimated" in text
    assert ",nan" not in text
    assert ",inf" not in text


def test_mean_square_is_bias_squared_plus_trace(study):
    _, implants = study
    found = implant_vectors(implants)
    assert len(found) == 12
    total = found["bias_square_um2"] + found["trace_um2"]
    assert found["mean_square_um2"].to_numpy() == pytest.approx(total.to_numpy(), rel=1e-12)
    own = implants[implants["alignment"] == "all-implants"]
    lengths = (own["distance_um"] ** 2).groupby([own["condition"], own["implant"]]).mean()
    assert found["mean_square_um2"].to_numpy() == pytest.approx(lengths.to_numpy())
    # three cells: no ellipsoid, and that is said
    assert found["semi_axis_1_um"].isna().all()
    assert found["note"].str.contains("3 cells").all()


def test_the_ellipsoid_of_one_cell_and_of_many(study):
    _, implants = study
    one = implant_vectors(implants.assign(cell="only"))
    assert (one["based_on"] == "scans").all()
    assert (one["semi_axis_1_um"] >= one["semi_axis_3_um"]).all()
    norm = (one.filter(like="direction_") ** 2).sum(axis=1)
    assert norm.to_numpy() == pytest.approx(1.0)
    many = implant_vectors(implants.assign(cell=implants["scan"].str[-1:] + implants["cell"]))
    assert (many["based_on"] == "cell means").all()
    flat = implant_vectors(implants.assign(cell="only", vertical_um=1.0))
    assert flat["T2"].isna().all()
    assert flat["note"].str.contains("no test").all()
    assert implant_vectors(implants.head(1))["note"].str.contains("needs four").all()


def test_hotelling_holds_its_level():
    rng = np.random.default_rng(9)
    spread = np.array([[3.0, 0, 0], [2, 1, 0], [0, 1, 5]])
    p = [hotelling(rng.normal(size=(8, 3)) @ spread).p for _ in range(2000)]
    assert np.mean(np.array(p) < 0.05) == pytest.approx(0.05, abs=0.015)


def test_a_rectangular_part_lies_about_zero():
    # x uniform on +-sqrt(3): mean 0, variance 1
    part = Part("a", 1.0, shape="rectangular")
    sd, half = propagate([part], confidence=0.95)
    assert (sd, half) == pytest.approx((1.0, 0.95 * math.sqrt(3)), rel=5e-3)


def test_the_longest_axis_of_the_ellipsoid_points_to_its_largest_component():
    rng = np.random.default_rng(2)
    v = rng.normal(0, [1.0, 2.0, 9.0], (40, 3)) @ np.diag([1.0, 1.0, -1.0])
    found = hotelling(v)
    assert found.directions[0][2] > 0.9
    largest = np.abs(found.directions).argmax(axis=1)
    assert (found.directions[np.arange(3), largest] > 0).all()


def test_a_component_that_never_changes_has_no_correlation(study):
    _, implants = study
    table = implant_vectors(implants.assign(mesiodistal_um=5.0))
    assert table["corr_mesiodistal_vertical"].isna().all()
    assert table["corr_buccolingual_vertical"].notna().all()
