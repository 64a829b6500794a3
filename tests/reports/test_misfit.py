"""The report names the implant that a misfit comes from, and shows misfits over the models."""

import numpy as np
import pandas as pd
import pytest

from accstudy.figures.seating import misfit_chart
from accstudy.reports.document import Document, ReportContent, plain
from accstudy.reports.seating import misfit
from accstudy.seating.summary import told_from_none


def tables():
    scans, parts = [], []
    for model, seats in (("M4", 4), ("M6", 6)):
        for i in range(3):
            base = {"scan": f"{model}_{i}", "model": model, "condition": "A"}
            for seated in ("terminal-screw", "best-seat"):
                size = 10.0 * seats + i
                scans.append(
                    base
                    | {"seated": seated, "misfit_um": size, "n_seats": seats}
                    | {"span_mm": 30.0 + seats, "angulation_deg": 20.0, "told": True}
                    | {"tightened": "I1" if seated == "terminal-screw" else "best-seat"}
                    | {"implant": "I4", "n_worst": 1 if seated == "terminal-screw" else 3}
                    | {"largest": (model, i) == ("M6", 2), "origin": "I2", "origin_part": "tilt"}
                    | {"without_um": 0.2 * size, "status": "ok"}
                )
                for implant, share in (("I1", 0.1), ("I2", 0.8)):
                    for part in ("whole", "tilt", "height", "sideways"):
                        counted = share if part in ("whole", "tilt") else 0.01
                        parts.append(
                            base
                            | {"seated": seated, "tightened": "I1", "worst_implant": "I4"}
                            | {"n_worst": 1 if seated == "terminal-screw" else 3}
                            | {"misfit_um": size, "implant": implant, "part": part}
                            | {"contribution_um": counted * size}
                            | {"misfit_without_um": (1 - counted) * size}
                        )
    medians = pd.DataFrame(scans).groupby(["condition", "model", "seated"], as_index=False)
    summary = medians["misfit_um"].median().rename(columns={"misfit_um": "median_um"})
    summary = summary.assign(n_not_told=1, n_scans=3)
    return {
        "seating": pd.DataFrame({"scan": ["x"]}),
        "seating_summary": summary,
        "seating_scans": pd.DataFrame(scans),
        "seating_contributions": pd.DataFrame(parts),
    }


def content(**found):
    return ReportContent("x", {"limits": {}}, found, {}, "")


def test_the_origin_and_the_cautions_stand_beside_the_figure():
    document = Document()
    misfit(document, content(**tables()))
    said = " ".join(
        plain(text)
        for block in document.blocks
        if block["type"] == "lead"
        for text in block["paragraphs"]
    )
    assert "no screw preload" in said
    assert "verified on the patient" in said
    assert "misfit-over-study" in document.figures
    (table,) = (b for b in document.blocks if b["type"] == "table")
    assert [[plain(c).replace("\u00a0", " ") for c in row] for row in table["rows"]] == [
        ["M6_2", "best seat", "62 µm gap at I4 and 2 others", "I2, tilt", "12 µm", "1 of 3"],
        ["M6_2", "one screw, at I1", "62 µm gap at I4", "I2, tilt", "12 µm", "1 of 3"],
    ]


def test_one_model_needs_no_figure_over_the_study():
    document = Document()
    found = tables()
    found["seating_scans"] = found["seating_scans"].query("model == 'M4'")
    misfit(document, content(**found))
    assert not document.figures


def test_models_are_categories_labelled_with_what_differs_between_them():
    table = tables()["seating_scans"].assign(median_um=40.0)
    figure = misfit_chart(table)
    assert len(figure.axes) == 2  # one for each way of seating
    for ax in figure.axes:
        said = [t.get_text() for t in ax.get_xticklabels()]
        assert said == ["M4\n4 implants\n34 mm", "M6\n6 implants\n36 mm"]  # the tilt is the same
        drawn = [x for line in ax.lines for x in line.get_xdata()]
        assert min(drawn) > -0.5
        assert max(drawn) < 1.5


def told(misfits, locating=20.0):
    table = pd.DataFrame({"misfit_um": misfits, "locating_p95_um": locating})
    return told_from_none(table)


def test_the_largest_of_many_scans_is_told_from_none_only_beyond_chance():
    # Binomial, n 40, share 0.05: 5 or more have p 0.048, 4 or more 0.138 (tables of the binomial
    # distribution, from memory; scipy.stats.binom gives the same).
    assert told([25.0] * 4 + [5.0] * 36) is False
    assert told([25.0] * 5 + [5.0] * 35) is True
    # One scan: Bonferroni for 40, z(1 - 0.025 / 40) / z(0.975) = 3.227 / 1.960.
    assert not told([32.5] + [5.0] * 39)
    assert told([33.5] + [5.0] * 39)
    assert told([25.0])
    assert not told([15.0])
    assert told([15.0], locating=float("nan")) is None


def test_perfect_frameworks_are_told_from_none_in_few_studies():
    rng = np.random.default_rng(3)
    noise = np.abs(rng.normal(size=(400, 64))) / 1.96
    share = np.mean([told(row, locating=1.0) for row in noise])
    assert share < 0.12  # two tests at 5 % each


@pytest.mark.parametrize(
    ("changed", "said"),
    [({"told": False}, "not assigned"), ({"origin": ""}, "several implants")],
)
def test_no_origin_is_named_for_a_misfit_that_is_not_told_from_none(changed, said):
    found = tables()
    found["seating_scans"] = found["seating_scans"].assign(**changed)
    document = Document()
    misfit(document, content(**found))
    (table,) = (b for b in document.blocks if b["type"] == "table")
    assert {plain(row[3]) for row in table["rows"]} == {said}
    assert {plain(row[4]) for row in table["rows"]} == {"–"}


def test_properties_of_models_that_may_be_confounded_are_named():
    found = tables()
    document = Document()
    misfit(document, content(**found))
    (figure,) = (b for b in document.blocks if b["type"] == "figure")
    assert "Unless implant count and span occur in all combinations" in plain(figure["caption"])
    parts = []
    for tilt in (0.0, 15.0, 30.0):
        part = found["seating_scans"].assign(angulation_deg=tilt, span_mm=40.0)
        parts.append(part.assign(model=part["model"] + f"-{tilt:.0f}"))
    found["seating_scans"] = crossed = pd.concat(parts, ignore_index=True)
    document = Document()
    misfit(document, content(**found))
    (figure,) = (b for b in document.blocks if b["type"] == "figure")
    assert "Unless implant count and angulation occur in" in plain(figure["caption"])
    drawn = misfit_chart(crossed.assign(median_um=40.0))
    labels = [t.get_text() for t in drawn.axes[0].get_xticklabels()]
    assert labels[0] == "M4-0, 4 implants, tilt 0°"
    assert [label[:2] for label in labels] == ["M4"] * 3 + ["M6"] * 3
    assert all(line.get_linestyle() == "None" for ax in drawn.axes for line in ax.lines)
