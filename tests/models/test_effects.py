"""Angulation and implant count: per step, with honest degrees of freedom, or a reason."""

import numpy as np
import pandas as pd
import pytest

from accstudy.compare.deviations import scan_deviations
from accstudy.models import ModelSpec, fit_mixed, model_tables
from accstudy.models.checks import lack_of_fit
from accstudy.models.grouping import effect_notes, model_df
from accstudy.models.means import common_range, effect_lines, effect_table, held_values
from accstudy.models.responses import model_frame
from accstudy.models.specs import effect_specs

FIXED = "technique * angulation_deg + path_mm + n_implants"
RANDOM = ("model", "pair", "condition:pair", "condition:cell", "scan")
SMALL = {"operators": 2, "sessions": 1, "repeats": 2}


def fitted(table, fixed=FIXED, response="pair.distance_um", random=RANDOM):
    _, frame, _ = model_frame(response, table, table, alignment="all-implants")
    return fit_mixed(f"{response.partition('.')[2]} ~ {fixed}", random, frame)


def test_a_scan_is_as_bad_as_its_worst_pair(pairs):
    table = pairs(models=(4, 5), **SMALL)
    found = scan_deviations(table).set_index("scan")
    mine = table[table["scan"] == "s3"]
    assert found.loc["s3", "worst_distance_um"] == mine["distance_um"].abs().max()
    assert found.loc["s3", "rms_distance_um"] == pytest.approx(
        np.linalg.norm(mine["distance_um"]) / np.sqrt(len(mine))
    )
    worst = mine.loc[mine["distance_um"].abs().idxmax()]
    assert found.loc["s3", "worst_implant_b"] == worst["implant_b"]
    assert found["complete"].all()
    assert found.loc["s3", "technique"] == "A"
    lost = table.drop(mine.index[0])
    assert not scan_deviations(lost).set_index("scan").loc["s3", "complete"]
    _, frame, findings = model_frame("scan.worst_distance_um", lost, lost, alignment="")
    assert "s3" not in set(frame["scan"])
    assert [f.code for f in findings] == ["scans-incomplete"]


def count_p(found):
    return found.loc[("n_implants", "average", ""), "p"]


def test_effects_are_per_ten_degrees_and_per_implant_and_equal_the_slopes(pairs):
    table = pairs(seed=31, models=(4, 6, 4, 6), **SMALL, per_implant_um=10.0,
                  angulation_um_per_deg=0.5, technique_by_angulation=0.8)  # fmt: skip
    fit = fitted(table)
    found = effect_table(fit, "pair.distance_um").set_index(["covariate", "kind", "level"])
    names = list(fit.design.names)
    beta = dict(zip(names, fit.beta, strict=True))
    at_a = found.loc[("angulation_deg", "level", "A")]
    assert at_a["estimate"] == pytest.approx(10 * beta["angulation_deg"])
    change = beta["technique[B]:angulation_deg"]
    average = found.loc[("angulation_deg", "average", "")]
    assert average["estimate"] == pytest.approx(10 * (beta["angulation_deg"] + change / 2))
    assert average["p_interaction"] < 0.001
    test = fit.tests().set_index("term").loc["technique:angulation_deg", "p"]
    assert average["p_interaction"] == pytest.approx(test)
    assert average["interaction_shown"]
    strict = effect_table(fit, "pair.distance_um", confidence=1 - 2 * count_p(found))
    for row in [*found.reset_index().itertuples(), *strict.itertuples()]:
        p = row.p if row.kind == "average" else row.p_holm
        assert row.shown == (p < 1 - row.confidence)
    assert set(strict["shown"]) == {True, False}
    count = found.loc[("n_implants", "average", "")]
    assert count["estimate"] == pytest.approx(beta["n_implants"])
    assert abs(count["estimate"] - 10) < 4 * count["se"]
    assert count["scope"] == "at equal path"
    assert count["df_models"] == 2  # four models, a mean and a slope
    assert count["df"] < 6  # tested between models, not against the rows
    # angulation varies within models, so it has no such limit
    assert np.isnan(float(average["df_models"] or np.nan)) or average["df_models"] is None


def test_models_without_degrees_of_freedom_are_contrasted_as_these_models(pairs):
    table = pairs(seed=32, models=(4, 6), **SMALL, per_implant_um=10.0)
    specs = effect_specs([], ["technique"], pairs=table)
    assert not any("n_implants" in s.fixed for s in specs)
    these = [s for s in specs if s.of_these_models]
    assert {s.response for s in these} >= {"pair.distance_um", "scan.worst_distance_um"}
    found = model_tables(these[:1], table, table, limits=False)
    effects = found.further["effects"]
    assert set(effects["scope"]) == {"of these models"}
    row = effects.iloc[0]
    assert (row["level_a"], row["level_b"]) == ("M1", "M2")
    assert row["covariate"] == ""
    # a user's own count on two models is not stated as an effect either
    assert not (effect_table(fitted(table), "pair.distance_um")["covariate"] == "n_implants").any()
    notes = effect_notes(table).set_index(["scope", "covariate"])
    assert not notes.loc[("at equal path", "n_implants"), "stated"]
    why = notes.loc[("at equal path", "n_implants"), "why"]
    assert "no degree of freedom: model " in why
    assert " has 4\u00a0implants" in why


def test_a_model_of_the_chapter_never_has_the_name_of_a_users_own(pairs):
    table = pairs(seed=32, models=(4, 6), **SMALL)
    usual = [s.name for s in effect_specs([], ["technique"], pairs=table)]
    own = [ModelSpec(usual[0], "pair.angle_deg", "technique")]
    names = [s.name for s in effect_specs(own, ["technique"], pairs=table)]
    assert usual[0] not in names
    assert len(names) == len(usual)


def test_one_model_a_count_is_stated_with_what_else_differs(pairs):
    table = pairs(seed=33, models=(4, 5, 6), operators=1, sessions=1, repeats=2)
    table["path_mm"] *= table["n_implants"] / 4
    note = (
        effect_notes(table).set_index(["scope", "covariate"]).loc[("at equal path", "n_implants")]
    )
    assert note["stated"]
    assert note["df_models"] == 1
    assert "these models also differ in" in note["why"]
    assert "largest arch length (60 to 90 mm)" in note["why"]
    assert "two models with each number" in note["to_add"]
    alike = pairs(models=(4, 4), operators=1, sessions=1, repeats=1)
    none = effect_notes(alike).set_index(["scope", "covariate"]).loc[("as it comes", "n_implants")]
    assert not none["stated"]
    assert none["why"] == "every model has 4 implants"
    both = pd.DataFrame({"model": ["a", "b", "c"], "n_implants": [4, 6, 8], "x": [1.0, 2.0, 3.0]})
    assert model_df(both, ["n_implants", "x"]) == -1  # they go together


def test_lines_end_where_a_condition_has_no_data_and_carry_a_band(pairs):
    table = pairs(seed=34, models=(4, 6), **SMALL)
    short = table[(table["technique"] == "A") | (table["path_mm"] < 45)]
    fit = fitted(short, "technique * path_mm")
    lines = effect_lines(fit).groupby("level")["value"].max()
    assert lines["A"] == table["path_mm"].max()
    assert lines["B"] < 45
    _, high = common_range(fit, "path_mm")
    assert high == lines["B"]
    one = effect_lines(fit)
    assert (one["low"] < one["fitted"]).all()
    assert (one["fitted"] < one["high"]).all()


def test_no_mean_is_stated_where_a_condition_has_no_data(pairs):
    table = pairs(seed=35, models=(4,), **SMALL)
    rng = np.random.default_rng(1)
    minutes = dict(
        zip(table["scan"].unique(), rng.uniform(0, 1, table["scan"].nunique()), strict=True)
    )
    table["minutes"] = table["scan"].map(minutes) + 5.0 * (table["technique"] == "B")
    spec = ModelSpec("d", "pair.distance_um", "technique + minutes", ("pair", "scan"))
    found = model_tables([spec], table, table, limits=False)
    assert found.means["estimate"].isna().all()
    assert not len(found.contrasts[found.contrasts["covariate"] == ""])
    (warned,) = [f for f in found.findings if f.code == "no-overlap"]
    assert '"minutes" is held at' in warned.what
    # where they share values, these are taken instead of the mean of all
    table.loc[table["technique"] == "B", "minutes"] -= 4.6
    fit = fitted(table, "technique + minutes", random=("pair", "scan"))
    low, high = common_range(fit, "minutes")
    assert low <= held_values(fit.design)["minutes"] <= high
    again = model_tables([spec], table, table, limits=False)
    assert again.means["estimate"].notna().all()


def test_a_bend_that_a_line_misses_is_found_and_a_line_is_not_blamed(pairs):
    table = pairs(seed=36, models=(6, 6), operators=2, sessions=1, repeats=3)
    _, straight = lack_of_fit(fitted(table, "technique * path_mm + angulation_deg"))
    assert (straight["p_holm"] > 0.05).all()
    bent = table.assign(distance_um=table["distance_um"] + 0.05 * (table["path_mm"] - 30) ** 2)
    classes, tests = lack_of_fit(fitted(bent, "technique * path_mm + angulation_deg"))
    assert (tests["shown"] == (tests["p_holm"] < 0.05)).all()
    shown = tests[tests["p_holm"] < 0.05]
    assert "curvature" in set(shown.loc[shown["covariate"] == "path_mm", "missing"])
    classes = classes[classes["covariate"] == "path_mm"]
    assert classes["difference"].abs().max() > 5
    _, fixed = lack_of_fit(fitted(bent, "technique * path_mm + angulation_deg + I(path_mm ** 2)"))
    assert (fixed["p_holm"] > 0.05).all()


def test_observed_means_are_those_of_the_pairs(pairs):
    table = pairs(seed=37, models=(4,), operators=1, sessions=1, repeats=4)
    found, _ = lack_of_fit(fitted(table, "technique + path_mm"))
    mine = found[(found["covariate"] == "path_mm") & (found["condition"] == "A / x")]
    means = table[table["technique"] == "A"].groupby("path_mm")["distance_um"].mean()
    assert mine["value"].tolist() == pytest.approx(means.index.tolist())
    assert mine["observed"].tolist() == pytest.approx(means.tolist())


def test_a_slope_of_its_own_that_the_model_lacks_is_named(pairs):
    table = pairs(seed=38, models=(5, 5), operators=2, sessions=1, repeats=3)
    own = table["distance_um"] + 0.8 * table["path_mm"] * (table["technique"] == "B")
    _, found = lack_of_fit(fitted(table.assign(distance_um=own), "technique + path_mm"))
    p = found.set_index("missing").loc["interaction with technique", "p_holm"]
    assert p < 0.01
    assert lack_of_fit(fitted(table, "technique + path_mm"))[1]["p_holm"].min() > 0.01
