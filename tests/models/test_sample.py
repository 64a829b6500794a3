"""The report on the invented comparison finds what was put in, and nothing that was not."""

import pandas as pd
import pytest
from samples import SAMPLES, analysed

from accstudy import read_results
from accstudy.models.grouping import effect_notes


@pytest.fixture(scope="module")
def found(tmp_path_factory):
    return read_results(analysed("comparison", tmp_path_factory.mktemp("sample")))


@pytest.fixture(scope="module")
def truth():
    table = pd.read_csv(SAMPLES / "comparison/truth/expected.csv")
    return table.set_index(["response", "condition", "effect"])["value_um"]


def test_every_effect_lies_where_it_was_put(found, truth):
    effects = found["model_effects"]
    rows = effects[(effects["kind"] == "level") & effects["response"].isin(truth.index.levels[0])]
    assert len(rows) == 3 * 2 * 3  # responses, covariates, techniques
    off = [
        abs(row.estimate - truth[row.response, row.level, row.covariate]) / row.se
        for row in rows.itertuples()
    ]
    # t of 5 to 200 df: 99.7 % within 4; truth of whole scans has an error of its own
    assert max(off) < 4
    assert sum(z < 2 for z in off) >= 14


def test_effects_that_are_there_are_shown_and_the_others_are_not(found):
    effects = found["model_effects"].query("kind == 'average'")

    def row(response, covariate):
        return effects[
            (effects["response"] == response) & (effects["covariate"] == covariate)
        ].iloc[0]

    angulation = row("pair.distance_um", "angulation_deg")
    assert angulation["p"] < 0.001
    assert angulation["p_interaction"] < 0.001  # technique C: three times the shift a degree
    count = row("pair.distance_um", "n_implants")
    assert count["p"] < 0.05
    assert count["p_interaction"] > 0.05  # all techniques alike in it
    assert count["df_models"] == 6
    worst = row("scan.worst_distance_um", "n_implants")
    assert worst["p"] < 0.05
    assert worst["p_interaction"] > 0.05
    pairs = found["model_contrasts"].query("model_name == 'distance'").set_index("contrast")
    same = pairs.loc["technique A - technique B"]
    assert same["p_holm"] > 0.05
    assert same["p_equivalence"] < 0.05
    for other in ("technique A - technique C", "technique B - technique C"):
        assert pairs.loc[other, "p_holm"] < 0.001


def test_nothing_is_confounded_and_everything_can_be_stated(found):
    notes = effect_notes(found["pair_deviations"])
    assert notes["stated"].all()
    assert (notes["why"] == "").all()
    codes = set(found["findings"]["code"])
    assert not codes & {"confounded", "count-stands-for-model", "no-overlap", "scan-not-random"}
