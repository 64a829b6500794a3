"""Random terms: their matrices, and those that cannot be told apart."""

import numpy as np
import pandas as pd
import pytest

from accstudy.errors import InputError
from accstudy.models import fit_mixed
from accstudy.models.grouping import DIRECTION, groupings
from accstudy.models.responses import model_frame


def triangle(scans=2):
    """Every pair of three implants, scans times."""
    place = {"I1": [0.0, 0, 0], "I2": [3.0, 0, 0], "I3": [0.0, 4, 0]}
    rows = []
    for scan in range(scans):
        for a, b in (("I1", "I2"), ("I1", "I3"), ("I2", "I3")):
            u = np.subtract(place[b], place[a]) / np.linalg.norm(np.subtract(place[b], place[a]))
            rows.append((f"s{scan}", "M", a, b, *u))
    return pd.DataFrame(rows, columns=["scan", "model", "implant_a", "implant_b", *DIRECTION])


def matrix(frame, name):
    found, _ = groupings([name], frame, np.ones((len(frame), 1)) / np.sqrt(len(frame)))
    return found[0].z.toarray(), found[0].labels


def test_a_pair_holds_its_direction_at_its_second_implant_and_the_opposite_at_its_first():
    z, labels = matrix(triangle(), "implants")
    assert labels[:4] == ("M:I1 x", "M:I1 y", "M:I1 z", "M:I2 x")
    np.testing.assert_allclose(z[0], [-1, 0, 0, 1, 0, 0, 0, 0, 0])
    np.testing.assert_allclose(z[2], [0, 0, 0, 0.6, -0.8, 0, -0.6, 0.8, 0])
    errors = np.random.default_rng(1).normal(size=(3, 3))
    seen = (errors[2] - errors[1]) @ [-0.6, 0.8, 0]
    assert z[2] @ errors.ravel() == pytest.approx(seen)


def test_implants_within_scans_have_effects_of_their_own():
    z, labels = matrix(triangle(scans=4), "implants:scan")
    assert len(labels) == 4 * 9
    assert "M:I3:s1 z" in labels
    assert not (z[:3].any(axis=0) & z[3:].any(axis=0)).any()


def test_without_directions_both_implants_of_a_pair_count_alike():
    z, labels = matrix(triangle().drop(columns=list(DIRECTION)), "implants")
    assert labels == ("M:I1", "M:I2", "M:I3")
    np.testing.assert_array_equal(z[:3], [[1, 1, 0], [1, 0, 1], [0, 1, 1]])


def test_the_spread_of_shared_implants_is_recovered(pairs):
    tables = [pairs(seed=s, models=(6, 6, 5), implant_um=15.0, pair_um=0.0) for s in range(6)]
    found = []
    for table in tables:
        _, frame, _ = model_frame("pair.distance_um", table, table, alignment="")
        fit = fit_mixed("distance_um ~ technique", ["implants", "pair", "scan"], frame)
        found.append(fit.sds["implants"] ** 2)
    assert np.sqrt(np.mean(found)) == pytest.approx(15.0, rel=0.2)  # 17 implants, 6 studies


def test_slopes_by_implants_are_refused(pairs):
    with pytest.raises(InputError, match="slopes by implants"):
        fit_mixed("distance_um ~ technique", ["path_mm | implants"], pairs(repeats=2))


@pytest.mark.parametrize("random", ["a:", "x |", "| a", "a/", "/a"])
def test_a_term_that_cannot_be_read_is_refused(random):
    frame = pd.DataFrame({"y": [1.0, 2, 3, 5], "a": list("uuvv"), "x": [1.0, 2, 3, 4]})
    with pytest.raises(InputError, match="random term"):
        fit_mixed("y ~ 1", [random], frame)


def test_levels_that_only_read_alike_stay_apart():
    frame = pd.DataFrame({"a": ["x:1", "x", "x:1", "x"] * 3, "b": ["2", "1:2", "2", "1:2"] * 3})
    frame["y"] = np.arange(12.0) % 5
    fit = fit_mixed("y ~ 1", ["a:b"], frame)
    assert len(fit.groups[0].labels) == 2


def test_pairs_of_implants_whose_names_hold_the_sign_stay_apart(pairs):
    table = pairs(repeats=2, models=(4,))
    table[["implant_a", "implant_b"]] = [("1-2", "3"), ("1", "2-3")] * (len(table) // 2)
    _, frame, _ = model_frame("pair.distance_um", table, table, alignment="")
    assert frame["pair"].nunique() == 2


def test_a_covariate_without_spread_has_no_random_slopes():
    frame = pd.DataFrame({"y": [1.0, 2, 3, 5, 4, 1], "a": list("uuvvww"), "x": 2.0})
    fit = fit_mixed("y ~ 1", ["a", "x | a"], frame)
    assert [f.code for f in fit.findings if "x | a" in f.what] == ["random-empty"]


def test_levels_may_have_variances_of_their_own():
    # Two separate studies in one fit: each component is that of its half alone.
    rng = np.random.default_rng(3)
    frame = pd.DataFrame(
        {"t": np.repeat(["u", "v"], 60), "g": np.repeat(np.arange(24), 5).astype(str)}
    )
    spread = np.where(np.arange(24) < 12, 1.0, 6.0)
    frame["y"] = (rng.normal(size=24) * spread)[frame["g"].astype(int)] + rng.normal(size=120)
    both = fit_mixed("y ~ t", ["g by t"], frame, residual_sd_by="t")
    for level in "uv":
        alone = fit_mixed("y ~ 1", ["g"], frame[frame["t"] == level])
        assert both.sds[f"g[{level}]"] == pytest.approx(alone.sds["g"], rel=1e-6)
        assert both.sds[f"residual[{level}]"] == pytest.approx(alone.sds["residual"], rel=1e-6)


def test_a_factor_with_one_level_leaves_one_variance():
    frame = pd.DataFrame({"t": "u", "g": np.repeat(list("abcd"), 3)})
    frame["y"] = np.random.default_rng(1).normal(size=12)
    assert fit_mixed("y ~ 1", ["g by t"], frame).random == ("g",)
