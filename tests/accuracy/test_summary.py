"""Table accuracy: what it holds, what it leaves empty and why."""

import itertools
import math

import numpy as np
import pandas as pd
import pytest

from accstudy.accuracy.along_arch import precision_vs_span
from accstudy.accuracy.budget import uncertainty_budget
from accstudy.accuracy.conformity import LimitOf, conformity_tables
from accstudy.accuracy.judge import NOT_VERIFIED, REFUTED, VERIFIED
from accstudy.accuracy.measurands import natural
from accstudy.accuracy.outliers import outlier_table
from accstudy.accuracy.reference_uncertainty import pair_reference_u, shared_uncertainty
from accstudy.accuracy.summary import accuracy_table, field_figures, field_table, study_results
from accstudy.selftest.precision import one_way
from accstudy.tables import TABLES, csv_bytes

NUMBERS = [c.name for c in TABLES["accuracy"].columns if c.kind == "number"]


def test_every_pair_and_implant_has_a_row_and_each_row_its_own_layout(study):
    pairs, implants = study
    found = accuracy_table(pairs, implants)
    # 15 pairs x 2 measurands, 6 implants x 5 components (the rotation is unknown), 2 devices
    assert len(found) == 2 * (15 * 2 + 6 * 5)
    assert found.columns.tolist() == TABLES["accuracy"].names
    row = found[(found["condition"] == "device B") & (found["subject"] == "I2-I5")].iloc[0]
    own = pairs[
        (pairs["condition"] == "device B")
        & (pairs["implant_a"] == "I2")
        & (pairs["implant_b"] == "I5")
    ]
    alone = one_way(own["distance_um"], own["cell"])
    assert row["measurand"] == "distance_um"
    assert (row["n_scans"], row["n_cells"]) == (12, 3)
    for name in ("bias", "u_bias", "bias_low", "s_r", "s_I", "s_I_high", "I_limit"):
        assert row[name] == pytest.approx(getattr(alone, name.replace("I", "R"))), name
    assert row["mean_abs_deviation"] == pytest.approx(own["distance_um"].abs().mean())
    differences = [abs(a - b) for a, b in itertools.combinations(own["distance_um"], 2)]
    assert row["mean_pairwise_difference"] == pytest.approx(np.mean(differences))


def test_the_table_of_a_paper_is_that_of_all_deviations_and_all_differences_spelled_out(study):
    pairs, _ = study
    accuracy = accuracy_table(pairs)
    found = field_table(study_results(pairs), accuracy).set_index(["condition", "measurand"])
    assert len(found) == 2 * 2  # devices, distance and angle
    for (condition, measurand), row in found.iterrows():
        mine = pairs[pairs["condition"] == condition]
        values = mine[measurand].dropna()
        apart = [
            abs(a - b)
            for _, one in mine.groupby(["model", "implant_a", "implant_b"])
            for a, b in itertools.combinations(one[measurand].dropna(), 2)
        ]
        assert (row["n_values"], row["n_differences"]) == (len(values), len(apart))
        assert row["trueness_mean"] == pytest.approx(values.abs().mean())
        assert row["trueness_sd"] == pytest.approx(values.abs().std())
        assert row["rms"] == pytest.approx(np.sqrt(np.mean(values**2)))
        assert row["precision_mean"] == pytest.approx(np.mean(apart))
        assert row["precision_sd"] == pytest.approx(np.std(apart, ddof=1))
        iso = accuracy[(accuracy["condition"] == condition) & (accuracy["measurand"] == measurand)]
        assert row["s_r_rms"] == pytest.approx(np.sqrt(np.mean(iso["s_r"] ** 2)))


def test_the_order_of_rows_changes_no_byte(study):
    pairs, implants = study
    shuffled = [t.sample(frac=1, random_state=4) for t in (pairs, implants)]
    once = csv_bytes("accuracy", accuracy_table(pairs, implants))
    assert csv_bytes("accuracy", accuracy_table(*shuffled)) == once


def test_the_alignment_is_chosen_and_pairs_do_not_care(study):
    pairs, implants = study
    moved = implants.copy()
    other = moved["alignment"] == "first-implant"
    moved.loc[other, "vertical_um"] += 100.0
    first = accuracy_table(pairs, moved, alignment="first-implant")
    vertical = first[first["measurand"] == "vertical_um"]["bias"]
    usual = accuracy_table(pairs, moved)
    assert vertical.to_numpy() == pytest.approx(
        usual[usual["measurand"] == "vertical_um"]["bias"] + 100.0
    )


@pytest.mark.parametrize(
    ("scans", "cells", "words"),
    [(1, 1, "one scan"), (5, 1, "one cell"), (4, 4, "one scan per cell")],
)
def test_what_cannot_be_said_is_empty_and_said(study, scans, cells, words):
    pairs, _ = study
    own = pairs[(pairs["condition"] == "device A") & (pairs["implant_a"] == "I1")].copy()
    own = own[own["implant_b"] == "I2"].head(scans)
    own["cell"] = [f"c{i % cells}" for i in range(scans)]
    found = accuracy_table(own)
    assert found["note"].str.startswith(words).all()
    text = csv_bytes("accuracy", found).decode().lower()
    assert ",nan," not in text
    assert "inf" not in text.replace("interval", "")
    if scans > 1 and cells > 1:
        assert found["s_r"].isna().all()
        assert found["s_I"].notna().all()
    elif scans > 1:
        assert found["s_I"].isna().all()
        assert found["bias_low"].notna().all()


def test_equal_results_are_said_to_be_equal(study):
    pairs, _ = study
    own = pairs[pairs["condition"] == "device A"].assign(distance_um=0.1 + 0.2, angle_deg=0.0)
    found = accuracy_table(own)
    assert found["note"].str.startswith("all results are equal").all()
    assert found["s_I"].to_numpy() == pytest.approx(0.0, abs=1e-12)


def test_an_angle_that_can_only_grow_is_said_to_be_no_normal_variable(study):
    pairs, _ = study
    found = accuracy_table(pairs.assign(divergence_deg=0.02))
    angles = found["measurand"] == "angle_deg"
    assert found[angles]["note"].str.contains("nearly parallel").all()
    assert not found[~angles]["note"].str.contains("nearly parallel").any()


def test_no_results_give_an_empty_table(study):
    pairs, implants = study
    assert len(accuracy_table(pairs.head(0), implants.head(0))) == 0


def test_field_figures_of_an_unbiased_device():
    # closed forms for a normal variable: sqrt(2 / pi) s and 2 / sqrt(pi) s
    rng = np.random.default_rng(2)
    mean_abs, pairwise = field_figures(rng.normal(0, 30.0, 200_000), np.zeros(200_000, int))
    assert mean_abs[0] == pytest.approx(30.0 * np.sqrt(2 / np.pi), rel=0.01)
    assert pairwise[0] == pytest.approx(30.0 * 2 / np.sqrt(np.pi), rel=0.01)


def test_reference_uncertainty_widens_the_bias(study):
    pairs, implants = study
    reference = pd.DataFrame(
        {
            "model": "M",
            "implant": [f"I{i + 1}" for i in range(6)],
            "x_mm": np.arange(6.0) * 8,
            "y_mm": 0.0,
            "z_mm": 0.0,
            "u_position_um": [3.0, 4.0, np.nan, 3.0, 3.0, 3.0],
            "u_axis_deg": 0.01,
        }
    )
    each = pair_reference_u(
        reference, pairs.drop_duplicates(["implant_a", "implant_b"]), mpe_constant_um=1.9
    ).set_index(["implant_a", "implant_b"])
    assert each.loc[("I1", "I2"), "u_distance_um"] == pytest.approx(5.0)
    assert each.loc[("I1", "I3"), "u_distance_um"] == pytest.approx(1.9 / 3**0.5)
    assert each.loc[("I1", "I3"), "u_from"] == "MPE"
    shared = shared_uncertainty(
        reference, pairs, mpe_constant_um=1.9, expansion_per_k=75e-6, temperature_tolerance_k=1.0
    )
    plain = accuracy_table(pairs, implants)
    found = accuracy_table(pairs, implants, reference_u=shared)
    one = found["subject"] == "I1-I2"
    lengths = one & (found["measurand"] == "distance_um")
    span = found[lengths]["span_mm"].iloc[0]
    u2 = 5.0**2 + (span * 1000 * 75e-6) ** 2 / 3
    assert (found[lengths]["u_bias"] ** 2).to_numpy() == pytest.approx(
        plain[lengths]["u_bias"] ** 2 + u2
    )
    assert (found["bias_df"] >= plain["bias_df"] - 1e-9).all()
    flat = accuracy_table(pairs, reference_u={"distance_um": 4.0})
    assert (flat["u_bias"] >= 4.0).sum() == (flat["measurand"] == "distance_um").sum()


def test_ten_comes_after_nine():
    assert sorted(["I10", "I9", "36", "4"], key=natural) == ["4", "36", "I9", "I10"]


@pytest.mark.parametrize("seed", range(25))
def test_whatever_is_missing_is_explained(seed):
    # one to four scans in one to three cells, with values of few kinds, some implants unseen
    rng = np.random.default_rng(seed)
    scans = int(rng.integers(1, 5))
    kinds = [np.zeros, lambda n: np.full(n, 0.1 + 0.2), lambda n: rng.normal(1e6, 1, n)]
    rows = []
    for s in range(scans):
        for a, b in (("I1", "I2"), ("I1", "I3"), ("I2", "I3")):
            if rng.random() < 0.8:
                rows.append((f"s{s}", f"c{rng.integers(3)}", a, b))
    pairs = pd.DataFrame(rows, columns=["scan", "cell", "implant_a", "implant_b"]).assign(
        condition="device A",
        model="M",
        span_mm=10.0,
        path_mm=12.0,
        divergence_deg=rng.choice([0.0, 20.0]),
    )
    pairs["distance_um"] = kinds[rng.integers(3)](len(pairs))
    pairs["angle_deg"] = np.nan if rng.random() < 0.3 else kinds[rng.integers(3)](len(pairs))
    found = accuracy_table(pairs)
    numbers = found[[n for n in NUMBERS if n not in ("span_mm", "path_mm")]]
    assert (found["note"] != "").to_numpy()[numbers.isna().any(axis=1).to_numpy()].all()
    assert not np.isinf(numbers.to_numpy(dtype=float)).any()
    held = conformity_tables(
        pairs,
        limits=[LimitOf("distance_um", 50.0, "x"), LimitOf("angle_deg", 1.0, "x")],
        reference_u={"distance_um": 0.0, "angle_deg": 0.0},
    ).conformity
    assert set(held["verdict"]) <= {VERIFIED, NOT_VERIFIED, REFUTED}
    assert (held["note"] != "").to_numpy()[held["tolerance_bound"].isna().to_numpy()].all()
    assert b"nan" not in csv_bytes("conformity", held).lower()
    outlier_table(pairs)
    precision_vs_span(found)


def test_heat_moves_an_implant_by_its_distance_from_the_middle():
    # by hand: 0.075 um per mm and K over 30 and 40 mm; 1 K rectangular; 3 um certified
    reference = pd.DataFrame(
        {"model": "M", "implant": list("abc"), "x_mm": [-30.0, 30.0, 0.0], "y_mm": 0.0,
         "z_mm": 0.0, "u_position_um": 3.0, "u_axis_deg": 0.02}
    )  # fmt: skip
    pairs = pd.DataFrame({"condition": "A", "scan": "s1", "cell": "c", "model": "M",
                          "implant_a": ["a"], "implant_b": ["b"], "span_mm": 60.0})  # fmt: skip
    found = shared_uncertainty(
        reference, pairs, expansion_per_k=75e-6, temperature_tolerance_k=1.0
    ).set_index(["subject", "measurand"])["u"]
    warm = 30 * 0.075 * 1000 / 1000 / math.sqrt(3)
    assert found["a", "vertical_um"] == pytest.approx(math.hypot(3.0, warm))
    assert found["c", "vertical_um"] == pytest.approx(3.0)
    assert found["a-b", "distance_um"] == pytest.approx(math.sqrt(18 + (2 * warm) ** 2))
    assert found["a", "tilt_mesiodistal_deg"] == pytest.approx(0.02)
    assert found["a", "rotation_deg"] == 0.0


def test_two_repeats_have_one_pairwise_difference():
    mean_abs, pairwise = field_figures([3.0, -5.0, 4.0], [0, 0, 1])
    assert mean_abs.tolist() == [4.0, 4.0]
    assert pairwise[0] == 8.0
    assert math.isnan(pairwise[1])


def test_the_uncertainty_of_a_pairs_angle_takes_both_axes():
    implants = pd.DataFrame({"model": "M", "implant": list("ab"), "u_position_um": [3.0, 4.0],
                             "u_axis_deg": [0.03, 0.04]})  # fmt: skip
    pairs = pd.DataFrame({"model": "M", "implant_a": ["a"], "implant_b": ["b"], "span_mm": [20.0]})
    found = pair_reference_u(implants, pairs).iloc[0]
    assert (found["u_distance_um"], found["u_angle_deg"]) == pytest.approx((5.0, 0.05))
    mpe = pair_reference_u(implants.drop(columns="u_position_um"), pairs, mpe_constant_um=1.9,
                           mpe_per_metre_um=40.0).iloc[0]  # fmt: skip
    assert mpe["u_distance_um"] == pytest.approx((1.9 + 0.8) / math.sqrt(3))


@pytest.mark.parametrize("days_of", [[(0, 1, 2)] * 3, [(0, 1, 2), (1, 2, 3), (2, 3, 0), (3, 0, 1)]])
@pytest.mark.parametrize("share", [0.0, 0.5])
def test_the_interval_of_a_bias_holds_where_operators_share_their_days(days_of, share):
    # truth known: operators, days that all of them share, repeats; nothing else
    rng, studies, repeats = np.random.default_rng(21), 300, 3
    who, day = zip(*[(o, d) for o, own in enumerate(days_of) for d in own], strict=True)
    left = math.sqrt((1 - share) / 2)
    means = math.sqrt(share) * rng.normal(size=(studies, max(who) + 1))[:, who]
    means = means + left * rng.normal(size=(studies, max(day) + 1))[:, day]
    y = means[:, :, None] + left * rng.normal(size=(studies, len(who), repeats))
    one = pd.DataFrame(
        {
            "operator": np.repeat(np.array(who).astype(str), repeats),
            "session": np.repeat(np.array(day).astype(str), repeats),
        }
    )
    table = pd.concat([one] * studies, ignore_index=True).assign(
        cell=lambda t: t["operator"] + "-" + t["session"],
        model=np.repeat([f"M{k}" for k in range(studies)], len(one)),
        scan=[f"s{k}" for k in range(y.size)],
        condition="c", implant_a="I1", implant_b="I2", span_mm=1.0, path_mm=1.0,
        distance_um=y.ravel(),
    )  # fmt: skip
    error = 2 * math.sqrt(0.05 * 0.95 / studies)
    found = accuracy_table(table, cell_columns=["operator", "session"])
    held = ((found["bias_low"] <= 0) & (found["bias_high"] >= 0)).mean()
    assert held >= 0.95 - error
    if share == 0:
        # days left out, as they would be if sessions lay in their operators
        alone = accuracy_table(table.drop(columns="session"), cell_columns=["operator"])
        assert ((alone["bias_low"] <= 0) & (alone["bias_high"] >= 0)).mean() < 0.85
    budget = uncertainty_budget(
        table[table["model"] == "M0"],
        pd.DataFrame({"model": "M0", "implant": ["I1", "I2"], "u_position_um": 0.0}),
        cell_columns=["operator", "session"],
    )
    row = found[found["model"] == "M0"].iloc[0]
    u = budget.set_index("part")["u_um"]
    assert u["combined"] == pytest.approx(row["u_bias"])
    assert u["expanded"] == pytest.approx((row["bias_high"] - row["bias_low"]) / 2)
