"""Means, contrasts, slopes, equivalence, bootstrap, checks."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests

from accstudy.errors import InputError
from accstudy.models import ModelSpec, fit_mixed, model_tables
from accstudy.models.checks import leave_out, quantiles, spread_tests
from accstudy.models.decisions import equivalence, holm, log_base
from accstudy.models.inference import cell_rows, component_tests, sd_limits
from accstudy.models.means import contrasts, marginal_means, slopes
from accstudy.models.results import bootstrap_tests, spec_fit
from accstudy.selftest.published import case


@pytest.fixture(scope="module")
def frame():
    rng = np.random.default_rng(11)
    rows = [(s, t, d, r) for s in range(14) for t in "AB" for d in "pq" for r in range(2)]
    out = pd.DataFrame(rows, columns=["scan", "technique", "device", "r"])
    out["scan"] = out["scan"].astype(str)
    out["angle_deg"] = rng.uniform(0, 30, len(out))
    b = out["technique"] == "B"
    shift = rng.normal(0, 3, 14)[out["scan"].astype(int)]
    out["y_um"] = 50 + shift + rng.normal(0, 2, len(out)) + 4.0 * b + 0.5 * out["angle_deg"] * b
    return out.drop(index=[0, 3, 17, 40])


@pytest.fixture(scope="module")
def fit(frame):
    return fit_mixed("y_um ~ technique * angle_deg + device", ["scan"], frame)


def test_means_average_the_other_factors_equally_and_say_where_covariates_are_held(fit):
    means = marginal_means(fit, "technique", at={"angle_deg": 10})
    b = dict(zip(fit.design.names, fit.beta, strict=True))
    a = b["(Intercept)"] + 10 * b["angle_deg"] + b["device[q]"] / 2
    assert means["estimate"][0] == pytest.approx(a)
    assert means["estimate"][1] == pytest.approx(
        a + b["technique[B]"] + 10 * b["technique[B]:angle_deg"]
        if "technique[B]:angle_deg" in b
        else a + b["technique[B]"] + 10 * b["technique:angle_deg"]
    )
    low, high = (marginal_means(fit, "technique", at={"angle_deg": v}) for v in (0.0, 20.0))
    assert means["estimate"].to_numpy() == pytest.approx((low["estimate"] + high["estimate"]) / 2)
    assert low["estimate"][0] != pytest.approx(means["estimate"][0], abs=1e-3)
    with pytest.raises(InputError, match='did you mean "angle_deg"'):
        marginal_means(fit, "technique", at={"angle": 1})
    with pytest.raises(InputError, match="not a factor"):
        marginal_means(fit, "scan")


def test_the_table_of_covariates_says_where_the_means_are_held(frame):
    pairs = frame.rename(columns={"y_um": "distance_um"}).assign(
        model="M1", condition=frame["technique"], cell="1", implant_a="I1", implant_b="I2"
    )
    held = {(): pairs["angle_deg"].mean(), (("angle_deg", 12.0),): 12.0}
    for at, value in held.items():
        spec = ModelSpec("m", "pair.distance_um", "technique * angle_deg", ("scan",), at=at)
        found = model_tables([spec], pairs, pairs.iloc[:0], limits=False)
        covariates = found.further["covariates"]
        assert covariates["covariate"].tolist() == ["angle_deg"]
        assert covariates["held"].to_numpy() == pytest.approx([value])
        fit, _, _ = spec_fit(spec, pairs, pairs.iloc[:0], alignment="")
        there = marginal_means(fit, "technique", at={"angle_deg": value})
        assert found.means["estimate"].to_numpy() == pytest.approx(there["estimate"], abs=2e-6)


def test_contrasts_are_differences_of_means_with_the_models_own_error(fit):
    means = marginal_means(fit, "technique:device")
    found = contrasts(fit, "technique", by="device")
    assert found["contrast"].tolist() == ["A - B at device p", "A - B at device q"]
    levels = dict(zip(means["level"], means["estimate"], strict=True))
    assert found["estimate"][0] == pytest.approx(levels["A:p"] - levels["B:p"])
    assert found["p_holm"].to_numpy() == pytest.approx(multipletests(found["p"], method="holm")[1])


def test_adjusted_p_values_are_those_of_statsmodels_to_the_last_digit():
    rng = np.random.default_rng(3)
    for n in (1, 2, 3, 28):
        p = np.append(rng.uniform(0, 1, n) ** 3, [0.25, 0.25, 0.0, 1.0])
        assert (holm(p) == multipletests(p, method="holm")[1]).all()
        gaps = np.insert(p, [0, 2], np.nan)
        assert np.array_equal(holm(gaps)[~np.isnan(gaps)], holm(p))
        assert np.array_equal(np.isnan(holm(gaps)), np.isnan(gaps))
    assert holm([]).shape == (0,)
    assert holm([0.3]).tolist() == [0.3]


def test_levels_covariate_and_decisions_have_columns_of_their_own(frame):
    named = frame.replace({"technique": {"A": "A - 1", "B": "B - 2"}})
    fit = fit_mixed("y_um ~ technique * angle_deg + technique:device", ["scan"], named)
    row = contrasts(fit, "technique", by="device").iloc[0]
    assert row["level_a":"covariate"].tolist() == ["A - 1", "B - 2", "device p", ""]
    table = slopes(fit, "angle_deg", factor="technique")
    assert table["level_a"].tolist() == ["A - 1", "B - 2", "A - 1"]
    assert table["level_b"].tolist() == ["", "", "B - 2"]
    assert set(table["covariate"]) == {"angle_deg"}


def test_simultaneous_limits_leave_zero_out_when_bonferronis_test_rejects(frame):
    rng = np.random.default_rng(4)
    wide = pd.concat([frame.assign(technique=frame["technique"] + k) for k in "12"])
    wide["y_um"] += rng.normal(0, 4, len(wide))
    fit = fit_mixed("y_um ~ technique", ["scan"], wide)
    table = contrasts(fit, "technique")
    assert len(table) == 6
    rejected, _, _, _ = multipletests(table["p"], alpha=0.05, method="bonferroni")
    excludes = (table["simultaneous_low"] > 0) | (table["simultaneous_high"] < 0)
    assert excludes.tolist() == rejected.tolist()
    assert 0 < rejected.sum() < 6
    assert (table["simultaneous_low"] < table["low"]).all()
    two = wide[wide["technique"].isin(["A1", "B1"])]
    one = contrasts(fit_mixed("y_um ~ technique", ["scan"], two), "technique").iloc[0]
    assert one["simultaneous_low"] == pytest.approx(one["low"])  # a family of one


def test_without_adjustment_each_contrast_decides_by_its_own_p(frame):
    fit = fit_mixed("y_um ~ technique * device", ["scan"], frame)
    level = 1 - 1.5 * contrasts(fit, "technique", by="device")["p"].max()
    both = {
        a: contrasts(fit, "technique", by="device", confidence=level, adjust=a)
        for a in ("holm", "none")
    }
    assert both["none"]["shown"].tolist() == (both["none"]["p"] < 1 - level).tolist()
    assert both["none"]["p_holm"].tolist() == both["holm"]["p_holm"].tolist()
    assert set(both["none"]["adjust"]) == {"none"}


def test_a_setting_decides_about_adjustment_and_bootstrap(frame):
    pairs = frame.rename(columns={"y_um": "distance_um"}).assign(
        model="M1", condition=frame["technique"], cell="1", implant_a="I1", implant_b="I2"
    )
    spec = ModelSpec("m", "pair.distance_um", "technique + device", ("scan",), adjust="none",
                     bootstrap=19)  # fmt: skip
    found = model_tables([spec], pairs, pairs.iloc[:0], limits=False)
    assert set(found.contrasts["adjust"]) == {"none"}
    assert "not adjusted" in found.contrasts["verdict"].iloc[0]
    table = found.further["bootstrap"]
    assert table["term"].tolist() == ["technique", "device"]
    assert (table["draws"] == 19).all()
    assert table["p"].iloc[0] == pytest.approx(1 / 20)  # a large effect: no draw reaches it
    assert found.further["fits"]["adjust"].tolist() == ["none"]
    plain = ModelSpec("m", "pair.distance_um", "technique", ("scan",))
    assert found.further["bootstrap"]["p"].between(0, 1).all()
    assert model_tables([plain], pairs, pairs.iloc[:0], limits=False).further["bootstrap"].empty


def test_decisions_are_taken_at_the_confidence_of_the_interval(frame):
    fit = fit_mixed("y_um ~ device", ["scan"], frame)
    plain = contrasts(fit, "device").iloc[0]
    p = plain["p_holm"]
    for confidence, shown in ((1 - 1.01 * p, True), (1 - 0.99 * p, False)):
        row = contrasts(fit, "device", confidence=confidence).iloc[0]
        assert row["shown"] == shown == (row["low"] > 0 or row["high"] < 0)
        assert row["confidence"] == confidence
    asked = contrasts(fit, "device", margin=abs(plain["estimate"]) + 2 * plain["se"]).iloc[0]
    for confidence, inside in (
        (1 - 1.01 * asked["p_equivalence"], True),
        (1 - 0.99 * asked["p_equivalence"], False),
    ):
        row = contrasts(fit, "device", confidence=confidence, margin=asked["margin"]).iloc[0]
        ends = (row["equivalence_low"], row["equivalence_high"])
        assert row["equivalent"] == inside == (max(map(abs, ends)) < asked["margin"])
        t = stats.t.ppf(0.5 + row["equivalence_confidence"] / 2, row["df"])  # two-sided
        assert ends[1] - ends[0] == pytest.approx(2 * t * row["se"])
    assert pd.isna(plain["equivalent"])


def test_slopes_differ_where_they_were_made_to(fit):
    table = slopes(fit, "angle_deg", factor="technique").set_index("contrast")
    a, b = table.loc["slope of angle_deg at A"], table.loc["slope of angle_deg at B"]
    assert a["low"] < 0 < a["high"]
    assert b["low"] < 0.5 < b["high"]
    difference = table.loc["slope of angle_deg: A - B"]
    assert difference["estimate"] == pytest.approx(a["estimate"] - b["estimate"])
    assert difference["p_holm"] < 0.001
    mean = slopes(fit, "angle_deg")["estimate"][0]
    assert mean == pytest.approx((a["estimate"] + b["estimate"]) / 2)


def test_ratios_come_back_from_logs(frame):
    fit = fit_mixed("log(y_um) ~ technique", ["scan"], frame)
    row = contrasts(fit, "technique").iloc[0]
    assert row["ratio"] == pytest.approx(np.exp(row["estimate"]))
    tens = fit_mixed("log10(y_um) ~ technique", ["scan"], frame)
    assert contrasts(tens, "technique")["ratio"][0] == pytest.approx(row["ratio"])
    assert log_base("log(a) - log(b)") is None
    assert log_base("y_um") is None


def test_equivalence_is_two_one_sided_tests(frame):
    fit = fit_mixed("y_um ~ technique * angle_deg + device", ["scan"], frame)
    row = contrasts(fit, "device", margin=3.0).iloc[0]
    upper = stats.t.cdf((row["estimate"] - 3.0) / row["se"], row["df"])
    lower = stats.t.sf((row["estimate"] + 3.0) / row["se"], row["df"])
    assert row["p_equivalence"] == pytest.approx(max(upper, lower))
    # Equivalence at 5 % is the same as a 90 % interval within the margin.
    for margin in (0.5, 1.0, 2.0, 4.0):
        row = contrasts(fit, "device", margin=margin, confidence=0.9).iloc[0]
        inside = -margin < row["low"] and row["high"] < margin
        assert (row["p_equivalence"] < 0.05) == inside
    one = contrasts(fit, "device", margin=3.0, one_sided=True).iloc[0]
    assert one["p_equivalence"] == pytest.approx(upper)
    log = fit_mixed("log(y_um) ~ device", ["scan"], frame)
    a = contrasts(log, "device", margin=1.25).iloc[0]
    bound = np.log(1.25)
    expected = equivalence(
        np.array([a["estimate"]]), np.array([a["se"]]), np.array([a["df"]]), -bound, bound
    )
    assert a["p_equivalence"] == pytest.approx(expected[0])
    with pytest.raises(InputError, match="ratio above 1"):
        contrasts(log, "device", margin=0.2)


def test_levels_that_the_data_do_not_determine_have_no_mean(frame):
    empty = frame[~((frame["technique"] == "B") & (frame["device"] == "q"))]
    fit = fit_mixed("y_um ~ technique * device", ["scan"], empty)
    means = marginal_means(fit, "technique:device").set_index("level")["estimate"]
    assert np.isnan(means["B:q"])
    assert np.isfinite(means[["A:p", "A:q", "B:p"]]).all()
    assert np.isnan(contrasts(fit, "technique")["estimate"][0])


def test_below_one_degree_of_freedom_no_limits_are_stated(fit, monkeypatch):
    # Student's t of 0.3 degrees of freedom has a 97.5 % point beyond 10^4 standard errors
    usual = marginal_means(fit, "technique")
    assert usual[["low", "high"]].notna().all(axis=None)
    monkeypatch.setattr(type(fit.inference), "df", lambda self, rows, how: np.full(len(rows), 0.3))
    few = marginal_means(fit, "technique")
    assert few["estimate"].tolist() == usual["estimate"].tolist()
    assert few[["low", "high"]].isna().all(axis=None)


def test_the_boundary_halves_the_p_value_and_the_lower_limit_is_zero_when_it_is_large(frame):
    frame = frame.assign(noise=np.random.default_rng(0).permutation(frame["scan"]))
    fit = fit_mixed("y_um ~ technique * angle_deg", ["scan", "noise"], frame)
    tests = component_tests(fit).set_index("component")
    limits = sd_limits(fit).set_index("component")
    assert tests.loc["scan", "p"] == pytest.approx(tests.loc["scan", "p_naive"] / 2)
    assert limits.loc["scan", "low"] > 0
    assert tests.loc["noise", "p"] > 0.05
    assert limits.loc["noise", "low"] == 0


@pytest.mark.slow
def test_bootstrap_agrees_where_the_f_test_is_exact():
    # F(2, 2) = 21.20, p = 0.0450: machinestwo_worker_machine of the published models.
    c = case("mixed", "machinestwo_worker_machine")
    data = c.frame
    data["Worker"] = data["Worker"].astype(str)
    fit = fit_mixed("score ~ Machine", ["Worker", "Worker:Machine"], data[data["Worker"] < "3"])
    (found,) = bootstrap_tests(fit, 199).itertuples()
    assert found.term == "Machine"
    assert pytest.approx(21.1976894783, rel=1e-6) == found.F
    assert abs(found.p - 0.0450) < 3.5 * np.sqrt(0.045 * 0.955 / 199)


def test_leaving_a_scan_out_is_a_refit_with_the_same_variances(fit, frame):
    rows = np.diff(
        [c.row for c in cell_rows(fit.design, ("technique",), {"angle_deg": 10})], axis=0
    )
    table = leave_out(fit, rows, ["B - A"]).set_index("scan")
    assert len(table) == 14
    variances = fit.sds.to_numpy() ** 2
    used = fit.design.data.reset_index(drop=True)
    for level in ("3", "7"):
        keep = (used["scan"] != level).to_numpy()
        x, y = fit.design.x[keep], fit.design.y[keep]
        labels = used["scan"][keep].to_numpy()
        v = variances[0] * (labels[:, None] == labels) + variances[1] * np.eye(keep.sum())
        vx = np.linalg.solve(v, x)
        beta = np.linalg.solve(x.T @ vx, vx.T @ y)
        change = rows @ (beta - fit.beta)
        assert table.loc[level, "change"] == pytest.approx(change[0], rel=1e-6, abs=1e-9)


def test_normal_data_lie_on_the_line_and_equal_spread_is_not_flagged(fit):
    table = quantiles(fit)
    assert set(table["component"]) == {"scan", "residual"}
    residual = table[table["component"] == "residual"]
    assert np.corrcoef(residual["normal"], residual["value"])[0, 1] > 0.98
    spread = spread_tests(fit).set_index("against")
    assert {"fitted", "angle_deg", "technique", "device"} == set(spread.index)
    assert (spread["p"] > 0.001).all()


def test_spread_that_grows_is_flagged(frame):
    rng = np.random.default_rng(1)
    wild = frame.assign(y_um=frame["y_um"] + rng.normal(0, 1, len(frame)) * frame["angle_deg"])
    fit = fit_mixed("y_um ~ technique + angle_deg", ["scan"], wild)
    assert spread_tests(fit).set_index("against").loc["angle_deg", "p"] < 0.001


def test_holm_multiplies_by_the_number_of_contrasts_left_and_never_decreases():
    assert holm([0.03, 0.01, 0.04]).tolist() == pytest.approx([0.06, 0.03, 0.06])
    assert holm([0.5, 0.9]).tolist() == [1.0, 1.0]
