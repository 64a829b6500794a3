"""Page 1 of a comparison says sizes first, names its intervals and warns of what it must."""

import numpy as np
import pandas as pd

from accstudy.reports.content import ReportContent
from accstudy.reports.document import Document, plain
from accstudy.reports.headline import answer, scatter_caution, size_sentences
from accstudy.reports.verdicts import verdict_table

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
                "shown": p < 0.05,
                "confidence": 0.95,
                "ratio": estimate if logs else NAN,
            }
            | {"margin": NAN if logs else 20.0, "p_equivalence": NAN if logs else 1e-4}
            | {"equivalent": None if logs else True}
            | {"equivalence_low": value - 5.0, "equivalence_high": value + 5.0}
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
    held = pd.DataFrame({"model_name": ["d", "s"], "covariate": "path_mm", "held": 30.0})
    found = {"model_contrasts": pd.concat([plain_, size]), "model_means": means,
             "model_covariates": held,
             "pair_deviations": pairs.assign(condition=pairs["technique"])}  # fmt: skip
    return ReportContent("x", {"limits": {}}, found | more, {}, "")


def test_sizes_come_first_oriented_so_that_the_smaller_is_a_share_of_the_larger():
    said = [plain(t).replace("\u00a0", " ") for t in answer(content(), "d")]
    assert said[0].startswith(
        "With A and B distances deviate about a third as much as with C: 0.31 (0.26 to 0.37) and "
        "0.33 (0.28 to 0.40) times"  # 1/3 with 1.2 either way: 0.278 to 0.400
    )
    assert said[1] == "No difference in size is shown between A and B, 0.93 (0.78 to 1.12) times."
    assert said[2] == (
        "Geometric mean of |deviation| / µm: A 2.0 (1.0 to 4.0); B 2.0 (1.0 to 4.0); C 2.0 (1.0 "
        "to 4.0)."
    )
    assert (
        "equivalence within ±20 µm is shown between A and B, +2.0 µm (90 %: −3.0 to +7.0)"
        in said[3]
    )


def test_without_a_model_of_the_size_the_signed_differences_come_first():
    found = content().tables
    only = {n: t[t["model_name"] == "d"] for n, t in found.items() if n.startswith("model_")}
    alone = content(**only)
    assert size_sentences(alone, "d") == []
    assert plain(answer(alone, "d")[0]).startswith("In the mean deviation of the distance")


def finding():
    return pd.DataFrame(
        [{"severity": "warning", "where": 'model "d"',
          "what": "the scatter of the residuals depends on technique (largest over smallest 2.1, "
                  "p < 0.001)"}]
    )  # fmt: skip


def test_scatter_that_differs_is_said_with_what_allowing_for_it_changes():
    assert scatter_caution(content(), "d") == []
    (asked,) = scatter_caution(content(findings=finding()), "d")
    assert "by up to 2.1 times; the model does not allow for it (residual_sd_by" in asked
    used = content().tables["model_contrasts"].query("model_name == 'd'")
    other = used.assign(residual_sd_by="technique")
    (same,) = scatter_caution(content(findings=finding(), model_unequal=other), "d")
    assert same.endswith("leads to the same verdicts.")
    other = other.assign(shown=False)
    (changed,) = scatter_caution(content(findings=finding(), model_unequal=other), "d")
    assert changed.endswith("changes the verdict on A - C.")


def test_the_table_of_verdicts_has_every_limit_and_names_models_that_differ():
    base = {"source": "mine", "coverage": 0.95, "confidence": 0.95, "limit": 100.0, "unit": "um"}
    base |= {"measurand": "distance_um", "holds_for": "new cells"}
    base |= {"bound_with_guard": 21.0, "largest_seen": 15.0}
    rows = [
        base | {"condition": c, "scope": scope, "tolerance_bound": bound, "verdict": verdict}
        for c, scope, bound, verdict in [
            ("A", "each pair", 20.0, "conformity verified"),
            ("A", "all pairs", 20.0, "conformity verified"),
            ("C", "each pair", 120.0, "conformity not verified"),
        ]
    ]
    seat = {"condition": "A", "seated": "best-seat", "limit_um": 150.0}
    seats = [seat | {"model": "M2", "verdict": "conformity verified"},
             seat | {"model": "M4", "verdict": "conformity not verified"}]  # fmt: skip
    document = Document()
    verdict_table(
        document, content(conformity=pd.DataFrame(rows), seating_summary=pd.DataFrame(seats))
    )
    table = document.blocks[-1]
    assert [plain(c["title"]) for c in table["columns"]] == ["limit", "A", "C"]
    cells = [[plain(c).replace("\u00a0", " ") for c in row] for row in table["rows"]]
    assert cells[0] == ["distance, each pair, 100 µm", "20 µm, verified", "120 µm, not verified"]
    assert cells[1][1:] == ["20 µm, verified", "–"]
    assert cells[2][1] == "not verified M4; verified M2"
    assert "never judged better than each by itself" in plain(table["caption"])
