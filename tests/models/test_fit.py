"""What any table may bring: names, missing values, designs that cannot be used."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from accstudy.errors import ComputationError, InputError, Severity
from accstudy.models import fit_mixed
from accstudy.models.checks import fit_findings, leverage, spread_tests
from accstudy.models.grouping import expand_random


def codes(fit):
    return {f.code for f in fit.findings}


@pytest.fixture
def frame():
    rng = np.random.default_rng(5)
    rows = [(s, t, r) for s in "abcdef" for t in "xyz" for r in range(3)]
    out = pd.DataFrame(rows, columns=["subject", "t", "r"])
    shift = dict(zip("abcdef", rng.normal(0, 3, 6), strict=True))
    out["c"] = rng.uniform(1, 5, len(out))
    out["y"] = out["subject"].map(shift) + 2.0 * out["c"] + rng.normal(0, 1, len(out)) + 30
    return out


def test_columns_may_be_named_like_words_of_the_language(frame):
    plain = fit_mixed("y ~ t * c", ["subject"], frame)
    named = frame.rename(columns={"y": "yield", "t": "class", "c": "lambda", "subject": "from"})
    fit = fit_mixed("yield ~ class * lambda", ["from"], named)
    assert fit.beta == pytest.approx(plain.beta)
    assert fit.design.names[1] == "class[y]"
    assert fit_mixed("log(yield) ~ log(lambda)", ["from"], named).design.names[1] == "log(lambda)"
    spaced = frame.rename(columns={"c": "dose per day"})
    fit = fit_mixed("log(y) ~ `dose per day` + log(`dose per day`)", ["subject"], spaced)
    assert fit.design.names[1] == "dose per day"


def test_a_formula_is_never_run_as_python(frame):
    for text in (
        "y ~ __import__('os').getpid()",
        "y ~ c.__class__",
        "y ~ (lambda: 1)()",
        "__import__('os').getpid() ~ c",
        "y ~ [c for c in (1,)]",
    ):
        with pytest.raises(InputError):
            fit_mixed(text, ["subject"], frame)


def test_wrong_names_are_answered_with_the_nearest(frame):
    with pytest.raises(InputError, match='did you mean "subject"'):
        fit_mixed("y ~ t", ["subjet"], frame)
    with pytest.raises(InputError, match='names the column "cc"'):
        fit_mixed("y ~ log(cc)", ["subject"], frame)
    with pytest.raises(InputError, match='did you mean "log"'):
        fit_mixed("lgo(y) ~ c", ["subject"], frame)
    with pytest.raises(InputError, match="random"):
        fit_mixed("y ~ t + (1 | subject)", [], frame)
    with pytest.raises(InputError, match="lacks a response"):
        fit_mixed("t", ["subject"], frame)
    with pytest.raises(InputError, match="does not contain numbers"):
        fit_mixed("t ~ c", ["subject"], frame)
    with pytest.raises(InputError, match="kenward-roger"):
        fit_mixed("y ~ t", ["subject"], frame, method="z")


def test_order_of_rows_and_unit_of_the_response_change_nothing_else(frame):
    fit = fit_mixed("y ~ t * c", ["subject"], frame)
    shuffled = fit_mixed("y ~ t * c", ["subject"], frame.sample(frac=1, random_state=1))
    pd.testing.assert_frame_equal(fit.tests(), shuffled.tests(), rtol=1e-8)
    scaled = fit_mixed("y ~ t * c", ["subject"], frame.assign(y=1000 * frame["y"] + 7))
    pd.testing.assert_frame_equal(fit.tests(), scaled.tests(), rtol=1e-7)
    assert scaled.sds.to_numpy() == pytest.approx(1000 * fit.sds.to_numpy(), rel=1e-7)


def test_type_three_tests_do_not_depend_on_the_reference_level_nor_on_a_covariate_shift(frame):
    fit = fit_mixed("y ~ t * c", ["subject"], frame).tests()
    other = frame.assign(t=pd.Categorical(frame["t"], categories=["z", "x", "y"]))
    pd.testing.assert_frame_equal(
        fit, fit_mixed("y ~ t * c", ["subject"], other).tests(), rtol=1e-7
    )
    moved = fit_mixed("y ~ t * c", ["subject"], frame.assign(c=frame["c"] + 100)).tests()
    pd.testing.assert_frame_equal(fit, moved, rtol=1e-5)
    at_zero = fit_mixed("y ~ t * c", ["subject"], frame).tests(centred=False)
    assert at_zero["F"][0] != pytest.approx(fit["F"][0], rel=1e-3)


def test_without_random_terms_it_is_least_squares(frame):
    fit = fit_mixed("y ~ c", [], frame)
    line = stats.linregress(frame["c"], frame["y"])
    row = fit.coefficients().set_index("term").loc["c"]
    assert (row["estimate"], row["se"]) == pytest.approx((line.slope, line.stderr))
    assert row["df"] == pytest.approx(len(frame) - 2)
    assert row["p"] == pytest.approx(line.pvalue)


def test_an_exact_balanced_layout_gives_the_paired_t_test():
    rng = np.random.default_rng(8)
    a, b = rng.normal(5, 2, 12), rng.normal(6, 2, 12)
    frame = pd.DataFrame(
        {"y": [*a, *b], "t": ["a"] * 12 + ["b"] * 12, "pair": [*range(12), *range(12)]}
    )
    frame["pair"] = frame["pair"].astype(str)
    shared = rng.normal(0, 5, 12)
    frame["y"] += np.tile(shared, 2)
    row = fit_mixed("y ~ t", ["pair"], frame).coefficients().iloc[1]
    known = stats.ttest_rel(frame["y"][12:], frame["y"][:12])
    assert (row["t"], row["df"], row["p"]) == pytest.approx((known.statistic, 11, known.pvalue))


def test_rows_without_a_value_are_left_out_and_counted(frame):
    holes = frame.copy()
    holes.loc[[0, 5], "y"] = np.nan
    holes.loc[7, "c"] = np.nan
    holes["y"] -= holes["y"].min()  # one log of zero
    fit = fit_mixed("log(y) ~ c", ["subject"], holes)
    assert fit.n == len(frame) - 4
    found = [f for f in fit.findings if f.code == "rows-left-out"]
    assert "4 of 54 rows" in found[0].what
    assert "1 of them" in found[0].what


def test_random_terms_without_information_are_left_out_by_name(frame):
    frame["one"] = "same"
    frame["row"] = [str(i) for i in range(len(frame))]
    frame["twin"] = frame["subject"].str.upper()
    fit = fit_mixed("y ~ t", ["one", "row", "subject", "twin", "t"], frame)
    assert fit.random == ("subject",)
    by_code = {f.code: f.what for f in fit.findings}
    assert '"one"' in by_code["random-one-level"]
    assert '"row"' in by_code["random-no-replicate"]
    assert '"twin" and "subject"' in by_code["random-aliased"]
    assert '"t"' in by_code["random-in-fixed"]


def test_effects_that_the_data_cannot_tell_apart_are_named(frame):
    frame["copy"] = frame["t"].map({"x": "p", "y": "q", "z": "r"})
    fit = fit_mixed("y ~ t + copy", ["subject"], frame)
    what = next(f.what for f in fit.findings if f.code == "aliased")
    assert "copy" in what
    tests = fit.tests().set_index("term")
    assert tests.loc["copy", "num_df"] == 0
    assert np.isnan(tests.loc["copy", "F"])

    empty = frame[~((frame["t"] == "z") & (frame["r"] == 2))].assign(r=frame["r"].astype(str))
    fit = fit_mixed("y ~ t * r", ["subject"], empty)
    assert "aliased" in codes(fit)
    tests = fit.tests().set_index("term")
    assert tests.loc["t:r", "num_df"] == 3  # one of four is gone with the empty cell
    assert np.isfinite(tests.loc["t:r", "F"])


def test_a_column_with_one_level_is_named_and_the_rest_goes_on(frame):
    fit = fit_mixed("y ~ t + c", ["subject"], frame[frame["t"] == "x"])
    assert any(f.code == "one-level" and '"t"' in f.what for f in fit.findings)
    assert fit.tests()["term"].tolist() == ["c"]


def test_data_that_leave_nothing_to_estimate_are_refused():
    frame = pd.DataFrame({"y": [1.0, 2.0, 3.0], "t": list("abc"), "g": list("xxy")})
    with pytest.raises(ComputationError, match="3 rows cannot determine 3 coefficients"):
        fit_mixed("y ~ t", ["g"], frame)
    frame = pd.DataFrame({"y": [1.0, 2.0, 1.0, 2.0], "t": list("abab"), "g": list("xxyy")})
    with pytest.raises(ComputationError, match=r"exactly|within rounding"):
        fit_mixed("y ~ t", ["g"], frame)
    with pytest.raises(InputError, match="no row"):
        fit_mixed("y ~ t", ["g"], frame.assign(y=np.nan))


def test_a_zero_component_is_found_although_the_slope_there_is_flat():
    rng = np.random.default_rng(2)
    frame = pd.DataFrame({"g": np.repeat(list("abcdef"), 5), "y": rng.normal(size=30)})
    frame["y"] -= frame.groupby("g")["y"].transform("mean")
    fit = fit_mixed("y ~ 1", ["g"], frame)
    assert fit.sds["g"] == 0.0
    assert fit.zero == ["g"]


def test_unequal_residual_spread_is_found():
    rng = np.random.default_rng(4)
    frame = pd.DataFrame({"g": np.tile([str(i) for i in range(12)], 20)})
    frame["t"] = np.where(np.arange(240) < 120, "a", "b")
    frame["y"] = rng.normal(0, 1, 12)[frame["g"].astype(int)] + rng.normal(
        0, np.where(frame["t"] == "a", 1.0, 3.0)
    )
    fit = fit_mixed("y ~ t", ["g"], frame, residual_sd_by="t")
    assert fit.sds["residual[b]"] / fit.sds["residual[a]"] == pytest.approx(3.0, rel=0.15)
    with pytest.raises(InputError, match="fewer than three rows"):
        fit_mixed("y ~ 1", ["g"], frame.assign(k=["z", "z"] + ["a"] * 238), residual_sd_by="k")


def test_nested_terms_are_written_out():
    assert expand_random(["a/b/c", "a"]) == ["a", "a:b", "a:b:c"]
    with pytest.raises(InputError):
        expand_random(["a/"])


def test_heavy_tails_are_a_warning_and_normal_ones_are_not():
    def codes(frame):
        fit = fit_mixed("y ~ t", ["g"], frame)
        found = fit_findings(fit, fit.tests(), spread_tests(fit))
        return {f.code: f.severity for f in found}

    rng = np.random.default_rng(5)
    frame = pd.DataFrame({"g": np.tile([str(i) for i in range(20)], 50)})
    frame["t"] = np.where(np.arange(1000) < 500, "a", "b")
    assert "heavy-tails" not in codes(frame.assign(y=rng.normal(size=1000)))
    heavy = codes(frame.assign(y=rng.standard_t(3, size=1000)))
    assert heavy["heavy-tails"] == Severity.WARNING


def test_limits_at_exactly_one_degree_of_freedom_do_not_hang_on_a_last_bit():
    # two groups of one size: the mean has one degree of freedom, give or take rounding
    rng = np.random.default_rng(12)
    low = []
    for _ in range(20):
        frame = pd.DataFrame({"g": list("aaabbb"), "y": rng.normal(0, 1, 6)})
        frame["y"] += np.where(frame["g"] == "a", 5.0, 0.0)
        found = fit_mixed("y ~ 1", ["g"], frame).coefficients().iloc[0]
        assert found["df"] == pytest.approx(1.0, abs=1e-7)
        low.append(found["low"])
    assert np.isfinite(low).all()


def test_scatter_that_small_scans_hide_is_seen():
    # Scans of one or two pairs take up their rows' scatter: residuals of B, four times as
    # scattered, are then no larger than those of A, but they are far larger than they would be
    # by chance. Their own variance is R - T H T' (dense: R (V^-1 - V^-1 X ...) R).
    rng = np.random.default_rng(7)
    frame = pd.DataFrame({"scan": np.repeat(np.arange(60), 4).astype(str)})
    frame["t"] = np.where(frame["scan"].astype(int) < 30, "A", "B")
    frame["c"] = rng.uniform(0, 10, len(frame))
    frame["y"] = rng.normal(0, np.where(frame["t"] == "B", 20.0, 5.0))
    frame = frame[(frame["t"] == "A") | (rng.random(len(frame)) < 0.2)].reset_index(drop=True)
    fit = fit_mixed("y ~ t * c", ["scan by t"], frame)
    v = sum(
        s**2 * (g.z @ g.z.T).toarray() for s, g in zip(fit.sds.iloc[:-1], fit.groups, strict=True)
    )
    r = fit.sds["residual"] ** 2
    inverse = np.linalg.inv(v + r * np.eye(len(frame)))
    x = fit.design.x
    p = inverse - inverse @ x @ np.linalg.solve(x.T @ inverse @ x, x.T @ inverse)
    np.testing.assert_allclose(1 - leverage(fit), r * np.diag(p), rtol=1e-8)
    found = spread_tests(fit).set_index("against").loc["t"]
    assert found["warned"]
