"""Page 1 of a comparison says sizes first, names its intervals and warns of what it must."""

import numpy as np
import pandas as pd

from accstudy.reports.comparison import (
    _by_level,
    answer,
    differences_table,
    effects_table,
)
from accstudy.reports.document import Document, ReportContent, plain
from accstudy.reports.effects import scatter_caution
from accstudy.reports.models import held_phrase
from accstudy.reports.verdicts import verdicts_table

VERDICTS = ("conformity verified", "conformity not verified")
NAN = float("nan")
SIZE = "log(abs(pair.distance_um))"


def contrasts(model, response, rows):
    out = []
    for contrast, estimate, half, p in rows:
        logs = response == SIZE
        value, width = (np.log(estimate), np.log(half)) if logs else (estimate, half)
        out.append(
            {"model_name": model, "response": response, "factor": "technique", "stratum": ""}
            | {"contrast": contrast, "estimate": value, "low": value - width, "high": value + width}
            | {"level_a": contrast[0], "level_b": contrast[-1], "covariate": ""}
            | {
                "p_holm": p,
                "adjust": "holm",
                "p_decides": p,
                "beyond": False,
                "shown": p < 0.05,
                "confidence": 0.95,
                "ratio": estimate if logs else NAN,
                "ratio_low": estimate / half if logs else NAN,
                "ratio_high": estimate * half if logs else NAN,
                "inverse_ratio": 1 / estimate if logs else NAN,
                "inverse_low": 1 / (estimate * half) if logs else NAN,
                "inverse_high": half / estimate if logs else NAN,
            }
            | {"margin": NAN if logs else 20.0, "p_equivalence": NAN if logs else 1e-4}
            | {"equivalent": None if logs else True}
            | {"equivalence_low": value - 5.0, "equivalence_high": value + 5.0}
            | {"equivalence_confidence": 0.9}
        )
    return pd.DataFrame(out)


def content(**more):
    plain_ = contrasts(
        "d", "pair.distance_um", [("A - B", 2.0, 6.0, 0.5), ("A - C", -25.0, 6.0, 1e-6)]
    )
    size = contrasts(
        "s",
        SIZE,
        [("A - B", 0.93, 1.2, 0.5), ("A - C", 0.31, 1.2, 1e-6), ("C - B", 3.0, 1.2, 1e-6)],
    )
    means = pd.DataFrame(
        [
            {
                "model_name": m,
                "response": r,
                "factor": "technique",
                "level": t,
                "at": "path_mm = 30",
            }
            | {
                "estimate": np.log(2.0),
                "low": np.log(1.0),
                "high": np.log(4.0),
                "se": 1.0,
                "df": 9.0,
            }
            for m, r in (("d", "pair.distance_um"), ("s", SIZE))
            for t in "ABC"
        ]
    )
    pairs = pd.DataFrame({"technique": list("AAABBBCCC"), "scan": range(9), "model": "M",
                          "distance_um": [-1.0, 2, 9, 3, -4, 5, 10, -30, 20]})  # fmt: skip
    held = pd.DataFrame({"model_name": ["d", "s"], "covariate": "path_mm", "held": 30.0,
                         "overlaps": True})  # fmt: skip
    fits = pd.DataFrame({"model_name": ["d", "s"], "role": ["lead", "size"],
                         "response": ["pair.distance_um", SIZE], "n_beyond_3sd": 1, "n_rows": 9,
                         "heavy_tails": False})  # fmt: skip
    found = {"model_contrasts": pd.concat([plain_, size]), "model_means": means,
             "model_fits": fits,
             "model_covariates": held,
             "pair_deviations": pairs.assign(condition=pairs["technique"])}  # fmt: skip
    return ReportContent("x", {"limits": {}}, found | more, {}, "")


def flat(text):
    return plain(text).replace("\u00a0", " ")


def test_sizes_come_first_each_with_its_interval():
    said = [flat(t) for t in answer(content(), "d")]
    assert said == [
        "Typical |deviation| of distances: A 0.31 times C (0.26 to 0.37), "
        "C 3.00 times B (2.50 to 3.60); 95 % intervals.",
        "Mean deviation: A minus C −25 µm (−31 to −19).",
    ]


def test_a_share_that_changes_with_tilt_says_for_which_tilt_it_holds():
    base = content().tables
    slope = base["model_contrasts"].query("model_name == 's'").tail(1)
    slope = slope.assign(covariate="path_mm", level_a="A", level_b="C", shown=True)
    at = slope.iloc[[0, 0]].assign(
        value=[10.0, 40.0], estimate=np.log([0.8, 0.2]), ratio=[0.8, 0.2],
        ratio_low=[0.6, 0.1], ratio_high=[1.0, 0.3],
    )  # fmt: skip
    asked = content(
        model_contrasts=pd.concat([base["model_contrasts"], slope]), model_contrasts_at=at
    )
    said = [flat(t) for t in answer(asked, "d")]
    assert said[0].endswith("95 % intervals, at arch length 30.0 mm.")
    assert said[1] == (
        "Mean deviation: A minus C −25 µm (−31 to −19). "
        "Ratio of A to C: 0.80 (0.60 to 1.00) at 10.0 mm, 0.20 (0.10 to 0.30) "
        "at 40.0 mm of arch length."
    )


def test_the_table_of_page_one_has_every_difference_with_its_interval_and_what_is_shown():
    document = Document()
    differences_table(document, content(), ["d", "s"])
    (table,) = document.blocks
    assert [flat(c["title"]) for c in table["columns"]][1:] == [
        "difference / µm", "ratio of sizes", "shown",
    ]  # fmt: skip
    assert [[flat(cell) for cell in row] for row in table["rows"]] == [
        # the interval of two one-sided tests stands where no difference is shown
        [
            "A – B",
            "+2.0 (−4.0 to +8.0) [−3.0 to +7.0]",
            "0.93 (0.78 to 1.12)",
            "mean deviations equivalent",
        ],
        ["A – C", "−25.0 (−31.0 to −19.0)", "0.31 (0.26 to 0.37)", "means and sizes differ"],
    ]
    assert "in brackets 90 %, for equivalence within ±20 µm, held at arch length" in flat(
        table["caption"]
    )


def test_a_difference_that_is_not_shown_is_not_called_equality():
    found = content().tables["model_contrasts"]
    found = found.assign(margin=NAN, equivalence_low=NAN, equivalence_high=NAN, equivalent=None)
    document = Document()
    differences_table(document, content(model_contrasts=found), ["d", "s"])
    assert flat(document.blocks[0]["rows"][0][-1]) == "no difference shown; equivalence not tested"
    open_ = content().tables["model_contrasts"].assign(equivalent=False)
    document = Document()
    differences_table(document, content(model_contrasts=open_), ["d"])
    assert flat(document.blocks[0]["rows"][0][-1]) == "neither difference nor equivalence shown"


def test_an_estimate_without_an_interval_is_not_printed():
    found = content().tables["model_contrasts"].assign(low=NAN, high=NAN, equivalent=False)
    found["shown"] = False
    asked = content(model_contrasts=found)
    document = Document()
    differences_table(document, asked, ["d", "s"])
    assert {flat(c) for row in document.blocks[0]["rows"] for c in row[1:]} == {
        "no interval: less than one degree of freedom",
        "nothing",
    }
    assert "too few degrees of freedom to compare the deviations" in flat(answer(asked, "d")[0])


def effects(**changed):
    base = {"model_name": "d", "response": "pair.distance_um", "scope": "at equal path"}
    base |= {"covariate": "angulation_deg", "kind": "average", "factor": "technique", "level": ""}
    base |= {"estimate": 5.0, "low": 3.0, "high": 7.0, "p": 0.001, "p_holm": 0.002}
    return (
        base
        | {"p_interaction": 0.5, "confidence": 0.95, "ratio": NAN}
        | {"shown": True, "applies": True}
        | changed
    )


def test_the_table_of_effects_goes_by_condition_only_where_they_differ_and_says_why_not():
    worst = {"model_name": "w", "response": "scan.worst_distance_um", "scope": "as it comes"}
    rows = [
        effects(),
        effects(**worst, applies=False),
        effects(**worst, kind="level", level="A", estimate=1.0, shown=False),
        effects(**worst, kind="level", level="C", estimate=9.0),
    ]
    notes = [
        {"covariate": c, "scope": s, "n_levels": 2, "stated": c[0] == "a", "why": "one of each"}
        for c in ("angulation_deg", "n_implants")
        for s in ("at equal path", "as it comes")
    ]
    document = Document()
    asked = content(model_effects=pd.DataFrame(rows), model_effect_notes=pd.DataFrame(notes))
    effects_table(document, asked, "d")
    cells = [[flat(cell) for cell in row] for row in document.blocks[0]["rows"]]
    assert cells == [
        ["10° of angulation", "all", "+5.0 (+3.0 to +7.0)", "–"],
        ["", "A", "–", "+1.0 (+3.0 to +7.0)"],
        ["", "C", "–", "+9.0 (+3.0 to +7.0)"],
        [
            "one additional implant",
            "all",
            "not estimable: one of each",
            "not estimable: one of each",
        ],
    ]
    assert isinstance(document.blocks[0]["rows"][1][3], str)  # not shown, so not coloured
    assert document.blocks[0]["rows"][2][3][0]["s"] == "accent"


def test_no_number_of_an_answer_stands_without_an_interval():
    missed = pd.DataFrame(
        [
            {
                "model_name": "d",
                "covariate": "path_mm",
                "missing": "curvature",
                "p_holm": 0.01,
                "shown": True,
            }
        ]
    )
    said = [flat(t) for t in answer(content(model_lack_of_fit=missed), "d")]
    assert said[-1] == (
        "Caution: fitted means depart from observed means along arch length (p = 0.010; see "
        "Lack of fit)."
    )


def test_without_a_model_of_the_size_the_signed_differences_come_first():
    found = content().tables
    only = {n: t[t["model_name"] == "d"] for n, t in found.items() if n.startswith("model_")}
    alone = content(**only)
    assert plain(answer(alone, "d")[0]).startswith("In the mean deviation of the distance")


def spread(**more):
    row = {"model_name": "d", "against": "technique", "ratio": 2.1, "warned": True}
    return pd.DataFrame([row | more])


def test_scatter_that_differs_is_said_with_what_allowing_for_it_changes():
    assert scatter_caution(content(), "d") == []
    assert scatter_caution(content(model_spread=spread(warned=False)), "d") == []
    assert scatter_caution(content(model_spread=spread(against="path_mm")), "d") == []
    (asked,) = scatter_caution(content(model_spread=spread()), "d")
    assert asked.startswith("scatter is shown to differ between levels of technique; the model ")
    assert "does not allow for it (residual_sd_by" in asked
    used = content().tables["model_contrasts"].query("model_name == 'd'")
    other = used.assign(residual_sd_by="technique", changed=False)
    (same,) = scatter_caution(content(model_spread=spread(), model_unequal=other), "d")
    assert same.endswith("leads to the same verdicts.")
    other = other.assign(changed=[False, True])
    (changed,) = scatter_caution(content(model_spread=spread(), model_unequal=other), "d")
    assert changed.endswith("changes the verdict on A − C.")


def test_the_table_of_verdicts_has_every_limit_and_names_models_that_differ():
    base = {"source": "mine", "coverage": 0.95, "confidence": 0.95, "limit": 100.0, "unit": "um"}
    base |= {"measurand": "distance_um", "holds_for": "new cells"}
    base |= {"bound_with_guard": 21.0, "largest_seen": 15.0, "informative": True, "beside": False}
    base |= {"assumption": "none", "p_normal": 0.4, "not_normal": False, "left_out_shown": False}
    base |= {
        "normality_test": "",
        "needed_assurance": NAN,
        "n_pairs": 15,
        "n_scans": 12,
        "note": "",
    }
    rows = [
        base | {"condition": c, "scope": scope, "tolerance_bound": bound, "verdict": verdict}
        for c, scope, bound, verdict in [
            ("A", "each pair", 20.0, "conformity verified"),
            ("A", "all pairs", 20.0, "conformity verified"),
            ("C", "each pair", 120.0, "conformity not verified"),
        ]
    ]
    seat = {"condition": "A", "seated": "best-seat", "limit_um": 150.0, "max_um": 8.0, "note": ""}
    seat |= {"assumption": "lognormally distributed gaps", "p_normal": 0.25}
    seat |= {"n_scans": 8, "tolerance_bound_um": 46.0, "bound_with_guard_um": 47.0}
    seats = [seat | {"model": "M2", "verdict": VERDICTS[0]},
             seat | {"model": "M4", "note": "why", "verdict": VERDICTS[1]}]  # fmt: skip
    document = Document()
    verdicts_table(
        document, content(conformity=pd.DataFrame(rows), seating_summary=pd.DataFrame(seats))
    )
    table = document.blocks[-1]
    cells = [[plain(c).replace("\u00a0", " ") for c in row] for row in table["rows"]]
    assert [row[0] for row in cells] == ["A", "", "", "", "C"]
    assert cells[0][1:8] == [
        "each inter-implant distance separately", "100 µm", "15 µm", "20 µm", "21 µm",
        "verified", "no distribution",
    ]  # fmt: skip
    assert cells[4][6] == "not verified"
    assert cells[3][1:] == [
        "largest gap at the best seat, model M4", "150 µm", "8 µm", "46 µm", "47 µm",
        "not verified", "lognormally distributed gaps (p = 0.250)", "why",
    ]  # fmt: skip
    assert "Every row rests on 8 to 12 scans." in flat(table["caption"])


def test_warnings_on_the_residuals_of_the_sizes_stand_on_the_first_page():
    spread = pd.DataFrame({"model_name": ["s", "s"], "against": ["fitted", "path_mm"],
                           "ratio": [2.71, 9.0], "warned": [True, False]})  # fmt: skip
    fits = (
        content()
        .tables["model_fits"]
        .assign(n_beyond_3sd=[90, 25], n_rows=2016, heavy_tails=[False, True])
    )
    asked = content(model_spread=spread, model_fits=fits)
    assert plain(answer(asked, "d")[-1]) == (
        "Caution: residuals behind the ratios of sizes scatter unequally, 2.7-fold, and have "
        "heavy tails (25 of 2016 beyond three standard deviations)."
    )
    quiet = content(
        model_spread=spread.assign(warned=False), model_fits=fits.assign(heavy_tails=False)
    )
    assert not plain(answer(quiet, "d")[-1]).startswith("Caution")


def test_each_response_says_where_its_own_model_holds_the_covariates():
    held = pd.DataFrame(
        {"model_name": ["d", "w"], "response": ["pair.distance_um", "scan.worst_distance_um"],
         "covariate": "angulation_deg", "held": [15.4, 22.5]}
    )  # fmt: skip
    asked = content(model_covariates=held)
    assert held_phrase(asked, ["d", "w"]) == (
        ", held at angulation 15.4° (deviation of the distance); angulation 22.5° (largest "
        "|deviation of a distance| "
        "of a scan)"
    )
    assert held_phrase(asked, ["d"]) == ", held at angulation 15.4°"
    assert held_phrase(asked, ["d", "w"], skip="angulation_deg") == ""


def test_an_effect_is_marked_as_shown_where_its_row_says_so():
    rows = {
        "kind": ["average", "level", "level"], "level": ["", "A", "B"],
        "shown": [False, True, False], "estimate": [5.0, 9.0, 1.0], "low": [1.0, 2.0, -3.0],
        "high": [9.0, 16.0, 5.0], "applies": [False, True, True],
    }  # fmt: skip
    table = pd.DataFrame(rows).assign(
        covariate="angulation_deg", scope="at equal path", response="pair.distance_um",
        model_name="d", confidence=0.95,
    )  # fmt: skip
    asked = ("angulation_deg", "at equal path", "pair.distance_um")
    found = _by_level(table, *asked)
    assert found["B"] == "+1.0 (−3.0 to +5.0)"
    assert found["A"] == [{"t": "+9.0 (+2.0 to +16.0)", "s": "accent"}]
    alike = table.assign(applies=[True, False, False])
    assert _by_level(alike, *asked) == {"": "+5.0 (+1.0 to +9.0)"}
    assert _by_level(alike.assign(shown=True), *asked)[""][0]["s"] == "accent"
