"""The fixed part: what formulas stand for, where means are held, what data determine."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from accstudy.errors import AccstudyError, InputError
from accstudy.models import ModelSpec, fit_mixed, model_tables
from accstudy.models.checks import fit_findings, spread_tests
from accstudy.models.formula import evaluate, expand
from accstudy.models.means import contrasts, marginal_means, slopes


def layout(n=60, seed=1):
    rng = np.random.default_rng(seed)
    frame = pd.DataFrame({"t": list("abc") * (n // 3), "c": list("uuuvvv") * (n // 6)})
    frame["g"] = rng.integers(0, 8, n).astype(str)
    frame["x"] = rng.uniform(1, 5, n)
    group = rng.normal(size=8)[frame["g"].astype(int)]
    frame["y"] = group + 3 * (frame["t"] == "b") + 2 * frame["x"] ** 2 + rng.normal(size=n)
    return frame


# Wilkinson and Rogers (1973), section 2, in the notation of R's ?formula.
@pytest.mark.parametrize(
    ("text", "terms"),
    [
        ("1", ["1"]),
        ("a", ["1", "a"]),
        ("a + b", ["1", "a", "b"]),
        ("0 + a", ["a"]),
        ("a - 1", ["a"]),
        ("a * b", ["1", "a", "b", "a:b"]),
        ("a / b", ["1", "a", "a:b"]),
        ("(a + b) / c", ["1", "a", "b", "a:b:c"]),
        ("(a + b) ** 2", ["1", "a", "b", "a:b"]),
        ("(a + b + c)^2", ["1", "a", "b", "c", "a:b", "a:c", "b:c"]),
        ("a * b * c - a:b:c", ["1", "a", "b", "c", "a:b", "a:c", "b:c"]),
        ("a * (b + c)", ["1", "a", "b", "c", "a:b", "a:c"]),
        ("a + a:a", ["1", "a"]),
        ("`my col` + log(abs(b) / 2)", ["1", "my col", "log(abs(b)/2)"]),
        ("(a + b) ** 50", ["1", "a", "b", "a:b"]),
    ],
)
def test_a_formula_stands_for_its_terms(text, terms):
    assert [":".join(parts) or "1" for parts in expand(text)] == terms


@pytest.mark.parametrize(
    "text",
    ["", "0", "a +", "a b", "a ** b", "a ** 0", "(a", "a)", "log(a", "a $ b", "2", "-" * 5000 + "a",
     "(" * 200 + "a" + ")" * 200, "*".join(f"a{i}" for i in range(40)),
     "(" + "+".join(f"a{i}" for i in range(30)) + ") ** 6"],
)  # fmt: skip
def test_a_formula_that_cannot_be_read_is_refused_at_once(text):
    with pytest.raises(InputError, match="formula"):
        expand(text)


@pytest.mark.parametrize(
    "text", ["x / 0", "x * 10**400", "(-x) ** 0.5", "log(0 * x)", "1" + "0" * 320 + " * x"]
)
def test_an_expression_without_a_value_is_not_finite(text):
    assert not np.isfinite(evaluate(text, pd.DataFrame({"x": [1.0, 2.0]}))).any()


@pytest.mark.parametrize("text", ["-" * 400 + "x", "-" * 5000 + "x", "abs(" * 60 + "x" + ")" * 60])
def test_an_expression_that_is_too_deep_is_refused(text):
    with pytest.raises(InputError, match=r"too long|deep"):
        evaluate(text, pd.DataFrame({"x": [1.0]}))


@pytest.mark.parametrize(
    "formula", ["log(y) ~ I(x/0)", "y ~ I(1/0)", "y ~ x + I(x*10**400)", "y ~ I(x ** 2 ** 2000)"]
)
def test_a_covariate_without_values_is_an_error_of_the_formula(formula):
    with pytest.raises(AccstudyError, match=r"no row|names no column"):
        fit_mixed(formula, ["g"], layout())


def test_means_hold_the_column_and_evaluate_its_powers_there():
    frame = layout()
    bent = fit_mixed("y ~ t + x + I(x**2)", ["g"], frame)
    b = dict(zip(bent.design.names, bent.beta, strict=True))
    for at in (None, {"x": 2.0}):
        x = frame["x"].mean() if at is None else 2.0
        found = marginal_means(bent, "t", at=at).set_index("level")["estimate"]
        expected = b["(Intercept)"] + b["x"] * x + b["I(x**2)"] * x**2
        assert found["a"] == pytest.approx(expected, rel=1e-12)
    assert abs(expected - 8) < 2  # 2 x^2, not 2 times the mean of the squares


def test_the_slope_of_a_power_is_its_derivative_where_the_column_is_held():
    frame = layout()
    fit = fit_mixed("y ~ t * x + t:I(x**2)", ["g"], frame)
    b = dict(zip(fit.design.names, fit.beta, strict=True))
    found = slopes(fit, "x", factor="t", at={"x": 3.0}).set_index("contrast")["estimate"]
    expected = b["x"] + 2 * 3.0 * b["t[a]:I(x**2)"]
    assert found["slope of x at a"] == pytest.approx(expected, rel=1e-6)
    curve = fit_mixed("y ~ log(x)", ["g"], frame)
    expected = curve.beta[1] / 3.0
    assert slopes(curve, "x", at={"x": 3.0})["estimate"][0] == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize("factor", [1e9, 1.0, 1e-9])
def test_what_the_data_determine_does_not_depend_on_the_unit_of_a_covariate(factor):
    frame = layout()
    frame["copy"] = frame["x"] * factor
    alone = fit_mixed("y ~ t + x", ["g"], frame)
    both = fit_mixed("y ~ t + x + copy", ["g"], frame)
    pd.testing.assert_frame_equal(contrasts(both, "t"), contrasts(alone, "t"), rtol=1e-6)
    tests = both.tests().set_index("term")
    assert np.isnan(tests.loc[["x", "copy"], "F"]).all()
    assert tests.loc["t", "F"] == pytest.approx(alone.tests().set_index("term").loc["t", "F"])
    assert any(f.code == "aliased" for f in both.findings)
    only = fit_mixed("y ~ t + copy", ["g"], frame).tests()
    np.testing.assert_allclose(only["F"], alone.tests()["F"], rtol=1e-7)


def test_a_term_without_its_margin_is_tested_with_all_its_degrees_of_freedom():
    # One way analysis of variance: six cells are three levels of t plus three contrasts of c
    # within t, so F of t:c is that of the extra sum of squares beyond t.
    frame = layout()
    frame["y"] = frame["y"] + 5 * (frame["c"] == "v")
    frame["g"] = [str(i) for i in range(len(frame))]
    fit = fit_mixed("y ~ t + t:c", [], frame)
    row = fit.tests().set_index("term").loc["t:c"]
    y = frame["y"].to_numpy()
    cells = frame.groupby(["t", "c"])["y"].transform("mean").to_numpy()
    rows = frame.groupby("t")["y"].transform("mean").to_numpy()
    n = len(y)
    f = (
        (np.sum((y - rows) ** 2) - np.sum((y - cells) ** 2))
        / 3
        / (np.sum((y - cells) ** 2) / (n - 6))
    )
    assert row["num_df"] == 3
    assert row["F"] == pytest.approx(f, rel=1e-9)
    assert row["p"] == pytest.approx(stats.f.sf(f, 3, n - 6), rel=1e-9)
    assert fit_mixed("y ~ t / c", [], frame).tests().set_index("term").loc["t:c", "num_df"] == 3


def test_without_an_intercept_the_means_themselves_are_tested():
    frame = layout()
    fit = fit_mixed("y ~ 0 + t", [], frame)
    row = fit.tests().iloc[0]
    means = frame.groupby("t")["y"].agg(["mean", "size"])
    within = frame["y"] - frame.groupby("t")["y"].transform("mean")
    f = (means["mean"] ** 2 * means["size"]).sum() / 3 / (np.sum(within**2) / (len(frame) - 3))
    assert (row["num_df"], row["F"]) == (3, pytest.approx(f, rel=1e-9))


@pytest.mark.parametrize("random", [("scan",), (), ("pair",), ("operator",)])
def test_a_model_of_nothing_but_a_mean_and_no_spread_between_levels_is_stated(pairs, random):
    table = pairs(models=(4,), scan_um=0, session_um=0, pair_um=0, condition_pair_um=0, repeats=2)
    for seed in range(5):
        table["distance_um"] = np.random.default_rng(seed).normal(0, 10, len(table))
        found = model_tables([ModelSpec("m", "pair.distance_um", "1", random)], table, table)
        assert len(found.terms) == 1
        assert np.isfinite(found.terms["se"]).all()


@pytest.mark.parametrize(
    "fixed", ["", "0", "a ** b", "nothing", "I(path_mm/0)", "path_mm - 1 - path_mm"]
)
def test_a_model_that_cannot_be_fitted_leaves_the_others_alone(pairs, fixed):
    table = pairs(models=(4,), repeats=2)
    good = ModelSpec("good", "pair.distance_um", "technique", ("scan",))
    bad = ModelSpec("bad", "pair.distance_um", fixed, ("scan",))
    found = model_tables([bad, good], table, table, limits=False)
    assert set(found.tests["model_name"]) == {"good"}
    assert any(f.code == "model-left-out" and "bad" in f.where for f in found.findings)


def test_a_model_whose_fit_breaks_down_is_a_finding_too(pairs, monkeypatch):
    def broken(*_, **__):
        raise ZeroDivisionError("division by zero")

    table = pairs(models=(4,), repeats=2)
    monkeypatch.setattr("accstudy.models.results.spread_tests", broken)
    found = model_tables([ModelSpec("m", "pair.distance_um", "1")], table, table, limits=False)
    assert found.tests.empty
    assert [f.code for f in found.findings if "ZeroDivisionError" in f.what] == ["model-failed"]


def test_a_spread_beyond_what_is_tried_is_said():
    rng = np.random.default_rng(0)
    frame = pd.DataFrame({"g": np.repeat(list("abcdef"), 4)})
    frame["y"] = np.repeat(rng.normal(0, 1e6, 6), 4) + rng.normal(0, 1, 24)
    fit = fit_mixed("y ~ 1", ["g"], frame)
    findings = fit_findings(fit, fit.tests(), spread_tests(fit))
    assert [f.code for f in findings if "g is more than" in f.what] == ["spread-at-bound"]
