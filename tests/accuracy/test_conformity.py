"""Tolerance bounds, verdicts and supported spans."""

import math

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from scipy.special import ndtr, ndtri

from accstudy.accuracy import conformity
from accstudy.accuracy import judge as c
from accstudy.accuracy.bounds import (
    Grouping,
    absolute_quantile,
    nonparametric_n,
    nonparametric_order,
    normal_bounds,
)
from accstudy.accuracy.conformity import LimitOf, conformity_tables
from accstudy.accuracy.judge import verdict
from accstudy.accuracy.measurands import samples
from accstudy.selftest.published import table
from accstudy.tables import TABLES


def test_samples_that_need_no_distribution():
    # computed; 59 is the classic number (Wilks 1941)
    for row in table("iso5725", "tolerance_nonparametric_n").itertuples():
        args = row.coverage, row.confidence
        assert nonparametric_n(*args) == row.n_one_sided
        assert nonparametric_order(row.n_one_sided, *args) == row.n_one_sided
        assert nonparametric_order(row.n_one_sided - 1, *args) == 0


def test_absolute_quantile_covers_both_tails():
    for shift in (0.0, 0.3, -1.0, 4.0, 9.0):
        q = float(absolute_quantile(shift, 0.9))
        assert ndtr(q - abs(shift)) - ndtr(-q - abs(shift)) == pytest.approx(0.9, abs=1e-9)


def one_cell(n):
    return Grouping(np.zeros(n, int))


def test_one_sided_bound_of_one_cell_is_the_exact_one():
    rng = np.random.default_rng(0)
    for n in (4, 10, 30):
        x = rng.normal(5, 2, n)
        found, _ = normal_bounds(x[:, None], one_cell(n), kind="upper")
        # non-central t: the exact one-sided factor of a normal sample (ISO 16269-6:2014)
        factor = stats.nct.ppf(0.95, n - 1, ndtri(0.95) * math.sqrt(n)) / math.sqrt(n)
        exact = x.mean() + factor * x.std(ddof=1)
        assert found[0] == pytest.approx(exact, rel=0.01)


def test_a_bound_of_a_biased_device_is_that_of_its_side():
    rng = np.random.default_rng(0)
    x = rng.normal(100, 2, 20)[:, None]
    (absolute, upper), _ = zip(
        *(normal_bounds(x, one_cell(20), kind=k) for k in ("absolute", "upper")), strict=True
    )
    assert absolute == pytest.approx(upper, rel=1e-6)
    mirrored, _ = normal_bounds(-x, one_cell(20))
    assert mirrored == pytest.approx(absolute, rel=0.005)


@pytest.mark.parametrize("mean", [0.0, 1.5])
@pytest.mark.parametrize(("sizes", "share"), [((8,), 0.0), ((4, 4, 4), 0.6), ((2, 3, 8), 0.6)])
def test_bounds_hold_their_confidence(mean, sizes, share):
    rng = np.random.default_rng(21)
    g, n = 400, sum(sizes)
    cell = np.repeat(np.arange(len(sizes)), sizes)
    x = mean + rng.normal(0, math.sqrt(share), (g, len(sizes)))[:, cell]
    x = x + rng.normal(0, math.sqrt(1 - share), (g, n))
    bound, _ = normal_bounds(x.T, Grouping(cell))
    covered = ndtr(bound - mean) - ndtr(-bound - mean)
    assert (covered >= 0.95).mean() >= 0.95 - 3 * math.sqrt(0.95 * 0.05 / g)


def test_degenerate_bounds():
    seen = np.array([[3.0, -7.0], [np.nan, -7.0], [np.nan, -7.0]])
    found = np.array(normal_bounds(seen, one_cell(3)))
    assert np.isnan(found).all(axis=0).tolist() == [True, False]
    assert found[:, 1] == pytest.approx([7.0, 7.0])


def test_words_are_those_of_the_standard_and_guarded():
    assert verdict(90, 50, 100, 11) == c.NOT_VERIFIED
    assert verdict(89, 50, 100, 11) == c.VERIFIED
    assert verdict(300, 105, 100, 6) == c.NOT_VERIFIED
    assert verdict(300, 107, 100, 6) == c.REFUTED
    assert verdict(math.nan, math.nan, 100) == c.NOT_VERIFIED


def curve_of(lengths, reach):
    return pd.DataFrame({"against": "span_mm", "length_mm": lengths, "reach_each_um": reach})


def test_the_supported_span_stops_at_the_first_pair_beyond():
    curve = curve_of([8.0, 12.0, 20.0, 30.0], [40.0, 60.0, 90.0, np.nan])
    assert conformity.supported(curve, 95) == 20.0
    assert conformity.supported(curve, 70) == 12.0
    assert math.isnan(conformity.supported(curve, 30))
    # two pairs of one span, one of them beyond: the span is not supported
    assert math.isnan(conformity.supported(curve_of([8.0, 8.0, 9.0], [40.0, 80.0, 80.0]), 50))


LIMITS = [LimitOf("distance_um", 300.0, "the clinic"), LimitOf("angle_deg", 4.0, "the clinic")]
STATED = {"distance_um": 2.0, "angle_deg": 0.01}


def test_conformity_of_a_good_and_of_a_bad_device(study):
    pairs, _ = study
    bad = pairs["condition"] == "device B"
    pairs = pairs.assign(distance_um=pairs["distance_um"] + np.where(bad, 30 * pairs["span_mm"], 0))
    held = conformity_tables(pairs, limits=LIMITS, reference_u=STATED)
    found = held.conformity
    assert found.columns.tolist() == TABLES["conformity"].names
    assert len(found) == 2 * 2 * 2
    said = found.set_index(["condition", "measurand", "scope"])["verdict"].sort_index()
    assert (said["device A"] == c.VERIFIED).all()
    assert (said["device B", "distance_um"] == c.REFUTED).all()
    spans_b = held.supported_spans.query("condition == 'device B' and level_um == 50")
    assert spans_b["supported_span_mm"].isna().all()


def test_without_a_stated_uncertainty_there_are_bounds_and_no_verdict(study):
    pairs, _ = study
    held = conformity_tables(pairs, limits=LIMITS, reference_u={"distance_um": 2.0})
    said = held.conformity.set_index("measurand")
    assert (said.loc["angle_deg", "verdict"] == "").all()
    assert said.loc["angle_deg", "tolerance_bound"].notna().all()
    assert said.loc["angle_deg", "note"].str.contains("not stated").all()
    assert (said.loc["distance_um", "verdict"] == c.VERIFIED).all()
    none = conformity_tables(pairs, limits=LIMITS)
    assert (none.conformity["verdict"] == "").all()
    assert none.supported_spans["supported_span_mm"].isna().all()


def test_an_angle_that_cannot_decrease_is_said(study):
    # an angle between axes is never negative: its deviation ends at minus the divergence
    pairs, _ = study
    parallel = pairs.assign(divergence_deg=0.05, angle_deg=pairs["angle_deg"].clip(lower=-0.05))
    limits = [LimitOf("angle_deg", 4.0, "the clinic"), LimitOf("distance_um", 300.0, "the clinic")]
    for given, told in ((parallel, True), (pairs, False)):
        found = conformity_tables(given, limits=limits, reference_u=STATED).conformity
        noted = found["note"].str.contains("nearly parallel")
        assert (noted == (told & (found["measurand"] == "angle_deg"))).all()
    (one, _) = samples(parallel, "angle_deg")
    assert one.pairs["lowest"].tolist() == [-0.05] * 15


def test_too_few_scans_get_the_number_that_would_do(study):
    pairs, _ = study
    few = pairs[pairs["scan"].isin(["A000", "A001", "A100", "A101"])]
    for value in (60.0, 80.0):
        found = conformity_tables(
            few, limits=[LimitOf("distance_um", value, "x")], reference_u=STATED
        ).conformity
        assert (found["verdict"] == c.NOT_VERIFIED).all()
    one = conformity_tables(pairs.head(15), limits=LIMITS, reference_u=STATED).conformity
    assert (one["verdict"] == c.NOT_VERIFIED).all()
    assert one["note"].str.contains("one scan").all()
    assert one["tolerance_bound"].isna().all()


def test_all_pairs_are_never_better_than_a_pair(study):
    pairs, _ = study
    # cells lie on both sides of zero: sizes scatter little, the values of a pair much
    cells = {cell: (-1) ** i for i, cell in enumerate(sorted(set(pairs["cell"])))}
    noise = np.random.default_rng(4).normal(0, 1, len(pairs))
    pairs = pairs.assign(distance_um=20.0 * pairs["cell"].map(cells) + noise)
    rank = [c.VERIFIED, c.NOT_VERIFIED, c.REFUTED]
    for value in (5.0, 15.0, 23.0, 30.0, 60.0, 500.0):
        held = conformity_tables(
            pairs, limits=[LimitOf("distance_um", value, "x")], reference_u=STATED
        )
        for _, rows in held.conformity.groupby("condition"):
            each, whole = rows.set_index("scope").loc[["each pair", "all pairs"]].itertuples()
            assert whole.tolerance_bound >= each.tolerance_bound
            assert rank.index(whole.verdict) >= rank.index(each.verdict)
            # the supported span is that of the verdict it stands beside
            spans_of = held.supported_spans
            spans_of = spans_of[spans_of["condition"] == rows["condition"].iloc[0]]
            at = spans_of[spans_of["level_um"] == value].set_index("scope")
            for row in (each, whole):
                every = (
                    at.loc[row.Index, "supported_span_mm"] == at.loc[row.Index, "longest_span_mm"]
                )
                assert every == (row.verdict == c.VERIFIED)


def test_the_curve_rises_and_holds_both_axes(study):
    pairs, _ = study
    curve = conformity_tables(pairs, limits=[], reference_u=STATED).span_curve
    assert len(curve) == 2 * 2 * 15
    for _, own in curve.groupby(["condition", "against"]):
        assert own["length_mm"].is_monotonic_increasing
        assert own["reach_each_um"].is_monotonic_increasing
        assert own["reach_all_um"].is_monotonic_increasing
        assert (own["reach_all_um"] >= own["reach_each_um"] - 1e-9).all()
        assert (own["reach_each_um"] >= own["bound_um"] + 3.28).all()
        assert (own["largest_um"] <= own["bound_um"]).all()


def test_a_model_with_one_pair_has_the_bound_of_that_pair(study):
    # the logarithm of one deviation that may be near zero would give bounds of metres
    pairs, _ = study
    only = pairs[(pairs["implant_a"] == "I1") & (pairs["implant_b"] == "I2")]
    found = conformity_tables(only, limits=LIMITS[:1], reference_u=STATED).conformity
    for _, rows in found.groupby("condition"):
        assert len(set(rows["tolerance_bound"])) == 1
        assert len(set(rows["verdict"])) == 1
