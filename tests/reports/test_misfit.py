"""The report names the implant that a misfit comes from, and shows misfits over the models."""

import pandas as pd

from accstudy.figures.misfit import misfit_chart
from accstudy.reports.content import ReportContent
from accstudy.reports.document import Document, plain
from accstudy.reports.misfit import misfit


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
                    | {"span_mm": 30.0 + seats, "angulation_deg": 20.0}
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
    return {
        "seating": pd.DataFrame({"scan": ["x"]}),
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
    assert "mainly from implant I2" in said
    assert "at implant I4 comes mainly" in said
    assert "at implant I4 and 2 others comes mainly" in said
    assert "no screw preload" in said
    assert "verified on the patient" in said
    assert "misfit-over-study" in document.figures


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
