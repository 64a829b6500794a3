"""Odd formulas, units, copies, names and responses: an answer or a clear refusal, never a crash."""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from refitted import refit

from accstudy.errors import AccstudyError
from accstudy.models import ModelSpec, fit_mixed, model_tables
from accstudy.models.checks import lack_findings, lack_of_fit
from accstudy.models.means import contrasts
from accstudy.models.optimum import climb, variances_at
from accstudy.models.results import spec_fit

N = 160


@pytest.fixture(scope="module")
def frame():
    """Two techniques, three operators, 40 scans; a covariate that varies within a pair."""
    rng = np.random.default_rng(3)
    scan = np.arange(N) // 4
    technique = np.where(scan % 2 == 0, "A", "B")
    x = rng.uniform(5, 40, N)
    y = 10 + rng.normal(0, 3, 40)[scan] + 0.5 * x + 3 * (technique == "B") + rng.normal(0, 2, N)
    return pd.DataFrame(
        {
            "scan": [f"s{s}" for s in scan],
            "technique": technique,
            "condition": technique,
            "operator": [f"o{s // 2 % 3}" for s in scan],
            "model": [f"M{i % 2}" for i in range(N)],
            "cell": "1",
            "implant_a": [f"I{i % 3}" for i in range(N)],
            "implant_b": [f"J{i % 2}" for i in range(N)],
            "light": rng.choice(list("pqr"), N),
            "x_mm": x,
            "distance_um": y,
        }
    )


def terms_of(frame):
    return fit_mixed("distance_um ~ technique * x_mm + light", ["scan"], frame).tests()


@pytest.mark.parametrize("factor", [1e-30, 1e-6, 1e3, 1e40])
@pytest.mark.parametrize("column", ["x_mm", "distance_um"])
def test_units_change_no_test(frame, column, factor):
    scaled = terms_of(frame.assign(**{column: frame[column] * factor}))
    # steps of the fit end at a rise of 1e-9, which moves p by less than this
    assert scaled["p"].to_numpy() == pytest.approx(terms_of(frame)["p"], rel=1e-4, abs=1e-10)


@pytest.mark.parametrize(("factor", "shift"), [(1e9, 0), (1e-9, 0), (-1, 0), (1e-9, 1e5), (2, 3)])
@pytest.mark.parametrize("fixed", ["technique * x_mm + copy", "copy + technique * x_mm"])
def test_a_copy_of_a_covariate_takes_no_contrast_away(frame, factor, shift, fixed):
    copied = frame.assign(copy=frame["x_mm"] * factor + shift)
    fit = fit_mixed(f"distance_um ~ {fixed}", ["scan"], copied)
    assert "aliased" in [f.code for f in fit.findings]
    alone = contrasts(fit_mixed("distance_um ~ technique * x_mm", ["scan"], frame), "technique")
    found = contrasts(fit, "technique")
    assert found["estimate"].to_numpy() == pytest.approx(alone["estimate"], rel=1e-5)


@pytest.mark.parametrize(
    "names",
    [("x:1", "x"), ("a-b", "a"), ("(Intercept)", "residual"), ("1", "01"), ("nan", "NaN"),
     ("A B", "A  B"), ("t[A]", "A"), (" A", "A"), ("1e3", "1000"), ('"', "'")],
)  # fmt: skip
def test_names_of_levels_change_no_test(frame, names):
    named = frame.assign(technique=frame["technique"].map(dict(zip("AB", names, strict=True))))
    assert sorted(terms_of(named)["p"]) == pytest.approx(sorted(terms_of(frame)["p"]), rel=1e-5)


@pytest.mark.parametrize(
    "fixed",
    ["1", "0", "", "0 + technique", "technique - 1", "0 + x_mm", "x_mm:technique",
     "technique/operator", "technique:light:operator", "technique * I(x_mm ** 2)",
     "log(x_mm) * technique", "sqrt(x_mm - 20)", "I(x_mm - x_mm)", "exp(x_mm * 1000)", "C(x_mm)",
     "scan", "(technique + light) ** 50", "I(1/0)", "I(x_mm * 10**400)", "-" * 5000 + "x_mm",
     "(" * 200 + "x_mm" + ")" * 200, "__import__('os')", "x_mm.real", "technique, light", "\x00",
     "C(C(technique))", "log()", "log(x_mm, 2)", "technique:technique", "I(x_mm ** x_mm)"],
)  # fmt: skip
def test_any_fixed_part_is_fitted_or_refused(frame, fixed):
    _answered(frame, ModelSpec("m", "pair.distance_um", fixed, ("scan",)))


@pytest.mark.parametrize(
    "random",
    [(), ("",), ("scan|",), ("|scan",), ("scan/scan",), ("scan:scan",), ("technique",),
     ("scan by scan",), ("x_mm",), ("distance_um",), ("1",), ("technique | scan",), ("by",),
     ("x_mm | implants",), ("implants", "implants:technique"), ("x_mm | x_mm",), ("scan:",)],
)  # fmt: skip
def test_any_random_part_is_fitted_or_refused(frame, random):
    _answered(frame, ModelSpec("m", "pair.distance_um", "technique", random))


@pytest.mark.parametrize(
    "response",
    [
        lambda f: f * 0,
        lambda f: f * 0 + 5,
        lambda f: f.where(f.index % 2 == 0),
        lambda f: f * np.nan,
        lambda f: f.where(f.index != 3, np.inf),
        lambda f: pd.Series(f.index % 4, dtype=float),
    ],
)
def test_any_response_is_fitted_or_refused(frame, response):
    odd = frame.assign(distance_um=response(frame["distance_um"]))
    _answered(odd, ModelSpec("m", "pair.distance_um", "technique * x_mm", ("scan",)))
    _answered(odd.head(3), ModelSpec("m", "pair.distance_um", "technique", ("scan",)))


def _answered(frame, spec):
    found = model_tables([spec], frame, frame.iloc[:0], limits=False)
    codes = [f.code for f in found.findings]
    assert "model-failed" not in codes, found.findings
    assert ("model-left-out" in codes) == found.terms.empty


def test_a_covariate_without_classes_of_pairs_is_still_told_when_its_curve_is_missing(frame):
    """What varies within a pair has tests but no class means to name."""
    bent = frame.assign(distance_um=frame["distance_um"] + 0.1 * (frame["x_mm"] - 22) ** 2)
    spec = ModelSpec("m", "pair.distance_um", "technique + x_mm", ("scan",))
    fit, _, _ = spec_fit(spec, bent, bent.iloc[:0], alignment="")
    classes, tests = lack_of_fit(fit)
    assert classes.empty
    (found,) = lack_findings(classes, tests, unit="µm")
    assert found.what.endswith("after Holm)")


def test_a_fit_does_not_stop_at_the_lesser_of_two_maxima():
    """Two slopes share a spread: with one of them at zero there is a maximum, too, a lower one."""
    file = Path(__file__).parents[1] / "simulations/type1_operators.py"
    spec = importlib.util.spec_from_file_location("type1_operators", file)
    studies = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = studies  # its dataclasses look their module up
    spec.loader.exec_module(studies)
    layout = next(lay for lay in studies.LAYOUTS if lay.name.startswith("scan spread 4 : 1"))
    asked = studies.usual(studies.study(layout, np.random.default_rng(0)))
    rng = np.random.default_rng(1)
    frame = studies.study(layout, rng)
    errors = studies.Errors(layout, frame)
    frame["distance_um"] = errors.draw(rng)
    base, _, _ = spec_fit(asked, frame, frame, alignment="")
    for _ in range(6):
        y = errors.draw(rng)
    fit = refit(base, y)
    assert fit.problem.q > 100  # where a single start is taken
    start = variances_at(base.optimum.at)
    other, _, _ = climb(fit.problem, np.maximum(start, 0.02 * start.max()))
    assert fit.optimum.at.criterion < other.criterion + 1e-3


def test_an_unknown_place_of_a_covariate_is_refused_with_the_nearest_name(frame):
    spec = ModelSpec("m", "pair.distance_um", "technique * x_mm", ("scan",), at=(("xmm", 1.0),))
    found = model_tables([spec], frame, frame.iloc[:0], limits=False)
    assert any('did you mean "x_mm"' in f.mend for f in found.findings)
    with pytest.raises(AccstudyError, match="names no column"):
        fit_mixed("distance_um ~ I(2)", ["scan"], frame)


@pytest.mark.parametrize("column", ["x_mm", "distance_um"])
@pytest.mark.parametrize("factor", [1e-300, 1e-160, 1e160, 1e300])
def test_numbers_that_no_measurement_gives_are_refused_by_name(frame, column, factor):
    wild = frame.assign(**{column: frame[column] * factor})
    with pytest.raises(AccstudyError, match=f'the values of "{column}" reach'):
        terms_of(wild)


def test_a_random_slope_that_is_the_response_itself_is_refused(frame):
    twice = frame.assign(twice=1 - 2 * frame["distance_um"])
    for column in ("distance_um", "twice"):
        with pytest.raises(AccstudyError, match="is the response itself"):
            fit_mixed("distance_um ~ technique", ["scan", f"{column} | scan"], twice)


def test_a_lack_of_fit_that_the_random_models_could_explain_is_not_tested():
    # four models, each with its own angulation: classes of it are the models themselves
    rng = np.random.default_rng(3)
    frame = pd.DataFrame({"model": np.repeat(list("pqrs"), 30), "site": "1"})
    frame["tilt"] = frame["model"].map(dict(zip("pqrs", (0.0, 10.0, 20.0, 35.0), strict=True)))
    frame["condition"] = frame["technique"] = np.tile(["A", "B"], 60)
    frame["y"] = rng.normal(0, 1, 120)
    fit = fit_mixed("y ~ technique * tilt", ["model"], frame)
    _, tests = lack_of_fit(fit)
    assert "classes by condition" not in set(tests["missing"])
    assert (tests["F"] >= 0).all()
