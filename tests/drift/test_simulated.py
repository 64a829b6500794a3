"""Charts alarm as rarely, and find changes as soon, as computed.

Short runs of ``tests/simulations/sim_drift.py``; its long ones stand in the documentation.
"""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest

_FILE = Path(__file__).parents[1] / "simulations" / "sim_drift.py"


@pytest.fixture(scope="module")
def sim():
    spec = importlib.util.spec_from_file_location("sim_drift", _FILE)
    module = importlib.util.module_from_spec(spec)
    sys.modules["sim_drift"] = module
    spec.loader.exec_module(module)
    yield module
    del sys.modules["sim_drift"]


@pytest.mark.parametrize(
    ("shift", "ratio", "state"),
    [(0.0, 1.0, "zero"), (5.0, 1.0, "steady"), (0.0, 1.5, "steady")],
)
def test_run_lengths_are_those_computed(sim, shift, ratio, state):
    found = sim.run_lengths(
        shift=shift, ratio=ratio, state=state, repeats=60, run_length=20.0, quiet=15, seed=3
    )
    assert len(found) == (5 if ratio > 1 else 9)
    # nine charts, four standard errors: by chance in one of 1700 tests
    assert (abs(found["found"] - found["computed"]) < 4 * found["error"]).all()


def test_an_estimated_baseline_alarms_no_more_often_than_designed(sim):
    found = sim.false_alarms(8, repeats=60, run_length=30.0).set_index("chart")
    assert len(found) == 10
    assert (abs(found["found"] - found["designed"]) < 4.5 * found["error"]).drop("all").all()


@pytest.mark.slow
def test_steady_devices_give_signs_as_rarely_as_designed(sim):
    found = sim.whole_devices(60)
    assert (found["found"] <= found["designed"] + 3 * found["error"]).all()
