"""Precision against span, and the small judgements."""

import math

import numpy as np
import pandas as pd
import pytest
from scipy import optimize

from accstudy.accuracy.along_arch import RELATIONS, fit_relation, precision_vs_span
from accstudy.accuracy.reference_uncertainty import e_n
from accstudy.accuracy.summary import accuracy_table, failure_rate, failure_table
from accstudy.errors import ComputationError, InputError
from accstudy.selftest.published import case

LENGTH = np.array([8.0, 12.0, 18.0, 25.0, 33.0, 45.0, 60.0, 80.0])
TRUE = {
    RELATIONS[0]: (0.0, 0.9),
    RELATIONS[1]: (6.0, 0.4),
    RELATIONS[2]: (0.2, 0.7),
    RELATIONS[3]: (1.5, 0.004),
}


def truth(relation):
    a, b = TRUE[relation]
    return {
        RELATIONS[0]: b * LENGTH,
        RELATIONS[1]: a + b * LENGTH,
        RELATIONS[2]: 10**a * LENGTH**b,
        RELATIONS[3]: np.sqrt(a * LENGTH + b * LENGTH**3),
    }[relation]


@pytest.mark.parametrize("relation", RELATIONS)
def test_every_relation_finds_itself_in_exact_points(relation):
    found = fit_relation(LENGTH, truth(relation), relation)
    assert (found.intercept, found.slope) == pytest.approx(TRUE[relation], rel=1e-6)
    assert found.predict(LENGTH) == pytest.approx(truth(relation))
    for other in RELATIONS:
        if other != relation and not (relation == RELATIONS[0] and other != RELATIONS[3]):
            assert fit_relation(LENGTH, truth(relation), other).criterion > found.criterion


def test_the_proportional_line_is_the_mean_of_ratios():
    # ISO 5725-2:1994, 7.5.3: relation I
    s = np.array([1.0, 3.0, 4.0])
    assert fit_relation([1.0, 2.0, 4.0], s, RELATIONS[0]).slope == pytest.approx(3.5 / 3)


def test_the_straight_line_repeats_its_own_weights():
    # at convergence the weighted normal equations hold with weights 1 / fitted^2
    rng = np.random.default_rng(1)
    s = truth(RELATIONS[1]) * rng.normal(1, 0.15, LENGTH.size)
    found = fit_relation(LENGTH, s, RELATIONS[1])
    fitted = found.predict(LENGTH)
    residual = (s - fitted) / fitted**2
    assert residual.sum() == pytest.approx(0, abs=1e-8)
    assert (residual * LENGTH).sum() == pytest.approx(0, abs=1e-6)


def test_coal_repeatability_against_level_has_one_best_relation():
    # the four levels of ISO 5725-2:1994 Annex B.1; computed s_r and m
    coal = case("iso5725", "iso5725_2_coal").computed
    for relation in RELATIONS[:3]:
        found = fit_relation(coal["m"], coal["s_r"], relation)
        assert found.n_points == 4
        assert (found.predict(coal["m"]) > 0).all()


def test_too_few_or_equal_lengths():
    with pytest.raises(ComputationError):
        fit_relation([5.0, 5.0], [1.0, 2.0], RELATIONS[1])
    one = fit_relation([5.0], [1.0], RELATIONS[0])
    assert math.isnan(one.criterion)


def test_the_table_names_the_random_walk_when_there_was_one():
    rng = np.random.default_rng(3)
    names = [f"I{i}" for i in range(8)]
    rows = []
    for scan in range(40):
        step, turn = rng.normal(0, 4, 7), rng.normal(0, 0.25, 7)
        for i in range(8):
            for j in range(i + 1, 8):
                # a rotation at one step acts on what lies between it and the second implant
                lever = 10.0 * (j - np.arange(i, j))
                error = step[i:j].sum() + (turn[i:j] * lever).sum()
                rows.append((f"s{scan}", names[i], names[j], 10.0 * (j - i), error))
    pairs = pd.DataFrame(rows, columns=["scan", "implant_a", "implant_b", "path_mm", "distance_um"])
    pairs = pairs.assign(
        model="M",
        condition="device A",
        cell=[f"c{int(s[1:]) % 4}" for s in pairs["scan"]],
        span_mm=50 * np.sin(pairs["path_mm"] / 50),
        angle_deg=np.nan,
        divergence_deg=10.0,
    )
    found = precision_vs_span(accuracy_table(pairs))
    best = found[found["best"]].set_index("which")
    assert best.loc["s_r", "relation"] == RELATIONS[3]
    assert best.loc["s_r", "against"] == "path_mm"
    assert (found["n_points"] == 28).all()


def test_one_pair_gives_the_proportional_line_alone(study):
    pairs, _ = study
    one = pairs[(pairs["implant_a"] == "I1") & (pairs["implant_b"] == "I2")]
    found = precision_vs_span(accuracy_table(one))
    assert set(found["relation"]) == {RELATIONS[0]}
    assert not found["best"].any()


def test_rates_of_failure():
    # Andriessen 2014: 4 of 25 scans unusable; exact interval recomputed
    rate = failure_rate(4, 25)
    assert (rate["low"], rate["high"]) == pytest.approx((0.0454, 0.3608), abs=5e-5)
    assert failure_rate(0, 10)["low"] == 0.0
    assert failure_rate(0, 10)["high"] == pytest.approx(1 - 0.025**0.1)
    assert failure_rate(10, 10)["high"] == 1.0
    assert math.isnan(failure_rate(0, 0)["rate"])
    with pytest.raises(InputError):
        failure_rate(3, 2)
    scans = pd.DataFrame({"scan": list("pqrs"), "condition": ["a"] * 3 + ["b"],
                          "status": ["ok", "failed", "ok", "ok"]})  # fmt: skip
    found = failure_table(scans, measured={"p", "s"}, confidence=0.9)  # r was never measured
    assert found["condition"].tolist() == ["a", "b", ""]
    assert found[["listed", "unusable", "failed", "total"]].to_numpy().tolist() == [
        [1, 1, 2, 3], [0, 0, 0, 1], [1, 1, 2, 4],
    ]  # fmt: skip
    assert found["rate"].tolist() == pytest.approx([2 / 3, 0, 1 / 2])
    last = failure_rate(2, 4, confidence=0.9)
    assert found[["low", "high", "confidence"]].iloc[-1].tolist() == [
        last["low"],
        last["high"],
        0.9,
    ]
    with pytest.raises(InputError):
        e_n(1.0, 1.0, 0.0, 0.0)


def test_the_random_walk_repeats_its_own_weights():
    # iterated weights (ISO 5725-2:1994, 7.5.7): at the end, weights from the fit give the fit
    rng = np.random.default_rng(3)
    m = np.array([8.0, 12.0, 18.0, 25.0, 33.0, 45.0, 60.0, 80.0])
    s = np.sqrt(1.5 * m + 0.004 * m**3) * rng.uniform(0.6, 1.5, m.size)
    found = fit_relation(m, s, RELATIONS[3])
    fitted2 = found.intercept * m + found.slope * m**3
    design = np.column_stack([m, m**3]) / fitted2[:, None]
    again, _ = optimize.nnls(design, s**2 / fitted2)
    assert again == pytest.approx([found.intercept, found.slope], rel=1e-6)


@pytest.mark.parametrize(
    ("relation", "parameters"), list(zip(RELATIONS, (1, 2, 2, 2), strict=True))
)
def test_relations_are_compared_by_the_corrected_akaike_criterion(relation, parameters):
    # Burnham and Anderson, Model Selection and Multimodel Inference (2002), 2.4: AICc of least
    # squares, n ln(RSS / n) + 2 K n / (n - K - 1), K with the residual variance; here of ln s
    s = truth(RELATIONS[1]) * np.random.default_rng(5).uniform(0.8, 1.25, LENGTH.size)
    found = fit_relation(LENGTH, s, relation)
    n, k = LENGTH.size, parameters + 1
    rss = float((np.log(s / found.predict(LENGTH)) ** 2).sum())
    assert found.criterion == pytest.approx(n * math.log(rss / n) + 2 * k * n / (n - k - 1))
