"""What stands behind the models is printed from their tables and settings."""

import numpy as np
import pandas as pd

from accstudy.reports.document import Document, ReportContent, plain
from accstudy.reports.methods import model_rows, models_paragraph
from accstudy.reports.models import contrasts_section, fits_section, operators_section, term_tests

NAN = float("nan")
DISTANCE, SIZE = "pair.distance_um", "log(abs(pair.distance_um))"


def fit(name, response, **changed):
    base = {"model_name": name, "response": response, "n_rows": 198, "n_coefficients": 6}
    base |= {"fixed": "distance_um ~ technique", "random": "scan[A] + path_mm | scan + implants"}
    base |= {
        "r2_marginal": 0.25,
        "r2_conditional": 0.5,
        "engine": "",
        "engine_difference": NAN,
        "engine_gain": NAN,
    }
    base |= {"residual_sd_by": "", "method": "kenward-roger", "adjust": "holm"}
    base |= {"simultaneous": False, "equivalence_margin": NAN, "non_inferiority": False}
    return base | changed


def contrast(name, response, **changed):
    base = {"model_name": name, "response": response, "factor": "technique", "level_a": "A"}
    base |= {"contrast": "A - B", "level_b": "B", "stratum": "", "covariate": "", "estimate": 5.0}
    base |= {"low": 1.0, "high": 9.0, "simultaneous_low": 0.0, "simultaneous_high": 10.0}
    base |= {"df": 7.0, "p": 0.02, "p_holm": 0.04, "adjust": "holm", "ratio": NAN, "shown": True}
    base |= {"margin": NAN, "p_equivalence": NAN, "equivalence_low": NAN, "equivalence_high": NAN}
    base |= {"equivalence_confidence": 0.9, "p_decides": 0.04, "beyond": False}
    made = base | {"equivalent": None, "confidence": 0.95} | changed
    for end in ("low", "high", "simultaneous_low", "simultaneous_high"):
        made[f"ratio_{end}"] = np.exp(made[end]) if response == SIZE else NAN
    return made


def content(**tables):
    return ReportContent("x", {}, {k: pd.DataFrame(v) for k, v in tables.items()}, {}, "")


def cells(block):
    return [[plain(c).replace("\u00a0", " ") for c in row] for row in block["rows"]]


def test_the_methods_name_what_the_settings_of_each_model_say():
    fits = [
        fit("d", DISTANCE, equivalence_margin=20.0, engine_difference=2e-9, simultaneous=True),
        fit("s", SIZE, adjust="none", method="satterthwaite", residual_sd_by="technique"),
    ]
    means = [{"factor": "technique", "model_name": "d"}]
    said = plain(models_paragraph(content(model_fits=fits, model_means=means), 4))
    for part in (
        "Factors (technique) use treatment coding",
        "type III F tests",
        "centred at their means",
        "Kenward and Roger in “d” and Satterthwaite in “s” [4]",
        "p values are adjusted by Holm's method in “d” and not adjusted in “s”",
        "Intervals of contrasts in “d” are simultaneous (Bonferroni)",
        "two one-sided tests",
        "The levels of technique have separate residual standard deviations in “s”",
        "1 of 2 models was also fitted by statsmodels",
        "is < 10⁻⁶",
    ):
        assert part in said
    assert "operators of the study" not in said
    assert "bootstrap" not in said
    plain_ = plain(models_paragraph(content(model_fits=[fit("d", DISTANCE)]), 4))
    assert "those of Kenward and Roger [4]" in plain_
    assert "Intervals apply to one contrast each" in plain_
    assert "one-sided" not in plain_
    assert model_rows(content(model_fits=fits))[0] == [
        "d",
        "distance_um ~ technique",
        "(1 | scan[A]) + (0 + path_mm | scan) + (1 | implants)",
        "±20\u00a0µm",
    ]


def test_contrasts_are_printed_with_the_limits_and_p_values_that_were_asked_for():
    table = [contrast("d", DISTANCE), contrast("s", SIZE, estimate=np.log(2), ratio=2.0)]
    fits = [fit("d", DISTANCE, simultaneous=True), fit("s", SIZE, adjust="none")]
    table[1] |= {"low": 0.0, "high": np.log(4), "adjust": "none", "ratio_low": 1.0}
    table[1] |= {"p_decides": 0.02}
    table[1] |= {"ratio_high": 4.0}
    document = Document()
    contrasts_section(document, content(model_contrasts=table, model_fits=fits), "d")
    block = document.blocks[-1]
    assert cells(block)[0][2:6] == ["+5.0 µm", "0.0 to +10.0", "7.0", "0.040"]
    assert cells(block)[1][2:6] == ["× 2.00", "1.00 to 4.00", "7.0", "0.020"]
    caption = plain(block["caption"])
    assert "simultaneous for all contrasts of a factor in “d”" in caption
    assert "(not adjusted in “s”)" in caption


def test_the_answer_for_these_operators_stands_beside_the_general_one():
    own = contrast("d", DISTANCE, estimate=4.0, low=2.0, high=6.0, df=60.0)
    asked = content(
        model_operators=[own | {"holds_for": "these operators only"}],
        model_contrasts=[contrast("d", DISTANCE, low=-9.0, df=2.0)],
    )
    document = Document()
    operators_section(document, asked)
    lead, block = document.blocks
    assert "do not extend to other operators" in plain(lead["paragraphs"][0])
    general, these = ["+5.0 µm", "−9.0 to +9.0", "2.0"], ["+4.0 µm", "+2.0 to +6.0", "60.0"]
    assert cells(block)[0][2:] == general + these
    none = Document()
    operators_section(none, content(model_contrasts=[contrast("d", DISTANCE)]))
    assert none.blocks == []


def test_components_have_their_icc_and_models_what_a_second_program_finds():
    parts = [
        {"model_name": m, "response": r, "component": c, "sd": sd, "low": low, "high": high,
         "share": share}
        for m, r, c, sd, low, high, share in [
            ("d", DISTANCE, "scan", 3.0, 1.0, 5.0, 0.36),
            ("d", DISTANCE, "residual", 4.0, 3.0, 5.0, 0.64),
            ("d", DISTANCE, "model", 0.0, 0.0, 2.0, 0.0),
            ("s", SIZE, "residual", 0.5, NAN, NAN, 1.0),
        ]
    ]  # fmt: skip
    fits = [fit("d", DISTANCE, engine_difference=0.002), fit("s", SIZE)]
    document = Document()
    fits_section(document, content(model_fits=fits, model_variances=parts), ["d", "s"])
    components, explained = document.blocks
    assert cells(components) == [
        ["deviation of the distance", "scan", "3.0", "µm", "1.0 to 5.0", "0.360"],
        ["", "residual", "4.0", "µm", "3.0 to 5.0", "0.640"],
        ["geometric mean of |deviation of the distance|", "residual", "0.500", "log", "–", "1.000"],
    ]
    assert cells(explained) == [
        ["d", "198", "6", "0.25", "0.50", "0.002"],
        ["s", "198", "6", "0.25", "0.50", "not computed"],
    ]


def test_a_bootstrap_that_was_asked_for_stands_beside_the_f_test():
    tests = [
        {"model_name": "d", "response": DISTANCE, "term": t, "F": 5.0, "num_df": 1.0}
        | {"den_df": 8.0, "p": 0.05}
        for t in ("technique", "path_mm")
    ]
    drawn = [{"model_name": "d", "term": "technique", "p": 0.06, "draws": 99}]
    document = Document()
    term_tests(document, content(model_tests=tests, model_bootstrap=drawn))
    assert [row[-1] for row in cells(document.blocks[-1])] == ["0.060", "–"]
    without = Document()
    term_tests(without, content(model_tests=tests))
    assert len(without.blocks[-1]["columns"]) == 6
