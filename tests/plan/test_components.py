"""What a pilot is taken to say: components, in words and for one pair; promises from them."""

import math

import numpy as np
import pandas as pd
import pytest

from accstudy.accuracy.bounds import Grouping
from accstudy.accuracy.measurands import Sample
from accstudy.plan.components import components_of, spread_words
from accstudy.plan.protocol import load_protocol
from accstudy.plan.size import _promise, _typical
from accstudy.plan.study_files import readme_text


def sample(y, cell, operator=None):
    pairs = pd.DataFrame({"subject": ["a-b"], "span_mm": 20.0, "path_mm": 21.0, "lowest": -np.inf})
    grouping = Grouping(np.asarray(cell), None if operator is None else np.asarray(operator))
    return Sample("A", "M", "distance_um", np.asarray(y, float)[:, None], grouping, "", pairs)


def scaled(z, sd):
    """Numbers with mean zero and just this standard deviation."""
    z = z - z.mean()
    return z * sd / z.std(ddof=1)


def days():
    """Ten days of five: within 85, day means 57, as in JCGM 100:2008 (GUM), H.5."""
    rng = np.random.default_rng(5)
    within = np.array([scaled(rng.normal(size=5), 85.0) for _ in range(10)])
    return (scaled(rng.normal(size=10), 57.0)[:, None] + within).ravel(), np.repeat(range(10), 5)


def test_spread_between_days_is_that_of_the_guide():
    y, day = days()
    found = components_of([sample(y, day)])
    said = spread_words(found, "um")
    # eq. H.28: s_B^2 = s_a^2 - s_b^2 / K = (43 uV)^2
    assert said.startswith("s_r 85 µm, s_cell 42.47 µm")
    within, between, bias = _typical(found)
    assert math.sqrt(within) == pytest.approx(85.0)
    assert math.sqrt(between) == pytest.approx(43, abs=0.6)
    assert bias == pytest.approx(0.0, abs=1e-9)


def test_operators_with_unequal_numbers_of_sessions_count_by_the_harmonic_mean():
    # operator means 0 and 20; sessions of the second -10, 0 and 10 about it; repeats +-1
    cells = np.array([0.0, 10.0, 20.0, 30.0])
    y = (cells[:, None] + np.array([-1.0, 1.0])).ravel()
    cell, operator = np.repeat(range(4), 2), np.repeat([0, 1, 1, 1], 2)
    found = components_of([sample(y, cell, operator)])
    assert found.sessions == pytest.approx(2 / (1 + 1 / 3))
    within, between, bias = _typical(found)
    assert within == pytest.approx(2.0)
    of_cells = 100.0 - 2.0 / 2  # mean square of sessions, less repeats over two
    of_operators = 200.0 - 100.0 / found.sessions
    assert between == pytest.approx(of_cells + of_operators)
    assert bias == pytest.approx(10.0)
    assert "between operators" in spread_words(found, "um")


def test_scatter_between_operators_that_repeats_explain_is_not_taken_off():
    rng = np.random.default_rng(2)
    y = np.tile(scaled(rng.normal(size=3), 9.0), 4)  # all cells, so all operators, alike
    found = components_of([sample(y, np.repeat(range(4), 3), np.repeat([0, 0, 1, 1], 3))])
    within, between, _ = _typical(found)
    assert within == pytest.approx(81.0)
    assert between == 0.0


def test_a_promise_does_not_depend_on_the_unit_and_lies_inside_its_interval():
    rng = np.random.default_rng(4)
    truth = rng.normal(0, 3, 200)
    margin, other = rng.normal(4, 5, 400), truth[:, None] + rng.normal(3, 5, (200, 2))
    one = _promise(margin, other.ravel(), 1.0, 0.95)
    for unit in (1e-3, 50.0):
        two = _promise(margin * unit, other.ravel() * unit, 1.0, 0.95)
        assert (two.value, two.low, two.high) == pytest.approx((one.value, one.low, one.high))
    assert one.low < one.value < one.high


@pytest.mark.parametrize("name", ["full_arch_validation", "technique_comparison"])
def test_the_hours_of_a_protocol_are_those_of_its_scans_and_sessions(name):
    protocol = load_protocol(name)
    d = protocol.design
    minutes = protocol.n_scans * d.minutes_per_scan
    minutes += len(d.operators) * len(d.sessions) * d.minutes_per_session
    assert f"{minutes / 60:.0f} hours at the bench" in readme_text(protocol)
