import numpy as np
import pandas as pd
import pytest

from accstudy.compare.arch import arch_of, arch_order
from accstudy.simulate.arch import reference_model
from accstudy.tables import shape

UP = np.array([0.0, 0.0, 1.0])
TAPERED = [(-22, 0), (0, 41), (22, 0)]
SQUARE = [(-10, 0), (-10, 20), (10, 20), (10, 0)]


def in_any_frame(points, count=20):
    """The same points turned, moved and rounded to 0.1 um, and where their axis went."""
    flat = np.column_stack([np.array(points, float), np.zeros(len(points))])
    for seed in range(count):
        rng = np.random.default_rng(seed)
        turn, _ = np.linalg.qr(rng.normal(size=(3, 3)))
        turn *= np.sign(np.linalg.det(turn))
        yield np.round(flat @ turn.T + rng.uniform(-50, 50, 3), 4), turn @ UP


def one_order(points):
    found = {arch_order(p, up) for p, up in in_any_frame(points)}
    assert len(found) == 1, "the frame counts"
    return found.pop()


def test_a_tapered_arch_is_not_cut_across_and_the_doubt_is_told():
    found = one_order(TAPERED)
    assert found.order == (0, 1, 2)
    assert set(found.rivals) == {(0, 2, 1), (1, 0, 2)}


@pytest.mark.parametrize(
    ("points", "order"),
    [
        ([(0, 41), (-22, 0), (22, 0), (-15, 25), (15, 25)], (1, 3, 0, 4, 2)),
        ([(-8, 38), (22, 0), (-22, 0), (8, 38)], (1, 3, 0, 2)),
        ([(-20, 0), (24, 14), (-12, 30), (12, 30), (-24, 14), (20, 0)], (0, 4, 2, 3, 1, 5)),
        ([(0, 0), (20, 0.3), (10, 0), (33, 0)], (0, 2, 1, 3)),
        ([(0, 0), (20, 1), (10, 0)], (0, 2, 1)),
    ],
)
def test_clear_arches_are_followed_whatever_the_rows(points, order):
    found = one_order(points)
    assert found.order == order
    assert found.rivals == ()


def test_a_square_is_taken_in_the_order_of_the_table_and_told():
    assert one_order(SQUARE).order == (0, 1, 2, 3)
    assert len(one_order(SQUARE).rivals) == 3


def test_a_square_in_no_order_is_the_same_in_every_frame():
    assert len(one_order([SQUARE[k] for k in (2, 0, 1, 3)]).rivals) == 3


@pytest.mark.parametrize("n", range(3, 9))
def test_invented_arches_are_found_from_shuffled_rows(n):
    for seed in range(10):
        model = reference_model(n, angulation_deg=25, seed=seed)
        mixed = model.sample(frac=1, random_state=seed)
        order = list(arch_of(mixed).implants)
        names = model["implant"].tolist()
        assert order in (names, names[::-1])


def test_a_stated_order_decides():
    model = reference_model(4, seed=1)
    stated = shape("implants", model.assign(arch_order=[2.0, 4.0, 1.0, 3.0]))
    arch = arch_of(stated)
    assert arch.implants == ("I3", "I1", "I4", "I2")
    assert arch.rivals == ()
    half = shape("implants", model.assign(arch_order=[2.0, np.nan, 1.0, 3.0]))
    assert arch_of(half).implants == arch_of(model).implants


def test_moving_the_reference_changes_no_arch_length():
    flat = pd.DataFrame(
        {"model": "M", "implant": ["I1", "I2", "I3"], "x_mm": [-22.0, 0.0, 22.0],
         "y_mm": [0.0, 41.0, 0.0], "z_mm": 0.0, "axis_x": 0.0, "axis_y": 0.0, "axis_z": 1.0}
    )  # fmt: skip
    reference = shape("implants", flat)
    assert arch_of(reference).path_mm[1] > 46.0  # along the arch, not across it
