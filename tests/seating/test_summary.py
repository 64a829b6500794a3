"""Misfits over repeats, where they come from, what the reference adds, and the picture's table."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from accstudy.geometry.rigid import unit
from accstudy.seating.contributions import (
    gap_contributions,
    main_origin,
    reference_uncertainty,
    with_origins,
)
from accstudy.seating.summary import scan_misfits, seat_summary
from accstudy.seating.table import seating_table

ARCH = np.array(
    [[-22, 0, 0], [-16, 14, 1], [-6, 21, 0.5], [6, 21, 0], [16, 14, 1], [22, 0, 0]], float
)
AXES = np.tile([0.0, 0.0, 1.0], (6, 1))
NAMES = [f"I{i}" for i in range(1, 7)]


def implants_of(centres=ARCH, axes=AXES):
    table = pd.DataFrame({"model": "M", "implant": NAMES[: len(centres)], "angulation_deg": 0.0})
    table[["x_mm", "y_mm", "z_mm"]] = centres
    table[["axis_x", "axis_y", "axis_z"]] = axes
    return table


def poses_of(centres, axes=AXES, scan="s1"):
    table = implants_of(centres, axes).drop(columns="angulation_deg").assign(status="ok")
    table.insert(0, "scan", scan)
    return table


def misfits_of(values, cells=None, status="ok", seated="best-seat", interference=0.0):
    """Table seating_scans with given misfits."""
    return pd.DataFrame(
        {
            "scan": [f"s{i}" for i in range(len(values))],
            "model": "M",
            "condition": "A",
            "cell": ["c"] * len(values) if cells is None else cells,
            "seated": seated,
            "tightened": "best-seat" if seated == "best-seat" else "I1",
            "implant": "I1",
            "misfit_um": values,
            "interference_um": interference,
            "n_seats": 6,
            "span_mm": 44.0,
            "angulation_deg": 20.0,
            "status": status,
        }
    )


def test_a_scan_is_judged_by_the_worse_end_and_by_interference_too():
    rng = np.random.default_rng(1)
    poses = pd.concat(
        [poses_of(ARCH + rng.normal(0, 0.04, ARCH.shape), scan=f"s{i}") for i in range(5)]
    )
    table = seating_table(poses, implants_of())
    found = scan_misfits(table, implants_of())
    assert found["seated"].tolist() == ["terminal-screw", "best-seat"] * 5
    for scan, mine in table.groupby("scan"):
        ends = mine[mine["tightened"].isin(["I1", "I6"])]
        expected = max(ends["gap_max_um"].max(), -ends["gap_min_um"].min())
        row = found[(found["scan"] == scan) & (found["seated"] == "terminal-screw")].iloc[0]
        assert row["misfit_um"] == pytest.approx(expected)
        assert row["tightened"] in ("I1", "I6")
        assert row["interference_um"] == pytest.approx(max(0.0, -ends["gap_min_um"].min()))
    best = found[found["seated"] == "best-seat"]
    assert (best["interference_um"] == 0.0).all()
    assert best["misfit_um"].tolist() == pytest.approx(
        table.drop_duplicates("scan")["best_seat_um"].tolist(), abs=1e-9
    )
    assert found["span_mm"].tolist() == pytest.approx([44.0] * 10)
    assert set(found["n_seats"]) == {6}


def test_one_screw_is_described_without_a_verdict():
    pressed = [0.0] * 4 + [12.0] * 8
    values = misfits_of([30.0] * 12, seated="terminal-screw", interference=pressed)
    row = seat_summary(values, limit_um=150, source="x").iloc[0]
    assert row["verdict"] == ""
    assert np.isnan(row["tolerance_bound_um"])
    assert (row["n_within"], row["n_interference"], row["max_interference_um"]) == (12, 8, 12.0)
    # Clopper and Pearson through the beta distribution (exact definition)
    assert row["share_interference_low"] == pytest.approx(stats.beta.ppf(0.025, 8, 5), rel=1e-6)
    assert row["share_interference_high"] == pytest.approx(stats.beta.ppf(0.975, 9, 4), rel=1e-6)
    wide = seat_summary(values, limit_um=150, confidence=0.99).iloc[0]
    assert wide["share_within_low"] < row["share_within_low"]


def test_share_within_has_the_exact_binomial_interval():
    values = [100.0] * 22 + [200.0] * 3
    row = seat_summary(misfits_of(values), limit_um=150, source="x").iloc[0]
    assert (row["n_within"], row["n_scans"]) == (22, 25)
    # Clopper and Pearson through the beta distribution (exact definition)
    assert row["share_within_low"] == pytest.approx(stats.beta.ppf(0.025, 22, 4), rel=1e-6)
    assert row["share_within_high"] == pytest.approx(stats.beta.ppf(0.975, 23, 3), rel=1e-6)
    assert row["max_um"] == 200


def test_the_bound_of_one_cell_is_the_one_sided_tolerance_bound_of_the_logarithms():
    values = np.exp(np.random.default_rng(2).normal(4, 0.3, 20))
    row = seat_summary(misfits_of(values)).iloc[0]
    logs = np.log(values)
    k = stats.nct.ppf(0.95, 19, stats.norm.ppf(0.95) * np.sqrt(20)) / np.sqrt(20)
    expected = np.exp(logs.mean() + k * logs.std(ddof=1))
    assert expected > values.max()
    assert row["tolerance_bound_um"] == pytest.approx(expected, rel=0.01)
    assert "one cell" in row["note"]
    assert row["verdict"] == ""


def test_scatter_between_cells_raises_the_bound():
    rng = np.random.default_rng(3)
    logs = np.repeat(rng.normal(4, 0.3, 5), 4) + rng.normal(0, 0.05, 20)
    cells = np.repeat(list("abcde"), 4)
    kept = seat_summary(misfits_of(np.exp(logs), cells)).iloc[0]
    ignored = seat_summary(misfits_of(np.exp(logs))).iloc[0]
    assert kept["tolerance_bound_um"] > 1.2 * ignored["tolerance_bound_um"]


@pytest.mark.parametrize(
    ("limit_um", "verdict"),
    [
        (300, "conformity verified"),
        (105, "conformity not verified"),
        (70, "nonconformity verified"),
    ],
)
def test_the_three_verdicts(limit_um, verdict):
    values = np.exp(np.random.default_rng(4).normal(np.log(90), 0.1, 30))
    u = pd.DataFrame({"condition": ["A"], "model": ["M"], "seated": ["best-seat"], "u_um": [1.0]})
    row = seat_summary(misfits_of(values), limit_um=limit_um, source="x", reference_u=u).iloc[0]
    assert row["verdict"] == verdict
    unstated = seat_summary(misfits_of(values), limit_um=limit_um, source="x").iloc[0]
    assert unstated["verdict"] == ""
    assert "not stated" in unstated["note"]


def test_the_uncertainty_of_the_reference_guards_the_limit():
    values = np.exp(np.random.default_rng(4).normal(np.log(90), 0.1, 30))
    bare = seat_summary(misfits_of(values), limit_um=200, source="x").iloc[0]
    limit = float(bare["tolerance_bound_um"]) + 5.0
    u = pd.DataFrame({"condition": ["A"], "model": ["M"], "seated": ["best-seat"]})
    small = seat_summary(misfits_of(values), limit_um=limit, reference_u=u.assign(u_um=3.0)).iloc[0]
    large = seat_summary(misfits_of(values), limit_um=limit, reference_u=u.assign(u_um=3.1)).iloc[0]
    assert small["verdict"] == "conformity verified"  # guard 1.645 u: 4.93 and 5.10 um
    assert large["verdict"] == "conformity not verified"


def test_frameworks_that_do_not_seat_count_against_the_condition():
    values = [50.0] * 9 + [np.nan]
    status = ["ok"] * 9 + ["infeasible"]
    row = seat_summary(misfits_of(values, status=status), limit_um=150, source="x").iloc[0]
    assert (row["n_within"], row["n_scans"], row["n_infeasible"]) == (9, 10, 1)
    assert np.isnan(row["tolerance_bound_um"])
    assert row["verdict"] == "conformity not verified"


def test_nothing_computed_is_no_crash():
    row = seat_summary(misfits_of([np.nan] * 3, status="not computed"), limit_um=150).iloc[0]
    assert row["n_scans"] == 0
    assert row["verdict"] == "conformity not verified"


def test_the_gap_is_traced_to_the_implant_that_is_tilted():
    axes = AXES.copy()
    axes[1] = [np.sin(np.radians(1.0)), 0, np.cos(np.radians(1.0))]
    found = gap_contributions(poses_of(ARCH, axes), implants_of())
    best = found[found["seated"] == "best-seat"]
    whole = best[best["part"] == "whole"].set_index("implant")["contribution_um"]
    # alone in error: 2 x radius x sin(1 deg) at most, and nothing once it is put right
    assert best["misfit_um"].iloc[0] <= 4000 * np.sin(np.radians(1.0)) + 0.1
    assert whole["I2"] == pytest.approx(best["misfit_um"].iloc[0], abs=0.1)
    assert whole.drop("I2").abs().max() < 0.5 * whole["I2"]
    tilt = best[(best["part"] == "tilt") & (best["implant"] == "I2")]["contribution_um"].iloc[0]
    assert tilt == pytest.approx(whole["I2"], abs=0.1)
    assert main_origin(best)[:2] == ("I2", "tilt")


def test_implants_that_share_the_largest_gap_are_told_as_a_tie():
    centres = np.array([[0, 0, 0], [20, 0, 0]], float)
    lean = np.radians(0.5)
    axes = np.array([[np.sin(lean), 0, np.cos(lean)], [-np.sin(lean), 0, np.cos(lean)]])
    upright = implants_of(centres, np.tile([0.0, 0.0, 1.0], (2, 1)))
    poses = poses_of(centres, axes)
    # mirror images of each other: both show the same gap whatever is tightened
    rows = scan_misfits(seating_table(poses, upright), upright).set_index("seated")
    best = rows.loc["best-seat"]
    assert (best["implant"], best["n_worst"]) == ("I1", 2)
    one = rows.loc["terminal-screw"]
    assert (one["tightened"], one["implant"], one["n_worst"]) == ("I1", "I2", 1)
    parts = gap_contributions(poses, upright)
    assert set(parts.loc[parts["seated"] == "best-seat", "n_worst"]) == {2}
    assert set(parts.loc[parts["seated"] == "terminal-screw", "tightened"]) == {"I1"}


def test_the_gap_is_traced_to_the_tightened_implant():
    axes = AXES.copy()
    axes[0] = [np.sin(np.radians(0.5)), 0, np.cos(np.radians(0.5))]
    found = gap_contributions(poses_of(ARCH, axes), implants_of())
    one = found[found["seated"] == "terminal-screw"]
    assert set(one["tightened"]) == {"I1"}
    assert set(one["worst_implant"]) == {"I6"}
    assert set(one["misfit_um"].round()) == {401.0}  # 44 mm and the rim's 2 mm x sin(0.5 deg)
    assert main_origin(one)[:2] == ("I1", "tilt")
    misfits = pd.DataFrame({"scan": ["s1", "s2"], "seated": "terminal-screw"})
    misfits["scan"] = [one["scan"].iloc[0], "another"]
    told = with_origins(misfits, found)
    assert told["origin"].tolist() == ["I1", ""]
    assert told["origin_part"].tolist() == ["tilt", ""]
    assert told["without_um"].iloc[0] == pytest.approx(main_origin(one).without_um)


def test_a_height_error_is_called_height():
    centres = ARCH.copy()
    centres[3, 2] += 0.1
    best = gap_contributions(poses_of(centres), implants_of())
    best = best[best["seated"] == "best-seat"]
    origin = main_origin(best)
    assert origin[:2] == ("I4", "height")
    assert origin.without_um == pytest.approx(0, abs=0.5)
    sideways = best[(best["part"] == "sideways") & (best["implant"] == "I4")]
    assert sideways["contribution_um"].abs().iloc[0] < 0.1


def test_contributions_agree_with_the_table_and_take_two_implants():
    rng = np.random.default_rng(5)
    poses = pd.concat(
        [
            poses_of(
                ARCH + rng.normal(0, 0.04, ARCH.shape),
                unit(AXES + rng.normal(0, 0.005, ARCH.shape)),
                scan=f"s{i}",
            )
            for i in range(4)
        ]
    )
    factors = pd.DataFrame({"scan": [f"s{i}" for i in range(4)], "condition": "A"})
    found = gap_contributions(poses, implants_of(), factors=factors)
    misfits = scan_misfits(seating_table(poses, implants_of()), implants_of())
    each = found.drop_duplicates(["scan", "seated"]).set_index(["scan", "seated"])["misfit_um"]
    table = misfits.set_index(["scan", "seated"])["misfit_um"].loc[each.index]
    assert each.to_numpy() == pytest.approx(table.to_numpy(), abs=0.1)
    assert set(found["condition"]) == {"A"}
    two = gap_contributions(poses[poses["implant"].isin(["I1", "I6"])], implants_of())
    assert two["contribution_um"].notna().all()


def test_reference_uncertainty_of_the_far_gap_has_its_closed_form():
    implants = implants_of(ARCH[[0, 5]], AXES[:2])
    implants["u_position_um"], implants["u_axis_deg"] = 2.0, 0.01
    # a scan far out of true, so that the worse end and its sign are certain
    seen = ARCH[[0, 5]] + [[0, 0, 0], [0, 0, 0.3]]
    factors = pd.DataFrame({"scan": ["s1"], "condition": ["A"]})
    found = reference_uncertainty(
        poses_of(seen, AXES[:2]), implants, factors, platform_radius_mm=0.001, draws=4000
    ).set_index("seated")["u_um"]
    lever = 44_000 * np.radians(0.01)
    one_end = np.sqrt(2 * 2.0**2 + lever**2)  # JCGM 100, 5.1.2; the worse of two ends varies less
    assert 0.6 * one_end < found["terminal-screw"] < 1.05 * one_end
    implants = implants.drop(columns=["u_position_um", "u_axis_deg"])
    assert reference_uncertainty(poses_of(seen, AXES[:2]), implants, factors).empty


def test_scans_do_not_average_the_reference_away():
    rng = np.random.default_rng(6)
    implants = implants_of()
    implants["u_position_um"], implants["u_axis_deg"] = 5.0, 0.02
    poses = pd.concat(
        [poses_of(ARCH + rng.normal(0, 0.04, ARCH.shape), scan=f"s{i}") for i in range(20)]
    )
    factors = pd.DataFrame({"scan": [f"s{i}" for i in range(20)], "condition": "A"})
    many = reference_uncertainty(poses, implants, factors).set_index("seated")["u_um"]
    assert many["best-seat"] > 1.0


def runs_of(off):
    """Deviations (um) of platforms in every run, axes as in all."""
    runs, n, _ = off.shape
    moved = off - off.mean(axis=0)
    return pd.DataFrame(
        {
            "run": np.repeat([f"r{k}" for k in range(runs)], n),
            "implant": np.tile([f"I{i + 1}" for i in range(n)], runs),
            **{f"d{c}_um": moved[:, :, j].ravel() for j, c in enumerate("xyz")},
            **dict.fromkeys(("turn_x_deg", "turn_y_deg", "turn_z_deg"), 0.0),
        }
    )


def test_repeated_runs_enter_the_gaps_with_their_covariance():
    rng = np.random.default_rng(9)
    implants = implants_of().assign(u_position_um=0.0, u_axis_deg=0.0)
    poses = poses_of(ARCH + rng.normal(0, 0.04, ARCH.shape))
    factors = pd.DataFrame({"scan": ["s1"], "condition": ["A"]})

    def u(off=None, **known):
        found = reference_uncertainty(
            poses, implants.assign(**known), factors, runs=None if off is None else runs_of(off)
        )
        return found.set_index("seated")["u_um"]

    # runs that only lie elsewhere say nothing of the gaps, however far
    together = np.repeat(rng.normal(0, 20, (5, 1, 3)), len(ARCH), axis=1)
    assert u(together).max() < 0.1
    assert u(u_position_um=20.0).min() > 5
    # independent errors act as such: 300 runs are known as the normal distribution that they are
    independent = rng.normal(0, 3 * np.sqrt(300), (300, len(ARCH), 3))
    assert u(independent).to_numpy() == pytest.approx(u(u_position_um=3.0).to_numpy(), rel=0.15)
    # three runs are widened (JCGM 101:2008, 6.4.9.4): the same scatter counts 2.2 times as much
    few = np.repeat(np.array([-1.0, 0.0, 1.0])[:, None, None], len(ARCH), axis=1)
    few = few * rng.normal(0, 1, (1, len(ARCH), 3))
    many = np.tile(few, (100, 1, 1)) * np.sqrt(100)
    ratio = (u(few) / u(many)).to_numpy()
    # three runs and 300 with the same variance: s differs by sqrt(3/2), of_mean by t
    assert ratio == pytest.approx(np.sqrt(3 / 2) * 4.303 / 1.960, rel=0.1)
